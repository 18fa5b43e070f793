package conformance_test

import (
	"math"
	"strings"
	"testing"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
)

func band(t *testing.T, given facts) conformance.Band {
	t.Helper()
	b, err := conformance.BandByName(given["band"])
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func place(t *testing.T, given facts, ch string) conformance.Carrier {
	t.Helper()
	c, err := conformance.Place(given["band"], conformance.RFChannel(ch), given.hertz(t, "bandwidth"), given.hertz(t, "scs"))
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func requirements(t *testing.T, s conformance.Subject, clause string) []conformance.Requirement {
	t.Helper()
	list, err := conformance.Requirements(s, clause)
	if err != nil {
		t.Fatal(err)
	}
	return list
}

// limitAt returns core and test limit of a segment at an offset.
func limitAt(r conformance.Requirement, offset rf.Hertz) (core, test float64) {
	share := float64((offset - r.OffsetFrom) / (r.OffsetTo - r.OffsetFrom))
	core, test = r.Core+(r.CoreTo-r.Core)*share, *r.Upper
	if r.UpperTo != nil {
		test += (*r.UpperTo - *r.Upper) * share
	}
	return core, test
}

func checkMask(t *testing.T, given, expect facts) {
	s := conformance.Subject{
		Declaration: conformance.Declaration{
			Class:      conformance.Class(given["class"]),
			Category:   given["category"],
			Type:       conformance.Type1C,
			RatedPower: rf.DBm(given.number(t, "rated")),
		},
		Carrier: place(t, given, "M"),
	}
	if given["option"] == "2" {
		s.CategoryBOption = 2
	}
	if given["type"] != "" {
		s.Type = conformance.Type(given["type"])
	}
	offset := given.hertz(t, "f_offset")
	hits := 0
	for _, r := range requirements(t, s, conformance.OperatingBandClause) {
		if offset < r.OffsetFrom || offset >= r.OffsetTo {
			continue
		}
		hits++
		if !strings.HasSuffix(r.Title, "mask "+given["mask"]) {
			t.Errorf("limit is of %q, want mask %s", r.Title, given["mask"])
		}
		core, test := limitAt(r, offset)
		near(t, "core", core, expect.number(t, "core"))
		near(t, "test", test, expect.number(t, "test"))
		near(t, "measurement bandwidth", float64(r.MeasurementBandwidth), float64(expect.hertz(t, "filter")))
	}
	if hits != 2 {
		t.Errorf("%d segments hold at %s, want one on each side", hits, offset)
	}
}

func checkReach(t *testing.T, given, expect facts) {
	s := conformance.Subject{
		Declaration: conformance.Declaration{
			Class: conformance.WideArea, Category: "A", Type: conformance.Type(given["type"]), RatedPower: 40,
		},
		Carrier: place(t, given, given["channel"]),
	}
	side, edge := conformance.UpperSide, s.Carrier.Edges().High
	if s.Carrier.Channel == conformance.Bottom {
		side, edge = conformance.LowerSide, s.Carrier.Edges().Low
	}
	near(t, "channel edge", float64(edge), float64(given.hertz(t, "edge")))
	reach, far := rf.Hertz(0), "does not apply"
	for _, r := range requirements(t, s, conformance.OperatingBandClause) {
		if r.Side != side {
			continue
		}
		reach = max(reach, r.OffsetTo)
		if r.OffsetFrom >= 10*rf.Megahertz {
			far = "applies"
		}
	}
	near(t, "f_offset_max", float64(reach), float64(expect.hertz(t, "f_offset_max")))
	if want, ok := expect["from 10 MHz"]; ok {
		near(t, "df_max", float64(reach-500*rf.Kilohertz), float64(expect.hertz(t, "df_max")))
		if far != want {
			t.Errorf("the segment from 10 MHz %s, want %q", far, want)
		}
	}
}

func checkLeakage(t *testing.T, given, expect facts) {
	s := conformance.Subject{
		Declaration: conformance.Declaration{Class: conformance.WideArea, Category: "B", Type: conformance.Type1C, RatedPower: 46},
		Carrier:     place(t, given, "M"),
	}
	carrier := given.number(t, "carrier")
	for _, r := range requirements(t, s, conformance.LeakageRatioClause) {
		near(t, "relative", carrier-r.Core, expect.number(t, "relative"))
		near(t, "absolute", math.Round(r.Alternative.Core*100)/100, expect.number(t, "absolute"))
		r.Lower = &r.Core // the row gives core values
		results, err := conformance.Judge([]conformance.Requirement{r},
			[]conformance.Reading{{Key: r.Key, Value: 45, CarrierPower: carrier}}, conformance.DecisionRule{})
		if err != nil {
			t.Fatal(err)
		}
		if !strings.HasPrefix(results[0].Note, expect["governs"]+" limit") {
			t.Errorf("note %q, want the %s limit to govern", results[0].Note, expect["governs"])
		}
		want := carrier - math.Max(carrier-r.Core, r.Alternative.Core)
		near(t, "limit in force", *results[0].Lower, want)
	}
}

func checkAbsoluteLeakage(t *testing.T, given, expect facts) {
	s := subject(t, "n1", 20e6, 15e3, conformance.Declaration{
		Class: conformance.Class(given["class"]), Category: given["category"], Type: conformance.Type1C, RatedPower: 20,
	})
	for _, r := range requirements(t, s, conformance.LeakageRatioClause) {
		near(t, "density", r.Alternative.PerMHz, expect.number(t, "per MHz"))
		near(t, "tolerance", r.Alternative.Tolerance, 0)
		near(t, "level", r.Alternative.Core, r.Alternative.PerMHz+10*math.Log10(float64(r.Alternative.Bandwidth)/1e6))
	}
}
