package plan_test

import (
	"slices"
	"strings"
	"testing"

	"benchyard/jobs/conformance"
	"benchyard/jobs/plan"
)

// A type takes the configurations whose carriers it declares; occupied bandwidth
// is asked of contiguous ones only, and a test may name its own.
func TestExpandConfigurations(t *testing.T) {
	p := good(t, "several-carriers.yaml")
	cases := expand(t, p, four)
	// On each of 4 connectors: one carrier 6.2 and 6.6.2 at M; side-by-side 6.2,
	// 6.6.2, 6.6.4 at M; wide-gap 6.2, 6.6.4 at M, 6.6.3 at B and T.
	if len(cases) != 4*(2+3+4) {
		t.Errorf("%d cases", len(cases))
	}
	segments := plan.Segments(cases)
	if len(segments) != 4*(1+1+3) {
		t.Errorf("%d segments", len(segments))
	}
	keys := map[string]plan.Case{}
	for _, c := range cases {
		if _, twice := keys[c.Key]; twice {
			t.Errorf("%s stands twice", c.Key)
		}
		keys[c.Key] = c
	}
	c, ok := keys["n78/100MHz@30kHz+60MHz+100MHz@30kHz/T/NR-FR1-TM1.1/2/6.6.3"]
	if !ok || c.Configuration != "wide-gap" || len(c.Carriers) != 2 || c.Carriers[0] != c.Carrier {
		t.Fatalf("case %+v", c)
	}
	list, err := conformance.Requirements(c.Subject(conformance.Declaration{Class: "medium-range", Category: "A", Type: "1-C", RatedPower: 37}), c.Clause)
	if err != nil || !slices.ContainsFunc(list, func(r conformance.Requirement) bool { return strings.Contains(r.Key, "/gap1/") }) {
		t.Errorf("limits %v, %v", list, err)
	}
	last := segments[len(segments)-1]
	if last.Title != "n78 T wide-gap (2 carriers), NR-FR1-TM1.1, connector 4" || len(last.Carriers) != 2 {
		t.Errorf("last segment %+v", last)
	}
	for _, row := range plan.Describe(cases)[8:] {
		if row[6] != "100 MHz + 100 MHz" || row[7] != "30 kHz + 30 kHz" {
			t.Errorf("described as %v", row)
		}
	}
}

func TestConfigurationsThatDoNotFit(t *testing.T) {
	p := good(t, "several-carriers.yaml")
	_, err := plan.Expand(p, two)
	if err == nil || !strings.Contains(err.Error(), "it measures n78 100 MHz / 30 kHz, n78 side-by-side, n78 wide-gap, the type declares n1") {
		t.Errorf("error %v", err)
	}
}
