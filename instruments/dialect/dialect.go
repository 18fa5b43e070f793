// Package dialect holds what a family of instruments is told and asked for each
// thing a driver can do with it.
//
// The concept on one screen:
//
//	Capability   one thing a role can do ("start_frequency" of an analyzer): its
//	             placeholders, the quantity it is about, what it must offer
//	Entry        how one family spells it: commands with {placeholders}, a query,
//	             the unit of its numbers, the shape of its answer
//	Table        the entries of one family for one role, with flags of the
//	             session and limits of the instrument
//	Standard     the built-in table of a role, "SCPI-1999"
//
// A table of a lab is a YAML document. It inherits from another table and
// replaces whole entries: an entry means what is written in it, and nothing of
// the one it replaces.
//
//	name: north-analyzer
//	role: analyzer
//	inherits: SCPI-1999
//	session: {banner: true, max_message: 4096}
//	limits: {max_points: 10001, attenuation_step: 5}
//	commands:
//	  start_frequency: {set: ":FREQ:STAR {frequency:6} MHZ", ask: ":FREQ:STAR?", unit: MHz}
//	  gate_on: {unsupported: true}
//
// Templates come from people and values from plans. Neither can put a second
// command where one was meant: a template with a separator, a line feed or an
// unknown placeholder is refused when the table is read, a value with one when
// the template is filled in.
package dialect

import (
	"cmp"
	"errors"
	"maps"
	"regexp"
	"slices"
	"time"

	"benchyard/instruments/scpi"
)

// ErrUnsupported says that the instrument cannot do what it was asked for, by
// its dialect table.
var ErrUnsupported = errors.New("not supported by the dialect of the instrument")

// StandardName is the name of the built-in table of every role.
const StandardName = "SCPI-1999"

// Table is the dialect of one family of instruments for one role, with what it
// inherits already in place. It does not change once it was read.
type Table struct {
	Name     string
	Role     string
	Inherits string // name of the table it was laid over, "" for none
	Control  string // SCPI or Shell
	Session  Session

	CommandLine CommandLine // how a command line speaks; of Control Shell only

	Commands map[string]Entry               // by capability
	Limits   map[string]float64             // by name, in base units
	Timeouts map[TimeoutClass]time.Duration // what differs from DefaultTimeout
}

// The ways an instrument is talked to.
const (
	SCPI  = "scpi"  // program messages and responses after IEEE 488.2
	Shell = "shell" // a command line with a prompt; radio units only
)

// Session holds what a family of instruments needs of its connection. The zero
// value is what SCPI over a socket says. See scpi.Config for each of them.
type Session struct {
	Banner      bool   `json:"banner,omitempty"`       // it greets whoever connects; the greeting is thrown away
	Terminator  string `json:"terminator,omitempty"`   // of each message: "LF" (the default), "CRLF" or "CR"
	BareBlocks  bool   `json:"bare_blocks,omitempty"`  // it sends no terminator after a block
	TextBlocks  bool   `json:"text_blocks,omitempty"`  // it sends blocks of indefinite length that are text
	MaxMessage  int    `json:"max_message,omitempty"`  // longest message in bytes it can take; zero: the session's default
	Sequential  bool   `json:"sequential,omitempty"`   // it loses messages that are sent before the last one was answered
	InputBuffer int    `json:"input_buffer,omitempty"` // bytes of messages it holds unread; zero: the session's default

	// On HiSLIP it takes messages before it answered the last one, and does not
	// throw the answer away: the overlapped mode is asked for.
	Overlapped bool `yaml:"hislip_overlapped" json:"hislip_overlapped,omitempty"`
}

// Configure returns the configuration of a session with the instrument: c with
// what the dialect says of its connection.
func (t *Table) Configure(c scpi.Config) scpi.Config {
	s := t.Session
	c.Banner, c.BareBlocks, c.TextBlocks, c.Sequential = s.Banner, s.BareBlocks, s.TextBlocks, s.Sequential
	c.Overlapped = s.Overlapped
	c.Terminator = cmp.Or(s.Terminator, c.Terminator)
	c.MaxMessage, c.InputBuffer = cmp.Or(s.MaxMessage, c.MaxMessage), cmp.Or(s.InputBuffer, c.InputBuffer)
	return c
}

// Entry is how one family of instruments does one thing.
type Entry struct {
	Set         []string          // templates of commands, sent in this order
	Ask         string            // template of the query
	Unit        Unit              // of every number with the capability's quantity, both ways
	Type        Type              // of the answer
	Encoding    Encoding          // of a block
	Bit         int               // bit of a whole number that is the Boolean answer, from 0; -1 for none
	On, Off     []string          // words that are Boolean answers, besides 1, ON, 0 and OFF
	Words       map[string]string // what answers mean, in small letters; of radio units only
	Timeout     TimeoutClass
	Overlapped  bool // it goes on after the command: completion is asked for
	Unsupported bool // the instrument cannot do it

	params   []Param // of the capability
	quantity Quantity
	changes  bool // asking changes the state of the instrument
	set      []template
	ask      template
	answer   *regexp.Regexp // cuts an answer out of what a command line printed; nil: all of it
}

// Type is the shape of an answer.
type Type string

// The shapes of answers.
const (
	None    Type = "none"
	Number  Type = "number"
	Boolean Type = "boolean"
	Word    Type = "word"  // character data, as sent
	Text    Type = "text"  // a string; its quotes are taken off
	Block   Type = "block" // a definite-length block of numbers
	CSV     Type = "csv"   // numbers with commas between them
)

// Encoding is how numbers lie in a block.
type Encoding string

// The encodings of blocks. Swapped means the least significant byte first.
const (
	Real32        Encoding = "real32"
	Real64        Encoding = "real64"
	Real32Swapped Encoding = "real32-swapped"
	Real64Swapped Encoding = "real64-swapped"
)

// TimeoutClass says how long something may take.
type TimeoutClass string

// The classes of timeouts. Quick is what the session allows for any exchange;
// Sweep is added to the time computed from the settings.
const (
	Quick       TimeoutClass = "quick"
	Settle      TimeoutClass = "settle"
	Sweep       TimeoutClass = "sweep"
	Calibration TimeoutClass = "calibration"
	Preset      TimeoutClass = "preset"
	Load        TimeoutClass = "load"
)

// DefaultTimeout returns how long a class allows when the table says nothing:
// common practice, no source. Zero for Quick: the session's own.
func DefaultTimeout(c TimeoutClass) time.Duration {
	switch c {
	case Settle:
		return 5 * time.Second
	case Sweep:
		return 10 * time.Second
	case Calibration:
		return 2 * time.Minute
	case Preset:
		return 30 * time.Second
	case Load:
		return 10 * time.Minute
	}
	return 0
}

// Has reports whether the instrument can do it.
func (t *Table) Has(capability string) bool {
	e, ok := t.Commands[capability]
	return ok && !e.Unsupported
}

// Timeout returns how long a capability may take by its class; zero: as long as
// the session allows for any exchange.
func (t *Table) Timeout(capability string) time.Duration {
	class := t.Commands[capability].Timeout
	if d, ok := t.Timeouts[class]; ok {
		return d
	}
	return DefaultTimeout(class)
}

// Capabilities returns what the table has entries for, in the order of the alphabet.
func (t *Table) Capabilities() []string { return slices.Sorted(maps.Keys(t.Commands)) }
