package conformance_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
)

// subject places a carrier in the middle of a band.
func subject(t *testing.T, band string, bw, scs rf.Hertz, d conformance.Declaration) conformance.Subject {
	t.Helper()
	c, err := conformance.Place(band, conformance.Middle, bw, scs)
	if err != nil {
		t.Fatal(err)
	}
	return conformance.Subject{Declaration: d, Carrier: c}
}

func wideA(rated rf.DBm) conformance.Declaration {
	return conformance.Declaration{Class: conformance.WideArea, Category: "A", Type: conformance.Type1C, RatedPower: rated}
}

// TS 38.104 6.2.2: core 2.0 dB; tolerance 0.7 dB up to 3 GHz, 1.0 dB up to 6 GHz
// (from memory); above 6 GHz none is known and the core value stays in force.
func TestOutputPower(t *testing.T) {
	for _, tt := range []struct {
		band         string
		bw, scs      rf.Hertz
		rated        rf.DBm
		lower, upper float64
		known        bool
		provenance   string
	}{
		{"n1", 20e6, 15e3, 46, 43.3, 48.7, true, "spec+memory"},
		{"n78", 100e6, 30e3, 37, 34, 40, true, "spec+memory"},
		{"n104", 100e6, 30e3, 37, 35, 39, false, "spec"},
	} {
		t.Run(tt.band, func(t *testing.T) {
			r := requirements(t, subject(t, tt.band, tt.bw, tt.scs, wideA(tt.rated)), "6.2")[0]
			near(t, "lower", *r.Lower, tt.lower)
			near(t, "upper", *r.Upper, tt.upper)
			near(t, "core", r.Core, 2)
			if r.ToleranceKnown != tt.known || r.Provenance != tt.provenance {
				t.Errorf("tolerance known %v, provenance %q", r.ToleranceKnown, r.Provenance)
			}
		})
	}
}

// TS 38.104 6.6.3.2: 45 dB, 38 dB in n104; tolerance 0.8 dB up to 20 MHz, 1.2 dB
// above (from memory). The filter is that of a neighbour whose spacing fills
// most of it: 106 blocks at 15 kHz in 20 MHz, 273 at 30 kHz in 100 MHz. Bands
// that are also bands of E-UTRA have neighbours of 5 MHz E-UTRA, 4.5 MHz wide,
// 2.5 and 7.5 MHz from the channel edge.
func TestLeakageRatio(t *testing.T) {
	for _, tt := range []struct {
		name, band string
		bw, scs    rf.Hertz
		lower      float64
		filter     rf.Hertz
		known      bool
		eutra      []rf.Hertz
	}{
		{"narrow", "n1", 20e6, 15e3, 44.2, 106 * 12 * 15e3, true, []rf.Hertz{12.5e6, 17.5e6}},
		{"narrow, wider spacing", "n1", 20e6, 30e3, 44.2, 106 * 12 * 15e3, true, []rf.Hertz{12.5e6, 17.5e6}},
		{"E-UTRA as wide", "n1", 5e6, 15e3, 44.2, 25 * 12 * 15e3, true, []rf.Hertz{5e6, 10e6}},
		{"wide", "n78", 100e6, 30e3, 43.8, 273 * 12 * 30e3, true, nil},
		{"wide, wider spacing", "n78", 100e6, 60e3, 43.8, 273 * 12 * 30e3, true, nil},
		{"wide, E-UTRA beside", "n41", 100e6, 30e3, 43.8, 273 * 12 * 30e3, true, []rf.Hertz{52.5e6, 57.5e6}},
		{"above 6 GHz", "n104", 100e6, 30e3, 38, 273 * 12 * 30e3, false, nil},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s := subject(t, tt.band, tt.bw, tt.scs, wideA(46))
			type channel struct{ offset, filter rf.Hertz }
			want := map[string]channel{
				"6.6.3/lower/1": {-tt.bw, tt.filter}, "6.6.3/lower/2": {-2 * tt.bw, tt.filter},
				"6.6.3/upper/1": {tt.bw, tt.filter}, "6.6.3/upper/2": {2 * tt.bw, tt.filter},
			}
			for i, offset := range tt.eutra {
				want[fmt.Sprintf("6.6.3/lower/e-utra/%d", i+1)] = channel{-offset, 4.5e6}
				want[fmt.Sprintf("6.6.3/upper/e-utra/%d", i+1)] = channel{offset, 4.5e6}
			}
			list := requirements(t, s, "6.6.3")
			if len(list) != len(want) {
				t.Fatalf("%d requirements, want %d", len(list), len(want))
			}
			for _, r := range list {
				w := want[r.Key]
				near(t, r.Key+" centre", float64(r.Frequencies.Low), float64(s.Carrier.Center+w.offset))
				near(t, r.Key+" offset", float64(r.OffsetFrom), math.Abs(float64(w.offset)))
				near(t, r.Key+" limit", *r.Lower, tt.lower)
				near(t, r.Key+" filter", float64(r.MeasurementBandwidth), float64(w.filter))
				// Wide Area category A: -13 dBm/MHz (T6.6.3.2-2), over the filter.
				near(t, r.Key+" absolute", r.Alternative.Core, -13+10*math.Log10(float64(w.filter)/1e6))
				if r.ToleranceKnown != tt.known {
					t.Errorf("%s: tolerance known %v", r.Key, r.ToleranceKnown)
				}
			}
		})
	}
}

