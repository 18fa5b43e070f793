package conformance_test

import (
	"slices"
	"strings"
	"testing"

	"benchyard/instruments/document"
	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
)

// conceded loosens one figure of each kind up to the bound.
const conceded = head + `cores:
  - {clause: "6.5.2", figure: wide-area, value: 0.1, source: annex 3, loosens: true, reason: agreed with the customer}
  - {clause: "6.6.3", figure: licensed bands, value: 42, source: annex 3, loosens: true, reason: agreed with the customer}
  - {clause: "6.6.3", figure: wide-area category A, value: -10, source: annex 3, loosens: true, reason: temporary licence}
`

// Every result that is judged under a loosened core figure says so, with what was
// published, what is in force, why and where; others say nothing.
func TestLoosenedCoresAreVisible(t *testing.T) {
	set := laid(t, conceded)
	if !strings.Contains(set.Name(), ", figures loosened: 3 (core TS") || len(set.Loosened()) != 3 {
		t.Errorf("%s: %v", set.Name(), set.Loosened())
	}
	s := subject(t, "n1", 20e6, 15e3, wideA(46))
	for _, tt := range []struct {
		clause, key string
		reading     conformance.Reading
		says        []string
	}{
		{"6.5.2", "6.5.2", conformance.Reading{Value: 1}, []string{"judged under a loosened core: wide-area is 0.1 ppm instead of 0.05 (agreed with the customer; l/1 annex 3)"}},
		{"6.6.3", "6.6.3/upper/1", conformance.Reading{Value: 50, CarrierPower: 46}, []string{
			"judged under a loosened core: licensed bands is 42 dB instead of 45 (agreed with the customer; l/1 annex 3)",
			"judged under a loosened core: wide-area category A is -10 dBm/MHz instead of -13 (temporary licence; l/1 annex 3)",
		}},
		{"6.2", "6.2", conformance.Reading{Value: 46}, nil},
	} {
		r := byKey(t, under(t, set, s, tt.clause), tt.key)
		tt.reading.Key = tt.key
		results, err := conformance.Judge([]conformance.Requirement{r}, []conformance.Reading{tt.reading}, conformance.DecisionRule{})
		if err != nil {
			t.Fatal(err)
		}
		for _, want := range tt.says {
			if !strings.Contains(results[0].Note, want) {
				t.Errorf("%s: note %q lacks %q", tt.key, results[0].Note, want)
			}
		}
		if n := strings.Count(results[0].Note, "loosened"); n != len(tt.says) || len(r.Loosened) != n {
			t.Errorf("%s: %q, %+v", tt.key, results[0].Note, r.Loosened)
		}
	}
	// The limits beside an interferer and in gaps are those of 6.6.3.
	for _, r := range under(t, set, two(t, "n1", 5e6, 5e6, 20e6, wideA(46)), "6.7") {
		if strings.Contains(r.Key, "/6.6.3/") != (len(r.Loosened) == 2) {
			t.Errorf("%s: %+v", r.Key, r.Loosened)
		}
	}
	if name := conformance.LimitSet(); strings.Contains(name, "loosened") {
		t.Errorf("the embedded set is called %s", name)
	}
}

// The bound counts from the published figure: files over each other do not add
// up, and one that takes a concession back leaves no mark.
func TestLooseningDoesNotAddUp(t *testing.T) {
	again := func(value string) (*conformance.Set, error) {
		return laid(t, conceded).With("second.yaml", []byte(strings.Replace(head, "l/1", "l/2", 1)+
			`cores: [{clause: "6.6.3", figure: licensed bands, value: `+value+`, source: annex 4}]`))
	}
	_, err := again("41, loosens: true, reason: r")
	if problems, ok := err.(document.Problems); !ok || !strings.Contains(problems.Error(), "loosens the published 45 dB by more than 3 dB") {
		t.Errorf("%v", err)
	}
	for value, want := range map[string]int{"43": 3, "45": 2, "46": 2} {
		set, err := again(value)
		if err != nil {
			t.Fatal(err)
		}
		if n := len(set.Loosened()); n != want {
			t.Errorf("%s dB after 42 dB: %d figures loosened, want %d", value, n, want)
		}
	}
}

// A loosened tolerance is told like a loosened core, where it holds and nowhere
// else: with the figure published there, and the reason of the row that a later
// file took part of back.
func TestLoosenedTolerancesAreVisible(t *testing.T) {
	set := laid(t, head+`tolerances:
  - {clause: "6.6.4", figure: near, up_to: 6GHz, bands: [n1, n78], value: 4.4, source: annex 3, loosens: true, reason: agreed}
  - {clause: "6.6.3", figure: absolute, up_to: 6GHz, value: 3, source: annex 3, loosens: true, reason: agreed}
`)
	less, err := set.With("second.yaml", []byte(strings.Replace(head, "l/1", "l/2", 1)+`tolerances: [{clause: "6.6.4", figure: near, above: 3GHz, up_to: 6GHz, bands: [n78], value: 1.7, source: annex 4}]`))
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(set.Name(), ", figures loosened: 2 (core TS") || !strings.Contains(less.Name(), ", figures loosened: 2 (core TS") {
		t.Errorf("%s, %s", set.Name(), less.Name())
	}
	near := func(published, value float64, source string) []conformance.Loosening {
		return []conformance.Loosening{{Part: "tolerance", Figure: "near", Published: published, Value: value, Unit: "dB", Reason: "agreed", Source: source}}
	}
	for _, tt := range []struct {
		set       *conformance.Set
		band, key string
		want      []conformance.Loosening
	}{
		{set, "n1", "6.6.4/upper/1", near(1.5, 4.4, "l/1 annex 3")},
		{set, "n78", "6.6.4/lower/1", near(1.8, 4.4, "l/1 annex 3")},
		{set, "n77", "6.6.4/upper/1", nil},
		{less, "n78", "6.6.4/upper/1", nil}, // tighter than published again
		{set, "n1", "6.6.3/upper/1", []conformance.Loosening{{Part: "tolerance", Figure: "absolute", Value: 3, Unit: "dB", Reason: "agreed", Source: "l/1 annex 3"}}},
	} {
		scs := map[string]float64{"n1": 15e3}[tt.band]
		if scs == 0 {
			scs = 30e3
		}
		r := byKey(t, under(t, tt.set, subject(t, tt.band, 20e6, rf.Hertz(scs), wideA(46)), tt.key[:5]), tt.key)
		if !slices.Equal(r.Loosened, tt.want) {
			t.Errorf("%s in %s: %+v", tt.key, tt.band, r.Loosened)
		}
	}
	// In a gap the sum of both sides says it once.
	for _, r := range under(t, set, two(t, "n1", 5e6, 5e6, 20e6, wideA(46)), "6.6.4") {
		if strings.Contains(r.Key, "/gap1/") && !slices.Equal(r.Loosened, near(1.5, 4.4, "l/1 annex 3")) {
			t.Errorf("%s: %+v", r.Key, r.Loosened)
		}
	}
}

// A file that takes part of a concession back keeps its reason.
func TestReasonOfAConcessionStays(t *testing.T) {
	set, err := laid(t, conceded).With("second.yaml", []byte(strings.Replace(head, "l/1", "l/2", 1)+
		`cores: [{clause: "6.6.3", figure: licensed bands, value: 43, source: annex 4}]`))
	if err != nil {
		t.Fatal(err)
	}
	if l := set.Loosened()[1]; l.Value != 43 || l.Reason != "agreed with the customer" || l.Source != "l/2 annex 4" {
		t.Errorf("%+v", l)
	}
}
