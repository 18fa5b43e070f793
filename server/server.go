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
	"github.com/labstack/echo/v4/middleware"
	"github.com/prometheus/client_golang/prometheus"

	"benchyard/jobs"
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
}

// Server is the HTTP side of Benchyard.
type Server struct {
	pool         *pgxpool.Pool
	log          *slog.Logger
	version      string
	location     *time.Location
	trustNetwork bool
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
		trustNetwork: o.TrustNetwork, bell: newBell(), renderings: newRenderings(), inventories: newInventories(), forecasts: &forecasts{}, stopping: make(chan struct{}),
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
	s.probes = NewProbes(figures, func(ctx context.Context) error { return postgres.Validate(ctx, o.Pool) })
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

func (s *Server) routes() *echo.Echo {
	e := echo.New()
	e.HideBanner, e.HidePort = true, true
	e.IPExtractor = echo.ExtractIPDirect()
	e.HTTPErrorHandler = s.handleError
	e.Use(middleware.Recover(), secure, middleware.BodyLimit(maxBody), s.guardWrites, textOnly)

	e.GET("/events", s.streamPage)
	e.GET("/api/v1/events", s.streamEvents)
	readable(e, "/assets/*", s.serveAsset)
	readable(e, "/", s.boardPage)
	readable(e, "/queue", s.queuePage)
	readable(e, "/campaigns", s.campaignsPage)
	readable(e, "/campaigns/:id", s.campaignPage)
	e.POST("/campaigns/:id/cancel", withinTime(s.cancelFromPage))
	readable(e, "/runs/:id", s.runPage)
	readable(e, "/cases/:id", s.casePage)
	readable(e, "/cases/:id/figures/*", s.figurePage)
	readable(e, "/yield", s.yieldPage)
	readable(e, "/yield/capability", s.capabilityPage)
	readable(e, "/yield/figure", s.populationPage)
	readable(e, "/yield/benches", s.benchesPage)
	readable(e, "/prompts/:id", s.promptPage)
	e.POST("/prompts/:id/answer", withinTime(s.answerFromPage))
	readable(e, "/judgements", s.judgementsPage)
	readable(e, "/judgements/:id", s.judgementPage)

	for _, path := range []string{"/health", "/ready", "/metrics"} {
		readable(e, path, echo.WrapHandler(s.probes))
	}

	const v1 = "/api/v1"
	readable(e, v1+"/openapi.yaml", s.getDocument)
	readable(e, v1+"/benches", s.getBenches)
	readable(e, v1+"/queue", s.getQueue)
	readable(e, v1+"/campaigns", s.getCampaigns)
	e.POST(v1+"/campaigns", withinTime(s.postCampaign))
	readable(e, v1+"/campaigns/:id", s.getCampaign)
	e.POST(v1+"/campaigns/:id/cancel", withinTime(s.cancelCampaign))
	readable(e, v1+"/campaigns/:id/runs", s.getCampaignRuns)
	readable(e, v1+"/runs/:id", s.getRun)
	readable(e, v1+"/cases/:id", s.getCase)
	readable(e, v1+"/cases/:id/explanation", s.getExplanation)
	readable(e, v1+"/cases/:id/series", s.getSeries)
	readable(e, v1+"/cases/:id/traces/:number", s.getTrace)
	readable(e, v1+"/results", s.getResults)
	readable(e, v1+"/limits", s.getLimits)
	readable(e, v1+"/yield", s.getYield)
	readable(e, v1+"/prompts", s.getPrompts)
	readable(e, v1+"/prompts/:id", s.getPrompt)
	e.POST(v1+"/prompts/:id/answer", withinTime(s.postAnswer))
	readable(e, v1+"/judgements", s.getJudgements)
	readable(e, v1+"/judgements/:id", s.getJudgement)
	readable(e, v1+"/judgements/:id/changes", s.getJudgementChanges)
	e.POST(v1+"/judgements", withinTime(s.postJudgement))
	readable(e, v1+"/yield/benches", s.getBenchAgreement)
	readable(e, v1+"/yield/capability", s.getCapability)
	readable(e, v1+"/yield/chart", s.getChart)
	readable(e, v1+"/yield/risk", s.getRisk)
	return e
}

// readable answers GET, and HEAD with the same headers: net/http leaves the
// body out by itself. Streams have no end that a HEAD could wait for.
func readable(e *echo.Echo, path string, h echo.HandlerFunc) {
	e.GET(path, withinTime(h))
	e.HEAD(path, withinTime(h))
}

// encodeJSON is for values that are always encodable: wire types.
func encodeJSON(v any) []byte {
	b, err := json.Marshal(v)
	if err != nil {
		panic(fmt.Sprintf("server: a wire type does not encode: %v", err))
	}
	return b
}
