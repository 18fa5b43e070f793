package conformance

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"benchyard/instruments/rf"
)

// The transceiver health test is no clause of a standard: what it measures and
// which limits hold is what a plan says. Its words stand where clauses stand.
const (
	ToneClause      = "health.tone"      // image, LO leakage and third-order product of a tone, and how fast they settle
	FlatnessClause  = "health.flatness"  // power of a tone over the tuning range
	LinearityClause = "health.linearity" // power of a tone against attenuation
	OutputClause    = "health.output"    // leakage ratio and efficiency against output power
)

// HealthClauses returns the words of the transceiver health test, in order.
func HealthClauses() []string {
	return []string{ToneClause, FlatnessClause, LinearityClause, OutputClause}
}

// IsHealth reports whether a clause is a word of the transceiver health test.
func IsHealth(clause string) bool { return slices.Contains(HealthClauses(), clause) }

// MeasuredClauses returns all that a plan may name: Clauses, then HealthClauses.
func MeasuredClauses() []string { return append(Clauses(), HealthClauses()...) }

// Health is what a plan asks of one test of the transceiver health test. Limits
// that are absent are not judged; what is needed for them alone is not measured.
type Health struct {
	Offset rf.Hertz // of the tone from the middle of the carrier; zero: a tenth of its channel
	Level  *rf.DB   // of the tone over full scale, which is the rated power; nil: -6 dB

	// health.tone: most that a line may have, over the tone, after the initial
	// calibration alone and with tracking calibrations converged; and how long
	// tracking may take until those of image and leakage that After limits are
	// within 1 dB of where they end, for good.
	Before, After *Lines
	Settle        time.Duration // zero: not judged

	// health.flatness: places over the tuning range, and the most by which the
	// power may differ between any two of them.
	Places   int // zero: 9
	Flatness *rf.DB

	// health.linearity and health.output: attenuation from 0 in steps.
	Attenuation rf.DB // greatest; zero: 20 dB, for health.output 9 dB
	Step        rf.DB // zero: 2 dB, for health.output 3 dB
	SlopeError  float64
	Deviation   *rf.DB // most, from the straight line

	LeakageRatio *rf.DB  // least, of the first adjacent channels at every output power
	Efficiency   float64 // least, percent: mean output over supply power, at full power with one connector on
}

// Lines are limits of what a tone brings with it, each the most over the tone.
type Lines struct {
	Leakage *rf.DB // of the oscillator, at the middle of the carrier
	Image   *rf.DB // at the opposite offset
	Third   *rf.DB // at three times the opposite offset
}

// Defaults of a health test; common practice, no source.
const (
	defaultToneLevel rf.DB = -6
	defaultPlaces          = 9
	mostPlaces             = 101
	mostSteps              = 61
	// nearestTone is the least offset of a tone: lines are swept over 20 kHz each.
	nearestTone = 20 * rf.Kilohertz
)

// Complete returns the test with the defaults of its clause filled in.
func (h Health) Complete(clause string) Health {
	if h.Level == nil {
		level := defaultToneLevel
		h.Level = &level
	}
	if h.Places == 0 {
		h.Places = defaultPlaces
	}
	greatest, step := rf.DB(20), rf.DB(2)
	if clause == OutputClause {
		greatest, step = 9, 3
	}
	if h.Attenuation == 0 {
		h.Attenuation = greatest
	}
	if h.Step == 0 {
		h.Step = step
	}
	return h
}

// Attenuations returns the attenuations of a complete test, from 0 in its steps
// up to the greatest.
func (h Health) Attenuations() []rf.DB {
	var list []rf.DB
	for i := 0; rf.DB(i)*h.Step <= h.Attenuation+1e-9; i++ {
		list = append(list, rf.DB(i)*h.Step)
	}
	return list
}

// keys returns what a document may say for a clause beside the tone.
func (h Health) keys(clause string) map[string]bool {
	said := map[string]bool{
		"before": h.Before != nil, "after": h.After != nil, "settle": h.Settle != 0,
		"places": h.Places != 0, "flatness": h.Flatness != nil,
		"attenuation": h.Attenuation != 0, "step": h.Step != 0, "slope_error": h.SlopeError != 0, "deviation": h.Deviation != nil,
		"leakage_ratio": h.LeakageRatio != nil, "efficiency": h.Efficiency != 0, "offset": h.Offset != 0, "level": h.Level != nil,
	}
	own := map[string][]string{
		ToneClause:      {"offset", "level", "before", "after", "settle"},
		FlatnessClause:  {"offset", "level", "places", "flatness"},
		LinearityClause: {"offset", "level", "attenuation", "step", "slope_error", "deviation"},
		OutputClause:    {"attenuation", "step", "leakage_ratio", "efficiency"},
	}
	for _, k := range own[clause] {
		delete(said, k)
	}
	return said
}

