// Package lab is the inventory of a laboratory: what stands where, how it is
// reached, when its calibration runs out, and what lies between a connector of
// a radio unit and the analyzer.
//
// The concept on one screen:
//
//	Instrument     one SCPI instrument: role, resource, identity, dialect, calibration
//	Bench          an analyzer, a generator, a power meter, a supply and a switcher
//	               that work together, with slots that hold radio units
//	Path           slot and connector of a bench -> analyzer: the switch route that
//	               closes it, the elements it is made of, and its Correction, loss
//	               and uncertainty over frequency
//	Approved-      a correction that was measured or imported and approved: it
//	Correction     stands in place of that of the file until a path changes
//	RadioUnitType  what a manufacturer declares: every limit depends on it
//	RadioUnit      one serial number, mounted in a slot or on the shelf
//	Build          a firmware build that campaigns may load
//
// The inventory is one YAML document (see testdata/lab). Parse accepts it whole
// or lists everything wrong with it. Apply stores it as a version that is never
// changed, so that a run can name the inventory it was measured with; Load
// brings a version back.
//
// The limits of the words class, category and type are not known here: package
// conformance has them.
package lab

import (
	"time"

	"benchyard/instruments/dialect"
	"benchyard/instruments/rf"
)

// The roles of instruments on a bench.
const (
	AnalyzerRole   = "analyzer"
	GeneratorRole  = "generator"
	PowerMeterRole = "power meter"
	SupplyRole     = "supply"
	SwitcherRole   = "switcher"

	unitRole = "radio unit" // of dialects only: units have a list of their own
)

// What a bench does with the DC supply while it has no work.
const (
	KeepSupply = "keep" // stays on, for units that must stay warm
	SupplyOff  = "off"  // the default
)

// MountByHand is how a unit gets into its slot that is on the shelf between runs:
// a person is asked to put it there. Absent: it stays in its slot.
const MountByHand = "by hand"

// Lab is one version of the inventory.
type Lab struct {
	Name      string `yaml:"lab" document:"required"`
	Simulated bool   // every result measured with this inventory is marked simulated

	Instruments []Instrument    `document:"required"`
	Benches     []Bench         `document:"required"`
	Paths       []Path          `document:"required"`
	Types       []RadioUnitType `yaml:"radio_unit_types" document:"required"`
	Units       []RadioUnit     `yaml:"radio_units" document:"required"`
	Builds      []string
	Retention   Retention // of evidence; absent: everything is kept

	// AllowedAddresses are the networks, host names and domains whose instruments
	// the inventory may name; none: loopback, private and link-local networks, and
	// names of one word.
	AllowedAddresses []string
	// Dialects are the tables of instruments that do not speak the standard one;
	// in the document each is a table or the name of its file.
	Dialects []dialect.Source

	// CorrectionDays is how many days after it was measured an approved correction
	// is good at most; who approves it may say less. Absent: DefaultCorrectionDays.
	CorrectionDays int
	// Corrections are those in force. Only the program writes them: see Amend.
	Corrections []ApprovedCorrection

	tables       []*dialect.Table // Dialects, complete
	dialectFault error            // why tables is not to be used
}

// Instrument is one instrument and its calibration record.
type Instrument struct {
	Name     string `document:"required"`
	Role     string `document:"required"`
	Resource string `document:"required"` // TCPIP::host::port::SOCKET or TCPIP::host::hislip0::INSTR
	Identity string `document:"required"` // what *IDN? must begin with: the wrong instrument is refused

	Dialect string // name of a table under dialects; absent: the standard one of the role
	Shared  bool   // several benches may name it; only one of them works with it at a time

	Certificate    string   // of the calibration; required for analyzer, generator and power meter
	CalibrationDue Date     // last day the calibration is good; required for analyzer, generator and power meter
	MaxInput       rf.DBm   // greatest safe input level; required for an analyzer
	NoiseFactor    float64  // noise bandwidth over resolution bandwidth of an analyzer; zero: the driver's default
	Frequency      rf.Range // what the instrument covers; required for an analyzer

	// What is known of an analyzer or a power meter for the uncertainty of its
	// levels; zero where it is part of the uncertainty of the paths.
	LevelUncertainty rf.DB   // expanded (k = 2), of an absolute level
	InputSWR         float64 `yaml:"input_swr"` // standing wave ratio of its input
	// Linearity is the expanded uncertainty (k = 2) of a ratio of two levels at an
	// analyzer; absent: LevelUncertainty.
	Linearity rf.DB
	OutputSWR float64 `yaml:"output_swr"` // standing wave ratio of the output of a generator; zero: not known
}

