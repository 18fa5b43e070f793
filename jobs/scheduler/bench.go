package scheduler

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"benchyard/instruments/rf"
)

// Bench is a measuring place as it stands when something is decided.
type Bench struct {
	Name       string
	Frequency  rf.Range  // it covers; zero: not limited
	Power      rf.DBm    // it stands at a connector; counts when Limited
	Limited    bool      // Power is a limit
	Connectors int       // it can reach; zero: not limited
	Options    []string  // words that jobs may ask for
	Calibrated time.Time // when the first calibration of its instruments and paths ends; zero: never
	Windows    []Window  // maintenance and reservations, in any order
	Hold       string    // why it takes nothing; empty: it does
	Flaps      int       // times within the last hour that its lease was taken over from a holder that was lost
	FlappedAt  time.Time // the last of them
	Slots      []int     // that are free for a unit from the shelf

	SetUp   Family   // what stands on it now
	Running *Running // nil: it is free
}

// Running is the run that a bench works on.
type Running struct {
	Job
	Rest    Estimate // of its time
	Pausing bool     // it was asked to give way already
}

// Window is a time in which a bench is kept from work.
type Window struct {
	From, Until time.Time
	For         string // whose runs may use it, a reservation; empty: nobody's, maintenance
	Reason      string
}

// bars reports whether the window keeps a job away that works from start to end.
func (w Window) bars(requester string, start, end time.Time) bool {
	return (w.For == "" || w.For != requester) && start.Before(w.Until) && end.After(w.From)
}

// String says what the window is: "kept for maintenance from … to … (reason)".
func (w Window) String() string {
	text := "kept for maintenance"
	if w.For != "" {
		text = "reserved for " + w.For
	}
	text += fmt.Sprintf(" from %s to %s", w.From.Format(stamp), w.Until.Format(stamp))
	if w.Reason != "" {
		text += " (" + w.Reason + ")"
	}
	return text
}

const stamp = "2006-01-02 15:04 -07:00"

// Lacks returns why the bench can never take the job as it is equipped, every
// reason; none: it can.
func (b *Bench) Lacks(n Needs) []string {
	var reasons []string
	if n.Frequency != (rf.Range{}) && b.Frequency != (rf.Range{}) && !b.Frequency.Covers(n.Frequency) {
		reasons = append(reasons, fmt.Sprintf("%s covers %s to %s, wanted are %s to %s", b.Name,
			b.Frequency.Low, b.Frequency.High, n.Frequency.Low, n.Frequency.High))
	}
	if n.Connectors > 0 && b.Limited && n.Power > b.Power {
		reasons = append(reasons, fmt.Sprintf("%s stands %s at a connector, the unit gives %s", b.Name, b.Power, n.Power))
	}
	if b.Connectors > 0 && n.Connectors > b.Connectors {
		reasons = append(reasons, fmt.Sprintf("%s reaches %d connectors, the unit has %d", b.Name, b.Connectors, n.Connectors))
	}
	var missing []string
	for _, o := range n.Options {
		if !slices.Contains(b.Options, o) {
			missing = append(missing, o)
		}
	}
	if missing != nil {
		reasons = append(reasons, fmt.Sprintf("%s has no %s", b.Name, strings.Join(missing, ", ")))
	}
	return reasons
}

// Obstacle returns why the bench may not begin the job now, set-up included;
// empty: it may. The job must end before calibration or a window cuts it off in
// all but one case of twenty.
func (b *Bench) Obstacle(j *Job, setUp time.Duration, now time.Time, p Policy) string {
	if b.Hold != "" {
		return fmt.Sprintf("%s: %s", b.Name, b.Hold)
	}
	if lacks := b.Lacks(j.Needs); lacks != nil {
		return strings.Join(lacks, "; ")
	}
	if until := b.calmUntil(p.withDefaults()); now.Before(until) {
		return fmt.Sprintf("%s changed hands %d times within an hour and takes its next run at %s: look at its agents and its network",
			b.Name, b.Flaps, until.Format(stamp))
	}
	longest := setUp + j.Takes.Quantile(0.95)
	end := now.Add(longest)
	if !b.Calibrated.IsZero() && end.After(b.Calibrated) {
		return fmt.Sprintf("the calibration of %s ends at %s and the run may take %s: calibrate first", b.Name, b.Calibrated.Format(stamp), roughly(longest))
	}
	if !j.Valid.IsZero() && end.After(j.Valid) {
		return fmt.Sprintf("a path correction of %s on %s ends at %s and the run may take %s: measure the path first", j.Unit, b.Name, j.Valid.Format(stamp), roughly(longest))
	}
	if w, barred := b.barrier(j.Requester, now, end); barred {
		return fmt.Sprintf("%s is %s and the run may take %s", b.Name, w, roughly(longest))
	}
	return ""
}

// barrier finds the window that keeps work from start to end away; of several
// the one that ends last.
func (b *Bench) barrier(requester string, start, end time.Time) (last Window, found bool) {
	for _, w := range b.Windows {
		if w.bars(requester, start, end) && (!found || w.Until.After(last.Until)) {
			last, found = w, true
		}
	}
	return last, found
}

// opening returns the first time from start on at which work of a length fits
// between the windows, and false when the calibration ends before that.
func (b *Bench) opening(requester string, start time.Time, length time.Duration) (time.Time, bool) {
	for {
		w, barred := b.barrier(requester, start, start.Add(length))
		if !barred {
			break
		}
		start = w.Until
	}
	return start, b.Calibrated.IsZero() || !start.Add(length).After(b.Calibrated)
}

// calmUntil is until when a bench that flaps takes nothing.
func (b *Bench) calmUntil(p Policy) time.Time {
	if b.Flaps < Flapping {
		return time.Time{}
	}
	rest := p.Calm << min(b.Flaps-Flapping, 10)
	return b.FlappedAt.Add(min(rest, longestCalm))
}

// roughly prints a time as people say it.
func roughly(d time.Duration) string {
	if d < time.Minute {
		return d.Round(time.Second).String()
	}
	return strings.TrimSuffix(d.Round(time.Minute).String(), "0s")
}
