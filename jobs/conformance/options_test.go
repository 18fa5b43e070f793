package conformance_test

import (
	"math"
	"slices"
	"strings"
	"testing"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
)

// withOptions declares options for a wide area base station.
func withOptions(options ...string) conformance.Declaration {
	d := wideA(46)
	d.Options = options
	return d
}

// optionalLimits are figures of TS 38.104 V19.4.0 6.6.5.2.2 (protection),
// 6.6.5.2.3 (co-existence and additional limits), 6.6.5.2.4 (co-location) and
// 6.6.4.2.5, all with the tolerance 0 dB of Annex C (from memory). Spans are
// those of the filter centre.
var optionalLimits = []struct {
	band      string
	bw, scs   rf.Hertz
	class     conformance.Class
	option    string
	key       string
	low, high rf.Hertz
	upper     float64
	filter    rf.Hertz
}{
	{"n1", 20e6, 15e3, conformance.WideArea, "protection", "6.6.5/protection/1", 1920e6, 1980e6, -96, 100e3},
	{"n8", 10e6, 15e3, conformance.MediumRange, "protection", "6.6.5/protection/1", 880e6, 915e6, -91, 100e3},
	{"n31", 5e6, 15e3, conformance.LocalArea, "protection", "6.6.5/protection/1", 452.5e6, 457.5e6, -88, 100e3},
	{"n78", 100e6, 30e3, conformance.WideArea, "coexistence:n1", "6.6.5/coexistence:n1/1", 2110e6, 2170e6, -52, 1e6},
	{"n78", 100e6, 30e3, conformance.WideArea, "coexistence:n1", "6.6.5/coexistence:n1/2", 1920e6, 1980e6, -49, 1e6},
	{"n1", 20e6, 15e3, conformance.LocalArea, "coexistence:n41", "6.6.5/coexistence:n41/1", 2496e6, 2690e6, -52, 1e6},
	{"n1", 20e6, 15e3, conformance.WideArea, "coexistence:gsm900", "6.6.5/coexistence:gsm900/1", 921e6, 960e6, -57, 100e3},
	{"n1", 20e6, 15e3, conformance.WideArea, "coexistence:gsm900", "6.6.5/coexistence:gsm900/2", 876e6, 915e6, -61, 100e3},
	{"n1", 20e6, 15e3, conformance.WideArea, "coexistence:dcs1800", "6.6.5/coexistence:dcs1800/1", 1805e6, 1880e6, -47, 100e3},
	{"n1", 20e6, 15e3, conformance.WideArea, "coexistence:pcs1900", "6.6.5/coexistence:pcs1900/2", 1850e6, 1910e6, -61, 100e3},
	{"n1", 20e6, 15e3, conformance.WideArea, "coexistence:gsm850", "6.6.5/coexistence:gsm850/1", 869e6, 894e6, -57, 100e3},
	// n7 downlink 2620 to 2690 MHz, delta f_OBUE 10 MHz: n38 is cut at 2610 MHz less half the filter
	{"n7", 20e6, 15e3, conformance.WideArea, "coexistence:n38", "6.6.5/coexistence:n38/1", 2570e6, 2609.5e6, -52, 1e6},
	// exceptions: n28 from 4 MHz above 803 MHz, n29 up to 1 MHz below 717 MHz for n12, n67 up to 736 MHz
	{"n28", 10e6, 15e3, conformance.WideArea, "coexistence:n5", "6.6.5/coexistence:n5/2", 824e6, 849e6, -49, 1e6},
	{"n28", 10e6, 15e3, conformance.WideArea, "coexistence:n20", "6.6.5/coexistence:n20/1", 832e6, 862e6, -49, 1e6},
	{"n28", 10e6, 15e3, conformance.WideArea, "coexistence:n26", "6.6.5/coexistence:n26/2", 814e6, 849e6, -49, 1e6},
	{"n29", 10e6, 15e3, conformance.WideArea, "coexistence:n12", "6.6.5/coexistence:n12/2", 699e6, 715.5e6, -49, 1e6},
	{"n67", 10e6, 15e3, conformance.WideArea, "coexistence:n28", "6.6.5/coexistence:n28/2", 703e6, 735.5e6, -49, 1e6},
	{"n78", 100e6, 30e3, conformance.WideArea, "colocation:gsm850", "6.6.5/colocation:gsm850/1", 824e6, 849e6, -98, 100e3},
	{"n78", 100e6, 30e3, conformance.LocalArea, "colocation:gsm900", "6.6.5/colocation:gsm900/1", 876e6, 915e6, -70, 100e3},
	{"n78", 100e6, 30e3, conformance.LocalArea, "colocation:dcs1800", "6.6.5/colocation:dcs1800/1", 1710e6, 1785e6, -80, 100e3},
	{"n78", 100e6, 30e3, conformance.MediumRange, "colocation:pcs1900", "6.6.5/colocation:pcs1900/1", 1850e6, 1910e6, -91, 100e3},
	{"n78", 100e6, 30e3, conformance.WideArea, "colocation:n3", "6.6.5/colocation:n3/1", 1710e6, 1785e6, -96, 100e3},
	{"n78", 100e6, 30e3, conformance.LocalArea, "colocation:n51", "6.6.5/colocation:n51/1", 1427e6, 1432e6, -88, 100e3},
	{"n1", 20e6, 15e3, conformance.MediumRange, "colocation:n46", "6.6.5/colocation:n46/1", 5150e6, 5925e6, -91, 100e3},
	{"n1", 20e6, 15e3, conformance.WideArea, "colocation:n101", "6.6.5/colocation:n101/1", 1900e6, 1910e6, -96, 100e3},
	{"n1", 20e6, 15e3, conformance.LocalArea, "colocation:n102", "6.6.5/colocation:n102/1", 5925e6, 6425e6, -87, 100e3},
	{"n1", 20e6, 15e3, conformance.WideArea, "colocation:n104", "6.6.5/colocation:n104/1", 6425e6, 7125e6, -95, 100e3},
	{"n1", 20e6, 15e3, conformance.WideArea, "phs", "6.6.5/phs/1", 1884.65e6, 1915.55e6, -41, 300e3},
	{"n51", 5e6, 15e3, conformance.LocalArea, "additional:eess-1400", "6.6.5/additional:eess-1400/1", 1413.5e6, 1413.5e6, -42, 27e6},
	{"n13", 10e6, 15e3, conformance.WideArea, "additional:public-safety-700", "6.6.5/additional:public-safety-700/2", 793.003125e6, 804.996875e6, -46, 6250},
	{"n14", 10e6, 15e3, conformance.WideArea, "additional:public-safety-700", "6.6.5/additional:public-safety-700/1", 769.003125e6, 774.996875e6, -46, 6250},
	{"n30", 10e6, 15e3, conformance.WideArea, "additional:n30", "6.6.5/additional:n30/2", 2363e6, 2364.5e6, -25, 1e6},
	{"n30", 10e6, 15e3, conformance.WideArea, "additional:n30", "6.6.5/additional:n30/4", 2368e6, 2369.5e6, -42, 1e6},
	{"n48", 20e6, 15e3, conformance.WideArea, "additional:n48", "6.6.5/additional:n48/1", 3100.5e6, 3529.5e6, -40, 1e6},
	{"n53", 5e6, 15e3, conformance.LocalArea, "additional:n53", "6.6.4/additional:n53/2", 2478e6, 2478e6, -13, 1e6},
	{"n53", 10e6, 15e3, conformance.LocalArea, "additional:n53", "6.6.4/additional:n53/4", 2495.5e6, 2504.5e6, -13, 1e6},
	{"n100", 5e6, 15e3, conformance.MediumRange, "additional:n100", "6.6.5/additional:n100/1", 882.5e6, 912.5e6, -62, 5e6},
	{"n101", 5e6, 15e3, conformance.MediumRange, "additional:n101", "6.6.5/additional:n101/1", 1922.5e6, 1977.5e6, -57, 5e6},
	{"n41", 100e6, 30e3, conformance.WideArea, "additional:japan", "6.6.5/additional:japan/1", 2505.5e6, 2534.5e6, -42, 1e6},
}

