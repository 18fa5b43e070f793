package lab

import (
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"reflect"
	"strings"

	"benchyard/instruments/dialect"
	"benchyard/instruments/document"

	"github.com/klauspost/compress/zstd"
)

// A document of some megabytes takes seconds and a gigabyte to read, and every
// process reads the inventory often. So each version is stored a second time, as
// it was read: JSON of the inventory, compressed, marked with the shape of the
// types it was read into. A program of another shape reads the document.

// decodedForm is what is stored. Sources are written as they are: as text they
// would stand for the name of a file.
type decodedForm struct {
	Lab
	Dialects []plainSource
}

type plainSource dialect.Source

// shape names the types of an inventory, field by field.
var shape = fmt.Sprintf("%x", sha256.Sum256([]byte(shapeOf(reflect.TypeFor[Lab](), map[reflect.Type]bool{}))))

func shapeOf(t reflect.Type, seen map[reflect.Type]bool) string {
	switch t.Kind() {
	case reflect.Pointer, reflect.Slice:
		return t.Kind().String() + shapeOf(t.Elem(), seen)
	case reflect.Map:
		return "map" + shapeOf(t.Key(), seen) + shapeOf(t.Elem(), seen)
	case reflect.Struct:
		if seen[t] {
			return t.String()
		}
		seen[t] = true
		var b strings.Builder
		b.WriteString(t.String() + "{")
		for i := range t.NumField() {
			if f := t.Field(i); f.IsExported() {
				fmt.Fprintf(&b, "%s %s %q;", f.Name, shapeOf(f.Type, seen), f.Tag)
			}
		}
		return b.String() + "}"
	default:
		return t.String()
	}
}

// encodeDecoded returns the stored form of an inventory as decode left it, nil
// where it does not come back as the same.
func encodeDecoded(l *Lab) []byte {
	text, err := json.Marshal(decodedForm{Lab: *l, Dialects: plainSources(l.Dialects)})
	if err != nil {
		return nil
	}
	again, err := decodeJSON(text)
	if err != nil || !reflect.DeepEqual(again, l) {
		return nil
	}
	w, err := zstd.NewWriter(nil)
	if err != nil {
		return nil
	}
	defer w.Close()
	return w.EncodeAll(text, nil)
}

// mostDecoded bounds what a damaged form may grow to.
const mostDecoded = 8 * document.MaxSize

// decodeDecoded reads the stored form; nil where there is none.
func decodeDecoded(body []byte) (*Lab, error) {
	if body == nil {
		return nil, nil
	}
	r, err := zstd.NewReader(nil, zstd.WithDecoderMaxMemory(mostDecoded))
	if err != nil {
		return nil, err
	}
	defer r.Close()
	text, err := r.DecodeAll(body, nil)
	if err != nil {
		return nil, err
	}
	return decodeJSON(text)
}

func decodeJSON(text []byte) (*Lab, error) {
	var form decodedForm
	if err := json.Unmarshal(text, &form); err != nil {
		return nil, err
	}
	l := form.Lab
	for _, s := range form.Dialects {
		l.Dialects = append(l.Dialects, dialect.Source(s))
	}
	return &l, nil
}

func plainSources(list []dialect.Source) (plain []plainSource) {
	for _, s := range list {
		plain = append(plain, plainSource(s))
	}
	return plain
}
