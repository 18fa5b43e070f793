package server

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"sync"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/labstack/echo/v4"
	"github.com/prometheus/client_golang/prometheus"

	"benchyard/jobs"
	"benchyard/jobs/blob"
	"benchyard/jobs/postgres"
)

// Options say what a server works with. Pool is needed, the rest has defaults.
type Options struct {
	Pool    *pgxpool.Pool
	Logger  *slog.Logger // nil discards
	Version string       // of the program, shown at the foot of every page; empty means "development"
	// Location is the time zone that pages show times in, always with its
	// offset. Nil means the zone of the machine.
	Location *time.Location
	// Figures are shown on /metrics; nil shows those of the lab only.
	Figures prometheus.Gatherer
	// TrustNetwork accepts state changes from everywhere. By default they are
	// accepted over loopback only, because there are no accounts.
	TrustNetwork bool
	Blobs        *blob.Store // of evidence too big for rows; nil: there is none
}

// Server is the HTTP side of Benchyard.
type Server struct {
	pool         *pgxpool.Pool
	log          *slog.Logger
	version      string
	location     *time.Location
	trustNetwork bool
	blobs        *blob.Store
	assets       assets
	pages        templates
	bell         *bell
	renderings   *renderings
	inventories  *inventories
	forecasts    *forecasts
	probes       *Probes
	stopping     chan struct{} // closed when streams must end
	stop         func()        // closes it, once
	handler      http.Handler
}

// shutdownGrace is how long running requests may take once the server stops.
const shutdownGrace = 10 * time.Second

// New parses the templates and lays out the routes. It opens nothing.
func New(o Options) (*Server, error) {
	if o.Pool == nil {
		return nil, errors.New("server: a database pool is needed")
	}
	s := &Server{
		pool: o.Pool, log: o.Logger, version: o.Version, location: o.Location,
		trustNetwork: o.TrustNetwork, blobs: o.Blobs, bell: newBell(), renderings: newRenderings(), inventories: newInventories(), forecasts: &forecasts{}, stopping: make(chan struct{}),
	}
	s.stop = sync.OnceFunc(func() { close(s.stopping) })
	if s.log == nil {
		s.log = slog.New(slog.DiscardHandler)
	}
	if s.version == "" {
		s.version = "development"
	}
	if s.location == nil {
		s.location = time.Local
	}
	lab := prometheus.NewRegistry()
	lab.MustRegister(jobs.WatchLab(o.Pool))
	figures := prometheus.Gatherers{lab}
	if o.Figures != nil {
		figures = append(figures, o.Figures)
	}
	s.probes = NewProbes(figures, func(ctx context.Context) error { return postgres.Ready(ctx, o.Pool) })
	var err error
	if s.assets, err = loadAssets(); err != nil {
		return nil, err
	}
	if s.pages, err = parseTemplates(s.location); err != nil {
		return nil, err
	}
	routes := s.routes()
	foreign := http.NewCrossOriginProtection()
	foreign.SetDenyHandler(s.refuseForeign(routes))
	s.handler = foreign.Handler(routes)
	return s, nil
}

// Handler returns everything the server answers. Live streams of a Handler that
// is not behind Serve see changes only now and then.
func (s *Server) Handler() http.Handler { return s.handler }

// Serve answers on l until ctx ends, then lets running requests finish and ends
// every live stream. It returns nil after an orderly stop, and closes l.
func (s *Server) Serve(ctx context.Context, l net.Listener) error {
	listening, cancel := context.WithCancel(ctx)
	var background sync.WaitGroup
	background.Go(func() { s.listen(listening) })
	defer background.Wait()
	defer cancel()

	h := &http.Server{
		Handler:           s.handler,
		ReadHeaderTimeout: 10 * time.Second,
		ReadTimeout:       time.Minute,
		WriteTimeout:      2 * time.Minute,
		IdleTimeout:       2 * time.Minute,
		ErrorLog:          slog.NewLogLogger(s.log.Handler(), slog.LevelWarn),
	}
	failed := make(chan error, 1)
	background.Go(func() { failed <- h.Serve(l) })
	select {
	case err := <-failed:
		s.stop()
		return fmt.Errorf("server: %w", err)
	case <-ctx.Done():
	}
	s.stop()
	closing, done := context.WithTimeout(context.WithoutCancel(ctx), shutdownGrace)
	defer done()
	if err := h.Shutdown(closing); err != nil {
		h.Close()
		return fmt.Errorf("server: requests were still running after %s and were cut: %w", shutdownGrace, err)
	}
	return nil
}

// automationPages are those of what happens without a person.
func (s *Server) automationPages(e *echo.Echo) {
	readable(e, "/schedules", s.schedulesPage)
	readable(e, "/schedules/:id", s.schedulePage)
	for _, word := range scheduleWords() {
		e.POST("/schedules/:id/"+word, withinTime(s.changeScheduleFromPage))
	}
	readable(e, "/builds", s.buildsPage)
	readable(e, "/webhooks", s.webhooksPage)
	readable(e, "/webhooks/:id", s.webhookPage)
	for _, word := range []string{"test", "enable", "remove"} {
		e.POST("/webhooks/:id/"+word, withinTime(s.changeWebhookFromPage))
	}
}

// automationRoutes are the same for programs.
func (s *Server) automationRoutes(g router) {
	readable(g, "/campaigns/:id/junit", s.getCampaignJUnit)
	readable(g, "/runs/:id/junit", s.getRunJUnit)
	readable(g, "/schedules", s.getSchedules)
	g.POST("/schedules", withinTime(s.postSchedule))
	readable(g, "/schedules/:id", s.getSchedule)
	for _, word := range scheduleWords() {
		g.POST("/schedules/:id/"+word, withinTime(s.postScheduleChange))
	}
	readable(g, "/builds", s.getBuilds)
	g.POST("/builds", withinTime(s.postBuild))
	readable(g, "/builds/:id", s.getBuild)
	readable(g, "/stage-plans", s.getStagePlans)
	g.POST("/stage-plans", withinTime(s.postStagePlan))
	readable(g, "/webhooks", s.getWebhooks)
	g.POST("/webhooks", withinTime(s.postWebhook))
	g.POST("/webhooks/:id/rotate", withinTime(s.rotateWebhook))
	g.POST("/webhooks/:id/enable", withinTime(s.postWebhookChange))
	g.POST("/webhooks/:id/remove", withinTime(s.postWebhookChange))
	g.POST("/webhooks/:id/test", withinTime(s.testWebhook))
	readable(g, "/webhooks/:id/deliveries", s.getDeliveries)
}

// router takes routes: all of them, or those below a prefix.
type router interface {
	GET(path string, h echo.HandlerFunc, m ...echo.MiddlewareFunc) *echo.Route
	HEAD(path string, h echo.HandlerFunc, m ...echo.MiddlewareFunc) *echo.Route
	POST(path string, h echo.HandlerFunc, m ...echo.MiddlewareFunc) *echo.Route
}

// encodeJSON is for values that are always encodable: wire types.
func encodeJSON(v any) []byte {
	b, err := json.Marshal(v)
	if err != nil {
		panic(fmt.Sprintf("server: a wire type does not encode: %v", err))
	}
	return b
}
