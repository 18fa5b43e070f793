package procedure

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
)

// together is one configuration of a kind.
type together struct {
	name   string
	kind   kind
	shapes []conformance.Shape
	gap    rf.Hertz
	pads   []float64 // dBm of each carrier against its share of the rated power
}

func configurations() []together {
	k := kinds()
	return []together{
		{"TDD, cumulative leakage", k[0], []conformance.Shape{{Bandwidth: 100e6, SCS: 30e3}, {Bandwidth: 40e6, SCS: 30e3}}, 25e6, []float64{0.5, -1}},
		{"FDD, cumulative leakage", k[1], []conformance.Shape{{Bandwidth: 5e6, SCS: 15e3}, {Bandwidth: 10e6, SCS: 15e3}}, 12e6, []float64{-1, 1}},
		{"FDD, leakage of each", k[1], []conformance.Shape{{Bandwidth: 10e6, SCS: 15e3}, {Bandwidth: 5e6, SCS: 15e3}}, 22e6, []float64{0, 0.7}},
	}
}

// setup places the configuration in the middle of its band.
func (c together) setup(t *testing.T) Setup {
	t.Helper()
	s := c.kind.setup(t, conformance.Middle)
	carriers, err := conformance.PlaceConfiguration(c.kind.band, conformance.Middle, conformance.Configuration{Carriers: c.shapes, Gaps: []rf.Hertz{c.gap}})
	if err != nil {
		t.Fatal(err)
	}
	s.Subject.Carrier, s.Subject.Carriers = carriers[0], carriers
	return s
}

// source makes flat carriers and a flat emission of total power inGap dBm
// between them and as dense for 100 MHz on either side.
func (c together) source(s Setup, inGap float64) *fake {
	f := &fake{floor: -175, path: s.Correction}
	for i, carrier := range s.Subject.Carriers {
		half := carrier.Configured() / 2
		f.bands = append(f.bands, band{carrier.Center - half, carrier.Center + half, float64(s.Subject.CarrierPower()) + c.pads[i]})
	}
	gap := s.Subject.Gaps()[0]
	density := inGap - 10*math.Log10(float64(gap.Width()))
	whole := s.Subject.RFBandwidth()
	for _, r := range []rf.Range{gap.Range, {Low: whole.Low - 400e6, High: whole.Low}, {Low: whole.High, High: whole.High + 400e6}} {
		f.bands = append(f.bands, band{r.Low, r.High, density + 10*math.Log10(float64(r.Width()))})
	}
	return f
}

func TestPowerOfEachCarrier(t *testing.T) {
	for _, c := range configurations() {
		t.Run(c.name, func(t *testing.T) {
			s := c.setup(t)
			got := measure(t, conformance.OutputPowerClause, s, c.source(s, -40))
			for i, key := range []string{"6.2", "6.2/2"} {
				near(t, key, got[key].Value, float64(s.Subject.CarrierPower())+c.pads[i], 0.01)
				verdict(t, got[key], conformance.Pass)
			}
		})
	}
}

// A gap filled evenly with power P has P + 10log10(filter/gap) in the filter of
// an assumed carrier; the ratio is that of the own carrier, or of the sum of
// both where leakage is cumulative (TS 38.104 6.6.3.1).
func TestLeakageInGap(t *testing.T) {
	for _, c := range configurations() {
		t.Run(c.name, func(t *testing.T) {
			s := c.setup(t)
			power := func(i int) float64 { return float64(s.Subject.CarrierPower()) + c.pads[i] }
			sum := 10 * math.Log10(math.Pow(10, power(0)/10)+math.Pow(10, power(1)/10))
			width := float64(s.Subject.Gaps()[0].Width())
			for _, inGap := range []float64{-25, -5} {
				got := measure(t, conformance.LeakageRatioClause, s, c.source(s, inGap))
				seen := 0
				for key, r := range got {
					if !strings.Contains(key, "/gap1/") {
						continue
					}
					seen++
					carriers := power(0)
					if strings.Contains(key, "upper") {
						carriers = power(1)
					}
					if len(r.Requirement.Against) == 2 {
						carriers = sum
					}
					window := inGap + 10*math.Log10(float64(r.Requirement.MeasurementBandwidth)/width)
					near(t, key, r.Value, carriers-window, 0.02)
					near(t, key+" carriers", *r.CarrierPower, carriers, 0.01)
				}
				if seen < 2 {
					t.Errorf("%d ratios in the gap", seen)
				}
				outer := inGap - 10*math.Log10(width) + 10*math.Log10(float64(got["6.6.3/upper/1"].Requirement.MeasurementBandwidth))
				near(t, "above", got["6.6.3/upper/1"].Value, power(1)-outer, 0.02)
			}
		})
	}
}

