package sim

import (
	"context"
	"fmt"
	"math"
	"math/cmplx"
	"testing"
	"time"

	"benchyard/instruments/rf"
)

// Image rejection of rails that differ in gain and phase, and the leakage and
// the product at -3f of a baseband cubic (waveform facts 5.1 and 5.2).
func TestToneAgainstClosedForms(t *testing.T) {
	truth := func(p Impairments, level rf.DB) *ToneTruth {
		c := Demo(1)
		p.Lasting = true
		c.Units[1].Impairments = &p
		x, err := c.ExpectTone(Tone{Condition: Condition{Serial: "T4-0002", Build: olderBuild, Connector: 1, Carrier: demoTypes[0].carrier(3549.99e6)}, Offset: 3e6, Level: level})
		if err != nil {
			t.Fatal(err)
		}
		return x
	}
	for _, v := range []struct {
		gain      rf.DB
		phase     float64
		rejection float64
	}{{0.1, 1, 39.61}, {0.1, 0, 44.80}, {0, 1, 41.18}, {0.5, 3, 28.20}, {1, 5, 22.83}} {
		x := truth(Impairments{Gain: v.gain, Phase: v.phase}, 0)
		near(t, fmt.Sprintf("image of %g dB, %g degrees", float64(v.gain), v.phase), float64(x.Image), -v.rejection, 0.005)
		if !math.IsInf(float64(x.Leakage), -1) || !math.IsInf(float64(x.Third), -1) {
			t.Errorf("leakage %v and third %v of a modulator without any", x.Leakage, x.Third)
		}
	}
	clean, cubic := truth(Impairments{}, 0), truth(Impairments{Cubic: -0.1}, 0)
	near(t, "line at -3f", float64(cubic.Third), -31.36, 0.005)
	// 0.925 of full scale is -0.68 dB; the amplifier at 3.5 dB below its compression
	// point gives 0.07 dB of it back.
	near(t, "fundamental", float64(cubic.Power-clean.Power), -0.68, 0.1)
	if x := truth(Impairments{Cubic: -0.1}, -10); math.Abs(float64(x.Third-cubic.Third)+20) > 0.7 {
		t.Errorf("10 dB lower the line at -3f is %v, at full scale %v", x.Third, cubic.Third)
	}
	near(t, "leakage at full scale", float64(truth(Impairments{Leakage: -40}, 0).Leakage), -40, 1e-9)
	near(t, "leakage 20 dB lower", float64(truth(Impairments{Leakage: -40}, -20).Leakage), -20, 1e-9)
}

// The lines are those of the discrete Fourier transform of the signal: a tone
// through rail cubics, quadrature error and offset, sample by sample.
func TestLinesAreTheTransform(t *testing.T) {
	const n, f = 64, 3
	left := residual{image: cmplx.Rect(0.03, 1), leakage: complex(0.01, 0.02), cubic: -0.1}
	level := -1.5
	bins := make([]complex128, n)
	for k := range bins {
		for i := range n {
			x := cmplx.Rect(amplitude(level), 2*math.Pi*f*float64(i)/n)
			rail := func(v float64) float64 { return v + left.cubic*v*v*v }
			s := complex(rail(real(x)), rail(imag(x)))
			y := s + left.image*cmplx.Conj(s) + left.leakage
			bins[k] += y * cmplx.Rect(1.0/n, -2*math.Pi*float64(k*i)/n)
		}
	}
	c := Demo(1)
	tx, err := newTransmitter(c, c.Units[1])
	if err != nil {
		t.Fatal(err)
	}
	tx.faults = nil
	var e emission
	tx.carve(&e, drive{connector: 1, carriers: []Carrier{demoTypes[0].carrier(3549.99e6)}, tone: &tone{f, level}, left: &left}, 1e6, 1)
	reference := 0.0
	for _, l := range e.lines {
		if l.frequency == 1e6+f {
			reference = l.power
		}
	}
	seen := 0.0
	for _, l := range e.lines {
		k := (int(math.Round(l.frequency-1e6)) + n) % n
		near(t, fmt.Sprintf("line at bin %d", k), l.power/reference, math.Pow(cmplx.Abs(bins[k])/cmplx.Abs(bins[f]), 2), 1e-12)
		seen += math.Pow(cmplx.Abs(bins[k]), 2)
	}
	all := 0.0
	for _, b := range bins {
		all += math.Pow(cmplx.Abs(b), 2)
	}
	near(t, "power outside the lines", all-seen, 0, 1e-12)
}

