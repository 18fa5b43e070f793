package conformance

import (
	"errors"
	"fmt"

	"benchyard/instruments/rf"
)

// validateOptions reports what cannot be right among the optional limits.
func (l *limitSet) validateOptions() error {
	o := l.Options
	problems := []error{
		o.Protection.Source.validate("protection"), o.Protection.Tolerance.validate("protection"),
		o.Coexistence.Source.validate("co-existence"), o.Coexistence.Tolerance.validate("co-existence"),
		o.Colocation.Source.validate("co-location"), o.Colocation.Tolerance.validate("co-location"),
		o.Tolerance.validate("additional limits"),
	}
	if o.Protection.Filter <= 0 || o.Coexistence.Downlink.Filter <= 0 || o.Coexistence.Uplink.Filter <= 0 || o.Colocation.Filter <= 0 {
		problems = append(problems, errors.New("options.yaml: protection, co-existence and co-location need a measurement bandwidth"))
	}
	for _, s := range o.Coexistence.Systems {
		if !isRange(s.Downlink) || !isRange(s.Uplink) || s.Filter <= 0 {
			problems = append(problems, fmt.Errorf("co-existence with %s: a range or the measurement bandwidth is missing", s.Name))
		}
	}
	for _, s := range o.Colocation.Systems {
		if !isRange(s.Uplink) {
			problems = append(problems, fmt.Errorf("co-location with %s: the uplink is missing", s.Name))
		}
	}
	for _, row := range o.Coexistence.Nearer {
		problems = append(problems, l.knows(scope{Bands: row.Bands, Except: row.With}))
	}
	for i, row := range o.Colocation.Bands {
		if last := i == len(o.Colocation.Bands)-1; last != (len(row.Bands) == 0) {
			problems = append(problems, errors.New("co-location: the last row, and only that, holds for the other bands"))
		}
		problems = append(problems, l.knows(scope{Bands: row.Bands}))
	}
	for _, g := range o.Groups {
		if err := l.validateGroup(g); err != nil {
			problems = append(problems, fmt.Errorf("option %s: %w", g.Name, err))
		}
	}
	return errors.Join(problems...)
}

func (l *limitSet) validateGroup(g optionGroup) error {
	switch {
	case g.Name == "" || g.Title == "":
		return errors.New("name and title are required")
	case g.Clause != OperatingBandClause && g.Clause != SpuriousEmissionsClause:
		return fmt.Errorf("additional limits belong to %s or %s, not %q", OperatingBandClause, SpuriousEmissionsClause, g.Clause)
	case (g.Refused == "") != (len(g.Rows) > 0):
		return errors.New("either rows or a reason for refusal")
	}
	for i, row := range g.Rows {
		open := row.From == 0 || row.To == 0
		switch {
		case row.Filter <= 0:
			return fmt.Errorf("row %d has no measurement bandwidth", i+1)
		case open && (row.Beside || row.Filter != rf.Megahertz || row.From == row.To):
			return fmt.Errorf("row %d is open, which only a range measured in 1 MHz may be, at one end", i+1)
		case !open && !row.Beside && row.To-row.From < row.Filter, row.Beside && row.To < row.From:
			return fmt.Errorf("row %d, %s to %s, has no room for its filter of %s", i+1, row.From, row.To, row.Filter)
		}
	}
	return errors.Join(l.knows(scope{Bands: g.Bands}), g.Source.validate("limits"))
}

func isRange(r rf.Range) bool { return r.Low > 0 && r.High > r.Low }

// validateTransmitted reports what cannot be right among the limits of 6.2 to 6.5.
func (l *limitSet) validateTransmitted() error {
	r := l.Requirements
	problems := []error{
		r.DynamicRange.Source.validate("dynamic range"), r.DynamicRange.Tolerance.validate("dynamic range"),
		r.OffPower.Source.validate("off power"), r.OffPower.Tolerance.validate("off power"),
		r.Transient.Source.validate("transient period"), r.Transient.Tolerance.validate("transient period"),
		r.Modulation.Source.validate("modulation"), r.Modulation.Tolerance.validate("modulation"),
		r.TimeAlignment.Source.validate("time alignment"), r.TimeAlignment.Tolerance.validate("time alignment"),
		r.Intermodulation.Source.validate("intermodulation"),
	}
	if !(r.OutputPower.Core > 0) || r.OutputPower.Extreme < r.OutputPower.Core {
		problems = append(problems, fmt.Errorf("output power: %g dB in the extreme environment is narrower than %g dB in the normal one", r.OutputPower.Extreme, r.OutputPower.Core))
	}
	if !(r.Transient.Core > 0) {
		problems = append(problems, fmt.Errorf("transient period of %g µs is no time", r.Transient.Core))
	}
	for _, row := range r.FrequencyError.Rows {
		if !(row.PPM > 0) {
			problems = append(problems, fmt.Errorf("frequency error of class %s is %g ppm", row.Class, row.PPM))
		}
	}
	for _, row := range r.Modulation.Rows {
		if row.Name == "" || !(row.Percent > 0 && row.Percent < 100) {
			problems = append(problems, fmt.Errorf("error vector magnitude of %q is %g %%", row.Name, row.Percent))
		}
	}
	for _, row := range r.TimeAlignment.Rows {
		if row.Name == "" || row.Title == "" || !(row.Core > 0) {
			problems = append(problems, fmt.Errorf("time alignment error %q is %g ns", row.Name, row.Core))
		}
	}
	for _, row := range r.Classes.Regional {
		if !(row.Watts > 0) || !(row.Bandwidth > 0) {
			problems = append(problems, fmt.Errorf("rated power under %s: %g W in %s", row.Option, row.Watts, row.Bandwidth))
		}
		problems = append(problems, l.knows(scope{Bands: row.Bands}))
	}
	for _, more := range r.Intermodulation.More {
		if !(more.Bandwidth > 0) {
			problems = append(problems, errors.New("intermodulation: an interferer has no bandwidth"))
		}
		problems = append(problems, l.knows(scope{Bands: more.Bands}))
	}
	return errors.Join(append(problems, l.knows(scope{Bands: r.Intermodulation.Anywhere}))...)
}
