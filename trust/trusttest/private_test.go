package trusttest

import (
	"os"
	"testing"
)

func TestPrivateLeavesTheMachineAlone(t *testing.T) {
	const mark = "/usr/local/share/ca-certificates/anchorhold-private-test"
	inside := Private(t)
	if _, err := os.Stat(mark); err == nil {
		t.Fatalf("%s is there, although nobody made it in this namespace", mark)
	}
	if !inside {
		return
	}
	if err := os.MkdirAll("/usr/local/share/ca-certificates", 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(mark, nil, 0o600); err != nil {
		t.Fatal(err)
	}
}
