package host

import (
	"fmt"
	"unsafe"

	"golang.org/x/sys/windows"
)

// What golang.org/x/sys/windows lacks.
var (
	advapi32     = windows.NewLazySystemDLL("advapi32.dll")
	procRestrict = advapi32.NewProc("CreateRestrictedToken")
	procLogon    = advapi32.NewProc("LogonUserW")
)

// Flags of these calls (winnt.h, winbase.h).
const (
	noPrivileges  = 0x1
	asOrdinary    = 0x4 // LUA_TOKEN: as a user without administrator's rights has it
	logonService  = 5
	logonProvider = 0
)

// tokenOf returns what a child of the account runs with.
func tokenOf(as *Account) (windows.Token, error) {
	if as.Name == Restricted {
		return restricted()
	}
	return logon(as.Name)
}

// restricted is the token of this process without what makes it an
// administrator's: the group counts only where it denies, and no privilege is
// left. It stays the same account, so what that owns it can still read and
// write, and it stays at the same integrity level.
func restricted() (windows.Token, error) {
	var own windows.Token
	access := uint32(windows.TOKEN_DUPLICATE | windows.TOKEN_ASSIGN_PRIMARY | windows.TOKEN_QUERY | windows.TOKEN_ADJUST_DEFAULT)
	if err := windows.OpenProcessToken(windows.CurrentProcess(), access, &own); err != nil {
		return 0, fmt.Errorf("cannot give rights up: %w", err)
	}
	defer own.Close()
	admins, err := windows.CreateWellKnownSid(windows.WinBuiltinAdministratorsSid)
	if err != nil {
		return 0, fmt.Errorf("cannot give rights up: %w", err)
	}
	deny := []windows.SIDAndAttributes{{Sid: admins}}
	var less windows.Token
	ok, _, err := procRestrict.Call(uintptr(own), noPrivileges|asOrdinary, uintptr(len(deny)), uintptr(unsafe.Pointer(&deny[0])), 0, 0, 0, 0, uintptr(unsafe.Pointer(&less)))
	if ok == 0 {
		return 0, fmt.Errorf("cannot give rights up: %w", err)
	}
	return less, nil
}

func logon(name string) (windows.Token, error) {
	user, err := windows.UTF16PtrFromString(name)
	if err != nil {
		return 0, err
	}
	domain, err := windows.UTF16PtrFromString("NT AUTHORITY")
	if err != nil {
		return 0, err
	}
	var t windows.Token
	ok, _, err := procLogon.Call(uintptr(unsafe.Pointer(user)), uintptr(unsafe.Pointer(domain)), 0, logonService, logonProvider, uintptr(unsafe.Pointer(&t)))
	if ok == 0 {
		return 0, fmt.Errorf("cannot become %s: %w", name, err)
	}
	return t, nil
}
