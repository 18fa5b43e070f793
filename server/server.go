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
)

// Options say what a server works with. Pool is needed, the rest has defaults.
type Options struct {
	Pool    *pgxpool.Pool
	Logger  *slog.Logger // nil discards
	Version string       // of the program, shown at the foot of every page; empty means "development"
	// Location is the time zone that pages show times in, always with its
	// offset. Nil means the zone of the machine.
	Location *time.Location
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
	inventories  *inventories
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
		trustNetwork: o.TrustNetwork, bell: newBell(), inventories: newInventories(), stopping: make(chan struct{}),
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
	var err error
	if s.assets, err = loadAssets(); err != nil {
		return nil, err
	}
	if s.pages, err = parseTemplates(s.location); err != nil {
		return nil, err
	}
	s.handler = http.NewCrossOriginProtection().Handler(s.routes())
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
	e.Use(middleware.Recover(), secure, middleware.BodyLimit(maxBody), s.guardWrites)

	e.GET("/assets/*", s.serveAsset)
	e.GET("/events", s.streamPage)
	e.GET("/", s.boardPage)
	e.GET("/campaigns", s.campaignsPage)
	e.GET("/campaigns/:id", s.campaignPage)
	e.POST("/campaigns/:id/cancel", s.cancelFromPage)
	e.GET("/runs/:id", s.runPage)
	e.GET("/cases/:id", s.casePage)
	e.GET("/yield", s.yieldPage)

	v1 := e.Group("/api/v1")
	v1.GET("/openapi.yaml", s.getDocument)
	v1.GET("/benches", s.getBenches)
	v1.GET("/campaigns", s.getCampaigns)
	v1.POST("/campaigns", s.postCampaign)
	v1.GET("/campaigns/:id", s.getCampaign)
	v1.POST("/campaigns/:id/cancel", s.cancelCampaign)
	v1.GET("/campaigns/:id/runs", s.getCampaignRuns)
	v1.GET("/runs/:id", s.getRun)
	v1.GET("/cases/:id", s.getCase)
	v1.GET("/cases/:id/series", s.getSeries)
	v1.GET("/cases/:id/traces/:number", s.getTrace)
	v1.GET("/results", s.getResults)
	v1.GET("/limits", s.getLimits)
	v1.GET("/yield", s.getYield)
	v1.GET("/events", s.streamEvents)
	return e
}

// encodeJSON is for values that are always encodable: wire types.
func encodeJSON(v any) []byte {
	b, err := json.Marshal(v)
	if err != nil {
		panic(fmt.Sprintf("server: a wire type does not encode: %v", err))
	}
	return b
}
