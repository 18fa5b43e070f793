package procedure

import (
	"math"
	"testing"
	"time"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
	"benchyard/jobs/uncertainty"
)

// wellKnown is a bench of which everything is known.
var wellKnown = Accuracy{Level: 0.3, InputSWR: 1.4, PathSWR: 1.2, OutputSWR: 1.5, Repeatability: 0.02, Repeats: 10}

// partsOf returns the standard uncertainties of a budget by name.
func partsOf(b *uncertainty.Budget) map[string]float64 {
	out := map[string]float64{}
	for _, p := range b.Parts {
		out[p.Name] = p.Standard
	}
	return out
}

// Every part of a level stands in its budget: mismatch 1.2/1.4 is 0.0931 dB
// (facts/metrology.md 2.5), 1.5/1.2 8.6859*0.2*0.090909/sqrt(2) = 0.1117 dB,
// scatter 4.343/sqrt(n) dB (2.4, 4.4).
func TestLevelBudget(t *testing.T) {
	s := Setup{Accuracy: wellKnown}
	b, err := s.levelBudget(pathKnown{expanded: 0.2}, 2000)
	if err != nil {
		t.Fatal(err)
	}
	sum := 0.0
	for name, want := range map[string]float64{
		"path correction": 0.1, "analyzer level": 0.15, "mismatch unit to path": 0.1117, "mismatch path to analyzer": 0.0931,
		"repeatability of the connection": 0.02, "scatter of the signal": 0.0971,
	} {
		near(t, name+" / dB", partsOf(b)[name], want, 5.1e-5)
		sum += want * want
	}
	near(t, "parts", float64(len(b.Parts)), 6, 0)
	near(t, "combined / dB", b.Combined, math.Sqrt(sum), 1e-4)
	// Welch-Satterthwaite: only the repeatability has few degrees of freedom.
	near(t, "degrees of freedom", b.EffectiveDoF, math.Pow(b.Combined, 4)/(math.Pow(0.02, 4)/9), 1)
	near(t, "k", b.Coverage, 2, 1e-4)
}

// What is not known adds nothing, and what is known wrongly is refused.
func TestBudgetOfALittleKnownBench(t *testing.T) {
	b, err := Setup{}.levelBudget(pathKnown{expanded: 0.2}, 0)
	if err != nil || len(b.Parts) != 1 {
		t.Fatalf("%+v, %v", b, err)
	}
	near(t, "expanded / dB", b.Expanded, 0.2, 1e-12)
	for _, a := range []Accuracy{{InputSWR: 0.5, PathSWR: 1.2}, {OutputSWR: 1.2, PathSWR: -1}} {
		if _, err := (Setup{Accuracy: a}).levelBudget(pathKnown{expanded: 0.2}, 0); err == nil {
			t.Errorf("%+v gives a budget", a)
		}
	}
}

// The samples a figure rests on follow from its sweep as they were planned.
func TestSamplesOfAPlan(t *testing.T) {
	s := kinds()[0].setup(t, conformance.Middle)
	for clause, want := range map[string]float64{conformance.OutputPowerClause: float64(powerSamples), conformance.OperatingBandClause: float64(emissionSamples)} {
		planned, err := Plan(clause, s)
		if err != nil {
			t.Fatal(err)
		}
		bandwidth := s.Subject.Carrier.Bandwidth
		if clause == conformance.OperatingBandClause {
			bandwidth = 100e3
		}
		// A sweep that the filter makes slower than the scatter asks for has more.
		if n := (Trace{Sweep: planned[0].Sweep}).samplesIn(bandwidth); n < 0.99*want {
			t.Errorf("%s rests on %.0f samples, planned were %.0f", clause, n, want)
		}
	}
	if n := (Trace{Sweep: rf.Sweep{Points: 11, Stop: 10, RBW: 1}}).samplesIn(5); n != 0 {
		t.Errorf("a sweep of no time has %g samples", n)
	}
	w := rf.Sweep{Points: 11, Stop: 10e3, RBW: 1e3, SweepTime: 1100 * time.Millisecond, Averages: 2}
	near(t, "one point", (Trace{Sweep: w}).samplesIn(0), 200, 1e-9)
	near(t, "five steps", (Trace{Sweep: w}).samplesIn(5e3), 1000, 1e-9)
}

