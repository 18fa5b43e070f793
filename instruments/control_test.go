package instruments_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"sync"
	"testing"
	"time"

	"benchyard/instruments"
	"benchyard/instruments/dialect"
	"benchyard/instruments/radiounit"
	"benchyard/instruments/rf"
	"benchyard/instruments/scpi"
	"benchyard/instruments/shell"
	"benchyard/instruments/sim"
	"benchyard/instruments/supply"
)

// password of the command lines of these labs.
const password = "north by northwest"

// byHand runs a lab whose units want every step told, over the given control:
// "" for the line protocol, "tcp" or "ssh".
func byHand(t *testing.T, over string) *sim.Lab {
	t.Helper()
	c := sim.Demo(1)
	c.Speed, c.Faults, c.Access.Password = 2000, nil, password
	for i := range c.Types {
		c.Types[i].SelfTuning, c.Types[i].CommandLine = false, over
	}
	lab, err := sim.Start(context.Background(), c, io.Discard)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := lab.Close(); err != nil {
			t.Error(err)
		}
	})
	return lab
}

// open opens the unit over its control.
func open(t *testing.T, lab *sim.Lab, over string, config scpi.Config) *instruments.Instrument {
	t.Helper()
	resource, err := lab.Resource(unit)
	if err != nil {
		t.Fatal(err)
	}
	i, err := instruments.Open(t.Context(), instruments.RadioUnit, resource, "", config, nil)
	if over != "" {
		i, err = instruments.OpenCommandLine(t.Context(), resource, "", login(t, lab, over), config, spoken(t))
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := i.Close(); err != nil {
			t.Error(err)
		}
	})
	i.Driver().(*radiounit.RadioUnit).Connectors = 2
	return i
}

func spoken(t *testing.T) *dialect.Table {
	t.Helper()
	table, err := dialect.Parse("command-line.yaml", []byte(sim.CommandLineTable()))
	if err != nil {
		t.Fatal(err)
	}
	return table
}

func login(t *testing.T, lab *sim.Lab, over string) shell.Login {
	t.Helper()
	key, err := lab.HostKey(unit)
	if err != nil {
		t.Fatal(err)
	}
	return shell.Login{SSH: over == "ssh", User: "bench", HostKeys: []string{key}, Password: func() (string, error) { return password, nil }}
}

// controls runs a test over every control.
func controls(t *testing.T, test func(t *testing.T, over string)) {
	for _, over := range []string{"", "tcp", "ssh"} {
		t.Run("over "+over, func(t *testing.T) { test(t, over) })
	}
}

// power feeds the bench.
func power(t *testing.T, lab *sim.Lab) {
	t.Helper()
	s := driver[*supply.Supply](t, lab, "bench-1-supply", instruments.Supply, scpi.Config{})
	do(t, func(ctx context.Context) error { return s.Set(ctx, 48, 30) }, s.On)
}

// Every step of a bring-up, each with its read-back, says the same over every control.
func TestBringUpOverEveryControl(t *testing.T) {
	controls(t, func(t *testing.T, over string) {
		lab := byHand(t, over)
		power(t, lab)
		u := open(t, lab, over, scpi.Config{}).Driver().(*radiounit.RadioUnit)
		ctx := t.Context()
		id, err := u.Identity(ctx)
		if err != nil || id.Serial != unit || id.Type != "RU-F2" || id.Build != "2.4.0" || id.Revision == "" || id.Maker == "" {
			t.Errorf("got %+v, %v", id, err)
		}
		for _, c := range []radiounit.Capability{
			radiounit.Attenuating, radiounit.Connectors, radiounit.Timer, radiounit.Synthesizer, radiounit.Calibrating, radiounit.TrackingCal,
			radiounit.ToneSource, radiounit.Reference, radiounit.PPS, radiounit.SupplyPower, radiounit.Thermometer, radiounit.AlarmCount,
			radiounit.ManyCarriers, radiounit.CalibratedFor,
		} {
			if !u.Has(c) {
				t.Errorf("no %s", c)
			}
		}
		do(t, u.Mute, u.StopTimer, func(ctx context.Context) error { return u.Attenuate(ctx, 0, 40) },
			func(ctx context.Context) error { return u.Configure(ctx, n1) }, u.ResetSynthesizer)
		do(t, u.Calibrate)
		if at, err := u.CalibratedAt(ctx); err != nil || math.Abs(float64(at-n1.Center)) > 1e3 {
			t.Errorf("calibrated at %s, %v", at, err)
		}
		do(t, func(ctx context.Context) error { return u.Track(ctx, true) }, u.StartTimer,
			func(ctx context.Context) error { return u.Enable(ctx, 2, false) },
			func(ctx context.Context) error { return u.Tone(ctx, 2.5e6, -12) }, u.Transmit)
		if tracking, err := u.Tracking(ctx); err != nil || !tracking.On || tracking.State == radiounit.TrackingOff || tracking.State == radiounit.TrackingFailed {
			t.Errorf("got %+v, %v", tracking, err)
		}
		if a, err := u.Attenuation(ctx, 1); a != 40 || err != nil {
			t.Errorf("got %s, %v", a, err)
		}
		var refused *scpi.Error
		var said *shell.Refusal
		if err := u.Configure(ctx, n1); !errors.As(err, &refused) && !errors.As(err, &said) {
			t.Errorf("retuning on the air: got %v", err)
		}
		readings(t, u)
		do(t, u.Modulate, u.Mute, func(ctx context.Context) error { return u.Track(ctx, false) })
		if on := lab.Transmitting(); len(on) != 0 {
			t.Errorf("on the air: %v", on)
		}
	})
}

