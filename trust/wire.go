package trust

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
)

// Receive reads what the program and its children without rights say to each
// other: exactly one JSON value of at most max bytes, without members that are
// not known.
func Receive(in io.Reader, max int, v any) error {
	data, err := io.ReadAll(io.LimitReader(in, int64(max)+1))
	if err != nil {
		return err
	}
	return Decode(data, max, v)
}

// Decode is Receive of what was read already.
func Decode(data []byte, max int, v any) error {
	if len(data) > max {
		return fmt.Errorf("it is larger than %d bytes", max)
	}
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	if err := d.Decode(v); err != nil {
		return err
	}
	if _, err := d.Token(); err != io.EOF {
		return errors.New("something follows the JSON value")
	}
	return nil
}
