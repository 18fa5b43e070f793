package radiounit

import (
	"context"
	"fmt"
	"math"
	"strings"

	"benchyard/instruments/dialect"
	"benchyard/instruments/scpi"
)

// tell sends the commands of an entry and waits as long as its kind takes.
func (u *RadioUnit) tell(ctx context.Context, entry string, values dialect.Values) error {
	lines, err := u.table.Set(entry, values)
	if err != nil {
		return fmt.Errorf("radiounit: %w", err)
	}
	timeout := u.table.Timeout(entry)
	if timeout > 0 || u.table.Commands[entry].Overlapped {
		err = u.control.Run(ctx, timeout, lines...)
	} else {
		err = u.control.Command(ctx, lines...)
	}
	if err != nil {
		return fmt.Errorf("radiounit: %s: %w", entry, err)
	}
	return nil
}

// question is one entry to be asked and what its answer is decoded by.
type question struct {
	entry  string
	values dialect.Values
	decode func(answer []byte) error
}

// ask asks several things at once.
func (u *RadioUnit) ask(ctx context.Context, questions ...question) error {
	var lines []string
	for _, q := range questions {
		line, err := u.table.Ask(q.entry, q.values)
		if err != nil {
			return fmt.Errorf("radiounit: %w", err)
		}
		lines = append(lines, line)
	}
	err := u.control.Ask(ctx, func(answers []string) error {
		for i, q := range questions {
			answer, err := u.table.Answer(q.entry, answers[i])
			if err == nil {
				err = q.decode(answer)
			}
			if err != nil {
				return fmt.Errorf("%s: %w", q.entry, err)
			}
		}
		return nil
	}, lines...)
	if err != nil {
		return fmt.Errorf("radiounit: %w", err)
	}
	return nil
}

// text asks for a word or a text.
func (u *RadioUnit) text(ctx context.Context, entry string) (text string, err error) {
	err = u.ask(ctx, question{entry, nil, func(answer []byte) error { text = u.table.String(answer); return nil }})
	return text, err
}

// boolean asks what is on or off.
func (u *RadioUnit) boolean(ctx context.Context, entry string, values dialect.Values) (on bool, err error) {
	err = u.ask(ctx, question{entry, values, func(answer []byte) (err error) {
		on, err = u.table.Bool(entry, answer)
		return err
	}})
	return on, err
}

// number asks for a number in its base unit.
func (u *RadioUnit) number(ctx context.Context, entry string, values dialect.Values) (x float64, err error) {
	err = u.ask(ctx, question{entry, values, func(answer []byte) (err error) {
		x, err = u.table.Number(entry, answer)
		return err
	}})
	return x, err
}

// whole asks for a number without decimals.
func (u *RadioUnit) whole(ctx context.Context, entry string) (n int, err error) {
	err = u.ask(ctx, question{entry, nil, func(answer []byte) error {
		x, err := u.table.Number(entry, answer)
		if err == nil && (x != math.Trunc(x) || math.Abs(x) > math.MaxInt32) {
			err = fmt.Errorf("%w: %g is no whole number", scpi.ErrAnswer, x)
		}
		n = int(x)
		return err
	}})
	return n, err
}

// turn tells the unit something and asks back whether it is so; without words to
// ask there is no asking.
func (u *RadioUnit) turn(ctx context.Context, told, asked string, want bool, values dialect.Values) error {
	if err := u.tell(ctx, told, values); err != nil || !u.table.Has(asked) {
		return err
	}
	is, err := u.boolean(ctx, asked, values)
	if err == nil && is != want {
		err = fmt.Errorf("radiounit: %s: %w", told, scpi.ErrUnconfirmed)
	}
	return err
}

// switchOff tells the unit to end something, asks back whether it has, and tells it
// again when the connection or the answer fails on the way.
func (u *RadioUnit) switchOff(ctx context.Context, told, asked string, values dialect.Values) error {
	lines, err := u.table.Set(told, values)
	if err != nil {
		return fmt.Errorf("radiounit: %w", err)
	}
	query, err := u.table.Ask(asked, values)
	if err != nil {
		return fmt.Errorf("radiounit: %w", err)
	}
	err = u.control.SwitchOff(ctx, query, func(output string) bool {
		answer, err := u.table.Answer(asked, output)
		if err != nil {
			return false
		}
		on, err := u.table.Bool(asked, answer)
		return err == nil && !on
	}, lines...)
	if err != nil {
		return fmt.Errorf("radiounit: %s: %w", told, err)
	}
	return nil
}

// sameWord compares a word as answered with a word of ours: units may shorten it,
// to three letters at the least.
func sameWord(answer, word string) bool {
	answer, word = strings.ToLower(answer), strings.ToLower(word)
	return len(answer) >= 3 && strings.HasPrefix(word, answer)
}
