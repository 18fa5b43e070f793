package conformance

import (
	"fmt"
	"math"
	"slices"

	"benchyard/instruments/rf"
)

// maxTransmitUnits is the greatest NTXU,countedpercell: at most eight units
// are counted for each cell (TS 38.104 6.1).
const maxTransmitUnits = 8

// Validate reports the first reason why nothing can be judged under the
// declaration: an unknown word, a rated power above the ceiling of the class
// (TS 38.104 6.2.1), or a count of transmitter units out of range.
func (d Declaration) Validate() error { return Embedded().validate(d) }

// validate is Declaration.Validate with the ceilings and options of this set.
func (l *Set) validate(d Declaration) error {
	d, err := d.normal()
	if err != nil {
		return err
	}
	switch {
	case d.CategoryBOption < 0 || d.CategoryBOption > 2:
		return fmt.Errorf("conformance: category B has option 1 and 2, not %d", d.CategoryBOption)
	case d.Category == "A" && d.CategoryBOption == 2:
		return fmt.Errorf("conformance: option 2 belongs to category B, but category A is declared")
	case d.TransmitUnits < 0 || d.TransmitUnits > maxTransmitUnits:
		return fmt.Errorf("conformance: %d transmitter units counted per cell; possible are 1 to %d (TS 38.104 6.1)", d.TransmitUnits, maxTransmitUnits)
	case math.IsNaN(float64(d.RatedPower)) || math.Abs(float64(d.RatedPower)) > 100:
		return fmt.Errorf("conformance: rated power %v dBm is not a plausible level", float64(d.RatedPower))
	case d.TotalPower != nil && !(*d.TotalPower >= d.RatedPower && *d.TotalPower <= 100):
		return fmt.Errorf("conformance: rated total power %v dBm is below the rated carrier power %s or no plausible level", float64(*d.TotalPower), d.RatedPower)
	}
	if _, err := l.options(d.Options); err != nil {
		return err
	}
	for _, row := range l.tables.Requirements.Classes.Rows {
		if row.Class == d.Class && row.RatedUpTo != nil && d.RatedPower > *row.RatedUpTo {
			return fmt.Errorf("conformance: rated power %s exceeds the %s of class %s (%s)",
				d.RatedPower, *row.RatedUpTo, d.Class, l.tables.Requirements.Classes.Source)
		}
	}
	return nil
}

// normal returns the declaration with its words as this package writes them.
func (d Declaration) normal() (Declaration, error) {
	var err error
	if d.Class, err = ParseClass(string(d.Class)); err != nil {
		return d, err
	}
	if d.Category, err = ParseCategory(d.Category); err != nil {
		return d, err
	}
	d.Type, err = ParseType(string(d.Type))
	return d, err
}

// option returns the declared option of category B, zero for category A.
func (d Declaration) option() int {
	if d.Category == "A" {
		return 0
	}
	return max(1, d.CategoryBOption)
}

// check holds a subject against its band and the declaration.
func (l *Set) check(s Subject) (checked, error) {
	if err := l.checkConfiguration(s); err != nil {
		return checked{}, err
	}
	if len(s.Carriers) == 1 {
		s.Carriers = nil
	}
	if err := l.validate(s.Declaration); err != nil {
		return checked{}, err
	}
	s.Declaration, _ = s.normal() // validate has seen the words
	if s.Environment != "" {
		var err error
		if s.Environment, err = word("test environment", s.Environment, Normal, Extreme); err != nil {
			return checked{}, err
		}
	}
	if s.Modulation != "" {
		var err error
		if s.Modulation, err = word("modulation", s.Modulation, l.modulations()...); err != nil {
			return checked{}, err
		}
	}
	c := s.Carrier
	b, err := l.carrierBand(c.Band, c.Bandwidth, c.SCS)
	if err != nil {
		return checked{}, err
	}
	if n, err := l.tables.resourceBlocks(c.Bandwidth, c.SCS); err != nil || n != c.ResourceBlocks {
		return checked{}, fmt.Errorf("conformance: a %s MHz carrier at %g kHz has %d resource blocks, not %d; use Place or PlaceAt",
			inMHz(c.Bandwidth), float64(c.SCS/rf.Kilohertz), n, c.ResourceBlocks)
	}
	if !b.DL.Covers(c.Edges()) {
		return checked{}, fmt.Errorf("conformance: carrier %s MHz wide at %s is not inside %s (%s to %s)", inMHz(c.Bandwidth), c.Center, b.Name, b.DL.Low, b.DL.High)
	}
	delta, err := b.DeltaOBUE(s.Type)
	if err != nil {
		return checked{}, err
	}
	scaling := 0.0
	if s.Type == Type1H {
		scaling = 10 * math.Log10(float64(max(1, s.TransmitUnits)))
	}
	s.Carrier.Band = b.Name
	options, err := l.options(s.Options)
	if err != nil {
		return checked{}, err
	}
	sub := checked{Subject: s, set: l.tables, band: b, delta: delta, scaling: scaling, options: options}
	return sub, sub.regionalPower()
}

// regionalPower reports a rated power above what a declared region allows.
func (s checked) regionalPower() error {
	for _, row := range s.set.Requirements.Classes.Regional {
		if !s.declares(row.Option) || !slices.Contains(row.Bands, s.band.Name) {
			continue
		}
		most := rf.FromMilliwatts(1000 * row.Watts * float64(s.Carrier.Bandwidth/row.Bandwidth))
		if s.RatedPower > most+1e-9 {
			return fmt.Errorf("conformance: rated power %s exceeds %s, %g W in every %s of the channel, under option %s in %s (%s)",
				s.RatedPower, most, row.Watts, row.Bandwidth, row.Option, s.band.Name, s.set.Requirements.Classes.Source)
		}
	}
	return nil
}

// modulations returns the modulations that have a limit, in order.
func (l *Set) modulations() []string {
	var names []string
	for _, row := range l.tables.Requirements.Modulation.Rows {
		if !slices.Contains(names, row.Name) {
			names = append(names, row.Name)
		}
	}
	return names
}

// holds reports whether the row with this scope applies to the subject.
func (a scope) holds(s checked) bool {
	c := s.Carrier
	switch {
	case len(a.Bands) > 0 && !slices.Contains(a.Bands, c.Band),
		slices.Contains(a.Except, c.Band),
		a.Type != "" && a.Type != s.Type,
		c.Bandwidth <= a.BandwidthAbove,
		a.BandwidthUpTo > 0 && c.Bandwidth > a.BandwidthUpTo,
		a.RatedAbove != nil && s.RatedPower <= *a.RatedAbove,
		a.RatedUpTo != nil && s.RatedPower > *a.RatedUpTo:
		return false
	}
	return true
}
