package sim

import (
	"io"
	"math"
	"strings"
	"testing"
	"time"

	"benchyard/instruments/scpi"
)

func inject(t *testing.T, l *Lab, instrument string, f WireFault) {
	t.Helper()
	if err := l.Inject(instrument, f); err != nil {
		t.Fatal(err)
	}
}

func TestWireFaults(t *testing.T) {
	l, _ := startLab(t, nil)
	const name = "bench-1-generator"
	c := dial(t, l, name)

	inject(t, l, name, WrongIdentity)
	c.want("*IDN?", "Somebody Else,Another Model,0000,0.0")
	inject(t, l, name, Garbage)
	if got := c.ask("FREQ?"); strings.Contains(got, "E+") {
		t.Errorf("garbage %q looks like an answer", got)
	}
	inject(t, l, name, Stale)
	c.send("FREQ 5 GHZ;FREQ?")
	c.want("POW?", "5E+09") // the late answer to the question before
	if got := c.read(); got != "-1.3E+02" {
		t.Errorf("answer after the late one: %q", got)
	}
	c.want("POW?", "-1.3E+02") // and all is well again

	inject(t, l, name, Silent)
	c.send("FREQ 6 GHZ;FREQ?")
	c.conn.SetReadDeadline(time.Now().Add(50 * time.Millisecond))
	if b, err := c.in.ReadByte(); err == nil {
		t.Errorf("silent instrument answered %q", b)
	}
	inject(t, l, name, None)
	c.want("FREQ?", "6E+09") // it did as it was told

	inject(t, l, name, Drop)
	c.send("FREQ?")
	c.conn.SetReadDeadline(time.Now().Add(10 * time.Second))
	if rest, err := io.ReadAll(c.in); err != nil || string(rest) != "6E" {
		t.Errorf("dropped connection gave %q, %v; want half an answer and the end", rest, err)
	}
	dial(t, l, name).want("FREQ?", "6E+09")

	if err := l.Inject("bench-9-generator", None); err == nil {
		t.Error("injected into an instrument that does not exist")
	}
	if err := l.Inject(name, "odd"); err == nil {
		t.Error("injected a fault that does not exist")
	}
}

func TestPointsThatAreNoNumbers(t *testing.T) {
	l, _ := startLab(t, nil)
	inject(t, l, "bench-1-analyzer", NotANumber)
	a := dial(t, l, "bench-1-analyzer")
	special, nan := 0, 0
	for _, v := range a.sweep(":FREQ:STAR 1 GHZ;STOP 2 GHZ;:SWE:POIN 1001") {
		if math.IsNaN(v) {
			nan++
		} else if v > 9e37 {
			special++
		}
	}
	if nan == 0 || special == 0 {
		t.Errorf("%d NaN and %d times 9.91E37 in the binary trace, want some of both", nan, special)
	}
	text := a.ask("FORM ASC;:TRAC? TRACE1")
	if !strings.Contains(text, "9.91E+37") || strings.Contains(text, "NaN") {
		t.Error("text trace without 9.91E37, or with NaN")
	}
	inject(t, l, "T4-0001", NotANumber)
	dial(t, l, "T4-0001").want("TEMP?", "9.91E+37")
}

// Two connections share one instrument: an abort on one ends the wait of the other.
func TestTwoConnections(t *testing.T) {
	l, _ := startLab(t, func(c *Config) { c.Speed = 0.01 })
	one, two := dial(t, l, "bench-1-analyzer"), dial(t, l, "bench-1-analyzer")
	one.do("INIT:CONT OFF;:INIT")
	one.send("*OPC?")
	two.want("ABOR;*OPC?", "1")
	if got := one.read(); got != "1" {
		t.Errorf("*OPC? after the abort: %q", got)
	}
}

// FuzzExecute sends arbitrary messages to the parser of the richest instrument.
// Whatever comes, it must not panic, and the error queue must stay readable.
func FuzzExecute(f *testing.F) {
	for _, seed := range []string{
		"*IDN?", "FREQ:STAR 1 GHZ;STOP 2e9;:BAND 1 KHZ", "INIT:CONT OFF;:ABOR;*OPC?", "TRAC? TRACE1", "FORM REAL,32;FORM?",
		"*ESE #HFF;*ESE?;*STB?", "SWE:EGAT ON;EGAT:LENG MIN;DEL? MAX", "STAT:QUES:ENAB -1;PTR 65535", "FREQ:SPAN 0;CENT 26.5e9;SPAN?",
	} {
		f.Add([]byte(seed))
	}
	c := Demo(1)
	w, err := newWorld(c, clock{time.Now(), 1}, &journal{w: io.Discard})
	if err != nil {
		f.Fatal(err)
	}
	a := newAnalyzer(w, w.benches["bench-1"], 1)
	f.Fuzz(func(t *testing.T, line []byte) {
		if strings.Contains(strings.ToUpper(string(line)), "INIT") {
			return // sweeps need a running lab
		}
		a.execute(line)
		a.settings.time() // settings stay such that a sweep could start
		if s := a.settings; s.start > s.stop || s.points < 2 || s.rbw <= 0 {
			t.Errorf("settings %+v", s)
		}
		if answer, _ := a.execute([]byte("SYST:ERR?")); answer == "" {
			t.Error("error queue does not answer")
		} else if _, err := scpi.ParseError(answer); err != nil {
			t.Error(err)
		}
	})
}

// FuzzParseConfig holds that whatever is read is either refused or a lab that
// could be built.
func FuzzParseConfig(f *testing.F) {
	f.Add([]byte(`{"seed":1,"builds":["1"],"benches":[{"name":"b","pads_db":[40]}]}`))
	f.Add([]byte(`{"units":[{"serial":"x"}]}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		c, err := ParseConfig(data)
		if err != nil {
			return
		}
		if _, err := newWorld(c, clock{time.Now(), 1}, &journal{w: io.Discard}); err != nil {
			t.Errorf("valid configuration: %v", err)
		}
	})
}
