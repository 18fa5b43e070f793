package main

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"benchyard/jobs/conformance"
	"benchyard/jobs/postgres"
	"benchyard/jobs/results"
	"benchyard/server/api"
)

// roundTour stores what a small round tour of units gives: two units on
// two benches, twice on each, under 2.4.0; then once more under 2.5.0, where
// the second fails. Levels are 30 dBm for unit 1 and 31 dBm for unit 2; bench-2
// reads 0.5 dB more; repeats differ by 0.02 dB. The upper limit is 40 dBm.
func roundTour(t *testing.T) (url string) {
	t.Helper()
	url = postgres.TestURL(t)
	command(t, exitDone, "lab", "apply", "../../testdata/lab/good/two-benches.yaml", "--database-url", url)
	pool, err := postgres.OpenPool(t.Context(), url, t.Name(), 0)
	if err != nil {
		t.Fatal(err)
	}
	defer pool.Close()
	sqlExec(t, pool, `INSERT INTO plan_version (name, content_hash, document, created_by) VALUES ('plan', 'h', '', 'test')`)
	sqlExec(t, pool, `INSERT INTO build (name, created_at) VALUES ('2.4.0', '2026-01-01'), ('2.5.0', '2026-02-01')
		ON CONFLICT (name) DO UPDATE SET created_at = excluded.created_at`)
	for unit := range 2 {
		for bench := range 2 {
			for repeat := range 2 {
				storeRun(t, pool, "2.4.0", unit, bench, 30+float64(unit)+0.5*float64(bench)+0.02*float64(repeat))
			}
		}
		storeRun(t, pool, "2.5.0", unit, 0, 30+12*float64(unit))
	}
	return url
}

func sqlExec(t *testing.T, pool *pgxpool.Pool, sql string, args ...any) {
	t.Helper()
	if _, err := pool.Exec(t.Context(), sql, args...); err != nil {
		t.Fatal(err)
	}
}

