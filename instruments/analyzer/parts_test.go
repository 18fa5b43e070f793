package analyzer_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"benchyard/instruments/analyzer"
	"benchyard/instruments/dialect"
	"benchyard/instruments/rf"
	"benchyard/instruments/scpi"
	. "benchyard/instruments/scpi/scpitest"
)

// ramp plays an analyzer that shows at every point its frequency in megahertz as
// a negative level, and refuses more than 40001 points.
type ramp struct {
	start, stop float64
	points      int
	time        []float64 // sweep times it was told
}

func (r *ramp) answer(message string) string {
	units, err := scpi.ParseMessage([]byte(message))
	if err != nil {
		return ""
	}
	var answers []string
	for _, u := range units {
		var x float64
		if len(u.Params) > 0 {
			x, _ = scpi.ParseNumber(u.Params[0], "")
		}
		if !u.Query {
			r.set(u.Header, x)
			continue
		}
		answers = append(answers, r.ask(u.Header))
	}
	if len(answers) == 0 {
		return ""
	}
	return strings.Join(answers, ";") + "\n"
}

func (r *ramp) set(header string, x float64) {
	switch header {
	case ":FREQ:STAR":
		r.start = x
	case ":FREQ:STOP":
		r.stop = x
	case ":SWE:POIN":
		r.points = min(int(x), 40001)
	case ":SWE:TIME":
		r.time = append(r.time, x)
	}
}

func (r *ramp) ask(header string) string {
	switch header {
	case ":FREQ:STAR":
		return scpi.FormatNumber(r.start)
	case ":FREQ:STOP":
		return scpi.FormatNumber(r.stop)
	case ":SWE:POIN":
		return scpi.FormatNumber(float64(r.points))
	case ":POW:ATT", ":STAT:QUES:COND", ":SWE:TIME":
		return "0"
	case ":BAND":
		return "1000"
	case ":SYST:ERR":
		return NoError
	case ":TRAC":
		levels := make([]float64, r.points)
		for i := range levels {
			levels[i] = -(r.start + float64(i)*(r.stop-r.start)/float64(r.points-1)) / 1e6
		}
		return string(scpi.AppendBlock(nil, scpi.AppendReal32(nil, levels)))
	}
	return "1"
}

func TestLongSweepsAreJoinedOnOneGrid(t *testing.T) {
	var r ramp
	s, err := scpi.Dial(t.Context(), Serve(t, Greet(), Serving(r.answer)), scpi.Config{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	whole := rf.Sweep{Start: 10e6, Stop: 110e6, RBW: 1000, Points: 100001, SweepTime: time.Second}
	trace, err := analyzer.New(s, dialect.Standard("analyzer")).Sweep(t.Context(), whole)
	if err != nil {
		t.Fatal(err)
	}
	if len(trace.Levels) != 100001 || trace.Start != 10e6 || trace.Step != 1000 {
		t.Fatalf("got %d points from %v by %v", len(trace.Levels), trace.Start, trace.Step)
	}
	for i, v := range trace.Levels {
		// Single precision keeps 24 bits: at 110 that is 4e-6.
		if want := -float64(trace.Frequency(i)) / 1e6; math.Abs(v-want) > 1e-5 {
			t.Fatalf("point %d: got %v, want %v", i, v, want)
		}
	}
	// 33333, 33334 and 33334 points share one second; the third part needs no new setting.
	if len(r.time) != 2 || math.Abs(r.time[0]-33333./100001) > 1e-6 || math.Abs(r.time[1]-33334./100001) > 1e-6 {
		t.Errorf("sweep times of the parts are %v", r.time)
	}
}
