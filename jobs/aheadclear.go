package jobs

import (
	"context"
	"fmt"
	"math"
	"strings"

	"benchyard/instruments/supply"
	"benchyard/instruments/switcher"
	"benchyard/jobs/conformance"
	"benchyard/jobs/lab"
)

// keptBelow is how far what leaks from a unit that is prepared stays below every limit
// that the measured one has to meet: it lifts a figure at its limit by less than half a
// decibel.
const keptBelow = 10.0

// farBelow is how far it stays below the measured carrier in any case: 10^-4 of its power
// is less than a hundredth of a decibel, and little beside the 1 % outside the occupied
// bandwidth (TS 38.141-1 6.6.2).
const farBelow = 40.0

// leastEfficiency is what a transmitter makes of its supply at the least; common
// practice, no source. It bounds what a unit takes of which nobody has said it.
const leastEfficiency = 0.2

// isolated reports why the unit of a run may not transmit while the other one is
// measured; nil: it may. All connectors together count, with their rated power.
func (t *tenure) isolated(measured, p *segment) error {
	b, err := t.rig.bench()
	switch {
	case err != nil:
		return err
	case b.Isolation == 0:
		return fmt.Errorf("the inventory does not say by how much the switch matrix of %s isolates its slots (isolation)", b.Name)
	}
	cases := measured.cases
	for _, rest := range measured.rest {
		cases = append(cases[:len(cases):len(cases)], rest.Cases...)
	}
	// mostAhead units at once, each with all its connectors.
	leak := float64(greatestPower(p.mount.kind)) + 10*math.Log10(float64(p.mount.kind.Connectors*mostAhead)) - float64(b.Isolation)
	for _, c := range cases {
		setup, err := measured.mount.setup(c)
		if err != nil {
			return err
		}
		requirements, err := setup.Requirements(c.Clause)
		if err != nil {
			return err
		}
		carrier := float64(setup.Subject.CarrierPower())
		if leak > carrier-farBelow {
			return fmt.Errorf("%.1f dBm may leak through %s, which is not %g dB below a carrier of %.1f dBm of %s",
				leak, b.Switcher, farBelow, carrier, measured.mount.unit.Serial)
		}
		for _, r := range requirements {
			if limit, ok := lowestLevel(r, carrier); ok && leak > limit-keptBelow {
				return fmt.Errorf("%.1f dBm may leak through %s, which is not %g dB below the limit of %.1f dBm in %s of %s",
					leak, b.Switcher, keptBelow, limit, r.Clause, measured.mount.unit.Serial)
			}
		}
	}
	return nil
}

// lowestLevel returns the lowest level that a requirement lets through, with what leaks
// taken as if all of it fell into one bandwidth; a ratio counts below the carrier, dBm.
func lowestLevel(r conformance.Requirement, carrier float64) (float64, bool) {
	lowest := math.Inf(1)
	if r.Unit == "dB" && r.Lower != nil {
		lowest = carrier - *r.Lower
	}
	if strings.HasPrefix(r.Unit, "dBm") {
		for _, bound := range []*float64{r.Upper, r.UpperTo} {
			if bound != nil {
				lowest = min(lowest, *bound)
			}
		}
	}
	return lowest, !math.IsInf(lowest, 1)
}

// clearAhead is asked right before a unit transmits while another one is measured: its
// own paths must end in their terminations by what the matrix reads back, and the supply
// must stand it beside all others.
func (t *tenure) clearAhead(ctx context.Context, p *preparation) error {
	r, unit := t.rig, p.mount.unit
	if err := pathsValid(p.mount.lab, t.agent.latestLab(), unit, lab.DateOf(t.agent.Clock())); err != nil {
		return err
	}
	b, err := r.bench()
	if err != nil {
		return err
	}
	matrix, err := instrumentOf[*switcher.Switcher](ctx, r, b.Switcher)
	if err != nil {
		return err
	}
	var routes []string
	for connector := 1; connector <= p.mount.kind.Connectors; connector++ {
		path, ok := p.mount.lab.PathFor(unit.Bench, unit.Slot, connector)
		if !ok {
			return fmt.Errorf("%s slot %d connector %d has no path", unit.Bench, unit.Slot, connector)
		}
		routes = append(routes, path.Route)
	}
	if err := matrix.Open(ctx, routes...); err != nil {
		return fmt.Errorf("%s: %w", b.Switcher, err)
	}
	dc, err := instrumentOf[*supply.Supply](ctx, r, b.Supply)
	if err != nil {
		return err
	}
	volts, amps, on, err := dc.Read(ctx)
	switch {
	case err != nil:
		return fmt.Errorf("%s: %w", b.Supply, err)
	case !on || volts <= 0:
		return fmt.Errorf("%s: its output is off", b.Supply)
	}
	// Those beside it may come on the air right after it: the measured one, and others ahead.
	greatest := 0.0
	for _, u := range r.units(b.Name) {
		if kind, ok := r.inventory().Type(u.Type); ok {
			greatest = max(greatest, mostDrawn(kind, volts))
		}
	}
	if sum := amps + (1+mostAhead)*greatest; sum > b.SupplyAmps {
		return fmt.Errorf("%s gives %.1f A and may have to give %.1f A with %s on the air, at most %.1f A", b.Supply, amps, sum, unit.Serial, b.SupplyAmps)
	}
	return nil
}

// mostDrawn is the most that a unit may take for its transmitters, amperes.
func mostDrawn(kind lab.RadioUnitType, volts float64) float64 {
	watts := math.Pow(10, (float64(greatestPower(kind))-30)/10) * float64(kind.Connectors)
	return watts / leastEfficiency / volts
}
