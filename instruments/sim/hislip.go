package sim

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"net"
	"strings"
	"sync"
	"time"

	"benchyard/instruments/scpi"
	"benchyard/instruments/scpi/hislip"
)

// Figures of the HiSLIP server.
const (
	hislipVersion  = 0x0100       // 1.0, without encryption
	hislipVendor   = 'B'<<8 | 'Y' // as the vendor of server and session numbers
	hislipLargest  = 1 << 20      // bytes of one message that are taken
	hislipSessions = 16           // clients at a time
	handshake      = 10 * time.Second
)

// hislipServer keeps the sessions of one device's HiSLIP port (IVI-6.1). A
// session is two connections: messages on the one, what must overtake them on
// the other. In synchronized mode the strict message exchange applies, since
// here the controller says what it has read.
type hislipServer struct {
	device   *device
	mu       sync.Mutex
	sessions map[uint16]*hislipSession
	last     uint16
}

// hislipSession is one client.
type hislipSession struct {
	device     *device
	id         uint16
	sync       *link
	x          exchange
	overlapped bool
	number     uint32 // of the next response in overlapped mode
	incoming   []byte // program message as far as it came
	began      bool   // part of a program message has come
	held       []byte // a message that the fault Stale keeps back

	mu       sync.Mutex    // guards what both channels use
	stop     chan struct{} // closed to end what the instrument waits for
	clearing bool          // between device clear and its end
	unread   bool          // a response was sent and not reported as delivered
	largest  uint64        // message the client takes
	async    net.Conn
	speaks   sync.Mutex // held for a write on async: a client that does not read must not hold mu
	summary  byte       // master summary bit when last looked at, 0 or 64
	request  bool       // service requested, not yet polled
	requests chan byte  // status bytes to announce, the newest only
}

func newHislipServer(d *device) *hislipServer {
	return &hislipServer{device: d, sessions: map[uint16]*hislipSession{}}
}

// talk serves one connection: the first message says which channel it is.
func (h *hislipServer) talk(l *link) {
	_ = l.conn.SetReadDeadline(time.Now().Add(handshake))
	first, payload, err := receive(l.conn, nil)
	if err != nil {
		refuse(l.conn, err)
		return
	}
	_ = l.conn.SetReadDeadline(time.Time{})
	switch first.Type {
	case hislip.Initialize:
		h.initialize(l, first, payload)
	case hislip.AsyncInitialize:
		h.attach(l, first)
	default:
		fatal(l.conn, hislip.FatalChannels, "the first message must be Initialize or AsyncInitialize")
	}
}

// receive reads one message.
func receive(conn net.Conn, into []byte) (hislip.Header, []byte, error) {
	head, err := hislip.ReadHeader(conn)
	if err != nil {
		return head, into, err
	}
	into, err = hislip.AppendPayload(into, conn, head, hislipLargest)
	return head, into, err
}

// transmit sends one message with one write.
func transmit(conn net.Conn, h hislip.Header, payload []byte) bool {
	_, err := conn.Write(hislip.AppendMessage(make([]byte, 0, hislip.HeaderSize+len(payload)), h, payload))
	return err == nil
}

func fatal(conn net.Conn, code byte, text string) {
	transmit(conn, hislip.Header{Type: hislip.FatalError, Control: code}, []byte(text))
}

// refuse says why nothing more can be read.
func refuse(conn net.Conn, err error) {
	if errors.Is(err, hislip.ErrHeader) {
		fatal(conn, hislip.FatalHeader, err.Error())
	} else if errors.Is(err, hislip.ErrTooLong) {
		transmit(conn, hislip.Header{Type: hislip.Error, Control: hislip.ErrorTooLarge}, []byte(err.Error()))
	}
}

// initialize opens a session and serves its synchronous channel.
func (h *hislipServer) initialize(l *link, first hislip.Header, address []byte) {
	if len(address) > 0 && !strings.EqualFold(string(address), "hislip0") {
		fatal(l.conn, hislip.FatalInitialize, fmt.Sprintf("no device %.20q here, want hislip0", address))
		return
	}
	s := h.open(l)
	if s == nil {
		fatal(l.conn, hislip.FatalClients, "other clients use the instrument")
		return
	}
	defer h.close(s)
	version := min(first.Parameter>>16, hislipVersion)
	if transmit(l.conn, hislip.Header{Type: hislip.InitializeResponse, Control: hislip.Synchronized, Parameter: version<<16 | uint32(s.id)}, nil) {
		s.serve()
	}
}

// open returns a new session, nil when there are enough.
func (h *hislipServer) open(l *link) *hislipSession {
	h.mu.Lock()
	defer h.mu.Unlock()
	most := hislipSessions
	if h.device.profile.OneClient {
		most = 1
	}
	if len(h.sessions) >= most {
		return nil
	}
	for h.last++; h.sessions[h.last] != nil; h.last++ {
	}
	s := &hislipSession{
		device: h.device, id: h.last, sync: l, number: hislip.FirstMessage, largest: hislipLargest,
		stop: make(chan struct{}), requests: make(chan byte, 1),
	}
	s.reset()
	h.sessions[s.id] = s
	return s
}

// close ends a session with both of its channels.
func (h *hislipServer) close(s *hislipSession) {
	h.mu.Lock()
	delete(h.sessions, s.id)
	h.mu.Unlock()
	s.device.mu.Lock()
	delete(s.device.listeners, s)
	s.device.mu.Unlock()
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.async != nil {
		s.async.Close()
	}
}