// readings checks what a unit in good order says of itself.
func readings(t *testing.T, u *radiounit.RadioUnit) {
	t.Helper()
	ctx := t.Context()
	for name, ask := range map[string]func(context.Context) (bool, error){"transmitting": u.Transmitting, "reference": u.Locked, "pps": u.PPSLocked} {
		if ok, err := ask(ctx); !ok || err != nil {
			t.Errorf("%s: got %v, %v", name, ok, err)
		}
	}
	if v, a, err := u.SupplyReading(ctx); err != nil || math.Abs(v-48) > 0.5 || a < 0.5 {
		t.Errorf("supply: got %g V, %g A, %v", v, a, err)
	}
	if c, err := u.Temperature(ctx); err != nil || c < 20 || c > 60 {
		t.Errorf("temperature: got %g, %v", c, err)
	}
	if n, err := u.Alarms(ctx); err != nil || n != 0 {
		t.Errorf("alarms: got %d, %v", n, err)
	}
}

func TestTroublesOverEveryControl(t *testing.T) {
	controls(t, func(t *testing.T, over string) {
		lab := byHand(t, over)
		power(t, lab)
		u := open(t, lab, over, scpi.Config{}).Driver().(*radiounit.RadioUnit)
		ctx := t.Context()
		do(t, u.StopTimer, func(ctx context.Context) error { return u.Configure(ctx, n1) }, u.ResetSynthesizer)
		trouble := func(what sim.Trouble) {
			t.Helper()
			if err := lab.Trouble(unit, what, true); err != nil {
				t.Fatal(err)
			}
		}
		trouble(sim.BadCalibration)
		var failed *radiounit.CalibrationError
		if err := u.Calibrate(ctx); !errors.As(err, &failed) || failed.Code <= 0 {
			t.Errorf("calibration: got %v", err)
		}
		trouble(sim.LostPPS)
		if locked, err := u.PPSLocked(ctx); locked || err != nil {
			t.Errorf("pps: got %v, %v", locked, err)
		}
		for _, bad := range []rf.DB{-1, rf.DB(math.NaN()), 61} {
			if err := u.Attenuate(ctx, 1, bad); err == nil {
				t.Errorf("attenuation %g: want an error", bad)
			}
		}
		if u.Attenuate(ctx, 9, 1) == nil || u.Enable(ctx, 0, true) == nil || u.Tone(ctx, 1e6, 3) == nil {
			t.Error("a connector or a level that does not exist was accepted")
		}
	})
}

// A unit on a command line starts again with its new build, which costs the
// connection; over the line protocol it stays.
func TestLoadOverEveryControl(t *testing.T) {
	controls(t, func(t *testing.T, over string) {
		lab := byHand(t, over)
		u := open(t, lab, over, scpi.Config{}).Driver().(*radiounit.RadioUnit)
		do(t, func(ctx context.Context) error { return u.LoadBuild(ctx, "2.5.0") }, func(ctx context.Context) error { return u.LoadBuild(ctx, "2.5.0") })
		if id, err := u.Identity(t.Context()); id.Build != "2.5.0" || err != nil {
			t.Errorf("got %+v, %v", id, err)
		}
		if err := u.LoadBuild(t.Context(), "9.9.9"); err == nil || errors.Is(err, radiounit.ErrBuild) {
			t.Errorf("unknown build: got %v", err)
		}
		if err := lab.Inject(unit, sim.Reboot); err != nil {
			t.Fatal(err)
		}
		// The loss is seen at the latest by the second call, and reported once.
		ctx := t.Context()
		err := u.StopTimer(ctx)
		if err != nil && !errors.Is(err, scpi.ErrRestarted) {
			err = u.StopTimer(ctx)
		}
		if !errors.Is(err, scpi.ErrRestarted) {
			t.Errorf("after a restart: got %v", err)
		}
		do(t, u.StopTimer)
	})
}

