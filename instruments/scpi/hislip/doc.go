// Package hislip carries SCPI messages over HiSLIP, the High-Speed LAN Instrument
// Protocol (IVI-6.1), and holds the codec of its messages for both ends.
//
// A connection is two TCP connections to one port. The synchronous channel takes
// program and response messages, the asynchronous channel what must not wait
// behind them: device clear, the status byte, service requests. Every message
// starts with a header of 16 bytes that holds its type and the length of its
// payload, so that the end of a message needs no line feed, and a number that
// ties a response to its question, so that a late answer is known as one.
//
// Conn is the client's end. In synchronized mode, the default, the instrument
// drops the response to a message when the next one arrives before it was read,
// and says so on both channels ("interrupted"). In overlapped mode responses
// queue up in order. A device clear empties both channels and starts the numbers
// anew, whatever was under way.
package hislip
