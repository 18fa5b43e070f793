package conformance_test

import (
	"math"
	"strings"
	"testing"
	"testing/quick"

	"benchyard/jobs/conformance"
)

// flat returns a series at one level over the whole span of a limit, in steps
// of half its measurement bandwidth.
func flat(r conformance.Requirement, level float64) *conformance.Series {
	s := &conformance.Series{}
	for f := r.Frequencies.Low; f < r.Frequencies.High; f += r.MeasurementBandwidth / 2 {
		s.Frequencies = append(s.Frequencies, float64(f))
		s.Levels = append(s.Levels, level)
	}
	s.Frequencies = append(s.Frequencies, float64(r.Frequencies.High))
	s.Levels = append(s.Levels, level)
	return s
}

// good answers every requirement of a subject with room to spare.
func good(list []conformance.Requirement, rated float64) []conformance.Reading {
	var readings []conformance.Reading
	for _, r := range list {
		reading := conformance.Reading{Key: r.Key, Uncertainty: 0.5}
		switch r.Clause {
		case conformance.OutputPowerClause:
			reading.Value = rated
		case conformance.OccupiedBandwidthClause:
			reading.Value = *r.Upper - 1e6
		case conformance.LeakageRatioClause:
			reading.Value, reading.CarrierPower = 50, rated
		default:
			reading.Series = flat(r, -60)
		}
		readings = append(readings, reading)
	}
	return readings
}

func fixture(t *testing.T) ([]conformance.Requirement, []conformance.Reading) {
	t.Helper()
	list := requirements(t, subject(t, "n1", 20e6, 15e3, wideA(46)), "")
	// 9 kHz to 12.75 GHz in half filters is long; the judgement of the other
	// clauses does not depend on it.
	var short []conformance.Requirement
	for _, r := range list {
		if r.Key != "6.6.5/5" {
			short = append(short, r)
		}
	}
	return short, good(short, 46)
}

func find(t *testing.T, results []conformance.Result, key string) conformance.Result {
	t.Helper()
	for _, r := range results {
		if r.Requirement.Key == key {
			return r
		}
	}
	t.Fatalf("no result for %s", key)
	return conformance.Result{}
}

func change(t *testing.T, readings []conformance.Reading, key string, f func(*conformance.Reading)) {
	t.Helper()
	for i := range readings {
		if readings[i].Key == key {
			f(&readings[i])
			return
		}
	}
	t.Fatalf("no reading for %s", key)
}

func TestJudgeOneResultEach(t *testing.T) {
	list, readings := fixture(t)
	results, err := conformance.Judge(list, readings, conformance.DecisionRule{})
	if err != nil {
		t.Fatal(err)
	}
	if len(results) != len(list) {
		t.Fatalf("%d results for %d requirements", len(results), len(list))
	}
	for i, r := range results {
		if r.Requirement.Key != list[i].Key || r.Verdict != pass || !(r.Margin > 0) {
			t.Errorf("%s: result of %s, %s, margin %g", list[i].Key, r.Requirement.Key, r.Verdict, r.Margin)
		}
	}
	// 46 dBm -/+ 2.7 dB: 2.7 dB to the nearer bound.
	near(t, "power margin", find(t, results, "6.2").Margin, 2.7)
	// 1 MHz below the channel bandwidth.
	near(t, "bandwidth margin", find(t, results, "6.6.2").Margin, 1e6)
}

// The worst point of a sloping mask is the one nearest to the limit, not the
// highest: on the upper side of WA-A>1G the test limit falls from -5.5 dBm at
// 0.05 MHz to -12.5 dBm at 5.05 MHz, which is -9 dBm half way.
func TestJudgeSlopingMask(t *testing.T) {
	for _, side := range []string{"lower", "upper"} {
		t.Run(side, func(t *testing.T) {
			list, readings := fixture(t)
			key := "6.6.4/" + side + "/1"
			edge, sign := 2150e6, 1.0 // n1 M: 2130 to 2150 MHz
			if side == "lower" {
				edge, sign = 2130e6, -1
			}
			change(t, readings, key, func(r *conformance.Reading) {
				for i, f := range r.Series.Frequencies {
					switch math.Round(sign * (f - edge) / 10e3) {
					case 5: // 0.05 MHz: 1.5 dB below the limit
						r.Series.Levels[i] = -7
					case 255: // 2.55 MHz: 1 dB below
						r.Series.Levels[i] = -10
					}
				}
			})
			results, err := conformance.Judge(list, readings, conformance.DecisionRule{})
			if err != nil {
				t.Fatal(err)
			}
			r := find(t, results, key)
			near(t, "value", r.Value, -10)
			near(t, "limit", *r.Upper, -9)
			near(t, "margin", r.Margin, 1)
			near(t, "place", float64(r.At), edge+sign*2.55e6)
		})
	}
}

