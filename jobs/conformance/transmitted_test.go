package conformance_test

import (
	"slices"
	"strings"
	"testing"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
)

// Core figures: TS 38.104 V19.4.0, the clause beside each row. Tolerances: Annex
// C of TS 38.141-1, from memory. NaN-free: nil means no bound.
func TestTransmittedSignal(t *testing.T) {
	local := conformance.Declaration{Class: conformance.LocalArea, Category: "A", Type: conformance.Type1C, RatedPower: 20}
	for _, tt := range []struct {
		name, band string
		bw, scs    rf.Hertz
		d          conformance.Declaration
		clause     string
		key, unit  string
		lo, hi     any // float64 or nil
		known      bool
	}{
		{"dynamic range, T6.3.3.2-1 less 0.4 dB", "n78", 100e6, 30e3, wideA(46), "6.3.3", "6.3.3", "dB", 23.9, nil, true},
		{"dynamic range, 51 blocks", "n1", 20e6, 30e3, wideA(46), "6.3.3", "6.3.3", "dB", 16.6, nil, true},
		{"dynamic range above 6 GHz", "n104", 100e6, 30e3, wideA(46), "6.3.3", "6.3.3", "dB", 24.3, nil, false},
		{"off power, 6.4.1.2, up to 3 GHz", "n41", 20e6, 30e3, wideA(46), "6.4.1", "6.4.1", "dBm/MHz", nil, -83.0, true},
		{"off power, above 3 GHz", "n78", 100e6, 30e3, wideA(46), "6.4.1", "6.4.1", "dBm/MHz", nil, -82.5, true},
		{"transient, T6.4.2.2-1", "n78", 100e6, 30e3, wideA(46), "6.4.2", "6.4.2/off-on", "µs", nil, 10.0, true},
		{"transient, the other way", "n78", 100e6, 30e3, wideA(46), "6.4.2", "6.4.2/on-off", "µs", nil, 10.0, true},
		{"EVM QPSK, T6.5.2.2-1", "n1", 20e6, 15e3, wideA(46), "6.5.3", "6.5.3/QPSK", "%", nil, 18.5, true},
		{"EVM 16QAM", "n1", 20e6, 15e3, wideA(46), "6.5.3", "6.5.3/16QAM", "%", nil, 13.5, true},
		{"EVM 64QAM", "n1", 20e6, 15e3, wideA(46), "6.5.3", "6.5.3/64QAM", "%", nil, 9.0, true},
		{"EVM 256QAM", "n1", 20e6, 15e3, wideA(46), "6.5.3", "6.5.3/256QAM", "%", nil, 4.5, true},
		{"EVM 1024QAM up to 4.2 GHz", "n1", 20e6, 15e3, wideA(46), "6.5.3", "6.5.3/1024QAM", "%", nil, 3.5, true},
		{"EVM 1024QAM above 4.2 GHz", "n79", 100e6, 30e3, wideA(46), "6.5.3", "6.5.3/1024QAM", "%", nil, 3.8, true},
		{"EVM 1024QAM above 6 GHz", "n104", 100e6, 30e3, wideA(46), "6.5.3", "6.5.3/1024QAM", "%", nil, 2.8, false},
		{"time alignment, 6.5.3.2", "n1", 20e6, 15e3, wideA(46), "6.5.4", "6.5.4/mimo", "ns", nil, 90.0, true},
		{"time alignment above 6 GHz", "n104", 100e6, 30e3, wideA(46), "6.5.4", "6.5.4/mimo", "ns", nil, 65.0, false},
		// n1 middle: 2140 MHz; 0.1 ppm + 12 Hz (T6.5.1.2-1)
		{"frequency error, local area", "n1", 20e6, 15e3, local, "6.5.2", "6.5.2", "Hz", -226.0, 226.0, true},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r := byKey(t, requirements(t, subject(t, tt.band, tt.bw, tt.scs, tt.d), tt.clause), tt.key)
			wantBound(t, "lower", r.Lower, tt.lo)
			wantBound(t, "upper", r.Upper, tt.hi)
			if r.Unit != tt.unit || r.ToleranceKnown != tt.known {
				t.Errorf("unit %q, tolerance known %v", r.Unit, r.ToleranceKnown)
			}
			if err := sane(r); err != nil {
				t.Error(err)
			}
		})
	}
}

