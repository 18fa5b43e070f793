package instruments_test

import (
	"context"
	"errors"
	"io"
	"math"
	"strings"
	"sync"
	"testing"
	"time"

	"benchyard/instruments"
	"benchyard/instruments/analyzer"
	"benchyard/instruments/generator"
	"benchyard/instruments/radiounit"
	"benchyard/instruments/rf"
	"benchyard/instruments/scpi"
	"benchyard/instruments/sim"
	"benchyard/instruments/supply"
	"benchyard/instruments/switcher"
)

// The drivers here talk to the simulated lab over TCP. Unit F2-0001 is an FDD
// unit in slot 5 of bench-1 behind a nominal 50 dB.
const unit = "F2-0001"

// n1 is the carrier the FDD units declare, in the middle of band n1.
var n1 = radiounit.Carrier{Center: 2140e6, Bandwidth: 20e6, SCS: 15e3, TestModel: "NR-FR1-TM1.1", Duplex: "FDD", Power: 46}

// start runs a lab whose unit F2-0001 has no faults.
func start(t *testing.T, speed float64) *sim.Lab {
	t.Helper()
	c := sim.Demo(1)
	c.Speed, c.Faults = speed, nil
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

// driver opens an instrument of the lab.
func driver[T any](t *testing.T, lab *sim.Lab, name string, role instruments.Role, config scpi.Config) T {
	t.Helper()
	resource, err := lab.Resource(name)
	if err != nil {
		t.Fatal(err)
	}
	i, err := instruments.Open(t.Context(), role, resource, "", config, nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := i.Close(); err != nil {
			t.Error(err)
		}
	})
	return i.Driver().(T)
}

// do runs steps that must not fail.
func do(t *testing.T, steps ...func(context.Context) error) {
	t.Helper()
	for i, step := range steps {
		if err := step(t.Context()); err != nil {
			t.Fatalf("step %d: %v", i+1, err)
		}
	}
}

func TestSupplyOnTheSimulator(t *testing.T) {
	s := driver[*supply.Supply](t, start(t, 2000), "bench-1-supply", instruments.Supply, scpi.Config{})
	set := func(ctx context.Context) error { return s.Set(ctx, 48, 30) }
	do(t, s.Off, set, set, s.On, set)
	if v, a, on, err := s.Read(t.Context()); err != nil || !on || math.Abs(v-48) > 0.5 || a < 0 {
		t.Errorf("got %v V, %v A, %v, %v", v, a, on, err)
	}
	if err := s.Set(t.Context(), 24, 30); err == nil {
		t.Error("another voltage while the output is on: want an error")
	}
	if err := s.Set(t.Context(), 48, 1000); err == nil {
		t.Error("1000 A: want an error")
	}
	do(t, s.Off, set)
}

func TestGeneratorOnTheSimulator(t *testing.T) {
	g := driver[*generator.Generator](t, start(t, 2000), "bench-1-generator", instruments.Generator, scpi.Config{})
	do(t, g.Prepare, func(ctx context.Context) error { return g.Set(ctx, 1.95e9, -40) }, g.On, g.Off)
	var refused *scpi.Error
	if err := g.Set(t.Context(), 1e12, 0); !errors.As(err, &refused) || refused.Number != -222 {
		t.Errorf("1 THz: got %v", err)
	}
}

func TestSwitcherOnTheSimulator(t *testing.T) {
	w := driver[*switcher.Switcher](t, start(t, 2000), "bench-1-switcher", instruments.Switcher, scpi.Config{})
	w.Routes = []string{"101", "102", "104", "501"}
	route := func(r string) func(context.Context) error {
		return func(ctx context.Context) error { return w.Connect(ctx, r) }
	}
	do(t, w.Terminate, route("101"), route("501"), route("501"), w.Terminate)
	if err := w.Connect(t.Context(), "999"); err == nil {
		t.Error("a channel that does not exist: want an error")
	}
	do(t, w.Terminate)
}

func TestRadioUnitOnTheSimulator(t *testing.T) {
	lab := start(t, 2000)
	u := driver[*radiounit.RadioUnit](t, lab, unit, instruments.RadioUnit, scpi.Config{})
	s := driver[*supply.Supply](t, lab, "bench-1-supply", instruments.Supply, scpi.Config{})
	configure := func(ctx context.Context) error { return u.Configure(ctx, n1) }
	do(t, u.Mute, func(ctx context.Context) error { return u.LoadBuild(ctx, "2.5.0") }, configure)
	if id, err := u.Identity(t.Context()); err != nil || id.Build != "2.5.0" || id.Serial != unit || id.Type != "RU-F2" || id.Revision == "" {
		t.Errorf("got %+v, %v", id, err)
	}
	var refused *scpi.Error
	if err := u.Transmit(t.Context()); !errors.As(err, &refused) || refused.Number != -221 {
		t.Errorf("without supply: got %v", err)
	}
	do(t, func(ctx context.Context) error { return s.Set(ctx, 48, 30) }, s.On, u.Transmit)
	if on := lab.Transmitting(); len(on) != 1 || on[0] != unit {
		t.Errorf("on the air: %v", on)
	}
	if err := configure(t.Context()); !errors.As(err, &refused) || refused.Number != -221 {
		t.Errorf("retuning on the air: got %v", err)
	}
	do(t, u.Mute)
	if on := lab.Transmitting(); len(on) != 0 {
		t.Errorf("on the air after Mute: %v", on)
	}
	if err := u.LoadBuild(t.Context(), "9.9.9"); !errors.As(err, &refused) {
		t.Errorf("unknown build: got %v", err)
	}
}

