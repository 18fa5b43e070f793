package sim

import (
	"fmt"
	"math"
	"testing"

	"benchyard/instruments/rf"
)

// Margins that Demo claims, dB.
const (
	leastBreak  = 2.0
	leastMargin = 1.5
)

// worst keeps the smallest margin seen per clause: positive passes.
type worst map[string]float64

func (w worst) see(clause string, margin float64) {
	if m, ok := w[clause]; !ok || margin < m {
		w[clause] = margin
	}
}

// maskSegment is one line of an emission mask: limit in dBm per filter width at
// offsets from the channel edge to the filter centre.
type maskSegment struct{ from, to, limit, limitTo, width float64 }

// limits of one demo type, typed in from TS 38.104 V19.4.0 with the test
// tolerances of TS 38.141-1 (conformance facts 4 to 7).
type limits struct {
	power    float64 // 6.2.5: +- dB (2.0 + 0.7 below, + 1.0 above 3 GHz)
	ratio    float64 // 6.6.3.2 T-1: 45 dB less 0.8 (BW <= 20 MHz) or 1.2 dB
	absolute float64 // 6.6.3.2 T-2: dBm/MHz
	eutra    bool    // the band is also one of E-UTRA: 4.5 MHz at 2.5 and 7.5 MHz from the channel edge
	mask     []maskSegment
	band     rf.Range // operating band and delta f_OBUE on both sides (6.6.1)
	top      rf.Hertz // upper edge of the spurious range (6.6.5.2.1)
}

var demoLimits = map[string]limits{
	"RU-T4": {
		power: 3.0, ratio: 43.8, absolute: -25,
		mask: []maskSegment{ // 6.6.4.2.3 T6.6.4.2.3-1 with P = 37 dBm, +1.8 dB below 10 MHz
			{0.05e6, 5.05e6, -16 + 1.8, -23 + 1.8, 100e3}, {5.05e6, 10.05e6, -23 + 1.8, -23 + 1.8, 100e3}, {10.05e6, math.Inf(1), -25, -25, 100e3},
		},
		band: rf.Range{Low: 3260e6, High: 3840e6}, top: 19e9,
	},
	"RU-F2": {
		power: 2.7, ratio: 44.2, absolute: -13, eutra: true,
		mask: []maskSegment{ // 6.6.4.2.1 T6.6.4.2.1-2, +1.5 dB below 10 MHz
			{0.05e6, 5.05e6, -7 + 1.5, -14 + 1.5, 100e3}, {5.05e6, 10.05e6, -14 + 1.5, -14 + 1.5, 100e3}, {10.5e6, math.Inf(1), -13, -13, 1e6},
		},
		band: rf.Range{Low: 2100e6, High: 2180e6}, top: 12.75e9,
	},
}

func (l limits) judge(w worst, x *Expectation, channel int) {
	c := x.carrier
	w.see(outputPower, l.power-math.Abs(float64(x.ChannelPower()-c.Power)))
	carrier := float64(x.CarrierPower())
	leak := max(carrier-l.ratio, l.absolute+10*math.Log10(x.width/1e6)) // the less stringent, 6.6.3.3
	for _, n := range []int{-2, -1, 1, 2} {
		w.see(leakageRatio, leak-(carrier-float64(x.LeakageRatio(n))))
	}
	if l.eutra {
		leak := max(carrier-l.ratio, l.absolute+10*math.Log10(4.5))
		for _, offset := range []rf.Hertz{c.Bandwidth/2 + 2.5e6, c.Bandwidth/2 + 7.5e6} {
			w.see(leakageRatio, leak-float64(x.Power(c.Center-offset, 4.5e6)))
			w.see(leakageRatio, leak-float64(x.Power(c.Center+offset, 4.5e6)))
		}
	}
	if channel == 1 { // 6.6.2 at the middle channel
		width, _, _ := x.OccupiedBandwidth()
		w.see(occupiedBandwidth, 10*math.Log10(float64(c.Bandwidth/width)))
	}
	for _, side := range []rf.Hertz{-1, 1} {
		l.walkMask(w, x, side)
	}
	if channel != 1 { // 6.6.5 at bottom and top
		l.walkSpurious(w, x)
	}
}

