package sim

import (
	"strings"
	"testing"
)

// byHand makes the TDD type need its bring-up step by step.
func byHand(c *Config) { c.Types[0].SelfTuning = false }

// untuned configures T4-0002 behind connector 1 with its timer stopped, and
// leaves the rest of the bring-up to the test.
func untuned(t testing.TB, l *Lab) *client {
	t.Helper()
	dial(t, l, "bench-1-supply").do("VOLT 48;CURR 20;:OUTP ON")
	u := dial(t, l, "T4-0002")
	u.do("TIM OFF")
	u.do(carrierOf["RU-T4"])
	u.do("CARR:FREQ 3.5 GHZ") // the oscillator starts at 3.55 GHz, the middle of the band
	return u
}

// Every setting answers its query; what is out of range is refused.
func TestControlIsReadBack(t *testing.T) {
	l, _ := startLab(t, byHand)
	u := untuned(t, l)
	for _, v := range []struct{ send, ask, want string }{
		{"", "CONN:STAT?;:CONN4?", "1;1"}, {"CONN3 OFF", "CONN1?;:CONN3?", "1;0"},
		{"CONN2:ATT 12.37", "CONN2:ATT?;:CONN1:ATT?", "1.235E+01;0E+00"}, {"", "CONN:ATT? MAX", "6E+01"},
		{"", "CARR:SOUR?", "MOD"}, {"CARR:SOUR TONE", "CARR:SOUR?", "TONE"},
		{"TONE:OFFS 2.5 MHZ;LEV -6", "TONE:OFFS?;LEV?", "2.5E+06;-6E+00"},
		{"", "TIM?", "0"}, {"", "SYNT:LOCK?;:ROSC:LOCK?;PPS:LOCK?", "1;1;1"},
		{"", "CAL:INIT:RES?;FREQ?", "-1;0E+00"}, {"", "CAL:TRAC?;TRAC:STAT?", "0;OFF"},
		{"", "SUPP:VOLT?;CURR?", "48.000;0.833"}, // 40 W at 48 V while nothing is on the air
	} {
		if v.send != "" {
			u.do(v.send)
		}
		u.want(v.ask, v.want)
	}
	for send, number := range map[string]int{
		"CONN5 ON": -114, "CONN0:ATT 1": -114, "CONN:ATT 61": -222, "TONE:LEV 1": -222, "CARR:SOUR NOISE": -224, "CAL:TRAC PERHAPS": -141,
	} {
		u.refused(send, number)
	}
	u.do("*RST")
	u.want("CONN3?;:CONN2:ATT?;:CARR:SOUR?;:TIM?", "1;0E+00;MOD;1")
}

// The steps in their order, each overlapped with *OPC; out of order they are
// refused with -221 and a reason.
func TestBringUpOnTheWire(t *testing.T) {
	l, _ := startLab(t, byHand)
	u := dial(t, l, "T4-0002")
	u.refused("SYNT:RES", -221) // no supply
	u.want("SYNT:LOCK?", "0")
	dial(t, l, "bench-1-supply").do("VOLT 48;CURR 20;:OUTP ON")
	for _, retune := range []string{"CARR:FREQ 3.55 GHZ", "CARR:BAND 100 MHZ", "CARR:SCSP 30 KHZ", "CARR:COUN 1", "SYNT:RES", "CAL:INIT"} {
		u.send(retune) // while the timer runs
		if got := u.ask("SYST:ERR?"); !strings.HasPrefix(got, "-221,") || !strings.Contains(got, ":TIMer OFF") {
			t.Errorf("%s with the timer running: %s", retune, got)
		}
	}
	u.do("TIM OFF")
	u.refused("SYNT:RES", -221) // no carrier
	u.do(carrierOf["RU-T4"])
	u.want("SYNT:RES;*OPC?;:SYNT:LOCK?", "1;1")
	u.want("CAL:INIT;*OPC?;:CAL:INIT:RES?;FREQ?", "1;0;3.54999E+09")
	u.do("CAL:TRAC ON")
	u.refused("CAL:INIT", -221) // while tracking
	u.do("TIM ON;:OUTP ON")
	for _, disturbing := range []string{"SYNT:RES", "CAL:INIT", "CARR:FREQ 3.5 GHZ"} {
		u.refused(disturbing, -221)
	}
	u.do("CONN1:ATT 40;:CARR:SOUR TONE;:TONE:OFFS 3 MHZ")
	u.want("OUTP?;:CAL:TRAC?", "1;1")
}

// While a step runs the oscillator is not locked and nothing else begins; *RST
// ends the step without its result.
func TestStepsAreOverlapped(t *testing.T) {
	l, _ := startLab(t, func(c *Config) { byHand(c); c.Speed = 0.001 })
	u := untuned(t, l)
	u.do("SYNT:RES")
	u.want("SYNT:LOCK?", "0")
	for _, other := range []string{"SYNT:RES", "CAL:INIT", "CAL:TRAC ON", "OUTP ON", "CARR:FREQ 3.6 GHZ", `SYST:BUIL "2.5.0"`} {
		u.refused(other, -221)
	}
	u.want("*RST;*OPC?;:SYNT:LOCK?;:CAL:INIT:RES?", "1;1;-1")
	u.do(`SYST:BUIL "2.5.0"`)
	u.refused("OUTP ON", -221)
	u.want("*RST;*OPC?;:SYST:BUIL?", `1;"2.4.0"`)
}
