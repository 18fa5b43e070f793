package main

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// What the analyzer adds is taken out: flat -60 dBm over a floor of -66 dBm is
// -61.2563 dBm (facts/metrology.md 4.8: D = 6 dB, amount 1.256 dB, sensitivity
// 1/(1 - 10^-0.6) = 1.3354), and 30 kHz to 100 kHz is +5.2288 dB, to 1 MHz
// +15.2288 dB. The occupied bandwidth stays.
func TestAnalyzeLessFloor(t *testing.T) {
	level := traceFile(t, 2140e6, 10e3, 10001, func(float64) float64 { return -60 })
	floor := traceFile(t, 2140e6, 10e3, 10001, func(float64) float64 { return -66 })
	args := wideN1("20MHz", "--rbw", "30kHz", "--noise-factor", "1", "--uncertainty", "0.5dB", "--clause", "6.6.2,6.6.4")
	raw := analyzed(t, exitFailed, level, args) // as wide as the span, not as a channel
	got := analyzed(t, exitFailed, level, append(args, "--floor", floor, "--floor-rbw", "30kHz"))
	checkValue(t, "100 kHz", got["6.6.4/upper/2"], -61.2563+5.2288, 1e-4)
	checkValue(t, "1 MHz", got["6.6.4/lower/3"], -61.2563+15.2288, 1e-4)
	note, _ := got["6.6.4/upper/2"]["note"].(string)
	for _, says := range []string{"noise floor taken off at the worst point: 1.26 dB from -54.77 dBm measured, 6.00 dB over the floor of -60.77 dBm", "detector, averages, attenuation and reference level"} {
		if !strings.Contains(note, says) {
			t.Errorf("note %q does not say %q", note, says)
		}
	}
	if u, _ := got["6.6.4/upper/2"]["uncertainty"].(float64); math.Abs(u-0.5*1.3354) > 1e-4 {
		t.Errorf("uncertainty %v", u)
	}
	was, is := raw["6.6.2"], got["6.6.2"]
	if was["value"] != is["value"] || was["uncertainty"] != is["uncertainty"] || !strings.Contains(is["note"].(string), "never taken out of an occupied bandwidth") {
		t.Errorf("occupied bandwidth %v, was %v", is, was)
	}
}

// The level beside the carrier loses 1.256 dB at 6 dB over the floor (4.8), the
// carrier nothing: 46.55 dB become 47.806 dB. Nearer than 3 dB nothing comes off.
func TestAnalyzeLeakageLessFloor(t *testing.T) {
	const rbw, width = 10e3, 19.08e6
	density := func(power float64) float64 { return power - 10*math.Log10(width/rbw) }
	level := traceFile(t, 2140e6, 5e3, 24001, func(offset float64) float64 {
		if math.Abs(offset) < width/2 {
			return density(46.02)
		}
		return density(-0.53)
	})
	for below, want := range map[float64]float64{6: 47.806, 2.9: 46.55} {
		floor := traceFile(t, 2140e6, 5e3, 24001, func(float64) float64 { return density(-0.53 - below) })
		got := analyzed(t, exitDone, level, wideN1("20MHz", "--rbw", "10kHz", "--noise-factor", "1", "--clause", "6.6.3", "--floor", floor))
		for _, key := range []string{"6.6.3/lower/1", "6.6.3/upper/2"} {
			checkValue(t, key, got[key], want, 0.002)
			if p := got[key]["carrier_power_dbm"].(float64); math.Abs(p-46.02) > 0.002 {
				t.Errorf("carrier at %v dBm", p)
			}
		}
	}
}

// A floor that is not the floor of the trace is refused, and says by what.
func TestAnalyzeBadFloor(t *testing.T) {
	const good = "../../testdata/analyze/short.csv"
	const centre, step, n = 2140e6, 20e3, 1001
	flat := func(level float64) func(float64) float64 { return func(float64) float64 { return level } }
	trace := traceFile(t, centre, step, n, flat(-60))
	floor := traceFile(t, centre, step, n, flat(-70))
	text := string(must(os.ReadFile(floor))(t))
	gap := filepath.Join(t.TempDir(), "gap.csv")
	if err := os.WriteFile(gap, []byte(strings.Replace(text, "2140000000.000,-70.000000000\n", "", 1)), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		args []string
		says string
	}{
		{[]string{"--floor", traceFile(t, centre, step, n, flat(-55.8))}, "it stands 4.20 dB above the level that it should be part of"},
		{[]string{"--floor", gap}, "gap between 2.13998 GHz and 2.14002 GHz"},
		{[]string{"--floor", traceFile(t, centre+1e6, step, n, flat(-70))}, "it runs from 2.131 GHz to 2.151 GHz in 1001 points, the level from 2.13 GHz to 2.15 GHz in 1001"},
		{[]string{"--floor", traceFile(t, centre, 2*step, 501, flat(-70))}, "in 501 points, the level from 2.13 GHz to 2.15 GHz in 1001"},
		{[]string{"--floor", floor, "--floor-rbw", "30kHz"}, "it was measured through a filter of 30 kHz, the level through 50 kHz"},
		{[]string{"--floor", floor, "--floor-rbw", "slow"}, `--floor-rbw "slow"`},
		{[]string{"--floor", floor, "--floor-rbw", "50kHz", "--floor-rbw", "50kHz"}, "--floor-rbw: the number of values is 2, that of files 1"},
		{[]string{"--floor", floor, "--floor", floor}, "--floor: the number of floors is 2, that of traces 1"},
		{[]string{"--floor-rbw", "50kHz"}, "no --floor file"},
		{[]string{"--floor", filepath.Join(t.TempDir(), "none.csv")}, "none.csv"},
		{[]string{"--floor", good}, "in 1001"},
	} {
		_, stderr := command(t, exitUsage, append(append([]string{"analyze", "spectrum", trace}, wideN1("5MHz", "--rbw", "50kHz")...), c.args...)...)
		if !strings.Contains(stderr, c.says) {
			t.Errorf("%s: %q does not say %q", strings.Join(c.args, " "), stderr, c.says)
		}
	}
}
