package policy

import (
	"strings"
	"testing"
	"time"
)

func TestStrictJSON(t *testing.T) {
	deep := func(n int) string { return strings.Repeat("[", n) + strings.Repeat("]", n) }
	many := func(n int) string {
		var b strings.Builder
		for i := range n {
			b.WriteString(`,"m` + strings.Repeat("x", i) + `":1`)
		}
		return "{" + b.String()[1:] + "}"
	}
	for in, code := range map[string]string{
		`{"a":[1,-2,3.5,1e9,1E-2,true,false,null,"x"]}`: "",
		" \t\r\n[ ] \n":                       "",
		`"\u0041\n\\\/\"\ud83d\ude00"`:        "",
		deep(maxDepth):                        "",
		many(maxMembers):                      "",
		"":                                    CodeEmpty,
		" \n":                                 CodeEmpty,
		"<html>":                              CodeWebPage,
		"\xef\xbb\xbf{}":                      CodeByteOrderMark,
		"{}{}":                                CodeTrailingData,
		"{} x":                                CodeTrailingData,
		"{}\x00":                              CodeTrailingData,
		deep(maxDepth + 1):                    CodeTooDeep,
		strings.Repeat("[", 100_000):          CodeTooDeep,
		many(maxMembers + 1):                  CodeTooManyValues,
		"[" + strings.Repeat("1,", maxValues): CodeTooManyValues,
		`{"a":1,"a":2}`:                       CodeDuplicateMember,
		`{"a":1,"\u0061":2}`:                  CodeDuplicateMember,
		`{"a":1,"A":2}`:                       CodeCaseVariant,
		"{\"s\":1,\"\u017f\":2}":              CodeCaseVariant, // long s folds to s, as encoding/json has it
		"\"a\xff\"":                           CodeBadUTF8,
		"\"\\n\xff\"":                         CodeBadUTF8,
		`"\ud83d"`:                            CodeBadUTF8,
		`"\ude00\ud83d"`:                      CodeBadUTF8,
		`"\ud83d\u0041"`:                      CodeBadUTF8,
		"\"a\nb\"":                            CodeNotJSON,
		"\"\\t\nb\"":                          CodeNotJSON,
		`"\x41"`:                              CodeNotJSON,
		`"\u00g1"`:                            CodeNotJSON,
		`"\u00`:                               CodeNotJSON,
		`"a`:                                  CodeNotJSON,
		`"a\`:                                 CodeNotJSON,
		`"a\"`:                                CodeNotJSON,
		`{a:1}`:                               CodeNotJSON,
		`{"a" 1}`:                             CodeNotJSON,
		`{"a":1,}`:                            CodeNotJSON,
		`[1,]`:                                CodeNotJSON,
		`[1 2]`:                               CodeNotJSON,
		`{"a":1 "b":2}`:                       CodeNotJSON,
		`01`:                                  CodeNotJSON,
		`-01`:                                 CodeNotJSON,
		`+1`:                                  CodeNotJSON,
		`1.`:                                  CodeNotJSON,
		`.5`:                                  CodeNotJSON,
		`1e`:                                  CodeNotJSON,
		`-`:                                   CodeNotJSON,
		`NaN`:                                 CodeNotJSON,
		`tru`:                                 CodeNotJSON,
		`// a comment` + "\n{}":               CodeNotJSON,
		`eyJhbGciOiJFZERTQSJ9.e30.c2ln`:       CodeNotJSON,
	} {
		if _, err := scan([]byte(in)); CodeOf(err) != code {
			t.Errorf("%.60q: %v, want %q", in, err, code)
		}
	}
	n, err := scan([]byte(`"\u0041\b\f\n\r\t\\\/\"\ud83d\ude00é"`))
	if err != nil || n.text != "A\b\f\n\r\t\\/\"\U0001F600é" {
		t.Errorf("text %q, %v", n.text, err)
	}
}

