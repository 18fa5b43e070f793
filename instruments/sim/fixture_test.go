package sim

import (
	"math"
	"slices"
	"strings"
	"testing"
)

// manual makes bench-1 one without switch matrix.
func manual(c *Config) { c.Benches[0].Manual = true }

// marker measures a line at f with the analyzer of bench-1, dBm.
func marker(t testing.TB, l *Lab, f string) float64 {
	t.Helper()
	levels := dial(t, l, "bench-1-analyzer").sweep("*RST;:INIT:CONT OFF;:FORM REAL,32;:FREQ:CENT " + f + ";SPAN 1 MHZ;:BAND 10 KHZ;:SWE:POIN 401;:POW:ATT 0")
	return slices.Max(levels)
}

// What a power meter at the generator reads, less what the analyzer reads behind
// a path, is the loss of that path.
func TestPathCalibration(t *testing.T) {
	l, _ := startLab(t, nil)
	g, m, x := dial(t, l, "bench-1-generator"), dial(t, l, "bench-1-meter"), dial(t, l, "bench-1-fixture")
	m.want("*IDN?", "Invented Instruments,Thermal 26,PM-bench-1,1.0")
	m.want("CAL:ZERO:AUTO ONCE;*OPC?", "1")
	m.do("UNIT:POW DBM;:AVER:COUN 64")
	dial(t, l, "bench-1-switcher").do("ROUT:CLOS (@102)")
	g.do("POW:LIM 10;:POW 0")
	for f, hertz := range map[string]float64{"1 GHZ": 1e9, "3.55 GHZ": 3.55e9, "7 GHZ": 7e9} {
		g.do("OUTP OFF;:FREQ " + f + ";:OUTP ON")
		m.do("FREQ " + f)
		x.do(`FIXT:GEN "METer"`)
		reference := m.number("READ?")
		at, output, err := l.GeneratorOutput("bench-1")
		if err != nil || float64(at) != hertz {
			t.Fatal(at, err)
		}
		near(t, "meter at "+f, reference, float64(output), 0.002)
		if off := math.Abs(float64(output)); off > 0.4 {
			t.Errorf("generator off by %.2f dB", off)
		}
		if got := marker(t, l, f); got > -100 {
			t.Errorf("%.1f dBm behind the path while the generator is at the meter", got)
		}
		x.do(`FIXT:GEN "102"`)
		x.want("FIXT:GEN?", `"102"`)
		loss, err := l.Loss("T4-0001", 2, at)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "loss at "+f, reference-marker(t, l, f), float64(loss), 0.01)
		near(t, "meter without the generator", m.number("READ?"), -85, 25)
		x.do(`FIXT:GEN "101"`) // another connector than the one that is closed
		if got := marker(t, l, f); got > -100 {
			t.Errorf("%.1f dBm from a connector that is not closed", got)
		}
	}
}

func TestPowerMeter(t *testing.T) {
	l, _ := startLab(t, nil)
	g, m, x := dial(t, l, "bench-1-generator"), dial(t, l, "bench-1-meter"), dial(t, l, "bench-1-fixture")
	m.refused("FETC?", -230)
	// Before it is zeroed the meter shows 1.5e-5 to 3e-5 mW that are not there.
	if got := m.number("READ?"); got < -48.3 || got > -45.2 {
		t.Errorf("%.1f dBm before zeroing", got)
	}
	x.do(`FIXT:GEN "MET"`)
	g.do("FREQ 2 GHZ;:POW -20;:OUTP ON")
	m.refused("CAL:ZERO:AUTO ONCE", -221) // with power at the sensor
	g.do("OUTP OFF")
	m.want("CAL:ZERO:AUTO ONCE;*OPC?;:CAL:ZERO:AUTO?", "1;0")
	if got := m.number("READ:POW?"); got > -60 {
		t.Errorf("%.1f dBm after zeroing", got)
	}
	g.do("POW 3;:OUTP ON")
	m.do("SENS:FREQ 2 GHZ;:AVER:COUN 16")
	m.want("AVER:COUN?;:UNIT:POW?", "1.6E+01;DBM")
	m.refused("FETC?", -230) // settings have changed
	m.do("INIT")
	level := m.number("FETC:POW?")
	_, output, _ := l.GeneratorOutput("bench-1")
	near(t, "level", level, float64(output), 0.001)
	m.do("UNIT:POW W")
	near(t, "in watts", m.number("FETC?"), math.Pow(10, (level-30)/10), 1e-6)
	m.do("UNIT:POW DBM;:FREQ 6 GHZ") // the response of another frequency
	if got := m.number("READ?"); math.Abs(got-level) < 0.01 {
		t.Errorf("%.3f dBm with the correction of 6 GHz, %.3f with that of 2 GHz", got, level)
	}
	for send, number := range map[string]int{"AVER:COUN 2000": -222, "FREQ 30 GHZ": -222, "CAL:ZERO:AUTO ON": -224, "UNIT:POW V": -224} {
		m.refused(send, number)
	}
	g.refused("POW:LIM 0", -221) // below the level
	g.do("POW -10;:POW:LIM -5")
	g.refused("POW 0", -221)
	g.want("POW?;:POW:LIM?", "-1E+01;-5E+00")
	if err := l.Inject("bench-1-meter", NotANumber); err != nil {
		t.Fatal(err)
	}
	m.want("READ?", "9.91E+37")
}

