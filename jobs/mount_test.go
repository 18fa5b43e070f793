package jobs

import (
	"errors"
	"math"
	"os"
	"testing"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
	"benchyard/jobs/lab"
	"benchyard/jobs/plan"
	"benchyard/jobs/procedure"
)

// mountedT2 is the unit of the example inventory: 37 dBm per carrier, 40 dBm per
// connector, behind 40 dB.
func mountedT2(t *testing.T, greatest rf.DBm) *mount {
	t.Helper()
	const dir = "../testdata/lab/good"
	data, err := os.ReadFile(dir + "/two-benches.yaml")
	if err != nil {
		t.Fatal(err)
	}
	l, _, err := lab.ParseIn(os.DirFS(dir), "two-benches.yaml", data)
	if err != nil {
		t.Fatal(err)
	}
	for i := range l.Paths {
		l.Paths[i].Correction = rf.Correction{{Frequency: 9e3, Loss: 40, Uncertainty: 0.2}, {Frequency: 26.5e9, Loss: 40, Uncertainty: 0.2}}
	}
	m, err := findMount(l, "T2-0001")
	if err != nil {
		t.Fatal(err)
	}
	if total := m.kind.TotalPower; total == nil || *total != 40 || m.kind.RatedPower != 37 {
		t.Fatalf("%+v", m.kind)
	}
	m.analyzer.MaxInput = greatest
	return m
}

// carriersOf are so many carriers of 40 MHz side by side in n78, as a case.
func carriersOf(t *testing.T, n int) plan.Case {
	t.Helper()
	if n == 1 {
		c, err := conformance.Place("n78", conformance.Middle, 40e6, 30e3)
		if err != nil {
			t.Fatal(err)
		}
		return plan.Case{Clause: "6.2", Carrier: c, Connector: 1}
	}
	shapes := make([]conformance.Shape, n)
	for i := range shapes {
		shapes[i] = conformance.Shape{Bandwidth: 40e6, SCS: 30e3}
	}
	carriers, err := conformance.PlaceConfiguration("n78", conformance.Middle, conformance.Configuration{Carriers: shapes})
	if err != nil {
		t.Fatal(err)
	}
	return plan.Case{Clause: "6.2", Carrier: carriers[0], Carriers: carriers, Connector: 1}
}

// The budget takes what stands at the connector: peak = power + 16 dB - 40 dB
// and as much attenuation, in steps of 2 dB, as brings it to +7 dBm.
func TestBudgetOfSeveralCarriers(t *testing.T) {
	for _, tt := range []struct {
		carriers  int
		total     *rf.DBm // declared
		each, all float64 // dBm
		attenuate rf.DB
		reference rf.DBm
	}{
		{1, dbm(40), 37, 37, 6, 13},
		{2, dbm(40), 40 - 10*math.Log10(2), 40, 10, 16},
		{3, dbm(40), 40 - 10*math.Log10(3), 40, 10, 16},
		{2, dbm(45), 37, 37 + 10*math.Log10(2), 10, 17}, // 40.01 dBm: the declared total is never reached
		{2, nil, 37 - 10*math.Log10(2), 37, 6, 13},      // the total is that of one carrier
	} {
		m := mountedT2(t, 30)
		m.kind.TotalPower = tt.total
		setup, err := m.setup(carriersOf(t, tt.carriers))
		if err != nil {
			t.Fatal(err)
		}
		if each, all := setup.Subject.CarrierPower(), setup.Subject.ConnectorPower(); math.Abs(float64(each)-tt.each) > 1e-9 || math.Abs(float64(all)-tt.all) > 1e-9 {
			t.Errorf("%d carriers of %s, %s together; want %.2f and %.2f", tt.carriers, each, all, tt.each, tt.all)
		}
		if setup.Attenuation != tt.attenuate || setup.ReferenceLevel != tt.reference {
			t.Errorf("%d carriers: %s of attenuation, reference %s; want %s and %s", tt.carriers, setup.Attenuation, setup.ReferenceLevel, tt.attenuate, tt.reference)
		}
	}
}

func dbm(v rf.DBm) *rf.DBm { return &v }

// An analyzer that stands one carrier does not stand two: the case of both is
// refused before anything transmits, and so is looking for power, because a
// unit that was left on may transmit both.
func TestSeveralCarriersOverdriveTheAnalyzer(t *testing.T) {
	m := mountedT2(t, 14) // peaks of 13 and 16 dBm
	if problems := m.check([]plan.Case{carriersOf(t, 1)}, m.lab); problems != nil {
		t.Errorf("one carrier: %v", problems)
	}
	_, err := m.setup(carriersOf(t, 2))
	if !errors.Is(err, procedure.ErrOverdrive) || len(m.check([]plan.Case{carriersOf(t, 2)}, m.lab)) != 1 {
		t.Errorf("two carriers: %v", err)
	}
	for i := range m.lab.Instruments {
		m.lab.Instruments[i].MaxInput = 14
	}
	if _, err := probesOf(m.lab, "bench-1"); !errors.Is(err, procedure.ErrOverdrive) {
		t.Errorf("the look for power: %v", err)
	}
	m.lab.Types[0].TotalPower = nil
	if _, err := probesOf(m.lab, "bench-1"); err != nil {
		t.Errorf("the look for power of one carrier: %v", err)
	}
}
