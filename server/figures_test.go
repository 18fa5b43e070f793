package server

import (
	"math"
	"testing"
	"time"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
	"benchyard/jobs/lab"
	"benchyard/server/api"
)

func TestFiguresCarryTheirUnit(t *testing.T) {
	v := -13.004
	for _, c := range []struct{ got, want string }{
		{figureText(&v, "dBm"), "−13.00 dBm"},
		{figureText((*float64)(nil), "dBm"), "–"},
		{figureText(3.68981e9, "Hz"), "3.68981 GHz"},
		{figureText(98.28e6, "Hz"), "98.28 MHz"},
		{figureText(3450.0149999e6, "Hz"), "3.450015 GHz"},
		{marginText(2693998.0, "Hz"), "+2.694 MHz"},
		{marginText(1100000.0, "Hz"), "+1.100 MHz"},
		{marginText(-850.5, "Hz"), "−850.5 Hz"},
		{spreadText(12245.92, "Hz"), "12.2 kHz"},
		{spreadText(0.2, "dB"), "0.20 dB"},
		{marginText(-1.649, "dB"), "−1.65 dB"},
		{marginText(0.0, "dB"), "+0.00 dB"},
		{percentText((*float64)(nil)), "no data"},
		{percentText(0.9583), "95.8 %"},
		{pointsText(-0.3333), "−33.3"},
		{minuses("-1.00 dB, co-existence of 2026-11: from -38.11 dBm (-60 dBm)"), "−1.00 dB, co-existence of 2026-11: from −38.11 dBm (−60 dBm)"},
		{pointsText(0.041), "+4.1"},
		{pointsText(-0.0004), "0.0"},
		{pointsText((*float64)(nil)), "–"},
		{chanceText(0.00002), "< 0.001"},
		{chanceText(0.0214844), "0.021"},
		{chanceText(0.125), "0.12"},
		{chanceText((*float64)(nil)), "–"},
		{lastingText(0.012), "12.0 ms"},
		{lastingText(1.44), "1.4 s"},
		{lastingText(3723), "1h2m3s"},
		{amountText(1, "run"), "1 run"},
		{amountText(0, "run"), "0 runs"},
		{amountText(4, "frequency"), "4 frequencies"},
		{amountText(2, "day"), "2 days"},
		{slug("Bench 1/ä"), "bench-1--"},
	} {
		if c.got != c.want {
			t.Errorf("got %q, want %q", c.got, c.want)
		}
	}
}

func TestTimesCarryTheirOffset(t *testing.T) {
	zone := time.FixedZone("", -(3*3600 + 1800))
	at := time.Date(2026, 11, 25, 2, 0, 5, 0, time.UTC)
	if got, want := whenText(at, zone), "2026-11-24 22:30:05 UTC-03:30"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
	if got := whenText((*time.Time)(nil), zone); got != none {
		t.Errorf("no time prints %q, want %q", got, none)
	}
}

func TestReduceKeepsWhatStandsOut(t *testing.T) {
	s := rf.Spectrum{Start: 1e9, Step: 1e3, Levels: make([]float64, 100_003), RBW: 1e3}
	for i := range s.Levels {
		s.Levels[i] = -100
	}
	s.Levels[54_321] = -20 // one narrow line
	r := reduce(s, 700)
	if len(r.Levels) != 1400 {
		t.Fatalf("%d points, want two for each of 700 columns", len(r.Levels))
	}
	greatest, at := math.Inf(-1), 0
	for i, v := range r.Levels {
		if v > greatest {
			greatest, at = v, i
		}
	}
	column := float64(len(s.Levels)) / 700 * float64(s.Step)
	if off := math.Abs(float64(r.Frequency(at) - s.Frequency(54_321))); greatest != -20 || off > column {
		t.Errorf("the line stands at %v dBm, %v Hz off; want -20 dBm within its column of %v Hz", greatest, off, column)
	}
	if off := math.Abs(float64(r.Stop() - s.Stop())); off > column {
		t.Errorf("the reduced trace ends %v Hz beside the whole one", off)
	}
	whole := rf.Spectrum{Start: 0, Step: 1, Levels: make([]float64, drawable)}
	if kept := reduce(whole, 700); len(kept.Levels) != drawable {
		t.Errorf("a trace of %d points was reduced to %d", drawable, len(kept.Levels))
	}
}