// HealthProblem is what makes no sense in one key of a health test; Key is empty
// where it is the whole of it.
type HealthProblem struct{ Key, Text string }

// Check returns everything that makes no sense in a test of that clause.
func (h Health) Check(clause string) []HealthProblem {
	var found []HealthProblem
	report := func(key, format string, args ...any) {
		found = append(found, HealthProblem{key, fmt.Sprintf(format, args...)})
	}
	for key, said := range h.keys(clause) {
		if said {
			report(key, "%s has no %s", clause, key)
		}
	}
	slices.SortFunc(found, func(a, b HealthProblem) int { return len(a.Key)*256 + int(a.Key[0]) - len(b.Key)*256 - int(b.Key[0]) })
	full := h.Complete(clause)
	if !(*full.Level <= 0 && *full.Level >= -60) {
		report("level", "level %s: want -60 dB to 0 dB over full scale", *full.Level)
	}
	if full.Places < 2 || full.Places > mostPlaces {
		report("places", "places %d: want 2 to %d", full.Places, mostPlaces)
	}
	if !(full.Step > 0 && full.Attenuation >= full.Step) || float64(full.Attenuation/full.Step) >= mostSteps {
		report("step", "attenuation up to %s in steps of %s: want at least one step and at most %d", full.Attenuation, full.Step, mostSteps-1)
	} else if clause == LinearityClause && len(full.Attenuations()) < 3 {
		report("step", "attenuation up to %s in steps of %s: a straight line and what lies beside it take three points", full.Attenuation, full.Step)
	}
	for _, l := range h.impossible() {
		report(l.Key, "%s", l.Text)
	}
	if clause == ToneClause && h.Settle > 0 && (h.After == nil || h.After.Image == nil && h.After.Leakage == nil) {
		report("settle", "settle needs what is to settle: image or leakage, under after")
	}
	if len(h.limits(clause)) == 0 {
		report("", "%s without any limit: there would be nothing to judge", clause)
	}
	return found
}

// impossible returns the limits that nothing or everything would keep: mostly a
// sign or a percent that slipped.
func (h Health) impossible() []HealthProblem {
	var found []HealthProblem
	check := func(key string, possible bool, said any, want string) {
		if !possible {
			found = append(found, HealthProblem{key, fmt.Sprintf("%s %v: want %s", key[strings.LastIndex(key, ".")+1:], said, want)})
		}
	}
	for _, stage := range []struct {
		key   string
		lines *Lines
	}{{"before", h.Before}, {"after", h.After}} {
		if stage.lines == nil {
			continue
		}
		for _, x := range stage.lines.each() {
			if x.most != nil {
				check(stage.key+"."+x.key, *x.most < 0, *x.most, "below 0 dB: it is over the tone")
			}
		}
	}
	for _, x := range []struct {
		key   string
		limit *rf.DB
	}{{"flatness", h.Flatness}, {"deviation", h.Deviation}, {"leakage_ratio", h.LeakageRatio}} {
		if x.limit != nil {
			check(x.key, *x.limit > 0, *x.limit, "above 0 dB")
		}
	}
	check("settle", h.Settle >= 0, h.Settle, "above 0s")
	check("slope_error", h.SlopeError >= 0 && h.SlopeError < 1, h.SlopeError, "above 0 and below 1 dB per dB")
	check("efficiency", h.Efficiency >= 0 && h.Efficiency <= 100, h.Efficiency, "above 0 and at most 100 percent")
	return found
}

// healthLimit is one limit of a plan.
type healthLimit struct {
	key, title, quantity, unit string
	lower, upper               *float64
	core                       float64
}

func atMost(key, title, quantity, unit string, v float64) healthLimit {
	return healthLimit{key: key, title: title, quantity: quantity, unit: unit, upper: &v, core: v}
}

func atLeast(key, title, quantity, unit string, v float64) healthLimit {
	return healthLimit{key: key, title: title, quantity: quantity, unit: unit, lower: &v, core: v}
}

