package procedure

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
	"benchyard/jobs/uncertainty"
)

// External is a trace that no plan asked for: levels as they stood at the input
// of whatever took it. Name is what messages call it.
type External struct {
	Name     string
	Spectrum rf.Spectrum
	// Floor is the same sweep with nothing but noise, to be taken out of the
	// figures. Nil: they stay as measured. All traces of a call have one, or none.
	Floor *rf.Spectrum
}

// Answer is what external traces say about one clause.
type Answer struct {
	Requirements []conformance.Requirement // those that were answered
	Readings     []conformance.Reading     // one for each of them
	Notes        []string                  // what the figures rest on, for people
	// Missing says which frequency ranges of a spurious limit were not covered.
	// Any other clause is answered whole or not at all.
	Missing []error
}

// ErrNotCovered says that no trace reaches over all that a clause looks at, or
// that none was taken with a filter and a spacing that serve it.
var ErrNotCovered = errors.New("not covered")

// AnalyzeExternal returns the readings of one clause from traces that come from
// elsewhere, by the same arithmetic as Analyze: each trace is cut to what Plan
// would have swept and stands in for that sweep. Gate and duplex mode are not
// known: a trace of a TDD carrier is taken to show its ON period.
//
// A trace answers where it reaches over the whole span of a limit, through a
// filter that the limit admits and with points close enough for that filter. Of
// several that do the first is taken. Nothing is ever extrapolated: what is missing is an ErrNotCovered that
// says by how much ("span ends 12.4 MHz before the mask does").
func AnalyzeExternal(clause string, s Setup, traces []External) (Answer, error) {
	if n := len(s.Subject.Carriers); n > 1 {
		return Answer{}, fmt.Errorf("procedure: %s: traces from elsewhere are analyzed for one carrier, not for a configuration of %d", clause, n)
	}
	if len(traces) == 0 {
		return Answer{}, fmt.Errorf("procedure: %s: %w: there is no trace", clause, ErrNotCovered)
	}
	for _, t := range traces {
		if err := t.Validate(); err != nil {
			return Answer{}, err
		}
		if (t.Floor == nil) != (traces[0].Floor == nil) {
			return Answer{}, fmt.Errorf("procedure: trace %s: %w: some traces have a floor, others none", t.Name, uncertainty.ErrFloor)
		}
	}
	s, err := s.withDuplex()
	if err != nil {
		return Answer{}, err
	}
	var out Answer
	if s.Duplex == "TDD" {
		out.note("the trace is taken to show the ON period")
		s.Duplex = "FDD" // nothing is left to be gated
	}
	m, s, requirements, err := prepare(clause, s)
	if err != nil {
		return Answer{}, err
	}
	planned, err := m.plan(s, requirements)
	if err != nil {
		return Answer{}, err
	}
	var chosen, floor []Trace
	var missing []refusal
	for _, n := range s.needs(clause, requirements, planned) {
		from, refused := n.choose(traces)
		if refused != nil {
			missing = append(missing, *refused)
			continue
		}
		t := n.cut(from.Spectrum)
		chosen = append(chosen, t)
		out.note(n.remarks(t.Spectrum)...)
		if from.Floor != nil {
			floor = append(floor, n.cut(*from.Floor))
		}
	}
	for _, r := range merged(missing, len(traces)) {
		out.Missing = append(out.Missing, r)
	}
	if len(missing) > 0 && (clause != conformance.SpuriousEmissionsClause || len(chosen) == 0) {
		return Answer{}, errors.Join(out.Missing...)
	}
	for _, r := range requirements {
		if clause != conformance.SpuriousEmissionsClause || slices.ContainsFunc(chosen, func(t Trace) bool { return t.Role == r.Key }) {
			out.Requirements = append(out.Requirements, r)
		}
	}
	if out.Readings, err = m.analyze(s, out.Requirements, chosen); err != nil || len(floor) == 0 {
		return out, err
	}
	if !hasFloor(clause) {
		out.note("the noise floor is never taken out of an occupied bandwidth")
		return out, nil
	}
	out.note("the noise floor is taken to have the detector, averages, attenuation and reference level of the trace: its file does not tell them")
	out.Readings, err = m.lessFloor(clause, s, out.Requirements, Measured{chosen, out.Readings}, floor)
	return out, err
}

