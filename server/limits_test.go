package server

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net/http"
	"strings"
	"testing"

	"benchyard/server/api"
)

// n78Pair is two carriers of 20 MHz with 8 MHz between them.
func n78Pair() api.LimitQuery {
	return api.LimitQuery{
		Band: "n78", Bandwidth: []string{"20MHz"}, SCS: []string{"30kHz"}, Carrier: []string{"3.50001GHz", "3.528GHz"},
		Class: "wide-area", RatedPower: "43dBm", TotalPower: "46dBm",
	}
}

func limitsClient(t *testing.T) *api.Client {
	t.Helper()
	client, err := api.NewClient(serve(t, newTestServer(t, seed(t))), nil)
	if err != nil {
		t.Fatal(err)
	}
	return client
}

// Several carriers go over the wire with their RF bandwidth, their gaps and what
// is limited there; the power sum of a gap goes with both of its curves, which
// give the ends of the limit.
func TestLimitsOfSeveralCarriers(t *testing.T) {
	client := limitsClient(t)
	list, err := client.Limits(t.Context(), n78Pair())
	if err != nil {
		t.Fatal(err)
	}
	if len(list.Carriers) != 2 || list.Carriers[1].CarrierHz != 3.528e9 || list.RFBandwidth != (api.FrequencyRange{FromHz: 3.49001e9, ToHz: 3.538e9}) ||
		len(list.Gaps) != 1 || list.Gaps[0] != (api.FrequencyRange{FromHz: 3.51001e9, ToHz: 3.518e9}) {
		t.Errorf("carriers %+v, RF bandwidth %+v, gaps %+v", list.Carriers, list.RFBandwidth, list.Gaps)
	}
	sums, interferers, second := 0, 0, 0
	for _, l := range list.Limits {
		switch {
		case l.Key == "6.2/2":
			second++
			// Half of 46 dBm, 2 dB (TS 38.104 6.2.2) and a tolerance of 1 dB (from memory).
			if math.Abs(*l.Upper-(46-10*math.Log10(2)+2+1)) > 1e-6 {
				t.Errorf("power of the second carrier up to %g dBm", *l.Upper)
			}
		case l.Clause == "6.6.4" && strings.Contains(l.Key, "/gap1/"):
			sums++
			ends := []float64{*l.Upper, *l.UpperTo}
			if l.Side == "lower" {
				ends[0], ends[1] = ends[1], ends[0]
			}
			for i, f := range []float64{*l.FrequencyFromHz, *l.FrequencyToHz} {
				if got := powerOf(l.Sum, f); math.Abs(got-ends[i]) > 1e-6 {
					t.Errorf("%s at %g Hz: sum %g dBm, limit %g", l.Key, f, got, ends[i])
				}
			}
		case l.Clause == "6.7":
			interferers++
		}
		if inGap := strings.Contains(l.Key, "6.6.4/gap1/"); inGap != (len(l.Sum) == 2) || l.Loosened == nil {
			t.Errorf("%s: %d curves, loosened %v", l.Key, len(l.Sum), l.Loosened)
		}
	}
	if sums < 2 || interferers == 0 || second != 1 {
		t.Errorf("%d limits in the gap, %d of 6.7, %d powers of the second carrier", sums, interferers, second)
	}
	reasons := map[string]string{}
	for _, r := range list.Refused {
		reasons[r.Clause] = r.Reason
	}
	if !strings.Contains(reasons["6.5.3"], "one carrier at a time") || reasons["6.6.4"] != "" {
		t.Errorf("refused %v", reasons)
	}
}

// powerOf adds curves in milliwatts, as whoever draws them does.
func powerOf(curves []api.LimitCurve, f float64) float64 {
	sum := 0.0
	for _, c := range curves {
		level := c.Points[len(c.Points)-1].LevelDBm
		for i, p := range c.Points {
			if p.FrequencyHz < f-1e-3 {
				continue
			}
			level = p.LevelDBm
			if i > 0 && p.FrequencyHz > f+1e-3 {
				before := c.Points[i-1]
				level = before.LevelDBm + (p.LevelDBm-before.LevelDBm)*(f-before.FrequencyHz)/(p.FrequencyHz-before.FrequencyHz)
			}
			break
		}
		sum += math.Pow(10, level/10)
	}
	return 10 * math.Log10(sum)
}

// What the command line declares can be declared over the network.
func TestLimitsUnderDeclarations(t *testing.T) {
	client := limitsClient(t)
	one := api.LimitQuery{Band: "n1", Bandwidth: []string{"20MHz"}, SCS: []string{"15kHz"}, RatedPower: "46dBm"}
	for name, tt := range map[string]struct {
		change func(*api.LimitQuery)
		clause string
		want   func([]api.Limit) bool
	}{
		"extreme environment: 2.5 dB and 0.7 dB (TS 38.104 6.2.2)": {func(q *api.LimitQuery) { q.Environment = "extreme" }, "6.2",
			func(l []api.Limit) bool { return math.Abs(*l[0].Upper-49.2) < 1e-9 }},
		"protection and co-existence": {func(q *api.LimitQuery) { q.Option = []string{"protection", "coexistence:n3"} }, "6.6.5",
			func(l []api.Limit) bool {
				return hasKey(l, "6.6.5/protection/1") && hasKey(l, "6.6.5/coexistence:n3/1")
			}},
		"one modulation": {func(q *api.LimitQuery) { q.Modulation = "64QAM" }, "6.5.3",
			func(l []api.Limit) bool { return len(l) == 1 && l[0].Key == "6.5.3/64QAM" }},
		"category B option 2": {func(q *api.LimitQuery) { q.Category, q.CategoryBOption = "B", "2" }, "6.6.4",
			func(l []api.Limit) bool { return *l[0].MeasurementBandwidthHz == 30e3 }},
		"type 1-H with its interferer": {func(q *api.LimitQuery) {
			q.Type, q.TransmitUnits, q.IntraSystemLevel, q.RatedPower = "1-H", "4", "12dBm", "40dBm"
		}, "6.7",
			func(l []api.Limit) bool { return hasKey(l, "6.7/intra-system/6.6.3/lower/1") }},
	} {
		q := one
		q.Clause = tt.clause
		tt.change(&q)
		list, err := client.Limits(t.Context(), q)
		if err != nil || len(list.Limits) == 0 || !tt.want(list.Limits) || len(list.Refused) != 0 {
			t.Errorf("%s: %v, %+v", name, err, list)
		}
	}
}

