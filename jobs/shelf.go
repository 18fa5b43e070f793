package jobs

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
	"benchyard/jobs/lab"
	"benchyard/jobs/plan"
)

// findPlace is findMount for a unit that may be on the shelf: then it is mounted in
// thought in every slot with a path from each of its connectors. The first of them
// stands for all in what is the same everywhere; settle finds which of them will do.
func findPlace(l *lab.Lab, serial string) (*mount, error) {
	u, ok := l.Unit(serial)
	if !ok || u.Mounted() {
		return findMount(l, serial)
	}
	kind, ok := l.Type(u.Type)
	if !ok {
		return nil, fmt.Errorf("%s has the type %s, which is not in the inventory", serial, u.Type)
	}
	var places []*mount
	for _, b := range l.Benches {
		analyzer, ok := l.Instrument(b.Analyzer)
		if !ok {
			continue
		}
		for slot := 1; slot <= b.Slots; slot++ {
			there := u
			there.Bench, there.Slot = b.Name, slot
			m := &mount{unit: there, kind: kind, bench: b, analyzer: analyzer, lab: l}
			if m.reached() {
				places = append(places, m)
			}
		}
	}
	if places == nil {
		return nil, fmt.Errorf("%s is on the shelf, and no slot of any bench has a path from each of the %d connectors of a %s; add the paths, or mount it where they are",
			serial, kind.Connectors, kind.Name)
	}
	// A bench without switch matrix measures in another order: all places of a run
	// must be alike in that.
	slices.SortStableFunc(places, func(a, b *mount) int { return boolCompare(a.bench.ByHand(), b.bench.ByHand()) })
	first := *places[0]
	first.places = slices.DeleteFunc(places, func(m *mount) bool { return m.bench.ByHand() != first.bench.ByHand() })
	return &first, nil
}

func boolCompare(a, b bool) int {
	switch {
	case a == b:
		return 0
	case b:
		return -1
	}
	return 1
}

// reached reports whether a path leads from every connector of the unit.
func (m *mount) reached() bool {
	for connector := 1; connector <= m.kind.Connectors; connector++ {
		if _, ok := m.lab.PathFor(m.unit.Bench, m.unit.Slot, connector); !ok {
			return false
		}
	}
	return true
}

// settle keeps the places in which the cases can be measured, or returns why there
// are none: what stands against each bench.
func (m *mount) settle(cases []plan.Case) error {
	var reasons []string
	m.fits = map[string][]int{}
	for _, place := range m.places {
		problems := place.check(cases, m.lab)
		if len(problems) == 0 {
			if len(m.fits) == 0 {
				m.unit, m.bench, m.analyzer = place.unit, place.bench, place.analyzer
			}
			m.fits[place.bench.Name] = append(m.fits[place.bench.Name], place.unit.Slot)
			continue
		}
		reasons = append(reasons, fmt.Sprintf("%s slot %d: %s", place.bench.Name, place.unit.Slot, strings.Join(withoutSerial(m.unit.Serial, problems), "; ")))
	}
	if len(m.fits) > 0 {
		return nil
	}
	return errors.New(m.unit.Serial + " is on the shelf and no bench can measure it: " + strings.Join(reasons, ". "))
}

// withoutSerial takes the name of the unit off problems that are listed under it.
func withoutSerial(serial string, problems []string) []string {
	var short []string
	for _, p := range problems {
		short = append(short, strings.TrimPrefix(p, serial+": "))
	}
	return short
}

// lacks returns the options that the type of the unit needs and the bench has not.
func (m *mount) lacks() error {
	missing := slices.DeleteFunc(slices.Clone(m.kind.Needs), func(o string) bool { return slices.Contains(m.bench.Options, o) })
	if len(missing) == 0 {
		return nil
	}
	return fmt.Errorf("%s has no %s, which a %s needs; give the bench the option, or mount the unit on a bench that has it",
		m.bench.Name, strings.Join(missing, ", "), m.kind.Name)
}

// setUp is what must stand on the bench for the cases.
func (m *mount) setUp(cases []plan.Case) setUp {
	var bands []string
	for _, c := range cases {
		if !slices.Contains(bands, c.Carrier.Band) {
			bands = append(bands, c.Carrier.Band)
		}
	}
	return setUp{Band: strings.Join(bands, "+"), Cabling: m.kind.Cabling, FrontEnd: m.kind.FrontEnd}
}

// needs is what the cases want of a bench, as far as any bench can be asked for it;
// check knows more of one place.
func (m *mount) needs(cases []plan.Case) needs {
	n := needs{PowerDBm: float64(greatestPower(m.kind)), Connectors: m.kind.Connectors, Options: m.kind.Needs}
	var covered rf.Range
	for _, c := range cases {
		band, err := conformance.BandByName(c.Carrier.Band)
		if err != nil {
			continue // among the problems of the submission
		}
		if covered == (rf.Range{}) {
			covered = band.DL
		}
		covered.Low, covered.High = min(covered.Low, band.DL.Low), max(covered.High, band.DL.High)
	}
	n.LowHz, n.HighHz = float64(covered.Low), float64(covered.High)
	return n
}
