package results

import (
	"fmt"
	"math"
	"reflect"
	"strings"
	"testing"

	"benchyard/jobs/conformance"
)

// on runs a unit on a bench.
func (s *store) on(bench, build, serial string, cases ...Case) {
	s.tb.Helper()
	s.exec(`INSERT INTO bench (name) VALUES ($1) ON CONFLICT DO NOTHING`, bench)
	id := s.run(s.campaign(build, "round", true), serial, "RU-T4", 1, len(cases))
	s.exec(`UPDATE run SET bench = $2 WHERE id = $1`, id, bench)
	s.finish(id, "done", cases...)
}

// The data set of the industry's manual on measurement systems (metrology sheet
// 3.5) as if its appraisers were benches: the store must give back the
// published study.
func TestBenchAgreementGivesThePublishedStudy(t *testing.T) {
	s := newStore(t)
	for bench, trials := range [3][3][10]float64{
		{{0.29, -0.56, 1.34, 0.47, -0.80, 0.02, 0.59, -0.31, 2.26, -1.36}, {0.41, -0.68, 1.17, 0.50, -0.92, -0.11, 0.75, -0.20, 1.99, -1.25}, {0.64, -0.58, 1.27, 0.64, -0.84, -0.21, 0.66, -0.17, 2.01, -1.31}},
		{{0.08, -0.47, 1.19, 0.01, -0.56, -0.20, 0.47, -0.63, 1.80, -1.68}, {0.25, -1.22, 0.94, 1.03, -1.20, 0.22, 0.55, 0.08, 2.12, -1.62}, {0.07, -0.68, 1.34, 0.20, -1.28, 0.06, 0.83, -0.34, 2.19, -1.50}},
		{{0.04, -1.38, 0.88, 0.14, -1.46, -0.29, 0.02, -0.46, 1.77, -1.49}, {-0.11, -1.13, 1.09, 0.20, -1.07, -0.67, 0.01, -0.56, 1.45, -1.77}, {-0.15, -0.96, 0.67, 0.11, -1.45, -0.49, 0.21, -0.49, 1.87, -2.16}},
	} {
		for _, trial := range trials {
			for part, x := range trial {
				// The reading is the distance above the limit: the margin with its sign turned.
				s.on(fmt.Sprint("bench-", bench+1), "2.4.0", fmt.Sprintf("T4-%02d", part), caseOf("a", 1, "6.6.4", -x, 7+x/8), caseOf("b", 2, "6.2", 3))
			}
		}
	}
	s.on("bench-1", "2.4.0", "T4-99", caseOf("a", 1, "6.6.4", -99)) // on one bench only: in no study
	report, err := BenchAgreement(t.Context(), s.pool, true)
	if err != nil || len(report.Studies) != 1 || len(report.Missing) != 0 {
		t.Fatalf("%+v, %v", report, err)
	}
	b := report.Studies[0]
	if b.Clause != "6.6.4" || b.Case != "a" || b.Requirement != "6.6.4/1" || b.Figures != 2 || len(b.Units) != 10 || b.Gauge.Repeats != 3 ||
		!reflect.DeepEqual(b.Benches, []string{"bench-1", "bench-2", "bench-3"}) {
		t.Errorf("study %+v", b)
	}
	if sd := math.Sqrt(b.Gauge.Measuring()); math.Abs(sd-0.302372) > 5.1e-7 || b.Gauge.Categories() != 4 {
		t.Errorf("measuring spreads by %v with %d categories, published 0.302372 and 4", sd, b.Gauge.Categories())
	}
	if d := b.Gauge.BenchDeviation; !(d[0] > 0 && d[2] < 0) { // appraiser A reads highest, C lowest
		t.Errorf("deviations %v", d)
	}
	s.exec(`UPDATE run SET golden = true WHERE serial <> 'T4-00'`)
	if report, err = BenchAgreement(t.Context(), s.pool, true); err != nil || len(report.Studies) != 0 {
		t.Errorf("of golden units but one: %+v, %v", report, err)
	}
}

