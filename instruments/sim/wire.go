package sim

import (
	"fmt"
	"net"
)

// WireFault is something that goes wrong between an instrument and whoever
// drives it.
type WireFault string

// The wire faults. Drop and Stale spoil one answer and end by themselves; the
// others last until None is injected.
const (
	None          WireFault = ""
	Silent        WireFault = "silent"         // commands are executed, nothing is answered
	Garbage       WireFault = "garbage"        // every answer is a line of nonsense
	Drop          WireFault = "drop"           // the connection is cut in the middle of the next answer
	Stale         WireFault = "stale"          // the next answer is sent only when something more is asked
	NotANumber    WireFault = "nan"            // traces and readings hold 9.91E37 and NaN
	WrongIdentity WireFault = "wrong identity" // *IDN? answers for another instrument
	Overload      WireFault = "overload"       // analyzer: a strong signal outside the span drives the mixer
	BypassedPad   WireFault = "bypassed pad"   // analyzer: the pads of the bench's paths are missing
)

// valid reports a fault that exists.
func (f WireFault) valid() bool {
	switch f {
	case None, Silent, Garbage, Drop, Stale, NotANumber, WrongIdentity, Overload, BypassedPad:
		return true
	}
	return false
}

// wire is the sending side of one connection.
type wire struct {
	device *device
	conn   net.Conn
	held   string // an answer that comes late
}

// flush sends an answer held back; false when the connection is gone.
func (w *wire) flush() bool {
	if w.held == "" {
		return true
	}
	late := w.held
	w.held = ""
	return w.write(late)
}

// send sends an answer the way the fault of the moment has it.
func (w *wire) send(answer string) bool {
	switch w.device.takeFault() {
	case Silent:
		return true
	case Garbage:
		return w.write("\x7f~?garbage")
	case Drop:
		_, _ = w.conn.Write([]byte(answer[:len(answer)/2]))
		return false
	case Stale:
		w.held = answer
		return true
	}
	return w.write(answer)
}

// write sends one response message in one piece: instruments that send the
// terminator apart make their clients wait for an acknowledgement.
func (w *wire) write(answer string) bool {
	_, err := w.conn.Write(append([]byte(answer), '\n'))
	return err == nil
}

// takeFault returns the fault in force and ends those that last for one answer.
func (d *device) takeFault() WireFault {
	d.mu.Lock()
	defer d.mu.Unlock()
	f := d.fault
	if f == Drop || f == Stale {
		d.fault = None
	}
	return f
}

// Inject puts a fault on an instrument, or takes it away with None. Names are
// those of the inventory; radio units go by their serial number. Unknown names
// and faults are errors.
func (l *Lab) Inject(instrument string, fault WireFault) error {
	d, ok := l.devices[instrument]
	if !ok || !fault.valid() {
		return fmt.Errorf("sim: inject %q: no such fault, or no instrument %q", fault, instrument)
	}
	d.mu.Lock()
	was := d.fault
	d.fault = fault
	d.mu.Unlock()
	d.note("inject", "%s", fault)
	if b := l.world.analyzers[instrument]; b != nil && (was == BypassedPad) != (fault == BypassedPad) {
		l.world.bypass(b, fault == BypassedPad)
	}
	return nil
}
