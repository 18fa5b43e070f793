package conformance

import (
	"fmt"

	"benchyard/instruments/rf"
)

// outputPower returns the limit of 6.2: two-sided about the rated power, wider
// in the extreme environment. The tolerance is the same in both.
func (s checked) outputPower() []Requirement {
	t := s.set.Requirements.OutputPower
	environment, core := Normal, t.Core
	if s.Environment == Extreme {
		environment, core = Extreme, t.Extreme
	}
	r := s.single(OutputPowerClause, environment, "output power", "dBm", core, t.Source)
	r.Title = "output power against the rated carrier output power, " + environment + " environment"
	r.MeasurementBandwidth = s.Carrier.Bandwidth
	r.setTolerance(t.Tolerance, s.Carrier, r.Provenance)
	r.Lower = figure(float64(s.RatedPower) - r.Core - r.Tolerance)
	r.Upper = figure(float64(s.RatedPower) + r.Core + r.Tolerance)
	return []Requirement{r}
}

// dynamicRange returns the least difference between the greatest power of one
// OFDM symbol and that of one with a single resource block (6.3.3).
func (s checked) dynamicRange() ([]Requirement, error) {
	t := s.set.Requirements.DynamicRange
	row, err := s.set.blocks(s.Carrier.Bandwidth, s.Carrier.SCS)
	if err != nil {
		return nil, err
	}
	r := s.single(DynamicRangeClause, "", "total power dynamic range", "dB", row.DynamicRange, t.Source)
	r.Title = "total power dynamic range, all resource blocks against one"
	r.setTolerance(t.Tolerance, s.Carrier, r.Provenance)
	r.Lower = figure(r.Core - r.Tolerance)
	return []Requirement{r}, nil
}

// offPower returns the greatest power spectral density while a TDD transmitter
// is off (6.4.1), a mean over OffPowerWindow.
func (s checked) offPower() ([]Requirement, error) {
	if err := s.switches(OffPowerClause); err != nil {
		return nil, err
	}
	t := s.set.Requirements.OffPower
	r := s.single(OffPowerClause, "off power", "transmitter off power", "dBm/MHz", t.Core, t.Source)
	r.Title = fmt.Sprintf("transmitter OFF power, mean over %s", OffPowerWindow(s.Carrier.SCS))
	r.MeasurementBandwidth = s.Carrier.Configured()
	r.setTolerance(t.Tolerance, s.Carrier, r.Provenance)
	r.Upper = figure(r.Core + r.Tolerance)
	return []Requirement{r}, nil
}

// transient returns the longest time between OFF power and ON power, both ways (6.4.2).
func (s checked) transient() ([]Requirement, error) {
	if err := s.switches(TransientClause); err != nil {
		return nil, err
	}
	t := s.set.Requirements.Transient
	var list []Requirement
	for _, way := range []struct{ key, title string }{{"off-on", "OFF to ON"}, {"on-off", "ON to OFF"}} {
		r := s.single(TransientClause, "transient period", "transient period", "µs", t.Core, t.Source)
		r.Key += "/" + way.key
		r.Title = "transmitter transient period, " + way.title
		r.setTolerance(t.Tolerance, s.Carrier, r.Provenance)
		r.Upper = figure(r.Core + r.Tolerance)
		list = append(list, r)
	}
	return list, nil
}

// switches refuses a band whose transmitter is never off.
func (s checked) switches(clause string) error {
	if s.band.Duplex == "TDD" {
		return nil
	}
	return fmt.Errorf("conformance: %s is for TDD only (TS 38.104 6.4), and %s is a band for %s", clause, s.band.Name, s.band.Duplex)
}

// frequencyError returns the two-sided limit of the modulated carrier
// frequency, observed over 1 ms (6.5.2).
func (s checked) frequencyError() ([]Requirement, error) {
	t := s.set.Requirements.FrequencyError
	core, err := s.set.frequencyError(s.Class, s.Carrier.Center)
	if err != nil {
		return nil, err
	}
	r := s.single(FrequencyErrorClause, string(s.Class), "frequency error", "Hz", float64(core), t.Source)
	r.Title = "frequency error over 1 ms, class " + string(s.Class)
	r.setTolerance(t.Tolerance, s.Carrier, r.Provenance)
	r.Lower, r.Upper = figure(-r.Core-r.Tolerance), figure(r.Core+r.Tolerance)
	return []Requirement{r}, nil
}

