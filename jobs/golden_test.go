package jobs

import (
	"bytes"
	"math"
	"strings"
	"testing"
	"time"

	"benchyard/jobs/lab"
	"benchyard/jobs/results"

	"github.com/google/uuid"
)

const onePower = `plan: one
carriers: [{band: n78, bandwidth: 100MHz, scs: 30kHz}]
tests: [{clause: 6.2, rf_channels: [M], connectors: [1]}]
`

// goldenSwing, in dB, is half the distance between the ten readings of goldenHistory,
// which alternate: their standard deviation is that times the root of 10/9.
const (
	goldenSwing = 0.5
	goldenSigma = goldenSwing * 1.0540926
)

// goldenHistory stores ten runs of the golden unit before the one run measured
// so far, from which their readings differ by below dB and the swing.
func (b *testBed) goldenHistory(run uuid.UUID, below float64) {
	b.t.Helper()
	for n := range 10 {
		id := uuid.Must(uuid.NewV7())
		swing := goldenSwing * float64(1-n%2*2)
		mustExec(b.t, b.pool, `INSERT INTO run (id, campaign_id, serial, unit_type, attempt, state, bench, verdict, cases, queued_at, started_at, finished_at, golden)
			SELECT $2, campaign_id, serial, unit_type, 10 + $3::int, state, bench, verdict, cases, queued_at, started_at, finished_at, true FROM run WHERE id = $1`, run, id, n)
		mustExec(b.t, b.pool, `INSERT INTO run_segment (run_id, number, title, cases, state) SELECT $2, number, title, cases, state FROM run_segment WHERE run_id = $1`, run, id)
		mustExec(b.t, b.pool, `INSERT INTO measured_case (run_id, segment, position, case_key, clause, band, rf_channel, carrier_hz, bandwidth_hz, scs_hz, connector, test_model, verdict, measured_at)
			SELECT $2, segment, position, case_key, clause, band, rf_channel, carrier_hz, bandwidth_hz, scs_hz, connector, test_model, verdict, measured_at + make_interval(secs => $3::int - 10)
			FROM measured_case WHERE run_id = $1`, run, id, n)
		mustExec(b.t, b.pool, `INSERT INTO measurement (case_id, requirement_key, clause, title, quantity, side, value, unit, lower_limit, upper_limit, margin, uncertainty, core, tolerance, verdict, rule, source, provenance)
			SELECT n.id, x.requirement_key, x.clause, title, quantity, side, value - $3::double precision, unit, lower_limit, upper_limit, margin, uncertainty, core, tolerance, x.verdict, rule, source, provenance
			FROM measurement x JOIN measured_case c ON c.id = x.case_id JOIN measured_case n ON n.run_id = $2 WHERE c.run_id = $1`, run, id, below-swing)
	}
}

// declareGolden applies the inventory again with a golden unit on the first bench.
func (b *testBed) declareGolden(serial string) {
	b.t.Helper()
	const name = "{name: bench-1, analyzer:"
	document := b.lab.Inventory()
	if bytes.Count(document, []byte(name)) != 1 {
		b.t.Fatalf("the inventory does not have one %q", name)
	}
	document = bytes.Replace(document, []byte(name), []byte("{golden_unit: "+serial+", golden_every: 24h, name: bench-1, analyzer:"), 1)
	if _, _, err := lab.Apply(b.t.Context(), b.pool, "lab.yaml", document, "ann"); err != nil {
		b.t.Fatal(err)
	}
}

// Earlier runs of the golden unit lie five sigma below what the bench reads now:
// another unit goes through, the golden unit holds the bench.
func TestGoldenUnitFarOutHoldsTheBench(t *testing.T) {
	t.Parallel() // it waits more than it works
	b := newTestBed(t, 1, nil)
	b.start("a", nil)
	first := b.submit(onePower, "T4-0001")["T4-0001"]
	b.await(first)
	b.goldenHistory(first, 5*goldenSigma)
	b.declareGolden("T4-0001")
	if b.await(b.submit(onePower, "T4-0002")["T4-0002"]); b.bench("bench-1").Hold != "" {
		t.Fatalf("a run of another unit holds the bench: %s", b.bench("bench-1").Hold)
	}
	check := b.submit(onePower, "T4-0001")["T4-0001"]
	if r := b.await(check); r.State != Done {
		t.Fatalf("the check ended as %+v", r)
	}
	hold := b.bench("bench-1").Hold
	for _, want := range []string{"golden unit T4-0001", "6.2", "connector 1", "reads", "dBm", "keep from", "release the bench"} {
		if !strings.Contains(hold, want) {
			t.Errorf("held because %q, want %q in it", hold, want)
		}
	}
	var told int
	if err := b.pool.QueryRow(t.Context(), `SELECT count(*) FROM event WHERE kind = 'bench' AND bench = 'bench-1' AND body->>'text' = 'held: ' || $1
		AND body->>'by' = 'golden unit T4-0001'`, hold).Scan(&told); err != nil || told != 1 {
		t.Errorf("%d events of the hold, %v", told, err)
	}
	next := b.submit(onePower, "T4-0002")["T4-0002"]
	eventually(t, "a run that says why it waits", func() bool {
		return strings.HasPrefix(run(t, b.pool, next).Blocked, "the bench is held: golden unit")
	})
	var again uuid.UUID
	var err error
	if again, err = Repeat(t.Context(), b.pool, check, "ann"); err != nil {
		t.Fatal(err)
	}
	var golden bool
	if err := b.pool.QueryRow(t.Context(), `SELECT golden FROM run WHERE id = $1`, again).Scan(&golden); err != nil || !golden {
		t.Errorf("the repeat of a golden run is golden: %v, %v", golden, err)
	}
}

