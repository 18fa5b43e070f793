package radiounit

// Dialect holds the commands of one family of radio units. %s stands for a
// number in base units, a name in quotes where the template has them.
type Dialect struct {
	Frequency, Bandwidth, Spacing, TestModel, Duplex, Power                   string
	AskFrequency, AskBandwidth, AskSpacing, AskTestModel, AskDuplex, AskPower string
	// Count tells how many carriers are transmitted; Suffixed are the settings that
	// each carrier has, with its number for %d.
	Count, AskCount                      string
	Suffixed                             Suffixed
	Transmit, Mute, AskTransmitting      string
	Load, AskBuild, AskRevision          string
	AskLocked, AskTemperature, AskAlarms string
}

// Suffixed are the headers of the settings of one carrier among several.
type Suffixed struct{ Frequency, Bandwidth, Spacing, Power string }

// standard is the project's own dialect: SCPI has no radio unit class.
var standard = Dialect{
	Frequency: ":CARR:FREQ %s", Bandwidth: ":CARR:BAND %s", Spacing: ":CARR:SCSP %s",
	TestModel: `:CARR:TMOD "%s"`, Duplex: ":CARR:DUPL %s", Power: ":CARR:POW %s",
	AskFrequency: ":CARR:FREQ?", AskBandwidth: ":CARR:BAND?", AskSpacing: ":CARR:SCSP?",
	AskTestModel: ":CARR:TMOD?", AskDuplex: ":CARR:DUPL?", AskPower: ":CARR:POW?",
	Count: ":CARR:COUN %s", AskCount: ":CARR:COUN?",
	Suffixed: Suffixed{
		Frequency: ":CARR%d:FREQ", Bandwidth: ":CARR%d:BAND", Spacing: ":CARR%d:SCSP", Power: ":CARR%d:POW",
	},
	Transmit: ":OUTP ON", Mute: ":OUTP OFF", AskTransmitting: ":OUTP?",
	Load: `:SYST:BUIL "%s"`, AskBuild: ":SYST:BUIL?", AskRevision: ":SYST:REV?",
	AskLocked: ":ROSC:LOCK?", AskTemperature: ":TEMP?", AskAlarms: ":ALAR:COUN?",
}
