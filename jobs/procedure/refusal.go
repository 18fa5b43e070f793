package procedure

import (
	"fmt"
	"math"
	"strings"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
)

// refusal says why a trace does not answer: how far it falls short of the span
// on either side, or else what is wrong with its filter or its points.
type refusal struct {
	need         need
	name         string // of the trace that comes nearest
	below, above rf.Hertz
	reason       error
}

// Unwrap marks every refusal as ErrNotCovered.
func (r *refusal) Unwrap() error { return ErrNotCovered }

// Error says it as "6.6.4: trace.csv: span ends 12.4 MHz before the mask does".
func (r *refusal) Error() string {
	var parts []string
	if r.below > 0 {
		parts = append(parts, fmt.Sprintf("span starts %s after %s does", rough(r.below), r.need.what))
	}
	if r.above > 0 {
		parts = append(parts, fmt.Sprintf("span ends %s before %s does", rough(r.above), r.need.what))
	}
	if r.reason != nil {
		parts = append(parts, r.reason.Error())
	}
	return fmt.Sprintf("%s: %s: %s", r.need.clause, r.name, strings.Join(parts, " and "))
}

func (r *refusal) far() rf.Hertz { return r.below + r.above }

// merged joins the refusals of the segments of a mask when there is one trace:
// then it is the mask as a whole that it does not reach over. With several the
// segment that is missing is named.
func merged(list []refusal, traces int) []*refusal {
	var out []*refusal
	for i := range list {
		r := &list[i]
		if r.need.clause != conformance.OperatingBandClause {
			out = append(out, r)
			continue
		}
		if traces > 1 || r.far() == 0 {
			r.need.what = fmt.Sprintf("segment %s, %s to %s,", strings.TrimPrefix(r.need.role, r.need.clause+"/"), r.need.span.Low, r.need.span.High)
			if r.reason != nil {
				r.reason = fmt.Errorf("%s %w", r.need.what, r.reason)
			}
			out = append(out, r)
			continue
		}
		if len(out) == 0 || out[0].reason != nil {
			out = append([]*refusal{r}, out...)
			continue
		}
		out[0].below, out[0].above = max(out[0].below, r.below), max(out[0].above, r.above)
	}
	return out
}

// rough is a width for people: four digits of it.
func rough(f rf.Hertz) rf.Hertz {
	digit := math.Pow(10, math.Floor(math.Log10(float64(f)))-3)
	return rf.Hertz(math.Round(math.Round(float64(f)/digit)*digit*1e3) / 1e3)
}