// reset is the state after initialization and after a device clear.
func (s *hislipSession) reset() {
	p := s.device.profile
	s.x = exchange{device: s.device, strict: !s.overlapped, input: p.InputBytes, output: p.OutputBytes, stop: s.stop}
	s.incoming, s.began, s.held, s.unread, s.number = nil, false, nil, false, hislip.FirstMessage
}

// serve reads the synchronous channel until it ends.
func (s *hislipSession) serve() {
	for {
		head, payload, err := receive(s.sync.conn, nil)
		if !s.sync.alive() {
			return
		}
		if err != nil {
			refuse(s.sync.conn, err)
			return
		}
		ok := true
		switch head.Type {
		case hislip.Data, hislip.DataEnd:
			ok = s.data(head, payload)
		case hislip.Trigger:
			ok = s.data(hislip.Header{Type: hislip.DataEnd, Control: head.Control, Parameter: head.Parameter}, []byte("*TRG"))
		case hislip.DeviceClearComplete:
			ok = s.cleared(head.Control)
		case hislip.FatalError:
			return
		case hislip.Error:
		default:
			ok = transmit(s.sync.conn, hislip.Header{Type: hislip.Error, Control: hislip.ErrorType}, []byte("no use for "+head.Type.String()+" here"))
		}
		if !ok {
			return
		}
	}
}

// data takes a piece of a program message, and executes it when it is complete.
func (s *hislipSession) data(head hislip.Header, payload []byte) bool {
	s.mu.Lock()
	clearing := s.clearing
	if head.Control&hislip.RMTDelivered != 0 {
		s.unread = false
		s.x.delivered()
	}
	s.mu.Unlock()
	if clearing {
		return true
	}
	first := !s.began
	s.began = head.Type != hislip.DataEnd
	if first && !s.overlapped && s.x.arrive() && !s.interrupted(head.Parameter) {
		return false
	}
	if len(s.incoming)+len(payload) > hislipLargest {
		s.device.fail(scpi.StandardError(-363, fmt.Sprintf("more than %d bytes", hislipLargest)))
		s.incoming = nil
		return true
	}
	s.incoming = append(s.incoming, payload...)
	if head.Type != hislip.DataEnd {
		return true
	}
	line := bytes.TrimSuffix(s.incoming, []byte("\n"))
	s.incoming = nil
	if s.overlapped {
		s.x.arrive()
	}
	s.device.heed(s.sync.conn.RemoteAddr().String())
	if !s.x.message(line) {
		return s.device.ctx.Err() == nil // a device clear ended the wait, the connection goes on
	}
	return s.respond(head.Parameter)
}

// interrupted tells the client on both channels that it asked something else
// before it had the answer.
func (s *hislipSession) interrupted(message uint32) bool {
	s.mu.Lock()
	s.unread, s.held = false, nil
	s.mu.Unlock()
	s.tell(hislip.Header{Type: hislip.AsyncInterrupted, Parameter: message}, nil)
	return transmit(s.sync.conn, hislip.Header{Type: hislip.Interrupted, Parameter: message}, nil)
}

// respond sends the response, if there is one, under the number of its message.
func (s *hislipSession) respond(message uint32) bool {
	held := s.held
	s.held = nil
	if !s.sync.write(held) {
		return false
	}
	if s.x.state != stateResponse {
		return true
	}
	text := s.x.response
	if s.overlapped {
		message, s.number = s.number, hislip.NextMessage(s.number)
		s.x.delivered()
	}
	s.mu.Lock()
	s.unread = true
	s.mu.Unlock()
	s.look()
	r := spoiled(s.device.takeFault(bytes.IndexByte(text, '#') >= 0), text)
	if r.held != nil {
		s.held = s.frames(nil, message, r.held, true)
		return true
	}
	whole := !r.cut && r.later == nil
	if len(r.now) > 0 && !s.sync.write(s.frames(nil, message, r.now, whole)) {
		return false
	}
	if r.after > 0 && !s.device.pause(r.after) {
		return false
	}
	return (len(r.later) == 0 || s.sync.write(s.frames(nil, message, r.later, true))) && !r.cut
}

// frames cuts a response into messages that the client takes.
func (s *hislipSession) frames(dst []byte, message uint32, text []byte, whole bool) []byte {
	s.mu.Lock()
	most := int(min(s.largest, hislipLargest))
	s.mu.Unlock()
	for len(text) > most {
		dst = hislip.AppendMessage(dst, hislip.Header{Type: hislip.Data, Parameter: message}, text[:most])
		text = text[most:]
	}
	kind := hislip.Data
	if whole {
		kind = hislip.DataEnd
	}
	return hislip.AppendMessage(dst, hislip.Header{Type: kind, Parameter: message}, text)
}

// cleared ends a device clear in the mode that the client wants.
func (s *hislipSession) cleared(mode byte) bool {
	s.mu.Lock()
	s.overlapped = mode&hislip.Overlapped != 0
	s.clearing, s.stop = false, make(chan struct{})
	s.reset()
	s.mu.Unlock()
	return transmit(s.sync.conn, hislip.Header{Type: hislip.DeviceClearAcknowledge, Control: mode & hislip.Overlapped}, nil)
}

// largestPayload is the payload of a message about sizes.
func largestPayload() []byte { return binary.BigEndian.AppendUint64(nil, hislipLargest) }
