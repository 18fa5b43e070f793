package jobs

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"benchyard/jobs/lab"

	"github.com/jackc/pgx/v5/pgxpool"
)

// nightly is a schedule on the paper lab: half past two in Berlin.
func nightly() ScheduleSpec {
	return ScheduleSpec{Name: "nightly", Timetable: "30 2 * * *", Zone: "Europe/Berlin", PlanFile: "short.yaml", PlanDocument: []byte(shortPlan), Build: "2.4.0", By: "ann"}
}

// evening is before the first firing of nightly, which is at 01:30 UTC.
func evening() time.Time { return time.Date(2026, 11, 25, 20, 0, 0, 0, time.UTC) }

// office is a paper lab with a schedule and a clock that the test sets.
type office struct {
	t    *testing.T
	pool *pgxpool.Pool
	mu   sync.Mutex
	now  time.Time
}

func newDesk(t *testing.T) *office {
	t.Helper()
	d := &office{t: t, pool: benchPool(t), now: evening()}
	if _, _, err := lab.Apply(t.Context(), d.pool, "lab.yaml", paperLab(40, "26.5GHz"), "ann"); err != nil {
		t.Fatal(err)
	}
	return d
}

func (d *office) clock() time.Time {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.now
}

// at sets the clock to so long after the evening and lets a clerk look once.
func (d *office) at(after time.Duration) {
	d.t.Helper()
	d.mu.Lock()
	d.now = evening().Add(after)
	d.mu.Unlock()
	if err := d.clerk(nil).tick(d.t.Context()); err != nil {
		d.t.Fatal(err)
	}
}

func (d *office) clerk(change func(*ClerkOptions)) *Clerk {
	d.t.Helper()
	o := ClerkOptions{Pool: d.pool, Clock: d.clock, Logger: testLogger(d.t)}
	if change != nil {
		change(&o)
	}
	c, err := NewClerk(o)
	if err != nil {
		d.t.Fatal(err)
	}
	return c
}

func (d *office) add(change func(*ScheduleSpec)) ScheduleStatus {
	d.t.Helper()
	spec := nightly()
	if change != nil {
		change(&spec)
	}
	s, err := AddSchedule(d.t.Context(), d.pool, spec, d.clock())
	if err != nil {
		d.t.Fatal(err)
	}
	return s
}

// firings returns "outcome missed" of each firing, oldest first.
func (d *office) firings(s ScheduleStatus) string {
	d.t.Helper()
	found, err := FiringsOf(d.t.Context(), d.pool, s.ID, 100)
	if err != nil {
		d.t.Fatal(err)
	}
	var all []string
	for _, f := range found {
		all = append([]string{fmt.Sprintf("%s %d", f.Outcome, f.Missed)}, all...)
	}
	return strings.Join(all, ", ")
}

// end makes every open run end as if it had been measured.
func (d *office) end(verdict string) {
	d.t.Helper()
	mustExec(d.t, d.pool, `UPDATE run SET state = CASE WHEN $1 = 'error' THEN 'error' ELSE 'done' END, verdict = $1, finished_at = now() WHERE state IN ('queued', 'active')`, verdict)
}

func (d *office) count(sql string, args ...any) (n int) {
	d.t.Helper()
	if err := d.pool.QueryRow(d.t.Context(), sql, args...).Scan(&n); err != nil {
		d.t.Fatal(err)
	}
	return n
}

func TestScheduleFiresWhenDueAndSaysWhenNext(t *testing.T) {
	d := newDesk(t)
	s := d.add(nil)
	var next []string
	for _, at := range s.Next(2) {
		next = append(next, at.Format(time.RFC3339))
	}
	if got := strings.Join(next, " "); got != "2026-11-26T02:30:00+01:00 2026-11-27T02:30:00+01:00" {
		t.Errorf("next %s", got)
	}
	d.at(5*time.Hour + 29*time.Minute)
	if d.firings(s) != "" {
		t.Fatalf("fired before it was due: %s", d.firings(s))
	}
	d.at(5*time.Hour + 30*time.Minute)
	d.at(5*time.Hour + 31*time.Minute)
	s, err := ScheduleByID(t.Context(), d.pool, s.ID)
	if err != nil || d.firings(s) != "fired 0" || s.Running == nil || s.Last.Campaign == nil || *s.Running != *s.Last.Campaign || !s.NextAt.Equal(evening().Add(29*time.Hour+30*time.Minute)) {
		t.Fatalf("schedule %+v with %s, %v", s, d.firings(s), err)
	}
	c, err := CampaignByID(t.Context(), d.pool, *s.Running)
	if err != nil || c.RequestedBy != "schedule nightly" || c.Name != "nightly" || c.Build != "2.4.0" || c.Units != 1 {
		t.Errorf("campaign %+v, %v", c, err)
	}
}

