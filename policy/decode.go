package policy

import (
	"encoding"
	"encoding/base64"
	"fmt"
	"reflect"
	"strconv"
	"strings"
	"time"
)

// maxInteger is the largest integer that every JSON reader keeps exactly
// (RFC 7493 2.2).
const maxInteger = 1<<53 - 1

// timeLayout is the only form of a time: UTC and whole seconds, a subset of
// RFC 3339.
const timeLayout = "2006-01-02T15:04:05Z"

// decodeStrict reads JSON of at most most bytes into a pointer to a struct.
// Members are those of the json tags exactly; members without omitempty or
// omitzero must be there; null is no value. path names the whole in errors.
func decodeStrict(data []byte, most int, path string, into any) error {
	if len(data) > most {
		return refuse(CodeTooLarge, path, "more than %d bytes", most)
	}
	n, err := scan(data)
	if err != nil {
		if e, ok := err.(*Error); ok {
			e.Subject = path
		}
		return err
	}
	return decodeNode(n, path, into)
}

func decodeNode(n node, path string, into any) error {
	d := decoder{members: map[reflect.Type][]member{}}
	return d.decode(n, path, reflect.ValueOf(into).Elem())
}

// fromNode is a type that reads itself.
type fromNode interface {
	fromNode(n node, path string) error
}

type member struct {
	name     string
	index    []int
	required bool
}

type decoder struct {
	members map[reflect.Type][]member
}

func (d *decoder) decode(n node, path string, v reflect.Value) error {
	if n.kind == nullKind {
		return refuse(CodeNullMember, path, "null is not a value here")
	}
	switch t := v.Addr().Interface().(type) {
	case fromNode:
		return t.fromNode(n, path)
	case *time.Time:
		return decodeTime(n, path, t)
	case *[]byte:
		return decodeBytes(n, path, t)
	case encoding.TextUnmarshaler:
		if n.kind != stringKind {
			return wrongType(n, path, "a string")
		}
		if err := t.UnmarshalText([]byte(n.text)); err != nil {
			return refuse(CodeBadText, path, "%v", err)
		}
		return nil
	}
	switch v.Kind() {
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		return d.decode(n, path, v.Elem())
	case reflect.Struct:
		return d.object(n, path, v)
	case reflect.Map:
		return d.table(n, path, v)
	case reflect.Slice:
		return d.list(n, path, v)
	case reflect.String:
		if n.kind != stringKind {
			return wrongType(n, path, "a string")
		}
		v.SetString(n.text)
		return nil
	case reflect.Bool:
		if n.kind != boolKind {
			return wrongType(n, path, "true or false")
		}
		v.SetBool(n.text == "true")
		return nil
	}
	return decodeInteger(n, path, v)
}

func wrongType(n node, path, want string) error {
	return refuse(CodeWrongType, path, "expected %s, found %s", want, n.kind)
}

func (d *decoder) object(n node, path string, v reflect.Value) error {
	if n.kind != objectKind {
		return wrongType(n, path, "an object")
	}
	members := d.of(v.Type())
	seen := 0
	for i, name := range n.names {
		at := -1
		for j, m := range members {
			if m.name == name {
				at = j
				break
			}
			if strings.EqualFold(m.name, name) {
				return refuse(CodeCaseVariant, path, "member %s must be written %q", clip(name), m.name)
			}
		}
		if at < 0 {
			return refuse(CodeUnknownMember, path, "unknown member %s", clip(name))
		}
		if err := d.decode(n.items[i], join(path, name), v.FieldByIndex(members[at].index)); err != nil {
			return err
		}
		if members[at].required {
			seen++
		}
	}
	for _, m := range members {
		if m.required {
			seen--
		}
	}
	if seen == 0 {
		return nil
	}
	return missing(n, path, members)
}

func missing(n node, path string, members []member) error {
	for _, m := range members {
		found := false
		for _, name := range n.names {
			found = found || name == m.name
		}
		if m.required && !found {
			return refuse(CodeMissingMember, path, "member %q is missing", m.name)
		}
	}
	return nil
}

