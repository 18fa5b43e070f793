package sim

import (
	"math"
	"testing"

	"benchyard/instruments/rf"
)

// Equal widths give the B-spline of one carrier; a share is the integral of the
// density, whatever the widths.
func TestMixIsTheConvolution(t *testing.T) {
	for _, order := range []int{2, 3, 5} {
		widths := make([]float64, order)
		for i := range widths {
			widths[i] = 98.28e6
		}
		m := newMix(3.5e9, 2, widths)
		s := shape{order, 3.5e9, 98.28e6, 2}
		for f := 3.2e9; f < 3.8e9; f += 7.3e6 {
			near(t, "density", m.density(f)*98.28e6, s.density(f)*98.28e6, 1e-9)
			near(t, "power", m.between(3.1e9, f), s.between(3.1e9, f), 1e-9)
		}
	}
	m := newMix(0, 1, []float64{5, 1, 3})
	sum, step := 0.0, 1e-4
	for f := -4.5 + step/2; f < 1.3; f += step {
		sum += m.density(f) * step
	}
	near(t, "share", m.between(-10, 1.3), sum, 1e-6)
	near(t, "all", m.between(-10, 10), 1, 1e-12)
	near(t, "upper side", m.between(1, 2), m.between(-2, -1), 1e-12)
}

// Two carriers of powers a and b: third-order products at 2f1-f2, f1, f2 and
// 2f2-f1 with a²b, a³+2ab², 2a²b+b³ and ab² of (a+b)³ (counting of terms).
func TestProductsCount(t *testing.T) {
	bands := []band{{100, 1, 2}, {110, 1, 3}}
	got := map[float64]float64{}
	sum := 0.0
	for _, m := range products(bands, 2, 1, 1) {
		got[m.centre] += m.power
		sum += m.power
	}
	near(t, "all", sum, 1, 1e-12)
	for centre, want := range map[float64]float64{90: 4 * 3, 100: 8 + 2*2*9, 110: 2*4*3 + 27, 120: 2 * 9} {
		near(t, "product", got[centre], want/125, 1e-12)
	}
	for _, orders := range [][2]int{{3, 2}, {2, 0}, {3, 0}} {
		sum = 0
		for _, m := range products(bands, orders[0], orders[1], 7) {
			sum += m.power
		}
		near(t, "all of an order", sum, 7, 1e-9)
	}
}

// Carriers that touch, of one density, are one carrier of twice the width: the
// same regrowth, but for the few guards between and beside them.
func TestTouchingCarriersAreOne(t *testing.T) {
	wide := []band{{3.5e9, 40e6, 2}}
	halves := []band{{3.49e9, 20e6, 1}, {3.51e9, 20e6, 1}}
	for _, f := range []float64{3.46e9, 3.5e9, 3.535e9} {
		of := func(bands []band) float64 {
			sum := 0.0
			for _, m := range products(bands, 2, 1, 1) {
				sum += m.density(f)
			}
			return sum
		}
		near(t, "regrowth", of(halves)/of(wide), 1, 1e-9)
	}
}

// The power of a connector is the sum of its carriers, and what regrows goes by
// it; a line of a fault stands once.
func TestSeveralCarriersExpected(t *testing.T) {
	c := Demo(1)
	low := Carrier{3.45e9, 100e6, 30e3, 34}
	high := Carrier{3.61e9, 100e6, 30e3, 34}
	x, err := c.Expect(Condition{Serial: "T4-0002", Build: olderBuild, Connector: 1, Carrier: low, More: []Carrier{high}})
	if err != nil {
		t.Fatal(err)
	}
	alone, err := c.Expect(Condition{Serial: "T4-0002", Build: olderBuild, Connector: 1, Carrier: low})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "first carrier", float64(x.ChannelPower()), float64(alone.ChannelPower()), 0.01)
	if both, one := x.Power(3.53e9, 300e6), x.ChannelPower(); math.Abs(float64(both.Sub(one))-3) > 0.2 {
		t.Errorf("both carriers %s, one %s", both, one)
	}
	gap := rf.Hertz(3.53e9)
	other, err := c.Expect(Condition{Serial: "T4-0002", Build: olderBuild, Connector: 1, Carrier: high})
	if err != nil {
		t.Fatal(err)
	}
	// Intermodulation: more than what each leaves in the gap alone.
	apart := decibels(milliwatts(float64(alone.Power(gap, 20e6))) + milliwatts(float64(other.Power(gap, 20e6))))
	if both := float64(x.Power(gap, 20e6)); both < apart+0.5 {
		t.Errorf("in the gap %.2f dBm with both, %.2f one after the other", both, apart)
	}
}
