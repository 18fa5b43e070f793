package procedure

import (
	"errors"
	"fmt"
	"math"
	"reflect"
	"strings"
	"testing"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
)

// external turns traces into what somebody would hand in, one for each sweep.
func external(traces []Trace) []External {
	var out []External
	for _, t := range traces {
		out = append(out, External{Name: t.Role + ".csv", Spectrum: t.Spectrum})
	}
	return out
}

// The traces of a bench run, handed in as files, give the readings of the run.
func TestExternalGivesTheReadingsOfTheRun(t *testing.T) {
	for _, k := range kinds() {
		for _, clause := range conformance.Clauses() {
			t.Run(k.name+" "+clause, func(t *testing.T) {
				s := k.setup(t, conformance.Top)
				planned, err := Plan(clause, s)
				must(t, err)
				f := source(s, 60)
				f.seed = 3
				traces, err := Acquire(t.Context(), f, planned)
				must(t, err)
				want, err := Analyze(clause, s, traces)
				must(t, err)
				got, err := AnalyzeExternal(clause, s, external(traces))
				must(t, err)
				if len(got.Missing) > 0 || len(got.Readings) != len(want) || len(got.Requirements) != len(want) {
					t.Fatalf("%d readings for %d requirements, want %d; missing %v", len(got.Readings), len(got.Requirements), len(want), got.Missing)
				}
				for i, r := range got.Readings {
					if math.Abs(r.Value-want[i].Value) > 1e-9 || !reflect.DeepEqual(r.Series, want[i].Series) || r.Key != want[i].Key {
						t.Errorf("%s: %v, want %s: %v", r.Key, r.Value, want[i].Key, want[i].Value)
					}
				}
			})
		}
	}
}

// wide is one trace about the carrier of a setup, from low below its centre to
// high above it.
func wide(t *testing.T, s Setup, f *fake, low, high, rbw, step rf.Hertz) External {
	t.Helper()
	c := s.Subject.Carrier.Center
	spectrum, err := f.Sweep(t.Context(), rf.Sweep{
		Start: c - low, Stop: c + high, RBW: rbw, Points: int(math.Round(float64((low+high)/step))) + 1, SweepTime: 1e9,
	})
	must(t, err)
	return External{Name: "wide.csv", Spectrum: spectrum}
}

// One trace over all of it, as people take it, gives what was put in: the power,
// the width, the ratio and the levels beside the carrier.
func TestExternalFromOneTrace(t *testing.T) {
	s := kinds()[1].setup(t, conformance.Middle)
	f := source(s, 50)
	trace := []External{wide(t, s, f, 60e6, 60e6, 10e3, 5e3)}
	values := map[string]float64{}
	for _, clause := range []string{"6.2", "6.6.2", "6.6.3", "6.6.4"} {
		a, err := AnalyzeExternal(clause, s, trace)
		must(t, err)
		results, err := conformance.Judge(a.Requirements, a.Readings, conformance.DecisionRule{})
		must(t, err)
		for _, r := range results {
			values[r.Requirement.Key] = r.Value
		}
	}
	near(t, "power", values["6.2"], 46, 0.01)
	near(t, "width / MHz", values["6.6.2"]/1e6, 0.99*19.08, 0.02)
	near(t, "ratio", values["6.6.3/lower/1"], 50, 0.01)
	near(t, "second ratio", values["6.6.3/upper/2"], 50, 0.01)
	// 46 - 50 dBm over 19.08 MHz, in 100 kHz and in 1 MHz.
	near(t, "mask", values["6.6.4/upper/2"], -4-10*math.Log10(19.08e6/1e5), 0.01)
	near(t, "far mask", values["6.6.4/lower/3"], -4-10*math.Log10(19.08), 0.01)
}

// A filter as wide as the measurement bandwidth is as good as one that is
// integrated, for noise (facts/metrology.md 4.3: 0.271 dB come off).
func TestExternalThroughTheMeasurementBandwidth(t *testing.T) {
	s := kinds()[1].setup(t, conformance.Middle)
	f := source(s, 50)
	traces := []External{wide(t, s, f, 60e6, 60e6, 100e3, 50e3), wide(t, s, f, 60e6, 60e6, 1e6, 500e3)}
	a, err := AnalyzeExternal(conformance.OperatingBandClause, s, traces)
	must(t, err)
	for _, r := range a.Readings {
		if r.Key == "6.6.4/upper/2" {
			near(t, "level", r.Series.Levels[len(r.Series.Levels)/2], -4-10*math.Log10(19.08e6/1e5), 0.01)
		}
	}
	if n := len(a.Readings); n != 6 {
		t.Errorf("%d readings, want 3 segments on each side", n)
	}
}

