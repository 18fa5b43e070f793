// Package shell talks to a command line: a prompt, a line sent, what the line
// prints, the prompt again. It carries the control of radio units that have no
// line protocol, over TCP or over SSH.
//
// The concept on one screen:
//
//	Manner   how a family of command lines speaks: prompt, refusals, login
//	         questions, what to send first, a command that echoes
//	Login    who logs in, with which secret, and the host keys that are known
//	Session  one connection at a time, opened anew when its prompt is lost
//
// A command line has no message boundaries and no numbers that tie an output to a
// command. What ends an output is the prompt on a line of its own with nothing
// behind it, which a text may hold by chance. Where the manner knows a command
// that echoes its argument, every command is followed by an echo that nobody
// could have asked for before: what stands in front of it belongs to the command,
// and a unit out of step is found out at once. Without one, the prompt counts
// when nothing follows for Manner.Quiet.
//
// Control sequences of terminals, carriage returns and the echo of the command
// are taken off. After a timeout, a cancelled context or a lost connection the
// stream is closed; the next call opens another one and compares the identity of
// the unit. Guard and transcript are those of package scpi: the guard is asked
// before every write, those of a login included, and secrets never reach the
// transcript or an error.
package shell

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"benchyard/instruments/scpi"
)

// Defaults of Config and Manner.
const (
	defaultTimeout   = 5 * time.Second
	defaultMaxOutput = 1 << 20
	defaultQuiet     = 50 * time.Millisecond
	longestLine      = 1024 // bytes of one command
)

// Manner is how a family of command lines speaks. Patterns are regular expressions
// of Go.
type Manner struct {
	Prompt   string   // pattern of the whole prompt, blanks at its end aside; required
	Refused  string   // pattern in an output line that says that a command was not carried out; its first group, if any, is the reason
	User     string   // pattern of the question for a user over TCP; empty: none is asked
	Password string   // pattern of the question for a password over TCP; empty: none is asked
	Setup    []string // lines sent after every login: no pager, no echo
	Echo     string   // command that prints its argument, {text}; empty: the unit has none
	Newline  string   // ends a line; empty: a line feed
	Quiet    time.Duration
}

// Identify asks a unit who it is and what tells one boot from the next (a boot
// counter, a start time), which may be empty where a unit cannot tell. ask sends one
// line and returns its output.
type Identify func(ctx context.Context, ask func(line string) (string, error)) (id scpi.Identity, boot string, err error)

// Config holds the settings of a Session. Only Manner.Prompt is required.
type Config struct {
	Manner   Manner
	Login    Login
	Identify Identify // nil: the identity stays empty and is not compared

	Timeout    time.Duration // bounds one line when the context has no earlier deadline; zero: 5 s
	MaxOutput  int           // bounds the output of one line in bytes; zero: 1 MiB
	Admit      scpi.Admit    // asked of the address of every connection; nil: any will do
	Guard      func() error  // asked before every write; see scpi.WithGuard
	Transcript scpi.Transcript
}

// Session is a conversation with one command line. It serves one call at a time;
// callers on several goroutines wait for their turn, and their contexts end the wait.
type Session struct {
	resource scpi.Resource
	config   Config
	speech   *speech
	turn     chan struct{} // holds one token: who has it may use what follows
	echoes   int           // counts the echoes asked for
	identity scpi.Identity // of the first connection
	boot     string        // of the connection before
	met      bool          // identity and boot are set
	restart  bool          // a restart was seen, or could not be ruled out, and not yet reported
	stale    error         // why the connection at hand must not be used any more; nil: it may be

	mu     sync.Mutex // guards what is touched out of turn
	link   *link      // nil when there is no connection
	closed bool
	secret string // of the last login, for the transcript
}

// Dial connects, logs in, sends the setup of the manner and asks for the identity.
// The context bounds the connecting only.
func Dial(ctx context.Context, resource scpi.Resource, config Config) (*Session, error) {
	s, err := newSession(resource, config)
	if err != nil {
		return nil, err
	}
	if err := s.connect(ctx); err != nil {
		return nil, scpi.Delivered(err, false)
	}
	s.restart = false // the first connection finds the unit as it is
	s.turn <- struct{}{}
	return s, nil
}

