package calibration

import (
	"fmt"
	"math"
	"math/cmplx"
	"strconv"
	"strings"
	"unicode/utf8"

	"benchyard/instruments/document"
	"benchyard/instruments/rf"
)

// mostNumbers bounds the rows of a file.
const mostNumbers = 100_000

// slack is how far figures of a passive path may be on the wrong side, as a
// ratio of voltages: noise and the error of the network analyzer. 0.05 dB,
// common practice, no source.
var slack = math.Pow(10, 0.05/20)

// oneWay is by how much the losses of both directions of a passive path may
// differ, in decibels: common practice, no source.
const oneWay = 0.5

// scattering is one row of a file: S11 S21 S12 S22, in the order in which a
// two-port file of version 1 has them.
type scattering struct {
	line, column int
	frequency    rf.Hertz
	s            [4]complex128
}

// places of the parameters in a row, and their names.
const (
	s11, s21, s12, s22 = 0, 1, 2, 3
)

var parameters = [4]string{"S11", "S21", "S12", "S22"}

// touchstone is a file while it is read.
type touchstone struct {
	file     string
	problems document.Problems
	options  bool // the line with # was seen
	scale    float64
	format   string
	rows     []scattering
}

// ParseTouchstone reads the loss of a path, -20 lg |S21|, from a two-port file
// of Touchstone version 1 (.s2p), for a path that is passive and reciprocal: a
// gain, columns in another order, and a reference impedance other than 50 ohms
// are refused. The problems name line and column. A file says nothing about its
// uncertainty: every row gets the one that is given, expanded (k = 2).
func ParseTouchstone(file string, data []byte, stated rf.DB) (rf.Correction, document.Problems) {
	t := &touchstone{file: file}
	if len(data) > document.MaxSize || !utf8.Valid(data) {
		t.report(1, 1, "want text of at most %d bytes", document.MaxSize)
		return nil, t.problems
	}
	if !(stated > 0) || stated > maxUncertainty {
		t.report(1, 1, "a Touchstone file states no uncertainty; give one with it, above 0 and up to %d dB", maxUncertainty)
		return nil, t.problems
	}
	text := strings.ReplaceAll(strings.TrimPrefix(string(data), "\ufeff"), "\r\n", "\n")
	for i, line := range strings.Split(text, "\n") {
		if t.line(i+1, line); len(t.problems) >= 10 {
			return nil, t.problems // the first ones say what is wrong
		}
	}
	if len(t.rows) == 0 && t.problems == nil {
		t.report(1, 1, "no rows; want a frequency and S11 S21 S12 S22 on each line")
	}
	if t.problems == nil {
		t.passive()
	}
	if t.problems != nil {
		return nil, t.problems
	}
	c := make(rf.Correction, len(t.rows))
	for i, r := range t.rows {
		c[i] = rf.CorrectionPoint{Frequency: r.frequency, Loss: rf.DB(max(0, round(-decibels(r.s[s21])))), Uncertainty: stated}
	}
	return c, nil
}

// maxLoss, in dB: nothing is measured behind more, and no inventory takes it.
const maxLoss = 150

// maxUncertainty, in dB, is where a level is no measurement any more.
const maxUncertainty = 10

func (t *touchstone) report(line, column int, format string, args ...any) {
	t.problems = append(t.problems, document.Problem{File: t.file, Line: line, Column: column, Message: fmt.Sprintf(format, args...)})
}

// line reads one line.
func (t *touchstone) line(number int, text string) {
	if comment := strings.IndexByte(text, '!'); comment >= 0 {
		text = text[:comment]
	}
	words, columns := split(text)
	switch {
	case len(words) == 0:
	case strings.HasPrefix(words[0], "["):
		t.report(number, columns[0], "%s belongs to version 2; want a two-port file of version 1", words[0])
	case strings.HasPrefix(words[0], "#"):
		t.option(number, columns, words)
	case !t.options:
		t.report(number, columns[0], "the line with # (unit, S, format, R 50) must come before the numbers")
		t.options, t.scale, t.format = true, 1e9, "MA" // said once
	default:
		t.row(number, columns, words)
	}
}

