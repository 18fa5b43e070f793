package dialect

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"benchyard/instruments/scpi"
)

// lookUp returns the entry of something the instrument can do.
func (t *Table) lookUp(capability string) (Entry, error) {
	e, ok := t.Commands[capability]
	switch {
	case !ok:
		return Entry{}, fmt.Errorf("dialect: %s has no capability %q", article(t.Role), capability)
	case e.Unsupported:
		return Entry{}, fmt.Errorf("dialect: %s of %s: %w", capability, t.Name, ErrUnsupported)
	}
	return e, nil
}

// Set returns the commands of a capability with the values filled in, nil for
// none. Numbers are given in base units and sent in the unit of the entry. A
// value that could end its command or begin another one is refused.
func (t *Table) Set(capability string, values Values) ([]string, error) {
	e, err := t.lookUp(capability)
	if err != nil {
		return nil, err
	}
	commands := make([]string, len(e.set))
	for i, command := range e.set {
		if commands[i], err = command.fill(e.params, e.Unit, values); err != nil {
			return nil, fmt.Errorf("dialect: %s of %s: %w", capability, t.Name, err)
		}
	}
	return commands, nil
}

// Ask returns the query of a capability with the values filled in.
func (t *Table) Ask(capability string, values Values) (string, error) {
	e, err := t.lookUp(capability)
	if err == nil && e.ask == nil {
		err = fmt.Errorf("dialect: %s of %s has no query: %w", capability, t.Name, ErrUnsupported)
	}
	if err != nil {
		return "", err
	}
	query, err := e.ask.fill(e.params, e.Unit, values)
	if err != nil {
		return "", fmt.Errorf("dialect: %s of %s: %w", capability, t.Name, err)
	}
	return query, nil
}

// Number decodes a numeric answer into the base unit of the quantity. A special
// number (9.9E37 and up in magnitude) is scpi.ErrNotMeasured, anything else that
// is not one plain number scpi.ErrAnswer.
func (t *Table) Number(capability string, answer []byte) (float64, error) {
	return t.number(t.Commands[capability].Unit, capability, answer)
}

func (t *Table) number(unit Unit, capability string, answer []byte) (float64, error) {
	x, err := scpi.ParseNumber(answer, "")
	if err != nil {
		return 0, fmt.Errorf("dialect: %s answers %.40q: %w: %w", capability, answer, scpi.ErrAnswer, err)
	}
	if math.Abs(x) >= scpi.SpecialNumber {
		return 0, fmt.Errorf("dialect: %s answers %.40q: %w", capability, answer, scpi.ErrNotMeasured)
	}
	if x, err = unit.toBase(x); err != nil {
		return 0, fmt.Errorf("dialect: %s: %w: %w", capability, scpi.ErrNotMeasured, err)
	}
	return x, nil
}

// Bool decodes an answer that is yes or no: a bit of a status register, a word
// of the entry, or 1, ON, 0 and OFF. Anything else is scpi.ErrAnswer.
func (t *Table) Bool(capability string, answer []byte) (bool, error) {
	e := t.Commands[capability]
	text := strings.TrimSpace(string(answer))
	if e.Bit >= 0 {
		x, err := scpi.ParseNumber(answer, "")
		if err != nil || x < 0 || x >= 1<<(maxBit+1) || x != math.Trunc(x) {
			return false, fmt.Errorf("dialect: %s answers %.40q, want the whole number of a register: %w", capability, answer, scpi.ErrAnswer)
		}
		return int64(x)>>e.Bit&1 == 1, nil
	}
	is := func(w string) bool { return strings.EqualFold(w, text) }
	switch {
	case slices.ContainsFunc(e.On, is) || !slices.ContainsFunc(e.Off, is) && scpi.IsOn(text):
		return true, nil
	case slices.ContainsFunc(e.Off, is) || scpi.IsOff(text):
		return false, nil
	}
	return false, fmt.Errorf("dialect: %s answers %.40q, which is neither on nor off: %w", capability, answer, scpi.ErrAnswer)
}

// String decodes a word or a text; a text loses its quotes.
func (t *Table) String(answer []byte) string {
	if text, err := scpi.Unquote(answer); err == nil {
		return text
	}
	return strings.TrimSpace(string(answer))
}

// Harmless reports whether asking leaves the instrument as it is.
func (t *Table) Harmless(capability string) bool { return !t.Commands[capability].changes }

// Describe decodes an answer by the type of the entry and says for people what it
// means: "1.8425e+09 Hz", "on", "401 numbers".
func (t *Table) Describe(capability string, answer []byte) (string, error) {
	e := t.Commands[capability]
	switch e.Type {
	case Number:
		x, err := t.Number(capability, answer)
		return strings.TrimSpace(fmt.Sprintf("%g %s", x, baseUnit(e.quantity))), err
	case Boolean:
		var states []string
		for field := range strings.SplitSeq(string(answer), ",") { // one for each channel asked for
			on, err := t.Bool(capability, []byte(field))
			if err != nil {
				return "", err
			}
			states = append(states, map[bool]string{true: "on", false: "off"}[on])
		}
		return strings.Join(states, ","), nil
	case Block, CSV:
		list, err := t.Numbers(capability, answer)
		return fmt.Sprintf("%d numbers", len(list)), err
	}
	return t.String(answer), nil
}

// Numbers decodes a block or a list of numbers into base units. In a list every
// element must be a number; what stands in a block is for the caller to judge.
func (t *Table) Numbers(capability string, answer []byte) ([]float64, error) {
	e := t.Commands[capability]
	if e.Type == CSV {
		var list []float64
		for field := range strings.SplitSeq(string(answer), ",") {
			x, err := t.number(e.Unit, capability, []byte(field))
			if err != nil {
				return nil, err
			}
			list = append(list, x)
		}
		return list, nil
	}
	payload, err := scpi.ParseBlock(answer)
	if err != nil {
		return nil, unfit(capability, err)
	}
	list, err := e.Encoding.format().Decode(payload)
	if err == nil {
		err = e.Unit.allToBase(list)
	}
	if err != nil {
		return nil, unfit(capability, err)
	}
	return list, nil
}

// unfit says of which capability an answer is that does not hold what it should.
func unfit(capability string, err error) error {
	return fmt.Errorf("dialect: %s: %w: %w", capability, scpi.ErrAnswer, err)
}

// format is how the numbers of a block are laid out.
func (e Encoding) format() scpi.RealFormat {
	return scpi.RealFormat{Double: e == Real64 || e == Real64Swapped, Swapped: e == Real32Swapped || e == Real64Swapped}
}
