package sim

import (
	"cmp"
	"fmt"
	"strings"
	"time"

	"benchyard/instruments/rf"
)

// Figures of the inventory that are the lab's choice, not physics.
const (
	calibrationDays = 200 // until calibrations and path tables run out
	supplyAmps      = 20  // current limit of a bench

	levelUncertainty = rf.DB(0.24) // expanded (k = 2), of a level of the analyzer
	inputSWR         = 1.2         // of the analyzer behind its attenuator
	linearity        = rf.DB(0.1)  // expanded (k = 2), of a ratio of two levels of the analyzer
	meterUncertainty = rf.DB(0.1)  // expanded (k = 2), of a level of the power meter
	meterSWR         = 1.1         // of the sensor of the power meter
	generatorSWR     = 1.2         // of the output of the generator
	pathSWR          = 1.15        // of both ends of a path
	outputSWR        = 1.4         // of a radio unit
	repeatability    = rf.DB(0.02) // standard deviation of switching and connecting again
	repeats          = 10          // connections it was seen in
	correctionDays   = 365         // that an approved correction of a path is good
)

// Inventory returns the inventory document (YAML) of the lab as it runs: real
// ports, calibrations that are good for another 200 days, and correction tables
// that know each path within their uncertainty.
func (l *Lab) Inventory() []byte {
	var b strings.Builder
	due := time.Now().AddDate(0, 0, calibrationDays).Format(time.DateOnly)
	fmt.Fprintf(&b, "# Made by the simulator, seed %d. Nothing in it exists.\nlab: simulated-%d\nsimulated: true\ncorrection_days: %d\nbuilds: [", l.config.Seed, l.config.Seed, correctionDays)
	for i, build := range l.config.Builds {
		fmt.Fprintf(&b, "%s%q", separator(i), build)
	}
	b.WriteString("]\n\ninstruments:\n")
	for _, bench := range l.config.Benches {
		l.writeInstruments(&b, bench, due)
	}
	b.WriteString("\nbenches:\n")
	for _, bench := range l.config.Benches {
		n := bench.Name
		fmt.Fprintf(&b, "  - {name: %s, analyzer: %s-analyzer, generator: %s-generator, power_meter: %s-meter, supply: %s-supply, ",
			n, cmp.Or(bench.Analyzer, n), n, n, n)
		if !bench.Manual {
			fmt.Fprintf(&b, "switcher: %s-switcher, ", n)
		}
		fmt.Fprintf(&b, "slots: %d, supply_volts: %g, supply_amps: %g, idle_supply: keep", len(bench.Pads), nominalVolts, min(supplyAmps, bench.Supply.MaxAmps))
		if bench.Isolation > 0 {
			fmt.Fprintf(&b, ", isolation: %s", bench.Isolation)
		}
		b.WriteString("}\n")
	}
	l.writeCommandLines(&b)
	b.WriteString("\nradio_unit_types:\n")
	for _, t := range l.config.Types {
		fmt.Fprintf(&b, "  - {name: %s, maker: %s, connectors: %d, class: %s, category: %s, type: %s, rated_power: %s, output_swr: %g, ",
			t.Name, t.Maker, t.Connectors, t.Class, t.Category, t.Type, t.Rated, outputSWR)
		fmt.Fprintf(&b, "%scarriers: [{band: %s, bandwidths: [%s], scs: [%s]}]}\n", l.control(t), t.Band, t.Bandwidth, t.SCS)
	}
	b.WriteString("\nradio_units:\n")
	for _, u := range l.config.Units {
		resource, _ := l.Resource(u.Serial)
		fmt.Fprintf(&b, "  - {serial: %s, type: %s, revision: %s, bench: %s, slot: %d, resource: \"%s\"%s}\n", u.Serial, u.Type, u.Revision, u.Bench, u.Slot, resource, l.hostKeys(u))
	}
	b.WriteString("\npaths:\n")
	for _, u := range l.config.Units {
		l.writePaths(&b, u, due)
	}
	return []byte(b.String())
}

func separator(i int) string {
	if i == 0 {
		return ""
	}
	return ", "
}

// writeInstruments writes the instruments of a bench.
func (l *Lab) writeInstruments(b *strings.Builder, bench BenchConfig, due string) {
	for _, role := range []string{roleAnalyzer, roleGenerator, roleMeter, roleSupply, roleSwitcher} {
		if role == roleSwitcher && bench.Manual || role == roleAnalyzer && bench.Analyzer != "" {
			continue
		}
		name := bench.Name + "-" + strings.TrimPrefix(role, "power ")
		resource, _ := l.Resource(name)
		fmt.Fprintf(b, "  - name: %s\n    role: %s\n    resource: \"%s\"\n    identity: \"%s\"\n", name, role, resource, l.devices[name].identity)
		fmt.Fprintf(b, "    certificate: SIM-%s\n    calibration_due: %s\n", strings.ToUpper(name), due)
		if role == roleAnalyzer {
			if len(l.world.benches[bench.Name].guests) > 1 {
				b.WriteString("    shared: true\n")
			}
			fmt.Fprintf(b, "    max_input: %s\n    noise_factor: %.6f\n", bench.MaxInput, noiseFactor)
			fmt.Fprintf(b, "    level_uncertainty: %s\n    linearity: %s\n    input_swr: %g\n", levelUncertainty, linearity, inputSWR)
		}
		if role == roleMeter {
			fmt.Fprintf(b, "    level_uncertainty: %s\n    input_swr: %g\n", meterUncertainty, meterSWR)
		}
		if role == roleGenerator {
			fmt.Fprintf(b, "    output_swr: %g\n", generatorSWR)
		}
		if role == roleAnalyzer || role == roleGenerator || role == roleMeter {
			fmt.Fprintf(b, "    frequency: {low: %s, high: %s}\n", rf.Hertz(lowestHz), rf.Hertz(highestHz))
		}
	}
}

// writePaths writes the paths of one unit's connectors, a row per line.
func (l *Lab) writePaths(b *strings.Builder, u UnitConfig, due string) {
	bench := l.world.benches[u.Bench]
	for connector := 1; connector <= len(l.world.units[u.Serial].tx.chains); connector++ {
		ch := channel(u.Slot, connector)
		fmt.Fprintf(b, "  - bench: %s\n    slot: %d\n    connector: %d\n    valid_until: %s\n", u.Bench, u.Slot, connector, due)
		if !bench.config.Manual {
			fmt.Fprintf(b, "    route: \"%d\"\n", ch)
		}
		fmt.Fprintf(b, "    elements: [%s-cable-%d, %s-pad-%d]\n", u.Bench, ch, u.Bench, u.Slot)
		fmt.Fprintf(b, "    swr: %g\n    repeatability: %s\n    repeats: %d\n    correction:\n", pathSWR, repeatability, repeats)
		for _, row := range bench.paths[ch].table(l.config.Seed, u.Bench, u.Slot, connector) {
			fmt.Fprintf(b, "      - {frequency: %s, loss: %.3f dB, uncertainty: %s}\n", row.Frequency, float64(row.Loss), row.Uncertainty)
		}
	}
}
