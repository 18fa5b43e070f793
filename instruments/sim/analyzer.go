package sim

import (
	"fmt"
	"math"
	"strings"

	"benchyard/instruments/scpi"
)

// Limits of the simulated analyzer.
const (
	lowestHz         = 9e3
	highestHz        = 26.5e9
	mostPoints       = 40001
	mostAttenuation  = 70.0
	attenuationStep  = 2.0
	mixerOverload    = 10.0   // dBm peak at the mixer, after the attenuator
	defaultNoise     = -158.0 // dBm/Hz at 0 dB attenuation
	overloadOvershot = 6.0    // dB by which the injected overload drives the mixer
)

// analyzer is a swept spectrum analyzer. Every setting invalidates the trace
// and aborts a sweep that runs.
type analyzer struct {
	*device
	bench      *bench
	seed       uint64
	sweeps     uint64 // taken so far; each has its own random numbers
	settings   settings
	averaging  bool
	count      int
	average    string
	continuous bool
	source     string // of the trigger
	reference  string // frequency reference
	level      float64
	real       bool   // FORMat:DATA REAL,32
	border     string // byte order
	trace      []float64
	valid      bool
}

// newAnalyzer returns the analyzer of a bench. It comes up sweeping continuously,
// as analyzers do; *RST turns that off, as the standard has it.
func newAnalyzer(w *world, b *bench, seed uint64) *analyzer {
	a := &analyzer{
		device: newDevice(b.name+"-analyzer", identity("Swept 26", "SA", b.name), w),
		bench:  b, seed: seed,
	}
	a.preset()
	a.continuous = true
	a.device.reset = a.preset
	a.device.test = func() int {
		w.mu.Lock()
		defer w.mu.Unlock()
		if b.damaged(a.name) {
			return 1
		}
		return 0
	}
	a.commands = append(a.commands, a.frequencyCommands()...)
	a.commands = append(a.commands, a.senseCommands()...)
	a.commands = append(a.commands, a.triggerCommands()...)
	a.commands = append(a.commands, a.traceCommands()...)
	return a
}

func (a *analyzer) preset() {
	a.settings = settings{
		start: lowestHz, stop: highestHz, rbw: 3e6, points: 1001, averages: 1,
		attenuation: 10, detector: "RMS", gateLength: 1e-3,
	}
	a.averaging, a.count, a.average = false, 10, "RMS"
	a.continuous, a.source, a.reference = false, "IMM", "INT"
	a.real, a.border, a.level = false, "NORM", 0
	a.valid, a.trace = false, nil
	a.status.questionable.set(questionablePower, false)
}

// touch invalidates the trace after a setting; it fits every changed hook.
func (a *analyzer) touch() {
	a.abort()
	a.valid = false
}

func (a *analyzer) touched(float64) error {
	a.touch()
	return nil
}

func (a *analyzer) frequencyCommands() []command {
	s := &a.settings
	edge := func(moved *float64) func(float64) error {
		return func(float64) error { // start and stop push each other, they never cross
			if s.start > s.stop {
				s.start, s.stop = *moved, *moved
			}
			return a.touched(0)
		}
	}
	return []command{
		numberCommand("[:SENSe]:FREQuency:STARt", "HZ", lowestHz, highestHz, &s.start, edge(&s.start)),
		numberCommand("[:SENSe]:FREQuency:STOP", "HZ", lowestHz, highestHz, &s.stop, edge(&s.stop)),
		{
			notation: "[:SENSe]:FREQuency:CENTer",
			set: func(g *args) error {
				c, err := g.number("HZ", lowestHz, highestHz)
				if err != nil {
					return err
				}
				half := min((s.stop-s.start)/2, c-lowestHz, highestHz-c)
				return a.window(g, c-half, c+half)
			},
			get: func(g *args) (string, error) { return queried(g, (s.start+s.stop)/2, lowestHz, highestHz) },
		},
		{
			notation: "[:SENSe]:FREQuency:SPAN",
			set: func(g *args) error {
				span, err := g.number("HZ", 0, highestHz-lowestHz)
				if err != nil {
					return err
				}
				c := (s.start + s.stop) / 2
				if c-span/2 < lowestHz || c+span/2 > highestHz {
					return conflict("span of %g Hz around %g Hz leaves the range", span, c)
				}
				return a.window(g, c-span/2, c+span/2)
			},
			get: func(g *args) (string, error) { return queried(g, s.stop-s.start, 0, highestHz-lowestHz) },
		},
	}
}

// window sets start and stop.
func (a *analyzer) window(g *args, start, stop float64) error {
	if err := g.end(); err != nil {
		return err
	}
	a.settings.start, a.settings.stop = start, stop
	return a.touched(0)
}

