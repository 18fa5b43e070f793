package sim

import (
	"net"
	"strings"
	"testing"
	"time"

	"benchyard/instruments/scpi/hislip"
)

// longVectors are the vectors that take more than one message, time, or a
// profile of their own.
var longVectors = map[int]func(*testing.T){
	42: segmented, 43: endInsideBlock,
	56: masterSummary, 57: masterSummary,
	60: overflow, 66: completionQuery, 67: completionEvent, 68: waitToContinue, 69: abortConfirmed, 70: clearForgets,
	72: interruptedExchange, 73: unterminatedExchange, 74: deadlockedExchange, 75: endlessAnswer,
	76: resetLeavesStatus, 77: inputOverrun, 81: oneClientAtATime, 82: byteAtATime,
}

// cleared returns a client of a fresh instrument with clear status.
func cleared(t *testing.T, w WireConfig) (*testServer, *client) {
	s := serveTestInstrument(t, w)
	c := s.dial(t)
	c.want("*CLS;*OPC?", "1")
	return s, c
}

// 42: a block in two TCP segments is one block.
func segmented(t *testing.T) {
	_, c := cleared(t, WireConfig{})
	c.write("TEST:ARB? #15AB")
	c.silent(20 * time.Millisecond)
	c.write("CDE\n")
	c.want("", "#15ABCDE")
}

// 43: END inside a block (488.2 7.7.6). HiSLIP has END; on a socket its place is
// taken by the end of the connection.
func endInsideBlock(t *testing.T) {
	s, c := cleared(t, WireConfig{})
	h := dialHislip(t, s)
	h.program("TEST:ARB? #15AB", false)
	c.until("SYST:ERR:COUN?", "1")
	if left := errorNumbers(t, c.ask("SYST:ERR:ALL?")); left != "-161" {
		t.Errorf("END inside a block left %s, want -161", left)
	}
	other := s.dial(t)
	other.write("TEST:ARB? #15AB")
	if err := other.conn.(*net.TCPConn).CloseWrite(); err != nil {
		t.Fatal(err)
	}
	c.until("SYST:ERR:COUN?", "1")
	if left := errorNumbers(t, c.ask("SYST:ERR:ALL?")); left != "-161" {
		t.Errorf("a connection that ends inside a block left %s, want -161", left)
	}
}

// 56 and 57: 488.2 11.3 and 10.12.
func masterSummary(t *testing.T) {
	_, c := cleared(t, WireConfig{})
	c.send("*ESE 32;*SRE 32;*XYZ")
	c.want("*STB?", "100") // 64 master + 32 event + 4 queue
	c.want("*ESR?", "32")
	c.want("*STB?", "4")
}

// 60: a queue of 17 keeps the oldest 16 and says that it ran over (vol. 2, 21.8).
func overflow(t *testing.T) {
	_, c := cleared(t, WireConfig{})
	c.send(strings.Repeat("*XYZ;", 20))
	if left := errorNumbers(t, c.ask("SYST:ERR:ALL?")); left != strings.Repeat("-113 ", 16)+"-350" {
		t.Errorf("twenty errors left %s", left)
	}
	c.want("SYST:ERR?", fine)
}

// 66: *OPC? answers after the 200 ms (488.2 10.19).
func completionQuery(t *testing.T) {
	_, c := cleared(t, WireConfig{})
	began := time.Now()
	c.want("INIT;*OPC?", "1")
	if took := time.Since(began); took < 200*time.Millisecond {
		t.Errorf("*OPC? answered after %s", took)
	}
}

// 67: *OPC sets the event when the sweep has ended (488.2 10.18).
func completionEvent(t *testing.T) {
	_, c := cleared(t, WireConfig{})
	c.want("INIT;*OPC;*ESR?", "0")
	c.until("*ESR?", "1")
}

// 68: *WAI holds back what follows (488.2 10.39).
func waitToContinue(t *testing.T) {
	_, c := cleared(t, WireConfig{})
	began := time.Now()
	c.want("INIT;*WAI;:FETC?", "-1.05E+01")
	if took := time.Since(began); took < 200*time.Millisecond {
		t.Errorf("*WAI let the query pass after %s", took)
	}
}

// 69: ABORt leads to idle at once (vol. 2, TRIGger).
func abortConfirmed(t *testing.T) {
	s, c := cleared(t, WireConfig{})
	s.fault(Endless)
	c.want("INIT;:INIT:CONT OFF;:ABOR;*OPC?", "1")
}

// 70: *CLS forgets *OPC (488.2 10.3).
func clearForgets(t *testing.T) {
	_, c := cleared(t, WireConfig{})
	c.want("INIT;*OPC;*CLS;*WAI;*ESR?", "0")
}

