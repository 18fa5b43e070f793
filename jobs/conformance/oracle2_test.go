package conformance_test

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
)

// secondOracleFile says in its head where its rows come from.
const secondOracleFile = "../../testdata/limits/oracle2.csv"

// fewestRows keeps the second oracle from shrinking unseen.
const fewestRows = 400

// limitRow is one row of the second oracle, by the name of the column.
type limitRow map[string]string

func readSecondOracle(t *testing.T) []limitRow {
	t.Helper()
	f, err := os.Open(secondOracleFile)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	cells, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var rows []limitRow
	for _, line := range cells[1:] {
		row := limitRow{}
		for i, name := range cells[0] {
			row[name] = line[i]
		}
		rows = append(rows, row)
	}
	return rows
}

// name tells the rows apart in the output of a test.
func (r limitRow) name() string {
	parts := []string{r["key"], r["band"] + r["rf_channel"], r["bandwidth_mhz"] + "MHz", r["scs_khz"] + "kHz", r["class"], r["category"], r["type"], r["rated_dbm"] + "dBm"}
	for _, more := range []string{"conditions", "at"} {
		if r[more] != "" {
			parts = append(parts, r[more])
		}
	}
	return strings.Join(parts, " ")
}

func (r limitRow) number(t *testing.T, column string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(r[column], 64)
	if err != nil {
		t.Fatalf("oracle: %s: %v", column, err)
	}
	return v
}

// declaration is what the row says of the unit.
func (r limitRow) declaration(t *testing.T) conformance.Declaration {
	t.Helper()
	d := conformance.Declaration{
		Class: conformance.Class(r["class"]), Category: r["category"][:1], Type: conformance.Type(r["type"]),
		RatedPower: rf.DBm(r.number(t, "rated_dbm")), TransmitUnits: int(r.number(t, "units")),
	}
	if r["category"] == "B2" {
		d.CategoryBOption = 2
	}
	if option, ok := strings.CutPrefix(r["conditions"], "option="); ok {
		d.Options = []string{option}
	}
	return d
}

// requirement returns the limit with the key of the row; nil where there is none.
func (r limitRow) requirement(t *testing.T) (*conformance.Requirement, error) {
	t.Helper()
	carrier, err := conformance.Place(r["band"], conformance.RFChannel(r["rf_channel"]),
		rf.Hertz(r.number(t, "bandwidth_mhz"))*rf.Megahertz, rf.Hertz(r.number(t, "scs_khz"))*rf.Kilohertz)
	if err != nil {
		return nil, err
	}
	subject := conformance.Subject{Declaration: r.declaration(t), Carrier: carrier}
	if r["conditions"] == "extreme" {
		subject.Environment = conformance.Extreme
	}
	clause, _, _ := strings.Cut(r["key"], "/")
	list, err := conformance.Requirements(subject, clause)
	if err != nil {
		return nil, err
	}
	for _, q := range list {
		if q.Key == r["key"] {
			return &q, nil
		}
	}
	return nil, nil
}

// limit is what a requirement says at the place of a row.
type limit struct {
	core, tolerance float64
	lower, upper    *float64 // the test requirement
	filter          rf.Hertz
	unit            string
}

// at returns the limit of a requirement at f_offset in MHz (6.6.4), and checks
// that it applies at the place the row names.
func (r limitRow) at(t *testing.T, q conformance.Requirement) limit {
	t.Helper()
	l := limit{core: q.Core, tolerance: q.Tolerance, lower: q.Lower, upper: q.Upper, filter: q.MeasurementBandwidth, unit: q.Unit}
	if r["unit"] == "dBm/MHz" && q.Alternative != nil {
		upper := q.Alternative.PerMHz + q.Alternative.Tolerance
		l = limit{core: q.Alternative.PerMHz, tolerance: q.Alternative.Tolerance, upper: &upper, unit: "dBm/MHz"}
	}
	if r["at"] == "" {
		return l
	}
	place := rf.Hertz(r.number(t, "at")) * rf.Megahertz
	switch q.Clause {
	case conformance.SpuriousEmissionsClause:
		if !q.Frequencies.Contains(place) {
			t.Errorf("the limit runs from %s to %s, not over %s", q.Frequencies.Low, q.Frequencies.High, place)
		}
	default:
		if place < q.OffsetFrom-1e-3 || place > q.OffsetTo+1e-3 {
			t.Errorf("the limit runs from offset %s to %s, not over %s", q.OffsetFrom, q.OffsetTo, place)
		}
		if q.OffsetTo > q.OffsetFrom {
			share := float64((place - q.OffsetFrom) / (q.OffsetTo - q.OffsetFrom))
			l.core += (q.CoreTo - q.Core) * share
			if q.UpperTo != nil {
				upper := *q.Upper + (*q.UpperTo-*q.Upper)*share
				l.upper = &upper
			}
		}
	}
	return l
}

