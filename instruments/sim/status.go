package sim

import (
	"benchyard/instruments/scpi"
)

// register is a SCPI status register (SCPI-1999 vol. 2, 20.1): a live condition,
// events that transitions leave behind, and the mask of the summary.
type register struct {
	condition, event, enable, rise, fall uint16
}

// mask keeps bit 15 of every register zero.
const mask = 0x7FFF

// set changes condition bits and records the transitions that the filters let through.
func (r *register) set(bits uint16, on bool) {
	was := r.condition
	if on {
		r.condition |= bits
	} else {
		r.condition &^= bits
	}
	r.event |= (r.condition &^ was & r.rise) | (was &^ r.condition & r.fall)
}

// read returns the events and clears them.
func (r *register) read() uint16 {
	events := r.event
	r.event = 0
	return events
}

// Condition bits used here (SCPI-1999 vol. 2, chapter 20).
const (
	operationSweeping   = 1 << 3
	operationMeasuring  = 1 << 4
	questionableCurrent = 1 << 1
	questionablePower   = 1 << 3
	eventOperation      = 1 << 0 // standard event register: *OPC done
	eventControl        = 1 << 1
	eventUser           = 1 << 6
	eventPowerOn        = 1 << 7
	statusErrors        = 1 << 2
	statusQuestionable  = 1 << 3
	statusAnswer        = 1 << 4
	statusEvents        = 1 << 5
	statusMaster        = 1 << 6
	statusOperation     = 1 << 7
	queueDepth          = 17
	overflowNumber      = -350
	commandErrorEvent   = 1 << 5
	executionErrorEvent = 1 << 4
	deviceErrorEvent    = 1 << 3
	queryErrorEvent     = 1 << 2
)

// status is the status model of an instrument (488.2 clause 11).
type status struct {
	event, eventEnable, requestEnable byte
	operation, questionable           register
	queue                             []*scpi.Error
}

// newStatus returns the state after power-on.
func newStatus() status {
	s := status{event: eventPowerOn}
	s.preset()
	return s
}

// preset is STATus:PRESet: filters and masks, but neither events nor queue.
func (s *status) preset() {
	for _, r := range []*register{&s.operation, &s.questionable} {
		r.enable, r.rise, r.fall = 0, mask, 0
	}
}

// clear is *CLS.
func (s *status) clear() {
	s.event = 0
	s.operation.event, s.questionable.event = 0, 0
	s.queue = nil
}

// eventOf is the bit of the standard event register that an error sets: one of
// them, by its class (SCPI-1999 vol. 2, 21.8).
func eventOf(number int) byte {
	if number > 0 {
		return deviceErrorEvent
	}
	switch number / 100 {
	case -2:
		return executionErrorEvent
	case -3:
		return deviceErrorEvent
	case -4:
		return queryErrorEvent
	case -5:
		return eventPowerOn
	case -6:
		return eventUser
	case -7:
		return eventControl
	case -8:
		return eventOperation
	}
	return commandErrorEvent
}

// push queues an error and sets the event bit of its class. A full queue keeps
// its oldest entries and ends with -350 (SCPI-1999 vol. 2, 21.8).
func (s *status) push(e *scpi.Error) {
	s.event |= eventOf(e.Number)
	if len(s.queue) < queueDepth {
		s.queue = append(s.queue, e)
		return
	}
	s.queue[queueDepth-1] = scpi.StandardError(overflowNumber, "")
	s.event |= deviceErrorEvent
}

// pop takes the oldest error, number 0 when there is none.
func (s *status) pop() *scpi.Error {
	if len(s.queue) == 0 {
		return scpi.StandardError(0, "")
	}
	e := s.queue[0]
	s.queue = s.queue[1:]
	return e
}

// summary returns the status byte; answer tells whether the output queue holds one.
func (s *status) summary(answer bool) byte {
	var b byte
	set := func(bit byte, on bool) {
		if on {
			b |= bit
		}
	}
	set(statusErrors, len(s.queue) > 0)
	set(statusQuestionable, s.questionable.event&s.questionable.enable != 0)
	set(statusAnswer, answer)
	set(statusEvents, s.event&s.eventEnable != 0)
	set(statusOperation, s.operation.event&s.operation.enable != 0)
	set(statusMaster, b&s.requestEnable&^statusMaster != 0)
	return b
}
