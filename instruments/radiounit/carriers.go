package radiounit

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"

	"benchyard/instruments/dialect"
	"benchyard/instruments/rf"
)

// Carrier is one NR carrier as the unit is told to transmit it.
type Carrier struct {
	Center, Bandwidth, SCS rf.Hertz
	TestModel              string // such as "NR-FR1-TM1.1" (TS 38.141-1, 4.9.2.2)
	Duplex                 string // "TDD" or "FDD"
	Power                  rf.DBm // mean power per connector while transmitting
}

// ErrConfiguration: the unit reads back another carrier than it was told.
var ErrConfiguration = errors.New("the unit reads back another carrier")

// Configure sets the only carrier and reads every setting back; a difference is
// ErrConfiguration. The unit refuses while it transmits.
func (u *RadioUnit) Configure(ctx context.Context, c Carrier) error {
	return u.ConfigureAll(ctx, []Carrier{c})
}

// ConfigureAll sets several carriers that are transmitted at once, the lowest
// first, and reads every setting back as Configure does. They have one test
// model and one duplex mode.
func (u *RadioUnit) ConfigureAll(ctx context.Context, carriers []Carrier) error {
	if len(carriers) == 0 {
		return errors.New("radiounit: configure no carrier")
	}
	for _, c := range carriers {
		if c.TestModel == "" || c.Duplex == "" || c.TestModel != carriers[0].TestModel || c.Duplex != carriers[0].Duplex {
			return fmt.Errorf("radiounit: carrier with test model %q and duplex %q, want both, the same for all", c.TestModel, c.Duplex)
		}
	}
	if len(carriers) > 1 {
		if err := u.need(ManyCarriers); err != nil {
			return err
		}
	}
	for i, c := range carriers {
		settings := numbers(i+1, c)
		if i == 0 {
			settings = append(settings,
				setting{"test_model", dialect.Values{"model": dialect.Name(c.TestModel)}, c.TestModel, 0},
				setting{"duplex", dialect.Values{"duplex": dialect.Name(c.Duplex)}, c.Duplex, 0})
			if u.Has(ManyCarriers) {
				n := len(carriers)
				settings = append(settings, setting{"carrier_count", dialect.Values{"count": dialect.Count(n)}, "", float64(n)})
			}
		}
		if err := u.apply(ctx, settings); err != nil {
			return fmt.Errorf("radiounit: configure %s carrier at %s: %w", c.Bandwidth, c.Center, err)
		}
	}
	return nil
}

// setting is one entry to be set and read back.
type setting struct {
	entry  string
	values dialect.Values
	text   string  // expected, for an answer that is no number
	number float64 // expected when text is empty
}

// numbers lists the settings that every carrier has of its own; n counts from 1.
func numbers(n int, c Carrier) []setting {
	of := func(entry, name string, x float64) setting {
		return setting{entry, dialect.Values{"carrier": dialect.Count(n), name: dialect.Real(x)}, "", x}
	}
	return []setting{
		of("carrier_frequency", "frequency", float64(c.Center)), of("carrier_bandwidth", "bandwidth", float64(c.Bandwidth)),
		of("carrier_spacing", "spacing", float64(c.SCS)), of("carrier_power", "power", float64(c.Power)),
	}
}

// apply sends settings together and reads each back.
func (u *RadioUnit) apply(ctx context.Context, settings []setting) error {
	var lines []string
	var questions []question
	var differs error
	for _, s := range settings {
		of, err := u.table.Set(s.entry, s.values)
		if err != nil {
			return err
		}
		lines = append(lines, of...)
		questions = append(questions, question{s.entry, s.values, func(answer []byte) error {
			if !s.is(u.table, answer) && differs == nil {
				differs = fmt.Errorf("%s answers %.40q after %q: %w", s.entry, answer, of, ErrConfiguration)
			}
			return nil
		}})
	}
	if err := u.control.Command(ctx, lines...); err != nil {
		return err
	}
	if err := u.ask(ctx, questions...); err != nil {
		return fmt.Errorf("read back: %w", err)
	}
	return differs
}

// is compares an answer with the setting; units print with limited resolution, a
// part in 1e9 is finer than any setting here.
func (s setting) is(t *dialect.Table, answer []byte) bool {
	if s.text != "" && t.Commands[s.entry].Type == dialect.Word { // character data has no case (vol. 1, 6.2.1)
		return strings.EqualFold(t.String(answer), s.text)
	}
	if s.text != "" {
		return t.String(answer) == s.text
	}
	got, err := t.Number(s.entry, answer)
	return err == nil && math.Abs(got-s.number) <= 1e-9*max(math.Abs(s.number), 1)
}
