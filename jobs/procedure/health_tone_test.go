package procedure

import (
	"math"
	"math/cmplx"
	"strings"
	"testing"
	"time"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
)

// healthTraces sweeps planned cases where each stage has lines of its own at the
// connector.
func healthTraces(t *testing.T, s Setup, clause string, lines func(p Planned) []tone) []Trace {
	t.Helper()
	planned, err := Plan(clause, s)
	must(t, err)
	var traces []Trace
	for _, p := range planned {
		some, err := Acquire(t.Context(), &fake{floor: -175, path: s.Correction, tones: lines(p)}, []Planned{p})
		must(t, err)
		traces = append(traces, some...)
	}
	return traces
}

// values analyzes and returns the readings by what follows the clause in their key.
func values(t *testing.T, s Setup, clause string, traces []Trace) map[string]conformance.Reading {
	t.Helper()
	readings, err := Analyze(clause, s, traces)
	must(t, err)
	byKey := map[string]conformance.Reading{}
	for _, r := range readings {
		byKey[strings.TrimPrefix(r.Key, clause+"/")] = r
	}
	return byKey
}

// healthSetup is a kind in the middle of its band with a health test.
func (k kind) healthSetup(t *testing.T, h conformance.Health) Setup {
	t.Helper()
	s := k.setup(t, "M")
	s.Health, s.PlanName = &h, "p"
	return s
}

func decibels(x float64) *rf.DB { d := rf.DB(x); return &d }

// modulator is a quadrature modulator with a defect in each of its parts.
type modulator struct {
	gain, phase float64 // of the Q rail beside the I rail: dB, degrees
	offset      float64 // added constant
	cubic       float64 // of each rail: x + cubic*x^3
}

// line sends a tone of amplitude 1, five periods in 64 samples, and returns the
// amplitude at so many times its frequency: a discrete Fourier transform at that
// one place.
func (m modulator) line(times int) float64 {
	const n, periods = 64, 5
	g, phi := math.Pow(10, m.gain/20), m.phase*math.Pi/180
	sum := complex(0, 0)
	for i := range n {
		theta := 2 * math.Pi * periods * float64(i) / n
		x, y := math.Cos(theta), math.Sin(theta)
		x, y = x+m.cubic*x*x*x, y+m.cubic*y*y*y
		out := complex(x, 0) + complex(g*y, 0)*cmplx.Exp(complex(0, math.Pi/2+phi)) + complex(m.offset, 0)
		sum += out * cmplx.Exp(complex(0, -float64(times)*theta))
	}
	return cmplx.Abs(sum) / n
}

// lines places what the modulator sends around a carrier of that power.
func (m modulator) lines(st *Stage, power float64) []tone {
	var list []tone
	for _, times := range []int{1, 0, -1, -3, 3} {
		list = append(list, tone{st.at(rf.Hertz(times)), power + 20*math.Log10(m.line(times)+1e-12)})
	}
	return list
}

// Products of modulators whose closed forms are known (waveform facts 5.1 and 5.2):
// image ratio (1 + 2g cos + g^2)/(1 - 2g cos + g^2), leakage |d|, third-order
// product (|a|/4)/(1 + 3a/4).
func TestToneProductsAreTheClosedForms(t *testing.T) {
	limits := &conformance.Lines{Leakage: decibels(-30), Image: decibels(-35), Third: decibels(-50)}
	for _, k := range kinds() {
		for _, c := range []struct {
			name    string
			of      modulator
			product string
			want    float64
		}{
			{"rails by 0.1 dB and 1 degree", modulator{gain: 0.1, phase: 1}, "image", -39.61},
			{"rails by 0.1 dB", modulator{gain: 0.1}, "image", -44.80},
			{"rails by 1 degree", modulator{phase: 1}, "image", -41.18},
			{"rails by 1 dB and 5 degrees", modulator{gain: 1, phase: 5}, "image", -22.83},
			{"offset of a hundredth", modulator{offset: 0.01}, "leakage", -40},
			{"cubic of a tenth", modulator{cubic: -0.1}, "third", -31.36},
		} {
			t.Run(k.name+" "+c.name, func(t *testing.T) {
				s := k.healthSetup(t, conformance.Health{Before: limits, After: limits})
				power := float64(s.Subject.CarrierPower()) - 6
				got := values(t, s, conformance.ToneClause, healthTraces(t, s, conformance.ToneClause, func(p Planned) []tone {
					if p.Sweep.Gate != nil {
						t.Errorf("%s: a continuous tone behind a gate", p.Role)
					}
					if p.Stage.Calibration == Untracked {
						return c.of.lines(p.Stage, power)
					}
					return modulator{}.lines(p.Stage, power)
				}))
				near(t, c.product+" before tracking", got["before/"+c.product].Value, c.want, 0.01)
				for _, x := range products {
					if r := got["after/"+x.name]; r.Value > -75 {
						t.Errorf("%s of a perfect modulator: %.2f dB", x.name, r.Value)
					}
					if x.name != c.product && got["before/"+x.name].Value > -75 {
						t.Errorf("%s of a modulator that has none: %.2f dB", x.name, got["before/"+x.name].Value)
					}
				}
			})
		}
	}
}