// split cuts a line into words and says in which column each begins.
func split(text string) (words []string, columns []int) {
	column := 1
	for len(text) > 0 {
		space := len(text) - len(strings.TrimLeft(text, " \t\r"))
		text, column = text[space:], column+space
		end := strings.IndexAny(text, " \t\r")
		if end < 0 {
			end = len(text)
		}
		if end > 0 {
			words, columns = append(words, text[:end]), append(columns, column)
		}
		column += utf8.RuneCountInString(text[:end])
		text = text[end:]
	}
	return words, columns
}

var units = map[string]float64{"HZ": 1, "KHZ": 1e3, "MHZ": 1e6, "GHZ": 1e9}

// option reads the line with #: what it leaves out is GHZ, S, MA, R 50
// (Touchstone file format 1.1; from memory).
func (t *touchstone) option(number int, columns []int, words []string) {
	if t.options {
		t.report(number, columns[0], "a second line with #")
		return
	}
	t.options, t.scale, t.format = true, 1e9, "MA"
	if words[0] = words[0][1:]; words[0] == "" {
		words, columns = words[1:], columns[1:]
	}
	for i := 0; i < len(words); i++ {
		word := strings.ToUpper(words[i])
		switch {
		case units[word] != 0:
			t.scale = units[word]
		case word == "MA" || word == "DB" || word == "RI":
			t.format = word
		case word == "S":
		case word == "Y" || word == "Z" || word == "G" || word == "H":
			t.report(number, columns[i], "%s parameters; want S", word)
		case word == "R":
			if i++; i == len(words) {
				t.report(number, columns[i-1], "R without a number; want R 50")
			} else if ohms, err := strconv.ParseFloat(words[i], 64); err != nil || ohms != 50 {
				t.report(number, columns[i], "reference impedance %q; want 50, have the network analyzer refer the file to 50 ohms", words[i])
			}
		default:
			t.report(number, columns[i], "%q; want HZ KHZ MHZ GHZ, S, MA DB RI, R 50", words[i])
		}
	}
}

// row reads one frequency.
func (t *touchstone) row(number int, columns []int, words []string) {
	var v [9]float64
	for i, word := range words {
		x, err := strconv.ParseFloat(word, 64)
		if err != nil || math.IsNaN(x) || math.IsInf(x, 0) {
			t.report(number, columns[i], "%q is not a number", word)
			return
		}
		if i < len(v) {
			v[i] = x
		}
	}
	if len(words) != len(v) {
		why := "want 9: frequency, then two for each of S11 S21 S12 S22"
		if len(words) == 5 {
			why += "; 5 are noise parameters, which a passive path has not"
		}
		t.report(number, columns[0], "%d numbers; %s", len(words), why)
		return
	}
	r := scattering{line: number, column: columns[0], frequency: rf.Hertz(math.Round(v[0]*t.scale*1e3) / 1e3)}
	if !(r.frequency > 0) || math.IsInf(float64(r.frequency), 0) {
		t.report(number, columns[0], "frequency %s: want one over zero", words[0])
		return
	}
	if n := len(t.rows); n > 0 && r.frequency <= t.rows[n-1].frequency {
		t.report(number, columns[0], "frequency %s does not rise above %s of the row before", r.frequency, t.rows[n-1].frequency)
		return
	}
	if len(t.rows) >= mostNumbers {
		t.report(number, columns[0], "more than %d rows", mostNumbers)
		return
	}
	for i := range r.s {
		r.s[i] = t.number(v[1+2*i], v[2+2*i])
		if m := cmplx.Abs(r.s[i]); m == 0 || math.IsNaN(m) || math.IsInf(m, 0) {
			t.report(number, columns[1+2*i], "%s is %s %s, nothing or endless; was it measured?", parameters[i], words[1+2*i], words[2+2*i])
			return
		}
	}
	t.rows = append(t.rows, r)
}

