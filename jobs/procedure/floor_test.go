package procedure

import (
	"errors"
	"math"
	"reflect"
	"strings"
	"testing"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
	"benchyard/jobs/uncertainty"
)

// budgetOf is a budget of one part of 0.5 dB (k = 2).
func budgetOf(t *testing.T) *uncertainty.Budget {
	t.Helper()
	b, err := uncertainty.Combine([]uncertainty.Part{{Name: "analyzer level", Kind: uncertainty.Normal, Value: 0.5}})
	must(t, err)
	return &b
}

// facts/metrology.md 4.8: at D = 6 dB 1.256 dB are taken off with a sensitivity of
// 1/(1 - 10^-0.6) = 1.3354. Nearer than 3 dB nothing is taken off.
func TestFloorOfALevel(t *testing.T) {
	r := conformance.Reading{Key: "6.2", Value: -76, CarrierPower: -76, Uncertainty: 0.5, Budget: budgetOf(t)}
	noise := conformance.Reading{Key: "6.2", Value: -82, CarrierPower: -82}
	got, err := CorrectFloor("6.2", Measured{Readings: []conformance.Reading{r}}, Measured{Readings: []conformance.Reading{noise}})
	must(t, err)
	near(t, "level", got[0].Value, -77.2563, 5e-5)
	near(t, "uncertainty", got[0].Uncertainty, 0.5*1.3354, 5e-5)
	near(t, "budget", got[0].Budget.Expanded, 0.5*1.3354, 5e-5)
	near(t, "taken", got[0].Floor.Taken[0], 1.2563, 5e-5)
	if got[0].Floor.Measured[0] != -76 || got[0].Floor.Floor[0] != -82 || r.Floor != nil || r.Budget.Expanded != 0.5 {
		t.Errorf("kept %+v, handed in %+v", got[0].Floor, r)
	}
	noise.Value = -78.9
	got, err = CorrectFloor("6.2", Measured{Readings: []conformance.Reading{r}}, Measured{Readings: []conformance.Reading{noise}})
	must(t, err)
	if got[0].Value != -76 || got[0].Uncertainty != 0.5 || got[0].Floor.Taken[0] != 0 {
		t.Errorf("2.9 dB over the floor: %+v", got[0])
	}
}

// The table of facts/metrology.md 4.8 over a series, amount by D; 1 and 2 dB are
// below the least excess, and 3 and 4 dB are not corrected to less than that. The
// uncertainty of every point is at least its own and at most a tenth more; the
// sensitivities are those of the same table.
func TestFloorOfASeries(t *testing.T) {
	rows := [][2]float64{{1, 0}, {2, 0}, {3, 0}, {4, 1}, {5, 1.651}, {6, 1.256}, {8, 0.749}, {10, 0.458}, {12, 0.283}, {15, 0.140}, {20, 0.044}, {30, 0.004}}
	r := conformance.Reading{Key: "6.6.5/1", Series: &conformance.Series{}, Spans: []conformance.Span{{To: 5.5e6, Budget: budgetOf(t)}, {To: 20e6, Budget: budgetOf(t)}}}
	noise := conformance.Reading{Key: r.Key, Series: &conformance.Series{}}
	for i, row := range rows {
		r.Series.Frequencies = append(r.Series.Frequencies, float64(i+1)*1e6)
		r.Series.Levels = append(r.Series.Levels, -90+row[0])
		noise.Series.Levels = append(noise.Series.Levels, -90)
	}
	noise.Series.Frequencies = r.Series.Frequencies
	all, err := CorrectFloor("6.6.5", Measured{Readings: []conformance.Reading{r}}, Measured{Readings: []conformance.Reading{noise}})
	must(t, err)
	got := all[0]
	for i, row := range rows {
		near(t, "taken", got.Floor.Taken[i], row[1], 5.1e-4)
		near(t, "level", got.Series.Levels[i], -90+row[0]-row[1], 5.1e-4)
		if got.Floor.Measured[i] != -90+row[0] || r.Series.Levels[i] != -90+row[0] {
			t.Errorf("%g dB: the measured level is lost", row[0])
		}
	}
	at := func(f float64) float64 {
		for _, s := range got.Spans {
			if f <= float64(s.To) {
				return s.Budget.Expanded / 0.5
			}
		}
		t.Fatalf("no span at %g", f)
		return 0
	}
	for f, want := range map[float64]float64{1e6: 1, 2e6: 1, 3e6: 2.005, 6e6: 1.335, 8e6: 1.111} {
		if s := at(f); s < want-1e-3 || s > want*1.1 {
			t.Errorf("at %g Hz: uncertainty grows %g times, want %g", f, s, want)
		}
	}
	near(t, "greatest", got.Uncertainty, 0.5*2.005, 5e-4)
	if last := got.Spans[len(got.Spans)-1].To; last != 20e6 {
		t.Errorf("the uncertainty ends at %s", last)
	}
	noise.Series = &conformance.Series{Frequencies: r.Series.Frequencies[1:], Levels: noise.Series.Levels[1:]}
	if _, err := CorrectFloor("6.6.5", Measured{Readings: []conformance.Reading{r}}, Measured{Readings: []conformance.Reading{noise}}); !errors.Is(err, uncertainty.ErrFloor) {
		t.Errorf("other frequencies: %v", err)
	}
	// A point that the floor lacks lies between its neighbours, by power: halfway
	// between -90 and -80 dBm is 5.5 nW, -82.596 dBm.
	between, err := levelsAt(conformance.Series{Frequencies: []float64{1e6, 2e6, 4e6}, Levels: []float64{-70, -90, -80}}, []float64{1e6, 3e6, 4e6 + 1})
	must(t, err)
	for i, want := range []float64{-70, -82.596, -80} {
		near(t, "between", between[i], want, 5e-4)
	}
}

