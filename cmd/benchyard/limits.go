package main

import (
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
	"benchyard/server"
	"benchyard/server/api"
)

// limitsCommands are about limits: those that apply, and what changed.
type limitsCommands struct {
	Show limitsCommand     `cmd:"" default:"withargs" help:"Every requirement that applies to a carrier."`
	Diff limitsDiffCommand `cmd:"" help:"What changed between two limit sets."`
}

// declaredFlags are the band and what was declared of the radio unit.
type declaredFlags struct {
	Band           string   `required:"" help:"Operating band, such as n78."`
	Class          string   `required:"" help:"Base station class: wide-area, medium-range or local-area."`
	Category       string   `default:"A" help:"Unwanted emissions category: A or B."`
	CategoryOption int      `name:"category-b-option" default:"1" help:"Option 1 or 2 of category B."`
	Type           string   `default:"1-C" help:"Base station type: 1-C or 1-H."`
	RatedPower     string   `name:"rated-power" required:"" help:"Rated output power per connector, such as 37dBm."`
	TransmitUnits  int      `name:"transmit-units" default:"1" help:"Counted transmit units per cell, type 1-H only."`
	Environment    string   `default:"normal" help:"Test environment: normal or extreme."`
	Option         []string `help:"Optional limits that were declared, such as protection, coexistence:n1, colocation:n3 or additional:n48; may be repeated." placeholder:"WORD"`
}

// limitsCommand prints every requirement that applies to carriers.
type limitsCommand struct {
	output
	declaredFlags
	Bandwidth         []string `required:"" help:"Channel bandwidth, such as 100MHz. Several carriers at once, rising by frequency: one for each."`
	SCS               []string `name:"scs" required:"" help:"Subcarrier spacing, such as 30kHz: one for all carriers, or one for each."`
	Gap               []string `help:"What lies between one carrier and the next, such as 60MHz; 0Hz where channels touch. Default: all touch."`
	TestConfiguration string   `name:"test-configuration" help:"NRTC1, NRTC2 or NRTC3: refuses carriers that are none." placeholder:"NAME"`
	RFChannel         string   `name:"rf-channel" xor:"place" help:"B, M or T: bottom, middle or top channel, of several carriers their RF bandwidth. Default: M."`
	Carrier           []string `xor:"place" help:"Carrier frequency on the channel raster, such as 3549.99MHz, in place of --rf-channel and --gap; one for each carrier."`
	TotalPower        string   `name:"total-power" help:"Rated total output power per connector that several carriers share, such as 40dBm. Default: the rated power." placeholder:"DBM"`
	IntraSystem       string   `name:"intra-system-level" help:"Declared level of the intra-system interferer of 6.7, type 1-H only, such as 12dBm." placeholder:"DBM"`
	Modulation        string   `help:"Only this modulation of 6.5.3, such as 64QAM."`
	Limits            []string `help:"A file of your own over the limit set; may be repeated, later ones win. Here only: the address /api/v1/limits answers from the set of its program." placeholder:"FILE"`
	Clause            string   `help:"Only this clause, such as 6.6.4."`
}

// Run prints the table.
func (c *limitsCommand) Run(p *program) error {
	set, err := limitSet(c.Limits)
	if err != nil {
		return err
	}
	subject, err := subjectOf(set, c.query())
	if err != nil {
		return &badInput{err}
	}
	requirements, refused, err := set.Applicable(subject, c.Clause)
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
	for _, r := range refused {
		fmt.Fprintf(notes, "not listed: %s (%s)\n", r.Clause, r.Reason)
	}
	if c.Format == "table" {
		printSubject(p.stdout, subject)
		fmt.Fprintln(p.stdout, "limit set", set.Name())
	}
	return nil
}

// printSubject says what was asked about: carriers, RF bandwidth, gaps.
func printSubject(w io.Writer, s conformance.Subject) {
	for _, c := range s.All() {
		fmt.Fprintf(w, "carrier %s: NR-ARFCN %d, %s, %s wide, %d resource blocks at %s\n",
			strings.TrimSpace(c.Band+" "+string(c.Channel)), c.NREF, c.Center, c.Bandwidth, c.ResourceBlocks, c.SCS)
	}
	if len(s.Carriers) < 2 {
		return
	}
	whole := s.RFBandwidth()
	fmt.Fprintf(w, "RF bandwidth %s to %s, %s per carrier\n", whole.Low, whole.High, s.CarrierPower())
	for i, g := range s.Gaps() {
		fmt.Fprintf(w, "gap %d from %s to %s, %s wide; a limit that slopes there is the power sum of both sides, given at its ends\n", i+1, g.Low, g.High, g.Width())
	}
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

// query is the question in the words of the API.
func (f declaredFlags) query() api.LimitQuery {
	return api.LimitQuery{
		Band: f.Band, Class: f.Class, Category: f.Category, CategoryBOption: strconv.Itoa(f.CategoryOption), Type: f.Type,
		RatedPower: f.RatedPower, TransmitUnits: strconv.Itoa(f.TransmitUnits), Environment: f.Environment, Option: f.Option,
	}
}

func (c *limitsCommand) query() api.LimitQuery {
	q := c.declaredFlags.query()
	q.Bandwidth, q.SCS, q.Gap, q.Carrier = c.Bandwidth, c.SCS, c.Gap, c.Carrier
	q.RFChannel, q.TestConfiguration, q.TotalPower = c.RFChannel, c.TestConfiguration, c.TotalPower
	q.IntraSystemLevel, q.Modulation = c.IntraSystem, c.Modulation
	return q
}

// subjectOf is server.SubjectOf with flags instead of parameters in its errors.
func subjectOf(set *conformance.Set, q api.LimitQuery) (conformance.Subject, error) {
	s, err := server.SubjectOf(set, q)
	var wrong *server.ParameterError
	if errors.As(err, &wrong) {
		return s, fmt.Errorf("--%s: %w", strings.ReplaceAll(wrong.Name, "_", "-"), wrong.Err)
	}
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
	case r.Sum != nil || r.Against != nil: // in a gap, where an offset could be from either edge
		return r.Frequencies.Low.String(), r.Frequencies.High.String()
	case r.OffsetTo != 0:
		return "+" + r.OffsetFrom.String(), "+" + r.OffsetTo.String()
	case r.Frequencies != (rf.Range{}):
		return r.Frequencies.Low.String(), r.Frequencies.High.String()
	}
	return "–", "–"
}
