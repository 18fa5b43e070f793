package sim

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"time"

	"benchyard/instruments/rf"
)

// Config is a whole simulated lab as data. It survives a JSON round trip, so a
// lab can run in a process of its own.
type Config struct {
	Seed       uint64                `json:"seed"`
	Speed      float64               `json:"speed"`                 // simulated seconds per wall second; zero means 1
	Listen     string                `json:"listen,omitempty"`      // address to listen on; empty means 127.0.0.1
	BasePort   int                   `json:"base_port,omitempty"`   // first of consecutive TCP ports; zero: any free ones
	HiSLIPPort int                   `json:"hislip_port,omitempty"` // first of as many more for HiSLIP; zero: any free ones
	ShellPort  int                   `json:"shell_port,omitempty"`  // first of as many more for command lines; zero: any free ones
	Builds     []string              `json:"builds"`                // firmware builds that units can load
	Benches    []BenchConfig         `json:"benches"`
	Types      []TypeConfig          `json:"types"`
	Units      []UnitConfig          `json:"units"`
	Faults     []Fault               `json:"faults,omitempty"`
	Wire       map[string]WireConfig `json:"wire,omitempty"`  // by instrument name or serial number; "*" for those not named
	Access     Access                `json:"access,omitzero"` // to command lines
}

// BenchConfig is one bench: an analyzer, a generator, a power meter, a supply,
// mostly a switch matrix, and slots for radio units, one supply feeding all of them.
type BenchConfig struct {
	Name     string       `json:"name"`
	Pads     []rf.DB      `json:"pads_db"`                // nominal loss from a slot to the analyzer, one per slot
	NoiseDBm rf.DBm       `json:"noise_dbm_hz,omitempty"` // analyzer noise density at 0 dB attenuation; zero means -158
	MaxInput rf.DBm       `json:"max_input_dbm"`          // maximum safe analyzer input, average and peak
	Supply   SupplyConfig `json:"supply"`
	Analyzer string       `json:"analyzer_of,omitempty"`     // the bench whose analyzer this one shares; empty: it has its own
	Manual   bool         `json:"manual,omitempty"`          // no switch matrix: a person moves the one cable and terminates the rest
	Reverse  rf.DBm       `json:"max_reverse_dbm,omitempty"` // what the generator's output stands; zero means 27
	// Isolation is by how much the switch matrix weakens what slots that are not closed
	// send to its output, against one that is; zero means perfectly.
	Isolation rf.DB `json:"isolation_db,omitempty"`
}

// SupplyConfig is what the bench supply can give.
type SupplyConfig struct {
	MaxVolts float64 `json:"max_volts"`
	MaxAmps  float64 `json:"max_amps"`
}

// TypeConfig is a radio unit type: what its maker declares, and the nominal
// figures of its transmitter that the units scatter around.
type TypeConfig struct {
	Name       string   `json:"name"`
	Maker      string   `json:"maker"`
	Connectors int      `json:"connectors"`
	Class      string   `json:"class"`
	Category   string   `json:"category"`
	Type       string   `json:"type"` // requirement set, "1-C" or "1-H"
	Rated      rf.DBm   `json:"rated_dbm"`
	Band       string   `json:"band"`
	Duplex     string   `json:"duplex"` // "TDD" or "FDD"
	Downlink   rf.Range `json:"downlink"`
	Bandwidth  rf.Hertz `json:"bandwidth_hz"`
	SCS        rf.Hertz `json:"scs_hz"`

	Compression   rf.DBm `json:"compression_dbm"`    // 1 dB compression point of the amplifier
	Linearization rf.DB  `json:"linearization_db"`   // what the predistorter takes off the regrowth
	Noise         rf.DBm `json:"noise_dbm_hz"`       // transmitter noise density in the band
	Second        rf.DB  `json:"second_harmonic_db"` // second harmonic over the carrier
	Third         rf.DB  `json:"third_harmonic_db"`  // third harmonic over the carrier

	// SelfTuning units go through their bring-up by themselves whenever they are
	// switched on, at once and without error; others want every step told.
	SelfTuning bool `json:"self_tuning,omitempty"`

	// CommandLine units are controlled over a command line, "tcp" or "ssh", which the
	// inventory names in place of the socket.
	CommandLine string `json:"command_line,omitempty"`
}

