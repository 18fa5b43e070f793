package sim

import (
	"fmt"
	"math/rand/v2"
	"slices"

	"benchyard/instruments/rf"
)

// Builds of the invented lab, the older first.
const (
	olderBuild = "2.4.0"
	newerBuild = "2.5.0"
)

// The two unit types of the invented lab: a TDD type in n78 with four
// connectors of 37 dBm, which wants to be told every step of its bring-up, and an FDD
// type in n1 with two of 46 dBm, which goes through them by itself.
var demoTypes = []TypeConfig{
	{
		Name: "RU-T4", Maker: "Imagined Radio", Connectors: 4, Class: "medium-range", Category: "A", Type: "1-C", Rated: 37,
		Band: "n78", Duplex: "TDD", Downlink: rf.Range{Low: 3300e6, High: 3800e6}, Bandwidth: 100e6, SCS: 30e3,
		Compression: 40.5, Linearization: 16.2, Noise: -95, Second: -72, Third: -78,
	},
	{
		Name: "RU-F2", Maker: "Imagined Radio", Connectors: 2, Class: "wide-area", Category: "A", Type: "1-C", Rated: 46,
		Band: "n1", Duplex: "FDD", Downlink: rf.Range{Low: 2110e6, High: 2170e6}, Bandwidth: 20e6, SCS: 15e3,
		Compression: 49.5, Linearization: 18.8, Noise: -88, Second: -75, Third: -80, SelfTuning: true,
	},
}

// demoCentres are the bottom, middle and top RF channels of the types, by name:
// the raster points nearest to both ends and the middle of the band (TS 38.104
// 5.4.2 for n78 with 100 MHz / 30 kHz and n1 with 20 MHz / 15 kHz).
var demoCentres = map[string][]rf.Hertz{
	"RU-T4": {3350.01e6, 3549.99e6, 3750e6},
	"RU-F2": {2120e6, 2140e6, 2160e6},
}

// unitsPerType is how many units of each type the invented lab has.
const unitsPerType = 12

// Demo returns the invented lab: three benches of eight slots, 24 units of two
// types, two builds, and faults drawn from the seed. Which units are faulty, and
// how badly, depends on the seed; that exactly the clauses named by the faults
// fail does not. A faulty figure is beyond its limit by 2 dB or more, or without
// any doubt (a carrier wider than its channel); every other figure keeps 1.5 dB
// or more from its limit.
func Demo(seed uint64) Config {
	c := Config{Seed: seed, Speed: 1, Builds: []string{olderBuild, newerBuild}, Types: slices.Clone(demoTypes)}
	for b := 1; b <= 3; b++ {
		bench := BenchConfig{Name: fmt.Sprintf("bench-%d", b), MaxInput: 30, NoiseDBm: defaultNoise, Supply: SupplyConfig{MaxVolts: 60, MaxAmps: 40}}
		for slot := 1; slot <= 8; slot++ {
			typ, prefix, pad, number := "RU-T4", "T4", rf.DB(40), (b-1)*4+slot
			if slot > 4 {
				typ, prefix, pad, number = "RU-F2", "F2", 50, number-4
			}
			bench.Pads = append(bench.Pads, pad)
			c.Units = append(c.Units, UnitConfig{
				Serial: fmt.Sprintf("%s-%04d", prefix, number), Type: typ, Revision: string(rune('A' + (number+b)%3)),
				Build: olderBuild, Bench: bench.Name, Slot: slot,
			})
		}
		c.Benches = append(c.Benches, bench)
	}
	draw := &lottery{config: c, r: random(seed, "faults")}
	draw.all()
	c.Faults = draw.config.Faults
	return c
}

// lottery hands out faults, at most one to a unit.
type lottery struct {
	config Config
	r      *rand.Rand
	taken  map[string]bool
}

// Clauses of TS 38.141-1 that faults break.
const (
	outputPower       = "6.2"
	occupiedBandwidth = "6.6.2"
	leakageRatio      = "6.6.3"
	operatingBand     = "6.6.4"
	spurious          = "6.6.5"
)

// all draws the faults: one of each kind that every lab has, and one or two more.
func (l *lottery) all() {
	l.taken = map[string]bool{}
	l.weak("RU-T4")
	l.predistorter("RU-T4")
	l.inBandSpur(l.either())
	l.outOfBandSpur("RU-T4")
	l.harmonic()
	l.setting(l.either())
	l.wide(l.either())
	if l.r.IntN(2) == 0 {
		l.weak("RU-F2")
	}
}

func (l *lottery) either() string { return demoTypes[l.r.IntN(2)].Name }

// unit draws a unit of a type that has no fault yet.
func (l *lottery) unit(typ string) UnitConfig {
	for {
		u := l.config.Units[l.r.IntN(len(l.config.Units))]
		if u.Type == typ && !l.taken[u.Serial] {
			l.taken[u.Serial] = true
			return u
		}
	}
}

// sometimesNewer draws whether a fault came with the newer build.
func (l *lottery) sometimesNewer() string {
	if l.r.IntN(2) == 0 {
		return newerBuild
	}
	return ""
}

// between draws a number from low to high.
func (l *lottery) between(low, high float64) float64 { return low + (high-low)*l.r.Float64() }

func (l *lottery) add(f Fault) { l.config.Faults = append(l.config.Faults, f) }

// Leakage that faults of the amplifier chain cause in the least affected of
// their RF channels. TDD type: the limit of the first adjacent channel is
// -5.08 dBm (medium range, -25 dBm/MHz over 98.28 MHz), and the emission mask is
// still kept. FDD type: the limit is 44.2 dB, and regrowth that breaks it breaks
// the mask 10 MHz from the channel and the spurious limit beside the band too.
const (
	tddLeak  = -2.85 // dBm
	fddRatio = 40.6  // dB
)

