package scpi_test

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"io"
	"net"
	"sync"
	"time"

	"benchyard/instruments/scpi"
	"benchyard/instruments/scpi/hislip"
)

// unreliableLine is one HiSLIP connection of an unreliable instrument.
type unreliableLine struct {
	*unreliable
	granted     byte // mode the server grants at most
	sync, async net.Conn
	mode        byte // in force
	number      uint32
	held        []byte // messages kept back until the next response
	owner       sync.WaitGroup
}

// serveHiSLIP serves one client at a time: whoever opens a session ends the one before.
func (u *unreliable) serveHiSLIP(listener net.Listener, granted byte) {
	var now *unreliableLine
	end := func() {
		if now != nil {
			now.close()
			now.owner.Wait()
		}
	}
	defer end()
	for {
		conn, err := listener.Accept()
		if err != nil {
			return
		}
		_ = conn.SetDeadline(time.Now().Add(5 * time.Second)) // of the greeting; fails only on a closed connection
		h, err := hislip.ReadHeader(conn)
		if err == nil {
			_, err = hislip.AppendPayload(nil, conn, h, 100)
		}
		_ = conn.SetDeadline(time.Time{})
		switch {
		case err == nil && h.Type == hislip.Initialize:
			end()
			u.calm = !u.calm
			now = &unreliableLine{unreliable: u, granted: granted, mode: granted, sync: conn, number: hislip.FirstMessage - 2}
			tell(conn, hislip.Header{Type: hislip.InitializeResponse, Control: granted, Parameter: 0x0100<<16 | 1}, nil)
		case err == nil && h.Type == hislip.AsyncInitialize && now != nil && now.async == nil:
			now.async = conn
			tell(conn, hislip.Header{Type: hislip.AsyncInitializeResponse}, nil)
			now.owner.Go(now.listen)
			now.owner.Go(now.converse)
		default:
			conn.Close()
		}
	}
}

func tell(w io.Writer, h hislip.Header, payload []byte) {
	_, _ = w.Write(hislip.AppendMessage(nil, h, payload)) // a client that is gone is noticed by the next read
}

func (l *unreliableLine) close() {
	l.sync.Close()
	if l.async != nil {
		l.async.Close()
	}
}

// listen serves the asynchronous channel.
func (l *unreliableLine) listen() {
	for r := bufio.NewReader(l.async); ; {
		h, err := hislip.ReadHeader(r)
		if err == nil {
			_, err = hislip.AppendPayload(nil, r, h, 100)
		}
		if err != nil {
			return
		}
		switch h.Type {
		case hislip.AsyncMaximumMessageSize:
			tell(l.async, hislip.Header{Type: hislip.AsyncMaximumMessageSizeResponse}, binary.BigEndian.AppendUint64(nil, 256))
		case hislip.AsyncDeviceClear:
			tell(l.async, hislip.Header{Type: hislip.AsyncDeviceClearAcknowledge, Control: l.granted}, nil)
		case hislip.AsyncStatusQuery:
			tell(l.async, hislip.Header{Type: hislip.AsyncStatusResponse}, nil)
		}
	}
}

// converse serves the synchronous channel until it is lost, or a fault ends it.
func (l *unreliableLine) converse() {
	defer l.close()
	var message []byte
	for r := bufio.NewReader(l.sync); ; {
		h, err := hislip.ReadHeader(r)
		if err != nil {
			return
		}
		part, err := hislip.AppendPayload(nil, r, h, 1000)
		if err != nil {
			return
		}
		switch h.Type {
		case hislip.DeviceClearComplete:
			l.mode = l.granted & h.Control
			message, l.held, l.number = nil, nil, hislip.FirstMessage-2
			tell(l.sync, hislip.Header{Type: hislip.DeviceClearAcknowledge, Control: l.mode}, nil)
		case hislip.Data, hislip.DataEnd:
			message = append(message, part...)
			if l.mode == hislip.Synchronized {
				l.number = h.Parameter
			}
			if h.Type == hislip.Data {
				continue
			}
			units, err := scpi.ParseMessage(bytes.TrimSuffix(message, []byte("\n")))
			if message = nil; err != nil || !l.respond(l.carryOut(units)) {
				return
			}
		}
	}
}

// part makes one message of a response; with END in overlapped mode the next one gets
// the next number.
func (l *unreliableLine) part(t hislip.MessageType, payload string) []byte {
	if l.mode == hislip.Overlapped {
		l.number = hislip.NextMessage(l.number)
	}
	return hislip.AppendMessage(nil, hislip.Header{Type: t, Parameter: l.number}, []byte(payload))
}

// respond sends an answer well or badly, and reports whether to go on.
func (l *unreliableLine) respond(answer string) bool {
	if answer == "" {
		return true
	}
	half := l.random.IntN(len(answer))
	what := l.fault(40)
	whole := l.part(hislip.DataEnd, answer+"\n")
	out := append(l.held, whole...)
	l.held = nil
	switch what {
	case 0, 1: // late, before the next response
		l.held = out
		return true
	case 2: // twice
		out = append(out, whole...)
	case 3: // never
		return true
	case 4: // without its end
		out = l.part(hislip.Data, answer[:half])
	case 5: // in two parts, one of them late
		out, l.held = l.part(hislip.Data, answer[:half]), l.part(hislip.DataEnd, answer[half:])
	case 6: // much too late
		time.Sleep(time.Duration(l.random.IntN(80)) * time.Millisecond)
	case 7: // a block that says it is longer, shorter, giant, nonsense
		out = l.part(hislip.DataEnd, []string{"#3900", "#12", "#9999999999", "#2x"}[l.random.IntN(4)]+answer)
	case 8: // something else
		out = l.part(hislip.DataEnd, []string{"9.91E37", "nan", "1,5", "", `"a`, "\xe9\x00", ";", "1;1;1;1;1"}[l.random.IntN(8)])
	case 9: // longer than anything
		out = hislip.AppendHeader(nil, hislip.Header{Type: hislip.Data, Parameter: l.number, Length: 1 << 40})
	case 10: // one message behind
		out = hislip.AppendMessage(nil, hislip.Header{Type: hislip.DataEnd, Parameter: l.number - 2}, []byte(answer))
	case 11: // no HiSLIP
		out = []byte("HTTP/1.1 400 Bad Request\r\n\r\n")
	case 12: // interrupted, as both channels say
		tell(l.async, hislip.Header{Type: hislip.AsyncInterrupted, Parameter: l.number}, nil)
		out = hislip.AppendHeader(nil, hislip.Header{Type: hislip.Interrupted, Parameter: l.number})
	case 13: // as one of them says
		out = hislip.AppendHeader(nil, hislip.Header{Type: hislip.Interrupted, Parameter: l.number})
	case 14:
		tell(l.async, hislip.Header{Type: hislip.AsyncInterrupted, Parameter: l.number}, nil)
	case 15, 16:
		out = hislip.AppendMessage(nil, hislip.Header{Type: hislip.FatalError + hislip.MessageType(what-15), Control: 4}, []byte("no"))
	case 17: // the end of one channel, or of both
		l.async.Close()
	case 18:
		return false
	case 19: // a part whose number its end tells
		out = append(hislip.AppendMessage(nil, hislip.Header{Type: hislip.Data, Parameter: hislip.AnyMessage}, []byte(answer[:half])),
			l.part(hislip.DataEnd, answer[half:])...)
	}
	_, err := l.sync.Write(out)
	return err == nil
}
