// Package scpitest plays the instrument in tests: a script of steps, each one
// expecting a program message or sending bytes, behind a real TCP listener on
// the loopback interface. The script is strict: the test fails when another
// message arrives, when a step does not come within ten seconds, or when steps
// are left at the end.
//
// Tests of whole procedures use the simulator instead. Scripts are for what a
// well-behaved instrument does not do.
package scpitest

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"benchyard/instruments/scpi"
)

// patience bounds one step.
const patience = 10 * time.Second

// Identity is what Greet answers to *IDN?.
const Identity = "Benchyard,Script,S-1,1.0"

// NoError is the answer of an empty error queue.
const NoError = `0,"No error"`

// probe is the pair of numbers a session lets the instrument echo.
var probe = regexp.MustCompile(`\*ESE (\d+);\*ESE\?;\*ESE (\d+);\*ESE\?`)

// Peer is the state of a running script.
type Peer struct {
	listener *net.TCPListener
	conn     net.Conn
	r        *bufio.Reader
	quit     chan struct{}
	hislip   *highSpeed // nil on a raw socket
}

// Step is one line of a script.
type Step func(*Peer) error

// Serve runs the script in the background and returns where it listens. The
// script is checked, and its goroutine awaited, when the test ends.
func Serve(t testing.TB, steps ...Step) scpi.Resource {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &Peer{listener: listener.(*net.TCPListener), quit: make(chan struct{})}
	done := make(chan error, 1)
	go func() { done <- p.run(steps) }()
	t.Cleanup(func() {
		close(p.quit)
		if t.Failed() {
			listener.Close() // ends a step that waits for a client who gave up
		}
		if err := <-done; err != nil {
			t.Error(err)
		}
		listener.Close()
	})
	return scpi.Resource{Host: "127.0.0.1", Port: listener.Addr().(*net.TCPAddr).Port}
}

func (p *Peer) run(steps []Step) error {
	defer func() {
		p.close()
	}()
	for i, step := range steps {
		if err := step(p); err != nil {
			p.listener.Close() // let the client fail now, not after its timeouts
			return fmt.Errorf("script, step %d of %d: %w", i+1, len(steps), err)
		}
	}
	return nil
}

// Steps joins steps into one.
func Steps(steps ...Step) Step {
	return func(p *Peer) error {
		for _, step := range steps {
			if err := step(p); err != nil {
				return err
			}
		}
		return nil
	}
}

// Accept waits for a connection, after closing the one before.
func Accept() Step {
	return func(p *Peer) error {
		p.close()
		conn, err := p.accept()
		if err != nil {
			return err
		}
		p.conn, p.r = conn, bufio.NewReader(conn)
		if p.hislip != nil {
			return p.initialize()
		}
		return nil
	}
}

// accept waits for one TCP connection.
func (p *Peer) accept() (net.Conn, error) {
	if err := p.listener.SetDeadline(time.Now().Add(patience)); err != nil {
		return nil, err
	}
	conn, err := p.listener.Accept()
	if err != nil {
		return nil, err
	}
	return conn, conn.SetDeadline(time.Now().Add(patience))
}

// close closes what is open.
func (p *Peer) close() {
	if p.conn != nil {
		p.conn.Close()
	}
	if p.hislip != nil && p.hislip.async != nil {
		p.hislip.async.Close()
	}
}

// Greet accepts a connection and answers what a session asks first.
func Greet() Step { return GreetAs("0", Identity) }

// GreetAs is Greet with another event status register or identity.
func GreetAs(events, identity string) Step {
	return Steps(Accept(), Answer("*ESR?;*CLS;*IDN?", events+";"+identity))
}

// Expect waits for one program message and compares it.
func Expect(message string) Step {
	return func(p *Peer) error {
		got, err := p.read()
		if err == nil && got != message {
			err = fmt.Errorf("got message %q, want %q", got, message)
		}
		return err
	}
}

// ExpectBytes waits for bytes, terminators included, and compares them.
func ExpectBytes(want string) Step {
	return func(p *Peer) error {
		got := make([]byte, len(want))
		n, err := io.ReadFull(p.r, got)
		if err == nil && string(got) != want {
			err = fmt.Errorf("got bytes %q, want %q", got[:n], want)
		}
		return err
	}
}

// Send sends bytes as they are.
func Send(bytes string) Step {
	return func(p *Peer) error {
		if p.hislip != nil {
			return p.sendHiSLIP(bytes)
		}
		_, err := io.WriteString(p.conn, bytes)
		return err
	}
}

// Answer expects a message and sends the answer with a line feed.
func Answer(message, answer string) Step { return Steps(Expect(message), Send(answer+"\n")) }

// Command expects units with the error query behind them and reports no error.
func Command(units string) Step { return Answer(units+";:SYST:ERR?", NoError) }

