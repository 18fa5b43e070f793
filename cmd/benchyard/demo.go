package main

import (
	"cmp"
	"context"
	_ "embed"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"time"

	"github.com/google/uuid"
	"golang.org/x/sync/errgroup"

	"benchyard/instruments/sim"
	"benchyard/jobs"
	"benchyard/jobs/blob"
	"benchyard/jobs/lab"
	"benchyard/jobs/postgres"
	"benchyard/jobs/watch"
)

//go:embed demo/plan.yaml
var demoPlan []byte

// demoCommand shows a simulated lab at work.
type demoCommand struct {
	Exit   bool    `help:"End when the units are measured; exit code 0 only when exactly the injected faults failed."`
	JSON   string  `name:"json" help:"Write everything that was found." placeholder:"FILE"`
	Truth  string  `help:"Write what was injected." placeholder:"FILE"`
	Seed   uint64  `default:"1" help:"Seed of the lab: its units and their faults."`
	Speed  float64 `default:"2000" help:"How many times faster than real the simulated clock runs."`
	Listen string  `default:"127.0.0.1:8038" help:"Address of the pages."`
}

// demo is one demo at work.
type demo struct {
	*demoCommand
	p     *program
	db    *postgres.Database
	blobs *blob.Store
	lab   *sim.Lab
	truth []sim.TruthEntry
	began time.Time
}

// Run runs the demo: lab, database, pages and agent in one process, one
// campaign for each build.
func (c *demoCommand) Run(ctx context.Context, p *program) error {
	if err := checkSpeed(c.Speed); err != nil {
		return &badInput{err}
	}
	dataDir := p.commandLine.DataDir
	if dataDir == "" && p.commandLine.DatabaseURL == "" {
		dir, err := scratchDir()
		if err != nil {
			return err
		}
		defer os.RemoveAll(dir)
		dataDir = dir
	}
	db, err := p.openAt(ctx, p.commandLine.DatabaseURL, dataDir)
	if err != nil {
		return err
	}
	defer db.Close()
	blobs, err := p.blobsBeside(db, dataDir)
	if err != nil {
		return err
	}
	defer blobs.Close()
	config := sim.Demo(c.Seed)
	config.Speed = c.Speed
	// The lab outlives the agent, which needs it to reach the safe state.
	simulated, err := sim.Start(context.WithoutCancel(ctx), config, nil)
	if err != nil {
		return err
	}
	defer simulated.Close()
	d := &demo{demoCommand: c, p: p, db: db, blobs: blobs, lab: simulated, truth: config.Truth(), began: time.Now()}
	return d.run(ctx)
}

// scratchDir is a directory for a private server that ends with the demo; the
// server's account must be able to reach it.
func scratchDir() (string, error) {
	dir, err := os.MkdirTemp("", "benchyard-demo-")
	if err != nil {
		return "", err
	}
	return filepath.Clean(dir), os.Chmod(dir, 0o711)
}

func (d *demo) run(ctx context.Context) error {
	if _, _, err := lab.Apply(ctx, d.db.Pool, "the simulated lab", d.lab.Inventory(), "demo"); err != nil {
		return err
	}
	if d.Truth != "" {
		if err := writeFor(d.Truth, d.truth); err != nil {
			return err
		}
	}
	figures := processFigures()
	pages, err := openPages(d.Listen, d.p, d.db, d.blobs, figures, false)
	if err != nil {
		return err
	}
	clerk, err := clerkFlags{}.clerk(d.p, d.db)
	if err != nil {
		return err
	}
	group, inner := errgroup.WithContext(ctx)
	inner, stop := context.WithCancel(inner)
	defer stop()
	group.Go(func() error { return pages.serve(inner) })
	// A lease of a few seconds: this process is the only one, and a demo that
	// was killed shall not make the next one wait.
	group.Go(func() error {
		return agentFlags{Lease: 5 * time.Second}.drive(inner, d.p, d.db, d.blobs, watch.New(figures))
	})
	group.Go(func() error { return clerk.Run(inner) })
	fmt.Fprintf(d.p.stderr, "a simulated lab: 3 benches, 24 radio units, builds 2.4.0 and 2.5.0, seed %d, clock at %gx\nwatch it on http://%s\n\n",
		d.Seed, d.Speed, pages.listener.Addr())
	verdict := d.measure(inner)
	if ctx.Err() != nil { // only an unsafe bench is worth more words than that
		return cmp.Or(group.Wait(), ctx.Err())
	}
	if verdict != nil && !d.finished(verdict) {
		stop()
		return errors.Join(verdict, group.Wait())
	}
	if d.Exit {
		stop()
		return errors.Join(verdict, group.Wait())
	}
	fmt.Fprintf(d.p.stdout, "\nthe pages stay on http://%s; end with Ctrl-C\n", pages.listener.Addr())
	return errors.Join(group.Wait(), verdict)
}

// finished tells whether the demo came to its end, even if to a bad one.
func (d *demo) finished(err error) bool {
	var failed *failedUnits
	return errors.As(err, &failed)
}

// measure queues both builds, follows them and prints what came out.
func (d *demo) measure(ctx context.Context) error {
	var campaigns []uuid.UUID
	for _, build := range d.lab.Config().Builds {
		c, err := jobs.Submit(ctx, d.db.Pool, jobs.Submission{
			Name: "build " + build, PlanFile: "the plan of the demo", PlanDocument: demoPlan, Build: build, By: "demo",
		})
		if err != nil {
			return err
		}
		campaigns = append(campaigns, c.ID)
	}
	if err := follow(ctx, d.p, d.db.Pool, campaigns); err != nil {
		return err
	}
	report, err := d.report(ctx, campaigns)
	if err != nil {
		return err
	}
	if d.JSON != "" {
		if err := writeFor(d.JSON, report); err != nil {
			return err
		}
	}
	return d.compare(report)
}

// compare tells whether what failed is what was injected.
func (d *demo) compare(r demoReport) error {
	for _, e := range r.Missed {
		fmt.Fprintf(d.p.stdout, "MISSED: %s under %s should have failed %s\n", e.Serial, e.Build, e.Clause)
	}
	for _, e := range r.False {
		fmt.Fprintf(d.p.stdout, "FALSE FAIL: %s under %s failed %s, nothing was injected there\n", e.Serial, e.Build, e.Clause)
	}
	for _, text := range r.Damaged {
		fmt.Fprintf(d.p.stdout, "DAMAGED: %s\n", text)
	}
	fmt.Fprintf(d.p.stdout, "\n%d units, 2 builds, %d cases in %s: %d clauses failed, %d injected\n",
		r.Units, r.Cases, shortly(time.Since(d.began)), len(r.Failed), len(r.Truth))
	if !reflect.DeepEqual(r.Failed, r.Truth) || r.Errors > 0 || len(r.Damaged) > 0 {
		return &failedUnits{fmt.Sprintf("the demo did not find what was injected: %d missed, %d false, %d errors, %d instruments damaged",
			len(r.Missed), len(r.False), r.Errors, len(r.Damaged))}
	}
	fmt.Fprintln(d.p.stdout, "exactly the injected faults were found")
	return nil
}

// without returns the entries of a that b does not have.
func without(a, b []sim.TruthEntry) []sim.TruthEntry {
	var left []sim.TruthEntry
	for _, e := range a {
		if !slices.Contains(b, e) {
			left = append(left, e)
		}
	}
	return left
}
