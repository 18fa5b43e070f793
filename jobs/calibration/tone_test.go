package calibration

import (
	"math"
	"strings"
	"testing"

	"benchyard/instruments/rf"
)

// line is what a Gaussian filter makes of a line over noise: 3 dB down at half
// its bandwidth (definition of the 3 dB bandwidth).
func line(f, off rf.Hertz, level, noise float64) rf.Spectrum {
	sweep := LineSweep(f, 0)
	s := rf.Spectrum{Start: sweep.Start, Step: (sweep.Stop - sweep.Start) / rf.Hertz(sweep.Points-1), RBW: sweep.RBW, NoiseBandwidth: sweep.RBW * 1.0645}
	for i := range sweep.Points {
		x := float64((s.Start + rf.Hertz(i)*s.Step - f - off) / sweep.RBW)
		s.Levels = append(s.Levels, 10*math.Log10(math.Pow(10, (level-3.0103*4*x*x)/10)+math.Pow(10, noise/10)))
	}
	return s
}

func TestLine(t *testing.T) {
	for _, c := range []struct {
		off         rf.Hertz
		level, want float64
	}{{0, -40, -40}, {25, -40, -40}, {-100, -70, -70}} {
		got, err := Line(line(3.5e9, c.off, c.level, -110), 3.5e9)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "level", float64(got), c.want, 0.01)
	}
	for name, s := range map[string]rf.Spectrum{
		"only noise":       line(3.5e9, 0, -200, -110),
		"too weak":         line(3.5e9, 0, -81, -110),
		"beside":           line(3.5e9, 8e3, -40, -110),
		"another range":    line(3.6e9, 0, -40, -110),
		"no number":        {Start: 3.5e9 - 10e3, Step: 10e3, Levels: []float64{-50, math.NaN(), -50}, RBW: 1e3, NoiseBandwidth: 1e3},
		"without anything": {},
	} {
		if level, err := Line(s, 3.5e9); err == nil {
			t.Errorf("%s: a line at %s", name, level)
		}
	}
	if _, err := Line(line(3.5e9, 0, -200, -110), 3.5e9); !strings.Contains(err.Error(), "right connector") {
		t.Errorf("a missing line says %v", err)
	}
}

func TestJoined(t *testing.T) {
	for _, read := range []rf.DBm{-3, 0.2, 3} {
		if err := Joined(0, read, 1e9); err != nil {
			t.Error(err)
		}
	}
	for _, read := range []rf.DBm{-60, 3.1, -3.1, rf.DBm(math.NaN())} {
		if err := Joined(0, read, 1e9); err == nil {
			t.Errorf("%s accepted", read)
		}
	}
}

func TestFrequencies(t *testing.T) {
	for _, c := range []struct {
		from, to, step rf.Hertz
		want           int
	}{{3.3e9, 3.8e9, 50e6, 11}, {3.3e9, 3.8e9, 60e6, 10}, {1e9, 1.3e9, 0.1e9, 4}} {
		f, err := Frequencies(c.from, c.to, 0, c.step)
		if err != nil || len(f) != c.want || f[0] != c.from || f[len(f)-1] != c.to {
			t.Fatalf("%+v: %v, %v", c, f, err)
		}
		for i := range f[1:] {
			if f[i+1]-f[i] > c.step+1 {
				t.Errorf("%+v: %s to %s", c, f[i], f[i+1])
			}
		}
	}
	for _, c := range [][3]rf.Hertz{{1e9, 2e9, 0}, {2e9, 1e9, 1e6}, {1e9, 2e9, -1}, {1e9, 2e9, 1e5}, {1e9, 2e9, 2e9}, {1e9, 2e9, rf.Hertz(math.NaN())}} {
		if f, err := Frequencies(c[0], c[1], 0, c[2]); err == nil {
			t.Errorf("%v gives %d frequencies", c, len(f))
		}
	}
	if f, err := Frequencies(1e9, 2e9, 11, 0); err != nil || len(f) != 11 {
		t.Errorf("11 points: %v, %v", f, err)
	}
	if f, err := Frequencies(1e9, 2e9, 11, 1e8); err == nil {
		t.Errorf("points and step give %v", f)
	}
}
