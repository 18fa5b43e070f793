package procedure

import (
	"context"
	"math"
	"math/rand/v2"
	"testing"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"

	"gonum.org/v1/gonum/stat/distuv"
)

// band is noise of one density between two frequencies.
type band struct {
	low, high rf.Hertz
	power     float64 // dBm over the whole band
}

// tone is a line.
type tone struct {
	at    rf.Hertz
	power float64 // dBm
}

// fake is an analyzer that answers with closed forms: bands and lines at the
// connector, weakened by the path, through a Gaussian filter. With a seed its
// noise scatters as RBW * dwell * averages independent samples do.
type fake struct {
	bands []band
	tones []tone
	floor float64 // analyzer noise, dBm/Hz at its input
	path  rf.Correction
	seed  uint64 // zero: no scatter
	duty  float64
	asked []rf.Sweep
}

// gaussianFactor is noise bandwidth over 3 dB bandwidth of a Gaussian filter
// (facts/metrology.md 4.3).
var gaussianFactor = math.Sqrt(math.Pi / (4 * math.Ln2))

func (f *fake) Sweep(ctx context.Context, s rf.Sweep) (rf.Spectrum, error) {
	if err := ctx.Err(); err != nil {
		return rf.Spectrum{}, err
	}
	f.asked = append(f.asked, s)
	out := rf.Spectrum{
		Start: s.Start, Step: (s.Stop - s.Start) / rf.Hertz(s.Points-1), RBW: s.RBW,
		NoiseBandwidth: s.RBW * rf.Hertz(gaussianFactor), Levels: make([]float64, s.Points),
	}
	n := float64(s.RBW) * s.SweepTime.Seconds() / float64(s.Points) * float64(max(s.Averages, 1))
	gamma := distuv.Gamma{Alpha: n, Beta: n, Src: rand.NewPCG(f.seed, uint64(len(f.asked)))}
	on := 1.0
	if s.Gate == nil && f.duty > 0 {
		on = f.duty
	}
	for i := range out.Levels {
		at := out.Frequency(i)
		loss, _, err := f.path.At(min(at, f.path.Range().High))
		if err != nil {
			return rf.Spectrum{}, err
		}
		noise := on*f.density(at, s.RBW)/loss.Ratio() + math.Pow(10, f.floor/10)
		if f.seed != 0 {
			noise *= gamma.Rand()
		}
		p := noise*float64(out.NoiseBandwidth) + on*f.lines(at, s.RBW)/loss.Ratio()
		out.Levels[i] = 10 * math.Log10(p)
	}
	return out, nil
}

// density of all bands seen through the filter at a frequency, mW/Hz.
func (f *fake) density(at, rbw rf.Hertz) float64 {
	sum := 0.0
	for _, b := range f.bands {
		share := func(edge rf.Hertz) float64 {
			return 0.5 * math.Erf(2*math.Sqrt(math.Ln2)*float64((edge-at)/rbw))
		}
		sum += math.Pow(10, b.power/10) / float64(b.high-b.low) * (share(b.high) - share(b.low))
	}
	return sum
}

func (f *fake) lines(at, rbw rf.Hertz) float64 {
	sum := 0.0
	for _, t := range f.tones {
		x := float64((at - t.at) / rbw)
		sum += math.Pow(10, t.power/10) * math.Exp(-4*math.Ln2*x*x)
	}
	return sum
}

// kind is one of the two sorts of radio unit that the tests measure.
type kind struct {
	name        string
	band        string
	bw, scs     rf.Hertz
	pad         rf.DB
	declaration conformance.Declaration
}

// kinds are a TDD unit around 3.5 GHz and an FDD unit below 2.2 GHz.
func kinds() []kind {
	return []kind{
		{"TDD", "n78", 100e6, 30e3, 40, conformance.Declaration{Class: conformance.MediumRange, Category: "A", Type: conformance.Type1C, RatedPower: 37}},
		{"FDD", "n1", 20e6, 15e3, 50, conformance.Declaration{Class: conformance.WideArea, Category: "A", Type: conformance.Type1C, RatedPower: 46}},
	}
}

// setup places the carrier of a kind behind a path that loses more with frequency.
func (k kind) setup(t *testing.T, ch conformance.RFChannel) Setup {
	t.Helper()
	carrier, err := conformance.Place(k.band, ch, k.bw, k.scs)
	if err != nil {
		t.Fatal(err)
	}
	return Setup{
		Subject:     conformance.Subject{Declaration: k.declaration, Carrier: carrier},
		Correction:  k.path(),
		Attenuation: 6, ReferenceLevel: 13,
	}
}

// path is the table of the signal path of a kind.
func (k kind) path() rf.Correction {
	return rf.Correction{
		{Frequency: 9e3, Loss: k.pad - 0.5, Uncertainty: 0.2},
		{Frequency: 3e9, Loss: k.pad, Uncertainty: 0.25},
		{Frequency: 26.5e9, Loss: k.pad + 3, Uncertainty: 0.3},
	}
}

// source makes a clean carrier at rated power for a setup: leakage of the given
// ratio below it, flat over the neighbouring channels, and an analyzer that adds
// next to nothing.
func source(s Setup, ratio float64) *fake {
	c, p := s.Subject.Carrier, float64(s.Subject.RatedPower)
	f := &fake{floor: -175, path: s.Correction, bands: []band{{c.Center - c.Configured()/2, c.Center + c.Configured()/2, p}}}
	for _, n := range []rf.Hertz{-2, -1, 1, 2} {
		at := c.Center + n*c.Bandwidth
		f.bands = append(f.bands, band{at - c.Bandwidth/2, at + c.Bandwidth/2, p - ratio + 10*math.Log10(float64(c.Bandwidth/c.Configured()))})
	}
	return f
}

// measure runs a clause from plan to results, under shared risk.
func measure(t *testing.T, clause string, s Setup, f *fake) map[string]conformance.Result {
	t.Helper()
	planned, err := Plan(clause, s)
	if err != nil {
		t.Fatal(err)
	}
	traces, err := Acquire(t.Context(), f, planned)
	if err != nil {
		t.Fatal(err)
	}
	readings, err := Analyze(clause, s, traces)
	if err != nil {
		t.Fatal(err)
	}
	requirements, err := conformance.Requirements(s.Subject, clause)
	if err != nil {
		t.Fatal(err)
	}
	results, err := conformance.Judge(requirements, readings, conformance.DecisionRule{Name: "shared-risk"})
	if err != nil {
		t.Fatal(err)
	}
	byKey := map[string]conformance.Result{}
	for _, r := range results {
		byKey[r.Requirement.Key] = r
	}
	return byKey
}

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if math.IsNaN(got) || math.Abs(got-want) > tol {
		t.Errorf("%s: got %.6g, want %.6g within %g", what, got, want, tol)
	}
}

func verdict(t *testing.T, r conformance.Result, want conformance.Verdict) {
	t.Helper()
	if r.Verdict != want {
		t.Errorf("%s: %s with %.6g %s, margin %.3g; want %s", r.Requirement.Key, r.Verdict, r.Value, r.Requirement.Unit, r.Margin, want)
	}
}
