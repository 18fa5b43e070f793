package main

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"benchyard/jobs/lab"
)

// pathExpiring lists what keeps benches from working soon.
type pathExpiring struct {
	output
	File   string `arg:"" optional:"" help:"Inventory, YAML. Default: the one in force."`
	Within string `default:"30d" help:"How many days to look ahead." placeholder:"DAYS"`
}

// mostDays bounds how far ahead anybody looks, ten years.
const mostDays = 3650

// expiringWire is one row for programs.
type expiringWire struct {
	Bench     string   `json:"bench"`
	What      string   `json:"what"`
	ValidThru lab.Date `json:"valid_until"` // last good day
	Days      int      `json:"days"`        // until then from today; negative: it has run out
}

// Run prints every correction and calibration whose last good day is near.
func (c *pathExpiring) Run(ctx context.Context, p *program) error {
	days, err := strconv.Atoi(strings.TrimSuffix(c.Within, "d"))
	if err != nil || days < 0 || days > mostDays {
		return &badInput{fmt.Errorf("--within %q: want days, 0d to %dd, such as 30d", c.Within, mostDays)}
	}
	var l *lab.Lab
	if c.File != "" {
		l, _, err = readLab(ctx, c.File)
	} else {
		l, _, err = labInForce(ctx, p)
	}
	if err != nil {
		return err
	}
	rows := expiring(l, time.Now(), days)
	t := &table{header: []string{"bench", "what", "valid until", "days"}, values: rows}
	for _, r := range rows {
		t.add(cmp.Or(r.Bench, "–"), r.What, r.ValidThru.String(), strconv.Itoa(r.Days))
	}
	return c.print(p.stdout, t)
}

// expiring returns what has run out or does within so many days, the first to
// run out first.
func expiring(l *lab.Lab, now time.Time, days int) []expiringWire {
	y, m, d := now.Date()
	today := time.Date(y, m, d, 0, 0, 0, 0, time.UTC) // no day of an hour more or less
	rows := []expiringWire{}                          // an empty list, not null
	for _, due := range l.CalibrationDueBefore(lab.DateOf(now.AddDate(0, 0, days+1))) {
		rows = append(rows, expiringWire{due.Bench, due.What, due.On, int(due.On.Sub(today) / (24 * time.Hour))})
	}
	slices.SortStableFunc(rows, func(a, b expiringWire) int { return cmp.Compare(a.Days, b.Days) })
	return rows
}
