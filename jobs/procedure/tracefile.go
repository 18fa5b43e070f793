package procedure

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"unicode/utf8"

	"benchyard/instruments/rf"
)

const (
	// mostTracePoints bounds what is kept in memory: 20 bytes a point.
	mostTracePoints = 2_000_000
	mostLine        = 1000 // bytes; two numbers and a comment are shorter
	mostHeader      = 100  // lines that may pass before the first figure

	highestLevel = 80.0   // dBm; no connector carries 100 kW
	lowestLevel  = -250.0 // dBm; thermal noise in a millihertz is stronger
	// leastHertz is the highest end of a trace that is taken for megahertz:
	// 26.5 GHz in MHz is 26500, while no trace in hertz ends below 100 kHz.
	leastHertz = 100e3
)

// TraceError says which line of a trace file cannot be used and why. Line zero
// is the file as a whole.
type TraceError struct {
	File   string
	Line   int
	Reason string
}

// Error names file and line in front of the reason.
func (e *TraceError) Error() string {
	if e.Line == 0 {
		return e.File + ": " + e.Reason
	}
	return fmt.Sprintf("%s:%d: %s", e.File, e.Line, e.Reason)
}

// ReadTrace reads a trace from two columns of text, frequency and level,
// separated by comma, semicolon, tab or spaces. Lines that start with # are
// comments. One line of names may stand in front; it may say the unit of the
// frequency (Hz, kHz, MHz, GHz), such as "freq_hz,level_dbm" or "Frequency
// [MHz];Level [dBm]". Without it frequencies are hertz, levels always dBm.
//
// The frequencies must rise in even steps; what rounding to the digits of the
// file does to a step is accepted, up to a hundredth of it. RBW and noise
// bandwidth of the answer are zero: the file does not know them. file names the
// trace in errors, which are a *TraceError for everything but a reader that fails.
func ReadTrace(file string, r io.Reader) (rf.Spectrum, error) {
	return readTrace(file, r, mostTracePoints)
}

// readTrace is ReadTrace with a bound of its own on the points.
func readTrace(file string, r io.Reader, most int) (rf.Spectrum, error) {
	t := &traceReader{file: file, factor: 1, most: most}
	lines := bufio.NewScanner(r)
	lines.Buffer(make([]byte, 0, mostLine), mostLine)
	for lines.Scan() {
		t.line++
		if t.line > 2*most+mostHeader {
			return rf.Spectrum{}, t.errorf("more than %d lines for %d points at the most", t.line-1, most)
		}
		if err := t.take(lines.Text()); err != nil {
			return rf.Spectrum{}, err
		}
	}
	if err := lines.Err(); errors.Is(err, bufio.ErrTooLong) {
		t.line++
		return rf.Spectrum{}, t.errorf("line is longer than %d bytes; want a frequency and a level on each line", mostLine)
	} else if err != nil {
		return rf.Spectrum{}, fmt.Errorf("procedure: trace %s: %w", file, err)
	}
	return t.spectrum()
}

// traceReader is the state between two lines.
type traceReader struct {
	file        string
	most        int // points
	line        int
	header      bool    // the line of names has passed
	factor      float64 // hertz in one unit of the first column
	frequencies []float64
	levels      []float64
	lines       []int32 // of the points
}

func (t *traceReader) errorf(format string, args ...any) error {
	return &TraceError{File: t.file, Line: t.line, Reason: fmt.Sprintf(format, args...)}
}

// take reads one line.
func (t *traceReader) take(text string) error {
	if t.line == 1 {
		text = strings.TrimPrefix(text, "\ufeff")
	}
	if strings.ContainsRune(text, 0) || !utf8.ValidString(text) {
		return t.errorf("not text; want a CSV file with frequency and level")
	}
	text = strings.TrimSpace(text)
	if text == "" || text[0] == '#' {
		if len(t.levels) == 0 && t.line > mostHeader {
			return t.errorf("no figure in the first %d lines", mostHeader)
		}
		return nil
	}
	cells := cellsOf(text)
	if len(t.levels) == 0 && !t.header && isHeader(cells) {
		t.header = true
		return t.takeHeader(cells)
	}
	if len(cells) != 2 {
		return t.errorf("%d columns; want two, frequency and level in dBm", len(cells))
	}
	return t.takePoint(cells)
}