func TestJudgeExceeded(t *testing.T) {
	list, readings := fixture(t)
	change(t, readings, "6.2", func(r *conformance.Reading) { r.Value = 43.2 })
	change(t, readings, "6.6.2", func(r *conformance.Reading) { r.Value = 20e6 }) // equality passes
	change(t, readings, "6.6.5/3", func(r *conformance.Reading) { r.Series.Levels[7] = -12.9 })
	results, err := conformance.Judge(list, readings, conformance.DecisionRule{})
	if err != nil {
		t.Fatal(err)
	}
	for key, want := range map[string]struct {
		verdict conformance.Verdict
		margin  float64
	}{"6.2": {fail, -0.1}, "6.6.2": {pass, 0}, "6.6.5/3": {fail, -0.1}} {
		r := find(t, results, key)
		if r.Verdict != want.verdict || math.Abs(r.Margin-want.margin) > 1e-9 {
			t.Errorf("%s: %s with margin %g, want %s with %g", key, r.Verdict, r.Margin, want.verdict, want.margin)
		}
	}
	if at := find(t, results, "6.6.5/3").At; at != 30e6+7*50e3 {
		t.Errorf("spurious emission found at %s, want 30.35 MHz", at)
	}
}

// TS 38.104 6.6.3.3: the less stringent of relative and absolute. n1 20 MHz,
// Wide Area A: 44.2 dB, or -13 dBm/MHz over 19.08 MHz = -0.194 dBm.
func TestJudgeLeakageRatio(t *testing.T) {
	absolute := -13 + 10*math.Log10(19.08)
	for _, tt := range []struct {
		name           string
		carrier, ratio float64
		lower          float64
		verdict        conformance.Verdict
		note           string
	}{
		{"relative governs", 46, 44.5, 44.2, pass, "relative limit governs"},
		{"relative fails", 46, 44.1, 44.2, fail, "relative limit governs"},
		{"absolute governs", 40, 41, 40 - absolute, pass, "absolute limit -13 dBm/MHz governs"},
		{"absolute fails", 40, 40, 40 - absolute, fail, "absolute limit -13 dBm/MHz governs"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			list, readings := fixture(t)
			change(t, readings, "6.6.3/upper/1", func(r *conformance.Reading) { r.Value, r.CarrierPower = tt.ratio, tt.carrier })
			results, err := conformance.Judge(list, readings, conformance.DecisionRule{})
			if err != nil {
				t.Fatal(err)
			}
			r := find(t, results, "6.6.3/upper/1")
			near(t, "limit in force", *r.Lower, tt.lower)
			near(t, "margin", r.Margin, tt.ratio-tt.lower)
			if r.Verdict != tt.verdict || r.Note != tt.note {
				t.Errorf("%s, note %q", r.Verdict, r.Note)
			}
		})
	}
}

// A figure of one connector is never held against the limit of the whole cell.
func TestJudgeHybridConnector(t *testing.T) {
	d := conformance.Declaration{Class: conformance.LocalArea, Category: "A", Type: conformance.Type1H, RatedPower: 20, TransmitUnits: 4}
	list := requirements(t, subject(t, "n1", 20e6, 15e3, d), "6.6.4")
	for _, tt := range []struct {
		connectors int
		limit      float64
		note       string
	}{
		// LA beyond 5 MHz: -37 dBm basic, 1.5 dB tolerance, 6.02 dB for four units.
		{1, -35.5, "one connector: limit 6.02 dB below that of the sum over the cell"},
		{4, -35.5 + 10*math.Log10(4), ""},
	} {
		readings := good(list, 20)
		change(t, readings, "6.6.4/upper/2", func(r *conformance.Reading) { r.Connectors = tt.connectors })
		results, err := conformance.Judge(list, readings, conformance.DecisionRule{})
		if err != nil {
			t.Fatal(err)
		}
		r := find(t, results, "6.6.4/upper/2")
		if math.Abs(*r.Upper-tt.limit) > 1e-8 || r.Note != tt.note {
			t.Errorf("%d connectors: limit %g, note %q; want %g, %q", tt.connectors, *r.Upper, r.Note, tt.limit, tt.note)
		}
	}
}

