package packaging_test

import (
	"fmt"
	"slices"
	"strings"
)

// room is what the Go files of one folder may lean on, tests apart. Without a
// row a folder may not hold Go files: a new room is a decision.
type room struct {
	dir   string   // "x/..." is x and all below
	ours  []string // rooms it may import; its own folder's children need no row
	never []string // imports that are banned, and all below them
	clock bool     // may read the clock
	links []string // what must not be linked into it, by whatever way
	why   string
}

// any of ours but what only tests may import.
var product = []string{"policy", "trust", "trust/root", "trust/host", "trust/native", "trust/reader", "trust/probe", "trust/dependent",
	"agent", "agent/ledger", "agent/report", "agent/source", "agent/sink"}

// The root vocabulary (trust/root) is open to every room that may import trust,
// since trust's own types are made of it.
var rooms = []room{
	{dir: "policy", ours: []string{"trust/root"}, never: []string{"os", "net", "syscall"},
		why: "bytes in, a verdict out: what it says must not hang on the machine"},
	{dir: "trust", ours: []string{"trust/root"}, never: []string{"os", "net", "syscall"},
		why: "the contract, for stores of every system"},
	{dir: "trust/root", never: []string{"os", "net", "syscall"},
		why: "reads bytes that anybody may have written"},
	{dir: "trust/host", never: []string{"net"}, clock: true,
		why: "the only door to the machine opens no connection"},
	{dir: "trust/native", ours: []string{"trust", "trust/root", "trust/host"}, never: []string{"os", "net", "syscall"}, clock: true,
		why: "a store is tested on every system because it reaches the machine through host alone"},
	{dir: "trust/reader", ours: []string{"trust", "trust/root", "trust/host"}, never: []string{"net"}, clock: true,
		why: "it asks the programs of this machine"},
	{dir: "trust/trusttest", ours: []string{"trust", "trust/root", "trust/host"}, never: []string{"net"}, clock: true,
		why: "for tests; no product file imports it"},
	{dir: "trust/trusttest/tracer", never: []string{"net"},
		why: "watches a program from outside, whatever it is"},
	{dir: "trust/probe", ours: []string{"trust", "trust/root"}, clock: true,
		why: "judges with a set of roots, whoever gathered it"},
	{dir: "trust/dependent", ours: []string{"trust", "trust/root", "trust/host", "trust/probe"}, never: []string{"os", "net", "syscall"}, clock: true,
		why: "reads foreign files through host alone, and connects to nobody"},
	{dir: "agent", ours: []string{"policy", "trust", "trust/root", "agent/ledger", "agent/report"},
		never: []string{"net", "database/sql"}, clock: true, links: []string{"trust/native", "database/sql", "html/template"},
		why: "decides and drives; who composes it gives it stores"},
	{dir: "agent/ledger", ours: []string{"policy", "trust", "trust/root", "trust/host"}, never: []string{"net", "database/sql"}, clock: true,
		why: "one file, written through host"},
	{dir: "agent/report", ours: []string{"policy", "trust", "trust/root"}, never: []string{"net", "os", "database/sql"},
		why: "the wire contract, which the collector links too"},
	{dir: "agent/source", ours: []string{"policy", "trust", "trust/host"}, never: []string{"database/sql"}, clock: true,
		why: "brings bytes; who reads them judges them"},
	{dir: "agent/sink", ours: []string{"agent/report"}, never: []string{"database/sql"}, clock: true,
		why: "brings reports away"},
	{dir: "cmd/anchorhold", ours: product, clock: true, links: []string{"database/sql", "html/template", "cmd/anchorhold-fleet"},
		why: "runs as root: each linked package is code with root's rights"},
	{dir: "cmd/anchorhold-fleet/...", ours: []string{"policy", "trust/root", "agent/report"}, clock: true, links: []string{"agent", "trust/native"},
		why: "takes reports in; it can't change a host because it holds no code for it"},
	{dir: "testdata", never: []string{"net"}, clock: true,
		why: "for tests; no product file imports it"},
}

// execRoom alone may start programs, testdata's script apart, which no product
// file can reach.
const execRoom = "trust/host"

// harmless parse addresses and open nothing: a ban on net leaves them out.
var harmless = []string{"net/url", "net/netip"}

// within tells whether path is base or lies below it.
func within(path, base string) bool {
	return path == base || strings.HasPrefix(path, base+"/")
}

func roomOf(dir string) (room, bool) {
	for _, r := range rooms {
		base, tree := strings.CutSuffix(r.dir, "/...")
		if dir == base || tree && within(dir, base) {
			return r, true
		}
	}
	return room{}, false
}

// judgeImport says what is wrong with an import by a file that is no test.
func judgeImport(dir, imported string) error {
	r, ok := roomOf(dir)
	if !ok {
		return fmt.Errorf("%s has no row in the table of rooms", dir)
	}
	if imported == "os/exec" && dir != execRoom && dir != "testdata" {
		return fmt.Errorf("%s imports os/exec: only %s may start programs", dir, execRoom)
	}
	for _, ban := range r.never {
		if within(imported, ban) && !slices.Contains(harmless, imported) {
			return fmt.Errorf("%s imports %s: %s", dir, imported, r.why)
		}
	}
	if !within(imported, module) {
		return nil
	}
	target := strings.TrimPrefix(strings.TrimPrefix(imported, module), "/")
	base, _ := strings.CutSuffix(r.dir, "/...")
	if slices.Contains(r.ours, target) || base != r.dir && within(target, base) {
		return nil
	}
	return fmt.Errorf("%s imports %s: it may import %v of ours: %s", dir, target, r.ours, r.why)
}

// judgeLinks says which of the linked packages a room must not have.
func judgeLinks(r room, linked []string) error {
	for _, ban := range r.links {
		if strings.HasPrefix(ban, "cmd/") || slices.Contains(product, ban) {
			ban = module + "/" + ban
		}
		if slices.Contains(linked, ban) {
			return fmt.Errorf("%s links %s: %s", r.dir, ban, r.why)
		}
	}
	return nil
}
