package sim

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"benchyard/instruments/scpi"
)

// Time-outs of the sessions: a short one where an answer must be missed, a long
// one where it must not.
const (
	soon = 100 * time.Millisecond
	late = 10 * time.Second
)

// truth is what the test instrument is set to.
const truth = 1.8425e9

// faultCase is what a session makes of a fault that is there when it asks.
type faultCase struct {
	fault WireFault
	block bool         // ask for the trace, not for a number
	says  error        // of the first question; nil: the right answer
	on    string       // "socket" or "hislip" when it shows on one transport only
	set   *scpi.Config // of the session
}

var faultCases = []faultCase{
	{fault: Silent, says: scpi.ErrTimeout},
	{fault: Garbage, says: scpi.ErrAnswer},
	{fault: Drop, says: errAny},
	{fault: Stale, says: scpi.ErrTimeout},
	{fault: Slow, says: scpi.ErrTimeout},
	{fault: Slow, set: &scpi.Config{Timeout: late}},
	{fault: Partial, says: scpi.ErrTimeout, on: "socket"},
	{fault: Glued, says: scpi.ErrTimeout, on: "socket"},
	{fault: WrongCount, says: scpi.ErrAnswer},
	{fault: HalfBlock, block: true, says: errAny},
	{fault: Indefinite, block: true, says: errAny, on: "socket"},
	{fault: BareBlock, block: true, says: scpi.ErrTimeout, on: "socket"},
	{fault: BareBlock, block: true, set: &scpi.Config{Timeout: late, BareBlocks: true}, on: "socket"},
	{fault: LineFeedInBlock, block: true, set: &scpi.Config{Timeout: late}},
	{fault: CRLF, set: &scpi.Config{Timeout: late}},
	{fault: Padding, set: &scpi.Config{Timeout: late}, on: "socket"},
	{fault: Padding, says: scpi.ErrAnswer, on: "hislip"}, // END says where the message ends, nothing may follow
	{fault: DecimalComma, says: scpi.ErrAnswer},
	{fault: UnitSuffix, says: scpi.ErrAnswer},
	{fault: OverRange, says: scpi.ErrNotMeasured},
	{fault: Dashes, says: scpi.ErrAnswer},
}

// errAny stands for any error.
var errAny = errors.New("any error")

// Every fault in an answer is noticed or does no harm, and when it has gone the
// session works again, without a number that is not the right one in between.
func TestSessionsAndFaultsInAnswers(t *testing.T) {
	t.Parallel()
	for _, f := range faultCases {
		for _, transport := range []string{"socket", "hislip"} {
			if f.on != "" && f.on != transport {
				continue
			}
			t.Run(fmt.Sprintf("%s/%s/%t", transport, f.fault, f.set == nil), func(t *testing.T) {
				t.Parallel()
				config := scpi.Config{Timeout: soon}
				if f.set != nil {
					config = *f.set
				} else if f.says != scpi.ErrTimeout {
					config.Timeout = late
				}
				s, session := converse(t, transport, config)
				s.fault(f.fault)
				err := right(t, session, f.block)
				switch {
				case f.says == nil && err != nil:
					t.Errorf("a fault that does no harm gave %v", err)
				case f.says == errAny && err == nil, f.says != nil && f.says != errAny && !errors.Is(err, f.says):
					t.Errorf("error %v, want %v", err, f.says)
				}
				s.fault(None)
				recovers(t, session)
			})
		}
	}
}

// converse returns a test instrument that is set and a session with it.
func converse(t *testing.T, transport string, config scpi.Config) (*testServer, *scpi.Session) {
	t.Helper()
	s := serveTestInstrument(t, WireConfig{})
	answer, _ := s.execute([]byte(fmt.Sprintf("*ESR?;:FREQ:CENT %g;:FORM REAL,32", truth)))
	if answer != "128" {
		t.Fatalf("a new instrument answers %q, want the power-on bit", answer)
	}
	session, err := scpi.Dial(t.Context(), s.resource(transport), config)
	for n := 0; err != nil && n < 20; n++ { // a busy machine may miss a short time-out
		session, err = scpi.Dial(t.Context(), s.resource(transport), config)
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { session.Close() })
	return s, session
}

// resource is where the instrument is on that transport.
func (s *testServer) resource(transport string) scpi.Resource {
	if transport == "hislip" {
		return scpi.Resource{Host: "127.0.0.1", Port: s.hislip.port(), HiSLIP: "hislip0"}
	}
	return scpi.Resource{Host: "127.0.0.1", Port: s.socket.port()}
}