// UnitConfig is one radio unit in its place.
type UnitConfig struct {
	Serial   string `json:"serial"`
	Type     string `json:"type"`
	Revision string `json:"revision"`
	Build    string `json:"build"` // loaded at delivery
	Bench    string `json:"bench"`
	Slot     int    `json:"slot"` // from 1

	Impairments *Impairments `json:"impairments,omitempty"` // of its modulators; nil: drawn from the seed
	Troubles    []Trouble    `json:"troubles,omitempty"`    // it has from the start
}

// FaultKind says what is wrong with a radio unit, and the unit of Fault.Amount.
type FaultKind string

// The kinds of fault.
const (
	WeakAmplifier    FaultKind = "weak amplifier"    // compression point lower by Amount dB
	PoorPredistorter FaultKind = "poor predistorter" // Amount dB less linearization
	PowerSetting     FaultKind = "power setting"     // output power off by Amount dB
	WideCarrier      FaultKind = "wide carrier"      // occupied band Amount times the channel bandwidth
	Spur             FaultKind = "spur"              // a tone of Amount dBm at Frequency
	StrongHarmonic   FaultKind = "strong harmonic"   // second harmonic stronger by Amount dB
	UnevenGain       FaultKind = "uneven gain"       // Amount dB less gain at the top of the band than at its bottom
)

// Fault is something wrong on purpose with one radio unit.
type Fault struct {
	Kind      FaultKind `json:"kind"`
	Serial    string    `json:"serial"`
	Build     string    `json:"build,omitempty"`        // only in this build; empty: in every one
	Connector int       `json:"connector,omitempty"`    // only there; zero: on every one
	From      rf.Hertz  `json:"from_hz,omitempty"`      // only for carriers centred at From and above
	To        rf.Hertz  `json:"to_hz,omitempty"`        // and at To and below; zero: no bound
	Amount    float64   `json:"amount"`                 // see FaultKind
	Frequency rf.Hertz  `json:"frequency_hz,omitempty"` // of a spur
	Clauses   []string  `json:"clauses"`                // what must fail because of it
}

// applies reports whether the fault shows under these conditions.
func (f Fault) applies(build string, connector int, centre rf.Hertz) bool {
	return (f.Build == "" || f.Build == build) &&
		(f.Connector == 0 || f.Connector == connector) &&
		centre >= f.From && (f.To == 0 || centre <= f.To)
}

// buildLoad is the simulated time a radio unit takes to load a build.
const buildLoad = 20 * time.Second

// typeOf returns the type of that name.
func (c Config) typeOf(name string) (TypeConfig, error) {
	for _, t := range c.Types {
		if t.Name == name {
			return t, nil
		}
	}
	return TypeConfig{}, fmt.Errorf("sim: no radio unit type %q", name)
}

func (c Config) bench(name string) (BenchConfig, error) {
	for _, b := range c.Benches {
		if b.Name == name {
			return b, nil
		}
	}
	return BenchConfig{}, fmt.Errorf("sim: no bench %q", name)
}

func (c Config) unit(serial string) (UnitConfig, error) {
	for _, u := range c.Units {
		if u.Serial == serial {
			return u, nil
		}
	}
	return UnitConfig{}, fmt.Errorf("sim: no radio unit %q", serial)
}

// knows reports whether a build of that name can be loaded.
func (c Config) knows(build string) bool {
	for _, b := range c.Builds {
		if b == build {
			return true
		}
	}
	return false
}

// ParseConfig reads a Config from JSON and validates it. Names it does not know are
// refused: a lab without what they meant would look like a lab.
func ParseConfig(data []byte) (Config, error) {
	var c Config
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	if err := d.Decode(&c); err != nil {
		return Config{}, fmt.Errorf("sim: configuration: %w", err)
	}
	if _, err := d.Token(); err != io.EOF {
		return Config{}, errors.New("sim: configuration: something follows it")
	}
	return c, c.Validate()
}

