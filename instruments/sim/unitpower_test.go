package sim

import (
	"fmt"
	"math"
	"strconv"
	"testing"

	"benchyard/instruments/rf"
)

// A tone at the compression point loses 1 dB, 9.64 dB below the intercept point
// (waveform facts 5.3): |k| A^2 = 0.1087.
func TestCompressionOfATone(t *testing.T) {
	near(t, "at the compression point", lost(40, 40, 1), 1, 1e-9)
	near(t, "share of the intercept", decibels(compressed), -9.64, 0.005)
	near(t, "far below", lost(0, 40, 1), 20*math.Log10(1/(1-compressed*1e-4)), 1e-12)
	near(t, "Gaussian far below", lost(0, 40, gaussianFactor)/lost(0, 40, 1), 2, 1e-4)
}

// Carriers at rated power give up one decibel per decibel of attenuation, and
// get back what compression had taken; attenuation in two parts is as in one.
func TestPowerAgainstAttenuation(t *testing.T) {
	c := Demo(1)
	c.Faults = nil
	power := func(attenuation rf.DB) float64 {
		x, err := c.Expect(Condition{Serial: "T4-0002", Build: olderBuild, Connector: 1, Carrier: demoTypes[0].carrier(3549.99e6), Attenuation: attenuation})
		if err != nil {
			t.Fatal(err)
		}
		return float64(x.CarrierPower())
	}
	s := state{power: 37, compression: 40.5, linear: 0}
	// Without predistorter: 37 dBm is what is left of driven d, d + 20 log(1 - 2*0.10875*10^((d-40.5)/10)) = 37.
	driven := 37.0
	for range 60 {
		driven = 37 - 20*math.Log10(1-2*0.10875*math.Pow(10, (driven-40.5)/10))
	}
	for _, a := range []float64{0.05, 1, 3, 10, 40, 60} {
		x := driven - a
		near(t, fmt.Sprintf("behind %g dB", a), s.backed(a), x+20*math.Log10(1-2*0.10875*math.Pow(10, (x-40.5)/10)), 1e-4)
		once := state{power: s.backed(a), compression: 40.5}
		near(t, "in two parts", once.backed(3), s.backed(a+3), 1e-4)
	}
	full, backed := power(0), power(20) // further down the noise of the unit counts
	if back := backed + 20 - full; back <= 0.05 || back > 0.2 {
		t.Errorf("compression gives back %.3f dB; a linearized amplifier 3.5 dB below its compression point has about 0.13", back)
	}
	last := full
	for a := rf.DB(5); a <= 30; a += 5 { // in-channel regrowth adds least where there is least of it
		p := power(a)
		if step := last - p; step > 5 || step < 4.8 {
			t.Errorf("5 dB more attenuation, %g in all, take %.3f dB", float64(a), step)
		}
		last = p
	}
}

// Gain over the tuning range is the ripple drawn for the connector and, with
// that fault, a tilt that costs the amount from one end of the band to the other.
func TestUnevenGain(t *testing.T) {
	c := Demo(1)
	c.Faults = nil
	power := func(f rf.Hertz) float64 {
		x, err := c.ExpectTone(Tone{Condition: Condition{Serial: "T4-0002", Build: olderBuild, Connector: 2, Carrier: demoTypes[0].carrier(f)}, Offset: 1e6, Level: -20})
		if err != nil {
			t.Fatal(err)
		}
		return float64(x.Power)
	}
	low, high := power(3350e6), power(3750e6)
	if math.Abs(high-low) > 0.12 {
		t.Errorf("gain of a good unit moves by %.2f dB", high-low)
	}
	c.Faults = []Fault{{Kind: UnevenGain, Serial: "T4-0002", Amount: 3}}
	near(t, "tilt over 400 of 500 MHz", power(3750e6)-power(3350e6)-(high-low), -3*400.0/500, 0.005)
}

// number asks for one number.
func (c *client) number(message string) float64 {
	c.t.Helper()
	v, err := strconv.ParseFloat(c.ask(message), 64)
	if err != nil {
		c.t.Fatal(err)
	}
	return v
}

// Four connectors of 37 dBm at 35 % efficiency take 57.28 W over the 40 W of
// the idle unit; a tone 6 dB lower half of it, as a class B stage does.
func TestSupplyFollowsTheOutput(t *testing.T) {
	l, _ := startLab(t, byHand)
	u := toneUp(t, l)
	full := 4 * 5.01187 / 0.35 // 37 dBm = 5.01187 W, metrology facts 4.1
	check := func(what string, watts float64) {
		t.Helper()
		near(t, what, u.number("SUPP:CURR?")*48, watts, 0.03)
	}
	check("full power", 40+full)
	u.do("TONE:LEV -6.0206")
	check("half the amplitude", 40+full/2)
	u.do("CONN1 OFF;:CONN2 OFF")
	check("two connectors", 40+full/4)
	u.do("CONN3:ATT 40;:CONN4:ATT 40")
	check("attenuated", 40+full/4/100)
	u.do("CARR:SOUR MOD")
	check("no air frame", 40)
	s := dial(t, l, "bench-1-supply")
	near(t, "bench", s.number("MEAS:CURR?")*48, 8*40, 0.05)
	near(t, "voltage", u.number("SUPP:VOLT?"), 48, 1e-9)
}

