package sim

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"benchyard/instruments/rf"
	"benchyard/instruments/scpi"
)

// carrierOf are the commands that configure a demo type's carrier.
var carrierOf = map[string]string{
	"RU-T4": `:CARR:FREQ 3549.99 MHZ;BAND 100 MHZ;SCSP 30 KHZ;POW 37;TMOD "NR-FR1-TM1.1";DUPL TDD`,
	"RU-F2": `:CARR:FREQ 2140 MHZ;BAND 20 MHZ;SCSP 15 KHZ;POW 46;TMOD "NR-FR1-TM1.1";DUPL FDD`,
}

// bringUp powers bench-1, configures a unit and switches it on.
func bringUp(t testing.TB, l *Lab, serial, typ string) *client {
	t.Helper()
	dial(t, l, "bench-1-supply").do("VOLT 48;CURR 20;:OUTP ON")
	u := dial(t, l, serial)
	u.do(carrierOf[typ])
	u.do("OUTP ON")
	return u
}

// sweep takes one trace with the analyzer of bench-1.
func (c *client) sweep(settings string) []float64 {
	c.t.Helper()
	c.do(":INIT:CONT OFF;:FORM REAL,32;" + settings)
	c.want("INIT;*OPC?", "1")
	block, err := scpi.ParseBlock([]byte(c.ask(":TRAC? TRACE1")))
	if err != nil {
		c.t.Fatal(err)
	}
	levels, err := scpi.DecodeReal32(block)
	if err != nil {
		c.t.Fatal(err)
	}
	return levels
}

// power sums a trace of the given step and RBW to a power.
func power(levels []float64, step, rbw float64) float64 {
	sum := 0.0
	for _, v := range levels {
		sum += milliwatts(v)
	}
	return decibels(sum * step / (noiseFactor * rbw))
}

const tddSweep = ":FREQ:STAR 3499.99 MHZ;STOP 3599.99 MHZ;:BAND 100 KHZ;:SWE:POIN 2001;TIME 0.5;" +
	":POW:ATT 4;:SWE:EGAT ON;:SWE:EGAT:DEL 0.0001;LENG 0.0035;:TRIG:SOUR EXT"

// Channel power over the wire, corrected with the true loss, equals the closed
// form; without the gate it is low by the duty cycle (waveform facts 1.7).
func TestMeasuredPowerIsTheTruth(t *testing.T) {
	l, _ := startLab(t, nil)
	bringUp(t, l, "T4-0002", "RU-T4")
	dial(t, l, "bench-1-switcher").do("ROUT:CLOS (@201)")
	a := dial(t, l, "bench-1-analyzer")
	x, err := l.Expect(Condition{Serial: "T4-0002", Build: olderBuild, Connector: 1, Carrier: demoTypes[0].carrier(3549.99e6)})
	if err != nil {
		t.Fatal(err)
	}
	loss, err := l.Loss("T4-0002", 1, 3549.99e6)
	if err != nil {
		t.Fatal(err)
	}
	a.sweep(tddSweep + ";:AVER ON;:AVER:COUN 400") // warms the unit for minutes too
	got := power(a.sweep(tddSweep+";:AVER OFF"), 50e3, 100e3) + float64(loss)
	near(t, "gated", got, float64(x.ChannelPower()), 0.05)
	got = power(a.sweep(":SWE:EGAT OFF;:SWE:TIME 100"), 50e3, 100e3) + float64(loss)
	near(t, "ungated", got, float64(x.ChannelPower())-1.2905, 0.05)
	if chill, err := l.Chill("T4-0002"); err != nil || chill > 0.05 {
		t.Errorf("chill %.3f, %v after minutes of transmitting", chill, err)
	}
	a.do(":SWE:EGAT OFF;:AVER OFF;:SWE:TIME:AUTO ON")
	dial(t, l, "bench-1-switcher").do("ROUT:OPEN:ALL")
	floor := power(a.sweep(":POW:ATT 0"), 50e3, 100e3) - 10*math.Log10(100e6)
	near(t, "own noise with the input terminated", floor, -158, 0.15)
}