// storeRun stores a campaign of one run with one figure.
func storeRun(t *testing.T, pool *pgxpool.Pool, build string, unit, bench int, level float64) {
	t.Helper()
	campaign, run := uuid.Must(uuid.NewV7()), uuid.Must(uuid.NewV7())
	sqlExec(t, pool, `INSERT INTO campaign (id, name, plan_id, lab_id, build, simulated, limit_set, requested_by) VALUES ($1, 'c', 1, 1, $2, true, 's', 'test')`, campaign, build)
	sqlExec(t, pool, `INSERT INTO run (id, campaign_id, serial, unit_type, bench, cases) VALUES ($1, $2, $3, 'RU-T2', $4, 1)`,
		run, campaign, fmt.Sprintf("T2-%04d", unit+1), fmt.Sprintf("bench-%d", bench+1))
	sqlExec(t, pool, `INSERT INTO run_segment (run_id, number, title, cases) VALUES ($1, 1, 's', 1)`, run)
	upper, verdict := 40.0, conformance.Pass
	if level > upper {
		verdict = conformance.Fail
	}
	figure := conformance.Result{
		Requirement: conformance.Requirement{Key: "6.2", Clause: "6.2", Title: "t", Quantity: "q", Unit: "dBm", Core: 2, CoreSource: "s", Provenance: "spec"},
		Value:       level, Upper: &upper, Margin: upper - level, Verdict: verdict, Rule: "shared-risk",
	}
	c := results.Case{Key: "power", Position: 1, Clause: "6.2", Band: "n78", RFChannel: conformance.Middle, CarrierHz: 3.5e9, BandwidthHz: 100e6, SCSHz: 30e3,
		Connector: 1, TestModel: "NR-FR1-TM1.1", MeasuredAt: time.Now(), Results: []conformance.Result{figure}}
	err := pgx.BeginFunc(t.Context(), pool, func(tx pgx.Tx) error {
		if err := results.InsertCases(t.Context(), tx, run, 1, []results.Case{c}); err != nil {
			return err
		}
		if _, err := results.CloseRun(t.Context(), tx, run); err != nil {
			return err
		}
		_, err := tx.Exec(t.Context(), `UPDATE run SET state = 'done', finished_at = now() WHERE id = $1`, run)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}

func TestYieldComparesBuilds(t *testing.T) {
	url := roundTour(t)
	out, _ := command(t, exitDone, "yield", "--database-url", url, "--from", "2.4.0", "--to", "2.5.0")
	for _, want := range []string{
		"first-pass yield, 2.5.0 less 2.4.0", "2 of 2", "1 of 2", "-50.0",
		"RU-T2: 1 of 2 units passed before and fail now: look at each", "too few units", "units that changed from 2.4.0 to 2.5.0", "T2-0002",
	} {
		if !strings.Contains(out, want) {
			t.Errorf("the table lacks %q:\n%s", want, out)
		}
	}
	out, _ = command(t, exitDone, "yield", "--database-url", url, "--from", "2.4.0", "--to", "2.5.0", "--format", "json")
	var report api.YieldReport
	if err := json.Unmarshal([]byte(out), &report); err != nil {
		t.Fatal(err)
	}
	y := report.Comparison.Yields
	if len(y) != 1 || y[0].Pairs != 2 || y[0].Worse != 1 || y[0].Difference == nil || *y[0].Difference != -0.5 || len(report.Comparison.Margins) != 1 || report.Comparison.Level != 0.95 {
		t.Errorf("comparison %+v", report.Comparison)
	}
	out, _ = command(t, exitDone, "yield", "--database-url", url, "--format", "json")
	if !strings.Contains(out, `"changes": []`) || !strings.Contains(out, `"margins": []`) {
		t.Errorf("without builds to compare: %s", out)
	}
	if _, stderr := command(t, exitUsage, "yield", "--database-url", url, "--from", "2.4.0", "--to", "9"); !strings.Contains(stderr, "those that have are [2.4.0 2.5.0]") {
		t.Errorf("an unknown build: %s", stderr)
	}
}

// The variances follow by hand from the levels of roundTour: repeats 0.02 dB
// apart have a variance of 0.02²/2 = 0.0002, the interaction is nothing and is
// pooled: (0 + 4·0.0002)/5 = 0.00016. Benches half a decibel apart: the mean
// square 8·0.25² less 0.00016, over four readings each.
func TestYieldOfBenches(t *testing.T) {
	url := roundTour(t)
	out, _ := command(t, exitDone, "yield", "benches", "--database-url", url, "--format", "json")
	var report api.BenchReport
	if err := json.Unmarshal([]byte(out), &report); err != nil {
		t.Fatal(err)
	}
	if len(report.Studies) != 1 || len(report.Missing) != 1 || !strings.Contains(report.Missing[0], "RU-T2 under 2.5.0: none of 2 units") {
		t.Fatalf("report %+v", report)
	}
	s := report.Studies[0]
	for _, row := range []struct {
		what      string
		got, want float64
	}{
		{"repeatability", s.Repeatability, math.Sqrt(0.00016)},
		{"reproducibility", s.Reproducibility, math.Sqrt((8*0.25*0.25 - 0.00016) / 4)},
		{"bench-2", s.Benches[1].Deviation, 0.25},
	} {
		if math.Abs(row.got-row.want) > 1e-9 {
			t.Errorf("%s %v, want %v", row.what, row.got, row.want)
		}
	}
	if !s.Pooled || s.Repeats != 2 || s.Unit != "dB" || s.Build != "2.4.0" {
		t.Errorf("study %+v", s)
	}
	out, _ = command(t, exitDone, "yield", "benches", "--database-url", url)
	for _, want := range []string{"bench-1 -0.250, bench-2 +0.250", "mount at least 2 units", "below 10 % good"} {
		if !strings.Contains(out, want) {
			t.Errorf("the table lacks %q:\n%s", want, out)
		}
	}
}
