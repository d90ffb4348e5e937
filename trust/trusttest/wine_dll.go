package trusttest

import (
	"encoding/binary"
)

// Offsets within the file below, and the address of its one section.
const (
	peHeader  = 0x40
	peContent = 0x200
	peAddress = 0x1000
	peSize    = 0x100
)

// randomLibrary is bcryptprimitives.dll, which Wine 8 lacks and Go's runtime
// starts with. It holds no code: its one function, ProcessPrng, is forwarded to
// SystemFunction036 of advapi32, which takes the same arguments and does the
// same (PE/COFF: an export address inside the export section names another
// library's function).
func randomLibrary() []byte {
	le := binary.LittleEndian
	b := make([]byte, 2*peContent)
	copy(b, "MZ")
	le.PutUint32(b[0x3c:], peHeader)
	h := b[peHeader:]
	copy(h, "PE\x00\x00")
	le.PutUint16(h[4:], 0x8664)  // amd64
	le.PutUint16(h[6:], 1)       // one section
	le.PutUint16(h[20:], 240)    // size of the optional header
	le.PutUint16(h[22:], 0x2022) // executable, large addresses, a library
	o := h[24:]                  // the optional header
	le.PutUint16(o, 0x20b)       // PE32+
	le.PutUint32(o[8:], peContent)
	le.PutUint64(o[24:], 0x180000000) // where it would like to lie
	le.PutUint32(o[32:], peAddress)
	le.PutUint32(o[36:], peContent)
	le.PutUint16(o[40:], 6)
	le.PutUint16(o[48:], 6)
	le.PutUint32(o[56:], 2*peAddress) // size in memory
	le.PutUint32(o[60:], peContent)   // size of the headers
	le.PutUint16(o[68:], 3)           // console
	le.PutUint16(o[70:], 0x160)       // high entropy, may move, no execution
	for i, n := range []uint64{1 << 20, 1 << 12, 1 << 20, 1 << 12} {
		le.PutUint64(o[72+8*i:], n) // stack and heap
	}
	le.PutUint32(o[108:], 16) // directories; the first is the exports
	le.PutUint32(o[112:], peAddress)
	le.PutUint32(o[116:], peSize)
	s := o[240:] // the section
	copy(s, ".edata")
	le.PutUint32(s[8:], peSize)
	le.PutUint32(s[12:], peAddress)
	le.PutUint32(s[16:], peContent)
	le.PutUint32(s[20:], peContent)
	le.PutUint32(s[36:], 0x40000040) // initialised data, readable
	e := b[peContent:]
	const function, names, ordinals, library, name, target = 40, 44, 48, 0x40, 0x60, 0x80
	for at, v := range map[int]uint32{12: peAddress + library, 16: 1, 20: 1, 24: 1,
		28: peAddress + function, 32: peAddress + names, 36: peAddress + ordinals,
		function: peAddress + target, names: peAddress + name} {
		le.PutUint32(e[at:], v)
	}
	copy(e[library:], "bcryptprimitives.dll")
	copy(e[name:], "ProcessPrng")
	copy(e[target:], "advapi32.SystemFunction036")
	return b
}
