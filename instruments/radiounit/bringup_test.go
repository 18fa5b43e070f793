package radiounit_test

import (
	"context"
	"errors"
	"strings"
	"testing"

	"benchyard/instruments/dialect"
	"benchyard/instruments/radiounit"
	"benchyard/instruments/scpi"
	. "benchyard/instruments/scpi/scpitest"
)

func TestBringUpSteps(t *testing.T) {
	u := open(t,
		Command(":TIM OFF"), Answer(":TIM?", "0"),
		Command(":CONN1:ATT 4E+01;:CONN2:ATT 4E+01"), Answer(":CONN1:ATT?", "40.05"), Answer(":CONN2:ATT?", "39.95"),
		Command(":SYNT:RES"), Answer("*OPC?", "1"), Answer(":SYNT:LOCK?", "0"), Answer(":SYNT:LOCK?", "1"),
		Command(":CAL:INIT"), Answer("*OPC?", "1"), Answer(":CAL:INIT:RES?", "0"), Answer(":CAL:INIT:FREQ?", "3.55E9"),
		Command(":CAL:TRAC ON"), Answer(":CAL:TRAC?", "1"), Answer(":CAL:TRAC:STAT?;:CAL:TRAC?", "SETT;1"),
		Command(":TIM ON"), Answer(":TIM?", "1"),
		Confirm(":CONN2 OFF", ":CONN2?", "0"), Command(":CONN1 ON"), Answer(":CONN1?", "1"),
		Command(":TONE:OFFS -2E+06;:TONE:LEV -1.2E+01"), Answer(":TONE:OFFS?;:TONE:LEV?", "-2000000;-12.0"), Command(":CARR:SOUR TONE"), Answer(":CARR:SOUR?", "TONE"),
		Command(":CARR:SOUR MOD"), Answer(":CARR:SOUR?", "MOD"),
		Answer(":SUPP:VOLT?;:SUPP:CURR?", "48.1;0.9"), Answer(":ROSC:PPS:LOCK?", "1"))
	u.Connectors = 2
	for i, step := range []func(context.Context) error{
		u.StopTimer, func(ctx context.Context) error { return u.Attenuate(ctx, 0, 40) }, u.ResetSynthesizer, u.Calibrate,
		func(ctx context.Context) error {
			if f, err := u.CalibratedAt(ctx); f != 3.55e9 || err != nil {
				t.Errorf("calibrated at %s, %v", f, err)
			}
			return u.Track(ctx, true)
		},
		func(ctx context.Context) error {
			got, err := u.Tracking(ctx)
			if want := (radiounit.Tracking{On: true, State: radiounit.TrackingSettling}); got != want {
				t.Errorf("got %+v", got)
			}
			return err
		},
		u.StartTimer, func(ctx context.Context) error { return u.Enable(ctx, 2, false) }, func(ctx context.Context) error { return u.Enable(ctx, 1, true) },
		func(ctx context.Context) error { return u.Tone(ctx, -2e6, -12) }, u.Modulate,
		func(ctx context.Context) error {
			v, a, err := u.SupplyReading(ctx)
			if v != 48.1 || a != 0.9 {
				t.Errorf("got %g V, %g A", v, a)
			}
			return err
		},
		func(ctx context.Context) error {
			if locked, err := u.PPSLocked(ctx); !locked || err != nil {
				t.Errorf("got %v, %v", locked, err)
			}
			return nil
		},
	} {
		if err := step(t.Context()); err != nil {
			t.Fatalf("step %d: %v", i+1, err)
		}
	}
}

// What does not come true is an error of its kind, never a success.
func TestStepsThatFail(t *testing.T) {
	for name, c := range map[string]struct {
		steps []Step
		do    func(u *radiounit.RadioUnit) error
		is    func(error) bool
	}{
		"timer goes on": {[]Step{Command(":TIM OFF"), Answer(":TIM?", "1")},
			func(u *radiounit.RadioUnit) error { return u.StopTimer(t.Context()) }, unconfirmed},
		"attenuator sticks": {[]Step{Command(":CONN1:ATT 4E+01"), Answer(":CONN1:ATT?", "0")},
			func(u *radiounit.RadioUnit) error { return u.Attenuate(t.Context(), 1, 40) }, unconfirmed},
		"connector stays on": {[]Step{Confirm(":CONN1 OFF", ":CONN1?", "1")},
			func(u *radiounit.RadioUnit) error { return u.Enable(t.Context(), 1, false) }, unconfirmed},
		"another source": {[]Step{Command(":CARR:SOUR MOD"), Answer(":CARR:SOUR?", "TONE")},
			func(u *radiounit.RadioUnit) error { return u.Modulate(t.Context()) }, unconfirmed},
		"calibration fails": {[]Step{Command(":CAL:INIT"), Answer("*OPC?", "1"), Answer(":CAL:INIT:RES?", "17")},
			func(u *radiounit.RadioUnit) error { return u.Calibrate(t.Context()) }, failedWith(17)},
		"calibration did not run": {[]Step{Command(":CAL:INIT"), Answer("*OPC?", "1"), Answer(":CAL:INIT:RES?", "-1")},
			func(u *radiounit.RadioUnit) error { return u.Calibrate(t.Context()) }, failedWith(-1)},
		"no result": {[]Step{Command(":CAL:INIT"), Answer("*OPC?", "1"), Answer(":CAL:INIT:RES?", "0.5")},
			func(u *radiounit.RadioUnit) error { return u.Calibrate(t.Context()) }, wrongAnswer},
		"strange state": {[]Step{Answer(":CAL:TRAC:STAT?;:CAL:TRAC?", "MAYBE;1")},
			func(u *radiounit.RadioUnit) error { _, err := u.Tracking(t.Context()); return err }, wrongAnswer},
		"all of how many":  {nil, func(u *radiounit.RadioUnit) error { return u.Attenuate(t.Context(), 0, 40) }, nil},
		"louder than full": {nil, func(u *radiounit.RadioUnit) error { return u.Tone(t.Context(), 1e6, 1) }, nil},
	} {
		err := c.do(open(t, c.steps...))
		if err == nil || c.is != nil && !c.is(err) {
			t.Errorf("%s: got %v", name, err)
		}
	}
}

