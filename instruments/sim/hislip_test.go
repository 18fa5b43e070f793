package sim

import (
	"encoding/binary"
	"fmt"
	"net"
	"testing"
	"time"

	"benchyard/instruments/scpi/hislip"
)

// hislipClient speaks HiSLIP frame by frame, so that tests can do what a client
// of good manners does not.
type hislipClient struct {
	t           testing.TB
	sync, async net.Conn
	number      uint32 // of the next message
	last        uint32 // of the one before
}

func connectHislip(t testing.TB, s *testServer) net.Conn {
	t.Helper()
	conn, err := net.Dial("tcp", fmt.Sprintf("127.0.0.1:%d", s.hislip.port()))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return conn
}

func dialHislip(t testing.TB, s *testServer) *hislipClient {
	t.Helper()
	h := &hislipClient{t: t, sync: connectHislip(t, s), number: hislip.FirstMessage}
	h.put(h.sync, hislip.Header{Type: hislip.Initialize, Parameter: 0x0100<<16 | 'X'<<8 | 'X'}, "hislip0")
	answer, _ := h.get(h.sync, hislip.InitializeResponse)
	h.async = connectHislip(t, s)
	h.put(h.async, hislip.Header{Type: hislip.AsyncInitialize, Parameter: answer.Parameter & 0xFFFF}, "")
	h.get(h.async, hislip.AsyncInitializeResponse)
	return h
}

// fatalCode opens a connection that must be refused, and returns the code.
func fatalCode(t testing.TB, s *testServer) byte {
	t.Helper()
	h := &hislipClient{t: t}
	conn := connectHislip(t, s)
	h.put(conn, hislip.Header{Type: hislip.Initialize, Parameter: 0x0100 << 16}, "hislip0")
	answer, _ := h.get(conn, hislip.FatalError)
	return answer.Control
}

func (h *hislipClient) put(conn net.Conn, head hislip.Header, payload string) {
	h.t.Helper()
	if _, err := conn.Write(hislip.AppendMessage(nil, head, []byte(payload))); err != nil {
		h.t.Fatal(err)
	}
}

// get reads one message, which must be of that type.
func (h *hislipClient) get(conn net.Conn, want hislip.MessageType) (hislip.Header, string) {
	h.t.Helper()
	conn.SetReadDeadline(time.Now().Add(10 * time.Second))
	head, payload, err := receive(conn, nil)
	if err != nil || head.Type != want {
		h.t.Fatalf("%s with %q, %v; want %s", head.Type, payload, err, want)
	}
	return head, string(payload)
}

// program sends a program message; delivered says that the last answer was read.
func (h *hislipClient) program(message string, delivered bool) {
	h.t.Helper()
	control := byte(0)
	if delivered {
		control = hislip.RMTDelivered
	}
	h.put(h.sync, hislip.Header{Type: hislip.DataEnd, Control: control, Parameter: h.number}, message)
	h.last, h.number = h.number, hislip.NextMessage(h.number)
}

// answer reads the response to the last message.
func (h *hislipClient) answer(want string) {
	h.t.Helper()
	head, got := h.get(h.sync, hislip.DataEnd)
	if got != want+"\n" || head.Parameter != h.last {
		h.t.Errorf("message %#x answered %q, want %q to %#x", head.Parameter, got, want, h.last)
	}
}

func (h *hislipClient) ask(message, want string) {
	h.t.Helper()
	h.program(message, true)
	h.answer(want)
}

// poll asks for the status byte.
func (h *hislipClient) poll(delivered bool) byte {
	h.t.Helper()
	control := byte(0)
	if delivered {
		control = hislip.RMTDelivered
	}
	h.put(h.async, hislip.Header{Type: hislip.AsyncStatusQuery, Control: control, Parameter: h.last}, "")
	head, _ := h.get(h.async, hislip.AsyncStatusResponse)
	return head.Control
}

// deviceClear clears the connection and asks for a mode.
func (h *hislipClient) deviceClear(mode byte) {
	h.t.Helper()
	h.put(h.async, hislip.Header{Type: hislip.AsyncDeviceClear}, "")
	h.get(h.async, hislip.AsyncDeviceClearAcknowledge)
	h.put(h.sync, hislip.Header{Type: hislip.DeviceClearComplete, Control: mode}, "")
	for {
		h.sync.SetReadDeadline(time.Now().Add(10 * time.Second))
		head, _, err := receive(h.sync, nil)
		if err != nil {
			h.t.Fatal(err)
		}
		if head.Type == hislip.DeviceClearAcknowledge {
			if head.Control != mode {
				h.t.Errorf("mode %d granted, want %d", head.Control, mode)
			}
			break
		}
	}
	h.number = hislip.FirstMessage
}

