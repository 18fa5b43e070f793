package lab

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"slices"
	"strconv"
	"strings"

	"benchyard/document"
	"benchyard/instruments/rf"
)

// correctionHeader is the first row of every correction file.
var correctionHeader = [...]string{"frequency_hz", "loss_db", "uncertainty_db"}

// inline reads the correction files the inventory names into l, and returns
// the document with the rows in place of the names.
func inline(files fs.FS, d *document.Document, data []byte, l *Lab) ([]byte, document.Problems) {
	var problems document.Problems
	for i := range l.Paths {
		p := &l.Paths[i]
		if p.CorrectionFile == "" {
			continue
		}
		text, err := readFile(files, p.CorrectionFile)
		if err != nil {
			d.Report(at("paths[%d].correction_file", i), "%v", err)
			continue
		}
		rows, bad := ParseCorrection(p.CorrectionFile, text)
		p.Correction, problems = rows, append(problems, bad...)
	}
	lines := strings.SplitAfter(string(data), "\n")
	// From the end to the start, so that a splice moves nothing still to come.
	for i := len(l.Paths) - 1; i >= 0; i-- {
		if p := &l.Paths[i]; p.CorrectionFile != "" {
			where := at("paths[%d].correction_file", i)
			line, column := d.Position(where)
			if !splice(lines, line, column, p.CorrectionFile, p.Correction) {
				d.Report(where, "%s", oneLine)
			}
			p.CorrectionFile = ""
		}
	}
	complete := []byte(strings.Join(lines, ""))
	if len(complete) > document.MaxSize {
		d.Report("", "with its corrections the document has %d bytes; at most %d are stored", len(complete), document.MaxSize)
	}
	return complete, problems
}

func readFile(files fs.FS, name string) ([]byte, error) {
	if files == nil {
		return nil, fmt.Errorf("correction_file %q cannot be read from here; write the correction into the document", name)
	}
	if !fs.ValidPath(name) {
		return nil, fmt.Errorf("correction_file %q: want a file below the directory of this document, without .. and without a leading /", name)
	}
	file, err := files.Open(name)
	if err != nil {
		return nil, fmt.Errorf("correction_file %q cannot be read: %w", name, reason(err))
	}
	text, err := io.ReadAll(io.LimitReader(file, document.MaxSize+1))
	if err = errors.Join(err, file.Close()); err != nil {
		return nil, fmt.Errorf("correction_file %q cannot be read: %w", name, reason(err))
	}
	if len(text) > document.MaxSize {
		return nil, fmt.Errorf("correction_file %q has more than %d bytes", name, document.MaxSize)
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

// ParseCorrection reads a correction from CSV: the header
// frequency_hz,loss_db,uncertainty_db, then one row for each frequency in
// rising order, plain numbers. Lines that start with # are comments. The rows
// are only complete when there are no problems.
func ParseCorrection(file string, data []byte) (rf.Correction, document.Problems) {
	var rows rf.Correction
	var problems document.Problems
	report := func(line, column int, format string, args ...any) {
		problems = append(problems, document.Problem{File: file, Line: line, Column: column, Message: fmt.Sprintf(format, args...)})
	}
	r := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))))
	r.Comment, r.TrimLeadingSpace, r.FieldsPerRecord = '#', true, -1
	header := true
	for {
		fields, err := r.Read()
		if err == io.EOF {
			break
		}
		if bad := (*csv.ParseError)(nil); errors.As(err, &bad) {
			report(bad.Line, bad.Column, "not readable as CSV: %v", bad.Err)
			return nil, problems
		}
		if err != nil {
			report(1, 1, "not readable as CSV: %v", err)
			return nil, problems
		}
		line, _ := r.FieldPos(0)
		if header {
			header = false
			if !slices.Equal(trimmed(fields), correctionHeader[:]) {
				report(line, 1, "want the header %s", strings.Join(correctionHeader[:], ","))
				return nil, problems
			}
			continue
		}
		point, ok := correctionRow(r, fields, report)
		if ok && len(rows) > 0 && point.Frequency <= rows[len(rows)-1].Frequency {
			report(line, 1, "frequency %s does not rise above %s of the row before", point.Frequency, rows[len(rows)-1].Frequency)
		}
		rows = append(rows, point)
	}
	if len(rows) == 0 {
		report(1, 1, "no rows; want the header %s and one row for each frequency", strings.Join(correctionHeader[:], ","))
	}
	return rows, problems
}

func correctionRow(r *csv.Reader, fields []string, report func(int, int, string, ...any)) (rf.CorrectionPoint, bool) {
	if len(fields) != len(correctionHeader) {
		line, _ := r.FieldPos(0)
		report(line, 1, "row has %d columns; want %s", len(fields), strings.Join(correctionHeader[:], ","))
		return rf.CorrectionPoint{}, false
	}
	var v [len(correctionHeader)]float64
	ok := true
	for i, field := range trimmed(fields) {
		n, err := strconv.ParseFloat(field, 64)
		if err != nil || math.IsNaN(n) || math.IsInf(n, 0) {
			line, column := r.FieldPos(i)
			report(line, column, "%s %q is not a number", correctionHeader[i], field)
			ok = false
		}
		v[i] = n
	}
	point := rf.CorrectionPoint{Frequency: rf.Hertz(math.Round(v[0]*1e3) / 1e3), Loss: rf.DB(v[1]), Uncertainty: rf.DB(v[2])}
	if why := wrongPoint(point); ok && why != "" {
		line, _ := r.FieldPos(0)
		report(line, 1, "%s", why)
	}
	return point, ok
}

func trimmed(fields []string) []string {
	out := make([]string, len(fields))
	for i, f := range fields {
		out[i] = strings.TrimSpace(f)
	}
	return out
}

// oneLine is what somebody can do about a document that cannot be spliced.
const oneLine = "the correction cannot be put in the place of its file; write correction_file and the plain name of the file on one line"

// splice replaces "correction_file: NAME", whose value starts at line and
// column, by the rows. The list is written in brackets, which is right in block
// and in flow style; its lines are indented far enough for both. It reports
// false when the text is spelled in another way.
func splice(lines []string, line, column int, name string, rows rf.Correction) bool {
	const key = "correction_file:"
	runes := []rune(lines[line-1])
	before, after := string(runes[:min(column-1, len(runes))]), string(runes[min(column-1, len(runes)):])
	before, found := strings.CutSuffix(strings.TrimRight(before, " "), key)
	if !found {
		return false
	}
	found = false
	for _, spelling := range []string{`"` + name + `"`, `'` + name + `'`, name} {
		if rest, ok := strings.CutPrefix(after, spelling); ok && !found {
			after, found = rest, true
		}
	}
	if !found {
		return false
	}
	indent := strings.Repeat(" ", column+1)
	var text strings.Builder
	text.WriteString(before + "correction: [")
	for n, p := range rows {
		if n > 0 {
			text.WriteString(",\n" + indent)
		}
		fmt.Fprintf(&text, "{frequency: %s, loss: %s, uncertainty: %s}", number(float64(p.Frequency)), number(float64(p.Loss)), number(float64(p.Uncertainty)))
	}
	lines[line-1] = text.String() + "]" + after
	return true
}

// number writes a value so that it reads back as the same value.
func number(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }
