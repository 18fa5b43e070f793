package conformance

import (
	"errors"
	"fmt"
	"slices"

	"benchyard/instruments/rf"
)

// validate reports every figure of the set that cannot be right. Each message
// names the row, so that a mistyped limit is found without a debugger.
func (l *limitSet) validate() error {
	return errors.Join(l.validateBands(), l.validateChannels(), l.validateMasks(), l.validateRequirements(), l.validateTransmitted(), l.validateOptions())
}

func (l *limitSet) validateBands() error {
	var problems []error
	if len(l.Bands.Bands) == 0 {
		return errors.New("bands.yaml: no bands")
	}
	seen := map[string]bool{}
	for _, b := range l.Bands.Bands {
		if seen[b.Name] {
			problems = append(problems, fmt.Errorf("band %s stands twice", b.Name))
		}
		seen[b.Name] = true
		if err := l.validateBand(b); err != nil {
			problems = append(problems, fmt.Errorf("band %s: %w", b.Name, err))
		}
	}
	return errors.Join(append(problems, l.Bands.Source.validate("bands"))...)
}

func (l *limitSet) validateBand(b bandRow) error {
	dl := b.Spectrum.Downlink
	switch {
	case !slices.Contains([]string{"FDD", "TDD", "SDL", "SUL"}, b.Spectrum.Duplex):
		return fmt.Errorf("unknown duplex mode %q", b.Spectrum.Duplex)
	case b.Spectrum.Duplex == "SUL":
		if dl != (rf.Range{}) || b.Refused == "" {
			return errors.New("a supplementary uplink has no downlink and a reason for refusal")
		}
		return nil
	case !(dl.Low > 0 && dl.High > dl.Low):
		return fmt.Errorf("downlink %s to %s is no range", dl.Low, dl.High)
	case b.Emissions.DeltaC <= 0:
		return errors.New("delta f_OBUE of type 1-C is missing")
	case b.Emissions.SpuriousUpper < 12.75e9 || b.Emissions.SpuriousUpper > 26e9:
		return fmt.Errorf("upper spurious limit %s is outside 12.75 to 26 GHz", b.Emissions.SpuriousUpper)
	case len(b.Rasters) == 0:
		return errors.New("no channel raster")
	case b.Refused == "" && len(b.Bandwidths.SCS15) == 0:
		return errors.New("no channel bandwidth at 15 kHz and no reason for refusal")
	}
	for _, r := range b.Rasters {
		if r.Every <= 0 || r.Last < r.First || (r.Last-r.First)%r.Every != 0 {
			return fmt.Errorf("raster %d-<%d>-%d does not end on a step", r.First, r.Every, r.Last)
		}
	}
	return l.validateBandwidths(b)
}

// validateBandwidths asks that every bandwidth of a band has a row of resource blocks.
func (l *limitSet) validateBandwidths(b bandRow) error {
	for scs, list := range map[rf.Hertz][]float64{
		15e3: b.Bandwidths.SCS15, 30e3: b.Bandwidths.SCS30, 60e3: b.Bandwidths.SCS60,
	} {
		for _, mhz := range list {
			if !slices.ContainsFunc(l.Channels.ResourceBlocks.Rows, func(r blockRow) bool {
				return r.SCS == scs && r.Bandwidth == rf.Hertz(mhz)*1e6
			}) {
				return fmt.Errorf("%s MHz at %s has no row of resource blocks", trimmed(mhz), scs)
			}
		}
	}
	return nil
}

func (l *limitSet) validateChannels() error {
	var problems []error
	for _, r := range append(slices.Clone(l.Channels.Numbering.Rows), l.Channels.Synchronisation.Rows...) {
		if r.Step <= 0 || r.Last <= r.First {
			problems = append(problems, fmt.Errorf("channels.yaml: numbers %d to %d in steps of %s make no sense", r.First, r.Last, r.Step))
		}
	}
	for _, r := range l.Channels.ResourceBlocks.Rows {
		if r.Blocks <= 0 || 12*r.SCS*rf.Hertz(r.Blocks) >= r.Bandwidth {
			problems = append(problems, fmt.Errorf("channels.yaml: %d resource blocks at %s do not fit in %s", r.Blocks, r.SCS, r.Bandwidth))
		}
	}
	return errors.Join(append(problems,
		l.Channels.Numbering.Source.validate("numbering"),
		l.Channels.Synchronisation.Source.validate("synchronisation"),
		l.Channels.ResourceBlocks.Source.validate("resource blocks"))...)
}

func (l *limitSet) validateMasks() error {
	var problems []error
	if len(l.Masks.Masks) == 0 {
		return errors.New("masks.yaml: no masks")
	}
	for _, m := range l.Masks.Masks {
		if err := l.validateMask(m); err != nil {
			problems = append(problems, fmt.Errorf("mask %s: %w", m.Name, err))
		}
	}
	return errors.Join(problems...)
}

func (l *limitSet) validateMask(m maskRow) error {
	if _, err := ParseClass(string(m.Class)); err != nil {
		return err
	}
	if m.Clause == "" || m.TestClause == "" || len(m.Applies) == 0 || len(m.Segments) == 0 {
		return errors.New("clause, test clause, scope and segments are required")
	}
	for _, a := range m.Applies {
		if err := l.knows(a); err != nil {
			return err
		}
	}
	end := rf.Hertz(0)
	for i, s := range m.Segments {
		_, known := l.Requirements.OperatingBand[s.Tolerance]
		switch {
		case s.From < end || s.From <= 0:
			return fmt.Errorf("segment %d starts at %s, before the one below it ends", i+1, s.From)
		case s.To == 0 && (i != len(m.Segments)-1 || s.CoreTo != nil):
			return fmt.Errorf("segment %d has no end", i+1)
		case s.To != 0 && s.To <= s.From:
			return fmt.Errorf("segment %d ends at %s, before it starts", i+1, s.To)
		case s.Filter <= 0:
			return fmt.Errorf("segment %d has no measurement bandwidth", i+1)
		case !known && s.Tolerance != "unverified" && s.Tolerance != "unknown":
			return fmt.Errorf("segment %d names the unknown tolerance %q", i+1, s.Tolerance)
		case !trusted(s.Provenance):
			return fmt.Errorf("segment %d: provenance %q is neither spec nor memory", i+1, s.Provenance)
		}
		end = s.To
	}
	return nil
}

// knows reports a band that a scope names and the set does not have.
func (l *limitSet) knows(a scope) error {
	for _, name := range append(slices.Clone(a.Bands), a.Except...) {
		if !slices.ContainsFunc(l.Bands.Bands, func(b bandRow) bool { return b.Name == name }) {
			return fmt.Errorf("names the unknown band %q", name)
		}
	}
	return nil
}

// validateEUTRA asks for a neighbour that lies wholly beside the channel.
func (l *limitSet) validateEUTRA() error {
	e := l.Requirements.LeakageRatio.EUTRA
	if err := l.knows(e.Applies); err != nil {
		return fmt.Errorf("leakage into E-UTRA: %w", err)
	}
	for _, offset := range e.Offsets {
		if !(e.Filter > 0) || offset < e.Filter/2 {
			return fmt.Errorf("leakage into E-UTRA: a filter of %s at %s from the channel edge is not beside the channel", e.Filter, offset)
		}
	}
	return e.Source.validate("leakage into E-UTRA")
}

func (l *limitSet) validateRequirements() error {
	r := l.Requirements
	if r.LimitSet == "" || r.Summary == "" {
		return errors.New("requirements.yaml: the limit set has no name or no summary")
	}
	problems := []error{
		r.Classes.Source.validate("classes"),
		r.OutputPower.Source.validate("output power"), r.OutputPower.Tolerance.validate("output power"),
		r.OccupiedBandwidth.Source.validate("occupied bandwidth"), r.OccupiedBandwidth.Tolerance.validate("occupied bandwidth"),
		r.LeakageRatio.Source.validate("leakage ratio"), r.LeakageRatio.Tolerance.validate("leakage ratio"),
		l.validateEUTRA(), l.validateGaps(),
		r.LeakageRatio.Absolute.Source.validate("absolute leakage"), r.LeakageRatio.AbsoluteTolerance.validate("absolute leakage"),
		r.Spurious.Source.validate("spurious emissions"), r.Spurious.Tolerance.validate("spurious emissions"),
		r.FrequencyError.Source.validate("frequency error"), r.FrequencyError.Tolerance.validate("frequency error"),
	}
	for name, t := range r.OperatingBand {
		problems = append(problems, t.validate("operating band, "+name))
	}
	for i, row := range r.Spurious.Rows {
		if i > 0 && row.From != r.Spurious.Rows[i-1].To || row.Filter <= 0 {
			problems = append(problems, fmt.Errorf("spurious range from %s leaves a gap or has no measurement bandwidth", row.From))
		}
	}
	return errors.Join(problems...)
}

func (t tolerance) validate(what string) error {
	if len(t.Rows) == 0 {
		return fmt.Errorf("%s: the tolerance has no rows", what)
	}
	for _, row := range t.Rows {
		if row.UpTo <= 0 || row.UpTo <= row.Above || row.Value < 0 {
			return fmt.Errorf("%s: tolerance %g up to %s must not be negative and needs a frequency", what, row.Value, row.UpTo)
		}
	}
	return t.Source.validate(what + " tolerance")
}

func (s source) validate(what string) error {
	if s.Version == "" || s.Clause == "" || !trusted(s.Provenance) {
		return fmt.Errorf("%s: every figure needs clause, version and provenance (spec or memory)", what)
	}
	return nil
}

func trusted(provenance string) bool {
	return provenance == "spec" || provenance == "memory" || provenance == "lab"
}
