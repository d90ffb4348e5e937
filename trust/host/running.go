package host

import (
	"path"
	"strconv"
	"strings"
)

// maxCommand bounds what is read of a process's command line.
const maxCommand = 128 << 10

// Running lists the processes that run the program of that base name, itself
// or as a script, as far as /proc shows them (proc(5)).
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
		for _, a := range args[:min(3, len(args))] { // interpreter, its option, script
			if path.Base(a) == program {
				pids = append(pids, pid)
				break
			}
		}
	}
	return pids
}
