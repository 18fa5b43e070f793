package sim

import (
	"errors"

	"benchyard/instruments/scpi"
)

// exchangeState is where the exchange of messages with one controller stands
// (488.2 clause 6).
type exchangeState int

// The states of 488.2 6.1, as far as they can be told apart here.
const (
	stateIdle     exchangeState = iota // nothing under way
	stateRead                          // a program message comes in, nothing was asked so far
	stateQuery                         // it has asked something, the answer is not complete
	stateResponse                      // the whole response waits for the controller
	stateSend                          // part of it has been read
	stateDone                          // all of it has been read
	stateDeadlock                      // neither buffer has room: answers are thrown away to the end of the message
)

// outputQueue is how many bytes of answers a strict instrument holds.
const outputQueue = 64 << 10

// exchange is the conversation with one controller. In the strict profile it
// enforces 488.2 clause 6: answers that were not fetched are lost with -410,
// reading without a question is -420, full buffers are -430, a query behind an
// answer without an end is -440. Otherwise it just answers in order, as servers
// of raw sockets do, since they cannot see whether anybody has read.
type exchange struct {
	device   *device
	strict   bool
	input    int             // bytes the input buffer holds, zero means longestMessage
	output   int             // bytes the output queue holds, zero means outputQueue
	stop     <-chan struct{} // ends a wait for an operation; nil: nothing does
	state    exchangeState
	response []byte
	endless  bool // the last answer is arbitrary text
}

// arrive begins a program message. A response that was not fetched is lost;
// interrupted tells of that.
func (x *exchange) arrive() (interrupted bool) {
	interrupted = x.state == stateResponse || x.state == stateSend
	if interrupted && x.strict {
		x.device.fail(scpi.StandardError(-410, ""))
	}
	x.state, x.response, x.endless = stateRead, nil, false
	return interrupted
}

// delivered says that the controller has all of the response.
func (x *exchange) delivered() {
	if x.state == stateResponse || x.state == stateSend {
		x.state, x.response = stateDone, nil
	}
}

// message executes one program message; its response waits for take. Units after
// one that was refused are still executed. False means that the lab or the
// connection ended meanwhile.
func (x *exchange) message(line []byte) bool {
	if x.state != stateRead {
		x.arrive()
	}
	units, bad := scpi.ParseMessage(line)
	left := 0 // bytes in the input buffer
	for _, u := range units {
		left += size(u)
	}
	path := ""
	for _, u := range units {
		var header string
		header, path = scpi.Resolve(path, u.Header)
		left -= size(u)
		if err := x.unit(header, u); errors.Is(err, errClosing) {
			return false
		} else if err != nil {
			x.device.fail(err)
		}
		x.unlock(left)
	}
	if bad != nil {
		x.device.fail(bad)
	}
	if x.state == stateQuery {
		x.state = stateResponse
	} else {
		x.state = stateIdle
	}
	return true
}

// size is how much of the input buffer a unit takes, about.
func size(u scpi.Unit) int {
	n := len(u.Header) + 1
	for _, p := range u.Params {
		n += len(p) + 1
	}
	return n
}

// unit executes one unit and queues its answer.
func (x *exchange) unit(header string, u scpi.Unit) error {
	c, err := x.device.find(header, u.Query)
	if err != nil {
		return err
	}
	if x.strict && u.Query && x.endless {
		return scpi.StandardError(-440, header+"?")
	}
	answer, err := x.device.perform(c, header, u, len(x.response) > 0, x.stop)
	if err != nil || !u.Query {
		return err
	}
	x.endless = c.free
	if x.state == stateDeadlock {
		return nil
	}
	if x.state == stateQuery {
		x.response = append(x.response, ';')
	}
	x.state, x.response = stateQuery, append(x.response, answer...)
	return nil
}

// unlock ends a deadlock: an output queue that is full stops the parser, and with
// more in the input buffer than it holds the controller is stopped too. Then
// the answers go (488.2 6.3.1.7).
func (x *exchange) unlock(left int) {
	if !x.strict || x.state != stateQuery || len(x.response) <= orDefault(x.output, outputQueue) || left <= orDefault(x.input, longestMessage) {
		return
	}
	x.state, x.response = stateDeadlock, nil
	x.device.fail(scpi.StandardError(-430, ""))
}

// take gives the controller at most n bytes of the response, none when there is
// nothing to give, which a strict instrument holds against it.
func (x *exchange) take(n int) []byte {
	if x.state != stateResponse && x.state != stateSend {
		if x.strict {
			x.device.fail(scpi.StandardError(-420, ""))
		}
		return nil
	}
	n = min(n, len(x.response))
	out := x.response[:n]
	x.state, x.response = stateSend, x.response[n:]
	if len(x.response) == 0 {
		x.delivered()
	}
	return out
}

func orDefault(n, otherwise int) int {
	if n == 0 {
		return otherwise
	}
	return n
}
