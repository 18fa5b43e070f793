package sim

import (
	"bufio"
	"crypto/ed25519"
	"crypto/subtle"
	"errors"
	"fmt"
	"strings"

	"golang.org/x/crypto/ssh"
)

// hostKey returns the key of a unit: the same for the same seed and serial number,
// so that an inventory stays good when the lab starts again.
func (c Config) hostKey(serial string) (ssh.Signer, error) {
	r := random(c.Seed, "host key "+serial)
	seed := make([]byte, ed25519.SeedSize)
	for i := range seed {
		seed[i] = byte(r.Uint32())
	}
	return ssh.NewSignerFromKey(ed25519.NewKeyFromSeed(seed))
}

// HostKey returns the public host key of a radio unit's command line over SSH, as
// a file of known hosts has it, without the host.
func (l *Lab) HostKey(serial string) (string, error) {
	if _, err := l.config.unit(serial); err != nil {
		return "", err
	}
	key, err := l.config.hostKey(serial)
	if err != nil {
		return "", fmt.Errorf("sim: host key of %s: %w", serial, err)
	}
	return strings.TrimSpace(string(ssh.MarshalAuthorizedKey(key.PublicKey()))), nil
}

var errNotLetIn = errors.New("not let in")

// overSSH returns the talk of a command line behind SSH.
func (p *shellPort) overSSH(key ssh.Signer) (func(*link), error) {
	config := &ssh.ServerConfig{
		PasswordCallback: func(m ssh.ConnMetadata, password []byte) (*ssh.Permissions, error) {
			if m.User() != p.access.UserName() || subtle.ConstantTimeCompare(password, []byte(p.access.Secret())) != 1 {
				return nil, errNotLetIn
			}
			return nil, nil
		},
	}
	if p.access.Key != "" {
		known, _, _, _, err := ssh.ParseAuthorizedKey([]byte(p.access.Key))
		if err != nil {
			return nil, fmt.Errorf("sim: key that may log in: %w", err)
		}
		config.PublicKeyCallback = func(m ssh.ConnMetadata, shown ssh.PublicKey) (*ssh.Permissions, error) {
			if m.User() != p.access.UserName() || string(shown.Marshal()) != string(known.Marshal()) {
				return nil, errNotLetIn
			}
			return nil, nil
		}
	}
	config.AddHostKey(key)
	return func(l *link) { p.secure(l, config) }, nil
}

// secure serves one connection over SSH.
func (p *shellPort) secure(l *link, config *ssh.ServerConfig) {
	d := l.device
	conn, channels, requests, err := ssh.NewServerConn(l.conn, config)
	if err != nil {
		d.note("login refused", "%v", err)
		return
	}
	defer conn.Close()
	d.note("login", "%s", conn.User())
	d.owner.Go(func() { ssh.DiscardRequests(requests) })
	for offered := range channels {
		if offered.ChannelType() != "session" {
			_ = offered.Reject(ssh.UnknownChannelType, "sessions only")
			continue
		}
		channel, wishes, err := offered.Accept()
		if err != nil {
			return
		}
		d.owner.Go(func() { p.session(l, channel, wishes) })
	}
}

// session gives the first who asks for a command line one.
func (p *shellPort) session(l *link, channel ssh.Channel, wishes <-chan *ssh.Request) {
	running := false
	for w := range wishes {
		ok := w.Type == "pty-req" || w.Type == "shell" && !running
		if err := w.Reply(ok, nil); err != nil {
			continue
		}
		if w.Type == "shell" && ok {
			running = true
			l.device.owner.Go(func() {
				c := &console{port: p, device: l.device, in: bufio.NewReaderSize(channel, longestTyped), out: channel, pages: true}
				c.serve(l)
				_ = channel.Close() // the far end may be gone already
				_ = l.conn.Close()  // one command line to a connection
			})
		}
	}
}
