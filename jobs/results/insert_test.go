package results

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
)

func TestCaseRoundTrip(t *testing.T) {
	s := newStore(t)
	run := s.run(s.campaign("2.4.0", "p", true), "T4-0001", "RU-T4", 1, 2)
	lower := 45.0
	leakage := conformance.Result{
		Requirement: conformance.Requirement{Key: "6.6.3/lower/1", Clause: "6.6.3", Title: "t", Quantity: "q", Unit: "dB", Core: 45, Provenance: "memory"},
		Value:       47.5, Lower: &lower, Margin: 2.5, Verdict: conformance.ConditionalPass, Rule: "guarded, w = 1.00 U",
	}
	first := caseOf("a", 1, "6.6.4", 3, -1)
	first.Results = append(first.Results, leakage)
	first.Verdict = conformance.Fail
	second := caseOf("b", 2, "6.6.5")
	if err := s.insert(run, second, first); err != nil { // the order of the plan does not depend on this one
		t.Fatal(err)
	}
	cases, err := RunCases(t.Context(), s.pool, run)
	if err != nil || len(cases) != 2 {
		t.Fatalf("%d cases (%v), want 2", len(cases), err)
	}
	for i, want := range []Case{first, second} {
		got := cases[i].Case
		if !got.MeasuredAt.Equal(want.MeasuredAt) {
			t.Errorf("time %v, want %v", got.MeasuredAt, want.MeasuredAt)
		}
		got.MeasuredAt = want.MeasuredAt
		if !reflect.DeepEqual(got, want) {
			t.Errorf("case %d:\n got %+v\nwant %+v", i+1, got, want)
		}
		byID, err := CaseByID(t.Context(), s.pool, cases[i].ID)
		if err != nil || !reflect.DeepEqual(byID, cases[i]) {
			t.Errorf("CaseByID: %+v (%v)", byID, err)
		}
	}
	if _, err := CaseByID(t.Context(), s.pool, 1<<40); !errors.Is(err, ErrNotFound) {
		t.Errorf("an unknown case: %v", err)
	}
	if none, err := RunCases(t.Context(), s.pool, uuid.New()); err != nil || len(none) != 0 {
		t.Errorf("an unknown run: %v, %v", none, err)
	}
}

func TestTraceRoundTripIsBitExact(t *testing.T) {
	s := newStore(t)
	run := s.run(s.campaign("2.4.0", "p", true), "T4-0001", "RU-T4", 1, 1)
	c := caseOf("a", 1, "6.6.4", 3)
	c.Traces = []Trace{noise(40001, 1), noise(2, 2)}
	c.Traces[0].Spectrum.Levels[7] = float64(math.SmallestNonzeroFloat32)
	c.Traces[0].Spectrum.Levels[8] = math.Copysign(0, -1)
	c.Traces[1].Sweep.Gate = &rf.Gate{Delay: 100 * time.Microsecond, Length: 3 * time.Millisecond, Period: 5 * time.Millisecond}
	c.Traces[1].Role = "carrier"
	if err := s.insert(run, c); err != nil {
		t.Fatal(err)
	}
	cases, err := RunCases(t.Context(), s.pool, run)
	if err != nil {
		t.Fatal(err)
	}
	traces, err := Traces(t.Context(), s.pool, nil, cases[0].ID)
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range c.Traces {
		got := traces[i]
		for j, v := range want.Spectrum.Levels {
			if math.Float64bits(got.Spectrum.Levels[j]) != math.Float64bits(v) {
				t.Fatalf("trace %d point %d: %x, want %x", i+1, j, got.Spectrum.Levels[j], v)
			}
		}
		want.Points = len(want.Spectrum.Levels)
		if !reflect.DeepEqual(got, want) {
			t.Errorf("trace %d settings:\n got %+v\nwant %+v", i+1, got.Sweep, want.Sweep)
		}
	}
	if none, err := Traces(t.Context(), s.pool, nil, 1<<40); err != nil || len(none) != 0 {
		t.Errorf("traces of an unknown case: %v, %v", none, err)
	}
}

// noise is a trace as an analyzer sends it: 32-bit floats around a noise floor.
func noise(points int, seed uint64) Trace {
	random := rand.New(rand.NewPCG(seed, 0))
	levels := make([]float64, points)
	for i := range levels {
		levels[i] = float64(float32(-90 + 0.5*random.NormFloat64()))
	}
	return Trace{
		Role:     "emissions",
		Sweep:    rf.Sweep{Start: 3.5e9, Stop: 3.6e9, RBW: 1e5, VBW: 3e5, Points: points, SweepTime: 20 * time.Millisecond, Averages: 10, Attenuation: 20, ReferenceLevel: 10},
		Spectrum: rf.Spectrum{Start: 3.5e9, Step: rf.Hertz(1e8 / float64(points-1)), Levels: levels, RBW: 1e5, NoiseBandwidth: 106450},
	}
}

