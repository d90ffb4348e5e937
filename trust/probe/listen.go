package probe

import (
	"bytes"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"net/netip"
	"strconv"
	"strings"
)

// Bounds of what is read of the kernel's tables, in bytes and entries. The
// kernel lists all listening sockets before the first connection
// (Documentation/networking/proc_net_tcp.rst), so that a table which is cut
// behind them says all that is asked of it.
const (
	MaxTable   = 4 << 20
	maxSockets = 4096
)

// Socket is a TCP socket of this host that listens.
type Socket struct {
	Bound netip.AddrPort // unspecified: every address of the host
	UID   uint32         // of whoever opened it
	Inode uint64         // by which a process that holds it is found
}

// errTable is what a table ends in that is not as the kernel writes it.
var errTable = errors.New("this is no table of TCP sockets")

// ParseSockets reads which sockets listen from a table as the kernel writes it,
// /proc/net/tcp or tcp6 (proc(5)). A last line without its end is left out;
// more reports that sockets may be missing, for they were too many.
func ParseSockets(table []byte) (sockets []Socket, more bool, err error) {
	listens := false
	for n := 0; ; n++ {
		line, rest, whole := bytes.Cut(table, []byte{'\n'})
		if !whole && n > 0 {
			// Cut short while there were still listening sockets to come.
			return sockets, more || len(line) > 0 && listens, nil
		}
		table = rest
		f := bytes.Fields(line)
		if n == 0 {
			if len(f) < 4 || string(f[1]) != "local_address" {
				return nil, false, errTable
			}
			continue
		}
		var s Socket
		if s, listens, err = parseSocket(f); err != nil {
			return nil, false, fmt.Errorf("cannot read line %d: %w", n+1, err)
		}
		switch {
		case !listens:
		case len(sockets) == maxSockets:
			more = true
		default:
			sockets = append(sockets, s)
		}
	}
}

// The columns of the table that count, and TCP_LISTEN (include/net/tcp_states.h).
const (
	columnLocal, columnState, columnUID, columnInode = 1, 3, 7, 9

	stateListen = "0A"
)

func parseSocket(f [][]byte) (s Socket, listens bool, err error) {
	if len(f) <= columnInode {
		return s, false, errTable
	}
	if string(f[columnState]) != stateListen {
		return s, false, nil
	}
	if s.Bound, err = parseEndpoint(string(f[columnLocal])); err != nil {
		return s, false, err
	}
	uid, err := strconv.ParseUint(string(f[columnUID]), 10, 32)
	if err != nil {
		return s, false, errTable
	}
	s.UID = uint32(uid)
	if s.Inode, err = strconv.ParseUint(string(f[columnInode]), 10, 64); err != nil {
		return s, false, errTable
	}
	return s, true, nil
}

// parseEndpoint reads an address and port: the address as words of 32 bits in
// the machine's own byte order, the port as a plain number.
func parseEndpoint(text string) (netip.AddrPort, error) {
	address, port, found := strings.Cut(text, ":")
	words, err := hex.DecodeString(address)
	if err != nil || !found || len(words) != 4 && len(words) != 16 {
		return netip.AddrPort{}, errTable
	}
	for i := 0; i < len(words); i += 4 {
		binary.BigEndian.PutUint32(words[i:], binary.NativeEndian.Uint32(words[i:]))
	}
	n, err := strconv.ParseUint(port, 16, 16)
	if err != nil {
		return netip.AddrPort{}, errTable
	}
	addr, _ := netip.AddrFromSlice(words)
	return netip.AddrPortFrom(addr.Unmap(), uint16(n)), nil
}

// ParseDevices reads which IPv6 addresses the host has, each with the name of
// its device, from a table as the kernel writes it, /proc/net/if_inet6.
func ParseDevices(table []byte) (map[netip.Addr]string, error) {
	devices := map[netip.Addr]string{}
	for line := range bytes.Lines(table) {
		f := bytes.Fields(line)
		if len(f) != 6 {
			return nil, errors.New("this is no table of IPv6 addresses")
		}
		raw, err := hex.DecodeString(string(f[0]))
		if err != nil || len(raw) != 16 {
			return nil, errors.New("this is no table of IPv6 addresses")
		}
		if len(devices) == maxSockets {
			break
		}
		addr, _ := netip.AddrFromSlice(raw)
		devices[addr] = string(f[5])
	}
	return devices, nil
}
