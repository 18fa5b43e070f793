package sim

import (
	"fmt"
	"slices"
	"strings"

	"benchyard/instruments/scpi"
)

// WireFault is something that goes wrong between an instrument and whoever
// drives it.
type WireFault string

// The wire faults. What is said of the next answer ends by itself, and so do
// Reboot, HalfOpen and ErrorFlood, which happen when they are injected; the
// others last until None is.
const (
	None            WireFault = ""
	Silent          WireFault = "silent"             // commands are executed, nothing is answered
	Garbage         WireFault = "garbage"            // every answer is a line of nonsense
	Drop            WireFault = "drop"               // the connection is cut in the middle of the next answer
	Stale           WireFault = "stale"              // the next answer is sent only when something more is asked
	Slow            WireFault = "slow"               // every answer comes late and in two pieces
	Partial         WireFault = "partial"            // the next answer stops half way without terminator, and an error follows in its place
	Glued           WireFault = "glued"              // the next answer has no terminator: the one after it follows on the same line
	WrongCount      WireFault = "wrong count"        // the next response message has one answer less, or one too many when it should have one
	HalfBlock       WireFault = "half block"         // the connection is cut inside the payload of the next block
	Indefinite      WireFault = "indefinite block"   // blocks have no length
	BareBlock       WireFault = "bare block"         // responses that end in a block have no terminator
	LineFeedInBlock WireFault = "line feed in block" // every fourth byte of a block is a line feed: 3e-5 of a REAL,32 at most
	LineFeedInText  WireFault = "line feed in text"  // strings hold a line feed, where servers of sockets end a message
	CRLF            WireFault = "crlf"               // answers end with carriage return and line feed
	Padding         WireFault = "padding"            // and NULs behind
	Banner          WireFault = "banner"             // a greeting comes on every new connection
	DecimalComma    WireFault = "decimal comma"      // 1,5 for 1.5
	UnitSuffix      WireFault = "unit suffix"        // 1.5 DBM for 1.5
	OverRange       WireFault = "over range"         // numbers are 9.9E37
	Dashes          WireFault = "dashes"             // numbers are ---
	EndlessErrors   WireFault = "endless errors"     // the error queue never becomes empty
	ErrorFlood      WireFault = "error flood"        // the error queue runs over
	Occupied        WireFault = "occupied"           // new connections are accepted, but another client is served
	Refused         WireFault = "refused"            // new connections are reset
	Reboot          WireFault = "reboot"             // the instrument is switched off and on: connections cut, settings lost
	HalfOpen        WireFault = "half open"          // open connections are dead, though nobody closed them
	Endless         WireFault = "endless operation"  // what is started does not end, only an abort ends it
	NotANumber      WireFault = "nan"                // traces and readings hold 9.91E37 and NaN
	WrongIdentity   WireFault = "wrong identity"     // *IDN? answers for another instrument
	Overload        WireFault = "overload"           // analyzer: a strong signal outside the span drives the mixer
	BypassedPad     WireFault = "bypassed pad"       // analyzer: the pads of the bench's paths are missing
)

// oneAnswer are the faults that spoil one answer and end by themselves.
var oneAnswer = [...]WireFault{Drop, Stale, Partial, Glued, WrongCount, HalfBlock}

// everyAnswer are the faults that spoil answers as long as they last.
var everyAnswer = [...]WireFault{
	Silent, Garbage, Slow, Indefinite, BareBlock, LineFeedInBlock, LineFeedInText, CRLF, Padding, DecimalComma, UnitSuffix, OverRange, Dashes,
}

// other are the faults that are not in an answer.
var other = [...]WireFault{
	Banner, EndlessErrors, ErrorFlood, Occupied, Refused, Reboot, HalfOpen, Endless, NotANumber, WrongIdentity, Overload, BypassedPad,
}

// WireFaults returns every fault but None.
func WireFaults() []WireFault { return slices.Concat(oneAnswer[:], everyAnswer[:], other[:]) }

// valid reports a fault that exists.
func (f WireFault) valid() bool { return f == None || slices.Contains(WireFaults(), f) }

// spoilsAnswers reports a fault that may strike one answer and leave the next.
func (f WireFault) spoilsAnswers() bool {
	return slices.Contains(oneAnswer[:], f) || slices.Contains(everyAnswer[:], f)
}

// takeFault returns the fault of the next answer and ends one that lasts for one.
// Faults of blocks wait for an answer that has one.
func (d *device) takeFault(block bool) WireFault {
	d.mu.Lock()
	defer d.mu.Unlock()
	f := d.fault
	if f == HalfBlock && !block {
		return None
	}
	if slices.Contains(oneAnswer[:], f) {
		d.fault = None
	}
	if !f.spoilsAnswers() && d.often.strikes() {
		return d.often.fault
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
	defer d.mu.Unlock()
	d.inject(fault)
	return nil
}

// inject puts a fault on the device. The lock is held.
func (d *device) inject(fault WireFault) {
	was := d.fault
	d.fault = fault
	close(d.calm)
	d.calm = make(chan struct{})
	d.note("inject", "%s", fault)
	switch fault {
	case Reboot:
		d.restart()
		d.fault = None
	case HalfOpen:
		d.lost++
		d.fault = None
	case ErrorFlood:
		for range queueDepth + 1 {
			d.status.push(scpi.StandardError(-300, "one of too many"))
		}
		d.changed()
		d.fault = None
	}
	if b := d.world.analyzers[d.name]; b != nil && (was == BypassedPad) != (fault == BypassedPad) {
		d.world.bypass(b, fault == BypassedPad)
	}
}

// restart is what switching off and on does: settings, status and connections
// are lost, and the power-on bit tells. The lock is held.
func (d *device) restart() {
	d.abort()
	d.armed = false
	d.reset()
	d.status = newStatus()
	d.cut()
	d.note("power on", "")
}

// faultCommands let any client spoil the wire: the instruments' own
// ":SIMulation" tree, which no real one has.
func (d *device) faultCommands() []command {
	return []command{
		{
			notation: ":SIMulation:FAULt",
			get:      answer(func() string { return scpi.Quote(string(d.fault)) }),
			set: func(a *args) error {
				name, err := a.text()
				if err == nil {
					err = a.end()
				}
				if err != nil {
					return err
				}
				if !WireFault(name).valid() {
					return scpi.StandardError(-224, fmt.Sprintf("no fault %.30q; ask :SIMulation:FAULt:CATalog?", name))
				}
				d.inject(WireFault(name))
				return nil
			},
		},
		{notation: ":SIMulation:FAULt:CATalog", get: answer(func() string {
			var names []string
			for _, f := range WireFaults() {
				names = append(names, scpi.Quote(string(f)))
			}
			return strings.Join(names, ",")
		})},
	}
}
