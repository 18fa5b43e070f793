package conformance_test

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
)

// Bands with a Wide Area mask, typed from the lists of TS 38.104 V19.4.0
// 6.6.4.2.1, 6.6.4.2.2.1 and 6.6.4.2.2.2; key is category and option.
var wideAreaBands = map[string]string{
	"A0": "n5 n8 n12 n13 n14 n18 n26 n28 n29 n31 n68 n71 n72 n85 n87 n88 n105 n106 " +
		"n1 n2 n3 n7 n24 n25 n30 n34 n38 n39 n40 n41 n48 n50 n54 n65 n66 n70 n74 n75 n77 n78 n79 n90 n92 n94 n109 n110",
	"B1": "n5 n8 n12 n20 n26 n28 n29 n31 n67 n68 n71 n72 n85 n87 n88 n105 " +
		"n1 n2 n3 n7 n25 n34 n38 n39 n40 n41 n48 n50 n65 n66 n70 n75 n77 n78 n79 n90 n92 n94 n109 n104",
	"B2":     "n1 n3 n8 n65",
	"B2/1-C": "n7 n38 n100 n101",
}

func listed(key, band string) bool { return slices.Contains(strings.Fields(wideAreaBands[key]), band) }

// declarations returns every combination of class, category, option, type and
// a few rated powers that the classes allow.
func declarations() []conformance.Declaration {
	var list []conformance.Declaration
	for _, class := range []conformance.Class{conformance.WideArea, conformance.MediumRange, conformance.LocalArea} {
		for _, category := range []string{"A0", "B1", "B2"} {
			for _, typ := range []conformance.Type{conformance.Type1C, conformance.Type1H} {
				for _, rated := range []rf.DBm{24, 31, 38, 46} {
					d := conformance.Declaration{
						Class: class, Category: category[:1], CategoryBOption: int(category[1] - '0'), Type: typ, RatedPower: rated, TransmitUnits: 8,
					}
					if d.Validate() == nil {
						list = append(list, d)
					}
				}
			}
		}
	}
	return list
}

