package jobs

import (
	"errors"
	"os"
	"reflect"
	"strings"
	"testing"
	"time"

	"benchyard/instruments/rf"
	"benchyard/jobs/calibration"
	"benchyard/jobs/lab"
	"benchyard/jobs/postgres"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"
)

// pathLab is an inventory on paper with one path of interest, and the day on
// which the tests take place.
type pathLab struct {
	t    *testing.T
	pool *pgxpool.Pool
	text string
	now  time.Time
}

var padPlace = PathPlace{Bench: "bench-2", Slot: 1, Connector: 1}

// newPathLab applies the good inventory, with elements of one path: its
// correction has 39.8 dB at 9 kHz, 40.6 dB at 3.5 GHz and 43.9 dB at 26.5 GHz.
func newPathLab(t *testing.T) *pathLab {
	t.Helper()
	const dir = "../testdata/lab/good"
	data, err := os.ReadFile(dir + "/two-benches.yaml")
	if err != nil {
		t.Fatal(err)
	}
	_, complete, err := lab.ParseIn(os.DirFS(dir), "two-benches.yaml", data)
	if err != nil {
		t.Fatal(err)
	}
	const place = "  - bench: bench-2\n    slot: 1\n    connector: 1\n"
	if strings.Count(string(complete), place) != 1 {
		t.Fatal("the inventory has another layout")
	}
	p := &pathLab{t: t, pool: postgres.Test(t), text: strings.Replace(string(complete), place, place+"    elements: [cable-27, pad-3]\n", 1),
		now: time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)}
	p.apply(p.text)
	return p
}

func (p *pathLab) apply(text string) {
	p.t.Helper()
	if _, _, err := lab.Apply(p.t.Context(), p.pool, "lab.yaml", []byte(text), "ann"); err != nil {
		p.t.Fatal(err)
	}
}

// exchange applies the inventory with other elements in the path.
func (p *pathLab) exchange(elements string) {
	p.t.Helper()
	p.apply(strings.Replace(p.text, "elements: [cable-27, pad-3]", elements, 1))
}

// inForce returns the path as the newest inventory has it.
func (p *pathLab) inForce() (*lab.Lab, lab.Path) {
	p.t.Helper()
	l, _, err := lab.Load(p.t.Context(), p.pool, 0)
	if err != nil {
		p.t.Fatal(err)
	}
	path, ok := l.PathFor(padPlace.Bench, padPlace.Slot, padPlace.Connector)
	if !ok {
		p.t.Fatal("no path")
	}
	return l, path
}

// proposal is one that nothing stands against: the same as in force, within
// its uncertainty.
func (p *pathLab) proposal() PathProposal {
	return PathProposal{
		PathPlace: padPlace, Source: MeasuredPath, Origin: "a test", MeasuredBy: "Mary Jones", MeasuredAt: p.now, Analyzer: "sa-2",
		Rows: rowsOf(rf.Correction{{Frequency: 9e3, Loss: 39.9, Uncertainty: 0.2}, {Frequency: 3.5e9, Loss: 40.7, Uncertainty: 0.2}, {Frequency: 26.5e9, Loss: 44, Uncertainty: 0.3}}),
	}
}

func rowsOf(c rf.Correction) []calibration.Row {
	rows := make([]calibration.Row, len(c))
	for i, p := range c {
		rows[i].CorrectionPoint = p
	}
	return rows
}

func (p *pathLab) propose(q PathProposal) uuid.UUID {
	p.t.Helper()
	id, err := Propose(p.t.Context(), p.pool, q)
	if err != nil {
		p.t.Fatal(err)
	}
	return id
}

func (p *pathLab) approve(id uuid.UUID, a Approval) (PathDecision, error) {
	if a.By == "" {
		a.By = "Bob"
	}
	a.Now = p.now
	return Approve(p.t.Context(), p.pool, id, a)
}

func (p *pathLab) correction(id uuid.UUID) PathCorrection {
	p.t.Helper()
	c, err := PathCorrectionByID(p.t.Context(), p.pool, id)
	if err != nil {
		p.t.Fatal(err)
	}
	return c
}

