package host

import (
	"path"
	"slices"
	"strconv"
	"strings"
)

// maxCommand bounds what is read of a process's command line.
const maxCommand = 128 << 10

// shells run scripts: their first arguments name one.
var shells = []string{"sh", "dash", "bash"}

// Running lists the processes of privileged accounts that run the program of
// that base name, itself or as a shell script, as far as /proc shows them
// (proc(5)). Processes that
// see another root folder, as those of containers do, are left out.
func (h *Host) Running(program string) []int {
	entries, err := h.ReadDir("/proc")
	if err != nil {
		return nil
	}
	var pids []int
	for _, e := range entries {
		pid, err := strconv.Atoi(e.Name())
		if err != nil {
			continue
		}
		line, err := h.ReadFile("/proc/"+e.Name()+"/cmdline", maxCommand)
		if err != nil {
			continue
		}
		args := strings.SplitN(string(line), "\x00", 4)
		named := args[:1]
		if slices.Contains(shells, path.Base(args[0])) {
			named = args[:min(3, len(args))] // the shell, perhaps an option, the script
		}
		if slices.ContainsFunc(named, func(a string) bool { return path.Base(a) == program }) && h.privileged(e.Name()) && h.sameRoot(e.Name()) {
			pids = append(pids, pid)
		}
	}
	return pids
}

// privileged reports whether an account that the host trusts runs the process:
// anybody can call a program of his own by any name, and nobody else can write
// what a privileged one writes.
func (h *Host) privileged(pid string) bool {
	fi, err := h.Stat("/proc/" + pid)
	if err != nil {
		return false
	}
	uid, _, known := owner(fi)
	return !known || h.trusts(uid)
}

// sameRoot reports whether a process sees our root folder, or that it cannot
// be told.
func (h *Host) sameRoot(pid string) bool {
	theirs, err := h.Stat("/proc/" + pid + "/root")
	if err != nil {
		return true
	}
	ours, err := h.Stat("/")
	return err != nil || IdentityOf(theirs) == IdentityOf(ours)
}
