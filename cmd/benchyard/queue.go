package main

import (
	"context"
	"strconv"
	"strings"
	"time"

	"benchyard/jobs"
	"benchyard/server"
)

// queueCommand shows what waits and what to do so that it goes on.
type queueCommand struct {
	List  queueList  `cmd:"" default:"withargs" help:"Every run that waits: its place, when it begins and ends, why it waits."`
	Mount queueMount `cmd:"" help:"Units to take from the shelf next, and the bench and slot for each."`
}

type queueList struct{ output }

// Run lists.
func (c *queueList) Run(ctx context.Context, p *program) error {
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	forecast, err := jobs.ETA(ctx, db.Pool)
	if err != nil {
		return err
	}
	now := time.Now()
	t := &table{
		header: []string{"bench", "place", "unit", "campaign", "priority", "requester", "set-up", "starts", "ends", "95 of 100 by", "deadline", "waits because"},
		values: server.QueueToWire(forecast, nil, nil, now).Runs,
	}
	for _, r := range forecast.Queue {
		place, starts, ends, by := "–", "–", "–", "–"
		if r.Position > 0 {
			place = strconv.Itoa(r.Position)
		}
		if r.Begins {
			starts, ends, by = clockTime(now.Add(r.Start.P50)), clockTime(now.Add(r.End.P50)), clockTime(now.Add(r.End.P95))
		}
		deadline := ""
		if r.Deadline != nil {
			deadline = clockTime(*r.Deadline)
		}
		if r.Late {
			deadline += ", late"
		}
		t.add(shelfOr(r.Bench), place, r.Serial, short(r.Campaign), string(r.Class), r.By, r.SetUp, starts, ends, by, deadline, r.Waits)
	}
	return c.print(p.stdout, t)
}

// shelfOr names where a unit is: the bench, or the shelf.
func shelfOr(bench string) string {
	if bench == "" {
		return "shelf"
	}
	return bench
}

type queueMount struct{ output }

// Run lists.
func (c *queueMount) Run(ctx context.Context, p *program) error {
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	mount, stranded, err := jobs.MountList(ctx, db.Pool)
	if err != nil {
		return err
	}
	now := time.Now()
	q := server.QueueToWire(jobs.Forecast{}, mount, stranded, now)
	t := &table{header: []string{"unit", "type", "bench", "slot", "set-up", "runs", "wanted", "remark"}, values: struct {
		Mount    any `json:"mount"`
		Stranded any `json:"stranded"`
	}{q.Mount, q.Stranded}}
	for _, m := range mount {
		slot, remark := strconv.Itoa(m.Slot), ""
		if m.Slot == 0 {
			slot, remark = "–", "as soon as a slot is free"
		} else if m.TakeOut != "" {
			remark = "take " + m.TakeOut + " out"
		}
		t.add(m.Serial, m.UnitType, m.Bench, slot, m.SetUp, strconv.Itoa(m.Runs), clockTime(now.Add(m.Start)), remark)
	}
	for _, u := range stranded {
		t.add(u.Serial, "", "–", "–", "", "", "", "no bench can take it: "+strings.Join(u.Reasons, "; "))
	}
	return c.print(p.stdout, t)
}