// right asks one question and returns its error; a wrong number fails the test.
func right(t *testing.T, session *scpi.Session, block bool) error {
	t.Helper()
	if !block {
		x, err := session.QueryNumber(t.Context(), ":FREQ:CENT?")
		if err == nil && x != truth {
			t.Errorf("%g came as the answer, want %g", x, truth)
		}
		return err
	}
	b, err := session.QueryBlock(t.Context(), ":TRAC? TRACE1")
	if err != nil {
		return err
	}
	xs, err := scpi.DecodeReal32(b)
	if err != nil || len(xs) != len(levels) {
		t.Fatalf("%d points, %v", len(xs), err)
	}
	for i, x := range xs {
		if math.Abs(x-levels[i]) > 3.1e-5*math.Abs(levels[i]) { // the last byte of a REAL,32: 255/2^23
			t.Errorf("point %d is %g, want %g", i, x, levels[i])
		}
	}
	return nil
}

// recovers asks until both questions are answered rightly, which must be soon.
func recovers(t *testing.T, session *scpi.Session) {
	t.Helper()
	for end := time.Now().Add(late); ; {
		err := errors.Join(right(t, session, false), right(t, session, true))
		if err == nil {
			return
		}
		if time.Now().After(end) {
			t.Fatalf("the session does not recover: %v", err)
		}
	}
}

// What happens to an instrument rather than to an answer.
func TestSessionsAndFaultsOfInstruments(t *testing.T) {
	t.Parallel()
	for _, transport := range []string{"socket", "hislip"} {
		for name, play := range map[string]func(*testing.T, *testServer, *scpi.Session){
			"reboot": rebooted, "half open": leftHalfOpen, "occupied": occupiedByOthers, "refused": refusedConnections,
			"endless errors": endlessErrors, "error flood": flooded, "endless operation": endlessOperation, "wrong identity": exchanged,
		} {
			t.Run(transport+"/"+name, func(t *testing.T) {
				t.Parallel()
				s, session := converse(t, transport, scpi.Config{Timeout: 500 * time.Millisecond})
				play(t, s, session)
			})
		}
	}
}

// rebooted: settings are lost, and the session says so before it answers again.
func rebooted(t *testing.T, s *testServer, session *scpi.Session) {
	s.fault(Reboot)
	told := false
	for range 20 {
		x, err := session.QueryNumber(t.Context(), ":FREQ:CENT?")
		told = told || errors.Is(err, scpi.ErrRestarted)
		if err != nil {
			continue
		}
		if !told {
			t.Error("answered after a restart without a word about it")
		}
		if x != 1e9 {
			t.Errorf("frequency %g after the restart, want that of *RST", x)
		}
		return
	}
	t.Error("no answer after the restart")
}

func leftHalfOpen(t *testing.T, s *testServer, session *scpi.Session) {
	s.fault(HalfOpen)
	if err := right(t, session, false); !errors.Is(err, scpi.ErrTimeout) {
		t.Errorf("half-open connection: %v, want a time-out", err)
	}
	recovers(t, session)
}

func occupiedByOthers(t *testing.T, s *testServer, session *scpi.Session) {
	s.fault(Occupied)
	if err := right(t, session, false); err != nil {
		t.Errorf("the first client is disturbed: %v", err)
	}
	resource := session.Resource()
	second, err := scpi.Dial(t.Context(), resource, scpi.Config{Timeout: soon})
	if err == nil {
		second.Close()
	}
	if !errors.Is(err, scpi.ErrTimeout) || !strings.Contains(err.Error(), "another client") {
		t.Errorf("second client: %v, want a time-out that names the reason", err)
	}
}

func refusedConnections(t *testing.T, s *testServer, session *scpi.Session) {
	s.fault(Refused)
	if second, err := scpi.Dial(t.Context(), session.Resource(), scpi.Config{Timeout: late}); err == nil {
		second.Close()
		t.Error("connected to an instrument that resets connections")
	}
	s.fault(None)
	recovers(t, session)
}

func endlessErrors(t *testing.T, s *testServer, session *scpi.Session) {
	s.fault(EndlessErrors)
	var queued *scpi.Error
	if err := session.Command(t.Context(), ":VOLT 1"); !errors.As(err, &queued) || queued.Number != -310 {
		t.Errorf("command: %v, want the entry of the queue", err)
	}
	if entries, err := session.DrainErrors(t.Context()); err == nil {
		t.Errorf("%d entries read without an error, want an end of patience", len(entries))
	}
	s.fault(None)
	recovers(t, session)
}

