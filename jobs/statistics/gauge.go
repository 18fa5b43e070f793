package statistics

import (
	"fmt"
	"math"
)

// Pooling is the usual p value of the interaction above which it is taken for
// part of the repeatability.
const Pooling = 0.25

// Gauge is a crossed study of repeatability and reproducibility: every unit
// measured on every bench several times. It parts what is seen into what the
// units differ in and what measuring adds. Variances are in the square of the
// unit of the readings; one that comes out negative is zero.
type Gauge struct {
	Units, Benches, Repeats int
	Mean                    float64 // of all readings

	// The analysis of variance as computed, before any pooling.
	Unit, Bench, Interaction, Error, Total Source

	InteractionF, InteractionP float64
	Pooled                     bool // the interaction was taken into the repeatability

	Repeatability  float64 // variance of the same unit on the same bench
	Crossed        float64 // variance of unit × bench: benches that differ for some units only; 0 when pooled
	Reproduced     float64 // variance from bench to bench
	UnitVariance   float64
	BenchDeviation []float64 // of each bench's mean from the mean of all, in the unit of the readings
}

// MeasureGauge analyses readings[unit][bench][repeat]. It needs two units, two
// benches and two repeats everywhere; pooling is the p value of the interaction
// above which it is pooled: Pooling as a rule, 1 for never.
func MeasureGauge(readings [][][]float64, pooling float64) (Gauge, error) {
	g, all, err := shape(readings)
	if err != nil {
		return Gauge{}, err
	}
	if err := usable("a gauge study", all, g.Units*g.Benches*g.Repeats); err != nil {
		return Gauge{}, err
	}
	whole, err := Summarize(all)
	if err != nil {
		return Gauge{}, err
	}
	if whole.SD == 0 {
		return Gauge{}, fmt.Errorf("statistics: a gauge study: %w", ErrNoSpread)
	}
	g.Mean = whole.Mean
	g.sums(readings)
	g.components(pooling)
	return g, nil
}

func shape(readings [][][]float64) (g Gauge, all []float64, err error) {
	g.Units = len(readings)
	if g.Units > 0 {
		g.Benches = len(readings[0])
	}
	if g.Benches > 0 {
		g.Repeats = len(readings[0][0])
	}
	if min(g.Units, g.Benches, g.Repeats) < 2 {
		return g, nil, fmt.Errorf("statistics: a gauge study needs two units, two benches and two repeats; there are %d, %d and %d: %w",
			g.Units, g.Benches, g.Repeats, ErrTooFew)
	}
	for i, unit := range readings {
		for j, cell := range unit {
			if len(unit) != g.Benches || len(cell) != g.Repeats {
				return g, nil, fmt.Errorf("statistics: a gauge study needs every unit on every bench equally often; unit %d, bench %d is not", i+1, j+1)
			}
			all = append(all, cell...)
		}
	}
	return g, all, nil
}

// sums fills the analysis of variance. Deviations from the grand mean are taken
// first, and every sum of squares from deviations.
func (g *Gauge) sums(readings [][][]float64) {
	r, perUnit, perBench := float64(g.Repeats), float64(g.Benches*g.Repeats), float64(g.Units*g.Repeats)
	unitMean, benchMean := make([]float64, g.Units), make([]float64, g.Benches)
	cellMean := make([][]float64, g.Units)
	for i, unit := range readings {
		cellMean[i] = make([]float64, g.Benches)
		for j, cell := range unit {
			for _, x := range cell {
				d := x - g.Mean
				unitMean[i] += d / perUnit
				benchMean[j] += d / perBench
				cellMean[i][j] += d / r
				g.Total.SumOfSquares += d * d
			}
		}
	}
	for i, unit := range readings {
		g.Unit.SumOfSquares += perUnit * unitMean[i] * unitMean[i]
		for j, cell := range unit {
			d := cellMean[i][j] - unitMean[i] - benchMean[j]
			g.Interaction.SumOfSquares += r * d * d
			for _, x := range cell {
				e := x - g.Mean - cellMean[i][j]
				g.Error.SumOfSquares += e * e
			}
		}
	}
	for _, m := range benchMean {
		g.Bench.SumOfSquares += perBench * m * m
	}
	g.BenchDeviation = benchMean
	g.Unit.Freedom, g.Bench.Freedom = g.Units-1, g.Benches-1
	g.Interaction.Freedom = g.Unit.Freedom * g.Bench.Freedom
	g.Error.Freedom = g.Units * g.Benches * (g.Repeats - 1)
	g.Total.Freedom = g.Units*g.Benches*g.Repeats - 1
}

// components solves the expected mean squares for the variances.
func (g *Gauge) components(pooling float64) {
	r := float64(g.Repeats)
	below, repeat := g.Interaction.MeanSquare(), g.Error.MeanSquare()
	switch {
	case repeat > 0:
		g.InteractionF = below / repeat
	case below > 0:
		g.InteractionF = math.Inf(1)
	}
	g.InteractionP = fTail(g.InteractionF, g.Interaction.Freedom, g.Error.Freedom)
	if g.Pooled = g.InteractionP > pooling; g.Pooled {
		both := Source{g.Interaction.SumOfSquares + g.Error.SumOfSquares, g.Interaction.Freedom + g.Error.Freedom}
		below, repeat = both.MeanSquare(), both.MeanSquare()
	}
	g.Repeatability = repeat
	g.Crossed = max(0, (below-repeat)/r)
	g.Reproduced = max(0, (g.Bench.MeanSquare()-below)/(float64(g.Units)*r))
	g.UnitVariance = max(0, (g.Unit.MeanSquare()-below)/(float64(g.Benches)*r))
}

// Reproducibility is the variance that changing the bench adds, whether for all
// units alike or for some.
func (g Gauge) Reproducibility() float64 { return g.Crossed + g.Reproduced }

// Measuring is the variance of repeatability and reproducibility together.
func (g Gauge) Measuring() float64 { return g.Repeatability + g.Reproducibility() }

// Seen is the variance of units and measuring together.
func (g Gauge) Seen() float64 { return g.Measuring() + g.UnitVariance }

// Contribution is the share of a variance in all that is seen.
func (g Gauge) Contribution(variance float64) float64 { return variance / g.Seen() }

// StudyVariation is the share of a variance's deviation in that of all that is
// seen. Shares of deviations do not add up to one. In common use, measuring
// below 0.1 is good and above 0.3 not acceptable.
func (g Gauge) StudyVariation(variance float64) float64 { return math.Sqrt(variance / g.Seen()) }

// Categories is how many classes of units the measurement can tell apart: the
// whole part of 1.41 times the ratio of deviations; 5 and more are wanted. A
// study in which measuring adds nothing tells any number apart: the greatest
// int32 stands for it.
func (g Gauge) Categories() int {
	n := math.Floor(1.41 * math.Sqrt(g.UnitVariance/g.Measuring()))
	return int(min(n, math.MaxInt32))
}