// Test models of a unit that was not calibrated come with the oscillator's line
// and with each carrier mirrored about it; without air frame only the line is left.
func TestModelsLeakToo(t *testing.T) {
	c := Demo(1)
	tx, err := newTransmitter(c, c.Units[1])
	if err != nil {
		t.Fatal(err)
	}
	tx.faults, tx.ppm = nil, 0
	d := drive{
		build: olderBuild, connector: 1, left: &residual{image: 0.1, leakage: 0.05i},
		carriers: []Carrier{{3.41e9, 20e6, 30e3, 30}, {3.47e9, 100e6, 30e3, 36}}, // 3.4 to 3.52 GHz, oscillator at 3.46 GHz
	}
	e, err := tx.emission(d)
	if err != nil {
		t.Fatal(err)
	}
	carriers, mirrored := e.shapes[:2], e.shapes[2:]
	for i, centre := range []float64{3.51e9, 3.45e9} {
		near(t, "mirrored to", mirrored[i].centre, centre, 1)
		near(t, "rejection", decibels(carriers[i].power/mirrored[i].power), 20, 1e-9)
	}
	near(t, "oscillator at", e.lines[0].frequency, 3.46e9, 1)
	near(t, "leakage", decibels((carriers[0].power+carriers[1].power)/e.lines[0].power), 26.02, 0.005) // 20 log 0.05
	d.lo = 3.5e9
	if e, err = tx.emission(d); err != nil {
		t.Fatal(err)
	}
	near(t, "carrier of an oscillator 40 MHz off", e.shapes[0].centre, 3.45e9, 1)
	d.stopped = true
	if e, err = tx.emission(d); err != nil || len(e.shapes) != 0 || len(e.lines) != 1 || e.lines[0].frequency != 3.5e9 {
		t.Errorf("%d shapes, lines %v, %v without air frame", len(e.shapes), e.lines, err)
	}
}

// What is left falls with the time constant of tracking, from the error of the
// initial calibration to that of tracking, and stays when tracking stops.
func TestTrackingSettles(t *testing.T) {
	c := Demo(1)
	u := &unit{troubles: map[Trouble]bool{}}
	var err error
	if u.tx, err = newTransmitter(c, c.Units[1]); err != nil {
		t.Fatal(err)
	}
	u.boot()
	u.carriers = []Carrier{demoTypes[0].carrier(3350.01e6)}
	m := u.tx.modulators[0]
	image := func(now float64) complex128 { return m.left(u.corrected(0, now), u.synthesis.lo).image }
	level := func(now float64) float64 { return 20 * math.Log10(magnitude(image(now))) }
	if before := level(0); before < -30 || before > -25 {
		t.Errorf("image %.1f dBc before any calibration, want -30 to -25", before)
	}
	u.retune(0)
	u.calibrate()
	if first := level(0); first < -48 || first > -42 {
		t.Errorf("image %.1f dBc after the initial calibration, want -48 to -42", first)
	}
	u.track(true, 10)
	began, end := image(10), m.image.tracked
	for _, after := range []float64{0, 0.5, 2, 4, 9} {
		want := end + (began-end)*complex(math.Exp(-after/2), 0) // tau = 2 s
		near(t, fmt.Sprintf("after %g s", after), cmplx.Abs(image(10+after)-want), 0, 1e-15)
	}
	for after, want := range map[float64]string{0: "SETT", 9.2: "SETT", 9.22: "CONV", 1000: "CONV"} { // 2 s * ln 100 = 9.21 s
		if got := u.trackingStatus(10 + after); got != want {
			t.Errorf("status %s %g s after tracking began, want %s", got, after, want)
		}
	}
	if last := level(1000); last < -66 || last > -60 {
		t.Errorf("image %.1f dBc once tracking has settled, want -66 to -60", last)
	}
	stopped := image(12)
	u.track(false, 12)
	if got := image(500); cmplx.Abs(got-stopped) > 1e-15 {
		t.Errorf("image moved from %v to %v without tracking", stopped, got)
	}
	x, err := c.ExpectTone(Tone{
		Condition: Condition{Serial: "T4-0002", Build: olderBuild, Connector: 1, Carrier: u.carriers[0]},
		Offset:    1e6, Calibrated: 3350.01e6, Tracked: 2 * time.Second,
	})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "the truth says", float64(x.Image), 20*math.Log10(magnitude(stopped)), 1e-6)
}

