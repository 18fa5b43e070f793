package results

import (
	"context"
	"errors"
	"reflect"
	"slices"
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"benchyard/jobs/conformance"
)

// A column of a figure that judging again does not store would make two
// verdicts that cannot be compared.
func TestFiguresJudgedAgainHaveTheColumnsOfFigures(t *testing.T) {
	s := newStore(t)
	columns := func(table string) (names []string) {
		rows, err := s.pool.Query(t.Context(), `SELECT column_name || ' ' || data_type || ' ' || is_nullable FROM information_schema.columns
			WHERE table_name = $1 AND column_name NOT IN ('id', 'judgement_id') ORDER BY column_name`, table)
		if err != nil {
			t.Fatal(err)
		}
		if names, err = pgx.CollectRows(rows, pgx.RowTo[string]); err != nil {
			t.Fatal(err)
		}
		return names
	}
	if first, again := columns("measurement"), columns("judgement_measurement"); !slices.Equal(first, again) || len(first) < 25 {
		t.Errorf("measurement has\n%q\njudgement_measurement has\n%q\nadd the column to both tables", first, again)
	}
}

// judgedTwice is a run of two cases in the store, and a judgement that waits.
func judgedTwice(t *testing.T) (s *store, run, judgement uuid.UUID, cases []StoredCase) {
	t.Helper()
	s = newStore(t)
	run = s.run(s.campaign("1", "p", true), "A", "T", 1, 2)
	s.finish(run, "done", caseOf("one", 1, "6.2", 3, 4), caseOf("two", 2, "6.6.4", 1, 2, 3))
	judgement = uuid.New()
	err := s.inTx(func(tx pgx.Tx) error {
		return InsertJudgement(t.Context(), tx, Judgement{ID: judgement, AskedBy: "ann", Reason: "r", Simulated: true, LimitSet: "l", Program: "v"},
			JudgementTexts{}, []JudgementRun{{Run: run, Batch: 1, Traces: 7, Before: conformance.Pass}})
	})
	if err != nil {
		t.Fatal(err)
	}
	if cases, err = RunCases(t.Context(), s.pool, run); err != nil || len(cases) != 2 {
		t.Fatal(cases, err)
	}
	return s, run, judgement, cases
}

func TestChangesStandBesideWhatWasJudged(t *testing.T) {
	s, run, id, cases := judgedTwice(t)
	one, two := cases[0].Results, cases[1].Results
	changed, fresh := resultOf("6.2/2", "6.2", -4), resultOf("6.2/9", "6.2", 5)
	again := []Rejudged{
		{cases[0].ID, []conformance.Result{one[0], changed, fresh}}, // one the same, one fails now, one limit more
		{cases[1].ID, two[:2]}, // one limit less
	}
	store := func() (stored bool) {
		err := s.inTx(func(tx pgx.Tx) (err error) {
			stored, err = StoreJudgedRun(t.Context(), tx, id, run, again, conformance.Fail, "v2")
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		return stored
	}
	if !store() {
		t.Fatal("nothing was stored")
	}
	if store() {
		t.Error("stored twice")
	}
	j, err := JudgementByID(t.Context(), s.pool, id)
	want := JudgementCount{Runs: 1, Done: 1, Traces: 7, TracesDone: 7, Figures: 5, Changed: 3, VerdictsChanged: 1, RunsChanged: 1, Failed: 1}
	if err != nil || j.JudgementCount != want {
		t.Errorf("%+v, %v; want %+v", j.JudgementCount, err, want)
	}
	changes, err := ChangesOf(t.Context(), s.pool, id, false, 0)
	if err != nil || len(changes) != 3 {
		t.Fatalf("%+v, %v", changes, err)
	}
	for i, key := range []string{"6.2/2", "6.2/9", "6.6.4/3"} { // another verdict first, then by position and key
		if changes[i].Key != key || changes[i].VerdictChanged != (i == 0) {
			t.Errorf("change %d: %+v", i, changes[i])
		}
	}
	if c := changes[0]; *c.Before.Margin != 4 || *c.After.Margin != -4 || c.Before.Verdict != conformance.Pass || c.After.Verdict != conformance.Fail || c.Serial != "A" {
		t.Errorf("%+v", c)
	}
	if changes[1].Before.Value != nil || changes[1].Before.Verdict != "" || changes[2].After.Value != nil {
		t.Errorf("%+v", changes[1:])
	}
	if only, err := ChangesOf(t.Context(), s.pool, id, true, 0); err != nil || len(only) != 1 {
		t.Errorf("%+v, %v; want the one with another verdict", only, err)
	}
	if first, err := RunCases(t.Context(), s.pool, run); err != nil || !reflect.DeepEqual(first, cases) {
		t.Errorf("the first judging was changed: %+v, %v", first, err)
	}
	if list, err := JudgedAgain(t.Context(), s.pool, id, run); err != nil || !reflect.DeepEqual(list[1].Results, two[:2]) {
		t.Errorf("%+v, %v", list, err)
	}
}

func TestUnjudgedRunsStoreTheirReasonOnly(t *testing.T) {
	s, run, id, cases := judgedTwice(t)
	err := s.inTx(func(tx pgx.Tx) error {
		_, err := StoreUnjudgedRun(t.Context(), tx, id, run, "damaged", "v2")
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	runs, err := JudgementRuns(t.Context(), s.pool, id)
	if err != nil || len(runs) != 1 || runs[0].State != "error" || runs[0].Error != "damaged" || runs[0].After != "" || runs[0].Before != conformance.Pass {
		t.Errorf("%+v, %v", runs, err)
	}
	err = s.inTx(func(tx pgx.Tx) error {
		stored, err := StoreJudgedRun(t.Context(), tx, id, run, []Rejudged{{cases[0].ID, cases[0].Results}}, conformance.Pass, "v2")
		if stored {
			t.Error("stored over the reason")
		}
		return err
	})
	if err != nil {
		t.Error(err)
	}
}

func TestUnknownJudgement(t *testing.T) {
	s := newStore(t)
	if _, err := JudgementByID(context.Background(), s.pool, uuid.New()); !errors.Is(err, ErrNotFound) {
		t.Errorf("%v, want ErrNotFound", err)
	}
	if _, err := TextsOf(context.Background(), s.pool, uuid.New()); !errors.Is(err, ErrNotFound) {
		t.Errorf("%v, want ErrNotFound", err)
	}
}