func TestOptionalLimits(t *testing.T) {
	for _, tt := range optionalLimits {
		t.Run(tt.band+" "+tt.key, func(t *testing.T) {
			d := withOptions(tt.option)
			d.Class, d.RatedPower = tt.class, 24
			s := subject(t, tt.band, tt.bw, tt.scs, d)
			if strings.HasSuffix(tt.option, "japan") { // for channels in 2545 to 2645 MHz
				s.Carrier, _ = conformance.PlaceAt(tt.band, 519000, tt.bw, tt.scs)
			}
			r := byKey(t, requirements(t, s, tt.key[:5]), tt.key)
			near(t, "from", float64(r.Frequencies.Low), float64(tt.low))
			near(t, "to", float64(r.Frequencies.High), float64(tt.high))
			near(t, "upper", *r.Upper, tt.upper)
			near(t, "filter", float64(r.MeasurementBandwidth), float64(tt.filter))
			if err := sane(r); err != nil {
				t.Error(err)
			}
		})
	}
}

// TS 38.104 6.2.1: at most 20 W in every 10 MHz of n41 and n90 in Japan, which is
// 46.02 dBm in 20 MHz.
func TestRatedPowerInJapan(t *testing.T) {
	for rated, allowed := range map[rf.DBm]bool{46: true, 46.02: true, 46.03: false} {
		d := withOptions("additional:japan")
		d.RatedPower = rated
		s := subject(t, "n41", 20e6, 15e3, d)
		_, err := conformance.Requirements(s, "6.2")
		if allowed != (err == nil) {
			t.Errorf("%s: %v", rated, err)
		}
		if !allowed {
			wantError(t, err, "exceeds 46.02 dBm, 20 W in every 10 MHz of the channel")
		}
		s.Options = nil
		requirements(t, s, "6.2")
	}
}

