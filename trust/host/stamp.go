package host

import (
	"io/fs"
	"time"
)

// Identity tells one file from another, by whatever names they are reached.
// The zero value says that it is not known.
type Identity struct{ Dev, Ino uint64 }

// IdentityOf returns a file's identity.
func IdentityOf(fi fs.FileInfo) Identity {
	dev, ino := identity(fi)
	return Identity{dev, ino}
}

// Stamp changes when a file is replaced or written to.
type Stamp struct {
	Identity
	Size     int64
	Modified time.Time
}

// StampOf returns a file's stamp.
func StampOf(fi fs.FileInfo) Stamp {
	return Stamp{Identity: IdentityOf(fi), Size: fi.Size(), Modified: fi.ModTime().UTC()}
}
