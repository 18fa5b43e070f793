package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strconv"

	"benchyard/instruments/rf"
	"benchyard/jobs/calibration"
)

// pathCompare holds a correction against the one before it.
type pathCompare struct {
	output
	statedFlag
	Old       string `arg:"" help:"The correction in use: .s2p or CSV, or an inventory (.yaml) with --bench, --slot and --connector."`
	New       string `arg:"" help:"The one that would replace it, the same way."`
	Bench     string `help:"Bench of the path in an inventory."`
	Slot      int    `help:"Its slot." placeholder:"N"`
	Connector int    `help:"Its connector of the radio unit, from 1." placeholder:"N"`
}

// pathComparison is what --format json prints.
type pathComparison struct {
	Old comparedTable `json:"old"`
	New comparedTable `json:"new"`
	calibration.Comparison
	Disagree int `json:"disagree"` // rows that differ by more than their combined uncertainty
}

// comparedTable is one of the two tables.
type comparedTable struct {
	Name string   `json:"name"`
	From rf.Hertz `json:"from_hz"`
	To   rf.Hertz `json:"to_hz"`
	Rows int      `json:"rows"`
}

// Run prints the differences over frequency, and fails where they are greater
// than the uncertainties allow.
func (c *pathCompare) Run(ctx context.Context, p *program) error {
	if err := c.check(); err != nil {
		return &badInput{err}
	}
	if c.Uncertainty != "" && !isTouchstone(c.Old) && !isTouchstone(c.New) {
		return c.unused()
	}
	before, err := c.table(ctx, c.Old)
	if err != nil {
		return err
	}
	after, err := c.table(ctx, c.New)
	if err != nil {
		return err
	}
	r := pathComparison{Old: compared(c.Old, before), New: compared(c.New, after), Comparison: calibration.Compare(before, after)}
	if r.Greatest == nil {
		return &badInput{fmt.Errorf("nothing to compare: %s covers %s to %s, %s covers %s to %s", c.Old, r.Old.From, r.Old.To, c.New, r.New.From, r.New.To)}
	}
	r.Disagree = r.Comparison.Disagree()
	if err := c.show(p, r); err != nil {
		return err
	}
	if r.Disagree == 0 {
		return nil
	}
	return &failedUnits{fmt.Sprintf("%d of %d frequencies differ by more than the combined uncertainty of both corrections", r.Disagree, len(r.Rows))}
}

// check refuses flags that name no path, or one in no inventory.
func (c *pathCompare) check() error {
	given := c.Bench != "" || c.Slot != 0 || c.Connector != 0
	inventory := isInventory(c.Old) || isInventory(c.New)
	switch {
	case inventory && (c.Bench == "" || c.Slot == 0 || c.Connector == 0):
		return errors.New("which path of the inventory? give --bench, --slot and --connector")
	case given && !inventory:
		return errors.New("--bench, --slot and --connector name a path of an inventory, and neither file is one (.yaml)")
	}
	return nil
}

// table reads a correction out of whatever the file is.
func (c *pathCompare) table(ctx context.Context, file string) (rf.Correction, error) {
	if !isInventory(file) {
		return c.read(ctx, file)
	}
	l, _, err := readLab(ctx, file)
	if err != nil {
		return nil, err
	}
	path, ok := l.PathFor(c.Bench, c.Slot, c.Connector)
	if !ok {
		return nil, &badInput{fmt.Errorf("%s has no path of bench %s, slot %d, connector %d", file, c.Bench, c.Slot, c.Connector)}
	}
	return path.Correction, nil
}

func compared(name string, c rf.Correction) comparedTable {
	return comparedTable{Name: name, From: c.Range().Low, To: c.Range().High, Rows: len(c)}
}

// show prints the comparison; what is no row stands below a table for people and
// beside one for programs.
func (c *pathCompare) show(p *program, r pathComparison) error {
	t := &table{header: []string{"frequency_hz", "old_db", "new_db", "difference_db", "uncertainty_db", "ratio", "agree"}, values: r}
	if c.Format == "table" {
		t.header = []string{"frequency Hz", "old dB", "new dB", "difference dB", "combined U dB", "in units of U", "agree"}
	}
	t.differences(r.Comparison)
	if err := c.print(p.stdout, t); err != nil || c.Format == "json" {
		return err
	}
	notes := p.stdout
	if c.Format == "csv" {
		notes = p.stderr
	} else {
		fmt.Fprintln(notes)
	}
	g := r.Greatest
	fmt.Fprintf(notes, "greatest difference at %s: %s dB, %s times the combined uncertainty of %.3f dB (k = 2)\n",
		g.Frequency, withSign(float64(g.Difference), 3), withSign(g.Ratio, 2), float64(g.Uncertainty))
	if r.Narrower {
		fmt.Fprintf(notes, "the new correction covers less: %s to %s, the old one %s to %s; nothing is measured outside\n", r.New.From, r.New.To, r.Old.From, r.Old.To)
	}
	return nil
}

// differences adds a row for each frequency of a comparison.
func (t *table) differences(r calibration.Comparison) {
	for _, d := range r.Rows {
		agree := "yes"
		if d.Disagree() {
			agree = "NO"
		}
		t.add(strconv.FormatFloat(float64(d.Frequency), 'f', -1, 64), fmt.Sprintf("%.3f", float64(d.Before)), fmt.Sprintf("%.3f", float64(d.After)),
			withSign(float64(d.Difference), 3), fmt.Sprintf("%.3f", float64(d.Uncertainty)), withSign(d.Ratio, 2), agree)
	}
}

// withSign prints a difference with its sign, and no -0.
func withSign(v float64, decimals int) string {
	scale := math.Pow(10, float64(decimals))
	return fmt.Sprintf("%+.*f", decimals, math.Round(v*scale)/scale+0)
}
