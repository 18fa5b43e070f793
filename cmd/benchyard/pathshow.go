package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"

	"benchyard/instruments/rf"
	"benchyard/jobs"
	"benchyard/jobs/calibration"
	"benchyard/jobs/lab"
	"benchyard/server"
	"benchyard/server/api"
)

// pathShow shows what is in force, and what was proposed.
type pathShow struct {
	output
	What []string `arg:"" optional:"" name:"path" help:"BENCH SLOT CONNECTOR: what was proposed for that path; or the number of a proposal, or the end of it: every difference. Default: all paths with what is in force."`
}

// shownCorrections bounds a list of corrections.
const shownCorrections = 200

// Run shows.
func (c *pathShow) Run(ctx context.Context, p *program) error {
	if n := len(c.What); n != 0 && n != 1 && n != 3 {
		return &badInput{errors.New("name a path with BENCH SLOT CONNECTOR, or a proposal with its number")}
	}
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	switch len(c.What) {
	case 1:
		found, err := findCorrection(ctx, db.Pool, c.What[0])
		if err != nil {
			return err
		}
		return c.one(ctx, p, db.Pool, found)
	case 3:
		place, err := placeFrom(c.What)
		if err != nil {
			return err
		}
		return c.place(ctx, p, db.Pool, place)
	}
	l, _, err := lab.Load(ctx, db.Pool, 0)
	if err != nil {
		return refused(err)
	}
	open, err := jobs.PathCorrections(ctx, db.Pool, jobs.PathPlace{}, true, shownCorrections)
	if err != nil {
		return err
	}
	return c.all(p, server.PathsToWire(l, open, lab.DateOf(time.Now())))
}

// all prints every path with its correction in force.
func (c *pathShow) all(p *program, paths []api.Path) error {
	t := &table{header: []string{"bench", "slot", "connector", "elements", "correction", "range", "valid until", "days", "proposals", "state"}, values: paths}
	for _, w := range paths {
		t.add(w.Bench, strconv.Itoa(w.Slot), strconv.Itoa(w.Connector), strings.Join(w.Elements, ", "), correctionText(w), rangeText(w.FromHz, w.ToHz),
			w.ValidUntil, strconv.Itoa(w.Days), strconv.Itoa(w.Open), pathState(w))
	}
	return c.print(p.stdout, t)
}

func correctionText(w api.Path) string {
	if w.Correction == "" {
		return "of the file"
	}
	return fmt.Sprintf("%s by %s, approved by %s", end(w.Correction), w.MeasuredBy, w.ApprovedBy)
}

// end is the end of a number as short has it.
func end(id string) string { return id[max(0, len(id)-12):] }

func pathState(w api.Path) string {
	switch {
	case w.Stale != "":
		return w.Stale
	case w.Days < 0:
		return "has run out"
	}
	return "good"
}

func rangeText(from, to float64) string { return fmt.Sprintf("%s to %s", rf.Hertz(from), rf.Hertz(to)) }

// pathHistory is what --format json prints of one path.
type pathHistory struct {
	Path        api.Path             `json:"path"`
	Corrections []api.PathCorrection `json:"corrections"`
}

// place prints what was proposed for a path, newest first, each beside the one in
// force, or the one before.
func (c *pathShow) place(ctx context.Context, p *program, db jobs.DB, place jobs.PathPlace) error {
	l, _, err := lab.Load(ctx, db, 0)
	if err != nil {
		return refused(err)
	}
	found, err := jobs.PathCorrections(ctx, db, place, false, shownCorrections)
	if err != nil {
		return err
	}
	paths := server.PathsToWire(l, found, lab.DateOf(time.Now()))
	i := slices.IndexFunc(paths, func(w api.Path) bool {
		return jobs.PathPlace{Bench: w.Bench, Slot: w.Slot, Connector: w.Connector} == place
	})
	if i < 0 {
		return &badInput{fmt.Errorf("the inventory has no path of %s; see benchyard path show", place)}
	}
	h := pathHistory{Path: paths[i], Corrections: []api.PathCorrection{}}
	h.Path.Open = 0
	t := &table{header: []string{"number", "state", "source", "measured", "by", "range", "difference dB", "in units of U", "at", "remark"}}
	for _, f := range found {
		with, err := server.ComparePath(f, versions(ctx, db))
		if err != nil {
			return err
		}
		w := server.PathCorrectionToWire(f, with)
		if f.State == jobs.PathProposed {
			h.Path.Open++
		}
		h.Corrections = append(h.Corrections, w)
		difference, ratio, at := greatestText(w)
		t.add(short(f.ID), w.State, w.Source, clockTime(w.MeasuredAt), w.MeasuredBy, rangeText(w.FromHz, w.ToHz), difference, ratio, at, pathRemark(w))
	}
	t.values = h
	if c.Format == "table" {
		fmt.Fprintf(p.stdout, "%s, of %s: correction %s, %s, valid until %s: %s\n\n", place, namesText(h.Path.Elements), correctionText(h.Path),
			rangeText(h.Path.FromHz, h.Path.ToHz), h.Path.ValidUntil, pathState(h.Path))
	}
	return c.print(p.stdout, t)
}

