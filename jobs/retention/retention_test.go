package retention

import (
	"errors"
	"fmt"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"benchyard/jobs/blob"
	"benchyard/jobs/lab"
	"benchyard/jobs/postgres"
)

// old is a lab with runs of the past.
type old struct {
	t        *testing.T
	pool     *pgxpool.Pool
	campaign uuid.UUID
	made     int
}

// newOld applies an inventory with a policy.
func newOld(t *testing.T, policy string) *old {
	t.Helper()
	o := &old{t: t, pool: postgres.Test(t), campaign: uuid.New()}
	document, err := os.ReadFile("../../testdata/lab/good/by-hand.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := lab.Apply(t.Context(), o.pool, "lab.yaml", append(document, ("\n"+policy+"\n")...), "ann"); err != nil {
		t.Fatal(err)
	}
	o.exec(`WITH p AS (INSERT INTO plan_version (name, content_hash, document, created_by) VALUES ('plan', 'h', '', 'test') RETURNING id),
		b AS (INSERT INTO build (name) VALUES ('b') RETURNING name)
		INSERT INTO campaign (id, name, plan_id, lab_id, build, simulated, limit_set, requested_by)
		SELECT $1, 'c', p.id, (SELECT max(id) FROM lab_version), b.name, true, 'set', 'test' FROM p, b`, o.campaign)
	return o
}

func (o *old) exec(sql string, args ...any) {
	o.t.Helper()
	if _, err := o.pool.Exec(o.t.Context(), sql, args...); err != nil {
		o.t.Fatal(err)
	}
}

func (o *old) count(sql string, args ...any) (n int) {
	o.t.Helper()
	if err := o.pool.QueryRow(o.t.Context(), sql, args...).Scan(&n); err != nil {
		o.t.Fatal(err)
	}
	return n
}

// run adds one that ended so many days ago, with a case that passed and one that
// failed, two traces each, and a transcript.
func (o *old) run(days int, golden bool) uuid.UUID {
	o.t.Helper()
	o.made++
	id := uuid.New()
	o.exec(`INSERT INTO radio_unit (serial, type, revision) VALUES ($1, 't', '')`, fmt.Sprint("old-", o.made))
	o.exec(`INSERT INTO run (id, campaign_id, serial, unit_type, cases, state, verdict, finished_at, golden)
		VALUES ($1, $2, $3, 't', 2, 'done', 'fail', now() - $4 * interval '1 day', $5)`, id, o.campaign, fmt.Sprint("old-", o.made), days, golden)
	o.exec(`INSERT INTO run_segment (run_id, number, title, cases) VALUES ($1, 1, '', 2)`, id)
	o.exec(`INSERT INTO transcript (run_id, segment, attempt, body) VALUES ($1, 1, 1, '\x0102030405')`, id)
	o.exec(`WITH c AS (
			INSERT INTO measured_case (run_id, segment, position, case_key, clause, band, rf_channel, carrier_hz, bandwidth_hz, scs_hz, connector, test_model, verdict, measured_at)
			SELECT $1, 1, n, 'k' || n, '6.2', 'n78', 'M', 1, 1, 1, 1, '', CASE n WHEN 1 THEN 'pass' ELSE 'fail' END, now() FROM generate_series(1, 2) n RETURNING id)
		INSERT INTO trace (case_id, number, role, start_hz, step_hz, points, rbw_hz, noise_bandwidth_hz, settings, levels)
		SELECT id, n, 'r', 1, 1, 1, 1, 1, '{}', sha256((id * 10 + n)::text::bytea) FROM c, generate_series(1, 2) n`, id)
	return id
}

// traces returns how many traces of cases with the verdict hold their levels in
// the row, in an object, and nowhere.
func (o *old) traces(run uuid.UUID, verdict string) (n [3]int) {
	o.t.Helper()
	for i, where := range []string{"levels IS NOT NULL", "blob IS NOT NULL", "levels IS NULL AND blob IS NULL"} {
		n[i] = o.count(`SELECT count(*) FROM trace JOIN measured_case c ON c.id = case_id WHERE c.run_id = $1 AND verdict = $2 AND `+where, run, verdict)
	}
	return n
}

func (o *old) worker() Worker {
	store := blob.NewStore(o.pool, blob.Place{Address: o.t.TempDir()})
	o.t.Cleanup(func() {
		if err := store.Close(); err != nil {
			o.t.Error(err)
		}
	})
	return Worker{Pool: o.pool, Blobs: store}
}

func (o *old) round(w Worker) map[string]Amount {
	o.t.Helper()
	done, err := w.Round(o.t.Context())
	if err != nil || done.Busy {
		o.t.Fatalf("%+v, %v", done, err)
	}
	return byKind(done.Amounts)
}

func byKind(list []Amount) map[string]Amount {
	m := map[string]Amount{}
	for _, a := range list {
		m[a.What] = a
	}
	return m
}

