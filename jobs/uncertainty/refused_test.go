package uncertainty

import (
	"encoding/json"
	"errors"
	"math"
	"testing"
)

// What cannot be an uncertainty is refused: a budget of zero, or of no number,
// would let a guard band vanish or a result be lost where it is stored.
func TestNoBudgetOfSenselessParts(t *testing.T) {
	one, inf := Part{Kind: Standard, Value: 1}, math.Inf(1)
	for name, c := range map[string]struct {
		parts        []Part
		correlations []Correlation
	}{
		"each the opposite of both others": {[]Part{one, one, one}, []Correlation{{0, 1, -1}, {1, 2, -1}, {0, 2, -1}}},
		"one correlation twice":            {[]Part{one, one}, []Correlation{{0, 1, -0.6}, {1, 0, -0.6}}},
		"endless sensitivity to nothing":   {[]Part{{Kind: Standard, Sensitivity: inf}}, nil},
		"endless divisor":                  {[]Part{{Kind: Normal, Value: 1, Divisor: inf}}, nil},
		"fourth power beyond all numbers":  {[]Part{{Kind: Repeated, Value: 1e90, DegreesOfFreedom: 3}}, nil},
		"square beyond all numbers":        {[]Part{{Kind: Standard, Value: 1e200}}, nil},
	} {
		if b, err := Combine(c.parts, c.correlations...); !errors.Is(err, ErrPart) {
			t.Errorf("%s: %+v, %v", name, b, err)
		}
	}
}

// One error that stands in two places with opposite signs cancels, also where
// rounding leaves the square a little below zero.
func TestCorrelationThatCancels(t *testing.T) {
	for v := 0.1; v < 3; v += 0.1 {
		p := Part{Kind: Rectangular, Value: v}
		b, err := Combine([]Part{p, p}, Correlation{A: 0, B: 1, R: -1})
		if err != nil || b.Combined > 1e-6 {
			t.Fatalf("%g: %+v, %v", v, b, err)
		}
		if _, err := json.Marshal(b); err != nil {
			t.Fatal(err)
		}
	}
}

// Parts of no uncertainty have degrees of freedom that say nothing.
func TestNothingRepeated(t *testing.T) {
	b, err := Combine([]Part{{Kind: Repeated, DegreesOfFreedom: 4}, {Kind: Repeated, DegreesOfFreedom: 1}})
	if err != nil || b.Combined != 0 || b.Expanded != 0 || b.Coverage != 2 || b.EffectiveDoF != 0 {
		t.Errorf("%+v, %v", b, err)
	}
}
