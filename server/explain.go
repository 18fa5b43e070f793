package server

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/labstack/echo/v4"

	"benchyard/jobs/conformance"
	"benchyard/server/api"
)

// ExplainFigure tells how the verdict on one figure of a case came about: the
// one with this requirement key. An unknown case is results.ErrNotFound; a key
// without a figure is refused with the keys there are.
func ExplainFigure(ctx context.Context, pool *pgxpool.Pool, caseID int64, key string) (api.Explanation, error) {
	return explain(ctx, pool, newInventories(), caseID, key)
}

func explain(ctx context.Context, pool *pgxpool.Pool, kept *inventories, caseID int64, key string) (api.Explanation, error) {
	var x api.Explanation
	e, err := kept.evidence(ctx, pool, nil, caseID) // of the traces only what they are
	if err != nil {
		return x, err
	}
	d := e.toWire()
	found := false
	keys := make([]string, 0, len(d.Results))
	for _, r := range d.Results {
		keys = append(keys, r.Key)
		if r.Key == key {
			x.Result, found = r, true
		}
	}
	if !found {
		return x, fmt.Errorf("server: case %d has no figure %q, it has %q: %w", caseID, key, keys, errNotFound)
	}
	x.Curves = d.Curves
	x.Read = api.ReadBy{Bench: d.Run.Bench, Traces: d.Traces}
	if err := measuredBy(ctx, pool, kept, e.stored.Run, &x); err != nil {
		return x, err
	}
	if x.Result.Unit == "dBm" && x.Result.CorrectionDB != nil {
		read := x.Result.Value - *x.Result.CorrectionDB
		if f := x.Result.NoiseFloor; f != nil {
			read = f.MeasuredDBm - *x.Result.CorrectionDB
		}
		x.Read.AsReadDBm = &read
	}
	if e.context.missing == "" { // else the limits are not those of the verdict
		x.Limit = limitOf(d.Limits, key)
	}
	if x.Acceptance, err = acceptanceOf(x.Result); err != nil {
		return x, err
	}
	x.Later, err = laterJudgements(ctx, pool, x.Result)
	x.Steps = stepsOf(x)
	return x, err
}

// measuredBy fills in what a run names: limit set, inventory, program, and the
// analyzer as it answered at preflight, which the record has under its own name.
func measuredBy(ctx context.Context, pool *pgxpool.Pool, kept *inventories, run uuid.UUID, x *api.Explanation) error {
	var record []byte
	err := pool.QueryRow(ctx, `SELECT c.limit_set, coalesce(r.lab_id, c.lab_id), r.program_version, r.instruments
		FROM run r JOIN campaign c ON c.id = r.campaign_id WHERE r.id = $1`, run).Scan(&x.Result.LimitSet, &x.LabVersion, &x.Program, &record)
	if err != nil {
		return fmt.Errorf("server: what run %s was measured with: %w", run, err)
	}
	var found map[string]struct{ Identity, Certificate string }
	if err := json.Unmarshal(record, &found); err != nil {
		return fmt.Errorf("server: instruments of run %s: %w", run, err)
	}
	inventory, err := kept.version(ctx, pool, x.LabVersion)
	if err != nil {
		return err
	}
	if bench, ok := inventory.Bench(x.Read.Bench); ok {
		analyzer := found[bench.Analyzer]
		x.Read.Analyzer, x.Read.Certificate = analyzer.Identity, analyzer.Certificate
	}
	return nil
}

// laterJudgements returns what was made of a figure since, newest first.
func laterJudgements(ctx context.Context, pool *pgxpool.Pool, r api.Result) ([]api.LaterJudgement, error) {
	rows, err := pool.Query(ctx, `
		SELECT j.id::text, j.asked_by, j.asked_at, j.reason, j.limit_set, m.value, m.lower_limit, m.upper_limit, m.margin,
			coalesce(m.verdict, ''), m.uncertainty, m.probability, m.correction_db, coalesce(m.rule, ''), coalesce(m.note, '')
		FROM measured_case c
		JOIN judgement_run jr ON jr.run_id = c.run_id AND jr.state = 'done'
		JOIN judgement j ON j.id = jr.judgement_id
		LEFT JOIN judgement_measurement m ON m.judgement_id = j.id AND m.case_id = c.id AND m.requirement_key = $2
		WHERE c.id = $1 ORDER BY j.asked_at DESC, j.id DESC`, r.CaseID, r.Key)
	if err != nil {
		return nil, fmt.Errorf("server: later judgements of case %d: %w", r.CaseID, err)
	}
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (l api.LaterJudgement, err error) {
		f := &l.Figure
		err = row.Scan(&l.ID, &l.AskedBy, &l.AskedAt, &l.Reason, &l.LimitSet, &f.Value, &f.Lower, &f.Upper, &f.Margin,
			&f.Verdict, &l.Uncertainty, &l.Probability, &l.CorrectionDB, &l.Rule, &l.Note)
		l.Unit = r.Unit
		// A limit that only one of the two has counts as passed in the other.
		l.VerdictChanged = cmp.Or(f.Verdict, string(conformance.Pass)) != r.Verdict
		return l, err
	})
	if err != nil {
		return nil, fmt.Errorf("server: later judgements of case %d: %w", r.CaseID, err)
	}
	return list, nil
}

func (s *Server) figurePage(c echo.Context) error {
	key, err := url.PathUnescape(c.Param("*"))
	if err != nil {
		return fmt.Errorf("server: figure %q: %w", c.Param("*"), errNotFound)
	}
	id, err := caseOf(c)
	if err != nil {
		return err
	}
	x, err := explain(c.Request().Context(), s.pool, s.inventories, id, key)
	if err != nil {
		return err
	}
	r := x.Result
	title := fmt.Sprintf("%s of %s, build %s: %s", r.Title, r.Serial, r.Build, r.Verdict)
	return s.render(c, http.StatusOK, "figure", page{Title: title, Section: "campaigns", Simulated: r.Simulated, Data: x})
}

func (s *Server) getExplanation(c echo.Context) error {
	if err := onlyParameters(c.QueryParams(), "key"); err != nil {
		return err
	}
	if c.QueryParam("key") == "" {
		return badRequest(`key is missing; it is that of a figure of the case, for example "6.6.4/upper/2"`)
	}
	id, err := caseOf(c)
	if err != nil {
		return err
	}
	x, err := explain(c.Request().Context(), s.pool, s.inventories, id, c.QueryParam("key"))
	if err != nil {
		return err
	}
	return writeJSON(c, http.StatusOK, x)
}