// Bench is a set of instruments that work together on one radio unit at a time.
type Bench struct {
	Name        string  `document:"required"`
	Analyzer    string  `document:"required"` // names of instruments
	Generator   string  // may be absent: transmitter tests need none
	PowerMeter  string  // may be absent: only path calibration needs it
	Supply      string  `document:"required"`
	Switcher    string  // absent: a person moves the measuring cable from connector to connector
	Slots       int     `document:"required"`
	SupplyVolts float64 `document:"required"` // set before the output is switched on
	SupplyAmps  float64 `document:"required"` // current limit
	IdleSupply  string  // "keep" or "off"
	// Isolation is by how much the switch matrix at least weakens what other slots send
	// to the analyzer, against the one that is closed, dB; zero: nobody knows, and no unit
	// transmits before its turn.
	Isolation rf.DB

	// GoldenUnit is the serial number of the unit on this bench whose runs tell of
	// the bench and not of the unit; empty: none.
	GoldenUnit  string
	GoldenEvery time.Duration // how often it is due; zero: whenever somebody queues it

	// What the scheduler goes by, beside the analyzer and the paths.
	Options      []string // words that types of radio units may ask for under needs
	Maintenance  []Window // times in which nothing is measured on it
	Reservations []Window // times in which it works for one requester only
}

// Path is the way from one connector of the unit in one slot to the analyzer.
type Path struct {
	Bench          string        `document:"required"`
	Slot           int           `document:"required"`
	Connector      int           `document:"required"` // of the radio unit, from 1
	Route          string        // what the switcher closes, in its own words; absent on a bench without one
	ValidUntil     Date          `document:"required"` // last day the correction is good
	Correction     rf.Correction // loss between connector and analyzer; never extrapolated
	CorrectionFile string        // CSV with the correction instead; empty once it was read
	// Elements name the cables, pads and adapters that the path is made of; a
	// correction that was approved for others does not hold any more.
	Elements []string
	// Approved is the correction in force that Correction and ValidUntil are those
	// of; nil: they are those of the file.
	Approved *ApprovedCorrection `yaml:"-"`

	// Bypassable is loss of the path that a person could leave out, such as a pad that
	// is screwed on; without it the analyzer must still stand the unit.
	Bypassable rf.DB

	// What is known of the connection for the uncertainty; zero where it is part
	// of the uncertainty of the correction.
	SWR           float64 `yaml:"swr"` // standing wave ratio of both ends
	Repeatability rf.DB   // standard deviation over repeated connections, switch included
	Repeats       int     // how many connections that was seen in; zero: it is known as it stands
}

// RadioUnitType is what the manufacturer declares about one type.
type RadioUnitType struct {
	Name            string `document:"required"`
	Maker           string `document:"required"`
	Connectors      int    `document:"required"`
	Class           string `document:"required"` // "wide-area", "medium-range", "local-area"
	Category        string `document:"required"` // unwanted emissions, "A" or "B"
	CategoryBOption int    // 1 or 2 where the category is B; zero: 1
	Type            string `document:"required"` // "1-C" or "1-H"
	RatedPower      rf.DBm `document:"required"` // rated carrier output power per connector
	// TotalPower is the rated total output power per connector, which several
	// carriers at once do not exceed together; nil: that of one carrier.
	TotalPower    *rf.DBm
	TransmitUnits int       // NTXU,countedpercell of type 1-H; zero: 1
	Options       []string  // optional groups of limits that were declared, such as "coexistence:n1"
	OutputSWR     float64   `yaml:"output_swr"` // standing wave ratio of its connectors; zero: not known
	Carriers      []Carrier `document:"required"`
	Control       Control   // absent: over the line protocol
	Dialect       string    // name of a table under dialects that its units speak; absent: the standard one

	// What the scheduler goes by: units of the same cabling and front end follow each
	// other on a bench where that can be.
	Needs    []string // options that a bench must have for its units
	Cabling  string   // which cables its units are connected with; free text
	FrontEnd string   // which pads, filters or amplifiers stand between unit and analyzer; free text
}

