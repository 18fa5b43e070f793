package scheduler

import (
	"cmp"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"
)

var morning = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

// shelfOf is 64 units of ten set-up families that take 20 to 120 minutes, and
// eight benches on which nothing stands yet. Set-ups are those of Nominal, so 1 to
// 26 minutes, with a fifth more or less for each change.
func shelfOf(seed uint64) (jobs []Job, benches []Bench, setUp SetUpTime) {
	random := rand.New(rand.NewPCG(seed, 64))
	var families []Family
	for len(families) < 10 {
		f := Family{Band: fmt.Sprint("n", 1+random.IntN(4)), Cabling: fmt.Sprint("cables ", 1+random.IntN(3)), FrontEnd: fmt.Sprint("pad ", 1+random.IntN(3))}
		if !slices.Contains(families, f) {
			families = append(families, f)
		}
	}
	fits := map[string][]int{}
	for i := range 8 {
		name := fmt.Sprint("bench-", i+1)
		fits[name] = []int{1, 2}
		benches = append(benches, Bench{Name: name, Slots: []int{1, 2}})
	}
	for i := range 64 {
		jobs = append(jobs, Job{
			ID: fmt.Sprintf("job-%02d", i), Unit: fmt.Sprintf("unit-%02d", i), Fits: fits, Requester: "ann", Queued: morning,
			Family: families[random.IntN(len(families))], Takes: Estimate{Median: time.Duration(20+random.IntN(101)) * time.Minute},
		})
	}
	vary := map[Change]float64{}
	for _, from := range append([]Family{{}}, families...) {
		for _, to := range families {
			vary[Change{from, to}] = 0.8 + 0.4*random.Float64()
		}
	}
	return jobs, benches, func(from, to Family) time.Duration {
		return time.Duration(float64(Nominal(from, to)) * vary[Change{from, to}])
	}
}

// lowerBound is one that no schedule ends before. Each family is set up at least
// once somewhere, and each bench that works is set up at least once; each of these
// set-ups takes at least as long as the quickest one that leads to the family, or
// to any family. So k working benches carry all work, the quickest set-up of every
// family, and k less the number of families quickest set-ups more, and one of them
// carries the k-th part at least. That falls with k, so all m benches give the
// bound. Beside it: the longest job after the quickest set-up of its family; and,
// of the m+1 longest jobs, two that share a bench, with one set-up.
func lowerBound(jobs []Job, m int, setUp SetUpTime) time.Duration {
	families := []Family{{}}
	for _, j := range jobs {
		if !slices.Contains(families, j.Family) {
			families = append(families, j.Family)
		}
	}
	quickest := map[Family]time.Duration{}
	var sum, least, single time.Duration
	for _, to := range families[1:] {
		for _, from := range families {
			if d := setUp(from, to); from != to && (quickest[to] == 0 || d < quickest[to]) {
				quickest[to] = d
			}
		}
		sum += quickest[to]
		if least == 0 || quickest[to] < least {
			least = quickest[to]
		}
	}
	var lengths []time.Duration
	for _, j := range jobs {
		sum += j.Takes.Median
		lengths = append(lengths, j.Takes.Median)
		single = max(single, j.Takes.Median+quickest[j.Family])
	}
	slices.SortFunc(lengths, func(a, b time.Duration) int { return cmp.Compare(b, a) })
	sum += time.Duration(max(0, m-(len(families)-1))) * least
	return max(sum/time.Duration(m), single, lengths[m-1]+lengths[m]+least)
}

func TestMakespanOfSetUpFamilies(t *testing.T) {
	worst, sum := 0.0, 0.0
	for seed := range uint64(20) {
		jobs, benches, setUp := shelfOf(seed)
		places, stranded := Mount(jobs, nil, benches, Policy{}, setUp, NewLedger(Policy{}), morning)
		if len(places) != 64 || stranded != nil {
			t.Fatalf("seed %d: %d units placed, stranded %v", seed, len(places), stranded)
		}
		bench := map[string]string{}
		for _, p := range places {
			bench[p.Unit] = p.Bench
		}
		mounted := slices.Clone(jobs)
		for i := range mounted {
			mounted[i].Bench = bench[mounted[i].Unit]
		}
		var end time.Time
		for _, s := range workOff(mounted, benches, Policy{}, setUp, NewLedger(Policy{}), morning).stints {
			if e := s.start.Add(s.setUp + s.job.Takes.Median); e.After(end) {
				end = e
			}
		}
		ratio := float64(end.Sub(morning)) / float64(lowerBound(jobs, len(benches), setUp))
		if ratio < 1 {
			t.Fatalf("seed %d: %.4f of the lower bound: the bound is wrong", seed, ratio)
		}
		worst, sum = max(worst, ratio), sum+ratio
	}
	t.Logf("makespan over the lower bound: %.4f at worst, %.4f in the mean", worst, sum/20)
	if worst > 1.08 {
		t.Errorf("makespan is %.4f of the lower bound, want 1.08 at most", worst)
	}
}