// The level beside a carrier of 46 dBm at a ratio of 50 dB is -4 dBm; noise of
// -14 dBm in it leaves -4.458 dBm (4.8, D = 10 dB) and a ratio of 50.458 dB. The
// carrier stays, and so does its share of the uncertainty.
func TestFloorOfARatio(t *testing.T) {
	b, err := uncertainty.Combine([]uncertainty.Part{
		{Name: "analyzer level, carrier", Kind: uncertainty.Normal, Value: 0.3},
		{Name: "analyzer level, adjacent channel", Kind: uncertainty.Normal, Value: 0.4, Sensitivity: -1},
	})
	must(t, err)
	r := conformance.Reading{Key: "6.6.3/lower/1", Value: 50, CarrierPower: 46, Uncertainty: b.Expanded, Budget: &b, Absolute: budgetOf(t)}
	// The carrier is off: what stands in its channel is noise as well.
	noise := conformance.Reading{Key: r.Key, Value: 1, CarrierPower: -13}
	got, err := CorrectFloor("6.6.3", Measured{Readings: []conformance.Reading{r}}, Measured{Readings: []conformance.Reading{noise}})
	must(t, err)
	near(t, "ratio", got[0].Value, 50.458, 5.1e-4)
	near(t, "uncertainty", got[0].Uncertainty, math.Hypot(0.3, 0.4*1.111), 5e-4)
	near(t, "uncertainty of the level", got[0].Absolute.Expanded, 0.5*1.111, 5e-4)
	if got[0].CarrierPower != 46 || got[0].Floor.Measured[0] != -4 || got[0].Floor.Floor[0] != -14 {
		t.Errorf("%+v, kept %+v", got[0], got[0].Floor)
	}
}