func TestBenchAgreementSaysWhatIsMissing(t *testing.T) {
	s := newStore(t)
	expect := func(step, want string) {
		t.Helper()
		r, err := BenchAgreement(t.Context(), s.pool, true)
		if err != nil || len(r.Studies) != 0 || len(r.Missing) != 1 || !strings.Contains(r.Missing[0], want) {
			t.Errorf("%s: %+v (%v), want %q", step, r, err, want)
		}
	}
	one := func(bench, serial string, margin float64) {
		s.on(bench, "2.4.0", serial, caseOf("a", 1, "6.2", margin))
	}
	expect("empty", "no unit has been measured yet")
	one("bench-1", "T4-1", 1)
	one("bench-1", "T4-2", 1)
	expect("one bench", "RU-T4 under 2.4.0: none of 2 units was measured on more than one bench; mount at least 2 units")
	one("bench-2", "T4-1", 1)
	expect("one unit moved", "1 unit was measured on more than one bench, but none twice on two of them")
	one("bench-1", "T4-1", 1)
	one("bench-2", "T4-1", 1)
	expect("repeated", "1 unit was measured twice on more than one bench, but no two units on the same two")
	one("bench-1", "T4-2", 1)
	one("bench-2", "T4-2", 1)
	one("bench-2", "T4-2", 1)
	expect("equal readings", "no figure was judged on every bench at least twice and differs at all")
	one("bench-2", "T4-2", 2)
	r, err := BenchAgreement(t.Context(), s.pool, true)
	if err != nil || len(r.Studies) != 1 || len(r.Missing) != 0 || r.Studies[0].Gauge.Repeats != 2 {
		t.Errorf("2 units, 2 benches, 2 repeats: %+v, %v", r, err)
	}
	if r, err := BenchAgreement(t.Context(), s.pool, false); err != nil || len(r.Studies) != 0 {
		t.Errorf("of real units: %+v, %v", r, err)
	}
}

// Of all the benches that units went round, the fullest rectangle is studied.
func TestDesignIsTheGreatestFullRectangle(t *testing.T) {
	var visits []visit
	add := func(serial string, runs int, benches ...string) {
		for _, b := range benches {
			visits = append(visits, visit{"2.4.0", "RU-T4", serial, b, runs})
		}
	}
	add("1", 2, "a", "b", "c")
	add("2", 3, "a", "b", "d")
	add("3", 2, "a", "b")
	add("4", 2, "c", "d")
	add("5", 2, "c", "d")
	add("6", 1, "a", "b", "c", "d")
	d := designOf(visits)
	if d.missing != "" || !reflect.DeepEqual(d.units, []string{"1", "2", "3"}) || !reflect.DeepEqual(d.benches, []string{"a", "b"}) {
		t.Errorf("%+v, want units 1 to 3 on a and b", d)
	}
}

// A figure with limits on both sides is its own reading; a lower limit counts
// upwards too.
func TestBenchReadingsHaveOneDirection(t *testing.T) {
	s := newStore(t)
	for i, serial := range []string{"T4-1", "T4-2"} {
		for j, bench := range []string{"bench-1", "bench-2"} {
			for k := range 2 {
				c := caseOf("a", 1, "6.2", 1)
				lower, upper := 30.0, 40.0
				value := 35 + float64(i) + 0.5*float64(j) + 0.01*float64(k)
				both, least := c.Results[0], c.Results[0]
				both.Value, both.Lower, both.Upper, both.Margin = value, &lower, &upper, min(value-lower, upper-value)
				least.Requirement.Key, least.Value, least.Lower, least.Upper, least.Margin = "6.2/2", value, &lower, nil, value-lower
				c.Results = []conformance.Result{both, least}
				s.on(bench, "2.4.0", serial, c)
			}
		}
	}
	r, err := BenchAgreement(t.Context(), s.pool, true)
	if err != nil || len(r.Studies) != 1 || r.Studies[0].Figures != 2 {
		t.Fatalf("%+v, %v", r, err)
	}
	if d := r.Studies[0].Gauge.BenchDeviation; math.Abs(d[1]-0.25) > 1e-9 || math.Abs(d[0]+0.25) > 1e-9 {
		t.Errorf("deviations %v, want -0.25 and 0.25: the second bench reads half a decibel higher", d)
	}
}
