package scheduler

import (
	"math"
	"time"
)

// Estimate is how long something takes: log-normal, because it has no end above
// and none below zero.
type Estimate struct {
	Median time.Duration
	Sigma  float64 // standard deviation of the natural logarithm from run to run
	Doubt  float64 // standard uncertainty of the logarithm of the median, common to all jobs of a kind
}

// spread is the standard deviation of the logarithm of the next one.
func (e Estimate) spread() float64 { return math.Hypot(e.Sigma, e.Doubt) }

// Quantile returns the time within which a share p of such things are done; p
// lies between 0 and 1.
func (e Estimate) Quantile(p float64) time.Duration {
	return scaled(e.Median, math.Exp(e.spread()*math.Sqrt2*math.Erfinv(2*p-1)))
}

// Mean returns the expected time.
func (e Estimate) Mean() time.Duration {
	s := e.spread()
	return scaled(e.Median, math.Exp(s*s/2))
}

// times returns the estimate of a part or a multiple.
func (e Estimate) times(factor float64) Estimate {
	e.Median = scaled(e.Median, factor)
	return e
}

// Less returns the estimate of what is left after a time, never less than a
// twentieth of the whole: what takes longer than expected is about to end.
func (e Estimate) Less(done time.Duration) Estimate {
	e.Median = max(e.Median-done, e.Median/20)
	return e
}

// longest keeps sums of times far from overflow.
const longest = 10 * 365 * 24 * time.Hour

func scaled(d time.Duration, factor float64) time.Duration {
	return time.Duration(min(float64(d)*factor, float64(longest)))
}

// Seen is what was observed of one kind of run: the logarithm of the time it
// took over its nominal time.
type Seen struct {
	N        int
	Mean     float64 // of the logarithms
	Variance float64 // of the logarithms, of all of them (divided by N)
}

// Shrinkage, common practice without a source: what is believed before anything
// was observed weighs as much as that many observations.
const (
	paceWeight    = 1
	kindWeight    = 5
	setUpWeight   = 3
	priorVariance = 0.3 * 0.3
)

// Learn estimates a run of a nominal time from the pace of everything that was
// measured lately, and then from what was seen of its like, the more general first,
// such as all runs of the plan, those of the plan on the bench. Each starts from
// what the one before it says: few observations move the estimate little, and how
// far they lie from it is doubt.
func Learn(nominal time.Duration, pace Seen, kinds ...Seen) Estimate {
	mean, variance, doubt := 0.0, priorVariance, priorVariance
	for i, s := range append([]Seen{pace}, kinds...) {
		if s.N < 1 {
			continue
		}
		weight := float64(kindWeight)
		if i == 0 {
			weight = paceWeight
		}
		n := float64(s.N)
		w := n / (n + weight)
		shift := s.Mean - mean
		variance = (1-w)*variance + w*s.Variance
		mean += w * shift
		off := (1 - w) * shift
		doubt = variance/(n+weight) + off*off
	}
	return Estimate{Median: scaled(nominal, math.Exp(mean)), Sigma: math.Sqrt(variance), Doubt: math.Sqrt(doubt)}
}

// SetUpTime returns how long it takes to set a bench up for another family.
type SetUpTime func(from, to Family) time.Duration

// Change is a set-up from one family to another.
type Change struct{ From, To Family }

// SetUpSeen is what was observed of one change.
type SetUpSeen struct {
	N    int
	Mean time.Duration
}

// What changing one part of a set-up takes before it was observed, common
// practice without a source: the unit is retuned, a person moves cables, a person
// changes the front end.
const (
	bandChange     = time.Minute
	cablingChange  = 10 * time.Minute
	frontEndChange = 15 * time.Minute
)

// Nominal is the set-up time before anything was observed: the parts that change,
// one after the other.
func Nominal(from, to Family) time.Duration {
	var total time.Duration
	for _, part := range []struct {
		from, to string
		takes    time.Duration
	}{{from.Band, to.Band, bandChange}, {from.Cabling, to.Cabling, cablingChange}, {from.FrontEnd, to.FrontEnd, frontEndChange}} {
		if part.from != part.to {
			total += part.takes
		}
	}
	return total
}

// LearntSetUps returns set-up times that start from those of prior and move to
// what was seen.
func LearntSetUps(prior SetUpTime, seen map[Change]SetUpSeen) SetUpTime {
	return func(from, to Family) time.Duration {
		if from == to {
			return 0
		}
		d := prior(from, to)
		if s := seen[Change{from, to}]; s.N > 0 {
			w := float64(s.N) / float64(s.N+setUpWeight)
			d += time.Duration(w * float64(s.Mean-d))
		}
		return d
	}
}
