package server

import (
	"cmp"
	"context"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"benchyard/jobs"
	"benchyard/jobs/lab"
	"benchyard/jobs/scheduler"
	"benchyard/server/api"
)

// boardData is what the bench board shows.
type boardData struct {
	Lab       string
	Simulated bool
	Benches   []api.Bench
	Runs      int                // in the queue
	EndsAt    *time.Time         // of the queue, half of the times earlier; nil when it is empty
	EndsBy    *time.Time         // the same, earlier in 95 of 100 cases
	Paced     bool               // the forecast rests on measured pace
	Open      []api.Campaign     // queued and active
	Notices   []jobs.Notice      // what went on by itself and did not go well
	Refused   []jobs.AgentStatus // agents that may not work on this database
}

func (s *Server) board(ctx context.Context) (boardData, error) {
	var d boardData
	inventory, err := s.inventories.current(ctx, s.pool)
	if err != nil {
		return d, err
	}
	if d.Benches, err = s.benches(ctx, inventory); err != nil {
		return d, err
	}
	if inventory != nil {
		d.Lab, d.Simulated = inventory.Name, inventory.Simulated
	}
	agents, err := jobs.Agents(ctx, s.pool)
	if err != nil {
		return d, err
	}
	for _, a := range agents {
		if a.Refused != "" {
			d.Refused = append(d.Refused, a)
		}
	}
	forecast, err := s.forecasts.current(ctx, s.pool)
	if err != nil {
		return d, err
	}
	d.Runs, d.Paced = forecast.Runs, forecast.Measured
	if forecast.Runs > 0 {
		d.EndsAt, d.EndsBy = ends(forecast.Remaining), ends(forecast.Likely)
	}
	if d.Notices, err = jobs.Notices(ctx, s.pool); err != nil {
		return d, err
	}
	all, err := s.campaigns(ctx)
	if err != nil {
		return d, err
	}
	for _, c := range all {
		if c.State == string(jobs.Queued) || c.State == string(jobs.Active) {
			d.Open = append(d.Open, c)
		}
	}
	slices.SortStableFunc(d.Open, func(a, b api.Campaign) int { // as the queue takes them
		return cmp.Or(cmp.Compare(classRank(a.Priority), classRank(b.Priority)), a.SubmittedAt.Compare(b.SubmittedAt))
	})
	return d, nil
}

func (s *Server) benches(ctx context.Context, inventory *lab.Lab) ([]api.Bench, error) {
	found, err := jobs.Benches(ctx, s.pool)
	if err != nil {
		return nil, err
	}
	forecast, err := s.forecasts.current(ctx, s.pool)
	if err != nil {
		return nil, err
	}
	next := nextRuns(forecast)
	asked, err := s.openPrompts(ctx)
	if err != nil {
		return nil, err
	}
	var golden map[string]jobs.GoldenCheck
	if inventory != nil {
		if golden, err = jobs.GoldenChecks(ctx, s.pool, inventory); err != nil {
			return nil, err
		}
	}
	benches := make([]api.Bench, 0, len(found))
	for _, b := range found {
		w := benchToWire(b)
		w.Next, w.Prompt = next[b.Name], asked[b.Name]
		if inventory != nil {
			w.Calibration = soonest(inventory, b.Name, lab.DateOf(time.Now().In(s.location)))
			w.Simulated = inventory.Simulated
		}
		if check, ok := golden[b.Name]; ok {
			w.Golden = goldenToWire(check, time.Now())
		}
		if b.Run != nil {
			if w.Now.Segment, err = s.runningSegment(ctx, *b.Run); err != nil {
				return nil, err
			}
		}
		benches = append(benches, w)
	}
	return benches, nil
}

func benchToWire(b jobs.BenchStatus) api.Bench {
	w := api.Bench{
		Name: b.Name, Activity: string(b.Activity), Doing: b.Doing, Hold: b.Hold, Alarm: b.Alarm, PathsOff: b.PathsOff,
		Waiting: b.Queued, Takeovers: b.Takeovers, Flapping: b.Takeovers >= scheduler.Flapping, Simulated: b.Simulated, UpdatedAt: b.UpdatedAt,
	}
	if b.Holder != "" {
		w.Lease = &api.Lease{Holder: b.Holder, Token: b.Token, Drains: b.Drains}
	}
	if b.Run != nil {
		w.Now = &api.BenchWork{
			RunID: b.Run.String(), CampaignID: idOrEmpty(b.Campaign), Campaign: b.Title, Serial: b.Serial, UnitType: b.UnitType,
			Build: b.Build, CasesDone: b.CasesDone, CasesTotal: b.CasesTotal, StartedAt: b.StartedAt,
		}
	}
	return w
}

