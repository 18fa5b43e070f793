package hislip

import (
	"context"
	"encoding/binary"
	"errors"
	"io"
	"net"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// server is the far end of both channels, in memory.
type server struct{ sync, async net.Conn }

// serve returns a dial function for Conn, and a server that shakes hands.
func serve(shake func(s *server) error) (dial func(context.Context) (net.Conn, error), ready chan error, s *server) {
	s, ready = &server{}, make(chan error, 1)
	near := make([]net.Conn, 2)
	near[0], s.sync = net.Pipe()
	near[1], s.async = net.Pipe()
	go func() { ready <- shake(s) }()
	return func(context.Context) (net.Conn, error) {
		conn := near[0]
		near = near[1:]
		return conn, nil
	}, ready, s
}

// take reads one message of a channel.
func take(conn net.Conn) (Header, string, error) {
	h, err := ReadHeader(conn)
	if err != nil {
		return h, "", err
	}
	payload, err := AppendPayload(nil, conn, h, 1<<20)
	return h, string(payload), err
}

func give(conn net.Conn, h Header, payload []byte) error {
	_, err := conn.Write(AppendMessage(nil, h, payload))
	return err
}

// handshake is that of a server that takes messages of the size given.
func handshake(size uint64) func(s *server) error { return handshakeIn(Synchronized, size) }

func handshakeIn(mode byte, size uint64) func(s *server) error {
	return func(s *server) error {
		if _, _, err := take(s.sync); err != nil {
			return err
		}
		if err := give(s.sync, Header{Type: InitializeResponse, Control: mode, Parameter: version<<16 | 5}, nil); err != nil {
			return err
		}
		if _, _, err := take(s.async); err != nil {
			return err
		}
		if err := give(s.async, Header{Type: AsyncInitializeResponse}, nil); err != nil {
			return err
		}
		if _, _, err := take(s.async); err != nil {
			return err
		}
		return give(s.async, Header{Type: AsyncMaximumMessageSizeResponse}, binary.BigEndian.AppendUint64(nil, size))
	}
}

// What stands on the wire is that of IVI-6.1 as two open implementations have it:
// version 1.0 and sub-address, session number, message numbers from 0xFFFFFF00 on
// by two, the flag that a response was delivered on the message after it.
func TestWhatStandsOnTheWire(t *testing.T) {
	seen := make(chan error, 1)
	check := func(conn net.Conn, want Header, payload string) error {
		h, got, err := take(conn)
		want.Length = uint64(len(payload))
		if err == nil && (h != want || got != payload) {
			t.Errorf("got %+v %q, want %+v %q", h, got, want, payload)
		}
		return err
	}
	dial, ready, s := serve(func(s *server) error {
		return errors.Join(
			check(s.sync, Header{Type: Initialize, Parameter: 0x01000000}, "hislip0"),
			give(s.sync, Header{Type: InitializeResponse, Parameter: 0x01000005}, nil),
			check(s.async, Header{Type: AsyncInitialize, Parameter: 5}, ""),
			give(s.async, Header{Type: AsyncInitializeResponse}, nil),
			check(s.async, Header{Type: AsyncMaximumMessageSize}, "\x00\x00\x00\x00\x00\x10\x00\x00"),
			give(s.async, Header{Type: AsyncMaximumMessageSizeResponse}, binary.BigEndian.AppendUint64(nil, 64)))
	})
	c, err := Dial(t.Context(), dial, Config{})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if err := <-ready; err != nil {
		t.Fatal(err)
	}
	long := strings.Repeat("a", 100) // 48 fit one message of 64
	go func() {
		seen <- errors.Join(
			check(s.sync, Header{Type: DataEnd, Parameter: 0xFFFFFF00}, "*IDN?\n"),
			give(s.sync, Header{Type: DataEnd, Parameter: 0xFFFFFF00}, []byte("x\n")),
			check(s.sync, Header{Type: Data, Control: 1, Parameter: 0xFFFFFF02}, long[:48]),
			check(s.sync, Header{Type: Data, Parameter: 0xFFFFFF04}, long[:48]),
			check(s.sync, Header{Type: DataEnd, Parameter: 0xFFFFFF06}, long[:4]),
			check(s.async, Header{Type: AsyncStatusQuery, Parameter: 0xFFFFFF06}, ""),
			give(s.async, Header{Type: AsyncStatusResponse, Control: 4}, nil),
			check(s.async, Header{Type: AsyncDeviceClear}, ""),
			give(s.async, Header{Type: AsyncDeviceClearAcknowledge}, nil),
			check(s.sync, Header{Type: DeviceClearComplete}, ""),
			give(s.sync, Header{Type: DataEnd, Parameter: 0xFFFFFF06}, []byte("late\n")),
			give(s.sync, Header{Type: DeviceClearAcknowledge}, nil),
			check(s.sync, Header{Type: DataEnd, Parameter: 0xFFFFFF00}, ":A?"))
	}()
	send := func(message string) {
		if _, err := c.Send([]byte(message)); err != nil {
			t.Error(err)
		}
	}
	send("*IDN?\n")
	if got, err := c.Receive(nil, 10); err != nil || string(got) != "x\n" {
		t.Errorf("got %q, %v", got, err)
	}
	send(long)
	if status, err := c.Status(t.Context()); err != nil || status != 4 {
		t.Errorf("status %d, %v", status, err)
	}
	if err := c.Clear(t.Context()); err != nil {
		t.Error(err)
	}
	send(":A?")
	if err := <-seen; err != nil {
		t.Error(err)
	}
}

func TestAMessageSizeOfNoUseIsRefused(t *testing.T) {
	dial, ready, _ := serve(handshake(20))
	if c, err := Dial(t.Context(), dial, Config{}); err == nil {
		c.Close()
		t.Error("20 bytes, header included: want an error")
	}
	if err := <-ready; err != nil {
		t.Error(err)
	}
}

// A status query without a reply breaks the connection: a late reply would be
// taken for that to the next query.
func TestNoReplyOnTheAsynchronousChannel(t *testing.T) {
	dial, ready, s := serve(handshake(1 << 20))
	c, err := Dial(t.Context(), dial, Config{})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if err := <-ready; err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	go func() {
		_, _, err := take(s.async)
		cancel()
		ready <- err
	}()
	if _, err := c.Status(ctx); !errors.Is(err, context.Canceled) {
		t.Errorf("got %v", err)
	}
	if err := <-ready; err != nil {
		t.Error(err)
	}
	if _, err := c.Status(t.Context()); err == nil {
		t.Error("the next query is answered by nobody: want an error")
	}
	if _, err := c.Send([]byte("*RST\n")); err == nil {
		t.Error("sent over a connection that is lost")
	}
}

// The instrument names the mode it prefers, and a device clear asks for the other one,
// which it may grant or not (IVI-6.1, device clear).
func TestModeIsAskedFor(t *testing.T) {
	for _, c := range []struct {
		want, prefers, grants byte
		clears                bool
	}{
		{Synchronized, Synchronized, Synchronized, false}, {Overlapped, Overlapped, Overlapped, false},
		{Overlapped, Synchronized, Overlapped, true}, {Overlapped, Synchronized, Synchronized, true}, {Synchronized, Overlapped, Synchronized, true},
	} {
		cleared := false
		dial, ready, s := serve(func(s *server) error {
			if err := handshakeIn(c.prefers, 1<<20)(s); err != nil || c.want == c.prefers {
				return err
			}
			if _, _, err := take(s.async); err != nil {
				return err
			}
			if err := give(s.async, Header{Type: AsyncDeviceClearAcknowledge}, nil); err != nil {
				return err
			}
			h, _, err := take(s.sync)
			cleared = err == nil && h.Type == DeviceClearComplete && h.Control == c.want
			return errors.Join(err, give(s.sync, Header{Type: DeviceClearAcknowledge, Control: c.grants}, nil))
		})
		conn, err := Dial(t.Context(), dial, Config{Overlapped: c.want == Overlapped})
		if err := errors.Join(err, <-ready); err != nil {
			t.Fatalf("%+v: %v", c, err)
		}
		if cleared != c.clears || conn.Overlapped() != (c.grants == Overlapped) {
			t.Errorf("%+v: cleared %v, overlapped %v", c, cleared, conn.Overlapped())
		}
		s.async.Close()
		conn.Close()
	}
}

// FuzzConn lets a server say anything on both channels once the connection
// stands: no panic, no wait beyond the deadline, no response beyond the limit.
func FuzzConn(f *testing.F) {
	answer := AppendMessage(nil, Header{Type: DataEnd, Parameter: FirstMessage}, []byte("1\n"))
	f.Add(answer, AppendHeader(nil, Header{Type: AsyncDeviceClearAcknowledge}))
	f.Add(AppendMessage(AppendHeader(nil, Header{Type: Interrupted}), Header{Type: Error, Control: 4}, []byte("x")), AppendHeader(nil, Header{Type: AsyncInterrupted}))
	f.Add(AppendHeader(nil, Header{Type: Data, Length: 1 << 40, Parameter: AnyMessage}), AppendMessage(nil, Header{Type: FatalError}, []byte("no")))
	f.Add(AppendHeader(answer, Header{Type: DeviceClearAcknowledge}), append(AppendHeader(nil, Header{Type: AsyncServiceRequest, Control: 64}), "HS"...))
	f.Fuzz(func(t *testing.T, sync, async []byte) {
		dial, ready, s := serve(handshake(1 << 20))
		c, err := Dial(t.Context(), dial, Config{ServiceRequest: func(byte) {}})
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		if err := <-ready; err != nil {
			t.Fatal(err)
		}
		drain := func(conn net.Conn, say []byte) {
			go func() { _, _ = io.Copy(io.Discard, conn) }() // what the client sends is not the question
			_, _ = conn.Write(say)                           // the client may have gone
			conn.Close()
		}
		go drain(s.sync, sync)
		go drain(s.async, async)
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		const limit = 1 << 10
		for range 3 {
			if _, err := c.Send([]byte(":A?\n")); err != nil {
				break
			}
			if got, err := c.Receive(nil, limit); len(got) > limit {
				t.Fatalf("%d bytes, limit %d, %v", len(got), limit, err)
			}
		}
		_, _ = c.Status(ctx) // answered or not, it ends
		_ = c.Clear(ctx)
		if ctx.Err() != nil {
			t.Fatal("waits beyond the end of both channels")
		}
	})
}
