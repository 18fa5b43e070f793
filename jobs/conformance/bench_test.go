package conformance_test

import (
	"fmt"
	"syscall"
	"testing"
	"time"

	"benchyard/jobs/conformance"
)

// BenchmarkRequirements builds every limit of one case.
func BenchmarkRequirements(b *testing.B) {
	c, err := conformance.Place("n78", conformance.Middle, 100e6, 30e3)
	if err != nil {
		b.Fatal(err)
	}
	s := conformance.Subject{Declaration: wideA(46), Carrier: c}
	for b.Loop() {
		if _, err := conformance.Requirements(s, ""); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkJudge judges one case of every clause, with series over the
// operating band and up to 19 GHz in half measurement bandwidths.
func BenchmarkJudge(b *testing.B) {
	c, err := conformance.Place("n78", conformance.Middle, 100e6, 30e3)
	if err != nil {
		b.Fatal(err)
	}
	list, err := conformance.Requirements(conformance.Subject{Declaration: wideA(46), Carrier: c}, "")
	if err != nil {
		b.Fatal(err)
	}
	readings := good(list, 46)
	for b.Loop() {
		if _, err := conformance.Judge(list, readings, conformance.DecisionRule{}); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkMask judges one sloping mask segment at 1, 10 and 100 times 10 000
// points: the cost is linear in the points. The rate for one core goes by the
// time the processor spent, so that a busy machine does not change it.
func BenchmarkMask(b *testing.B) {
	c, err := conformance.Place("n1", conformance.Middle, 20e6, 15e3)
	if err != nil {
		b.Fatal(err)
	}
	list, err := conformance.Requirements(conformance.Subject{Declaration: wideA(46), Carrier: c}, "6.6.4")
	if err != nil {
		b.Fatal(err)
	}
	mask := list[:1]
	for _, points := range []int{10_000, 100_000, 1_000_000} {
		b.Run(fmt.Sprint(points), func(b *testing.B) {
			s := &conformance.Series{Frequencies: make([]float64, points), Levels: make([]float64, points)}
			for i := range points {
				s.Frequencies[i] = float64(mask[0].Frequencies.Low) + float64(mask[0].Frequencies.Width())*float64(i)/float64(points-1)
				s.Levels[i] = -30 - float64(i%97)/10
			}
			readings := []conformance.Reading{{Key: mask[0].Key, Series: s, Uncertainty: 0.5}}
			b.ReportAllocs()
			before := processorTime(b)
			for b.Loop() {
				if _, err := conformance.Judge(mask, readings, conformance.DecisionRule{}); err != nil {
					b.Fatal(err)
				}
			}
			spent := processorTime(b) - before
			b.ReportMetric(float64(points)*float64(b.N)/b.Elapsed().Seconds()/1e6, "Mpoints/s")
			b.ReportMetric(float64(points)*float64(b.N)/spent.Seconds()/1e6, "Mpoints/core-s")
		})
	}
}

// processorTime is what all threads of this process have used so far.
func processorTime(b *testing.B) time.Duration {
	b.Helper()
	var used syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &used); err != nil {
		b.Fatal(err)
	}
	return time.Duration(used.Utime.Nano() + used.Stime.Nano())
}