// Every band answers every declaration with requirements or with a reason.
func TestEveryBandAnswers(t *testing.T) {
	all := declarations()
	// wide area takes 4 powers, medium range 3, local area 1: 8 x 3 categories x 2 types
	if len(all) != 48 {
		t.Fatalf("%d declarations, want 48", len(all))
	}
	for _, b := range conformance.Bands() {
		bw, scs := 5*rf.Megahertz, 15*rf.Kilohertz
		if list := b.Bandwidths(scs); len(list) > 0 {
			bw = list[len(list)-1]
		}
		c, err := conformance.Place(b.Name, conformance.Middle, bw, scs)
		if b.Refused != "" {
			wantError(t, err, b.Refused)
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range all {
			checkAnswer(t, b, conformance.Subject{Declaration: d, Carrier: c})
		}
	}
}

func checkAnswer(t *testing.T, b conformance.Band, s conformance.Subject) {
	t.Helper()
	name := fmt.Sprintf("%s %s %s%d %s %s", b.Name, s.Class, s.Category, s.CategoryBOption, s.Type, s.RatedPower)
	_, noType := b.DeltaOBUE(s.Type)
	for _, clause := range conformance.Clauses() {
		list, err := conformance.Requirements(s, clause)
		key := fmt.Sprintf("%s%d", s.Category, s.CategoryBOption)
		masked := s.Class != conformance.WideArea || listed(key, b.Name) || listed(key+"/"+string(s.Type), b.Name)
		want := noType == nil && (clause != conformance.OperatingBandClause || masked)
		switch {
		case want && err != nil:
			t.Errorf("%s: %s refused: %v", name, clause, err)
		case !want && err == nil:
			t.Errorf("%s: %s has %d requirements, want a refusal", name, clause, len(list))
		case !want && !strings.Contains(err.Error(), b.Name):
			t.Errorf("%s: refusal %q does not name the band", name, err)
		case want:
			for i := range list {
				if err := sane(list[i]); err != nil {
					t.Errorf("%s: %s: %v", name, list[i].Key, err)
				}
			}
		}
	}
}

// sane reports what no requirement may ever be.
func sane(r conformance.Requirement) error {
	switch {
	case r.Title == "" || r.Quantity == "" || r.Unit == "" || r.CoreSource == "" || r.ToleranceSource == "":
		return errors.New("a text is missing")
	case r.Lower == nil && r.Upper == nil:
		return errors.New("no bound")
	case r.Tolerance < 0 || !r.ToleranceKnown && r.Tolerance != 0:
		return fmt.Errorf("tolerance %g, known: %v", r.Tolerance, r.ToleranceKnown)
	case !slices.Contains([]string{"spec", "memory", "spec+memory", "lab", "spec+lab", "memory+lab", "spec+memory+lab"}, r.Provenance):
		return fmt.Errorf("provenance %q", r.Provenance)
	case r.OffsetTo < r.OffsetFrom || r.Frequencies.High < r.Frequencies.Low || r.Frequencies.Low <= 0:
		return fmt.Errorf("offsets %s to %s at %v", r.OffsetFrom, r.OffsetTo, r.Frequencies)
	case r.Clause == conformance.OperatingBandClause && math.Abs(*r.Upper-r.Core-r.Tolerance) > 1e-9:
		return fmt.Errorf("upper %g is not core %g plus tolerance %g", *r.Upper, r.Core, r.Tolerance)
	}
	return nil
}

// Below 10 MHz a mask never rises while the filter stays the same, and a slope
// ends where the next constant row begins (fact sheet, 6: the sloping forms
// were checked against the constant rows beside them).
func TestMasksHangTogether(t *testing.T) {
	seen := map[string]bool{}
	for _, b := range conformance.Bands() {
		list := b.Bandwidths(15 * rf.Kilohertz)
		if b.Refused != "" || len(list) == 0 {
			continue
		}
		for _, bw := range []rf.Hertz{list[0], list[len(list)-1]} {
			c, err := conformance.Place(b.Name, conformance.Middle, bw, 15*rf.Kilohertz)
			if err != nil {
				t.Fatal(err)
			}
			for _, d := range declarations() {
				masks, err := conformance.Requirements(conformance.Subject{Declaration: d, Carrier: c}, conformance.OperatingBandClause)
				if err == nil {
					checkMaskShape(t, masks, seen)
				}
			}
		}
	}
	// The sheet has 23 masks; no band above 1 GHz has the 3 MHz channel that
	// WA-A>1G-3M is for.
	if len(seen) != 22 {
		t.Errorf("%d masks were met: %v", len(seen), seen)
	}
}

func checkMaskShape(t *testing.T, masks []conformance.Requirement, seen map[string]bool) {
	t.Helper()
	for i, r := range masks {
		_, name, _ := strings.Cut(r.Title, "mask ")
		seen[name] = true
		if r.UpperTo != nil && *r.UpperTo >= *r.Upper {
			t.Errorf("%s %s: slopes up from %g to %g", r.Key, name, *r.Upper, *r.UpperTo)
		}
		if i+1 == len(masks) || masks[i+1].Side != r.Side {
			continue
		}
		next := masks[i+1]
		if next.OffsetFrom < r.OffsetTo {
			t.Errorf("%s %s: ends at %s, the next starts at %s", r.Key, name, r.OffsetTo, next.OffsetFrom)
		}
		if next.MeasurementBandwidth != r.MeasurementBandwidth {
			continue
		}
		if next.OffsetFrom != r.OffsetTo {
			t.Errorf("%s %s: f_offset jumps from %s to %s with the same filter", r.Key, name, r.OffsetTo, next.OffsetFrom)
		}
		if r.CoreTo != r.Core && math.Abs(r.CoreTo-next.Core) > 1e-9 {
			t.Errorf("%s %s: slope ends at %g, the next row starts at %g", r.Key, name, r.CoreTo, next.Core)
		}
		last := i+2 == len(masks) || masks[i+2].Side != r.Side
		if !last && next.Core > r.CoreTo+1e-9 {
			t.Errorf("%s %s: rises from %g to %g", r.Key, name, r.CoreTo, next.Core)
		}
	}
}

// The spurious ranges and the excluded region tile 9 kHz to the upper end.
func TestSpuriousRangesTile(t *testing.T) {
	for _, b := range conformance.Bands() {
		list := b.Bandwidths(15 * rf.Kilohertz)
		if b.Refused != "" || len(list) == 0 {
			continue
		}
		c, err := conformance.Place(b.Name, conformance.Bottom, list[0], 15*rf.Kilohertz)
		if err != nil {
			t.Fatal(err)
		}
		s := conformance.Subject{Carrier: c, Declaration: conformance.Declaration{
			Class: conformance.LocalArea, Category: "B", Type: conformance.Type1C, RatedPower: 20,
		}}
		delta, _ := b.DeltaOBUE(conformance.Type1C)
		end := 9 * rf.Kilohertz
		for _, r := range requirements(t, s, conformance.SpuriousEmissionsClause) {
			half := r.MeasurementBandwidth / 2
			switch r.Frequencies.Low {
			case end:
			case b.DL.High + delta + half:
				if end != b.DL.Low-delta-half {
					t.Errorf("%s: the cut starts at %s, want %s", b.Name, end, b.DL.Low-delta-half)
				}
			default:
				t.Errorf("%s: %s starts at %s, the one below ended at %s", b.Name, r.Key, r.Frequencies.Low, end)
			}
			end = r.Frequencies.High
		}
		if end != b.SpuriousUpper {
			t.Errorf("%s: ranges end at %s, want %s", b.Name, end, b.SpuriousUpper)
		}
	}
}
