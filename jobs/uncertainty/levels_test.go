package uncertainty

import (
	"errors"
	"math"
	"testing"
	"time"

	"benchyard/instruments/rf"
)

// Fact sheet metrology 2.5 and its appendix, "mismatch_db". Published: 1.2/1.4
// +/-0.13 dB (application text), 2.2/1.16 +0.24/-0.25 dB (power-meter manual),
// rho(1.5) = 0.20, rho(2.0) = 0.33.
func TestMismatchTable(t *testing.T) {
	for _, row := range []struct{ swr1, swr2, rho1, rho2, high, low, arcsine, disk float64 }{
		{1.2, 1.4, 0.090909, 0.166667, 0.1306, -0.1326, 0.0931, 0.0465},
		{2.2, 1.16, 0.375000, 0.074074, 0.2380, -0.2447, 0.1706, 0.0853},
		{1.5, 1.5, 0.2, 0.2, 0.3407, -0.3546, 0.2457, 0.1228},
		{1.1, 1.1, 0.047619, 0.047619, 0.0197, -0.0197, 0.0139, 0.0070},
		{2.0, 1.25, 0.333333, 0.111111, 0.3159, -0.3278, 0.2275, 0.1137},
	} {
		a, err1 := ReflectionOfSWR(row.swr1)
		b, err2 := ReflectionOfSWR(row.swr2)
		if err1 != nil || err2 != nil {
			t.Fatal(err1, err2)
		}
		near(t, "rho1", a, row.rho1, 5e-7)
		near(t, "rho2", b, row.rho2, 5e-7)
		near(t, "swr back", SWROfReflection(a), row.swr1, 1e-12)
		high, low := MismatchLimits(a, b)
		near(t, "high", float64(high), row.high, 5.1e-5)
		near(t, "low", float64(low), row.low, 5.1e-5)
		near(t, "arcsine", combine(t, Mismatch("m", a, b)).Combined, row.arcsine, 5.1e-5)
		near(t, "disk", combine(t, MismatchInDisk("m", a, b)).Combined, row.disk, 5.1e-5)
	}
	for _, swr := range []float64{0.9, 0, -1, math.NaN(), math.Inf(1)} {
		if _, err := ReflectionOfSWR(swr); err == nil {
			t.Errorf("standing wave ratio %g is accepted", swr)
		}
	}
}

// Fact sheet metrology 2.5: return loss -> rho, SWR, mismatch loss; and the
// readings of a return loss of 14 dB through couplers.
func TestReturnLoss(t *testing.T) {
	for _, row := range [][4]float64{{10, 0.3162, 1.9250, 0.4576}, {14, 0.1995, 1.4985, 0.1764}, {15, 0.1778, 1.4326, 0.1396}, {20, 0.1, 1.2222, 0.0436}, {26, 0.0501, 1.1055, 0.0109}, {30, 0.0316, 1.0653, 0.0043}} {
		rho := ReflectionOfReturnLoss(rf.DB(row[0]))
		near(t, "rho", rho, row[1], 5.1e-5)
		near(t, "SWR", SWROfReflection(rho), row[2], 5.1e-5)
		near(t, "mismatch loss", float64(MismatchLoss(rho)), row[3], 5.1e-5)
	}
	for _, row := range [][3]float64{{20, 10.47, 20.04}, {30, 12.72, 15.50}, {40, 13.58, 14.45}} {
		least, most := Directivity(14, rf.DB(row[0]))
		near(t, "least", float64(least), row[1], 5.1e-3)
		near(t, "most", float64(most), row[2], 5.1e-3)
	}
}

// Fact sheet metrology 2.4.
func TestDecibels(t *testing.T) {
	near(t, "power", RelativePower(1), 0.230259, 5e-7)
	near(t, "power back", float64(PowerDecibels(1)), 4.342945, 5e-7)
	near(t, "voltage", RelativeVoltage(1), 0.115129, 5e-7)
	near(t, "voltage back", float64(VoltageDecibels(1)), 8.685890, 5e-7)
	for _, row := range [][3]float64{{1, 25.89, 20.57}, {0.5, 12.20, 10.87}, {0.1, 2.329, 2.276}, {3, 99.53, 49.88}} {
		up, down := Spread(rf.DB(row[0]))
		near(t, "up / %", 100*up, row[1], 5.1e-3)
		near(t, "down / %", 100*down, row[2], 5.1e-3)
	}
	// Linearised: 23.03, 11.51 and 2.303 %.
	near(t, "1 dB, linear", 100*RelativePower(1), 23.03, 5.1e-3)
	near(t, "0.5 dB, linear", 100*RelativePower(0.5), 11.51, 5.1e-3)
	near(t, "0.1 dB, linear", 100*RelativePower(0.1), 2.303, 5.1e-4)
	// Residuals of an error vector add as squares: 3 % and 1 % read 3.16228 %.
	near(t, "residuals / %", combine(t, Part{Kind: Standard, Value: 3}, Part{Kind: Standard, Value: 1}).Combined, 3.16228, 5e-6)
}

