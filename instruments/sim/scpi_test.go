package sim

import (
	"strconv"
	"strings"
	"testing"
	"time"
)

// Test vectors of scpi facts section 8 that apply to real instruments; the
// number in front is theirs. Each message starts with *CLS-like clean status.
// Answers of *STB? have MAV (16) masked by asking in a message of their own.
func TestCommonVectors(t *testing.T) {
	l, _ := startLab(t, nil)
	c := dial(t, l, "bench-1-supply")
	for _, v := range []struct{ name, message, want string }{
		{"1", "*IDN?", "Invented Instruments,Rail 60,PS-bench-1,1.0"},
		{"2", "*idn?", "Invented Instruments,Rail 60,PS-bench-1,1.0"},
		{"3", "  *IDN?\r", "Invented Instruments,Rail 60,PS-bench-1,1.0"},
		{"7", "*ESE 1;*ESE?", "1"}, {"8", "*ESE #HFF;*ESE?", "255"},
		{"9", "*ESE #Q17;*ESE?", "15"}, {"9", "*ESE #B101;*ESE?", "5"},
		{"11", "*ESE 3.6;*ESE?", "4"}, {"13", "*SRE 255;*SRE?", "191"},
		{"19", "SYST:VERS?", "1999.0"}, {"19", "SYSTEM:VERSION?", "1999.0"}, {"19", "syst:version?", "1999.0"},
		{"21", "SYST:ERR?", `0,"No error"`}, {"21", "SYST:ERR:NEXT?", `0,"No error"`},
		{"22", "SYST:ERR?;VERS?", `0,"No error";1999.0`}, {"23", "SYST:ERR?;:SYST:VERS?", `0,"No error";1999.0`},
		{"24", "SYST:VERS?;*OPC?;ERR?", `1999.0;1;0,"No error"`}, {"26", "SYST:ERR:NEXT?;COUN?", `0,"No error";0`},
		{"50", "CURR 5 MA;CURR?", "5E-03"}, {"50", "CURR 5;CURR?", "5E+00"},
		{"61", "STAT:QUES:ENAB 65535;ENAB?", "32767"}, {"62", "STAT:QUES:ENAB 5;:STAT:PRES;:STAT:QUES:ENAB?", "0"},
		{"58", "*ESR?;*OPC;*ESR?;*ESR?", "128;1;0"}, {"79", ";;*OPC?;", "1"},
		{"52", "VOLT? MAX", "6E+01"},
	} {
		if got := c.ask(v.message); got != v.want {
			t.Errorf("vector %s: %q answered %q, want %q", v.name, v.message, got, v.want)
		}
		c.want("SYST:ERR:ALL?", `0,"No error"`)
	}
	for _, v := range []struct {
		name, message string
		number        int
	}{
		{"4", "*XYZ", -113}, {"5", "*ESE", -109}, {"6", "*ESE 0,1", -108}, {"10", "*ESE #Q19", -121}, {"12", "*ESE 256", -222},
		{"14", "*ESE 1 V", -138}, {"15", `*ESE "x"`, -104}, {"16", "*ESE1 0", -113}, {"20", "SYSTE:VERS?", -113}, {"20", "SYST:VERSIO?", -113},
		{"25", "SYST:VERS?;SYST:VERS?", -113}, {"29", "SETUP&", -101}, {"30", "ABCDEFGHIJKLM:X", -112}, {"31", "OUTP2 ON", -114},
		{"37", "OUTP MAYBE", -141}, {"50", "VOLT 5 MAV", -222}, {"51", "VOLT 1 A", -131}, {"54", "*ESE 1e33000", -123},
	} {
		c.send(v.message)
		for range strings.Count(v.message, "?") - 1 {
			c.read()
		}
		if got := c.ask("SYST:ERR?"); !strings.HasPrefix(got, strconv.Itoa(v.number)+",") {
			t.Errorf("vector %s: %q left %s, want %d", v.name, v.message, got, v.number)
		}
	}
	for _, message := range []string{"*IDN ?", ":*IDN?", "SYST :VERS?", "SYST::VERS?"} { // 17, 18, 27, 28
		c.send(message)
		if got := c.ask("SYST:ERR?"); !strings.HasPrefix(got, "-1") {
			t.Errorf("%q left %s, want a command error", message, got)
		}
	}
}