func hasKey(limits []api.Limit, key string) bool { return limitOf(limits, key) != nil }

// A question that cannot be answered is a 400 that names the parameter.
func TestWrongQuestionsForLimits(t *testing.T) {
	client := limitsClient(t)
	for want, change := range map[string]func(*api.LimitQuery){
		"scs: 3 values for 2 carriers":          func(q *api.LimitQuery) { q.SCS = []string{"30kHz", "30kHz", "30kHz"} },
		"carrier: 1 value for 2 carriers":       func(q *api.LimitQuery) { q.Bandwidth, q.Carrier = []string{"20MHz", "20MHz"}, []string{"3.50001GHz"} },
		"transmit_units: it is of type 1-H":     func(q *api.LimitQuery) { q.TransmitUnits = "4" },
		"intra_system_level: it is of type 1-H": func(q *api.LimitQuery) { q.IntraSystemLevel = "12dBm" },
		"gap: carriers stand where":             func(q *api.LimitQuery) { q.Gap = []string{"5MHz"} },
		"rf_channel: carriers stand where":      func(q *api.LimitQuery) { q.RFChannel = "B" },
		"is not on the channel raster of n78":   func(q *api.LimitQuery) { q.Carrier[1] = "3.52801GHz" },
		"carriers rise by frequency":            func(q *api.LimitQuery) { q.Carrier[0], q.Carrier[1] = q.Carrier[1], q.Carrier[0] },
		"total_power":                           func(q *api.LimitQuery) { q.TotalPower = "loud" },
		"rated total power 40 dBm is below":     func(q *api.LimitQuery) { q.TotalPower = "40dBm" },
		"category_b_option":                     func(q *api.LimitQuery) { q.CategoryBOption = "-1" },
		`unknown option "coexistence:n999"`:     func(q *api.LimitQuery) { q.Option = []string{"coexistence:n999"} },
		"NRTC1 is contiguous": func(q *api.LimitQuery) {
			q.Carrier, q.Bandwidth, q.Gap, q.TestConfiguration = nil, []string{"20MHz", "20MHz"}, []string{"8MHz"}, "NRTC1"
		},
		"a configuration has 2 to 16 carriers": func(q *api.LimitQuery) { q.Carrier, q.Gap = nil, []string{"8MHz"} },
		"2 to 16 carriers, not 17": func(q *api.LimitQuery) {
			q.Bandwidth, q.Carrier = []string{"10MHz"}, nil
			for n := range 17 {
				q.Carrier = append(q.Carrier, fmt.Sprintf("%.2fMHz", 3310.02+15*float64(n)))
			}
		},
		"6.5.3 is judged one carrier at a time": func(q *api.LimitQuery) { q.Clause = "6.5.3" },
		"no requirements for clause":            func(q *api.LimitQuery) { q.Carrier, q.Clause = nil, "9.9" },
		"n78 has no 7 MHz channel at 30 kHz":    func(q *api.LimitQuery) { q.Bandwidth = []string{"7MHz"} },
		"unknown base station class":            func(q *api.LimitQuery) { q.Class = "huge" },
		`unknown test environment "tropical"`:   func(q *api.LimitQuery) { q.Environment = "tropical" },
	} {
		q := n78Pair()
		change(&q)
		_, err := client.Limits(t.Context(), q)
		var problem *api.Problem
		if !errors.As(err, &problem) || problem.Status != http.StatusBadRequest || !strings.Contains(problem.Detail, want) || want == "carrier: 1 value for 2 carriers" && strings.Contains(problem.Detail, "for all") {
			t.Errorf("%v, want %q", err, want)
		}
	}
}

// One parameter that can stand once is refused when it stands twice.
func TestLimitsParameterTwice(t *testing.T) {
	address := serve(t, newTestServer(t, seed(t)))
	request, err := http.NewRequestWithContext(context.WithoutCancel(t.Context()), http.MethodGet,
		address+"/api/v1/limits?band=n78&bandwidth=20MHz&scs=30kHz&rated_power=43dBm&band=n77", nil)
	if err != nil {
		t.Fatal(err)
	}
	answer, err := http.DefaultClient.Do(request)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = answer.Body.Close() }()
	var problem api.Problem
	if err := json.NewDecoder(answer.Body).Decode(&problem); err != nil || answer.StatusCode != http.StatusBadRequest || !strings.Contains(problem.Detail, `"band" stands 2 times`) {
		t.Errorf("%d %+v, %v", answer.StatusCode, problem, err)
	}
}
