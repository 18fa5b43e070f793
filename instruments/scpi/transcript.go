package scpi

import "fmt"

// Directions of a transcript.
const (
	Sent     = "sent"     // a program message, without its terminator
	Received = "received" // a response message, without its terminator
	Note     = "note"     // what the session did: connected, discarded, gave up
)

// Transcript receives every message of a session in order. Record is called
// with the session's turn held: it must not call the session, and it must copy
// the message when it keeps it.
type Transcript interface {
	Record(direction string, message []byte)
}

func (s *Session) record(direction string, message []byte) {
	if s.config.Transcript != nil {
		s.config.Transcript.Record(direction, abbreviate(message))
	}
}

func (s *Session) note(format string, args ...any) {
	if s.config.Transcript != nil {
		s.config.Transcript.Record(Note, fmt.Appendf(nil, format, args...))
	}
}

// abbreviate returns the message with the payload of every block replaced by
// its length: "#<160004 bytes>". A message without blocks is returned as it is.
func abbreviate(message []byte) []byte {
	var out []byte
	lex := lexer{}
	kept := 0
	for i := 0; i < len(message); i++ {
		if lex.next(message[i]) != markBlock {
			continue
		}
		header, payload, ok, err := blockAt(message[i:])
		if err != nil {
			break
		}
		if !ok {
			continue
		}
		out = fmt.Appendf(append(out, message[kept:i]...), "#<%d bytes>", payload)
		i += header + payload - 1
		kept = i + 1
	}
	if out == nil {
		return message
	}
	return append(out, message[kept:]...)
}
