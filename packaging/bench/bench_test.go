//go:build linux

// Package bench measures what the design promises of a whole run: time from
// outside, beside what else does the job, on one machine and in one go.
package bench

import (
	"fmt"
	"os"
	"strings"
	"testing"
	"text/tabwriter"
	"time"
)

// row is one line of the table.
type row struct {
	what, measured, baseline, ratio, budget, kept string
}

// leftOut is a row that could not be measured here.
func leftOut(what, budget, why string) row { return row{what, why, "", "", budget, "-"} }

func verdict(ok bool) string {
	if ok {
		return "kept"
	}
	return "MISSED"
}

// BenchmarkBudgets prints the table. It runs once, whatever b.N: each line
// repeats by itself, and says how often.
func BenchmarkBudgets(b *testing.B) {
	program := os.Getenv("ANCHORHOLD_PROGRAM")
	if program == "" {
		b.Skip("bench.sh says which program is measured")
	}
	var rows []row
	if os.Getenv("ANCHORHOLD_BENCH_MACHINE") == "private" {
		m := newMachine(b, program)
		rows = append(rows, m.verify(), m.verifyCold(), m.idle(), m.idleWrites(), m.place(1), m.place(4), m.witness(), m.placeWhole(1), m.memory())
	} else {
		rows = append(rows, leftOut("verify, enforce, placing", "", "needs root: it works on a private copy of the machine"))
	}
	rows = append(rows, openPolicy(b), openProcess(b, program), binarySize(b, program))
	show(rows)
}

func show(rows []row) {
	fmt.Printf("\nBudgets, %s, load %s\n", time.Now().UTC().Format("2006-01-02 15:04Z"), load())
	w := tabwriter.NewWriter(os.Stdout, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "WHAT\tMEASURED\tBASELINE\tRATIO\tBUDGET\t")
	for _, r := range rows {
		fmt.Fprintln(w, strings.Join([]string{r.what, r.measured, r.baseline, r.ratio, r.budget, r.kept}, "\t"))
	}
	w.Flush()
	fmt.Println("\nTimes are medians of whole processes from outside, of 20 runs where no number")
	fmt.Println("stands beside them. No budget is measured of what does not exist yet: the service")
	fmt.Println("at rest, the watched policy file, the collector.")
}

// load is what else the machine had to do, for the reader's doubt.
func load() string {
	data, err := os.ReadFile("/proc/loadavg")
	if err != nil {
		return "unknown"
	}
	first, _, _ := strings.Cut(string(data), " ")
	return first
}
