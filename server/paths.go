package server

import (
	"context"
	"fmt"
	"net/http"
	"strconv"
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"benchyard/jobs"
	"benchyard/jobs/calibration"
	"benchyard/jobs/lab"
	"benchyard/server/api"
)

// listedCorrections bounds a list of corrections, on a page and in one answer.
const listedCorrections = 200

// PathsToWire returns the paths of an inventory with the corrections in force, in
// the order of the document; open are the proposals that wait.
func PathsToWire(l *lab.Lab, open []jobs.PathCorrection, today lab.Date) []api.Path {
	waiting := map[jobs.PathPlace]int{}
	for _, c := range open {
		waiting[c.PathPlace]++
	}
	list := make([]api.Path, 0, len(l.Paths))
	for _, p := range l.Paths {
		r := p.Correction.Range()
		w := api.Path{
			Bench: p.Bench, Slot: p.Slot, Connector: p.Connector, Elements: namesOrNone(p.Elements),
			ValidUntil: p.ValidUntil.String(), Days: daysBetween(today, p.ValidUntil), Stale: l.Stale(p),
			Rows: len(p.Correction), FromHz: float64(r.Low), ToHz: float64(r.High), Open: waiting[jobs.PathPlace{Bench: p.Bench, Slot: p.Slot, Connector: p.Connector}],
		}
		if a := p.Approved; a != nil && !a.OfFile() {
			w.Correction, w.MeasuredBy, w.ApprovedBy, w.Analyzer = a.ID, a.MeasuredBy, a.ApprovedBy, a.Analyzer
		}
		list = append(list, w)
	}
	return list
}

// namesOrNone makes an empty list of none, which programs read more easily than null.
func namesOrNone(list []string) []string { return append([]string{}, list...) }

// PathCorrectionToWire returns a correction beside the one it is compared with.
func PathCorrectionToWire(c jobs.PathCorrection, with calibration.Comparison) api.PathCorrection {
	r := c.Correction().Range()
	w := api.PathCorrection{
		ID: c.ID.String(), Bench: c.Bench, Slot: c.Slot, Connector: c.Connector, Elements: namesOrNone(c.Elements), Analyzer: c.Analyzer,
		Source: c.Source, Origin: c.Origin, MeasuredBy: c.MeasuredBy, MeasuredAt: c.MeasuredAt, Simulated: c.Simulated,
		ProposedAt: c.ProposedAt, State: string(c.State), DecidedBy: c.DecidedBy, DecidedAt: c.DecidedAt, Reason: c.Reason,
		ValidUntil: c.ValidUntil.String(), Rows: len(c.Rows), FromHz: float64(r.Low), ToHz: float64(r.High),
		Narrower: with.Narrower, Disagree: with.Disagree(),
	}
	if with.Greatest != nil {
		g := differenceToWire(*with.Greatest)
		w.Greatest = &g
	}
	return w
}

// PathDetailToWire is PathCorrectionToWire with every row and difference.
func PathDetailToWire(c jobs.PathCorrection, with calibration.Comparison) api.PathCorrectionDetail {
	d := api.PathCorrectionDetail{
		PathCorrection: PathCorrectionToWire(c, with),
		Table:          make([]api.PathRow, 0, len(c.Rows)), Differences: make([]api.PathDifference, 0, len(with.Rows)),
	}
	for _, r := range c.Rows {
		row := api.PathRow{FrequencyHz: float64(r.Frequency), LossDB: float64(r.Loss), UncertaintyDB: float64(r.Uncertainty)}
		if len(r.Budget.Parts) > 0 {
			row.Budget = budgetToWire(&r.Budget)
		}
		d.Table = append(d.Table, row)
	}
	for _, row := range with.Rows {
		d.Differences = append(d.Differences, differenceToWire(row))
	}
	return d
}

func differenceToWire(d calibration.Difference) api.PathDifference {
	return api.PathDifference{
		FrequencyHz: float64(d.Frequency), BeforeDB: float64(d.Before), AfterDB: float64(d.After),
		DifferenceDB: float64(d.Difference), UncertaintyDB: float64(d.Uncertainty), Ratio: d.Ratio,
	}
}

// ComparePath holds a correction against the one in force, or the one before; load
// brings back a version of the inventory, zero for the one in force.
func ComparePath(c jobs.PathCorrection, load func(version int64) (*lab.Lab, error)) (calibration.Comparison, error) {
	l, err := load(c.Reference())
	if err != nil {
		return calibration.Comparison{}, err
	}
	return c.Compared(l), nil
}

