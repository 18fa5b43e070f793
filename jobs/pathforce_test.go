package jobs

import (
	"slices"
	"strings"
	"testing"
	"time"

	"benchyard/jobs/calibration"
	"benchyard/jobs/conformance"
	"benchyard/jobs/lab"
	"benchyard/jobs/results"

	"github.com/google/uuid"
)

const pathPlan = `plan: one
carriers: [{band: n78, bandwidth: 100MHz, scs: 30kHz}]
tests:
  - {clause: 6.2, rf_channels: [M], connectors: [1, 2]}
`

// wholePath proposes the correction of a path raised by 0.2 dB, as if it had been
// measured with the analyzer of the bench, and approves it.
func (b *testBed) wholePath(place PathPlace) uuid.UUID {
	b.t.Helper()
	l, _, err := lab.Load(b.t.Context(), b.pool, 0)
	if err != nil {
		b.t.Fatal(err)
	}
	path, _ := l.PathFor(place.Bench, place.Slot, place.Connector)
	rows := rowsOf(path.Correction)
	for i := range rows {
		rows[i].Loss += 0.2
		rows[i].Uncertainty = 0.15
	}
	id, err := Propose(b.t.Context(), b.pool, PathProposal{
		PathPlace: place, Source: MeasuredPath, Origin: "a test", MeasuredBy: "mary", MeasuredAt: time.Now(), Analyzer: place.Bench + "-analyzer", Rows: rows,
	})
	if err != nil {
		b.t.Fatal(err)
	}
	// 0.2 dB beside sqrt(0.2² + 0.15²) = 0.25 dB: no reason is needed
	if _, err := Approve(b.t.Context(), b.pool, id, Approval{By: "bob"}); err != nil {
		b.t.Fatal(err)
	}
	return id
}

// powers returns the power reading of each connector of a run.
func (b *testBed) powers(run uuid.UUID) map[int]conformance.Result {
	b.t.Helper()
	cases, err := results.RunCases(b.t.Context(), b.pool, run)
	if err != nil {
		b.t.Fatal(err)
	}
	found := map[int]conformance.Result{}
	for _, c := range cases {
		if len(c.Results) == 0 || c.Results[0].Budget == nil || c.Results[0].Correction == nil {
			b.t.Fatalf("%s: %+v", c.Key, c.Results)
		}
		found[c.Connector] = c.Results[0]
	}
	return found
}

func partNames(r conformance.Result) []string {
	var names []string
	for _, p := range r.Budget.Parts {
		names = append(names, p.Name)
	}
	return names
}

// A campaign uses the approved correction and its uncertainty, in which the analyzer
// is contained and does not count twice. A new cable ends that: the next run waits
// and says why, until a check confirms the correction.
func TestCampaignUsesTheApprovedCorrection(t *testing.T) {
	b := newTestBed(t, 1, nil)
	b.start("a", nil)
	before := b.await(b.submit(pathPlan, "T4-0001")["T4-0001"])
	was := b.powers(before.ID)
	place := PathPlace{Bench: "bench-1", Slot: 1, Connector: 1}
	b.wholePath(place)

	after := b.await(b.submit(pathPlan, "T4-0001")["T4-0001"])
	if after.State != Done || after.Verdict != conformance.Pass {
		t.Fatalf("run %+v", after)
	}
	is := b.powers(after.ID)
	if moved := *is[1].Correction - *was[1].Correction; !near(moved, 0.2, 1e-9) {
		t.Errorf("the correction moved by %g dB, want 0.2", moved)
	}
	if moved := *is[2].Correction - *was[2].Correction; moved != 0 {
		t.Errorf("the correction of the other connector moved by %g dB", moved)
	}
	if p := is[1].Budget.Parts[0]; p.Name != "path correction" || p.Value != 0.15 {
		t.Errorf("first part %+v; want the path correction with 0.15 dB", p)
	}
	once := []string{"analyzer level", "mismatch path to analyzer"}
	for _, name := range once {
		if slices.Contains(partNames(is[1]), name) {
			t.Errorf("%s counts twice: %q", name, partNames(is[1]))
		}
		if !slices.Contains(partNames(is[2]), name) || !slices.Contains(partNames(was[1]), name) {
			t.Errorf("%s is not counted where the correction is of the path alone", name)
		}
	}
	if !slices.Contains(partNames(is[1]), "mismatch unit to path") || !slices.Contains(partNames(is[1]), "repeatability of the connection") {
		t.Errorf("parts %q", partNames(is[1]))
	}

	waiting := b.exchanged(place)
	if _, changed, err := Confirm(t.Context(), b.pool, PathCheck{
		PathPlace: place, Elements: []string{"cable-new", "bench-1-pad-1"}, By: "cy", At: time.Now(), Rows: []calibration.Row{},
	}); err != nil || !changed {
		t.Fatal(changed, err)
	}
	if r := b.await(waiting); r.State != Done || r.Verdict != conformance.Pass {
		t.Errorf("after the check: %+v", r)
	}
	b.mustBeClean()
}