func TestDecodeStrict(t *testing.T) {
	type inner struct {
		N uint32 `json:"n"`
	}
	type outer struct {
		S string            `json:"s"`
		I int               `json:"i,omitempty"`
		U uint64            `json:"u,omitempty"`
		B bool              `json:"b,omitempty"`
		T time.Time         `json:"t,omitzero"`
		P *time.Time        `json:"p,omitempty"`
		D []byte            `json:"d,omitempty"`
		L []inner           `json:"l,omitempty"`
		M map[string]string `json:"m,omitempty"`
		H Digest            `json:"h,omitzero"`
		X string            `json:"-"`
	}
	for in, code := range map[string]string{
		`{"s":"x"}`: "",
		`{"s":"x","i":-9007199254740991,"u":9007199254740991,"b":true,"t":"2026-01-02T03:04:05Z","p":"2026-01-02T03:04:05Z","d":"AAE=","l":[{"n":4294967295}],"m":{"k":"v"},"h":"AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAE"}`: "",
		`{}`:                                 CodeMissingMember,
		`[]`:                                 CodeWrongType,
		`{"s":1}`:                            CodeWrongType,
		`{"s":null}`:                         CodeNullMember,
		`{"S":"x"}`:                          CodeCaseVariant,
		`{"s":"x","y":1}`:                    CodeUnknownMember,
		`{"s":"x","X":""}`:                   CodeUnknownMember,
		`{"s":"x","-":""}`:                   CodeUnknownMember,
		`{"s":"x","":""}`:                    CodeUnknownMember,
		`{"s":"x","i":1.0}`:                  CodeNotInteger,
		`{"s":"x","i":-0}`:                   CodeNotInteger,
		`{"s":"x","i":1e2}`:                  CodeNotInteger,
		`{"s":"x","i":9007199254740992}`:     CodeOutOfRange,
		`{"s":"x","i":99999999999999999999}`: CodeOutOfRange,
		`{"s":"x","u":-1}`:                   CodeOutOfRange,
		`{"s":"x","i":"1"}`:                  CodeWrongType,
		`{"s":"x","b":1}`:                    CodeWrongType,
		`{"s":"x","b":"true"}`:               CodeWrongType,
		`{"s":"x","t":"2026-01-02"}`:         CodeBadTime,
		`{"s":"x","t":"2026-01-02T03:04:05+00:00"}`: CodeBadTime,
		`{"s":"x","t":"2026-02-30T03:04:05Z"}`:      CodeBadTime,
		`{"s":"x","t":1767323045}`:                  CodeWrongType,
		`{"s":"x","p":null}`:                        CodeNullMember,
		`{"s":"x","d":"AAE"}`:                       CodeBadBase64,
		`{"s":"x","d":"AAF="}`:                      CodeBadBase64,
		`{"s":"x","d":"AA\nE="}`:                    CodeBadBase64,
		`{"s":"x","d":"-_E="}`:                      CodeBadBase64,
		`{"s":"x","d":[1]}`:                         CodeWrongType,
		`{"s":"x","l":{}}`:                          CodeWrongType,
		`{"s":"x","l":[null]}`:                      CodeNullMember,
		`{"s":"x","l":[{"n":4294967296}]}`:          CodeOutOfRange,
		`{"s":"x","l":[{}]}`:                        CodeMissingMember,
		`{"s":"x","m":{"k":1}}`:                     CodeWrongType,
		`{"s":"x","m":[]}`:                          CodeWrongType,
		`{"s":"x","h":"AAAA"}`:                      CodeBadText,
		`{"s":"x","h":1}`:                           CodeWrongType,
	} {
		var o outer
		if err := decodeStrict([]byte(in), 1000, "", &o); CodeOf(err) != code {
			t.Errorf("%s: %v, want %q", in, err, code)
		}
	}
	// An error names the place.
	for in, subject := range map[string]string{
		`{"s":"x","l":[{"n":1},{"n":null}]}`: "top.l[1].n",
		`{"s":"x","m":{"a b":1}}`:            `top.m."a b"`,
		`{"s":"x","l":[{"n":1},{}]}`:         "top.l[1]",
		`{"s":"x","t":1,"l":[]}`:             "top.t",
	} {
		var o outer
		err := decodeStrict([]byte(in), 1000, "top", &o)
		if e, ok := err.(*Error); !ok || e.Subject != subject {
			t.Errorf("%s: %v, want the subject %q", in, err, subject)
		}
	}
	var o outer
	if err := decodeStrict([]byte(`{"s":"`+strings.Repeat("x", 1000)+`"}`), 1000, "", &o); CodeOf(err) != CodeTooLarge {
		t.Errorf("%v, want %s", err, CodeTooLarge)
	}
}

// FuzzDocument: a document that was read is written and read again as the
// same.
func FuzzDocument(f *testing.F) {
	d := document(firstKeyset(1, testSigner(f, Ed25519, 1)), 1, at("2026-01-02"), at("2026-03-01"), anyRoot(1, Trusted), anyRoot(2, Retired))
	text, err := d.Canonical()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(text)
	f.Add([]byte(strings.ReplaceAll(string(text), `"schema":1`, `"schema":2`)))
	f.Add([]byte(`{"schema":1,"name":"\ud83d\ude00"}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		got, err := readDocument(data)
		if err != nil {
			return
		}
		again, err := got.Canonical()
		if err != nil {
			t.Fatal(err)
		}
		back, err := readDocument(again)
		if err != nil {
			t.Fatalf("%v: %s", err, again)
		}
		if third, err := back.Canonical(); err != nil || string(third) != string(again) {
			t.Errorf("not stable: %s and %s", again, third)
		}
	})
}
