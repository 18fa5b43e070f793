package statistics

import (
	"errors"
	"math"
	"testing"
)

// manual is the data set of the industry's manual on measurement systems: ten
// parts, three appraisers, three trials (metrology sheet 3.5).
func manual() [][][]float64 {
	rows := [3][3][10]float64{
		{{0.29, -0.56, 1.34, 0.47, -0.80, 0.02, 0.59, -0.31, 2.26, -1.36}, {0.41, -0.68, 1.17, 0.50, -0.92, -0.11, 0.75, -0.20, 1.99, -1.25}, {0.64, -0.58, 1.27, 0.64, -0.84, -0.21, 0.66, -0.17, 2.01, -1.31}},
		{{0.08, -0.47, 1.19, 0.01, -0.56, -0.20, 0.47, -0.63, 1.80, -1.68}, {0.25, -1.22, 0.94, 1.03, -1.20, 0.22, 0.55, 0.08, 2.12, -1.62}, {0.07, -0.68, 1.34, 0.20, -1.28, 0.06, 0.83, -0.34, 2.19, -1.50}},
		{{0.04, -1.38, 0.88, 0.14, -1.46, -0.29, 0.02, -0.46, 1.77, -1.49}, {-0.11, -1.13, 1.09, 0.20, -1.07, -0.67, 0.01, -0.56, 1.45, -1.77}, {-0.15, -0.96, 0.67, 0.11, -1.45, -0.49, 0.21, -0.49, 1.87, -2.16}},
	}
	parts := make([][][]float64, 10)
	for part := range parts {
		for _, appraiser := range rows {
			var cell []float64
			for _, trial := range appraiser {
				cell = append(cell, trial[part])
			}
			parts[part] = append(parts[part], cell)
		}
	}
	return parts
}

func TestGaugeAgainstThePublishedStudy(t *testing.T) {
	g, err := MeasureGauge(manual(), Pooling)
	if err != nil {
		t.Fatal(err)
	}
	if !g.Pooled || g.Categories() != 4 {
		t.Errorf("pooled %t, categories %d; want true and 4", g.Pooled, g.Categories())
	}
	measuring := g.Measuring()
	for _, row := range []struct { // published, then computed to more digits, metrology sheet 3.5
		what                 string
		got, want, tolerance float64
	}{
		{"SS part", g.Unit.SumOfSquares, 88.36193, 5.1e-6}, {"SS operator", g.Bench.SumOfSquares, 3.16726, 5.1e-6},
		{"SS repeatability", g.Interaction.SumOfSquares + g.Error.SumOfSquares, 3.11792, 5.1e-6}, {"SS total", g.Total.SumOfSquares, 94.64711, 5.1e-6},
		{"SS part", g.Unit.SumOfSquares, 88.361934, 5.1e-7}, {"SS operator", g.Bench.SumOfSquares, 3.167262, 5.1e-7}, {"SS total", g.Total.SumOfSquares, 94.647112, 5.1e-7},
		{"interaction F", g.InteractionF, 0.433721, 5.1e-7}, {"interaction p", g.InteractionP, 0.974106, 5.1e-7},
		{"repeatability", g.Repeatability, 0.0399733, 5.1e-8}, {"operator", g.Reproduced, 0.0514553, 5.1e-8}, {"GRR", measuring, 0.0914285, 5.1e-8},
		{"part", g.UnitVariance, 1.0864466, 5.1e-8}, {"total", g.Seen(), 1.1778751, 5.1e-8},
		{"contribution", 100 * g.Contribution(measuring), 7.762159, 5.1e-7},
		{"SD GRR", math.Sqrt(measuring), 0.302372, 5.1e-7}, {"PV", math.Sqrt(g.UnitVariance), 1.042327, 5.1e-7}, {"TV", math.Sqrt(g.Seen()), 1.085300, 5.1e-7},
		{"study GRR", 100 * g.StudyVariation(measuring), 27.86065, 5.1e-6}, {"study repeatability", 100 * g.StudyVariation(g.Repeatability), 18.42, 5.1e-3},
		{"study reproducibility", 100 * g.StudyVariation(g.Reproducibility()), 20.90, 5.1e-3}, {"study part", 100 * g.StudyVariation(g.UnitVariance), 96.04, 5.1e-3},
	} {
		checkNear(t, row.what, row.got, row.want, row.tolerance)
	}
	if sum := g.Unit.Freedom + g.Bench.Freedom + g.Interaction.Freedom + g.Error.Freedom; sum != 89 || g.Total.Freedom != 89 {
		t.Errorf("degrees of freedom add to %d of %d, want 89", sum, g.Total.Freedom)
	}
	g, err = MeasureGauge(manual(), 1)
	if err != nil || g.Pooled || g.Crossed != 0 {
		t.Errorf("not pooled: %+v, %v", g, err)
	}
	checkNear(t, "unpooled repeatability", g.Repeatability, 0.0459822, 5.1e-8)
	checkNear(t, "unpooled operator", g.Reproduced, 0.0521229, 5.1e-8)
	checkNear(t, "unpooled part, 1.08867214 in exact fractions; the sheet rounds up", g.UnitVariance, 1.08867214, 5.1e-9)
}

