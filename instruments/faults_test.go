package instruments_test

import (
	"context"
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"benchyard/instruments"
	"benchyard/instruments/analyzer"
	"benchyard/instruments/generator"
	"benchyard/instruments/powermeter"
	"benchyard/instruments/radiounit"
	"benchyard/instruments/rf"
	"benchyard/instruments/scpi"
	"benchyard/instruments/sim"
	"benchyard/instruments/supply"
	"benchyard/instruments/switcher"
)

// impatience is shorter than a slow instrument takes for an answer, longer than a
// busy machine does.
const impatience = 200 * time.Millisecond

// subject is a driver at work. Its work sets something and reads something else,
// and fails the test when what it returns without an error is not so.
type subject struct {
	name    string
	role    instruments.Role
	work    func(*testing.T, context.Context, any) error
	prepare func(context.Context, any) error // after a restart too; nil for nothing
	harm    []sim.WireFault                  // faults after which its work must fail
}

// answers are faults in any answer that no driver may take for one.
var answers = []sim.WireFault{
	sim.Silent, sim.Garbage, sim.Stale, sim.Slow, sim.Partial, sim.Glued, sim.WrongCount, sim.Drop, sim.LineFeedInText,
	sim.EndlessErrors, sim.ErrorFlood, sim.Reboot, sim.HalfOpen,
}

// confirmed are those that remain where work begins with a safe state: Confirm
// tries again, and gets over what spoils one answer. A switch matrix does nothing
// else, so that it gets over a restart too.
var confirmed = []sim.WireFault{sim.Silent, sim.Garbage, sim.Slow, sim.LineFeedInText, sim.Reboot}

// numbers are faults in numbers, blocks those in blocks.
var (
	numbers = []sim.WireFault{sim.DecimalComma, sim.UnitSuffix, sim.OverRange, sim.Dashes}
	blocks  = []sim.WireFault{sim.HalfBlock, sim.Indefinite, sim.BareBlock, sim.NotANumber, sim.Overload, sim.Endless}
)

func subjects() []subject {
	return []subject{
		{"bench-1-analyzer", instruments.Analyzer, sweeping, func(ctx context.Context, d any) error { return d.(*analyzer.Analyzer).Prepare(ctx) },
			slices.Concat(answers, numbers, blocks)},
		{"bench-1-supply", instruments.Supply, supplying, nil, slices.Concat(confirmed, numbers)},
		{"bench-1-generator", instruments.Generator, generating, func(ctx context.Context, d any) error { return d.(*generator.Generator).Prepare(ctx) },
			slices.Concat(answers, numbers)},
		{"bench-1-switcher", instruments.Switcher, switching, nil, confirmed[:4]},
		{"bench-2-meter", instruments.PowerMeter, metering, func(ctx context.Context, d any) error { return d.(*powermeter.PowerMeter).Prepare(ctx) },
			slices.Concat(answers, numbers)},
		{unit, instruments.RadioUnit, attenuating, nil, slices.Concat(answers, numbers)},
	}
}

// Every fault of the wire, with every driver: it is noticed with an error that says
// who failed, or does no harm; nothing is returned that is not so; and when the
// fault has gone the driver works again.
func TestDriversAndFaultsOfTheWire(t *testing.T) {
	t.Parallel()
	for _, s := range subjects() {
		t.Run(string(s.role), func(t *testing.T) {
			t.Parallel()
			lab := start(t, 2000)
			if s.role == instruments.Analyzer {
				transmitting(t, lab)
			}
			for _, fault := range sim.WireFaults() {
				t.Run(string(fault), func(t *testing.T) { s.suffer(t, lab, fault) })
			}
		})
	}
}