// What the tables do not apply to gives no limit, and no error: a unit may be
// declared for several bands at once.
func TestOptionsThatDoNotApply(t *testing.T) {
	for _, tt := range []struct {
		name, band string
		bw, scs    rf.Hertz
		d          conformance.Declaration
	}{
		{"protection is for FDD", "n78", 100e6, 30e3, withOptions("protection")},
		{"the own band", "n1", 20e6, 15e3, withOptions("coexistence:n1")},
		{"an overlapping band", "n1", 20e6, 15e3, withOptions("coexistence:n65")},
		{"DCS 1800 is n3", "n3", 20e6, 15e3, withOptions("coexistence:dcs1800")},
		{"a TDD band inside the own", "n77", 100e6, 30e3, withOptions("coexistence:n78")},
		{"the table has no figure for the class", "n78", 100e6, 30e3, withOptions("colocation:n51")},
		{"limits of another band", "n78", 100e6, 30e3, withOptions("additional:n48", "additional:dtt", "additional:japan")},
		{"n77 outside 3450 to 3550 MHz", "n77", 100e6, 30e3, withOptions("additional:n77")},
		{"n50 outside 1432 to 1452 MHz", "n50", 20e6, 15e3, withOptions("additional:eess-1400")},
	} {
		t.Run(tt.name, func(t *testing.T) {
			plain := tt.d
			plain.Options = nil
			for _, clause := range []string{"6.6.4", "6.6.5"} {
				with := requirements(t, subject(t, tt.band, tt.bw, tt.scs, tt.d), clause)
				without := requirements(t, subject(t, tt.band, tt.bw, tt.scs, plain), clause)
				if len(with) != len(without) {
					t.Errorf("%s: %d limits with the option, %d without: %s", clause, len(with), len(without), with[len(with)-1].Key)
				}
			}
		})
	}
}

// Limits that the standard leaves to a declaration are refused with its reason
// (TS 38.104 6.6.4.2.5, 6.6.5.2.3), unknown words with the known ones.
func TestOptionsRefused(t *testing.T) {
	for _, tt := range []struct {
		band, option, clause, want string
	}{
		{"n1", "additional:fcc", "6.6.4", "FCC Title 47 that apply are declared"},
		{"n20", "additional:dtt", "6.6.4", "levels P_EM,N per 8 MHz at 8N + 306 MHz"},
		{"n24", "additional:n24", "6.6.4", "levels in 1541 to 1559, 1559 to 1610 and 1610 to 1650 MHz are declared"},
		{"n50", "additional:mss-1518", "6.6.5", "1520.5 to 1558.5 MHz are declared"},
		{"n54", "additional:n54", "6.6.5", "levels in 1541 to 1650 MHz are declared"},
	} {
		d := withOptions(tt.option)
		d.Class, d.RatedPower = conformance.LocalArea, 20
		_, err := conformance.Requirements(subject(t, tt.band, 5e6, 15e3, d), tt.clause)
		wantError(t, err, tt.want)
		wantError(t, err, tt.option+" in "+tt.band)
	}
	for option, want := range map[string]string{
		"coexistence:n999": `unknown option "coexistence:n999"; known are protection, ca:contiguous`,
		"colocation:n29":   "unknown option", // no uplink
		"":                 "unknown option",
	} {
		_, err := conformance.Requirements(subject(t, "n1", 20e6, 15e3, withOptions(option)), "6.6.5")
		wantError(t, err, want)
	}
	err := withOptions("phs", "PHS").Validate()
	wantError(t, err, "option phs is declared twice")
}

