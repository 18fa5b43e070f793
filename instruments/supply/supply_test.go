package supply_test

import (
	"errors"
	"math"
	"testing"

	"go.uber.org/goleak"

	"benchyard/instruments/dialect"
	"benchyard/instruments/scpi"
	. "benchyard/instruments/scpi/scpitest"
	"benchyard/instruments/supply"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func open(t *testing.T, steps ...Step) *supply.Supply {
	s, err := scpi.Dial(t.Context(), Serve(t, append([]Step{Greet()}, steps...)...), scpi.Config{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return supply.New(s, dialect.Standard("supply"))
}

// readBack answers the three settings; the protection stands 10 % above the voltage.
func readBack(volts, amps, protection string) Step {
	return Steps(Answer(":VOLT?", volts), Answer(":CURR?", amps), Answer(":VOLT:PROT?", protection))
}

func TestLimitsBeforeOutput(t *testing.T) {
	s := open(t, Answer(":OUTP?", "0"), Command(":VOLT 0E+00;:CURR 2E+01;:VOLT:PROT 5.5E+01;:VOLT 5E+01"),
		readBack("50", "20", "55"), Command(":OUTP ON"), Answer(":OUTP?", "1"),
		Answer(":MEAS:VOLT?", "4.999E+01"), Answer(":MEAS:CURR?", "3.2"), Answer(":OUTP?", "1"),
		Answer(":OUTP?", "1"), readBack("50", "20", "55"), // the same again while the output is on
		Confirm(":OUTP OFF", ":OUTP?", "0"))
	ctx := t.Context()
	if err := s.Set(ctx, 50, 20); err != nil {
		t.Fatal(err)
	}
	if err := s.On(ctx); err != nil {
		t.Fatal(err)
	}
	if v, a, on, err := s.Read(ctx); v != 49.99 || a != 3.2 || !on || err != nil {
		t.Errorf("got %v V, %v A, %v, %v", v, a, on, err)
	}
	if err := s.Set(ctx, 50, 20); err != nil {
		t.Error(err)
	}
	if err := s.Off(ctx); err != nil {
		t.Error(err)
	}
}

func TestVoltageIsNotMovedUnderLoad(t *testing.T) {
	s := open(t, Answer(":OUTP?", "1"), Answer(":VOLT?", "24"))
	if err := s.Set(t.Context(), 48, 20); !errors.Is(err, scpi.ErrUnconfirmed) {
		t.Errorf("got %v", err)
	}
}

func TestRefusals(t *testing.T) {
	s := open(t, Answer(":OUTP?", "0"), Command(":VOLT 0E+00;:CURR 2E+01;:VOLT:PROT 5.5E+01;:VOLT 5E+01"),
		readBack("50", "20", "60"), Command(":OUTP ON"), Answer(":OUTP?", "0"),
		Confirm(":OUTP OFF", ":OUTP?", "1"), Answer(":MEAS:VOLT?", "9.91E37"))
	ctx := t.Context()
	for _, bad := range []float64{0, -48, math.NaN(), math.Inf(1)} {
		if s.Set(ctx, bad, 1) == nil || s.Set(ctx, 48, bad) == nil {
			t.Errorf("%v: want an error", bad)
		}
	}
	if err := s.Set(ctx, 50, 20); !errors.Is(err, scpi.ErrUnconfirmed) {
		t.Errorf("protection not taken: got %v", err)
	}
	if err := s.On(ctx); !errors.Is(err, scpi.ErrUnconfirmed) {
		t.Errorf("tripped: got %v", err)
	}
	if err := s.Off(ctx); !errors.Is(err, scpi.ErrUnconfirmed) {
		t.Errorf("off: got %v", err)
	}
	if _, _, _, err := s.Read(ctx); !errors.Is(err, scpi.ErrNotMeasured) {
		t.Errorf("read: got %v", err)
	}
}
