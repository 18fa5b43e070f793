package sim

import (
	"fmt"
	"math"
	"math/cmplx"

	"benchyard/instruments/rf"
)

// Impairments are the figures of a unit's quadrature modulators, the same at
// every connector, instead of drawn ones: y = a x + b x* of the envelope x, an
// added constant, and a cubic on each rail (waveform facts 5.1 and 5.2).
type Impairments struct {
	Gain    rf.DB   `json:"gain_db"`    // of one rail over the other
	Phase   float64 `json:"phase_deg"`  // by which the rails are not square, degrees
	Leakage rf.DB   `json:"leakage_db"` // of the oscillator, over full scale; zero: none
	Cubic   float64 `json:"cubic"`      // a in I + a I^3, full scale being 1
	// Lasting keeps them as they are; otherwise they are what calibration finds
	// and takes away but for its own errors.
	Lasting bool `json:"lasting,omitempty"`
}

// vector is one imperfection of a modulator, and what each calibration leaves
// of it: image over wanted, or leakage over full scale, as complex amplitudes.
type vector struct {
	raw, initial, tracked complex128
	lasting               bool
}

// turn is how far the oscillator is moved until an imperfection has turned once
// round: it comes with a delay in the modulator, so a correction found at one
// frequency is wrong at another.
const turn = 170e6

// trackingTime is the time constant of the tracking calibrations in simulated
// seconds; after ln 100 of them what was wrong is down by 40 dB and they report
// that they have converged.
const trackingTime = 2.0

var trackingSettled = trackingTime * math.Log(100)

// at returns the imperfection with the oscillator at lo.
func (v vector) at(lo float64) complex128 { return v.raw * cmplx.Rect(1, 2*math.Pi*lo/turn) }

// found returns the correction of the initial calibration at lo.
func (v vector) found(lo float64) complex128 { return v.at(lo) - v.initial }

// tracking returns the correction after some seconds of tracking at lo.
func (v vector) tracking(from complex128, lo, seconds float64) complex128 {
	goal := v.at(lo) - v.tracked
	return goal + (from-goal)*complex(math.Exp(-seconds/trackingTime), 0)
}

// left returns what remains with a correction in force.
func (v vector) left(correction complex128, lo float64) complex128 {
	if v.lasting {
		return v.raw
	}
	return v.at(lo) - correction
}

// modulator is the quadrature modulator of one connector.
type modulator struct {
	image, leakage vector
	cubic          float64
}

// newModulators draws the modulators of a unit: image and leakage of 25 to 30 dB
// below the wanted signal, 42 dB and more once calibrated, 60 dB and more once
// tracking has settled (common practice, no source).
func newModulators(seed uint64, u UnitConfig, connectors int) []modulator {
	r := random(seed, "modulator "+u.Serial)
	below := func(least, most float64) complex128 {
		return cmplx.Rect(amplitude(-least-(most-least)*r.Float64()), 2*math.Pi*r.Float64())
	}
	list := make([]modulator, connectors)
	for i := range list {
		m := &list[i]
		m.image = vector{raw: below(25, 30), initial: below(42, 48), tracked: below(60, 66)}
		m.leakage = vector{raw: below(25, 30), initial: below(45, 50), tracked: below(65, 72)}
		m.cubic = -0.002 - 0.004*r.Float64()
		if p := u.Impairments; p != nil {
			m.image.raw, m.image.lasting = imageOf(p.Gain, p.Phase), p.Lasting
			m.leakage.raw, m.leakage.lasting, m.cubic = 0, p.Lasting, p.Cubic
			if p.Leakage != 0 {
				m.leakage.raw = complex(amplitude(float64(p.Leakage)), 0)
			}
		}
	}
	return list
}

// imageOf returns image over wanted of rails that differ by gain and by degrees
// from square: b/a with a = (1 + g e^-jp)/2 and b = (1 - g e^jp)/2, whose
// magnitude is that of waveform facts 5.1.
func imageOf(gain rf.DB, degrees float64) complex128 {
	g, p := amplitude(float64(gain)), degrees*math.Pi/180
	return (1 - cmplx.Rect(g, p)) / (1 + cmplx.Rect(g, -p))
}

// amplitude turns decibels into a ratio of amplitudes.
func amplitude(db float64) float64 { return math.Pow(10, db/20) }

// correction is what a unit has found out about one modulator.
type correction struct{ image, leakage complex128 }

// residual is what a modulator does to the signal in spite of its correction.
type residual struct {
	image, leakage complex128
	cubic          float64
}

func (m modulator) left(c correction, lo float64) residual {
	return residual{m.image.left(c.image, lo), m.leakage.left(c.leakage, lo), m.cubic}
}

// synthesis is the state of a unit's oscillator and of its calibrations. It does
// not outlive the supply.
type synthesis struct {
	lo          float64 // where the oscillator is, Hz
	result      int     // of the initial calibration: -1 never, 0 good, else a code
	calibrated  float64 // oscillator frequency of that calibration, Hz; 0: never
	tracking    string  // trackingOff, trackingOn or trackingFailed
	since       float64 // simulated seconds at which corrections were as they stand here
	corrections []correction
}

const (
	trackingOff    = "OFF"
	trackingOn     = "SETT"
	trackingDone   = "CONV"
	trackingFailed = "FAIL"
)

// badCalibration is the code of an initial calibration that failed.
const badCalibration = 7

