package conformance_test

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"
	"time"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
)

// oracleFile was typed by hand and shares nothing with the data under test.
const oracleFile = "../../testdata/limits/oracle.csv"

// facts are the "key=value; key=value" cells of an oracle row.
type facts map[string]string

func parseFacts(cell string) facts {
	f := facts{}
	for part := range strings.SplitSeq(cell, ";") {
		key, value, _ := strings.Cut(part, "=")
		f[strings.TrimSpace(key)] = strings.TrimSpace(value)
	}
	return f
}

func (f facts) hertz(t *testing.T, key string) rf.Hertz {
	t.Helper()
	v, err := rf.ParseHertz(f[key])
	if err != nil {
		t.Fatalf("oracle: %s: %v", key, err)
	}
	return v
}

// number reads the figure in front of the unit.
func (f facts) number(t *testing.T, key string) float64 {
	t.Helper()
	var v float64
	if _, err := fmt.Sscan(f[key], &v); err != nil {
		t.Fatalf("oracle: %s=%q: %v", key, f[key], err)
	}
	return v
}

func TestOracle(t *testing.T) {
	checks := map[string]func(t *testing.T, given, expect facts){
		"frequency":          checkFrequency,
		"sync frequency":     checkSyncFrequency,
		"delta f_OBUE":       checkDelta,
		"spurious upper":     checkSpuriousUpper,
		"configuration":      checkConfiguration,
		"guard band":         checkGuard,
		"dynamic range":      checkDynamicRange,
		"mask":               checkMask,
		"reach":              checkReach,
		"leakage":            checkLeakage,
		"absolute leakage":   checkAbsoluteLeakage,
		"frequency error":    checkFrequencyError,
		"interferer offsets": checkInterferer,
		"off power window":   checkOffPowerWindow,
		"place":              checkPlace,
	}
	f, err := os.Open(oracleFile)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	seen := map[string]int{}
	for _, row := range rows[1:] {
		check, ok := checks[row[0]]
		if !ok {
			t.Errorf("oracle has a check %q that no test knows", row[0])
			continue
		}
		seen[row[0]]++
		t.Run(row[0]+"/"+row[1], func(t *testing.T) {
			check(t, parseFacts(row[1]), parseFacts(row[2]))
			if t.Failed() {
				t.Logf("source: %s", row[3])
			}
		})
	}
	for name := range checks {
		if seen[name] == 0 {
			t.Errorf("oracle has no row for %q", name)
		}
	}
}

// near compares two figures of decimal tables: half a unit in the twelfth digit.
func near(t *testing.T, what string, got, want float64) {
	t.Helper()
	if math.Abs(got-want) > 1e-12*math.Max(1, math.Abs(want)) {
		t.Errorf("%s is %v, want %v", what, got, want)
	}
}

func checkFrequency(t *testing.T, given, expect facts) {
	got, err := conformance.Frequency(int(given.number(t, "N_REF")))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "F_REF", float64(got), float64(expect.hertz(t, "F_REF")))
}

func checkSyncFrequency(t *testing.T, given, expect facts) {
	got, err := conformance.SyncFrequency(int(given.number(t, "GSCN")))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "SS_REF", float64(got), float64(expect.hertz(t, "SS_REF")))
}

func checkDelta(t *testing.T, given, expect facts) {
	for _, typ := range []string{"1-C", "1-H"} {
		got, err := band(t, given).DeltaOBUE(conformance.Type(typ))
		if err != nil {
			t.Fatal(err)
		}
		near(t, typ, float64(got), float64(expect.hertz(t, typ)))
	}
}

func checkSpuriousUpper(t *testing.T, given, expect facts) {
	near(t, "upper end", float64(band(t, given).SpuriousUpper), float64(expect.hertz(t, "top")))
}

func checkConfiguration(t *testing.T, given, expect facts) {
	bw, scs := given.hertz(t, "bandwidth"), given.hertz(t, "scs")
	n, err := conformance.ResourceBlocks(bw, scs)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "N_RB", float64(n), expect.number(t, "N_RB"))
	c := conformance.Carrier{SCS: scs, ResourceBlocks: n}
	near(t, "BW_Config", float64(c.Configured()), float64(expect.hertz(t, "BW_Config")))
}

func checkGuard(t *testing.T, given, expect facts) {
	got, err := conformance.GuardBand(given.hertz(t, "bandwidth"), given.hertz(t, "scs"))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "guard band", float64(got), float64(expect.hertz(t, "guard")))
}

func checkDynamicRange(t *testing.T, given, expect facts) {
	hits := 0
	for _, c := range cells() {
		if n, err := conformance.ResourceBlocks(c.bw, c.scs); err != nil || n != int(given.number(t, "N_RB")) {
			continue
		}
		hits++
		got, err := conformance.DynamicRange(c.bw, c.scs)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "dynamic range", float64(got), expect.number(t, "core"))
	}
	if hits == 0 {
		t.Errorf("no channel has %s resource blocks", given["N_RB"])
	}
}

func checkFrequencyError(t *testing.T, given, expect facts) {
	core, test, err := conformance.FrequencyError(conformance.Class(given["class"]), given.hertz(t, "carrier"))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "core", float64(core), float64(expect.hertz(t, "core")))
	near(t, "test", float64(test), float64(expect.hertz(t, "test")))
}

func checkInterferer(t *testing.T, given, expect facts) {
	for i, got := range conformance.InterfererOffsets(given.hertz(t, "bandwidth")) {
		near(t, "offset", float64(got), float64(expect.hertz(t, fmt.Sprint(i+1))))
	}
}

func checkOffPowerWindow(t *testing.T, given, expect facts) {
	got := conformance.OffPowerWindow(given.hertz(t, "scs"))
	near(t, "window", float64(got)/float64(time.Microsecond), expect.number(t, "window"))
}

func checkPlace(t *testing.T, given, expect facts) {
	for _, ch := range []string{"B", "M", "T"} {
		c := place(t, given, ch)
		var nref int
		var mhz float64
		if _, err := fmt.Sscanf(expect[ch], "%d at %f MHz", &nref, &mhz); err != nil {
			t.Fatal(err)
		}
		near(t, ch+" N_REF", float64(c.NREF), float64(nref))
		near(t, ch+" frequency", float64(c.Center), mhz*1e6)
	}
}
