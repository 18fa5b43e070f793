package scpi

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
)

// ErrTooLong is wrapped when a message or a block is longer than its reader
// allows. Nothing of the excess was read or allocated, so the stream cannot be
// used further.
var ErrTooLong = errors.New("longer than allowed")

// ReadMessage reads one program message up to its line feed, which it removes,
// the way an instrument has to: line feeds inside definite-length blocks belong
// to the block. Text and blocks together may have limit bytes. Errors are those
// of r, ErrTooLong, or an *Error of number -161 after which the stream cannot be
// used further; io.EOF means that the message had not begun.
func ReadMessage(r *bufio.Reader, limit int) ([]byte, error) {
	m := framer{r: r, lex: lexer{program: true}, limit: limit}
	return m.read(nil)
}

// ReadResponse reads one response message up to its line feed and removes the
// terminator: line feed, carriage return, NUL padding. Line feeds inside blocks
// belong to the block. Limits and errors are those of ReadMessage.
func ReadResponse(r *bufio.Reader, limit int) ([]byte, error) {
	m := framer{r: r, limit: limit}
	return m.read(nil)
}

// shape is what is special about the responses of an instrument. The zero value
// is what IEEE 488.2 has of a socket.
type shape struct {
	carriageReturn bool        // a carriage return alone ends them
	text           bool        // blocks of indefinite length hold printable text and end with the line
	ends           func() bool // asked behind a block: nothing follows, not even a line feed; nil for never
}

// framer collects one message.
type framer struct {
	r     *bufio.Reader
	lex   lexer
	limit int
	shape shape
	sink  sink // takes blocks, nil to keep them in the message
	block bool // an unfinished block was read last: what follows is arbitrary bytes
	kept  int  // bytes up to here end in a block and are not trimmed
	text  bool // inside a block of indefinite length
}

func (m *framer) read(buf []byte) ([]byte, error) {
	if line, ok, err := m.plainLine(); ok || err != nil {
		return append(buf, line...), err
	}
	for {
		b, err := m.r.ReadByte()
		if err != nil {
			if err == io.EOF && len(buf) > 0 {
				err = io.ErrUnexpectedEOF
			}
			return buf, err
		}
		if b == '\n' || b == '\r' && m.shape.carriageReturn {
			return m.trim(buf), nil
		}
		if len(buf) >= m.limit {
			return buf, fmt.Errorf("scpi: message of more than %d bytes: %w", m.limit, ErrTooLong)
		}
		if len(buf) == 0 && !m.lex.program && isSpace(b) {
			continue // padding left behind by the answer before
		}
		buf = append(buf, b)
		if m.text {
			if b > '~' || b < ' ' && b != '\t' && b != '\r' {
				m.block = true
				return buf, StandardError(-161, fmt.Sprintf("%q in a block of indefinite length, where only text can be framed on a socket", b))
			}
			continue
		}
		if m.lex.next(b) != markBlock {
			continue
		}
		if buf, err = m.readBlock(buf); err != nil {
			return buf, noEOF(err)
		}
		if m.kept == len(buf) && m.shape.ends != nil && m.shape.ends() {
			return buf, nil
		}
	}
}

// plainLine takes a line that has arrived whole and holds neither strings nor
// blocks: what instruments mostly answer. Anything else is left where it is.
func (m *framer) plainLine() (line []byte, ok bool, err error) {
	if _, err := m.r.Peek(1); err != nil {
		return nil, false, err
	}
	arrived, _ := m.r.Peek(m.r.Buffered())
	end := bytes.IndexByte(arrived, '\n')
	if end < 0 || end > m.limit || m.shape.carriageReturn || isSpace(arrived[0]) || bytes.IndexAny(arrived[:end], `#"'`) >= 0 {
		return nil, false, nil
	}
	_, err = m.r.Discard(end + 1)
	return m.trim(arrived[:end]), true, err
}

// readBlock reads what follows '#'. The length is checked before anything is
// allocated for it.
func (m *framer) readBlock(buf []byte) ([]byte, error) {
	m.block = true
	first, err := m.r.ReadByte()
	if err != nil {
		return buf, err
	}
	if !isDigit(first) {
		m.block = false
		return buf, m.r.UnreadByte() // a non-decimal number, or the end of the message
	}
	buf = append(buf, first)
	if first == '0' {
		m.text, m.block = m.shape.text, !m.shape.text
		if m.text {
			return buf, nil
		}
		return buf, errEndlessBlock()
	}
	digits := make([]byte, first-'0')
	if _, err := io.ReadFull(m.r, digits); err != nil {
		return buf, err
	}
	buf = append(buf, digits...)
	n, err := blockLength(digits)
	if err != nil {
		return buf, err
	}
	if n > m.limit-len(buf) {
		return buf, fmt.Errorf("scpi: block of %d bytes, limit %d: %w", n, m.limit, ErrTooLong)
	}
	if m.sink != nil {
		took, err := m.sink(m.r, n)
		if err != nil {
			return buf, err
		}
		if took {
			buf = append(buf[:len(buf)-2-len(digits)], taken(n)...)
			m.kept, m.block = len(buf), false
			return buf, nil
		}
	}
	start := len(buf)
	buf = append(buf, make([]byte, n)...)
	got, err := io.ReadFull(m.r, buf[start:])
	m.kept = start + n
	m.block = err != nil
	return buf[:start+got], err
}

func (m *framer) trim(buf []byte) []byte {
	for len(buf) > m.kept && isSpace(buf[len(buf)-1]) {
		buf = buf[:len(buf)-1]
	}
	return buf
}

func noEOF(err error) error {
	if err == io.EOF {
		return io.ErrUnexpectedEOF
	}
	return err
}

func errEndlessBlock() error {
	return StandardError(-161, "indefinite length cannot be framed on a socket")
}
