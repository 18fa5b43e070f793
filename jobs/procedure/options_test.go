package procedure

import (
	"math"
	"strings"
	"testing"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
)

// Noise of -120 dBm/Hz reads 10log10(B) more through every measurement bandwidth
// B, whether an analyzer has that filter (100 and 300 kHz, 1 MHz) or it has to be
// integrated (6.25 kHz, 5 and 27 MHz; TS 38.104 6.6.5.2.3).
func TestOptionalLimitsAreMeasured(t *testing.T) {
	const density = -120.0
	for _, tt := range []struct {
		band, option, clause string
		bandwidths           []rf.Hertz
	}{
		{"n51", "additional:eess-1400", "6.6.5", []rf.Hertz{27e6}},
		{"n13", "additional:public-safety-700", "6.6.5", []rf.Hertz{6250, 6250}},
		{"n100", "additional:n100", "6.6.5", []rf.Hertz{5e6}},
		{"n1", "phs", "6.6.5", []rf.Hertz{300e3}},
		{"n1", "coexistence:n3", "6.6.5", []rf.Hertz{1e6, 1e6}},
		{"n1", "protection", "6.6.5", []rf.Hertz{100e3}},
		{"n53", "additional:n53", "6.6.4", []rf.Hertz{1e6, 1e6, 1e6, 1e6, 1e6}},
		{"n48", "additional:n48", "6.6.4", []rf.Hertz{1e6, 1e6}},
	} {
		t.Run(tt.band+" "+tt.option, func(t *testing.T) {
			carrier, err := conformance.Place(tt.band, conformance.Middle, 5e6, 15e3)
			if err != nil {
				t.Fatal(err)
			}
			k := kinds()[1]
			s := k.setup(t, conformance.Middle)
			s.Subject = conformance.Subject{Carrier: carrier, Declaration: conformance.Declaration{
				Class: conformance.LocalArea, Category: "A", Type: conformance.Type1C, RatedPower: 20, Options: []string{tt.option}}}
			f := &fake{floor: -200, path: s.Correction, bands: []band{{1e3, 20e9, density + 10*math.Log10(20e9)}}}
			found := 0
			for key, r := range measure(t, tt.clause, s, f) {
				if !strings.HasPrefix(key, tt.clause+"/"+tt.option) {
					continue
				}
				found++
				b := r.Requirement.MeasurementBandwidth
				if b != tt.bandwidths[0] {
					t.Errorf("%s: measurement bandwidth %s", key, b)
				}
				near(t, key, r.Value, density+10*math.Log10(float64(b)), 0.02)
			}
			if found != len(tt.bandwidths) {
				t.Errorf("%d limits of the option were measured, want %d", found, len(tt.bandwidths))
			}
		})
	}
}