const policy = "retention: {move_days: 10, passed_traces_days: 100, other_traces_days: 1000, transcripts_days: 500, events_days: 5}"

func TestEvidenceGoesByAgeAndVerdict(t *testing.T) {
	o := newOld(t, policy)
	ages := map[string]uuid.UUID{"young": o.run(9, false), "moved": o.run(11, false), "passed": o.run(101, false),
		"transcripts": o.run(501, false), "all": o.run(1001, false), "golden": o.run(2000, true)}
	figures := o.count(`SELECT count(*) FROM measured_case`)
	w := o.worker()
	forecast, text, err := w.Forecast(t.Context())
	if err != nil || !strings.Contains(text, "passed cases 100 days") {
		t.Errorf("%q, %v", text, err)
	}
	done := o.round(w)
	for what, f := range byKind(forecast) {
		d := done[what]
		f.Oldest = nil
		if what == PassedTraces || what == OtherTraces { // moved in the same round: as many, in other places
			d.Bytes = f.Bytes
		}
		if f != d {
			t.Errorf("%s: forecast %+v, done %+v", what, f, d)
		}
	}
	for name, want := range map[string]struct {
		passed, failed [3]int
		said           int
		text           string
	}{
		"young":       {[3]int{2, 0, 0}, [3]int{2, 0, 0}, 1, "complete"},
		"moved":       {[3]int{0, 2, 0}, [3]int{0, 2, 0}, 1, "complete"},
		"passed":      {[3]int{0, 0, 2}, [3]int{0, 2, 0}, 1, "passed traces thinned on " + time.Now().UTC().Format(time.DateOnly) + " under inventory 1"},
		"transcripts": {[3]int{0, 0, 2}, [3]int{0, 2, 0}, 0, "transcripts thinned"},
		"all":         {[3]int{0, 0, 2}, [3]int{0, 0, 2}, 0, "other traces thinned"},
		"golden":      {[3]int{0, 2, 0}, [3]int{0, 2, 0}, 1, "complete"},
	} {
		id := ages[name]
		if got := o.traces(id, "pass"); got != want.passed {
			t.Errorf("%s: traces of the passed case in rows, objects, nowhere: %v, want %v", name, got, want.passed)
		}
		if got := o.traces(id, "fail"); got != want.failed {
			t.Errorf("%s: traces of the failed case: %v, want %v", name, got, want.failed)
		}
		if n := o.count(`SELECT count(*) FROM transcript WHERE run_id = $1 AND body IS NOT NULL`, id); n != want.said {
			t.Errorf("%s: %d transcripts", name, n)
		}
		left, err := Of(t.Context(), o.pool, id)
		if err != nil || !strings.Contains(left.String(), want.text) {
			t.Errorf("%s: %q (%v), want %q", name, left, err, want.text)
		}
	}
	if n := o.count(`SELECT count(*) FROM measured_case`); n != figures {
		t.Errorf("%d of %d cases are left", n, figures)
	}
	o.sameLevels(w, ages["moved"])
	for what, a := range o.round(w) {
		if a.Pieces != 0 || a.Runs != 0 {
			t.Errorf("a second round: %s %+v", what, a)
		}
	}
}

// sameLevels holds the moved levels against those that were made.
func (o *old) sameLevels(w Worker, run uuid.UUID) {
	o.t.Helper()
	rows, err := o.pool.Query(o.t.Context(), `SELECT blob, blob_from, blob_size, sha256((case_id * 10 + number)::text::bytea)
		FROM trace JOIN measured_case c ON c.id = case_id WHERE c.run_id = $1`, run)
	if err != nil {
		o.t.Fatal(err)
	}
	defer rows.Close()
	n := 0
	for ; rows.Next(); n++ {
		var key blob.Key
		var from, size int64
		var want []byte
		if err := rows.Scan(&key, &from, &size, &want); err != nil {
			o.t.Fatal(err)
		}
		content, err := w.Blobs.Get(o.t.Context(), key)
		if err != nil || string(content[from:from+size]) != string(want) {
			o.t.Errorf("levels at %d of %s are others (%v)", from, key, err)
		}
	}
	if n != 4 {
		o.t.Errorf("%d traces", n)
	}
}

