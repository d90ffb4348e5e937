package host

import (
	"errors"
	"fmt"
	"io/fs"

	"golang.org/x/sys/windows"
)

func (h *Host) guard(at string, fi fs.FileInfo) (note string, err error) {
	if at == "/" {
		return "", nil // no folder: what drives lie in
	}
	if fi.Mode()&(fs.ModeIrregular|fs.ModeSymlink) != 0 {
		return "", fmt.Errorf("%s leads elsewhere (a junction or another reparse point); make it a plain folder", liveName(at))
	}
	return "", h.judge(at, false)
}

// guardEnd asks more of what lies at the end of a path.
func (h *Host) guardEnd(at string, fi fs.FileInfo) error { return h.judge(at, true) }

func (h *Host) judge(at string, end bool) error {
	name := h.below(at)
	sd, err := windows.GetNamedSecurityInfo(name, windows.SE_FILE_OBJECT, windows.OWNER_SECURITY_INFORMATION|windows.DACL_SECURITY_INFORMATION)
	if err != nil {
		return fmt.Errorf("cannot tell who may write %s: %w", name, err)
	}
	owner, _, err := sd.Owner()
	if err != nil || owner == nil {
		return fmt.Errorf("cannot tell who owns %s: %w", name, errors.Join(err, ErrUnsupported))
	}
	list, err := entries(sd)
	if err != nil {
		return fmt.Errorf("cannot tell who may write %s: %w", name, err)
	}
	if why := exposed(owner.String(), selfSID(), list, end); why != "" {
		return &Exposed{Path: name, Who: owner.String(), Why: why}
	}
	return nil
}

// entries are the granting ones of a list. A file without a list is open to
// everybody.
func entries(sd *windows.SECURITY_DESCRIPTOR) ([]access, error) {
	acl, _, err := sd.DACL()
	if err != nil {
		return nil, err
	}
	if acl == nil {
		return nil, errors.New("it has no access control list, so everybody may")
	}
	var list []access
	for i := range acl.AceCount {
		var ace *windows.ACCESS_ALLOWED_ACE
		if err := windows.GetAce(acl, uint32(i), &ace); err != nil {
			return nil, err
		}
		switch ace.Header.AceType {
		case windows.ACCESS_ALLOWED_ACE_TYPE:
			sid := (*windows.SID)(ptr(&ace.SidStart))
			list = append(list, access{SID: sid.String(), Mask: uint32(ace.Mask), Inherit: ace.Header.AceFlags&windows.INHERIT_ONLY_ACE != 0})
		case windows.ACCESS_DENIED_ACE_TYPE:
		default:
			return nil, fmt.Errorf("its list has an entry of kind %d", ace.Header.AceType)
		}
	}
	return list, nil
}

func selfSID() string {
	u, err := windows.GetCurrentProcessToken().GetTokenUser()
	if err != nil {
		return ""
	}
	return u.User.Sid.String()
}
