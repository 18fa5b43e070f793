package procedure

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"benchyard/instruments/radiounit"
	"benchyard/instruments/rf"
	"benchyard/instruments/sim"
	"benchyard/jobs/conformance"
)

// transmitAll puts a configuration on the air through connector 1.
func (g *rig) transmitAll(t *testing.T, build string, c conformance.Configuration) Setup {
	t.Helper()
	s := g.kind.setup(t, conformance.Middle)
	carriers, err := conformance.PlaceConfiguration(g.kind.band, conformance.Middle, c)
	must(t, err)
	s.Subject.Carrier, s.Subject.Carriers = carriers[0], carriers
	s.Correction = g.paths[1]
	ctx := t.Context()
	must(t, g.unit.Mute(ctx))
	must(t, g.switcher.Connect(ctx, fmt.Sprint(g.slot*100+1)))
	must(t, g.unit.LoadBuild(ctx, build))
	duplex := map[bool]string{true: "TDD", false: "FDD"}[g.serial[0] == 'T']
	var told []radiounit.Carrier
	for _, k := range carriers {
		told = append(told, radiounit.Carrier{Center: k.Center, Bandwidth: k.Bandwidth, SCS: k.SCS, TestModel: "NR-FR1-TM1.1", Duplex: duplex, Power: s.Subject.CarrierPower()})
	}
	must(t, g.unit.ConfigureAll(ctx, told))
	must(t, g.unit.Transmit(ctx))
	for deadline := time.Now().Add(10 * time.Second); ; time.Sleep(time.Millisecond) {
		chill, err := g.lab.Chill(g.serial)
		must(t, err)
		if chill < 1e-3 {
			break
		}
		if time.Now().After(deadline) {
			t.Fatalf("%s did not get warm", g.serial)
		}
	}
	levels, err := Budget(Drive{RatedPower: s.Subject.RatedPower, Transmit: []rf.Range{s.Subject.RFBandwidth()}, Correction: s.Correction, GreatestSafe: 30})
	must(t, err)
	s.Attenuation, s.ReferenceLevel = levels.Attenuation, levels.ReferenceLevel
	return s
}

// truthOf returns what is on the air.
func (g *rig) truthOf(t *testing.T, s Setup, build string) *sim.Expectation {
	t.Helper()
	var all []sim.Carrier
	for _, k := range s.Subject.Carriers {
		all = append(all, sim.Carrier{Center: k.Center, Bandwidth: k.Bandwidth, SCS: k.SCS, Power: s.Subject.CarrierPower()})
	}
	x, err := g.lab.Expect(sim.Condition{Serial: g.serial, Build: build, Connector: 1, Carrier: all[0], More: all[1:]})
	must(t, err)
	return x
}

// Carriers on the air, of one spacing or each of its own: power of each, leakage and cumulative leakage in the
// gap, and the mask in the gap, against what the simulator transmits. Bounds: 0.2
// dB of the path table (0.4 for a ratio of two levels) and the scatter of figures.
func TestSeveralCarriersOnTheBench(t *testing.T) {
	lab := startLab(t, 1)
	const build = "2.4.0"
	for serial, c := range map[string]conformance.Configuration{
		"T4-0003": {Carriers: []conformance.Shape{{Bandwidth: 40e6, SCS: 15e3}, {Bandwidth: 100e6, SCS: 30e3}, {Bandwidth: 20e6, SCS: 60e3}}, Gaps: []rf.Hertz{0, 25e6}},
		"T4-0002": {Carriers: []conformance.Shape{{Bandwidth: 100e6, SCS: 30e3}, {Bandwidth: 40e6, SCS: 30e3}}, Gaps: []rf.Hertz{25e6}},
		"F2-0002": {Carriers: []conformance.Shape{{Bandwidth: 10e6, SCS: 15e3}, {Bandwidth: 5e6, SCS: 15e3}}, Gaps: []rf.Hertz{12e6}},
	} {
		t.Run(serial, func(t *testing.T) {
			g := newRig(t, lab, serial)
			s := g.transmitAll(t, build, c)
			x := g.truthOf(t, s, build)
			for key, r := range g.run(t, conformance.OutputPowerClause, s) {
				k := s.Subject.Carriers[len(strings.Split(key, "/"))-1]
				near(t, key, r.Value, float64(x.Power(k.Center, k.Bandwidth)), 0.25)
			}
			ratios, segments := 0, 0
			for key, r := range g.run(t, conformance.LeakageRatioClause, s) {
				if r.Requirement.Against == nil {
					continue
				}
				sum := 0.0
				for _, own := range r.Requirement.Against {
					sum += math.Pow(10, float64(x.Power((own.Low+own.High)/2, own.Width()))/10)
				}
				ratios++
				at := r.Requirement.Frequencies.Low
				near(t, key, r.Value, 10*math.Log10(sum)-float64(x.Power(at, r.Requirement.MeasurementBandwidth)), 0.45)
			}
			for key, r := range g.run(t, conformance.OperatingBandClause, s) {
				if strings.Contains(key, "/gap1/") {
					segments++
					near(t, key, r.Value, float64(x.Power(r.At, r.Requirement.MeasurementBandwidth)), 0.6)
				}
			}
			if ratios < 2 || segments < 2 {
				t.Errorf("%d ratios and %d segments in the gap", ratios, segments)
			}
		})
	}
}
