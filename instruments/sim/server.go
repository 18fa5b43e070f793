package sim

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"os"
	"sync"
	"time"

	"benchyard/instruments/scpi"
)

// longestMessage bounds one program message, bytes.
const longestMessage = 64 << 10

// server answers one TCP port of a device, with talk for every connection.
type server struct {
	device   *device
	listener net.Listener
	talk     func(*link)
	mu       sync.Mutex
	open     map[net.Conn]bool // nil after close
}

// listen opens a port of a device; port 0 takes any free one.
func listen(d *device, address string, port int, talk func(*link)) (*server, error) {
	l, err := net.Listen("tcp", net.JoinHostPort(address, fmt.Sprint(port)))
	if err != nil {
		return nil, fmt.Errorf("sim: %s: %w; is another lab running on these ports?", d.name, err)
	}
	return &server{device: d, listener: l, talk: talk, open: map[net.Conn]bool{}}, nil
}

// port returns the TCP port in use.
func (s *server) port() int { return s.listener.Addr().(*net.TCPAddr).Port }

// serve accepts connections until the listener is closed. An instrument for one
// client leaves the others in the queue of the operating system, where they
// look connected.
func (s *server) serve(oneClient bool) {
	for {
		conn, err := s.listener.Accept()
		if err != nil {
			return
		}
		s.mu.Lock()
		if s.open == nil {
			s.mu.Unlock()
			conn.Close()
			return
		}
		s.open[conn] = true
		s.mu.Unlock()
		if oneClient {
			s.converse(conn)
			continue
		}
		s.device.owner.Go(func() { s.converse(conn) })
	}
}

// close stops accepting and cuts every connection.
func (s *server) close() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.listener.Close()
	for conn := range s.open {
		conn.Close()
	}
	s.open = nil
}

// cut closes every connection and goes on accepting.
func (s *server) cut() {
	s.mu.Lock()
	defer s.mu.Unlock()
	for conn := range s.open {
		conn.Close()
	}
}

// converse serves one connection.
func (s *server) converse(conn net.Conn) {
	d := s.device
	d.note("connect", "%s", conn.RemoteAddr())
	defer func() {
		conn.Close()
		s.mu.Lock()
		delete(s.open, conn)
		s.mu.Unlock()
		d.forget(conn.RemoteAddr().String())
		d.note("disconnect", "%s", conn.RemoteAddr())
	}()
	l := &link{device: d, conn: conn}
	if l.admitted() {
		s.talk(l)
	}
}

// link is one connection to a device, with the faults it suffers.
type link struct {
	device *device
	conn   net.Conn
	born   int // value of device.lost at the start
	held   []byte
}

// admitted lets a connection in, as the fault of the moment has it.
func (l *link) admitted() bool {
	d := l.device
	for {
		d.mu.Lock()
		f, calm := d.fault, d.calm
		l.born = d.lost
		d.mu.Unlock()
		switch f {
		case Refused:
			_ = l.conn.(*net.TCPConn).SetLinger(0) // closing then resets
			return false
		case Banner:
			return l.write([]byte("Welcome to " + d.name + ", type a command\r\n"))
		case Occupied:
			select {
			case <-calm:
				continue
			case <-d.ctx.Done():
				return false
			}
		}
		return true
	}
}

// alive reports whether the connection is still one. One that was left half open
// waits for the end of the lab, as its far end would for ever.
func (l *link) alive() bool {
	l.device.mu.Lock()
	dead := l.born < l.device.lost
	l.device.mu.Unlock()
	if dead {
		<-l.device.ctx.Done()
	}
	return !dead
}

// write sends bytes in one piece: instruments that send the terminator apart
// make their clients wait for an acknowledgement.
func (l *link) write(b []byte) bool {
	if len(b) == 0 {
		return true
	}
	_, err := l.conn.Write(b)
	return err == nil
}

// pause waits for wall time; false when the lab ends first.
func (d *device) pause(t time.Duration) bool {
	timer := time.NewTimer(t)
	defer timer.Stop()
	select {
	case <-timer.C:
		return true
	case <-d.ctx.Done():
		return false
	}
}

// answer sends an answer the way the fault of the moment has it; false when the
// connection is finished.
func (l *link) answer(text []byte) bool {
	if !l.write(l.held) {
		return false
	}
	l.held = nil
	if len(text) == 0 {
		return true
	}
	r := spoiled(l.device.takeFault(bytes.IndexByte(text, '#') >= 0), text)
	l.held = r.held
	if !l.write(r.now) {
		return false
	}
	if r.after > 0 && !l.device.pause(r.after) {
		return false
	}
	return l.write(r.later) && !r.cut
}

// socket is the raw socket of a device: program messages end with a line feed,
// responses are written when they are complete.
func socket(l *link) {
	d := l.device
	p := d.profile
	x := exchange{device: d, strict: p.Strict, input: p.InputBytes, output: p.OutputBytes}
	in := bufio.NewReaderSize(l.conn, 16<<10)
	if p.IdleSeconds > 0 {
		in = bufio.NewReaderSize(&impatient{l.conn, p.idle()}, 16<<10)
	}
	for {
		line, err := scpi.ReadMessage(in, orDefault(p.InputBytes, longestMessage))
		if !l.alive() {
			return
		}
		if err != nil && !errors.Is(err, os.ErrDeadlineExceeded) {
			if !l.recovered(in, line, err) {
				return
			}
			continue
		}
		if len(line) == 0 {
			continue
		}
		d.heed(l.conn.RemoteAddr().String())
		x.arrive()
		if !x.message(line) || !l.deliver(&x, in) {
			return
		}
	}
}

// deliver sends the response, unless a strict instrument is asked something else
// meanwhile.
func (l *link) deliver(x *exchange, in *bufio.Reader) bool {
	if x.state != stateResponse {
		return l.answer(nil)
	}
	if x.strict && in.Buffered() > 0 {
		x.arrive()
		return l.answer(nil)
	}
	return l.answer(x.take(math.MaxInt))
}

// recovered queues the error of a message that could not be read, and reports
// whether the next one can be found.
func (l *link) recovered(in *bufio.Reader, line []byte, err error) bool {
	var bad *scpi.Error
	switch {
	case errors.Is(err, scpi.ErrTooLong):
		l.device.fail(scpi.StandardError(-363, fmt.Sprintf("more than %d bytes", orDefault(l.device.profile.InputBytes, longestMessage))))
		return skipLine(in)
	case errors.As(err, &bad):
		l.device.fail(bad)
		return skipLine(in)
	case errors.Is(err, io.ErrUnexpectedEOF) && bytes.IndexByte(line, '#') >= 0:
		l.device.fail(scpi.StandardError(-161, "the connection ended inside a block"))
	}
	return false
}

// skipLine reads to the next line feed.
func skipLine(in *bufio.Reader) bool {
	for {
		if _, err := in.ReadSlice('\n'); err == nil {
			return true
		} else if !errors.Is(err, bufio.ErrBufferFull) {
			return false
		}
	}
}

// impatient is a connection whose reads end when nothing comes for a while.
type impatient struct {
	net.Conn
	idle time.Duration
}

// Read reads what is there, or returns os.ErrDeadlineExceeded.
func (c *impatient) Read(b []byte) (int, error) {
	if err := c.SetReadDeadline(time.Now().Add(c.idle)); err != nil {
		return 0, err
	}
	return c.Conn.Read(b)
}
