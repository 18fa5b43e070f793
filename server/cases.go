package server

import (
	"context"
	"fmt"
	"net/http"
	"strconv"

	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/labstack/echo/v4"

	"benchyard/jobs"
	"benchyard/jobs/blob"
	"benchyard/jobs/results"
	"benchyard/server/api"
)

// caseToWire returns a stored case, its figures marked with the identity of
// their run.
func caseToWire(c results.StoredCase, run api.Run) api.Case {
	at := conditionsOf(c)
	w := api.Case{
		ID: c.ID, RunID: run.ID, Key: c.Key, Position: c.Position, Attempt: c.Attempt, Superseded: c.Superseded, Segment: c.Segment, Clause: c.Clause, Conditions: at,
		Verdict: string(c.Verdict), Error: c.Error, MeasuredAt: c.MeasuredAt, DurationS: c.Duration.Seconds(),
		Results: ResultsToWire(c.Results, at, run.Simulated),
	}
	for i := range w.Results {
		r := &w.Results[i]
		r.Serial, r.UnitType, r.Build, r.RunID = run.Serial, run.UnitType, run.Build, run.ID
		r.CaseID, r.Attempt, r.Superseded, r.MeasuredAt = c.ID, c.Attempt, c.Superseded, c.MeasuredAt
	}
	return w
}

func conditionsOf(c results.StoredCase) api.Conditions {
	at := api.Conditions{
		Band: c.Band, RFChannel: string(c.RFChannel), CarrierHz: c.CarrierHz, BandwidthHz: c.BandwidthHz,
		SCSHz: c.SCSHz, Connector: c.Connector, TestModel: c.TestModel, Configuration: c.Configuration,
	}
	for _, k := range c.Carriers {
		at.Carriers = append(at.Carriers, api.Transmitted{CenterHz: float64(k.Center), BandwidthHz: float64(k.Bandwidth), SCSHz: float64(k.SCS)})
	}
	return at
}

// evidence is a case with everything it can be looked at again with.
type evidence struct {
	stored  results.StoredCase
	run     api.Run
	traces  []results.Trace
	later   []results.CaseJudgement
	context measuredWith
}

func (v *inventories) evidence(ctx context.Context, pool *pgxpool.Pool, store *blob.Store, id int64) (evidence, error) {
	var e evidence
	var err error
	if e.stored, err = results.CaseByID(ctx, pool, id); err != nil {
		return e, err
	}
	summary, err := jobs.RunByID(ctx, pool, e.stored.Run)
	if err != nil {
		return e, err
	}
	e.run = runToWire(summary)
	if e.traces, err = results.Traces(ctx, pool, store, id); err != nil {
		return e, err
	}
	if e.later, err = results.JudgementsOfCase(ctx, pool, id); err != nil {
		return e, err
	}
	e.context, err = v.measuredWith(ctx, pool, e.stored, e.run)
	return e, err
}

func (e evidence) toWire() api.CaseDetail {
	d := api.CaseDetail{
		Case: caseToWire(e.stored, e.run), Run: e.run, Note: e.context.missing,
		Traces: []api.Trace{}, Limits: LimitsToWire(e.context.requirements), Later: caseJudgementsToWire(e.later),
	}
	for i, t := range e.traces {
		_, corrected := e.context.atConnector(t.Spectrum)
		d.Traces = append(d.Traces, traceToWire(i+1, t, corrected))
	}
	d.Curves, d.NoCurves = e.curves()
	return d
}

func (s *Server) casePage(c echo.Context) error {
	e, err := s.evidenceOf(c)
	if err != nil {
		return err
	}
	d := caseView{CaseDetail: e.toWire()}
	if lost := lostIn(e.traces); lost != nil {
		d.Lost = lost.Error()
	}
	title := fmt.Sprintf("%s of %s, build %s", d.Clause, d.Run.Serial, d.Run.Build)
	return s.render(c, http.StatusOK, "case", page{Title: title, Section: "campaigns", Simulated: d.Run.Simulated, Data: d})
}

func (s *Server) getCase(c echo.Context) error {
	e, err := s.evidenceOf(c)
	if err != nil {
		return err
	}
	return writeJSON(c, http.StatusOK, e.toWire())
}

// evidenceOf reads the case that an address names.
func (s *Server) evidenceOf(c echo.Context) (evidence, error) {
	id, err := caseOf(c)
	if err != nil {
		return evidence{}, err
	}
	return s.inventories.evidence(c.Request().Context(), s.pool, s.blobs, id)
}

func caseOf(c echo.Context) (int64, error) {
	id, err := strconv.ParseInt(c.Param("id"), 10, 64)
	if err != nil {
		return 0, fmt.Errorf("server: case %q: %w", c.Param("id"), errNotFound)
	}
	return id, nil
}
