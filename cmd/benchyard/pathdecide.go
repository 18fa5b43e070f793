package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"benchyard/instruments/rf"
	"benchyard/jobs"
	"benchyard/jobs/calibration"
	"benchyard/jobs/lab"
	"benchyard/server"
)

// pathImport proposes the correction of a file.
type pathImport struct {
	statedFlag
	File      string `arg:"" help:"Two-port Touchstone file of version 1 (.s2p), referred to 50 ohms; or CSV with frequency_hz,loss_db,uncertainty_db."`
	Bench     string `arg:"" help:"Bench of the path."`
	Slot      string `arg:"" help:"Its slot."`
	Connector string `arg:"" help:"Its connector of the radio unit, from 1."`
	By        string `required:"" placeholder:"NAME" help:"Who measured it; somebody else has to approve it."`
	Measured  string `placeholder:"DATE" help:"Day it was measured, such as 2026-11-20; its time of validity begins then. Default: today."`
	Whole     bool   `help:"The losses of a CSV were read at the analyzer of the bench: its level error and input mismatch are in them and in their uncertainty, and are not added again."`
}

// Run proposes.
func (c *pathImport) Run(ctx context.Context, p *program) error {
	place, err := placeFrom([]string{c.Bench, c.Slot, c.Connector})
	if err != nil {
		return err
	}
	if err := checkName("--by", c.By); err != nil {
		return err
	}
	if c.Whole && isTouchstone(c.File) {
		return &badInput{errors.New("--whole is for CSV: a network analyzer measures the path alone")}
	}
	if c.Uncertainty != "" && !isTouchstone(c.File) {
		return c.unused()
	}
	measured, err := c.measured(time.Now())
	if err != nil {
		return err
	}
	correction, err := c.read(ctx, c.File)
	if err != nil {
		return err
	}
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	q := jobs.PathProposal{PathPlace: place, Source: jobs.ImportedPath, Origin: c.File, MeasuredBy: c.By, MeasuredAt: measured, Rows: bareRows(correction)}
	if c.Whole {
		l, _, err := lab.Load(ctx, db.Pool, 0)
		if err != nil {
			return refused(err)
		}
		bench, _ := l.Bench(c.Bench)
		q.Analyzer = bench.Analyzer
	}
	id, err := jobs.Propose(ctx, db.Pool, q)
	if err != nil {
		return refused(err)
	}
	found, err := jobs.PathCorrectionByID(ctx, db.Pool, id)
	if err != nil {
		return err
	}
	return tellProposal(ctx, p, db.Pool, found)
}

// measured is when the file was measured: on the day that was said, or now.
func (c *pathImport) measured(now time.Time) (time.Time, error) {
	if c.Measured == "" {
		return now, nil
	}
	day, err := time.ParseInLocation(time.DateOnly, c.Measured, now.Location())
	if err != nil || day.After(now) {
		return now, &badInput{fmt.Errorf("--measured %q: want a day such as 2026-11-20, not after today", c.Measured)}
	}
	return day, nil
}

// bareRows are the rows of a correction of whose budgets nothing is known.
func bareRows(c rf.Correction) []calibration.Row {
	rows := make([]calibration.Row, len(c))
	for i, point := range c {
		rows[i].CorrectionPoint = point
	}
	return rows
}

// tellProposal says how a proposal stands beside what is in force, and what comes next.
func tellProposal(ctx context.Context, p *program, db jobs.DB, found jobs.PathCorrection) error {
	with, err := server.ComparePath(found, versions(ctx, db))
	if err != nil {
		return err
	}
	w := server.PathCorrectionToWire(found, with)
	fmt.Fprintf(p.stdout, "%s: proposal %s, %d rows, %s\n", found.PathPlace, short(found.ID), w.Rows, rangeText(w.FromHz, w.ToHz))
	if difference, ratio, at := greatestText(w); w.Greatest != nil {
		fmt.Fprintf(p.stdout, "greatest difference to the one in force: %s dB at %s, %s times the combined uncertainty\n", difference, at, ratio)
	}
	approve := "benchyard path approve " + short(found.ID) + " --by NAME"
	if w.Disagree > 0 {
		fmt.Fprintf(p.stdout, "%d of %d frequencies differ by more than both uncertainties allow; look at them with: benchyard path show %s\n", w.Disagree, len(with.Rows), short(found.ID))
		approve += " --reason REASON"
	}
	if w.Narrower {
		fmt.Fprintln(p.stdout, "it covers less than the one in force")
		approve += " --narrower"
	}
	fmt.Fprintf(p.stdout, "it counts once somebody else than %s has approved it: %s\n", found.MeasuredBy, approve)
	return nil
}

// pathApprove puts a proposal in force.
type pathApprove struct {
	Proposal string `arg:"" help:"Its number, or the end of it."`
	By       string `required:"" placeholder:"NAME" help:"Who approves: another person than who measured."`
	Until    string `name:"valid-until" placeholder:"DATE" help:"Last day it is good, such as 2027-03-31. Default, and not beyond: correction_days of the inventory after it was measured."`
	Narrower bool   `help:"It may cover less than the one in force."`
	Reason   string `help:"Why it differs from the one in force by more than both uncertainties allow."`
}

// Run approves.
func (c *pathApprove) Run(ctx context.Context, p *program) error {
	a := jobs.Approval{By: c.By, Narrower: c.Narrower, Reason: c.Reason, Now: time.Now()}
	if c.Until != "" {
		var err error
		if a.ValidUntil, err = lab.ParseDate(c.Until); err != nil {
			return &badInput{fmt.Errorf("--valid-until: %w", err)}
		}
	}
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	found, err := findCorrection(ctx, db.Pool, c.Proposal)
	if err != nil {
		return err
	}
	d, err := jobs.Approve(ctx, db.Pool, found.ID, a)
	if err != nil {
		return refused(err)
	}
	fmt.Fprintf(p.stdout, "%s: in force until %s, with version %d of the inventory; campaigns that are submitted from now on use it\n", found.PathPlace, d.ValidUntil, d.Version)
	return nil
}

// pathReject ends a proposal.
type pathReject struct {
	Proposal string `arg:"" help:"Its number, or the end of it."`
	By       string `required:"" placeholder:"NAME" help:"Who rejects."`
	Reason   string `required:"" help:"Why; kept with it."`
}

// Run rejects.
func (c *pathReject) Run(ctx context.Context, p *program) error {
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	found, err := findCorrection(ctx, db.Pool, c.Proposal)
	if err != nil {
		return err
	}
	if err := jobs.Reject(ctx, db.Pool, found.ID, c.By, c.Reason); err != nil {
		return refused(err)
	}
	fmt.Fprintf(p.stdout, "%s: proposal %s is rejected; what is in force stays\n", found.PathPlace, short(found.ID))
	return nil
}
