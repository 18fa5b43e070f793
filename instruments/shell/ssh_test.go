package shell_test

import (
	"bufio"
	"bytes"
	"context"
	"crypto/ed25519"
	"encoding/pem"
	"errors"
	"fmt"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/crypto/ssh"

	"benchyard/instruments/scpi"
	"benchyard/instruments/shell"
)

// signer returns the key of a number.
func signer(t *testing.T, n byte) (ssh.Signer, ed25519.PrivateKey) {
	t.Helper()
	private := ed25519.NewKeyFromSeed(bytes.Repeat([]byte{n}, ed25519.SeedSize))
	s, err := ssh.NewSignerFromKey(private)
	if err != nil {
		t.Fatal(err)
	}
	return s, private
}

// known writes the public half as a file of known hosts does.
func known(t *testing.T, n byte) string {
	t.Helper()
	s, _ := signer(t, n)
	return string(ssh.MarshalAuthorizedKey(s.PublicKey()))
}

// unit is a command line behind SSH that echoes what it is told.
type unit struct {
	config  *ssh.ServerConfig
	noPty   bool
	noShell bool
	owner   sync.WaitGroup
}

// serve answers connections, one after the other, until the test ends.
func (u *unit) serve(t *testing.T) scpi.Resource {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var mu sync.Mutex
	var last net.Conn
	u.owner.Go(func() {
		for {
			conn, err := listener.Accept()
			if err != nil {
				return
			}
			mu.Lock()
			last = conn
			mu.Unlock()
			u.converse(conn)
			conn.Close()
		}
	})
	t.Cleanup(func() {
		listener.Close()
		mu.Lock()
		if last != nil {
			last.Close()
		}
		mu.Unlock()
		u.owner.Wait()
	})
	return scpi.Resource{Host: "127.0.0.1", Port: listener.Addr().(*net.TCPAddr).Port}
}

func (u *unit) converse(conn net.Conn) {
	c, channels, requests, err := ssh.NewServerConn(conn, u.config)
	if err != nil {
		return
	}
	defer c.Close()
	u.owner.Go(func() { ssh.DiscardRequests(requests) })
	for offered := range channels {
		channel, requests, err := offered.Accept()
		if err != nil {
			return
		}
		u.owner.Go(func() {
			for r := range requests {
				ok := r.Type == "pty-req" && !u.noPty || r.Type == "shell" && !u.noShell
				_ = r.Reply(ok, nil)
				if ok && r.Type == "shell" {
					u.owner.Go(func() { u.typed(channel) })
				}
			}
		})
	}
}

// typed is the command line: it prints what "print" is followed by, and leaves at "leave".
func (u *unit) typed(channel ssh.Channel) {
	defer channel.Close()
	fmt.Fprint(channel, "\x1b[1mru-1> \x1b[0m")
	for in := bufio.NewScanner(channel); in.Scan(); {
		fmt.Fprintf(channel, "%s\r\n", in.Text())
		if in.Text() == "leave" {
			return
		}
		if text, ok := strings.CutPrefix(in.Text(), "print "); ok {
			fmt.Fprintf(channel, "%s\r\n", text)
		}
		fmt.Fprint(channel, "\x1b[1mru-1> \x1b[0m")
	}
}

// guarded returns a unit with host key 1 that lets user "bench" in with the password
// "pw" or the key 2.
func guarded(t *testing.T) *unit {
	t.Helper()
	c := &ssh.ServerConfig{
		BannerCallback: func(ssh.ConnMetadata) string { return "authorised use only\n" },
		PasswordCallback: func(m ssh.ConnMetadata, password []byte) (*ssh.Permissions, error) {
			if m.User() == "bench" && string(password) == "pw" {
				return nil, nil
			}
			return nil, errors.New("no")
		},
		PublicKeyCallback: func(m ssh.ConnMetadata, key ssh.PublicKey) (*ssh.Permissions, error) {
			if m.User() == "bench" && string(ssh.MarshalAuthorizedKey(key)) == known(t, 2) {
				return nil, nil
			}
			return nil, errors.New("no")
		},
	}
	host, _ := signer(t, 1)
	c.AddHostKey(host)
	return &unit{config: c}
}

func secret(text string) shell.Secret { return func() (string, error) { return text, nil } }

// privateKey writes the private half of a key as a key file does.
func privateKey(t *testing.T, n byte) string {
	t.Helper()
	_, private := signer(t, n)
	block, err := ssh.MarshalPrivateKey(private, "")
	if err != nil {
		t.Fatal(err)
	}
	return string(pem.EncodeToMemory(block))
}

// echoing is the manner of the unit.
var echoing = shell.Manner{Prompt: `ru-1> `, Echo: "print {text}"}