// A floor that is another measurement is refused, and says by what it differs.
func TestFloorRefusals(t *testing.T) {
	trace := func() Trace {
		return Trace{Role: "carrier", Sweep: rf.Sweep{RBW: 1e5, Attenuation: 10}, Spectrum: rf.Spectrum{Start: 1e9, Step: 5e4, RBW: 1e5, Levels: make([]float64, 101)}}
	}
	readings := []conformance.Reading{{Key: "6.2", Value: -70}}
	for says, change := range map[string]func(*Trace){
		"an attenuation of 20":                func(f *Trace) { f.Sweep.Attenuation = 20 },
		"through a filter of 30 kHz":          func(f *Trace) { f.Sweep.RBW = 3e4 },
		"another gate":                        func(f *Trace) { f.Sweep.Gate = &rf.Gate{} },
		"in 100 points, the level":            func(f *Trace) { f.Spectrum.Levels = f.Spectrum.Levels[1:] },
		"it runs from 1.001 GHz":              func(f *Trace) { f.Spectrum.Start += 1e6 },
		"a filter of 50 kHz":                  func(f *Trace) { f.Spectrum.RBW = 5e4 },
		"10 averages of 0s, the level with 0": func(f *Trace) { f.Sweep.Averages = 10 },
		"a video bandwidth of 1 kHz":          func(f *Trace) { f.Sweep.VBW = 1e3 },
		"noise bandwidth of 90 kHz":           func(f *Trace) { f.Spectrum.NoiseBandwidth = 9e4 },
		`no sweep "carrier"`:                  func(f *Trace) { f.Role = "other" },
	} {
		floor := trace()
		change(&floor)
		_, err := CorrectFloor("6.2", Measured{[]Trace{trace()}, readings}, Measured{[]Trace{floor}, []conformance.Reading{{Key: "6.2", Value: -90}}})
		if !errors.Is(err, uncertainty.ErrFloor) || !strings.Contains(err.Error(), says) {
			t.Errorf("want %q, got %v", says, err)
		}
	}
	near := Measured{Readings: []conformance.Reading{{Key: "6.2", Value: -69.2}}} // noise that scattered
	if _, err := CorrectFloor("6.2", Measured{Readings: readings}, near); err != nil {
		t.Error(err)
	}
	above := Measured{Readings: []conformance.Reading{{Key: "6.2", Value: -65.8}}}
	if _, err := CorrectFloor("6.2", Measured{Readings: readings}, above); !errors.Is(err, uncertainty.ErrFloor) || !strings.Contains(err.Error(), "it stands 4.20 dB above the level") {
		t.Errorf("a floor above the level: %v", err)
	}
	for name, noise := range map[string][]conformance.Reading{"none": nil, "another": {{Key: "6.2/2", Value: -90}}, "no level": {{Key: "6.2", Value: math.NaN()}}} {
		if _, err := CorrectFloor("6.2", Measured{Readings: readings}, Measured{Readings: noise}); !errors.Is(err, uncertainty.ErrFloor) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := CorrectFloor("6.6.2", Measured{}, Measured{}); !errors.Is(err, uncertainty.ErrFloor) {
		t.Errorf("occupied bandwidth: %v", err)
	}
}

// What the unit makes is found again under the noise of the analyzer in every
// clause: the figures of a quiet analyzer come out within a hundredth of a
// decibel, those of the width are as measured.
func TestFloorOfExternalTraces(t *testing.T) {
	s := kinds()[1].setup(t, conformance.Middle)
	quiet, noisy := source(s, 50), source(s, 50)
	quiet.floor = -220
	// 10 dB under what the path leaves of the emissions.
	noisy.floor = -4 - 10*math.Log10(19.08e6) - 10
	loss, _, err := s.Correction.At(s.Subject.Carrier.Center)
	must(t, err)
	noisy.floor -= float64(loss)
	dark := &fake{floor: noisy.floor, path: s.Correction}
	clean, raw, floor := wide(t, s, quiet, 60e6, 60e6, 10e3, 5e3), wide(t, s, noisy, 60e6, 60e6, 10e3, 5e3), wide(t, s, dark, 60e6, 60e6, 10e3, 5e3)
	for clause, tolerance := range map[string]float64{"6.2": 0.01, "6.6.2": math.Inf(1), "6.6.3": 0.01, "6.6.4": 0.01} {
		want, err := AnalyzeExternal(clause, s, []External{clean})
		must(t, err)
		measured, err := AnalyzeExternal(clause, s, []External{raw})
		must(t, err)
		both := raw
		both.Floor = &floor.Spectrum
		got, err := AnalyzeExternal(clause, s, []External{both})
		must(t, err)
		results, err := conformance.Judge(got.Requirements, got.Readings, conformance.DecisionRule{})
		must(t, err)
		for i, r := range got.Readings {
			if clause == "6.6.2" {
				if !reflect.DeepEqual(r, measured.Readings[i]) || !strings.Contains(strings.Join(got.Notes, ";"), "never taken out") {
					t.Errorf("occupied bandwidth %+v, notes %q", r, got.Notes)
				}
				continue
			}
			a, b := r.Value, want.Readings[i].Value
			if r.Series != nil {
				a, b = r.Series.Levels[len(r.Series.Levels)/2], want.Readings[i].Series.Levels[len(r.Series.Levels)/2]
			}
			near(t, r.Key, a, b, tolerance)
			if r.Floor == nil || !strings.Contains(results[i].Note, "noise floor taken off") || measured.Readings[i].Floor != nil {
				t.Errorf("%s: note %q", r.Key, results[i].Note)
			}
		}
	}
	half := raw
	half.Floor = &floor.Spectrum
	if _, err := AnalyzeExternal("6.2", s, []External{half, raw}); !errors.Is(err, uncertainty.ErrFloor) {
		t.Errorf("one of two with a floor: %v", err)
	}
}
