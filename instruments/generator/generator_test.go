package generator_test

import (
	"errors"
	"math"
	"testing"

	"go.uber.org/goleak"

	"benchyard/instruments/dialect"
	"benchyard/instruments/generator"
	"benchyard/instruments/rf"
	"benchyard/instruments/scpi"
	. "benchyard/instruments/scpi/scpitest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func off(answer string) Step { return Confirm(":OUTP OFF", ":OUTP?", answer) }

// reset answers the preset and the power limit that follows it.
var reset = Steps(Answer("*RST;*OPC?", "1"), Answer(":SYST:ERR?", NoError), Command(":POW:LIM 2E+01"), Answer(":POW:LIM?", "20"))

func open(t *testing.T, steps ...Step) *generator.Generator {
	s, err := scpi.Dial(t.Context(), Serve(t, append([]Step{Greet()}, steps...)...), scpi.Config{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return generator.New(s, dialect.Standard("generator"))
}

func TestSetAndSwitch(t *testing.T) {
	g := open(t, off("0"), reset, off("0"),
		Command(":FREQ 1.8425E+09;:POW -3E+01"), Answer(":FREQ?", "1842500000"), Answer(":POW?", "-30.00"),
		Command(":OUTP ON"), Answer(":OUTP?", "1"), off("0"))
	ctx := t.Context()
	for _, err := range []error{g.Prepare(ctx), g.Set(ctx, 1.8425e9, -30), g.On(ctx), g.Off(ctx)} {
		if err != nil {
			t.Fatal(err)
		}
	}
}

func TestPrepareAfterARestart(t *testing.T) {
	ended := make(chan struct{})
	g := open(t, Close(), Do(func() { close(ended) }), GreetAs("128", Identity), // 488.2 11.5.1: power on
		off("0"), reset, off("0"))
	<-ended
	if err := g.Prepare(t.Context()); err != nil {
		t.Error(err)
	}
}

func TestSettingsThatAreNoNumbers(t *testing.T) {
	g := open(t)
	nan := math.NaN()
	for _, s := range [][2]float64{{nan, -30}, {1e9, nan}, {math.Inf(1), -30}, {1e9, math.Inf(1)}, {1e9, math.Inf(-1)}, {0, -30}} {
		if err := g.Set(t.Context(), rf.Hertz(s[0]), rf.DBm(s[1])); err == nil {
			t.Errorf("%v: want an error", s)
		}
	}
}

func TestWhatIsNotReadBackIsAnError(t *testing.T) {
	g := open(t, Command(":FREQ 1E+09;:POW 1E+01"), Answer(":FREQ?", "1E9"), Answer(":POW?", "7"), // limited by the instrument
		Command(":OUTP ON"), Answer(":OUTP?", "0"), off("1"),
		Answer(":FREQ 1E+09;:POW 1.9E+01;:SYST:ERR?", `-222,"Data out of range"`), Answer(":SYST:ERR?", NoError))
	ctx := t.Context()
	if err := g.Set(ctx, 1e9, 10); !errors.Is(err, scpi.ErrUnconfirmed) {
		t.Errorf("set: got %v", err)
	}
	if err := g.On(ctx); !errors.Is(err, scpi.ErrUnconfirmed) {
		t.Errorf("on: got %v", err)
	}
	if err := g.Off(ctx); !errors.Is(err, scpi.ErrUnconfirmed) {
		t.Errorf("off: got %v", err)
	}
	var refused *scpi.Error
	if err := g.Set(ctx, 1e9, 19); !errors.As(err, &refused) || refused.Number != -222 {
		t.Errorf("out of range: got %v", err)
	}
}

func TestNothingAboveTheLimitIsSent(t *testing.T) {
	g := open(t)
	if g.MaxLevel != 20 { // that of the standard dialect
		t.Errorf("got a limit of %s", g.MaxLevel)
	}
	g.MaxLevel = -20
	if err := g.Set(t.Context(), 1e9, -19.9); !errors.Is(err, generator.ErrLimit) {
		t.Errorf("got %v", err)
	}
}

func TestALimitTheInstrumentDoesNotKeepIsAnError(t *testing.T) {
	g := open(t, off("0"), Answer("*RST;*OPC?", "1"), Answer(":SYST:ERR?", NoError), Command(":POW:LIM -2E+01"), Answer(":POW:LIM?", "25"))
	g.MaxLevel = -20
	if err := g.Prepare(t.Context()); !errors.Is(err, scpi.ErrUnconfirmed) {
		t.Errorf("got %v", err)
	}
}