func (a *Answer) note(notes ...string) {
	for _, n := range notes {
		if !slices.Contains(a.Notes, n) {
			a.Notes = append(a.Notes, n)
		}
	}
}

// need is one trace that a clause wants.
type need struct {
	clause, role, what string
	span               rf.Range // frequencies the trace has to reach over
	want               rf.Range // what a bench would sweep; the trace is cut to it
	filter             rf.Hertz // measurement bandwidth of a limit over frequency; zero for a figure of the channel
	channel, narrowest rf.Hertz // channel bandwidth, and the narrowest window that is summed
}

// needs lists the traces of a clause, one for each role of the plan.
func (s Setup) needs(clause string, requirements []conformance.Requirement, planned []Planned) []need {
	c := s.Subject.Carrier
	var list []need
	for _, p := range planned {
		n := need{clause: clause, role: p.Role, want: rf.Range{Low: p.Sweep.Start, High: p.Sweep.Stop}, channel: c.Bandwidth, narrowest: c.Bandwidth}
		switch clause {
		case conformance.OutputPowerClause:
			n.what, n.span = "the channel", c.Edges()
		case conformance.OccupiedBandwidthClause:
			n.what, n.span = "twice the channel bandwidth", n.want
		case conformance.LeakageRatioClause:
			n.what, n.span = "the outermost adjacent channel", around(c.Center, c.Configured())
			for _, r := range requirements {
				window := around(adjacentCentre(r), r.MeasurementBandwidth)
				n.span = rf.Range{Low: min(n.span.Low, window.Low), High: max(n.span.High, window.High)}
				n.narrowest = min(n.narrowest, r.MeasurementBandwidth)
			}
		default:
			i := slices.IndexFunc(requirements, func(r conformance.Requirement) bool { return r.Key == p.Role })
			r := requirements[i]
			n.what, n.span, n.filter = "the mask", r.Frequencies, r.MeasurementBandwidth
			if clause == conformance.SpuriousEmissionsClause {
				n.what = fmt.Sprintf("the range %s to %s", r.Frequencies.Low, r.Frequencies.High)
			}
		}
		list = append(list, n)
	}
	return list
}

// choose picks the first trace that answers, and otherwise says why the one that
// comes nearest does not.
func (n need) choose(traces []External) (External, *refusal) {
	var nearest *refusal
	for _, t := range traces {
		span := n.span
		if n.filter > 0 && integrates(t.Spectrum, n.filter) {
			span = widen(span, n.filter/2)
		}
		have := widen(t.Spectrum.Range(), t.Spectrum.Step/2*(1+1e-6))
		r := refusal{need: n, name: t.Name, below: max(have.Low-span.Low, 0), above: max(span.High-have.High, 0)}
		if r.far() == 0 {
			if r.reason = n.resolves(t.Spectrum); r.reason == nil {
				return t, nil
			}
		}
		if nearest == nil || r.far() < nearest.far() {
			nearest = &r
		}
	}
	return External{}, nearest
}

// cut makes the trace of a role: what a bench would have swept. What is
// integrated keeps half a measurement bandwidth more at both ends.
func (n need) cut(s rf.Spectrum) Trace {
	part := n.want
	if n.filter > 0 {
		part = n.span
		if integrates(s, n.filter) {
			part = widen(n.span, n.filter/2+s.RBW)
		}
	}
	s = cutTo(s, part)
	return Trace{Role: n.role, Spectrum: s, Sweep: rf.Sweep{Start: s.Start, Stop: s.Stop(), RBW: s.RBW, Points: len(s.Levels)}}
}

// cutTo returns the part of a trace inside r, ends included to a hundredth of a
// step. The levels are not copied.
func cutTo(s rf.Spectrum, r rf.Range) rf.Spectrum {
	last := len(s.Levels) - 1
	first := min(max(int(math.Ceil(float64((r.Low-s.Start)/s.Step)-0.01)), 0), last)
	end := min(max(int(math.Floor(float64((r.High-s.Start)/s.Step)+0.01)), first), last)
	if first > 0 {
		s.Start = s.Frequency(first)
	}
	s.Levels = s.Levels[first : end+1]
	return s
}