// A study made of known effects gives them back: units, benches and their
// crossing by closed form, with repeats that differ by exactly one step.
func TestGaugeFindsWhatWasPutIn(t *testing.T) {
	const step = 0.2
	readings := make([][][]float64, 2)
	for i := range readings {
		readings[i] = make([][]float64, 2)
		for j := range readings[i] {
			x := -20 + 5*sign(i) + 0.5*sign(j) + 0.25*sign(i)*sign(j)
			readings[i][j] = []float64{x - step, x + step}
		}
	}
	g, err := MeasureGauge(readings, 0.05)
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range []struct {
		what      string
		got, want float64
	}{
		{"SS unit", g.Unit.SumOfSquares, 8 * 25}, {"SS bench", g.Bench.SumOfSquares, 8 * 0.25}, {"SS interaction", g.Interaction.SumOfSquares, 8 * 0.0625},
		{"SS error", g.Error.SumOfSquares, 8 * step * step}, {"mean", g.Mean, -20}, {"bench 1", g.BenchDeviation[0], -0.5}, {"bench 2", g.BenchDeviation[1], 0.5},
	} {
		checkNear(t, row.what, row.got, row.want, 1e-12)
	}
	for i, bad := range [][][][]float64{nil, {{{1, 2}, {1, 2}}}, {{{1}, {2}}, {{3}, {4}}}, {{{1, 2}, {1, 2}}, {{1, 2}}}, {{{1, 2}, {1, 2}}, {{1, 2}, {1}}}, {{{1, 1}, {1, 1}}, {{1, 1}, {1, 1}}}} {
		if _, err := MeasureGauge(bad, Pooling); err == nil {
			t.Errorf("study %d accepted", i)
		}
	}
}

func sign(i int) float64 { return float64(2*i - 1) }

// Exact repeats: measuring adds nothing, and every unit is told apart.
func TestGaugeWithoutAnyError(t *testing.T) {
	g, err := MeasureGauge([][][]float64{{{1, 1}, {1, 1}}, {{2, 2}, {2, 2}}}, Pooling)
	if err != nil || g.Measuring() != 0 || g.Categories() != math.MaxInt32 || math.IsNaN(g.InteractionP) {
		t.Errorf("%+v, %v: measuring %v, categories %d", g, err, g.Measuring(), g.Categories())
	}
}

// NIST e-Handbook 1.3.5.17.1 and metrology sheet 3.6.
func eight() []float64 {
	return []float64{199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57}
}