// spectrum is what an analyzer reads at 0, f, -f and -3f from a frequency, dBm.
type spectrum struct{ leakage, tone, image, third float64 }

// lines measures a tone at connector 1 of T4-0002 with 3 MHz offset from lo.
func lines(t testing.TB, l *Lab, lo float64) spectrum {
	t.Helper()
	dial(t, l, "bench-1-switcher").do("ROUT:CLOS (@201)")
	a := dial(t, l, "bench-1-analyzer")
	levels := a.sweep(fmt.Sprintf("*RST;:INIT:CONT OFF;:FORM REAL,32;:FREQ:STAR %.0f;STOP %.0f;:BAND 10 KHZ;:SWE:POIN 8001;:POW:ATT 10", lo-10e6, lo+10e6))
	at := func(offset float64) float64 {
		middle, top := int((offset+10e6)/2.5e3), math.Inf(-1)
		for i := middle - 2; i <= middle+2; i++ {
			top = max(top, levels[i])
		}
		return top
	}
	return spectrum{at(0), at(3e6), at(-3e6), at(-9e6)}
}

// toneUp takes a unit through its bring-up, without the steps named, and sends a
// tone of full scale.
func toneUp(t testing.TB, l *Lab, without ...string) *client {
	t.Helper()
	u := untuned(t, l)
	for _, step := range []string{"SYNT:RES", "CAL:INIT", "CAL:TRAC ON"} {
		skip := false
		for _, w := range without {
			skip = skip || w == step
		}
		if !skip {
			u.want(step+";*OPC?", "1")
		}
	}
	u.do("CARR:SOUR TONE;:TONE:OFFS 3 MHZ;LEV 0;:OUTP ON")
	return u
}

// 0.1 dB and 1 degree, an oscillator 45 dB down and a cubic of -0.1, measured
// over the wire: the figures of waveform facts 5 within 0.2 dB.
func TestToneOverTheWire(t *testing.T) {
	l, _ := startLab(t, func(c *Config) {
		byHand(c)
		c.Units[1].Impairments = &Impairments{Gain: 0.1, Phase: 1, Leakage: -45, Cubic: -0.1, Lasting: true}
	})
	toneUp(t, l)
	got := lines(t, l, 3500e6)
	near(t, "image", got.image-got.tone, -39.61, 0.2)
	near(t, "leakage", got.leakage-got.tone, -45+0.68, 0.2) // over a fundamental of 0.925
	near(t, "line at -3f", got.third-got.tone, -31.36, 0.2)
	x, err := l.ExpectTone("T4-0002", 1)
	if err != nil {
		t.Fatal(err)
	}
	loss, err := l.Loss("T4-0002", 1, 3503e6)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "power", got.tone+float64(loss), float64(x.Power), 0.1)
	if _, err := l.ExpectTone("T4-0001", 1); err == nil {
		t.Error("the truth about a tone of a unit that is off")
	}
}