func TestWhatIsHeldStays(t *testing.T) {
	o := newOld(t, policy)
	byRun, byUnit, free := o.run(2000, false), o.run(2000, false), o.run(2000, false)
	held, err := Keep(t.Context(), o.pool, Subject{Run: byRun}, "dispute 12", "ann")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Keep(t.Context(), o.pool, Subject{Serial: "old-2"}, "field return", "bob"); err != nil {
		t.Fatal(err)
	}
	w := o.worker()
	forecast, _, err := w.Forecast(t.Context())
	if f := byKind(forecast)[PassedTraces]; err != nil || f.Runs != 1 || f.Held != 2 {
		t.Errorf("forecast %+v, %v", f, err)
	}
	o.round(w)
	for id, want := range map[uuid.UUID][3]int{byRun: {2, 0, 0}, byUnit: {2, 0, 0}, free: {0, 0, 2}} {
		if got := o.traces(id, "fail"); got != want {
			t.Errorf("traces %v, want %v", got, want)
		}
	}
	left, err := Of(t.Context(), o.pool, byRun)
	if err != nil || !strings.HasPrefix(left.String(), "complete; held by ann since ") || !strings.Contains(left.String(), "dispute 12") {
		t.Errorf("%q, %v", left, err)
	}
	if err := Release(t.Context(), o.pool, held, "settled", "cyd"); err != nil {
		t.Fatal(err)
	}
	if err := Release(t.Context(), o.pool, held, "settled", "cyd"); !errors.Is(err, ErrReleased) {
		t.Errorf("released twice: %v", err)
	}
	o.round(w)
	if got := o.traces(byRun, "fail"); got != [3]int{0, 0, 2} {
		t.Errorf("released: %v", got)
	}
	open, err := Holds(t.Context(), o.pool, false)
	all, err2 := Holds(t.Context(), o.pool, true)
	if err != nil || err2 != nil || len(open) != 1 || len(all) != 2 || *all[0].ReleasedBy != "cyd" || all[0].HeldBy != "ann" {
		t.Errorf("open %+v, all %+v", open, all)
	}
	if _, err := Keep(t.Context(), o.pool, Subject{Campaign: o.campaign}, "everything", "ann"); err != nil {
		t.Error(err)
	}
	for name, bad := range map[string]struct {
		subject    Subject
		reason, by string
	}{
		"nothing":    {Subject{}, "r", "a"},
		"two":        {Subject{Run: byRun, Serial: "old-1"}, "r", "a"},
		"no reason":  {Subject{Run: byRun}, " ", "a"},
		"no name":    {Subject{Run: byRun}, "r", ""},
		"no such":    {Subject{Serial: "nobody"}, "r", "a"},
		"no run":     {Subject{Run: uuid.New()}, "r", "a"},
		"a romance":  {Subject{Run: byRun}, strings.Repeat("x", longestReason+1), "a"},
		"a campaign": {Subject{Campaign: byRun}, "r", "a"},
	} {
		if _, err := Keep(t.Context(), o.pool, bad.subject, bad.reason, bad.by); err == nil {
			t.Errorf("%s was held", name)
		}
	}
}

// Holds are entered while several processes thin: what was held before its turn
// is whole, what was not is thinned whole, and nothing is done twice.
func TestHoldsAgainstRounds(t *testing.T) {
	o := newOld(t, "retention: {passed_traces_days: 10, other_traces_days: 10}")
	var runs []uuid.UUID
	for range 60 {
		runs = append(runs, o.run(20, false))
	}
	var work sync.WaitGroup
	for range 3 {
		work.Go(func() {
			if _, err := (Worker{Pool: o.pool}).Round(t.Context()); err != nil {
				t.Error(err)
			}
		})
	}
	work.Go(func() {
		for i := len(runs) - 1; i > len(runs)/2; i-- {
			if _, err := Keep(t.Context(), o.pool, Subject{Run: runs[i]}, "r", "a"); err != nil {
				t.Error(err)
			}
		}
	})
	work.Wait()
	o.round(Worker{Pool: o.pool})
	for i, id := range runs {
		kept := o.traces(id, "pass")[0] + o.traces(id, "fail")[0]
		if i <= len(runs)/2 && kept != 0 {
			t.Errorf("run %d: nobody held it, and %d traces are left", i, kept)
		}
		if kept == 4 && o.count(`SELECT count(*) FROM evidence_change WHERE run_id = $1`, id) != 0 {
			t.Errorf("run %d is whole and recorded as thinned", i)
		}
	}
	if n := o.count(`SELECT count(*) FROM trace WHERE levels IS NULL`) - o.count(`SELECT sum(pieces) FROM evidence_change`); n != 0 {
		t.Errorf("%d more traces are thinned than were recorded", n)
	}
}

func TestEventsArePruned(t *testing.T) {
	o := newOld(t, policy)
	o.exec(`DELETE FROM event`)
	o.exec(`INSERT INTO event (kind, at) SELECT 'lab', now() - n * interval '1 day' FROM generate_series(1, 8) n`)
	// Days 5 to 7; 8 has the highest number.
	if n := o.round(Worker{Pool: o.pool})[Events].Pieces; n != 3 {
		t.Errorf("%d events went", n)
	}
	if n := o.count(`SELECT count(*) FROM event WHERE at < now() - interval '5 days'`); n > 1 {
		t.Errorf("%d old events are left; only the one with the highest number may be", n)
	}
}

func TestWithoutAPolicyNothingIsThinned(t *testing.T) {
	o := newOld(t, "")
	id := o.run(9999, false)
	done := o.round(o.worker())
	if len(done) != 1 || o.traces(id, "pass") != [3]int{2, 0, 0} {
		t.Errorf("%+v, %v", done, o.traces(id, "pass"))
	}
}
