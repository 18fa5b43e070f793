package jobs

import (
	"fmt"
	"time"
)

// Timings are the clocks of an agent. The zero value of each means its default.
//
//	renew sent ──── TTL-2·Margin ──── TTL-Margin ──── TTL ──── +Grace
//	   work allowed      │ safe state only │ nothing     │ others │ others work
//
// The first two limits are kept by the agent's own monotonic clock, counted
// from before the renewal was sent; the last two by the database's clock and
// by the next holder. No clock of one host is ever compared with another's.
type Timings struct {
	TTL    time.Duration // life of a lease without renewal; 15 s
	Renew  time.Duration // between renewals; 5 s
	Margin time.Duration // kept back at the end of a lease, twice; 3 s
	Grace  time.Duration // a new holder waits this long before it touches the bench; 5 s

	SafeStep  time.Duration // longest time for one step of the safe state; 1 s, so that DC is gone within 2 s from a unit that does not answer
	SafeRetry time.Duration // between attempts on a bench in alarm; 10 s
	Recheck   time.Duration // between looks at an idle bench whose last holder vanished, since that one may wake; 1 min
	Exchange  time.Duration // longest exchange with an instrument; 5 s
	Boot      time.Duration // a unit may take this long to answer after DC was switched on; 2 min
	Poll      time.Duration // slow look at the tables, beside notifications; 5 s
	Segment   time.Duration // longest time for one segment; 45 min, for every clause with its noise floor sweeps 18
	Answer    time.Duration // a person may take this long to do what a prompt asks; 8 h, a shift
	Upkeep    time.Duration // between looks after old evidence; 1 h
	SoftStop  time.Duration // a stopping agent lets a case in work finish this long; 30 s

	// A bench whose agent vanished Flaps times within FlapWindow, or whose safe state
	// failed so often, is held until a person releases it; 5 within 10 min.
	Flaps      int
	FlapWindow time.Duration
}

func (t Timings) withDefaults() Timings {
	fill := func(d *time.Duration, value time.Duration) {
		if *d == 0 {
			*d = value
		}
	}
	fill(&t.TTL, 15*time.Second)
	fill(&t.Renew, 5*time.Second)
	fill(&t.Margin, 3*time.Second)
	fill(&t.Grace, 5*time.Second)
	fill(&t.SafeStep, time.Second)
	fill(&t.SafeRetry, 10*time.Second)
	fill(&t.Recheck, time.Minute)
	fill(&t.Exchange, 5*time.Second)
	fill(&t.Boot, 2*time.Minute)
	fill(&t.Poll, 5*time.Second)
	fill(&t.Segment, 45*time.Minute)
	fill(&t.Answer, 8*time.Hour)
	fill(&t.Upkeep, time.Hour)
	fill(&t.SoftStop, 30*time.Second)
	fill(&t.FlapWindow, 10*time.Minute)
	if t.Flaps == 0 {
		t.Flaps = 5
	}
	return t
}

func (t Timings) validate() error {
	for _, d := range []time.Duration{t.TTL, t.Renew, t.Margin, t.Grace, t.SafeStep, t.SafeRetry, t.Recheck, t.Exchange, t.Boot, t.Poll, t.Segment, t.Answer, t.Upkeep, t.SoftStop, t.FlapWindow} {
		if d < 0 {
			return fmt.Errorf("jobs: timings: %s is negative", d)
		}
	}
	if work := t.TTL - 2*t.Margin; t.Renew >= work {
		return fmt.Errorf("jobs: timings: a lease of %s less twice the margin %s leaves %s for work, it must be longer than the renewal every %s",
			t.TTL, t.Margin, work, t.Renew)
	}
	return nil
}