func unconfirmed(err error) bool { return errors.Is(err, scpi.ErrUnconfirmed) }
func wrongAnswer(err error) bool { return errors.Is(err, scpi.ErrAnswer) }

func failedWith(code int) func(error) bool {
	return func(err error) bool {
		var failed *radiounit.CalibrationError
		return errors.As(err, &failed) && failed.Code == code
	}
}

// An oscillator that does not lock in its time is an error; the end of the context
// ends the wait.
func TestSynthesizerThatDoesNotLock(t *testing.T) {
	table, err := dialect.Parse("slow.yaml", []byte("name: slow\nrole: radio unit\ninherits: SCPI-1999\ntimeouts: {settle: 120ms}\n"))
	if err != nil {
		t.Fatal(err)
	}
	never := func() *radiounit.RadioUnit {
		return speaking(t, table, Command(":SYNT:RES"), Answer("*OPC?", "1"), Serving(func(string) string { return "0\n" }))
	}
	if err := never().ResetSynthesizer(t.Context()); !errors.Is(err, radiounit.ErrUnlocked) {
		t.Errorf("got %v", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	u := speaking(t, table, Command(":SYNT:RES"), Answer("*OPC?", "1"), Answer(":SYNT:LOCK?", "0"), Do(cancel), Gone())
	if err := u.ResetSynthesizer(ctx); !errors.Is(err, context.Canceled) {
		t.Errorf("got %v", err)
	}
}

func speaking(t *testing.T, table *dialect.Table, steps ...Step) *radiounit.RadioUnit {
	s, err := scpi.Dial(t.Context(), Serve(t, append([]Step{Greet()}, steps...)...), scpi.Config{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return radiounit.New(s, table)
}

// What a table lacks is ErrUnsupported, and nothing is sent.
func TestWhatATableLacks(t *testing.T) {
	var without strings.Builder
	without.WriteString("name: plain\nrole: radio unit\ninherits: SCPI-1999\ncommands:\n")
	for _, entry := range []string{
		"carrier_count", "connector_off", "attenuation", "timer_stop", "synthesizer_reset", "calibrate", "calibration_frequency", "tracking_status",
		"tone_level", "reference_locked", "pps_locked", "temperature", "alarms", "supply_current",
	} {
		without.WriteString("  " + entry + ": {unsupported: true}\n")
	}
	table, err := dialect.Parse("plain.yaml", []byte(without.String()))
	if err != nil {
		t.Fatal(err)
	}
	u := speaking(t, table)
	u.Connectors = 2
	ctx := t.Context()
	ask := func(f func(context.Context) (bool, error)) error { _, err := f(ctx); return err }
	two := n78
	two.Center += 100e6
	_, calibratedAt := u.CalibratedAt(ctx)
	_, tracking := u.Tracking(ctx)
	_, attenuation := u.Attenuation(ctx, 1)
	_, celsius := u.Temperature(ctx)
	_, alarms := u.Alarms(ctx)
	_, _, reading := u.SupplyReading(ctx)
	for name, err := range map[string]error{
		"several carriers": u.ConfigureAll(ctx, []radiounit.Carrier{n78, two}), "connectors": u.Enable(ctx, 1, true), "attenuate": u.Attenuate(ctx, 0, 1),
		"attenuation": attenuation, "stop": u.StopTimer(ctx), "start": u.StartTimer(ctx), "synthesizer": u.ResetSynthesizer(ctx), "calibrate": u.Calibrate(ctx),
		"calibrated at": calibratedAt, "track": u.Track(ctx, true), "tracking": tracking, "tone": u.Tone(ctx, 1e6, -10), "model": u.Modulate(ctx),
		"reference": ask(u.Locked), "pps": ask(u.PPSLocked), "temperature": celsius, "alarms": alarms, "supply": reading,
	} {
		if !errors.Is(err, radiounit.ErrUnsupported) {
			t.Errorf("%s: got %v", name, err)
		}
	}
	for _, c := range []radiounit.Capability{
		radiounit.Attenuating, radiounit.Connectors, radiounit.Timer, radiounit.Synthesizer, radiounit.Calibrating, radiounit.TrackingCal, radiounit.ToneSource,
		radiounit.Reference, radiounit.PPS, radiounit.SupplyPower, radiounit.Thermometer, radiounit.AlarmCount, radiounit.ManyCarriers, radiounit.CalibratedFor, "levitation",
	} {
		if u.Has(c) {
			t.Errorf("has %s", c)
		}
	}
}