// weak gives one connector an amplifier with a low compression point.
func (l *lottery) weak(typ string) {
	u := l.unit(typ)
	f := Fault{Kind: WeakAmplifier, Serial: u.Serial, Clauses: []string{leakageRatio}}
	if typ == "RU-F2" {
		f.Clauses = []string{leakageRatio, operatingBand, spurious}
	}
	t, _ := l.config.typeOf(typ)
	f.Connector = 1 + l.r.IntN(t.Connectors)
	l.regrow(f, u, demoCentres[typ])
}

// predistorter spoils the linearization of the top RF channel in the newer build.
func (l *lottery) predistorter(typ string) {
	u := l.unit(typ)
	top := demoCentres[typ][2]
	f := Fault{Kind: PoorPredistorter, Serial: u.Serial, Build: newerBuild, From: top - 50e6, Clauses: []string{leakageRatio}}
	l.regrow(f, u, []rf.Hertz{top})
}

// regrow finds the amount at which the fault just shows as intended at the
// given centres on every connector that has it, and adds the fault.
func (l *lottery) regrow(f Fault, u UnitConfig, centres []rf.Hertz) {
	t, _ := l.config.typeOf(u.Type)
	extra := l.between(0, 0.15)
	f.Amount = bisect(0, 20, func(amount float64) bool {
		f.Amount = amount
		trial := l.config
		trial.Faults = []Fault{f}
		return leaks(trial, u, t, f, centres, extra)
	})
	l.add(f)
}

// leaks reports whether the fault is strong enough everywhere it applies.
func leaks(c Config, u UnitConfig, t TypeConfig, f Fault, centres []rf.Hertz, extra float64) bool {
	for connector := 1; connector <= t.Connectors; connector++ {
		for _, centre := range centres {
			if !f.applies(newerBuild, connector, centre) {
				continue
			}
			x, err := c.Expect(Condition{Serial: u.Serial, Build: newerBuild, Connector: connector, Carrier: t.carrier(centre)})
			if err != nil {
				return false
			}
			ratio := min(x.LeakageRatio(-1), x.LeakageRatio(1))
			leak := x.CarrierPower() - rf.DBm(ratio)
			if t.Duplex == "TDD" && leak < rf.DBm(tddLeak+extra) || t.Duplex == "FDD" && ratio > rf.DB(fddRatio-extra) {
				return false
			}
		}
	}
	return true
}

// carrier returns the type's carrier at rated power.
func (t TypeConfig) carrier(centre rf.Hertz) Carrier {
	return Carrier{Center: centre, Bandwidth: t.Bandwidth, SCS: t.SCS, Power: t.Rated}
}

// inBandSpur puts a tone beside the band, where the operating-band mask holds:
// 4 to 7 dB over -25 dBm/100 kHz for the TDD type; for the FDD type over both
// -12.5 dBm/100 kHz (5 MHz and more from the edge) and -13 dBm/MHz (10.5 MHz and more).
func (l *lottery) inBandSpur(typ string) {
	f := Fault{Kind: Spur, Serial: l.unit(typ).Serial, Build: l.sometimesNewer(), Clauses: []string{operatingBand}}
	f.Frequency, f.Amount = rf.Hertz(l.between(3266, 3284))*rf.Megahertz, l.between(-21, -18)
	if typ == "RU-F2" {
		f.Frequency, f.Amount = rf.Hertz(l.between(2101.8, 2104.2))*rf.Megahertz, l.between(-8.5, -7.5)
	}
	l.add(f)
}

// outOfBandSpur puts a tone 4 to 7 dB over -13 dBm far from the carrier: a clock
// below 1 GHz, or a mixing product above the band.
func (l *lottery) outOfBandSpur(typ string) {
	f := Fault{Kind: Spur, Serial: l.unit(typ).Serial, Build: newerBuild, Clauses: []string{spurious}}
	f.Frequency, f.Amount = rf.Hertz(l.between(5200, 6400))*rf.Megahertz, l.between(-9, -6)
	if l.r.IntN(2) == 0 {
		f.Frequency = rf.Hertz(l.between(120, 900)) * rf.Megahertz
	}
	l.add(f)
}

// harmonic makes the second harmonic of an FDD unit break -13 dBm/MHz: at
// -43 dB to -42 dB its peak density is 3.2 dB or more above.
func (l *lottery) harmonic() {
	l.add(Fault{Kind: StrongHarmonic, Serial: l.unit("RU-F2").Serial, Build: l.sometimesNewer(), Amount: l.between(34.5, 35.5), Clauses: []string{spurious}})
}

// setting makes a unit transmit far below its rated power.
func (l *lottery) setting(typ string) {
	amount := l.between(-6.1, -5.6)
	if typ == "RU-F2" {
		amount = l.between(-5.8, -5.3)
	}
	l.add(Fault{Kind: PowerSetting, Serial: l.unit(typ).Serial, Build: l.sometimesNewer(), Amount: amount, Clauses: []string{outputPower}})
}

// wide makes a carrier occupy more than its channel, so much that a good piece of
// it (3.6 MHz or 0.5 MHz and more) lies inside the first adjacent channels.
func (l *lottery) wide(typ string) {
	amount := l.between(1.09, 1.10)
	if typ == "RU-F2" {
		amount = l.between(1.10, 1.115)
	}
	l.add(Fault{
		Kind: WideCarrier, Serial: l.unit(typ).Serial, Build: l.sometimesNewer(), Amount: amount,
		Clauses: []string{occupiedBandwidth, leakageRatio, operatingBand},
	})
}
