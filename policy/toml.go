package policy

import (
	"cmp"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"

	"github.com/pelletier/go-toml/v2"
)

// ExplainTOML turns an error of go-toml's strict decoder into one that names
// each line with what is wrong there, and for an unknown key the nearest one
// that exists. into is a pointer to the struct that was decoded into. An error
// of another kind comes back as it is.
func ExplainTOML(err error, into any) error {
	if missing, ok := errors.AsType[*toml.StrictMissingError](err); ok {
		var errs []error
		for _, e := range missing.Errors {
			row, _ := e.Position()
			errs = append(errs, unknownKey(row, e.Key(), reflect.TypeOf(into)))
		}
		return errors.Join(errs...)
	}
	if bad, ok := errors.AsType[*toml.DecodeError](err); ok {
		row, column := bad.Position()
		what := strings.TrimPrefix(bad.Error(), "toml: ")
		if key := bad.Key(); len(key) > 0 {
			what = fmt.Sprintf("key %q: %s", strings.Join(key, "."), what)
		}
		return refuse(CodeDraft, fmt.Sprintf("line %d, column %d", row, column), "%s", what)
	}
	return err
}

func unknownKey(row int, key []string, t reflect.Type) *Error {
	e := refuse(CodeDraft, fmt.Sprintf("line %d", row), "unknown key %s", clip(strings.Join(key, ".")))
	keys := keysAt(t, key)
	if near := nearest(key[len(key)-1], keys); near != "" {
		e.Next = fmt.Sprintf("did you mean %q?", near)
	} else if len(keys) > 0 {
		e.Next = "keys here are " + strings.Join(keys, ", ")
	}
	return e
}

// keysAt lists the keys of the table in which path ends.
func keysAt(t reflect.Type, path []string) []string {
	t = tableType(t)
	for _, part := range path[:len(path)-1] {
		if t == nil {
			return nil
		}
		if t.Kind() == reflect.Map {
			t = tableType(t.Elem())
			continue
		}
		f, ok := tomlFields(t)[part]
		if !ok {
			return nil
		}
		t = tableType(f.Type)
	}
	if t == nil || t.Kind() != reflect.Struct {
		return nil
	}
	var keys []string
	for name := range tomlFields(t) {
		keys = append(keys, name)
	}
	slices.Sort(keys)
	return keys
}

// tableType goes through pointers and slices to the struct or map that a TOML
// table fills, or returns nil.
func tableType(t reflect.Type) reflect.Type {
	for t.Kind() == reflect.Pointer || t.Kind() == reflect.Slice {
		t = t.Elem()
	}
	if t.Kind() != reflect.Struct && t.Kind() != reflect.Map {
		return nil
	}
	return t
}

// tomlFields lists a struct's fields by their keys.
func tomlFields(t reflect.Type) map[string]reflect.StructField {
	fields := map[string]reflect.StructField{}
	for _, f := range reflect.VisibleFields(t) {
		name, _, _ := strings.Cut(f.Tag.Get("toml"), ",")
		if f.IsExported() && name != "" && name != "-" {
			fields[name] = f
		}
	}
	return fields
}

// nearest returns the word that is the fewest edits away from what was
// written, if it is so near that it can be meant.
func nearest(word string, words []string) string {
	if len(word) > 64 || len(words) == 0 {
		return ""
	}
	best := slices.MinFunc(words, func(a, b string) int {
		return cmp.Or(cmp.Compare(edits(word, a), edits(word, b)), strings.Compare(a, b))
	})
	if edits(word, best) > max(1, len(best)/3) {
		return ""
	}
	return best
}

// edits is the Levenshtein distance in bytes, case set aside.
func edits(a, b string) int {
	a, b = strings.ToLower(a), strings.ToLower(b)
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			change := diagonal
			if a[i] != b[j] {
				change++
			}
			diagonal = row[j+1]
			row[j+1] = min(change, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}