// Judging again sees approved corrections: those of a version, and those in force
// in place of the ones in a file.
func TestJudgingAgainSeesApprovedCorrections(t *testing.T) {
	b := newTestBed(t, 1, nil)
	a := b.start("a", nil)
	r := b.await(b.submit(pathPlan, "T4-0001")["T4-0001"])
	b.stop(a)
	m := &measuredLab{b, map[string]uuid.UUID{"T4-0001": r.ID}}
	b.wholePath(PathPlace{Bench: "bench-1", Slot: 1, Connector: 1})
	_, version, err := lab.Load(t.Context(), b.pool, 0)
	if err != nil {
		t.Fatal(err)
	}
	for name, ask := range map[string]Rejudge{
		"a version": {LabVersion: version}, "a file": {LabFile: "lab.yaml", LabDocument: b.lab.Inventory()},
	} {
		ask.Runs = []uuid.UUID{r.ID}
		j := m.again(ask)
		changes, err := results.ChangesOf(t.Context(), b.pool, j.ID, false, 0)
		if err != nil || j.Done != 1 || len(changes) != 1 || changes[0].Connector != 1 || !near(*changes[0].After.Value-*changes[0].Before.Value, 0.2, 1e-6) {
			t.Errorf("%s: %+v, %v, %+v", name, j, err, changes)
		}
	}
}

// A correction is not for cases that were measured along another path.
func TestCorrectionsOfAnotherPath(t *testing.T) {
	made := func(elements []string, approved *lab.ApprovedCorrection) *lab.Lab {
		return &lab.Lab{Paths: []lab.Path{{Bench: "b", Slot: 1, Connector: 1, Elements: elements, Approved: approved}}}
	}
	old, fresh := []string{"x", "pad"}, []string{"pad", "y"}
	first := &lab.ApprovedCorrection{ID: "1", Elements: old}
	for name, c := range map[string]struct {
		measured, corrections *lab.Lab
		says                  string
	}{
		"of a file":       {made(old, nil), made(fresh, nil), ""},
		"the same":        {made(old, nil), made(old, first), ""},
		"names unknown":   {made(nil, nil), made(fresh, first), ""},
		"another element": {made(fresh, nil), made(old, first), "the correction of b slot 1 connector 1 was made for x, pad, the case was measured along pad, y"},
		"confirmed since": {made(old, first), made(fresh, &lab.ApprovedCorrection{ID: "1", Elements: fresh}), ""},
		"the analyzer":    {made(old, nil), made(old, &lab.ApprovedCorrection{ID: "2", Elements: old, Analyzer: "sa-1"}), ""},
		"another one":     {made(old, nil), made(old, &lab.ApprovedCorrection{ID: "2", Elements: old, Analyzer: "sa-2"}), "was measured with the analyzer sa-2, the case with sa-1"},
		"no such path":    {made(old, nil), &lab.Lab{}, ""},
	} {
		m := &mount{lab: c.measured, unit: lab.RadioUnit{Bench: "b", Slot: 1}, analyzer: lab.Instrument{Name: "sa-1"}}
		err := m.sameWay(1, c.corrections)
		if (c.says == "") != (err == nil) || err != nil && !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v; want %q", name, err, c.says)
		}
	}
}