// Type 1-H limits hold for the sum over a cell: 10log10(8) = 9.03 dB above the
// basic ones (TS 38.104 6.6.3.4, 6.6.4.4); the output power is per connector.
func TestHybridScaling(t *testing.T) {
	single := conformance.Declaration{Class: conformance.MediumRange, Category: "B", Type: conformance.Type1C, RatedPower: 30}
	hybrid := single
	hybrid.Type, hybrid.TransmitUnits = conformance.Type1H, 8
	// n1 has the same delta f_OBUE for both types, so the limits pair up.
	a := requirements(t, subject(t, "n1", 20e6, 15e3, single), "")
	b := requirements(t, subject(t, "n1", 20e6, 15e3, hybrid), "")
	if len(a) != len(b) {
		t.Fatalf("%d and %d requirements", len(a), len(b))
	}
	for i := range a {
		want := 0.0
		if strings.HasPrefix(a[i].Key, "6.6.4") || strings.HasPrefix(a[i].Key, "6.6.5") {
			want = 10 * math.Log10(8)
		}
		if a[i].Upper != nil && math.Abs(*b[i].Upper-*a[i].Upper-want) > 1e-8 {
			t.Errorf("%s: 1-H limit is %g above 1-C, want %g", a[i].Key, *b[i].Upper-*a[i].Upper, want)
		}
		if a[i].Alternative != nil {
			near(t, a[i].Key+" absolute", b[i].Alternative.Core, a[i].Alternative.Core+10*math.Log10(8))
		}
	}
}

// What the fact sheet gives no tolerance for is judged against the core value.
func TestUnknownToleranceLeavesCore(t *testing.T) {
	local := conformance.Declaration{Class: conformance.LocalArea, Category: "A", Type: conformance.Type1C, RatedPower: 20}
	for _, s := range []conformance.Subject{
		subject(t, "n104", 100e6, 30e3, local), // above 6 GHz
		subject(t, "n28", 3e6, 15e3, local),    // 3 MHz masks: unverified
	} {
		for _, r := range requirements(t, s, "6.6.4") {
			if r.ToleranceKnown || r.Tolerance != 0 || *r.Upper != r.Core || !strings.Contains(r.ToleranceSource, "core value in force") {
				t.Errorf("%s %s: tolerance %g known %v, upper %g, core %g, source %q", s.Carrier.Band, r.Key, r.Tolerance, r.ToleranceKnown, *r.Upper, r.Core, r.ToleranceSource)
			}
		}
	}
}

// TS 38.104 6.6.5.2.1 for n1 (2110 to 2170 MHz, delta f_OBUE 10 MHz), category B,
// and n41, whose range ends at the fifth harmonic of 2690 MHz.
func TestSpuriousRanges(t *testing.T) {
	d := wideA(46)
	d.Category = "B"
	type row struct {
		low, high rf.Hertz
		limit     float64
		filter    rf.Hertz
	}
	for _, tt := range []struct {
		band string
		want []row
	}{
		{"n1", []row{
			{9e3, 150e3, -36, 1e3}, {150e3, 30e6, -36, 10e3}, {30e6, 1e9, -36, 100e3},
			{1e9, 2099.5e6, -30, 1e6}, {2180.5e6, 12.75e9, -30, 1e6},
		}},
		{"n8", []row{ // 925 to 960 MHz: the cut lies in the 100 kHz range
			{9e3, 150e3, -36, 1e3}, {150e3, 30e6, -36, 10e3}, {30e6, 914.95e6, -36, 100e3},
			{970.05e6, 1e9, -36, 100e3}, {1e9, 12.75e9, -30, 1e6},
		}},
		{"n41", []row{
			{9e3, 150e3, -36, 1e3}, {150e3, 30e6, -36, 10e3}, {30e6, 1e9, -36, 100e3},
			{1e9, 2485.5e6, -30, 1e6}, {2700.5e6, 12.75e9, -30, 1e6}, {12.75e9, 13.45e9, -30, 1e6},
		}},
	} {
		t.Run(tt.band, func(t *testing.T) {
			list := requirements(t, subject(t, tt.band, 20e6, 15e3, d), "6.6.5")
			if len(list) != len(tt.want) {
				t.Fatalf("%d ranges, want %d", len(list), len(tt.want))
			}
			for i, r := range list {
				w := tt.want[i]
				near(t, r.Key+" low", float64(r.Frequencies.Low), float64(w.low))
				near(t, r.Key+" high", float64(r.Frequencies.High), float64(w.high))
				near(t, r.Key+" limit", *r.Upper, w.limit)
				near(t, r.Key+" filter", float64(r.MeasurementBandwidth), float64(w.filter))
			}
		})
	}
}

