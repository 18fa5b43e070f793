package instruments_test

import (
	"context"
	"errors"
	"math"
	"testing"
	"time"

	"benchyard/instruments"
	"benchyard/instruments/generator"
	"benchyard/instruments/powermeter"
	"benchyard/instruments/scpi"
)

func TestPowerMeterOnTheSimulator(t *testing.T) {
	lab := start(t, 2000)
	hands, err := lab.Fixture("bench-1")
	if err != nil {
		t.Fatal(err)
	}
	if err := hands.Generator("METer"); err != nil {
		t.Fatal(err)
	}
	g := driver[*generator.Generator](t, lab, "bench-1-generator", instruments.Generator, scpi.Config{})
	p := driver[*powermeter.PowerMeter](t, lab, "bench-1-meter", instruments.PowerMeter, scpi.Config{Timeout: 2 * time.Second})
	do(t, g.Prepare, p.Prepare, p.Zero,
		func(ctx context.Context) error { return g.Set(ctx, 2.14e9, -10) }, g.On)
	power, err := p.Read(t.Context(), 2.14e9, 16)
	// What the simulator allows its generator and its sensor, together.
	if err != nil || math.Abs(float64(power)+10) > 0.5 {
		t.Errorf("got %s, %v; want -10 dBm", power, err)
	}
	var refused *scpi.Error
	if err := p.Zero(t.Context()); !errors.As(err, &refused) { // -221: power at the sensor
		t.Errorf("zero under power: got %v", err)
	}
	do(t, g.Off)
	if power, err := p.Read(t.Context(), 2.14e9, 16); err == nil && power > -50 {
		t.Errorf("without power: got %s", power)
	}
}
