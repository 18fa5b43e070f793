package shell

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net"
	"strings"

	"golang.org/x/crypto/ssh"

	"benchyard/instruments/scpi"
)

// The terminal a unit is told of: wide enough that no line is folded.
const (
	terminalRows    = 1000
	terminalColumns = 2000
)

// openSSH connects over SSH and starts a command line.
func (s *Session) openSSH(ctx context.Context) (*link, error) {
	known, err := ParseHostKeys(s.config.Login.HostKeys)
	if err != nil {
		return nil, err
	}
	methods, err := s.methods()
	if err != nil {
		return nil, err
	}
	conn, err := scpi.Reach(ctx, s.resource, 0, s.config.Admit)
	if err != nil {
		return nil, err
	}
	// The handshake knows no context; a cut connection ends it.
	stop := context.AfterFunc(ctx, func() { _ = conn.SetLinger(0); _ = conn.Close() })
	l, err := s.handshake(conn, known, methods)
	if !stop() && ctx.Err() != nil {
		err = context.Cause(ctx)
		if l != nil {
			_ = l.close(true) // cut already
		}
	}
	if err != nil {
		_ = conn.Close() // the handshake's error says more
		return nil, err
	}
	return l, nil
}

// ParseHostKeys reads keys as files of known hosts have them, without the host:
// "type base64", and a comment that is ignored. An empty list is an error: a host
// nobody knows is never trusted.
func ParseHostKeys(lines []string) ([]ssh.PublicKey, error) {
	if len(lines) == 0 {
		return nil, fmt.Errorf("shell: %w: the lab lists no host key of the unit; add the one that stands on it or in its papers to host_keys", ErrHostKey)
	}
	var keys []ssh.PublicKey
	for _, line := range lines {
		key, _, options, rest, err := ssh.ParseAuthorizedKey([]byte(line))
		if err != nil || len(options) > 0 || len(bytes.TrimSpace(rest)) > 0 {
			return nil, fmt.Errorf("shell: host key %.60q: want type and key, such as: ssh-ed25519 AAAA...", line)
		}
		keys = append(keys, key)
	}
	return keys, nil
}

// algorithms lists what the known keys can sign with, so that a unit with several
// keys shows one of those.
func algorithms(known []ssh.PublicKey) []string {
	var list []string
	for _, key := range known {
		if key.Type() == ssh.KeyAlgoRSA { // SHA-1 signatures are not accepted
			list = append(list, ssh.KeyAlgoRSASHA512, ssh.KeyAlgoRSASHA256)
			continue
		}
		list = append(list, key.Type())
	}
	return list
}

// methods returns the ways to log in, key first.
func (s *Session) methods() ([]ssh.AuthMethod, error) {
	var methods []ssh.AuthMethod
	if s.config.Login.Key != nil {
		text, err := s.config.Login.Key()
		if err != nil {
			return nil, fmt.Errorf("key: %w", err)
		}
		signer, err := ssh.ParsePrivateKey([]byte(text))
		if err != nil {
			return nil, fmt.Errorf("key: %w; want a private key without passphrase", err)
		}
		methods = append(methods, ssh.PublicKeys(signer))
	}
	if s.config.Login.Password != nil {
		methods = append(methods, ssh.PasswordCallback(s.password),
			ssh.KeyboardInteractive(func(_, _ string, questions []string, echos []bool) ([]string, error) {
				answers := make([]string, len(questions))
				for i := range questions {
					if echos[i] {
						return nil, fmt.Errorf("the unit asks %.40q, which is no password", questions[i])
					}
					password, err := s.password()
					if err != nil {
						return nil, err
					}
					answers[i] = password
				}
				return answers, nil
			}))
	}
	return methods, nil
}

func (s *Session) handshake(conn *net.TCPConn, known []ssh.PublicKey, methods []ssh.AuthMethod) (*link, error) {
	var wrong error
	trusted := false
	c, channels, requests, err := ssh.NewClientConn(conn, s.resource.Address(), &ssh.ClientConfig{
		User: s.config.Login.User, Auth: methods, HostKeyAlgorithms: algorithms(known),
		BannerCallback: func(text string) error { s.note("banner: %s", Clean([]byte(text))); return nil },
		HostKeyCallback: func(_ string, _ net.Addr, shown ssh.PublicKey) error {
			for _, k := range known {
				if bytes.Equal(k.Marshal(), shown.Marshal()) {
					trusted = true
					return nil
				}
			}
			wrong = fmt.Errorf("%w: the unit shows %s %s, the lab lists %s; find out why before you change host_keys: another machine may stand in its place",
				ErrHostKey, shown.Type(), ssh.FingerprintSHA256(shown), fingerprints(known))
			return wrong
		},
	})
	switch {
	case wrong != nil:
		return nil, wrong
	case err != nil && strings.Contains(err.Error(), "no common algorithm for host key"):
		return nil, fmt.Errorf("%w: the unit has no key of the types that the lab lists: %w", ErrHostKey, err)
	case err != nil && trusted && strings.Contains(err.Error(), "unable to authenticate"):
		return nil, fmt.Errorf("%w for user %q: %w", ErrLogin, s.config.Login.User, err)
	case err != nil:
		return nil, err
	}
	return s.start(conn, ssh.NewClient(c, channels, requests))
}

func fingerprints(keys []ssh.PublicKey) string {
	var all []string
	for _, k := range keys {
		all = append(all, k.Type()+" "+ssh.FingerprintSHA256(k))
	}
	return strings.Join(all, ", ")
}

// start asks for a terminal and a command line on it.
func (s *Session) start(conn *net.TCPConn, client *ssh.Client) (*link, error) {
	session, err := client.NewSession()
	if err != nil {
		return nil, errors.Join(err, client.Close())
	}
	in, err := session.StdinPipe()
	if err != nil {
		return nil, errors.Join(err, client.Close())
	}
	out, err := session.StdoutPipe()
	if err != nil {
		return nil, errors.Join(err, client.Close())
	}
	if err := session.RequestPty("dumb", terminalRows, terminalColumns, ssh.TerminalModes{ssh.ECHO: 0}); err != nil {
		s.note("no terminal: %v", err) // a command line without one is as good
	}
	if err := session.Shell(); err != nil {
		return nil, errors.Join(fmt.Errorf("the unit gives no command line: %w", err), client.Close())
	}
	return newLink(conn, in, out, func() error {
		_ = session.Close() // a session the unit ended already
		return nil
	}), nil
}