func TestCommandLineOverSSH(t *testing.T) {
	interactive := guarded(t)
	interactive.config.PasswordCallback = nil
	interactive.config.KeyboardInteractiveCallback = func(_ ssh.ConnMetadata, ask ssh.KeyboardInteractiveChallenge) (*ssh.Permissions, error) {
		answers, err := ask("", "", []string{"Password: "}, []bool{false})
		if err != nil || len(answers) != 1 || answers[0] != "pw" {
			return nil, errors.New("no")
		}
		return nil, nil
	}
	plain := guarded(t)
	plain.noPty = true
	for name, c := range map[string]struct {
		unit  *unit
		login shell.Login
	}{
		"password":    {guarded(t), shell.Login{Password: secret("pw")}},
		"asked":       {interactive, shell.Login{Password: secret("pw")}},
		"key":         {guarded(t), shell.Login{Key: secret(privateKey(t, 2))}},
		"no terminal": {plain, shell.Login{Key: secret(privateKey(t, 2)), Password: secret("pw")}},
	} {
		t.Run(name, func(t *testing.T) {
			var r record
			c.login.SSH, c.login.User, c.login.HostKeys = true, "bench", []string{known(t, 7), known(t, 1)}
			s, err := shell.Dial(t.Context(), c.unit.serve(t), shell.Config{Manner: echoing, Login: c.login, Transcript: &r})
			if err != nil {
				t.Fatal(err)
			}
			defer s.Close()
			if got, err := ask(s, "print pw 21.5"); got != "pw 21.5" || err != nil {
				t.Errorf("got %q, %v", got, err)
			}
			text := r.String()
			if !strings.Contains(text, "authorised use only") || c.login.Key == nil && strings.Contains(text, "pw") {
				t.Errorf("transcript:\n%s", text)
			}
			// The unit ends the command line: found before the next write, so nothing is lost.
			if err := s.Command(t.Context(), "leave"); err == nil {
				t.Error("a command line that ended showed a prompt")
			}
			if err := s.Command(t.Context(), "print 1"); !errors.Is(err, scpi.ErrRestarted) {
				t.Errorf("got %v", err)
			}
			if err := s.Command(t.Context(), "print 1"); err != nil {
				t.Error(err)
			}
		})
	}
}

func TestNoWayIn(t *testing.T) {
	without := guarded(t)
	without.noShell = true
	right := []string{known(t, 1)}
	for name, c := range map[string]struct {
		unit  *unit
		login shell.Login
		want  error
	}{
		"another host key":  {guarded(t), shell.Login{User: "bench", Password: secret("pw"), HostKeys: []string{known(t, 3)}}, shell.ErrHostKey},
		"no host key known": {guarded(t), shell.Login{User: "bench", Password: secret("pw")}, shell.ErrHostKey},
		"key of another type": {guarded(t), shell.Login{User: "bench", Password: secret("pw"),
			HostKeys: []string{"ecdsa-sha2-nistp256 AAAAE2VjZHNhLXNoYTItbmlzdHAyNTYAAAAIbmlzdHAyNTYAAABBBGsX0fLhLEJH+Lzm5WOkQPJ3A32BLeszoPShOUXYmMKWT+NC4v4af5uO5+tKfA+eFivOM1drMV7Oy7ZAaDe/UfU="}}, shell.ErrHostKey},
		"wrong password":  {guarded(t), shell.Login{User: "bench", Password: secret("wrong"), HostKeys: right}, shell.ErrLogin},
		"wrong user":      {guarded(t), shell.Login{User: "root", Password: secret("pw"), HostKeys: right}, shell.ErrLogin},
		"wrong key":       {guarded(t), shell.Login{User: "bench", Key: secret(privateKey(t, 3)), HostKeys: right}, shell.ErrLogin},
		"nothing":         {guarded(t), shell.Login{User: "bench", HostKeys: right}, shell.ErrLogin},
		"no password":     {guarded(t), shell.Login{User: "bench", Password: func() (string, error) { return "", errMissing }, HostKeys: right}, errMissing},
		"no command line": {without, shell.Login{User: "bench", Password: secret("pw"), HostKeys: right}, nil},
	} {
		t.Run(name, func(t *testing.T) {
			c.login.SSH = true
			asked := false
			if given := c.login.Password; given != nil {
				c.login.Password = func() (string, error) { asked = true; return given() }
			}
			_, err := shell.Dial(t.Context(), c.unit.serve(t), shell.Config{Manner: echoing, Login: c.login, Timeout: 5 * time.Second})
			if err == nil || c.want != nil && !errors.Is(err, c.want) {
				t.Errorf("got %v", err)
			}
			if errors.Is(c.want, shell.ErrHostKey) && asked {
				t.Error("the password was given to a host that nobody knows")
			}
		})
	}
}

var errMissing = errors.New("variable UNIT_PASSWORD is not set")

// A peer that accepts and says nothing does not hold the caller.
func TestHandshakeThatNeverEnds(t *testing.T) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer listener.Close()
	c := shell.Config{Manner: echoing, Timeout: 50 * time.Millisecond, Login: shell.Login{SSH: true, User: "bench", HostKeys: []string{known(t, 1)}}}
	where := scpi.Resource{Host: "127.0.0.1", Port: listener.Addr().(*net.TCPAddr).Port}
	if _, err := shell.Dial(t.Context(), where, c); !errors.Is(err, scpi.ErrTimeout) {
		t.Errorf("got %v", err)
	}
	c.Timeout = time.Minute
	ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	if _, err := shell.Dial(ctx, where, c); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("got %v", err)
	}
}

// A list of host keys is understood whole or refused; what is understood is keys.
func FuzzHostKeys(f *testing.F) {
	f.Add("ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAIIqI4910CfGV/VLbLTy6XXLKZwm/HZQSG/N0iAG0D29c comment")
	f.Add("no-pty ssh-ed25519 AAAA")
	f.Fuzz(func(t *testing.T, line string) {
		keys, err := shell.ParseHostKeys([]string{line})
		if err == nil && (len(keys) != 1 || len(keys[0].Marshal()) == 0) {
			t.Errorf("%q: %v", line, keys)
		}
	})
}
