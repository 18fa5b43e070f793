package dialect

import (
	"context"
	"fmt"
	"math"
	"slices"

	"benchyard/instruments/scpi"
)

// Line is a session with an instrument that is spoken to in the words of a
// table: what a driver is made of.
type Line struct {
	Session *scpi.Session
	Table   *Table
}

// Tell sends the commands of a capability and reads the error queue behind them.
// Where they are overlapped it returns only when the instrument has finished; it
// waits as long as the capability's class of timeouts allows.
func (l Line) Tell(ctx context.Context, capability string, values Values) error {
	commands, err := l.Table.Set(capability, values)
	if err != nil {
		return err
	}
	if !l.Table.Commands[capability].Overlapped {
		return l.Session.Command(ctx, commands...)
	}
	if err := l.Session.Wait(ctx, l.Table.Timeout(capability), commands...); err != nil {
		return err
	}
	return l.Session.Command(ctx)
}

// Number asks for a number and returns it in the base unit of its quantity.
func (l Line) Number(ctx context.Context, capability string, values Values) (float64, error) {
	query, err := l.Table.Ask(capability, values)
	if err != nil {
		return 0, err
	}
	x, err := l.Session.QueryNumber(ctx, query)
	if err != nil {
		return 0, err
	}
	if x, err = l.Table.Commands[capability].Unit.toBase(x); err != nil {
		return 0, fmt.Errorf("dialect: %s: %w: %w", capability, scpi.ErrNotMeasured, err)
	}
	return x, nil
}

// Bool asks for an answer that is yes or no.
func (l Line) Bool(ctx context.Context, capability string, values Values) (bool, error) {
	query, err := l.Table.Ask(capability, values)
	if err != nil {
		return false, err
	}
	if e := l.Table.Commands[capability]; e.Bit < 0 && len(e.On)+len(e.Off) == 0 {
		return l.Session.QueryBool(ctx, query)
	}
	answer, err := l.Session.Query(ctx, query)
	if err != nil {
		return false, err
	}
	return l.Table.Bool(capability, []byte(answer))
}

// Fetch sends units and, last, asks for the block or the list of numbers of a
// capability, in as few messages as they make. The numbers are appended to dst, those
// of a block while they arrive, in base units. What Table.Numbers would refuse is the
// error in what was fetched: the answers to units may say why.
func (l Line) Fetch(ctx context.Context, capability string, dst []float64, units ...string) (scpi.Fetched, error) {
	query, err := l.Table.Ask(capability, nil)
	if err != nil {
		return scpi.Fetched{}, err
	}
	units = append(slices.Clone(units), query)
	e := l.Table.Commands[capability]
	if e.Type != CSV {
		got, err := l.Session.Fetch(ctx, 0, e.Encoding.format(), dst, units...)
		if err == nil && got.Err == nil {
			got.Err = e.Unit.allToBase(got.Numbers[len(dst):])
		}
		if got.Err != nil {
			got.Numbers, got.Err = nil, unfit(capability, got.Err)
		}
		return got, err
	}
	answers, err := l.Session.Exchange(ctx, 0, units...)
	if err != nil {
		return scpi.Fetched{}, err
	}
	last := len(answers) - 1
	got := scpi.Fetched{Answers: answers[:last]}
	list, err := l.Table.Numbers(capability, answers[last])
	if got.Err = err; err == nil {
		got.Numbers = append(dst, list...)
	}
	return got, nil
}

// Confirm tells the instrument something it must do for sure and asks another
// capability whether it did; holds judges the answer, as in scpi.Session.Confirm.
func (l Line) Confirm(ctx context.Context, asked string, values Values, holds func(answer []byte) bool, commands ...string) error {
	query, err := l.Table.Ask(asked, values)
	if err != nil {
		return err
	}
	return l.Session.Confirm(ctx, query, func(answer string) bool { return holds([]byte(answer)) }, commands...)
}

// Switch tells the instrument to go on or off by the capability told and confirms
// it by the capability asked. Off is believed only when the instrument says so, and
// is sent once more to one that says nothing, as in scpi.Session.SwitchOff.
func (l Line) Switch(ctx context.Context, told, asked string, on bool) error {
	commands, err := l.Table.Set(told, nil)
	if err != nil {
		return err
	}
	is := func(answer []byte) bool {
		got, err := l.Table.Bool(asked, answer)
		return err == nil && got == on
	}
	if !on {
		query, err := l.Table.Ask(asked, nil)
		if err != nil {
			return err
		}
		return l.Session.SwitchOff(ctx, query, func(answer string) bool { return is([]byte(answer)) }, commands...)
	}
	// What is dangerous is sent once: Confirm would repeat it on a new connection.
	if err := l.Session.Command(ctx, commands...); err != nil {
		return err
	}
	got, err := l.Bool(ctx, asked, nil)
	if err == nil && !got {
		err = scpi.ErrUnconfirmed
	}
	return err
}

// Apply sets something and reads it back; a difference greater than within, in
// the base unit, is scpi.ErrUnconfirmed.
func (l Line) Apply(ctx context.Context, capability string, values Values, want, within float64) error {
	if err := l.Tell(ctx, capability, values); err != nil {
		return err
	}
	return l.Expect(ctx, capability, values, want, within)
}

// Expect asks for a setting and compares it; a difference greater than within,
// in the base unit, is scpi.ErrUnconfirmed.
func (l Line) Expect(ctx context.Context, capability string, values Values, want, within float64) error {
	got, err := l.Number(ctx, capability, values)
	if err != nil {
		return fmt.Errorf("read back %s: %w", capability, err)
	}
	if math.Abs(got-want) > within {
		return fmt.Errorf("%s reads back %g, want %g: %w", capability, got, want, scpi.ErrUnconfirmed)
	}
	return nil
}
