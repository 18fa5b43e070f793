package statistics

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// reachOf is the distance from the mean to the limit in standard deviations of the
// values before, for n of them.
func reachOf(t *testing.T, n, figures int) float64 {
	t.Helper()
	xs := make([]float64, n)
	for i := range xs {
		xs[i] = 40 + float64(i%2)
	}
	p, err := Predict(xs, figures)
	if err != nil {
		t.Fatal(err)
	}
	if p.N != n || math.Abs((p.Upper+p.Lower)/2-p.Centre) > 1e-9 {
		t.Fatalf("%+v", p)
	}
	return (p.Upper - p.Centre) / p.SD
}

// signals is the share of runs of a bench in which some figure leaves its limits: each
// with a mean and a standard deviation of n earlier readings drawn as those of a normal
// process are (mean and variance are independent, (n-1)s²/sigma² is chi squared), and a
// newest reading that is moved by shift sigma in the first figure.
func signals(reach float64, n, figures, runs int, shift float64, r *rand.Rand) float64 {
	chi := distuv.ChiSquared{K: float64(n - 1), Src: r}
	alarms := 0
	for range runs {
		for f := range figures {
			mean, sd := r.NormFloat64()/math.Sqrt(float64(n)), math.Sqrt(chi.Rand()/float64(n-1))
			newest := r.NormFloat64()
			if f == 0 {
				newest += shift
			}
			if math.Abs(newest-mean) > reach*sd {
				alarms++
				break
			}
		}
	}
	return float64(alarms) / float64(runs)
}

// A steady bench is held in 0.27 % of its checks, however many figures they have and
// few runs they are compared with; limits at three sigma of the sample would hold it in
// one of fifty for a single figure already, and nearly always for a hundred.
func TestFalseAlarmsOfARunDoNotGrowWithItsFigures(t *testing.T) {
	r := rand.New(rand.NewPCG(38, 141))
	for _, n := range []int{8, 20, 30} {
		for _, c := range []struct{ figures, runs int }{{1, 100_000}, {10, 20_000}, {100, 4_000}} {
			if os.Getenv("BENCHYARD_LONG") == "1" {
				c.runs *= 20
			}
			t.Run(fmt.Sprintf("%d figures, %d runs", c.figures, n), func(t *testing.T) {
				got := signals(reachOf(t, n, c.figures), n, c.figures, c.runs, 0, r)
				t.Logf("%.4f %% of %d runs", 100*got, c.runs)
				// Four standard deviations of a binomial share.
				if spread := 4 * math.Sqrt(threeSigma/float64(c.runs)); math.Abs(got-threeSigma) > spread {
					t.Errorf("%.4f %% of the runs signal, want %.4f %% within %.4f %%", 100*got, 100*threeSigma, 100*spread)
				}
			})
		}
		if naive := signals(3, n, 100, 1000, 0, r); naive < 0.25 {
			t.Errorf("three sigma of %d readings and 100 figures hold %.1f %% of the runs: this test could not fail", n, 100*naive)
		}
	}
}

// A bench that has really moved is found: with few runs a large shift, with thirty one
// of six sigma among a hundred figures.
func TestARealShiftIsFound(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for _, c := range []struct {
		n, figures int
		shift      float64
	}{{8, 1, 8}, {8, 100, 20}, {20, 10, 7}, {30, 1, 5}, {30, 100, 7}} {
		if got := signals(reachOf(t, c.n, c.figures), c.n, c.figures, 2000, c.shift, r); got < 0.9 {
			t.Errorf("%d runs, %d figures: a shift of %g sigma is found in %.1f %%, want 90 %%", c.n, c.figures, c.shift, 100*got)
		}
	}
}

// Eight readings have t with 7 degrees of freedom; 4.785 is its quantile 0.999 and 5.408
// that of 0.9995 (table of t, NIST/SEMATECH e-Handbook 1.3.6.7.2 for the first, from
// memory for the second), between which 1-0.0026998/4 = 0.999325 lies; many readings of
// one figure come to three sigma.
func TestReachOfAPrediction(t *testing.T) {
	if k := reachOf(t, 8, 2) / math.Sqrt(1+1.0/8); !(k > 4.785 && k < 5.408) {
		t.Errorf("t is %.3f", k)
	}
	if k := reachOf(t, 4000, 1); math.Abs(k-3) > 0.005 {
		t.Errorf("%.4f standard deviations, want 3", k)
	}
	last := 0.0
	for _, figures := range []int{1, 10, 100, 10_000} {
		k := reachOf(t, 8, figures)
		if !(k > last) || math.IsInf(k, 0) {
			t.Errorf("%d figures: %.2f after %.2f", figures, k, last)
		}
		last = k
	}
}

func TestPredictionsThatCannotBeMade(t *testing.T) {
	if _, err := Predict([]float64{3, 3, 3}, 1); !errors.Is(err, ErrNoSpread) {
		t.Errorf("equal values: %v", err)
	}
	if _, err := Predict([]float64{3, 4, 3}, 0); err == nil {
		t.Error("limits for no figure")
	}
	p := Prediction{Lower: 1, Upper: 2}
	if p.Left(1) || p.Left(2) || !p.Left(0.999) || !p.Left(2.001) {
		t.Error("a limit itself belongs to the inside")
	}
}
