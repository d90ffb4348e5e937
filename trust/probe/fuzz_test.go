package probe_test

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"net"
	"strings"
	"testing"
	"time"
	"unicode"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/probe"
)

func FuzzReadList(f *testing.F) {
	f.Add([]byte("crane.harbour.test:8443 name=crane\n[::1]:25 starttls=smtp # mail\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		targets, err := probe.ReadList(data)
		if err == nil && (len(targets) == 0 || len(targets) > probe.MaxTargets) {
			t.Errorf("%d targets", len(targets))
		}
		for _, got := range targets {
			if again, err := probe.ParseTarget(got.Address, got.StartTLS, got.Identity); err != nil || again != got {
				t.Errorf("%+v is read again as %+v, %v", got, again, err)
			}
		}
	})
}

// What a child answers reaches screens: nothing in it may move a terminal.
func FuzzAnswers(f *testing.F) {
	good, _ := json.Marshal([]trust.Verdict{{Answer: trust.Fails, Endpoints: []trust.Endpoint{{Remote: "\x1b[2J", Answer: trust.Fails,
		Leaf: &trust.ServedCertificate{Subject: "\u202e"}, Findings: []trust.ServiceFinding{{Code: "expired", What: "a\nb"}}}}}})
	f.Add(good)
	f.Fuzz(func(t *testing.T, data []byte) {
		verdicts, err := probe.Answers(data, []trust.Target{{Address: "crane.harbour.test:443"}})
		if err != nil {
			return
		}
		for _, e := range verdicts[0].Endpoints {
			texts := []string{e.Remote, e.Version}
			if e.Leaf != nil {
				texts = append(texts, e.Leaf.Subject, e.Leaf.Issuer, e.Leaf.Serial)
				texts = append(texts, e.Leaf.Names...)
			}
			for _, f := range e.Findings {
				texts = append(texts, f.What, f.Users, f.Next)
			}
			for _, s := range texts {
				if strings.ContainsFunc(s, unicode.IsControl) || strings.Contains(s, "\u202e") {
					t.Errorf("%q", s)
				}
			}
		}
	})
}

// Whatever a child is asked, it ends, and what it answers has our form. Nobody
// is connected to: its time is over before it begins.
func FuzzChild(f *testing.F) {
	good, _ := json.Marshal(probe.Question{Targets: []trust.Target{{Address: "crane.harbour.test:443"}, {Address: "[::1]:25", StartTLS: probe.SMTP}},
		In: []trust.Root{{DER: []byte{0x30, 0}}}, At: time.Unix(1790000000, 0), Within: time.Second})
	f.Add(good)
	f.Add([]byte("{}"))
	over, stop := context.WithCancel(context.Background())
	stop()
	f.Fuzz(func(t *testing.T, question []byte) {
		var out bytes.Buffer
		if probe.Child(over, bytes.NewReader(question), &out) != nil {
			return
		}
		var q probe.Question
		if err := json.Unmarshal(question, &q); err != nil {
			t.Fatal(err)
		}
		verdicts, err := probe.Answers(out.Bytes(), q.Targets)
		if err != nil {
			t.Fatal(err)
		}
		for _, v := range verdicts {
			if v.Answer != trust.Silent {
				t.Errorf("%q: %s", v.Target.Address, v.Answer)
			}
		}
	})
}

// Whatever a service says before TLS begins, asking it ends.
func FuzzBeforeTLS(f *testing.F) {
	f.Add(true, []byte("220 quay\r\n250-quay\r\n250 STARTTLS\r\n220 go\r\n"))
	f.Add(false, []byte("\x30\x0c\x02\x01\x01\x78\x07\x0a\x01\x00\x04\x00\x04\x00"))
	f.Fuzz(func(t *testing.T, mail bool, says []byte) {
		at := quay(t, func(c net.Conn) {
			go io.Copy(io.Discard, c)
			io.Copy(c, bytes.NewReader(says))
			time.Sleep(time.Millisecond)
		})
		startTLS := map[bool]string{true: probe.SMTP, false: probe.LDAP}[mail]
		if e := gathered(t, at, startTLS, time.Second); e.Stop == probe.Done || strings.ContainsFunc(e.Why, unicode.IsControl) {
			t.Errorf("%q %q", e.Stop, e.Why)
		}
	})
}