// However many clerks look at the same time, and however often.
func TestScheduleFiresOncePerDueTime(t *testing.T) {
	d := newDesk(t)
	s := d.add(func(s *ScheduleSpec) { s.Timetable, s.Zone = "*/10 * * * *", "" })
	for round := range 4 {
		d.mu.Lock()
		d.now = evening().Add(time.Duration(round+1) * 10 * time.Minute)
		d.mu.Unlock()
		var all sync.WaitGroup
		for range 6 {
			all.Go(func() {
				if err := d.clerk(nil).tick(context.WithoutCancel(t.Context())); err != nil {
					t.Error(err)
				}
			})
		}
		all.Wait()
		d.end("pass")
	}
	if got := d.firings(s); got != "fired 0, fired 0, fired 0, fired 0" || d.count(`SELECT count(*) FROM campaign`) != 4 {
		t.Errorf("firings %s, %d campaigns; want four", got, d.count(`SELECT count(*) FROM campaign`))
	}
}

func TestScheduleDoesNotOverlapItself(t *testing.T) {
	for overlap, want := range map[Overlap]string{
		OverlapSkip:  "fired 0, skipped 0, skipped 0, fired 0",
		OverlapQueue: "fired 0, fired 0, skipped 0, waiting 0",
	} {
		d := newDesk(t)
		s := d.add(func(s *ScheduleSpec) { s.Timetable, s.Zone, s.Overlap = "0 * * * *", "", overlap })
		d.at(time.Hour)
		d.at(2 * time.Hour)
		d.at(3 * time.Hour)
		d.end("fail")
		d.at(3*time.Hour + time.Minute) // what waits begins
		d.at(4 * time.Hour)
		if got := d.firings(s); got != want {
			t.Errorf("%s: %s, want %s", overlap, got, want)
		}
		found, err := FiringsOf(t.Context(), d.pool, s.ID, 2)
		if err != nil || overlap == OverlapQueue && !strings.Contains(found[0].Reason, "has not ended") {
			t.Errorf("%s: newest %+v, %v", overlap, found, err)
		}
		d.end("pass")
	}
}

// One catch-up at most, within the window, with the count of what was missed.
func TestScheduleCatchesUpOnce(t *testing.T) {
	late := func(d time.Duration) *time.Duration { return &d }
	for name, c := range map[string]struct {
		timetable string
		window    *time.Duration
		at        time.Duration
		want      string
		reason    string
	}{
		"within the window":    {"30 1 * * *", nil, 6 * time.Hour, "caught up 0", "30m0s late"},
		"three days later":     {"30 1 * * *", nil, 78 * time.Hour, "caught up 3", "3 due times before it"},
		"beyond the window":    {"30 1 * * *", late(10 * time.Minute), 6 * time.Hour, "missed 0", "more than the 10m0s"},
		"no window":            {"30 1 * * *", late(0), 6 * time.Hour, "missed 0", "more than the 0s"},
		"no window, in time":   {"30 1 * * *", late(0), 5*time.Hour + 30*time.Minute + 20*time.Second, "fired 0", ""},
		"every minute, a week": {"* * * * *", nil, 7 * 24 * time.Hour, "caught up 10079", "10079 due times"},
	} {
		d := newDesk(t)
		s := d.add(func(s *ScheduleSpec) { s.Timetable, s.Zone, s.CatchUp = c.timetable, "", c.window })
		d.at(c.at)
		d.at(c.at)
		found, err := FiringsOf(t.Context(), d.pool, s.ID, 9)
		if err != nil || d.firings(s) != c.want || !strings.Contains(found[0].Reason, c.reason) {
			t.Errorf("%s: %s because %+v, %v; want %s", name, d.firings(s), found, err, c.want)
		}
		if s, err = ScheduleByID(t.Context(), d.pool, s.ID); err != nil || !s.NextAt.After(d.clock()) {
			t.Errorf("%s: next %v at %s", name, s.NextAt, d.clock())
		}
	}
}