// falling is a product that falls from one level to another with a time constant:
// dB, dB, seconds.
type falling struct{ from, to, constant float64 }

func (f falling) at(t float64) float64 { return f.to + (f.from-f.to)*math.Exp(-t/f.constant) }

// settlingTraces sweeps image and leakage every tenth of a second, and marks each
// sweep with the time it took.
func settlingTraces(t *testing.T, s Setup, image, leakage falling, rounds int) []Trace {
	t.Helper()
	const every = 0.1
	planned, err := Plan(conformance.ToneClause, s)
	must(t, err)
	var traces []Trace
	take := func(p Planned, at float64, unit *conformance.Observation) {
		power := float64(s.Subject.CarrierPower()) - 6
		f := fake{floor: -175, path: s.Correction, tones: []tone{
			{p.Stage.at(1), power}, {p.Stage.at(-1), power + image.at(at)}, {p.Stage.at(0), power + leakage.at(at)},
		}}
		some, err := Acquire(t.Context(), &f, []Planned{p})
		must(t, err)
		some[0].Unit = unit
		traces = append(traces, some...)
	}
	for _, p := range planned {
		if p.Stage.Calibration != Settling {
			take(p, 1e3, nil)
			continue
		}
		role := p.Role
		for n := range rounds {
			from := every * float64(n)
			p.Role = settlingRole(role, n+1)
			take(p, from+every/2, &conformance.Observation{Clock: conformance.RadioUnitClock, From: from, To: from + every})
		}
	}
	return traces
}

func settlingSetup(t *testing.T) Setup {
	t.Helper()
	return kinds()[0].healthSetup(t, conformance.Health{
		After: &conformance.Lines{Leakage: decibels(-45), Image: decibels(-50)}, Settle: 20 * time.Second,
	})
}

// A difference of D dB that falls with a time constant is down to 1 dB after the
// time constant times ln D: the slower of the two products counts.
func TestSettlingTimeIsThatOfAnExponential(t *testing.T) {
	s := settlingSetup(t)
	fast, slow := falling{-44, -62, 1}, falling{-40, -55, 1.5}
	for name, c := range map[string]struct {
		image, leakage falling
		want           float64
	}{
		"leakage slower":  {fast, slow, 1.5 * math.Log(15)},
		"image slower":    {slow, fast, 1.5 * math.Log(15)},
		"image alone":     {fast, falling{-60, -60, 1}, math.Log(18)},
		"nothing settles": {falling{-60, -60, 1}, falling{-60, -60, 1}, 0.05}, // within the first sweep
	} {
		t.Run(name, func(t *testing.T) {
			r := values(t, s, conformance.ToneClause, settlingTraces(t, s, c.image, c.leakage, 60))["settling"]
			// From the start of one sweep to the end of the next, 0.2 s.
			near(t, "settling time", r.Value, c.want, 0.1)
			half := map[bool]float64{true: 0.05, false: 0.1}[name == "nothing settles"]
			near(t, "its uncertainty", r.Uncertainty, 2*half/math.Sqrt(3), 1e-6) // rectangular, k = 2
		})
	}
}

