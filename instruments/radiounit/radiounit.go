// Package radiounit drives the control port of a radio unit under test: which
// unit and build it is, loading a build, configuring its carriers, its oscillator
// and calibrations, and the transmitter. Muting is a safe state, so it is
// confirmed by reading back.
//
// A unit is reached over a line protocol in the manner of SCPI (New) or over a
// command line on TCP or SSH (NewOnCommandLine); Control is what both have in
// common, and a dialect table has the words of either. What a table lacks, the
// unit does by itself or not at all: the methods that need it return
// ErrUnsupported without sending anything, and Has tells beforehand.
package radiounit

import (
	"context"
	"fmt"
	"time"

	"benchyard/instruments/dialect"
	"benchyard/instruments/scpi"
	"benchyard/instruments/shell"
)

// ErrUnsupported says that the dialect table of the unit has no words for what was asked.
var ErrUnsupported = dialect.ErrUnsupported

// Role is the role of radio units in dialect tables.
const Role = "radio unit"

// Identity says which unit it is and what runs on it.
type Identity struct {
	Maker, Type, Serial, Build, Revision string
}

// Control is the connection to a unit, over which lines are sent: program message
// units of a line protocol, or lines of a command line.
type Control interface {
	// Command sends lines; one that the unit does not carry out is an error.
	Command(ctx context.Context, lines ...string) error
	// Run is Command that returns when what the lines started has ended, within the
	// timeout; zero means that of the connection. Without lines it waits for what runs.
	Run(ctx context.Context, timeout time.Duration, lines ...string) error
	// Ask sends lines and hands one answer for each to decode.
	Ask(ctx context.Context, decode func(answers []string) error, lines ...string) error
	// SwitchOff sends lines, asks query, and lets holds judge the answer; lines may be
	// sent several times, the last time without waiting for an answer.
	SwitchOff(ctx context.Context, query string, holds func(answer string) bool, lines ...string) error
}

// RadioUnit is a radio unit behind its control port.
type RadioUnit struct {
	// Connectors is how many connectors the unit has, for what is told to all of
	// them; only an inventory knows.
	Connectors int

	control Control
	table   *dialect.Table
	who     func(context.Context) (scpi.Identity, error)
}

// New returns the driver of the radio unit behind a line protocol, in the words of t.
func New(s *scpi.Session, t *dialect.Table) *RadioUnit {
	return &RadioUnit{control: lineProtocol{s}, table: t, who: s.Identity}
}

// NewOnCommandLine returns the driver of the radio unit behind a command line, in
// the words of t; see Dial.
func NewOnCommandLine(s *shell.Session, t *dialect.Table) *RadioUnit {
	return &RadioUnit{control: s, table: t, who: s.Identity}
}

// lineProtocol is a session of SCPI as Control.
type lineProtocol struct{ *scpi.Session }

// Run sends the commands and waits for *OPC?.
func (l lineProtocol) Run(ctx context.Context, timeout time.Duration, lines ...string) error {
	if len(lines) == 0 {
		return l.Wait(ctx, timeout)
	}
	if err := l.Command(ctx, lines...); err != nil {
		return err
	}
	if err := l.Wait(ctx, timeout); err != nil {
		return scpi.Delivered(err, true)
	}
	return nil
}

// Identity asks the unit what it is.
func (u *RadioUnit) Identity(ctx context.Context) (Identity, error) {
	id, err := u.who(ctx)
	if err != nil {
		return Identity{}, fmt.Errorf("radiounit: identity: %w", err)
	}
	revision, err := u.text(ctx, "revision")
	if err != nil {
		return Identity{}, err
	}
	if id.Firmware == "" { // a command line need not say it together with the rest
		if id.Firmware, err = u.text(ctx, "build"); err != nil {
			return Identity{}, err
		}
	}
	return Identity{Maker: id.Manufacturer, Type: id.Model, Serial: id.Serial, Build: id.Firmware, Revision: revision}, nil
}

// Idle waits until nothing is under way in the unit, at most for the timeout; zero
// means that of the connection.
func (u *RadioUnit) Idle(ctx context.Context, timeout time.Duration) error {
	if err := u.control.Run(ctx, timeout); err != nil {
		return fmt.Errorf("radiounit: waiting for what runs: %w", err)
	}
	return nil
}

// Capability is something that not every unit can be told.
type Capability string

// The capabilities that a run loop asks for.
const (
	Attenuating   Capability = "attenuation"          // Attenuate, Attenuation
	Connectors    Capability = "connectors"           // Enable
	Timer         Capability = "transmit timer"       // StopTimer, StartTimer
	Synthesizer   Capability = "synthesizer reset"    // ResetSynthesizer
	Calibrating   Capability = "initial calibration"  // Calibrate
	TrackingCal   Capability = "tracking"             // Track, Tracking
	ToneSource    Capability = "tone"                 // Tone, Modulate
	Reference     Capability = "reference lock"       // Locked
	PPS           Capability = "pps lock"             // PPSLocked
	SupplyPower   Capability = "supply readings"      // SupplyReading
	Thermometer   Capability = "temperature"          // Temperature
	AlarmCount    Capability = "alarms"               // Alarms
	ManyCarriers  Capability = "several carriers"     // ConfigureAll with more than one
	CalibratedFor Capability = "calibrated frequency" // CalibratedAt
	Clock         Capability = "uptime"               // Uptime
)

// words lists the entries of a table that a capability needs.
func (c Capability) words() []string {
	switch c {
	case Attenuating:
		return []string{"attenuation"}
	case Connectors:
		return []string{"connector_on", "connector_off", "connector_enabled"}
	case Timer:
		return []string{"timer_start", "timer_stop"}
	case Synthesizer:
		return []string{"synthesizer_reset", "synthesizer_locked"}
	case Calibrating:
		return []string{"calibrate", "calibration_result"}
	case TrackingCal:
		return []string{"tracking_on", "tracking_off", "tracking_status"}
	case ToneSource:
		return []string{"source_tone", "source_model", "tone_offset", "tone_level"}
	case Reference:
		return []string{"reference_locked"}
	case PPS:
		return []string{"pps_locked"}
	case SupplyPower:
		return []string{"supply_voltage", "supply_current"}
	case Thermometer:
		return []string{"temperature"}
	case AlarmCount:
		return []string{"alarms"}
	case ManyCarriers:
		return []string{"carrier_count"}
	case CalibratedFor:
		return []string{"calibration_frequency"}
	case Clock:
		return []string{"uptime"}
	}
	return nil
}

// Has reports whether the unit can be told or asked all that belongs to a
// capability. Unknown ones it has not.
func (u *RadioUnit) Has(c Capability) bool {
	words := c.words()
	for _, w := range words {
		if !u.table.Has(w) {
			return false
		}
	}
	return len(words) > 0
}

// need is Has as an error, before anything is sent.
func (u *RadioUnit) need(c Capability) error {
	if !u.Has(c) {
		return fmt.Errorf("radiounit: %s in dialect %s: %w", c, u.table.Name, ErrUnsupported)
	}
	return nil
}
