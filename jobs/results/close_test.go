package results

import (
	"errors"
	"reflect"
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"benchyard/jobs/conformance"
)

func (s *store) rollups(run uuid.UUID) []string {
	s.tb.Helper()
	rows, err := s.pool.Query(s.tb.Context(), `SELECT format('%s %s %s/%s/%s/%s %s %s', clause, verdict, cases, passed, failed, errors, coalesce(worst_margin::text, 'none'), unit)
		FROM run_rollup WHERE run_id = $1 ORDER BY clause`, run)
	if err != nil {
		s.tb.Fatal(err)
	}
	lines, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		s.tb.Fatal(err)
	}
	return lines
}

func TestRollup(t *testing.T) {
	s := newStore(t)
	run := s.run(s.campaign("2.4.0", "p", true), "T4-0001", "RU-T4", 1, 6)
	conditional := caseOf("c", 3, "6.6.3", 0.25, 5)
	conditional.Results[0].Verdict = conformance.ConditionalPass
	verdict := s.finish(run, "done",
		caseOf("a", 1, "6.2", 1.5, 0.5), caseOf("b", 2, "6.2", 2),
		conditional, caseOf("d", 4, "6.6.3", 7),
		caseOf("e", 5, "6.6.4", 4, -1.25, 3), caseOf("f", 6, "6.6.4", 9))
	if verdict != conformance.Fail {
		t.Errorf("verdict %q, want fail", verdict)
	}
	// clause, verdict, cases/passed/failed/errors, worst margin, unit of the quantity
	want := []string{"6.2 pass 2/2/0/0 0.5 dBm", "6.6.3 conditional pass 2/2/0/0 0.25 dBm", "6.6.4 fail 2/1/1/0 -1.25 dBm"}
	if got := s.rollups(run); !reflect.DeepEqual(got, want) {
		t.Errorf("rollup %q, want %q", got, want)
	}
	var stored string
	s.row(&stored, "SELECT verdict FROM run WHERE id = $1", run)
	if stored != "fail" {
		t.Errorf("stored verdict %q, want fail", stored)
	}
	if again := s.finish(run, "done"); again != verdict || !reflect.DeepEqual(s.rollups(run), want) {
		t.Errorf("closed again: %q, rollup %q", again, s.rollups(run))
	}
}

func TestRunVerdict(t *testing.T) {
	aborted := caseOf("z", 9, "6.6.5", 1)
	aborted.Results, aborted.Verdict = nil, conformance.Aborted
	for name, test := range map[string]struct {
		planned int
		cases   []Case
		want    conformance.Verdict
	}{
		"all pass":               {2, []Case{caseOf("a", 1, "6.2", 1), caseOf("b", 2, "6.6.3", 1)}, conformance.Pass},
		"a case is missing":      {3, []Case{caseOf("a", 1, "6.2", 1), caseOf("b", 2, "6.6.3", 1)}, conformance.NotRun},
		"nothing at all":         {3, nil, conformance.NotRun},
		"stopped after a fail":   {3, []Case{caseOf("a", 1, "6.2", -1)}, conformance.Fail},
		"an error beside a fail": {2, []Case{caseOf("a", 1, "6.2", -1), caseOf("b", 2, "6.2")}, conformance.ErrorVerdict},
		"aborted":                {2, []Case{caseOf("a", 1, "6.2", 1), aborted}, conformance.Aborted},
	} {
		t.Run(name, func(t *testing.T) {
			s := newStore(t)
			run := s.run(s.campaign("2.4.0", "p", true), "T4-0001", "RU-T4", 1, test.planned)
			if got := s.finish(run, "done", test.cases...); got != test.want {
				t.Errorf("verdict %q, want %q", got, test.want)
			}
		})
	}
}

func TestCloseUnknownRun(t *testing.T) {
	s := newStore(t)
	err := s.inTx(func(tx pgx.Tx) error {
		_, err := CloseRun(t.Context(), tx, uuid.New())
		return err
	})
	if !errors.Is(err, ErrNotFound) {
		t.Errorf("%v, want ErrNotFound", err)
	}
}

func TestRollupOfErrorsHasNoMargin(t *testing.T) {
	s := newStore(t)
	run := s.run(s.campaign("2.4.0", "p", true), "T4-0001", "RU-T4", 1, 1)
	s.finish(run, "error", caseOf("a", 1, "6.2"))
	if got, want := s.rollups(run), []string{"6.2 error 1/0/0/1 none "}; !reflect.DeepEqual(got, want) {
		t.Errorf("rollup %q, want %q", got, want)
	}
}