// Every word there is can be declared in every band: limits, none, or a reason.
func TestEveryOptionAnswers(t *testing.T) {
	words := conformance.OptionWords()
	for _, b := range conformance.Bands() {
		list := b.Bandwidths(15e3)
		if b.Refused != "" {
			continue
		}
		c, err := conformance.Place(b.Name, conformance.Middle, list[0], 15e3)
		if err != nil {
			t.Fatal(err)
		}
		for _, word := range words {
			d := withOptions(word)
			d.Class, d.RatedPower = conformance.LocalArea, 20
			for _, clause := range []string{"6.5.4", "6.6.4", "6.6.5"} {
				found, err := conformance.Requirements(conformance.Subject{Declaration: d, Carrier: c}, clause)
				if err != nil && !strings.Contains(err.Error(), "are declared") {
					t.Errorf("%s %s %s: %v", b.Name, word, clause, err)
				}
				var keys []string
				for _, r := range found {
					if err := sane(r); err != nil {
						t.Errorf("%s %s %s: %v", b.Name, word, r.Key, err)
					}
					keys = append(keys, r.Key)
				}
				if slices.Sort(keys); len(slices.Compact(slices.Clone(keys))) != len(keys) {
					t.Errorf("%s %s: a key stands twice among %v", b.Name, word, keys)
				}
			}
		}
	}
}

// TS 38.104 6.6.4.2.5: -13 dBm/MHz beside an n48 channel for f_offset 0.5 to 9.5
// MHz; 6.6.5.2.3: -25 dBm/MHz from 10 MHz on in 3530 to 3720 MHz.
func TestBesideTheChannel(t *testing.T) {
	s := subject(t, "n48", 20e6, 15e3, withOptions("additional:n48"))
	edges := s.Carrier.Edges()
	for key, want := range map[string]rf.Range{
		"6.6.4/additional:n48/1": {Low: edges.Low - 9.5e6, High: edges.Low - 0.5e6},
		"6.6.4/additional:n48/2": {Low: edges.High + 0.5e6, High: edges.High + 9.5e6},
		"6.6.5/additional:n48/2": {Low: 3530.5e6, High: edges.Low - 10.5e6},
		"6.6.5/additional:n48/3": {Low: edges.High + 10.5e6, High: 3719.5e6},
	} {
		r := byKey(t, requirements(t, s, key[:5]), key)
		near(t, key+" low", float64(r.Frequencies.Low), float64(want.Low))
		near(t, key+" high", float64(r.Frequencies.High), float64(want.High))
		if upper := map[string]float64{"6.6.4": -13, "6.6.5": -25}[key[:5]]; *r.Upper != upper {
			t.Errorf("%s: %g dBm, want %g", key, *r.Upper, upper)
		}
	}
}

// Type 1-H limits of options stand 10log10(N) above the basic ones (6.6.5); n41
// in Japan limits the sum over the connectors of type 1-C (6.6.4.2.5).
func TestOptionsScale(t *testing.T) {
	d := withOptions("protection", "coexistence:n3", "colocation:n3")
	d.Type, d.TransmitUnits = conformance.Type1H, 8
	for _, r := range requirements(t, subject(t, "n1", 20e6, 15e3, d), "6.6.5") {
		if strings.Contains(r.Key, ":") || strings.Contains(r.Key, "protection") {
			basic := map[string]float64{"6.6.5/protection/1": -96, "6.6.5/coexistence:n3/1": -52, "6.6.5/coexistence:n3/2": -49, "6.6.5/colocation:n3/1": -96}[r.Key]
			near(t, r.Key, *r.Upper, math.Round((basic+10*math.Log10(8))*1e9)/1e9)
			near(t, r.Key+" scaling", r.Scaling, 10*math.Log10(8))
		}
	}
	japan := withOptions("additional:japan")
	japan.TransmitUnits = 4
	plain := requirements(t, subject(t, "n41", 100e6, 30e3, wideA(46)), "6.6.4")
	for i, r := range requirements(t, subject(t, "n41", 100e6, 30e3, japan), "6.6.4") {
		near(t, r.Key, *r.Upper, *plain[i].Upper)
		near(t, r.Key+" scaling", r.Scaling, 10*math.Log10(4))
	}
}
