package jobs

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"benchyard/jobs/blob"
	"benchyard/jobs/conformance"
	"benchyard/jobs/results"

	"github.com/google/uuid"
)

// withStore measures one unit with everything above limit in objects below dir.
func withStore(b *testBed, dir string, limit int) (RunSummary, *blob.Store) {
	b.t.Helper()
	store := blob.NewStore(b.pool, blob.Place{Address: dir})
	b.t.Cleanup(func() {
		if err := store.Close(); err != nil {
			b.t.Error(err)
		}
	})
	a := b.start("a", func(o *AgentOptions) { o.Blobs, o.RowLimit = store, limit })
	r := b.await(b.submit(powerPlan, "T4-0001")["T4-0001"])
	b.stop(a)
	if r.Verdict != conformance.Pass {
		b.t.Fatalf("%+v", r)
	}
	return r, store
}

// Rows hold the keys of what is too big for them; judged again from the objects,
// every figure is the same.
func TestBigEvidenceLiesInObjects(t *testing.T) {
	b := newTestBed(t, 1, nil)
	dir := t.TempDir()
	r, store := withStore(b, dir, 1)
	if n := b.count(`SELECT count(*) FROM trace WHERE levels IS NOT NULL OR blob IS NULL`); n != 0 {
		t.Errorf("%d traces in their rows", n)
	}
	if n := b.count(`SELECT count(*) FROM transcript WHERE body IS NOT NULL OR blob IS NULL`); n != 0 {
		t.Errorf("%d transcripts in their rows", n)
	}
	said, err := TranscriptsOf(t.Context(), b.pool, store, r.ID)
	if err != nil || len(said) != 4 || !strings.Contains(string(said[0].Text), "T4-0001\tsent\t") {
		t.Errorf("%d transcripts (%v)", len(said), err)
	}
	ask := func() results.Judgement {
		j, err := AskJudgement(t.Context(), b.pool, Rejudge{Runs: []uuid.UUID{r.ID}, Reason: "to compare", By: "ann", Program: "test"})
		if err != nil {
			t.Fatal(err)
		}
		if err := WorkJudgement(t.Context(), b.pool, store, j.ID, "test", testLogger(t)); err != nil {
			t.Fatal(err)
		}
		return judgement(t, b.pool, j.ID)
	}
	m := &measuredLab{b, nil}
	if j := ask(); j.Done != 1 || !bytes.Equal(m.verdictsAgain(j.ID, r.ID), m.verdicts(r.ID)) {
		t.Errorf("judged again from objects: %+v", j)
	}
	// A damaged object is an error of the run that names it.
	var key string
	if err := b.pool.QueryRow(t.Context(), `SELECT blob FROM trace ORDER BY case_id, number LIMIT 1`).Scan(&key); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(filepath.Join(dir, key[:2], key[2:]+".zst"), 30); err != nil {
		t.Fatal(err)
	}
	j := ask()
	runs, err := results.JudgementRuns(t.Context(), b.pool, j.ID)
	if err != nil || j.Errors != 1 || !strings.Contains(runs[0].Error, key) || !strings.Contains(runs[0].Error, "backup") {
		t.Errorf("a damaged object: %+v, %+v (%v)", j, runs, err)
	}
}

// Where the store fails, evidence stays in its rows and the run is measured.
func TestAStoreThatFailsCostsNoRun(t *testing.T) {
	b := newTestBed(t, 1, nil)
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	r, _ := withStore(b, filepath.Join(file, "below"), 1)
	if n := b.count(`SELECT count(*) FROM transcript WHERE body IS NULL`); n != 0 {
		t.Errorf("%d transcripts are lost", n)
	}
	traces := b.count(`SELECT count(*) FROM trace WHERE levels IS NOT NULL`)
	if traces == 0 || traces != b.count(`SELECT count(*) FROM trace`) {
		t.Errorf("%d traces in rows", traces)
	}
	if said, err := TranscriptsOf(t.Context(), b.pool, nil, r.ID); err != nil || said[0].Lost != nil {
		t.Errorf("transcripts: %v, %v", said[0].Lost, err)
	}
}
