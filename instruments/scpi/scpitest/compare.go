package scpitest

import (
	"cmp"
	"slices"
	"testing"
	"time"
)

// Comparison measures one thing against a peer in the same run, in turns, so that
// what else the machine does meets both.
type Comparison struct{ ours, theirs []time.Duration }

// Take runs both once.
func (c *Comparison) Take(ours, theirs func()) {
	c.ours, c.theirs = append(c.ours, timed(ours)), append(c.theirs, timed(theirs))
}

func timed(f func()) time.Duration {
	start := time.Now()
	f()
	return time.Since(start)
}

// Report reports how many times longer ours took than theirs, under the name unit,
// and fails where that is beyond limit. The ratio is the median of those of five
// rounds, so that a disturbance in one of them does not count. A run with few
// samples only reports.
func (c *Comparison) Report(b *testing.B, unit string, limit float64) {
	b.Helper()
	const rounds, enough = 5, 50
	n := len(c.ours)
	var ratios []float64
	for i := range rounds {
		if from, to := i*n/rounds, (i+1)*n/rounds; from < to {
			ratios = append(ratios, float64(median(c.ours[from:to]))/float64(median(c.theirs[from:to])))
		}
	}
	ratio := median(ratios)
	b.ReportMetric(float64(median(c.ours)), "p50-ns")
	b.ReportMetric(ratio, unit)
	if ratio > limit && n >= enough {
		b.Errorf("%.2f %s, limit %g; rounds %.2f", ratio, unit, limit, ratios)
	}
}

// median returns the middle of some figures.
func median[T cmp.Ordered](figures []T) T {
	sorted := slices.Sorted(slices.Values(figures))
	return sorted[len(sorted)/2]
}
