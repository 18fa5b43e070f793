// Package scpi speaks SCPI-1999 over a raw TCP socket or over HiSLIP: a pure codec
// for program and response messages, and a Session that carries them.
//
// The words are those of IEEE 488.2. A program message is a line of units
// joined by ';'. A unit is a header such as ":SENSe:FREQuency:STARt", a query
// when '?' follows, and parameters joined by ','. A response message holds one
// response unit per query, joined by ';' too, and ends with a line feed. A
// parameter or an answer may be a block: '#', the number of length digits, the
// length, then that many bytes of anything, line feeds included. This is why
// nothing here reads line by line.
//
// The codec (ParseMessage, SplitResponse, ReadMessage, ReadResponse, MatchHeader,
// ParseNumber, AppendBlock and their like) does no waiting and knows no
// instrument. Simulators use it from the other end of the wire.
//
// Session owns one connection, and Config says what is special about the
// instrument behind it. Answers on a raw socket carry no number that would tie
// them to a question, so the session trusts their order only as long as every exchange ended well and nothing unasked-for has arrived, which
// it looks for before each write. After a timeout, a cancelled context or an
// answer that does not fit, the connection is suspect: before the next use it
// is proved empty with an echo nobody could have asked for before, or it is
// reset and opened anew and the identity of the instrument compared. So a stale
// answer is not returned as a fresh one, as long as the instrument answers every
// question once and in order. One that repeats an answer just while the next
// question is on its way deceives one query, and is found out before the next
// write. Confirm, for safe states, carries an echo of its own and is not deceived.
//
// Over HiSLIP a device clear takes the place of the echo: it reaches an instrument
// that waits for its own operation, and empties both ends. Answers carry the number
// of their question there in synchronized mode, the default.
//
// Clause numbers in comments are those of IEEE 488.2-1992 ("488.2") and of
// SCPI-1999 volume 1 or 2 ("vol. 1", "vol. 2").
package scpi
