package server

import (
	"net/url"
	"strings"
	"testing"

	"benchyard/jobs/conformance"
	"benchyard/server/api"
)

// A loosened core figure goes over the wire and is told with the limit.
func TestLoosenedLimitIsTold(t *testing.T) {
	set, err := conformance.Embedded().With("own.yaml", []byte(`limits: north-lab/3
base: ts-38.141-1/2026-11
cores: [{clause: "6.6.3", figure: licensed bands, value: 43, source: order 4711, loosens: true, reason: agreed}]
`))
	if err != nil {
		t.Fatal(err)
	}
	q := api.LimitQuery{Band: "n1", Bandwidth: []string{"5MHz"}, SCS: []string{"15kHz"}, RatedPower: "46dBm"}
	s, err := SubjectOf(set, q)
	if err != nil {
		t.Fatal(err)
	}
	found, err := set.Requirements(s, "6.6.3")
	if err != nil {
		t.Fatal(err)
	}
	l := LimitsToWire(found)[0]
	want := api.Loosening{Part: "core", Figure: "licensed bands", Published: 45, Value: 43, Unit: "dB", Reason: "agreed", Source: "north-lab/3 order 4711"}
	if len(l.Loosened) != 1 || l.Loosened[0] != want {
		t.Errorf("%+v", l.Loosened)
	}
	facts := requirementFacts(api.Explanation{Result: api.Result{Unit: "dB", Core: 43}, Limit: &l})
	told := ""
	for _, f := range facts {
		if f.Name == "Loosened by the lab" {
			told = f.Text
		}
	}
	if told != "core licensed bands: 43.00 dB instead of 45.00 dB, agreed (north-lab/3 order 4711)" {
		t.Errorf("told %q", told)
	}
}

// A sum is told as one, with frequencies instead of offsets from either edge.
func TestSumIsTold(t *testing.T) {
	s, err := SubjectOf(conformance.Embedded(), n78Pair())
	if err != nil {
		t.Fatal(err)
	}
	found, err := conformance.Requirements(s, "6.6.4")
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range LimitsToWire(found) {
		inGap := strings.Contains(l.Key, "/gap1/")
		if where := offsetText(&l); strings.HasSuffix(where, ", in the gap") != inGap {
			t.Errorf("%s applies %q", l.Key, where)
		}
		if between := betweenText(&l); strings.Contains(between, "power sum") != (inGap && l.CoreTo != nil) {
			t.Errorf("%s runs %q", l.Key, between)
		}
	}
	if betweenText(nil) != "" || loosenedText(nil) != "" || offsetText(nil) != "" {
		t.Error("something is told of no limit")
	}
}

// Any address gives limits or a refusal.
func FuzzLimitQuery(f *testing.F) {
	f.Add("band=n78&bandwidth=100MHz&scs=30kHz&rated_power=37dBm&class=medium-range")
	f.Add("band=n78&bandwidth=20MHz&bandwidth=20MHz&scs=30kHz&gap=8MHz&rated_power=43dBm&total_power=46dBm&clause=6.6.4")
	f.Add("band=n1&bandwidth=5MHz&scs=15kHz&carrier=2.14GHz&carrier=2.16GHz&rated_power=46dBm&option=protection&clause=6.7")
	f.Add("band=n1&bandwidth=NaNHz&scs=InfHz&carrier=-1e308GHz&gap=&rated_power=NaNdBm&intra_system_level=1e999dBm")
	f.Fuzz(func(t *testing.T, text string) {
		values, err := url.ParseQuery(text)
		if err != nil {
			return
		}
		q, err := readLimitQuery(values)
		if err != nil {
			return
		}
		s, err := SubjectOf(conformance.Embedded(), q)
		if err != nil {
			return
		}
		found, refused, err := conformance.Embedded().Applicable(s, q.Clause)
		if err == nil && len(found) == 0 {
			t.Errorf("neither limits nor a reason")
		}
		LimitListToWire(conformance.Embedded(), s, found, refused)
	})
}
