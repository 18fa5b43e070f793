package sim

import (
	"encoding/binary"
	"net"

	"benchyard/instruments/scpi/hislip"
)

// attach makes a connection the asynchronous channel of a session and serves it.
func (h *hislipServer) attach(l *link, first hislip.Header) {
	h.mu.Lock()
	s := h.sessions[uint16(first.Parameter)]
	h.mu.Unlock()
	if s == nil || !s.join(l.conn) {
		fatal(l.conn, hislip.FatalInitialize, "no session of that number waits for its second channel")
		return
	}
	defer s.sync.conn.Close() // one channel does not live without the other
	if !transmit(l.conn, hislip.Header{Type: hislip.AsyncInitializeResponse, Parameter: hislipVendor}, nil) {
		return
	}
	gone := make(chan struct{})
	defer close(gone)
	s.device.owner.Go(func() { s.announce(gone) })
	s.device.mu.Lock()
	s.device.listeners[s] = s.lookLocked
	s.device.mu.Unlock()
	for {
		head, payload, err := receive(l.conn, nil)
		if !l.alive() {
			return
		}
		if err != nil {
			refuse(l.conn, err)
			return
		}
		if !s.control(head, payload) {
			return
		}
	}
}

// join takes the second channel; false when there is one.
func (s *hislipSession) join(conn net.Conn) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.async != nil {
		return false
	}
	s.async = conn
	return true
}

// control answers one message of the asynchronous channel.
func (s *hislipSession) control(head hislip.Header, payload []byte) bool {
	reply := hislip.Header{Type: hislip.Error, Control: hislip.ErrorType}
	text := []byte("no use for " + head.Type.String() + " here")
	switch head.Type {
	case hislip.AsyncMaximumMessageSize:
		if len(payload) == 8 {
			s.mu.Lock()
			s.largest = max(binary.BigEndian.Uint64(payload), 1)
			s.mu.Unlock()
		}
		reply, text = hislip.Header{Type: hislip.AsyncMaximumMessageSizeResponse}, largestPayload()
	case hislip.AsyncStatusQuery:
		reply, text = hislip.Header{Type: hislip.AsyncStatusResponse, Control: s.poll(head.Control)}, nil
	case hislip.AsyncDeviceClear:
		s.clear()
		reply, text = hislip.Header{Type: hislip.AsyncDeviceClearAcknowledge, Control: hislip.Synchronized}, nil
	case hislip.AsyncRemoteLocalControl:
		reply, text = hislip.Header{Type: hislip.AsyncRemoteLocalResponse}, nil
	case hislip.AsyncLockInfo: // locks are refused, so nobody holds one
		reply, text = hislip.Header{Type: hislip.AsyncLockInfoResponse}, nil
	case hislip.FatalError:
		return false
	case hislip.Error:
		return true
	}
	if s.device.mute() {
		return true
	}
	return s.tell(reply, text)
}

// tell sends a message on the asynchronous channel, if there is one.
func (s *hislipSession) tell(h hislip.Header, payload []byte) bool {
	s.mu.Lock()
	conn := s.async
	s.mu.Unlock()
	if conn == nil {
		return false
	}
	s.speaks.Lock()
	defer s.speaks.Unlock()
	return transmit(conn, h, payload)
}

// mute reports whether the instrument answers nothing at all now.
func (d *device) mute() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.fault == Silent
}

// clear begins a device clear: what the instrument waits for is given up, what it
// has not answered yet is forgotten.
func (s *hislipSession) clear() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.clearing {
		s.clearing = true
		close(s.stop)
	}
}

// poll is the serial poll: the status byte with "service requested" in bit 6,
// which polling takes back (488.2 11.2.2).
func (s *hislipSession) poll(control byte) byte {
	s.device.mu.Lock()
	defer s.device.mu.Unlock()
	s.mu.Lock()
	defer s.mu.Unlock()
	if control&hislip.RMTDelivered != 0 {
		s.unread = false
	}
	b := s.device.status.summary(s.unread) &^ statusMaster
	if s.request {
		b |= statusMaster
	}
	s.request = false
	return b
}

// look notices a change of the master summary.
func (s *hislipSession) look() {
	s.device.mu.Lock()
	defer s.device.mu.Unlock()
	s.lookLocked()
}

// lookLocked is look with the device's lock held. A master summary that rises
// requests service (488.2 11.3.3); it is announced by a goroutine of its own,
// since nobody may wait for a client here.
func (s *hislipSession) lookLocked() {
	s.mu.Lock()
	defer s.mu.Unlock()
	b := s.device.status.summary(s.unread)
	rose := b & statusMaster &^ s.summary
	s.summary = b & statusMaster
	if rose == 0 {
		return
	}
	s.request = true
	select {
	case <-s.requests: // the newest is enough
	default:
	}
	s.requests <- b
}

// announce sends service requests until the channel has gone.
func (s *hislipSession) announce(gone <-chan struct{}) {
	for {
		select {
		case b := <-s.requests:
			s.tell(hislip.Header{Type: hislip.AsyncServiceRequest, Control: b}, nil)
		case <-gone:
			return
		}
	}
}
