package calibration

import (
	"math"
	"math/rand/v2"
	"testing"

	"benchyard/instruments/rf"
)

// usual is the equipment of a laboratory: an eighth of a decibel at the power meter.
var usual = Equipment{
	Meter: 0.12, Linearity: 0.1, GeneratorSWR: 1.5, MeterSWR: 1.2, PathSWR: 1.15, AnalyzerSWR: 1.3,
	Repeatability: 0.02, Repeats: 10,
}

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %g, want %g within %g", what, got, want, tolerance)
	}
}

// The budget after JCGM 100, by hand: 0.12/2 and 0.1/2; mismatch 8.68589 rho rho / sqrt 2
// (metrology: arcsine) of SWR 1.5|1.2, 1.5|1.15, 1.15|1.3; 0.02 of connections;
// repeated readings 10 +- 0.01 (s = 0.01, n = 3).
func TestBudgetOfOneRow(t *testing.T) {
	rows, err := Losses([]Reading{{Frequency: 1e9, Meter: []float64{9.99, 10, 10.01}, Analyzer: []float64{-30.01, -30, -29.99}}}, usual)
	if err != nil {
		t.Fatal(err)
	}
	rho := func(swr float64) float64 { return (swr - 1) / (swr + 1) }
	sum := 0.0
	for _, u := range []float64{0.06, 0.05,
		8.68589 * rho(1.5) * rho(1.2) / math.Sqrt2, 8.68589 * rho(1.5) * rho(1.15) / math.Sqrt2, 8.68589 * rho(1.15) * rho(1.3) / math.Sqrt2,
		0.02, 0.01 / math.Sqrt(3), 0.01 / math.Sqrt(3)} {
		sum += u * u
	}
	near(t, "loss", float64(rows[0].Loss), 40, 1e-9)
	near(t, "combined", rows[0].Budget.Combined, math.Sqrt(sum), 1e-6)
	near(t, "expanded", float64(rows[0].Uncertainty), rows[0].Budget.Expanded, 1e-4)
	if rows[0].Budget.Coverage < 2 || rows[0].Budget.Coverage > 2.01 {
		t.Errorf("coverage factor %g", rows[0].Budget.Coverage)
	}
}

// A parabola of second difference 0.08 dB bends by 0.01 dB between its rows
// (metrology: |d2|/8 at equal spacing).
func TestBend(t *testing.T) {
	rows := make([]Row, 5)
	for i := range rows {
		rows[i].Frequency, rows[i].Loss = rf.Hertz(i)*1e6, rf.DB(0.04*float64(i*i))
	}
	for i := range rows {
		near(t, "bend", bend(rows, i), 0.01, 1e-12)
	}
}

// Measurements with errors drawn from what the budget says they are cover the
// true loss, at the rows and between them, in at least 95 % of the tables.
func TestCoverage(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 9))
	truth := func(f float64) float64 {
		return 40 + 1.2*math.Sqrt(f/10e9) + 0.05*math.Sin(2*math.Pi*f/4e9)
	}
	rho := func(swr float64) float64 { return (swr - 1) / (swr + 1) }
	mismatch := func(a, b float64) float64 {
		return 20 / math.Ln10 * rho(a) * rho(b) * math.Cos(2*math.Pi*r.Float64())
	}
	const tables, points = 2000, 9
	inside, seen := 0, 0
	for range tables {
		var readings []Reading
		meter, linearity, connection := 0.06*r.NormFloat64(), 0.05*r.NormFloat64(), 0.02*r.NormFloat64()
		m1, m2, m3 := mismatch(1.5, 1.2), mismatch(1.5, 1.15), mismatch(1.15, 1.3)
		for i := range points {
			f := 3e9 + 1e9*float64(i)/(points-1)
			one := Reading{Frequency: rf.Hertz(f)}
			for range 4 {
				one.Meter = append(one.Meter, meter+m1+0.01*r.NormFloat64())
				one.Analyzer = append(one.Analyzer, -truth(f)+linearity+m2+m3+connection+0.01*r.NormFloat64())
			}
			readings = append(readings, one)
		}
		rows, err := Table(readings, usual)
		if err != nil {
			t.Fatal(err)
		}
		f := 3e9 + 1e9*r.Float64()
		loss, u, err := Correction(rows).At(rf.Hertz(f))
		if err != nil {
			t.Fatal(err)
		}
		if seen++; math.Abs(float64(loss)-truth(f)) <= float64(u) {
			inside++
		}
	}
	// Wider than 2000 draws scatter about 95.45 %, and the arcsine parts have no
	// tails; but not so wide that the uncertainty says nothing.
	if share := float64(inside) / float64(seen); share < 0.94 || share > 0.99 {
		t.Errorf("%.3f of the tables cover the true loss", share)
	}
}

