package results

import (
	"math"

	"benchyard/jobs/statistics"
)

// Method names the test behind a shift of margins.
type Method string

// The methods of a comparison of margins.
const (
	Paired   Method = "signed ranks"   // the same units under both builds
	Unpaired Method = "Mann–Whitney"   // different units, or too few pairs
	Untested Method = "too few to say" // neither is possible
)

// Finding is what may be said about the margin of the typical unit for a
// clause. A few units that changed do not move it; they are counted beside it.
type Finding string

// The findings. Statistical significance alone is none: the change must also be
// material.
const (
	ShiftedWorse  Finding = "worse"                  // significant, and at least material
	ShiftedBetter Finding = "better"                 // the same for the better
	Unchanged     Finding = "typical unit unchanged" // the whole interval is less than material
	Open          Finding = "undecided"              // a material change is neither shown nor ruled out
	TooFew        Finding = "too few units"
)

// MarginShift is how the worst margin of a clause moved from build A to build B
// over the units of a type. Margins are in Unit, dB where it is dBm.
type MarginShift struct {
	UnitType, Clause, Unit string
	UnitsA, UnitsB, Pairs  int
	Worse, Better          int // pairs whose margin moved by Material or more
	Method                 Method

	// Shift is the typical change (Hodges–Lehmann), negative for the worse,
	// with its interval at Level, which is without end where the units are too
	// few for one.
	Shift, Low, High float64
	P                float64 // two-sided, of this clause alone; NaN when untested
	Q                float64 // least false-discovery rate over all clauses tested (Benjamini–Hochberg)
	Material         float64 // change from which it is worth reporting
	LeastB           float64 // least margin of any unit under B; NaN without one
}

// Finding weighs the shift against chance and against what is material.
func (s MarginShift) Finding() Finding {
	switch {
	case s.Method == Untested:
		return TooFew
	case s.Q <= Significance && s.Shift <= -s.Material:
		return ShiftedWorse
	case s.Q <= Significance && s.Shift >= s.Material:
		return ShiftedBetter
	case s.Low > -s.Material && s.High < s.Material:
		return Unchanged
	}
	return Open
}

// unitMargin is the worst margin of a clause of one unit under one build.
type unitMargin struct {
	Build, UnitType, Serial, Clause, Unit string
	Margin                                float64
}

// marginShifts compares each clause of each type; margins are ordered by them.
func marginShifts(margins []unitMargin, buildA, buildB string, material Material) ([]MarginShift, error) {
	var shifts []MarginShift
	for len(margins) > 0 {
		n := 1
		for n < len(margins) && margins[n].UnitType == margins[0].UnitType && margins[n].Clause == margins[0].Clause && margins[n].Unit == margins[0].Unit {
			n++
		}
		s, err := shiftOf(margins[:n], buildA, buildB, material)
		if err != nil {
			return nil, err
		}
		if s.UnitsA > 0 && s.UnitsB > 0 { // a clause of one build only is no comparison
			shifts = append(shifts, s)
		}
		margins = margins[n:]
	}
	discover(shifts)
	return shifts, nil
}

// discover fills Q over the shifts that were tested.
func discover(shifts []MarginShift) {
	var tested []int
	var ps []float64
	for i, s := range shifts {
		if s.Method != Untested {
			tested, ps = append(tested, i), append(ps, s.P)
		}
	}
	for i, q := range statistics.BenjaminiHochberg(ps) {
		shifts[tested[i]].Q = q
	}
}

func shiftOf(margins []unitMargin, buildA, buildB string, material Material) (MarginShift, error) {
	head := margins[0]
	s := MarginShift{UnitType: head.UnitType, Clause: head.Clause, Unit: head.Unit, Method: Untested, Material: material.of(head.Unit),
		Shift: math.NaN(), Low: math.Inf(-1), High: math.Inf(1), P: math.NaN(), Q: math.NaN(), LeastB: math.NaN()}
	before := map[string]float64{}
	var a, b, differences []float64
	for _, m := range margins {
		if m.Build == buildA {
			before[m.Serial] = m.Margin
			a = append(a, m.Margin)
		}
	}
	for _, m := range margins {
		if m.Build != buildB {
			continue
		}
		b = append(b, m.Margin)
		if len(b) == 1 || m.Margin < s.LeastB {
			s.LeastB = m.Margin
		}
		if was, both := before[m.Serial]; both {
			d := m.Margin - was
			differences = append(differences, d)
			if d <= -s.Material {
				s.Worse++
			} else if d >= s.Material {
				s.Better++
			}
		}
	}
	s.UnitsA, s.UnitsB, s.Pairs = len(a), len(b), len(differences)
	return s, s.test(a, b, differences)
}

// test prefers pairs: what units differ in drops out of them.
func (s *MarginShift) test(a, b, differences []float64) error {
	var interval statistics.Interval
	switch {
	case len(differences) >= leastPairs:
		t, err := statistics.SignedRank(differences)
		if err != nil {
			return err
		}
		s.Method, s.P, s.Shift, interval = Paired, t.P(), t.Shift(), t.ShiftInterval(Level)
	case min(len(a), len(b)) >= leastEach:
		t, err := statistics.MannWhitney(b, a)
		if err != nil {
			return err
		}
		s.Method, s.P, s.Shift, interval = Unpaired, t.P(), t.Shift(), t.ShiftInterval(Level)
	default:
		return nil
	}
	s.Low, s.High = interval.Low, interval.High
	return nil
}