// Validate reports the first thing in the configuration that makes no lab: a
// name used twice, a unit without a slot of its own, a fault of nobody.
func (c Config) Validate() error {
	if c.Speed < 0 || c.BasePort < 0 || c.BasePort+6*len(c.Benches)+len(c.Units) > 65535 {
		return fmt.Errorf("sim: speed %v and base port %d must not be negative, ports not above 65535", c.Speed, c.BasePort)
	}
	if c.Listen != "" && net.ParseIP(c.Listen) == nil {
		return fmt.Errorf("sim: listen address %q is not an IP address", c.Listen)
	}
	if err := c.validateWire(); err != nil {
		return err
	}
	if err := c.validateShell(); err != nil {
		return err
	}
	if len(c.Benches) == 0 {
		return errors.New("sim: the configuration has no benches; begin with one that --write-config writes")
	}
	seen := map[string]bool{}
	for _, b := range c.Benches {
		if b.Name == "" || seen[b.Name] {
			return fmt.Errorf("sim: bench name %q is empty or used twice", b.Name)
		}
		seen[b.Name] = true
		if err := c.validateAnalyzer(b); err != nil {
			return err
		}
	}
	for _, u := range c.Units {
		if err := c.validateUnit(u, seen); err != nil {
			return err
		}
	}
	for _, f := range c.Faults {
		if _, err := c.unit(f.Serial); err != nil {
			return fmt.Errorf("%w, named by a fault", err)
		}
		if f.Build != "" && !c.knows(f.Build) {
			return fmt.Errorf("sim: fault of %s names unknown build %q", f.Serial, f.Build)
		}
	}
	return nil
}

// validateAnalyzer checks that the analyzer a bench shares is there.
func (c Config) validateAnalyzer(b BenchConfig) error {
	if b.Analyzer == "" {
		return nil
	}
	owner, err := c.bench(b.Analyzer)
	if err != nil {
		return fmt.Errorf("%w, whose analyzer %q shares", err, b.Name)
	}
	if owner.Name == b.Name || owner.Analyzer != "" || owner.Manual || b.Manual {
		return fmt.Errorf("sim: %s cannot share the analyzer of %s: want another bench with an analyzer of its own, both with a switch matrix", b.Name, owner.Name)
	}
	return nil
}

func (c Config) validateUnit(u UnitConfig, seen map[string]bool) error {
	t, err := c.typeOf(u.Type)
	if err != nil {
		return fmt.Errorf("%w, named by radio unit %q", err, u.Serial)
	}
	b, err := c.bench(u.Bench)
	if err != nil {
		return fmt.Errorf("%w, named by radio unit %q", err, u.Serial)
	}
	place := fmt.Sprintf("%s slot %d", u.Bench, u.Slot)
	switch {
	case u.Serial == "" || seen[u.Serial]:
		return fmt.Errorf("sim: serial %q is empty or used twice", u.Serial)
	case u.Slot < 1 || u.Slot > len(b.Pads) || seen[place]:
		return fmt.Errorf("sim: radio unit %s: %s does not exist or is taken", u.Serial, place)
	case t.Connectors < 1 || t.Connectors > maxConnectors:
		return fmt.Errorf("sim: radio unit type %s has %d connectors, want 1 to %d", t.Name, t.Connectors, maxConnectors)
	case !c.knows(u.Build):
		return fmt.Errorf("sim: radio unit %s is delivered with unknown build %q", u.Serial, u.Build)
	}
	for _, t := range u.Troubles {
		if !t.valid() {
			return fmt.Errorf("sim: radio unit %s: no trouble %q", u.Serial, t)
		}
	}
	seen[u.Serial], seen[place] = true, true
	return nil
}

// maxConnectors is how many connectors of a slot the switch matrix can reach.
const maxConnectors = 8
