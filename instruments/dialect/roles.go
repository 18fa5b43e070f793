package dialect

// Capability is one thing that an instrument of a role can be told or asked.
type Capability struct {
	Name     string
	Params   []Param
	Quantity Quantity // of the numbers that a unit applies to; "" where they have none
	Answer   Type     // of the query; None for one that has no query
	Tells    bool     // it has commands
	May      bool     // the query may be left out
	Required bool     // no instrument of the role is of use without it
	Changes  bool     // asking changes the state of the instrument, so that a probe leaves it out
	Timeout  TimeoutClass
	// Overlapped is what holds where an entry does not say.
	Overlapped bool
}

// Param is a placeholder of a capability.
type Param struct {
	Name     string
	Kind     Kind
	Quantity bool // the unit of the entry applies to it
	Key      bool // it says which one, a carrier or a connector, and stands in the query too
	Optional bool // a template may do without it
}

// Kind is what may be filled into a placeholder.
type Kind string

// The kinds of values. A word is made of letters, digits and . _ + - / : only.
const (
	RealKind     Kind = "number"
	CountKind    Kind = "whole number"
	WordKind     Kind = "word"
	ChannelsKind Kind = "channel list"
)

// role is what the tables of one role may hold.
type role struct {
	capabilities []Capability
	limits       []string
	usual        map[string]float64 // limits that stand where neither a table nor what it inherits has them
	shell        bool               // it may be controlled over a command line
}

// The builders of capabilities: what a driver needs of nearly every one.

func told(name string, params ...Param) Capability {
	return Capability{Name: name, Params: params, Answer: None, Tells: true, Timeout: Quick}
}

func asked(name string, answer Type, params ...Param) Capability {
	return Capability{Name: name, Params: params, Answer: answer, Timeout: Quick}
}

func setting(name string, answer Type, params ...Param) Capability {
	return Capability{Name: name, Params: params, Answer: answer, Tells: true, Timeout: Quick}
}

func (c Capability) of(q Quantity) Capability {
	c.Quantity = q
	return c
}

func (c Capability) required() Capability {
	c.Required = true
	return c
}

func (c Capability) takes(class TimeoutClass) Capability {
	c.Timeout = class
	return c
}

func (c Capability) overlapped() Capability {
	c.Overlapped = true
	return c
}

func (c Capability) mayAsk() Capability {
	c.May = true
	return c
}

func (c Capability) changes() Capability {
	c.Changes = true
	return c
}

func real(name string) Param     { return Param{Name: name, Kind: RealKind, Quantity: true} }
func plain(name string) Param    { return Param{Name: name, Kind: RealKind} }
func count(name string) Param    { return Param{Name: name, Kind: CountKind} }
func word(name string) Param     { return Param{Name: name, Kind: WordKind} }
func channels(name string) Param { return Param{Name: name, Kind: ChannelsKind, Key: true} }

// which is the number of the thing meant: a carrier, a connector.
func which(name string) Param { return Param{Name: name, Kind: CountKind, Key: true, Optional: true} }

// roleOf returns what tables of a role hold; the names are those of an inventory.
func roleOf(name string) (role, bool) {
	switch name {
	case "analyzer":
		return analyzerRole(), true
	case "generator":
		return generatorRole(), true
	case "power meter":
		return powerMeterRole(), true
	case "supply":
		return supplyRole(), true
	case "switcher":
		return switcherRole(), true
	case "radio unit":
		return radioUnitRole(), true
	}
	return role{}, false
}

// Roles returns the roles there are tables for, as an inventory names them.
func Roles() []string {
	return []string{"analyzer", "generator", "power meter", "supply", "switcher", "radio unit"}
}

func analyzerRole() role {
	return role{
		limits: []string{"max_points", "max_attenuation", "attenuation_step", "max_reference_level"},
		capabilities: []Capability{
			told("abort").required(),
			told("reset").required().takes(Preset).overlapped(),
			told("prepare"), // after a reset
			setting("attenuation", Number, real("attenuation")).of(Ratio).required(),
			setting("reference_level", Number, real("level")).of(Level).required().mayAsk(),
			setting("start_frequency", Number, real("frequency")).of(Frequency).required(),
			setting("stop_frequency", Number, real("frequency")).of(Frequency).required(),
			setting("resolution_bandwidth", Number, real("bandwidth")).of(Frequency).required(),
			setting("video_bandwidth", Number, real("bandwidth")).of(Frequency).required().mayAsk(),
			setting("points", Number, count("points")).required(),
			setting("sweep_time", Number, real("time")).of(Time).required(),
			told("sweep_time_coupled").required(),
			told("average", count("count")).required(),
			told("average_off").required(),
			told("gate_on", real("delay"), real("length")).of(Time),
			told("gate_off"),
			told("sweep").required().takes(Sweep).overlapped(),
			asked("overload", Boolean).required(),
			asked("reference_locked", Boolean).required().takes(Settle),
			asked("trace", Block).of(Level).required(),
		},
	}
}

func generatorRole() role {
	return role{
		limits: []string{"max_level", "frequency_tolerance", "level_tolerance"},
		capabilities: []Capability{
			told("reset").required().takes(Preset).overlapped(),
			told("prepare"),
			setting("frequency", Number, real("frequency")).of(Frequency).required(),
			setting("level", Number, real("level")).of(Level).required(),
			setting("level_limit", Number, real("level")).of(Level),
			told("output_on").required(),
			told("output_off").required(),
			asked("output", Boolean).required(),
		},
	}
}

func powerMeterRole() role {
	return role{
		limits: []string{"max_averages"},
		capabilities: []Capability{
			told("reset").required().takes(Preset).overlapped(),
			told("prepare"),
			told("zero").required().takes(Calibration).overlapped(),
			setting("frequency", Number, real("frequency")).of(Frequency).required(),
			setting("averages", Number, count("count")).required(),
			asked("power", Number).of(Level).required().takes(Sweep).changes(),
		},
	}
}

func supplyRole() role {
	return role{
		limits: []string{"tolerance", "overvoltage"},
		capabilities: []Capability{
			setting("voltage", Number, real("voltage")).of(Voltage).required(),
			setting("current", Number, real("current")).of(Current).required(),
			setting("protection", Number, real("voltage")).of(Voltage).required(),
			told("output_on").required(),
			told("output_off").required(),
			asked("output", Boolean).required(),
			asked("measured_voltage", Number).of(Voltage).required(),
			asked("measured_current", Number).of(Current).required(),
		},
	}
}

func switcherRole() role {
	return role{
		limits: []string{"channels_at_once"},
		capabilities: []Capability{
			told("open_all").required(),
			told("close", channels("channels")).required(),
			asked("closed", Boolean, channels("channels")).required(),
		},
	}
}
