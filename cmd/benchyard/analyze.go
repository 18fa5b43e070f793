package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strings"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
	"benchyard/jobs/lab"
	"benchyard/jobs/procedure"
)

// analyzeCommand computes figures from what was measured elsewhere.
type analyzeCommand struct {
	Spectrum spectrumCommand `cmd:"" help:"Power, occupied bandwidth, leakage, mask and spurious emissions of a spectrum trace, judged."`
}

// spectrumCommand judges spectrum traces from elsewhere.
type spectrumCommand struct {
	output
	declaredFlags
	Bandwidth   string    `required:"" help:"Channel bandwidth, such as 100MHz."`
	SCS         string    `name:"scs" required:"" help:"Subcarrier spacing, such as 30kHz."`
	Files       []string  `arg:"" name:"file" help:"CSV with frequency in Hz and level in dBm; - is standard input. Several files for several ranges."`
	RBW         []string  `name:"rbw" required:"" sep:"none" help:"Resolution bandwidth, such as 100kHz: one for all files, or one for each in their order."`
	NoiseFactor []float64 `name:"noise-factor" default:"1.0645" sep:"none" help:"Noise bandwidth over resolution bandwidth: one for all files, or one for each."`
	Carrier     string    `xor:"place" help:"Carrier frequency on the channel raster, such as 3549.99MHz."`
	RFChannel   string    `name:"rf-channel" xor:"place" help:"B, M or T: bottom, middle or top channel of the band, in place of --carrier."`
	Limits      []string  `help:"A file of your own over the limit set; may be repeated, later ones win." placeholder:"FILE"`
	Floor       []string  `sep:"none" help:"CSV like the trace, taken with the transmitter muted and the same settings: its noise is taken out of the figures. One for each file, in their order." placeholder:"FILE"`
	FloorRBW    []string  `name:"floor-rbw" sep:"none" help:"Resolution bandwidth of the --floor files, like --rbw. Default: that of their traces, which it has to be."`
	Loss        string    `xor:"correction" help:"Loss between connector and analyzer at every frequency, such as 40dB. Default: none."`
	Correction  string    `xor:"correction" help:"Loss over frequency: CSV with frequency_hz,loss_db,uncertainty_db." placeholder:"FILE"`
	Uncertainty string    `help:"Expanded uncertainty (k = 2) of a level, such as 0.5dB, where no --correction file tells it."`
	Clause      []string  `sep:"," help:"Only this clause, such as 6.6.4; may be repeated. Default: every clause that the span allows."`
	Rule        string    `default:"shared-risk" help:"Decision rule: shared-risk, simple, guarded, guarded-non-binary or conformance-probability."`
	GuardBand   float64   `name:"guard-band-factor" help:"Guard band in expanded uncertainties, for the guarded rules."`
	Probability float64   `help:"Required conformance probability, such as 0.95, for the rule of that name."`
	Connector   int       `default:"1" help:"Connector the trace was taken at, for the record."`
	TestModel   string    `name:"test-model" help:"Test model that was transmitted, for the record."`
}

// Run judges the traces and prints what they say.
func (c *spectrumCommand) Run(ctx context.Context, p *program) error {
	set, err := limitSet(c.Limits)
	if err != nil {
		return err
	}
	setup, rule, err := c.setup()
	if err != nil {
		return &badInput{err}
	}
	setup.Limits = set
	// Every carrier has this limit: where it is refused, the question is wrong.
	if _, err := set.Requirements(setup.Subject, conformance.OutputPowerClause); err != nil {
		return &badInput{err}
	}
	traces, err := c.traces(ctx)
	if ctx.Err() != nil {
		return ctx.Err()
	}
	if err != nil {
		return &badInput{err}
	}
	a := analysis{setup: setup, rule: rule, traces: traces}
	clauses := c.Clause
	if len(clauses) == 0 {
		clauses = conformance.Clauses()
	}
	for _, clause := range clauses {
		a.answer(clause)
	}
	if len(a.results) == 0 {
		return &badInput{fmt.Errorf("nothing could be answered:\n%s", a.refusals("  "))}
	}
	if err := c.show(p, a); err != nil {
		return err
	}
	return a.outcome()
}

// setup reads every flag that is not a file of levels.
func (c *spectrumCommand) setup() (s procedure.Setup, rule conformance.DecisionRule, err error) {
	rule = conformance.DecisionRule{Name: c.Rule, GuardBandFactor: c.GuardBand, Probability: c.Probability}
	if err = rule.Validate(); err != nil {
		return s, rule, err
	}
	for i, clause := range c.Clause {
		if !slices.Contains(conformance.Clauses(), clause) {
			return s, rule, fmt.Errorf("--clause: no method for clause %q; known are %s", clause, strings.Join(conformance.Clauses(), ", "))
		}
		if slices.Contains(c.Clause[:i], clause) {
			return s, rule, fmt.Errorf("--clause: %s stands twice", clause)
		}
	}
	if s.Subject, err = c.subject(); err != nil {
		return s, rule, err
	}
	s.Correction, err = c.correction()
	return s, rule, err
}

// subject places the carrier and reads the declaration.
func (c *spectrumCommand) subject() (conformance.Subject, error) {
	if c.RFChannel == "" && c.Carrier == "" {
		return conformance.Subject{}, errors.New("where is the carrier? give --carrier FREQUENCY or --rf-channel B, M or T")
	}
	q := c.query()
	q.Bandwidth, q.SCS, q.RFChannel = []string{c.Bandwidth}, []string{c.SCS}, c.RFChannel
	if c.Carrier != "" {
		q.Carrier = []string{c.Carrier}
	}
	return subjectOf(conformance.Embedded(), q)
}

