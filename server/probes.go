package server

import (
	"context"
	"fmt"
	"net"
	"net/http"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

const (
	// probeTime bounds what a probe waits for; who probes does so again soon.
	probeTime = 3 * time.Second
	// probeEvery spares the database probes that come more often.
	probeEvery = time.Second
)

// Probes answer machines that watch a process: GET /health says that it runs,
// /ready that it can do its work, /metrics its figures in the text format of
// Prometheus. Both yes and no are one line of plain text, 200 or 503.
type Probes struct {
	figures http.Handler
	ready   func(context.Context) error

	mu    sync.Mutex
	asked time.Time
	found error
}

// NewProbes returns the probes of a process. Ready returns why it cannot do its
// work now; nil: it can.
func NewProbes(figures prometheus.Gatherer, ready func(context.Context) error) *Probes {
	return &Probes{
		figures: promhttp.HandlerFor(figures, promhttp.HandlerOpts{ErrorHandling: promhttp.ContinueOnError, Timeout: answerTime}),
		ready:   ready,
	}
}

// ServeHTTP answers one probe.
func (p *Probes) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if r.Method != http.MethodGet && r.Method != http.MethodHead {
		w.Header().Set("Allow", "GET, HEAD")
		http.Error(w, "only GET and HEAD", http.StatusMethodNotAllowed)
		return
	}
	switch r.URL.Path {
	case "/metrics":
		p.figures.ServeHTTP(w, r)
	case "/health":
		fmt.Fprintln(oneLine(w), "running")
	case "/ready":
		if err := p.check(r.Context()); err != nil {
			http.Error(w, "not ready: "+err.Error(), http.StatusServiceUnavailable)
			return
		}
		fmt.Fprintln(oneLine(w), "ready")
	default:
		http.Error(w, "there are /health, /ready and /metrics here", http.StatusNotFound)
	}
}

func oneLine(w http.ResponseWriter) http.ResponseWriter {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	return w
}

// check asks whether the process is ready, unless that was just asked.
func (p *Probes) check(ctx context.Context) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if time.Since(p.asked) < probeEvery {
		return p.found
	}
	// Whoever asks may leave: the answer is for those after it too.
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), probeTime)
	defer cancel()
	p.found = p.ready(ctx)
	p.asked = time.Now()
	return p.found
}

// Serve answers on l until ctx ends. It closes l.
func (p *Probes) Serve(ctx context.Context, l net.Listener) error {
	h := &http.Server{Handler: p, ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 10 * time.Second, WriteTimeout: time.Minute, IdleTimeout: time.Minute}
	failed := make(chan error, 1)
	go func() { failed <- h.Serve(l) }()
	select {
	case err := <-failed:
		return fmt.Errorf("server: probes: %w", err)
	case <-ctx.Done():
	}
	closing, cancel := context.WithTimeout(context.WithoutCancel(ctx), probeTime)
	defer cancel()
	if err := h.Shutdown(closing); err != nil {
		h.Close()
	}
	<-failed
	return nil
}
