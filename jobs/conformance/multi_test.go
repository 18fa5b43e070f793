package conformance_test

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
)

// two places two carriers with an exact gap about the middle of a band: limits
// do not ask for the raster, PlaceConfiguration does.
func two(t *testing.T, band string, first, second, gap rf.Hertz, d conformance.Declaration) conformance.Subject {
	t.Helper()
	scs := rf.Hertz(15e3)
	if max(first, second) > 50e6 {
		scs = 30e3
	}
	low, err := conformance.Place(band, conformance.Middle, first, scs)
	if err != nil {
		t.Fatal(err)
	}
	high, err := conformance.Place(band, conformance.Middle, second, scs)
	if err != nil {
		t.Fatal(err)
	}
	middle := low.Center
	low.Center = middle - gap/2 - first/2
	high.Center = middle + gap/2 + second/2
	return conformance.Subject{Declaration: d, Carrier: low, Carriers: []conformance.Carrier{low, high}}
}

// declared returns the declaration that selects a mask.
func declared(mask string) conformance.Declaration {
	d := wideA(46)
	switch mask {
	case "WA-B2":
		d.Category, d.CategoryBOption = "B", 2
	case "LA":
		d.Class, d.RatedPower = conformance.LocalArea, 24
	case "MR":
		d.Class, d.RatedPower = conformance.MediumRange, 37
	}
	return d
}

