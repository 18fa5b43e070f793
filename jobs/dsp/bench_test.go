package dsp

import (
	"math"
	"testing"

	"benchyard/instruments/rf"
)

// noisy makes a trace of n points that no branch predictor can learn.
func noisy(n int) rf.Spectrum {
	s := flat(1e9, 15e3, n, 0)
	for i := range s.Levels {
		s.Levels[i] = -60 + 10*math.Sin(float64(i)*1.7)
	}
	return s
}

func BenchmarkChannelPower(b *testing.B) {
	s := noisy(10001)
	for b.Loop() {
		if _, err := ChannelPower(s, rf.Range{Low: 1e9 + 1e6, High: 1e9 + 140e6}); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkOccupiedBandwidth(b *testing.B) {
	s := noisy(13335)
	for b.Loop() {
		if _, _, _, err := OccupiedBandwidth(s, 0.99); err != nil {
			b.Fatal(err)
		}
	}
}

// The time per centre must not depend on the width of the window.
func BenchmarkIntegrate(b *testing.B) {
	s := noisy(20001)
	centres := Centres(rf.Range{Low: 1e9 + 1e6, High: 1e9 + 298e6}, 20e3)
	for name, width := range map[string]rf.Hertz{"100kHz": 100e3, "1MHz": 1e6} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				if _, err := Integrate(s, width, centres); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(len(centres)), "ns/centre")
		})
	}
}

func BenchmarkRefer(b *testing.B) {
	s := noisy(36001)
	for b.Loop() {
		if _, _, err := Refer(s, s.RBW); err != nil {
			b.Fatal(err)
		}
	}
}
