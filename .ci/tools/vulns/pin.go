package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
)

// pinned brings the module that the file names into the module cache, checks
// its checksum against the file's, and gives the URL of its reports.
func pinned(ctx context.Context, file string) (string, error) {
	text, err := os.ReadFile(file)
	if err != nil {
		return "", fmt.Errorf("cannot read the pin: %w", err)
	}
	module, version, sum, err := parsePin(text)
	if err != nil {
		return "", fmt.Errorf("cannot read the pin %s: %w", file, err)
	}
	// go prints its answer as JSON, errors too, whatever its status.
	out, err := exec.CommandContext(ctx, "go", "mod", "download", "-json", module+"@"+version).Output()
	var got struct{ Dir, Sum, Error string }
	if jsonErr := json.Unmarshal(out, &got); jsonErr != nil {
		return "", fmt.Errorf("cannot bring the database: %v, %w", err, jsonErr)
	}
	if got.Error != "" {
		return "", fmt.Errorf("cannot bring the database: %s", got.Error)
	}
	if got.Sum != sum {
		return "", fmt.Errorf("cannot use the database: %s@%s has checksum %s, the pin says %s", module, version, got.Sum, sum)
	}
	return "file://" + filepath.ToSlash(filepath.Join(got.Dir, "data", "osv")), nil
}

// parsePin takes the one line that is neither empty nor a comment.
func parsePin(text []byte) (module, version, sum string, err error) {
	var rows [][]string
	for line := range bytes.Lines(text) {
		fields := strings.Fields(string(line))
		if len(fields) > 0 && !strings.HasPrefix(fields[0], "#") {
			rows = append(rows, fields)
		}
	}
	if len(rows) != 1 || len(rows[0]) != 3 || !strings.HasPrefix(rows[0][2], "h1:") {
		return "", "", "", fmt.Errorf("want one line: MODULE VERSION h1:CHECKSUM")
	}
	return rows[0][0], rows[0][1], rows[0][2], nil
}