// boot starts the radio frequency part afresh: the oscillator in the middle of
// the band, nothing calibrated.
func (u *unit) boot() {
	d := u.tx.typ.Downlink
	u.synthesis = synthesis{lo: float64(d.Low+d.High) / 2, result: -1, tracking: trackingOff, corrections: make([]correction, len(u.tx.chains))}
}

// centre returns where carriers want the oscillator: in the middle of all.
func centre(carriers []Carrier) float64 {
	low, high := math.Inf(1), math.Inf(-1)
	for _, c := range carriers {
		low = min(low, float64(c.Center-c.Bandwidth/2))
		high = max(high, float64(c.Center+c.Bandwidth/2))
	}
	return (low + high) / 2
}

// corrected returns the correction of a connector (from 0) in force now.
func (u *unit) corrected(i int, now float64) correction {
	s := &u.synthesis
	c := s.corrections[i]
	if s.tracking != trackingOn {
		return c
	}
	m := u.tx.modulators[i]
	return correction{m.image.tracking(c.image, s.lo, now-s.since), m.leakage.tracking(c.leakage, s.lo, now-s.since)}
}

// freeze ends tracking with the corrections as they are.
func (u *unit) freeze(state string, now float64) {
	for i := range u.synthesis.corrections {
		u.synthesis.corrections[i] = u.corrected(i, now)
	}
	u.synthesis.tracking, u.synthesis.since = state, now
}

// retune moves the oscillator to where the carriers want it. Tracking that was
// left running loses its footing.
func (u *unit) retune(now float64) {
	if u.synthesis.tracking == trackingOn {
		u.freeze(trackingFailed, now)
	}
	u.synthesis.lo = centre(u.carriers)
}

// calibrate is the initial calibration at the oscillator's frequency.
func (u *unit) calibrate() {
	s := &u.synthesis
	if u.troubles[BadCalibration] {
		s.result = badCalibration
		return
	}
	s.result, s.calibrated = 0, s.lo
	for i, m := range u.tx.modulators {
		s.corrections[i] = correction{m.image.found(s.lo), m.leakage.found(s.lo)}
	}
}

// track starts or stops the tracking calibrations. They need the initial one at
// the frequency of the oscillator to start from.
func (u *unit) track(on bool, now float64) {
	s := &u.synthesis
	switch {
	case !on:
		u.freeze(trackingOff, now)
	case s.tracking == trackingOn:
	case s.result != 0 || s.calibrated != s.lo || u.troubles[BadTracking]:
		u.freeze(trackingFailed, now)
	default:
		s.tracking, s.since = trackingOn, now
	}
}

// trackingStatus tells how far tracking is.
func (u *unit) trackingStatus(now float64) string {
	if s := &u.synthesis; s.tracking != trackingOn || now-s.since < trackingSettled {
		return s.tracking
	}
	return trackingDone
}

// prepare is what units do by themselves that need no bring-up: all of it, at
// once, whenever they are switched on.
func (u *unit) prepare(now float64) error {
	u.timer = true
	u.retune(now)
	u.calibrate()
	if code := u.synthesis.result; code != 0 {
		return conflict("the initial calibration ended with code %d", code)
	}
	u.track(false, now)
	u.track(true, now)
	u.synthesis.since -= 100 * trackingTime
	return nil
}

// Trouble is something that goes wrong inside a radio unit while it runs.
type Trouble string

// The troubles of radio units.
const (
	LostReference  Trouble = "lost reference"  // the oscillator runs free, 1.5 ppm off
	LostPPS        Trouble = "lost pps"        // no pulse per second
	NoLock         Trouble = "no lock"         // the synthesiser does not lock; the unit does not transmit
	BadCalibration Trouble = "bad calibration" // the initial calibration fails with a code
	BadTracking    Trouble = "bad tracking"    // the tracking calibrations fail
	Overheated     Trouble = "overheated"      // 40 degrees too hot
)

// adrift is by how much a unit without reference is off, parts per million.
const adrift = 1.5

func (t Trouble) valid() bool {
	switch t {
	case LostReference, LostPPS, NoLock, BadCalibration, BadTracking, Overheated:
		return true
	}
	return false
}

// Trouble puts a radio unit into trouble, or out of it. Each trouble but those
// of the calibrations raises an alarm. Unknown serials and troubles are errors.
func (l *Lab) Trouble(serial string, t Trouble, on bool) error {
	w := l.world
	w.mu.Lock()
	defer w.mu.Unlock()
	u, ok := w.units[serial]
	if !ok || !t.valid() {
		return fmt.Errorf("sim: trouble %q: no such trouble, or no radio unit %q", t, serial)
	}
	w.journal.note(serial, "trouble", "%s: %s", t, map[bool]string{true: "begins", false: "ends"}[on])
	u.troubles[t] = on
	now := w.clock.now()
	if on && t == BadTracking && u.synthesis.tracking == trackingOn {
		u.freeze(trackingFailed, now)
	}
	if on && t == NoLock && u.on {
		w.mute(u, "synthesiser not locked")
	}
	w.settle(u.bench)
	return nil
}

// alarms counts what a unit complains of.
func (u *unit) alarms() int {
	n := 0
	if !u.bench.powered() {
		n++
	}
	for _, t := range []Trouble{LostReference, LostPPS, NoLock, Overheated} {
		if u.troubles[t] {
			n++
		}
	}
	return n
}