// A reading takes its averages' time, overlapped.
func TestPowerMeterTakesItsTime(t *testing.T) {
	l, _ := startLab(t, func(c *Config) { c.Speed = 0.001 })
	m := dial(t, l, "bench-1-meter")
	m.do("AVER:COUN 1024;:INIT") // 20 s at the speed of one, five hours here
	m.refused("INIT", -213)
	m.refused("READ?", -213)
	m.want("STAT:OPER:COND?", "16")
	m.do("ABOR")
	m.want("STAT:OPER:COND?;*OPC?", "0;1")
}

// A unit that transmits into the generator, or into a connector that nothing
// terminates, is damage; so is too strong a generator for the analyzer.
func TestFixtureDamage(t *testing.T) {
	l, j := startLab(t, nil)
	u := bringUp(t, l, "T4-0001", "RU-T4")
	x := dial(t, l, "bench-1-fixture")
	x.do(`FIXT:GEN "101"`)
	got := l.Damaged()
	if len(got) != 1 || !strings.HasPrefix(got[0], "bench-1-generator: 3") || !strings.Contains(got[0], "safe is 27.00 dBm") {
		t.Errorf("damaged %q", got)
	}
	dial(t, l, "bench-1-generator").want("*TST?", "1")
	dial(t, l, "bench-1-analyzer").want("*TST?", "0")
	u.do("CONN1:ATT 40") // -3 dBm do no harm
	u.do("OUTP OFF")
	u.do("OUTP ON")
	u.do("CONN1 OFF;:CONN1:ATT 0")
	if got := l.Damaged(); len(got) != 1 {
		t.Errorf("damaged %q", got)
	}
	kinds := j.kinds(t, "bench-1-fixture")
	for _, want := range []string{"hot switch: generator NONE to 101 while transmitting", "generator: 101"} {
		if !slices.Contains(kinds, want) {
			t.Errorf("journal %q lacks %q", kinds, want)
		}
	}
}

func TestManualBench(t *testing.T) {
	l, j := startLab(t, manual)
	if _, err := l.Resource("bench-1-switcher"); err == nil {
		t.Error("a bench without switch matrix has one")
	}
	if text := string(l.Inventory()); strings.Contains(text, "bench-1-switcher") || !strings.Contains(text, "bench-2-switcher") {
		t.Error("the inventory names the wrong switch matrices")
	}
	x := dial(t, l, "bench-1-fixture")
	x.do(`FIXT:CABL "101";:FIXT:TERM 102,ON;:FIXT:TERM 103,ON;:FIXT:TERM 104,ON`)
	x.want("FIXT:CABL?;:FIXT:TERM? 101;:FIXT:TERM? 104;:FIXT:TERM? 201", `"101";1;1;0`)
	u := bringUp(t, l, "T4-0001", "RU-T4")
	if got := l.Damaged(); len(got) != 0 {
		t.Fatalf("damaged %q", got)
	}
	u.do("OUTP OFF")
	x.do(`FIXT:CABL "102"`) // takes the termination off and leaves 101 open
	x.want("FIXT:TERM? 101;:FIXT:TERM? 102", "0;1")
	u.do("CONN1 OFF;:OUTP ON")
	if got := l.Damaged(); len(got) != 0 {
		t.Fatalf("damaged %q by a connector that is off", got)
	}
	u.do("CONN1 ON;:CONN1:ATT 60")
	if got := l.Damaged(); len(got) != 1 || !strings.HasPrefix(got[0], "T4-0001: connector 1 transmits without termination, at ") {
		t.Errorf("damaged %q", got)
	}
	if !slices.Contains(j.kinds(t, "T4-0001"), "damage: connector 1 transmits without termination") {
		t.Error("the journal knows nothing of it")
	}
	x.refused("FIXT:TERM 102,ON", -221) // the cable is there
	for send, number := range map[string]int{`FIXT:CABL "999"`: -224, `FIXT:CABL "MET"`: -224, `FIXT:GEN "X"`: -224, "FIXT:TERM 999,ON": -224, "FIXT:TERM? 999": -224, "FIXT:GEN 101": -104} {
		x.refused(send, number)
	}
	dial(t, l, "bench-2-fixture").refused(`FIXT:CABL "101"`, -221)
	f, err := l.Fixture("bench-1")
	if err != nil {
		t.Fatal(err)
	}
	if err := f.Cable("NONE"); err != nil {
		t.Fatal(err)
	}
	x.want("FIXT:CABL?", `"NONE"`)
	if _, err := l.Fixture("bench-9"); err == nil {
		t.Error("hands at a bench that is not there")
	}
	if got := len(l.Damaged()); got != 2 { // the cable was all that terminated 102
		t.Errorf("%d occasions of damage, want 2: %q", got, l.Damaged())
	}
}