func TestWhatIsNoMeasurement(t *testing.T) {
	good := Reading{Frequency: 1e9, Meter: []float64{0, 0}, Analyzer: []float64{-40, -40}}
	with := func(change func(*Reading)) []Reading {
		r := good
		change(&r)
		return []Reading{r}
	}
	for name, readings := range map[string][]Reading{
		"gain":         with(func(r *Reading) { r.Analyzer = []float64{0.5, 0.5} }),
		"one reading":  with(func(r *Reading) { r.Meter = []float64{0} }),
		"not a number": with(func(r *Reading) { r.Analyzer = []float64{math.NaN(), 0} }),
		"twice":        {good, good},
	} {
		if rows, err := Losses(readings, usual); err == nil {
			t.Errorf("%s: got %v", name, rows)
		}
	}
	for name, change := range map[string]func(*Equipment){
		"no power meter": func(e *Equipment) { e.Meter = 0 },
		"no linearity":   func(e *Equipment) { e.Linearity = 0 },
		"no SWR":         func(e *Equipment) { e.AnalyzerSWR = 0 },
	} {
		e := usual
		change(&e)
		if _, err := Losses([]Reading{good}, e); err == nil {
			t.Errorf("%s: want an error", name)
		}
	}
	if _, err := Table([]Reading{good}, usual); err == nil {
		t.Error("a table of one row: want an error")
	}
}

func TestCompare(t *testing.T) {
	before := rf.Correction{{Frequency: 1e9, Loss: 40, Uncertainty: 0.3}, {Frequency: 3e9, Loss: 41, Uncertainty: 0.3}}
	after := rf.Correction{{Frequency: 1e9, Loss: 40.1, Uncertainty: 0.4}, {Frequency: 2e9, Loss: 41.5, Uncertainty: 0.4}}
	c := Compare(before, after)
	if len(c.Rows) != 2 || !c.Narrower || c.Greatest == nil || c.Greatest.Frequency != 2e9 {
		t.Fatalf("got %+v", c)
	}
	near(t, "difference", float64(c.Greatest.Difference), 1, 1e-9) // 41.5 against 40.5, halfway
	near(t, "uncertainty", float64(c.Greatest.Uncertainty), 0.5, 1e-9)
	near(t, "ratio", c.Greatest.Ratio, 2, 1e-9)
	if c := Compare(before, before); c.Narrower || c.Greatest.Ratio != 0 {
		t.Errorf("with itself: %+v", c)
	}
}

func TestCheckAgainstATable(t *testing.T) {
	table := rf.Correction{{Frequency: 1e9, Loss: 40, Uncertainty: 0.2}, {Frequency: 3e9, Loss: 42, Uncertainty: 0.2}}
	row := func(f rf.Hertz, loss rf.DB) Row {
		return Row{CorrectionPoint: rf.CorrectionPoint{Frequency: f, Loss: loss, Uncertainty: 0.1}}
	}
	for loss, want := range map[rf.DB]bool{41.25: true, 40.75: true, 41.35: false, 40.65: false} {
		rows, passed, err := Check(table, []Row{row(1e9, 40), row(2e9, loss)}, CheckLimit)
		if err != nil || passed != want || len(rows) != 2 {
			t.Errorf("%s: got %v %v %v", loss, passed, rows, err)
		}
	}
	if _, _, err := Check(table, []Row{row(4e9, 40)}, CheckLimit); err == nil {
		t.Error("outside the table: want an error")
	}
	if _, _, err := Check(table, nil, CheckLimit); err == nil {
		t.Error("no frequency: want an error")
	}
}

func TestGridAndFew(t *testing.T) {
	f, err := Grid(1e9, 2e9, 5)
	if err != nil || len(f) != 5 || f[0] != 1e9 || f[1] != 1.25e9 || f[4] != 2e9 {
		t.Errorf("got %v, %v", f, err)
	}
	for _, bad := range [][3]float64{{2e9, 1e9, 5}, {0, 1e9, 5}, {1e9, 2e9, 2}, {1e9, 2e9, 1e6}, {1e9, 1e9 + 3, 5}} {
		if f, err := Grid(rf.Hertz(bad[0]), rf.Hertz(bad[1]), int(bad[2])); err == nil {
			t.Errorf("%v: got %v", bad, f)
		}
	}
	var table rf.Correction
	for i := range 9 {
		table = append(table, rf.CorrectionPoint{Frequency: rf.Hertz(i + 1)})
	}
	if got := Few(table, 5); len(got) != 5 || got[0] != 1 || got[2] != 5 || got[4] != 9 {
		t.Errorf("got %v", got)
	}
	if got := Few(table[:2], 5); len(got) != 2 {
		t.Errorf("got %v", got)
	}
}