// modulation returns the greatest error vector magnitude of the modulation of
// the subject, or of every modulation (6.5.3).
func (s checked) modulation() ([]Requirement, error) {
	t := s.set.Requirements.Modulation
	var list []Requirement
	seen := map[string]bool{}
	for _, row := range t.Rows {
		if seen[row.Name] || row.UpTo > 0 && s.Carrier.Center > row.UpTo || s.Modulation != "" && s.Modulation != row.Name {
			continue
		}
		seen[row.Name] = true
		r := s.single(ModulationClause, row.figure(), "error vector magnitude", "%", row.Percent, t.Source)
		r.Key += "/" + row.Name
		r.Title = "error vector magnitude, " + row.Name
		r.setTolerance(t.Tolerance, s.Carrier, r.Provenance)
		r.Upper = figure(r.Core + r.Tolerance)
		list = append(list, r)
	}
	if list == nil {
		return nil, fmt.Errorf("conformance: no error vector magnitude limit for %s at %s", s.Modulation, s.Carrier.Center)
	}
	return list, nil
}

// timeAlignment returns the greatest time alignment error: that of MIMO on one
// carrier, and those of the declared kinds of carrier aggregation (6.5.4).
func (s checked) timeAlignment() []Requirement {
	t := s.set.Requirements.TimeAlignment
	var list []Requirement
	for _, row := range t.Rows {
		if row.Option != "" && !s.declares(row.Option) {
			continue
		}
		r := s.single(TimeAlignmentClause, row.Name, "time alignment error", "ns", row.Core, t.Source)
		r.Key += "/" + row.Name
		r.Title = "time alignment error, " + row.Title
		r.setTolerance(t.Tolerance, s.Carrier, r.Provenance)
		r.Upper = figure(r.Core + r.Tolerance)
		list = append(list, r)
	}
	return list
}

// single begins the limit of a clause that is answered by one value. The figure
// is the name under which a lab may replace the core value.
func (s checked) single(clause, figure, quantity, unit string, core float64, printed source) Requirement {
	from := s.set.coreSource(clause, figure, printed)
	return Requirement{
		Key:         clause,
		Clause:      clause,
		Quantity:    quantity,
		Unit:        unit,
		Core:        core,
		CoreTo:      core,
		Frequencies: s.Carrier.Edges(),
		CoreSource:  from.String(),
		Provenance:  from.Provenance, // until a tolerance is put on it
		Loosened:    s.set.loosenings(clause, figure),
	}
}

// within narrows a limit over frequency to part of its span. Key and title
// stay; a sloping limit is taken where the new ends are.
func (r Requirement) within(span rf.Range) Requirement {
	upper := r.upperAt(span.Low)
	upperTo := r.upperAt(span.High)
	outer := span.High - r.Frequencies.Low
	inner := span.Low - r.Frequencies.Low
	if r.Side == LowerSide {
		upper, upperTo = upperTo, upper
		inner, outer = r.Frequencies.High-span.High, r.Frequencies.High-span.Low
	}
	r.Frequencies = span
	if r.OffsetTo != 0 {
		r.OffsetFrom, r.OffsetTo = r.OffsetFrom+inner, r.OffsetFrom+outer
	}
	if r.UpperTo != nil {
		r.Core, r.CoreTo = clean(*upper-r.Tolerance), clean(*upperTo-r.Tolerance)
		r.Upper, r.UpperTo = upper, upperTo
	}
	if r.coreSum != nil { // tolerances of both sides differ
		r.Core, r.CoreTo = clean(sumAt(r.coreSum, span.Low)), clean(sumAt(r.coreSum, span.High))
		if r.Side == LowerSide {
			r.Core, r.CoreTo = r.CoreTo, r.Core
		}
	}
	return r
}
