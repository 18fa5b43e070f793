package scpitest

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net"
	"testing"
	"time"

	"benchyard/instruments/scpi"
	"benchyard/instruments/scpi/hislip"
)

// highSpeed is the instrument's end of a HiSLIP connection.
type highSpeed struct {
	largest uint64 // bytes of a message to the peer, header included
	mode    byte   // granted at the start and at every clear
	async   net.Conn
	asked   uint32 // number of the last message from the client
	sent    uint32 // number of the last message sent, in overlapped mode
}

// ServeHiSLIP is Serve over HiSLIP in synchronized mode: Accept takes both
// channels, Expect a whole message and Send a whole response.
func ServeHiSLIP(t testing.TB, steps ...Step) scpi.Resource {
	t.Helper()
	return serveHiSLIP(t, hislip.Synchronized, steps)
}

// ServeOverlapped is ServeHiSLIP with a server that grants overlapped mode.
func ServeOverlapped(t testing.TB, steps ...Step) scpi.Resource {
	t.Helper()
	return serveHiSLIP(t, hislip.Overlapped, steps)
}

func serveHiSLIP(t testing.TB, mode byte, steps []Step) scpi.Resource {
	// Short messages, so that long ones come in parts.
	begin := func(p *Peer) error {
		p.hislip = &highSpeed{largest: 100, mode: mode}
		return nil
	}
	r := Serve(t, append([]Step{begin}, steps...)...)
	r.HiSLIP = "hislip0"
	return r
}

// initialize takes the synchronous channel that was accepted, and the other one.
func (p *Peer) initialize() error {
	h := p.hislip
	if h.async != nil {
		h.async.Close()
	}
	h.asked, h.sent = hislip.FirstMessage-2, hislip.FirstMessage-2
	if _, _, err := p.frame(p.r, hislip.Initialize); err != nil {
		return err
	}
	const session = 7
	if err := Frame(hislip.Header{Type: hislip.InitializeResponse, Control: h.mode, Parameter: 0x0100<<16 | session}, "")(p); err != nil {
		return err
	}
	async, err := p.accept()
	if err != nil {
		return err
	}
	h.async = async
	joined, _, err := p.frame(async, hislip.AsyncInitialize)
	if err != nil || joined.Parameter != session {
		return fmt.Errorf("session %d joined: %w", joined.Parameter, err)
	}
	largest := binary.BigEndian.AppendUint64(nil, h.largest)
	return Steps(
		AsyncFrame(hislip.Header{Type: hislip.AsyncInitializeResponse}, ""),
		AsyncExpect(hislip.AsyncMaximumMessageSize),
		AsyncFrame(hislip.Header{Type: hislip.AsyncMaximumMessageSizeResponse}, string(largest)),
	)(p)
}

// frame reads one message of a type.
func (p *Peer) frame(r io.Reader, want ...hislip.MessageType) (hislip.Header, []byte, error) {
	h, err := hislip.ReadHeader(r)
	if err != nil {
		return h, nil, err
	}
	payload, err := hislip.AppendPayload(nil, r, h, 1<<20)
	if err != nil {
		return h, nil, err
	}
	for _, w := range want {
		if h.Type == w {
			return h, payload, nil
		}
	}
	return h, nil, fmt.Errorf("got %s, want %s", h.Type, want)
}

// readHiSLIP reads the parts of one program message.
func (p *Peer) readHiSLIP() (string, error) {
	var message []byte
	for {
		h, part, err := p.frame(p.r, hislip.Data, hislip.DataEnd)
		if err != nil {
			return string(message), err
		}
		if h.Parameter != hislip.NextMessage(p.hislip.asked) {
			return "", fmt.Errorf("message %#x follows %#x", h.Parameter, p.hislip.asked)
		}
		if n := uint64(hislip.HeaderSize + len(part)); n > p.hislip.largest {
			return "", fmt.Errorf("message of %d bytes, at most %d are taken", n, p.hislip.largest)
		}
		p.hislip.asked = h.Parameter
		message = append(message, part...)
		if h.Type == hislip.DataEnd {
			return string(message), nil
		}
	}
}

