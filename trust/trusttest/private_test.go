package trusttest

import (
	"net"
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

func TestPrivateParts(t *testing.T) {
	t.Run("aside", func(t *testing.T) {
		if os.Getenv(privateMark) != "" {
			t.Error("another part runs inside as well")
		}
	})
	t.Run("part", func(t *testing.T) {
		inside := Private(t, "HARBOUR=quay")
		if got := os.Getenv("HARBOUR"); (got == "quay") != inside {
			t.Errorf("HARBOUR=%q, inside: %v", got, inside)
		}
		if inside {
			t.Run("inner", func(t *testing.T) {})
		}
	})
}

func TestPrivateNetworkHasLoopbackAlone(t *testing.T) {
	if !PrivateNetwork(t) {
		return
	}
	all, err := net.Interfaces()
	if err != nil || len(all) != 1 || all[0].Flags&(net.FlagLoopback|net.FlagUp) != net.FlagLoopback|net.FlagUp {
		t.Errorf("%v, %v", all, err)
	}
}