// An approved correction stands in the place of that of the file, stays there
// when the file is applied again, and goes when its path goes.
func TestApprovedCorrectionIsInForce(t *testing.T) {
	p := newPathLab(t)
	_, was := p.inForce()
	q := p.proposal()
	q.Readings = []calibration.Reading{{Frequency: 9e3, Meter: []float64{0, 0}, Analyzer: []float64{-39.9, -39.9}}}
	id := p.propose(q)
	if _, path := p.inForce(); !reflect.DeepEqual(path, was) {
		t.Error("a proposal counts before it was approved")
	}
	d, err := p.approve(id, Approval{})
	if err != nil {
		t.Fatal(err)
	}
	l, path := p.inForce()
	if d.ValidUntil.String() != "2027-11-25" || path.ValidUntil != d.ValidUntil { // 365 days after it was measured
		t.Errorf("valid until %s, the path until %s", d.ValidUntil, path.ValidUntil)
	}
	if a := path.Approved; !reflect.DeepEqual(path.Correction, calibration.Correction(q.Rows)) || a == nil || a.ID != id.String() ||
		a.MeasuredBy != "Mary Jones" || a.ApprovedBy != "Bob" || a.Analyzer != "sa-2" || !reflect.DeepEqual(a.Elements, []string{"cable-27", "pad-3"}) {
		t.Errorf("in force %+v", path)
	}
	if c := p.correction(id); c.State != PathApproved || c.Version != d.Version || c.Before == 0 || c.Before == c.Version || c.ValidUntil != d.ValidUntil || len(c.Rows) != 3 {
		t.Errorf("stored %+v", c)
	}
	p.apply(p.text)
	again, _ := p.inForce()
	if !reflect.DeepEqual(again.Corrections, l.Corrections) {
		t.Error("not kept when the file was applied again")
	}
	second := p.propose(p.proposal())
	if _, err := p.approve(second, Approval{}); err != nil {
		t.Fatal(err)
	}
	if first := p.correction(id); first.State != PathSuperseded {
		t.Errorf("the first one is %s", first.State)
	}
	gone := strings.Replace(p.text, "connector: 1\n    elements: [cable-27, pad-3]", "connector: 7", 1)
	gone = strings.Replace(gone, `, bench: bench-2, slot: 1, resource: "TCPIP::192.0.2.32::5025::SOCKET"}`, "}", 1)
	p.apply(gone)
	if l, _, err := lab.Load(t.Context(), p.pool, 0); err != nil || len(l.Corrections) != 0 {
		t.Errorf("the path is gone, %+v is still in force (%v)", l.Corrections, err)
	}
}