// The level in a gap is what stands there, in the filter of each segment; it
// passes below the sum of both limits and fails above.
func TestMaskInGap(t *testing.T) {
	for _, c := range configurations() {
		t.Run(c.name, func(t *testing.T) {
			s := c.setup(t)
			width := float64(s.Subject.Gaps()[0].Width())
			list, err := conformance.Requirements(s.Subject, conformance.OperatingBandClause)
			if err != nil {
				t.Fatal(err)
			}
			lowest := math.Inf(1) // flat density that just meets the mask somewhere in the gap
			for _, r := range list {
				if !strings.Contains(r.Key, "/gap1/") {
					continue
				}
				for x := r.Frequencies.Low; x <= r.Frequencies.High; x += r.MeasurementBandwidth / 5 {
					lowest = min(lowest, *r.UpperAt(x)-10*math.Log10(float64(r.MeasurementBandwidth)))
				}
			}
			for by, want := range map[float64]conformance.Verdict{-0.5: conformance.Pass, 0.5: conformance.Fail} {
				got := measure(t, conformance.OperatingBandClause, s, c.source(s, lowest+by+10*math.Log10(width)))
				worst := conformance.Pass
				least := math.Inf(1)
				for key, r := range got {
					if strings.Contains(key, "/gap1/") {
						least = min(least, r.Margin)
						near(t, key, r.Value, lowest+by+10*math.Log10(float64(r.Requirement.MeasurementBandwidth)), 0.1)
						if r.Verdict != conformance.Pass {
							worst = r.Verdict
						}
					}
				}
				near(t, "margin", least, -by, 0.1)
				if worst != want {
					t.Errorf("%+.1f dB at the mask: %s, want %s", by, worst, want)
				}
			}
		})
	}
}

// Two touching carriers of one density occupy 0.99 of what they fill, less the
// guard between them (TS 38.104 6.6.2).
func TestAggregatedOccupiedBandwidth(t *testing.T) {
	k := kinds()[0]
	s := k.setup(t, conformance.Middle)
	carriers, err := conformance.PlaceConfiguration("n78", conformance.Middle, conformance.Configuration{Carriers: []conformance.Shape{{Bandwidth: 100e6, SCS: 30e3}, {Bandwidth: 100e6, SCS: 30e3}}})
	if err != nil {
		t.Fatal(err)
	}
	s.Subject.Carrier, s.Subject.Carriers = carriers[0], carriers
	f := &fake{floor: -175, path: s.Correction}
	for _, c := range carriers {
		f.bands = append(f.bands, band{c.Center - c.Configured()/2, c.Center + c.Configured()/2, 34})
	}
	r := measure(t, conformance.OccupiedBandwidthClause, s, f)["6.6.2"]
	// 0.5 % of both lies in 1 % of the outer one, at each end.
	want := float64(carriers[1].Center-carriers[0].Center) + 0.98*float64(carriers[0].Configured())
	near(t, "occupied bandwidth / MHz", r.Value/1e6, want/1e6, 0.1)
	verdict(t, r, conformance.Pass)
}

// A gate over carriers of several spacings is open only while all are on, and
// a configuration takes no more than three times as long as one carrier.
func TestConfigurationSweeps(t *testing.T) {
	c := configurations()[0]
	s := c.setup(t)
	mixed := s
	mixed.Subject.Carriers = append([]conformance.Carrier(nil), s.Subject.Carriers...)
	other, err := conformance.Place("n78", conformance.Middle, 40e6, 15e3)
	if err != nil {
		t.Fatal(err)
	}
	other.Center = s.Subject.Carriers[1].Center
	mixed.Subject.Carriers[1] = other
	for _, s := range []Setup{s, mixed} {
		var whole, single time.Duration
		for _, clause := range []string{"6.2", "6.6.3", "6.6.4"} {
			planned, err := Plan(clause, s)
			if err != nil {
				t.Fatal(err)
			}
			roles := map[string]bool{}
			for _, p := range planned {
				if roles[p.Role] {
					t.Errorf("%s: role %q twice", clause, p.Role)
				}
				roles[p.Role] = true
				for _, carrier := range s.Subject.Carriers {
					own, err := gate(carrier.SCS, p.Sweep.RBW)
					if err != nil {
						t.Fatal(err)
					}
					if p.Sweep.Gate.Delay < own.Delay || p.Sweep.Gate.Delay+p.Sweep.Gate.Length > own.Delay+own.Length {
						t.Errorf("%s: gate %v outlasts %v", p.Role, *p.Sweep.Gate, own)
					}
				}
			}
			alone := s
			alone.Subject.Carriers = nil
			one, err := Plan(clause, alone)
			if err != nil {
				t.Fatal(err)
			}
			whole, single = whole+Duration(planned), single+Duration(one)
		}
		if whole > 3*single {
			t.Errorf("all takes %s, one carrier %s", whole, single)
		}
	}
	if _, err := Plan("6.6.2", s); err == nil || !strings.Contains(fmt.Sprint(err), "nothing to measure") {
		t.Errorf("occupied bandwidth across a gap: %v", err)
	}
	if _, err := AnalyzeExternal("6.2", s, []External{{}}); err == nil {
		t.Error("a trace from elsewhere of several carriers was taken")
	}
}
