package policy

import (
	"bytes"
	"slices"
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/trust/root"
)

// Each row changes one thing of a good document; the finding that must come
// of it, and no other that refuses.
func TestCheck(t *testing.T) {
	k := firstKeyset(1, testSigner(t, Ed25519, 1))
	late := at("2026-05-01")
	odd := time.Date(2026, 2, 1, 0, 0, 0, 5, time.UTC)
	zoned := time.Date(2026, 2, 1, 0, 0, 0, 0, time.FixedZone("", 3600))
	good := func() Document {
		d := document(k, 7, at("2026-01-02"), at("2026-03-01"), anyRoot(1, Trusted), anyRoot(2, Retired), anyRoot(3, Distrusted))
		d.Stages = []Stage{{Name: "pilot", Percent: 10, Labels: map[string]string{"site": "north"}}}
		d.Services = []Service{{Name: "tides", Address: "tides.harbour.test:443"}}
		return d
	}
	fp := func(d *Document, i int) *root.Fingerprint { return &d.Roots[i].SHA256 }
	steps := func(n int) []Step { return slices.Repeat([]Step{{Standing: Retired, Stage: "pilot"}}, n) }
	for name, c := range map[string]struct {
		how  func(*Document)
		code string
		path string
		warn bool
	}{
		"good":                 {func(*Document) {}, "", "", false},
		"no roots":             {func(d *Document) { d.Roots = nil }, "", "", false},
		"schema":               {func(d *Document) { d.Schema = 2 }, "schema", "schema", false},
		"no name":              {func(d *Document) { d.Name = "" }, "name", "name", false},
		"long name":            {func(d *Document) { d.Name = strings.Repeat("a", 33) }, "name", "name", false},
		"path as name":         {func(d *Document) { d.Name = "../../x" }, "name", "name", false},
		"name, then line":      {func(d *Document) { d.Name = "harbour\n" }, "name", "name", false},
		"no epoch":             {func(d *Document) { d.Epoch = 0 }, "epoch", "epoch", false},
		"no version":           {func(d *Document) { d.Version = 0 }, "version", "version", false},
		"version 2^53":         {func(d *Document) { d.Version = 1 << 53 }, "version", "version", false},
		"issued in parts":      {func(d *Document) { d.Issued = odd; d.Expires = odd.Add(day).Truncate(time.Second) }, "time", "issued", false},
		"issued in a zone":     {func(d *Document) { d.Issued = zoned }, "time", "issued", false},
		"expires first":        {func(d *Document) { d.Expires = d.Issued }, "expires", "expires", false},
		"400 days":             {func(d *Document) { d.Expires = d.Issued.Add(400 * day) }, "", "", false},
		"401 days":             {func(d *Document) { d.Expires = d.Issued.Add(400*day + time.Second) }, "expires", "expires", false},
		"contact":              {func(d *Document) { d.Contact = strings.Repeat("x", 201) }, "text-length", "contact", false},
		"contact with escape":  {func(d *Document) { d.Contact = "\x1b[2J" }, "text-character", "contact", false},
		"notes of two lines":   {func(d *Document) { d.Notes = "a\n\tb" }, "", "", false},
		"notes with CR":        {func(d *Document) { d.Notes = "a\rb" }, "text-character", "notes", false},
		"1001 roots":           {func(d *Document) { d.Roots = manyRoots(1001) }, "count", "roots", false},
		"1000 roots":           {func(d *Document) { d.Roots = manyRoots(1000) }, "", "", false},
		"stage all":            {func(d *Document) { d.Stages[0].Name = "all" }, "stage-twice", "stages[0].name", false},
		"stage twice":          {func(d *Document) { d.Stages = append(d.Stages, d.Stages[0]) }, "stage-twice", "stages[1].name", false},
		"stage name":           {func(d *Document) { d.Stages[0].Name = "Pilot" }, "stage-name", "stages[0].name", false},
		"percent 0":            {func(d *Document) { d.Stages[0].Percent = 0 }, "percent", "stages[0].percent", false},
		"percent 101":          {func(d *Document) { d.Stages[0].Percent = 101 }, "percent", "stages[0].percent", false},
		"host label":           {func(d *Document) { d.Stages[0].Labels["Site"] = "x" }, "host-label", "stages[0].labels", false},
		"host label value":     {func(d *Document) { d.Stages[0].Labels["site"] = "" }, "host-label", "stages[0].labels", false},
		"stage start":          {func(d *Document) { d.Stages[0].Start = &odd }, "time", "stages[0].start", false},
		"label of 0":           {func(d *Document) { d.Roots[0].Label = "" }, "text-length", "roots[0].label", false},
		"label of blanks":      {func(d *Document) { d.Roots[0].Label = "  " }, "text-length", "roots[0].label", false},
		"label of 64":          {func(d *Document) { d.Roots[0].Label = strings.Repeat("ä", 64) }, "", "", false},
		"label of 65":          {func(d *Document) { d.Roots[0].Label = strings.Repeat("ä", 65) }, "text-length", "roots[0].label", false},
		"label turned round":   {func(d *Document) { d.Roots[0].Label = "a\u202eb" }, "text-character", "roots[0].label", false},
		"label with NUL":       {func(d *Document) { d.Roots[0].Label = "a\x00b" }, "text-character", "roots[0].label", false},
		"label with C1":        {func(d *Document) { d.Roots[0].Label = "a\u009bb" }, "text-character", "roots[0].label", false},
		"label without width":  {func(d *Document) { d.Roots[0].Label = "a\u200bb" }, "text-character", "roots[0].label", false},
		"label of two lines":   {func(d *Document) { d.Roots[0].Label = "a\nb" }, "text-character", "roots[0].label", false},
		"label, a path":        {func(d *Document) { d.Roots[0].Label = "../../x" }, "", "", false},
		"root twice":           {func(d *Document) { *fp(d, 2) = *fp(d, 1) }, "root-twice", "roots[2]", false},
		"no fingerprint":       {func(d *Document) { *fp(d, 1) = root.Fingerprint{} }, "fingerprint", "roots[1].sha256", false},
		"other certificate":    {func(d *Document) { d.Roots[0].DER = []byte("x") }, "certificate-other", "roots[0].der", false},
		"other, retired":       {func(d *Document) { d.Roots[1].DER = []byte("x") }, "certificate-other", "roots[1].der", false},
		"no certificate":       {func(d *Document) { d.Roots[0].DER = nil }, "certificate-missing", "roots[0].der", false},
		"large certificate":    {func(d *Document) { d.Roots[1].DER = make([]byte, MaxDER+1) }, "certificate-size", "roots[1].der", false},
		"large sample":         {func(d *Document) { d.Roots[0].Sample = [][]byte{make([]byte, MaxDER+1)} }, "certificate-size", "roots[0].sample[0]", false},
		"empty sample":         {func(d *Document) { d.Roots[0].Sample = [][]byte{{}} }, "certificate-size", "roots[0].sample[0]", false},
		"long sample":          {func(d *Document) { d.Roots[0].Sample = slices.Repeat([][]byte{{1}}, 9) }, "count", "roots[0].sample", false},
		"no standings":         {func(d *Document) { d.Roots[1].Standings = nil }, "count", "roots[1].standings", false},
		"16 standings":         {func(d *Document) { d.Roots[1].Standings = steps(16) }, "", "", false},
		"17 standings":         {func(d *Document) { d.Roots[1].Standings = steps(17) }, "count", "roots[1].standings", false},
		"unknown standing":     {func(d *Document) { d.Roots[1].Standings[0].Standing = "banned" }, "standing", "roots[1].standings[0].standing", false},
		"unknown stage":        {func(d *Document) { d.Roots[1].Standings[0].Stage = "pilots" }, "stage-unknown", "roots[1].standings[0].stage", false},
		"no stage":             {func(d *Document) { d.Roots[1].Standings[0].Stage = "" }, "stage-unknown", "roots[1].standings[0].stage", false},
		"deadline":             {func(d *Document) { d.Roots[1].Standings[0].Deadline = &late }, "", "", false},
		"deadline of trusted":  {func(d *Document) { d.Roots[0].Standings[0].Deadline = &late }, "deadline", "roots[0].standings[0].deadline", false},
		"deadline of distrust": {func(d *Document) { d.Roots[2].Standings[0].Deadline = &late }, "deadline", "roots[2].standings[0].deadline", false},
		"until":                {func(d *Document) { d.Roots[0].Standings[0].Until = &late }, "", "", false},
		"until of retired":     {func(d *Document) { d.Roots[1].Standings[0].Until = &late }, "until", "roots[1].standings[0].until", false},
		"until in parts":       {func(d *Document) { d.Roots[0].Standings[0].Until = &odd }, "time", "roots[0].standings[0].until", false},
		"dead step": {func(d *Document) {
			d.Roots[1].Standings = []Step{{Standing: Retired, Stage: "pilot"}, {Standing: Retired, Stage: AllHosts}}
		}, "step-without-effect", "roots[1].standings[0]", true},
		"no purposes":           {func(d *Document) { d.Roots[0].Purposes = nil }, "count", "roots[0].purposes", false},
		"unknown purpose":       {func(d *Document) { d.Roots[0].Purposes = []string{"timestamps"} }, "purpose-unknown", "roots[0].purposes", true},
		"purpose twice":         {func(d *Document) { d.Roots[0].Purposes = []string{Email, Email} }, "purpose", "roots[0].purposes", false},
		"purpose, no word":      {func(d *Document) { d.Roots[0].Purposes = []string{"TLS server"} }, "purpose", "roots[0].purposes", false},
		"no stores":             {func(d *Document) { d.Roots[0].Stores = []string{} }, "count", "roots[0].stores", false},
		"unknown store":         {func(d *Document) { d.Roots[0].Stores = []string{MachineStore, "browser"} }, "store-unknown", "roots[0].stores", true},
		"store, a path":         {func(d *Document) { d.Roots[0].Stores = []string{"/etc/ssl"} }, "store", "roots[0].stores", false},
		"succeeds":              {func(d *Document) { d.Roots[0].Succeeds = fp(d, 1) }, "", "", false},
		"succeeds a stranger":   {func(d *Document) { d.Roots[0].Succeeds = &root.Fingerprint{9} }, "succeeds", "roots[0].succeeds", false},
		"succeeds itself":       {func(d *Document) { d.Roots[0].Succeeds = fp(d, 0) }, "succeeds", "roots[0].succeeds", false},
		"succeeds in a circle":  {func(d *Document) { d.Roots[0].Succeeds, d.Roots[1].Succeeds = fp(d, 1), fp(d, 0) }, "succeeds", "roots[0].succeeds", false},
		"waiver":                {func(d *Document) { d.Roots[0].Waivers = []Waiver{{"curve", "x"}} }, "", "", false},
		"waiver without reason": {func(d *Document) { d.Roots[0].Waivers = []Waiver{{"curve", " "}} }, "text-length", "roots[0].waivers[0].reason", false},
		"waiver without code":   {func(d *Document) { d.Roots[0].Waivers = []Waiver{{"", "x"}} }, "waiver", "roots[0].waivers[0].code", false},
		"waiver never":          {func(d *Document) { d.Roots[0].Waivers = []Waiver{{"go-unloadable", "x"}} }, "waiver", "roots[0].waivers[0].code", false},
		"waiver twice":          {func(d *Document) { d.Roots[0].Waivers = []Waiver{{"curve", "x"}, {"curve", "y"}} }, "waiver", "roots[0].waivers[1].code", false},
		"service name":          {func(d *Document) { d.Services[0].Name = "" }, "text-length", "services[0].name", false},
		"address without port":  {func(d *Document) { d.Services[0].Address = "tides.harbour.test" }, "address", "services[0].address", false},
		"port 65536":            {func(d *Document) { d.Services[0].Address = "tides.harbour.test:65536" }, "address", "services[0].address", false},
		"port 0":                {func(d *Document) { d.Services[0].Address = "tides.harbour.test:0" }, "address", "services[0].address", false},
		"address, an option":    {func(d *Document) { d.Services[0].Address = "-x:443" }, "address", "services[0].address", false},
		"address, a URL":        {func(d *Document) { d.Services[0].Address = "https://tides.harbour.test:443" }, "address", "services[0].address", false},
		"IPv6":                  {func(d *Document) { d.Services[0].Address = "[2001:db8::1]:443" }, "", "", false},
		"IPv6, bare":            {func(d *Document) { d.Services[0].Address = "2001:db8::1:443" }, "address", "services[0].address", false},
		"identity":              {func(d *Document) { d.Services[0].Identity = "a b" }, "identity", "services[0].identity", false},
		"starttls":              {func(d *Document) { d.Services[0].StartTLS = "ftp" }, "starttls", "services[0].starttls", false},
		"service's stage":       {func(d *Document) { d.Services[0].Stages = []string{"nowhere"} }, "stage-unknown", "services[0].stages", false},
	} {
		d := good()
		c.how(&d)
		found := d.Check()
		match := slices.IndexFunc(found, func(f Finding) bool { return f.Code == c.code && f.Path == c.path })
		refusing := slices.ContainsFunc(found, func(f Finding) bool { return f.Severity == root.Refuse })
		if c.code == "" && len(found) > 0 || c.code != "" && match < 0 || refusing != (c.code != "" && !c.warn) {
			t.Errorf("%s: %+v, want %q at %q", name, found, c.code, c.path)
		}
		if (documentError(found) != nil) != refusing {
			t.Errorf("%s: the error does not fit the findings", name)
		}
	}
}

func manyRoots(n int) []Root {
	roots := make([]Root, n)
	for i := range roots {
		roots[i] = anyRoot(1, Trusted)
		roots[i].DER = bytes.Repeat([]byte{byte(i), byte(i >> 8)}, 300)
		roots[i].SHA256 = root.Of(roots[i].DER)
	}
	return roots
}

// All findings come at once.
func TestCheckAllAtOnce(t *testing.T) {
	d := document(firstKeyset(1, testSigner(t, Ed25519, 1)), 0, at("2026-01-02"), at("2025-01-01"), anyRoot(1, "banned"), anyRoot(1, Trusted))
	codes := map[string]bool{}
	for _, f := range d.Check() {
		codes[f.Code] = true
	}
	for _, want := range []string{"version", "expires", "standing", "root-twice"} {
		if !codes[want] {
			t.Errorf("%s is not told: %v", want, codes)
		}
	}
}
