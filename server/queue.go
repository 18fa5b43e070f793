package server

import (
	"context"
	"net/http"
	"time"

	"github.com/labstack/echo/v4"

	"benchyard/jobs"
	"benchyard/server/api"
)

// shownRuns bounds the page of the queue; the API has every run.
const shownRuns = 500

// QueueToWire returns the queue and the list of units to mount as they go over
// the network and out of the command line. Spans of the forecast count from now.
func QueueToWire(forecast jobs.Forecast, mount []jobs.MountPlace, stranded []jobs.StrandedUnit, now time.Time) api.Queue {
	q := api.Queue{Runs: []api.QueuedRun{}, Mount: []api.MountPlace{}, Stranded: []api.StrandedUnit{}}
	at := func(d time.Duration) *time.Time { return new(now.Add(d).Truncate(time.Second)) }
	for _, r := range forecast.Queue {
		w := api.QueuedRun{
			RunID: r.Run.String(), CampaignID: r.Campaign.String(), Campaign: r.Title, Serial: r.Serial, UnitType: r.UnitType, Build: r.Build,
			Bench: r.Bench, Priority: string(r.Class), Requester: r.By, SetUp: r.SetUp, QueuedAt: r.QueuedAt, Deadline: r.Deadline, Late: r.Late,
			Position: r.Position, Waits: r.Waits,
		}
		if r.Begins {
			w.StartsAt, w.EndsAt, w.EndsBy = at(r.Start.P50), at(r.End.P50), at(r.End.P95)
		}
		q.Runs = append(q.Runs, w)
	}
	for _, m := range mount {
		q.Mount = append(q.Mount, api.MountPlace{Serial: m.Serial, UnitType: m.UnitType, Bench: m.Bench, Slot: m.Slot, TakeOut: m.TakeOut, SetUp: m.SetUp, Runs: m.Runs, WantedAt: *at(m.Start)})
	}
	for _, u := range stranded {
		q.Stranded = append(q.Stranded, api.StrandedUnit{Serial: u.Serial, Reasons: u.Reasons})
	}
	return q
}

// queueData is what the page of the queue shows.
type queueData struct{ api.Queue }

// Shown is as many runs as the page lists.
func (d queueData) Shown() []api.QueuedRun { return d.Runs[:min(len(d.Runs), shownRuns)] }

// More is how many runs the page leaves out.
func (d queueData) More() int { return len(d.Runs) - len(d.Shown()) }

func (s *Server) queue(ctx context.Context) (api.Queue, error) {
	forecast, err := s.forecasts.current(ctx, s.pool)
	if err != nil {
		return api.Queue{}, err
	}
	mount, stranded, err := jobs.MountList(ctx, s.pool)
	if err != nil {
		return api.Queue{}, err
	}
	return QueueToWire(forecast, mount, stranded, time.Now()), nil
}

func (s *Server) queuePage(c echo.Context) error {
	ctx := c.Request().Context()
	after, err := jobs.LastEvent(ctx, s.pool)
	if err != nil {
		return err
	}
	q, err := s.queue(ctx)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "queue", page{
		Title: "Queue", Section: "queue", Simulated: s.labSimulated(ctx), Stream: streamURL("queue", nil, after), Data: queueData{q},
	})
}

func (s *Server) queueFragments(ctx context.Context) ([]fragment, error) {
	q, err := s.queue(ctx)
	if err != nil {
		return nil, err
	}
	return s.fragments("queue", part{"waiting", "waiting", queueData{q}})
}
