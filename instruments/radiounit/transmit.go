package radiounit

import (
	"context"
	"fmt"
	"math"

	"benchyard/instruments/dialect"
	"benchyard/instruments/rf"
	"benchyard/instruments/scpi"
)

// attenuatorStep is how far from what it was told an attenuator may settle, dB:
// steps of 0.5 dB are the coarsest in use (common practice, no source).
const attenuatorStep = 0.25

// Transmit switches the transmitter on, all enabled connectors together,
// confirmed. It is sent once.
func (u *RadioUnit) Transmit(ctx context.Context) error {
	return u.turn(ctx, "transmit_on", "transmitting", true, nil)
}

// Mute switches the transmitter off. It returns nil only when the unit says that
// it does not transmit. One that gives no proper answer is told once more, blindly.
func (u *RadioUnit) Mute(ctx context.Context) error {
	return u.switchOff(ctx, "transmit_off", "transmitting", nil)
}

// Transmitting reports whether the transmitter is on.
func (u *RadioUnit) Transmitting(ctx context.Context) (bool, error) {
	return u.boolean(ctx, "transmitting", nil)
}

// which names a connector in templates.
func which(connector int) dialect.Values {
	return dialect.Values{"connector": dialect.Count(connector)}
}

// Enable says whether one connector, counted from 1, takes part when the unit
// transmits, and reads it back.
func (u *RadioUnit) Enable(ctx context.Context, connector int, on bool) error {
	if err := u.need(Connectors); err != nil {
		return err
	}
	if err := u.one(connector); err != nil {
		return err
	}
	if on {
		return u.turn(ctx, "connector_on", "connector_enabled", true, which(connector))
	}
	return u.switchOff(ctx, "connector_off", "connector_enabled", which(connector))
}

// one checks the number of a connector.
func (u *RadioUnit) one(connector int) error {
	if connector < 1 || u.Connectors > 0 && connector > u.Connectors {
		return fmt.Errorf("radiounit: connector %d: want 1 to %d", connector, max(u.Connectors, 1))
	}
	return nil
}

// Attenuate takes attenuation, in dB below full power, off a connector counted from
// 1, or off each for 0, which needs RadioUnit.Connectors. It is read back; more than
// 0.25 dB beside it is scpi.ErrUnconfirmed.
func (u *RadioUnit) Attenuate(ctx context.Context, connector int, attenuation rf.DB) error {
	if err := u.need(Attenuating); err != nil {
		return err
	}
	if !(attenuation >= 0) || math.IsInf(float64(attenuation), 0) {
		return fmt.Errorf("radiounit: attenuation %s: want 0 dB or more", attenuation)
	}
	first, last := connector, connector
	if connector == 0 {
		first, last = 1, u.Connectors
		if last == 0 {
			return fmt.Errorf("radiounit: attenuate all connectors: nobody told how many the unit has")
		}
	} else if err := u.one(connector); err != nil {
		return err
	}
	var lines []string
	for n := first; n <= last; n++ {
		values := which(n)
		values["attenuation"] = dialect.Real(float64(attenuation))
		of, err := u.table.Set("attenuation", values)
		if err != nil {
			return fmt.Errorf("radiounit: %w", err)
		}
		lines = append(lines, of...)
	}
	if err := u.control.Command(ctx, lines...); err != nil {
		return fmt.Errorf("radiounit: attenuation: %w", err)
	}
	for n := first; n <= last; n++ {
		got, err := u.Attenuation(ctx, n)
		if err != nil {
			return err
		}
		if math.Abs(float64(got-attenuation)) > attenuatorStep {
			return fmt.Errorf("radiounit: connector %d attenuates %s, told %s: %w", n, got, attenuation, scpi.ErrUnconfirmed)
		}
	}
	return nil
}

// Attenuation returns what a connector, counted from 1, is told to take off.
func (u *RadioUnit) Attenuation(ctx context.Context, connector int) (rf.DB, error) {
	if err := u.one(connector); err != nil {
		return 0, err
	}
	x, err := u.number(ctx, "attenuation", which(connector))
	return rf.DB(x), err
}

// Tone makes the unit transmit one line instead of its test model, at an offset from
// the carrier in Hz (negative: below) and a level in dB over full scale (0 or less),
// both read back.
func (u *RadioUnit) Tone(ctx context.Context, offset rf.Hertz, level rf.DB) error {
	if err := u.need(ToneSource); err != nil {
		return err
	}
	if !(level <= 0) {
		return fmt.Errorf("radiounit: tone of %s over full scale: want 0 dB or less", level)
	}
	err := u.apply(ctx, []setting{
		{"tone_offset", dialect.Values{"offset": dialect.Real(float64(offset))}, "", float64(offset)},
		{"tone_level", dialect.Values{"level": dialect.Real(float64(level))}, "", float64(level)},
	})
	if err != nil {
		return fmt.Errorf("radiounit: tone: %w", err)
	}
	return u.source(ctx, "source_tone", "tone")
}

// Modulate makes the unit transmit its test model again.
func (u *RadioUnit) Modulate(ctx context.Context) error {
	if err := u.need(ToneSource); err != nil {
		return err
	}
	return u.source(ctx, "source_model", "model")
}

// source chooses the signal and reads the choice back where there are words for it.
func (u *RadioUnit) source(ctx context.Context, told, want string) error {
	if err := u.tell(ctx, told, nil); err != nil || !u.table.Has("source") {
		return err
	}
	got, err := u.text(ctx, "source")
	if err == nil && !sameWord(got, want) {
		err = fmt.Errorf("radiounit: the source is %.40q, told %s: %w", got, want, scpi.ErrUnconfirmed)
	}
	return err
}
