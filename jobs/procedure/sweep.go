package procedure

import (
	"fmt"
	"math"
	"time"

	"benchyard/instruments/nr"
	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
)

const (
	// sweepFactor is k of the fastest sweep k*span/RBW^2 that a near-Gaussian
	// filter follows; the trade uses 2 to 3.
	sweepFactor = 2.5
	// mostAverages bounds the sweeps a figure is spread over. A long dwell and
	// many averages scatter alike; several sweeps keep a drift out of the shape.
	mostAverages = 10
	// transient is kept clear at both ends of an ON period: the transmitter
	// transient period of TS 38.104 6.4.2, 10 us (from memory).
	transient = 10 * time.Microsecond
)

// samples is how many independent power samples of noise a figure rests on; it
// scatters by 4.34/sqrt(samples) dB. The greatest of many figures reads high by
// some three and a half of that.
type samples float64

const (
	powerSamples    samples = 50e3  // 0.02 dB, for a channel power good to 0.1 dB
	ratioSamples    samples = 200e3 // 0.01 dB; 0.1 dB where all that leaks is a hundredth of the window wide
	edgeSamples     samples = 400   // 5 % of the 0.5 % beyond each end: 0.04 % of an occupied bandwidth
	emissionSamples samples = 2000  // 0.10 dB, 0.35 dB for the greatest of thousands
	lineSamples     samples = 100   // 0.43 dB, where what is looked for are lines, not noise
)

// dwell returns the time each point must be measured so that a figure over
// bandwidth b, made of points step apart through a filter rbw wide, rests on n
// samples: b/step points give rbw*dwell samples each.
func (n samples) dwell(b, step, rbw rf.Hertz) float64 {
	return float64(n) * float64(step) / (float64(rbw) * float64(b))
}

// withDuplex fills in the duplex mode of the band where none is given.
func (s Setup) withDuplex() (Setup, error) {
	if s.Duplex == "" {
		band, err := conformance.BandByName(s.Subject.Carrier.Band)
		if err != nil {
			return s, fmt.Errorf("procedure: %w", err)
		}
		s.Duplex = band.Duplex
	}
	switch s.Duplex {
	case "TDD", "FDD":
		return s, nil
	case "SDL":
		s.Duplex = "FDD" // always on, as the downlink of a pair
		return s, nil
	}
	return s, fmt.Errorf("procedure: duplex mode %q: want TDD or FDD", s.Duplex)
}

// sweep plans one sweep over r with points at most half an RBW apart, each
// measured for dwell seconds in all and never faster than the filter follows.
func (s Setup) sweep(role string, r rf.Range, rbw rf.Hertz, dwell float64) (Planned, error) {
	if !(r.Width() > 0) || !(rbw > 0) || r.Low < 0 {
		return Planned{}, fmt.Errorf("procedure: sweep %q from %s to %s with a filter of %s is not possible", role, r.Low, r.High, rbw)
	}
	points := int(math.Ceil(float64(r.Width()/(rbw/2))-1e-9)) + 1
	fastest := sweepFactor * float64(r.Width()) / float64(rbw*rbw)
	all := max(dwell*float64(points), fastest)
	averages := min(max(int(all/fastest), 1), mostAverages)
	p := Planned{Role: role, Sweep: rf.Sweep{
		Start:          r.Low,
		Stop:           r.High,
		RBW:            rbw,
		VBW:            3 * rbw,
		Points:         points,
		SweepTime:      seconds(all / float64(averages)),
		Averages:       averages,
		Attenuation:    s.Attenuation,
		ReferenceLevel: s.ReferenceLevel,
	}}
	p.Duration = p.Sweep.SweepTime * time.Duration(averages)
	if s.Duplex == "TDD" {
		gate, err := s.gate(rbw)
		if err != nil {
			return Planned{}, fmt.Errorf("procedure: sweep %q: %w", role, err)
		}
		p.Sweep.Gate = &gate
		p.Duration = time.Duration(float64(p.Duration) * float64(gate.Period) / float64(gate.Length))
	}
	return p, nil
}

// gate returns the window in which a TDD carrier is measured. It opens when the
// transient of the transmitter and the rise of the resolution filter (1/RBW) are
// over, and closes before the carrier goes off.
func gate(scs, rbw rf.Hertz) (rf.Gate, error) {
	pattern, err := nr.TDDPattern(scs)
	if err != nil {
		return rf.Gate{}, err
	}
	delay := transient + seconds(1/float64(rbw))
	g := rf.Gate{Delay: delay, Length: pattern.On - delay - transient, Period: pattern.Period}
	if g.Length <= 0 {
		return rf.Gate{}, fmt.Errorf("a filter of %s does not settle within the ON period of %s", rbw, pattern.On)
	}
	return g, nil
}

// seconds rounds up to whole microseconds: what an analyzer can be told.
func seconds(s float64) time.Duration {
	return time.Duration(math.Ceil(s*1e6-1e-6)) * time.Microsecond
}

// stepDown returns the widest filter of the 1-3-10 sequence that is no wider
// than limit.
func stepDown(limit rf.Hertz) rf.Hertz {
	decade := math.Pow(10, math.Floor(math.Log10(float64(limit))+1e-9))
	if float64(limit) >= 3*decade {
		return rf.Hertz(3 * decade)
	}
	return rf.Hertz(decade)
}

// channelFilter is the filter for figures over a whole channel: a two-hundredth
// of it at the most, so that the skirt of the filter moves less than 0.2 % of
// the power across a channel edge.
func channelFilter(bandwidth rf.Hertz) rf.Hertz { return stepDown(bandwidth / 200) }

// around returns the range of the given width about f.
func around(f, width rf.Hertz) rf.Range { return rf.Range{Low: f - width/2, High: f + width/2} }

// widen returns r with a margin added at both ends.
func widen(r rf.Range, margin rf.Hertz) rf.Range {
	return rf.Range{Low: r.Low - margin, High: r.High + margin}
}