func flooded(t *testing.T, s *testServer, session *scpi.Session) {
	s.fault(ErrorFlood)
	entries, err := session.DrainErrors(t.Context())
	if err != nil || len(entries) != queueDepth || entries[queueDepth-1].Number != overflowNumber {
		t.Errorf("%d entries, %v; want %d of which the last says that the queue ran over", len(entries), err, queueDepth)
	}
	recovers(t, session)
}

func endlessOperation(t *testing.T, s *testServer, session *scpi.Session) {
	s.fault(Endless)
	session.SetAbort(":ABOR")
	if err := session.Wait(t.Context(), soon, ":INIT"); !errors.Is(err, scpi.ErrTimeout) {
		t.Errorf("operation without end: %v, want a time-out", err)
	}
	recovers(t, session)
	if x, err := session.QueryNumber(t.Context(), ":STAT:OPER:COND?"); err != nil || x != 0 {
		t.Errorf("condition %g, %v after the abort, want nothing under way", x, err)
	}
}

func exchanged(t *testing.T, s *testServer, session *scpi.Session) {
	s.fault(WrongIdentity)
	if _, err := session.Identity(t.Context()); !errors.Is(err, scpi.ErrWrongInstrument) {
		t.Errorf("another instrument: %v", err)
	}
	s.fault(None)
	recovers(t, session)
}

// A line feed in a string: on a socket the message seems to end there, and nothing
// that is cut off is taken for the answer. HiSLIP has an end of its own.
func TestLineFeedInText(t *testing.T) {
	t.Parallel()
	for _, transport := range []string{"socket", "hislip"} {
		s, session := converse(t, transport, scpi.Config{Timeout: late})
		s.fault(LineFeedInText)
		entries, err := session.DrainErrors(t.Context())
		if whole := transport == "hislip"; (err == nil) != whole || len(entries) != 0 {
			t.Errorf("%s: %d entries of an empty queue, %v", transport, len(entries), err)
		}
		if err := session.Command(t.Context(), ":VOLT 2"); (err == nil) != (transport == "hislip") {
			t.Errorf("%s: command behind which the queue is read: %v", transport, err)
		}
		s.fault(None)
		recovers(t, session)
	}
}

// A greeting is thrown away where it is expected, and no answer where it is not.
func TestBanner(t *testing.T) {
	t.Parallel()
	s := serveTestInstrument(t, WireConfig{Fault: Banner})
	if session, err := scpi.Dial(t.Context(), s.resource("socket"), scpi.Config{Timeout: late}); err == nil {
		defer session.Close()
		if err := right(t, session, false); err == nil {
			t.Error("took no notice of a banner nobody had announced")
		}
	}
	session, err := scpi.Dial(t.Context(), s.resource("socket"), scpi.Config{Timeout: late, Banner: true})
	if err != nil {
		t.Fatal(err)
	}
	defer session.Close()
	if x, err := session.QueryNumber(t.Context(), ":FREQ:CENT?"); err != nil || x != 1e9 {
		t.Errorf("behind the banner: %g, %v", x, err)
	}
}

// Faults drawn from a seed: whatever comes, no answer is a wrong one.
func TestFaultsByChance(t *testing.T) {
	t.Parallel()
	for _, fault := range []WireFault{Stale, Glued, Partial, WrongCount, Drop, Silent, DecimalComma} {
		t.Run(string(fault), func(t *testing.T) {
			t.Parallel()
			s, session := converse(t, "socket", scpi.Config{Timeout: soon})
			s.mu.Lock()
			s.behave(WireConfig{Fault: fault, Rate: 0.1}, 7)
			s.mu.Unlock()
			good, bad := 0, 0
			ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
			defer cancel()
			for good < 40 && ctx.Err() == nil {
				if right(t, session, false) == nil {
					good++
				} else {
					bad++
				}
			}
			if good < 40 || bad == 0 {
				t.Errorf("%d right answers and %d errors, want 40 and some", good, bad)
			}
		})
	}
}

