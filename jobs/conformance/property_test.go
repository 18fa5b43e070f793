package conformance_test

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
)

// subjects places one carrier in the middle of every band that has one.
func subjects(t *testing.T, d conformance.Declaration) []conformance.Subject {
	t.Helper()
	var list []conformance.Subject
	for _, b := range conformance.Bands() {
		widths := b.Bandwidths(15e3)
		if b.Refused != "" {
			continue
		}
		c, err := conformance.Place(b.Name, conformance.Middle, widths[len(widths)-1], 15e3)
		if err != nil {
			t.Fatal(err)
		}
		list = append(list, conformance.Subject{Declaration: d, Carrier: c})
	}
	return list
}

// Moving away from the carrier behind one filter, a mask never rises (the far
// segment aside, which may stand above the one before it), and it is the same on
// both sides.
func TestMasksFallAwayFromTheCarrier(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	pairs := 0
	for _, d := range declarations() {
		for _, s := range subjects(t, d) {
			masks, err := conformance.Requirements(s, conformance.OperatingBandClause)
			if err != nil {
				continue // no mask for the declaration: another test's matter
			}
			edges := s.Carrier.Edges()
			for range 40 {
				a, b := rf.Hertz(rng.Float64()*10e6), rf.Hertz(rng.Float64()*10e6)
				near, far := masked(masks, conformance.UpperSide, edges, min(a, b)), masked(masks, conformance.UpperSide, edges, max(a, b))
				if near == nil || far == nil || near.filter != far.filter {
					continue
				}
				pairs++
				if far.limit > near.limit+1e-9 && !far.last {
					t.Errorf("%s %s %s%d: %g dBm at %s, %g dBm at %s", s.Carrier.Band, s.Class, s.Category, s.CategoryBOption, near.limit, min(a, b), far.limit, max(a, b))
				}
				if below := masked(masks, conformance.LowerSide, edges, min(a, b)); below != nil && (below.limit-near.limit > 2e-9 || near.limit-below.limit > 2e-9) {
					t.Errorf("%s: %g dBm above and %g dBm below the channel at %s", s.Carrier.Band, near.limit, below.limit, min(a, b))
				}
			}
		}
	}
	if pairs < 10_000 {
		t.Errorf("only %d pairs were compared", pairs)
	}
}

// onMask is a mask at one offset.
type onMask struct {
	limit  float64
	filter rf.Hertz
	last   bool // in the segment that ends with the region
}

// masked returns the mask at an offset, nil where it has no segment.
func masked(masks []conformance.Requirement, side conformance.Side, edges rf.Range, offset rf.Hertz) *onMask {
	at := edges.High + offset
	if side == conformance.LowerSide {
		at = edges.Low - offset
	}
	for i, r := range masks {
		if r.Side == side && offset >= r.OffsetFrom && offset < r.OffsetTo {
			last := i+1 == len(masks) || masks[i+1].Side != side
			return &onMask{*r.UpperAt(at), r.MeasurementBandwidth, last}
		}
	}
	return nil
}

// A file that says of no entry that it loosens a limit never does: whatever its
// ranges and values, no bound of any clause in any band is wider than before.
func TestFilesNeverLoosenInSilence(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	all := subjects(t, wideA(46))
	accepted, narrowed := 0, 0
	for range 1500 {
		set, err := conformance.Embedded().With("random.yaml", []byte(randomFile(rng)))
		if err != nil {
			continue
		}
		accepted++
		s := all[rng.IntN(len(all))]
		for _, clause := range []string{"6.2", "6.3.3", "6.5.2", "6.5.3", "6.6.3", "6.6.4"} {
			before, errBefore := conformance.Requirements(s, clause)
			after, errAfter := set.Requirements(s, clause)
			if (errBefore == nil) != (errAfter == nil) || len(before) != len(after) {
				t.Fatalf("%s in %s: %v and %v", clause, s.Carrier.Band, errBefore, errAfter)
			}
			for i := range after {
				a, b := after[i], before[i]
				wider := a.Upper != nil && *a.Upper > *b.Upper+1e-9 || a.Lower != nil && *a.Lower < *b.Lower-1e-9
				if wider {
					t.Errorf("%s in %s is wider under %s", a.Key, s.Carrier.Band, a.ToleranceSource)
				}
				if a.Tolerance < b.Tolerance {
					narrowed++
				}
			}
		}
	}
	if accepted < 100 || narrowed < 100 {
		t.Errorf("only %d files were accepted and %d limits narrowed", accepted, narrowed)
	}
}

// randomFile writes one or two tolerances over random ranges.
func randomFile(rng *rand.Rand) string {
	figures := []string{`"6.2"`, `"6.3.3"`, `"6.5.2"`, `"6.5.3"`, `"6.6.3", figure: relative`, `"6.6.4", figure: near`, `"6.6.4", figure: zero`}
	var b strings.Builder
	b.WriteString("limits: random/1\nbase: ts-38.141-1/2026-11\ntolerances:\n")
	for range 1 + rng.IntN(2) {
		above := rng.IntN(7)
		fmt.Fprintf(&b, "  - {clause: %s, above: %dGHz, up_to: %dGHz, value: %.1f, source: dice", figures[rng.IntN(len(figures))],
			above, above+1+rng.IntN(3), rng.Float64()*2)
		if rng.IntN(2) == 0 {
			fmt.Fprintf(&b, ", bandwidth_up_to: %dMHz", 5*(1+rng.IntN(20)))
		}
		if rng.IntN(3) == 0 {
			b.WriteString(", bands: [n1, n78]")
		}
		b.WriteString("}\n")
	}
	return b.String()
}
