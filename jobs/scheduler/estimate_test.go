package scheduler

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if math.IsNaN(got) || math.Abs(got-want) > tolerance {
		t.Errorf("%s is %.6g, want %.6g ± %.2g", what, got, want, tolerance)
	}
}

// Log-normal with median 30 and sigma 0.4: mean 30·exp(0.08) = 32.4986, 95 % point
// 30·exp(0.4·1.644854) = 57.9244.
func TestEstimateIsLogNormal(t *testing.T) {
	e := Estimate{Median: 30 * time.Minute, Sigma: 0.4}
	near(t, "the mean", e.Mean().Minutes(), 32.4986, 1e-4)
	near(t, "the 95 % point", e.Quantile(0.95).Minutes(), 57.9244, 1e-4)
	near(t, "the median", e.Quantile(0.5).Minutes(), 30, 1e-9)
	split := Estimate{Median: 30 * time.Minute, Sigma: 0.24, Doubt: 0.32} // 0.24² + 0.32² = 0.4²
	near(t, "the 95 % point with doubt", split.Quantile(0.95).Minutes(), 57.9244, 1e-4)
	near(t, "what is left after 12 min", e.Less(12*time.Minute).Median.Minutes(), 18, 1e-9)
	near(t, "what is left after an hour", e.Less(time.Hour).Median.Minutes(), 1.5, 1e-9)
}

func TestLearningMovesFromThePlanToWhatWasSeen(t *testing.T) {
	nominal, none := 20*time.Minute, Seen{}
	before := Learn(nominal, none)
	near(t, "the median before anything was seen", before.Median.Minutes(), 20, 1e-9)
	twice := Seen{N: 1, Mean: math.Ln2}
	one, five, many := Learn(nominal, none, twice), Learn(nominal, none, Seen{N: 5, Mean: math.Ln2, Variance: 0.01}), Learn(nominal, none, Seen{N: 10_000, Mean: math.Ln2, Variance: 0.01})
	near(t, "the median after one run of twice the time", one.Median.Minutes(), 20*math.Pow(2, 1.0/6), 1e-6)
	near(t, "the median after five", five.Median.Minutes(), 20*math.Sqrt2, 1e-6)
	near(t, "the median after many", many.Median.Minutes(), 40, 0.02)
	near(t, "the spread after many", many.Sigma, 0.1, 0.001)
	if !(one.Doubt > five.Doubt && five.Doubt > many.Doubt && many.Doubt < 0.002) {
		t.Errorf("doubt %g, %g, %g does not fall with what is seen", one.Doubt, five.Doubt, many.Doubt)
	}
	pace := Seen{N: 1000, Mean: math.Log(3), Variance: 0.04}
	near(t, "the median of a plan never seen where everything takes three times as long", Learn(nominal, pace).Median.Minutes(), 60, 0.1)
	near(t, "the pace after one segment of twice the time", Learn(nominal, twice).Median.Minutes(), 20*math.Sqrt2, 1e-6)
	if got := Learn(nominal, pace, Seen{N: 1, Mean: 0}).Median.Minutes(); got < 45 || got > 55 {
		t.Errorf("one run as planned moves 60 min to %.1f min, want a sixth of the way", got)
	}
}

func TestSetUpTimesAreLearnt(t *testing.T) {
	a, b := Family{Band: "n1", Cabling: "x"}, Family{Band: "n78", Cabling: "x"}
	learnt := LearntSetUps(Nominal, map[Change]SetUpSeen{{a, b}: {N: 9, Mean: 5 * time.Minute}})
	near(t, "what was seen nine times", learnt(a, b).Minutes(), (3*1+9*5)/12.0, 1e-9)
	near(t, "the way back, never seen", learnt(b, a).Minutes(), 1, 1e-9)
	near(t, "no change", learnt(a, a).Minutes(), 0, 0)
	near(t, "everything new", Nominal(Family{}, Family{"n1", "x", "pad"}).Minutes(), 26, 1e-9)
}

