// Package hislip carries SCPI messages over HiSLIP, the High-Speed LAN Instrument
// Protocol (IVI-6.1), and holds the codec of its messages for both ends.
//
// A connection is two TCP connections to one port. The synchronous channel takes
// program and response messages, the asynchronous channel what must not wait
// behind them: device clear, the status byte, service requests. Every message
// starts with a header of 16 bytes that holds its type and the length of its
// payload, so that the end of a message needs no line feed, and a number that
// ties a response to its question, so that a late answer is known as one.
package hislip
