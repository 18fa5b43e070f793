package lab

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"benchyard/instruments/document"
	"benchyard/instruments/rf"
)

// correctionHeader is the first row of every correction file.
var correctionHeader = [...]string{"frequency_hz", "loss_db", "uncertainty_db"}

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
				report(line, wrongColumn(r, fields), "want the header %s", strings.Join(correctionHeader[:], ","))
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

// CheckCorrection returns what is wrong with the rows of a correction that came
// from no file: a gain, a value that is out of range, frequencies that do not rise.
func CheckCorrection(rows rf.Correction) []string {
	if len(rows) == 0 {
		return []string{"the correction has no rows"}
	}
	var problems []string
	for i, p := range rows {
		if _, why := wrongPoint(p); why != "" {
			problems = append(problems, fmt.Sprintf("row %d: %s", i+1, why))
		}
	}
	if err := rows.Validate(); err != nil {
		problems = append(problems, withoutPackage(err))
	}
	return problems
}

// wrongColumn is where a first row stops being the header.
func wrongColumn(r *csv.Reader, fields []string) int {
	for i, field := range trimmed(fields) {
		if i == len(correctionHeader) || field != correctionHeader[i] {
			_, column := r.FieldPos(i)
			return column
		}
	}
	return 1 // columns are missing at its end
}

// FormatCorrection writes rows as the CSV that ParseCorrection reads, every
// value so that it reads back as the same value.
func FormatCorrection(rows rf.Correction) []byte {
	var text bytes.Buffer
	text.WriteString(strings.Join(correctionHeader[:], ",") + "\n")
	for _, p := range rows {
		fmt.Fprintf(&text, "%s,%s,%s\n", number(float64(p.Frequency)), number(float64(p.Loss)), number(float64(p.Uncertainty)))
	}
	return text.Bytes()
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
	if value, why := wrongPoint(point); ok && why != "" {
		line, column := r.FieldPos(value)
		report(line, column, "%s", why)
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

// written returns the rows as a list in brackets, which is right in block and in
// flow style; its lines are indented far enough for both.
func written(rows rf.Correction, indent string) string {
	var text strings.Builder
	for n, p := range rows {
		if n > 0 {
			text.WriteString(",\n" + indent)
		}
		fmt.Fprintf(&text, "{frequency: %s, loss: %s, uncertainty: %s}", number(float64(p.Frequency)), number(float64(p.Loss)), number(float64(p.Uncertainty)))
	}
	return "[" + text.String() + "]"
}

// number writes a value so that it reads back as the same value.
func number(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }
