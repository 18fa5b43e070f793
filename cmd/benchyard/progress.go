package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"
	"golang.org/x/term"

	"benchyard/jobs"
)

// Between two looks at the tables: often enough to look alive on a terminal,
// seldom enough to read in a log.
const (
	terminalPace = 300 * time.Millisecond
	linePace     = 5 * time.Second
)

// patience is how long the display outlives its database: a private server
// changes hands when the program that ran it ends.
const patience = 15 * time.Second

// snapshot is where some campaigns stand.
type snapshot struct {
	campaigns []jobs.CampaignSummary
	benches   []jobs.BenchStatus
	left      time.Duration
	measured  bool
	waiting   []string // why nothing of a campaign is being measured
}

func (s snapshot) cases() (done, total int) {
	for _, c := range s.campaigns {
		done, total = done+c.CasesDone, total+c.CasesTotal
	}
	return done, total
}

func (s snapshot) finished() bool {
	for _, c := range s.campaigns {
		if c.Queued+c.Active > 0 {
			return false
		}
	}
	return true
}

func (s snapshot) simulated() bool { return len(s.campaigns) > 0 && s.campaigns[0].Simulated }

// line is the whole state in one line.
func (s snapshot) line() string {
	done, total := s.cases()
	busy, failed, errors := 0, 0, 0
	for _, b := range s.benches {
		if b.Activity == jobs.Measuring || b.Activity == jobs.BringUp {
			busy++
		}
	}
	for _, c := range s.campaigns {
		failed, errors = failed+c.Failed, errors+c.Errors
	}
	eta := "ETA not known yet"
	if s.finished() {
		eta = "done"
	} else if s.left > 0 && s.measured {
		eta = "ETA " + shortly(s.left)
	} else if s.left > 0 && !s.simulated() {
		eta = "ETA " + shortly(s.left) + " by the plan" // a simulated clock runs at any speed
	}
	share := 0.0
	if total > 0 {
		share = 100 * float64(done) / float64(total)
	}
	return fmt.Sprintf("%4d/%d cases %3.0f %%, %d of %d benches busy, %d units failed, %d errors, %s",
		done, total, share, busy, len(s.benches), failed, errors, eta)
}

// board is one line for each bench.
func (s snapshot) board() []string {
	var lines []string
	for _, b := range s.benches {
		text := fmt.Sprintf("  %-10s %-11s", b.Name, b.Activity)
		if b.Run != nil {
			text += fmt.Sprintf(" %s, build %s, %d/%d cases", b.Serial, b.Build, b.CasesDone, b.CasesTotal)
		}
		if b.Doing != "" {
			text += ": " + b.Doing
		}
		if b.Activity == jobs.Waiting {
			text += " Answer: benchyard prompt answer --by NAME"
		}
		if b.Alarm != "" {
			text += " ALARM: " + b.Alarm
		}
		if b.Hold != "" {
			text += " HELD: " + b.Hold
		}
		lines = append(lines, text)
	}
	return lines
}

// stoppedWatching says that the person ended the display, not the campaign.
type stoppedWatching struct{ cause error }

func (e *stoppedWatching) Error() string {
	return fmt.Sprintf("stopped watching; the queue goes on (%v)", e.cause)
}
func (e *stoppedWatching) Unwrap() error { return e.cause }

func look(ctx context.Context, pool *pgxpool.Pool, ids []uuid.UUID) (s snapshot, err error) {
	for _, id := range ids {
		c, err := jobs.CampaignByID(ctx, pool, id)
		if err != nil {
			return s, err
		}
		s.campaigns = append(s.campaigns, c)
	}
	if s.benches, err = jobs.Benches(ctx, pool); err != nil {
		return s, err
	}
	forecast, err := jobs.ETA(ctx, pool)
	for _, id := range ids {
		s.left = max(s.left, forecast.Campaigns[id].P50)
	}
	s.measured = forecast.Measured
	if err != nil {
		return s, err
	}
	for _, c := range s.campaigns {
		if c.Queued > 0 && c.Active == 0 {
			reasons, err := blocked(ctx, pool, c.ID)
			if err != nil {
				return s, err
			}
			s.waiting = append(s.waiting, reasons...)
		}
	}
	return s, nil
}

// shownReasons bounds how many reasons for waiting one look shows.
const shownReasons = 5

// blocked returns why the runs of a campaign wait, each reason once.
func blocked(ctx context.Context, pool *pgxpool.Pool, campaign uuid.UUID) ([]string, error) {
	runs, err := jobs.RunsOf(ctx, pool, campaign)
	if err != nil {
		return nil, err
	}
	var reasons []string
	seen := make(map[string]bool)
	for _, r := range runs {
		if r.Blocked == "" || seen[r.Bench+r.Blocked] || len(reasons) == shownReasons {
			continue
		}
		seen[r.Bench+r.Blocked] = true
		reasons = append(reasons, fmt.Sprintf("  %s waits for %s: %s", r.Serial, r.Bench, r.Blocked))
	}
	return reasons, nil
}

// follow shows the progress of campaigns until each is done: a board that
// redraws itself on a terminal, plain lines elsewhere.
func follow(ctx context.Context, p *program, pool *pgxpool.Pool, ids []uuid.UUID) error {
	screen, width := terminal(p.stderr)
	pace := linePace
	if screen {
		pace = terminalPace
	}
	drawn, told := 0, ""
	tick := time.NewTicker(pace)
	defer tick.Stop()
	for last := time.Now(); ; {
		s, err := look(ctx, pool, ids)
		switch {
		case err != nil && (ctx.Err() != nil || time.Since(last) > patience || errors.Is(err, jobs.ErrNotFound)):
			return errors.Join(ctx.Err(), err)
		case err != nil:
			p.log.Info("looking again: the database did not answer", "error", err)
		case screen:
			drawn = redraw(p.stderr, slices.Concat([]string{s.line()}, s.board(), s.waiting), drawn, width)
		default:
			fmt.Fprintln(p.stderr, s.line())
			if why := visible(strings.Join(s.waiting, "\n")); why != "" && why != told {
				told = why
				fmt.Fprintln(p.stderr, why)
			}
		}
		if err == nil {
			if last = time.Now(); s.finished() {
				return nil
			}
		}
		select {
		case <-ctx.Done():
			return &stoppedWatching{context.Cause(ctx)}
		case <-tick.C:
		}
	}
}

// narrowest is the width below which a board says nothing that plain lines do
// not say better.
const narrowest = 20

// terminal reports whether w is one that can be redrawn, and its width.
func terminal(w io.Writer) (bool, int) {
	f, ok := w.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) || os.Getenv("TERM") == "dumb" {
		return false, 0
	}
	width, _, err := term.GetSize(int(f.Fd()))
	if err == nil && width > 0 && width < narrowest {
		return false, 0
	}
	if err != nil || width == 0 { // a terminal that does not say
		width = 80
	}
	return true, width
}

// redraw writes lines over the ones drawn before; it returns how many there are now.
func redraw(w io.Writer, lines []string, drawn, width int) int {
	var b strings.Builder
	if drawn > 0 {
		fmt.Fprintf(&b, "\x1b[%dA", drawn)
	}
	for len(lines) < drawn { // what stood below is wiped
		lines = append(lines, "")
	}
	for _, line := range lines {
		line = oneLine(line)
		if runes := []rune(line); len(runes) >= width {
			line = string(runes[:width-2]) + "…"
		}
		b.WriteString("\r\x1b[K" + line + "\n")
	}
	io.WriteString(w, b.String())
	return len(lines)
}
