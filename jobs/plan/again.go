package plan

import (
	"cmp"
	"math/rand/v2"
	"time"
)

// Where a run may go on that was interrupted.
const (
	// SameBench is the default: the unit must still be where the run began.
	SameBench = "same bench"
	// AnyBench lets it go on wherever the inventory has the unit by then. The cases
	// that are left are measured over the paths of that place.
	AnyBench = "any bench"
)

// BackOff is how long a run waits before a segment that ended in an error is tried
// again. Its bench does other work meanwhile. Every wait is longer or shorter by up to
// a fifth, so that what failed together does not come back together.
type BackOff struct {
	First time.Duration // before the first retry; the default, zero, is at once
	Next  time.Duration // before the second, and twice as long before each later one; zero: DefaultNext
	Most  time.Duration // no wait is longer; zero: DefaultMost
}

// Defaults of a BackOff; common practice, without a source.
const (
	DefaultNext = 10 * time.Second
	DefaultMost = 10 * time.Minute
)

// jitter is by how much of itself a wait may be longer or shorter.
const jitter = 0.2

// Delay returns how long to wait before a retry, counted from 1. The seed decides
// where in its range the wait lies.
func (b BackOff) Delay(retry int, seed uint64) time.Duration {
	wait, most := b.First, cmp.Or(b.Most, DefaultMost)
	if retry > 1 {
		wait = max(wait, cmp.Or(b.Next, DefaultNext))
		for n := 2; n < retry && wait < most; n++ {
			wait *= 2
		}
	}
	random := rand.New(rand.NewPCG(seed, uint64(retry)))
	return time.Duration(float64(min(wait, most)) * (1 - jitter + 2*jitter*random.Float64()))
}

// Retest says what is done about a case that failed: it is measured again at once, at
// the same setting, as another attempt. The verdict of the first attempt stays and is
// what first-pass yield counts; that of the last one decides.
type Retest struct {
	Fails int // how often a case that failed is measured again; zero: never
	Most  int // cases of one segment that are; zero: all. More fails than that are no accident
}

const (
	maxRetests = 5
	maxBackOff = 24 * time.Hour
)

// again checks what is done after errors, fails and interruptions, and leaves out
// what changes nothing: a default written out gives the hash of one left out.
func (c *checker) again() {
	p := c.plan
	if c.Has("resume") {
		c.OneOf("resume", "resume", p.Resume, SameBench, AnyBench)
	}
	if p.Resume == SameBench {
		p.Resume = ""
	}
	for _, item := range []struct {
		key   string
		value time.Duration
	}{{"first", p.BackOff.First}, {"next", p.BackOff.Next}, {"most", p.BackOff.Most}} {
		where, least := "back_off."+item.key, time.Second
		if item.key == "first" {
			least = 0
		}
		if c.Has(where) && (item.value < least || item.value > maxBackOff) {
			c.Report(where, "%s %s: want %s to %s", item.key, item.value, least, maxBackOff)
		}
	}
	if most := cmp.Or(p.BackOff.Most, DefaultMost); p.BackOff.First > most || p.BackOff.Next > most {
		c.Report("back_off", "no wait is longer than most, %s; want first and next not above it", most)
	}
	if c.Has("back_off") && p.Retries == 0 {
		c.Report("back_off", "back_off without retries: nothing is tried again; say retries: 1 or more")
	}
	if p.BackOff.Next == DefaultNext {
		p.BackOff.Next = 0
	}
	if p.BackOff.Most == DefaultMost {
		p.BackOff.Most = 0
	}
	if c.Has("retest") && (p.Retest.Fails < 1 || p.Retest.Fails > maxRetests) {
		c.Report("retest.fails", "fails %d: want 1 to %d, how often a case that failed is measured again; leave retest out to measure none again", p.Retest.Fails, maxRetests)
	}
	if p.Retest.Most < 0 || c.Has("retest.most") && p.Retest.Most == 0 {
		c.Report("retest.most", "most %d: want 1 or more cases of a segment; leave it out for all", p.Retest.Most)
	}
}
