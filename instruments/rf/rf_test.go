package rf

import (
	"math"
	"testing"
)

// Powers and levels: facts/metrology.md 4.1 (5 W is 36.9897 dBm, 46 dBm is
// 39.8107 W, 43 + 43 dBm is 46.0103 dBm) and 2.4 (1 dB is +25.89 %).
func TestPowerArithmetic(t *testing.T) {
	for _, c := range []struct{ got, want, tol float64 }{
		{float64(FromMilliwatts(5000)), 36.9897, 5e-5},
		{DBm(46).Milliwatts(), 39810.7, 0.05},
		{float64(FromMilliwatts(2 * DBm(43).Milliwatts())), 46.0103, 5e-5},
		{DB(1).Ratio(), 1.2589, 5e-5},
		{float64(FromRatio(0.743)), -1.2901, 5e-5},
		{float64(DBm(46.02).Sub(-0.53)), 46.55, 1e-9},
		{float64(DBm(-5.02).Add(51.99)), 46.97, 1e-9},
	} {
		if math.Abs(c.got-c.want) > c.tol {
			t.Errorf("got %v, want %v", c.got, c.want)
		}
	}
	if !math.IsInf(float64(FromMilliwatts(0)), -1) || !math.IsNaN(float64(FromMilliwatts(-1))) {
		t.Error("no power is -Inf and negative power NaN")
	}
}

func TestRange(t *testing.T) {
	r := Range{100, 200}
	if r.Width() != 100 || !r.Contains(100) || !r.Contains(200) || r.Contains(200.1) || r.Contains(Hertz(math.NaN())) {
		t.Error("a range holds its ends and nothing outside")
	}
	if !r.Covers(r) || r.Covers(Range{99, 150}) || r.Covers(Range{150, 201}) {
		t.Error("a range covers itself and nothing that sticks out")
	}
}

func TestSpectrum(t *testing.T) {
	s := Spectrum{Start: 1e9, Step: 1e6, RBW: 2e6, Levels: []float64{-1, -2, -3}}
	if s.Stop() != 1.002e9 || s.Frequency(1) != 1.001e9 || s.Range() != (Range{1e9, 1.002e9}) {
		t.Errorf("stop %s, frequency %s, range %v", s.Stop(), s.Frequency(1), s.Range())
	}
	if err := s.Validate(); err != nil {
		t.Error(err)
	}
}

// SCPI-1999 vol. 1, 7.2.1.4 and 7.2.1.5: 9.9E37 is infinity, 9.91E37 not a
// number; neither may pass as a level.
func TestSpectrumValidate(t *testing.T) {
	good := func() Spectrum { return Spectrum{Start: 1e9, Step: 1e6, RBW: 2e6, Levels: []float64{-1, -2, -3}} }
	for _, v := range []float64{math.NaN(), math.Inf(1), math.Inf(-1), 9.9e37, -9.9e37, 9.91e37} {
		s := good()
		s.Levels[1] = v
		if s.Validate() == nil {
			t.Errorf("level %v was taken", v)
		}
	}
	for name, spoil := range map[string]func(*Spectrum){
		"one point": func(s *Spectrum) { s.Levels = s.Levels[:1] },
		"no step":   func(s *Spectrum) { s.Step = 0 },
		"back":      func(s *Spectrum) { s.Step = -1 },
		"nan step":  func(s *Spectrum) { s.Step = Hertz(math.NaN()) },
		"no filter": func(s *Spectrum) { s.RBW = 0 },
	} {
		s := good()
		spoil(&s)
		if s.Validate() == nil {
			t.Errorf("%s: was taken", name)
		}
	}
}