func TestStatusVectors(t *testing.T) {
	l, _ := startLab(t, nil)
	c := dial(t, l, "bench-1-generator")
	c.want("*ESR?", "128") // power on
	c.send("*ESE 32;*SRE 32;*XYZ")
	c.want("*STB?", "100") // 56
	c.want("*ESR?", "32")  // 57
	c.want("*STB?", "4")
	c.send("*RST") // 76
	c.want("*ESE?;:SYST:ERR:COUN?", "32;1")
	c.send("*XYZ;*CLS") // 59
	c.want("*ESR?;:SYST:ERR:COUN?", "0;0")
	c.send(strings.Repeat("*XYZ;", 20)) // 60
	for i := range 18 {
		want := []string{"-113,", "-350,", "0,"}[max(0, i-15)]
		if got := c.ask("SYST:ERR?"); !strings.HasPrefix(got, want) {
			t.Errorf("entry %d of the full queue: %s, want %s", i+1, got, want)
		}
	}
	c.want("*OPC?;FOO;*OPC?", "1;1") // 78: the remaining units are executed
	c.want("SYST:ERR:NEXT?;COUN?", `-113,"Undefined header;:FOO";0`)
	c.send(strings.Repeat("A", longestMessage+10)) // 77
	if got := c.ask("SYST:ERR?"); !strings.HasPrefix(got, "-363,") {
		t.Errorf("overlong message left %s, want -363", got)
	}
	for _, b := range []byte("SYST:ERR?;:SYST:VERS?") { // 82: byte by byte
		if _, err := c.conn.Write([]byte{b}); err != nil {
			t.Fatal(err)
		}
	}
	c.want("", `0,"No error";1999.0`)
}

func TestAnalyzerVectors(t *testing.T) {
	l, _ := startLab(t, func(c *Config) { c.Speed = 1 })
	c := dial(t, l, "bench-1-analyzer")
	c.refused("INIT", -213) // comes up sweeping continuously
	c.want("FREQ:CENT 1.8425 GHZ;CENT?", "1.8425E+09")
	c.want("FREQ:CENT 5 MHZ;CENT?", "5E+06") // 49
	c.want("FREQ:CENT 5 MAHZ;CENT?", "5E+06")
	c.refused("FREQ:CENT 1 V", -131)
	c.refused("FREQ:CENT 30 GHZ", -222)
	c.do("INIT:CONT OFF;:FREQ:STAR 1 GHZ;STOP 1.1 GHZ;:BAND 100 KHZ;:SWE:POIN 3;TIME 0.2")
	c.refused("TRAC? TRACE1", -230)
	c.do("INIT")
	c.refused("INIT", -213)         // 65
	c.refused("TRAC? TRACE1", -230) // not finished
	c.want("STAT:OPER:COND?", "24")
	began := time.Now()
	c.want("*ESR?", "176") // power on, command and execution errors so far
	c.do("*OPC")
	c.want("*ESR?", "0") // 67
	c.want("*OPC?", "1")
	if waited := time.Since(began); waited < 100*time.Millisecond {
		t.Errorf("*OPC? answered after %s of a 0.2 s sweep", waited) // 66
	}
	c.want("*ESR?", "1")
	c.want("STAT:OPER:COND?", "0")
	if got := c.ask("FORM:DATA REAL,32;BORD NORM;:TRAC? TRACE1"); len(got) != 4+12 || !strings.HasPrefix(got, "#212") { // 83
		t.Errorf("block %q", got)
	}
	if got := c.ask("FORM ASC;:TRAC:DATA? TRACE1"); strings.Count(got, ",") != 2 || !strings.Contains(got, "E+") { // 84
		t.Errorf("text %q", got)
	}
	c.do("SWE:TIME 100;:INIT")
	began = time.Now()
	c.want("INIT:CONT OFF;:ABOR;*OPC?", "1") // 69
	if waited := time.Since(began); waited > 10*time.Second {
		t.Errorf("abort took %s", waited)
	}
	c.do("SWE:TIME 0.05;:INIT;*OPC;*CLS") // 70
	c.want("*WAI;*OPC?;*ESR?", "1;0")
	c.do("POW:ATT 13")
	c.want("POW:ATT?", "1.4E+01") // rounded to the step of 2 dB
	c.want("SWE:TIME:AUTO ON;:SWE:TIME?", "2.5E-02")
}

func TestSwitcher(t *testing.T) {
	l, _ := startLab(t, nil)
	c := dial(t, l, "bench-1-switcher")
	c.want("ROUT:CLOS? (@101,102,801)", "0,0,0")
	c.want("ROUT:CLOS (@102);CLOS? (@101:103)", "0,1,0") // 85
	c.refused("ROUT:CLOS (@101)", -221)
	c.want("ROUT:CLOS? (@101:103)", "0,1,0")
	c.do("ROUT:CLOS (@102)")
	c.refused("ROUT:CLOS (@901)", -222)
	c.refused("ROUT:CLOS (@101", -171)
	c.refused("ROUT:CLOS (101)", -171)
	c.refused("ROUT:CLOS", -109)
	c.want("ROUT:OPEN (@102);OPEN? (@102)", "1")
	c.refused("ROUT:CLOS (@101,102)", -221)
	c.want("ROUT:CLOS (@201);OPEN:ALL;:ROUT:CLOS? (@201)", "0")
}