// suffer does the work of a driver before, during and after a fault.
func (s subject) suffer(t *testing.T, lab *sim.Lab, fault sim.WireFault) {
	resource, err := lab.Resource(s.name)
	if err != nil {
		t.Fatal(err)
	}
	i, err := instruments.Open(t.Context(), s.role, resource, "", scpi.Config{Timeout: impatience}, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer i.Close()
	s.until(t, i.Driver())
	inject := func(f sim.WireFault) {
		if err := lab.Inject(s.name, f); err != nil {
			t.Fatal(err)
		}
	}
	inject(fault)
	var failures []error
	for range 2 {
		if err := s.work(t, t.Context(), i.Driver()); err != nil {
			failures = append(failures, err)
		}
	}
	inject(sim.None)
	if slices.Contains(s.harm, fault) && len(failures) == 0 {
		t.Error("nobody noticed")
	}
	for _, err := range failures {
		if text := err.Error(); !strings.HasPrefix(text, strings.ReplaceAll(string(s.role), " ", "")+": ") || !explained(err) {
			t.Errorf("an error nobody can act on: %v", err)
		}
	}
	restarted := slices.ContainsFunc(failures, func(err error) bool { return errors.Is(err, scpi.ErrRestarted) })
	if fault == sim.Reboot && slices.Contains(s.harm, fault) && !restarted {
		t.Errorf("not told that the settings were lost: %v", failures)
	}
	s.until(t, i.Driver())
}

// explained reports an error of a kind that a caller can tell from others, or of
// the network.
func explained(err error) bool {
	var reported *scpi.Error
	for _, kind := range []error{
		scpi.ErrTimeout, scpi.ErrAnswer, scpi.ErrNotMeasured, scpi.ErrRestarted, scpi.ErrWrongInstrument, scpi.ErrUnconfirmed,
		analyzer.ErrOverload, analyzer.ErrSettings, analyzer.ErrReference,
	} {
		if errors.Is(err, kind) {
			return true
		}
	}
	text := err.Error()
	return errors.As(err, &reported) || strings.Contains(text, "connection") || strings.Contains(text, "not a measured level") ||
		strings.Contains(text, "does not become empty")
}

// until works until it works, which must be soon.
func (s subject) until(t *testing.T, driver any) {
	t.Helper()
	for end := time.Now().Add(10 * time.Second); ; {
		var err error
		if s.prepare != nil {
			err = s.prepare(t.Context(), driver)
		}
		if err == nil {
			err = s.work(t, t.Context(), driver)
		}
		if err == nil {
			return
		}
		if time.Now().After(end) {
			t.Fatalf("does not work again: %v", err)
		}
	}
}

// sweeping takes a trace of the carrier, and one beside it that must not be taken
// for the other.
func sweeping(t *testing.T, ctx context.Context, driver any) error {
	a := driver.(*analyzer.Analyzer)
	beside := rf.Sweep{Start: 2025e6, Stop: 2055e6, RBW: 100e3, Points: 301, Averages: 5, Attenuation: 20, ReferenceLevel: 10}
	over := beside
	over.Start, over.Stop = 2125e6, 2155e6
	for _, s := range []rf.Sweep{beside, over} {
		trace, err := a.Sweep(ctx, s)
		if err != nil {
			return err
		}
		peak := slices.Max(trace.Levels)
		// The carrier stands some 60 dB above its neighbours, 30 dB higher without the pad.
		if carrier := s.Start == over.Start; len(trace.Levels) != s.Points || trace.Start != s.Start || (peak > -30) != carrier || peak > 30 {
			t.Errorf("sweep from %s: %d points up to %g dBm", s.Start, len(trace.Levels), peak)
		}
	}
	return nil
}

func supplying(t *testing.T, ctx context.Context, driver any) error {
	s := driver.(*supply.Supply)
	for _, want := range []float64{40, 48} {
		if err := s.Off(ctx); err != nil {
			return err
		}
		if err := s.Set(ctx, want, 30); err != nil {
			return err
		}
		if err := s.On(ctx); err != nil {
			return err
		}
		volts, amps, on, err := s.Read(ctx)
		if err != nil {
			return err
		}
		if !on || math.Abs(volts-want) > 0.5 || !(amps >= 0 && amps < 31) {
			t.Errorf("%g V, %g A, %t; want %g V", volts, amps, on, want)
		}
	}
	return nil
}

// generating has only what is read back to go by; Set compares it.
func generating(t *testing.T, ctx context.Context, driver any) error {
	g := driver.(*generator.Generator)
	for _, f := range []rf.Hertz{1.95e9, 2.6e9} {
		if err := g.Set(ctx, f, -40); err != nil {
			return err
		}
		if err := g.On(ctx); err != nil {
			return err
		}
		if err := g.Off(ctx); err != nil {
			return err
		}
	}
	return nil
}

func switching(t *testing.T, ctx context.Context, driver any) error {
	w := driver.(*switcher.Switcher)
	w.Routes = []string{"101", "501"}
	for _, route := range w.Routes {
		if err := w.Connect(ctx, route); err != nil {
			return err
		}
	}
	return w.Terminate(ctx)
}

// metering reads a sensor to which nothing is connected.
func metering(t *testing.T, ctx context.Context, driver any) error {
	p, err := driver.(*powermeter.PowerMeter).Read(ctx, 2.14e9, 4)
	if err == nil && !(p < -40 && p > -120) {
		t.Errorf("%s without power", p)
	}
	return err
}

func attenuating(t *testing.T, ctx context.Context, driver any) error {
	u := driver.(*radiounit.RadioUnit)
	u.Connectors = 2
	for _, a := range []rf.DB{40, 12.5} {
		if err := u.Attenuate(ctx, 0, a); err != nil {
			return err
		}
		got, err := u.Attenuation(ctx, 2)
		if err != nil {
			return err
		}
		if got != a {
			t.Errorf("attenuation %s, want %s", got, a)
		}
		c, err := u.Temperature(ctx)
		if err != nil {
			return err
		}
		if !(c > 10 && c < 60) {
			t.Errorf("%g degrees", c)
		}
	}
	return nil
}
