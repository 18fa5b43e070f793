package sim

import (
	"bufio"
	"io"
	"net"
	"strings"
	"testing"
	"time"

	"golang.org/x/crypto/ssh"

	"benchyard/instruments/scpi"
)

// terminal is a person at a command line.
type terminal struct {
	t testing.TB
	w io.Writer
	r *bufio.Reader
}

// until reads to the end of a text and returns what stood before it.
func (p terminal) until(text string) string {
	p.t.Helper()
	var seen strings.Builder
	for !strings.HasSuffix(seen.String(), text) {
		b, err := p.r.ReadByte()
		if err != nil {
			p.t.Fatalf("%v after %q, want %q", err, seen.String(), text)
		}
		seen.WriteByte(b)
	}
	return strings.TrimSuffix(seen.String(), text)
}

// types sends a line and returns what the unit prints between it and the prompt.
func (p terminal) types(line string) string {
	p.t.Helper()
	p.send(line)
	p.until(line + "\r\n") // shown as typed
	return strings.TrimSuffix(p.until("\x1b[1mT4-0002> \x1b[0m"), "\r\n")
}

func (p terminal) send(line string) {
	p.t.Helper()
	if _, err := io.WriteString(p.w, line+"\r\n"); err != nil {
		p.t.Fatal(err)
	}
}

// spoken starts a lab whose TDD units have a command line.
func spoken(t *testing.T, over string) *Lab {
	t.Helper()
	l, _ := startLab(t, func(c *Config) { byHand(c); c.Types[0].CommandLine = over })
	return l
}

// at connects to the command line of T4-0002.
func at(t testing.TB, l *Lab) net.Conn {
	t.Helper()
	resource, err := l.CommandLine("T4-0002")
	if err != nil {
		t.Fatal(err)
	}
	where, err := scpi.ParseResource(resource)
	if err != nil {
		t.Fatal(err)
	}
	conn, err := net.Dial("tcp", where.Address())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	if err := conn.SetDeadline(time.Now().Add(10 * time.Second)); err != nil {
		t.Fatal(err)
	}
	return conn
}

// entered logs in over TCP.
func entered(t testing.TB, l *Lab) terminal {
	t.Helper()
	conn := at(t, l)
	p := terminal{t, conn, bufio.NewReader(conn)}
	p.until("user: ")
	p.send("bench")
	p.until("password: ")
	p.send("simulated")
	p.until("> \x1b[0m")
	return p
}

func TestCommandLineOfAUnit(t *testing.T) {
	p := entered(t, spoken(t, "tcp"))
	for _, c := range []struct{ line, want string }{
		{"", ""}, {"say hello  you", "hello you"}, {"read timer", "timer on"}, {"put timer off", ""}, {"read timer", "timer off"},
		{"put carrier 2 frequency 3600.5", ""}, {"read carrier 2 frequency", "carrier 2 frequency 3600.5 MHz"},
		{"put connector 3 attenuation 12.37", ""}, {"read connector 3 attenuation", "connector 3 attenuation 12.35 dB"},
		{"put connector 3 transmit off", ""}, {"read connector 3 transmit", "connector 3 transmit off"},
		{"put source tone", ""}, {"read source", "source tone"}, {"put tone offset -250", ""}, {"read tone offset", "tone offset -250 kHz"},
		{"put model NR-FR1-TM1.1", ""}, {"read model", "model NR-FR1-TM1.1"}, {"put duplex TDD", ""}, {"read duplex", "duplex tdd"},
		{"read calibration", "calibration -1"}, {"read tracking state", "tracking state off"}, {"read alarms", "alarms 1"},
		{"show unit", "type RU-T4\r\nmaker Ostrava Radio\r\nserial T4-0002\r\nrevision B1\r\nbuild 2.4.0\r\nboot 1"},
	} {
		if got := p.types(c.line); got != c.want && c.line != "show unit" || c.line == "show unit" && !strings.HasSuffix(got, "boot 1") {
			t.Errorf("%s: got %q, want %q", c.line, got, c.want)
		}
	}
	for _, line := range []string{
		"dance", "read", "read colour", "put timer perhaps", "put timer", "put revision C", "put carrier 0 frequency 1", "put carrier x frequency 1",
		"put carrier 1 frequency 9000000", "put connector 9 transmit on", "put connector 1 attenuation much", "run away", "run reset", "load 9.9.9",
		`put model x";:OUTP`, "put source noise", "put duplex T;D", "put transmit on",
	} {
		if got := p.types(line); !strings.HasPrefix(got, "refused: ") || len(got) < 15 {
			t.Errorf("%s: got %q", line, got)
		}
	}
}

