package main

import (
	"context"
	"fmt"
	"io"
	"os"
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

// snapshot is where some campaigns stand.
type snapshot struct {
	campaigns []jobs.CampaignSummary
	benches   []jobs.BenchStatus
	left      time.Duration
	measured  bool
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
		s.left = max(s.left, forecast.Campaigns[id])
	}
	s.measured = forecast.Measured
	return s, err
}

// follow shows the progress of campaigns until each is done: a board that
// redraws itself on a terminal, plain lines elsewhere.
func follow(ctx context.Context, p *program, pool *pgxpool.Pool, ids []uuid.UUID) error {
	screen, width := terminal(p.stderr)
	pace := linePace
	if screen {
		pace = terminalPace
	}
	drawn := 0
	tick := time.NewTicker(pace)
	defer tick.Stop()
	for {
		s, err := look(ctx, pool, ids)
		if err != nil {
			return err
		}
		if screen {
			drawn = redraw(p.stderr, append([]string{s.line()}, s.board()...), drawn, width)
		} else {
			fmt.Fprintln(p.stderr, s.line())
		}
		if s.finished() {
			return nil
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("stopped watching; the queue goes on: %w", context.Cause(ctx))
		case <-tick.C:
		}
	}
}

// terminal reports whether w is one that can be redrawn, and its width.
func terminal(w io.Writer) (bool, int) {
	f, ok := w.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) || os.Getenv("TERM") == "dumb" {
		return false, 0
	}
	width, _, err := term.GetSize(int(f.Fd()))
	if err != nil || width < 20 {
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
	for _, line := range lines {
		if runes := []rune(line); len(runes) >= width {
			line = string(runes[:width-2]) + "…"
		}
		b.WriteString("\r\x1b[K" + line + "\n")
	}
	io.WriteString(w, b.String())
	return len(lines)
}
