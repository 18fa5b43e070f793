package generator_test

import (
	"errors"
	"testing"

	"go.uber.org/goleak"

	"benchyard/instruments/generator"
	"benchyard/instruments/scpi"
	. "benchyard/instruments/scpi/scpitest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const off = ":OUTP OFF;:OUTP?;:SYST:ERR?"

func open(t *testing.T, steps ...Step) *generator.Generator {
	s, err := scpi.Dial(t.Context(), Serve(t, append([]Step{Greet()}, steps...)...), scpi.Config{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return generator.New(s)
}

func TestSetAndSwitch(t *testing.T) {
	g := open(t, Answer(off, "0;"+NoError), Command("*RST"), Answer(off, "0;"+NoError),
		Command(":FREQ 1.8425E+09;:POW -3E+01"), Answer(":FREQ?", "1842500000"), Answer(":POW?", "-30.00"),
		Command(":OUTP ON"), Answer(":OUTP?", "1"), Answer(off, "0;"+NoError))
	ctx := t.Context()
	for _, err := range []error{g.Prepare(ctx), g.Set(ctx, 1.8425e9, -30), g.On(ctx), g.Off(ctx)} {
		if err != nil {
			t.Fatal(err)
		}
	}
}

func TestWhatIsNotReadBackIsAnError(t *testing.T) {
	g := open(t, Command(":FREQ 1E+09;:POW 1E+01"), Answer(":FREQ?", "1E9"), Answer(":POW?", "7"), // limited by the instrument
		Command(":OUTP ON"), Answer(":OUTP?", "0"), Answer(off, "1;"+NoError),
		Answer(":FREQ 1E+09;:POW 9E+01;:SYST:ERR?", `-222,"Data out of range"`), Answer(":SYST:ERR?", NoError))
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
	if err := g.Set(ctx, 1e9, 90); !errors.As(err, &refused) || refused.Number != -222 {
		t.Errorf("out of range: got %v", err)
	}
}