func goldenToWire(c jobs.GoldenCheck, now time.Time) *api.GoldenUnit {
	w := &api.GoldenUnit{Serial: c.Serial, Overdue: c.Overdue(now)}
	if c.Last != nil {
		w.Due = c.Due()
	}
	return w
}

// soonest returns the instrument or path of a bench whose validity ends first;
// nil when nothing on it has a date.
func soonest(inventory *lab.Lab, bench string, today lab.Date) *api.Calibration {
	var first *lab.Due
	for _, due := range inventory.CalibrationDueBefore(lab.DateOf(time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC))) {
		if due.Bench == bench && (first == nil || due.On.Before(first.On)) {
			first = &due
		}
	}
	if first == nil {
		return nil
	}
	return &api.Calibration{What: first.What, Due: first.On.String(), DaysLeft: daysBetween(today, first.On)}
}

func daysBetween(from, to lab.Date) int {
	day := func(d lab.Date) time.Time {
		t, _ := time.Parse(time.DateOnly, d.String()) // a date prints as what it was read from
		return t
	}
	return int(day(to).Sub(day(from)).Hours() / 24)
}

// runningSegment is the title of what is measured right now, empty between segments.
func (s *Server) runningSegment(ctx context.Context, run uuid.UUID) (string, error) {
	segments, err := jobs.SegmentsOf(ctx, s.pool, run)
	if err != nil {
		return "", err
	}
	for _, g := range segments {
		if g.State == "running" {
			return g.Title, nil
		}
	}
	return "", nil
}

// nextRuns returns the run each bench takes next, as the scheduler has it.
func nextRuns(forecast jobs.Forecast) map[string]*api.BenchWork {
	next := map[string]*api.BenchWork{}
	for _, q := range forecast.Queue {
		if q.Position == 1 {
			next[q.Bench] = &api.BenchWork{RunID: q.Run.String(), CampaignID: q.Campaign.String(), Campaign: q.Title, Serial: q.Serial,
				UnitType: q.UnitType, Build: q.Build, CasesTotal: q.Cases}
		}
	}
	return next
}

func (s *Server) boardPage(c echo.Context) error {
	ctx := c.Request().Context()
	after, err := jobs.LastEvent(ctx, s.pool)
	if err != nil {
		return err
	}
	d, err := s.board(ctx)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "board", page{
		Title: "Benches", Section: "benches", Simulated: d.Simulated, Stream: streamURL("board", nil, after), Data: d,
	})
}

func (s *Server) boardFragments(ctx context.Context) ([]fragment, error) {
	d, err := s.board(ctx)
	if err != nil {
		return nil, err
	}
	parts := []part{{"queue", "queue", d}}
	for _, b := range d.Benches {
		parts = append(parts, part{"asking", "ask-" + slug(b.Name), asking{b.Prompt, fromBoard}}, part{"bench", "bench-" + slug(b.Name), b})
	}
	return s.fragments("board", parts...)
}

func (s *Server) getBenches(c echo.Context) error {
	ctx := c.Request().Context()
	inventory, err := s.inventories.current(ctx, s.pool)
	if err != nil {
		return err
	}
	benches, err := s.benches(ctx, inventory)
	if err != nil {
		return err
	}
	return writeJSON(c, http.StatusOK, benches)
}

// ends is the moment a forecast points at, to the full second.
func ends(remaining time.Duration) *time.Time {
	t := time.Now().Add(remaining).Truncate(time.Second)
	return &t
}

func idOrEmpty(id *uuid.UUID) string {
	if id == nil {
		return ""
	}
	return id.String()
}

func parseID(c echo.Context) (uuid.UUID, error) {
	id, ok := idOf(c.Param("id"))
	if !ok {
		return uuid.Nil, fmt.Errorf("server: id %q: %w", c.Param("id"), errNotFound)
	}
	return id, nil
}

// idOf reads an id in the one form that this server writes; the parser knows more.
func idOf(text string) (uuid.UUID, bool) {
	id, err := uuid.Parse(text)
	return id, err == nil && strings.EqualFold(id.String(), text)
}

// classRank puts the class of a campaign into order, the most important first.
func classRank(class string) int { return slices.Index(scheduler.Classes(), scheduler.Class(class)) }