func TestMulticarrierOracle(t *testing.T) {
	f, err := os.Open("../../testdata/limits/multicarrier.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	checks := map[string]func(*testing.T, facts, facts){"gap leakage": checkGapLeakage, "gap mask": checkGapMask}
	for _, row := range rows[1:] {
		t.Run(row[0]+" "+row[1], func(t *testing.T) { checks[row[0]](t, parseFacts(row[1]), parseFacts(row[2])) })
	}
}

func checkGapLeakage(t *testing.T, given, expect facts) {
	d := wideA(46)
	if given["band"] == "n104" {
		d = declared("LA")
	}
	mhz := func(key string) rf.Hertz { return rf.Hertz(given.number(t, key) * 1e6) }
	s := two(t, given["band"], mhz("first"), mhz("second"), mhz("gap"), d)
	got := map[string]conformance.Requirement{}
	for _, r := range requirements(t, s, "6.6.3") {
		got[r.Key] = r
	}
	for _, edge := range []struct{ name, key, limit string }{{"near", "lower", "limit"}, {"far", "upper", "far limit"}} {
		limit := expect.number(t, "limit")
		if _, ok := expect[edge.limit]; ok {
			limit = expect.number(t, edge.limit)
		}
		for i, offsets := range [][2]rf.Hertz{{2.5e6, 10e6}, {7.5e6, 30e6}} {
			want := expect[fmt.Sprintf("%s %d", edge.name, i+1)]
			r, ok := got[fmt.Sprintf("6.6.3/gap1/%s/%d", edge.key, i+1)]
			if carriers := map[string]int{"alone": 1, "both": 2}[want]; !ok && want != "none" || ok && len(r.Against) != carriers {
				t.Errorf("%s %d: limited %v against %d carriers, want %s", edge.name, i+1, ok, len(r.Against), want)
			}
			if !ok {
				continue
			}
			own, from, way, filter := s.Carriers[0], s.Carriers[0].Edges().High, rf.Hertz(1), rf.Hertz(4.5e6)
			if edge.name == "far" {
				own, from, way = s.Carriers[1], s.Carriers[1].Edges().Low, -1
			}
			if own.Bandwidth > 20e6 {
				filter = 106 * 12 * 15e3 // TS 38.104 T5.3.2-1, 20 MHz
			}
			offset := offsets[0]
			if own.Bandwidth > 20e6 {
				offset = offsets[1]
			}
			near(t, r.Key+" centre", float64(r.Frequencies.Low), float64(from+way*offset))
			near(t, r.Key+" limit", *r.Lower, limit)
			near(t, r.Key+" filter", float64(r.MeasurementBandwidth), float64(filter))
			near(t, r.Key+" own carrier", float64(r.Against[0].Low+r.Against[0].High)/2, float64(own.Center))
		}
	}
}

func checkGapMask(t *testing.T, given, expect facts) {
	mhz := func(key string) rf.Hertz { return rf.Hertz(given.number(t, key) * 1e6) }
	s := two(t, given["band"], mhz("first"), mhz("second"), mhz("gap"), declared(given["mask"]))
	at := s.Carrier.Edges().High + rf.Hertz(expect.number(t, "offset")*1e6)
	for _, r := range requirements(t, s, "6.6.4") {
		if !strings.HasPrefix(r.Key, "6.6.4/gap1/") || at < r.Frequencies.Low-0.1 || at > r.Frequencies.High+0.1 {
			continue
		}
		// Segments meet at an offset, where the filter tells them apart.
		if math.Abs(float64(r.MeasurementBandwidth)/1e3-expect.number(t, "filter")) > 1e-6 {
			continue
		}
		if math.Abs(*r.UpperAt(at)-expect.number(t, "test")) > 5e-5 {
			t.Errorf("%s at %s is %.4f dBm, want %s", r.Key, at, *r.UpperAt(at), expect["test"])
		}
		return
	}
	t.Errorf("no limit at %s in %s kHz", at, expect["filter"])
}

// Every gap is covered by filters without a hole, whatever its width, and its
// limit is that of neither side alone; seen from both sides it is the same.
func TestGapMaskCoversGap(t *testing.T) {
	for _, mask := range []string{"WA-A", "WA-B2", "MR"} {
		for gap := rf.Hertz(0.3e6); gap <= 35e6; gap += 0.37e6 {
			s := two(t, "n1", 5e6, 5e6, gap, declared(mask))
			g := s.Gaps()[0]
			reached := g.Low
			for _, r := range requirements(t, s, "6.6.4") {
				if !strings.HasPrefix(r.Key, "6.6.4/gap1/") {
					continue
				}
				half := r.MeasurementBandwidth / 2
				if low := r.Frequencies.Low - half; low > reached+1 {
					t.Fatalf("%s gap %s: nothing covers %s to %s", mask, gap, reached, low)
				}
				if r.Frequencies.Low-half < g.Low-1 || r.Frequencies.High+half > g.High+1 {
					t.Fatalf("%s gap %s: %s leaves the gap", mask, gap, r.Key)
				}
				reached = max(reached, r.Frequencies.High+half)
				f := (r.Frequencies.Low + r.Frequencies.High) / 2
				for _, c := range r.Sum {
					if !(*r.UpperAt(f) > c.At(f)) || math.IsInf(c.At(f), 0) {
						t.Fatalf("%s: sum %g at %s, one side %g", r.Key, *r.UpperAt(f), f, c.At(f))
					}
				}
			}
			if reached < g.High-1 {
				t.Fatalf("%s gap %s: nothing covers %s to %s", mask, gap, reached, g.High)
			}
		}
	}
}

// Outside the RF bandwidth the edge carriers decide: neighbours go by their
// bandwidth, offsets by their outer edges. Inside nothing but the gap is limited.
func TestOutsideEdges(t *testing.T) {
	s := two(t, "n78", 20e6, 100e6, 60e6, declared("MR"))
	rf1 := s.RFBandwidth()
	near(t, "RF bandwidth", float64(rf1.Width()), 180e6)
	keys := map[string]conformance.Requirement{}
	for _, r := range requirements(t, s, "") {
		if _, twice := keys[r.Key]; twice {
			t.Errorf("%s stands twice", r.Key)
		}
		keys[r.Key] = r
	}
	near(t, "lower neighbour", float64(keys["6.6.3/lower/1"].Frequencies.Low), float64(rf1.Low-10e6))
	near(t, "upper neighbour", float64(keys["6.6.3/upper/2"].Frequencies.Low), float64(rf1.High+150e6))
	near(t, "lower mask", float64(keys["6.6.4/lower/1"].Frequencies.High), float64(rf1.Low-0.05e6))
	near(t, "upper mask", float64(keys["6.6.4/upper/1"].Frequencies.Low), float64(rf1.High+0.05e6))
	// 37 dBm shared by two carriers is 33.99 dBm each; P - 53 + 1.8 dB (T6.6.4.2.3-1).
	near(t, "mask by the power of a carrier", *keys["6.6.4/upper/1"].Upper, 37-clean9(10*math.Log10(2))-53+1.8)
	near(t, "power of the second carrier", *keys["6.2/2"].Upper, 37-clean9(10*math.Log10(2))+2+1)
	if _, ok := keys["6.6.2"]; ok {
		t.Error("an occupied bandwidth across a gap")
	}
	total := rf.DBm(38)
	if s.TotalPower = &total; math.Abs(float64(s.CarrierPower())-(38-10*math.Log10(2))) > 1e-12 {
		t.Errorf("carrier power %s", s.CarrierPower())
	}
}

func clean9(v float64) float64 { return math.Round(v*1e9) / 1e9 }

// TS 38.104 6.6.2: contiguous carriers, the aggregated bandwidth.
func TestAggregatedBandwidth(t *testing.T) {
	s := two(t, "n78", 100e6, 60e6, 0, wideA(46))
	r := requirements(t, s, "6.6.2")
	if len(r) != 1 || *r[0].Upper != 160e6 || r[0].Key != "6.6.2" {
		t.Errorf("%+v", r)
	}
	for _, r := range requirements(t, s, "") {
		if strings.Contains(r.Key, "gap") {
			t.Errorf("%s without a gap", r.Key)
		}
	}
}

// A series is held against the power sum at every point, not against a line
// between its ends.
func TestJudgeSum(t *testing.T) {
	s := two(t, "n1", 5e6, 5e6, 8e6, wideA(46))
	list := requirements(t, s, "6.6.4")
	var readings []conformance.Reading
	for _, r := range list {
		series := flat(r, -60)
		for i, f := range series.Frequencies {
			series.Levels[i] = *r.UpperAt(rf.Hertz(f))
		}
		readings = append(readings, conformance.Reading{Key: r.Key, Series: series})
	}
	results, err := conformance.Judge(list, readings, conformance.DecisionRule{})
	if err != nil {
		t.Fatal(err)
	}
	curved := false
	for i, r := range results {
		if math.Abs(r.Margin) > 2e-9 {
			t.Errorf("%s: margin %g on its limit", list[i].Key, r.Margin)
		}
		if list[i].Sum != nil {
			f := (list[i].Frequencies.Low + list[i].Frequencies.High) / 2
			curved = curved || math.Abs(*list[i].UpperAt(f)-(*list[i].Upper+*list[i].UpperTo)/2) > 0.05
		}
	}
	if !curved {
		t.Error("no sum that is not a line")
	}
}

func TestConfigurationRefused(t *testing.T) {
	good := two(t, "n78", 20e6, 100e6, 60e6, wideA(46))
	for _, tt := range []struct {
		name, clause, want string
		change             func(*conformance.Subject)
	}{
		{"order", "6.2", "is its lowest", func(s *conformance.Subject) { s.Carrier = s.Carriers[1] }},
		{"overlap", "6.2", "do not overlap", func(s *conformance.Subject) { s.Carriers[1].Center -= 61e6 }},
		{"outside", "6.2", "carrier 2 of the configuration", func(s *conformance.Subject) { s.Carriers[1].Center = 3790e6 }},
		{"two bands", "6.2", "stands in one band", func(s *conformance.Subject) { s.Carriers[1].Band = "n77" }},
		{"clause", "6.3.3", "one carrier at a time", func(*conformance.Subject) {}},
		{"total", "6.2", "below the rated carrier power", func(s *conformance.Subject) { low := rf.DBm(40); s.TotalPower = &low }},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s := good
			s.Carriers = append([]conformance.Carrier(nil), good.Carriers...)
			tt.change(&s)
			_, err := conformance.Requirements(s, tt.clause)
			wantError(t, err, tt.want)
		})
	}
}

