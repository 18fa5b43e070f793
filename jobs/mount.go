package jobs

import (
	"fmt"
	"math"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
	"benchyard/jobs/lab"
	"benchyard/jobs/plan"
	"benchyard/jobs/procedure"
)

// mount is a radio unit in its slot: all that can be said about measuring it
// before anything is switched on.
type mount struct {
	unit     lab.RadioUnit
	kind     lab.RadioUnitType
	bench    lab.Bench
	analyzer lab.Instrument
	lab      *lab.Lab

	// Of a unit on the shelf: the places it could be mounted in, and the slots by
	// bench that settle found good. Nil for a unit in its slot.
	places []*mount
	fits   map[string][]int
}

// findMount returns the unit of a serial number with all that belongs to its
// place, or says what is missing and what to do.
func findMount(l *lab.Lab, serial string) (*mount, error) {
	u, ok := l.Unit(serial)
	if !ok {
		return nil, fmt.Errorf("%s is not in the inventory of %s; add it under radio_units", serial, l.Name)
	}
	if !u.Mounted() {
		return nil, fmt.Errorf("%s is on no bench; give it a bench, a slot and a resource in the inventory, and mount: by hand if it comes from the shelf", serial)
	}
	m := &mount{unit: u, lab: l}
	if m.kind, ok = l.Type(u.Type); !ok {
		return nil, fmt.Errorf("%s has the type %s, which is not in the inventory", serial, u.Type)
	}
	if m.bench, ok = l.Bench(u.Bench); !ok {
		return nil, fmt.Errorf("%s is mounted on %s, which is not in the inventory", serial, u.Bench)
	}
	if m.analyzer, ok = l.Instrument(m.bench.Analyzer); !ok {
		return nil, fmt.Errorf("bench %s has no analyzer", u.Bench)
	}
	return m, nil
}

// DeclarationOf puts what the maker declares into the words of the limits.
func DeclarationOf(t lab.RadioUnitType) conformance.Declaration {
	return conformance.Declaration{
		Class: conformance.Class(t.Class), Category: t.Category, CategoryBOption: t.CategoryBOption,
		Type: conformance.Type(t.Type), RatedPower: t.RatedPower, TotalPower: t.TotalPower,
		TransmitUnits: t.TransmitUnits, Options: t.Options,
	}
}

// transmitRanges returns the downlink of every band the type supports.
func transmitRanges(t lab.RadioUnitType) ([]rf.Range, error) {
	var ranges []rf.Range
	for _, c := range t.Carriers {
		band, err := conformance.BandByName(c.Band)
		if err != nil {
			return nil, err
		}
		ranges = append(ranges, band.DL)
	}
	return ranges, nil
}

// target tells a plan what it must know of the unit and its place.
func (m *mount) target() plan.Target {
	target := targetOf(m.kind)
	target.ByHand = m.bench.ByHand()
	return target
}

// greatestPower is the most that a type is rated for at a connector, with
// however many carriers.
func greatestPower(t lab.RadioUnitType) rf.DBm {
	if t.TotalPower != nil {
		return *t.TotalPower
	}
	return t.RatedPower
}

// levels computes the attenuation budget of one connector at which the carriers
// have that power together.
func (m *mount) levels(connector int, power rf.DBm) (lab.Path, procedure.Levels, error) {
	path, ok := m.lab.PathFor(m.unit.Bench, m.unit.Slot, connector)
	if !ok {
		return path, procedure.Levels{}, fmt.Errorf("%s slot %d connector %d has no path to the analyzer; add it under paths", m.unit.Bench, m.unit.Slot, connector)
	}
	transmit, err := transmitRanges(m.kind)
	if err != nil {
		return path, procedure.Levels{}, err
	}
	levels, err := procedure.Budget(procedure.Drive{
		RatedPower: power, Transmit: transmit, Correction: path.Correction, Bypassable: path.Bypassable, GreatestSafe: m.analyzer.MaxInput,
	})
	if err != nil {
		return path, levels, fmt.Errorf("%s slot %d connector %d: %w", m.unit.Bench, m.unit.Slot, connector, err)
	}
	return path, levels, nil
}

// setup returns what the sweeps and figures of a case depend on.
func (m *mount) setup(c plan.Case) (procedure.Setup, error) {
	subject := c.Subject(DeclarationOf(m.kind))
	path, levels, err := m.levels(c.Connector, subject.ConnectorPower())
	if err != nil {
		return procedure.Setup{}, err
	}
	band, err := conformance.BandByName(c.Carrier.Band)
	if err != nil {
		return procedure.Setup{}, err
	}
	return procedure.Setup{
		Subject:    subject,
		Correction: path.Correction, Accuracy: m.accuracy(path), Attenuation: levels.Attenuation, ReferenceLevel: levels.ReferenceLevel,
		Duplex: band.Duplex, AnalyzerRange: m.analyzer.Frequency, LessFloor: c.LessFloor,
		Health: c.Health, PlanName: c.Plan,
	}, nil
}