func TestJudgeRefuses(t *testing.T) {
	type edit func(*conformance.Reading)
	value := func(v float64) edit { return func(r *conformance.Reading) { r.Value = v } }
	level := func(v float64) edit { return func(r *conformance.Reading) { r.Series.Levels[3] = v } }
	for _, tt := range []struct {
		name, key, want string
		edit            edit
	}{
		{"not a number", "6.2", "reading for requirement 6.2: NaN is not a measured number", value(math.NaN())},
		{"infinite", "6.6.2", "reading for requirement 6.6.2: +Inf is not", value(math.Inf(1))},
		{"special number", "6.2", "reading for requirement 6.2: 9.91e+37 is not", value(9.91e37)},
		{"special number as 32 bits", "6.2", "is not a measured number", value(float64(float32(9.9e37)))},
		{"level not a number", "6.6.5/1", "6.6.5/1: level at 10.5 kHz is NaN", level(math.NaN())},
		{"no power at all", "6.6.4/upper/1", "is -Inf, not a measured number", level(math.Inf(-1))},
		{"no reading", "6.6.3/upper/2", "no reading for requirement 6.6.3/upper/2", func(r *conformance.Reading) { r.Key = "6.6.3/upper/9" }},
		{"unknown key", "6.6.3/upper/2", `reading "6.6.3/upper/9" answers no requirement`, func(r *conformance.Reading) { r.Key = "6.6.3/upper/9" }},
		{"key twice", "6.2", "two readings for requirement 6.6.2", func(r *conformance.Reading) { r.Key = "6.6.2" }},
		{"no carrier power", "6.6.3/lower/1", "6.6.3/lower/1: carrier power 0 dBm is not a measured level", func(r *conformance.Reading) { r.CarrierPower = 0 }},
		{"uncertainty", "6.2", "uncertainty -1 is no expanded uncertainty", func(r *conformance.Reading) { r.Uncertainty = -1 }},
		{"value for series", "6.6.4/lower/1", "needs a series", func(r *conformance.Reading) { r.Series = nil }},
		{"series for value", "6.2", "the reading is a series", func(r *conformance.Reading) { r.Series = &conformance.Series{} }},
		{"empty series", "6.6.4/lower/1", "series has 0 frequencies", func(r *conformance.Reading) { r.Series = &conformance.Series{} }},
		{"lengths", "6.6.4/lower/1", "levels", func(r *conformance.Reading) { r.Series.Levels = r.Series.Levels[1:] }},
		{"falling", "6.6.4/lower/1", "does not rise", func(r *conformance.Reading) { r.Series.Frequencies[4] = r.Series.Frequencies[3] }},
		{"start missing", "6.6.4/lower/1", "nothing was measured between", func(r *conformance.Reading) { cut(r, 0, 4) }},
		{"hole", "6.6.4/lower/1", "nothing was measured between", func(r *conformance.Reading) { cut(r, 10, 14) }},
		{"end missing", "6.6.4/lower/1", "nothing was measured between", func(r *conformance.Reading) { cut(r, len(r.Series.Levels)-4, len(r.Series.Levels)) }},
		{"outside", "6.6.4/lower/1", "lies outside the span", func(r *conformance.Reading) { r.Series.Frequencies[0] -= 10 }},
	} {
		t.Run(tt.name, func(t *testing.T) {
			list, readings := fixture(t)
			change(t, readings, tt.key, tt.edit)
			results, err := conformance.Judge(list, readings, conformance.DecisionRule{})
			wantError(t, err, tt.want)
			if results != nil {
				t.Error("results beside an error")
			}
		})
	}
}

// cut removes points from..to of a series.
func cut(r *conformance.Reading, from, to int) {
	s := r.Series
	s.Frequencies = append(s.Frequencies[:from:from], s.Frequencies[to:]...)
	s.Levels = append(s.Levels[:from:from], s.Levels[to:]...)
}

// Whatever point of a series rises, the verdict does not improve.
func TestSeriesNeverImprovesAsPointsRise(t *testing.T) {
	s := subject(t, "n1", 20e6, 15e3, wideA(46))
	list := requirements(t, s, "6.6.4")[:1]
	property := func(seed []float64, point uint16, rise float64) bool {
		series := flat(list[0], -20)
		for i, v := range seed {
			series.Levels[i%len(series.Levels)] = -15 + math.Remainder(v, 10)
		}
		judged := func() conformance.Result {
			results, err := conformance.Judge(list, []conformance.Reading{{Key: list[0].Key, Series: series}}, conformance.DecisionRule{})
			if err != nil {
				t.Fatal(err)
			}
			return results[0]
		}
		before := judged()
		series.Levels[int(point)%len(series.Levels)] += math.Abs(math.Remainder(rise, 20))
		after := judged()
		return better(after.Verdict) <= better(before.Verdict) && after.Margin <= before.Margin
	}
	if err := quick.Check(property, &quick.Config{MaxCount: 500}); err != nil {
		t.Error(err)
	}
}

// An unknown tolerance is said beside the figure.
func TestJudgeSaysWhenNoToleranceIsKnown(t *testing.T) {
	list := requirements(t, subject(t, "n104", 100e6, 30e3, wideA(46)), "6.2")
	results, err := conformance.Judge(list, []conformance.Reading{{Key: "6.2", Value: 48.1}}, conformance.DecisionRule{})
	if err != nil {
		t.Fatal(err)
	}
	if r := results[0]; r.Verdict != fail || !strings.Contains(r.Note, "no test tolerance known for a carrier at 6.77499 GHz") {
		t.Errorf("%s, note %q", r.Verdict, r.Note)
	}
}
