package sim

import (
	"math"
	"testing"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %.9g, want %.9g within %.3g", what, got, want, tolerance)
	}
}

// Areas of the cardinal B-splines: the self-convolutions of a unit box. Order 3
// in the channel and in each adjacent one 2/3, 1/6, 1/6 (waveform facts 5.3);
// order 5 66/120, 26/120, 1/120 (values of the quintic spline at the integers).
func TestSplineAreasPerChannel(t *testing.T) {
	want := map[int][]float64{1: {1, 0}, 2: {0.75, 0.125, 0}, 3: {2. / 3, 1. / 6, 0}, 5: {66. / 120, 26. / 120, 1. / 120, 0}}
	for order, areas := range want {
		s := shape{order: order, centre: 3.5e9, width: 100e6, power: 1}
		for channel, area := range areas {
			for _, side := range []float64{-1, 1} {
				c := s.centre + side*float64(channel)*s.width
				near(t, "area", s.between(c-s.width/2, c+s.width/2), area, 1e-12)
			}
		}
		low, high := s.support()
		near(t, "whole area", s.between(low-1e9, high+1e9), 1, 1e-12)
	}
}

// The density is the derivative of the share, so a sum over narrow slices of
// either gives the same.
func TestSplineDensityIsTheSlopeOfItsShare(t *testing.T) {
	for _, order := range []int{1, 2, 3, 5} {
		for u := -2.7013; u < 2.71; u += 0.0531 {
			const h = 1e-5
			slope := (splineShare(order, u+h) - splineShare(order, u-h)) / (2 * h)
			if order == 1 && math.Abs(math.Abs(u)-0.5) < 1e-4 {
				continue // the flat band jumps here
			}
			near(t, "slope", splineDensity(order, u), slope, 1e-5)
		}
	}
}

func TestGaussianFilterShape(t *testing.T) {
	g := gaussian{rbw: 30e3}
	near(t, "3 dB bandwidth", g.gain(15e3), 0.5, 1e-12)
	// Equivalent noise bandwidth, metrology facts 4.3: 1.064467.
	near(t, "noise bandwidth", g.noiseBandwidth()/g.rbw, 1.064467, 5e-7)
	sum := 0.0
	for d := -200e3; d <= 200e3; d += 100 {
		sum += g.gain(d) * 100
	}
	near(t, "area of the gain", sum, g.noiseBandwidth(), 1e-6*g.noiseBandwidth())
	for _, d := range []float64{-40e3, -7e3, 0, 12e3, 50e3} {
		part := 0.0
		for x := -d + 5; x < 400e3; x += 10 {
			part += g.gain(x) * 10
		}
		near(t, "edge", g.edge(d), part/g.noiseBandwidth(), 1e-6)
	}
}

func TestNoiseIntegralMatchesFineSum(t *testing.T) {
	n := noise{density: 1e-10, low: 3.3e9, high: 3.8e9}
	for _, r := range [][2]float64{{3.3e9, 3.4e9}, {9e3, 12.75e9}, {5e9, 5.001e9}} {
		const pieces = 200000
		step, sum := (r[1]-r[0])/pieces, 0.0
		for i := range pieces {
			sum += n.at(r[0]+(float64(i)+0.5)*step) * step
		}
		near(t, "noise", n.between(r[0], r[1])/sum, 1, 1e-4)
	}
}
