package conformance_test

import (
	"math"
	"strings"
	"testing"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
)

// interferers lists the interferers of 6.7 by the part of the key that names them.
func interferers(t *testing.T, s conformance.Subject) map[string]conformance.Interferer {
	t.Helper()
	found := map[string]conformance.Interferer{}
	for _, r := range requirements(t, s, "6.7") {
		_, rest, _ := strings.Cut(r.Key, "/")
		name, _, _ := strings.Cut(rest, "/6.6.")
		found[name] = *r.Interferer
	}
	return found
}

// TS 38.104 6.7.2.1: BW (n - 1/2) from the channel edge with the smallest
// channel of the band, 30 dB below the rated power; 6.7.2.2 adds 10 MHz at 5, 15
// and 25 MHz for n41 in Japan. Positions outside the downlink band are left out.
func TestInterferers(t *testing.T) {
	middle := subject(t, "n41", 20e6, 15e3, wideA(46))
	top := middle
	top.Carrier, _ = conformance.Place("n41", conformance.Top, 20e6, 15e3)
	japan := middle
	japan.Options = []string{"additional:japan"}
	wide := subject(t, "n77", 100e6, 30e3, wideA(46))
	wide.Carrier, _ = conformance.Place("n77", conformance.Bottom, 100e6, 30e3)
	anywhere := wide
	anywhere.Options = []string{"additional:japan"}
	for _, tt := range []struct {
		name    string
		s       conformance.Subject
		offsets map[string]float64 // MHz from the channel edge
		width   map[string]float64 // MHz
	}{
		{"middle", middle, map[string]float64{"lower/1": 2.5, "lower/2": 7.5, "lower/3": 12.5, "upper/1": 2.5, "upper/2": 7.5, "upper/3": 12.5}, nil},
		{"top", top, map[string]float64{"lower/1": 2.5, "lower/2": 7.5, "lower/3": 12.5}, nil},
		{"Japan", japan, map[string]float64{"lower/1": 2.5, "lower/2": 7.5, "lower/3": 12.5, "upper/1": 2.5, "upper/2": 7.5, "upper/3": 12.5,
			"lower/4": 5, "lower/5": 15, "lower/6": 25, "upper/4": 5, "upper/5": 15, "upper/6": 25}, map[string]float64{"upper/4": 10}},
		{"10 MHz is the smallest of n77", wide, map[string]float64{"upper/1": 5, "upper/2": 15, "upper/3": 25}, map[string]float64{"upper/1": 10}},
		{"n77 in Japan", anywhere, map[string]float64{"lower/1": 5, "lower/2": 15, "lower/3": 25, "upper/1": 5, "upper/2": 15, "upper/3": 25}, nil},
	} {
		t.Run(tt.name, func(t *testing.T) {
			found := interferers(t, tt.s)
			if len(found) != len(tt.offsets) {
				t.Errorf("%d interferers, want %d: %v", len(found), len(tt.offsets), found)
			}
			edges := tt.s.Carrier.Edges()
			for name, offset := range tt.offsets {
				want := edges.High + rf.Hertz(offset)*1e6
				if strings.HasPrefix(name, "lower") {
					want = edges.Low - rf.Hertz(offset)*1e6
				}
				near(t, name, float64(found[name].Center), float64(want))
				near(t, name+" level", float64(found[name].Level), 16)
				if w, ok := tt.width[name]; ok {
					near(t, name+" bandwidth", float64(found[name].Bandwidth), w*1e6)
				}
			}
		})
	}
}

// The interferer goes by the rated total power where that is declared (T6.7.2.1-1:
// Prated,t,AC - 30 dB).
func TestInterfererLevel(t *testing.T) {
	d, total := wideA(43), rf.DBm(46)
	d.TotalPower = &total
	near(t, "level", float64(interferers(t, subject(t, "n1", 20e6, 15e3, d))["upper/1"].Level), 16)
}

