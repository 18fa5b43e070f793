package jobs

import (
	"context"
	"errors"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"benchyard/instruments/rf"
)

// part is a piece of a bench that writes down what it was told, and fails or
// hangs when the test wants it to.
type part struct {
	log   *callLog
	name  string
	fail  error
	hang  bool
	level float64 // of the trace, dBm
	dc    bool    // output is on
}

type callLog struct {
	mu    sync.Mutex
	calls []string
}

func (l *callLog) add(s string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.calls = append(l.calls, s)
}

func (p *part) do(ctx context.Context, what string) error {
	p.log.add(p.name + " " + what)
	if p.hang {
		<-ctx.Done()
		return ctx.Err()
	}
	return p.fail
}

func (p *part) Mute(ctx context.Context) error      { return p.do(ctx, "mute") }
func (p *part) Off(ctx context.Context) error       { return p.do(ctx, "off") }
func (p *part) Protect(ctx context.Context) error   { return p.do(ctx, "protect") }
func (p *part) Terminate(ctx context.Context) error { return p.do(ctx, "terminate") }
func (p *part) Read(ctx context.Context) (volts, amps float64, on bool, err error) {
	return 54, 1, p.dc, p.do(ctx, "read")
}
func (p *part) Sweep(ctx context.Context, s rf.Sweep) (rf.Spectrum, error) {
	err := p.do(ctx, "sweep")
	return rf.Spectrum{Start: s.Start, Step: 1e6, RBW: s.RBW, Levels: []float64{p.level, p.level}}, err
}

type partBench struct {
	log                                         *callLog
	unit, generator, analyzer, supply, switcher *part
	safeBench
}

func newPartBench() *partBench {
	b := &partBench{log: &callLog{}}
	add := func(name string) *part { return &part{log: b.log, name: name, level: -70} }
	b.unit, b.generator, b.analyzer, b.supply, b.switcher = add("unit"), add("generator"), add("analyzer"), add("supply"), add("switcher")
	b.supply.dc = true
	b.safeBench = safeBench{
		units: []safeUnit{{"T4-0001", b.unit}}, generator: b.generator, analyzer: b.analyzer, supply: b.supply, switcher: b.switcher,
		probes: []probe{{Sweep: rf.Sweep{Start: 3.3e9, Stop: 3.8e9, RBW: 1e6, Points: 2}, Loss: 40}},
	}
	return b
}

func TestSafeStateOrder(t *testing.T) {
	b := newPartBench()
	if err := b.drive(t.Context(), time.Second).Err(); err != nil {
		t.Fatal(err)
	}
	want := []string{"unit mute", "generator off", "analyzer protect", "analyzer sweep", "analyzer protect", "switcher terminate"}
	if !slices.Equal(b.log.calls, want) {
		t.Errorf("steps %q, want %q", b.log.calls, want)
	}
	b = newPartBench()
	b.cutSupply = true
	if err := b.drive(t.Context(), time.Second).Err(); err != nil {
		t.Fatal(err)
	}
	want = slices.Insert(want, 5, "supply off")
	if !slices.Equal(b.log.calls, want) {
		t.Errorf("with the policy \"off\": steps %q, want %q", b.log.calls, want)
	}
}

// Whatever fails, hangs or panics, every other step is taken and the report
// says what is open.
func TestSafeStateGoesOnAfterEveryFault(t *testing.T) {
	parts := map[string]func(*partBench) *part{
		"T4-0001 transmitter off":      func(b *partBench) *part { return b.unit },
		"generator output off":         func(b *partBench) *part { return b.generator },
		"analyzer at full attenuation": func(b *partBench) *part { return b.analyzer },
		"no power at the analyzer":     func(b *partBench) *part { return b.analyzer },
		"supply output off":            func(b *partBench) *part { return b.supply },
		"switches terminated":          func(b *partBench) *part { return b.switcher },
	}
	faults := map[string]func(*part){
		"fails": func(p *part) { p.fail = errors.New("broken") },
		"hangs": func(p *part) { p.hang = true },
	}
	for name, pick := range parts {
		for kind, inject := range faults {
			t.Run(name+" "+kind, func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					b := newPartBench()
					b.cutSupply = true
					inject(pick(b))
					report := b.drive(t.Context(), time.Second)
					if err := report.Err(); err == nil || !strings.Contains(err.Error(), name) {
						t.Errorf("report %v, want it to name %q", err, name)
					}
					for _, want := range []string{"unit mute", "generator off", "analyzer protect", "analyzer sweep", "supply off", "switcher terminate"} {
						if !slices.Contains(b.log.calls, want) {
							t.Errorf("step %q was left out: %q", want, b.log.calls)
						}
					}
				})
			})
		}
	}
}

func TestSafeStateCutsTheSupplyWhenPowerIsSeen(t *testing.T) {
	b := newPartBench()
	// 37 dBm over 100 MHz is 17 dBm in 1 MHz at the connector, -23 dBm behind 40 dB.
	b.analyzer.level = -23
	err := b.drive(t.Context(), time.Second).Err()
	if err == nil || !strings.Contains(err.Error(), "17.00 dBm at the connector") {
		t.Errorf("report %v, want the level that was seen", err)
	}
	if !slices.Contains(b.log.calls, "supply off") {
		t.Errorf("the supply was left on: %q", b.log.calls)
	}
}

func TestSafeStateMutesTheOthersWhenOneUnitHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newPartBench()
		second := &part{log: b.log, name: "second"}
		b.unit.hang = true
		b.units = append(b.units, safeUnit{"T4-0002", second})
		start := time.Now()
		report := b.drive(t.Context(), time.Second)
		if took := time.Since(start); took > time.Second {
			t.Errorf("took %s, want the limit of one step", took)
		}
		if report.Steps[0].Err == nil || report.Steps[1].Err != nil {
			t.Errorf("steps %+v, want the first open and the second confirmed", report.Steps)
		}
	})
}

// A unit without DC does not answer, and that is no alarm; one with DC is.
func TestSafeStateAcceptsASilentUnitOnlyWithoutDC(t *testing.T) {
	for _, dc := range []bool{false, true} {
		b := newPartBench()
		b.unit.fail = errors.New("no answer")
		b.supply.dc = dc
		report := b.drive(t.Context(), time.Second)
		if (report.Err() != nil) != dc || report.Cut != dc {
			t.Errorf("DC %v: cut %v, report %v", dc, report.Cut, report.Err())
		}
		b.supply.dc, b.wasCut = false, report.Cut
		if err := b.drive(t.Context(), time.Second).Err(); (err != nil) != dc {
			t.Errorf("DC %v, then cut: report %v; a unit that was silent with DC must answer first", dc, err)
		}
	}
}