// With the attenuation a bench uses (mixer peak at most +7 dBm), the analyzer's
// own noise adds less than 0.1 dB to the first adjacent channels of every good
// unit and 0.2 dB to the second, where the noise of the unit itself prevails.
func TestNoiseFloorLeavesLeakageAlone(t *testing.T) {
	c := Demo(3)
	c.Faults = nil
	for _, u := range c.Units {
		typ, _ := c.typeOf(u.Type)
		b, _ := c.bench(u.Bench)
		for connector := 1; connector <= typ.Connectors; connector++ {
			p := newPath(c.Seed, u.Bench, b.Pads[u.Slot-1], u.Slot, connector)
			for _, centre := range demoCentres[u.Type] {
				x, err := c.Expect(Condition{Serial: u.Serial, Build: olderBuild, Connector: connector, Carrier: typ.carrier(centre)})
				if err != nil {
					t.Fatal(err)
				}
				peak := float64(x.ChannelPower()) - p.loss(float64(centre)) + peakRatio
				attenuation := 2 * math.Ceil(max(0, peak-7)/2)
				for n, most := range map[int]float64{-2: 0.2, -1: 0.1, 1: 0.1, 2: 0.2} {
					at := centre + rf.Hertz(n)*typ.Bandwidth
					leak := float64(x.Power(at, rf.Hertz(x.width))) - p.loss(float64(at))
					floor := defaultNoise + attenuation + decibels(x.width)
					if excess := decibels(1 + milliwatts(floor-leak)); excess > most {
						t.Errorf("%s connector %d at %s: noise adds %.3f dB to channel %+d", u.Serial, connector, centre, excess, n)
					}
				}
			}
		}
	}
}

func TestRadioUnitRules(t *testing.T) {
	l, j := startLab(t, nil)
	u := dial(t, l, "T4-0001")
	u.want("*IDN?", "Imagined Radio,RU-T4,T4-0001,2.4.0")
	u.refused("OUTP ON", -221) // not configured
	u.do(carrierOf["RU-T4"])
	u.refused("OUTP ON", -221) // no supply
	s := dial(t, l, "bench-1-supply")
	s.do("VOLT 42;CURR 20;:OUTP ON")
	u.refused("OUTP ON", -221) // below 43.2 V
	s.do("VOLT 48")
	u.do("OUTP ON")
	u.want("OUTP?", "1")
	if got := l.Transmitting(); !slices.Equal(got, []string{"T4-0001"}) {
		t.Errorf("on the air: %v", got)
	}
	u.refused("CARR:FREQ 3.4 GHZ", -221)
	u.refused(`SYST:BUIL "2.5.0"`, -221)
	s.do("OUTP OFF")
	u.want("OUTP?", "0")
	s.do("OUTP ON")
	u.want("OUTP?;:ALAR:COUN?", "0;0") // stays off when the supply comes back
	u.refused("CARR:FREQ 2 GHZ", -222)
	u.refused("CARR:DUPL FDD", -224)
	u.refused(`CARR:TMOD "TM9"`, -224)
	u.do("CARR:BAND 60 MHZ;FREQ 3310 MHZ")
	u.refused("OUTP ON", -221) // leaves the band
	u.refused(`SYST:BUIL "9.9"`, -224)
	u.do(`SYST:BUIL "2.5.0"`)
	u.want(`*OPC?;:SYST:BUIL?`, `1;"2.5.0"`)
	u.want("*IDN?", "Imagined Radio,RU-T4,T4-0001,2.5.0")
	u.refused("OUTP ON", -221) // a new build starts without a carrier
	u.do("OUTP OFF")
	want := []string{
		"transmit on: 3.54999 GHz, 37.00 dBm, build 2.4.0", "transmit off: supply lost",
		"build: loading 2.5.0", "build: 2.5.0", "transmit off: already",
	}
	got := slices.DeleteFunc(j.kinds(t, "T4-0001"), func(s string) bool { return strings.HasPrefix(s, "connect:") })
	if !slices.Equal(got, want) {
		t.Errorf("journal %q, want %q", got, want)
	}
}

func TestSupply(t *testing.T) {
	l, j := startLab(t, nil)
	s := dial(t, l, "bench-1-supply")
	s.do("VOLT:PROT 50;:VOLT 48;CURR 20;:OUTP ON")
	s.want("MEAS:VOLT?", "4.8000E+01")
	s.want("MEAS:CURR?", "6.6667E+00") // eight idle units of 40 W at 48 V
	s.do("VOLT 52")
	s.want("OUTP?;:MEAS:VOLT?", "0;0.0000E+00") // protection tripped
	s.do("VOLT 48;CURR 3;:OUTP ON")
	s.want("MEAS:CURR?", "3.0000E+00")
	s.want("MEAS:VOLT?", "2.1600E+01") // constant current: 48 V * 3 A / 6.667 A
	if got := j.kinds(t, "bench-1-supply"); !slices.Contains(got, "protection: 52 V is above 50 V") {
		t.Errorf("journal %q lacks the protection", got)
	}
}

