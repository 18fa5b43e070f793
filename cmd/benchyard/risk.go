package main

import (
	"context"
	"errors"
	"fmt"
	"math"

	"benchyard/jobs/conformance"
	"benchyard/jobs/results"
	"benchyard/server"
	"benchyard/server/api"
)

// yieldRisk prints how often decision rules err.
type yieldRisk struct {
	output
	figureFlags
	Rule        []string `help:"A rule with its figure, such as guarded:0.83 or conformance-probability:0.95; may be repeated. Default: those in common use." placeholder:"RULE"`
	Wanted      float64  `default:"0.001" help:"Share of all units that may be wrongly accepted, for the guard band that keeps to it."`
	Figures     int      `default:"1" help:"How many figures like this a unit is judged at, for how often a good unit is rejected at one of them."`
	Mean        *float64 `help:"Mean of the units, instead of a figure that was measured; margins have their limit at 0."`
	SD          *float64 `name:"sd" help:"Standard deviation of the units, with --mean."`
	Uncertainty *float64 `name:"standard-uncertainty" help:"Standard uncertainty of one reading, with --mean."`
	Lower       *float64 `help:"Lower limit, with --mean."`
	Upper       *float64 `help:"Upper limit, with --mean."`
}

// Run prints the risks of rules beside one another.
func (c *yieldRisk) Run(ctx context.Context, p *program) error {
	rules := make([]conformance.DecisionRule, 0, len(c.Rule))
	for _, text := range c.Rule {
		rule, err := conformance.ParseDecisionRule(text)
		if err != nil {
			return &badInput{err}
		}
		rules = append(rules, rule)
	}
	if !(c.Wanted > 0 && c.Wanted < 1) {
		return &badInput{fmt.Errorf("--wanted %g: it is a share of all units, between 0 and 1", c.Wanted)}
	}
	if c.Figures < 1 {
		return &badInput{fmt.Errorf("--figures %d: a unit is judged at one figure at least", c.Figures)}
	}
	production, of, unit, simulated, err := c.production(ctx, p)
	if err != nil {
		return uncountable(err)
	}
	found, err := results.RiskOf(production, rules, c.Wanted)
	if err != nil {
		return uncountable(err)
	}
	report := server.RiskToWire(found, of, unit, simulated, c.Figures)
	t := riskTable(report)
	t.values = report
	if c.Format == "table" {
		printProduction(p, report)
	}
	if err := c.print(p.stdout, t); err != nil || c.Format != "table" {
		return err
	}
	printBand(p, report)
	return nil
}

// production is what the flags give, or else the figure that they select.
func (c *yieldRisk) production(ctx context.Context, p *program) (r results.Production, of, unit string, simulated bool, err error) {
	given := 0
	for _, v := range []*float64{c.Mean, c.SD, c.Uncertainty} {
		if v != nil {
			given++
		}
	}
	if given == 0 && c.Lower == nil && c.Upper == nil {
		found, simulated, err := c.capabilities(ctx, p)
		if err != nil {
			return r, "", "", false, err
		}
		one, err := results.OnlyCapability(found)
		if err != nil {
			return r, "", "", false, err
		}
		r, err = one.Production()
		wire := server.CapabilitiesToWire([]results.Capability{one}, simulated)
		return r, server.FigureText(one.FigureName), wire.Capabilities[0].Unit, simulated, err
	}
	if given < 3 {
		return r, "", "", false, &badInput{errors.New("--mean, --sd and --standard-uncertainty go together, with --lower or --upper; leave all out for a figure that was measured")}
	}
	if c.figureFlags != (figureFlags{}) {
		return r, "", "", false, &badInput{errors.New("either a figure that was measured or figures of your own: leave out --mean and the like, or what selects")}
	}
	r = results.Production{Mean: *c.Mean, SD: *c.SD, Standard: *c.Uncertainty, Tolerance: conformance.Interval{Low: math.Inf(-1), High: math.Inf(1)}}
	if c.Lower != nil {
		r.Tolerance.Low = *c.Lower
	}
	if c.Upper != nil {
		r.Tolerance.High = *c.Upper
	}
	return r, "", "", false, nil
}

func printProduction(p *program, r api.RiskReport) {
	if r.Of != "" {
		fmt.Fprintf(p.stdout, "%s%s\n", r.Of, simulatedMark(r.Simulated))
	}
	f := func(v *float64) string { return threeDecimals(v, r.Unit) }
	fmt.Fprintf(p.stdout, "units: mean %s, standard deviation %s; readings: standard uncertainty %s; limits %s to %s, in %s\n%s of all units lie outside the limits, measured or not\n\n",
		f(&r.Mean), f(&r.SD), f(&r.Uncertainty), f(r.Lower), f(r.Upper), shownAs(r.Unit), share(&r.Nonconforming))
}

func shownAs(unit string) string {
	if unit == "Hz" {
		return "MHz"
	}
	return unit
}

func riskTable(r api.RiskReport) *table {
	t := &table{header: []string{"rule", "guard band", "accepts from", "to", "unit", "false accept", "false reject", fmt.Sprintf("good unit rejected at %d", r.Figures)}}
	f := func(v *float64) string { return threeDecimals(v, r.Unit) }
	for _, x := range r.Rules {
		t.add(x.Rule, f(&x.GuardBand), f(x.Lower), f(x.Upper), shownAs(r.Unit), share(&x.FalseAccept), share(&x.FalseReject), share(x.GoodUnitRejected))
	}
	return t
}

func printBand(p *program, r api.RiskReport) {
	fmt.Fprintln(p.stdout, "\nshares are of all units: accepted though outside (consumer's risk), rejected though inside (producer's risk)")
	switch {
	case r.GuardBand == nil:
		fmt.Fprintln(p.stdout, r.Refused)
	case *r.GuardBand == 0:
		fmt.Fprintf(p.stdout, "no guard band is needed for at most %s false accepts\n", share(&r.Wanted))
	default:
		fmt.Fprintf(p.stdout, "a guard band of %s %s (%.2f U) keeps false accepts at %s\n", threeDecimals(r.GuardBand, r.Unit), shownAs(api.MarginUnit(r.Unit)), *r.Factor, share(&r.Wanted))
	}
}