func (a *analyzer) senseCommands() []command {
	s := &a.settings
	return []command{
		numberCommand("[:SENSe]:BANDwidth|BWIDth[:RESolution]", "HZ", 1, 10e6, &s.rbw, a.touched),
		a.coupled("[:SENSe]:BANDwidth|BWIDth:VIDeo", "HZ", 1, 50e6, &s.vbw, func() float64 {
			if s.vbw == 0 {
				return 3 * s.rbw
			}
			return s.vbw
		}),
		{notation: "[:SENSe]:BANDwidth|BWIDth:VIDeo:AUTO", set: a.automatic(&s.vbw, func() float64 { return 3 * s.rbw }),
			get: answer(func() string { return digit(s.vbw == 0) })},
		choiceCommand("[:SENSe]:DETector[:FUNCtion]", "RMS|POSitive|SAMPle", &s.detector, a.touch),
		boolCommand("[:SENSe]:AVERage[:STATe]", &a.averaging, a.touch),
		{notation: "[:SENSe]:AVERage:COUNt", set: a.integer(1, 100000, &a.count), get: answer(func() string { return fmt.Sprint(a.count) })},
		choiceCommand("[:SENSe]:AVERage:TYPE", "RMS", &a.average, a.touch),
		a.coupled("[:SENSe]:SWEep:TIME", "S", 1e-6, 4000, &s.sweepTime, func() float64 { return s.time() }),
		{notation: "[:SENSe]:SWEep:TIME:AUTO", set: a.automatic(&s.sweepTime, func() float64 { return s.time() }), get: answer(func() string { return digit(s.sweepTime == 0) })},
		{notation: "[:SENSe]:SWEep:POINts", set: a.integer(2, mostPoints, &s.points), get: answer(func() string { return fmt.Sprint(s.points) })},
		numberCommand("[:SENSe]:POWer[:RF]:ATTenuation", "DB", 0, mostAttenuation, &s.attenuation, func(float64) error {
			s.attenuation = math.Round(s.attenuation/attenuationStep) * attenuationStep
			a.note("attenuation", "%g dB", s.attenuation)
			return a.touched(0)
		}),
		numberCommand(":DISPlay[:WINDow]:TRACe:Y[:SCALe]:RLEVel", "DBM", -170, 40, &a.level, a.touched),
		choiceCommand("[:SENSe]:ROSCillator:SOURce", "INTernal|EXTernal", &a.reference, a.touch),
		{notation: "[:SENSe]:ROSCillator:LOCKed", get: answer(func() string { return "1" })},
	}
}

// coupled is a number that follows other settings: the query answers the value
// in force, whatever was set.
func (a *analyzer) coupled(notation, unit string, low, high float64, p *float64, actual func() float64) command {
	c := numberCommand(notation, unit, low, high, p, a.touched)
	c.get = func(g *args) (string, error) { return queried(g, actual(), low, high) }
	return c
}

// automatic is a coupling switch: ON forgets the set value, OFF freezes the
// value that the coupling gives now.
func (a *analyzer) automatic(p *float64, coupled func() float64) func(*args) error {
	return func(g *args) error {
		on, err := g.boolean()
		if err == nil {
			err = g.end()
		}
		if err != nil {
			return err
		}
		if on {
			*p = 0
		} else if *p == 0 {
			*p = coupled()
		}
		return a.touched(0)
	}
}

func (a *analyzer) integer(low, high int, p *int) func(*args) error {
	return func(g *args) error {
		v, err := g.integer(low, high)
		if err == nil {
			err = g.end()
		}
		if err != nil {
			return err
		}
		*p = v
		return a.touched(0)
	}
}

func (a *analyzer) triggerCommands() []command {
	s := &a.settings
	return []command{
		boolCommand("[:SENSe]:SWEep:EGATe[:STATe]", &s.gated, a.touch),
		numberCommand("[:SENSe]:SWEep:EGATe:DELay", "S", 0, 1, &s.gateDelay, a.touched),
		numberCommand("[:SENSe]:SWEep:EGATe:LENGth", "S", 1e-7, 1, &s.gateLength, a.touched),
		choiceCommand(":TRIGger[:SEQuence]:SOURce", "IMMediate|EXTernal", &a.source, a.touch),
		boolCommand(":INITiate:CONTinuous", &a.continuous, a.touch),
		{notation: ":INITiate[:IMMediate]", set: event(a.initiate)},
		{notation: ":ABORt", set: event(func() error {
			a.abort()
			return nil
		})},
	}
}

func (a *analyzer) traceCommands() []command {
	return []command{
		{notation: ":FORMat[:DATA]", set: a.format, get: answer(func() string {
			if a.real {
				return "REAL,32"
			}
			return "ASC,0"
		})},
		choiceCommand(":FORMat:BORDer", "NORMal", &a.border, nil),
		{notation: ":TRACe[:DATA]", get: a.data},
	}
}

func (a *analyzer) format(g *args) error {
	kind, err := g.word("REAL|ASCii")
	if err != nil {
		return err
	}
	if len(g.params) > 0 {
		low, high := 0, 0
		if kind == "REAL" {
			low, high = 32, 32
		}
		if _, err := g.integer(low, high); err != nil {
			return err
		}
	}
	a.real = kind == "REAL"
	return g.end()
}

// data answers TRACe:DATA?. Without a finished sweep of the present settings
// there is nothing to answer, only -230.
func (a *analyzer) data(g *args) (string, error) {
	if _, err := g.word("TRACE1|TRAC1"); err != nil {
		return "", err
	}
	if err := g.end(); err != nil {
		return "", err
	}
	if !a.valid {
		return "", scpi.StandardError(-230, "no finished sweep of these settings; send :INITiate and wait for *OPC?")
	}
	levels := a.trace
	if a.fault == NotANumber {
		levels = spoil(levels, a.real)
	}
	a.note("trace", "%d points", len(levels))
	if a.real {
		return string(scpi.AppendBlock(nil, scpi.AppendReal32(make([]byte, 0, 4*len(levels)), levels))), nil
	}
	text := make([]string, len(levels))
	for i, v := range levels {
		text[i] = scpi.FormatNumber(v)
	}
	return strings.Join(text, ","), nil
}

// notANumber is SCPI's number for "not a number" (SCPI-1999 vol. 1, 7.2.1.5).
const notANumber = 9.91e37

// spoil returns the trace with some points that are no numbers. IEEE NaN has no
// text form in SCPI, so ASCII traces hold only 9.91E37.
func spoil(levels []float64, binary bool) []float64 {
	out := append([]float64(nil), levels...)
	for i := len(out) / 3; i < len(out); i += 97 {
		out[i] = notANumber
		if binary && i%2 == 1 {
			out[i] = math.NaN()
		}
	}
	return out
}
