package sim

import (
	"bufio"
	"errors"
	"fmt"
	"net"
	"sync"

	"benchyard/instruments/scpi"
)

// Limits of one program message, bytes.
const longestMessage = 64 << 10

// server answers one device's TCP port.
type server struct {
	device   *device
	listener net.Listener
	mu       sync.Mutex
	open     map[net.Conn]bool // nil after close
}

// listen opens the port of a device; port 0 takes any free one.
func listen(d *device, address string, port int) (*server, error) {
	l, err := net.Listen("tcp", net.JoinHostPort(address, fmt.Sprint(port)))
	if err != nil {
		return nil, fmt.Errorf("sim: %s: %w; is another lab running on these ports?", d.name, err)
	}
	return &server{device: d, listener: l, open: map[net.Conn]bool{}}, nil
}

// port returns the TCP port in use.
func (s *server) port() int { return s.listener.Addr().(*net.TCPAddr).Port }

// serve accepts connections until the listener is closed.
func (s *server) serve() {
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

// converse serves one connection.
func (s *server) converse(conn net.Conn) {
	d := s.device
	d.note("connect", "%s", conn.RemoteAddr())
	defer func() {
		conn.Close()
		s.mu.Lock()
		delete(s.open, conn)
		s.mu.Unlock()
		d.note("disconnect", "%s", conn.RemoteAddr())
	}()
	in := bufio.NewReader(conn)
	w := wire{device: d, conn: conn}
	for {
		line, err := scpi.ReadMessage(in, longestMessage)
		switch {
		case errors.Is(err, scpi.ErrTooLong):
			d.fail(scpi.StandardError(-363, fmt.Sprintf("more than %d bytes", longestMessage)))
			if !skipLine(in) {
				return
			}
			continue
		case err != nil:
			var bad *scpi.Error
			if errors.As(err, &bad) {
				d.fail(bad)
			}
			return
		}
		if !w.message(line) {
			return
		}
	}
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

// message executes one program message and sends the answer; false when the
// connection is finished.
func (w *wire) message(line []byte) bool {
	if !w.flush() {
		return false
	}
	answer, ok := w.device.execute(line)
	if !ok {
		return false
	}
	return answer == "" || w.send(answer)
}
