package host

import (
	"fmt"
	"path/filepath"

	"golang.org/x/sys/windows"
	"golang.org/x/sys/windows/registry"
)

// ProgramData is the folder for data of programs of the machine, with forward
// slashes. The system is asked, never the environment, which whoever calls this
// may have set.
func ProgramData() (string, error) {
	dir, err := windows.KnownFolderPath(windows.FOLDERID_ProgramData, 0)
	if err != nil {
		return "", fmt.Errorf("cannot tell where programs keep their data: %w", err)
	}
	return filepath.ToSlash(dir), nil
}

// MachineGUID is what Windows calls this installation.
func MachineGUID() (string, error) {
	k, err := registry.OpenKey(registry.LOCAL_MACHINE, `SOFTWARE\Microsoft\Cryptography`, registry.QUERY_VALUE|registry.WOW64_64KEY)
	if err != nil {
		return "", fmt.Errorf("cannot read the machine's own id: %w", err)
	}
	defer k.Close()
	id, _, err := k.GetStringValue("MachineGuid")
	if err != nil {
		return "", fmt.Errorf("cannot read the machine's own id: %w", err)
	}
	return id, nil
}