// Help is longer than a page, and waits for a key until pages are off.
func TestPagesOfACommandLine(t *testing.T) {
	p := entered(t, spoken(t, "tcp"))
	p.send("help")
	first := p.until("-- more --")
	if strings.Contains(first, "supply current") {
		t.Error("all of it on one page")
	}
	p.send("")
	if got := p.until("T4-0002> \x1b[0m"); !strings.Contains(got, "supply current A (read only)") {
		t.Errorf("got %q", got)
	}
	p.types("page off")
	if got := p.types("help"); !strings.Contains(got, "supply current A (read only)") || strings.Contains(got, "more") {
		t.Errorf("got %q", got)
	}
	p.send("leave")
	if _, err := io.ReadAll(p.r); err != nil {
		t.Errorf("after leave: %v", err)
	}
}

func TestStrangersAtACommandLine(t *testing.T) {
	conn := at(t, spoken(t, "tcp"))
	p := terminal{t, conn, bufio.NewReader(conn)}
	for range loginTries {
		p.until("user: ")
		p.send("bench")
		p.until("password: ")
		p.send("guess")
		p.until("login incorrect\r\n")
	}
	if rest, err := io.ReadAll(p.r); len(rest) > 0 || err != nil {
		t.Errorf("after %d tries: got %q, %v", loginTries, rest, err)
	}
}

// A build starts the unit again: the connection ends and the boot number grows.
func TestLoadOverACommandLine(t *testing.T) {
	l := spoken(t, "tcp")
	p := entered(t, l)
	p.send("load 2.5.0")
	if _, err := io.ReadAll(p.r); err != nil {
		t.Fatal(err)
	}
	if got := entered(t, l).types("show unit"); !strings.HasSuffix(got, "build 2.5.0\r\nboot 2") {
		t.Errorf("got %q", got)
	}
}

func TestCommandLineOverSSH(t *testing.T) {
	l := spoken(t, "ssh")
	key, err := l.HostKey("T4-0002")
	if err != nil {
		t.Fatal(err)
	}
	known, _, _, _, err := ssh.ParseAuthorizedKey([]byte(key))
	if err != nil {
		t.Fatal(err)
	}
	for _, password := range []string{"simulated", "guess"} {
		conn := at(t, l)
		c, channels, requests, err := ssh.NewClientConn(conn, "", &ssh.ClientConfig{
			User: "bench", Auth: []ssh.AuthMethod{ssh.Password(password)}, HostKeyCallback: ssh.FixedHostKey(known),
		})
		if (err == nil) != (password == "simulated") {
			t.Fatalf("%s: got %v", password, err)
		}
		if err != nil {
			continue
		}
		client := ssh.NewClient(c, channels, requests)
		defer client.Close()
		session, err := client.NewSession()
		if err != nil {
			t.Fatal(err)
		}
		in, err := session.StdinPipe()
		if err != nil {
			t.Fatal(err)
		}
		out, err := session.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := session.Shell(); err != nil {
			t.Fatal(err)
		}
		p := terminal{t, in, bufio.NewReader(out)}
		p.until("> \x1b[0m")
		if got := p.types("read timer"); got != "timer on" {
			t.Errorf("got %q", got)
		}
	}
}

// Host keys come from the seed, one per unit.
func TestHostKeys(t *testing.T) {
	a, err := Demo(1).hostKey("T4-0001")
	if err != nil {
		t.Fatal(err)
	}
	for other, same := range map[string]bool{"T4-0001": true, "T4-0002": false} {
		b, err := Demo(1).hostKey(other)
		if err != nil {
			t.Fatal(err)
		}
		if got := string(a.PublicKey().Marshal()) == string(b.PublicKey().Marshal()); got != same {
			t.Errorf("%s: same key %v", other, got)
		}
	}
	c := Demo(1)
	c.Types[0].CommandLine = "carrier pigeon"
	if c.Validate() == nil {
		t.Error("a command line by carrier pigeon was accepted")
	}
}

// Whatever is typed, the command line answers and has a prompt again.
func FuzzCommandLine(f *testing.F) {
	for _, line := range []string{"show unit", "read carrier 1 frequency", "put timer on", "say \x00", "put model \"", "run reset", "help"} {
		f.Add(line)
	}
	config := Demo(1)
	config.Speed = 1e6 // loading takes long
	l, err := Start(f.Context(), config, nil)
	if err != nil {
		f.Fatal(err)
	}
	f.Cleanup(func() { l.Close() })
	c := &console{port: &shellPort{unit: l.world.units["T4-0002"]}, device: l.devices["T4-0002"]}
	f.Fuzz(func(t *testing.T, line string) {
		for _, printed := range c.command(line) {
			if strings.Contains(printed, "\n") {
				t.Errorf("%q prints %q", line, printed)
			}
		}
	})
}
