package sim

import (
	"math"
	"sort"
)

// mix is what an amplifier makes of several carriers: one product of their flat
// bands. A memoryless law of order n turns a Gaussian signal into spectra that
// are n-fold convolutions of its own. With flat bands of several widths each
// product of n of them is a spline in closed form,
//
//	density(x) = power / (w1 ... wn (n-1)!) * sum over signs s of s1...sn (x + (s1 w1 + ... + sn wn)/2)+^(n-1)
//
// about the sum of the centres (differences, where a band is taken conjugate).
// With one carrier it is the B-spline of shape.
type mix struct {
	centre float64   // Hz
	widths []float64 // Hz
	power  float64   // mW over all frequencies
	knots  []knot
	scale  float64 // of x, so that powers of it stay near 1
}

// knot is one corner of the sum, in units of scale.
type knot struct{ offset, sign float64 }

func newMix(centre, power float64, widths []float64) mix {
	m := mix{centre: centre, widths: widths, power: power}
	for _, w := range widths {
		m.scale = max(m.scale, w)
	}
	m.knots = []knot{{0, 1}}
	for _, w := range widths {
		var next []knot
		for _, k := range m.knots {
			next = append(next, knot{k.offset + w/2/m.scale, k.sign}, knot{k.offset - w/2/m.scale, -k.sign})
		}
		m.knots = next
	}
	return m
}

// support returns where the mix is not zero.
func (m mix) support() (low, high float64) {
	half := 0.0
	for _, w := range m.widths {
		half += w / 2
	}
	return m.centre - half, m.centre + half
}

// density returns the power density at f in mW/Hz.
func (m mix) density(f float64) float64 {
	x := -math.Abs(f-m.centre) / m.scale // the lower side keeps the digits of the tail
	return max(0, m.power*m.sum(x, len(m.widths)-1)/m.scale)
}

// share returns the part of the power below f.
func (m mix) share(f float64) float64 {
	x := (f - m.centre) / m.scale
	if x > 0 {
		return 1 - m.sum(-x, len(m.widths))
	}
	return max(0, m.sum(x, len(m.widths)))
}

// between returns the power from low to high in mW.
func (m mix) between(low, high float64) float64 {
	if low > m.centre { // mirrored: differences of small shares keep their digits
		low, high = 2*m.centre-high, 2*m.centre-low
	}
	return m.power * max(0, m.share(high)-m.share(low))
}

// sum is the truncated power form with the given exponent, divided by its
// factorial and by the widths.
func (m mix) sum(x float64, exponent int) float64 {
	total := 0.0
	for _, k := range m.knots {
		if base := x + k.offset; base > 0 {
			power := k.sign
			for range exponent {
				power *= base
			}
			total += power
		}
	}
	for i := 2; i <= exponent; i++ {
		total /= float64(i)
	}
	for _, w := range m.widths {
		total /= w / m.scale
	}
	return total
}

// band is one carrier at the amplifier: flat, in Hz and mW.
type band struct{ centre, width, power float64 }

// products returns the terms of one order: bands taken plus times as they are
// and minus times conjugate, of the given total power shared by their product of
// powers. Terms of the same bands are one.
func products(bands []band, plus, minus int, total float64) []mix {
	all := 0.0
	for _, b := range bands {
		all += b.power
	}
	var list []mix
	for _, up := range choices(len(bands), plus) {
		for _, down := range choices(len(bands), minus) {
			centre, weight := 0.0, up.count*down.count
			var widths []float64
			for _, i := range up.of {
				centre, weight = centre+bands[i].centre, weight*bands[i].power/all
				widths = append(widths, bands[i].width)
			}
			for _, i := range down.of {
				centre, weight = centre-bands[i].centre, weight*bands[i].power/all
				widths = append(widths, bands[i].width)
			}
			list = append(list, newMix(centre, total*weight, widths))
		}
	}
	sort.Slice(list, func(i, j int) bool { return list[i].centre < list[j].centre })
	return list
}

// choice is k of n things with repetition, and in how many orders it occurs.
type choice struct {
	of    []int
	count float64
}

func choices(n, k int) []choice {
	list := []choice{{nil, 1}}
	for range k {
		var next []choice
		for _, c := range list {
			first := 0
			if len(c.of) > 0 {
				first = c.of[len(c.of)-1]
			}
			for i := first; i < n; i++ {
				next = append(next, choice{append(append([]int(nil), c.of...), i), 0})
			}
		}
		list = next
	}
	for i := range list {
		count, run := 1.0, 0
		for j, v := range list[i].of {
			if run++; j > 0 && v != list[i].of[j-1] {
				run = 1
			}
			count *= float64(j+1) / float64(run)
		}
		list[i].count = count
	}
	return list
}
