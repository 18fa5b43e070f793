package powermeter_test

import (
	"errors"
	"math"
	"testing"

	"go.uber.org/goleak"

	"benchyard/instruments/dialect"
	"benchyard/instruments/powermeter"
	"benchyard/instruments/rf"
	"benchyard/instruments/scpi"
	. "benchyard/instruments/scpi/scpitest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func open(t *testing.T, table *dialect.Table, steps ...Step) *powermeter.PowerMeter {
	s, err := scpi.Dial(t.Context(), Serve(t, append([]Step{Greet()}, steps...)...), scpi.Config{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return powermeter.New(s, table)
}

// tuned answers the settings before a reading.
func tuned() Step {
	return Steps(Command(":FREQ 2.14E+09"), Answer(":FREQ?", "2.14E9"), Command(":AVER:COUN 16"), Answer(":AVER:COUN?", "16"))
}

func TestZeroAndRead(t *testing.T) {
	p := open(t, dialect.Standard("power meter"),
		Answer("*RST;*OPC?", "1"), Answer(":SYST:ERR?", NoError), Command(":UNIT:POW DBM"),
		Answer(":CAL:ZERO:AUTO ONCE;*OPC?", "1"), Answer(":SYST:ERR?", NoError),
		tuned(), Answer(":READ?;:SYST:ERR?", "-10.25;"+NoError))
	ctx := t.Context()
	if err := p.Prepare(ctx); err != nil {
		t.Fatal(err)
	}
	if err := p.Zero(ctx); err != nil {
		t.Fatal(err)
	}
	if power, err := p.Read(ctx, 2.14e9, 16); power != -10.25 || err != nil {
		t.Errorf("got %s, %v", power, err)
	}
}

func TestAMeterThatAnswersInWatts(t *testing.T) {
	table, err := dialect.Parse("meter.yaml", []byte(`
name: watts
role: power meter
inherits: SCPI-1999
commands:
  prepare: {set: ":UNIT:POW W"}
  power: {ask: ":FETC?", unit: W}
`))
	if err != nil {
		t.Fatal(err)
	}
	p := open(t, table, tuned(), Answer(":FETC?;:SYST:ERR?", "2E-3;"+NoError), tuned(), Answer(":FETC?;:SYST:ERR?", "-1E-12;"+NoError))
	power, err := p.Read(t.Context(), 2.14e9, 16)
	if math.Abs(float64(power)-3.0103) > 1e-4 || err != nil { // 10 lg 2
		t.Errorf("got %s, %v", power, err)
	}
	if power, err := p.Read(t.Context(), 2.14e9, 16); !errors.Is(err, scpi.ErrNotMeasured) {
		t.Errorf("noise below zero: got %s, %v", power, err)
	}
}

func TestWhatIsNoReading(t *testing.T) {
	var refused *scpi.Error
	for answer, want := range map[string]func(error) bool{
		"9.91E37;" + NoError:                  func(err error) bool { return errors.Is(err, scpi.ErrNotMeasured) },
		"-9.9E37;" + NoError:                  func(err error) bool { return errors.Is(err, scpi.ErrNotMeasured) },
		"-10.25 DBM;" + NoError:               func(err error) bool { return errors.Is(err, scpi.ErrAnswer) },
		"-10,25;" + NoError:                   func(err error) bool { return errors.Is(err, scpi.ErrAnswer) },
		`-10.25;-230,"Data corrupt or stale"`: func(err error) bool { return errors.As(err, &refused) && refused.Number == -230 },
	} {
		steps := []Step{tuned(), Answer(":READ?;:SYST:ERR?", answer)}
		if answer[len(answer)-len(NoError):] != NoError {
			steps = append(steps, Answer(":SYST:ERR?", NoError))
		}
		if power, err := open(t, dialect.Standard("power meter"), steps...).Read(t.Context(), 2.14e9, 16); err == nil || !want(err) {
			t.Errorf("%s: got %s, %v", answer, power, err)
		}
	}
}

func TestReadingsNobodyCanTake(t *testing.T) {
	p := open(t, dialect.Standard("power meter"), Command(":FREQ 2.14E+09"), Answer(":FREQ?", "1E9"))
	for _, c := range []struct {
		f        float64
		averages int
	}{{0, 1}, {math.NaN(), 1}, {math.Inf(1), 1}, {1e9, 0}, {1e9, 1025}} {
		if _, err := p.Read(t.Context(), rf.Hertz(c.f), c.averages); err == nil {
			t.Errorf("%v: want an error", c)
		}
	}
	if _, err := p.Read(t.Context(), 2.14e9, 1); !errors.Is(err, scpi.ErrUnconfirmed) {
		t.Errorf("frequency not taken: got %v", err)
	}
}