func TestGrubbs(t *testing.T) {
	// One step at twice the level is Grubbs' test on one side, at the level itself that on both.
	steps, n, err := ESD(eight(), 1, 0.10)
	if err != nil || n != 1 || steps[0].Index != 7 {
		t.Fatalf("%+v, %d, %v", steps, n, err)
	}
	checkNear(t, "G, published 2.4687", steps[0].Distance, 2.468765, 5.1e-7)
	checkNear(t, "critical, published 2.0317", steps[0].Critical, 2.031652, 5.1e-7)
	steps, _, _ = ESD(eight(), 1, 0.05)
	checkNear(t, "critical on both sides", steps[0].Critical, 2.126645, 5.1e-7)
	if steps, n, err := ESD([]float64{1, 1, 1}, 1, 0.05); err != nil || n != 0 || len(steps) != 0 {
		t.Errorf("equal values: %+v, %d, %v", steps, n, err)
	}
	if _, _, err := ESD(eight()[:2], 1, 0.05); !errors.Is(err, ErrTooFew) {
		t.Errorf("two values: %v", err)
	}
}

func TestESDAgainstTheHandbook(t *testing.T) {
	xs := []float64{-0.25, 0.68, 0.94, 1.15, 1.20, 1.26, 1.26, 1.34, 1.38, 1.43, 1.49, 1.49, 1.55, 1.56, 1.58, 1.65, 1.69, 1.70, 1.76, 1.77,
		1.81, 1.91, 1.94, 1.96, 1.99, 2.06, 2.09, 2.10, 2.14, 2.15, 2.23, 2.24, 2.26, 2.35, 2.37, 2.40, 2.47, 2.54, 2.62, 2.64, 2.90, 2.92,
		2.92, 2.93, 3.21, 3.26, 3.30, 3.59, 3.68, 4.30, 4.64, 5.34, 5.42, 6.01} // NIST e-Handbook 1.3.5.17.3
	steps, outliers, err := ESD(xs, 10, 0.05)
	if err != nil || outliers != 3 || len(steps) != 10 {
		t.Fatalf("%d outliers in %d steps, want 3 in 10 (%v)", outliers, len(steps), err)
	}
	for i, want := range [][2]float64{{3.118906, 3.158794}, {2.942973, 3.151430}, {3.179424, 3.143890}, {2.810181, 3.136165}, {2.815580, 3.128247},
		{2.848172, 3.120128}, {2.279327, 3.111796}, {2.310366, 3.103243}, {2.101581, 3.094456}, {2.067178, 3.085425}} {
		checkNear(t, "R", steps[i].Distance, want[0], 5.1e-7)
		checkNear(t, "lambda", steps[i].Critical, want[1], 5.1e-7)
	}
	if steps[0].Index != 53 || steps[1].Index != 52 || steps[2].Index != 51 {
		t.Errorf("outliers at %d, %d, %d; want the last three", steps[0].Index, steps[1].Index, steps[2].Index)
	}
	steps, outliers, err = ESD([]float64{5, 5, 5, 9, 5}, 3, 0.05)
	if err != nil || outliers != 1 || len(steps) != 1 || steps[0].Index != 3 {
		t.Errorf("one value among equals: %v, %d, %v", steps, outliers, err)
	}
}

func TestRobustScores(t *testing.T) {
	scores, err := RobustScores(eight())
	if err != nil {
		t.Fatal(err)
	}
	median, _ := Median(eight())
	checkNear(t, "median", median, 201.37, 1e-12)
	checkNear(t, "the last of eight", scores[7], 29.963, 5.1e-4) // MAD 0.995
	for _, z := range scores[:7] {
		if math.Abs(z) > 1.3965 {
			t.Errorf("score %v, the sheet has at most 1.396", z)
		}
	}
	if _, err := RobustScores([]float64{1, 1, 1, 2}); !errors.Is(err, ErrNoSpread) {
		t.Errorf("no scale: %v", err)
	}
}

// tally counts runs of values that are equal but for rounding.
func tally(sorted []float64) (counts []int) {
	for i, x := range sorted {
		if i == 0 || x-sorted[i-1] > 1e-9 {
			counts = append(counts, 0)
		}
		counts[len(counts)-1]++
	}
	return counts
}
