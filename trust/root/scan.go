package root

// Block is one certificate found in a store file.
type Block struct {
	DER         []byte
	Fingerprint Fingerprint
	Start, End  int    // byte offsets of the block in the file, markers and line end included
	Alias       string // the entry's alias in a Java store, else empty
}

// Fault is something in a store file that is not a certificate.
type Fault struct {
	Line int // 1-based, 0 where the file has no lines
	Code string
	What string
	Harm string // which readers lose what by it, as measured; may be empty
}

// Scan reads a store file: PEM with anything around it, DER, or a Java key
// store. It is lenient as the readers of a machine are together: every
// certificate that at least one of them would find is found, and everything
// that could cost another reader something is told as a fault.
func Scan(data []byte) ([]Block, []Fault) { panic("being written") }
