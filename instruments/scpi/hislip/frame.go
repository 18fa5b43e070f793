package hislip

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
)

// HeaderSize is the length of an encoded Header in bytes.
const HeaderSize = 16

// Header is what every message starts with. What Control and Parameter mean
// depends on the type.
type Header struct {
	Type      MessageType
	Control   byte   // flags or a code
	Parameter uint32 // a message number, a session number, a pair of versions
	Length    uint64 // bytes of the payload that follows
}

// ErrHeader is wrapped when the bytes at hand start no message: both ends have
// lost each other and the connection cannot be used further.
var ErrHeader = errors.New("not the header of a HiSLIP message")

// ErrTooLong is wrapped when a payload is longer than its reader allows. Nothing
// of it was read or allocated.
var ErrTooLong = errors.New("longer than allowed")

// AppendHeader appends the 16 bytes of h to dst: "HS", type, control, then
// parameter and length, most significant byte first.
func AppendHeader(dst []byte, h Header) []byte {
	dst = append(dst, 'H', 'S', byte(h.Type), h.Control)
	dst = binary.BigEndian.AppendUint32(dst, h.Parameter)
	return binary.BigEndian.AppendUint64(dst, h.Length)
}

// AppendMessage appends a whole message to dst; the length in its header is that
// of payload, whatever h says.
func AppendMessage(dst []byte, h Header, payload []byte) []byte {
	h.Length = uint64(len(payload))
	return append(AppendHeader(dst, h), payload...)
}

// ReadHeader reads one header. Errors are those of r, or ErrHeader; io.EOF means
// that the connection ended between messages.
func ReadHeader(r io.Reader) (Header, error) {
	var b [HeaderSize]byte
	if _, err := io.ReadFull(r, b[:]); err != nil {
		return Header{}, err
	}
	if b[0] != 'H' || b[1] != 'S' {
		return Header{}, fmt.Errorf("hislip: %q: %w", b[:2], ErrHeader)
	}
	return Header{
		Type: MessageType(b[2]), Control: b[3],
		Parameter: binary.BigEndian.Uint32(b[4:]), Length: binary.BigEndian.Uint64(b[8:]),
	}, nil
}

// AppendPayload reads the payload of h from r and appends it to dst. One of more
// than limit bytes is ErrTooLong. A connection that ends inside the payload is
// io.ErrUnexpectedEOF.
func AppendPayload(dst []byte, r io.Reader, h Header, limit int) ([]byte, error) {
	if h.Length > uint64(max(limit, 0)) {
		return dst, fmt.Errorf("hislip: %s with %d bytes, limit %d: %w", h.Type, h.Length, limit, ErrTooLong)
	}
	start, n := len(dst), int(h.Length)
	dst = append(dst, make([]byte, n)...)
	got, err := io.ReadFull(r, dst[start:])
	if err == io.EOF {
		err = io.ErrUnexpectedEOF
	}
	return dst[:start+got], err
}