// limits returns what a plan limits, in a fixed order.
func (h Health) limits(clause string) []healthLimit {
	var list []healthLimit
	switch clause {
	case ToneClause:
		list = append(list, h.Before.limits("before", "before tracking")...)
		list = append(list, h.After.limits("after", "after tracking")...)
		if h.Settle > 0 {
			list = append(list, atMost("settling", "settling of image and LO leakage", "settling time", "s", h.Settle.Seconds()))
		}
	case FlatnessClause:
		if h.Flatness != nil {
			list = append(list, atMost("flatness", "gain flatness over the tuning range", "gain flatness", "dB", float64(*h.Flatness)))
		}
	case LinearityClause:
		if e := h.SlopeError; e > 0 {
			low, high := 1-e, 1+e
			list = append(list, healthLimit{"slope", "power against attenuation, slope", "attenuation slope", "dB/dB", &low, &high, e})
		}
		if h.Deviation != nil {
			list = append(list, atMost("deviation", "power against attenuation, greatest deviation", "attenuation deviation", "dB", float64(*h.Deviation)))
		}
	case OutputClause:
		if h.LeakageRatio != nil {
			list = append(list, atLeast("leakage ratio", "least leakage ratio over output power", "leakage ratio", "dB", float64(*h.LeakageRatio)))
		}
		if h.Efficiency > 0 {
			list = append(list, atLeast("efficiency", "efficiency at full power, one connector on", "efficiency", "%", h.Efficiency))
		}
	}
	return list
}

func (l *Lines) limits(stage, when string) []healthLimit {
	if l == nil {
		return nil
	}
	var list []healthLimit
	for _, x := range l.each() {
		if x.most != nil {
			list = append(list, atMost(stage+"/"+x.key, x.title+" over the tone, "+when, x.title, "dB", float64(*x.most)))
		}
	}
	return list
}

// lineLimit is the limit of one line; nil where there is none.
type lineLimit struct {
	key, title string
	most       *rf.DB
}

func (l *Lines) each() []lineLimit {
	return []lineLimit{{"leakage", "LO leakage", l.Leakage}, {"image", "image", l.Image}, {"third", "third-order baseband product", l.Third}}
}

// Most returns the limit of the line with that key, leakage, image or third; nil where
// there is none.
func (l *Lines) Most(key string) *rf.DB {
	for _, x := range l.each() {
		if x.key == key {
			return x.most
		}
	}
	return nil
}

// Requirements returns the limits that a plan of that name sets for a clause of
// the health test. A tone whose product at three times its offset leaves the
// channel is an error: nothing would tell it from the emissions beside it.
func (h Health) Requirements(clause, plan string, s Subject) ([]Requirement, error) {
	if len(s.Carriers) > 1 {
		return nil, errors.New("conformance: the transceiver health test is made with one carrier")
	}
	if err := h.CheckTone(clause, s.Carrier.Bandwidth); err != nil {
		return nil, fmt.Errorf("conformance: %w", err)
	}
	var list []Requirement
	for _, l := range h.limits(clause) {
		list = append(list, Requirement{
			Key: clause + "/" + l.key, Clause: clause, Title: l.title, Quantity: l.quantity, Unit: l.unit,
			Core: l.core, CoreTo: l.core, ToleranceKnown: true, Lower: l.lower, Upper: l.upper,
			CoreSource: "plan " + plan, ToleranceSource: "plan " + plan + ": its limits hold as they stand", Provenance: "plan",
		})
	}
	return list, nil
}

// CheckTone returns why the products of the tone cannot be told apart in a channel of
// that bandwidth: the third-order one at three times the offset must stay inside, or
// it is among the emissions beside it, and the lines must not run into each other.
// Tests without a tone have nothing to check.
func (h Health) CheckTone(clause string, bandwidth rf.Hertz) error {
	f := rf.Hertz(math.Abs(float64(h.ToneOffset(Carrier{Bandwidth: bandwidth}))))
	switch {
	case clause == OutputClause:
	case 6*f > bandwidth:
		return fmt.Errorf("%s: a tone at %s has its third-order product outside the channel of %s; take at most a sixth of it", clause, f, bandwidth)
	case f < nearestTone:
		return fmt.Errorf("%s: a tone at %s runs into the oscillator and its image; take at least %s", clause, f, nearestTone)
	}
	return nil
}

// ToneOffset returns where the tone stands from the middle of a carrier.
func (h Health) ToneOffset(c Carrier) rf.Hertz {
	if h.Offset == 0 {
		return c.Bandwidth / 10
	}
	return h.Offset
}

// Observation is what a radio unit told while a sweep was taken.
type Observation struct {
	// Clock names whose time From and To are in: RadioUnitClock or ComputerClock.
	Clock string `json:"clock,omitempty"`
	// From and To enclose the sweep, in seconds since the tracking calibrations
	// were switched on.
	From float64 `json:"from_s,omitempty"`
	To   float64 `json:"to_s,omitempty"`
	// Volts and Amps are what it takes from its supply; zero: it was not asked.
	Volts float64 `json:"supply_v,omitempty"`
	Amps  float64 `json:"supply_a,omitempty"`
}

// The clocks of an Observation.
const (
	RadioUnitClock = "radio unit"
	ComputerClock  = "computer"
)