func TestRequirementsRefuse(t *testing.T) {
	base := subject(t, "n78", 100e6, 30e3, wideA(46))
	for _, tt := range []struct {
		name, clause, want string
		change             func(*conformance.Subject)
	}{
		{"class", "6.2", `unknown base station class "home"; accepted are wide-area, medium-range, local-area`, func(s *conformance.Subject) { s.Class = "home" }},
		{"category", "6.2", `unknown category "C"; accepted are A, B`, func(s *conformance.Subject) { s.Category = "C" }},
		{"type", "6.2", `unknown base station type "2-O"; accepted are 1-C, 1-H`, func(s *conformance.Subject) { s.Type = "2-O" }},
		{"clause", "6.9", `no requirements for clause "6.9"; known are 6.2, 6.3.3, 6.4.1, 6.4.2, 6.5.2, 6.5.3, 6.5.4, 6.6.2, 6.6.3, 6.6.4, 6.6.5, 6.7`, func(*conformance.Subject) {}},
		{"medium range power", "", "exceeds the 38.00 dBm of class medium-range", func(s *conformance.Subject) { s.Class, s.RatedPower = conformance.MediumRange, 38.01 }},
		{"local area power", "", "exceeds the 24.00 dBm of class local-area", func(s *conformance.Subject) { s.Class, s.RatedPower = conformance.LocalArea, 24.01 }},
		{"power is no number", "", "not a plausible level", func(s *conformance.Subject) { s.RatedPower = rf.DBm(math.NaN()) }},
		{"option 3", "", "option 1 and 2, not 3", func(s *conformance.Subject) { s.Category, s.CategoryBOption = "B", 3 }},
		{"option without category B", "", "option 2 belongs to category B", func(s *conformance.Subject) { s.CategoryBOption = 2 }},
		{"option 2 elsewhere", "6.6.4", "no wide-area mask of category B option 2 for n78", func(s *conformance.Subject) { s.Category, s.CategoryBOption = "B", 2 }},
		{"transmitter units", "", "possible are 1 to 8", func(s *conformance.Subject) { s.Type, s.TransmitUnits = conformance.Type1H, 64 }},
		{"resource blocks", "", "has 273 resource blocks, not 272", func(s *conformance.Subject) { s.Carrier.ResourceBlocks = 272 }},
		{"outside the band", "", "is not inside n78", func(s *conformance.Subject) { s.Carrier.Center = 3780e6 }},
		{"bandwidth", "", "n78 has no 35 MHz channel", func(s *conformance.Subject) { s.Carrier.Bandwidth = 35e6 }},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s := base
			tt.change(&s)
			_, err := conformance.Requirements(s, tt.clause)
			wantError(t, err, tt.want)
		})
	}
	hybrid := wideA(40)
	hybrid.Type = conformance.Type1H
	_, err := conformance.Requirements(subject(t, "n101", 5e6, 15e3, hybrid), "6.2")
	wantError(t, err, "n101 has no requirements of type 1-H")
}

// Case and space do not matter to the words of a declaration.
func TestWords(t *testing.T) {
	s := subject(t, "n78", 100e6, 30e3, conformance.Declaration{Class: " Medium-Range", Category: "a", Type: "1-c", RatedPower: 37})
	if n := len(requirements(t, s, "")); n != 18 {
		t.Errorf("%d requirements, want 18", n)
	}
	for _, c := range conformance.Clauses() {
		if conformance.ClauseTitle(c) == "" {
			t.Errorf("clause %s has no title", c)
		}
	}
	if conformance.ClauseTitle("6.9") != "" {
		t.Error("a clause that is not judged has a title")
	}
	if got, want := conformance.LimitSet(), "ts-38.141-1/2026-11 (core TS 38.104 V19.4.0; tolerances from memory, provisional)"; got != want {
		t.Errorf("limit set is %q, want %q", got, want)
	}
}
