package conformance_test

import (
	"math"
	"strings"
	"testing"
	"testing/quick"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
	"benchyard/jobs/uncertainty"
)

func budget(t testing.TB, expanded float64) *uncertainty.Budget {
	t.Helper()
	b, err := uncertainty.Combine([]uncertainty.Part{{Name: "all", Kind: uncertainty.Normal, Value: expanded}})
	if err != nil {
		t.Fatal(err)
	}
	return &b
}

// Fact sheet metrology 1.6: core +/-2.0 dB, test tolerance 0.7, so +/-2.7 dB;
// an uncertainty of 1.0 where 0.7 is permitted leaves +/-2.4 dB (rule of TS
// 37.571-1 C.3). The guarded rules hold all of it against the figure already.
func TestExcessUncertaintyTightens(t *testing.T) {
	for _, tt := range []struct {
		name        string
		rule        conformance.DecisionRule
		u           float64
		value       float64
		low, high   float64
		verdict     conformance.Verdict
		tightenedBy float64
	}{
		{"permitted", conformance.DecisionRule{}, 0.7, 48.7, 43.3, 48.7, pass, 0},
		{"less", conformance.DecisionRule{}, 0.3, 43.3, 43.3, 48.7, pass, 0},
		{"shared risk", conformance.DecisionRule{}, 1.0, 48.4, 43.6, 48.4, pass, 0.3},
		{"shared risk, beyond", conformance.DecisionRule{}, 1.0, 48.41, 43.6, 48.4, fail, 0.3},
		{"simple, below", conformance.DecisionRule{Name: "simple"}, 1.0, 43.59, 43.6, 48.4, fail, 0.3},
		{"guarded", conformance.DecisionRule{Name: "guarded", GuardBandFactor: 1}, 1.0, 47.7, 43.3, 48.7, pass, 0},
		{"probability", conformance.DecisionRule{Name: "conformance-probability", Probability: 0.95}, 1.0, 47.8, 43.3, 48.7, pass, 0},
	} {
		t.Run(tt.name, func(t *testing.T) {
			list, readings := fixture(t)
			change(t, readings, "6.2", func(r *conformance.Reading) { r.Value, r.Budget, r.CarrierPower = tt.value, budget(t, tt.u), tt.value })
			results, err := conformance.Judge(list, readings, tt.rule)
			if err != nil {
				t.Fatal(err)
			}
			r := find(t, results, "6.2")
			near(t, "lower", *r.Lower, tt.low)
			near(t, "upper", *r.Upper, tt.high)
			near(t, "tightened by", r.Tightened, tt.tightenedBy)
			near(t, "permitted", *r.MaxUncertainty, 0.7) // n1 lies below 3 GHz
			near(t, "uncertainty", r.Uncertainty, tt.u)
			near(t, "carrier", *r.CarrierPower, tt.value)
			// The probability speaks of the requirement, not of what tightening left of it.
			near(t, "probability", *r.Probability, conformance.Conforms(tt.value, tt.u/2, bound(43.3), bound(48.7)))
			if r.Verdict != tt.verdict || r.Budget == nil || strings.Contains(r.Note, "tightened") != (tt.tightenedBy > 0) {
				t.Errorf("%s, budget %v, note %q", r.Verdict, r.Budget, r.Note)
			}
		})
	}
	list, readings := fixture(t)
	change(t, readings, "6.2", func(r *conformance.Reading) { r.Budget = budget(t, 1.0) })
	results, err := conformance.Judge(list, readings, conformance.DecisionRule{})
	if err != nil {
		t.Fatal(err)
	}
	if note := find(t, results, "6.2").Note; note != "requirement tightened by 0.3 dB: expanded uncertainty 1 dB, permitted 0.7 dB" {
		t.Errorf("note %q", note)
	}
	change(t, readings, "6.2", func(r *conformance.Reading) { r.Budget = budget(t, 3.5) })
	_, err = conformance.Judge(list, readings, conformance.DecisionRule{})
	wantError(t, err, "leaves nothing to accept")
}