func (l limits) walkMask(w worst, x *Expectation, side rf.Hertz) {
	edge := x.carrier.Center + side*x.carrier.Bandwidth/2
	end := float64(l.band.High - edge)
	if side < 0 {
		end = float64(edge - l.band.Low)
	}
	for _, s := range l.mask {
		stop := min(s.to, end) - 1 // an offset below 10 MHz excludes the last filter position
		offsets := []float64{}
		for at := s.from; at < stop; at += s.width {
			offsets = append(offsets, at)
		}
		for _, spur := range x.emission.lines {
			offsets = append(offsets, float64(side)*(spur.frequency-float64(edge)))
		}
		for _, at := range offsets {
			if at < s.from || at >= stop {
				continue
			}
			limit := s.limit
			if !math.IsInf(s.to, 1) {
				limit += (s.limitTo - s.limit) * (at - s.from) / (s.to - s.from)
			}
			w.see(operatingBand, limit-float64(x.Power(edge+side*rf.Hertz(at), rf.Hertz(s.width))))
		}
	}
}

// walkSpurious holds category A, -13 dBm, over 9 kHz to the top with the filters
// of 6.6.5.2.1, leaving out the band and its surroundings.
func (l limits) walkSpurious(w worst, x *Expectation) {
	for _, s := range []struct{ low, high, width rf.Hertz }{
		{9e3, 150e3, 1e3}, {150e3, 30e6, 10e3}, {30e6, 1e9, 100e3}, {1e9, l.band.Low, 1e6}, {l.band.High, l.top, 1e6},
	} {
		level, _ := x.Worst(rf.Range{Low: s.low + s.width/2, High: s.high - s.width/2}, s.width)
		w.see(spurious, -13-float64(level))
	}
}

// conditions visits every connector and RF channel of a unit with a build, cold
// and warm.
func judgeUnit(t *testing.T, c Config, u UnitConfig, build string) worst {
	t.Helper()
	typ, err := c.typeOf(u.Type)
	if err != nil {
		t.Fatal(err)
	}
	// Worst margins of a passing clause count cold and warm; a failing clause has
	// to show on the warm unit.
	warm, any := worst{}, worst{}
	for connector := 1; connector <= typ.Connectors; connector++ {
		for i, centre := range demoCentres[u.Type] {
			for _, chill := range []float64{0, 1} {
				x, err := c.Expect(Condition{Serial: u.Serial, Build: build, Connector: connector, Carrier: typ.carrier(centre), Chill: chill})
				if err != nil {
					t.Fatal(err)
				}
				demoLimits[u.Type].judge(any, x, i)
				if chill == 0 {
					demoLimits[u.Type].judge(warm, x, i)
				}
			}
		}
	}
	for clause, margin := range any {
		if margin >= 0 {
			warm[clause] = margin
		}
	}
	return warm
}

// For every unit and build, the closed-form spectra fail exactly the clauses of
// Truth and keep the margins that Demo claims. Occupied bandwidth is a width: a
// faulty one is 4 % or more too wide, a good one 2 % or more narrower.
func TestTruthIsExact(t *testing.T) {
	seeds := []uint64{1, 2, 3, 4, 5}
	for _, seed := range seeds {
		t.Run(fmt.Sprint("seed ", seed), func(t *testing.T) {
			t.Parallel()
			c := Demo(seed)
			if err := c.Validate(); err != nil {
				t.Fatal(err)
			}
			truth := map[TruthEntry]bool{}
			for _, e := range c.Truth() {
				truth[e] = true
			}
			closest := worst{}
			for _, u := range c.Units {
				for _, build := range c.Builds {
					for clause, margin := range judgeUnit(t, c, u, build) {
						fails := truth[TruthEntry{u.Serial, build, clause}]
						need := map[bool]float64{true: leastBreak, false: leastMargin}[fails]
						if clause == occupiedBandwidth {
							need = map[bool]float64{true: decibels(1.04), false: decibels(1.02)}[fails]
						}
						distance := margin
						if fails {
							distance = -margin
						}
						if distance < need {
							t.Errorf("%s %s %s: margin %.2f dB, must fail: %v", u.Serial, build, clause, margin, fails)
						}
						closest.see(fmt.Sprintf("%s %s fail=%v", u.Type, clause, fails), distance)
					}
				}
			}
			t.Logf("least distances, dB: %v", closest)
		})
	}
}

// A demo lab has six to eight faulty units, some of which are only bad in the
// newer build.
func TestDemoFaults(t *testing.T) {
	for seed := range uint64(50) {
		units, newer := map[string]bool{}, 0
		for _, f := range Demo(seed).Faults {
			units[f.Serial] = true
			if f.Build == newerBuild {
				newer++
			}
		}
		if len(units) < 6 || len(units) > 8 || newer < 2 {
			t.Errorf("seed %d: %d faulty units, %d faults of the newer build", seed, len(units), newer)
		}
	}
}