// The share of jobs that end before their 95 % point is about 0.95: with n
// independent labs the number is binomial, so within four standard deviations.
func TestOutlooksAreCalibrated(t *testing.T) {
	random := rand.New(rand.NewPCG(5, 5))
	const labs = 150
	before50, before95 := 0, 0
	for lab := range labs {
		bench := Bench{Name: "b", Windows: []Window{{From: morning.Add(5 * time.Hour), Until: morning.Add(6 * time.Hour)}}}
		var jobs []Job
		for i := range 12 {
			jobs = append(jobs, waiting(string(rune('a'+i)), func(j *Job) {
				j.Takes, j.Kind = Estimate{Median: time.Duration(15+10*(i%4)) * time.Minute, Sigma: 0.2, Doubt: 0.1}, []string{"x", "y"}[i%2]
			}))
		}
		outlooks, idle := Outlooks(jobs, []Bench{bench}, Policy{}, Nominal, NewLedger(Policy{}), morning, uint64(lab))
		kinds := map[string]float64{"x": random.NormFloat64(), "y": random.NormFloat64()}
		now := morning
		byID := map[string]Job{}
		for _, j := range jobs {
			byID[j.ID] = j
		}
		for _, o := range outlooks {
			j := byID[o.Job]
			now, _ = bench.opening(j.Requester, now, j.Takes.Quantile(0.95))
			now = now.Add(j.Takes.drawn(random.NormFloat64(), kinds[j.Kind]))
		}
		last := outlooks[len(outlooks)-1]
		if !last.P95.Equal(idle["b"].P95) || !last.P95.After(last.P50) || last.Position != 12 {
			t.Fatalf("the last outlook is %+v, the bench is idle at %v", last, idle["b"])
		}
		if !now.After(last.P50) {
			before50++
		}
		if !now.After(last.P95) {
			before95++
		}
	}
	near(t, "the share that ends before P50", float64(before50)/labs, 0.5, 4*math.Sqrt(0.25/labs))
	near(t, "the share that ends before P95", float64(before95)/labs, 0.95, 4*math.Sqrt(0.95*0.05/labs))
}

// Four jobs one after the other, means 30, 45, 20 and 60, standard deviations 3, 9, 2 and
// 12: mean 155, standard deviation 15.4272, so the 95 % point is near 155 + 1.644854·15.4272 =
// 180.38 (normal), well below 197.8, the sum of the four 95 % points.
func TestOutlookOfJobsInARow(t *testing.T) {
	var jobs []Job
	sum := 0.0
	for i, m := range []struct{ mean, sd float64 }{{30, 3}, {45, 9}, {20, 2}, {60, 12}} {
		variance := math.Log(1 + m.sd*m.sd/m.mean/m.mean)
		e := Estimate{Median: time.Duration(m.mean / math.Exp(variance/2) * float64(time.Minute)), Sigma: math.Sqrt(variance)}
		near(t, "the mean of a job", e.Mean().Minutes(), m.mean, 1e-6)
		sum += e.Quantile(0.95).Minutes()
		jobs = append(jobs, waiting(string(rune('a'+i)), func(j *Job) { j.Takes = e }))
	}
	_, idle := Outlooks(jobs, []Bench{{Name: "b"}}, Policy{}, Nominal, NewLedger(Policy{}), morning, 1)
	// The 95 % point of 256 draws has a standard error of about 2.1·sd/√256.
	near(t, "the 95 % point", idle["b"].P95.Sub(morning).Minutes(), 180.38, 4*2.1*15.43/16)
	near(t, "the median", idle["b"].P50.Sub(morning).Minutes(), 154.4, 4*1.25*15.43/16)
	if p95 := idle["b"].P95.Sub(morning).Minutes(); p95 >= sum {
		t.Errorf("the 95 %% point %.1f is not below the sum of the four, %.1f", p95, sum)
	}
}

func TestOutlooksSayWhyAJobNeverBegins(t *testing.T) {
	jobs := []Job{waiting("1", nil), waiting("2", func(j *Job) { j.Needs.Options = []string{"cold"} }), waiting("3", func(j *Job) { j.Bench = "" }),
		waiting("4", func(j *Job) { j.Bench = "gone" }), waiting("5", func(j *Job) { j.Bench = "late" }), waiting("6", func(j *Job) { j.Bench = "late" })}
	benches := []Bench{{Name: "b", Running: &Running{Job: waiting("0", nil), Rest: Estimate{Median: 30 * time.Minute}}}, {Name: "late", Calibrated: morning.Add(90 * time.Minute)}}
	got, idle := Outlooks(jobs, benches, Policy{}, Nominal, NewLedger(Policy{}), morning, 1)
	waits := map[string]string{}
	for _, o := range got {
		waits[o.Job] = o.Waits
		if o.Job == "1" && (!o.Start.Equal(morning.Add(30*time.Minute)) || o.Position != 1) {
			t.Errorf("the first one is %+v, want it to begin when the run in work ends", o)
		}
	}
	for id, want := range map[string]string{"1": "", "2": "b has no cold", "3": "unit of 3 is on the shelf: mount it", "4": "bench gone is not in the inventory",
		"5": "", "6": "the calibration of late, or of its paths, ends before its turn comes"} {
		if waits[id] != want {
			t.Errorf("job %s waits because %q, want %q", id, waits[id], want)
		}
	}
	if len(idle) != 2 {
		t.Errorf("%d benches have an end of work, want 2", len(idle))
	}
}