// Any client can spoil the wire, since every instrument takes the command.
func TestFaultsByCommand(t *testing.T) {
	t.Parallel()
	_, c := cleared(t, WireConfig{})
	catalog := c.ask(":SIM:FAUL:CAT?")
	for _, f := range WireFaults() {
		if !strings.Contains(catalog, scpi.Quote(string(f))) {
			t.Errorf("the catalog lacks %q", f)
		}
	}
	c.refused(`:SIM:FAUL "odd"`, -224)
	c.send(`:SIM:FAUL "crlf"`)
	c.send("*OPC?")
	if line, err := c.in.ReadString('\n'); err != nil || line != "1\r\n" {
		t.Errorf("answer %q, %v", line, err)
	}
	c.want(":SIM:FAUL?", `"crlf"`)
	c.send(`:SIM:FAUL ""`)
	c.want(":SIM:FAUL?", `""`)
}

func TestWireConfigRefusals(t *testing.T) {
	for name, w := range map[string]WireConfig{
		"fault nobody knows":       {Fault: "odd"},
		"rate above one":           {Fault: Stale, Rate: 1.5},
		"rate of a lasting state":  {Fault: Reboot, Rate: 0.5},
		"negative buffer":          {InputBytes: -1},
		"idle for longer than day": {IdleSeconds: 1e6},
		"rate that is no number":   {Fault: Stale, Rate: math.NaN()},
	} {
		c := Demo(1)
		c.Wire = map[string]WireConfig{"*": w}
		if c.Validate() == nil {
			t.Errorf("%s: accepted", name)
		}
	}
	c := Demo(1)
	c.Wire = map[string]WireConfig{"bench-7-analyzer": {}}
	if l, err := Start(t.Context(), c, nil); err == nil {
		l.Close()
		t.Error("started with the wire of an instrument that does not exist")
	}
}

// FuzzSpoiled holds that any answer can be spoiled in every way, and that what is
// kept of it is not more than came.
func FuzzSpoiled(f *testing.F) {
	for i, seed := range []string{"1", "1.5E+3,-2E0;#15ABCDE", "#0x", `0,"No error"`, "#3999", ";;", "#12\n\n"} {
		f.Add(i, []byte(seed))
	}
	faults := WireFaults()
	f.Fuzz(func(t *testing.T, n int, answer []byte) {
		if len(answer) == 0 {
			return // an empty answer is not sent
		}
		r := spoiled(faults[uint(n)%uint(len(faults))], answer)
		if got := len(r.now) + len(r.later) + len(r.held); got > 12*len(answer)+64 {
			t.Errorf("%d bytes made of %d", got, len(answer))
		}
	})
}

// FuzzExchange sends arbitrary messages through the strict exchange: whatever
// comes, it ends in a state from which the next question is answered.
func FuzzExchange(f *testing.F) {
	for _, seed := range []string{"*IDN?;*ESE?", "*ESE?\n*SRE?", "*ESE?;*ESE?;*ESE?;*ESE?", "#15AB", "\"", ";;;", "*CLS;*STB?"} {
		f.Add([]byte(seed), 3)
	}
	s := serveTestInstrument(f, WireConfig{})
	f.Fuzz(func(t *testing.T, line []byte, n int) {
		if text := strings.ToUpper(string(line)); strings.Contains(text, "INIT") || strings.Contains(text, "SIM") {
			return // sweeps take time, and faults are tested elsewhere
		}
		x := exchange{device: s.device, strict: true, input: 16, output: 16}
		for _, message := range strings.Split(string(line), "\n") {
			x.message([]byte(message))
			x.take(max(n, 0))
		}
		x.arrive()
		x.message([]byte("*OPC?"))
		if got := string(x.take(100)); got != "1" || x.state != stateDone {
			t.Errorf("*OPC? answered %q, state %d", got, x.state)
		}
	})
}

// A lab over HiSLIP: the inventory says so, and a session of the drivers works.
func TestLabOverHislip(t *testing.T) {
	l, _ := startLab(t, func(c *Config) { c.Wire = map[string]WireConfig{"*": {HiSLIP: true}} })
	if inventory := string(l.Inventory()); strings.Contains(inventory, "::SOCKET") || !strings.Contains(inventory, "::hislip0,") {
		t.Error("the inventory names sockets")
	}
	for _, name := range []string{"bench-1-analyzer", "bench-3-supply", "T4-0001"} {
		text, err := l.Resource(name)
		if err != nil {
			t.Fatal(err)
		}
		resource, err := scpi.ParseResource(text)
		if err != nil {
			t.Fatal(err)
		}
		session, err := scpi.Dial(t.Context(), resource, scpi.Config{Timeout: late})
		if err != nil {
			t.Fatal(err)
		}
		if id, err := session.Identity(t.Context()); err != nil || id.Serial == "" {
			t.Errorf("%s: %v, %v", name, id, err)
		}
		session.Close()
	}
}
