package procedure

import (
	"fmt"
	"testing"
	"time"

	"benchyard/instruments/analyzer"
	"benchyard/instruments/dialect"
	"benchyard/instruments/radiounit"
	"benchyard/instruments/rf"
	"benchyard/instruments/scpi"
	"benchyard/instruments/sim"
	"benchyard/instruments/supply"
	"benchyard/instruments/switcher"
	"benchyard/jobs/conformance"

	"github.com/goccy/go-yaml"
)

// rig is one bench of the simulated lab with a radio unit on the air, driven by
// the real drivers over TCP.
type rig struct {
	lab      *sim.Lab
	kind     kind
	serial   string
	slot     int
	analyzer *analyzer.Analyzer
	switcher *switcher.Switcher
	unit     *radiounit.RadioUnit
	paths    map[int]rf.Correction // by connector
	worst    map[string]float64    // greatest deviations seen, by figure
}

// inventory is the part of the lab document that holds the signal paths.
type inventory struct {
	Paths []struct {
		Bench           string
		Slot, Connector int
		Correction      rf.Correction
	}
}

// tables reads the correction tables of one slot, by connector.
func tables(t *testing.T, document []byte, bench string, slot int) map[int]rf.Correction {
	t.Helper()
	var doc inventory
	must(t, yaml.Unmarshal(document, &doc))
	out := map[int]rf.Correction{}
	for _, p := range doc.Paths {
		if p.Bench != bench || p.Slot != slot {
			continue
		}
		out[p.Connector] = p.Correction
		must(t, out[p.Connector].Validate())
	}
	return out
}

// speed makes minutes of sweeping milliseconds.
const speed = 1e6

// startLab runs the invented lab of a seed until the test ends.
func startLab(t *testing.T, seed uint64) *sim.Lab {
	t.Helper()
	config := sim.Demo(seed)
	config.Speed = speed
	for i := range config.Types { // the bring-up is not what is tested here
		config.Types[i].SelfTuning = true
	}
	lab, err := sim.Start(t.Context(), config, nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := lab.Close(); err != nil {
			t.Error(err)
		}
	})
	return lab
}

// dial opens a session to an instrument of the lab.
func dial(t *testing.T, lab *sim.Lab, name string) *scpi.Session {
	t.Helper()
	text, err := lab.Resource(name)
	if err != nil {
		t.Fatal(err)
	}
	resource, err := scpi.ParseResource(text)
	if err != nil {
		t.Fatal(err)
	}
	session, err := scpi.Dial(t.Context(), resource, scpi.Config{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = session.Close() })
	return session
}

// newRig powers a bench and prepares its analyzer for a unit.
func newRig(t *testing.T, lab *sim.Lab, serial string) *rig {
	t.Helper()
	g := &rig{lab: lab, serial: serial, kind: kinds()[0]}
	if serial[0] == 'F' {
		g.kind = kinds()[1]
	}
	var bench string
	for _, u := range lab.Config().Units {
		if u.Serial == serial {
			bench, g.slot = u.Bench, u.Slot
		}
	}
	g.paths = tables(t, lab.Inventory(), bench, g.slot)
	g.analyzer = analyzer.New(dial(t, lab, bench+"-analyzer"), dialect.Standard("analyzer"))
	g.switcher = switcher.New(dial(t, lab, bench+"-switcher"), dialect.Standard("switcher"))
	g.unit = radiounit.New(dial(t, lab, serial), dialect.Standard(radiounit.Role))
	rail := supply.New(dial(t, lab, bench+"-supply"), dialect.Standard("supply"))
	if err := g.analyzer.Prepare(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := rail.Set(t.Context(), 48, 20); err != nil {
		t.Fatal(err)
	}
	if err := rail.On(t.Context()); err != nil {
		t.Fatal(err)
	}
	return g
}

// transmit puts the unit on the air at an RF channel, through one connector, and
// waits until its amplifier is warm.
func (g *rig) transmit(t *testing.T, build string, ch conformance.RFChannel, connector int) Setup {
	t.Helper()
	s := g.kind.setup(t, ch)
	s.Correction = g.paths[connector]
	carrier := s.Subject.Carrier
	ctx := t.Context()
	must(t, g.unit.Mute(ctx))
	must(t, g.switcher.Connect(ctx, fmt.Sprint(g.slot*100+connector)))
	must(t, g.unit.LoadBuild(ctx, build))
	duplex := map[bool]string{true: "TDD", false: "FDD"}[g.serial[0] == 'T']
	must(t, g.unit.Configure(ctx, radiounit.Carrier{
		Center: carrier.Center, Bandwidth: carrier.Bandwidth, SCS: carrier.SCS,
		TestModel: "NR-FR1-TM1.1", Duplex: duplex, Power: s.Subject.RatedPower,
	}))
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
	levels, err := Budget(Drive{RatedPower: s.Subject.RatedPower, Transmit: []rf.Range{carrier.Edges()}, Correction: s.Correction, GreatestSafe: 30})
	must(t, err)
	s.Attenuation, s.ReferenceLevel = levels.Attenuation, levels.ReferenceLevel
	return s
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// expect returns the truth about what is on the air.
func (g *rig) expect(t *testing.T, s Setup, build string, connector int) *sim.Expectation {
	t.Helper()
	c := s.Subject.Carrier
	x, err := g.lab.Expect(sim.Condition{Serial: g.serial, Build: build, Connector: connector, Carrier: sim.Carrier{
		Center: c.Center, Bandwidth: c.Bandwidth, SCS: c.SCS, Power: s.Subject.RatedPower,
	}})
	must(t, err)
	return x
}

// run takes one clause over TCP and judges it.
func (g *rig) run(t *testing.T, clause string, s Setup) map[string]conformance.Result {
	t.Helper()
	planned, err := Plan(clause, s)
	must(t, err)
	traces, err := Acquire(t.Context(), g.analyzer, planned)
	must(t, err)
	readings, err := Analyze(clause, s, traces)
	must(t, err)
	requirements, err := conformance.Requirements(s.Subject, clause)
	must(t, err)
	results, err := conformance.Judge(requirements, readings, conformance.DecisionRule{Name: "shared-risk"})
	must(t, err)
	byKey := map[string]conformance.Result{}
	for _, r := range results {
		byKey[r.Requirement.Key] = r
	}
	return byKey
}