// The limits of 6.7 are those of 6.6.3 to 6.6.5 wherever the interferer is not:
// no filter meets it, and every level is the one of the clause at that place.
func TestIntermodulationLimits(t *testing.T) {
	for _, class := range []conformance.Class{conformance.WideArea, conformance.MediumRange} {
		d := withOptions("coexistence:n3", "protection")
		d.Class, d.RatedPower = class, 38
		s := subject(t, "n1", 20e6, 15e3, d)
		base := map[string]conformance.Requirement{}
		for _, clause := range []string{"6.6.3", "6.6.4", "6.6.5"} {
			for _, r := range requirements(t, s, clause) {
				base[r.Key] = r
			}
		}
		found := map[string]bool{}
		for _, r := range requirements(t, s, "6.7") {
			i := r.Interferer
			half := r.MeasurementBandwidth / 2
			if r.Frequencies.High+half > i.Center-i.Bandwidth/2 && r.Frequencies.Low-half < i.Center+i.Bandwidth/2 {
				t.Errorf("%s: %v meets the interferer at %s", r.Key, r.Frequencies, i.Center)
			}
			key := r.Key[strings.Index(r.Key, "/6.6.")+1:]
			of, ok := base[key]
			if !ok {
				of, ok = base[key[:strings.LastIndex(key, ".")]]
			}
			found[of.Key] = true
			if !ok {
				t.Fatalf("%s comes from no limit", r.Key)
			}
			if r.Upper != nil {
				for _, f := range []rf.Hertz{r.Frequencies.Low, r.Frequencies.High} {
					near(t, r.Key, levelOf(r, f), levelOf(of, f))
				}
			}
		}
		for key := range base {
			if !found[key] {
				t.Errorf("%s holds beside no interferer", key)
			}
		}
	}
}

// TS 38.104 6.7.2.1: offsets count from the edges of the Base Station RF
// Bandwidth, and inwards from those of a sub-block gap that holds the interferer
// whole (the latter from memory). n1 has 5 MHz interferers: 2.5, 7.5, 12.5 MHz.
func TestInterferersOfConfiguration(t *testing.T) {
	outside := map[string]float64{"lower/1": -2.5, "lower/2": -7.5, "lower/3": -12.5, "upper/1": 2.5, "upper/2": 7.5, "upper/3": 12.5}
	for _, tt := range []struct {
		name string
		gap  rf.Hertz
		in   map[string]float64 // MHz above the lower edge of the gap
	}{
		{"contiguous", 0, nil},
		{"too narrow", 4.9e6, nil},
		{"one place for both edges", 5e6, map[string]float64{"gap1/lower/1": 2.5}},
		{"two of each, not the same", 12e6, map[string]float64{"gap1/lower/1": 2.5, "gap1/lower/2": 7.5, "gap1/upper/1": 9.5, "gap1/upper/2": 4.5}},
		{"two, both edges agree", 10e6, map[string]float64{"gap1/lower/1": 2.5, "gap1/lower/2": 7.5}},
		{"all three of each", 20e6, map[string]float64{"gap1/lower/1": 2.5, "gap1/lower/2": 7.5, "gap1/lower/3": 12.5, "gap1/upper/1": 17.5}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s := two(t, "n1", 5e6, 5e6, tt.gap, wideA(46))
			total := rf.DBm(48)
			s.TotalPower = &total
			found := interferers(t, s)
			if len(found) != len(outside)+len(tt.in) {
				t.Errorf("interferers %v", found)
			}
			edges, low := s.RFBandwidth(), s.Carrier.Edges().High
			for name, i := range found {
				from, offset := edges.High, outside[name]
				switch {
				case strings.HasPrefix(name, "gap"):
					from, offset = low, tt.in[name]
				case offset < 0:
					from = edges.Low
				}
				near(t, name, float64(i.Center-from)/1e6, offset)
				near(t, name+" level", float64(i.Level), 18) // rated total output power - 30 dB
			}
		})
	}
}

