package sim

import "math"

// shape is power spread over frequency as the order-fold self-convolution of a
// flat band: order 1 is the band itself (an OFDM carrier), 2 a triangle (second
// harmonic), 3 a quadratic spline (third-order regrowth, third harmonic), 5 a
// quartic one (fifth-order regrowth). Each is a centred cardinal B-spline in
// u = (f - centre)/width with support |u| <= order/2 and unit area.
type shape struct {
	order         int
	centre, width float64 // Hz
	power         float64 // mW over all frequencies
}

// support returns where the shape is not zero.
func (s shape) support() (low, high float64) {
	half := float64(s.order) * s.width / 2
	return s.centre - half, s.centre + half
}

// density returns the power density at f in mW/Hz.
func (s shape) density(f float64) float64 {
	return s.power / s.width * splineDensity(s.order, (f-s.centre)/s.width)
}

// between returns the power from low to high in mW.
func (s shape) between(low, high float64) float64 {
	a, b := (low-s.centre)/s.width, (high-s.centre)/s.width
	if a > 0 { // mirror the upper side: differences of small shares keep their digits
		a, b = -b, -a
	}
	return s.power * (splineShare(s.order, b) - splineShare(s.order, a))
}

// splineDensity returns the centred cardinal B-spline of the given order.
func splineDensity(order int, u float64) float64 {
	u = math.Abs(u)
	switch order {
	case 1:
		if u <= 0.5 {
			return 1
		}
	case 2:
		if u < 1 {
			return 1 - u
		}
	case 3:
		switch {
		case u < 0.5:
			return 0.75 - u*u
		case u < 1.5:
			return (1.5 - u) * (1.5 - u) / 2
		}
	case 5:
		switch {
		case u < 0.5:
			return (115 - u*u*(120-48*u*u)) / 192
		case u < 1.5:
			return (55 + u*(20+u*(-120+u*(80-16*u)))) / 96
		case u < 2.5:
			d := 2.5 - u
			return d * d * d * d / 24
		}
	}
	return 0
}

// splineShare returns the area below the spline from minus infinity to u. It is
// the truncated power form 1/n! * sum (-1)^k C(n,k) (u + n/2 - k)^n over the
// terms whose base is positive; above the centre the symmetric half is used.
func splineShare(order int, u float64) float64 {
	half := float64(order) / 2
	switch {
	case u <= -half:
		return 0
	case u >= half:
		return 1
	case u > 0:
		return 1 - splineShare(order, -u)
	}
	sum, binomial, factorial := 0.0, 1.0, 1.0
	for k := 0; k <= order; k++ {
		if base := u + half - float64(k); base > 0 {
			power := 1.0
			for range order {
				power *= base
			}
			sum += binomial * power
		}
		binomial *= -float64(order-k) / float64(k+1)
		factorial *= float64(max(k, 1))
	}
	return sum / factorial
}
