package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/netip"
	"path"
	"strconv"
	"strings"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/host"
	"anchorhold.test/anchorhold/trust/probe"
	"anchorhold.test/anchorhold/trust/root"
)

// What the kernel tells of this host's network (proc(5)).
const (
	processes  = "/proc"
	netTables  = processes + "/self/net"
	maxDevices = 1 << 20 // bytes of the table of IPv6 addresses
)

// listeners lists what listens on this host, by local addresses.
type listeners struct{ host *host.Host }

// list returns where listeners are to be asked, and what was not looked at.
func (l listeners) list(ctx context.Context) (targets []trust.Target, blind []string) {
	sockets, blind := l.sockets()
	if sockets == nil && blind != nil {
		return nil, blind
	}
	devices := l.devices()
	chosen, passed := probe.Listeners(sockets, devices)
	blind = append(blind, passed...)
	who := l.holders(ctx, chosen)
	for _, c := range chosen {
		p := who.of[c.Inode]
		if p.ours {
			continue
		}
		c.Target.Process = p.name
		targets = append(targets, c.Target)
	}
	return targets, append(blind, who.blind()...)
}

// sockets reads both tables; one that is not there is no fault of a host
// without that kind of address.
func (l listeners) sockets() (all []probe.Socket, blind []string) {
	there := false
	for _, name := range []string{"tcp", "tcp6"} {
		table, err := l.head(path.Join(netTables, name), probe.MaxTable)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		there = true
		var sockets []probe.Socket
		more := false
		if err == nil {
			sockets, more, err = probe.ParseSockets(table)
		}
		if err != nil {
			blind = append(blind, fmt.Sprintf("%s: %v", trust.NotListed, err))
		}
		if more {
			blind = append(blind, "listeners: there are more than are looked at")
		}
		all = append(all, sockets...)
	}
	if !there {
		blind = append(blind, trust.NotListed+": not inspected on this system")
	}
	return all, blind
}

// head reads a table of the kernel, which has no size, up to a bound.
func (l listeners) head(name string, max int64) ([]byte, error) {
	f, err := l.host.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, max))
}

// devices are the host's IPv6 addresses; a host without any has none.
func (l listeners) devices() map[netip.Addr]string {
	table, err := l.head(path.Join(netTables, "if_inet6"), maxDevices)
	if err != nil {
		return nil
	}
	devices, err := probe.ParseDevices(table)
	if err != nil {
		return nil
	}
	return devices
}

// Bounds of looking for who holds a socket.
const (
	maxProcesses = 10_000
	maxOpen      = 200_000 // open files of all processes together
	maxComm      = 64      // bytes of a process's name; the kernel keeps 15
)

// holder is a process that holds a socket.
type holder struct {
	name  string
	ours  bool // it runs this very program
	first bool // it is process 1, which may hold a socket for a service that it starts by it
}

// holders is who holds sockets, and what of the host was seen while looking.
type holders struct {
	of    map[uint64]holder
	nets  map[string]bool // networks other than ours
	short bool            // not every process could be looked at
}

// holders looks through all processes that this account may look into.
func (l listeners) holders(ctx context.Context, wanted []probe.Listener) holders {
	found := holders{of: map[uint64]holder{}, nets: map[string]bool{}}
	links := map[string]uint64{}
	for _, w := range wanted {
		links[fmt.Sprintf("socket:[%d]", w.Inode)] = w.Inode
	}
	own, _ := l.host.Readlink(processes + "/self/ns/net")
	self, _ := l.host.Readlink(processes + "/self/exe")
	entries, err := l.host.ReadDir(processes)
	found.short = err != nil || own == ""
	left, files := maxProcesses, maxOpen
	for _, e := range entries {
		if _, err := strconv.ParseUint(e.Name(), 10, 32); err != nil {
			continue
		}
		if left--; left < 0 || files <= 0 || ctx.Err() != nil {
			found.short = true
			break
		}
		dir := path.Join(processes, e.Name())
		switch in, err := l.host.Readlink(dir + "/ns/net"); {
		case errors.Is(err, fs.ErrNotExist): // it ended meanwhile
			continue
		case err != nil:
			found.short = true
			continue
		case in != own:
			found.nets[in] = true
			continue
		}
		l.look(dir, self, links, &found, &files)
	}
	return found
}

// look finds the wanted sockets among the open files of one process.
func (l listeners) look(dir, self string, links map[string]uint64, found *holders, files *int) {
	open, err := l.host.ReadDir(dir + "/fd")
	if err != nil {
		found.short = found.short || !errors.Is(err, fs.ErrNotExist)
		return
	}
	var h *holder
	for _, fd := range open {
		if *files--; *files < 0 {
			return
		}
		to, err := l.host.Readlink(dir + "/fd/" + fd.Name())
		if err != nil {
			continue
		}
		inode, ok := links[to]
		if !ok {
			continue
		}
		if h == nil {
			h = l.holder(dir, self)
		}
		if before, known := found.of[inode]; !known || before.first {
			found.of[inode] = *h
		}
	}
}

func (l listeners) holder(dir, self string) *holder {
	name, err := l.head(dir+"/comm", maxComm)
	if err != nil {
		name = nil
	}
	exe, err := l.host.Readlink(dir + "/exe")
	return &holder{name: root.Safe(strings.TrimSuffix(string(name), "\n"), maxComm), ours: err == nil && self != "" && exe == self,
		first: dir == processes+"/1"}
}

// blind says what the look at this host's processes did not show.
func (h holders) blind() []string {
	switch n := len(h.nets); {
	case n > 0:
		return []string{count(n, "other network namespace", "other network namespaces") + " (containers, services with a network of their own): their listeners are not seen"}
	case h.short:
		return []string{"other network namespaces (containers): their listeners are not seen, nor whether there are any"}
	}
	return nil
}
