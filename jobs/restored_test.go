package jobs

import (
	"path/filepath"
	"testing"
	"time"

	"benchyard/jobs/backup"
	"benchyard/jobs/blob"
	"benchyard/jobs/conformance"
	"benchyard/jobs/postgres"
)

// A backup is made while a run is being measured. In the restored database the
// run goes on where the backup caught it: nothing is measured twice, nothing is
// left out, and no ticket came along.
func TestARunGoesOnAfterARestore(t *testing.T) {
	b := newTestBed(t, 1, nil)
	store := blob.NewStore(b.pool, blob.Place{Address: t.TempDir()})
	defer store.Close()
	first := b.start("first", func(o *AgentOptions) { o.Blobs, o.RowLimit = store, 1 })
	id := b.submit(powerPlan, "T4-0001")["T4-0001"]
	within(t, 30*time.Second, "a stored segment of an open run", func() bool {
		return b.count(`SELECT count(*) FROM run_segment s JOIN run r ON r.id = s.run_id WHERE s.state = 'done' AND r.state = 'active'`) > 0
	})
	path := filepath.Join(t.TempDir(), "b.zip")
	if _, err := backup.Write(t.Context(), backup.Source{Pool: b.pool, Blobs: store}, path); err != nil {
		t.Fatal(err)
	}
	if r := b.await(id); r.Verdict != conformance.Pass {
		t.Errorf("the first database: %+v", r)
	}
	b.stop(first)

	second := &testBed{t: t, pool: postgres.TestEmpty(t), lab: b.lab, journal: b.journal}
	objects := blob.NewStore(second.pool, blob.Place{Address: t.TempDir()})
	defer objects.Close()
	archive, err := backup.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer archive.Close()
	if err := archive.Restore(t.Context(), backup.Target{Pool: second.pool, Blobs: objects, Verify: true, Settle: SettleRestored}); err != nil {
		t.Fatal(err)
	}
	before := run(t, second.pool, id)
	if before.State != Active || before.CasesDone == 0 || before.CasesDone == before.CasesTotal {
		t.Fatalf("not caught in its middle: %+v", before)
	}
	if alive, err := AgentAlive(t.Context(), second.pool); err != nil || alive {
		t.Errorf("a lease came along: %t, %v", alive, err)
	}
	kept := second.count(`SELECT max(id) FROM measured_case`)
	token := second.count(`SELECT token FROM bench_lease`)
	second.start("second", func(o *AgentOptions) { o.Blobs, o.RowLimit = objects, 1 })
	after := second.await(id)
	if after.State != Done || after.Verdict != conformance.Pass || after.CasesDone != after.CasesTotal {
		t.Errorf("after the restore: %+v", after)
	}
	if n := second.count(`SELECT count(*) FROM measured_case WHERE id <= $1`, kept); n != before.CasesDone {
		t.Errorf("%d of the %d cases that were stored are left", n, before.CasesDone)
	}
	if now := second.count(`SELECT token FROM bench_lease`); now <= token {
		t.Errorf("the token went from %d to %d", token, now)
	}
	if said, err := TranscriptsOf(t.Context(), second.pool, objects, id); err != nil || len(said) < 4 || said[0].Lost != nil {
		t.Errorf("%d transcripts, %v", len(said), err)
	}
	b.mustBeClean()
}