// pathReference loads inventories for ComparePath.
func (s *Server) pathReference(ctx context.Context) func(int64) (*lab.Lab, error) {
	return func(version int64) (*lab.Lab, error) {
		if version != 0 {
			return s.inventories.version(ctx, s.pool, version)
		}
		l, err := s.inventories.current(ctx, s.pool)
		if err == nil && l == nil {
			err = lab.ErrNoLab
		}
		return l, err
	}
}

// paths returns every path with what is in force; none without an inventory.
func (s *Server) paths(ctx context.Context) ([]api.Path, error) {
	l, err := s.inventories.current(ctx, s.pool)
	if err != nil || l == nil {
		return []api.Path{}, err
	}
	open, err := jobs.PathCorrections(ctx, s.pool, jobs.PathPlace{}, true, listedCorrections)
	if err != nil {
		return nil, err
	}
	return PathsToWire(l, open, lab.DateOf(time.Now().In(s.location))), nil
}

// corrections returns what was proposed, newest first.
func (s *Server) corrections(ctx context.Context, of jobs.PathPlace, openOnly bool) ([]api.PathCorrection, error) {
	found, err := jobs.PathCorrections(ctx, s.pool, of, openOnly, listedCorrections)
	if err != nil {
		return nil, err
	}
	list := make([]api.PathCorrection, 0, len(found))
	for _, c := range found {
		with, err := ComparePath(c, s.pathReference(ctx))
		if err != nil {
			return nil, err
		}
		list = append(list, PathCorrectionToWire(c, with))
	}
	return list, nil
}

func (s *Server) correction(c echo.Context) (api.PathCorrectionDetail, error) {
	id, err := parseID(c)
	if err != nil {
		return api.PathCorrectionDetail{}, err
	}
	ctx := c.Request().Context()
	found, err := jobs.PathCorrectionByID(ctx, s.pool, id)
	if err != nil {
		return api.PathCorrectionDetail{}, err
	}
	with, err := ComparePath(found, s.pathReference(ctx))
	return PathDetailToWire(found, with), err
}

// getCorrections lists what was proposed, of all paths or of one.
func (s *Server) getCorrections(c echo.Context) error {
	q := c.QueryParams()
	if err := onlyParameters(q, "bench", "slot", "connector", "open"); err != nil {
		return err
	}
	of := jobs.PathPlace{Bench: q.Get("bench")}
	open, err := false, error(nil)
	if text := q.Get("open"); text != "" {
		if open, err = strconv.ParseBool(text); err != nil {
			return badRequest("open must be true or false")
		}
	}
	for name, n := range map[string]*int{"slot": &of.Slot, "connector": &of.Connector} {
		if text := q.Get(name); (text != "") != (of.Bench != "") {
			return badRequest("bench, slot and connector name a path together")
		} else if *n, err = strconv.Atoi(text); text != "" && (err != nil || *n < 1) {
			return badRequest(fmt.Sprintf("%s must be a whole number from 1", name))
		}
	}
	list, err := s.corrections(c.Request().Context(), of, open)
	if err != nil {
		return err
	}
	return writeJSON(c, http.StatusOK, list)
}

func (s *Server) getCorrection(c echo.Context) error {
	d, err := s.correction(c)
	if err != nil {
		return err
	}
	return writeJSON(c, http.StatusOK, d)
}

func (s *Server) postApproval(c echo.Context) error {
	id, err := parseID(c)
	if err != nil {
		return err
	}
	var said api.PathApproval
	if err := readBody(c, &said, "approval (by, valid_until, narrower, reason)"); err != nil {
		return err
	}
	if err := s.approve(c.Request().Context(), id, said); err != nil {
		return err
	}
	return s.getCorrection(c)
}

// approve puts a correction in force.
func (s *Server) approve(ctx context.Context, id uuid.UUID, said api.PathApproval) error {
	a := jobs.Approval{By: said.By, Narrower: said.Narrower, Reason: said.Reason, Now: time.Now().In(s.location)}
	if said.ValidUntil != "" {
		until, err := lab.ParseDate(said.ValidUntil)
		if err != nil {
			return badRequest("valid_until must be a day such as 2027-03-31")
		}
		a.ValidUntil = until
	}
	_, err := jobs.Approve(ctx, s.pool, id, a)
	return err
}

func (s *Server) postRejection(c echo.Context) error {
	id, err := parseID(c)
	if err != nil {
		return err
	}
	var said api.PathRejection
	if err := readBody(c, &said, "rejection (by, reason)"); err != nil {
		return err
	}
	if err := jobs.Reject(c.Request().Context(), s.pool, id, said.By, said.Reason); err != nil {
		return err
	}
	return s.getCorrection(c)
}