// One sigma is what a steady bench shows; the figures say so, and the next check
// is due a day later.
func TestGoldenUnitOneSigmaOffHoldsNothing(t *testing.T) {
	b := newTestBed(t, 1, nil)
	b.start("a", nil)
	first := b.submit(onePower, "T4-0001")["T4-0001"]
	b.await(first)
	b.goldenHistory(first, goldenSigma)
	b.declareGolden("T4-0001")
	done := b.await(b.submit(onePower, "T4-0001")["T4-0001"])
	if hold := b.bench("bench-1").Hold; hold != "" {
		t.Errorf("held because %s", hold)
	}
	figures, err := results.GoldenFigures(t.Context(), b.pool, "bench-1", "T4-0001")
	if err != nil || len(figures) != 1 {
		t.Fatalf("%d figures, %v; want one", len(figures), err)
	}
	g := figures[0]
	// Nobody else disturbs the simulated bench: what it reads moves by far less than a sigma.
	if g.Earlier != 10 || g.Signal || g.Newest.Run != done.ID || math.Abs(g.Limits.SD-goldenSigma) > 1e-6 ||
		math.Abs((g.Newest.Value-g.Limits.Centre)/g.Limits.SD-1) > 0.5 {
		t.Errorf("figure %+v, want one sigma above ten earlier ones, no signal", g)
	}
	l, _, err := lab.Load(t.Context(), b.pool, 0)
	if err != nil {
		t.Fatal(err)
	}
	checks, err := GoldenChecks(t.Context(), b.pool, l)
	c := checks["bench-1"]
	if err != nil || c.Serial != "T4-0001" || c.Last == nil || !c.Last.Equal(*done.FinishedAt) || !c.Due().Equal(done.FinishedAt.Add(24*time.Hour)) {
		t.Errorf("check %+v, %v", c, err)
	}
	if at := *c.Due(); c.Overdue(at) || !c.Overdue(at.Add(time.Second)) {
		t.Error("overdue at another time than after it is due")
	}
}

func TestGoldenCheckWithoutScheduleOrRun(t *testing.T) {
	now := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	if c := (GoldenCheck{Last: &now}); c.Due() != nil || c.Overdue(now.AddDate(10, 0, 0)) {
		t.Error("due without a schedule")
	}
	if c := (GoldenCheck{Every: time.Hour}); !c.Overdue(now) {
		t.Error("never measured and not overdue")
	}
}

// What a person holds the bench for is not lost to what the golden unit says.
func TestGoldenHoldKeepsThatOfAPerson(t *testing.T) {
	b := newTestBed(t, 1, nil)
	b.start("a", nil)
	first := b.submit(onePower, "T4-0001")["T4-0001"]
	b.await(first)
	b.goldenHistory(first, 5*goldenSigma)
	mustExec(t, b.pool, `UPDATE run SET golden = true WHERE id = $1`, first)
	if err := HoldBench(t.Context(), b.pool, "bench-1", "new cables", "ann"); err != nil {
		t.Fatal(err)
	}
	tx, err := b.pool.Begin(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	changes, err := checkGolden(t.Context(), tx, first, "bench-1")
	if err != nil || len(changes) != 1 {
		t.Fatalf("%d changes, %v", len(changes), err)
	}
	if err := tx.Commit(t.Context()); err != nil {
		t.Fatal(err)
	}
	if hold := b.bench("bench-1").Hold; !strings.HasPrefix(hold, "new cables; golden unit T4-0001: ") {
		t.Errorf("held because %q", hold)
	}
}