// A skipped step of the bring-up shows.
func TestSkippedStepsShow(t *testing.T) {
	settled := func(u *client) { u.poll("CAL:TRAC:STAT?", "CONV") }
	for name, v := range map[string]struct {
		without []string
		check   func(*testing.T, *Lab, *client)
	}{
		"none": {nil, func(t *testing.T, l *Lab, u *client) {
			settled(u)
			got := lines(t, l, 3500e6)
			if image, leak := got.image-got.tone, got.leakage-got.tone; image > -59 || leak > -63 {
				t.Errorf("image %.1f, leakage %.1f dBc after everything", image, leak)
			}
		}},
		"synthesiser reset": {[]string{"SYNT:RES"}, func(t *testing.T, l *Lab, u *client) {
			if got := lines(t, l, 3500e6); got.tone > -40 {
				t.Errorf("tone of %.1f dBm at the new frequency", got.tone)
			}
			if got := lines(t, l, 3550e6); got.tone < -10 { // in the middle of the band, as after power-on
				t.Errorf("tone of %.1f dBm at the old frequency", got.tone)
			}
			u.want("CAL:INIT:FREQ?", "3.55E+09")
		}},
		"initial calibration": {[]string{"CAL:INIT"}, func(t *testing.T, l *Lab, u *client) {
			u.want("CAL:INIT:RES?;:CAL:TRAC:STAT?", "-1;FAIL")
			got := lines(t, l, 3500e6)
			if image, leak := got.image-got.tone, got.leakage-got.tone; image < -31 || leak < -31 {
				t.Errorf("image %.1f, leakage %.1f dBc without calibration", image, leak)
			}
		}},
		"tracking": {[]string{"CAL:TRAC ON"}, func(t *testing.T, l *Lab, u *client) {
			u.want("CAL:TRAC:STAT?", "OFF")
			got := lines(t, l, 3500e6)
			if image := got.image - got.tone; image < -49 || image > -41 {
				t.Errorf("image %.1f dBc without tracking", image)
			}
		}},
		"calibration at the new frequency": {nil, func(t *testing.T, l *Lab, u *client) {
			settled(u)
			u.do("OUTP OFF;:TIM OFF;:CARR:FREQ 3520 MHZ")
			u.want("SYNT:RES;*OPC?", "1")
			u.want("CAL:TRAC:STAT?;:CAL:INIT:FREQ?", "FAIL;3.5E+09") // left running, it lost its footing
			u.do("OUTP ON")
			got := lines(t, l, 3520e6)
			// 20 MHz of 170 are 42 degrees: what is left is 2 sin 21 degrees of the raw
			// image, 2.9 dB below it.
			if image := got.image - got.tone; image < -33 || image > -27 {
				t.Errorf("image %.1f dBc with the calibration of another frequency", image)
			}
		}},
		"timer": {nil, func(t *testing.T, l *Lab, u *client) {
			u.do("CARR:SOUR MOD")
			if got := lines(t, l, 3500e6); got.tone > -60 {
				t.Errorf("%.1f dBm from a test model without timer", got.tone)
			}
			u.do("TIM ON")
			if got := lines(t, l, 3500e6); got.tone < -60 {
				t.Errorf("%.1f dBm from a test model with timer", got.tone)
			}
		}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			l, _ := startLab(t, byHand)
			v.check(t, l, toneUp(t, l, v.without...))
		})
	}
}

// poll asks until the answer is as wanted.
func (c *client) poll(message, want string) {
	c.t.Helper()
	ctx, cancel := context.WithTimeout(c.t.Context(), 20*time.Second)
	defer cancel()
	for got := c.ask(message); got != want; got = c.ask(message) {
		if ctx.Err() != nil {
			c.t.Fatalf("%s still answers %s, want %s", message, got, want)
		}
	}
}