// Permitted uncertainties (facts/conformance.md section 9, from memory).
func TestPermittedUncertainty(t *testing.T) {
	for _, row := range []struct {
		band    string
		bw, scs rf.Hertz
		want    map[string]float64
	}{
		{"n1", 20e6, 15e3, map[string]float64{"6.2": 0.7, "6.6.2": 300e3, "6.6.3/lower/1": 0.8, "6.6.4/upper/1": 1.5, "6.6.5/1": 2}},
		{"n1", 10e6, 15e3, map[string]float64{"6.6.2": 100e3}},
		{"n78", 100e6, 30e3, map[string]float64{"6.2": 1, "6.6.2": 600e3, "6.6.3/upper/2": 1.2, "6.6.4/lower/1": 1.8}},
	} {
		list := requirements(t, subject(t, row.band, row.bw, row.scs, wideA(46)), "")
		for _, r := range list {
			if want, asked := row.want[r.Key]; asked {
				if got := r.MaxUncertainty.At(r.Frequencies.Low); got == nil || *got != want {
					t.Errorf("%s %g MHz %s: %v, want %g", row.band, float64(row.bw)/1e6, r.Key, got, want)
				}
			}
			if a := r.Alternative; a != nil {
				near(t, "absolute leakage", *a.MaxUncertainty.At(3e9), map[string]float64{"n1": 2.0, "n78": 2.5}[row.band])
			}
		}
		spurious := list[len(list)-1].MaxUncertainty
		for f, want := range map[rf.Hertz]float64{9e3: 2, 4e9: 2, 4.001e9: 4, 19e9: 4, 26e9: 4.5} {
			near(t, "spurious", *spurious.At(f), want)
		}
		if spurious.At(27e9) != nil {
			t.Error("an uncertainty is permitted beyond the table")
		}
	}
}

// A series has another uncertainty, and another permitted one, at other
// frequencies: 3 dB at 5 GHz are permitted, at 3 GHz they are 1 dB too many.
func TestSeriesWithSpans(t *testing.T) {
	req := conformance.Requirement{
		Key: "x", Clause: "6.6.5", Quantity: "spurious emission", Unit: "dBm", Upper: bound(-30), ToleranceKnown: true,
		MeasurementBandwidth: 1e9, Frequencies: rf.Range{Low: 1e9, High: 6e9}, MaxUncertainty: conformance.UncertaintySteps{{UpTo: 4e9, Value: 2}, {UpTo: 19e9, Value: 4}},
	}
	judge := func(rule conformance.DecisionRule, low, high float64, levels ...float64) conformance.Result {
		t.Helper()
		reading := conformance.Reading{
			Key: "x", Series: &conformance.Series{Frequencies: []float64{1e9, 2e9, 3e9, 4e9, 5e9, 6e9}, Levels: levels},
			Spans: []conformance.Span{{To: 3.5e9, Budget: budget(t, low)}, {To: 6e9, Budget: budget(t, high)}},
		}
		r, err := conformance.Judge([]conformance.Requirement{req}, []conformance.Reading{reading}, rule)
		if err != nil {
			t.Fatal(err)
		}
		return r[0]
	}
	r := judge(conformance.DecisionRule{}, 3, 3, -50, -50, -31.2, -50, -30.5, -50)
	if r.At != 3e9 || *r.Upper != -31 || r.Tightened != 1 || r.Verdict != pass {
		t.Errorf("3 GHz decides by a tightened limit: %+v", r)
	}
	if r = judge(conformance.DecisionRule{}, 1, 3, -50, -50, -31.2, -50, -30.5, -50); r.At != 5e9 || *r.Upper != -30 || r.Tightened != 0 || r.Uncertainty != 3 {
		t.Errorf("5 GHz decides: %+v", r)
	}
	// 1.2 dB away with 1 dB is further than 1.5 dB away with 3 dB.
	guarded := conformance.DecisionRule{Name: "guarded", GuardBandFactor: 1}
	if r = judge(guarded, 1, 3, -50, -50, -31.2, -50, -31.5, -50); r.At != 5e9 || r.Verdict != fail {
		t.Errorf("5 GHz decides by its guard band: %+v", r)
	}
	for name, spans := range map[string][]conformance.Span{
		"not to the end":  {{To: 5e9, Budget: budget(t, 1)}},
		"does not rise":   {{To: 6e9, Budget: budget(t, 1)}, {To: 6e9, Budget: budget(t, 1)}},
		"no budget":       {{To: 6e9}},
		"is none":         {{To: 6e9, Budget: &uncertainty.Budget{Combined: math.NaN()}}},
		"beyond a number": {{To: 6e9, Budget: &uncertainty.Budget{Combined: 1, Expanded: math.Inf(1)}}},
	} {
		reading := conformance.Reading{Key: "x", Series: flat(req, -50), Spans: spans}
		if _, err := conformance.Judge([]conformance.Requirement{req}, []conformance.Reading{reading}, guarded); err == nil {
			t.Errorf("spans with one that %s are accepted", name)
		}
	}
}

