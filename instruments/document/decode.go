package document

import (
	"encoding"
	"fmt"
	"math"
	"reflect"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// yamlScalar is what the quantities of the trade implement.
type yamlScalar interface {
	UnmarshalYAML(decode func(any) error) error
}

var durationType = reflect.TypeFor[time.Duration]()

// Decode copies the document into dst, a pointer to a struct made of strings,
// whole numbers, float64, bool, time.Duration, types that read themselves,
// pointers, slices and structs of those, and maps with words as keys. Any other
// type is a mistake of the program and panics. What does not fit is reported and left at its zero value.
func (d *Document) Decode(dst any) {
	v := reflect.ValueOf(dst)
	if v.Kind() != reflect.Pointer || v.IsNil() || v.Elem().Kind() != reflect.Struct {
		panic(fmt.Sprintf("document: decode into %T; want a pointer to a struct", dst))
	}
	if d.root != nil {
		d.decode("", d.root, v.Elem())
	}
}

func (d *Document) decode(path string, n *node, dst reflect.Value) {
	if n.kind == null {
		d.lose(path, n.position, "no value; want "+wanted(dst.Type()))
		return
	}
	if dst.Kind() == reflect.Pointer {
		fresh := reflect.New(dst.Type().Elem())
		d.decode(path, n, fresh.Elem())
		dst.Set(fresh)
		return
	}
	if read := ownReader(dst); read != nil && (n.kind == scalar || !hasOtherForm(dst.Type())) {
		d.readOwn(path, n, read)
		return
	}
	switch dst.Kind() {
	case reflect.Struct:
		d.decodeStruct(path, n, dst)
	case reflect.Slice:
		d.decodeSlice(path, n, dst)
	case reflect.Map:
		d.decodeMap(path, n, dst)
	default:
		d.decodeScalar(path, n, dst)
	}
}

// hasOtherForm reports whether a type that reads its own word can be written
// out as a list or a mapping as well.
func hasOtherForm(t reflect.Type) bool {
	if t.Kind() == reflect.Struct {
		_, keys := fieldsOf(t)
		return len(keys) > 0
	}
	return t.Kind() == reflect.Slice
}

// ownReader returns how a type reads its own text, nil when it does not.
func ownReader(dst reflect.Value) func([]byte) error {
	switch own := dst.Addr().Interface().(type) {
	case yamlScalar:
		return func(text []byte) error {
			return own.UnmarshalYAML(func(dst any) error {
				s, ok := dst.(*string)
				if !ok {
					panic(fmt.Sprintf("document: %T decodes its scalar into %T; want *string", own, dst))
				}
				*s = string(text)
				return nil
			})
		}
	case encoding.TextUnmarshaler:
		return own.UnmarshalText
	}
	return nil
}

func (d *Document) readOwn(path string, n *node, read func([]byte) error) {
	if n.kind != scalar {
		d.lose(path, n.position, "want a single value, found "+found(n))
		return
	}
	if err := read([]byte(n.text)); err != nil {
		d.lose(path, n.position, withoutPackage(err.Error()))
	}
}

func (d *Document) decodeStruct(path string, n *node, dst reflect.Value) {
	if n.kind != mapping {
		d.lose(path, n.position, fmt.Sprintf("want %s, found %s", wanted(dst.Type()), found(n)))
		return
	}
	fields, keys := fieldsOf(dst.Type())
	given := map[string]position{}
	excused := map[string]bool{} // keys that an unknown one was meant to be
	for _, e := range n.entries {
		if first, twice := given[e.key]; twice {
			d.add(e.position, fmt.Sprintf("key %q is given twice; the first stands on line %d", e.key, first.line))
			continue
		}
		given[e.key] = e.position
		index, known := fields[e.key]
		if !known {
			near, _ := Nearest(e.key, keys)
			excused[near] = true
			d.add(e.position, unknownKey(e.key, near, keys))
			continue
		}
		d.decode(join(path, e.key), e.value, dst.Field(index))
	}
	for _, key := range keys {
		required := dst.Type().Field(fields[key]).Tag.Get("document") == "required"
		_, ok := given[key]
		switch {
		case ok:
		case excused[key]:
			d.mark(join(path, key))
		case required:
			d.lose(join(path, key), n.position, fmt.Sprintf("missing key %q", key))
		}
	}
}

func unknownKey(key, near string, keys []string) string {
	if near != "" {
		return fmt.Sprintf("unknown key %q; did you mean %q?", key, near)
	}
	return fmt.Sprintf("unknown key %q; known keys here: %s", key, strings.Join(keys, ", "))
}

func (d *Document) decodeSlice(path string, n *node, dst reflect.Value) {
	if n.kind != sequence {
		d.lose(path, n.position, "want a list, found "+found(n))
		return
	}
	list := reflect.MakeSlice(dst.Type(), len(n.items), len(n.items))
	for i, item := range n.items {
		d.decode(fmt.Sprintf("%s[%d]", path, i), item, list.Index(i))
	}
	dst.Set(list)
}

func (d *Document) decodeMap(path string, n *node, dst reflect.Value) {
	if n.kind != mapping {
		d.lose(path, n.position, "want a mapping, found "+found(n))
		return
	}
	values := reflect.MakeMapWithSize(dst.Type(), len(n.entries))
	given := map[string]position{}
	for _, e := range n.entries {
		if first, twice := given[e.key]; twice {
			d.add(e.position, fmt.Sprintf("key %q is given twice; the first stands on line %d", e.key, first.line))
			continue
		}
		given[e.key] = e.position
		value := reflect.New(dst.Type().Elem()).Elem()
		d.decode(join(path, e.key), e.value, value)
		values.SetMapIndex(reflect.ValueOf(e.key).Convert(dst.Type().Key()), value)
	}
	dst.Set(values)
}

func (d *Document) decodeScalar(path string, n *node, dst reflect.Value) {
	ok := n.kind == scalar
	switch kind := dst.Kind(); {
	case kind == reflect.String:
		if i := strings.IndexFunc(n.text, notText); ok && i >= 0 {
			r, _ := utf8.DecodeRuneInString(n.text[i:])
			d.lose(path, n.position, fmt.Sprintf("control character %U is not text", r))
			return
		}
		if ok {
			dst.SetString(n.text)
		}
	case dst.Type() == durationType:
		v, err := time.ParseDuration(n.text)
		if ok = ok && err == nil; ok {
			dst.SetInt(int64(v))
		}
	case kind == reflect.Int || kind == reflect.Int64:
		v, err := strconv.ParseInt(n.text, 10, dst.Type().Bits())
		if ok = ok && !n.quoted && err == nil; ok {
			dst.SetInt(v)
		}
	case kind == reflect.Float64:
		v, err := strconv.ParseFloat(n.text, 64)
		if ok = ok && !n.quoted && err == nil && !math.IsNaN(v) && !math.IsInf(v, 0); ok {
			dst.SetFloat(v)
		}
	case kind == reflect.Bool:
		if ok = ok && !n.quoted && (n.text == "true" || n.text == "false"); ok {
			dst.SetBool(n.text == "true")
		}
	default:
		panic(fmt.Sprintf("document: decode into %s at %q is not supported", dst.Type(), path))
	}
	if !ok {
		d.lose(path, n.position, fmt.Sprintf("want %s, found %s", wanted(dst.Type()), found(n)))
	}
}

// notText finds what an escape can bring in although the bytes of a document
// may not hold it; no database stores it and no terminal should print it.
func notText(r rune) bool {
	return unicode.IsControl(r) && r != '\n' && r != '\t' || r == utf8.RuneError
}

// fieldsOf returns the exported fields of a struct by key, and the keys in the
// order of the fields.
func fieldsOf(t reflect.Type) (byKey map[string]int, keys []string) {
	byKey = map[string]int{}
	for i := range t.NumField() {
		f := t.Field(i)
		key, _, _ := strings.Cut(f.Tag.Get("yaml"), ",")
		if key == "" {
			key = snake(f.Name)
		}
		if f.IsExported() && key != "-" {
			byKey[key] = i
			keys = append(keys, key)
		}
	}
	return byKey, keys
}

// wanted says in words what a Go type takes.
func wanted(t reflect.Type) string {
	if t.Kind() == reflect.Pointer {
		return wanted(t.Elem())
	}
	own := ownReader(reflect.New(t).Elem()) != nil
	switch {
	case t == durationType:
		return "a duration such as 30s or 10m"
	case t.Kind() == reflect.Slice:
		return "a list"
	case own && !hasOtherForm(t):
		return "a value"
	case t.Kind() == reflect.Map:
		return "a mapping"
	case t.Kind() == reflect.Struct:
		_, keys := fieldsOf(t)
		return "a mapping with the keys " + strings.Join(keys, ", ")
	case t.Kind() == reflect.String:
		return "text"
	case t.Kind() == reflect.Bool:
		return "true or false"
	case t.Kind() == reflect.Float64:
		return "a number"
	}
	return "a whole number"
}

// found says in words what stands in the document.
func found(n *node) string {
	switch {
	case n.kind == mapping:
		return "a mapping"
	case n.kind == sequence:
		return "a list"
	case n.quoted:
		return "the text " + strconv.Quote(short(n.text))
	}
	return strconv.Quote(short(n.text))
}

func short(s string) string {
	if r := []rune(s); len(r) > 40 {
		return string(r[:40]) + "..."
	}
	return s
}

// withoutPackage takes "rf: " off an error: a problem is read by somebody who
// knows the document and not the program.
func withoutPackage(message string) string {
	head, rest, ok := strings.Cut(message, ": ")
	if ok && head != "" && strings.Trim(head, "abcdefghijklmnopqrstuvwxyz") == "" {
		return rest
	}
	return message
}
