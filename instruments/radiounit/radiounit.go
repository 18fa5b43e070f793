// Package radiounit drives the control port of a radio unit under test: which
// unit and build it is, loading a build, configuring its carriers, and the
// transmitter. Muting is a safe state, so it is confirmed by reading back.
package radiounit

import (
	"context"
	"errors"
	"fmt"
	"math"

	"benchyard/instruments/rf"
	"benchyard/instruments/scpi"
)

// Identity says which unit it is and what runs on it.
type Identity struct {
	Maker, Type, Serial, Build, Revision string
}

// Carrier is one NR carrier as the unit is told to transmit it.
type Carrier struct {
	Center, Bandwidth, SCS rf.Hertz
	TestModel              string // such as "NR-FR1-TM1.1" (TS 38.141-1, 4.9.2.2)
	Duplex                 string // "TDD" or "FDD"
	Power                  rf.DBm // mean power per connector while transmitting
}

// ErrConfiguration: the unit reads back another carrier than it was told.
var ErrConfiguration = errors.New("the unit reads back another carrier")

// RadioUnit is a radio unit behind a session.
type RadioUnit struct {
	session *scpi.Session
	dialect Dialect
}

// New returns the driver of the radio unit behind s, in the standard dialect.
func New(s *scpi.Session) *RadioUnit { return &RadioUnit{session: s, dialect: standard} }

// Session returns the session the driver uses.
func (u *RadioUnit) Session() *scpi.Session { return u.session }

// Identity asks the unit what it is.
func (u *RadioUnit) Identity(ctx context.Context) (Identity, error) {
	id, err := u.session.Identity(ctx)
	if err != nil {
		return Identity{}, fmt.Errorf("radiounit: identity: %w", err)
	}
	revision, err := u.text(ctx, u.dialect.AskRevision)
	if err != nil {
		return Identity{}, err
	}
	return Identity{Maker: id.Manufacturer, Type: id.Model, Serial: id.Serial, Build: id.Firmware, Revision: revision}, nil
}

// text returns a string answer without its quotes.
func (u *RadioUnit) text(ctx context.Context, query string) (string, error) {
	answer, err := u.session.Query(ctx, query)
	if err != nil {
		return "", fmt.Errorf("radiounit: %s: %w", query, err)
	}
	return unquote(answer), nil
}

// unquote takes the quotes off a string answer; character data has none.
func unquote(answer string) string {
	if text, err := scpi.Unquote([]byte(answer)); err == nil {
		return text
	}
	return answer
}

// Configure sets the only carrier and reads every setting back; a difference is
// ErrConfiguration. The unit refuses while it transmits.
func (u *RadioUnit) Configure(ctx context.Context, c Carrier) error {
	return u.ConfigureAll(ctx, []Carrier{c})
}

// setting is one command with the query that reads it back.
type setting struct {
	command, query, text string
	number               float64 // expected when text is empty
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
		for _, x := range []float64{float64(c.Center), float64(c.Bandwidth), float64(c.SCS), float64(c.Power)} {
			if math.IsNaN(x) || math.IsInf(x, 0) {
				return fmt.Errorf("radiounit: carrier with %g among its settings", x)
			}
		}
	}
	for i, c := range carriers {
		settings := u.dialect.settings(i+1, c)
		if i == 0 {
			n := float64(len(carriers))
			settings = append(settings, setting{fmt.Sprintf(u.dialect.Count, scpi.FormatNumber(n)), u.dialect.AskCount, "", n})
		}
		if err := u.apply(ctx, settings); err != nil {
			return fmt.Errorf("radiounit: configure %s carrier at %s: %w", c.Bandwidth, c.Center, err)
		}
	}
	return nil
}

