package sim

import (
	"context"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"benchyard/instruments/scpi"
)

// sweepTime is how long the test instrument measures, seconds.
const sweepTime = 0.2

// testInstrument has nodes for everything that the vectors of the standard ask
// of an instrument, and nothing a bench would need.
type testInstrument struct {
	*device
	text, choice, source, border string
	on, continuous               bool
	channels                     [][]int
	center, current, voltage     float64
	power                        float64
	clock                        [3]float64
	real                         bool
	closed                       map[int]bool
	condition                    uint16
	measured                     bool
}

// levels are what it has measured; the last point is off its scale.
var levels = []float64{-10.5, 2, notANumber}

// testServer serves a test instrument on a socket and a HiSLIP port.
type testServer struct {
	*testInstrument
	socket, hislip *server
}

func serveTestInstrument(t testing.TB, w WireConfig) *testServer {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	var owner sync.WaitGroup
	k := clock{time.Now(), 1}
	i := &testInstrument{device: newDevice("test", "Benchyard,Fixture,T-1,1.0", &world{clock: k, journal: &journal{w: io.Discard, clock: k}})}
	i.ctx, i.owner = ctx, &owner
	i.behave(w, 1)
	i.preset()
	i.reset = func() { i.preset() }
	i.addCommands()
	s := &testServer{testInstrument: i}
	var err error
	if s.socket, err = listen(i.device, "127.0.0.1", 0, socket); err == nil {
		s.hislip, err = listen(i.device, "127.0.0.1", 0, newHislipServer(i.device).talk)
	}
	if err != nil {
		t.Fatal(err)
	}
	i.cut = func() {
		s.socket.cut()
		s.hislip.cut()
	}
	owner.Go(func() { s.socket.serve(w.OneClient) })
	owner.Go(func() { s.hislip.serve(false) })
	t.Cleanup(func() {
		cancel()
		s.socket.close()
		s.hislip.close()
		owner.Wait()
	})
	return s
}

// dial opens another connection to the socket.
func (s *testServer) dial(t testing.TB) *client {
	t.Helper()
	return dialPort(t, s.socket.port())
}

// fault injects one.
func (s *testServer) fault(f WireFault) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.inject(f)
}

func (i *testInstrument) preset() {
	i.text, i.choice, i.source, i.border = "", "ONE", "IMM", "NORM"
	i.on, i.continuous, i.real, i.measured = false, false, false, false
	i.center, i.current, i.voltage, i.power = 1e9, 0, 0, -30
	i.closed, i.channels = map[int]bool{}, nil
}

func (i *testInstrument) addCommands() {
	i.commands = append(i.commands,
		command{notation: ":TEST:TEXT", get: answer(func() string { return scpi.Quote(i.text) }), set: func(a *args) (err error) {
			i.text, err = a.text()
			return err
		}},
		boolCommand(":TEST:BOOL", &i.on, nil),
		command{notation: ":TEST:CHOICE", get: func(a *args) (string, error) { return a.word("ONE|TWO") }},
		command{notation: ":TEST:ARB", get: i.block},
		command{notation: ":TEST:CHAN", set: i.setChannels, get: answer(func() string { return fmt.Sprint(i.channels) })},
		command{notation: ":TEST:OPERation:CONDition", set: func(a *args) error {
			bits, err := a.integer(0, math.MaxUint16)
			i.status.operation.set(mask, false)
			i.status.operation.set(uint16(bits), true)
			return err
		}},
		command{notation: ":SYSTem:TIME", get: i.time},
		numberCommand("[:SENSe]:FREQuency:CENTer", "HZ", 1e6, 6e9, &i.center, nil),
		numberCommand(":CURRent", "A", 0, 10, &i.current, nil),
		numberCommand(":VOLTage", "V", 0, 60, &i.voltage, nil),
		numberCommand(":POWer", "DBM", -130, 20, &i.power, nil),
		choiceCommand(":TRIGger[:SEQuence]:SOURce", "IMMediate|BUS", &i.source, nil),
		boolCommand(":INITiate:CONTinuous", &i.continuous, nil),
		command{notation: ":INITiate[:IMMediate]", set: event(i.initiate)},
		command{notation: ":ABORt", set: event(func() error { i.abort(); return nil })},
		command{notation: ":CONFigure:VOLTage", set: event(func() error { i.abort(); i.measured = false; return nil })},
		command{notation: ":FETCh[:VOLTage]", get: i.fetch},
		command{notation: ":FORMat[:DATA]", set: i.format},
		choiceCommand(":FORMat:BORDer", "NORMal|SWAPped", &i.border, nil),
		command{notation: ":TRACe[:DATA]", get: i.trace},
		command{notation: ":ROUTe:CLOSe", set: i.close, get: i.isClosed},
	)
}

