package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

var n78Top = []string{"limits", "--band", "n78", "--bandwidth", "100MHz", "--scs", "30kHz", "--class", "medium-range",
	"--category", "A", "--type", "1-C", "--rated-power", "37dBm", "--rf-channel", "T"}

// What a program may rely on in the limits, and figures that are known from
// elsewhere: TS 38.104 V19.4.0 6.2.2, 6.6.2, 6.6.3.2 T-1, 6.6.4.2.3 T-1 and
// 6.6.5.2.1 T-1; tolerances of TS 38.141-1 Annex C, from memory.
func TestLimitsAsJSON(t *testing.T) {
	out, _ := command(t, exitDone, append(n78Top, "--format", "json")...)
	var limits []map[string]any
	if err := json.Unmarshal([]byte(out), &limits); err != nil {
		t.Fatal(err)
	}
	byKey := map[string]map[string]any{}
	for _, l := range limits {
		for _, field := range []string{"clause", "quantity", "core", "tolerance", "lower", "upper", "unit",
			"measurement_bandwidth_hz", "offset_from_hz", "offset_to_hz", "provenance"} {
			if _, ok := l[field]; !ok {
				t.Fatalf("a limit has no %s: %v", field, l)
			}
		}
		byKey[l["key"].(string)] = l
	}
	for _, want := range []struct {
		key, field string
		value      float64
	}{
		{"6.2", "lower", 34}, {"6.2", "upper", 40}, {"6.2", "core", 2}, {"6.2", "tolerance", 1},
		{"6.6.2", "upper", 100e6},
		{"6.6.3/upper/1", "lower", 43.8}, {"6.6.3/upper/2", "offset_from_hz", 200e6}, {"6.6.3/lower/1", "measurement_bandwidth_hz", 98.28e6},
		{"6.6.4/upper/1", "core", -16}, {"6.6.4/upper/2", "upper", -21.2}, {"6.6.4/upper/3", "upper", -25}, {"6.6.4/upper/3", "offset_to_hz", 40e6},
		{"6.6.5/1", "upper", -13}, {"6.6.5/1", "measurement_bandwidth_hz", 1e3},
	} {
		if got := byKey[want.key][want.field]; got != want.value {
			t.Errorf("%s %s = %v, want %v", want.key, want.field, got, want.value)
		}
	}
}

func TestLimitsTableNamesTheAbsoluteLimit(t *testing.T) {
	out, _ := command(t, exitDone, n78Top...)
	for _, want := range []string{"or, if less stringent, -25 dBm/MHz", "NR-ARFCN 650000", "provisional", "+40 MHz"} {
		if !strings.Contains(out, want) {
			t.Errorf("the table lacks %q:\n%s", want, out)
		}
	}
}

// Wrong use and bad input end with code 2 and one message that says what and
// where.
func TestBadInput(t *testing.T) {
	dir := t.TempDir()
	garbage := filepath.Join(dir, "garbage.yaml")
	if err := os.WriteFile(garbage, []byte{0, 1, 2, 0xff}, 0o600); err != nil {
		t.Fatal(err)
	}
	with := func(flag, value string) []string {
		args := append([]string(nil), n78Top...)
		for i, a := range args {
			if a == flag {
				args[i+1] = value
			}
		}
		return args
	}
	for _, c := range []struct {
		args []string
		says string
	}{
		{nil, "expected one of"},
		{[]string{"frobnicate"}, "frobnicate"},
		{[]string{"limits", "--band", "n78"}, "--rated-power"},
		{with("--band", "n999"), "n999"},
		{with("--band", "n99"), "supplementary uplink"},
		{with("--bandwidth", "7MHz"), "possible are"},
		{with("--bandwidth", "100parsec"), "--bandwidth"},
		{with("--rated-power", "NaN"), "--rated-power"},
		{with("--class", "tall"), "wide-area"},
		{[]string{"plan", "check", filepath.Join(dir, "none.yaml")}, "none.yaml"},
		{[]string{"plan", "check", garbage}, "garbage.yaml"},
		{[]string{"plan", "check", dir}, dir},
		{[]string{"lab", "check", garbage}, "garbage.yaml"},
		{[]string{"plan", "check", "../../testdata/plans/bad/unknown-key.yaml"}, "unknown-key.yaml:7:5: unknown key"},
		{[]string{"sim", "--config", garbage}, "garbage.yaml"},
		{[]string{"run", "show", "nonsense"}, "nonsense"},
		{[]string{"yield", "--from", "2.4.0"}, "--to"},
		{[]string{"yield", "benches", "--from", "2.4.0"}, "--from"},
		{[]string{"yield", "risk", "--mean", "0", "--sd", "1"}, "--standard-uncertainty"},
		{[]string{"yield", "risk", "--mean", "0", "--sd", "1", "--standard-uncertainty", "1"}, "without a limit"},
		{[]string{"yield", "risk", "--mean", "0", "--sd", "1", "--standard-uncertainty", "1", "--upper", "2", "--rule", "guarded"}, "guard band factor"},
		{[]string{"yield", "risk", "--mean", "0", "--sd", "1", "--standard-uncertainty", "1", "--upper", "2", "--rule", "guarded:much"}, "guarded:0.83"},
		{[]string{"yield", "risk", "--mean", "0", "--sd", "1", "--standard-uncertainty", "1", "--upper", "2", "--wanted", "7"}, "between 0 and 1"},
		{[]string{"yield", "risk", "--mean", "0", "--sd=-1", "--standard-uncertainty", "1", "--upper", "2"}, "above zero"},
		{[]string{"yield", "risk", "--mean", "0", "--sd", "1", "--standard-uncertainty", "1", "--lower", "3", "--upper", "2"}, "no room"},
	} {
		_, stderr := command(t, exitUsage, c.args...)
		if !strings.Contains(stderr, c.says) {
			t.Errorf("benchyard %s: %q does not say %q", strings.Join(c.args, " "), stderr, c.says)
		}
	}
}

func TestHelpIsNoError(t *testing.T) {
	out, _ := command(t, exitDone, "--help")
	for _, word := range []string{"demo", "serve", "agent", "sim", "lab apply", "plan check", "campaign submit", "limits", "analyze spectrum", "yield", "path convert", "path compare", "path expiring"} {
		if !strings.Contains(out, word) {
			t.Errorf("the help does not mention %s", word)
		}
	}
}

// A database that cannot be reached is an error of the surroundings, code 3.
func TestUnreachableDatabase(t *testing.T) {
	_, stderr := command(t, exitError, "campaign", "list", "--database-url", "postgres://nobody@127.0.0.1:1/none?connect_timeout=2")
	if !strings.Contains(stderr, "127.0.0.1") {
		t.Errorf("the message does not say which database: %q", stderr)
	}
}
