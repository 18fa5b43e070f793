package radiounit

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
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
// first, and reads every setting back as Configure does, numbers within the limits
// frequency_tolerance (Hz) and level_tolerance (dB) of the dialect. They have one
// test model and one duplex mode.
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
			if why := s.differs(u.table, answer); why != "" && differs == nil {
				differs = fmt.Errorf("%s answers %.40q after %q%s: %w", s.entry, answer, of, why, ErrConfiguration)
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

// differs compares an answer with the setting and says in how far it is another, empty
// for not at all.
func (s setting) differs(t *dialect.Table, answer []byte) string {
	const another = ", which is another"
	if s.text != "" {
		got := t.String(answer)
		same := got == s.text
		if t.Commands[s.entry].Type == dialect.Word { // character data has no case (vol. 1, 6.2.1)
			same = strings.EqualFold(got, s.text)
		}
		if !same {
			return another
		}
		return ""
	}
	got, err := t.Number(s.entry, answer)
	if err != nil {
		return another
	}
	within, by := tolerance(t, s.entry)
	// What a rounded number lies beside the middle of its step is not exact either.
	if math.Abs(got-s.number) <= within+1e-12*max(math.Abs(s.number), 1) {
		return ""
	}
	if by == "" {
		return another
	}
	return fmt.Sprintf(", %.9g beside it; the %s of its dialect %s is %g", math.Abs(got-s.number), by, t.Name, within)
}

// tolerance returns how far beside a setting a unit may read back, since it rounds and
// tunes in steps, and the limit of the dialect that says so; zero and none for what is
// counted.
func tolerance(t *dialect.Table, entry string) (within float64, by string) {
	switch {
	case slices.Contains([]string{"carrier_frequency", "carrier_bandwidth", "carrier_spacing", "tone_offset"}, entry):
		by = "frequency_tolerance"
	case slices.Contains([]string{"carrier_power", "tone_level"}, entry):
		by = "level_tolerance"
	default:
		return 0, ""
	}
	return t.Limits[by], by
}
