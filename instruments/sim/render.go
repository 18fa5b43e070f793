package sim

import (
	"math"
	"math/rand/v2"
)

// settings is what an analyzer has been told about a sweep, and what follows
// from it, in Hz, seconds and dB.
type settings struct {
	start, stop float64
	rbw, vbw    float64 // vbw zero: coupled, three times rbw
	points      int
	sweepTime   float64 // zero: coupled
	averages    int
	attenuation float64
	detector    string
	gated       bool
	gateDelay   float64
	gateLength  float64
	triggered   bool // sweeps start on the frame trigger
}

// leastTime returns the shortest sweep that the filters can follow:
// 2.5 * span / (RBW * min(RBW, VBW/3)) (metrology facts 4.10, near-Gaussian filter).
func (s settings) leastTime() float64 {
	slowest := s.rbw
	if s.vbw > 0 {
		slowest = min(slowest, s.vbw/3)
	}
	return 2.5 * (s.stop - s.start) / (s.rbw * slowest)
}

// time returns the time of one sweep. A set time that is too short for the
// filters is coupled up to the least time.
func (s settings) time() float64 { return max(s.sweepTime, s.leastTime(), 1e-6) }

// dwell returns the time spent on one point.
func (s settings) dwell() float64 { return s.time() / float64(s.points) }

// duration returns how long all averages take; a gated sweep only advances
// inside its gate, once per trigger period.
func (s settings) duration(period float64) float64 {
	d := s.time() * float64(s.averages)
	if s.gated {
		d *= max(1, period/s.gateLength)
	}
	return d
}

// scene is what stands at an analyzer's input while it sweeps.
type scene struct {
	emission *emission // nil: the input is terminated, or the unit is silent
	path     path
	burst    burst
	floor    float64 // analyzer noise density at the input with the attenuation in use, mW/Hz
	compress float64 // loss of an overloaded mixer, a ratio of at most 1
}

// render returns the trace of a scene in dBm per point: every component of the
// emission through the resolution filter, weakened by the path, scattered by
// the detector. Components are added only where they reach.
func render(s settings, sc scene, r *rand.Rand) []float64 {
	p := newPicture(s, sc)
	out := make([]float64, s.points)
	if sc.emission != nil {
		p.noise(sc.emission.noise)
		for _, shape := range sc.emission.shapes {
			p.shape(shape)
		}
		for _, m := range sc.emission.mixes {
			p.mix(m)
		}
		p.lines(sc.emission.lines)
	}
	p.input(r)
	compress := sc.compress
	if compress == 0 {
		compress = 1
	}
	shape := max(1, s.rbw*s.dwell())
	d := detector{kind: s.detector, shape: shape * float64(s.averages), dwell: shape, r: r}
	for i, mean := range p.spread {
		out[i] = 10 * math.Log10(max(compress*(mean*d.factor()+p.tone(i)), 1e-30))
	}
	return out
}

// picture collects mean powers per point while a trace is rendered.
type picture struct {
	settings
	scene
	step   float64
	filter gaussian
	spread []float64 // noise-like: density at the connector (mW/Hz), after input power (mW) at the analyzer
	tones  []float64 // lines (mW), which do not scatter; nil when there is none
}

func newPicture(s settings, sc scene) *picture {
	return &picture{
		settings: s, scene: sc, filter: gaussian{s.rbw},
		step:   (s.stop - s.start) / float64(max(s.points-1, 1)),
		spread: make([]float64, s.points),
	}
}

// span returns the points whose frequencies lie from low to high, as a half-open
// range of indices.
func (p *picture) span(low, high float64) (from, to int) {
	if p.step == 0 {
		if low <= p.start && p.start <= high {
			return 0, p.points
		}
		return 0, 0
	}
	limit := func(x float64) int { return int(min(max(math.Ceil(x), 0), float64(p.points))) }
	return limit((low - p.start) / p.step), limit((high-p.start)/p.step + 1e-9)
}

// nodes is how many pieces of a trace smooth functions of frequency are
// interpolated over, linearly.
const nodes = 256

