package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"runtime/debug"
	"slices"
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"golang.org/x/sync/errgroup"

	"benchyard/jobs"
	"benchyard/jobs/blob"
	"benchyard/jobs/lab"
	"benchyard/jobs/postgres"
	"benchyard/jobs/watch"
	"benchyard/server"
)

// stopLimit is how long an agent may take to leave its benches safe.
const stopLimit = time.Minute

// shortestLease leaves time to renew it over a network.
const shortestLease = time.Second

// agentFlags are those of every command that hosts an agent.
type agentFlags struct {
	Benches []string      `name:"bench" sep:"none" help:"Only these benches. Default: every bench of the inventory." placeholder:"BENCH,…"`
	Lease   time.Duration `default:"15s" help:"How long a bench stays reserved when this agent is not heard of; another one takes over then."`
}

// timings derives the clocks of an agent from the life of its leases.
func (f agentFlags) timings() jobs.Timings {
	return jobs.Timings{TTL: f.Lease, Renew: f.Lease / 3, Margin: f.Lease / 5, Grace: f.Lease / 3}
}

// agentCommand drives benches.
type agentCommand struct {
	agentFlags
	clerkFlags
	Probes string `help:"Address for machines that watch this process: /health, /ready, /metrics. Default: none." placeholder:"HOST:PORT"`
}

// Run drives benches until it is interrupted, then leaves them safe.
func (c *agentCommand) Run(ctx context.Context, p *program) error {
	db, err := p.openForAgent(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	if err := c.check(ctx, db); err != nil {
		return err
	}
	clerk, err := c.clerk(p, db)
	if err != nil {
		return err
	}
	blobs, err := p.blobs(db)
	if err != nil {
		return err
	}
	defer blobs.Close()
	figures := processFigures()
	group, ctx := errgroup.WithContext(ctx)
	if c.Probes != "" {
		l, err := listen("--probes", c.Probes)
		if err != nil {
			return err
		}
		probes := server.NewProbes(figures, func(ctx context.Context) error { return postgres.Ready(ctx, db.Pool) })
		group.Go(func() error { return probes.Serve(ctx, l) })
		fmt.Fprintf(p.stdout, "health, readiness and figures on http://%s\n", l.Addr())
	}
	fmt.Fprintf(p.stdout, "agent %s: driving benches; end it with Ctrl-C, benches go to safe state first\n", agentName())
	group.Go(func() error { return clerk.Run(ctx) })
	group.Go(func() error { return c.drive(ctx, p, db, blobs, watch.New(figures)) })
	return group.Wait()
}

// processFigures is a registry with what every Go process can tell of itself.
func processFigures() *prometheus.Registry {
	r := prometheus.NewRegistry()
	r.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	about := prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: "benchyard_build_info", Help: "1, with the version of this process."}, []string{"version"})
	about.WithLabelValues(version()).Set(1)
	r.MustRegister(about)
	return r
}

// check refuses flags that would leave the agent without work for ever.
func (f agentFlags) check(ctx context.Context, db *postgres.Database) error {
	if f.Lease < shortestLease {
		return &badInput{fmt.Errorf("--lease %s: want at least %s", f.Lease, shortestLease)}
	}
	benches, err := chosen("--bench", f.Benches)
	if err != nil || len(benches) == 0 {
		return err
	}
	l, _, err := lab.Load(ctx, db.Pool, 0)
	if errors.Is(err, lab.ErrNoLab) {
		return nil // it waits for the inventory
	} else if err != nil {
		return err
	}
	var known []string
	for _, b := range l.Benches {
		known = append(known, b.Name)
	}
	for _, b := range benches {
		if !slices.Contains(known, b) {
			return &badInput{fmt.Errorf("--bench %s: the inventory of %s has no such bench; it has %s", b, l.Name, strings.Join(known, ", "))}
		}
	}
	return nil
}

