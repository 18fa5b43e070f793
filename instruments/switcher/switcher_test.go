package switcher_test

import (
	"errors"
	"testing"

	"go.uber.org/goleak"

	"benchyard/instruments/scpi"
	. "benchyard/instruments/scpi/scpitest"
	"benchyard/instruments/switcher"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func open(t *testing.T, steps ...Step) *switcher.Switcher {
	s, err := scpi.Dial(t.Context(), Serve(t, append([]Step{Greet()}, steps...)...), scpi.Config{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return switcher.New(s)
}

func TestConnectAndTerminate(t *testing.T) {
	const connect = ":ROUT:OPEN:ALL;:ROUT:CLOS (@101);:ROUT:CLOS? (@101);:SYST:ERR?"
	w := open(t, Answer(":ROUT:OPEN:ALL;:SYST:ERR?;:SYST:ERR?", NoError+";"+NoError), // nothing known yet
		Answer(connect, "1;"+NoError), Answer(connect, "1;"+NoError),
		Answer(":ROUT:OPEN:ALL;:ROUT:CLOS? (@101);:SYST:ERR?", "0;"+NoError),
		Answer(":ROUT:OPEN:ALL;:ROUT:CLOS? (@101,102,201);:SYST:ERR?", "0,0,0;"+NoError))
	ctx := t.Context()
	for _, err := range []error{w.Terminate(ctx), w.Connect(ctx, "101"), w.Connect(ctx, "(@101)"), w.Terminate(ctx)} {
		if err != nil {
			t.Fatal(err)
		}
	}
	w.Routes = []string{"201", "102", "@101"}
	if err := w.Terminate(ctx); err != nil {
		t.Fatal(err)
	}
}

func TestWhatIsNotReadBackIsAnError(t *testing.T) {
	w := open(t, Answer(":ROUT:OPEN:ALL;:SYST:ERR?;:SYST:ERR?", `-113,"Undefined header";`+NoError),
		Answer(":ROUT:OPEN:ALL;:ROUT:CLOS (@101);:ROUT:CLOS? (@101);:SYST:ERR?", `0;-221,"Settings conflict"`), Answer(":SYST:ERR?", NoError),
		Answer(":ROUT:OPEN:ALL;:ROUT:CLOS? (@101);:SYST:ERR?", "1;"+NoError),
		Answer(":ROUT:OPEN:ALL;:ROUT:CLOS? (@101);:SYST:ERR?", "0,0;"+NoError))
	ctx := t.Context()
	if err := w.Terminate(ctx); !errors.Is(err, scpi.ErrUnconfirmed) {
		t.Errorf("command refused: got %v", err)
	}
	var refused *scpi.Error
	if err := w.Connect(ctx, "101"); !errors.Is(err, scpi.ErrUnconfirmed) || !errors.As(err, &refused) || refused.Number != -221 {
		t.Errorf("connect: got %v", err)
	}
	w.Routes = []string{"101"}
	for _, answer := range []string{"still closed", "one state too many"} {
		if err := w.Terminate(ctx); !errors.Is(err, scpi.ErrUnconfirmed) {
			t.Errorf("%s: got %v", answer, err)
		}
	}
	for _, route := range []string{"", "A1", "(@1,2)", "(@1!2)", "-1", "(@1"} {
		if err := w.Connect(ctx, route); err == nil {
			t.Errorf("route %q: want an error", route)
		}
	}
	w.Routes = []string{"x"}
	if err := w.Terminate(ctx); err == nil {
		t.Error("a bad route in the inventory: want an error")
	}
}