// settings lists the settings of carrier number n.
func (d Dialect) settings(n int, c Carrier) []setting {
	number := func(template, query string, v float64) setting {
		return setting{fmt.Sprintf(template, scpi.FormatNumber(v)), query, "", v}
	}
	if n > 1 {
		suffixed := func(header string, v float64) setting {
			h := fmt.Sprintf(header, n)
			return number(h+" %s", h+"?", v)
		}
		return []setting{
			suffixed(d.Suffixed.Frequency, float64(c.Center)), suffixed(d.Suffixed.Bandwidth, float64(c.Bandwidth)),
			suffixed(d.Suffixed.Spacing, float64(c.SCS)), suffixed(d.Suffixed.Power, float64(c.Power)),
		}
	}
	return []setting{
		number(d.Frequency, d.AskFrequency, float64(c.Center)),
		number(d.Bandwidth, d.AskBandwidth, float64(c.Bandwidth)),
		number(d.Spacing, d.AskSpacing, float64(c.SCS)),
		{fmt.Sprintf(d.TestModel, c.TestModel), d.AskTestModel, c.TestModel, 0},
		{fmt.Sprintf(d.Duplex, c.Duplex), d.AskDuplex, c.Duplex, 0},
		number(d.Power, d.AskPower, float64(c.Power)),
	}
}

// apply sends settings and reads each back.
func (u *RadioUnit) apply(ctx context.Context, settings []setting) error {
	var commands, queries []string
	for _, s := range settings {
		commands, queries = append(commands, s.command), append(queries, s.query)
	}
	if err := u.session.Command(ctx, commands...); err != nil {
		return err
	}
	answers, err := u.session.Batch(ctx, queries...)
	if err != nil {
		return fmt.Errorf("read back: %w", err)
	}
	for i, s := range settings {
		if s.text != "" && unquote(answers[i]) != s.text || s.text == "" && !same(answers[i], s.number) {
			return fmt.Errorf("%s answers %.40q after %q: %w", s.query, answers[i], s.command, ErrConfiguration)
		}
	}
	return nil
}

// same compares a numeric answer with a setting; units print with limited
// resolution, a part in 1e9 is finer than any setting here.
func same(answer string, want float64) bool {
	got, err := scpi.ParseNumber([]byte(answer), "")
	return err == nil && math.Abs(got-want) <= 1e-9*max(math.Abs(want), 1)
}

// Transmit switches the transmitter on, all connectors together, confirmed.
func (u *RadioUnit) Transmit(ctx context.Context) error {
	if err := u.session.Command(ctx, u.dialect.Transmit); err != nil {
		return fmt.Errorf("radiounit: transmit: %w", err)
	}
	on, err := u.Transmitting(ctx)
	if err == nil && !on {
		err = fmt.Errorf("radiounit: transmit: %w", scpi.ErrUnconfirmed)
	}
	return err
}

// Mute switches the transmitter off. It returns nil only when the unit says that
// it does not transmit.
func (u *RadioUnit) Mute(ctx context.Context) error {
	if err := u.session.Confirm(ctx, u.dialect.AskTransmitting, scpi.IsOff, u.dialect.Mute); err != nil {
		return fmt.Errorf("radiounit: mute: %w", err)
	}
	return nil
}

// Transmitting reports whether the transmitter is on.
func (u *RadioUnit) Transmitting(ctx context.Context) (bool, error) {
	return u.boolean(ctx, u.dialect.AskTransmitting)
}

// Locked reports whether the unit's oscillator follows its reference.
func (u *RadioUnit) Locked(ctx context.Context) (bool, error) {
	return u.boolean(ctx, u.dialect.AskLocked)
}

// Temperature returns the temperature of the unit in degrees Celsius.
func (u *RadioUnit) Temperature(ctx context.Context) (float64, error) {
	t, err := u.session.QueryNumber(ctx, u.dialect.AskTemperature)
	if err != nil {
		return 0, fmt.Errorf("radiounit: temperature: %w", err)
	}
	return t, nil
}

// Alarms returns the number of alarms the unit raises.
func (u *RadioUnit) Alarms(ctx context.Context) (int, error) {
	n, err := u.session.QueryNumber(ctx, u.dialect.AskAlarms)
	if err == nil && (n < 0 || n != math.Trunc(n)) {
		err = fmt.Errorf("%w: %g", scpi.ErrAnswer, n)
	}
	if err != nil {
		return 0, fmt.Errorf("radiounit: alarms: %w", err)
	}
	return int(n), nil
}

func (u *RadioUnit) boolean(ctx context.Context, query string) (bool, error) {
	v, err := u.session.QueryBool(ctx, query)
	if err != nil {
		return false, fmt.Errorf("radiounit: %s: %w", query, err)
	}
	return v, nil
}