// drive hosts an agent until ctx ends.
func (f agentFlags) drive(ctx context.Context, p *program, db *postgres.Database, blobs *blob.Store, figures *watch.Figures) error {
	// Connections of its own: readers of pages, however many, must not keep a
	// lease from being renewed.
	pool, err := postgres.OpenPool(ctx, db.URL, "benchyard agent", 0)
	if err != nil {
		return err
	}
	defer pool.Close()
	agent, err := jobs.NewAgent(jobs.AgentOptions{
		Pool: pool, RiverPool: db.Queue, Name: agentName(), Version: version(),
		Benches: splitList(f.Benches), Timings: f.timings(), Logger: p.log, Blobs: blobs, Figures: figures,
	})
	if err != nil {
		return &badInput{err}
	}
	if err := agent.Start(ctx); err != nil {
		return err
	}
	var failed error
	select {
	case <-ctx.Done():
	case failed = <-agent.Failed():
	}
	stopping, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopLimit)
	defer cancel()
	return errors.Join(failed, agent.Stop(stopping))
}

// agentName is unique among the agents of a lab: the machine and the process.
func agentName() string {
	host, err := os.Hostname()
	if err != nil {
		host = "unnamed"
	}
	return fmt.Sprintf("%s-%d", host, os.Getpid())
}

// version is that of the program, as the build recorded it.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "development"
	}
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" {
			return s.Value[:min(12, len(s.Value))]
		}
	}
	return strings.Trim(info.Main.Version, "()")
}

// serveCommand hosts the pages, the API, a clerk and an agent.
type serveCommand struct {
	agentFlags
	clerkFlags
	Listen       string `default:"127.0.0.1:8038" help:"Address of the pages and the API."`
	NoAgent      bool   `name:"no-agent" help:"Pages and API only; agents run elsewhere."`
	TrustNetwork bool   `name:"trust-network" help:"Take submissions and cancellations from other machines too. There are no accounts: everybody who reaches the address may."`
}

// Run serves until it is interrupted.
func (c *serveCommand) Run(ctx context.Context, p *program) error {
	open := p.openForAgent
	if c.NoAgent {
		open = p.open
	}
	db, err := open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	if !c.NoAgent {
		if err := c.check(ctx, db); err != nil {
			return err
		}
	}
	clerk, err := c.clerk(p, db)
	if err != nil {
		return err
	}
	blobs, err := p.blobs(db)
	if err != nil {
		return err
	}
	defer blobs.Close()
	figures := processFigures()
	pages, err := openPages(c.Listen, p, db, blobs, figures, c.TrustNetwork)
	if err != nil {
		return err
	}
	fmt.Fprintf(p.stdout, "pages on http://%s; end it with Ctrl-C\n", pages.listener.Addr())
	group, ctx := errgroup.WithContext(ctx)
	group.Go(func() error { return pages.serve(ctx) })
	group.Go(func() error { return clerk.Run(ctx) })
	if !c.NoAgent {
		group.Go(func() error { return c.drive(ctx, p, db, blobs, watch.New(figures)) })
	}
	return group.Wait()
}

// pages is a server with its listener, so that the address is known before it serves.
type pages struct {
	listener net.Listener
	server   *server.Server
}

func openPages(address string, p *program, db *postgres.Database, blobs *blob.Store, figures prometheus.Gatherer, trust bool) (*pages, error) {
	s, err := server.New(server.Options{Pool: db.Pool, Logger: p.log, Version: version(), Figures: figures, TrustNetwork: trust, Blobs: blobs})
	if err != nil {
		return nil, err
	}
	l, err := listen("--listen", address)
	if err != nil {
		return nil, err
	}
	return &pages{l, s}, nil
}

// listen takes the address that a flag names.
func listen(flag, address string) (net.Listener, error) {
	l, err := net.Listen("tcp", address)
	if err != nil {
		return nil, &badInput{fmt.Errorf("%s %s: %w; choose another address, such as %s 127.0.0.1:8039", flag, address, err, flag)}
	}
	return l, nil
}

func (p *pages) serve(ctx context.Context) error { return p.server.Serve(ctx, p.listener) }
