package procedure

import (
	"errors"
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"benchyard/instruments/rf"
)

func TestReadTrace(t *testing.T) {
	want := []float64{-30, -20.5, -10, -20, -30}
	plain := "3500000000,-30\n3501000000,-20.5\n3502000000,-10\n3503000000,-20\n3504000000,-30\n"
	for name, text := range map[string]string{
		"plain":       plain,
		"no newline":  strings.TrimSuffix(plain, "\n"),
		"windows":     "\ufeff" + strings.ReplaceAll(plain, "\n", "\r\n"),
		"header":      "freq_hz,level_dbm\n" + plain,
		"comments":    "# taken on Monday\n\nFrequency,Level\n# here it starts\n" + plain,
		"semicolon":   "Frequency [Hz];Level [dBm];\n" + strings.ReplaceAll(strings.ReplaceAll(plain, ",", ";"), "\n", ";\n"),
		"tab, quotes": "\"freq (Hz)\"\t\"dBm\"\n" + strings.ReplaceAll(plain, ",", "\t"),
		"spaces":      strings.ReplaceAll(plain, ",", "   "),
		"megahertz":   "freq_mhz,level\n3500,-30\n3501,-20.5\n3502,-10\n3503,-20\n3504,-30\n",
		"gigahertz":   "GHz;dBm\n3.5;-30\n3.501;-20.5\n3.502;-10\n3.503;-20\n3.504;-30\n",
		"kilohertz":   "f (kHz), p (dBm)\n3500e3, -30\n3501e3, -2.05e1\n3502e3, -10\n3503e3, -20\n3504e3, -30\n",
		"rounded":     "3500000000,-30\n3501000009,-20.5\n3501999991,-10\n3503000000,-20\n3504000000,-30\n",
	} {
		s, err := ReadTrace(name, strings.NewReader(text))
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if s.Start != 3.5e9 || s.Step != 1e6 || fmt.Sprint(s.Levels) != fmt.Sprint(want) {
			t.Errorf("%s: got %+v", name, s)
		}
	}
}

// What cannot be used is refused with the line and what is wrong there.
func TestReadTraceRefuses(t *testing.T) {
	lines := func(n int, line func(i int) string) string {
		var b strings.Builder
		for i := range n {
			b.WriteString(line(i) + "\n")
		}
		return b.String()
	}
	at := func(skip map[int]bool, step float64) string {
		return lines(20, func(i int) string {
			if skip[i] {
				return "#"
			}
			return fmt.Sprintf("%.0f,-50", 1e9+step*float64(i))
		})
	}
	for _, c := range []struct {
		name, text string
		line       int
		says       string
	}{
		{"empty", "", 0, "no points"},
		{"comments only", "# nothing\n", 0, "no points"},
		{"header only", "freq_hz,level_dbm\n", 0, "no points"},
		{"one point", "1e9,-50\n", 0, "one point"},
		{"unsorted", "1e9,-50\n1.1e9,-50\n1.05e9,-50\n", 3, "sort"},
		{"falling", "2e9,-50\n1e9,-50\n", 2, "sort"},
		{"repeated", "1e9,-50\n1e9,-51\n", 2, "twice"},
		{"gap", at(map[int]bool{7: true, 8: true, 9: true}, 1e6), 11, "gap between 1.006 GHz and 1.01 GHz: steps are 1 MHz, so 3 points are missing"},
		{"one missing", at(map[int]bool{7: true}, 1e6), 9, "one point is missing"},
		{"logarithmic", lines(20, func(i int) string { return fmt.Sprintf("%.0f,-50", 1e9*math.Pow(1.1, float64(i))) }), 2, "uneven step"},
		{"drift", lines(2000, func(i int) string { return fmt.Sprintf("%.3f,-50", 1e9+1e6*float64(i)+float64(i*i)) }), 0, "beside its place"},
		{"megahertz", "3500,-50\n3501,-50\n", 0, "look like MHz"},
		{"level in dBuV", "freq_hz,level_dbuv\n1e9,50\n", 1, "want dBm"},
		{"level in watts", "freq_hz,power (W)\n1e9,50\n", 1, "want dBm"},
		{"columns swapped", "level_dbm,freq_hz\n-50,1e9\n", 1, "frequency first"},
		{"terahertz", "f_thz,level\n", 1, "want Hz"},
		{"too strong", "1e9,81\n1.1e9,-50\n", 1, "no level in dBm"},
		{"too weak", "1e9,-50\n1.1e9,-251\n", 2, "no level in dBm"},
		{"not a number", "1e9,-50\n1.1e9,NaN\n", 2, "not a measured number"},
		{"infinite", "1e9,-Inf\n", 1, "not a measured number"},
		{"SCPI infinity", "1e9,9.9e37\n", 1, "not a measured number"},
		{"SCPI not a number", "1e9,9.91E+37\n", 1, "not a measured number"},
		{"overflow", "1e999,-50\n", 1, "not a measured number"},
		{"text", "1e9,-50\n1.1e9,quiet\n", 2, `level "quiet" is not a number`},
		{"second header", "freq,level\nfreq,level\n", 2, `frequency "freq"`},
		{"empty cell", "1e9,-50\n1.1e9,\n", 2, "1 columns"},
		{"three columns", "1e9,-50,-51\n", 1, "3 columns"},
		{"three names", "freq,min,max\n", 1, "3 columns"},
		{"prose", "# c\nhello\n", 2, "no line of names"},
		{"decimal comma", "1000000000;-50,5\n", 1, `"-50,5" is not a number`},
		{"negative frequency", "-1,-50\n", 1, "out of all reach"},
		{"far frequency", "1e13,-50\n", 1, "out of all reach"},
		{"binary", "\x00\x01\x02\xff\n", 1, "not text"},
		{"latin", "fr\xe9quence,niveau\n", 1, "not text"},
		{"one long line", strings.Repeat("1e9,-50 ", 1000), 1, "longer than"},
		{"no end of comments", strings.Repeat("#\n", 200), 101, "no figure"},
	} {
		s, err := ReadTrace("t.csv", strings.NewReader(c.text))
		var bad *TraceError
		if !errors.As(err, &bad) || !strings.Contains(err.Error(), c.says) || c.line > 0 && bad.Line != c.line {
			t.Errorf("%s: got %v, %v; want line %d and %q", c.name, s, err, c.line, c.says)
		}
	}
}

