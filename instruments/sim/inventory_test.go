package sim

import (
	"errors"
	"math"
	"strconv"
	"testing"
	"time"

	"github.com/goccy/go-yaml"

	"benchyard/instruments/rf"
)

// document is the part of an inventory that this test reads.
type document struct {
	Simulated   bool
	Builds      []string
	Instruments []struct {
		Name, Role, Resource, Identity string
		Due                            string `yaml:"calibration_due"`
	}
	Units []struct {
		Serial, Bench, Resource string
		Slot                    int
	} `yaml:"radio_units"`
	Paths []struct {
		Bench, Route    string
		Slot, Connector int
		Correction      []struct{ Frequency, Loss, Uncertainty string }
	}
}

// table reads the rows of a path. They are texts above because the decoder takes
// a minute to hand 10 000 quantities one by one to their own parsers.
func table(t *testing.T, rows []struct{ Frequency, Loss, Uncertainty string }) rf.Correction {
	t.Helper()
	var c rf.Correction
	for _, row := range rows {
		f, err := rf.ParseHertz(row.Frequency)
		loss, err2 := rf.ParseDB(row.Loss)
		uncertainty, err3 := rf.ParseDB(row.Uncertainty)
		if err := errors.Join(err, err2, err3); err != nil {
			t.Fatal(err)
		}
		c = append(c, rf.CorrectionPoint{Frequency: f, Loss: loss, Uncertainty: uncertainty})
	}
	if err := c.Validate(); err != nil {
		t.Fatal(err)
	}
	return c
}

// The inventory names every instrument where it answers with the identity it
// lists, and tables that hold the true loss well within their uncertainty,
// between their rows too.
func TestInventoryDescribesTheLab(t *testing.T) {
	l, _ := startLab(t, nil)
	var d document
	if err := yaml.Unmarshal(l.Inventory(), &d); err != nil {
		t.Fatal(err)
	}
	if !d.Simulated || len(d.Builds) != 2 || len(d.Instruments) != 15 || len(d.Units) != 24 || len(d.Paths) != 12*4+12*2 {
		t.Fatalf("%v, %d builds, %d instruments, %d units, %d paths", d.Simulated, len(d.Builds), len(d.Instruments), len(d.Units), len(d.Paths))
	}
	for _, i := range d.Instruments {
		dial(t, l, i.Name).want("*IDN?", i.Identity)
		due, err := time.Parse(time.DateOnly, i.Due)
		if days := time.Until(due).Hours() / 24; err != nil || days < 190 || days > 201 {
			t.Errorf("%s: calibration due %q (%v), want in about 200 days", i.Name, i.Due, err)
		}
	}
	serials := map[string]string{}
	for _, u := range d.Units {
		serials[u.Bench+" "+strconv.Itoa(u.Slot)] = u.Serial
		if r, err := l.Resource(u.Serial); err != nil || r != u.Resource {
			t.Errorf("%s at %q, answers at %q (%v)", u.Serial, u.Resource, r, err)
		}
	}
	for _, p := range d.Paths {
		if p.Route != strconv.Itoa(p.Slot*100+p.Connector) {
			t.Errorf("slot %d connector %d has route %q", p.Slot, p.Connector, p.Route)
		}
		correction := table(t, p.Correction)
		for f := rf.Hertz(9e3); f < 26.5e9; f = f*1.03 + 1e6 {
			actual, err := l.Loss(serials[p.Bench+" "+strconv.Itoa(p.Slot)], p.Connector, f)
			if err != nil {
				t.Fatal(err)
			}
			loss, uncertainty, err := correction.At(f)
			if err != nil {
				t.Fatal(err)
			}
			if off := math.Abs(float64(loss - actual)); off > 0.06 || uncertainty != 0.2 {
				t.Errorf("%s slot %d connector %d: table is %.3f dB off at %s, states %s", p.Bench, p.Slot, p.Connector, off, f, uncertainty)
			}
		}
	}
}

// BenchmarkSweepOverTCP is one gated emission sweep of 36 000 points from INITiate
// to the last byte of the block, with simulated time running so fast that only
// the work counts.
func BenchmarkSweepOverTCP(b *testing.B) {
	c := Demo(1)
	c.Speed = 1e9
	l, err := Start(b.Context(), c, nil)
	if err != nil {
		b.Fatal(err)
	}
	defer l.Close()
	bringUp(b, l, "T4-0002", "RU-T4")
	dial(b, l, "bench-1-switcher").do("ROUT:CLOS (@201)")
	a := dial(b, l, "bench-1-analyzer")
	a.do(":INIT:CONT OFF;:FORM REAL,32;" + tddSweep + ";:FREQ:STAR 3.26 GHZ;STOP 3.84 GHZ;:BAND 30 KHZ;:SWE:POIN 36000")
	b.SetBytes(4 * 36000)
	for b.Loop() {
		a.ask(":INIT;*OPC?")
		a.ask(":TRAC? TRACE1")
	}
}