// 72: an answer that nobody fetched is lost (488.2 6.3.2.3).
func interruptedExchange(t *testing.T) {
	s := serveTestInstrument(t, WireConfig{})
	x := exchange{device: s.device, strict: true}
	s.clear(t)
	x.message([]byte("*ESE 3;*ESE?"))
	x.message([]byte("*SRE?"))
	if got := string(x.take(100)); got != "0" {
		t.Errorf("answer %q, want that of the second message", got)
	}
	s.wantErrors(t, "-410")
	x.message([]byte("*ESE?;*SRE?"))
	x.take(1)
	x.message([]byte("*OPC?")) // after a part was read too
	if got := string(x.take(100)); got != "1" {
		t.Errorf("answer %q after half of one was read", got)
	}
	s.wantErrors(t, "-410")
	_, c := cleared(t, WireConfig{Strict: true}) // both messages in one segment
	c.want("*ESE 3;*ESE?\n*SRE?", "0")
	c.want("SYST:ERR:ALL?", `-410,"Query INTERRUPTED"`)
}

// 73: reading where nothing was asked (488.2 6.3.2.2). No transport over TCP
// shows the instrument that somebody reads, so this is the exchange itself.
func unterminatedExchange(t *testing.T) {
	s := serveTestInstrument(t, WireConfig{})
	s.clear(t)
	x := exchange{device: s.device, strict: true}
	if got := x.take(100); got != nil {
		t.Errorf("answer %q to nothing", got)
	}
	s.wantErrors(t, "-420")
	x.message([]byte("*ESE 1"))
	x.take(100)
	s.wantErrors(t, "-420")
	x.message([]byte("*ESE?"))
	x.take(100)
	x.take(100) // once too often
	s.wantErrors(t, "-420")
}

// 74: neither the input buffer nor the output queue has room (488.2 6.3.1.7).
func deadlockedExchange(t *testing.T) {
	s, c := cleared(t, WireConfig{InputBytes: 40, OutputBytes: 50})
	flood := strings.Repeat("*ESE?;", 100) + "*SRE 8"
	x := exchange{device: s.device, strict: true, input: 40, output: 50}
	if !x.message([]byte(flood)) {
		t.Fatal("ended")
	}
	if got := x.take(1000); got != nil {
		t.Errorf("answer %q after a deadlock", got)
	}
	s.wantErrors(t, "-430 -420")
	c.want("*SRE?", "8") // parsing went on
	x.message([]byte("*SRE?"))
	if got := string(x.take(100)); got != "8" {
		t.Errorf("answer %q after the deadlock", got)
	}
	h := dialHislip(t, s)
	h.program(flood, true)
	h.ask("SYST:ERR?;ERR?", `-430,"Query DEADLOCKED";`+fine)
}

// 75: a query behind an answer without an end (488.2 6.5.7.5).
func endlessAnswer(t *testing.T) {
	_, c := cleared(t, WireConfig{Strict: true})
	c.want("*IDN?;*ESE?", "Benchyard,Fixture,T-1,1.0")
	if left := errorNumbers(t, c.ask("SYST:ERR:ALL?")); left != "-440" {
		t.Errorf("left %s, want -440", left)
	}
}

// 76: *RST touches neither masks nor the error queue (488.2 10.32).
func resetLeavesStatus(t *testing.T) {
	_, c := cleared(t, WireConfig{})
	c.want("*ESE 32;*XYZ;*RST;*ESE?;SYST:ERR:COUN?", "32;1")
}

// 77: 300 characters into a buffer of 256 (vol. 2, 21.8 -363).
func inputOverrun(t *testing.T) {
	s, c := cleared(t, WireConfig{InputBytes: 256})
	c.write(strings.Repeat("A", 300))
	other := s.dial(t)
	other.until("SYST:ERR:COUN?", "1")
	c.write("\n")
	if left := errorNumbers(t, c.ask("SYST:ERR:ALL?")); left != "-363" {
		t.Errorf("left %s, want -363", left)
	}
	c.want("*OPC?", "1")
}

// 81: the second client is connected, but not served before the first has gone.
func oneClientAtATime(t *testing.T) {
	s := serveTestInstrument(t, WireConfig{OneClient: true})
	first, second := s.dial(t), s.dial(t)
	first.want("*OPC?", "1")
	second.send("*OPC?")
	second.silent(50 * time.Millisecond)
	first.conn.Close()
	if got := second.read(); got != "1" {
		t.Errorf("second client got %q", got)
	}
	h := dialHislip(t, s)
	if kind := fatalCode(t, s); kind != hislip.FatalClients {
		t.Errorf("second HiSLIP client got fatal error %d, want %d", kind, hislip.FatalClients)
	}
	h.ask("*OPC?", "1")
}

// 82: vectors 19 to 23 one byte at a time.
func byteAtATime(t *testing.T) {
	for _, v := range vectors {
		if v.number < 19 || v.number > 23 || v.want == "" {
			continue
		}
		_, c := cleared(t, WireConfig{})
		want := c.ask(v.message)
		for _, b := range []byte(v.message + "\n") {
			c.write(string(b))
		}
		c.want("", want)
	}
}

// The message without terminator is executed when nothing more comes.
func TestIdleExecution(t *testing.T) {
	t.Parallel()
	_, c := cleared(t, WireConfig{IdleSeconds: 0.05})
	c.write("*ESE 5;*ESE?")
	c.want("", "5") // want sends the rest of the line: an empty message by then
	if got := c.ask("*SRE?"); got != "0" {
		t.Errorf("next answer %q", got)
	}
}