// The housing takes 300 s to 63 % of its warmth, of which a unit on a quarter of
// its power reaches a quarter.
func TestWarmUp(t *testing.T) {
	c := Demo(1)
	w, err := newWorld(c, clock{}, &journal{})
	if err != nil {
		t.Fatal(err)
	}
	u := w.units["T4-0002"]
	u.boot()
	u.ports, u.source, u.timer = make([]port, 4), sourceModel, true
	u.carriers = []Carrier{demoTypes[0].carrier(3550e6)}
	near(t, "cold", u.temperature(0), 27, 1e-9)
	u.on = true
	u.warm(100)
	near(t, "after one time constant", u.temperature(400), 27+21*(1-math.Exp(-1)), 1e-9)
	near(t, "warm", u.temperature(1e5), 48, 1e-9)
	u.warm(5e4) // nothing has changed
	near(t, "still warm", u.temperature(5e4), 48, 1e-9)
	for i := range u.ports {
		u.ports[i].attenuation = 20 * math.Log10(4)
	}
	u.warm(1e5)
	near(t, "a quarter", u.temperature(1e6), 27+21.0/4, 1e-9)
	u.on = false
	u.warm(1e6)
	near(t, "cooling", u.temperature(1e6+300), 27+21.0/4*math.Exp(-1), 1e-9)
}

// Troubles raise alarms and show where they belong.
func TestTroubles(t *testing.T) {
	l, j := startLab(t, func(c *Config) {
		byHand(c)
		c.Units[1].Troubles = []Trouble{LostPPS}
	})
	trouble := func(which Trouble, on bool) {
		t.Helper()
		if err := l.Trouble("T4-0002", which, on); err != nil {
			t.Fatal(err)
		}
	}
	u := untuned(t, l)
	u.want("ROSC:PPS:LOCK?;:ALAR:COUN?", "0;1")
	trouble(LostPPS, false)
	u.want("ROSC:PPS:LOCK?;:ALAR:COUN?", "1;0")
	trouble(NoLock, true)
	u.want("SYNT:RES;*OPC?;:SYNT:LOCK?", "1;0")
	u.refused("CAL:INIT", -221)
	u.refused("OUTP ON", -221)
	trouble(NoLock, false)
	trouble(BadCalibration, true)
	u.want("SYNT:RES;*OPC?;:CAL:INIT;*OPC?;:CAL:INIT:RES?", "1;1;7")
	u.want("CAL:TRAC ON;TRAC:STAT?;:CAL:TRAC OFF;TRAC:STAT?", "FAIL;OFF")
	trouble(BadCalibration, false)
	u.want("CAL:INIT;*OPC?;:CAL:TRAC ON;TRAC?", "1;1")
	trouble(BadTracking, true)
	u.want("CAL:TRAC:STAT?", "FAIL")
	trouble(Overheated, true)
	if got := u.number("TEMP?"); got != 67 {
		t.Errorf("%g degrees, want 67 of an idle unit 40 too hot", got)
	}
	trouble(LostReference, true)
	u.want("ROSC:LOCK?;:ALAR:COUN?", "0;2")
	u.do("CARR:SOUR TONE;:TONE:OFFS 3 MHZ;:OUTP ON")
	got := l.world.emission(l.world.units["T4-0002"], 1)
	near(t, "oscillator off by", got.lines[0].frequency/3500e6-1, 1.5e-6, 0.03e-6)
	trouble(NoLock, true)
	u.want("OUTP?", "0")
	if l.Trouble("T4-0002", "flat tyre", true) == nil || l.Trouble("X", LostPPS, true) == nil {
		t.Error("unknown trouble or unit was taken")
	}
	seen := 0
	for _, k := range j.kinds(t, "T4-0002") {
		if k == "trouble: no lock: begins" || k == "transmit off: synthesiser not locked" {
			seen++
		}
	}
	if seen != 3 {
		t.Errorf("journal %q", j.kinds(t, "T4-0002"))
	}
}

// A supply that fails takes oscillator and calibrations with it; what was set stays.
func TestSupplyLossForgets(t *testing.T) {
	l, _ := startLab(t, byHand)
	u := toneUp(t, l)
	s := dial(t, l, "bench-1-supply")
	s.do("OUTP OFF")
	s.do("OUTP ON")
	u.want("OUTP?;:CAL:INIT:RES?;:CAL:TRAC:STAT?;:CARR:FREQ?", "0;-1;OFF;3.5E+09")
}

// Units that tune themselves need none of the steps, and show nothing of their
// modulators but in a tone.
func TestSelfTuningUnits(t *testing.T) {
	l, _ := startLab(t, nil)
	u := bringUp(t, l, "T4-0002", "RU-T4")
	u.want("CAL:INIT:RES?;FREQ?;:CAL:TRAC:STAT?;:TIM?", "0;3.54999E+09;CONV;1")
	if e := l.world.emission(l.world.units["T4-0002"], 1); len(e.lines) > 0 || len(e.shapes) != 5 {
		t.Errorf("%d lines, %d shapes in a test model", len(e.lines), len(e.shapes))
	}
	u.do("CARR:SOUR TONE;:CONN2 OFF")
	if x, err := l.ExpectTone("T4-0002", 1); err != nil || x.Image > -60 || x.Leakage > -65+10 { // tone of -10 dB
		t.Errorf("%+v, %v", x, err)
	}
	if l.world.emission(l.world.units["T4-0002"], 2) != nil {
		t.Error("a connector that is off transmits")
	}
	if _, err := l.ExpectTone("T4-0002", 2); err == nil {
		t.Error("the truth about a connector that is off")
	}
}
