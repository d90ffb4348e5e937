package host

import "slices"

// What an access control list grants (winnt.h). For a folder the first two are
// adding a file and adding a folder.
const (
	aclWrite      = 0x2
	aclAppend     = 0x4
	aclChild      = 0x40 // take away what is in a folder, whoever owns it
	aclDelete     = 0x10000
	aclChangeList = 0x40000
	aclTakeOver   = 0x80000
	aclAll        = 0x10000000 // GENERIC_ALL
	aclAnyWrite   = 0x40000000 // GENERIC_WRITE
)

// Accounts of Windows that may own and write what a privileged run relies on
// ("Well-known SIDs"): the system, administrators, and the installer of Windows
// itself.
var aclTrusted = []string{
	"S-1-5-18", "S-1-5-32-544",
	"S-1-5-80-956008885-3418522649-1831038044-1853292631-2271478464",
}

// "The owner, whoever that is": it grants what the owner has.
const aclOwner, aclCreator = "S-1-3-4", "S-1-3-0"

// access is one entry of a list.
type access struct {
	SID     string
	Mask    uint32
	Inherit bool // for what is made below, not for this itself
}

// exposed says why somebody without privileges could replace a file or folder,
// or "" where nobody could. self is the account that runs this: what it owns it
// can write anyway. At the end of a path nobody else may add anything either;
// on the way there he may, as everybody may below C:\.
func exposed(owner, self string, list []access, end bool) string {
	fine := func(sid string) bool { return sid == self || slices.Contains(aclTrusted, sid) }
	if !fine(owner) {
		return "belongs to an account without privileges"
	}
	bad := uint32(aclChild | aclDelete | aclChangeList | aclTakeOver | aclAll | aclAnyWrite)
	if end {
		bad |= aclWrite | aclAppend
	}
	for _, a := range list {
		if !a.Inherit && a.Mask&bad != 0 && !fine(a.SID) && a.SID != aclOwner && a.SID != aclCreator {
			return "can be written by " + a.SID
		}
	}
	return ""
}