// The refusals of a trace that cannot answer say what is missing, and by how much.
func TestExternalRefuses(t *testing.T) {
	s := kinds()[1].setup(t, conformance.Middle) // n1, 20 MHz about 2140 MHz; the mask ends at 2100 and 2180 MHz
	f := source(s, 50)
	for _, c := range []struct {
		name, clause string
		trace        External
		says         string
	}{
		// The last filter centre of the mask is 10 MHz outside the band, at 40 MHz
		// from the carrier, and its filter of 1 MHz ends half of that further.
		{"mask above", "6.6.4", wide(t, s, f, 60e6, 28.1e6, 10e3, 5e3), "span ends 12.4 MHz before the mask does"},
		{"mask below", "6.6.4", wide(t, s, f, 30.45e6, 60e6, 10e3, 5e3), "span starts 10.05 MHz after the mask does"},
		{"mask on both sides", "6.6.4", wide(t, s, f, 28.1e6, 28.1e6, 10e3, 5e3), "span starts 12.4 MHz after the mask does and span ends 12.4 MHz before the mask does"},
		{"mask through 300 kHz", "6.6.4", wide(t, s, f, 60e6, 60e6, 300e3, 100e3), "300 kHz serves no measurement bandwidth of 100 kHz"},
		{"mask with few points", "6.6.4", wide(t, s, f, 60e6, 60e6, 10e3, 10e3), "too few points for a resolution bandwidth of 10 kHz: they stand 10 kHz apart"},
		{"channel", "6.2", wide(t, s, f, 8e6, 12e6, 100e3, 50e3), "span starts 1.975 MHz after the channel does"},
		{"channel, few points", "6.2", wide(t, s, f, 12e6, 12e6, 100e3, 500e3), "too few points for a resolution bandwidth of 100 kHz"},
		{"channel, wide filter", "6.2", wide(t, s, f, 12e6, 12e6, 5e6, 1e6), "5 MHz is too wide for the power of a channel of 20 MHz; want 4 MHz"},
		{"occupied", "6.6.2", wide(t, s, f, 20e6, 15e6, 30e3, 10e3), "span ends 4.995 MHz before twice the channel bandwidth does"},
		{"neighbours", "6.6.3", wide(t, s, f, 60e6, 30e6, 100e3, 40e3), "span ends 19.52 MHz before the outermost adjacent channel does"},
		{"neighbours, wide filter", "6.6.3", wide(t, s, f, 60e6, 60e6, 300e3, 100e3), "too wide beside a carrier of 20 MHz; want 200 kHz"},
		{"spurious", "6.6.5", wide(t, s, f, 60e6, 60e6, 100e3, 50e3), "span starts 1.08 GHz after the range 1 GHz to 2.0995 GHz does"},
	} {
		_, err := AnalyzeExternal(c.clause, s, []External{c.trace})
		if !errors.Is(err, ErrNotCovered) || !strings.Contains(err.Error(), c.says) || !strings.Contains(err.Error(), "wide.csv") {
			t.Errorf("%s: got %v, want %q", c.name, err, c.says)
		}
	}
	if _, err := AnalyzeExternal("6.2", s, nil); !errors.Is(err, ErrNotCovered) {
		t.Errorf("no trace at all: %v", err)
	}
	if _, err := AnalyzeExternal("6.9", s, []External{wide(t, s, f, 1e6, 1e6, 1e5, 5e4)}); err == nil {
		t.Error("clause 6.9 was answered")
	}
	broken := wide(t, s, f, 12e6, 12e6, 100e3, 50e3)
	broken.Spectrum.Levels[7] = math.NaN()
	if _, err := AnalyzeExternal("6.2", s, []External{broken}); err == nil || !strings.Contains(err.Error(), "not a measured level") {
		t.Errorf("NaN: %v", err)
	}
}

// Of the ranges of the spurious limit those are judged that a trace reaches over,
// and the others are named; a narrow filter is integrated.
func TestExternalSpuriousRanges(t *testing.T) {
	s := kinds()[1].setup(t, conformance.Middle)
	f := &fake{floor: -200, path: s.Correction, bands: []band{{20e6, 1100e6, -20}}}
	from := func(low, high, rbw rf.Hertz) External {
		c := s.Subject.Carrier.Center
		return wide(t, s, f, c-low, high-c, rbw, rbw/2)
	}
	for _, rbw := range []rf.Hertz{100e3, 30e3} {
		a, err := AnalyzeExternal(conformance.SpuriousEmissionsClause, s, []External{from(29e6, 1050e6, rbw)})
		must(t, err)
		if len(a.Readings) != 1 || len(a.Requirements) != 1 || a.Requirements[0].Frequencies != (rf.Range{Low: 30e6, High: 1e9}) || len(a.Missing) != 4 {
			t.Fatalf("%s: readings %d, requirements %v, missing %v", rbw, len(a.Readings), a.Requirements, a.Missing)
		}
		levels := a.Readings[0].Series.Levels
		near(t, fmt.Sprintf("level through %s", rbw), levels[len(levels)/2], -20-10*math.Log10(1080e6/100e3), 0.01)
	}
}

// Figures that rest on less than a bench would take say so.
func TestExternalRemarks(t *testing.T) {
	s := kinds()[1].setup(t, conformance.Middle)
	f := source(s, 60)
	for clause, says := range map[string]string{"6.2": "smears", "6.6.2": "wants 30 kHz"} {
		rbw := rf.Hertz(1e6)
		if clause == "6.6.2" {
			rbw = 100e3
		}
		a, err := AnalyzeExternal(clause, s, []External{wide(t, s, f, 25e6, 25e6, rbw, rbw)})
		must(t, err)
		if text := strings.Join(a.Notes, "; "); !strings.Contains(text, says) || !strings.Contains(text, "a line may read low") {
			t.Errorf("%s: notes %q", clause, text)
		}
	}
}
