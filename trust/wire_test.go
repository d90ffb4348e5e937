package trust

import (
	"strings"
	"testing"
)

func TestReceive(t *testing.T) {
	for text, want := range map[string]bool{
		`{"n":1}`: true, "{\"n\":1}\n": true, `{"n":1} {}`: false, `{"n":1}x`: false, `{"m":1}`: false, `{"n":"1"}`: false, "": false,
		`{"n":1}` + strings.Repeat(" ", 100): false,
	} {
		var v struct{ N int }
		if err := Receive(strings.NewReader(text), 50, &v); (err == nil) != want || want && v.N != 1 {
			t.Errorf("%.20q: %v, %+v", text, err, v)
		}
	}
}
