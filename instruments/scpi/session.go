package scpi

import (
	"cmp"
	"context"
	"fmt"
	"sync"
	"time"
)

// Defaults of Config.
const (
	defaultTimeout    = 5 * time.Second
	defaultMaxBlock   = 64 << 20
	defaultMaxMessage = 200
	defaultBuffer     = 512
)

// terminators of program messages, by the words of Config.Terminator.
var terminators = map[string]string{"LF": "\n", "CRLF": "\r\n", "CR": "\r"}

// Config holds the settings of a Session. The zero value is ready for use.
type Config struct {
	// Timeout bounds one exchange when the context has no earlier deadline.
	// Defaults to 5 s.
	Timeout time.Duration
	// MaxBlock bounds one response in bytes, blocks included; it is checked
	// before memory is allocated. Defaults to 64 MiB.
	MaxBlock int
	// MaxMessage bounds one program message in bytes, its terminator included:
	// input buffers of instruments are small. Defaults to 200.
	MaxMessage int
	// Terminator ends each program message on a socket: "LF", "CRLF" or "CR".
	// Responses may end with any of them, padded with NULs, but a carriage return
	// alone ends one only where Terminator is "CR". Defaults to "LF". HiSLIP has
	// ends of its own.
	Terminator string
	// Banner says that the instrument greets whoever connects to its socket. The
	// greeting is thrown away before anything is asked.
	Banner bool
	// BareBlocks says that the instrument sends no terminator behind a response
	// that ends with a block. 50 ms of silence stand for it.
	BareBlocks bool
	// TextBlocks permits blocks of indefinite length in responses on a socket:
	// printable text up to the end of the line. Without it, and for other bytes
	// in any case, they are refused, as nothing tells their end from their
	// content. HiSLIP knows their end.
	TextBlocks bool
	// Sequential says that the instrument loses messages sent before the last one
	// was answered: Pipeline then never asks whether it does.
	Sequential bool
	// InputBuffer is how many bytes of messages the instrument holds unread.
	// Pipeline uses half of it. Defaults to 512.
	InputBuffer int
	// Overlapped asks for the overlapped mode of HiSLIP, without which Pipeline
	// sends one message at a time there.
	Overlapped bool
	// ServiceRequest receives the status byte of each service request of an
	// instrument on HiSLIP. It runs on a goroutine of the connection and must not
	// call the session. A socket has no service requests. Defaults to none.
	ServiceRequest func(status byte)
	// Admit is asked of the address of every connection, on HiSLIP of both channels.
	// Defaults to none: any address will do.
	Admit Admit
	// Guard is asked before every write, those of a resync included. An error
	// refuses the write. Defaults to none. See WithGuard.
	Guard func() error
	// Transcript receives every message. Defaults to none.
	Transcript Transcript
}

// Session is a conversation with one instrument over one connection, which it
// opens anew when it has to. It serves one exchange at a time; callers on
// several goroutines wait for their turn, and their contexts end the wait.
type Session struct {
	resource Resource
	config   Config
	turn     chan struct{} // holds one token: who has it may use what follows
	probes   int           // counts the echoes asked for
	suspect  error         // why the connection must be proved empty before use; nil when in step
	identity Identity      // of the first connection
	known    bool          // identity is set
	restart  bool          // a restart was seen, or could not be ruled out, and not yet reported
	pipeline pipelining    // what is known of sending before the answer

	mu         sync.Mutex // guards what is touched out of turn
	abort      string     // command that stops a running measurement, "" for none
	link       *link      // nil when there is no connection
	closed     bool
	generation uint64
}

// Dial connects to the instrument, clears its status and error queue, reads its
// identity, and returns the session. The context bounds the connecting only.
func Dial(ctx context.Context, resource Resource, config Config) (*Session, error) {
	s, err := newSession(resource, config)
	if err != nil {
		return nil, err
	}
	if err := s.connect(ctx); err != nil {
		return nil, unsent(err)
	}
	s.restart = false // the first connection finds the instrument as it is
	s.turn <- struct{}{}
	return s, nil
}