// correction reads the loss of the path.
func (c *spectrumCommand) correction() (rf.Correction, error) {
	var loss, uncertainty rf.DB
	var err error
	if c.Uncertainty != "" {
		if uncertainty, err = rf.ParseDB(c.Uncertainty); err != nil || uncertainty < 0 {
			return nil, fmt.Errorf("--uncertainty %q: want an expanded uncertainty such as 0.5dB", c.Uncertainty)
		}
	}
	if c.Loss != "" {
		if loss, err = rf.ParseDB(c.Loss); err != nil || math.Abs(float64(loss)) > 200 {
			return nil, fmt.Errorf("--loss %q: want a loss such as 40dB", c.Loss)
		}
	}
	if c.Correction == "" {
		return procedure.FlatCorrection(loss, uncertainty), nil
	}
	if c.Uncertainty != "" {
		return nil, errors.New("--uncertainty: the correction file tells the uncertainty; leave one of them out")
	}
	data, err := os.ReadFile(c.Correction)
	if err != nil {
		return nil, fmt.Errorf("--correction: %w", err)
	}
	table, problems := lab.ParseCorrection(c.Correction, data)
	if len(problems) > 0 {
		return nil, problems
	}
	return table, nil
}

// traces reads the files with their filters.
func (c *spectrumCommand) traces(ctx context.Context) ([]procedure.External, error) {
	var list []procedure.External
	for i, name := range c.Files {
		if name == "-" && slices.Contains(c.Files[:i], name) {
			return nil, errors.New("standard input can be read once only")
		}
		rbw, err := oneFor(c.RBW, i, len(c.Files), "--rbw")
		if err != nil {
			return nil, err
		}
		filter, err := rf.ParseHertz(rbw)
		if err != nil || filter <= 0 {
			return nil, fmt.Errorf("--rbw %q: want a resolution bandwidth such as 100kHz", rbw)
		}
		factor, err := oneFor(c.NoiseFactor, i, len(c.Files), "--noise-factor")
		if err != nil {
			return nil, err
		}
		if !(factor >= 0.9 && factor <= 2) {
			return nil, fmt.Errorf("--noise-factor %g: noise bandwidth over resolution bandwidth lies between 0.9 and 2", factor)
		}
		s, err := readTrace(ctx, name)
		if err != nil {
			return nil, err
		}
		s.RBW, s.NoiseBandwidth = filter, filter*rf.Hertz(factor)
		list = append(list, procedure.External{Name: called(name), Spectrum: s})
	}
	return list, c.floors(ctx, list)
}

// floors reads the noise floor of each trace.
func (c *spectrumCommand) floors(ctx context.Context, traces []procedure.External) error {
	if len(c.Floor) == 0 {
		if len(c.FloorRBW) > 0 {
			return errors.New("--floor-rbw: there is no --floor file that it could be of")
		}
		return nil
	}
	if len(c.Floor) != len(traces) {
		return fmt.Errorf("--floor: the number of floors is %d, that of traces %d; each trace has a noise floor of its own", len(c.Floor), len(traces))
	}
	for i, name := range c.Floor {
		if name == "-" && (slices.Contains(c.Floor[:i], name) || slices.Contains(c.Files, name)) {
			return errors.New("standard input can be read once only")
		}
		s, err := readTrace(ctx, name)
		if err != nil {
			return fmt.Errorf("--floor: %w", err)
		}
		t := &traces[i]
		s.RBW, s.NoiseBandwidth = t.Spectrum.RBW, t.Spectrum.NoiseBandwidth
		if len(c.FloorRBW) > 0 {
			text, err := oneFor(c.FloorRBW, i, len(c.Floor), "--floor-rbw")
			if err != nil {
				return err
			}
			if s.RBW, err = rf.ParseHertz(text); err != nil || s.RBW <= 0 {
				return fmt.Errorf("--floor-rbw %q: want a resolution bandwidth such as 100kHz", text)
			}
		}
		t.Floor = &s
		if err := t.Validate(); err != nil {
			return fmt.Errorf("--floor %s: %w", called(name), err)
		}
	}
	return nil
}

// oneFor returns the value for file i of n: the only one, or the one in its place.
func oneFor[T any](values []T, i, n int, flag string) (T, error) {
	switch len(values) {
	case 1:
		return values[0], nil
	case n:
		return values[i], nil
	}
	var none T
	return none, fmt.Errorf("%s: the number of values is %d, that of files %d; give it once, or once for each file", flag, len(values), n)
}

// called is the name of a file in messages.
func called(name string) string {
	if name == "-" {
		return "standard input"
	}
	return name
}

// readTrace reads a file, or standard input for a dash.
func readTrace(ctx context.Context, name string) (rf.Spectrum, error) {
	if name == "-" {
		return procedure.ReadTrace(called(name), interruptible(ctx, os.Stdin))
	}
	file, err := os.Open(name)
	if err != nil {
		return rf.Spectrum{}, err
	}
	s, err := procedure.ReadTrace(name, file)
	return s, errors.Join(err, file.Close())
}

// interruptible returns a reader that ends with the context. Who types at
// standard input can then leave; the copying ends with the program, because no
// read of a terminal can be interrupted.
func interruptible(ctx context.Context, r io.Reader) io.Reader {
	out, in := io.Pipe()
	context.AfterFunc(ctx, func() { _ = out.CloseWithError(ctx.Err()) })
	go func() {
		_, err := io.Copy(in, r)
		_ = in.CloseWithError(err)
	}()
	return out
}
