package rf

import (
	"math"
	"testing"

	"github.com/goccy/go-yaml"
)

func TestParseHertz(t *testing.T) {
	for text, want := range map[string]Hertz{
		"3.5GHz": 3.5e9, "100 MHz": 100e6, "30kHz": 30e3, "9000Hz": 9000, "9000": 9000,
		" 3.55001 ghz ": 3550010000, "0": 0, "-2.5 MHz": -2.5e6, "1e3 kHz": 1e6, "0.001Hz": 0.001,
	} {
		got, err := ParseHertz(text)
		if err != nil || got != want {
			t.Errorf("%q: got %v (%v), want %v", text, float64(got), err, float64(want))
		}
	}
	for _, text := range []string{"", "GHz", "3.5 THz", "3,5GHz", "NaN", "inf Hz", "12 dBm", "1e999", "1e308 GHz", "9e305", "0x10 Hz z"} {
		if got, err := ParseHertz(text); err == nil {
			t.Errorf("%q: got %s, want an error", text, got)
		}
	}
}

func TestParseLevels(t *testing.T) {
	for text, want := range map[string]DBm{"37dBm": 37, "-13 dBm": -13, "46": 46, " 0.5 DBM ": 0.5} {
		if got, err := ParseDBm(text); err != nil || got != want {
			t.Errorf("%q: got %v (%v), want %v", text, float64(got), err, float64(want))
		}
	}
	for text, want := range map[string]DB{"0.3dB": 0.3, "10 dB": 10, "-3": -3} {
		if got, err := ParseDB(text); err != nil || got != want {
			t.Errorf("%q: got %v (%v), want %v", text, float64(got), err, float64(want))
		}
	}
	for _, text := range []string{"", "dBm", "37 dB", "37 W", "NaN", "-inf dBm"} {
		if got, err := ParseDBm(text); err == nil {
			t.Errorf("level %q: got %s, want an error", text, got)
		}
	}
	for _, text := range []string{"", "dB", "37 dBm", "37 dBc", "nan dB"} {
		if got, err := ParseDB(text); err == nil {
			t.Errorf("ratio %q: got %s, want an error", text, got)
		}
	}
}

func TestStrings(t *testing.T) {
	for want, got := range map[string]string{
		"3.55001 GHz": Hertz(3550010000).String(), "98.28 MHz": Hertz(98.28e6).String(), "30 kHz": Hertz(30e3).String(),
		"999 Hz": Hertz(999).String(), "0 Hz": Hertz(0).String(), "-2.5 MHz": Hertz(-2.5e6).String(),
		"46.97 dBm": DBm(46.974).String(), "-0.30 dB": DB(-0.3).String(),
	} {
		if got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}

// A document may say the unit, or give a bare number; a wrong unit names itself.
func TestYAML(t *testing.T) {
	var doc struct {
		F Hertz
		P DBm
		R DB
		Q Hertz
	}
	if err := yaml.Unmarshal([]byte("f: 3.5GHz\np: \"37 dBm\"\nr: 0.2dB\nq: 15000\n"), &doc); err != nil {
		t.Fatal(err)
	}
	if doc.F != 3.5e9 || doc.P != 37 || doc.R != 0.2 || doc.Q != 15e3 {
		t.Errorf("got %+v", doc)
	}
	for _, text := range []string{"f: 37dBm", "p: 3GHz", "r: loud", "f: .nan"} {
		if err := yaml.Unmarshal([]byte(text), &doc); err == nil {
			t.Errorf("%q was taken", text)
		}
	}
}

// What parses is finite, and prints as something that parses to the same.
func FuzzParseHertz(f *testing.F) {
	for _, s := range []string{"3.5GHz", "100 MHz", "9000", "-1.5e3 kHz", "1e308GHz", "0.0004", "NaN", "999.9999999 Hz", ""} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		h, err := ParseHertz(s)
		if err != nil {
			return
		}
		if math.IsNaN(float64(h)) || math.IsInf(float64(h), 0) {
			t.Fatalf("%q gave %v", s, float64(h))
		}
		again, err := ParseHertz(h.String())
		if err != nil {
			t.Fatalf("%q prints as %q: %v", s, h, err)
		}
		if math.Abs(float64(again-h)) > 1e-15*math.Abs(float64(h)) {
			t.Fatalf("%q gave %v, printed %q, read %v", s, float64(h), h, float64(again))
		}
	})
}

// Levels and ratios print with two decimals and read back within half of the last.
func FuzzParseLevel(f *testing.F) {
	for _, s := range []string{"37dBm", "-13 dBm", "0.3dB", "1e300", "inf", "dB", "-0", ""} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if p, err := ParseDBm(s); err == nil {
			again, err := ParseDBm(p.String())
			if err != nil || !closeTo(float64(again), float64(p)) {
				t.Fatalf("%q gave %v, printed %q, read %v (%v)", s, float64(p), p, float64(again), err)
			}
		}
		if r, err := ParseDB(s); err == nil {
			again, err := ParseDB(r.String())
			if err != nil || !closeTo(float64(again), float64(r)) {
				t.Fatalf("%q gave %v, printed %q, read %v (%v)", s, float64(r), r, float64(again), err)
			}
		}
	})
}

func closeTo(a, b float64) bool { return math.Abs(a-b) <= 0.005000001+1e-12*math.Abs(b) }