// While the interferer stands, everything holds that holds without it, cut where
// it is: outside the edges and in gaps, leakage and cumulative leakage too.
func TestIntermodulationOfConfiguration(t *testing.T) {
	s := two(t, "n1", 5e6, 5e6, 20e6, declared("WA-B2"))
	base, found := map[string]conformance.Requirement{}, map[string]bool{}
	for _, clause := range []string{"6.6.3", "6.6.4", "6.6.5"} {
		for _, r := range requirements(t, s, clause) {
			base[r.Key] = r
		}
	}
	keys := map[string]bool{}
	for _, r := range requirements(t, s, "6.7") {
		if keys[r.Key] {
			t.Errorf("%s stands twice", r.Key)
		}
		keys[r.Key] = true
		hole := rf.Range{Low: r.Interferer.Center - r.Interferer.Bandwidth/2, High: r.Interferer.Center + r.Interferer.Bandwidth/2}
		if half := r.MeasurementBandwidth / 2; r.Frequencies.High+half > hole.High-1e-3 == (r.Frequencies.Low-half < hole.Low+1e-3) {
			t.Errorf("%s: %v meets the interferer %v", r.Key, r.Frequencies, hole)
		}
		of, cut := base[r.Key[strings.Index(r.Key, "/6.6.")+1:]], false
		if of.Key == "" {
			cut, of = true, base[r.Key[strings.Index(r.Key, "/6.6.")+1:strings.LastIndex(r.Key, ".")]]
		}
		found[of.Key] = true
		for _, f := range []rf.Hertz{r.Frequencies.Low, r.Frequencies.High} {
			if r.Upper != nil && math.Abs(*r.UpperAt(f)-*of.UpperAt(f)) > 1e-6 {
				t.Errorf("%s: %g dBm at %s, without the interferer %g", r.Key, *r.UpperAt(f), f, *of.UpperAt(f))
			}
		}
		// Tolerances here are never beyond 1.8 dB, of a sum neither.
		if more := *upperOr(r) - r.Core; cut && r.Sum != nil && (more < 0 || more > 1.8+1e-9) {
			t.Errorf("%s: test limit %g beside core limit %g", r.Key, *r.Upper, r.Core)
		}
	}
	for key := range base {
		if !found[key] {
			t.Errorf("%s holds beside no interferer", key)
		}
	}
}

func upperOr(r conformance.Requirement) *float64 {
	if r.Upper == nil {
		return r.Lower
	}
	return r.Upper
}

// What the fact sheet does not say is refused, not guessed.
func TestIntermodulationOfConfigurationRefused(t *testing.T) {
	s := two(t, "n1", 5e6, 5e6, 20e6, wideA(40))
	level := rf.DBm(12)
	s.Type, s.TransmitUnits, s.IntraSystemLevel = conformance.Type1H, 4, &level
	_, err := conformance.Requirements(s, "6.7")
	wantError(t, err, "what it is beside several carriers is not known here")
	s = two(t, "n1", 5e6, 5e6, 20e6, wideA(40))
	s.Carriers[1] = subject(t, "n3", 5e6, 15e3, wideA(40)).Carrier
	_, err = conformance.Requirements(s, "6.7")
	wantError(t, err, "several bands (NRTC4, NRTC5) is not in the limit set")
}

// levelOf is the upper bound of a limit at a frequency, linear in decibels.
func levelOf(r conformance.Requirement, f rf.Hertz) float64 {
	if r.UpperTo == nil {
		return *r.Upper
	}
	from, to := *r.Upper, *r.UpperTo
	if r.Side == conformance.LowerSide {
		from, to = to, from
	}
	share := float64((f - r.Frequencies.Low) / r.Frequencies.Width())
	return math.Round((from+(to-from)*share)*1e6) / 1e6
}

// Type 1-H wants the intra-system interferer too, at a level that is declared
// (TS 38.104 6.7.2); it stands on the channel, for 6.6.3 and 6.6.4.
func TestIntraSystemInterferer(t *testing.T) {
	d := wideA(40)
	d.Type, d.TransmitUnits = conformance.Type1H, 4
	_, err := conformance.Requirements(subject(t, "n1", 20e6, 15e3, d), "6.7")
	wantError(t, err, "intra-system interferer, whose level the manufacturer declares")
	level := rf.DBm(12)
	d.IntraSystemLevel = &level
	s := subject(t, "n1", 20e6, 15e3, d)
	found := interferers(t, s)["intra-system"]
	if want := (conformance.Interferer{Center: s.Carrier.Center, Bandwidth: 20e6, Level: 12}); found != want {
		t.Errorf("intra-system interferer %v, want %v", found, want)
	}
	for _, r := range requirements(t, s, "6.7") {
		if strings.HasPrefix(r.Key, "6.7/intra-system/6.6.5") {
			t.Errorf("%s: the intra-system case has no spurious limits", r.Key)
		}
	}
}

// A channel as wide as its band leaves no place for an interferer.
func TestNoPlaceForTheInterferer(t *testing.T) {
	_, err := conformance.Requirements(subject(t, "n76", 5e6, 15e3, conformance.Declaration{
		Class: conformance.LocalArea, Category: "A", Type: conformance.Type1C, RatedPower: 20}), "6.7")
	wantError(t, err, "every interferer position of 6.7")
}
