package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"strconv"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"benchyard/jobs"
	"benchyard/jobs/blob"
	"benchyard/jobs/retention"
)

// evidenceCommand is for who answers for the evidence behind verdicts.
type evidenceCommand struct {
	Keep       evidenceKeep       `cmd:"" help:"Hold the evidence of a run, a campaign or a unit: nothing of it is moved or thinned until it is released."`
	Release    evidenceRelease    `cmd:"" help:"End a hold; its record stays."`
	List       evidenceList       `cmd:"" help:"What is held, why, by whom and since when."`
	Check      evidenceCheck      `cmd:"" help:"Read every object of the store of evidence and name those that are damaged or missing."`
	Transcript evidenceTranscript `cmd:"" help:"What was said to the instruments during a run."`
}

type evidenceKeep struct {
	OneRun   string `name:"run" help:"A run: its number." xor:"subject"`
	Campaign string `help:"A campaign: its number, the end of it, or its name." xor:"subject"`
	Unit     string `help:"A radio unit, its serial number: all of its runs, later ones too." xor:"subject"`
	Reason   string `required:"" help:"Why; for whoever wonders in years."`
	By       string `help:"Who asks for it. Default: you."`
}

// Run holds evidence.
func (c *evidenceKeep) Run(ctx context.Context, p *program) error {
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	subject := retention.Subject{Serial: c.Unit}
	if c.OneRun != "" {
		if subject.Run, err = uuid.Parse(c.OneRun); err != nil {
			return &badInput{fmt.Errorf("%q is not the number of a run; see benchyard run list", c.OneRun)}
		}
	}
	if c.Campaign != "" {
		if subject.Campaign, err = findCampaign(ctx, db.Pool, c.Campaign); err != nil {
			return err
		}
	}
	id, err := retention.Keep(ctx, db.Pool, subject, c.Reason, cmp.Or(c.By, person()))
	if err != nil {
		return holdRefused(err)
	}
	fmt.Fprintf(p.stdout, "held as number %d; release it with benchyard evidence release %d --reason WHY\n", id, id)
	return nil
}

func holdRefused(err error) error {
	var refused *retention.RefusedError
	if errors.As(err, &refused) || errors.Is(err, retention.ErrNotFound) || errors.Is(err, retention.ErrReleased) {
		return &badInput{err}
	}
	return err
}

type evidenceRelease struct {
	Number int64  `arg:"" help:"Number of the hold; see benchyard evidence list."`
	Reason string `required:"" help:"Why it is not needed any more."`
	By     string `help:"Who releases it. Default: you."`
}

// Run ends a hold.
func (c *evidenceRelease) Run(ctx context.Context, p *program) error {
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	if err := retention.Release(ctx, db.Pool, c.Number, c.Reason, cmp.Or(c.By, person())); err != nil {
		return holdRefused(err)
	}
	fmt.Fprintln(p.stdout, "released; the policy of the lab counts again")
	return nil
}

type evidenceList struct {
	output
	All bool `help:"Those too that were released."`
}

// Run prints the holds.
func (c *evidenceList) Run(ctx context.Context, p *program) error {
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	list, err := retention.Holds(ctx, db.Pool, c.All)
	if err != nil {
		return err
	}
	t := &table{header: []string{"number", "what", "held by", "since", "reason", "released"}, values: append([]retention.Hold{}, list...)}
	for _, h := range list {
		released := ""
		if h.ReleasedAt != nil {
			released = fmt.Sprintf("%s by %s: %s", h.ReleasedAt.UTC().Format(time.DateOnly), *h.ReleasedBy, *h.ReleaseReason)
		}
		t.add(strconv.FormatInt(h.ID, 10), heldThing(h), h.HeldBy, h.HeldAt.UTC().Format(time.RFC3339), h.Reason, released)
	}
	return c.print(p.stdout, t)
}

func heldThing(h retention.Hold) string {
	switch {
	case h.Run != nil:
		return "run " + h.Run.String()
	case h.Campaign != nil:
		return "campaign " + h.Campaign.String()
	}
	return "unit " + *h.Serial
}

type evidenceCheck struct {
	output
}

// Run reads every object.
func (c *evidenceCheck) Run(ctx context.Context, p *program) error {
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	blobs, err := p.blobs(db)
	if err != nil {
		return err
	}
	defer blobs.Close()
	shown := newProgress(p.stderr)
	all := 0
	damaged, err := blobs.Check(ctx, func(done, of int) {
		all = of
		shown.show(done, of)
	})
	shown.end()
	if err != nil {
		return err
	}
	t := &table{header: []string{"object", "why"}}
	values := []map[string]string{}
	for _, d := range damaged {
		t.add(string(d.Key), d.Cause.Error())
		values = append(values, map[string]string{"object": string(d.Key), "why": d.Cause.Error()})
	}
	t.values = values
	if len(damaged) > 0 || c.Format != "table" {
		if err := c.print(p.stdout, t); err != nil {
			return err
		}
	}
	if len(damaged) > 0 {
		return fmt.Errorf("%d of %d objects are damaged or missing; put them back from a backup", len(damaged), all)
	}
	if c.Format == "table" {
		fmt.Fprintf(p.stdout, "%d objects are what they were\n", all)
	}
	return nil
}

type evidenceTranscript struct {
	Number  string `arg:"" name:"run" help:"A run: its number."`
	Segment int    `help:"Only this segment."`
}

// Run prints what was said.
func (c *evidenceTranscript) Run(ctx context.Context, p *program) error {
	id, err := uuid.Parse(c.Number)
	if err != nil {
		return &badInput{fmt.Errorf("%q is not the number of a run; see benchyard run list", c.Number)}
	}
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	blobs, err := p.blobs(db)
	if err != nil {
		return err
	}
	defer blobs.Close()
	return c.write(ctx, p, db.Pool, blobs, id)
}

func (c *evidenceTranscript) write(ctx context.Context, p *program, pool *pgxpool.Pool, blobs *blob.Store, run uuid.UUID) error {
	list, err := jobs.TranscriptsOf(ctx, pool, blobs, run)
	if err != nil {
		return err
	}
	var lost error
	shown := 0
	for _, t := range list {
		if c.Segment != 0 && t.Segment != c.Segment {
			continue
		}
		shown++
		if t.Lost != nil {
			lost = errors.Join(lost, fmt.Errorf("segment %d, attempt %d: %w", t.Segment, t.Attempt, t.Lost))
			continue
		}
		fmt.Fprintf(p.stdout, "# segment %d, attempt %d: seconds, instrument, direction, message\n%s", t.Segment, t.Attempt, visibleTabs(t.Text))
	}
	if shown == 0 {
		return &badInput{fmt.Errorf("run %s has no such transcript", run)}
	}
	return lost
}
