package probe_test

import (
	"fmt"
	"testing"
	"time"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/probe"
	"anchorhold.test/anchorhold/trust/root"
)

// judged is what this room says of a chain as it was sent.
type judged struct {
	carried  bool // by its certificates, dates and limits, whatever its name
	verifies bool // and for the name; no name: as a listener of which nobody said what it serves
	why      string
}

// judge asks for a verdict with a store that holds these roots, and for the
// roots that carry the chain, which must never say another thing.
func judge(t *testing.T, chain [][]byte, name string, now time.Time, roots ...[]byte) judged {
	t.Helper()
	g := probe.Gathered{Target: trust.Target{Address: "127.0.0.1:443", Identity: name, Listener: name == ""},
		Ends: []probe.End{{Chain: chain, Version: tls12}}}
	v := probe.Judge(g, asRoots(roots...), nil, now)
	if len(v.Endpoints) != 1 || v.Answer != trust.Verifies && v.Answer != trust.Fails {
		t.Fatalf("%+v", v)
	}
	e := v.Endpoints[0]
	j := judged{carried: len(probe.Anchors(chain, asRoots(roots...), now)) > 0, verifies: v.Answer == trust.Verifies}
	if len(e.Anchors) > 0 != j.carried || j.verifies && !j.carried {
		t.Errorf("the verdict is %s with %v, and roots that carry it: %v", v.Answer, e.Anchors, j.carried)
	}
	for _, f := range e.Findings {
		if f.Severity == root.Refuse {
			j.why += fmt.Sprintf("%s: %s; ", f.Code, f.What)
		}
	}
	if v.Answer == trust.Fails && j.why == "" {
		t.Errorf("it fails, and no finding says why: %+v", e.Findings)
	}
	return j
}

const tls12 = 0x0303

func asRoots(ders ...[]byte) []trust.Root {
	var out []trust.Root
	for _, d := range ders {
		out = append(out, trust.Root{Fingerprint: root.Of(d), DER: d})
	}
	return out
}