// number makes a complex number out of a pair, angles in degrees.
func (t *touchstone) number(a, b float64) complex128 {
	switch t.format {
	case "DB":
		return cmplx.Rect(math.Pow(10, a/20), b*math.Pi/180)
	case "RI":
		return complex(a, b)
	}
	return cmplx.Rect(a, b*math.Pi/180)
}

func decibels(s complex128) float64 { return 20 * math.Log10(cmplx.Abs(s)) }

// passive refuses what no path of cables, pads and couplers can be.
func (t *touchstone) passive() {
	for _, r := range t.rows {
		if loss := -decibels(r.s[s21]); loss > maxLoss {
			t.report(r.line, r.column, "S21 is %.2f dB at %s: want a loss up to %d dB", -loss, r.frequency, maxLoss)
			return
		}
		for i, s := range r.s {
			if cmplx.Abs(s) > slack {
				t.report(r.line, r.column, "%s is %.2f dB at %s: a passive path has no gain", parameters[i], decibels(s), r.frequency)
				return
			}
		}
		for _, port := range [][2]int{{s11, s21}, {s22, s12}} {
			out := math.Hypot(cmplx.Abs(r.s[port[0]]), cmplx.Abs(r.s[port[1]]))
			if out > slack {
				t.report(r.line, r.column, "%s and %s give back %.2f dB together at %s, more than came in: a passive path has no gain",
					parameters[port[0]], parameters[port[1]], 20*math.Log10(out), r.frequency)
				return
			}
		}
	}
	for _, r := range t.rows {
		if math.Abs(decibels(r.s[s21])-decibels(r.s[s12])) <= oneWay {
			continue
		}
		if a, b, ok := t.swapped(); ok {
			t.report(r.line, r.column, "S21 and S12 differ by more than %g dB at %s, but the pairs of columns %d and %d are alike in every row: the columns are swapped; want S11 S21 S12 S22",
				oneWay, r.frequency, a+1, b+1)
			return
		}
		t.report(r.line, r.column, "S21 is %.2f dB and S12 %.2f dB at %s: a passive path loses the same both ways; are the columns S11 S21 S12 S22?",
			decibels(r.s[s21]), decibels(r.s[s12]), r.frequency)
		return
	}
	t.reflection()
}

// swapped finds the pair of parameters that is alike in every row: in a file of a
// passive path it is that of S21 and S12.
func (t *touchstone) swapped() (a, b int, ok bool) {
	for _, pair := range [][2]int{{s11, s21}, {s11, s12}, {s11, s22}, {s21, s22}, {s12, s22}} {
		alike := true
		for _, r := range t.rows {
			alike = alike && cmplx.Abs(r.s[pair[0]]-r.s[pair[1]]) <= (slack-1)*cmplx.Abs(r.s[pair[0]])
		}
		if alike {
			return pair[0], pair[1], true
		}
	}
	return 0, 0, false
}

// reflection refuses a file whose S11 and S22 behave as the transmission of a
// path does: equal in every row, vector by vector, while S21 and S12, alike in
// size, are not equal. Two reflections never are.
func (t *touchstone) reflection() {
	ends, through := true, true
	for _, r := range t.rows {
		ends = ends && cmplx.Abs(r.s[s11]-r.s[s22]) <= (slack-1)*cmplx.Abs(r.s[s11])
		through = through && cmplx.Abs(r.s[s21]-r.s[s12]) <= (slack-1)*cmplx.Abs(r.s[s21])
	}
	if ends && !through {
		r := t.rows[0]
		t.report(r.line, r.column, "S11 and S22 are equal in every row and S21 and S12 are not: the columns are swapped; want S11 S21 S12 S22")
	}
}
