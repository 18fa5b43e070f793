// Package uncertainty says how far a measured figure can be trusted: it
// combines what is known about every influence into one expanded uncertainty,
// after JCGM 100:2008 (the guide to the expression of uncertainty).
//
// The concept on one screen:
//
//	Part            one influence: a half-width or a deviation, how it is distributed,
//	                how strongly it moves the figure
//	Combine         parts -> Budget: combined standard uncertainty, effective degrees of
//	                freedom (Welch-Satterthwaite), coverage factor, expanded uncertainty
//	Mismatch        the part that two reflections of unknown phase make
//	CorrectFloor    a level with the noise floor of the analyzer taken out of it, in its limits
//
// What multiplies (gain, loss, mismatch, absolute level) is combined in
// decibels; what adds (noise, leakage) is combined as power and converted. All
// functions are pure. The coverage is the one of the trade, 95.45 %, for which
// the coverage factor is 2 when nothing is estimated from few repetitions.
package uncertainty

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Coverage is the coverage probability of every expanded uncertainty of this
// program: two standard deviations of a normal distribution, 95.45 %.
var Coverage = math.Erf(math.Sqrt2)

// Kind is how the value of a part is distributed, which gives the divisor that
// makes a standard uncertainty of it (JCGM 100 4.3).
type Kind string

// The kinds of part.
const (
	Normal      Kind = "normal"      // an expanded uncertainty of a certificate, k in Divisor; zero means 2
	Rectangular Kind = "rectangular" // a half-width, anywhere inside alike: sqrt(3)
	Triangular  Kind = "triangular"  // a half-width, the middle more likely: sqrt(6)
	Arcsine     Kind = "arcsine"     // a half-width, the ends more likely ("U-shaped"): sqrt(2)
	Repeated    Kind = "repeated"    // a standard deviation seen in repetitions (type A); Divisor sqrt(n), zero means 1
	Standard    Kind = "standard"    // a standard uncertainty as it stands
)

// Part is one influence on a figure.
type Part struct {
	Name  string  `json:"name"` // for people: "path correction"
	Kind  Kind    `json:"kind"`
	Value float64 `json:"value"` // half-width, expanded uncertainty or deviation, by Kind, in the unit of the influence
	// Divisor makes a standard uncertainty of Value. Zero takes that of the Kind.
	Divisor float64 `json:"divisor"`
	// Sensitivity is by how much the figure moves when the influence moves by
	// one. Zero means 1.
	Sensitivity float64 `json:"sensitivity"`
	// Standard is the contribution to the figure, in its unit: always
	// |Sensitivity| * Value / Divisor. Combine fills it in.
	Standard float64 `json:"standard"`
	// DegreesOfFreedom says on how many repetitions Value rests, less one. Zero
	// means that it is known as it stands (infinitely many).
	DegreesOfFreedom float64 `json:"degrees_of_freedom,omitempty"`
}

// Budget is the uncertainty of one figure with its parts, in the unit of the
// figure ("dB" beside a level).
type Budget struct {
	Parts    []Part  `json:"parts"`
	Combined float64 `json:"combined"` // standard uncertainty
	// EffectiveDoF is the effective number of degrees of freedom; zero means
	// infinitely many.
	EffectiveDoF float64 `json:"effective_dof,omitempty"`
	Coverage     float64 `json:"coverage"` // factor k
	Expanded     float64 `json:"expanded"` // Coverage * Combined
}

// Correlation says that the influences of two parts err together: R is 1 when
// one error stands in both, -1 when it stands in them with opposite signs.
type Correlation struct {
	A, B int // places in the list of parts
	R    float64
}

// ErrPart says that a part is no uncertainty: a value that is negative or not
// finite, or a kind that is not known.
var ErrPart = errors.New("uncertainty: the part cannot be combined")

// Combine returns the budget of its parts at Coverage. Parts are independent
// but for the correlations given:
//
//	u^2 = sum (c_i u_i)^2 + 2 sum c_i c_j u_i u_j r_ij           (JCGM 100 5.1.2, 5.2.2)
//	nu  = u^4 / sum ((c_i u_i)^4 / nu_i), truncated for k = t(nu)  (JCGM 100 G.4.1, G.6.4)
//
// The second formula is for independent influences only, so a correlated part
// must not have finite degrees of freedom. Correlations that exclude each
// other, such as three parts each the opposite of the others, are an ErrPart.
// No parts, or parts of no uncertainty, give a budget of zero.
func Combine(parts []Part, correlations ...Correlation) (Budget, error) {
	b := Budget{Parts: make([]Part, len(parts))}
	signed := make([]float64, len(parts))
	for i, p := range parts {
		p, err := p.complete()
		if err != nil {
			return Budget{}, err
		}
		b.Parts[i], signed[i] = p, p.Sensitivity*p.Value/p.Divisor
	}
	square, err := combined(b.Parts, signed, correlations)
	if err != nil {
		return Budget{}, err
	}
	b.Combined = math.Sqrt(max(0, square))
	b.EffectiveDoF = effective(b.Parts, b.Combined)
	b.Coverage = CoverageFactor(Coverage, b.EffectiveDoF)
	b.Expanded = b.Coverage * b.Combined
	if !(b.Expanded <= math.MaxFloat64) { // the fourth powers of G.6.4 leave the numbers first
		return Budget{}, fmt.Errorf("%w: together the parts are beyond all numbers", ErrPart)
	}
	return b, nil
}