// Whatever the uncertainties over frequency, a series is as bad as its worst
// point, and raising a point never improves the verdict.
func TestSeriesIsAsBadAsItsWorstPoint(t *testing.T) {
	req := conformance.Requirement{
		Key: "x", Clause: "6.6.5", Quantity: "spurious emission", Unit: "dBm", Upper: bound(-30), ToleranceKnown: true,
		MeasurementBandwidth: 1e9, Frequencies: rf.Range{Low: 1e9, High: 6e9}, MaxUncertainty: conformance.UncertaintySteps{{UpTo: 4e9, Value: 2}, {UpTo: 19e9, Value: 4}},
	}
	few := func(expanded float64) *uncertainty.Budget { // a coverage factor of 2.65, not 2
		b, err := uncertainty.Combine([]uncertainty.Part{{Name: "all", Kind: uncertainty.Repeated, Value: expanded / 2, DegreesOfFreedom: 5}})
		if err != nil {
			t.Fatal(err)
		}
		return &b
	}
	frequencies := []float64{1e9, 2e9, 3e9, 4e9, 5e9, 6e9}
	rules := []conformance.DecisionRule{
		{}, {Name: "simple"}, {Name: "guarded", GuardBandFactor: 1}, {Name: "guarded-non-binary", GuardBandFactor: 0.83}, {Name: "conformance-probability", Probability: 0.95},
	}
	judge := func(rule conformance.DecisionRule, spans []conformance.Span, levels []float64) conformance.Verdict {
		series := &conformance.Series{Frequencies: frequencies, Levels: levels}
		r, err := conformance.Judge([]conformance.Requirement{req}, []conformance.Reading{{Key: "x", Series: series, Spans: spans}}, rule)
		if err != nil {
			t.Fatal(err)
		}
		return r[0].Verdict
	}
	property := func(raw [6]float64, low, high, up float64, which, point uint8) bool {
		rule := rules[int(which)%len(rules)]
		spans := []conformance.Span{{To: 3.5e9, Budget: budget(t, 0.1+math.Abs(math.Remainder(low, 5)))}, {To: 6e9, Budget: few(0.1 + math.Abs(math.Remainder(high, 5)))}}
		var levels []float64
		worst := pass
		for i, v := range raw {
			levels = append(levels, -31-math.Remainder(v, 8))
			alone := []float64{-90, -90, -90, -90, -90, -90}
			alone[i] = levels[i]
			worst = conformance.Worst([]conformance.Verdict{worst, judge(rule, spans, alone)})
		}
		together := judge(rule, spans, levels)
		raised := append([]float64(nil), levels...)
		raised[int(point)%6] += math.Abs(math.Remainder(up, 6))
		return together == worst && better(judge(rule, spans, raised)) <= better(together)
	}
	if err := quick.Check(property, &quick.Config{MaxCount: 2000}); err != nil {
		t.Error(err)
	}
	none := []conformance.Span{{To: 3.5e9, Budget: budget(t, 1)}, {To: 6e9, Budget: &uncertainty.Budget{}}}
	series := &conformance.Series{Frequencies: frequencies, Levels: []float64{-31, -90, -90, -90, -90, -90}}
	_, err := conformance.Judge([]conformance.Requirement{req}, []conformance.Reading{{Key: "x", Series: series, Spans: none}}, rules[2])
	wantError(t, err, "no uncertainty")
}

// A leakage ratio held against the absolute limit has the uncertainty of the
// level in the adjacent channel, and that one tightens it: 2.5 dB where 2.0 are
// permitted. Against the relative limit 1.0 is 0.2 dB too many.
func TestLeakageTightens(t *testing.T) {
	absolute := -13 + 10*math.Log10(19.08)
	for _, tt := range []struct {
		carrier, ratio, lower, tightened, u float64
		note                                string
	}{
		{46, 45, 44.2 + 0.2, 0.2, 1.0, "relative limit governs"},
		{40, 42, 40 - absolute + 0.5, 0.5, 2.5, "absolute limit -13 dBm/MHz governs"},
	} {
		list, readings := fixture(t)
		change(t, readings, "6.6.3/upper/1", func(r *conformance.Reading) {
			r.Value, r.CarrierPower, r.Budget, r.Absolute = tt.ratio, tt.carrier, budget(t, 1.0), budget(t, 2.5)
		})
		results, err := conformance.Judge(list, readings, conformance.DecisionRule{})
		if err != nil {
			t.Fatal(err)
		}
		r := find(t, results, "6.6.3/upper/1")
		within(t, "lower", *r.Lower, tt.lower, 2e-9) // limits are kept to nanodecibels
		near(t, "tightened", r.Tightened, tt.tightened)
		near(t, "uncertainty", r.Uncertainty, tt.u)
		if r.Verdict != pass || !strings.HasPrefix(r.Note, tt.note) {
			t.Errorf("%s, %q", r.Verdict, r.Note)
		}
	}
}

