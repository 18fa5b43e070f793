package statistics

import (
	"errors"
	"math"
	"testing"
)

// Every function of data refuses what it cannot answer from, and says why; none
// returns a figure made of an infinite one.
func TestDataThatCannotCarryTheQuestionAreRefused(t *testing.T) {
	limits := ends(0, 10)
	for name, of := range map[string]func([]float64) error{
		"summary":    func(xs []float64) error { _, err := Summarize(xs); return err },
		"median":     func(xs []float64) error { _, err := Median(xs); return err },
		"first set":  func(xs []float64) error { _, err := MannWhitney(xs, []float64{1, 2}); return err },
		"second set": func(xs []float64) error { _, err := MannWhitney([]float64{1, 2}, xs); return err },
		"pairs":      func(xs []float64) error { _, err := SignedRank(xs); return err },
		"chart":      func(xs []float64) error { _, _, err := Individuals(xs); return err },
		"prediction": func(xs []float64) error { _, err := Predict(xs, 1); return err },
		"capability": func(xs []float64) error { _, err := MeasureCapability(xs, limits); return err },
		"ESD":        func(xs []float64) error { _, _, err := ESD(xs, 1, 0.05); return err },
		"robust":     func(xs []float64) error { _, err := RobustScores(xs); return err },
		"one way":    func(xs []float64) error { _, err := OneWay([][]float64{xs, {1, 2}}); return err },
		"gauge": func(xs []float64) error {
			if len(xs) == 0 {
				_, err := MeasureGauge(nil, Pooling)
				return err
			}
			_, err := MeasureGauge([][][]float64{{{1, 2}, {3, 4}}, {{5, 6}, {7, xs[0]}}}, Pooling)
			return err
		},
	} {
		if err := of(nil); !errors.Is(err, ErrTooFew) {
			t.Errorf("%s of nothing: %v", name, err)
		}
		for _, bad := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
			xs := make([]float64, 30)
			for i := range xs {
				xs[i] = float64(i % 7)
			}
			xs[0] = bad
			if err := of(xs); !errors.Is(err, ErrFinite) {
				t.Errorf("%s with %v: %v", name, bad, err)
			}
		}
	}
}

func TestSettingsThatMeanNothingAreRefused(t *testing.T) {
	xs := []float64{1, 2, 3, 4, 5}
	for name, err := range map[string]error{
		"no outlier wanted": func() error { _, _, err := ESD(xs, 0, 0.05); return err }(),
		"one group":         errorOf(OneWay([][]float64{xs})),
		"an empty group":    errorOf(OneWay([][]float64{xs, nil})),
		"no variance":       errorOf(OneWay([][]float64{{1, 1}, {1, 1}})),
	} {
		if err == nil {
			t.Errorf("%s accepted", name)
		}
	}
	for name, i := range map[string]Interval{"Cpk of one": CpkInterval(1, 1, 0.95)} {
		if !math.IsNaN(i.Low) || !math.IsNaN(i.High) {
			t.Errorf("%s: %v, want NaN", name, i)
		}
	}
	if s, err := Summarize([]float64{7}); err != nil || s.Mean != 7 || !math.IsNaN(s.SD) || !math.IsNaN(s.Lag1) {
		t.Errorf("one value: %+v, %v", s, err)
	}
	if s, _ := Summarize([]float64{7, 7}); s.SD != 0 || !math.IsNaN(s.Lag1) {
		t.Errorf("equal values: %+v", s)
	}
}

func errorOf[T any](_ T, err error) error { return err }
