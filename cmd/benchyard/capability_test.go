package main

import (
	"encoding/csv"
	"encoding/json"
	"math"
	"strings"
	"testing"

	"benchyard/jobs/postgres"
	"benchyard/server/api"
)

// manyUnits is a round tour with so many repeats that populations can be told: 24
// readings of 2 units on 2 benches.
func manyUnits(t *testing.T) (url string) {
	t.Helper()
	url = roundTour(t)
	pool, err := postgres.OpenPool(t.Context(), url, t.Name(), 0)
	if err != nil {
		t.Fatal(err)
	}
	defer pool.Close()
	sqlExec(t, pool, `INSERT INTO build (name, created_at) VALUES ('2.6.0', '2026-03-01')`)
	sqlExec(t, pool, `INSERT INTO radio_unit (serial, type, revision) SELECT 'T2-' || to_char(n, 'FM0000'), 'RU-T2', 'A' FROM generate_series(3, 24) n ON CONFLICT DO NOTHING`)
	for unit := range 24 {
		storeRun(t, pool, "2.6.0", unit, unit%2, 36+0.1*float64(unit%5))
	}
	return url
}

func TestCapabilityOfABuild(t *testing.T) {
	url := manyUnits(t)
	out, _ := command(t, exitDone, "yield", "capability", "--database-url", url)
	for _, want := range []string{"2.6.0", "RU-T2", "too few: an index needs 20 transmitters", "n counts transmitters", "n78 100 MHz, SCS 30 kHz, channel M, NR-FR1-TM1.1"} {
		if !strings.Contains(out, want) {
			t.Errorf("the table lacks %q:\n%s", want, out)
		}
	}
	out, _ = command(t, exitDone, "yield", "capability", "--database-url", url, "--build", "2.6.0", "--format", "json")
	var report api.CapabilityReport
	if err := json.Unmarshal([]byte(out), &report); err != nil || len(report.Capabilities) != 1 {
		t.Fatalf("%v: %s", err, out)
	}
	// Levels 36.0 to 36.4 in turn, five times each but the last: the mean margin to 40 dBm is 4 - (0.2*20 + 0.6)/24.
	c := report.Capabilities[0]
	if c.Transmitters != 24 || c.Overall.Cpk == nil || math.Abs(c.Mean-(4-4.6/24)) > 1e-9 || math.Abs(*c.Overall.Cpk-c.Mean/(3**c.SD)) > 1e-9 || *c.Overall.Low >= *c.Overall.Cpk {
		t.Errorf("capability %+v", c)
	}
	out, _ = command(t, exitDone, "yield", "capability", "--database-url", url, "--all", "--format", "csv")
	if rows, err := csv.NewReader(strings.NewReader(out)).ReadAll(); err != nil || len(rows) != 4 {
		t.Errorf("%v: %s", err, out)
	}
	if out, _ = command(t, exitDone, "yield", "outliers", "--database-url", url); !strings.Contains(out, "3 figures searched") {
		t.Errorf("outliers: %s", out)
	}
}

func TestChartOfAFigure(t *testing.T) {
	url := manyUnits(t)
	out, _ := command(t, exitDone, "yield", "chart", "--database-url", url, "--clause", "6.2")
	for _, want := range []string{"margins to the test requirement", "of 34 points signal", "1: beyond 3 sigma", "T2-0024"} {
		if !strings.Contains(out, want) {
			t.Errorf("the chart lacks %q:\n%s", want, out)
		}
	}
	out, _ = command(t, exitDone, "yield", "chart", "--database-url", url, "--build", "2.6.0", "--bench", "bench-1", "--format", "json")
	var chart api.FigureChart
	if err := json.Unmarshal([]byte(out), &chart); err != nil || len(chart.Points) != 12 || !chart.Provisional || chart.Unit != "dB" {
		t.Errorf("%v: %s", err, out)
	}
	for says, args := range map[string][]string{
		"4 readings, it takes at least 8": {"--unit", "T2-0001", "--bench", "bench-1"},
		"nothing was measured that fits":  {"--clause", "6.6.4"},
	} {
		if _, stderr := command(t, exitUsage, append([]string{"yield", "chart", "--database-url", url}, args...)...); !strings.Contains(stderr, says) {
			t.Errorf("%v: %q does not say %q", args, stderr, says)
		}
	}
}

// Metrology sheet 1.5: N(0, 0.12) read with 0.04 against ±0.2: 1.89422 % and
// 3.72078 % under simple acceptance, 468.634 in a million and 24.7670 % with w = U.
func TestRiskOfRules(t *testing.T) {
	url := manyUnits(t)
	out, _ := command(t, exitDone, "yield", "risk", "--mean", "0", "--sd", "0.12", "--standard-uncertainty", "0.04", "--lower=-0.2", "--upper", "0.2", "--rule", "simple", "--rule", "guarded:1", "--figures", "50")
	for _, want := range []string{"1.89 %", "3.72 %", "469 ppm", "24.77 %", "guarded, w = 1.00 U", "9.56 % of all units lie outside", "good unit rejected at 50"} {
		if !strings.Contains(out, want) {
			t.Errorf("the table lacks %q:\n%s", want, out)
		}
	}
	// Figures of the store without uncertainty: nothing to weigh.
	for says, args := range map[string][]string{
		"the figure has no uncertainty":       {"--build", "2.6.0"},
		"choose one build: 2.4.0 | 2.5.0":     {},
		"a spread to rely on takes 20":        {"--build", "2.4.0"},
		"either a figure that was measured":   {"--build", "2.4.0", "--mean", "0", "--sd", "1", "--standard-uncertainty", "1", "--upper", "1"},
		"nothing was measured that fits":      {"--type", "RU-X"},
		"a share of all units, between 0 and": {"--wanted", "1"},
	} {
		if _, stderr := command(t, exitUsage, append([]string{"yield", "risk", "--database-url", url}, args...)...); !strings.Contains(stderr, says) {
			t.Errorf("%v: %q does not say %q", args, stderr, says)
		}
	}
}
