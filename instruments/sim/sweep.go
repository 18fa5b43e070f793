package sim

import (
	"math/rand/v2"

	"benchyard/instruments/rf"
	"benchyard/instruments/scpi"
)

// initiate starts the sweeps of one measurement as an overlapped operation.
func (a *analyzer) initiate() error {
	if a.continuous {
		return scpi.StandardError(-213, "continuous sweeping; send :INITiate:CONTinuous OFF")
	}
	if a.pending != nil {
		return scpi.StandardError(-213, "a sweep is running")
	}
	s := a.settings
	s.averages = 1
	if a.averaging {
		s.averages = a.count
	}
	s.triggered = a.source == "EXT"
	a.sweeps++
	a.valid = false
	a.status.questionable.set(questionablePower, false)
	a.status.operation.set(operationSweeping|operationMeasuring, true)
	c := &capture{
		settings: s, analyzer: a, first: a.world.look(a.bench), began: a.world.clock.now(),
		random: rand.New(rand.NewPCG(a.seed, a.sweeps)), driven: a.fault == Overload,
	}
	c.length = s.duration(c.first.period)
	a.note("sweep", "%s to %s, RBW %s, %d points x %d, %.3f s", rf.Hertz(s.start), rf.Hertz(s.stop), rf.Hertz(s.rbw), s.points, s.averages, c.length)
	a.begin(c.length, c.finish)
	return nil
}

// capture is one measurement while its time runs.
type capture struct {
	settings settings
	analyzer *analyzer
	first    view
	began    float64
	length   float64
	random   *rand.Rand
	driven   bool // the injected overload
}

// finish computes the trace and returns what makes it the analyzer's. If the
// world changed while the sweep ran, the points up to the change show the world
// before it and the others the world after.
func (c *capture) finish() func() {
	a := c.analyzer
	last := a.world.look(a.bench)
	trace, over := c.take(last)
	if c.first.changes != last.changes {
		before, overBefore := c.take(c.first)
		share := min(max((last.changed-c.began)/c.length, 0), 1)
		copy(trace, before[:int(share*float64(len(before)))])
		over = max(over, overBefore)
	}
	return func() {
		a.trace, a.valid = trace, true
		if over > 0 {
			a.status.questionable.set(questionablePower, true)
			a.note("overload", "mixer %.1f dB above %.0f dBm peak with %g dB attenuation", over, mixerOverload, c.settings.attenuation)
		}
	}
}

// take renders one view. over is by how many decibels the mixer is overloaded,
// zero or less when it is not.
func (c *capture) take(v view) (trace []float64, over float64) {
	noise := float64(c.analyzer.bench.config.NoiseDBm)
	if noise == 0 {
		noise = defaultNoise
	}
	v.scene.floor = milliwatts(noise + c.settings.attenuation)
	over = -1
	if v.input > 0 {
		over = decibels(v.input) + v.crest - c.settings.attenuation - mixerOverload
	}
	if c.driven {
		over = max(over, overloadOvershot)
	}
	if over > 0 {
		v.scene.compress = milliwatts(-over)
	}
	return render(c.settings, v.scene, c.random), over
}
