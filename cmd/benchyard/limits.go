package main

import (
	"fmt"
	"strings"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
	"benchyard/server"
)

// limitsCommands are about limits: those that apply, and what changed.
type limitsCommands struct {
	Show limitsCommand     `cmd:"" default:"withargs" help:"Every requirement that applies to a carrier."`
	Diff limitsDiffCommand `cmd:"" help:"What changed between two limit sets."`
}

// declaredFlags are what limits depend on: the carrier and what was declared of
// the radio unit.
type declaredFlags struct {
	Band           string   `required:"" help:"Operating band, such as n78."`
	Bandwidth      string   `required:"" help:"Channel bandwidth, such as 100MHz."`
	SCS            string   `name:"scs" required:"" help:"Subcarrier spacing, such as 30kHz."`
	Class          string   `required:"" help:"Base station class: wide-area, medium-range or local-area."`
	Category       string   `default:"A" help:"Unwanted emissions category: A or B."`
	CategoryOption int      `name:"category-b-option" default:"1" help:"Option 1 or 2 of category B."`
	Type           string   `default:"1-C" help:"Base station type: 1-C or 1-H."`
	RatedPower     string   `name:"rated-power" required:"" help:"Rated output power per connector, such as 37dBm."`
	TransmitUnits  int      `name:"transmit-units" default:"1" help:"Counted transmit units per cell, type 1-H only."`
	Environment    string   `default:"normal" help:"Test environment: normal or extreme."`
	Option         []string `help:"Optional limits that were declared, such as protection, coexistence:n1, colocation:n3 or additional:n48; may be repeated." placeholder:"WORD"`
}

// limitsCommand prints every requirement that applies to a carrier.
type limitsCommand struct {
	output
	declaredFlags
	RFChannel   string   `name:"rf-channel" default:"M" help:"B, M or T: bottom, middle or top channel."`
	IntraSystem string   `name:"intra-system-level" help:"Declared level of the intra-system interferer of 6.7, type 1-H only, such as 12dBm." placeholder:"DBM"`
	Modulation  string   `help:"Only this modulation of 6.5.3, such as 64QAM."`
	Limits      []string `help:"A file of your own over the limit set; may be repeated, later ones win." placeholder:"FILE"`
	Clause      string   `help:"Only this clause, such as 6.6.4."`
}

// Run prints the table.
func (c *limitsCommand) Run(p *program) error {
	set, err := limitSet(c.Limits)
	if err != nil {
		return err
	}
	subject, err := c.subject()
	if err != nil {
		return &badInput{err}
	}
	requirements, refused, err := applying(set, subject, c.Clause)
	if err != nil {
		return &badInput{err}
	}
	t := &table{
		header: []string{"clause", "limit", "from", "to", "core", "tolerance", "lower", "upper", "unit", "bandwidth", "provenance"},
		values: server.LimitsToWire(requirements),
	}
	addLimits(t, requirements, c.Format == "table" && c.Clause == "")
	if err := c.print(p.stdout, t); err != nil {
		return err
	}
	notes := p.stderr
	if c.Format == "table" {
		notes = p.stdout
		fmt.Fprintln(p.stdout, "\n+ is the offset of the filter centre: from the channel edge, of 6.6.3 from the carrier")
	}
	for _, line := range refused {
		fmt.Fprintln(notes, "not listed:", line)
	}
	if c.Format == "table" {
		carrier := subject.Carrier
		fmt.Fprintf(p.stdout, "carrier %s %s: NR-ARFCN %d, %s, %d resource blocks at %s\nlimit set %s\n",
			carrier.Band, carrier.Channel, carrier.NREF, carrier.Center, carrier.ResourceBlocks, carrier.SCS, set.Name())
	}
	return nil
}

// applying returns the limits of one clause, or of every clause that has some,
// and for each of the others why it has none.
func applying(set *conformance.Set, s conformance.Subject, clause string) (list []conformance.Requirement, refused []string, err error) {
	if clause != "" {
		list, err = set.Requirements(s, clause)
		return list, nil, err
	}
	for _, clause := range conformance.LimitClauses() {
		found, err := set.Requirements(s, clause)
		switch {
		case err != nil && clause == conformance.OutputPowerClause: // which every carrier has: the question is wrong
			return nil, nil, err
		case err != nil:
			refused = append(refused, clause+" ("+strings.TrimPrefix(err.Error(), "conformance: ")+")")
		}
		list = append(list, found...)
	}
	return list, refused, nil
}

// addLimits adds a row for each limit; short, one for each interferer of 6.7
// instead of all the limits that hold beside it.
func addLimits(t *table, requirements []conformance.Requirement, short bool) {
	seen := map[conformance.Interferer]bool{}
	for _, r := range requirements {
		if i := r.Interferer; i != nil && short {
			if !seen[*i] {
				seen[*i] = true
				t.add(r.Clause, fmt.Sprintf("6.6.3 to 6.6.5 with an interferer of %s at %s, %s", i.Bandwidth, i.Center, i.Level),
					"–", "–", "–", "–", "–", "–", "–", "–", r.Provenance)
			}
			continue
		}
		t.add(limitRow(r)...)
		if r.Alternative != nil {
			t.add(alternativeRow(r)...)
		}
	}
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
	if c.IntraSystem != "" {
		level, err := rf.ParseDBm(c.IntraSystem)
		if err != nil {
			return s, fmt.Errorf("--intra-system-level: %w", err)
		}
		s.IntraSystemLevel = &level
	}
	s.Environment, s.Modulation, s.Options = c.Environment, c.Modulation, c.Option
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