// newSession returns a session without connection, whose turn is taken.
func newSession(resource scpi.Resource, config Config) (*Session, error) {
	config.Timeout = cmp.Or(config.Timeout, defaultTimeout)
	config.MaxOutput = cmp.Or(config.MaxOutput, defaultMaxOutput)
	config.Manner.Quiet = cmp.Or(config.Manner.Quiet, defaultQuiet)
	config.Manner.Newline = cmp.Or(config.Manner.Newline, "\n")
	if config.Timeout < 0 || config.MaxOutput < 0 || config.Manner.Quiet < 0 {
		return nil, fmt.Errorf("shell: timeout %v, output limit %d and quiet time %v must not be negative",
			config.Timeout, config.MaxOutput, config.Manner.Quiet)
	}
	speech, err := config.Manner.compile()
	if err != nil {
		return nil, err
	}
	return &Session{resource: resource, config: config, speech: speech, turn: make(chan struct{}, 1)}, nil
}

// Resource returns where the command line is.
func (s *Session) Resource() scpi.Resource { return s.resource }

// Close closes the connection. A call under way fails with scpi.ErrClosed, and so
// does every later one. Closing twice does nothing.
func (s *Session) Close() error {
	s.mu.Lock()
	l := s.link
	s.closed, s.link = true, nil
	s.mu.Unlock()
	if l == nil {
		return nil
	}
	select {
	case <-s.turn: // nothing is under way
		defer s.release()
		return l.close(false)
	default:
		return l.close(true)
	}
}

// Ready brings the session in step without sending anything of the caller's: a lost
// connection is opened anew. scpi.ErrRestarted says once that settings are lost.
func (s *Session) Ready(ctx context.Context) error {
	if err := s.acquire(ctx); err != nil {
		return scpi.Delivered(err, false)
	}
	defer s.release()
	if err := s.ready(ctx); err != nil {
		return scpi.Delivered(err, false)
	}
	return nil
}

// Identity returns what the unit answered when this connection was opened.
func (s *Session) Identity(ctx context.Context) (scpi.Identity, error) {
	if err := s.acquire(ctx); err != nil {
		return scpi.Identity{}, scpi.Delivered(err, false)
	}
	defer s.release()
	if err := s.inStep(ctx); err != nil {
		return scpi.Identity{}, scpi.Delivered(err, false)
	}
	if err := s.introduce(ctx); err != nil {
		return scpi.Identity{}, err
	}
	return s.identity, nil
}

// acquire waits for the turn.
func (s *Session) acquire(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return fmt.Errorf("shell: %s: %w", s.resource, err)
	}
	select {
	case <-s.turn:
	case <-ctx.Done():
		return fmt.Errorf("shell: %s: waiting for another exchange: %w", s.resource, ctx.Err())
	}
	return nil
}

func (s *Session) release() { s.turn <- struct{}{} }

// ready is inStep that reports a restart, once.
func (s *Session) ready(ctx context.Context) error {
	if err := s.inStep(ctx); err != nil {
		return err
	}
	if s.restart {
		s.restart = false
		return fmt.Errorf("shell: %s: %w", s.resource, scpi.ErrRestarted)
	}
	return nil
}

// inStep opens a connection when there is none, or the unit has ended it: many do
// so when nothing was typed for a while.
func (s *Session) inStep(ctx context.Context) error {
	if l := s.current(); l != nil && s.stale == nil && !s.discard(l) {
		return nil
	}
	s.drop(cmp.Or(s.stale, errEnded))
	if s.isClosed() {
		return fmt.Errorf("shell: %s: %w", s.resource, scpi.ErrClosed)
	}
	return s.connect(ctx)
}

// discard throws away what came unasked for, and reports whether the unit has ended
// the connection.
func (s *Session) discard(l *link) (ended bool) {
	stale, ended := l.unasked()
	if len(stale) > 0 {
		s.note("unasked: %s", Clean(stale))
	}
	return ended
}

func (s *Session) current() *link {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.link
}

func (s *Session) isClosed() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.closed
}

// drop cuts the connection: nobody knows what stands in its stream.
func (s *Session) drop(why error) {
	s.mu.Lock()
	l := s.link
	s.link = nil
	s.mu.Unlock()
	if l == nil {
		return
	}
	s.note("connection closed: %v", why)
	s.stale = nil
	_ = l.close(true) // given up, its error would say nothing new
}

// Kinds of failure of a command line beside those of package scpi.
var (
	// ErrLogin: the unit does not let this user in.
	ErrLogin = errors.New("login refused")
	// ErrHostKey: the unit shows a host key that the lab does not know.
	ErrHostKey = errors.New("unknown host key")
)

// Refusal is a command that the unit did not carry out.
type Refusal struct {
	Line   string // as sent
	Reason string // as the unit put it
}

// Error prints command and reason.
func (r *Refusal) Error() string { return fmt.Sprintf("%.80q refused: %.200s", r.Line, r.Reason) }
