package conformance

import (
	"errors"
	"fmt"
	"math"
	"sort"

	"benchyard/instruments/rf"
	"benchyard/jobs/uncertainty"
)

// known is how well a figure is known.
type known struct {
	standard, expanded float64
	budget             *uncertainty.Budget // nil where only the sum is known
}

func knownBy(b *uncertainty.Budget) known { return known{b.Combined, b.Expanded, b} }

// knownAt returns the uncertainty of a reading at a frequency: the budget of
// its span, of the whole reading, or the one figure that stands for it.
func (r Reading) knownAt(f rf.Hertz) known {
	for _, s := range r.Spans {
		if f <= s.To {
			return knownBy(s.Budget)
		}
	}
	if n := len(r.Spans); n > 0 {
		return knownBy(r.Spans[n-1].Budget)
	}
	if r.Budget != nil {
		return knownBy(r.Budget)
	}
	return known{standard: r.Uncertainty / 2, expanded: r.Uncertainty}
}

// budgeted reports the first reason why the budgets of a reading cannot be used.
func (r Reading) budgeted(req Requirement) error {
	budgets := []*uncertainty.Budget{}
	for i, s := range r.Spans {
		switch {
		case r.Series == nil:
			return errors.New("one value has one budget, not spans of them")
		case s.Budget == nil || i > 0 && !(s.To > r.Spans[i-1].To):
			return fmt.Errorf("span %d of the uncertainty has no budget or does not rise", i+1)
		case i == len(r.Spans)-1 && s.To < req.Frequencies.High-edgeSlack:
			return fmt.Errorf("the uncertainty is known up to %s, the limit ends at %s", s.To, req.Frequencies.High)
		}
		budgets = append(budgets, s.Budget)
	}
	for _, b := range append(budgets, r.Budget, r.Absolute) {
		if b != nil && !(b.Combined >= 0 && b.Expanded >= b.Combined && isNumber(b.Expanded)) {
			return fmt.Errorf("budget with standard uncertainty %g and expanded uncertainty %g is none", b.Combined, b.Expanded)
		}
	}
	return nil
}

// stretch is a run of points of a series with one uncertainty, of which one is
// permitted.
type stretch struct {
	from, to int // points, the last excluded
	known    known
	most     *float64
}

// stretches splits the points of a series where its uncertainty, or the
// permitted one, changes.
func (r Reading) stretches(req Requirement) []stretch {
	var list []stretch
	f := r.Series.Frequencies
	for from := 0; from < len(f); {
		at := rf.Hertz(f[from])
		end := rf.Hertz(math.Inf(1))
		for _, s := range r.Spans[:max(0, len(r.Spans)-1)] {
			if at <= s.To {
				end = min(end, s.To)
			}
		}
		for _, s := range req.MaxUncertainty {
			if s.UpTo != 0 && at <= s.UpTo {
				end = min(end, s.UpTo)
			}
		}
		to := from + sort.Search(len(f)-from, func(i int) bool { return rf.Hertz(f[from+i]) > end })
		list = append(list, stretch{from, to, r.knownAt(at), req.MaxUncertainty.At(at)})
		from = to
	}
	return list
}

// scale returns what makes the margins of figures comparable that are not known
// equally well: one where the limit itself decides, else what the rule measures
// the distance in. Zero where it needs an uncertainty and there is none.
func (d DecisionRule) scale(k known) float64 {
	switch {
	case d.tightens():
		return 1
	case !(k.expanded > 0):
		return 0
	case d.Probability > 0:
		return 1 / k.standard
	}
	return 1 / k.expanded
}

// excess returns by how much the rule tightens a requirement: what the
// uncertainty has beyond the permitted one (TS 38.141-1 4.1.2, from memory;
// TS 37.571-1 C.3 has the same rule).
func (d DecisionRule) excess(k known, most *float64) float64 {
	if most == nil || !d.tightens() {
		return 0
	}
	return max(0, clean(k.expanded-*most))
}
