package hislip

import (
	"bufio"
	"cmp"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"net"
	"sync"
	"time"
)

const (
	version        = 0x0100  // of the protocol: 1.0
	defaultMessage = 1 << 20 // largest message announced to the instrument
	smallest       = 64      // bytes an instrument must take in one message to be of use
	maxText        = 4 << 10 // longest payload but that of Data and DataEnd
)

// Config holds the settings of a Conn. The zero value is ready for use.
type Config struct {
	// SubAddress names the device behind the server. Defaults to "hislip0".
	SubAddress string
	// Overlapped asks for overlapped mode. The instrument may grant the other.
	Overlapped bool
	// MaxMessage is announced as the largest message in bytes, header included,
	// that the instrument should send; responses come in as many as they need.
	// Defaults to 1 MiB.
	MaxMessage int
	// ServiceRequest receives the status byte of each service request. It runs on
	// the goroutine of the asynchronous channel and must not call the Conn.
	// Defaults to none.
	ServiceRequest func(status byte)
}

// Conn is a client's connection to an instrument. Send, Receive and Clear serve
// one caller at a time; Status, Close and Abort may be called meanwhile.
type Conn struct {
	config Config
	sync   net.Conn
	async  net.Conn
	r      *bufio.Reader // of the synchronous channel
	left   uint64        // bytes of the payload under way that have not been read
	most   int           // bytes of payload the instrument takes in one message
	out    []byte        // what Send writes, kept for its memory

	asking  chan struct{} // holds one token: who has it may ask on the asynchronous channel
	replies chan reply    // answers from there
	change  chan struct{} // a token after every change of what mu guards
	ended   chan struct{} // closed when the asynchronous channel has ended
	lost    error         // why it has; read after ended is closed

	mu          sync.Mutex
	overlapped  bool
	last        uint32    // number of the last message sent
	delivered   bool      // a whole response was read since then
	interrupted int       // interruptions seen on the synchronous channel less those on the other
	deadline    time.Time // of Send and Receive
}

// reply is a message of the asynchronous channel.
type reply struct {
	header  Header
	payload []byte
}

// Dial opens both channels with dial and agrees on mode and message sizes. The
// context bounds all of it. A refusal by the instrument is *Failure.
func Dial(ctx context.Context, dial func(context.Context) (net.Conn, error), config Config) (*Conn, error) {
	config.SubAddress = cmp.Or(config.SubAddress, "hislip0")
	config.MaxMessage = cmp.Or(config.MaxMessage, defaultMessage)
	c := &Conn{
		config: config, asking: make(chan struct{}, 1), replies: make(chan reply, 1),
		change: make(chan struct{}, 1), ended: make(chan struct{}), last: FirstMessage - 2,
	}
	var err error
	if c.sync, err = dial(ctx); err != nil {
		return nil, fmt.Errorf("hislip: synchronous channel: %w", err)
	}
	c.r = bufio.NewReaderSize(c.sync, 16<<10)
	session, err := c.initialize(ctx)
	if err != nil {
		return nil, errors.Join(err, c.sync.Close())
	}
	if c.async, err = dial(ctx); err != nil {
		return nil, errors.Join(fmt.Errorf("hislip: asynchronous channel: %w", err), c.sync.Close())
	}
	go c.listen()
	c.asking <- struct{}{}
	err = c.join(ctx, session)
	if err == nil && c.Overlapped() != config.Overlapped {
		err = c.Clear(ctx) // the instrument named the mode it prefers; this asks for the other
	}
	if err != nil {
		_ = c.Close() // what went wrong before says more
		return nil, err
	}
	return c, nil
}

// initialize opens the session on the synchronous channel and returns its number.
func (c *Conn) initialize(ctx context.Context) (session uint32, err error) {
	defer interrupt(ctx, c.sync)()
	hello := AppendMessage(nil, Header{Type: Initialize, Parameter: version << 16}, []byte(c.config.SubAddress))
	if _, err := c.sync.Write(hello); err != nil {
		return 0, fmt.Errorf("hislip: initialize: %w", because(ctx, err))
	}
	h, payload, err := c.message(maxText)
	if err == nil && h.Type != InitializeResponse {
		err = unexpected(h, payload)
	}
	if err != nil {
		return 0, fmt.Errorf("hislip: initialize: %w", because(ctx, err))
	}
	c.overlapped = h.Control&Overlapped != 0
	return h.Parameter & 0xFFFF, nil
}

// join ties the asynchronous channel to the session and agrees on message sizes.
func (c *Conn) join(ctx context.Context, session uint32) error {
	if _, err := c.ask(ctx, Header{Type: AsyncInitialize, Parameter: session}, nil, AsyncInitializeResponse); err != nil {
		return err
	}
	ours := binary.BigEndian.AppendUint64(nil, uint64(c.config.MaxMessage))
	got, err := c.ask(ctx, Header{Type: AsyncMaximumMessageSize}, ours, AsyncMaximumMessageSizeResponse)
	if err != nil {
		return err
	}
	if len(got.payload) != 8 || binary.BigEndian.Uint64(got.payload) < smallest {
		return fmt.Errorf("hislip: the instrument takes messages of % x bytes, want 8 digits for at least %d", got.payload, smallest)
	}
	c.most = int(min(binary.BigEndian.Uint64(got.payload), 1<<30)) - HeaderSize
	return nil
}

// Overlapped reports the mode the instrument granted.
func (c *Conn) Overlapped() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.overlapped
}

// Buffered returns how many bytes of the synchronous channel have arrived here but
// were not asked for yet.
func (c *Conn) Buffered() int { return c.r.Buffered() }

// SetDeadline bounds the Send and Receive under way and those that follow. The
// zero time stands for none.
func (c *Conn) SetDeadline(t time.Time) error {
	c.mu.Lock()
	c.deadline = t
	c.mu.Unlock()
	c.changed()
	return c.sync.SetDeadline(t)
}

// Close closes both channels and waits for the goroutine that listens to the
// asynchronous one.
func (c *Conn) Close() error {
	err := errors.Join(c.sync.Close(), c.async.Close())
	<-c.ended
	if errors.Is(err, net.ErrClosed) {
		return nil // the instrument had ended it before
	}
	return err
}

// Abort is Close by a reset: nothing that the instrument has not taken yet
// reaches it later.
func (c *Conn) Abort() error {
	for _, channel := range []net.Conn{c.sync, c.async} {
		if tcp, ok := channel.(interface{ SetLinger(seconds int) error }); ok {
			_ = tcp.SetLinger(0) // fails only where the connection is gone already
		}
	}
	return c.Close()
}

func (c *Conn) changed() {
	select {
	case c.change <- struct{}{}:
	default:
	}
}

// past is a deadline that has expired, whatever the clock says.
var past = time.Unix(1, 0)

// interrupt lifts the deadline of conn and ends its reads and writes when ctx is
// done, until the returned function is called.
func interrupt(ctx context.Context, conn net.Conn) (stop func()) {
	_ = conn.SetDeadline(time.Time{}) // an older one may have expired; fails as below
	fired := make(chan struct{})
	cancel := context.AfterFunc(ctx, func() {
		defer close(fired)
		_ = conn.SetDeadline(past) // fails only on a closed connection, where nothing blocks
	})
	return func() {
		if !cancel() {
			<-fired
		}
		_ = conn.SetDeadline(time.Time{})
	}
}

// because names the end of ctx in place of the deadline it made expire.
func because(ctx context.Context, err error) error {
	var n net.Error
	if ctx.Err() != nil && errors.As(err, &n) && n.Timeout() {
		return context.Cause(ctx)
	}
	return err
}