// endless is a file without end: points, or one point and then comments.
type endless struct {
	rows     int
	comments bool
}

func (e *endless) Read(p []byte) (int, error) {
	n := 0
	for len(p)-n > 20 {
		if e.comments && e.rows > 0 {
			n += copy(p[n:], "#\n")
		} else {
			n += copy(p[n:], strconv.AppendInt(nil, 1_000_000_000+int64(e.rows), 10))
			n += copy(p[n:], ",-50\n")
		}
		e.rows++
	}
	return n, nil
}

// A huge file is refused as soon as the limit is passed, not when memory is gone.
func TestReadTraceWithoutEnd(t *testing.T) {
	for says, e := range map[string]*endless{
		"huge.csv:50001: more than 50000 points":                               {},
		"huge.csv:100101: more than 100100 lines for 50000 points at the most": {comments: true},
	} {
		_, err := readTrace("huge.csv", e, 50_000)
		if err == nil || !strings.Contains(err.Error(), says) || e.rows > 110_000 {
			t.Errorf("after %d rows: %v, want %s", e.rows, err, says)
		}
	}
}

// A reader that fails is an error of its own, not one of the file.
func TestReadTraceOfADirectory(t *testing.T) {
	f, err := os.Open(t.TempDir())
	must(t, err)
	defer f.Close()
	var bad *TraceError
	if _, err := ReadTrace("dir", f); err == nil || errors.As(err, &bad) || !strings.Contains(err.Error(), "dir") {
		t.Errorf("got %v", err)
	}
}

// Whatever is read is a trace that can be computed with, or an error that names
// the file.
func FuzzReadTrace(f *testing.F) {
	for _, text := range []string{
		"1e9,-50\n2e9,-51\n", "freq_mhz;dBm\n3500;-30\n3501;-20\n", "\ufeff# c\n\"f\"\t\"p\"\n1e9\t-5\n2e9\t-5\n",
		"1e9,9.9e37\n", "\x00", "1e9 -5\n1e9 -5\n", "1e9,-5\n2e9,-5\n4e9,-5\n", "f,p\n,\n", ";;\n", "0x1p30,-1\n0x1p31,-1\n", "\"\n", "1_0,2\n",
	} {
		f.Add([]byte(text))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		s, err := ReadTrace("fuzz.csv", strings.NewReader(string(data)))
		if err != nil {
			if !strings.Contains(err.Error(), "fuzz.csv") {
				t.Fatalf("%v does not name the file", err)
			}
			return
		}
		s.RBW = 2 * s.Step
		if err := s.Validate(); err != nil {
			t.Fatal(err)
		}
		for i, level := range s.Levels {
			if f := s.Frequency(i); !(f >= 0 && f < 1.1e12) || level > highestLevel || level < lowestLevel {
				t.Fatalf("point %d: %v, %v", i, float64(f), level)
			}
		}
		if s.Stop() < rf.Hertz(leastHertz)*(1-1e-9) {
			t.Fatalf("ends at %s", s.Stop())
		}
	})
}
