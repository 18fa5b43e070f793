package main

import (
	"fmt"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
	"benchyard/server"
)

// limitsCommand prints every requirement that applies to a carrier.
type limitsCommand struct {
	output
	Band           string `required:"" help:"Operating band, such as n78."`
	Bandwidth      string `required:"" help:"Channel bandwidth, such as 100MHz."`
	SCS            string `name:"scs" required:"" help:"Subcarrier spacing, such as 30kHz."`
	Class          string `required:"" help:"Base station class: wide-area, medium-range or local-area."`
	Category       string `default:"A" help:"Unwanted emissions category: A or B."`
	CategoryOption int    `name:"category-b-option" default:"1" help:"Option 1 or 2 of category B."`
	Type           string `default:"1-C" help:"Base station type: 1-C or 1-H."`
	RatedPower     string `name:"rated-power" required:"" help:"Rated output power per connector, such as 37dBm."`
	RFChannel      string `name:"rf-channel" default:"M" help:"B, M or T: bottom, middle or top channel."`
	TransmitUnits  int    `name:"transmit-units" default:"1" help:"Counted transmit units per cell, type 1-H only."`
	Clause         string `help:"Only this clause, such as 6.6.4."`
}

// Run prints the table.
func (c *limitsCommand) Run(p *program) error {
	subject, err := c.subject()
	if err != nil {
		return &badInput{err}
	}
	requirements, err := conformance.Requirements(subject, c.Clause)
	if err != nil {
		return &badInput{err}
	}
	t := &table{
		header: []string{"clause", "limit", "from", "to", "core", "tolerance", "lower", "upper", "unit", "bandwidth", "provenance"},
		values: server.LimitsToWire(requirements),
	}
	for _, r := range requirements {
		t.add(limitRow(r)...)
		if r.Alternative != nil {
			t.add(alternativeRow(r)...)
		}
	}
	if err := c.print(p.stdout, t); err != nil || c.Format != "table" {
		return err
	}
	carrier := subject.Carrier
	fmt.Fprintln(p.stdout, "\n+ is the offset of the filter centre: from the channel edge, of 6.6.3 from the carrier")
	fmt.Fprintf(p.stdout, "carrier %s %s: NR-ARFCN %d, %s, %d resource blocks at %s\nlimit set %s\n",
		carrier.Band, carrier.Channel, carrier.NREF, carrier.Center, carrier.ResourceBlocks, carrier.SCS, conformance.LimitSet())
	return nil
}

func (c *limitsCommand) subject() (s conformance.Subject, err error) {
	var bandwidth, scs rf.Hertz
	if bandwidth, err = rf.ParseHertz(c.Bandwidth); err != nil {
		return s, fmt.Errorf("--bandwidth: %w", err)
	}
	if scs, err = rf.ParseHertz(c.SCS); err != nil {
		return s, fmt.Errorf("--scs: %w", err)
	}
	if s.RatedPower, err = rf.ParseDBm(c.RatedPower); err != nil {
		return s, fmt.Errorf("--rated-power: %w", err)
	}
	if s.Class, err = conformance.ParseClass(c.Class); err != nil {
		return s, fmt.Errorf("--class: %w", err)
	}
	if s.Type, err = conformance.ParseType(c.Type); err != nil {
		return s, fmt.Errorf("--type: %w", err)
	}
	if s.Category, err = conformance.ParseCategory(c.Category); err != nil {
		return s, fmt.Errorf("--category: %w", err)
	}
	channel, err := conformance.ParseRFChannel(c.RFChannel)
	if err != nil {
		return s, fmt.Errorf("--rf-channel: %w", err)
	}
	s.CategoryBOption, s.TransmitUnits = c.CategoryOption, c.TransmitUnits
	if s.Category != "B" {
		s.CategoryBOption = 0
	}
	s.Carrier, err = conformance.Place(c.Band, channel, bandwidth, scs)
	return s, err
}

func limitRow(r conformance.Requirement) []string {
	from, to := span(r)
	core, upper := number(r.Core, r.Unit), optional(r.Upper, r.Unit)
	if r.CoreTo != r.Core {
		core += " … " + number(r.CoreTo, r.Unit)
	}
	if r.UpperTo != nil {
		upper += " … " + number(*r.UpperTo, r.Unit)
	}
	tolerance := number(r.Tolerance, r.Unit)
	if !r.ToleranceKnown {
		tolerance = "unknown"
	}
	mbw := "–"
	if r.MeasurementBandwidth != 0 {
		mbw = r.MeasurementBandwidth.String()
	}
	return []string{r.Clause, r.Title, from, to, core, tolerance, optional(r.Lower, r.Unit), upper, r.Unit, mbw, r.Provenance}
}

// alternativeRow is the absolute limit beside a leakage ratio: the less
// stringent of the two applies.
func alternativeRow(r conformance.Requirement) []string {
	from, to := span(r)
	a := r.Alternative
	return []string{r.Clause, fmt.Sprintf("  or, if less stringent, %g dBm/MHz in that channel", a.PerMHz), from, to,
		number(a.Core, "dBm"), number(a.Tolerance, "dB"), "–", number(a.Core+a.Tolerance, "dBm"), "dBm", a.Bandwidth.String(), r.Provenance}
}

// span is where a limit applies: offsets with a plus, else frequencies.
func span(r conformance.Requirement) (from, to string) {
	switch {
	case r.OffsetTo != 0:
		return "+" + r.OffsetFrom.String(), "+" + r.OffsetTo.String()
	case r.Frequencies != (rf.Range{}):
		return r.Frequencies.Low.String(), r.Frequencies.High.String()
	}
	return "–", "–"
}