// Carrier is a band a type supports, with every bandwidth and subcarrier
// spacing declared for it.
type Carrier struct {
	Band       string     `document:"required"`
	Bandwidths []rf.Hertz `document:"required"`
	SCS        []rf.Hertz `document:"required"`
}

// RadioUnit is one unit by serial number. Without a bench it is on the shelf and
// cannot be measured. With MountByHand it is on the shelf too, and any number of
// such units share a slot and the address of its control interface.
type RadioUnit struct {
	Serial   string `document:"required"`
	Type     string `document:"required"` // name of a RadioUnitType
	Revision string `document:"required"` // of the board
	Bench    string
	Slot     int
	Mount    string   // "by hand", or absent
	Resource string   // of its control interface; required on a bench
	HostKeys []string // that it may show over SSH, "type base64" each; required on a bench if controlled so
}

// names lists the instruments of a bench, empty where it has none.
func (b Bench) names() []string {
	return []string{b.Analyzer, b.Generator, b.PowerMeter, b.Supply, b.Switcher}
}

// ByHand reports whether a person moves the measuring cable of the bench, and
// terminates connectors, because it has no switch matrix.
func (b Bench) ByHand() bool { return b.Switcher == "" }

// Mounted reports whether the unit has a slot on a bench.
func (u RadioUnit) Mounted() bool { return u.Bench != "" }

// ByHand reports whether a person must put the unit into its slot before a run.
func (u RadioUnit) ByHand() bool { return u.Mount == MountByHand }

// Bench returns the bench of that name.
func (l *Lab) Bench(name string) (Bench, bool) {
	return find(l.Benches, func(b Bench) bool { return b.Name == name })
}

// Instrument returns the instrument of that name.
func (l *Lab) Instrument(name string) (Instrument, bool) {
	return find(l.Instruments, func(i Instrument) bool { return i.Name == name })
}

// Unit returns the radio unit of that serial number.
func (l *Lab) Unit(serial string) (RadioUnit, bool) {
	return find(l.Units, func(u RadioUnit) bool { return u.Serial == serial })
}

// Type returns the radio unit type of that name.
func (l *Lab) Type(name string) (RadioUnitType, bool) {
	return find(l.Types, func(t RadioUnitType) bool { return t.Name == name })
}

// PathFor returns the path of one connector of the unit in a slot.
func (l *Lab) PathFor(bench string, slot, connector int) (Path, bool) {
	return find(l.Paths, func(p Path) bool { return p.Bench == bench && p.Slot == slot && p.Connector == connector })
}

// UnitsOn returns the units that have a slot on a bench, in the order of the
// document, also those that are put there by hand when they are needed.
func (l *Lab) UnitsOn(bench string) []RadioUnit {
	var units []RadioUnit
	for _, u := range l.Units {
		if u.Mounted() && u.Bench == bench {
			units = append(units, u)
		}
	}
	return units
}

// InstrumentsOn returns the instruments of a bench: analyzer, generator, power
// meter, supply, switcher, without those it does not have.
func (l *Lab) InstrumentsOn(bench Bench) []Instrument {
	var list []Instrument
	for _, name := range bench.names() {
		if i, ok := l.Instrument(name); ok {
			list = append(list, i)
		}
	}
	return list
}

// Due is a calibration that runs out.
type Due struct {
	Bench string // where it blocks work; empty for an instrument on no bench
	What  string // "instrument bench-1-analyzer", "path slot 2 connector 1"
	On    Date   // last good day
}

// CalibrationDueBefore returns every calibration of an instrument and every
// path whose last good day lies before the date, in the order of the document; an
// instrument that benches share comes once for each.
// Called with the day a run will end, it names what blocks the run.
func (l *Lab) CalibrationDueBefore(date Date) []Due {
	var due []Due
	for _, i := range l.Instruments {
		if !i.CalibrationDue.Before(date) {
			continue
		}
		on := l.BenchesOf(i.Name)
		if len(on) == 0 {
			on = []string{""}
		}
		for _, bench := range on {
			due = append(due, Due{bench, "instrument " + i.Name, i.CalibrationDue})
		}
	}
	for _, p := range l.Paths {
		if p.ValidUntil.Before(date) {
			due = append(due, Due{p.Bench, p.place(), p.ValidUntil})
		}
	}
	return due
}

func find[T any](list []T, match func(T) bool) (T, bool) {
	for _, item := range list {
		if match(item) {
			return item, true
		}
	}
	var none T
	return none, false
}