// 46 dBm through a bench without its 50 dB pad is 45 dBm at an analyzer that
// stands 30: recorded once per occasion, and remembered by the self-test.
func TestDamageIsRecorded(t *testing.T) {
	l, j := startLab(t, nil)
	u := bringUp(t, l, "F2-0001", "RU-F2")
	m := dial(t, l, "bench-1-switcher")
	a := dial(t, l, "bench-1-analyzer")
	m.do("ROUT:CLOS (@501)")
	if got := l.Damaged(); len(got) != 0 {
		t.Fatalf("damaged through the pad: %v", got)
	}
	a.want("*TST?", "0")
	if err := l.Inject("bench-1-analyzer", BypassedPad); err != nil {
		t.Fatal(err)
	}
	u.do("OUTP OFF")
	u.do("OUTP ON")
	got := l.Damaged()
	if len(got) != 2 || !strings.HasPrefix(got[0], "bench-1-analyzer: 4") || !strings.Contains(got[0], "dBm peak") {
		t.Errorf("damaged: %q, want two occasions", got)
	}
	a.want("*TST?", "1")
	kinds := strings.Join(j.kinds(t, "bench-1-analyzer"), "\n")
	if strings.Count(kinds, "damage: ") != 2 {
		t.Errorf("journal:\n%s", kinds)
	}
	if !slices.Contains(j.kinds(t, "bench-1-switcher"), "hot switch: 0 to 501 while transmitting") {
		t.Error("switching under power was not journalled")
	}
}

// Overload sets QUEStionable bit 3 until the next INITiate and compresses.
func TestOverload(t *testing.T) {
	l, _ := startLab(t, func(c *Config) { c.Benches[0].Pads[1] = 30 })
	bringUp(t, l, "T4-0002", "RU-T4")
	dial(t, l, "bench-1-switcher").do("ROUT:CLOS (@201)")
	a := dial(t, l, "bench-1-analyzer")
	good := power(a.sweep(tddSweep+";:POW:ATT 10"), 50e3, 100e3)
	a.want("STAT:QUES:COND?", "0")
	bad := power(a.sweep(tddSweep+";:POW:ATT 0"), 50e3, 100e3) // 37-30+10 = about 17 dBm peak
	a.want("STAT:QUES:COND?", "8")
	near(t, "compression", good-bad, 7, 1.2)
	a.sweep(tddSweep + ";:POW:ATT 10")
	a.want("STAT:QUES:COND?", "0")
	if err := l.Inject("bench-1-analyzer", Overload); err != nil {
		t.Fatal(err)
	}
	a.sweep(tddSweep + ";:POW:ATT 40")
	a.want("STAT:QUES:COND?", "8")
}

// A unit muted in the middle of a sweep leaves the trace in two halves.
func TestMuteDuringSweep(t *testing.T) {
	l, _ := startLab(t, func(c *Config) { c.Speed = 100 })
	u := bringUp(t, l, "F2-0001", "RU-F2")
	dial(t, l, "bench-1-switcher").do("ROUT:CLOS (@501)")
	a := dial(t, l, "bench-1-analyzer")
	a.do(":INIT:CONT OFF;:FORM REAL,32;:FREQ:STAR 2131 MHZ;STOP 2149 MHZ;:BAND 100 KHZ;:SWE:POIN 501;TIME 40;:POW:ATT 10")
	a.do("INIT")
	deadline := time.Now().Add(10 * time.Second)
	for began := l.world.clock.now(); l.world.clock.now() < began+20; {
		if time.Now().After(deadline) {
			t.Fatal("simulated time stands still")
		}
		u.ask("TEMP?") // keeps the wait from spinning
	}
	u.do("OUTP OFF")
	a.want("*OPC?", "1")
	block, _ := scpi.ParseBlock([]byte(a.ask("TRAC? TRACE1")))
	levels, err := scpi.DecodeReal32(block)
	if err != nil {
		t.Fatal(err)
	}
	if levels[0]-levels[len(levels)-1] < 60 {
		t.Errorf("first point %.1f dBm, last %.1f dBm: the mute does not show", levels[0], levels[len(levels)-1])
	}
}
