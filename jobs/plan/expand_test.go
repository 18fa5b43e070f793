package plan_test

import (
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
	"benchyard/jobs/plan"
)

// Two invented types of a lab: time division around 3.5 GHz, frequency
// division below 2.2 GHz.
var (
	four = plan.Target{Type: "RU-T4", Connectors: 4, Carriers: []plan.Declared{
		{Band: "n78", Bandwidths: []rf.Hertz{100 * rf.Megahertz}, SCS: []rf.Hertz{30 * rf.Kilohertz}},
	}}
	two = plan.Target{Type: "RU-F2", Connectors: 2, Carriers: []plan.Declared{
		{Band: "n1", Bandwidths: []rf.Hertz{20 * rf.Megahertz}, SCS: []rf.Hertz{15 * rf.Kilohertz}},
	}}
)

func good(t *testing.T, name string) *plan.Plan {
	t.Helper()
	file := "../../testdata/plans/good/" + name
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	p, err := plan.Parse(file, data)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func expand(t *testing.T, p *plan.Plan, target plan.Target) []plan.Case {
	t.Helper()
	cases, err := plan.Expand(p, target)
	if err != nil {
		t.Fatal(err)
	}
	return cases
}

func TestExpandServesEveryTypeWithItsOwnCarriers(t *testing.T) {
	p := good(t, "transmitter-regression.yaml")
	// 6.2 at B M T, 6.6.2 at M, 6.6.3 and 6.6.4 at B M T, 6.6.5 at B T: 12 on each connector.
	for _, want := range []struct {
		target   plan.Target
		cases    int
		segments int
		first    conformance.Carrier
	}{
		// N_REF and F_REF of channel B: the table "B/M/T by the rule of section 10"
		// of our conformance fact sheet; N_RB of 38.104 5.3.2.
		{four, 48, 12, conformance.Carrier{Band: "n78", Channel: "B", NREF: 623334, Center: 3350.01 * rf.Megahertz, Bandwidth: 100 * rf.Megahertz, SCS: 30 * rf.Kilohertz, ResourceBlocks: 273}},
		{two, 24, 6, conformance.Carrier{Band: "n1", Channel: "B", NREF: 424000, Center: 2120 * rf.Megahertz, Bandwidth: 20 * rf.Megahertz, SCS: 15 * rf.Kilohertz, ResourceBlocks: 106}},
	} {
		cases := expand(t, p, want.target)
		if len(cases) != want.cases || cases[0].Carrier != want.first {
			t.Errorf("%s: %d cases from %+v; want %d from %+v", want.target.Type, len(cases), cases[0].Carrier, want.cases, want.first)
		}
		if n := len(plan.Segments(cases)); n != want.segments {
			t.Errorf("%s: %d segments, want %d", want.target.Type, n, want.segments)
		}
		keys := map[string]bool{}
		for i, c := range cases {
			if keys[c.Key] || c.Position != i+1 {
				t.Errorf("%s: key %s at position %d of case %d", want.target.Type, c.Key, c.Position, i+1)
			}
			keys[c.Key] = true
		}
	}
}

func TestExpandOrder(t *testing.T) {
	p := good(t, "leakage-guarded.yaml")
	target := four
	target.Carriers = []plan.Declared{{Band: "n78", Bandwidths: []rf.Hertz{40 * rf.Megahertz, 100 * rf.Megahertz}, SCS: []rf.Hertz{30 * rf.Kilohertz}}}
	// Carriers in the order of the plan, then B M T, then test models in the
	// order of the plan, then connectors, whatever order the test lists them in.
	want := []string{
		"n78/100MHz/30kHz/B/NR-FR1-TM1.1/1/6.6.3",
		"n78/100MHz/30kHz/B/NR-FR1-TM1.1/2/6.6.3",
		"n78/100MHz/30kHz/B/NR-FR1-TM1.2/1/6.6.3",
		"n78/100MHz/30kHz/B/NR-FR1-TM1.2/2/6.6.3",
		"n78/100MHz/30kHz/T/NR-FR1-TM1.1/1/6.6.3",
		"n78/100MHz/30kHz/T/NR-FR1-TM1.1/2/6.6.3",
		"n78/100MHz/30kHz/T/NR-FR1-TM1.2/1/6.6.3",
		"n78/100MHz/30kHz/T/NR-FR1-TM1.2/2/6.6.3",
		"n78/40MHz/30kHz/M/NR-FR1-TM1.1/1/6.2",
	}
	var got []string
	for _, c := range expand(t, p, target) {
		got = append(got, c.Key)
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

// Where a person moves the cable, each connector comes once; within it the order
// is that of every other bench.
func TestExpandByHand(t *testing.T) {
	p := good(t, "transmitter-regression.yaml")
	matrix := expand(t, p, four)
	target := four
	target.ByHand = true
	byHand := expand(t, p, target)
	moves := 0
	for i, c := range byHand {
		if i == 0 || c.Connector != byHand[i-1].Connector {
			moves++
		}
		if c.Position != i+1 {
			t.Errorf("%s stands at %d, want %d", c.Key, c.Position, i+1)
		}
	}
	if moves != four.Connectors {
		t.Errorf("%d moves, want one for each of %d connectors", moves, four.Connectors)
	}
	var want []string
	for connector := 1; connector <= four.Connectors; connector++ {
		for _, c := range matrix {
			if c.Connector == connector {
				want = append(want, c.Key)
			}
		}
	}
	var got []string
	for _, c := range byHand {
		got = append(got, c.Key)
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

func TestExpandRefusesWhatDoesNotFit(t *testing.T) {
	p := good(t, "leakage-guarded.yaml")
	one := four
	one.Connectors = 1
	none := four
	none.Connectors = 0
	for want, target := range map[string]plan.Target{
		`plan: "leakage-guarded" has nothing for radio unit type "RU-F2": it measures n78 100 MHz / 30 kHz, n78 40 MHz / 30 kHz, the type declares n1 20 MHz / 15 kHz`: two,
		`plan: "leakage-guarded" asks for clause 6.6.3 on connector 2, radio unit type "RU-T4" has connectors 1 to 1`:                                                  one,
		`plan: radio unit type "RU-T4" has 0 connectors`: none,
	} {
		if _, err := plan.Expand(p, target); err == nil || err.Error() != want {
			t.Errorf("got  %v\nwant %s", err, want)
		}
	}
}

func TestParseForHoldsThePlanAgainstTheLab(t *testing.T) {
	text := "plan: p\ncarriers: [{band: n1, bandwidth: 20MHz, scs: 15kHz}]\ntests: [{clause: 6.2, connectors: [2, 3]}]\n"
	_, err := plan.ParseFor("p.yaml", []byte(text), four, two)
	if want := `p.yaml:3:39: connector 3: radio unit type "RU-F2" has connectors 1 to 2`; err == nil || err.Error() != want {
		t.Errorf("got %v, want %s", err, want)
	}
	_, err = plan.ParseFor("p.yaml", []byte(text), four)
	if want := "p.yaml:2:1: no radio unit type of the lab declares any carrier of this plan"; err == nil || err.Error() != want {
		t.Errorf("got %v, want %s", err, want)
	}
}

func TestSegmentsShareOneSetting(t *testing.T) {
	cases := expand(t, good(t, "transmitter-regression.yaml"), two)
	segments := plan.Segments(cases)
	var joined []plan.Case
	for i, s := range segments {
		if s.Number != i+1 {
			t.Errorf("segment %d has number %d", i+1, s.Number)
		}
		for _, c := range s.Cases {
			if c.Carrier != s.Carrier || c.Connector != s.Connector || c.TestModel != s.TestModel {
				t.Errorf("segment %q holds case %s", s.Title, c.Key)
			}
		}
		joined = append(joined, s.Cases...)
	}
	if !reflect.DeepEqual(joined, cases) {
		t.Error("segments do not add up to the cases")
	}
	if want := "n1 B 2.12 GHz, NR-FR1-TM1.1, connector 2"; segments[1].Title != want {
		t.Errorf("title %q, want %q", segments[1].Title, want)
	}
	if plan.Segments(nil) != nil {
		t.Error("no cases have segments")
	}
}

func TestEstimateAndDescribe(t *testing.T) {
	cases := expand(t, good(t, "transmitter-regression.yaml"), two)
	got := plan.Estimate(cases, func(c plan.Case) time.Duration {
		if c.Clause == conformance.SpuriousEmissionsClause {
			return time.Minute
		}
		return time.Second
	})
	// 24 cases, of which spurious emissions at B and T on two connectors.
	if want := 4*time.Minute + 20*time.Second; got != want {
		t.Errorf("estimate %s, want %s", got, want)
	}
	rows := plan.Describe(cases)
	want := []string{"4", "6.6.5", conformance.ClauseTitle("6.6.5"), "n1", "B", "2.12 GHz", "20 MHz", "15 kHz", "1", "NR-FR1-TM1.1"}
	if len(rows) != len(cases) || !slices.Equal(rows[3], want) || len(plan.Columns()) != len(want) {
		t.Errorf("row 4 of %d is %q, want %q", len(rows), rows[3], want)
	}
}
