package scpi

import (
	"bytes"
	"fmt"
	"strconv"
)

// mark is what a lexer says of one byte.
type mark int

const (
	markText  mark = iota // part of an element, quoted text included
	markUnit              // ';' between units
	markData              // ',' between elements
	markBlock             // '#' that may open a block or a non-decimal number
)

// lexer finds strings and the places where a block may start, one byte at a
// time, so that the reader of a socket and the splitters of a finished message
// agree about every separator.
//
// In program messages a string may start anywhere and white space starts an
// element. In responses both happen only at the start of an element: responses
// hold no white space of their own (488.2 8.7), and free text such as the answer
// to *IDN? may hold an apostrophe or a '#'.
type lexer struct {
	program bool
	endless bool // a block of indefinite length is the rest of the message, not an error
	quote   byte // open string's delimiter, 0 outside
	closed  byte // delimiter that closed a string with the byte before
	inside  bool // an element has begun
	depth   int  // open parentheses, program messages only
}

func (l *lexer) next(b byte) mark {
	if l.quote != 0 {
		if b == l.quote {
			l.quote, l.closed = 0, b
		}
		return markText
	}
	closed := l.closed
	l.closed = 0
	switch {
	case b == '"' || b == '\'':
		if b == closed || l.program || !l.inside {
			l.quote, l.inside = b, true
		}
		return markText
	case b == '#' && !l.inside:
		l.inside = true
		return markBlock
	case b == ';':
		l.inside, l.depth = false, 0
		return markUnit
	case l.program && b == '(':
		l.depth++
	case l.program && b == ')':
		l.depth--
	case b == ',' && l.depth <= 0:
		l.inside = false
		return markData
	}
	l.inside = !(l.program && isSpace(b))
	return markText
}

// isSpace reports white space as 488.2 7.4.1.2 has it: everything up to the
// blank except the line feed.
func isSpace(b byte) bool { return b <= ' ' && b != '\n' }

func isLetter(b byte) bool { return b >= 'A' && b <= 'Z' || b >= 'a' && b <= 'z' }

func isDigit(b byte) bool { return b >= '0' && b <= '9' }

func trimSpace(b []byte) []byte {
	for len(b) > 0 && isSpace(b[0]) {
		b = b[1:]
	}
	for len(b) > 0 && isSpace(b[len(b)-1]) {
		b = b[:len(b)-1]
	}
	return b
}

// trim removes white space at both ends, and the terminator in the shapes it is
// sent in: line feed, carriage return, NUL padding. A block at the end keeps its
// bytes, whatever they are.
func (l lexer) trim(b []byte) []byte {
	for len(b) > 0 && isSpace(b[0]) {
		b = b[1:]
	}
	end := 0
	if bytes.IndexByte(b, '#') >= 0 {
		end = l.lastBlock(b)
	}
	for n := len(b); n > end && b[n-1] <= ' '; n-- {
		b = b[:n-1]
	}
	return b
}

// lastBlock returns where the last block of b ends, 0 when there is none, and
// the length of b when a block in it is broken: then nothing may be removed.
func (l lexer) lastBlock(b []byte) int {
	end := 0
	for i := 0; i < len(b); i++ {
		if l.next(b[i]) != markBlock {
			continue
		}
		header, payload, ok, err := l.blockAt(b[i:])
		if err != nil {
			return len(b)
		}
		if ok {
			i += header + payload - 1
			end = i + 1
		}
	}
	return end
}

// blockAt is the function of that name, and knows blocks of indefinite length
// where they are allowed.
func (l lexer) blockAt(b []byte) (header, payload int, ok bool, err error) {
	if l.endless && len(b) > 1 && b[1] == '0' {
		return 2, len(b) - 2, true, nil
	}
	return blockAt(b)
}

// blockAt measures the block that starts with '#' at b[0]. It returns the
// length of its header and of its payload, and ok false when b starts a
// non-decimal number instead.
func blockAt(b []byte) (header, payload int, ok bool, err error) {
	if len(b) < 2 {
		return 0, 0, false, StandardError(-161, "'#' at the end of the message")
	}
	if b[1] == '0' {
		return 0, 0, false, errEndlessBlock()
	}
	if !isDigit(b[1]) {
		return 0, 0, false, nil
	}
	header = 2 + int(b[1]-'0')
	if len(b) < header {
		return 0, 0, false, StandardError(-161, "message ends inside the length")
	}
	payload, err = blockLength(b[2:header])
	if err != nil {
		return 0, 0, false, err
	}
	if len(b)-header < payload {
		return 0, 0, false, StandardError(-161, fmt.Sprintf("%d of %d bytes", len(b)-header, payload))
	}
	return header, payload, true, nil
}

// blockLength decodes the length digits of a block header, at most nine.
func blockLength(digits []byte) (int, error) {
	for _, d := range digits {
		if !isDigit(d) {
			return 0, StandardError(-161, fmt.Sprintf("length %.12q is not a number", digits))
		}
	}
	n, err := strconv.Atoi(string(digits))
	if err != nil {
		return 0, StandardError(-161, fmt.Sprintf("length %.12q", digits))
	}
	return n, nil
}
