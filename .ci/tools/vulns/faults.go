package main

import (
	"encoding/json"
	"fmt"
	"io"
	"slices"
)

// message is the part of govulncheck's JSON stream that is read here
// (golang.org/x/vuln/internal/govulncheck, protocol v1.0.0).
type message struct {
	Config *struct {
		GoVersion string `json:"go_version"`
	}
	SBOM    *struct{ Modules []struct{ Path string } }
	Finding *finding
}

// finding is a known fault. The first frame of its trace is the faulty place:
// a function if the program calls it, else only the package or the module.
type finding struct {
	OSV   string
	Fixed string `json:"fixed_version"`
	Trace []struct{ Module, Version, Package, Function string }
}

// fault is what is told of one fault, once, however many ways lead to it.
type fault struct{ osv, module, version, fixed, place string }

type faults struct {
	goVersion string
	modules   int
	called    []fault // with a function that the program calls
}

const stdlib = "stdlib"

func read(r io.Reader) (faults, error) {
	var all faults
	stream := json.NewDecoder(r)
	for {
		var m message
		err := stream.Decode(&m)
		if err == io.EOF {
			break
		}
		if err != nil {
			return all, fmt.Errorf("cannot read govulncheck's answer: %w", err)
		}
		if m.Config != nil {
			all.goVersion = m.Config.GoVersion
		}
		if m.SBOM != nil {
			all.modules = len(m.SBOM.Modules)
		}
		if m.Finding != nil {
			all.add(*m.Finding)
		}
	}
	if all.goVersion == "" || all.modules == 0 {
		return all, fmt.Errorf("cannot read govulncheck's answer: it names no Go version or no module")
	}
	return all, nil
}

func (all *faults) add(f finding) {
	if len(f.Trace) == 0 || f.Trace[0].Function == "" {
		return
	}
	at := f.Trace[0]
	seen := func(o fault) bool { return o.osv == f.OSV && o.module == at.Module }
	if !slices.ContainsFunc(all.called, seen) {
		all.called = append(all.called, fault{f.OSV, at.Module, at.Version, f.Fixed, at.Package + "." + at.Function})
	}
}

// tell writes every fault and gives the status.
func tell(all faults, db string, w io.Writer) int {
	status := 0
	for _, f := range all.called {
		cure := "no fixed version is known"
		if f.fixed != "" {
			cure = "fixed in " + f.fixed
		}
		word := "note"
		if f.module != stdlib {
			word, status = "FAIL", 1
		}
		fmt.Fprintf(w, "%s %s is called: %s in %s %s, %s\n", word, f.osv, f.place, f.module, f.version, cure)
	}
	fmt.Fprintf(w, "known faults: %d called, %d modules, %s, database %s\n", len(all.called), all.modules, all.goVersion, db)
	return status
}