// B, M and T of the RF bandwidth. n1: 2110 to 2170 MHz, raster 100 kHz (20
// numbers): B = first point that holds the lowest carrier, T = last that holds
// the highest (TS 38.141-1 4.9.1, from memory). n78: 30 kHz raster.
func TestPlaceConfiguration(t *testing.T) {
	narrow := conformance.Configuration{Test: "NRTC3", Carriers: []conformance.Shape{{5e6, 15e3}, {10e6, 15e3}}, Gaps: []rf.Hertz{20e6}}
	wide := conformance.Configuration{Test: "NRTC1", Carriers: []conformance.Shape{{100e6, 30e3}, {100e6, 30e3}}}
	for _, tt := range []struct {
		band    string
		channel conformance.RFChannel
		c       conformance.Configuration
		want    []float64 // MHz
	}{
		{"n1", "B", narrow, []float64{2112.5, 2140}},
		{"n1", "M", narrow, []float64{2125, 2152.5}}, // 35 MHz about 2140
		{"n1", "T", narrow, []float64{2137.5, 2165}},
		{"n78", "B", wide, []float64{3350.01, 3450}}, // 99.99 MHz apart: the nearest on the raster
		{"n78", "M", wide, []float64{3500.01, 3600}},
		{"n78", "T", wide, []float64{3650.01, 3750}},
	} {
		t.Run(tt.band+" "+string(tt.channel), func(t *testing.T) {
			carriers, err := conformance.PlaceConfiguration(tt.band, tt.channel, tt.c)
			if err != nil {
				t.Fatal(err)
			}
			for i, c := range carriers {
				near(t, "centre", float64(c.Center), tt.want[i]*1e6)
			}
			s := conformance.Subject{Declaration: wideA(46), Carrier: carriers[0], Carriers: carriers}
			if len(s.Gaps()) != len(tt.c.Gaps) {
				t.Errorf("gaps %v", s.Gaps())
			}
			requirements(t, s, "")
		})
	}
}

