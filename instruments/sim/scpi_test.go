package sim

import (
	"strings"
	"testing"
	"time"
)

// What the vectors of the standard say of an instrument that sweeps; the numbers
// are theirs (vectors_test.go has all of them on an instrument made for it).
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
