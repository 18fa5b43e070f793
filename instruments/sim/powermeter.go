package sim

import (
	"math"
	"math/rand/v2"

	"benchyard/instruments/rf"
	"benchyard/instruments/scpi"
)

// Figures of the simulated power meter.
const (
	meterTime     = 0.02 // s that one reading takes
	zeroTime      = 1.0  // s
	mostReadings  = 1024
	zeroOffset    = 3e-5 // mW before zeroing, either way
	meterNoise    = 1e-7 // mW rms of one reading
	quiet         = 1e-4 // mW above which the sensor cannot be zeroed
	leastReading  = 1e-9 // mW shown at least
	readingUnit   = "DBM"
	meterResponse = 0.3 // dB by which the sensor's response wavers over frequency, at most
)

// powerMeter is a power meter with a thermal sensor: it adds up whatever power
// reaches the sensor, minus a zero found without any, and corrects the sensor's
// response at the frequency it has been told.
type powerMeter struct {
	*device
	bench     *bench
	response  [2]ripple // dB over frequency
	zero      float64   // mW
	frequency float64
	count     int
	unit      string
	reading   float64 // mW
	valid     bool
	random    *rand.Rand
}

func newPowerMeter(w *world, b *bench, seed uint64) *powerMeter {
	r := random(seed, "power meter "+b.name)
	p := &powerMeter{device: newDevice(b.name+"-meter", identity("Thermal 26", "PM", b.name), w), bench: b, random: r}
	p.response = newRipples(r, meterResponse/4, meterResponse/2)
	p.zero = zeroOffset * (0.5 + r.Float64()/2)
	p.preset()
	p.device.reset = p.preset
	touched := func(float64) error {
		p.touch()
		return nil
	}
	p.commands = append(p.commands,
		numberCommand("[:SENSe]:FREQuency[:CW|:FIXed]", "HZ", lowestHz, highestHz, &p.frequency, touched),
		command{notation: "[:SENSe]:AVERage:COUNt", set: p.averages, get: answer(func() string { return scpi.FormatNumber(float64(p.count)) })},
		choiceCommand(":UNIT:POWer", "DBM|W", &p.unit, nil),
		command{notation: ":CALibration:ZERO:AUTO", set: p.autoZero, get: answer(func() string { return "0" })},
		command{notation: ":INITiate[:IMMediate]", set: event(p.initiate)},
		command{notation: ":ABORt", set: event(func() error { p.abort(); return nil })},
		command{notation: ":FETCh[:POWer]", get: p.fetch, wait: true},
		command{notation: ":READ[:POWer]", get: p.fetch, first: p.initiate, wait: true},
	)
	return p
}

func (p *powerMeter) preset() {
	p.frequency, p.count, p.unit = 50e6, 1, readingUnit
	p.touch()
}

// touch invalidates the reading after a setting.
func (p *powerMeter) touch() {
	p.abort()
	p.valid = false
}

func (p *powerMeter) averages(a *args) error {
	n, err := a.integer(1, mostReadings)
	if err == nil {
		err = a.end()
	}
	if err == nil {
		p.count = n
		p.touch()
	}
	return err
}

// atSensor returns frequency and power at the sensor, Hz and mW.
func (p *powerMeter) atSensor() (frequency, power float64) {
	p.world.mu.Lock()
	defer p.world.mu.Unlock()
	if s := p.bench.source; p.bench.plug == atMeter && s.on {
		return s.frequency, milliwatts(s.output())
	}
	return 0, 0
}

// autoZero takes what the sensor shows without power as its zero.
func (p *powerMeter) autoZero(a *args) error {
	if _, err := a.word("ONCE"); err != nil {
		return err
	}
	if err := a.end(); err != nil {
		return err
	}
	if _, power := p.atSensor(); power > quiet {
		return conflict("%.1f dBm at the sensor while zeroing; switch the generator off first", decibels(power))
	}
	p.touch()
	p.begin(zeroTime, func() func() {
		return func() {
			p.zero = p.random.NormFloat64() * meterNoise
			p.note("zero", "")
		}
	})
	return nil
}

// initiate starts a reading as an overlapped operation.
func (p *powerMeter) initiate() error {
	if p.pending != nil {
		return scpi.StandardError(-213, "a reading is being taken")
	}
	p.valid = false
	p.status.operation.set(operationMeasuring, true)
	p.begin(meterTime*float64(p.count), func() func() {
		frequency, power := p.atSensor()
		return func() {
			seen := power * milliwatts(waver(p.response, frequency)-waver(p.response, p.frequency))
			p.reading = seen + p.zero + p.random.NormFloat64()*meterNoise/math.Sqrt(float64(p.count))
			p.valid = true
		}
	})
	return nil
}

// fetch answers the reading.
func (p *powerMeter) fetch(a *args) (string, error) {
	if err := a.end(); err != nil {
		return "", err
	}
	switch {
	case !p.valid:
		return "", scpi.StandardError(-230, "no reading with these settings; send :INITiate or :READ?")
	case p.fault == NotANumber:
		return scpi.FormatNumber(notANumber), nil
	case p.unit == readingUnit:
		return scpi.FormatNumber(math.Round(decibels(max(p.reading, leastReading))*1e4) / 1e4), nil
	}
	return scpi.FormatNumber(p.reading / 1e3), nil
}

// newRipples draws two ripples over frequency of amplitudes from least to most.
func newRipples(r *rand.Rand, least, most float64) (list [2]ripple) {
	for i := range list {
		list[i] = ripple{least + (most-least)*r.Float64(), (2 + 5*r.Float64()) * float64(rf.Gigahertz), 2 * math.Pi * r.Float64()}
	}
	return list
}

// waver returns what ripples add up to at f, dB.
func waver(list [2]ripple, f float64) float64 {
	sum := 0.0
	for _, r := range list {
		if r.amplitude != 0 {
			sum += r.amplitude * math.Sin(2*math.Pi*f/r.period+r.phase)
		}
	}
	return sum
}