// of lists the members of a struct by its json tags.
func (d *decoder) of(t reflect.Type) []member {
	if known, ok := d.members[t]; ok {
		return known
	}
	var all []member
	for _, f := range reflect.VisibleFields(t) {
		tag := f.Tag.Get("json")
		name, options, _ := strings.Cut(tag, ",")
		if f.Anonymous || !f.IsExported() || name == "" || name == "-" {
			continue
		}
		all = append(all, member{name: name, index: f.Index, required: options != "omitempty" && options != "omitzero"})
	}
	d.members[t] = all
	return all
}

func (d *decoder) table(n node, path string, v reflect.Value) error {
	if n.kind != objectKind {
		return wrongType(n, path, "an object")
	}
	v.Set(reflect.MakeMapWithSize(v.Type(), len(n.names)))
	for i, name := range n.names {
		value := reflect.New(v.Type().Elem()).Elem()
		if err := d.decode(n.items[i], join(path, clip(name)), value); err != nil {
			return err
		}
		v.SetMapIndex(reflect.ValueOf(name), value)
	}
	return nil
}

func (d *decoder) list(n node, path string, v reflect.Value) error {
	if n.kind != arrayKind {
		return wrongType(n, path, "an array")
	}
	v.Set(reflect.MakeSlice(v.Type(), len(n.items), len(n.items)))
	for i, item := range n.items {
		if err := d.decode(item, path+"["+strconv.Itoa(i)+"]", v.Index(i)); err != nil {
			return err
		}
	}
	return nil
}

func join(path, name string) string {
	if path == "" {
		return name
	}
	return path + "." + name
}

// decodeInteger takes no 1.0, 1e3 or -0: readers differ over them.
func decodeInteger(n node, path string, v reflect.Value) error {
	if n.kind != numberKind {
		return wrongType(n, path, "an integer")
	}
	if strings.ContainsAny(n.text, ".eE") || n.text == "-0" {
		return refuse(CodeNotInteger, path, "%s is not written as an integer", clip(n.text))
	}
	i, err := strconv.ParseInt(n.text, 10, 64)
	if err != nil || i > maxInteger || i < -maxInteger {
		return refuse(CodeOutOfRange, path, "%s is beyond 2^53-1", clip(n.text))
	}
	if v.CanUint() {
		if i < 0 || v.OverflowUint(uint64(i)) {
			return refuse(CodeOutOfRange, path, "%d is out of range", i)
		}
		v.SetUint(uint64(i))
		return nil
	}
	if v.OverflowInt(i) {
		return refuse(CodeOutOfRange, path, "%d is out of range", i)
	}
	v.SetInt(i)
	return nil
}

func decodeTime(n node, path string, t *time.Time) error {
	if n.kind != stringKind {
		return wrongType(n, path, "a time")
	}
	got, err := time.Parse(timeLayout, n.text)
	if err != nil || got.Format(timeLayout) != n.text {
		return refuse(CodeBadTime, path, "%s is not a time of the form %s", clip(n.text), timeLayout)
	}
	*t = got
	return nil
}

// plain reports whether t is written without loss in timeLayout.
func plain(t time.Time) bool {
	return t.Format(time.RFC3339Nano) == t.UTC().Truncate(time.Second).Format(timeLayout)
}

// decodeBytes takes base64 with padding in its one canonical form: no line
// breaks, which Go's decoder skips, and no bits left over (RFC 4648 3.5).
func decodeBytes(n node, path string, b *[]byte) error {
	if n.kind != stringKind {
		return wrongType(n, path, "base64")
	}
	got, err := decodeBase64(base64.StdEncoding, n.text)
	if err != nil {
		return refuse(CodeBadBase64, path, "not canonical base64: %v", err)
	}
	*b = got
	return nil
}

func decodeBase64(enc *base64.Encoding, s string) ([]byte, error) {
	if strings.IndexByte(s, '\n') >= 0 || strings.IndexByte(s, '\r') >= 0 {
		return nil, fmt.Errorf("a line break inside")
	}
	return enc.Strict().DecodeString(s)
}
