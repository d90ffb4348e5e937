package main

import (
	"strings"

	"anchorhold.test/anchorhold/trust/host"
)

// Places on a host: one folder, asked of the system once.
var settingsPath, statePath = places()

func places() (settings, state string) {
	dir, err := host.ProgramData()
	if err != nil {
		dir = "C:/ProgramData" // where it is unless somebody moved it
	}
	dir += "/anchorhold"
	return dir + "/agent.toml", dir
}

// onlyRoot refuses a command to whoever may not change the machine.
const onlyRoot = "only an administrator may do this: open a console as administrator, then: anchorhold %s"

// ownID is what Windows calls this installation.
func ownID(*host.Host) ([]byte, error) {
	id, err := host.MachineGUID()
	return []byte(id), err
}

// here says a command as it is typed on this system, which has no sudo.
func here(text string) string {
	return strings.ReplaceAll(text, "sudo anchorhold", "(as administrator) anchorhold")
}