// exchanged puts another cable into the path and returns a run that waits because of that.
func (b *testBed) exchanged(place PathPlace) uuid.UUID {
	b.t.Helper()
	changed := strings.Replace(string(b.lab.Inventory()), "elements: [bench-1-cable-101, ", "elements: [cable-new, ", 1)
	if _, _, err := lab.Apply(b.t.Context(), b.pool, "lab.yaml", []byte(changed), "ann"); err != nil {
		b.t.Fatal(err)
	}
	id := b.submit(pathPlan, "T4-0001")["T4-0001"]
	want := "the correction of " + place.Bench + " path slot 1 connector 1 does not hold any more: bench-1-cable-101 is gone, cable-new is new; " +
		"measure or check the path, or import a new correction, and have it approved"
	eventually(b.t, "a run that says why it waits", func() bool { return run(b.t, b.pool, id).Blocked != "" })
	if r := run(b.t, b.pool, id); r.State != Queued || r.Blocked != want {
		b.t.Errorf("%s, blocked by %q; want %q", r.State, r.Blocked, want)
	}
	return id
}

// Which correction is good is a question to the newest inventory as well as to
// that of the campaign.
func TestPathsValid(t *testing.T) {
	day := func(s string) lab.Date {
		d, err := lab.ParseDate(s)
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	made := func(elements []string, until string, approved *lab.ApprovedCorrection) *lab.Lab {
		p := lab.Path{Bench: "b", Slot: 1, Connector: 1, Elements: elements, ValidUntil: day(until), Approved: approved}
		return &lab.Lab{Paths: []lab.Path{{Bench: "b", Slot: 2, Connector: 1, ValidUntil: day("2020-01-01")}, p}, Benches: []lab.Bench{{Name: "b", Analyzer: "sa"}}}
	}
	old, fresh := []string{"x", "pad"}, []string{"y", "pad"}
	first := &lab.ApprovedCorrection{ID: "1", Elements: old, Analyzer: "sa"}
	checked := &lab.ApprovedCorrection{ID: "1", Elements: fresh, Analyzer: "sa"}
	second := &lab.ApprovedCorrection{ID: "2", Elements: fresh}
	other := &lab.ApprovedCorrection{ID: "3", Elements: old, Analyzer: "sa-9"}
	const good, over = "2026-12-31", "2026-11-24"
	for name, c := range map[string]struct {
		frozen, newest *lab.Lab
		says           string
	}{
		"the same":                         {made(old, good, first), made(old, good, first), ""},
		"named for the first time":         {made(nil, good, nil), made(old, good, nil), ""},
		"in another order":                 {made(old, good, nil), made([]string{"pad", "x"}, good, nil), ""},
		"out of date":                      {made(old, over, nil), made(old, over, nil), "was valid until 2026-11-24"},
		"out of date, a newer one there":   {made(old, over, nil), made(old, good, nil), "there is a newer one: cancel this run and submit a new campaign"},
		"last day":                         {made(old, "2026-11-25", nil), made(old, "2026-11-25", nil), ""},
		"out of date since":                {made(old, good, nil), made(old, over, nil), "was valid until 2026-11-24"},
		"stale when it was submitted":      {made(fresh, good, first), made(fresh, good, second), "when this campaign was submitted, the correction of b path slot 1 connector 1 does not hold any more: x is gone, y is new"},
		"stale then, checked since":        {made(fresh, good, first), made(fresh, good, checked), ""},
		"changed since, file's correction": {made(old, good, nil), made(fresh, good, nil), "was changed since this campaign was submitted: x is gone, y is new; cancel"},
		"changed since, stale now":         {made(old, good, first), made(fresh, good, first), "does not hold any more"},
		"changed and measured since":       {made(old, good, first), made(fresh, good, second), "cancel this run"},
		"changed and checked since":        {made(old, good, first), made(fresh, good, checked), ""},
		"another analyzer":                 {made(old, good, other), made(old, good, other), "was measured with the analyzer sa-9, the bench has sa now"},
		"gone":                             {made(old, good, first), &lab.Lab{}, ""},
	} {
		err := pathsValid(c.frozen, c.newest, lab.RadioUnit{Bench: "b", Slot: 1}, day("2026-11-25"))
		if (c.says == "") != (err == nil) || err != nil && !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v; want %q", name, err, c.says)
		}
	}
}