func namesText(elements []string) string {
	if len(elements) == 0 {
		return "elements without names"
	}
	return strings.Join(elements, ", ")
}

func greatestText(w api.PathCorrection) (difference, ratio, at string) {
	if w.Greatest == nil {
		return "–", "–", "–"
	}
	return withSign(w.Greatest.DifferenceDB, 3), withSign(w.Greatest.Ratio, 2), rf.Hertz(w.Greatest.FrequencyHz).String()
}

func pathRemark(w api.PathCorrection) string {
	var remarks []string
	if w.DecidedBy != "" {
		remarks = append(remarks, "by "+w.DecidedBy)
	}
	if w.Reason != "" {
		remarks = append(remarks, w.Reason)
	}
	if w.Disagree > 0 {
		remarks = append(remarks, fmt.Sprintf("%d frequencies beyond both uncertainties", w.Disagree))
	}
	if w.Narrower {
		remarks = append(remarks, "covers less")
	}
	return strings.Join(remarks, "; ")
}

// one prints a correction, every row in common with the one in force.
func (c *pathShow) one(ctx context.Context, p *program, db jobs.DB, found jobs.PathCorrection) error {
	with, err := server.ComparePath(found, versions(ctx, db))
	if err != nil {
		return err
	}
	w := server.PathDetailToWire(found, with)
	if c.Format == "table" {
		fmt.Fprintf(p.stdout, "%s, of %s: %s, %s from %s by %s, %s\n%s%s\n\n", found.PathPlace, namesText(w.Elements), w.State, w.Source, w.Origin, w.MeasuredBy,
			clockTime(w.MeasuredAt), rangeText(w.FromHz, w.ToHz), prefixed("; ", pathRemark(w.PathCorrection)))
	}
	return c.print(p.stdout, correctionTable(c.output, w, with))
}

func prefixed(before, text string) string {
	if text == "" {
		return ""
	}
	return before + text
}

func correctionTable(o output, values any, with calibration.Comparison) *table {
	t := &table{header: []string{"frequency_hz", "before_db", "after_db", "difference_db", "uncertainty_db", "ratio", "agree"}, values: values}
	if o.Format == "table" {
		t.header = []string{"frequency Hz", "before dB", "after dB", "difference dB", "combined U dB", "in units of U", "agree"}
	}
	t.differences(with)
	return t
}

// versions loads inventories for a comparison.
func versions(ctx context.Context, db jobs.DB) func(int64) (*lab.Lab, error) {
	loaded := map[int64]*lab.Lab{}
	return func(version int64) (*lab.Lab, error) {
		if l := loaded[version]; l != nil {
			return l, nil
		}
		l, _, err := lab.Load(ctx, db, version)
		loaded[version] = l
		return l, err
	}
}

// placeFrom reads BENCH SLOT CONNECTOR.
func placeFrom(words []string) (jobs.PathPlace, error) {
	place := jobs.PathPlace{Bench: words[0]}
	for i, n := range []*int{&place.Slot, &place.Connector} {
		var err error
		if *n, err = strconv.Atoi(words[i+1]); err != nil || *n < 1 {
			return place, &badInput{fmt.Errorf("%s %q: want a whole number from 1", []string{"slot", "connector"}[i], words[i+1])}
		}
	}
	return place, nil
}

// findCorrection finds a proposed correction by its number, or the end of it.
func findCorrection(ctx context.Context, db jobs.DB, word string) (jobs.PathCorrection, error) {
	id, err := uuid.Parse(word)
	if err != nil {
		all, err := jobs.PathCorrections(ctx, db, jobs.PathPlace{}, false, shownCorrections)
		if err != nil {
			return jobs.PathCorrection{}, err
		}
		all = slices.DeleteFunc(all, func(c jobs.PathCorrection) bool {
			return len(word) < shortestEnd || !strings.HasSuffix(c.ID.String(), strings.ToLower(word))
		})
		if len(all) != 1 {
			return jobs.PathCorrection{}, &badInput{fmt.Errorf("%d of the %d newest corrections have a number that ends in %q (%d digits at least); see benchyard path show BENCH SLOT CONNECTOR",
				len(all), shownCorrections, word, shortestEnd)}
		}
		id = all[0].ID
	}
	found, err := jobs.PathCorrectionByID(ctx, db, id)
	return found, refused(err)
}