// accuracy is what the inventory knows of a measurement beside the correction. Where
// the path was measured as a whole, the level error of the analyzer and the mismatch
// at its input are in the correction already and do not count twice; what remains
// of the analyzer is in the correction's uncertainty too.
func (m *mount) accuracy(p lab.Path) procedure.Accuracy {
	a := procedure.Accuracy{
		Level: m.analyzer.LevelUncertainty, InputSWR: m.analyzer.InputSWR, PathSWR: p.SWR, OutputSWR: m.kind.OutputSWR,
		Repeatability: p.Repeatability, Repeats: p.Repeats,
	}
	if p.Approved != nil && p.Approved.Analyzer != "" {
		a.Level, a.InputSWR = 0, 0
	}
	return a
}

// gated refuses a case on a TDD carrier where the analyzer of the bench cannot open
// a gate. Bring-up and every clause look at such a carrier within its ON period only.
// The inventory is the one whose dialects will be spoken.
func (m *mount) gated(c plan.Case, spoken *lab.Lab) error {
	band, err := conformance.BandByName(c.Carrier.Band)
	if err != nil || band.Duplex != "TDD" {
		return err
	}
	b, ok := spoken.Bench(m.bench.Name)
	if !ok {
		return fmt.Errorf("bench %s is not in the inventory of %s", m.bench.Name, spoken.Name)
	}
	if err := spoken.Gates(b); err != nil {
		return fmt.Errorf("band %s is TDD: %w", band.Name, err)
	}
	return nil
}

// check returns every reason why the cases cannot be measured in this place with the
// dialects of an inventory, which is that of the mount or a newer one.
func (m *mount) check(cases []plan.Case, spoken *lab.Lab) []string {
	var problems []string
	seen := map[string]bool{}
	report := func(err error) {
		if err != nil && !seen[err.Error()] {
			seen[err.Error()] = true
			problems = append(problems, fmt.Sprintf("%s: %v", m.unit.Serial, err))
		}
	}
	report(m.lacks())
	for _, c := range cases {
		setup, err := m.setup(c)
		if err == nil {
			err = procedure.Coverage(c.Clause, setup)
		}
		report(err)
		report(m.gated(c, spoken))
	}
	return problems
}

// probesOf returns the looks for power that the safe state of a bench takes:
// the downlink of every band that a unit on it can transmit on, with the input
// attenuation that stands the strongest of them: a unit that was left on may transmit several carriers.
func probesOf(l *lab.Lab, bench string) ([]probe, error) {
	var probes []probe
	found := map[rf.Range]int{}
	for _, u := range l.UnitsOn(bench) {
		m, err := findMount(l, u.Serial)
		if err != nil {
			return nil, err
		}
		ranges, err := transmitRanges(m.kind)
		if err != nil {
			return nil, err
		}
		for connector := 1; connector <= m.kind.Connectors; connector++ {
			path, levels, err := m.levels(connector, greatestPower(m.kind))
			if err != nil {
				return nil, err
			}
			for _, r := range ranges {
				if _, ok := found[r]; !ok {
					found[r] = len(probes)
					probes = append(probes, probe{Sweep: quietSweep(r)})
				}
				p := &probes[found[r]]
				p.Loss = max(p.Loss, greatestLoss(path.Correction, r))
				p.Sweep.Attenuation = max(p.Sweep.Attenuation, levels.Attenuation)
				p.Sweep.ReferenceLevel = max(p.Sweep.ReferenceLevel, levels.ReferenceLevel)
			}
		}
	}
	return probes, nil
}

// quietSweep is a quick look over a range: in 1 MHz a carrier of any class
// stands above quietLevel, and the noise of the analyzer below it.
func quietSweep(r rf.Range) rf.Sweep {
	return rf.Sweep{
		Start: r.Low, Stop: r.High, RBW: rf.Megahertz, ReferenceLevel: -200,
		Points: 1 + int(math.Ceil(float64(r.Width()/(rf.Megahertz/2)))),
	}
}

// greatestLoss returns the largest loss of the table in r; the ends count when
// the table reaches them.
func greatestLoss(c rf.Correction, r rf.Range) rf.DB {
	var greatest rf.DB
	for _, f := range []rf.Hertz{r.Low, r.High} {
		if loss, _, err := c.At(f); err == nil {
			greatest = max(greatest, loss)
		}
	}
	for _, p := range c {
		if r.Contains(p.Frequency) {
			greatest = max(greatest, p.Loss)
		}
	}
	return greatest
}
