package policy

import (
	"errors"
	"fmt"
	"math"
	"reflect"
	"slices"
	"sort"
	"strconv"
	"strings"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"
)

// decodeTOML reads TOML into a pointer to a struct with toml tags. go-toml's
// own decoder stops at the first value of a wrong type; this one goes on, so
// that whoever writes a draft sees every line that is wrong at once. Broken
// syntax still stops it, as nothing behind it has a sure meaning.
//
// A struct with an int field Line gets the line where it begins.
func decodeTOML(data []byte, into any) error {
	var tree map[string]any
	if err := toml.Unmarshal(data, &tree); err != nil {
		return ExplainTOML(err, into)
	}
	d := &tomlDecoder{lines: lineIndex(data), root: reflect.TypeOf(into)}
	d.table(tree, "", nil, reflect.ValueOf(into).Elem())
	slices.SortStableFunc(d.errs, func(a, b lineError) int { return a.line - b.line })
	var errs []error
	for _, e := range d.errs {
		errs = append(errs, e.Error)
	}
	return errors.Join(errs...)
}

// fromTOML is a type that reads itself from a decoded value. It returns what
// it expected, or "" if it was satisfied.
type fromTOML interface {
	fromTOML(v any) (want string)
}

type lineError struct {
	*Error
	line int
}

type tomlDecoder struct {
	lines map[string]int
	root  reflect.Type
	errs  []lineError
}

// line returns where a value stands, or where what holds it stands.
func (d *tomlDecoder) line(path string) int {
	for path != "" {
		if n, ok := d.lines[path]; ok {
			return n
		}
		path = path[:max(0, strings.LastIndexAny(path, ".["))]
	}
	return 0
}

func (d *tomlDecoder) wrong(path, want string, v any) {
	line := d.line(path)
	e := refuse(CodeDraft, fmt.Sprintf("line %d", line), "%s must be %s, not %s", path, want, tomlKind(v))
	d.errs = append(d.errs, lineError{e, line})
}

// tomlKind names a decoded value's type for people.
func tomlKind(v any) string {
	switch v.(type) {
	case string:
		return "a string"
	case int64:
		return "an integer"
	case float64:
		return "a number with a fraction"
	case bool:
		return "true or false"
	case []any:
		return "an array"
	case map[string]any:
		return "a table"
	case toml.LocalTime:
		return "a time without a date"
	case toml.LocalDateTime:
		return "a time without a zone"
	}
	return "a date or time"
}

func (d *tomlDecoder) table(tree map[string]any, path string, keys []string, v reflect.Value) {
	fields := tomlFields(v.Type())
	if line := v.FieldByName("Line"); line.IsValid() {
		line.SetInt(int64(d.line(path)))
	}
	for name, value := range tree {
		at := join(path, name)
		f, ok := fields[name]
		if !ok {
			line := d.line(at)
			d.errs = append(d.errs, lineError{unknownKey(line, append(slices.Clone(keys), name), d.root), line})
			continue
		}
		d.value(value, at, append(slices.Clone(keys), name), v.FieldByIndex(f.Index))
	}
}

func (d *tomlDecoder) value(value any, path string, keys []string, v reflect.Value) {
	if t, ok := v.Addr().Interface().(fromTOML); ok {
		if want := t.fromTOML(value); want != "" {
			d.wrong(path, want, value)
		}
		return
	}
	ok, want := false, ""
	switch v.Kind() {
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		d.value(value, path, keys, v.Elem())
		return
	case reflect.Struct:
		var tree map[string]any
		if tree, ok = value.(map[string]any); ok {
			d.table(tree, path, keys, v)
		}
		want = "a table"
	case reflect.Map:
		ok, want = d.words(value, path, v), "a table of strings"
	case reflect.Slice:
		ok, want = d.list(value, path, keys, v), "an array"
		if v.Type().Elem().Kind() == reflect.Struct {
			want = "an array of tables"
		}
	case reflect.String:
		var s string
		s, ok = value.(string)
		v.SetString(s)
		want = "a string"
	case reflect.Bool:
		var b bool
		b, ok = value.(bool)
		v.SetBool(b)
		want = "true or false"
	case reflect.Int, reflect.Uint64:
		ok, want = setInteger(value, v), "a whole number from 0 to 2^53-1"
	}
	if !ok {
		d.wrong(path, want, value)
	}
}

func setInteger(value any, v reflect.Value) bool {
	n, ok := value.(int64)
	if !ok || n < 0 || n > maxInteger || v.Kind() == reflect.Int && n > math.MaxInt32 {
		return false
	}
	if v.Kind() == reflect.Int {
		v.SetInt(n)
	} else {
		v.SetUint(uint64(n))
	}
	return true
}

func (d *tomlDecoder) words(value any, path string, v reflect.Value) bool {
	tree, ok := value.(map[string]any)
	if !ok {
		return false
	}
	v.Set(reflect.MakeMap(v.Type()))
	for name, item := range tree {
		s, ok := item.(string)
		if !ok {
			d.wrong(join(path, name), "a string", item)
			continue
		}
		v.SetMapIndex(reflect.ValueOf(name), reflect.ValueOf(s))
	}
	return true
}

func (d *tomlDecoder) list(value any, path string, keys []string, v reflect.Value) bool {
	items, ok := value.([]any)
	if !ok {
		return false
	}
	v.Set(reflect.MakeSlice(v.Type(), len(items), len(items)))
	for i, one := range items {
		d.value(one, item(path, i), keys, v.Index(i))
	}
	return true
}

// lineIndex tells for each key's path, as "root[1].standings[0].stage", on
// which line it stands. The document is known to be TOML.
func lineIndex(data []byte) map[string]int {
	x := &indexer{lines: map[string]int{}, counts: map[string]int{}}
	for i, c := range data {
		if c == '\n' {
			x.ends = append(x.ends, i)
		}
	}
	var p unstable.Parser
	p.Reset(data)
	table := ""
	for p.NextExpression() {
		switch n := p.Expression(); n.Kind {
		case unstable.Table:
			table = x.path("", n.Key(), false)
		case unstable.ArrayTable:
			table = x.path("", n.Key(), true)
		case unstable.KeyValue:
			x.keyValue(table, n)
		}
	}
	return x.lines
}

type indexer struct {
	lines  map[string]int
	counts map[string]int // elements of each array of tables so far
	ends   []int          // offsets of line ends
}

// path follows a key from a table, marks it with its line, and makes a new
// element where it names an array of tables.
func (x *indexer) path(from string, key unstable.Iterator, element bool) string {
	path, line := from, 0
	for key.Next() {
		part := key.Node()
		path = join(path, string(part.Data))
		line = 1 + sort.SearchInts(x.ends, int(part.Raw.Offset))
		if element && key.IsLast() {
			x.counts[path]++
		}
		x.mark(path, line)
		if n := x.counts[path]; n > 0 {
			path = item(path, n-1)
		}
	}
	x.mark(path, line)
	return path
}

// mark keeps the first line of a path.
func (x *indexer) mark(path string, line int) {
	if _, ok := x.lines[path]; !ok {
		x.lines[path] = line
	}
}

func (x *indexer) keyValue(table string, n *unstable.Node) {
	x.value(x.path(table, n.Key(), false), n.Value())
}

func (x *indexer) value(path string, n *unstable.Node) {
	children := n.Children()
	switch n.Kind {
	case unstable.Array:
		for i := 0; children.Next(); i++ {
			x.value(path+"["+strconv.Itoa(i)+"]", children.Node())
		}
	case unstable.InlineTable:
		for children.Next() {
			x.keyValue(path, children.Node())
		}
	}
}