// bounds returns the test requirement that follows from core value and tolerance
// of a row; nil where the limit has no such bound.
func (r limitRow) bounds(t *testing.T) (lower, upper *float64) {
	t.Helper()
	core, tolerance := r.number(t, "core"), 0.0
	if r["tolerance"] != "unknown" {
		tolerance = r.number(t, "tolerance")
	}
	clause, _, _ := strings.Cut(r["key"], "/")
	low, high := core-tolerance, core+tolerance
	switch {
	case clause == "6.2":
		low, high = r.number(t, "rated_dbm")-high, r.number(t, "rated_dbm")+high
		return &low, &high
	case clause == "6.5.2":
		low = -high
		return &low, &high
	case r["unit"] == "dB":
		return &low, nil
	}
	return nil, &high
}

func checkBound(t *testing.T, which string, got, want *float64) {
	t.Helper()
	switch {
	case got == nil && want == nil:
	case got == nil || want == nil:
		t.Errorf("%s bound: got %v, want %v", which, got, want)
	case math.Abs(*got-*want) > 1e-6*max(1, math.Abs(*want)/1e6):
		t.Errorf("%s bound is %v, want %v", which, *got, *want)
	}
}

// Every row of the second oracle against the limit set.
func TestSecondOracle(t *testing.T) {
	rows := readSecondOracle(t)
	if len(rows) < fewestRows {
		t.Fatalf("%d rows, want at least %d", len(rows), fewestRows)
	}
	seen := map[string]bool{}
	for _, row := range rows {
		name := row.name()
		if row["unit"] == "dBm/MHz" {
			name += " absolute"
		}
		if name += " " + row["units"]; seen[name] {
			t.Errorf("row %q stands twice", name)
		}
		seen[name] = true
		t.Run(name, func(t *testing.T) {
			checkSecondOracle(t, row)
			if t.Failed() {
				t.Logf("row: %v\nsource: %s", row, row["source"])
			}
		})
	}
}

func checkSecondOracle(t *testing.T, row limitRow) {
	t.Helper()
	q, err := row.requirement(t)
	switch {
	case row["core"] == "refused":
		if err == nil {
			t.Errorf("got limits, want a refusal")
		}
		return
	case err != nil:
		t.Fatal(err)
	case row["core"] == "none":
		if q != nil {
			t.Errorf("got %g %s, want no limit", q.Core, q.Unit)
		}
		return
	case q == nil:
		t.Fatalf("there is no limit %s", row["key"])
	}
	got := row.at(t, *q)
	if want := row.number(t, "core"); math.Abs(got.core-want) > 1e-6*max(1, math.Abs(want)/1e6) {
		t.Errorf("core is %v %s, want %v", got.core, got.unit, want)
	}
	if tolerance := fmt.Sprint(got.tolerance); row["tolerance"] == "unknown" {
		if q.ToleranceKnown || got.tolerance != 0 {
			t.Errorf("tolerance is %s, want it unknown", tolerance)
		}
	} else if want := row.number(t, "tolerance"); math.Abs(got.tolerance-want) > 1e-9 || !q.ToleranceKnown {
		t.Errorf("tolerance is %s (known %v), want %v", tolerance, q.ToleranceKnown, want)
	}
	lower, upper := row.bounds(t)
	checkBound(t, "lower", got.lower, lower)
	checkBound(t, "upper", got.upper, upper)
	if got.unit != row["unit"] {
		t.Errorf("unit is %s, want %s", got.unit, row["unit"])
	}
	if row["filter_khz"] != "-" {
		if want := row.number(t, "filter_khz"); math.Abs(float64(got.filter)/1e3-want) > 1e-6 {
			t.Errorf("filter is %s, want %v kHz", got.filter, want)
		}
	}
}