// transcript is one that can be looked at.
type transcript struct {
	mu   sync.Mutex
	text strings.Builder
}

// Record keeps a message.
func (r *transcript) Record(direction string, message []byte) {
	r.mu.Lock()
	defer r.mu.Unlock()
	fmt.Fprintf(&r.text, "%s %s\n", direction, message)
}

// Who has lost the lease cannot switch anything on over any control, and can still
// mute; what was said stands in the transcript, but no password.
func TestLeaseAndTranscriptOverEveryControl(t *testing.T) {
	controls(t, func(t *testing.T, over string) {
		lab := byHand(t, over)
		power(t, lab)
		var lost error
		var r transcript
		u := open(t, lab, over, scpi.Config{Guard: func() error { return lost }, Transcript: &r}).Driver().(*radiounit.RadioUnit)
		do(t, u.StopTimer, func(ctx context.Context) error { return u.Configure(ctx, n1) }, u.ResetSynthesizer, u.Transmit)
		lost = errors.New("the lease went to another agent")
		if err := u.StartTimer(t.Context()); !errors.Is(err, scpi.ErrRefused) || !scpi.SafeToRetry(err) {
			t.Errorf("got %v", err)
		}
		if err := u.Mute(scpi.WithGuard(t.Context(), func() error { return nil })); err != nil || len(lab.Transmitting()) != 0 {
			t.Errorf("got %v, on the air: %v", err, lab.Transmitting())
		}
		r.mu.Lock()
		defer r.mu.Unlock()
		if text := r.text.String(); strings.Contains(text, password) || !strings.Contains(text, "sent ") || !strings.Contains(text, "received ") {
			t.Errorf("transcript:\n%s", text)
		}
	})
}

func TestLoginsAtTheSimulator(t *testing.T) {
	for _, over := range []string{"tcp", "ssh"} {
		lab := byHand(t, over)
		resource, err := lab.Resource(unit)
		if err != nil {
			t.Fatal(err)
		}
		wrong := login(t, lab, over)
		wrong.Password = func() (string, error) { return "guess", nil }
		if _, err := instruments.OpenCommandLine(t.Context(), resource, "", wrong, scpi.Config{}, spoken(t)); !errors.Is(err, shell.ErrLogin) {
			t.Errorf("%s, wrong password: got %v", over, err)
		}
		var other *instruments.IdentityError
		if _, err := instruments.OpenCommandLine(t.Context(), resource, ",,F2-0002", login(t, lab, over), scpi.Config{}, spoken(t)); !errors.As(err, &other) {
			t.Errorf("%s, another unit: got %v", over, err)
		}
		if over == "tcp" {
			continue
		}
		stranger := login(t, lab, over)
		if stranger.HostKeys[0], err = lab.HostKey("F2-0002"); err != nil {
			t.Fatal(err)
		}
		if _, err := instruments.OpenCommandLine(t.Context(), resource, "", stranger, scpi.Config{}, spoken(t)); !errors.Is(err, shell.ErrHostKey) {
			t.Errorf("wrong host key: got %v", err)
		}
	}
}

// A silent command line costs one time-out and the connection, and no wrong answer.
func TestFaultsOfACommandLine(t *testing.T) {
	controls(t, func(t *testing.T, over string) {
		if over == "" {
			return // the faults of the line protocol have tests of their own
		}
		lab := byHand(t, over)
		u := open(t, lab, over, scpi.Config{Timeout: 2 * time.Second}).Driver().(*radiounit.RadioUnit)
		for _, fault := range []sim.WireFault{sim.Drop, sim.Garbage, sim.Silent} {
			if err := lab.Inject(unit, fault); err != nil {
				t.Fatal(err)
			}
			ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
			if n, err := u.Alarms(ctx); err == nil {
				t.Errorf("%s: got %d alarms", fault, n)
			}
			cancel()
			if err := lab.Inject(unit, sim.None); err != nil {
				t.Fatal(err)
			}
			if n, err := u.Alarms(t.Context()); n != 1 || err != nil { // no supply is an alarm
				t.Errorf("after %s: got %d, %v", fault, n, err)
			}
		}
	})
}