func TestWorstCaseComparesDecibelsOnly(t *testing.T) {
	figure := func(margin float64, unit string) api.Case {
		return api.Case{Results: []api.Result{{Margin: margin, Unit: unit}}}
	}
	for _, c := range []struct {
		what  string
		cases []api.Case
		want  int // index, -1 for none
	}{
		{"nothing measured", []api.Case{{}}, -1},
		{"a margin in hertz is no small margin", []api.Case{figure(1.5, "Hz"), figure(4, "dBm"), figure(3, "dB")}, 2},
		{"a failed bandwidth comes before a pass", []api.Case{figure(4, "dBm"), figure(-1e6, "Hz")}, 1},
		{"a fail in decibels comes before all", []api.Case{figure(-1e6, "Hz"), figure(-0.1, "dBm")}, 1},
	} {
		got := worstCase(c.cases)
		if (c.want < 0) != (got == nil) || c.want >= 0 && got != &c.cases[c.want] {
			t.Errorf("%s: got %+v, want index %d", c.what, got, c.want)
		}
	}
}

func TestLimitsToWireLeavesUnknownNull(t *testing.T) {
	upper, far := -5.0, -12.0
	sloped := LimitsToWire([]conformance.Requirement{{
		Key: "6.6.4/upper/1", Unit: "dBm", Side: conformance.UpperSide, Core: -7, CoreTo: -14, Tolerance: 1.5, Upper: &upper, UpperTo: &far,
		MeasurementBandwidth: 100e3, OffsetFrom: 50e3, OffsetTo: 5.05e6, Frequencies: rf.Range{Low: 3.8e9, High: 3.805e9},
	}})[0]
	if sloped.Lower != nil || *sloped.Upper != -5 || *sloped.UpperTo != -12 || *sloped.CoreTo != -14 || *sloped.OffsetFromHz != 50e3 || *sloped.FrequencyToHz != 3.805e9 {
		t.Errorf("sloped limit %+v", sloped)
	}
	power := LimitsToWire([]conformance.Requirement{{Key: "6.2", Unit: "dBm", Core: 2}})[0]
	if power.OffsetFromHz != nil || power.MeasurementBandwidthHz != nil || power.FrequencyFromHz != nil || power.CoreTo != nil || power.Alternative != nil {
		t.Errorf("a limit without filter and offset: %+v", power)
	}
}

func TestCalibrationCountsDays(t *testing.T) {
	day := func(s string) lab.Date {
		d, err := lab.ParseDate(s)
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	inventory := &lab.Lab{
		Instruments: []lab.Instrument{{Name: "a", CalibrationDue: day("2027-03-31")}, {Name: "b", CalibrationDue: day("2026-01-01")}},
		Benches:     []lab.Bench{{Name: "bench-1", Analyzer: "a"}, {Name: "bench-2", Analyzer: "b"}},
		Paths:       []lab.Path{{Bench: "bench-1", Slot: 2, Connector: 1, ValidUntil: day("2027-03-01")}},
	}
	for bench, want := range map[string]api.Calibration{
		"bench-1": {What: "path slot 2 connector 1", Due: "2027-03-01", DaysLeft: 1},
		"bench-2": {What: "instrument b", Due: "2026-01-01", DaysLeft: -423}, // 364 days to 2026-12-31, 59 to 2027-02-28
	} {
		if got := soonest(inventory, bench, day("2027-02-28")); got == nil || *got != want {
			t.Errorf("%s: %+v, want %+v", bench, got, want)
		}
	}
	if got := soonest(inventory, "bench-3", day("2027-02-28")); got != nil {
		t.Errorf("a bench without dates has %+v", got)
	}
}
