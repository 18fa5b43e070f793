package scpi_test

import (
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"benchyard/instruments/scpi"
	. "benchyard/instruments/scpi/scpitest"
)

var wires = map[string]func(testing.TB, ...Step) scpi.Resource{"socket": Serve, "HiSLIP": ServeHiSLIP}

func TestFetch(t *testing.T) {
	var want []float64
	for i := range 50000 { // 0.25 is exact in single precision, and line feeds are among the bytes
		want = append(want, float64(i)*0.25-1000)
	}
	block := string(scpi.AppendBlock(nil, scpi.AppendReal32(nil, want)))
	var got log
	for name, serve := range wires {
		t.Run(name, func(t *testing.T) {
			got.lines = nil
			s := dialAt(t, serve(t, Greet(), Answer(":TRAC?", block), Answer(":A?;:SYST:ERR?;:TRAC? 1", `7;0,"#;";`+block), Answer(":B?", "3")),
				scpi.Config{Transcript: &got})
			alone, err := s.Fetch(t.Context(), 0, scpi.RealFormat{}, nil, ":TRAC?")
			if err != nil || alone.Err != nil || len(alone.Answers) != 0 || !slices.Equal(alone.Numbers, want) {
				t.Errorf("got %d numbers, %q, %v, %v", len(alone.Numbers), alone.Answers, alone.Err, err)
			}
			last, err := s.Fetch(t.Context(), 0, scpi.RealFormat{}, []float64{7, 8}[:1], ":A?", ":SYST:ERR?", ":TRAC? 1")
			if err != nil || last.Err != nil || fmt.Sprintf("%s", last.Answers) != `[7 0,"#;"]` || last.Numbers[0] != 7 || !slices.Equal(last.Numbers[1:], want) {
				t.Errorf("got %d numbers, %q, %v, %v", len(last.Numbers), last.Answers, last.Err, err)
			}
			wantQuery(t, s, ":B?", "3")
			if !slices.Contains(got.lines, "received #<200000 bytes>") || !slices.Contains(got.lines, `received 7;0,"#;";#<200000 bytes>`) {
				t.Errorf("transcript %q", got.lines)
			}
		})
	}
}

func TestFetchInOtherFormats(t *testing.T) {
	for format, block := range map[scpi.RealFormat]string{ // IEEE 754: 1.5 is 3FC00000 and 3FF8000000000000
		{}:                            "#18\x3f\xc0\x00\x00\xbf\xc0\x00\x00",
		{Swapped: true}:               "#18\x00\x00\xc0\x3f\x00\x00\xc0\xbf",
		{Double: true}:                "#216\x3f\xf8\x00\x00\x00\x00\x00\x00\xbf\xf8\x00\x00\x00\x00\x00\x00",
		{Double: true, Swapped: true}: "#216\x00\x00\x00\x00\x00\x00\xf8\x3f\x00\x00\x00\x00\x00\x00\xf8\xbf",
	} {
		for name, serve := range wires {
			s := dialAt(t, serve(t, Greet(), Answer(":A?;:TRAC?", "1;"+block)), scpi.Config{})
			got, err := s.Fetch(t.Context(), 0, format, nil, ":A?", ":TRAC?")
			if err != nil || got.Err != nil || !slices.Equal(got.Numbers, []float64{1.5, -1.5}) {
				t.Errorf("%+v over %s: got %v, %v, %v", format, name, got.Numbers, got.Err, err)
			}
		}
	}
}

// What is no block of whole numbers leaves the answers before it, and the session
// proves itself in step before it goes on.
func TestFetchTellsWhatIsNoBlockOfReals(t *testing.T) {
	for _, answers := range []string{
		"7;1.5", "7;1,2,3", "7;", "7;#15abcde", "7;#14abcd,#14abcd", "7;x#14abcd", "7;1,#14abcd",
		"7;#<4 bytes>", "#14abcd;#<4 bytes>", "#<4 bytes>;#14abcd", // an instrument that sends what stands for a block
		"#14abcd;1", "#14abcd;#14efgh", // a block where none was asked for
	} {
		s := dial(t, scpi.Config{}, Greet(), Answer(":A?;:TRAC?", answers), Resync(""), Answer(":B?", "3"))
		got, err := s.Fetch(t.Context(), 0, scpi.RealFormat{}, nil, ":A?", ":TRAC?")
		if err != nil || got.Numbers != nil || len(got.Answers) != 1 || answers[0] == '7' && string(got.Answers[0]) != "7" {
			t.Errorf("%q: got %v, %q, %v", answers, got.Numbers, got.Answers, err)
		}
		if !errors.Is(got.Err, scpi.ErrAnswer) || scpi.SafeToRetry(got.Err) {
			t.Errorf("%q: got %v", answers, got.Err)
		}
		wantQuery(t, s, ":B?", "3")
	}
}

// After these nobody knows where the stream stands.
func TestFetchOnABrokenStream(t *testing.T) {
	again := Steps(Greet(), Answer(":B?", "3"))
	for name, then := range map[string]Step{
		"more than allowed": Steps(Send("7;#9999999999"), Gone(), again),
		"endless":           Steps(Send("7;#0abcd\n"), Gone(), again),
		"silent inside":     Steps(Send("7;#18abcdef"), Gone(), again),
		"ends inside":       Steps(Send("7;#18abcdef"), Close(), again),
	} {
		t.Run(name, func(t *testing.T) {
			s := dial(t, scpi.Config{}, Greet(), Expect(":A?;:TRAC?"), then)
			if got, err := s.Fetch(t.Context(), 200*time.Millisecond, scpi.RealFormat{}, nil, ":A?", ":TRAC?"); err == nil || got.Answers != nil || got.Numbers != nil || scpi.SafeToRetry(err) {
				t.Errorf("got %+v, %v", got, err)
			}
			wantQuery(t, s, ":B?", "3")
		})
	}
}

// A wrong number of answers is told with what the error queue says of it.
func TestFetchOfTooFewAnswers(t *testing.T) {
	s := dial(t, scpi.Config{}, Greet(), Answer(":A?;:TRAC?", "#14abcd"), Resync("", `-113,"Undefined header"`), Answer(":B?", "3"))
	if got, err := s.Fetch(t.Context(), 0, scpi.RealFormat{}, nil, ":A?", ":TRAC?"); !errors.Is(err, scpi.ErrAnswer) || got.Numbers != nil {
		t.Errorf("got %+v, %v", got, err)
	}
	wantQuery(t, s, ":B?", "3")
}

func TestFetchOfABareBlock(t *testing.T) {
	s := dial(t, scpi.Config{BareBlocks: true}, Greet(), Expect(":A?;:TRAC?"), Send("7;#14\n\n\n\n"), Answer(":B?", "3"))
	if got, err := s.Fetch(t.Context(), 0, scpi.RealFormat{}, nil, ":A?", ":TRAC?"); err != nil || got.Err != nil || len(got.Numbers) != 1 {
		t.Errorf("got %+v, %v", got, err)
	}
	wantQuery(t, s, ":B?", "3")
}

func TestFetchEndsWithAQuery(t *testing.T) {
	s := dial(t, scpi.Config{}, Greet())
	for _, units := range [][]string{{":TRAC"}, {":A?", ":TRAC"}, {}} {
		if _, err := s.Fetch(t.Context(), 0, scpi.RealFormat{}, nil, units...); err == nil || !scpi.SafeToRetry(err) {
			t.Errorf("%q: got %v", units, err)
		}
	}
}
