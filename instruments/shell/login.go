package shell

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"benchyard/instruments/scpi"
)

// Login says who logs in and how the unit is known.
type Login struct {
	SSH      bool
	User     string
	Password Secret   // nil: none
	Key      Secret   // private key in PEM or OpenSSH form, for SSH; nil: none
	HostKeys []string // "type base64" as in a file of known hosts, one per key; SSH needs one at least
}

// Secret reads a secret when it is needed; it is kept nowhere else.
type Secret func() (string, error)

// wake is how long a command line may say nothing before it gets an empty line:
// some wait for a key before they show themselves.
const wake = 500 * time.Millisecond

// hidden stands for a secret in transcripts and errors.
const hidden = "<secret>"

// connect opens a connection, logs in, and finds out who answers.
func (s *Session) connect(ctx context.Context) error {
	if err := scpi.Permit(ctx, s.config.Guard); err != nil {
		return fmt.Errorf("shell: %s: %w", s.resource, err)
	}
	limited, cancel := context.WithTimeout(ctx, s.config.Timeout)
	defer cancel()
	l, err := s.open(limited)
	if err == nil {
		err = s.adopt(l)
	}
	if err == nil {
		err = s.enter(limited, l)
	}
	if err == nil {
		s.note("connected to %s", s.resource)
		err = s.settle(ctx)
	}
	if err == nil {
		return nil
	}
	if ctx.Err() != nil {
		err = context.Cause(ctx)
	} else if errors.Is(err, context.DeadlineExceeded) {
		err = fmt.Errorf("%w (%v): is the unit switched on, and does the dialect's prompt fit?", scpi.ErrTimeout, s.config.Timeout)
	}
	if !strings.HasPrefix(err.Error(), "shell: ") {
		err = fmt.Errorf("shell: %s: %w", s.resource, err)
	}
	err = s.redacted(err)
	s.drop(err)
	return err
}

// adopt makes l the connection. It fails when the session was closed meanwhile.
func (s *Session) adopt(l *link) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		_ = l.close(true) // unused, nothing to lose
		return scpi.ErrClosed
	}
	s.link = l
	return nil
}

// open opens the stream of a command line.
func (s *Session) open(ctx context.Context) (*link, error) {
	if s.config.Login.SSH {
		return s.openSSH(ctx)
	}
	conn, err := scpi.Reach(ctx, s.resource, 0, s.config.Admit)
	if err != nil {
		return nil, err
	}
	return newLink(conn, conn, conn, nil), nil
}

// enter answers the questions of a login until the prompt comes.
func (s *Session) enter(ctx context.Context, l *link) error {
	var askedUser, askedPassword, woken bool
	for {
		text := Clean(l.text)
		last := lastLine(text)
		switch {
		case s.speech.password != nil && s.speech.password.MatchString(last):
			if askedPassword {
				return fmt.Errorf("%w for user %q: the password is asked for again", ErrLogin, s.config.Login.User)
			}
			askedPassword = true
			password, err := s.password()
			if err != nil {
				return err
			}
			if err := s.typed(ctx, l, text, password, hidden); err != nil {
				return err
			}
		case s.speech.user != nil && s.speech.user.MatchString(last):
			if askedUser {
				return fmt.Errorf("%w for user %q: the user is asked for again", ErrLogin, s.config.Login.User)
			}
			askedUser = true
			if err := s.typed(ctx, l, text, s.config.Login.User, s.config.Login.User); err != nil {
				return err
			}
		case s.speech.waits(text):
			came, err := l.follows(ctx, s.config.Manner.Quiet, s.config.MaxOutput)
			if err != nil {
				return err
			}
			if !came {
				s.note("banner: %s", body(text))
				l.text = nil
				return nil
			}
			continue
		}
		quiet := time.Duration(0)
		if text == "" && !woken {
			quiet = wake
		}
		came, err := l.more(ctx, quiet, s.config.MaxOutput)
		if askedPassword && errors.Is(err, errEnded) {
			err = fmt.Errorf("%w for user %q: %w", ErrLogin, s.config.Login.User, err)
		}
		if err != nil {
			return err
		}
		if woken = woken || !came; !came {
			if err := s.typed(ctx, l, "", "", ""); err != nil {
				return err
			}
		}
	}
}

// typed sends one line of a login; what the transcript gets may differ.
func (s *Session) typed(ctx context.Context, l *link, question, line, shown string) error {
	if err := checkLine(line); err != nil {
		return errors.New("user or password holds a control character or is too long")
	}
	if err := scpi.Permit(ctx, s.config.Guard); err != nil {
		return err
	}
	s.record(scpi.Received, question)
	s.record(scpi.Sent, shown)
	l.text = nil
	return l.write(ctx, line+s.config.Manner.Newline)
}

// password reads the password and remembers it, to keep it out of the transcript.
func (s *Session) password() (string, error) {
	if s.config.Login.Password == nil {
		return "", fmt.Errorf("%w: the unit asks for a password, the lab names none", ErrLogin)
	}
	password, err := s.config.Login.Password()
	if err != nil {
		return "", fmt.Errorf("password: %w", err)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.secret = password
	return password, nil
}

// settle sends the setup lines and finds out who answers.
func (s *Session) settle(ctx context.Context) error {
	for _, line := range s.config.Manner.Setup {
		if _, err := s.exchange(ctx, 0, line); err != nil {
			return err
		}
	}
	before, again := s.boot, s.met
	if err := s.introduce(ctx); err != nil {
		return err
	}
	s.restart = s.restart || again && (s.boot == "" || s.boot != before)
	return nil
}

// introduce asks for the identity and compares it with that of the first connection.
func (s *Session) introduce(ctx context.Context) error {
	if s.config.Identify == nil {
		s.met = true
		return nil
	}
	id, boot, err := s.config.Identify(ctx, func(line string) (string, error) { return s.exchange(ctx, 0, line) })
	if err != nil {
		return err
	}
	if s.met && !id.SameInstrument(s.identity) {
		return fmt.Errorf("%w: %s, before it was %s", scpi.ErrWrongInstrument, id, s.identity)
	}
	s.identity, s.boot, s.met = id, boot, true
	return nil
}

// redacted wraps an error whose text holds the secret.
func (s *Session) redacted(err error) error {
	if text := err.Error(); s.redact(text) != text {
		return &redactedError{err, s.redact(text)}
	}
	return err
}

// redactedError prints without the secret what err would print with it.
type redactedError struct {
	err  error
	text string
}

func (r *redactedError) Error() string { return r.text }
func (r *redactedError) Unwrap() error { return r.err }

func (s *Session) redact(text string) string {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.secret == "" {
		return text
	}
	return strings.ReplaceAll(text, s.secret, hidden)
}

func (s *Session) record(direction, text string) {
	if s.config.Transcript != nil {
		s.config.Transcript.Record(direction, []byte(s.redact(text)))
	}
}

func (s *Session) note(format string, args ...any) { s.record(scpi.Note, fmt.Sprintf(format, args...)) }