// cellsOf splits a line at its separator: the first of semicolon, tab, comma and
// space that it has. One empty cell at the end is dropped, quotes are taken off.
func cellsOf(text string) []string {
	var cells []string
	switch {
	case strings.Contains(text, ";"):
		cells = strings.Split(text, ";")
	case strings.Contains(text, "\t"):
		cells = strings.Split(text, "\t")
	case strings.Contains(text, ","):
		cells = strings.Split(text, ",")
	default:
		cells = strings.Fields(text)
	}
	for i, c := range cells {
		c = strings.TrimSpace(c)
		if len(c) > 1 && c[0] == '"' && c[len(c)-1] == '"' {
			c = strings.TrimSpace(c[1 : len(c)-1])
		}
		cells[i] = c
	}
	if n := len(cells); n > 1 && cells[n-1] == "" {
		cells = cells[:n-1]
	}
	return cells
}

// isHeader reports whether no cell is a number: a line of names.
func isHeader(cells []string) bool {
	for _, c := range cells {
		if _, err := strconv.ParseFloat(c, 64); err == nil {
			return false
		}
		if c == "" || strings.ContainsRune("+-.0123456789", rune(c[0])) {
			return false
		}
	}
	return true
}

// takeHeader reads the units that the names carry.
func (t *traceReader) takeHeader(cells []string) error {
	if len(cells) != 2 {
		if len(cells) == 1 {
			return t.errorf("%.40q is no line of names for two columns, frequency and level", cells[0])
		}
		return t.errorf("%d columns; want two, frequency and level in dBm", len(cells))
	}
	first, second := unitOf(cells[0]), unitOf(cells[1])
	factor, ok := map[string]float64{"": 1, "hz": 1, "khz": 1e3, "mhz": 1e6, "ghz": 1e9}[first]
	if !ok {
		if first == "dbm" {
			return t.errorf("the first column is %q; want frequency first, then level", cells[0])
		}
		return t.errorf("frequency in %q is not known; want Hz, kHz, MHz or GHz", first)
	}
	if second != "" && second != "dbm" {
		return t.errorf("level in %q cannot be used; want dBm", second)
	}
	t.factor = factor
	return nil
}

// units are the words that a name of a column may end with, our own and those
// that are refused by name.
var units = [...]string{"hz", "khz", "mhz", "ghz", "thz", "dbm", "db", "dbc", "dbmv", "dbuv", "dbw", "dbm/hz", "mw", "w", "v", "mv", "uv", "s", "ms"}

// unitOf returns the unit at the end of a column name, in lower case: behind a
// space or an underscore, in brackets, or alone. A name without one gives "".
func unitOf(name string) string {
	words := strings.FieldsFunc(strings.ToLower(name), func(r rune) bool { return strings.ContainsRune(" _()[]{}:", r) })
	if len(words) == 0 {
		return ""
	}
	last := words[len(words)-1]
	for _, u := range units {
		if last == u {
			return u
		}
	}
	return ""
}

// takePoint reads one frequency and one level.
func (t *traceReader) takePoint(cells []string) error {
	f, err := t.number("frequency", cells[0])
	if err != nil {
		return err
	}
	level, err := t.number("level", cells[1])
	if err != nil {
		return err
	}
	f *= t.factor
	if rounded := math.Round(f*1e3) / 1e3; math.Abs(f) < 1e12 {
		f = rounded // the binary dust of 3550.01 MHz; millihertz are the finest of the trade
	}
	switch n := len(t.frequencies); {
	case n == t.most:
		return t.errorf("more than %d points; cut the trace to the span of the test", t.most)
	case f < 0 || f > 1e12:
		return t.errorf("frequency %g Hz is out of all reach", f)
	case level > highestLevel || level < lowestLevel:
		return t.errorf("level %g is no level in dBm (%g to %g)", level, lowestLevel, highestLevel)
	case n > 0 && f == t.frequencies[n-1]:
		return t.errorf("frequency %s stands twice", rf.Hertz(f))
	case n > 0 && f < t.frequencies[n-1]:
		return t.errorf("frequency %s stands behind %s; sort the points by frequency", rf.Hertz(f), rf.Hertz(t.frequencies[n-1]))
	}
	t.frequencies, t.levels = append(t.frequencies, f), append(t.levels, level)
	t.lines = append(t.lines, int32(t.line))
	return nil
}

func (t *traceReader) number(what, cell string) (float64, error) {
	v, err := strconv.ParseFloat(cell, 64)
	switch {
	case err != nil && !errors.Is(err, strconv.ErrRange):
		return 0, t.errorf("%s %.40q is not a number", what, cell)
	case math.IsNaN(v) || math.IsInf(v, 0) || math.Abs(v) >= rf.SpecialNumber*(1-1e-6):
		return 0, t.errorf("%s %.40s is not a measured number", what, cell)
	}
	return v, nil
}
