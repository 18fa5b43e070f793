package main

import (
	"fmt"
	"math"
	"strings"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
	"benchyard/jobs/procedure"
	"benchyard/server"
)

// analysis is what traces from elsewhere say about a carrier, clause by clause.
type analysis struct {
	setup   procedure.Setup
	rule    conformance.DecisionRule
	traces  []procedure.External
	results []conformance.Result
	refused []string // one line for each clause or range without an answer
}

// answer judges one clause, or keeps why it cannot be judged.
func (a *analysis) answer(clause string) {
	said, err := procedure.AnalyzeExternal(clause, a.setup, a.traces)
	if err != nil {
		a.refuse(clause, err)
		return
	}
	results, err := conformance.Judge(said.Requirements, said.Readings, a.rule)
	if err != nil {
		a.refuse(clause, err)
		return
	}
	notes := said.Notes
	for _, m := range said.Missing {
		a.refuse(clause, m)
	}
	if len(said.Missing) > 0 {
		notes = append(notes, fmt.Sprintf("%d of %d ranges of the clause are covered", len(results), len(results)+len(said.Missing)))
	}
	for i := range results {
		results[i].Correction = a.setup.LossAt(results[i])
		results[i].Note = strings.Join(nonEmpty(append([]string{results[i].Note}, notes...)), "; ")
	}
	a.results = append(a.results, results...)
}

// refuse keeps why there is no answer, each reason once, on a line of its own.
func (a *analysis) refuse(clause string, err error) {
	for line := range strings.Lines(err.Error()) {
		line = strings.TrimSpace(line)
		for _, room := range []string{"procedure: ", "conformance: ", "dsp: ", "rf: ", "uncertainty: "} {
			line = strings.ReplaceAll(line, room, "")
		}
		if !strings.HasPrefix(line, clause) {
			line = clause + ": " + line
		}
		a.refused = append(a.refused, line)
	}
}

// refusals lists what was not answered.
func (a *analysis) refusals(indent string) string {
	return indent + strings.Join(a.refused, "\n"+indent)
}

// outcome is a failedUnits error where something fails.
func (a *analysis) outcome() error {
	failed := 0
	for _, r := range a.results {
		if r.Verdict == conformance.Fail || r.Verdict == conformance.ConditionalFail {
			failed++
		}
	}
	if failed == 0 {
		return nil
	}
	return &failedUnits{fmt.Sprintf("%d of %d figures fail", failed, len(a.results))}
}

// show prints the figures, and what could not be answered: under the table, and
// on standard error where a program reads the output.
func (c *spectrumCommand) show(p *program, a analysis) error {
	carrier := a.setup.Subject.Carrier
	wire := server.ResultsToWire(a.results, server.ConditionsOf(carrier, c.Connector, c.TestModel), false)
	for i := range wire {
		wire[i].LimitSet = a.setup.Limits.Name()
	}
	t := &table{
		header: []string{"clause", "figure", "value", "unit", "at", "lower", "upper", "margin", "uncertainty", "verdict", "note"},
		values: wire,
	}
	for _, r := range a.results {
		unit, at := r.Requirement.Unit, "–"
		if r.At != 0 {
			at = rf.Hertz(math.Round(float64(r.At))).String()
		}
		t.add(r.Requirement.Clause, figureOf(r.Requirement), number(r.Value, unit), unit, at, optional(r.Lower, unit), optional(r.Upper, unit),
			signed(r.Margin, unit), number(r.Uncertainty, unit), string(r.Verdict), r.Note)
	}
	if err := c.print(p.stdout, t); err != nil {
		return err
	}
	out := p.stdout
	if c.Format != "table" {
		out = p.stderr
	} else if _, err := fmt.Fprintln(out); err != nil {
		return err
	}
	if len(a.refused) > 0 {
		fmt.Fprintf(out, "not answered:\n%s\n", a.refusals("  "))
	}
	if c.Format != "table" {
		return nil
	}
	if c.Correction == "" && c.Uncertainty == "" {
		fmt.Fprintln(out, "no uncertainty of the level was given; --uncertainty or a --correction file tells it")
	}
	_, err := fmt.Fprintf(out, "carrier %s: NR-ARFCN %d, %s, %s wide, %d resource blocks at %s\nrule %s, limit set %s\n",
		strings.TrimSpace(carrier.Band+" "+string(carrier.Channel)), carrier.NREF, carrier.Center, carrier.Bandwidth, carrier.ResourceBlocks, carrier.SCS,
		a.rule, a.setup.Limits.Name())
	return err
}

// figureOf is the title of a limit, of a segment of a mask with its offsets.
func figureOf(r conformance.Requirement) string {
	if r.Clause != conformance.OperatingBandClause {
		return r.Title
	}
	from, to := span(r)
	return fmt.Sprintf("%s, %s to %s", r.Title, from, to)
}

// signed is number with its sign.
func signed(v float64, unit string) string {
	if v < 0 {
		return number(v, unit)
	}
	return "+" + number(v, unit)
}

func nonEmpty(list []string) []string {
	var out []string
	for _, s := range list {
		if s != "" {
			out = append(out, s)
		}
	}
	return out
}
