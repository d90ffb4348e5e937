package agent

import "fmt"

// keep stores one of the agent's own files, for root alone to read; what names
// its content for people.
func keep(dir Dir, file, what string, encode func() ([]byte, error)) error {
	data, err := encode()
	if err != nil {
		return fmt.Errorf("cannot encode %s: %w", what, err)
	}
	if err := dir.Write(file, data, 0o600); err != nil {
		return fmt.Errorf("cannot store %s: %w", what, err)
	}
	return nil
}