// transmitting brings unit F2-0001 on the air, connector 1 at the analyzer.
func transmitting(t *testing.T, lab *sim.Lab) {
	t.Helper()
	u := driver[*radiounit.RadioUnit](t, lab, unit, instruments.RadioUnit, scpi.Config{})
	s := driver[*supply.Supply](t, lab, "bench-1-supply", instruments.Supply, scpi.Config{})
	w := driver[*switcher.Switcher](t, lab, "bench-1-switcher", instruments.Switcher, scpi.Config{})
	do(t, func(ctx context.Context) error { return s.Set(ctx, 48, 30) }, s.On,
		func(ctx context.Context) error { return w.Connect(ctx, "501") },
		func(ctx context.Context) error { return u.Configure(ctx, n1) }, u.Transmit)
}

// around is a sweep over the carrier with enough averages for 0.05 dB.
var around = rf.Sweep{Start: 2125e6, Stop: 2155e6, RBW: 100e3, Points: 1001, Averages: 20, SweepTime: 50 * time.Millisecond,
	Attenuation: 20, ReferenceLevel: 10}

func TestAnalyzerOnTheSimulator(t *testing.T) {
	lab := start(t, 2000)
	a := driver[*analyzer.Analyzer](t, lab, "bench-1-analyzer", instruments.Analyzer, scpi.Config{Timeout: 2 * time.Second})
	do(t, a.Prepare)
	transmitting(t, lab)
	trace, err := a.Sweep(t.Context(), around)
	if err != nil {
		t.Fatal(err)
	}
	if d := channelPower(trace, n1).Sub(truth(t, lab)); math.Abs(float64(d)) > 0.1 {
		t.Errorf("channel power is off by %s", d)
	}
	for fault, want := range map[sim.WireFault]func(error) bool{
		sim.Overload:   func(err error) bool { return errors.Is(err, analyzer.ErrOverload) },
		sim.NotANumber: func(err error) bool { return strings.Contains(err.Error(), "not a measured level") },
		sim.Garbage:    func(err error) bool { return errors.Is(err, scpi.ErrAnswer) },
		sim.Drop:       func(err error) bool { return !scpi.SafeToRetry(err) },
	} {
		if err := lab.Inject("bench-1-analyzer", fault); err != nil {
			t.Fatal(err)
		}
		if got, err := a.Sweep(t.Context(), around); err == nil || !want(err) {
			t.Errorf("%s: got %d points, %v", fault, len(got.Levels), err)
		}
		if err := lab.Inject("bench-1-analyzer", sim.None); err != nil {
			t.Fatal(err)
		}
		if _, err := a.Sweep(t.Context(), around); err != nil {
			t.Errorf("after %s: %v", fault, err)
		}
	}
	do(t, a.Protect)
}

// channelPower adds up the power of a carrier: mean power per bin over the noise
// bandwidth of the filter (facts/metrology.md 4.4).
func channelPower(s rf.Spectrum, c radiounit.Carrier) rf.DBm {
	sum := 0.0
	for i, level := range s.Levels {
		if math.Abs(float64(s.Frequency(i)-c.Center)) <= float64(c.Bandwidth)/2 {
			sum += rf.DBm(level).Milliwatts()
		}
	}
	return rf.FromMilliwatts(sum * float64(s.Step/s.NoiseBandwidth))
}

// truth is the channel power that stands at the analyzer's input.
func truth(t *testing.T, lab *sim.Lab) rf.DBm {
	t.Helper()
	chill, err := lab.Chill(unit)
	if err != nil {
		t.Fatal(err)
	}
	x, err := lab.Expect(sim.Condition{Serial: unit, Build: "2.4.0", Connector: 1, Chill: chill,
		Carrier: sim.Carrier{Center: n1.Center, Bandwidth: n1.Bandwidth, SCS: n1.SCS, Power: n1.Power}})
	if err != nil {
		t.Fatal(err)
	}
	loss, err := lab.Loss(unit, 1, n1.Center)
	if err != nil {
		t.Fatal(err)
	}
	return x.ChannelPower().Add(-loss)
}

// cancelOnSweep cancels when the analyzer says that it sweeps: what a connection that
// is given up still holds may otherwise start a sweep much later.
func cancelOnSweep(t *testing.T, lab *sim.Lab, cancel context.CancelFunc) {
	t.Helper()
	onlooker := driver[*analyzer.Analyzer](t, lab, "bench-1-analyzer", instruments.Analyzer, scpi.Config{}).Session()
	var owner sync.WaitGroup
	t.Cleanup(owner.Wait)
	owner.Go(func() {
		for t.Context().Err() == nil {
			bits, err := onlooker.QueryNumber(t.Context(), ":STAT:OPER:COND?")
			if err != nil || int(bits)&8 != 0 { // bit 3, sweeping (SCPI-1999 vol. 2, ch. 20)
				cancel()
				return
			}
		}
	})
}

func TestLongSweepIsInterruptedAndTheAnalyzerProtected(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	lab := start(t, 1)
	a := driver[*analyzer.Analyzer](t, lab, "bench-1-analyzer", instruments.Analyzer, scpi.Config{})
	do(t, a.Prepare)
	cancelOnSweep(t, lab, cancel)
	long := around
	long.SweepTime = 1000 * time.Second
	begin := time.Now()
	if _, err := a.Sweep(ctx, long); !errors.Is(err, context.Canceled) {
		t.Fatalf("got %v", err)
	}
	do(t, a.Protect) // the instrument hears nothing on the old connection while it sweeps
	if took := time.Since(begin); took > 10*time.Second {
		t.Errorf("took %v", took)
	}
	if _, err := a.Sweep(t.Context(), rf.Sweep{Start: 2125e6, Stop: 2155e6, RBW: 1e6, Points: 101, Attenuation: 20}); err != nil {
		t.Errorf("the next sweep: %v", err)
	}
}
