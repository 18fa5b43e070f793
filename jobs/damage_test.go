package jobs

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strings"
	"testing"

	"benchyard/instruments/rf"
	"benchyard/instruments/sim"
	"benchyard/jobs/lab"
	"benchyard/jobs/plan"
)

// long reports whether the long forms of tests are wanted.
func long() bool { return os.Getenv("BENCHYARD_LONG") != "" }

// chance is one random lab with one unit in it, and what its plan asks of it.
type chance struct {
	config     sim.Config
	kind       lab.RadioUnitType
	carriers   []sim.Carrier
	connector  int
	bypassable rf.DB
	leftOut    rf.DB // of bypassable, really
	plan       string
}

// draw makes a lab: any rated power, pad, analyzer and scatter, a unit whose power may
// be set wrong by as much as the budget allows for, one carrier or two, cold or warm.
func draw(seed uint64) chance {
	r := rand.New(rand.NewPCG(seed, 1))
	c := chance{config: sim.Demo(1)}
	c.config.Seed, c.config.Faults = seed, nil
	typ := c.config.Types[r.IntN(len(c.config.Types))]
	typ.Rated = rf.DBm(20 + 30*r.Float64())
	typ.Compression = typ.Rated + 3.5
	c.config.Types = []sim.TypeConfig{typ}
	c.config.Benches = c.config.Benches[:1]
	// Around what is just enough, so that both answers are frequent.
	enough := float64(typ.Rated) + 16 - 30
	c.config.Benches[0].MaxInput = rf.DBm(20 + 15*r.Float64())
	c.config.Benches[0].Pads = []rf.DB{rf.DB(max(enough-10+30*r.Float64(), 0))}
	c.config.Units = []sim.UnitConfig{{Serial: "U-1", Type: typ.Name, Revision: "A", Build: "2.4.0", Bench: "bench-1", Slot: 1}}
	if r.IntN(2) == 0 {
		c.config.Faults = []sim.Fault{{Kind: sim.PowerSetting, Serial: "U-1", Amount: -6 + 9*r.Float64()}}
	}
	c.connector = 1 + r.IntN(typ.Connectors)
	c.bypassable = []rf.DB{0, 0, 3, 6, 10}[r.IntN(5)]
	c.bypassable = min(c.bypassable, c.config.Benches[0].Pads[0])
	if r.IntN(2) == 0 {
		c.leftOut = c.bypassable
	}
	n := 1 + r.IntN(2)
	for i := range n {
		width := typ.Downlink.Width()/rf.Hertz(n) - typ.Bandwidth
		at := typ.Downlink.Low + typ.Bandwidth/2 + rf.Hertz(i)*typ.Downlink.Width()/rf.Hertz(n) + width*rf.Hertz(r.Float64())
		c.carriers = append(c.carriers, sim.Carrier{
			Center: at, Bandwidth: typ.Bandwidth, SCS: typ.SCS, Power: typ.Rated - rf.DBm(10*math.Log10(float64(n))),
		})
	}
	c.kind = lab.RadioUnitType{
		Name: typ.Name, Connectors: typ.Connectors, RatedPower: typ.Rated, Class: "wide-area", Category: "A", Type: "1-C", TransmitUnits: 1,
		Carriers: []lab.Carrier{{Band: typ.Band, Bandwidths: []rf.Hertz{typ.Bandwidth}, SCS: []rf.Hertz{typ.SCS}}},
	}
	c.plan = drawPlan(r, typ, c.connector)
	return c
}

// drawPlan makes a plan of one to three tests at the connector: any of the clauses, in any of
// the RF channels, in any order.
func drawPlan(r *rand.Rand, typ sim.TypeConfig, connector int) string {
	var b strings.Builder
	fmt.Fprintf(&b, "plan: drawn\ncarriers: [{band: %s, bandwidth: %gMHz, scs: %gkHz}]\ntests:\n", typ.Band, typ.Bandwidth/rf.Megahertz, typ.SCS/1e3)
	clauses := []string{"6.2", "6.6.2", "6.6.3", "6.6.4", "6.6.5"}
	r.Shuffle(len(clauses), func(i, j int) { clauses[i], clauses[j] = clauses[j], clauses[i] })
	for _, clause := range clauses[:1+r.IntN(3)] {
		channels := []string{"B", "M", "T"}
		r.Shuffle(3, func(i, j int) { channels[i], channels[j] = channels[j], channels[i] })
		fmt.Fprintf(&b, "  - {clause: %s, rf_channels: [%s], connectors: [%d]}\n", clause, strings.Join(channels[:1+r.IntN(3)], ", "), connector)
	}
	return b.String()
}