// newSession returns a session without connection, whose turn is taken.
func newSession(resource Resource, config Config) (*Session, error) {
	config.Timeout = cmp.Or(config.Timeout, defaultTimeout)
	config.MaxBlock = cmp.Or(config.MaxBlock, defaultMaxBlock)
	config.MaxMessage = cmp.Or(config.MaxMessage, defaultMaxMessage)
	config.InputBuffer = cmp.Or(config.InputBuffer, defaultBuffer)
	config.Terminator = cmp.Or(config.Terminator, "LF")
	if config.Timeout < 0 || config.MaxBlock < 0 || config.MaxMessage < 0 || config.InputBuffer < 0 {
		return nil, fmt.Errorf("scpi: timeout %v, block limit %d, message limit %d and input buffer %d must not be negative",
			config.Timeout, config.MaxBlock, config.MaxMessage, config.InputBuffer)
	}
	if terminators[config.Terminator] == "" {
		return nil, fmt.Errorf("scpi: terminator %.20q, want LF, CRLF or CR", config.Terminator)
	}
	return &Session{
		resource: resource, config: config, turn: make(chan struct{}, 1), probes: firstProbe,
	}, nil
}

// Resource returns where the instrument is.
func (s *Session) Resource() Resource { return s.resource }

// Generation returns a number that changes whenever the connection was opened
// anew. What a driver remembers of the instrument's settings is worth nothing
// after that.
func (s *Session) Generation() uint64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.generation
}

// Ready brings the session in step without sending anything of the caller's: a
// connection that was lost is opened anew, one that is suspect is proved empty.
// After it Generation says whether the instrument's settings can still be relied on.
func (s *Session) Ready(ctx context.Context) error {
	if err := s.acquire(ctx); err != nil {
		return unsent(err)
	}
	defer s.release()
	if err := s.ready(ctx); err != nil {
		return unsent(err)
	}
	return nil
}

// SetAbort names the command, such as ":ABORt", that stops a running
// measurement, "" for none, and returns the one before. It is sent as it is, first
// of all, when the session resynchronises or reconnects.
func (s *Session) SetAbort(command string) (before string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	before, s.abort = s.abort, command
	return before
}

func (s *Session) abortUnit() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.abort
}

// Close closes the connection, by a reset when an answer is owed. An exchange under way fails with ErrClosed, and
// so does every later one. Closing twice does nothing.
func (s *Session) Close() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return nil
	}
	s.closed = true
	if s.link == nil {
		return nil
	}
	select {
	case <-s.turn: // nothing is under way
		defer s.release()
		if s.suspect == nil {
			return s.link.Close()
		}
	default:
	}
	return s.link.Abort()
}

// acquire waits for the turn.
func (s *Session) acquire(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return fmt.Errorf("scpi: %s: %w", s.resource, err)
	}
	select {
	case <-s.turn:
	case <-ctx.Done():
		return fmt.Errorf("scpi: %s: waiting for another exchange: %w", s.resource, ctx.Err())
	}
	return nil
}

func (s *Session) release() { s.turn <- struct{}{} }

// adopt makes l the connection. It fails when the session was closed meanwhile.
func (s *Session) adopt(l *link) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		_ = l.Close() // unused, nothing to lose
		return fmt.Errorf("scpi: %s: %w", s.resource, ErrClosed)
	}
	s.link = l
	s.generation++
	return nil
}

// drop resets the connection: the state of its stream is unknown, and a closed
// stream is the only one that cannot deliver a stale answer.
func (s *Session) drop(why error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.link == nil {
		return
	}
	s.note("connection closed: %v", why)
	_ = s.link.Abort() // given up, its error would say nothing new
	s.link = nil
}

func (s *Session) isClosed() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.closed
}
