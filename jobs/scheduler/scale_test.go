package scheduler

import (
	"fmt"
	"testing"
	"time"
)

// many are n jobs of 40 campaigns by eight requesters, on a number of benches.
func many(n, benches int) []Job {
	jobs := make([]Job, n)
	for i := range jobs {
		campaign := i % 40
		jobs[i] = Job{
			ID: fmt.Sprintf("%06d", i), Unit: fmt.Sprint("u", i), Bench: fmt.Sprint("bench-", i%benches), Class: Classes()[campaign%4],
			Requester: fmt.Sprint("person ", campaign%8), Queued: morning.Add(time.Duration(i) * time.Second), Kind: fmt.Sprint("plan ", campaign),
			Family: Family{Band: fmt.Sprint("n", campaign%5)}, Takes: Estimate{Median: time.Duration(20+campaign) * time.Minute, Sigma: 0.2}, Segments: 8,
		}
	}
	return jobs
}

// A decision looks at lanes: their number must not grow with that of the jobs.
func TestLanesDoNotGrowWithJobs(t *testing.T) {
	for _, n := range []int{1_000, 50_000} {
		q := NewQueue(Policy{}, Nominal, NewLedger(Policy{}))
		q.Add(many(n, 1)...)
		if got := len(q.bench["bench-0"]); got != 40 || q.Len() != n {
			t.Errorf("%d jobs stand in %d lanes, want 40", q.Len(), got)
		}
	}
}

// BenchmarkDecision takes one of 100,000 jobs that wait for one bench.
func BenchmarkDecision(b *testing.B) {
	for _, n := range []int{1_000, 100_000} {
		b.Run(fmt.Sprint(n, " queued"), func(b *testing.B) {
			q := NewQueue(Policy{}, Nominal, NewLedger(Policy{}))
			q.Add(many(n, 1)...)
			bench := Bench{Name: "bench-0"}
			for b.Loop() {
				q.Candidates(&bench, morning.Add(48*time.Hour), func(d Decision) bool {
					q.Add(d.Job)
					return true
				})
			}
		})
	}
}

// BenchmarkOutlooks forecasts 100,000 jobs on 500 benches.
func BenchmarkOutlooks(b *testing.B) {
	jobs := many(100_000, 500)
	var benches []Bench
	for i := range 500 {
		benches = append(benches, Bench{Name: fmt.Sprint("bench-", i)})
	}
	for b.Loop() {
		Outlooks(jobs, benches, Policy{}, Nominal, NewLedger(Policy{}), morning.Add(48*time.Hour), 1)
	}
}