// Traces that do not show the end of settling, or not when it was, give no figure.
func TestSettlingRefuses(t *testing.T) {
	s := settlingSetup(t)
	good := func(rounds int) []Trace {
		return settlingTraces(t, s, falling{-44, -62, 1}, falling{-60, -60, 1}, rounds)
	}
	still := good(60)
	for i := range still {
		still[i].Unit = nil
	}
	for name, c := range map[string]struct {
		traces []Trace
		want   string
	}{
		"too short": {good(10), "the image was still beside its final value of -62.0 dB"},
		"no time":   {still, `trace "settling/leakage/1" has no time`},
		"no sweeps": {good(0), "there is no sweep of the leakage while tracking settles"},
	} {
		t.Run(name, func(t *testing.T) { refused(t, s, conformance.ToneClause, c.traces, c.want) })
	}
}

// refused holds that traces give an error that says so, and no figure.
func refused(t *testing.T, s Setup, clause string, traces []Trace, want string) {
	t.Helper()
	readings, err := Analyze(clause, s, traces)
	if err == nil || readings != nil || !strings.Contains(err.Error(), want) {
		t.Errorf("%d readings, %v; want the reason %q", len(readings), err, want)
	}
}

// A tone that is not there, a sweep that is missing and one that answers another
// question are refused with the sweep and what to do.
func TestToneRefuses(t *testing.T) {
	s := kinds()[0].healthSetup(t, conformance.Health{After: &conformance.Lines{Image: decibels(-50)}})
	taken := func(below float64) []Trace {
		return healthTraces(t, s, conformance.ToneClause, func(p Planned) []tone {
			return modulator{gain: 0.1}.lines(p.Stage, float64(s.Subject.CarrierPower())-6-below)
		})
	}
	for name, c := range map[string]struct {
		spoil func([]Trace) []Trace
		want  string
	}{
		"no tone":      {func([]Trace) []Trace { return taken(15.1) }, "no tone arrives; look at cable, switch and unit"},
		"no trace":     {func(l []Trace) []Trace { return l[:1] }, `there is no trace "after/image"`},
		"not measured": {func(l []Trace) []Trace { l[0].Spectrum.Levels[3] = math.NaN(); return l }, `trace "after/tone"`},
		"other filter": {func(l []Trace) []Trace { l[0].Spectrum.RBW *= 2; return l }, "was taken through a filter of 2 kHz"},
		"other place":  {func(l []Trace) []Trace { l[0].Spectrum.Start += 1e6; return l }, `trace "after/tone" runs from`},
		"fewer points": {func(l []Trace) []Trace { l[0].Spectrum.Levels = l[0].Spectrum.Levels[1:]; return l }, `trace "after/tone" has`},
	} {
		t.Run(name, func(t *testing.T) {
			refused(t, s, conformance.ToneClause, c.spoil(taken(0)), c.want)
		})
	}
	if got := values(t, s, conformance.ToneClause, taken(14.9)); math.Abs(got["after/image"].Value+44.80) > 0.01 {
		t.Errorf("a unit 14.9 dB low: image %.2f dB", got["after/image"].Value)
	}
}

// A tone whose product leaves the channel, several carriers, and a health test
// without a plan are refused before anything is swept.
func TestHealthPlanRefuses(t *testing.T) {
	limits := conformance.Health{After: &conformance.Lines{Image: decibels(-50)}}
	wide := limits
	wide.Offset = 17 * rf.Megahertz // a sixth of 100 MHz is 16.7
	two := kinds()[0].healthSetup(t, limits)
	two.Subject.Carriers = []conformance.Carrier{two.Subject.Carrier, two.Subject.Carrier}
	none := kinds()[0].setup(t, "M")
	for want, s := range map[string]Setup{
		"third-order product outside the channel": kinds()[0].healthSetup(t, wide),
		"made with one carrier":                   two,
		"no plan says what to measure":            none,
		"no requirement applies":                  kinds()[0].healthSetup(t, conformance.Health{}),
	} {
		if planned, err := Plan(conformance.ToneClause, s); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%d sweeps, %v; want the reason %q", len(planned), err, want)
		}
	}
}
