package conformance

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/integrate/quad"
)

// Conforms returns the conformance probability of a value with a Gaussian
// standard uncertainty u: how likely the true value lies within the bounds
// (JCGM 106:2012 7). A bound that is nil does not bind. Without uncertainty it
// is 1 or 0, equality inside.
func Conforms(value, u float64, lower, upper *float64) float64 {
	below := func(bound float64) float64 { // probability of a true value below the bound
		if u > 0 {
			return 0.5 * math.Erfc((value-bound)/(u*math.Sqrt2))
		}
		return math.NaN()
	}
	switch {
	case !(u > 0):
		if margin(value, lower, upper) >= 0 {
			return 1
		}
		return 0
	case lower == nil && upper == nil:
		return 1
	case upper == nil:
		return 0.5 * math.Erfc((*lower-value)/(u*math.Sqrt2))
	case lower == nil:
		return below(*upper)
	}
	return max(0, below(*upper)-below(*lower))
}

// Risk returns how likely the verdict is wrong: that a figure which was
// accepted does not conform (false accept), or that one which was rejected does
// (false reject). It is not known without uncertainty.
func (r Result) Risk() (wrong float64, known bool) {
	switch {
	case r.Probability == nil:
		return 0, false
	case r.Accepted():
		return 1 - *r.Probability, true
	}
	return *r.Probability, true
}

// Accepted reports whether the verdict is a pass, conditional ones included.
func (r Result) Accepted() bool { return r.Verdict == Pass || r.Verdict == ConditionalPass }

// FamilyRisk returns how likely at least one of n independent decisions is
// wrong when each is wrong with probability p: 1 - (1-p)^n.
func FamilyRisk(p float64, n int) float64 { return -math.Expm1(float64(n) * math.Log1p(-p)) }

// Process is how true values are distributed among the units of a production:
// any continuous distribution, for example one of gonum's distuv.
type Process interface {
	Prob(x float64) float64     // density
	CDF(x float64) float64      // probability of less
	Quantile(p float64) float64 // inverse of CDF
}

// Interval is a tolerance or acceptance interval; an infinite end does not bind.
type Interval struct{ Low, High float64 }

// GlobalRisks are the risks of a rule over a whole production.
type GlobalRisks struct {
	Nonconforming float64 // share of the production outside the tolerance, inspected or not
	Consumer      float64 // share that does not conform and is accepted
	Producer      float64 // share that conforms and is rejected
}

const (
	tail       = 1e-14 // of a process that is left out at either end
	mostPanels = 1 << 14
	perPanel   = 8 // points of a panel; panels are no wider than the error's deviation
)

// GlobalRisk returns the risks of accepting what measures inside accept, while
// what is truly inside tolerance conforms and measurements err by a Gaussian of
// standard uncertainty u (JCGM 106:2012 9.5):
//
//	consumer = integral outside tolerance of g(x) * P(reading accepted | x)
//	producer = integral inside tolerance of g(x) * P(reading rejected | x)
//
// It fails where an interval is empty, u is not positive, or u is so small
// beside the process that the integral would not be exact.
func GlobalRisk(p Process, u float64, tolerance, accept Interval) (GlobalRisks, error) {
	if !(tolerance.Low < tolerance.High) || !(accept.Low < accept.High) {
		return GlobalRisks{}, fmt.Errorf("conformance: tolerance %g to %g and acceptance %g to %g: want intervals that are not empty", tolerance.Low, tolerance.High, accept.Low, accept.High)
	}
	low, high := p.Quantile(tail), p.Quantile(1-tail)
	if !(u > 0) || !(high-low < mostPanels/2*u) {
		return GlobalRisks{}, fmt.Errorf("conformance: standard uncertainty %g beside a process from %g to %g: want more than a %dth of it", u, low, high, mostPanels/2)
	}
	accepted := func(x float64) float64 { return Conforms(x, u, finite(accept.Low), finite(accept.High)) }
	within := Interval{min(max(tolerance.Low, low), high), min(max(tolerance.High, low), high)}
	consumer := func(x float64) float64 { return p.Prob(x) * accepted(x) }
	producer := func(x float64) float64 { return p.Prob(x) * (1 - accepted(x)) }
	return GlobalRisks{
		Nonconforming: p.CDF(tolerance.Low) + 1 - p.CDF(tolerance.High),
		Consumer:      panels(consumer, low, within.Low, u) + panels(consumer, within.High, high, u),
		Producer:      panels(producer, within.Low, within.High, u),
	}, nil
}

// GuardBandFor returns the guard band, the same at every finite end of the
// tolerance, that brings the consumer's risk down to wanted: zero where simple
// acceptance is good enough. It fails where nothing would be left to accept.
func GuardBandFor(p Process, u float64, tolerance Interval, wanted float64) (float64, error) {
	risk := func(w float64) (float64, error) {
		r, err := GlobalRisk(p, u, tolerance, Interval{tolerance.Low + w, tolerance.High - w})
		return r.Consumer, err
	}
	simple, err := risk(0)
	if err != nil || simple <= wanted {
		return 0, err
	}
	low, high := 0.0, u
	for {
		r, err := risk(high)
		if err != nil || high > 100*u {
			return 0, fmt.Errorf("conformance: no guard band in %g to %g brings the risk of %g down to %g", tolerance.Low, tolerance.High, simple, wanted)
		}
		if r <= wanted {
			break
		}
		low, high = high, high+u/2
	}
	for high-low > 1e-12*u {
		middle := (low + high) / 2
		if r, err := risk(middle); err != nil || r <= wanted {
			high = middle
		} else {
			low = middle
		}
		if middle == low && middle == high {
			break
		}
	}
	return high, nil
}

func finite(v float64) *float64 {
	if math.IsInf(v, 0) {
		return nil
	}
	return &v
}

// panels integrates f from a to b in pieces no wider than u.
func panels(f func(float64) float64, a, b, u float64) float64 {
	if !(b > a) {
		return 0
	}
	n := min(mostPanels, int(math.Ceil((b-a)/u)))
	sum, width := 0.0, (b-a)/float64(n)
	for i := range n {
		sum += quad.Fixed(f, a+float64(i)*width, a+float64(i+1)*width, perPanel, quad.Legendre{}, 0)
	}
	return sum
}
