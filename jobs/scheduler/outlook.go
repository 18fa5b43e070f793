package scheduler

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
	"time"
)

// Outlook is when a job will begin and end.
type Outlook struct {
	Job      string
	Bench    string
	Position int       // among what waits for the bench, from 1; zero: it never begins, see Waits
	Start    time.Time // half of the times earlier
	P50, P95 time.Time // the end: earlier in half of the times, in 95 of 100
	Behind   Criterion // what decided for the job that goes right before it; empty for the first of a bench
	Waits    string    // why it never begins as things stand; empty: it does
}

// How often the queue is worked off with other durations: at 256 times the share of
// the 95 % point is known to 1.4 % (binomial), at 64 times to 2.7 %. A long queue gets
// fewer, so that a forecast stays quick.
const (
	mostRehearsals  = 256
	leastRehearsals = 64
	drawnDurations  = 4_000_000
)

func rehearsalsOf(jobs int) int {
	return max(leastRehearsals, min(mostRehearsals, drawnDurations/max(1, jobs)))
}

// Outlooks works the queue off in thought and returns the outlook of every
// waiting job, and when each bench is idle. The order is the one that comes of
// medians; the times come of durations drawn from the estimates, with what is not
// known of a kind of job drawn once for all of its jobs. The same seed and input
// give the same outlooks.
func Outlooks(jobs []Job, benches []Bench, p Policy, setUp SetUpTime, ledger *Ledger, now time.Time, seed uint64) ([]Outlook, map[string]Idle) {
	done := workOff(jobs, benches, p, setUp, ledger, now)
	byBench := map[string][]stint{}
	for _, s := range done.stints {
		byBench[s.job.Bench] = append(byBench[s.job.Bench], s)
	}
	r := rehearsal{seed: seed, times: rehearsalsOf(len(jobs)), policy: p.withDefaults(), kinds: map[string][]float64{}}
	list := make([]Outlook, 0, len(jobs))
	idle := map[string]Idle{}
	for i := range benches {
		b := &benches[i]
		outlooks, end := r.bench(b, byBench[b.Name], now)
		list = append(list, outlooks...)
		if b.Running != nil || len(outlooks) > 0 {
			idle[b.Name] = end
		}
	}
	for i := range jobs {
		if why, stuck := done.stuck[jobs[i].ID]; stuck {
			list = append(list, Outlook{Job: jobs[i].ID, Bench: jobs[i].Bench, Waits: why})
		}
	}
	return list, idle
}

// Idle is when a bench will have nothing to do any more.
type Idle struct{ P50, P95 time.Time }

// rehearsal draws durations.
type rehearsal struct {
	seed   uint64
	times  int
	policy Policy
	kinds  map[string][]float64 // standard normal draws of each kind
}

// bench works the jobs of one bench off, all rehearsals side by side.
func (r *rehearsal) bench(b *Bench, stints []stint, now time.Time) ([]Outlook, Idle) {
	random := rand.New(rand.NewPCG(r.seed, hash(b.Name)))
	ends := make([]time.Duration, r.times)
	for i := range ends {
		ends[i] = max(0, b.calmUntil(r.policy).Sub(now))
	}
	if b.Running != nil {
		kind := r.kind(b.Running.Kind)
		for i := range ends {
			ends[i] = max(ends[i], b.Running.Rest.drawn(random.NormFloat64(), kind[i]))
		}
	}
	var list []Outlook
	sorted := slices.Clone(ends)
	idle := Idle{now.Add(quantile(sorted, 0.5)), now.Add(quantile(sorted, 0.95))}
	for n := range stints {
		s := &stints[n]
		kind := r.kind(s.job.Kind)
		o := Outlook{Job: s.job.ID, Bench: b.Name, Position: n + 1, Start: idle.P50}
		if n > 0 {
			o.Behind = stints[n-1].by
		}
		if len(b.Windows) > 0 {
			length := s.setUp + s.job.Takes.Quantile(0.95)
			for i := range ends {
				start, _ := b.opening(s.job.Requester, now.Add(ends[i]), length)
				ends[i] = start.Sub(now)
			}
			copy(sorted, ends)
			o.Start = now.Add(quantile(sorted, 0.5))
		}
		for i := range ends {
			ends[i] += s.setUp + s.job.Takes.drawn(random.NormFloat64(), kind[i])
		}
		copy(sorted, ends)
		idle = Idle{now.Add(quantile(sorted, 0.5)), now.Add(quantile(sorted, 0.95))}
		o.P50, o.P95 = idle.P50, idle.P95
		list = append(list, o)
	}
	return list, idle
}

// kind returns what is not known of a kind of job, one draw for each rehearsal.
func (r *rehearsal) kind(name string) []float64 {
	draws := r.kinds[name]
	if draws == nil {
		random := rand.New(rand.NewPCG(r.seed, hash("kind "+name)))
		draws = make([]float64, r.times)
		for i := range draws {
			draws[i] = random.NormFloat64()
		}
		r.kinds[name] = draws
	}
	return draws
}

// drawn returns a duration for two standard normal draws, that of the run and
// that of its kind.
func (e Estimate) drawn(own, kind float64) time.Duration {
	return scaled(e.Median, math.Exp(e.Sigma*own+e.Doubt*kind))
}

// quantile sorts the values and returns the one that a share p of them does not
// exceed.
func quantile(values []time.Duration, p float64) time.Duration {
	slices.Sort(values)
	return values[min(len(values)-1, max(0, int(math.Ceil(p*float64(len(values))))-1))]
}

// hash is FNV-1a, 64 bits: a seed of its own for every name.
func hash(s string) uint64 {
	h := uint64(14695981039346656037)
	for i := range len(s) {
		h = (h ^ uint64(s[i])) * 1099511628211
	}
	return cmp.Or(h, 1)
}