func TestHislipExchange(t *testing.T) {
	t.Parallel()
	s, c := cleared(t, WireConfig{})
	h := dialHislip(t, s)
	h.put(h.async, hislip.Header{Type: hislip.AsyncMaximumMessageSize}, string(binary.BigEndian.AppendUint64(nil, 8)))
	if _, size := h.get(h.async, hislip.AsyncMaximumMessageSizeResponse); len(size) != 8 {
		t.Errorf("size of messages %q", size)
	}
	h.put(h.sync, hislip.Header{Type: hislip.Data, Parameter: h.number}, "TEST:ARB? #2") // in two pieces
	h.number = hislip.NextMessage(h.number)
	h.program("10abcdefghij\n", false)
	_, first := h.get(h.sync, hislip.Data) // the answer too: eight bytes each
	_, rest := h.get(h.sync, hislip.DataEnd)
	if first+rest != "#210abcdefghij\n" {
		t.Errorf("answer %q", first+rest)
	}
	h.put(h.async, hislip.Header{Type: hislip.AsyncMaximumMessageSize}, string(binary.BigEndian.AppendUint64(nil, 1<<20)))
	h.get(h.async, hislip.AsyncMaximumMessageSizeResponse)

	h.program("*ESE 3;*ESE?", true) // 488.2 6.3.2.3
	h.answer("3")
	h.program("*SRE?", false)
	interrupted, _ := h.get(h.sync, hislip.Interrupted)
	h.get(h.async, hislip.AsyncInterrupted)
	if interrupted.Parameter != h.last {
		t.Errorf("interrupted by %#x, want %#x", interrupted.Parameter, h.last)
	}
	h.answer("0")
	c.want("SYST:ERR:ALL?", `-410,"Query INTERRUPTED"`)

	h.put(h.sync, hislip.Header{Type: hislip.Trigger, Control: hislip.RMTDelivered, Parameter: h.number}, "")
	h.number = hislip.NextMessage(h.number)
	h.program("SYST:ERR?", false)
	h.answer(`-211,"Trigger ignored;nothing waits for a trigger"`)
	h.put(h.sync, hislip.Header{Type: hislip.AsyncLock}, "")
	if head, _ := h.get(h.sync, hislip.Error); head.Control != hislip.ErrorType {
		t.Errorf("error code %d for a message of the other channel", head.Control)
	}
	h.ask("*OPC?", "1")
}

// A device clear ends a wait that would last for ever, and what was not answered
// is forgotten.
func TestHislipDeviceClear(t *testing.T) {
	t.Parallel()
	s, c := cleared(t, WireConfig{})
	s.fault(Endless)
	h := dialHislip(t, s)
	h.program("INIT;*OPC?", false)
	c.until("STAT:OPER:COND?", "16")
	h.deviceClear(hislip.Synchronized)
	h.program("*ESE?", false)
	h.answer("0")
	h.deviceClear(hislip.Overlapped)
	h.program("*ESE 1;*ESE?", false) // two questions at a time, numbered by the server
	h.program("*ESE 2;*ESE?", false)
	for i, want := range []string{"1\n", "2\n"} {
		head, got := h.get(h.sync, hislip.DataEnd)
		if got != want || head.Parameter != hislip.FirstMessage+2*uint32(i) {
			t.Errorf("answer %d is %q under %#x, want %q", i, got, head.Parameter, want)
		}
	}
	c.want("SYST:ERR?", fine)
}

// Status byte and service request travel beside the messages (488.2 11.2).
func TestHislipService(t *testing.T) {
	t.Parallel()
	s, c := cleared(t, WireConfig{})
	h := dialHislip(t, s)
	h.ask("*ESE?", "0")
	if b := h.poll(false); b != statusAnswer {
		t.Errorf("status %d with an answer not reported as read, want 16", b)
	}
	if b := h.poll(true); b != 0 {
		t.Errorf("status %d, want 0", b)
	}
	h.program("*ESE 32;*SRE 32;*XYZ", true)
	request, _ := h.get(h.async, hislip.AsyncServiceRequest)
	if want := byte(statusMaster | statusEvents | statusErrors); request.Control != want {
		t.Errorf("service requested with status %d, want %d", request.Control, want)
	}
	if b := h.poll(true); b != statusMaster|statusEvents|statusErrors {
		t.Errorf("polled %d", b)
	}
	if b := h.poll(true); b != statusEvents|statusErrors {
		t.Errorf("polled %d the second time, want the request taken back", b)
	}
	c.send("*CLS") // on another connection: status is the instrument's
	c.want("*OPC?", "1")
	if b := h.poll(true); b != 0 {
		t.Errorf("status %d after *CLS", b)
	}
	h.program("*SRE 1;*ESE 1;*SRE 32;INIT;*OPC", true)
	h.get(h.async, hislip.AsyncServiceRequest) // when the sweep has ended
}

func TestHislipRefusals(t *testing.T) {
	t.Parallel()
	s := serveTestInstrument(t, WireConfig{})
	for name, c := range map[string]struct {
		head    hislip.Header
		address string
		code    byte
	}{
		"data first":      {hislip.Header{Type: hislip.DataEnd}, "*IDN?", hislip.FatalChannels},
		"no such session": {hislip.Header{Type: hislip.AsyncInitialize, Parameter: 77}, "", hislip.FatalInitialize},
		"no such device":  {hislip.Header{Type: hislip.Initialize}, "hislip7", hislip.FatalInitialize},
	} {
		h := &hislipClient{t: t}
		conn := connectHislip(t, s)
		h.put(conn, c.head, c.address)
		if head, text := h.get(conn, hislip.FatalError); head.Control != c.code || text == "" {
			t.Errorf("%s: fatal error %d %q, want %d", name, head.Control, text, c.code)
		}
	}
	conn := connectHislip(t, s)
	if _, err := conn.Write([]byte("GET / HTTP/1.1\r\n\r\n")); err != nil {
		t.Fatal(err)
	}
	h := &hislipClient{t: t}
	if head, _ := h.get(conn, hislip.FatalError); head.Control != hislip.FatalHeader {
		t.Errorf("fatal error %d, want %d", head.Control, hislip.FatalHeader)
	}
}