func TestPlaceConfigurationRefuses(t *testing.T) {
	pair := []conformance.Shape{{20e6, 15e3}, {20e6, 15e3}}
	for _, tt := range []struct {
		want string
		c    conformance.Configuration
	}{
		{"2 to 16 carriers", conformance.Configuration{Carriers: pair[:1]}},
		{"2 carriers want a gap for each step from one to the next, 1 in all, not 2", conformance.Configuration{Carriers: pair, Gaps: []rf.Hertz{1e6, 1e6}}},
		{"neither nothing nor wider", conformance.Configuration{Carriers: pair, Gaps: []rf.Hertz{10e3}}},
		{"neither nothing nor wider", conformance.Configuration{Carriers: pair, Gaps: []rf.Hertz{rf.Hertz(math.NaN())}}},
		{"no room for a configuration of 65 MHz", conformance.Configuration{Carriers: pair, Gaps: []rf.Hertz{25e6}}},
		{"NRTC1 is contiguous", conformance.Configuration{Test: "NRTC1", Carriers: pair, Gaps: []rf.Hertz{5e6}}},
		{"NRTC3 is non-contiguous", conformance.Configuration{Test: "NRTC3", Carriers: pair}},
		{"NRTC5 is for several bands", conformance.Configuration{Test: "NRTC5", Carriers: pair}},
		{`unknown test configuration "NRTC9"; known are NRTC1, NRTC2, NRTC3`, conformance.Configuration{Test: "NRTC9", Carriers: pair}},
		{"n1 has no 7 MHz channel", conformance.Configuration{Carriers: []conformance.Shape{{7e6, 15e3}, {5e6, 15e3}}}},
	} {
		_, err := conformance.PlaceConfiguration("n1", "M", tt.c)
		wantError(t, err, tt.want)
	}
}
