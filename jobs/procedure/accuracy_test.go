package procedure

import (
	"math"
	"strings"
	"testing"

	"benchyard/instruments/rf"
	"benchyard/instruments/sim"
	"benchyard/jobs/conformance"
)

// The accuracy that readings must keep against what the simulator transmits, in
// decibels; an occupied bandwidth has one trace step and 0.2 % of its own.
const (
	powerAccuracy    = 0.1
	ratioAccuracy    = 0.3
	emissionAccuracy = 0.5
	occupiedAccuracy = 2e-3
)

// clear is how far, in dB, a level must stand above the noise of the analyzer to
// be compared with the truth alone: the noise then adds 0.14 dB. Closer to it the
// noise, which the test knows, is added to the truth.
const clear = 15

// Every clause, measured over TCP through the real drivers, comes within the
// accuracy of what a sound unit of either type transmits in all its channels.
func TestAccuracy(t *testing.T) {
	lab := startLab(t, 1)
	for _, serial := range []string{soundUnit(t, lab, "T4"), soundUnit(t, lab, "F2")} {
		t.Run(serial, func(t *testing.T) {
			g := newRig(t, lab, serial)
			for _, ch := range []conformance.RFChannel{conformance.Bottom, conformance.Middle, conformance.Top} {
				for connector := 1; connector <= 2; connector++ {
					g.compare(t, "2.4.0", ch, connector)
				}
			}
			g.report(t)
		})
	}
}

// The same holds for every unit with something wrong, where it is wrong: lines,
// harmonics, regrowth, a carrier too wide or too weak.
func TestAccuracyOfFaults(t *testing.T) {
	for _, seed := range []uint64{2, 3} {
		lab := startLab(t, seed)
		for _, fault := range lab.Config().Faults {
			t.Run(string(fault.Kind), func(t *testing.T) {
				g := newRig(t, lab, fault.Serial)
				g.compare(t, "2.5.0", conformance.Top, max(fault.Connector, 1))
				must(t, g.unit.Mute(t.Context()))
				g.report(t)
			})
		}
		if damaged := lab.Damaged(); len(damaged) > 0 {
			t.Errorf("seed %d: the analyzer was damaged: %v", seed, damaged)
		}
	}
}

// soundUnit returns the first unit of a type that nothing is wrong with.
func soundUnit(t *testing.T, lab *sim.Lab, prefix string) string {
	t.Helper()
	faulty := map[string]bool{}
	for _, f := range lab.Config().Faults {
		faulty[f.Serial] = true
	}
	for _, u := range lab.Config().Units {
		if u.Serial[:2] == prefix && !faulty[u.Serial] {
			return u.Serial
		}
	}
	t.Fatalf("every %s unit has a fault", prefix)
	return ""
}

// compare measures all clauses under one condition and holds them against it.
func (g *rig) compare(t *testing.T, build string, ch conformance.RFChannel, connector int) {
	t.Helper()
	s := g.transmit(t, build, ch, connector)
	x := g.expect(t, s, build, connector)
	name := g.serial + " " + string(ch) + " "

	power := g.run(t, conformance.OutputPowerClause, s)["6.2"]
	g.held(t, name+"6.2 / dB", power.Value, float64(x.ChannelPower()), powerAccuracy)

	width, _, _ := x.OccupiedBandwidth()
	occupied := g.run(t, conformance.OccupiedBandwidthClause, s)["6.6.2"]
	g.held(t, name+"6.6.2 / Hz", occupied.Value, float64(width), 15e3+occupiedAccuracy*float64(width))

	ratios := g.run(t, conformance.LeakageRatioClause, s)
	for n, key := range map[int]string{-2: "6.6.3/lower/2", -1: "6.6.3/lower/1", 1: "6.6.3/upper/1", 2: "6.6.3/upper/2"} {
		g.held(t, name+key+" / dB", ratios[key].Value, float64(x.LeakageRatio(n)), ratioAccuracy)
	}
	for key, r := range ratios {
		if strings.Contains(key, "e-utra") {
			g.held(t, name+key+" / dB", r.Value, float64(x.CarrierPower().Sub(x.Power(r.At, r.Requirement.MeasurementBandwidth))), ratioAccuracy)
		}
	}
	for _, clause := range []string{conformance.OperatingBandClause, conformance.SpuriousEmissionsClause} {
		for key, r := range g.run(t, clause, s) {
			g.compareEmission(t, name+key+" / dB", s, connector, x, r)
		}
	}
}

// compareEmission holds the worst point of a series against the truth at that
// frequency, and against the strongest there is where the limit is flat.
func (g *rig) compareEmission(t *testing.T, name string, s Setup, connector int, x *sim.Expectation, r conformance.Result) {
	t.Helper()
	width := r.Requirement.MeasurementBandwidth
	seen, over := g.seen(t, s, connector, x.Power(r.At, width), r.At, width)
	switch {
	case over >= clear:
		g.held(t, name, r.Value, float64(x.Power(r.At, width)), emissionAccuracy)
	case r.Requirement.Frequencies.High > harmonicsFrom:
		g.held(t, name+" with noise", r.Value, seen, emissionAccuracy)
	}
	worst, at := x.Worst(r.Requirement.Frequencies, width)
	if _, over := g.seen(t, s, connector, worst, at, width); over >= clear && r.Requirement.UpperTo == nil {
		g.held(t, name+" worst", r.Value, float64(worst), emissionAccuracy)
	}
}

// seen adds to a level at the connector what the analyzer itself contributes,
// -158 dBm/Hz and its attenuation, behind the path. over is how far the level
// stands above that.
func (g *rig) seen(t *testing.T, s Setup, connector int, level rf.DBm, at, width rf.Hertz) (sum float64, over rf.DB) {
	t.Helper()
	loss, err := g.lab.Loss(g.serial, connector, at)
	must(t, err)
	noise := rf.DBm(-158).Add(s.Attenuation + loss + rf.FromRatio(float64(width)))
	return float64(rf.FromMilliwatts(level.Milliwatts() + noise.Milliwatts())), level.Sub(noise)
}

// held compares a figure and keeps the greatest deviation of its kind.
func (g *rig) held(t *testing.T, name string, got, want, tol float64) {
	t.Helper()
	near(t, name, got, want, tol)
	kind := name[len(g.serial)+3:]
	if g.worst == nil {
		g.worst = map[string]float64{}
	}
	g.worst[kind] = max(g.worst[kind], math.Abs(got-want))
}

// report logs the greatest deviations, so that a look at the log shows how much
// of the accuracy is used up.
func (g *rig) report(t *testing.T) {
	t.Helper()
	for kind, deviation := range g.worst {
		t.Logf("%-28s off by at most %.4g", kind, deviation)
	}
}

// A reading of a TDD unit that is not gated loses its duty cycle, more than a
// decibel; the plan of the procedure, which gates it, does not.
func TestUngatedUnit(t *testing.T) {
	lab := startLab(t, 1)
	g := newRig(t, lab, soundUnit(t, lab, "T4"))
	s := g.transmit(t, "2.4.0", conformance.Middle, 1)
	truth := float64(g.expect(t, s, "2.4.0", 1).ChannelPower())
	near(t, "gated / dBm", g.run(t, conformance.OutputPowerClause, s)["6.2"].Value, truth, powerAccuracy)
	s.Duplex = "FDD"
	ungated := g.run(t, conformance.OutputPowerClause, s)["6.2"].Value
	if truth-ungated < 1 {
		t.Errorf("ungated reading %.2f dBm, truth %.2f dBm: want more than 1 dB between them", ungated, truth)
	}
}