func TestScheduleIsPausedResumedRunAndRemoved(t *testing.T) {
	d := newDesk(t)
	ctx := t.Context()
	s := d.add(func(s *ScheduleSpec) { s.Overlap = OverlapQueue })
	if err := ResumeSchedule(ctx, d.pool, s.ID, "bob", d.clock()); !errors.Is(err, ErrEnded) {
		t.Errorf("resuming what is not paused: %v", err)
	}
	if err := PauseSchedule(ctx, d.pool, s.ID, "bob"); err != nil {
		t.Fatal(err)
	}
	if err := PauseSchedule(ctx, d.pool, s.ID, "bob"); !errors.Is(err, ErrEnded) {
		t.Errorf("pausing twice: %v", err)
	}
	d.at(30 * time.Hour)
	if got := d.firings(s); got != "" {
		t.Errorf("a paused schedule fired: %s", got)
	}
	f, err := RunSchedule(ctx, d.pool, s.ID, "bob")
	if err != nil || f.Outcome != "fired" || f.AskedBy != "bob" || f.Campaign == nil {
		t.Fatalf("run now: %+v, %v", f, err)
	}
	if f, err = RunSchedule(ctx, d.pool, s.ID, "bob"); err != nil || f.Outcome != "waiting" {
		t.Errorf("run again: %+v, %v", f, err)
	}
	if err := ResumeSchedule(ctx, d.pool, s.ID, "bob", d.clock()); err != nil {
		t.Fatal(err)
	}
	s, err = ScheduleByID(ctx, d.pool, s.ID)
	if err != nil || s.State != "active" || s.ChangedBy != "bob" || !s.NextAt.After(d.clock()) {
		t.Errorf("resumed %+v, %v", s, err)
	}
	if err := RemoveSchedule(ctx, d.pool, s.ID, "bob"); err != nil {
		t.Fatal(err)
	}
	if got := d.firings(s); got != "fired 0, skipped 0" {
		t.Errorf("firings %s; what waited is dropped", got)
	}
	d.end("pass")
	d.at(100 * time.Hour)
	if _, err := RunSchedule(ctx, d.pool, s.ID, "bob"); !errors.Is(err, ErrEnded) || d.count(`SELECT count(*) FROM campaign`) != 1 {
		t.Errorf("a removed schedule runs: %v, %d campaigns", err, d.count(`SELECT count(*) FROM campaign`))
	}
	if list, err := Schedules(ctx, d.pool); err != nil || len(list) != 0 {
		t.Errorf("%d schedules, %v", len(list), err)
	}
	d.add(nil) // its name is free
}

// What cannot be measured when it is due is recorded with the reason, and tried
// again at the next due time.
func TestScheduleWhoseUnitIsGone(t *testing.T) {
	d := newDesk(t)
	s := d.add(func(s *ScheduleSpec) { s.Serials = []string{"T4-0001"} })
	gone := strings.ReplaceAll(string(paperLab(40, "26.5GHz")), "T4-0001", "T4-0099")
	if _, _, err := lab.Apply(t.Context(), d.pool, "lab.yaml", []byte(gone), "ann"); err != nil {
		t.Fatal(err)
	}
	d.at(5*time.Hour + 30*time.Minute)
	found, err := FiringsOf(t.Context(), d.pool, s.ID, 1)
	if err != nil || len(found) != 1 || found[0].Outcome != "refused" || !strings.Contains(found[0].Reason, "T4-0001 is not in the inventory") {
		t.Errorf("firings %+v, %v", found, err)
	}
	if s, err = ScheduleByID(t.Context(), d.pool, s.ID); err != nil || s.State != "active" || !s.NextAt.After(d.clock()) {
		t.Errorf("schedule %+v, %v", s, err)
	}
}