// accepts plans the drawn plan for the unit in its place, as a submission does, and returns
// its cases and what stands against them.
func (c chance) accepts(t *testing.T, m *mount) (cases []plan.Case, problems []string) {
	p, err := plan.Parse("drawn", []byte(c.plan))
	if err == nil {
		cases, err = plan.Expand(p, m.target())
	}
	if err != nil {
		t.Fatalf("%v\n%s", err, c.plan)
	}
	return cases, m.check(cases, m.lab)
}

// mount is the unit in its place as the inventory has it.
func (c chance) mount(t *testing.T) *mount {
	table, err := c.config.Correction("U-1", c.connector)
	if err != nil {
		t.Fatal(err)
	}
	m := &mount{
		unit: lab.RadioUnit{Serial: "U-1", Type: c.kind.Name, Bench: "bench-1", Slot: 1}, kind: c.kind,
		bench:    lab.Bench{Name: "bench-1", Analyzer: "a", Switcher: "s"},
		analyzer: lab.Instrument{Name: "a", Role: lab.AnalyzerRole, MaxInput: c.config.Benches[0].MaxInput, Frequency: rf.Range{Low: 9e3, High: 26.5e9}},
	}
	m.lab = &lab.Lab{Name: "drawn", Benches: []lab.Bench{m.bench}, Instruments: []lab.Instrument{m.analyzer}, Paths: []lab.Path{{Bench: "bench-1", Slot: 1, Connector: c.connector, Correction: table, Bypassable: c.bypassable}}}
	return m
}

// worst is the level that the stated margins allow for, from the true loss: 3 dB of
// wrong setting, 10 dB of peaks, 3 dB beside them (metrology 4.9).
func (c chance) worst(t *testing.T) rf.DBm {
	least := rf.DB(math.Inf(1))
	d := c.config.Types[0].Downlink
	for i := range 101 {
		loss, err := c.config.Loss("U-1", c.connector, d.Low+d.Width()*rf.Hertz(i)/100)
		if err != nil {
			t.Fatal(err)
		}
		least = min(least, loss)
	}
	return c.config.Types[0].Rated.Add(3 + 10 + 3 - least + c.bypassable)
}

// Over random labs, paths and plans no accepted one damages the analyzer, whatever
// is left out of the path and however the unit is set within the stated margins, and
// none that is safe with these margins is refused. The tables are good to 0.03 dB.
// Beside what the plan has, the carriers are drawn anywhere in the band, one or two.
func TestNothingAcceptedDamages(t *testing.T) {
	n := uint64(10_000)
	if long() {
		n = 200_000
	}
	accepted, damaging := 0, 0
	for seed := range n {
		c := draw(seed)
		m := c.mount(t)
		cases, problems := c.accepts(t, m)
		damages, stress := false, sim.Stress{}
		for _, carriers := range append(transmittedIn(c, cases), c.carriers) {
			cond := sim.Condition{Serial: "U-1", Build: "2.4.0", Connector: c.connector, Carrier: carriers[0], More: carriers[1:], Chill: float64(seed % 2)}
			one, err := c.config.Stress(cond, c.leftOut)
			if err != nil {
				t.Fatal(err)
			}
			if stress = one; one.Damages() {
				damages = true
				break
			}
		}
		what := fmt.Sprintf("lab %d: rated %s, pad %s, %s bypassable, %s left out: %+v\n%s", seed, c.kind.RatedPower, c.config.Benches[0].Pads[0], c.bypassable, c.leftOut, stress, c.plan)
		if damages {
			damaging++
		}
		switch {
		case len(problems) == 0 && damages:
			t.Errorf("accepted, and damages: %s", what)
		case len(problems) > 0 && c.worst(t) < stress.Safe-0.1:
			t.Errorf("refused, and safe: %s: %v", what, problems)
		case len(problems) == 0:
			accepted++
		}
	}
	// Otherwise nothing was tested.
	if n := int(n); accepted < n/5 || accepted > n*4/5 || damaging < n/20 {
		t.Errorf("%d of %d accepted, %d would damage", accepted, n, damaging)
	}
}

// transmittedIn returns what each case of a plan has the unit transmit, every carrier once.
func transmittedIn(c chance, cases []plan.Case) (all [][]sim.Carrier) {
	seen := map[rf.Hertz]bool{}
	for _, k := range cases {
		if at := k.Carrier.Center; !seen[at] {
			seen[at] = true
			all = append(all, []sim.Carrier{{Center: at, Bandwidth: k.Carrier.Bandwidth, SCS: k.Carrier.SCS, Power: c.kind.RatedPower}})
		}
	}
	return all
}