// What stands against an approval is refused, every reason of it, and nothing is
// stored.
func TestApprovalsThatAreRefused(t *testing.T) {
	p := newPathLab(t)
	narrow := p.proposal()
	narrow.Rows = narrow.Rows[:2]
	far := p.proposal()
	far.Rows = rowsOf(rf.Correction{{Frequency: 9e3, Loss: 39.8, Uncertainty: 0.2}, {Frequency: 3.5e9, Loss: 41, Uncertainty: 0.2}, {Frequency: 26.5e9, Loss: 43.9, Uncertainty: 0.3}})
	old := p.proposal()
	old.MeasuredAt = p.now.AddDate(0, 0, -366)
	alone := p.proposal()
	alone.Analyzer = ""
	for _, c := range []struct {
		name     string
		q        PathProposal
		a        Approval
		elements string // that the path gets after it was measured
		sql      string
		says     string // empty: approved
	}{
		{name: "in the name of who measured", q: p.proposal(), a: Approval{By: "Mary Jones"}, says: "Mary Jones measured it; somebody else has to approve it"},
		{name: "in another spelling of the name", q: p.proposal(), a: Approval{By: " mary   JONES "}, says: "somebody else has to approve it"},
		{name: "nameless", q: p.proposal(), a: Approval{By: " "}, says: "the name of who approves is missing"},
		{name: "two lines", q: p.proposal(), a: Approval{Reason: "a\nb"}, says: "the reason has to be text on one line"},
		{name: "an element was exchanged", q: p.proposal(), elements: "elements: [cable-28, pad-3]", says: "cable-27 is gone, cable-28 is new; measure it again"},
		{name: "the other way round", q: p.proposal(), elements: "elements: [pad-3, cable-27]"},
		{name: "out of date by the days of the lab", q: old, says: "valid until 2026-11-24, which is over"},
		{name: "out of date by what was said", q: p.proposal(), a: Approval{ValidUntil: lab.DateOf(p.now.AddDate(0, 0, -1))}, says: "valid until 2026-11-24, which is over"},
		{name: "good today", q: p.proposal(), a: Approval{ValidUntil: lab.DateOf(p.now)}},
		{name: "good to the last day", q: p.proposal(), a: Approval{ValidUntil: lab.DateOf(p.now.AddDate(0, 0, 365))}},
		{name: "good for longer", q: p.proposal(), a: Approval{ValidUntil: lab.DateOf(p.now.AddDate(0, 0, 366))}, says: "365 days after it was measured, as correction_days of the inventory has it, is 2027-11-25"},
		{name: "older than it may get", q: old, a: Approval{ValidUntil: lab.DateOf(p.now)}, says: "say that day or an earlier one"},
		{name: "narrower", q: narrow, says: "covers less than the correction in force"},
		{name: "narrower and meant so", q: narrow, a: Approval{Narrower: true}},
		// 0.4 dB beside sqrt(0.2² + 0.2²) = 0.283 dB
		{name: "far off", q: far, says: "1 of 3 frequencies differ from the correction in force by more than both uncertainties allow, most at 3.5 GHz with +0.40 dB, 1.4 times"},
		{name: "far off with a reason", q: far, a: Approval{Reason: "new pad"}},
		{name: "gain", q: p.proposal(), sql: `UPDATE path_correction SET correction = jsonb_set(correction, '{0,loss_db}', '-1') WHERE id = $1`, says: "row 1: loss -1.00 dB is a gain"},
		{name: "another world", q: p.proposal(), sql: `UPDATE path_correction SET simulated = false WHERE id = $1`, says: "one of the path and the lab is simulated"},
		{name: "another analyzer", q: p.proposal(), sql: `UPDATE path_correction SET analyzer = 'sa-9' WHERE id = $1`, says: "measured with the analyzer sa-9, the bench has sa-2 now"},
		{name: "of the path alone", q: alone},
	} {
		t.Run(c.name, func(t *testing.T) {
			tx, err := p.pool.Begin(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			defer tx.Rollback(t.Context()) // each row meets the same lab
			id, err := Propose(t.Context(), tx, c.q)
			if err != nil {
				t.Fatal(err)
			}
			if c.sql != "" {
				mustExec(t, tx, c.sql, id)
			}
			if c.elements != "" {
				if _, _, err := lab.Apply(t.Context(), tx, "lab.yaml", []byte(strings.Replace(p.text, "elements: [cable-27, pad-3]", c.elements, 1)), "ann"); err != nil {
					t.Fatal(err)
				}
			}
			if c.a.Now = p.now; c.a.By == "" {
				c.a.By = "Bob"
			}
			_, err = Approve(t.Context(), tx, id, c.a)
			var refused *PathRefusedError
			switch {
			case c.says == "" && err != nil:
				t.Error(err)
			case c.says != "" && (!errors.As(err, &refused) || !strings.Contains(err.Error(), c.says) || strings.Count(err.Error(), "jobs: ") != 1):
				t.Errorf("%v; want %q", err, c.says)
			}
			want := PathProposed
			if c.says == "" {
				want = PathApproved
			}
			if found, err := PathCorrectionByID(t.Context(), tx, id); err != nil || found.State != want {
				t.Errorf("%s, %v; want %s", found.State, err, want)
			}
		})
	}
}

// What makes no sense is not even proposed.
func TestProposalsThatAreRefused(t *testing.T) {
	p := newPathLab(t)
	for says, change := range map[string]func(*PathProposal){
		"has no path of bench-2 slot 9 connector 1":                 func(q *PathProposal) { q.Slot = 9 },
		`was measured with the analyzer "sa-1", the bench has sa-2`: func(q *PathProposal) { q.Analyzer = "sa-1" },
		"row 2: loss -0.10 dB is a gain; want 0 to 150 dB":          func(q *PathProposal) { q.Rows[1].Loss = -0.1 },
		"row 1: uncertainty 40.00 dB":                               func(q *PathProposal) { q.Rows[0].Uncertainty = 40 },
		"row 3 at 1 kHz does not rise above 3.5 GHz":                func(q *PathProposal) { q.Rows[2].Frequency = 1e3 },
		"the correction has no rows":                                func(q *PathProposal) { q.Rows = nil },
		"the name of who measured it is missing":                    func(q *PathProposal) { q.MeasuredBy = " " },
		"where it comes from has to be text on one line":            func(q *PathProposal) { q.Origin = "a\x1bb" },
		`source "guessed": want measured or imported`:               func(q *PathProposal) { q.Source = "guessed" },
		"it needs the time at which it was measured":                func(q *PathProposal) { q.MeasuredAt = time.Time{} },
		"the name of who measured it is longer than 200 characters": func(q *PathProposal) { q.MeasuredBy = strings.Repeat("x", 201) },
	} {
		q := p.proposal()
		change(&q)
		var refused *PathRefusedError
		if _, err := Propose(t.Context(), p.pool, q); !errors.As(err, &refused) || !strings.Contains(err.Error(), says) || len(refused.Problems) != 1 {
			t.Errorf("%v; want %q alone", err, says)
		}
	}
	if all, err := PathCorrections(t.Context(), p.pool, PathPlace{}, false, 10); err != nil || len(all) != 0 {
		t.Errorf("stored %+v, %v", all, err)
	}
}

// A correction is decided about once.
func TestDecidedOnce(t *testing.T) {
	p := newPathLab(t)
	id := p.propose(p.proposal())
	var refused *PathRefusedError
	for _, by := range [][2]string{{"", "why"}, {"Bob", " "}} {
		if err := Reject(t.Context(), p.pool, id, by[0], by[1]); !errors.As(err, &refused) {
			t.Errorf("rejected by %q because of %q: %v", by[0], by[1], err)
		}
	}
	if err := Reject(t.Context(), p.pool, id, "Bob", "a loose connector"); err != nil {
		t.Fatal(err)
	}
	if c := p.correction(id); c.State != PathRejected || c.DecidedBy != "Bob" || c.Reason != "a loose connector" || c.DecidedAt == nil {
		t.Errorf("stored %+v", c)
	}
	if _, err := p.approve(id, Approval{}); !errors.Is(err, ErrEnded) {
		t.Errorf("approved after all: %v", err)
	}
	if err := Reject(t.Context(), p.pool, id, "Bob", "again"); !errors.Is(err, ErrEnded) {
		t.Errorf("rejected twice: %v", err)
	}
	none := uuid.Must(uuid.NewV7())
	if _, err := p.approve(none, Approval{}); !errors.Is(err, ErrNotFound) {
		t.Errorf("approved what is not there: %v", err)
	}
	if err := Reject(t.Context(), p.pool, none, "Bob", "x"); !errors.Is(err, ErrNotFound) {
		t.Errorf("rejected what is not there: %v", err)
	}
	open, err := PathCorrections(t.Context(), p.pool, padPlace, true, 10)
	if err != nil || len(open) != 0 {
		t.Errorf("still open: %+v, %v", open, err)
	}
}

// A check that passed makes the correction hold for the present elements; no
// check makes it hold for another analyzer, or for elements that it did not see.
func TestCheckConfirmsACorrection(t *testing.T) {
	p := newPathLab(t)
	id := p.propose(p.proposal())
	if _, err := p.approve(id, Approval{}); err != nil {
		t.Fatal(err)
	}
	check := PathCheck{PathPlace: padPlace, Elements: []string{"cable-28", "pad-3"}, By: "Cy", At: p.now, Origin: "a check", Rows: p.proposal().Rows[:1]}
	var refused *PathRefusedError
	if _, _, err := Confirm(t.Context(), p.pool, check); !errors.As(err, &refused) || !strings.Contains(err.Error(), "was changed since it was checked") {
		t.Errorf("checked another path: %v", err)
	}
	p.exchange("elements: [cable-28, pad-3]")
	if l, path := p.inForce(); !strings.Contains(l.Stale(path), "path slot 1 connector 1 does not hold any more: cable-27 is gone, cable-28 is new; measure or check the path") {
		t.Errorf("says %q", l.Stale(path))
	}
	if _, changed, err := Confirm(t.Context(), p.pool, check); err != nil || !changed {
		t.Fatal(changed, err)
	}
	l, path := p.inForce()
	if why := l.Stale(path); why != "" || path.Approved == nil || path.Approved.ID != id.String() || path.Approved.ApprovedBy != "Bob" {
		t.Errorf("says %q, in force %+v", why, path.Approved)
	}
	if _, changed, err := Confirm(t.Context(), p.pool, check); changed || err != nil {
		t.Errorf("confirmed again: %t, %v", changed, err)
	}
	all, err := PathCorrections(t.Context(), p.pool, padPlace, false, 10)
	if err != nil || len(all) != 2 || all[0].Source != CheckedPath || all[0].DecidedBy != "Cy" || all[1].State != PathApproved {
		t.Errorf("stored %+v, %v", all, err)
	}
}