// Every reading of every clause has its budget, and the demo's kind of bench
// stays below what TS 38.141-1 4.1.2 permits, so that nothing is tightened.
func TestEveryReadingHasABudget(t *testing.T) {
	for _, k := range kinds() {
		for _, clause := range conformance.Clauses() {
			s := k.setup(t, conformance.Middle)
			s.Accuracy = wellKnown
			f := source(s, 60)
			for key, r := range measure(t, clause, s, f) {
				switch {
				case r.Budget == nil || len(r.Budget.Parts) < 2 || r.Budget.Expanded != r.Uncertainty:
					t.Errorf("%s %s: budget %+v", k.name, key, r.Budget)
				case r.MaxUncertainty == nil || r.Uncertainty >= *r.MaxUncertainty || r.Tightened != 0:
					t.Errorf("%s %s: uncertainty %g, permitted %v", k.name, key, r.Uncertainty, r.MaxUncertainty)
				case r.Probability == nil:
					t.Errorf("%s %s has no conformance probability", k.name, key)
				}
			}
		}
	}
}

// The budget of a series changes where the table of the path does, equal
// neighbours together.
func TestSpansOfASeries(t *testing.T) {
	s := Setup{Correction: rf.Correction{
		{Frequency: 1e9, Loss: 40, Uncertainty: 0.2}, {Frequency: 2e9, Loss: 40, Uncertainty: 0.2}, {Frequency: 3e9, Loss: 40, Uncertainty: 0.2},
		{Frequency: 4e9, Loss: 40, Uncertainty: 0.5}, {Frequency: 5e9, Loss: 40, Uncertainty: 0.3}, {Frequency: 9e9, Loss: 40, Uncertainty: 0.3},
	}}
	spans, greatest, err := s.spans(rf.Range{Low: 1.5e9, High: 6e9}, 0)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "greatest / dB", greatest, 0.5, 1e-12)
	want := []struct {
		to rf.Hertz
		u  float64
	}{{3e9, 0.2}, {5e9, 0.5}, {6e9, 0.3}}
	if len(spans) != len(want) {
		t.Fatalf("%d spans: %+v", len(spans), spans)
	}
	for i, w := range want {
		near(t, "end / Hz", float64(spans[i].To), float64(w.to), 0)
		near(t, "expanded / dB", spans[i].Budget.Expanded, w.u, 1e-12)
	}
	if _, _, err := s.spans(rf.Range{Low: 0.5e9, High: 6e9}, 0); err == nil {
		t.Error("a span is known where the path is not")
	}
}

// What straight lines between the rows of a table miss: an eighth of the second
// difference where rows are equally far apart (facts/metrology.md 2.6), never
// more than a row itself lies beside the line through its neighbours.
func TestBetweenTheRowsOfATable(t *testing.T) {
	even := rf.Correction{{Frequency: 1e9, Loss: 40}, {Frequency: 2e9, Loss: 40.4}, {Frequency: 3e9, Loss: 40.6}, {Frequency: 4e9, Loss: 40.8}}
	near(t, "bent / dB", float64(betweenRows(even, rf.Range{Low: 1.2e9, High: 1.3e9})), 0.2/8, 1e-12)
	near(t, "straight / dB", float64(betweenRows(even, rf.Range{Low: 3.1e9, High: 3.9e9})), 0, 1e-12)
	uneven := rf.Correction{{Frequency: 1e9, Loss: 40}, {Frequency: 1.001e9, Loss: 40.05}, {Frequency: 2e9, Loss: 40}}
	near(t, "scatter of near rows / dB", float64(betweenRows(uneven, rf.Range{Low: 1.5e9, High: 1.6e9})), 0.05, 2e-4)
	near(t, "two rows / dB", float64(betweenRows(even[:2], rf.Range{Low: 1e9, High: 2e9})), 0, 0)
	s := Setup{Correction: even}
	path, err := s.pathIn(rf.Range{Low: 1.2e9, High: 1.3e9})
	if err != nil {
		t.Fatal(err)
	}
	b, err := s.levelBudget(path, 0)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "in the budget / dB", partsOf(b)["path between the rows of its table"], 0.025/math.Sqrt(3), 1e-12)
}

// Both crossings lie within a step (rectangular, step/sqrt(12)) and move with
// the scatter of the 0.5 % beyond them.
func TestWidthBudget(t *testing.T) {
	b, err := widthBudget(15e3, 98e6, 400)
	if err != nil {
		t.Fatal(err)
	}
	one := math.Hypot(15e3/math.Sqrt(12), 0.005*98e6/20)
	near(t, "expanded / Hz", b.Expanded, 2*math.Sqrt2*one, 1e-6*b.Expanded)
}
