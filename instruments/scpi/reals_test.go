package scpi_test

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"benchyard/instruments/scpi"
	. "benchyard/instruments/scpi/scpitest"
)

func TestQueryReal32(t *testing.T) {
	var want []float64
	for i := range 50000 { // 0.25 is exact in single precision
		want = append(want, float64(i)*0.25-1000)
	}
	block := string(scpi.AppendBlock(nil, scpi.AppendReal32(nil, want)))
	var got log
	for name, serve := range map[string]func(testing.TB, ...Step) scpi.Resource{"socket": Serve, "HiSLIP": ServeHiSLIP} {
		t.Run(name, func(t *testing.T) {
			got.lines = nil
			s := dialAt(t, serve(t, Greet(), Answer(":TRAC?", block), Answer(":TRAC?", block), Answer(":B?", "3")), scpi.Config{Transcript: &got})
			xs, err := s.QueryReal32(t.Context(), []float64{7}, ":TRAC?")
			if err != nil || xs[0] != 7 || !slices.Equal(xs[1:], want) {
				t.Errorf("got %d numbers, %v", len(xs), err)
			}
			if xs, err = s.QueryReal32(t.Context(), xs[:0], ":TRAC?"); err != nil || !slices.Equal(xs, want) {
				t.Errorf("into the same memory: got %d numbers, %v", len(xs), err)
			}
			wantQuery(t, s, ":B?", "3")
			if !slices.Contains(got.lines, "received #<200000 bytes>") {
				t.Errorf("transcript %q", got.lines)
			}
		})
	}
}

func TestQueryReal32TakesOneBlockOfReals(t *testing.T) {
	for answer, recovery := range map[string]Step{
		"1.5":             Resync(""),
		"#14abcd;1":       Resync(""),
		"#14abcd,#14abcd": Resync(""),
		"#<4 bytes>":      Resync(""),
		"#15abcde":        Steps(Gone(), Greet()), // no whole number of reals: the rest is not read
		"#9999999999":     Steps(Gone(), Greet()),
		"#0abcd":          Steps(Gone(), Greet()),
		"1,2,3":           Resync(""),
	} {
		s := dial(t, scpi.Config{}, Greet(), Answer(":TRAC?", answer), recovery, Answer(":B?", "3"))
		dst := []float64{7}
		xs, err := s.QueryReal32(t.Context(), dst, ":TRAC?")
		if err == nil || len(xs) != 1 || scpi.SafeToRetry(err) {
			t.Errorf("%q: got %v, %v", answer, xs, err)
		}
		if strings.HasPrefix(answer, "#1") && !errors.Is(err, scpi.ErrAnswer) {
			t.Errorf("%q: got %v", answer, err)
		}
		wantQuery(t, s, ":B?", "3")
	}
	s := dial(t, scpi.Config{}, Greet())
	if _, err := s.QueryReal32(t.Context(), nil, ":TRAC"); err == nil || !scpi.SafeToRetry(err) {
		t.Errorf("a command: got %v", err)
	}
}