func TestDuplicateIsRefused(t *testing.T) {
	s := newStore(t)
	run := s.run(s.campaign("2.4.0", "p", true), "T4-0001", "RU-T4", 1, 2)
	if err := s.insert(run, caseOf("a", 1, "6.2", 1)); err != nil {
		t.Fatal(err)
	}
	before := s.counts()
	err := s.insert(run, caseOf("b", 2, "6.2", 1), caseOf("a", 1, "6.2", 2))
	if !errors.Is(err, ErrDuplicate) || !strings.Contains(err.Error(), "a") {
		t.Errorf("a case stored twice: %v", err)
	}
	twice := caseOf("c", 3, "6.2", 1, 2)
	twice.Results[1].Requirement.Key = twice.Results[0].Requirement.Key
	if err := s.insert(run, twice); err == nil {
		t.Error("two figures for one requirement were stored")
	}
	if err := s.inTx(func(tx pgx.Tx) error { return InsertCases(t.Context(), tx, run, 7, []Case{caseOf("d", 4, "6.2", 1)}) }); !errors.Is(err, ErrNotFound) {
		t.Errorf("a segment that the run does not have: %v", err)
	}
	if after := s.counts(); after != before {
		t.Errorf("rows %v, want %v as before", after, before)
	}
}

func TestBadFiguresAreRefusedWhole(t *testing.T) {
	s := newStore(t)
	run := s.run(s.campaign("2.4.0", "p", true), "T4-0001", "RU-T4", 1, 9)
	nan, special := math.NaN(), 9.91e37 // SCPI-1999 vol. 1, 7.2.1.5: not a number
	for name, spoil := range map[string]func(*Case){
		"value":        func(c *Case) { c.Results[0].Value = nan },
		"value ":       func(c *Case) { c.Results[0].Value = special },
		"margin":       func(c *Case) { c.Results[0].Margin = math.Inf(1) },
		"uncertainty":  func(c *Case) { c.Results[0].Uncertainty = nan },
		"upper limit":  func(c *Case) { c.Results[0].Upper = &nan },
		"conformance ": func(c *Case) { c.Results[0].Probability = &nan },
		"permitted un": func(c *Case) { c.Results[0].MaxUncertainty = &special },
		"tightening":   func(c *Case) { c.Results[0].Tightened = nan },
		"carrier powe": func(c *Case) { c.Results[0].CarrierPower = &nan },
		"noise floor":  func(c *Case) { c.Results[0].Floor = &conformance.FloorShare{Floor: nan} },
		"path correct": func(c *Case) { c.Results[0].Correction = &nan },
		"trace":        func(c *Case) { c.Traces[0].Spectrum.Levels[1] = nan },
		"trace ":       func(c *Case) { c.Traces[0].Spectrum.Levels[1] = special },
		"no figure":    func(c *Case) { c.Results = nil },
		"but the":      func(c *Case) { c.Verdict = conformance.ConditionalPass },
		"reason":       func(c *Case) { c.Results, c.Verdict = nil, conformance.ErrorVerdict },
		"beside":       func(c *Case) { c.Error = "why" },
		"judged":       func(c *Case) { c.Verdict = conformance.Aborted },
		"no verdict":   func(c *Case) { c.Results[0].Verdict = "excellent" },
		"no time":      func(c *Case) { c.MeasuredAt = time.Time{} },
		"needs a key":  func(c *Case) { c.Key = "" },
		"no requireme": func(c *Case) { c.Results[0].Requirement.Key = "" },
	} {
		bad := caseOf("bad", 2, "6.2", 1)
		bad.Traces = []Trace{noise(100, 1)}
		spoil(&bad)
		err := s.insert(run, caseOf("good", 1, "6.2", 1), bad)
		if err == nil || !strings.Contains(err.Error(), strings.TrimSpace(name)) || !strings.HasPrefix(err.Error(), "results: ") {
			t.Errorf("%s: %v", name, err)
		}
	}
	if n := s.counts(); n != [3]int{} {
		t.Errorf("rows %v, want none", n)
	}
	// The table refuses them too, whoever writes.
	for _, value := range []string{"'NaN'", "'Infinity'", "9.91e37"} {
		_, err := s.pool.Exec(t.Context(), `INSERT INTO measurement (case_id, requirement_key, clause, title, quantity, value, unit, margin, core, tolerance, verdict, rule, source, provenance)
			VALUES (1, 'k', '6.2', '', '', `+value+`, '', 0, 0, 0, 'pass', '', '', '')`)
		if err == nil || !strings.Contains(err.Error(), "measurement_value_check") {
			t.Errorf("the table takes %s: %v", value, err)
		}
	}
}

func TestConcurrentSegments(t *testing.T) {
	s := newStore(t)
	campaign := s.campaign("2.4.0", "p", true)
	const runs, perRun = 6, 20
	ids := make([]uuid.UUID, runs)
	for i := range ids {
		ids[i] = s.run(campaign, fmt.Sprintf("T4-%04d", i), "RU-T4", 1, perRun)
	}
	duplicates := make(chan error, 2*runs)
	var writers sync.WaitGroup
	for _, id := range ids {
		for range 2 { // two holders of the same segment: one must lose
			writers.Go(func() {
				var cases []Case
				for i := range perRun {
					c := caseOf(fmt.Sprint("case ", i), i+1, "6.6.4", 1, 2, 3)
					c.Traces = []Trace{noise(501, uint64(i))}
					cases = append(cases, c)
				}
				duplicates <- s.insert(id, cases...)
			})
		}
	}
	writers.Wait()
	close(duplicates)
	lost := 0
	for err := range duplicates {
		if errors.Is(err, ErrDuplicate) {
			lost++
		} else if err != nil {
			t.Error(err)
		}
	}
	if want := [3]int{runs * perRun, 3 * runs * perRun, runs * perRun}; lost != runs || s.counts() != want {
		t.Errorf("%d writers lost, rows %v; want %d and %v", lost, s.counts(), runs, want)
	}
	if err := InsertCases(context.Background(), nil, ids[0], 1, nil); err != nil {
		t.Error("no cases:", err)
	}
}