// smooth calls add with an interpolated value of f for every point.
func (p *picture) smooth(f func(float64) float64, add func(i int, v float64)) {
	width := max((p.points+nodes-1)/nodes, 1)
	left := f(p.start)
	for from := 0; from < p.points; from += width {
		right := f(p.start + float64(from+width)*p.step)
		slope := (right - left) / float64(width)
		for i := from; i < min(from+width, p.points); i++ {
			add(i, left+slope*float64(i-from))
		}
		left = right
	}
}

func (p *picture) noise(n noise) {
	p.smooth(n.at, func(i int, v float64) { p.spread[i] += v })
}

// shape adds one shape. A flat band meets the filter at its edges, in closed
// form; smoother shapes do not change over the width of the filter.
func (p *picture) shape(s shape) {
	low, high := s.support()
	if s.order > 1 {
		from, to := p.span(low, high)
		scale := s.power / s.width
		for i := from; i < to; i++ {
			u := (p.start + float64(i)*p.step - s.centre) / s.width
			p.spread[i] += scale * splineDensity(s.order, u)
		}
		return
	}
	margin := reach * p.rbw
	from, to := p.span(low-margin, high+margin)
	density := s.power / s.width
	for i := from; i < to; i++ {
		f := p.start + float64(i)*p.step
		v := density
		if f-low < margin || high-f < margin {
			v *= p.filter.edge(f-low) - p.filter.edge(f-high)
		}
		p.spread[i] += v
	}
}

// mix adds one product of several carriers; like the regrowth of one it does not
// change over the width of the filter.
func (p *picture) mix(m mix) {
	from, to := p.span(m.support())
	for i := from; i < to; i++ {
		p.spread[i] += m.density(p.start + float64(i)*p.step)
	}
}

func (p *picture) lines(lines []line) {
	for _, l := range lines {
		from, to := p.span(l.frequency-reach*p.rbw, l.frequency+reach*p.rbw)
		if from < to && p.tones == nil {
			p.tones = make([]float64, p.points)
		}
		for i := from; i < to; i++ {
			p.tones[i] += l.power * p.filter.gain(p.start+float64(i)*p.step-l.frequency)
		}
	}
}

// input turns densities at the connector into powers at the analyzer: rhythm of
// the transmitter, path, noise bandwidth, the analyzer's own noise.
func (p *picture) input(r *rand.Rand) {
	bandwidth := p.filter.noiseBandwidth()
	if p.emission == nil {
		for i := range p.spread {
			p.spread[i] = p.floor * bandwidth
		}
		return
	}
	on := p.rhythm(r)
	p.smooth(p.path.gain, func(i int, gain float64) {
		share := on(i)
		density := p.spread[i]*share + p.emission.idle*(1-share)
		p.spread[i] = (density*gain + p.floor) * bandwidth
		if p.tones != nil {
			p.tones[i] *= gain * share
		}
	})
}

func (p *picture) tone(i int) float64 {
	if p.tones == nil {
		return 0
	}
	return p.tones[i]
}

// phases bounds how many sweeps of an ungated average are followed one by one.
const phases = 16

// rhythm returns the share of a point's dwell during which the transmitter is
// on. Gated sweeps look at the same window of every period; ungated ones meet
// the burst wherever the sweep has got to, from a random start unless triggered.
func (p *picture) rhythm(r *rand.Rand) func(i int) float64 {
	if p.burst.period == 0 {
		return func(int) float64 { return 1 }
	}
	if p.gated {
		share := p.burst.share(p.gateDelay, p.gateLength)
		return func(int) float64 { return share }
	}
	dwell := p.dwell()
	starts := make([]float64, min(p.averages, phases))
	for k := range starts {
		if !p.triggered {
			starts[k] = p.burst.period * r.Float64()
		}
	}
	return func(i int) float64 {
		sum := 0.0
		for _, start := range starts {
			sum += p.burst.share(start+float64(i)*dwell, dwell)
		}
		return sum / float64(len(starts))
	}
}
