package dialect_test

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"

	"benchyard/instruments/dialect"
	"benchyard/instruments/scpi"
)

func TestStandardTablesAreWhole(t *testing.T) {
	for _, role := range dialect.Roles() {
		table := dialect.Standard(role)
		if table == nil || table.Name != dialect.StandardName || table.Role != role {
			t.Fatalf("%s: got %+v", role, table)
		}
		for _, c := range table.Capabilities() {
			if !table.Has(c) && !(role == "generator" && c == "prepare") {
				t.Errorf("%s: the standard cannot do %s", role, c)
			}
		}
	}
	if dialect.Standard("toaster") != nil {
		t.Error("a toaster has a table")
	}
}

func parse(t *testing.T, text string) *dialect.Table {
	t.Helper()
	table, err := dialect.Parse("north.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return table
}

func TestAnEntryReplacesTheInheritedOne(t *testing.T) {
	table := parse(t, `
name: north
role: analyzer
inherits: SCPI-1999
limits: {max_points: 1001}
timeouts: {preset: 2m}
commands:
  start_frequency: {set: "FSTART {frequency:6} MHZ", ask: "FSTART?", unit: MHz}
  sweep_time: {set: ["SWAUTO 0", "SWT {time}"], ask: "SWT?", unit: ms}
  gate_on: {unsupported: true}
`)
	for _, c := range []struct {
		capability string
		values     dialect.Values
		want       string
	}{
		{"start_frequency", dialect.Values{"frequency": dialect.Real(1842.5e6)}, "FSTART 1842.500000 MHZ"},
		{"stop_frequency", dialect.Values{"frequency": dialect.Real(2e9)}, ":FREQ:STOP 2E+09"},
		{"sweep_time", dialect.Values{"time": dialect.Real(0.25)}, "SWAUTO 0|SWT 2.5E+02"},
		{"points", dialect.Values{"points": dialect.Count(401)}, ":SWE:POIN 401"},
	} {
		got, err := table.Set(c.capability, c.values)
		if err != nil || strings.Join(got, "|") != c.want {
			t.Errorf("%s: got %q, %v; want %q", c.capability, got, err, c.want)
		}
	}
	if x, err := table.Number("start_frequency", []byte("1842.5")); x != 1842.5e6 || err != nil {
		t.Errorf("1842.5 MHz is %v, %v", x, err)
	}
	if _, err := table.Set("gate_on", nil); !errors.Is(err, dialect.ErrUnsupported) || table.Has("gate_on") {
		t.Errorf("gate: got %v", err)
	}
	if table.Limits["max_points"] != 1001 || table.Limits["max_attenuation"] != 70 {
		t.Errorf("limits are %v", table.Limits)
	}
	if got := table.Timeout("reset").String(); got != "2m0s" {
		t.Errorf("preset may take %s", got)
	}
}

func TestValuesThatCouldBecomeCommandsAreRefused(t *testing.T) {
	table := dialect.Standard("radio unit")
	for _, bad := range []string{"", "TM;*RST", "TM\n*RST", `TM"`, "TM'", "TM,2", "TM 1", "$(reboot)", "`id`", "a|b", "-rf", "тм"} {
		if got, err := table.Set("test_model", dialect.Values{"model": dialect.Name(bad)}); err == nil {
			t.Errorf("%q: sent as %q", bad, got)
		}
	}
	got, err := table.Set("test_model", dialect.Values{"model": dialect.Name("NR-FR1-TM1.1")})
	if err != nil || !slices.Equal(got, []string{`:CARR:TMOD "NR-FR1-TM1.1"`}) {
		t.Errorf("got %q, %v", got, err)
	}
}

func TestAnswers(t *testing.T) {
	table := parse(t, `
name: north
role: analyzer
inherits: SCPI-1999
commands:
  overload: {ask: "OVL?", on: [HOT], off: ["-"]}
  reference_locked: {ask: "STAT?", bit: 5}
  trace: {ask: "TRACE?", type: csv, unit: mW}
`)
	for answer, want := range map[string]bool{"HOT": true, "-": false, "1": true, "OFF": false, "hot": true} {
		if got, err := table.Bool("overload", []byte(answer)); got != want || err != nil {
			t.Errorf("%q: got %v, %v", answer, got, err)
		}
	}
	if locked, err := table.Bool("reference_locked", []byte("+48")); !locked || err != nil { // 32 + 16
		t.Errorf("bit 5 of 48: got %v, %v", locked, err)
	}
	for _, bad := range []string{"", "maybe", "2", "0.4"} {
		if _, err := table.Bool("overload", []byte(bad)); !errors.Is(err, scpi.ErrAnswer) {
			t.Errorf("%q: got %v", bad, err)
		}
	}
	got, err := table.Numbers("trace", []byte("1,0.1,1E-3")) // 1 mW is 0 dBm by definition
	near := func(a, b float64) bool { return math.Abs(a-b) < 1e-9 }
	if err != nil || !slices.EqualFunc(got, []float64{0, -10, -30}, near) {
		t.Errorf("got %v, %v", got, err)
	}
	for _, bad := range []string{"1,,2", "1,9.91E37", "1,2,", "1;2", "1,0"} {
		if got, err := table.Numbers("trace", []byte(bad)); err == nil {
			t.Errorf("%q: got %v", bad, got)
		}
	}
}
