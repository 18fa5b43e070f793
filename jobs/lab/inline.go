package lab

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"slices"
	"strings"

	"benchyard/instruments/dialect"
	"benchyard/instruments/document"
)

// insertion puts what a file says in the place of its name.
type insertion struct {
	path     string // of the name in the document
	key      string // the key that stands before the name, "" in a list
	instead  string // the key to be written in its place
	file     string
	text     func(indent string) string
	line, at int // position of the name
}

// inline reads the files the inventory names into l, and returns the document
// with what they say in place of their names. It also returns the documents of
// the dialects, by their place in the list: what is wrong with one is reported
// in its own file.
func inline(files fs.FS, d *document.Document, data []byte, l *Lab) ([]byte, map[int]*document.Document, document.Problems) {
	var problems document.Problems
	var insertions []insertion
	for i := range l.Paths {
		p := &l.Paths[i]
		if p.CorrectionFile == "" {
			continue
		}
		where := at("paths[%d].correction_file", i)
		text, err := readFile(files, "correction_file", p.CorrectionFile)
		if err != nil {
			d.Report(where, "%v", err)
			continue
		}
		rows, bad := ParseCorrection(p.CorrectionFile, text)
		insertions = append(insertions, insertion{
			path: where, key: "correction_file:", instead: "correction: ", file: p.CorrectionFile,
			text: func(indent string) string { return written(rows, indent) },
		})
		p.Correction, p.CorrectionFile, problems = rows, "", append(problems, bad...)
	}
	own := map[int]*document.Document{}
	for i, s := range l.Dialects {
		if s.File == "" {
			continue
		}
		where := at("dialects[%d]", i)
		text, err := readFile(files, "dialect file", s.File)
		if err != nil {
			d.Report(where, "%v", err)
			continue
		}
		own[i] = document.Read(s.File, text)
		var source dialect.Source
		own[i].Decode(&source)
		insertions = append(insertions, insertion{path: where, file: s.File, text: func(string) string { return flow(source) }})
		l.Dialects[i] = source
	}
	complete := insert(d, data, insertions)
	if len(complete) > document.MaxSize {
		d.Report("", "with its files the document has %d bytes; at most %d are stored", len(complete), document.MaxSize)
	}
	return complete, own, problems
}

// flow writes a dialect on one line: JSON, which strict YAML reads.
func flow(s dialect.Source) string {
	var text bytes.Buffer
	e := json.NewEncoder(&text)
	e.SetEscapeHTML(false)
	if err := e.Encode(s); err != nil {
		panic(fmt.Sprintf("lab: writing dialect %q: %v", s.Name, err)) // it is strings, numbers and lists
	}
	return strings.TrimSpace(text.String())
}

// insert makes the insertions, from the end of the document to its start, so
// that none moves another that is still to come.
func insert(d *document.Document, data []byte, insertions []insertion) []byte {
	for i := range insertions {
		insertions[i].line, insertions[i].at = d.Position(insertions[i].path)
	}
	slices.SortFunc(insertions, func(a, b insertion) int { return cmp.Or(cmp.Compare(b.line, a.line), cmp.Compare(b.at, a.at)) })
	lines := strings.SplitAfter(string(data), "\n")
	for _, i := range insertions {
		if !i.splice(lines) {
			d.Report(i.path, "%s", oneLine)
		}
	}
	return []byte(strings.Join(lines, ""))
}

// oneLine is what somebody can do about a document that cannot be spliced.
const oneLine = "what the file says cannot be put in the place of its name; write the plain name of the file on one line with its key"

// splice replaces the name, with the key before it, by what the file says. It
// reports false when the text is spelled in another way.
func (i insertion) splice(lines []string) bool {
	runes := []rune(lines[i.line-1])
	column := min(i.at-1, len(runes))
	before, after := string(runes[:column]), string(runes[column:])
	if i.key != "" {
		var found bool
		if before, found = strings.CutSuffix(strings.TrimRight(before, " "), i.key); !found {
			return false
		}
	}
	for _, spelling := range []string{`"` + i.file + `"`, `'` + i.file + `'`, i.file} {
		if rest, ok := strings.CutPrefix(after, spelling); ok {
			lines[i.line-1] = before + i.instead + i.text(strings.Repeat(" ", i.at+1)) + rest
			return true
		}
	}
	return false
}

// readFile reads a file that the document names; the noun says what it is.
func readFile(files fs.FS, noun, name string) ([]byte, error) {
	if files == nil {
		return nil, fmt.Errorf("%s %q cannot be read from here; write what it says into the document", noun, name)
	}
	if !fs.ValidPath(name) {
		return nil, fmt.Errorf("%s %q: want a file below the directory of this document, without .. and without a leading /", noun, name)
	}
	file, err := files.Open(name)
	if err != nil {
		return nil, fmt.Errorf("%s %q cannot be read: %w", noun, name, reason(err))
	}
	text, err := io.ReadAll(io.LimitReader(file, document.MaxSize+1))
	if err = errors.Join(err, file.Close()); err != nil {
		return nil, fmt.Errorf("%s %q cannot be read: %w", noun, name, reason(err))
	}
	if len(text) > document.MaxSize {
		return nil, fmt.Errorf("%s %q has more than %d bytes", noun, name, document.MaxSize)
	}
	return text, nil
}

// reason is an error of a file without the operation and the name, which the
// message around it has already.
func reason(err error) error {
	var path *fs.PathError
	if errors.As(err, &path) {
		return path.Err
	}
	return err
}
