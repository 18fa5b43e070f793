package sim

import (
	"fmt"
	"math"

	"benchyard/instruments/rf"
)

// mostLevel is what the generator can give, dBm.
const mostLevel = 20

// generator is a signal generator. Where its output goes is in the hands of the
// fixture.
type generator struct {
	*device
	bench                   *bench
	frequency, level, limit float64 // Hz, dBm, dBm
	on                      bool
}

func newGenerator(w *world, b *bench) *generator {
	g := &generator{device: newDevice(b.name+"-generator", identity("Tone 26", "SG", b.name), w), bench: b}
	g.preset()
	g.device.reset = func() {
		g.preset()
		g.output()
	}
	g.device.test = func() int {
		w.mu.Lock()
		defer w.mu.Unlock()
		if b.damaged(g.name) {
			return 1
		}
		return 0
	}
	within := func(float64) error {
		if g.level > g.limit {
			return conflict("level %g dBm, limit %g dBm", g.level, g.limit)
		}
		g.apply()
		return nil
	}
	g.commands = append(g.commands,
		numberCommand("[:SOURce]:FREQuency[:CW|:FIXed]", "HZ", lowestHz, highestHz, &g.frequency, within),
		numberCommand("[:SOURce]:POWer[:LEVel][:IMMediate][:AMPLitude]", "DBM", -130, mostLevel, &g.level, within),
		numberCommand("[:SOURce]:POWer:LIMit[:AMPLitude]", "DBM", -130, mostLevel, &g.limit, within),
		boolCommand(":OUTPut[:STATe]", &g.on, g.output),
	)
	return g
}

func (g *generator) preset() { g.frequency, g.level, g.limit, g.on = 1e9, -130, mostLevel, false }

func (g *generator) output() {
	if g.on {
		g.note("output on", "%g Hz, %g dBm", g.frequency, g.level)
	} else {
		g.note("output off", "")
	}
	g.apply()
}

// apply carries the settings to the output connector.
func (g *generator) apply() {
	g.world.mu.Lock()
	defer g.world.mu.Unlock()
	s := &g.bench.source
	s.frequency, s.level, s.on = g.frequency, g.level, g.on
	if g.bench.plug != nowhere {
		g.world.settle(g.bench)
	}
}

// source is the generator's output: what it was told and by how much it is off,
// which only a power meter tells.
type source struct {
	frequency, level float64 // Hz, dBm
	on               bool
	offset           [2]ripple // of the level over frequency, dB
}

func newSource(seed uint64, bench string) source {
	return source{frequency: 1e9, level: -130, offset: newRipples(random(seed, "generator "+bench), 0.05, 0.2)}
}

// output returns the level at the output, dBm.
func (s source) output() float64 { return s.level + waver(s.offset, s.frequency) }

// GeneratorOutput returns frequency and level at the output connector of a
// bench's generator as they are, which differ from the settings by the error of
// its level. A generator that is off has minus infinity; unknown benches are errors.
func (l *Lab) GeneratorOutput(bench string) (rf.Hertz, rf.DBm, error) {
	b, ok := l.world.benches[bench]
	if !ok {
		return 0, 0, fmt.Errorf("sim: no bench %q", bench)
	}
	l.world.mu.Lock()
	defer l.world.mu.Unlock()
	level := math.Inf(-1)
	if b.source.on {
		level = b.source.output()
	}
	return rf.Hertz(b.source.frequency), rf.DBm(level), nil
}