func combined(parts []Part, signed []float64, correlations []Correlation) (float64, error) {
	sum := 0.0
	for _, u := range signed {
		sum += u * u
	}
	independent, seen := sum, map[[2]int]bool{}
	for _, c := range correlations {
		if c.A < 0 || c.B < 0 || c.A >= len(parts) || c.B >= len(parts) || c.A == c.B || !(math.Abs(c.R) <= 1) {
			return 0, fmt.Errorf("%w: correlation %g of parts %d and %d among %d", ErrPart, c.R, c.A, c.B, len(parts))
		}
		for _, p := range []Part{parts[c.A], parts[c.B]} {
			if p.DegreesOfFreedom > 0 {
				return 0, fmt.Errorf("%w: %s is correlated and has %g degrees of freedom; effective degrees of freedom are for independent parts", ErrPart, p.Name, p.DegreesOfFreedom)
			}
		}
		pair := [2]int{min(c.A, c.B), max(c.A, c.B)}
		if seen[pair] {
			return 0, fmt.Errorf("%w: the correlation of %s and %s is given twice", ErrPart, parts[c.A].Name, parts[c.B].Name)
		}
		seen[pair] = true
		sum += 2 * signed[c.A] * signed[c.B] * c.R
	}
	// Full correlation may cancel all but rounding; a square well below zero is
	// no figure that is known exactly, but correlations that exclude each other.
	if sum < -1e-12*independent {
		return 0, fmt.Errorf("%w: the correlations cannot all hold, they give a variance of %g", ErrPart, sum)
	}
	return sum, nil
}

// complete fills in what a part leaves to its kind.
func (p Part) complete() (Part, error) {
	if p.Divisor == 0 {
		p.Divisor = divisor(p.Kind)
	}
	if p.Sensitivity == 0 {
		p.Sensitivity = 1
	}
	finite := !math.IsNaN(p.DegreesOfFreedom)
	for _, v := range []float64{p.Value, p.Divisor, p.Sensitivity, p.Value * p.Sensitivity} {
		finite = finite && math.Abs(v) <= math.MaxFloat64
	}
	if divisor(p.Kind) == 0 || !finite || p.Value < 0 || !(p.Divisor > 0) || p.DegreesOfFreedom < 0 {
		return p, fmt.Errorf("%w: %s: kind %q, value %g, divisor %g, sensitivity %g, %g degrees of freedom", ErrPart, p.Name, p.Kind, p.Value, p.Divisor, p.Sensitivity, p.DegreesOfFreedom)
	}
	if math.IsInf(p.DegreesOfFreedom, 1) {
		p.DegreesOfFreedom = 0
	}
	p.Standard = math.Abs(p.Sensitivity) * p.Value / p.Divisor
	return p, nil
}

// divisor returns what makes a standard uncertainty of a value; zero for a
// kind that is not known.
func divisor(k Kind) float64 {
	switch k {
	case Normal:
		return 2
	case Rectangular:
		return math.Sqrt(3)
	case Triangular:
		return math.Sqrt(6)
	case Arcsine:
		return math.Sqrt2
	case Repeated, Standard:
		return 1
	}
	return 0
}

// effective is the formula of Welch and Satterthwaite; zero means infinite.
func effective(parts []Part, combined float64) float64 {
	sum := 0.0
	for _, p := range parts {
		if p.DegreesOfFreedom > 0 {
			sum += math.Pow(p.Standard, 4) / p.DegreesOfFreedom
		}
	}
	if sum == 0 {
		return 0
	}
	return math.Pow(combined, 4) / sum
}

// CoverageFactor returns the two-sided factor k that covers the probability p
// with that many degrees of freedom, truncated to a whole number of at least
// one (JCGM 100 G.6.4); zero means infinitely many, the normal distribution.
func CoverageFactor(p, degreesOfFreedom float64) float64 {
	known := degreesOfFreedom == 0 || math.IsInf(degreesOfFreedom, 1)
	if known && p == Coverage {
		return 2 // by definition, without the rounding of the error function
	}
	if known {
		return math.Sqrt2 * math.Erfinv(p)
	}
	nu := max(1, math.Floor(degreesOfFreedom))
	if nu >= manyDegrees {
		return nearlyNormal(p, nu)
	}
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: nu}.Quantile((1 + p) / 2)
}

// manyDegrees is from where the series of nearlyNormal is exact to 1e-11: its
// next term is 2/nu^4 at 95 %.
const manyDegrees = 1000

// nearlyNormal is the quantile of Student's distribution for many degrees of
// freedom, where inverting the distribution itself costs a hundred times as much
// (Abramowitz and Stegun 26.7.5).
func nearlyNormal(p, nu float64) float64 {
	z := math.Sqrt2 * math.Erfinv(p)
	if p == Coverage {
		z = 2
	}
	z2 := z * z
	first := (z2 + 1) / 4
	second := ((5*z2+16)*z2 + 3) / 96
	third := (((3*z2+19)*z2+17)*z2 - 15) / 384
	return z * (1 + (first+(second+third/nu)/nu)/nu)
}

// Repetitions returns the part that a mean of repeated readings has of itself:
// their experimental standard deviation over sqrt(n), with n-1 degrees of
// freedom (JCGM 100 4.2), and the mean. It needs two readings.
func Repetitions(name string, readings []float64) (part Part, mean float64, err error) {
	n := float64(len(readings))
	if n < 2 {
		return Part{}, 0, fmt.Errorf("%w: %s: %d readings do not scatter; want two or more", ErrPart, name, len(readings))
	}
	for _, x := range readings {
		mean += x / n
	}
	sum := 0.0
	for _, x := range readings {
		sum += (x - mean) * (x - mean)
	}
	return Part{Name: name, Kind: Repeated, Value: math.Sqrt(sum / (n - 1)), Divisor: math.Sqrt(n), DegreesOfFreedom: n - 1}, mean, nil
}