func wantBound(t *testing.T, what string, got *float64, want any) {
	t.Helper()
	w, bounded := want.(float64)
	switch {
	case bounded != (got != nil):
		t.Errorf("%s bound %v, want %v", what, got, want)
	case bounded:
		near(t, what, *got, w)
	}
}

func byKey(t *testing.T, list []conformance.Requirement, key string) conformance.Requirement {
	t.Helper()
	i := slices.IndexFunc(list, func(r conformance.Requirement) bool { return r.Key == key })
	if i < 0 {
		var keys []string
		for _, r := range list {
			keys = append(keys, r.Key)
		}
		t.Fatalf("no requirement %s among %s", key, strings.Join(keys, " "))
	}
	return list[i]
}

// TS 38.104 6.2.2: 2.5 dB in the extreme environment; 3.2 and 3.5 dB with the
// tolerance. Everything else is tested in the normal one.
func TestExtremeEnvironment(t *testing.T) {
	s := subject(t, "n1", 20e6, 15e3, wideA(46))
	s.Environment = "Extreme"
	r := byKey(t, requirements(t, s, "6.2"), "6.2")
	near(t, "lower", *r.Lower, 42.8)
	near(t, "upper", *r.Upper, 49.2)
	s.Carrier = subject(t, "n78", 100e6, 30e3, wideA(46)).Carrier
	near(t, "upper above 3 GHz", *byKey(t, requirements(t, s, "6.2"), "6.2").Upper, 49.5)
	for _, clause := range conformance.LimitClauses()[1:] {
		_, err := conformance.Requirements(s, clause)
		wantError(t, err, clause+" is tested in the normal environment only")
	}
	s.Environment = "tropical"
	_, err := conformance.Requirements(s, "6.2")
	wantError(t, err, `unknown test environment "tropical"; accepted are normal, extreme`)
}

// OFF power and transient period are for transmitters that switch (TS 38.104 6.4).
func TestSwitchingIsForTDD(t *testing.T) {
	for _, clause := range []string{"6.4.1", "6.4.2"} {
		for _, band := range []string{"n1", "n75"} {
			_, err := conformance.Requirements(subject(t, band, 20e6, 15e3, wideA(46)), clause)
			wantError(t, err, clause+" is for TDD only")
			wantError(t, err, band)
		}
	}
}

func TestOneModulation(t *testing.T) {
	s := subject(t, "n1", 20e6, 15e3, wideA(46))
	if n := len(requirements(t, s, "6.5.3")); n != 5 {
		t.Errorf("%d limits, want one for each of five modulations", n)
	}
	s.Modulation = "256qam"
	if list := requirements(t, s, "6.5.3"); len(list) != 1 || list[0].Key != "6.5.3/256QAM" {
		t.Errorf("limits of 256QAM: %v", list)
	}
	s.Modulation = "8PSK"
	_, err := conformance.Requirements(s, "6.5.3")
	wantError(t, err, `unknown modulation "8PSK"; accepted are QPSK, 16QAM, 64QAM, 256QAM, 1024QAM`)
}

// TS 38.104 6.5.3.2 and 25 ns from Annex C: 285 ns and 3.025 µs.
func TestCarrierAggregationAligns(t *testing.T) {
	d := wideA(46)
	d.Options = []string{"ca:contiguous", "ca:non-contiguous", "ca:inter-band"}
	list := requirements(t, subject(t, "n1", 20e6, 15e3, d), "6.5.4")
	for key, want := range map[string]float64{"mimo": 90, "contiguous": 285, "non-contiguous": 3025, "inter-band": 3025} {
		near(t, key, *byKey(t, list, "6.5.4/"+key).Upper, want)
	}
}