func TestScheduleRefuses(t *testing.T) {
	d := newDesk(t)
	d.add(nil)
	month, negative := 31*24*time.Hour, -time.Second
	for says, change := range map[string]func(*ScheduleSpec){
		"never due":                    func(s *ScheduleSpec) { s.Timetable = "0 0 30 2 *" },
		"five":                         func(s *ScheduleSpec) { s.Timetable = "tonight" },
		"not the name of a time zone":  func(s *ScheduleSpec) { s.Zone = "Berlin/Europe" },
		"has no name":                  func(s *ScheduleSpec) { s.Name = " " },
		"201 characters":               func(s *ScheduleSpec) { s.Name = strings.Repeat("ü", 201) },
		"already":                      func(*ScheduleSpec) {},
		"neither skip nor queue":       func(s *ScheduleSpec) { s.Overlap = "both" },
		"not 744h0m0s":                 func(s *ScheduleSpec) { s.CatchUp = &month },
		"not -1s":                      func(s *ScheduleSpec) { s.CatchUp = &negative },
		"names no build":               func(s *ScheduleSpec) { s.Build = "" },
		"radio unit type RU-X":         func(s *ScheduleSpec) { s.Types = []string{"RU-X"} },
		"bench bench-9":                func(s *ScheduleSpec) { s.Benches = []string{"bench-9"} },
		"T4-9999":                      func(s *ScheduleSpec) { s.Serials = []string{"T4-9999"} },
		"not on the benches asked for": func(s *ScheduleSpec) { s.Serials, s.Benches = []string{"T4-0001"}, []string{"bench-9"} },
		"short.yaml:1":                 func(s *ScheduleSpec) { s.PlanDocument = []byte("nonsense: 1\n") },
	} {
		spec := nightly()
		change(&spec)
		_, err := AddSchedule(t.Context(), d.pool, spec, d.clock())
		var refused *RefusedError
		if !errors.As(err, &refused) || !strings.Contains(err.Error(), says) {
			t.Errorf("%v, want a refusal that says %q", err, says)
		}
	}
	if n := d.count(`SELECT count(*) FROM schedule`); n != 1 {
		t.Errorf("%d schedules are stored", n)
	}
}

func TestSubmissionWithAKeyIsQueuedOnce(t *testing.T) {
	d := newDesk(t)
	s := Submission{PlanFile: "short.yaml", PlanDocument: []byte(shortPlan), Build: "2.4.0", By: "ann", Once: Once{Operation: "test", Key: "k1", Hash: [32]byte{1}}}
	var all sync.WaitGroup
	ids := make([]string, 5)
	for i := range ids {
		all.Go(func() {
			c, err := Submit(t.Context(), d.pool, s)
			if err != nil {
				t.Error(err)
			}
			ids[i] = c.ID.String()
		})
	}
	all.Wait()
	for _, id := range ids {
		if id != ids[0] {
			t.Errorf("campaigns %q differ", ids)
			break
		}
	}
	other := s
	other.Once.Hash = [32]byte{2}
	if _, err := Submit(t.Context(), d.pool, other); !errors.Is(err, ErrReused) {
		t.Errorf("the key of another request: %v", err)
	}
	if n := d.count(`SELECT count(*) FROM campaign`); n != 1 {
		t.Errorf("%d campaigns", n)
	}
	// A day later the key counts no more; one that was refused never counted.
	mustExec(t, d.pool, `UPDATE idempotency_key SET made_at = now() - interval '25 hours'`)
	if c, err := Submit(t.Context(), d.pool, other); err != nil || c.ID.String() == ids[0] {
		t.Errorf("after a day: %s, %v", c.ID, err)
	}
	refused := s
	refused.Once.Key, refused.Build = "k2", ""
	if _, err := Submit(t.Context(), d.pool, refused); err == nil {
		t.Error("a submission without a build is queued")
	}
	refused.Build = "2.4.0"
	if _, err := Submit(t.Context(), d.pool, refused); err != nil {
		t.Errorf("mended, with the key of the refusal: %v", err)
	}
}