// Confirm answers what Session.Confirm sends for commands and a query, with an
// empty error queue unless an entry is given.
func Confirm(commands, query, answer string, queued ...string) Step {
	return func(p *Peer) error {
		echo, err := p.confirm(commands, query)
		if err != nil {
			return err
		}
		if len(queued) == 0 {
			return Send(echo + ";" + answer + ";" + NoError + "\n")(p)
		}
		return Steps(Send(echo+";"+answer+";"+queued[0]+"\n"), Answer(":SYST:ERR?", NoError))(p)
	}
}

// ExpectConfirm waits for what Session.Confirm sends.
func ExpectConfirm(commands, query string) Step {
	return func(p *Peer) error {
		_, err := p.confirm(commands, query)
		return err
	}
}

func (p *Peer) confirm(commands, query string) (echo string, err error) {
	return p.expectEcho(commands+";", ";*ESE 0;"+query+";:SYST:ERR?")
}

// Resync answers a resynchronisation the way an instrument does whose late
// answers are given: first those, then the echo; then its error queue.
func Resync(late string, queued ...string) Step { return ResyncAfter("", late, queued...) }

// ResyncAfter is Resync where the session sends an abort command first.
func ResyncAfter(abort, late string, queued ...string) Step {
	return func(p *Peer) error {
		if err := p.echo(abort, late, ""); err != nil {
			return err
		}
		for _, entry := range append(queued, NoError) {
			if err := Answer(":SYST:ERR?", entry)(p); err != nil {
				return err
			}
		}
		return p.echo("", "", ";*ESE 0;*CLS")
	}
}

// echo answers a message that expectEcho accepts, behind late.
func (p *Peer) echo(before, late, after string) error {
	echo, err := p.expectEcho(before, after)
	if err != nil {
		return err
	}
	return Send(late + echo + "\n")(p)
}

// expectEcho waits for a pair of "*ESE" queries with nothing but before and after
// around it, and returns the answer to it.
func (p *Peer) expectEcho(before, after string) (string, error) {
	message, err := p.read()
	if err != nil {
		return "", err
	}
	found := probe.FindStringSubmatch(message)
	if found == nil || probe.ReplaceAllString(message, "") != before+after {
		return "", fmt.Errorf("got message %q, want an echo between %q and %q", message, before, after)
	}
	return found[1] + ";" + found[2], nil
}

// Echo answers the first message of a resynchronisation.
func Echo() Step { return func(p *Peer) error { return p.echo("", "", "") } }

// ExpectEcho waits for a message of a resynchronisation that ends with after.
func ExpectEcho(after string) Step {
	return func(p *Peer) error {
		_, err := p.expectEcho("", after)
		return err
	}
}

// Begun waits until the first byte of a message has come and takes none of it.
func Begun() Step {
	return func(p *Peer) error {
		if err := p.conn.SetReadDeadline(time.Now().Add(patience)); err != nil {
			return err
		}
		_, err := p.r.Peek(1)
		return err
	}
}

// Gone answers nothing more and waits until the client has closed the connection.
func Gone() Step {
	return func(p *Peer) error {
		for {
			if _, err := p.read(); errors.Is(err, os.ErrDeadlineExceeded) {
				return errors.New("the client does not close the connection")
			} else if err != nil {
				return nil
			}
		}
	}
}

// WasReset waits until the client resets the connection.
func WasReset() Step {
	return func(p *Peer) error {
		if message, err := p.read(); !errors.Is(err, syscall.ECONNRESET) {
			return fmt.Errorf("got message %q, %v, want a reset", message, err)
		}
		return nil
	}
}

// Close closes the connection in the orderly way.
func Close() Step {
	return func(p *Peer) error {
		p.close()
		return nil
	}
}

// Reset closes the connection with a TCP reset.
func Reset() Step {
	return func(p *Peer) error {
		err := p.conn.(*net.TCPConn).SetLinger(0)
		p.close()
		return err
	}
}

// Do calls f, for example to tell the test how far the script is.
func Do(f func()) Step {
	return func(*Peer) error {
		f()
		return nil
	}
}

// Await waits until ready is closed.
func Await(ready <-chan struct{}) Step {
	return func(*Peer) error {
		select {
		case <-ready:
			return nil
		case <-time.After(patience):
			return errors.New("the test did not go on")
		}
	}
}

// Serving answers every message by f until the client closes the connection or
// the test ends.
func Serving(f func(message string) (answer string)) Step {
	return func(p *Peer) error {
		go func(conn net.Conn) {
			<-p.quit
			conn.Close()
		}(p.conn)
		for {
			message, err := p.read()
			if err != nil {
				return nil
			}
			if answer := f(message); answer != "" && Send(answer)(p) != nil {
				return nil
			}
		}
	}
}

func (p *Peer) read() (string, error) {
	if err := p.conn.SetDeadline(time.Now().Add(patience)); err != nil {
		return "", err
	}
	if p.hislip != nil {
		message, err := p.readHiSLIP()
		return strings.TrimSuffix(message, "\n"), err
	}
	line, err := p.r.ReadString('\n')
	return strings.TrimSuffix(line, "\n"), err
}