// sendHiSLIP sends a response in two parts.
func (p *Peer) sendHiSLIP(response string) error {
	number := func() uint32 { return p.hislip.asked }
	if p.hislip.mode == hislip.Overlapped {
		number = func() uint32 {
			p.hislip.sent = hislip.NextMessage(p.hislip.sent)
			return p.hislip.sent
		}
	}
	half := len(response) / 2
	return Steps(Frame(hislip.Header{Type: hislip.Data, Parameter: number()}, response[:half]),
		Frame(hislip.Header{Type: hislip.DataEnd, Parameter: number()}, response[half:]))(p)
}

// Frame sends one HiSLIP message on the synchronous channel.
func Frame(h hislip.Header, payload string) Step {
	return func(p *Peer) error {
		_, err := p.conn.Write(hislip.AppendMessage(nil, h, []byte(payload)))
		return err
	}
}

// Raw sends bytes on the synchronous channel that need be no message.
func Raw(bytes string) Step {
	return func(p *Peer) error {
		_, err := io.WriteString(p.conn, bytes)
		return err
	}
}

// Respond sends one Data or DataEnd message whose number lies as many messages
// behind the client's last as back says.
func Respond(t hislip.MessageType, back int, payload string) Step {
	return func(p *Peer) error {
		return Frame(hislip.Header{Type: t, Parameter: p.hislip.asked - uint32(2*back)}, payload)(p)
	}
}

// AsyncFrame sends one HiSLIP message on the asynchronous channel.
func AsyncFrame(h hislip.Header, payload string) Step {
	return func(p *Peer) error {
		_, err := p.hislip.async.Write(hislip.AppendMessage(nil, h, []byte(payload)))
		return err
	}
}

// AsyncExpect waits for one HiSLIP message on the asynchronous channel.
func AsyncExpect(want hislip.MessageType) Step {
	return func(p *Peer) error {
		if err := p.hislip.async.SetDeadline(time.Now().Add(patience)); err != nil {
			return err
		}
		_, _, err := p.frame(p.hislip.async, want)
		return err
	}
}

// Interrupt tells the client on both channels that its last message came before
// the response to the one before was read.
func Interrupt() Step {
	return func(p *Peer) error {
		return errors.Join(Frame(hislip.Header{Type: hislip.Interrupted, Parameter: p.hislip.asked}, "")(p),
			AsyncFrame(hislip.Header{Type: hislip.AsyncInterrupted, Parameter: p.hislip.asked}, "")(p))
	}
}

// DeviceClear plays a device clear. Responses in late, with the number of the
// last question, are on their way when it comes.
func DeviceClear(late ...string) Step {
	return func(p *Peer) error {
		if err := AsyncExpect(hislip.AsyncDeviceClear)(p); err != nil {
			return err
		}
		for _, response := range late {
			if err := p.sendHiSLIP(response); err != nil {
				return err
			}
		}
		if err := AsyncFrame(hislip.Header{Type: hislip.AsyncDeviceClearAcknowledge}, "")(p); err != nil {
			return err
		}
		if _, _, err := p.frame(p.r, hislip.DeviceClearComplete); err != nil {
			return err
		}
		p.hislip.asked, p.hislip.sent = hislip.FirstMessage-2, hislip.FirstMessage-2
		return Frame(hislip.Header{Type: hislip.DeviceClearAcknowledge, Control: p.hislip.mode}, "")(p)
	}
}

// Cleared answers a resynchronisation over HiSLIP: a device clear, the abort
// command if there is one, an empty error queue, and an echo.
func Cleared(abort string, late ...string) Step {
	return func(p *Peer) error {
		steps := []Step{DeviceClear(late...)}
		if abort != "" {
			steps = append(steps, Expect(abort))
		}
		steps = append(steps, Answer(":SYST:ERR?", NoError))
		return Steps(append(steps, func(p *Peer) error { return p.echo("", "", ";*ESE 0;*CLS") })...)(p)
	}
}