// For every rule, one bound or two, the verdict never improves as the reading
// moves away from the middle of what is allowed, nor as less is known of it.
func TestNoRuleImprovesWithTheReading(t *testing.T) {
	rules := []conformance.DecisionRule{
		{}, {Name: "simple"}, {Name: "guarded", GuardBandFactor: 1}, {Name: "guarded-non-binary", GuardBandFactor: 0.83},
		{Name: "conformance-probability", Probability: 0.5}, {Name: "conformance-probability", Probability: 0.95},
	}
	verdict := func(rule conformance.DecisionRule, lower, upper *float64, value, u float64) (conformance.Result, bool) {
		req := conformance.Requirement{Key: "x", Clause: "6.2", Lower: lower, Upper: upper, ToleranceKnown: true, MaxUncertainty: conformance.UncertaintySteps{{Value: 0.7}}}
		r, err := conformance.Judge([]conformance.Requirement{req}, []conformance.Reading{{Key: "x", Value: value, Uncertainty: u}}, rule)
		if err != nil {
			return conformance.Result{}, false
		}
		return r[0], true
	}
	judged := 0
	property := func(middle, half, away, worse, uncertainty float64, which uint8, down bool) bool {
		middle, half = math.Remainder(middle, 100), 3+math.Abs(math.Remainder(half, 10))
		away, worse, u := math.Abs(math.Remainder(away, 12)), math.Abs(math.Remainder(worse, 6)), 0.01+math.Abs(math.Remainder(uncertainty, 3))
		sign := 1.0
		if down {
			sign = -1
		}
		rule := rules[int(which)%len(rules)]
		for _, bounds := range [][2]*float64{{bound(middle - half), bound(middle + half)}, {nil, bound(middle + half)}, {bound(middle - half), nil}} {
			if bounds[0] == nil && down || bounds[1] == nil && !down {
				continue // away from the only bound is better
			}
			a, okA := verdict(rule, bounds[0], bounds[1], middle+sign*away, u)
			b, okB := verdict(rule, bounds[0], bounds[1], middle+sign*(away+worse), u)
			if okA != okB {
				return false
			}
			if !okA {
				continue // the bounds leave nothing to accept, whatever the reading
			}
			judged++
			if better(b.Verdict) > better(a.Verdict) || b.Margin > a.Margin || *b.Probability > *a.Probability+1e-12 {
				return false
			}
			if rule.Probability <= 0.5 && rule.GuardBandFactor == 0 {
				if c, ok := verdict(rule, bounds[0], bounds[1], middle+sign*away, u+1); ok && better(c.Verdict) > better(a.Verdict) {
					return false
				}
			}
		}
		return true
	}
	if err := quick.Check(property, &quick.Config{MaxCount: 5000}); err != nil {
		t.Error(err)
	}
	if judged < 5000 {
		t.Errorf("only %d pairs were judged", judged)
	}
}

// The optional groups of 6.6.5 have permitted uncertainties of their own, and a
// limit beside an interferer has that of its clause (facts/conformance.md 9).
func TestPermittedUncertaintyOfOptions(t *testing.T) {
	d := wideA(46)
	d.Options = []string{"protection", "coexistence:n78", "coexistence:n28", "colocation:n78"}
	s := subject(t, "n1", 20e6, 15e3, d)
	want := map[string]float64{
		"6.6.5/1": 2, "6.6.5/protection/1": 3, "6.6.5/colocation:n78/1": 3,
		"6.6.5/coexistence:n78/1": 2.5, // -52 dBm, 3.3 to 3.8 GHz
		"6.6.5/coexistence:n28/1": 2,   // -52 dBm below 3 GHz
	}
	for _, r := range requirements(t, s, "6.6.5") {
		most, asked := want[r.Key]
		if !asked {
			continue
		}
		delete(want, r.Key)
		if got := r.MaxUncertainty.At(r.Frequencies.Low); got == nil || *got != most {
			t.Errorf("%s (%s): %v, want %g", r.Key, r.Title, got, most)
		}
	}
	if len(want) > 0 {
		t.Errorf("no requirement for %v", want)
	}
	seen := 0
	for _, r := range requirements(t, s, "6.7") {
		for clause, most := range map[string]float64{"/6.6.3/": 0.8, "/6.6.4/": 1.5} {
			if got := r.MaxUncertainty.At(r.Frequencies.Low); strings.Contains(r.Key, clause) {
				seen++
				if got == nil || *got != most {
					t.Errorf("%s: %v, want %g", r.Key, got, most)
				}
			}
		}
	}
	if seen == 0 {
		t.Error("no limit beside an interferer")
	}
}
