package switcher_test

import (
	"errors"
	"testing"

	"go.uber.org/goleak"

	"benchyard/instruments/dialect"
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
	return switcher.New(s, dialect.Standard("switcher"))
}

// opened answers the opening of all paths and the reading back of some.
func opened(channels, states string) Step {
	return Confirm(":ROUT:OPEN:ALL", ":ROUT:CLOS? (@"+channels+")", states)
}

// closed answers the closing of a path.
func closed(channel, state string, queued ...string) Step {
	return Confirm(":ROUT:CLOS (@"+channel+")", ":ROUT:CLOS? (@"+channel+")", state, queued...)
}

// blind answers the opening of all paths when no route is known.
func blind(entry string) Step { return Confirm(":ROUT:OPEN:ALL", ":SYST:ERR?", entry) }

func TestConnectAndTerminate(t *testing.T) {
	w := open(t, blind(NoError), // nothing known yet
		blind(NoError), closed("101", "1"), opened("101", "0"), closed("101", "1"),
		opened("101", "0"), opened("101,102,201", "0,0,0"))
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

// Nothing but the one route may be closed, and nothing moves when that is asked.
func TestConnected(t *testing.T) {
	const ask = ":ROUT:CLOS? (@101,102,201)"
	for answer, fine := range map[string]bool{"0,1,0": true, "0,0,0": false, "1,1,0": false, "0,1": false, "0,1,2": false} {
		w := open(t, Answer(ask, answer))
		w.Routes = []string{"101", "201"}
		if err := w.Connected(t.Context(), "102"); (err == nil) != fine {
			t.Errorf("%s: %v", answer, err)
		}
	}
	if err := open(t).Connected(t.Context(), "somewhere"); err == nil {
		t.Error("a route that is none was confirmed")
	}
}

// Open asks for each route by itself and moves nothing.
func TestOpen(t *testing.T) {
	for answer, fine := range map[string]bool{"0": true, "1": false, "0,0": false, "2": false, "": false} {
		w := open(t, Answer(":ROUT:CLOS? (@201)", "0"), Answer(":ROUT:CLOS? (@202)", answer))
		if err := w.Open(t.Context(), "201", "(@202)"); (err == nil) != fine {
			t.Errorf("%q: %v", answer, err)
		}
	}
	if err := open(t).Open(t.Context(), "door"); err == nil {
		t.Error("a route that nobody can read is terminated")
	}
}

func TestWhatIsNotReadBackIsAnError(t *testing.T) {
	w := open(t, blind(`-113,"Undefined header"`),
		blind(NoError), closed("101", "0", `-221,"Settings conflict"`), opened("101", "1"), opened("101", "0,0"))
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
}

// A path that stays closed would join two transmitters with the next one.
func TestNothingIsClosedWhileAnotherPathIs(t *testing.T) {
	w := open(t, opened("101,102", "0,1"))
	w.Routes = []string{"101", "102"}
	if err := w.Connect(t.Context(), "101"); !errors.Is(err, scpi.ErrUnconfirmed) {
		t.Errorf("got %v", err)
	}
}

func TestABadRouteDoesNotKeepTheOthersClosed(t *testing.T) {
	w := open(t, opened("101", "0"), blind(NoError))
	w.Routes = []string{"x", "101"}
	if err := w.Terminate(t.Context()); err == nil {
		t.Error("a bad route in the inventory: want an error")
	}
	w.Routes = []string{"x"}
	if err := w.Terminate(t.Context()); err == nil {
		t.Error("only a bad route in the inventory: want an error")
	}
}