// Fact sheet metrology 4.8 and its appendix, "noise_correction".
func TestFloorTables(t *testing.T) {
	for _, row := range [][2]float64{{1, 6.868}, {2, 4.329}, {3, 3.021}, {4, 2.205}, {5, 1.651}, {6, 1.256}, {8, 0.749}, {10, 0.458}, {12, 0.283}, {15, 0.140}, {20, 0.044}, {30, 0.004}} {
		near(t, "amount", float64(FloorShare(rf.DB(row[0]))), row[1], 5.1e-4)
	}
	for _, row := range [][2]float64{{10, 1.111}, {6, 1.335}, {3, 2.005}, {1, 4.862}} {
		near(t, "sensitivity", FloorSensitivity(rf.DB(row[0])), row[1], 5.1e-4)
	}
	for _, row := range [][2]float64{{0, 3.010}, {3, 1.764}, {6, 0.973}, {10, 0.414}, {15, 0.135}, {20, 0.043}} {
		near(t, "indicated excess", float64(RaisedByNoise(rf.DB(row[0]))), row[1], 5.1e-4)
	}
	// The sheet's example, -78 over -82 dBm, by the formula; a verdict keeps 3 dB.
	near(t, "formula", -78-float64(FloorShare(4)), -80.2048083, 5e-8)
	c, err := CorrectFloor(Level{Value: -78}, Level{Value: -82})
	if err != nil || c.Corrected != -79 || c.Measured != -78 || c.Floor != -82 || c.Excess != 4 || !c.Capped {
		t.Errorf("%+v, %v", c, err)
	}
	c, err = CorrectFloor(Level{Value: -76}, Level{Value: -82})
	near(t, "corrected", float64(c.Corrected), -77.256, 5.1e-4) // 6 dB: 1.256 dB
	if err != nil || c.Capped {
		t.Errorf("%+v, %v", c, err)
	}
}

// A reading that gets worse never gives a better figure, not even where the
// correction begins.
func TestFloorCorrectionIsMonotone(t *testing.T) {
	before := math.Inf(-1)
	for i := range 3000 {
		level := -82 + float64(i)/200 // 0 to 15 dB over the floor
		figure := level
		if c, err := CorrectFloor(Level{Value: rf.DBm(level)}, Level{Value: -82}); err == nil {
			figure = float64(c.Corrected)
		}
		if figure < before-1e-12 {
			t.Fatalf("%.3f dBm measured gives %.4f dBm, less than the %.4f dBm of a lower reading", level, figure, before)
		}
		before = figure
	}
}

// The house rule of fact sheet metrology 4.8: not below 3 dB, at most 2 to 3 dB
// taken off, not with a floor of other settings.
func TestFloorLimits(t *testing.T) {
	s := rf.Sweep{RBW: 1e5, VBW: 3e5, Attenuation: 10, ReferenceLevel: 0, Gate: &rf.Gate{Length: time.Millisecond}}
	c, err := CorrectFloor(Level{-79, s}, Level{-82, s})
	if err != nil || c.Correction != 0 || !c.Capped || c.Corrected != -79 {
		t.Errorf("at the limit: %+v, %v", c, err)
	}
	for name, change := range map[string]func(*Level){
		"too near":     func(l *Level) { l.Value = -81.9 },
		"below":        func(l *Level) { l.Value = -70 },
		"not a number": func(l *Level) { l.Value = rf.DBm(math.NaN()) },
		"no floor":     func(l *Level) { l.Value = rf.DBm(math.Inf(-1)) },
		"attenuation":  func(l *Level) { l.Sweep.Attenuation = 12 },
		"filter":       func(l *Level) { l.Sweep.RBW = 3e5 },
		"reference":    func(l *Level) { l.Sweep.ReferenceLevel = 5 },
		"video filter": func(l *Level) { l.Sweep.VBW = 1e5 },
		"averages":     func(l *Level) { l.Sweep.Averages = 10 },
		"sweep time":   func(l *Level) { l.Sweep.SweepTime = time.Second },
		"points":       func(l *Level) { l.Sweep.Points = 1001 },
		"gate":         func(l *Level) { l.Sweep.Gate = nil },
		"other gate":   func(l *Level) { l.Sweep.Gate = &rf.Gate{Length: time.Second} },
	} {
		floor := Level{-90, s}
		change(&floor)
		if _, err := CorrectFloor(Level{-79, s}, floor); !errors.Is(err, ErrFloor) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// JCGM 100:2008 7.2.6: 10.47 is rounded up to 11, 28.05 to 28, and the estimate
// 10.05762 with 0.027 to 10.058.
func TestRounding(t *testing.T) {
	for _, row := range []struct {
		value, u     float64
		figure, text string
	}{
		{0, 10.47, "0", "11"}, {0, 28.05, "0", "28"}, {10.05762, 0.027, "10.058", "0.027"},
		{1234, 99.7, "1230", "100"}, {-13.8449, 0.395, "-13.84", "0.40"}, {0.125, 0.0123, "0.125", "0.013"}, {19.1e6, 12345, "19100000", "13000"}, {7, 0, "7", "0"},
	} {
		figure, text := Text(row.value, row.u)
		if figure != row.figure || text != row.text {
			t.Errorf("%g +/- %g is %s +/- %s, want %s +/- %s", row.value, row.u, figure, text, row.figure, row.text)
		}
	}
}
