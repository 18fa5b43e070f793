package dialect

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// Quantity is what a number is about.
type Quantity string

// The quantities; in drivers and in what this package returns they are in hertz,
// seconds, decibel-milliwatts, decibels, volts, amperes and degrees Celsius.
const (
	Frequency   Quantity = "frequency"
	Time        Quantity = "time"
	Level       Quantity = "level"
	Ratio       Quantity = "ratio"
	Voltage     Quantity = "voltage"
	Current     Quantity = "current"
	Temperature Quantity = "temperature"
)

// Unit is the unit an instrument's numbers are in: "MHz", "ms", "W". Empty is
// the base unit of the quantity.
type Unit string

// unitRow is one unit: what one of it is in the base unit of its quantity. A
// power on a linear scale has its milliwatts in linear instead.
type unitRow struct {
	name     Unit
	quantity Quantity
	factor   float64
	linear   float64
}

// units is the one table of units; the first of each quantity is its base unit.
func units() []unitRow {
	return []unitRow{
		{"Hz", Frequency, 1, 0}, {"kHz", Frequency, 1e3, 0}, {"MHz", Frequency, 1e6, 0}, {"GHz", Frequency, 1e9, 0},
		{"s", Time, 1, 0}, {"ms", Time, 1e-3, 0}, {"us", Time, 1e-6, 0},
		{"dBm", Level, 1, 0}, {"W", Level, 0, 1e3}, {"mW", Level, 0, 1},
		{"dB", Ratio, 1, 0}, {"0.1dB", Ratio, 0.1, 0}, {"0.01dB", Ratio, 0.01, 0},
		{"V", Voltage, 1, 0}, {"mV", Voltage, 1e-3, 0},
		{"A", Current, 1, 0}, {"mA", Current, 1e-3, 0},
		{"degC", Temperature, 1, 0},
	}
}

func rowOf(u Unit) (unitRow, bool) {
	all := units()
	i := slices.IndexFunc(all, func(r unitRow) bool { return r.name == u })
	if i < 0 {
		return unitRow{factor: 1}, u == ""
	}
	return all[i], true
}

// baseUnit returns the name of the base unit of a quantity, "" for none.
func baseUnit(q Quantity) Unit {
	all := units()
	if i := slices.IndexFunc(all, func(r unitRow) bool { return r.quantity == q }); i >= 0 {
		return all[i].name
	}
	return ""
}

// unitsOf lists the units of a quantity for people.
func unitsOf(q Quantity) string {
	var names []string
	for _, r := range units() {
		if r.quantity == q {
			names = append(names, string(r.name))
		}
	}
	return strings.Join(names, ", ")
}

// toBase converts a number of the instrument.
func (u Unit) toBase(x float64) (float64, error) {
	r, _ := rowOf(u)
	if r.linear == 0 {
		return x * r.factor, nil
	}
	if !(x > 0) {
		return 0, fmt.Errorf("%g %s is no power", x, u)
	}
	return 10 * math.Log10(x*r.linear), nil
}

// allToBase converts numbers of the instrument where they are.
func (u Unit) allToBase(list []float64) (err error) {
	if u == "" {
		return nil
	}
	for i := range list {
		if list[i], err = u.toBase(list[i]); err != nil {
			return fmt.Errorf("element %d: %w", i, err)
		}
	}
	return nil
}

// fromBase converts a number for the instrument. Dividing by the factor and not
// multiplying by its inverse keeps 2.0005 GHz exact in kilohertz.
func (u Unit) fromBase(x float64) float64 {
	r, _ := rowOf(u)
	if r.linear == 0 {
		return x / r.factor
	}
	return math.Pow(10, x/10) / r.linear
}
