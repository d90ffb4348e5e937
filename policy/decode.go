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
	d := decoder{base: path, members: map[reflect.Type][]member{}}
	return d.decode(n, reflect.ValueOf(into).Elem())
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
	base    string // names the whole
	trail   []crumb
	members map[reflect.Type][]member
}

// crumb is one step from the whole to a value: a member's name, or an index
// where the name is empty. A path is only put together for an error; a policy
// of 1,000 roots has too many of them.
type crumb struct {
	name  string
	index int
}

func (d *decoder) path() string {
	path := d.base
	for _, c := range d.trail {
		if c.name == "" {
			path = item(path, c.index)
		} else {
			path = join(path, c.name)
		}
	}
	return path
}

func (d *decoder) refuse(code, format string, args ...any) error {
	return refuse(code, d.path(), format, args...)
}

// inside decodes a value one step further in.
func (d *decoder) inside(c crumb, n node, v reflect.Value) error {
	d.trail = append(d.trail, c)
	err := d.decode(n, v)
	d.trail = d.trail[:len(d.trail)-1]
	return err
}

func (d *decoder) decode(n node, v reflect.Value) error {
	if n.kind == nullKind {
		return d.refuse(CodeNullMember, "null is not a value here")
	}
	switch t := v.Addr().Interface().(type) {
	case fromNode:
		return t.fromNode(n, d.path())
	case *time.Time:
		return d.time(n, t)
	case *[]byte:
		return d.bytes(n, t)
	case encoding.TextUnmarshaler:
		if n.kind != stringKind {
			return d.wrongType(n, "a string")
		}
		if err := t.UnmarshalText([]byte(n.text)); err != nil {
			return d.refuse(CodeBadText, "%v", err)
		}
		return nil
	}
	switch v.Kind() {
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		return d.decode(n, v.Elem())
	case reflect.Struct:
		return d.object(n, v)
	case reflect.Map:
		return d.table(n, v)
	case reflect.Slice:
		return d.list(n, v)
	case reflect.String:
		if n.kind != stringKind {
			return d.wrongType(n, "a string")
		}
		v.SetString(n.text)
		return nil
	case reflect.Bool:
		if n.kind != boolKind {
			return d.wrongType(n, "true or false")
		}
		v.SetBool(n.text == "true")
		return nil
	}
	return d.integer(n, v)
}

func (d *decoder) wrongType(n node, want string) error {
	return d.refuse(CodeWrongType, "expected %s, found %s", want, n.kind)
}

func (d *decoder) object(n node, v reflect.Value) error {
	if n.kind != objectKind {
		return d.wrongType(n, "an object")
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
				return d.refuse(CodeCaseVariant, "member %s must be written %q", clip(name), m.name)
			}
		}
		if at < 0 {
			return d.refuse(CodeUnknownMember, "unknown member %s", clip(name))
		}
		if err := d.inside(crumb{name: name}, n.items[i], v.FieldByIndex(members[at].index)); err != nil {
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
	return d.missing(n, members)
}

func (d *decoder) missing(n node, members []member) error {
	for _, m := range members {
		found := false
		for _, name := range n.names {
			found = found || name == m.name
		}
		if m.required && !found {
			return d.refuse(CodeMissingMember, "member %q is missing", m.name)
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

func (d *decoder) table(n node, v reflect.Value) error {
	if n.kind != objectKind {
		return d.wrongType(n, "an object")
	}
	v.Set(reflect.MakeMapWithSize(v.Type(), len(n.names)))
	for i, name := range n.names {
		value := reflect.New(v.Type().Elem()).Elem()
		if err := d.inside(crumb{name: clip(name)}, n.items[i], value); err != nil {
			return err
		}
		v.SetMapIndex(reflect.ValueOf(name), value)
	}
	return nil
}

func (d *decoder) list(n node, v reflect.Value) error {
	if n.kind != arrayKind {
		return d.wrongType(n, "an array")
	}
	v.Set(reflect.MakeSlice(v.Type(), len(n.items), len(n.items)))
	for i, one := range n.items {
		if err := d.inside(crumb{index: i}, one, v.Index(i)); err != nil {
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

// integer takes no 1.0, 1e3 or -0: readers differ over them.
func (d *decoder) integer(n node, v reflect.Value) error {
	if n.kind != numberKind {
		return d.wrongType(n, "an integer")
	}
	if strings.ContainsAny(n.text, ".eE") || n.text == "-0" {
		return d.refuse(CodeNotInteger, "%s is not written as an integer", clip(n.text))
	}
	i, err := strconv.ParseInt(n.text, 10, 64)
	if err != nil || i > maxInteger || i < -maxInteger {
		return d.refuse(CodeOutOfRange, "%s is beyond 2^53-1", clip(n.text))
	}
	if v.CanUint() {
		if i < 0 || v.OverflowUint(uint64(i)) {
			return d.refuse(CodeOutOfRange, "%d is out of range", i)
		}
		v.SetUint(uint64(i))
		return nil
	}
	if v.OverflowInt(i) {
		return d.refuse(CodeOutOfRange, "%d is out of range", i)
	}
	v.SetInt(i)
	return nil
}

func (d *decoder) time(n node, t *time.Time) error {
	if n.kind != stringKind {
		return d.wrongType(n, "a time")
	}
	got, err := time.Parse(timeLayout, n.text)
	if err != nil || got.Format(timeLayout) != n.text {
		return d.refuse(CodeBadTime, "%s is not a time of the form %s", clip(n.text), timeLayout)
	}
	*t = got
	return nil
}

// plain reports whether t is written without loss in timeLayout.
func plain(t time.Time) bool {
	return t.Format(time.RFC3339Nano) == t.UTC().Truncate(time.Second).Format(timeLayout)
}

// bytes takes base64 with padding in its one canonical form: no line
// breaks, which Go's decoder skips, and no bits left over (RFC 4648 3.5).
func (d *decoder) bytes(n node, b *[]byte) error {
	if n.kind != stringKind {
		return d.wrongType(n, "base64")
	}
	got, err := decodeBase64(base64.StdEncoding, n.text)
	if err != nil {
		return d.refuse(CodeBadBase64, "not canonical base64: %v", err)
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