func (i *testInstrument) block(a *args) (string, error) {
	p, err := a.next()
	if err != nil {
		return "", err
	}
	payload, err := scpi.ParseBlock(p)
	return string(scpi.AppendBlock(nil, payload)), err
}

func (i *testInstrument) setChannels(a *args) error {
	p, err := a.next()
	if err != nil {
		return err
	}
	i.channels, err = scpi.ParseChannelList(p)
	return err
}

// time is hour, minute and second; who asks for extremes asks for each of them
// (vol. 1, 7.2.1.2).
func (i *testInstrument) time(a *args) (string, error) {
	var parts []string
	extremes := len(a.params) > 0
	for n, most := range []float64{23, 59, 60} {
		v := i.clock[n]
		if extremes {
			p, err := a.next()
			if err != nil {
				return "", err
			}
			v, _ = extreme(p, 0, most)
		}
		parts = append(parts, strconv.Itoa(int(v)))
	}
	return strings.Join(parts, ","), a.end()
}

func (i *testInstrument) initiate() error {
	if i.pending != nil {
		return scpi.StandardError(-213, "")
	}
	i.status.operation.set(operationMeasuring, true)
	i.measured = false
	i.begin(sweepTime, func() func() { return func() { i.measured = true } })
	return nil
}

func (i *testInstrument) fetch(a *args) (string, error) {
	if !i.measured {
		return "", scpi.StandardError(-230, "")
	}
	return scpi.FormatNumber(levels[0]), a.end()
}

func (i *testInstrument) format(a *args) error {
	kind, err := a.word("ASCii|REAL")
	i.real = kind == "REAL"
	if err == nil && len(a.params) > 0 {
		_, err = a.integer(0, 32)
	}
	return err
}

func (i *testInstrument) trace(a *args) (string, error) {
	if _, err := a.word("TRACE1"); err != nil {
		return "", err
	}
	if i.real {
		return string(scpi.AppendBlock(nil, scpi.AppendReal32(nil, levels))), nil
	}
	var text []string
	for _, v := range levels {
		text = append(text, scpi.FormatNumber(v))
	}
	return strings.Join(text, ","), nil
}

func (i *testInstrument) close(a *args) error {
	list, err := a.channels()
	for _, c := range list {
		i.closed[c] = true
	}
	return err
}

func (i *testInstrument) isClosed(a *args) (string, error) {
	list, err := a.channels()
	var out []string
	for _, c := range list {
		out = append(out, digit(i.closed[c]))
	}
	return strings.Join(out, ","), err
}

// clear is *CLS.
func (s *testServer) clear(t testing.TB) {
	t.Helper()
	s.execute([]byte("*CLS"))
}

// wantErrors compares the numbers in the error queue and empties it.
func (s *testServer) wantErrors(t *testing.T, want string) {
	t.Helper()
	all, _ := s.execute([]byte("SYST:ERR:ALL?"))
	if got := errorNumbers(t, all); got != want {
		t.Errorf("errors %q, want %q", got, want)
	}
}
