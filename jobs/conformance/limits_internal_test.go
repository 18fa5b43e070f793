package conformance

import (
	"strings"
	"testing"
)

// A limit set with a mistake does not load, and the message says where it is.
func TestLoadRefuses(t *testing.T) {
	for _, tt := range []struct{ name, part, old, new, want string }{
		{"unknown key", "bands", "duplex: FDD", "duplexx: FDD", `bands.yaml`},
		{"bad unit", "bands", "low: 2110MHz", "low: 2110 furlongs", "bands.yaml"},
		{"duplex", "bands", "duplex: FDD", "duplex: both", `band n1: unknown duplex mode "both"`},
		{"downlink upside down", "bands", "downlink: {low: 2110MHz", "downlink: {low: 2210MHz", "band n1: downlink 2.21 GHz to 2.17 GHz is no range"},
		{"raster", "bands", "last: 434000", "last: 434001", "band n1: raster 422000-<20>-434001 does not end on a step"},
		{"bandwidth", "bands", "scs_15khz: [5, 10,", "scs_15khz: [6, 10,", "band n1: 6 MHz at 15 kHz has no row of resource blocks"},
		{"spurious upper", "bands", "spurious_upper: 12.75GHz", "spurious_upper: 12.75MHz", "band n1: upper spurious limit 12.75 MHz"},
		{"band twice", "bands", "name: n2\n", "name: n1\n", "band n1 stands twice"},
		{"too many blocks", "channels", "blocks: 25,", "blocks: 28,", "28 resource blocks at 15 kHz do not fit in 5 MHz"},
		{"numbering", "channels", "step: 5kHz", "step: 0kHz", "make no sense"},
		{"class", "masks", "class: wide-area", "class: vast-area", `mask WA-A<1G: conformance: unknown base station class "vast-area"`},
		{"mask band", "masks", "[n5, n8,", "[n5, n999,", `mask WA-A<1G: names the unknown band "n999"`},
		{"overlap", "masks", "from: 5.05MHz", "from: 5.04MHz", "mask WA-A<1G: segment 2 starts at 5.04 MHz, before the one below it ends"},
		{"backwards", "masks", "to: 10.05MHz", "to: 1MHz", "mask WA-A<1G: segment 2 ends at 1 MHz, before it starts"},
		{"tolerance name", "masks", "tolerance: near", "tolerance: generous", `segment 1 names the unknown tolerance "generous"`},
		{"provenance", "masks", "provenance: memory", "provenance: rumour", `segment 1: provenance "rumour" is neither spec nor memory`},
		{"negative tolerance", "requirements", "value: 0.7", "value: -0.7", "output power: tolerance -0.7 up to 3 GHz must not be negative"},
		{"no clause", "requirements", `clause: "6.2.2, 6.2.3"`, `clause: ""`, "output power: every figure needs clause, version and provenance"},
		{"gap", "requirements", "from: 30MHz", "from: 31MHz", "spurious range from 31 MHz leaves a gap"},
		{"extreme", "requirements", "extreme: 2.5", "extreme: 1.5", "output power: 1.5 dB in the extreme environment is narrower"},
		{"modulation", "requirements", "percent: 17.5", "percent: 175", `error vector magnitude of "QPSK" is 175 %`},
		{"alignment", "requirements", "core: 65", "core: -65", `time alignment error "mimo" is -65 ns`},
		{"regional power", "requirements", "watts: 20", "watts: 0", "rated power under additional:japan: 0 W in 10 MHz"},
		{"transient", "requirements", "core: 10\n", "core: 0\n", "transient period of 0 µs is no time"},
		{"interferer", "requirements", "bandwidth: 40MHz", "bandwidth: 0MHz", "intermodulation: an interferer has no bandwidth"},
		{"interferer band", "requirements", "anywhere: [n77,", "anywhere: [n777,", `names the unknown band "n777"`},
		{"no filter", "options", "filter: 300kHz", "filter: 0kHz", "option phs: row 1 has no measurement bandwidth"},
		{"no room", "options", "to: 1915.7MHz", "to: 1884.6MHz", "option phs: row 1, 1.8845 GHz to 1.8846 GHz, has no room for its filter"},
		{"open range", "options", "{to: 3430MHz, limit: -40, filter: 1MHz}", "{to: 3430MHz, limit: -40, filter: 100kHz}", "option additional:n77: row 1 is open"},
		{"option clause", "options", "title: PHS\n    clause: \"6.6.5\"", "title: PHS\n    clause: \"6.2\"", `option phs: additional limits belong to 6.6.4 or 6.6.5, not "6.2"`},
		{"rows and refusal", "options", "title: PHS\n", "title: PHS\n    refused: why not\n", "option phs: either rows or a reason for refusal"},
		{"option band", "options", "bands: [n54]", "bands: [n540]", `option additional:n54: names the unknown band "n540"`},
		{"other bands", "options", "    - {limits: {wide_area: -96, medium_range: -91, local_area: -88}}\n", "", "co-location: the last row, and only that, holds for the other bands"},
		{"system", "options", "uplink: {low: 824MHz, high: 849MHz}, uplink_limit", "uplink: {low: 849MHz, high: 824MHz}, uplink_limit", "co-existence with gsm850: a range"},
		{"option provenance", "options", "provenance: spec, clause: \"6.6.5.2.2\"", "provenance: hearsay, clause: \"6.6.5.2.2\"", "protection: every figure needs clause, version and provenance"},
		{"no name", "requirements", "limit_set: ts-38.141-1/2026-11", `limit_set: ""`, "the limit set has no name"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			texts := map[string]string{"bands": bandsYAML, "channels": channelsYAML, "masks": masksYAML, "requirements": requirementsYAML, "options": optionsYAML}
			if !strings.Contains(texts[tt.part], tt.old) {
				t.Fatalf("the data do not hold %q", tt.old)
			}
			texts[tt.part] = strings.Replace(texts[tt.part], tt.old, tt.new, 1)
			_, err := load(parts{texts["bands"], texts["channels"], texts["masks"], texts["requirements"], texts["options"]})
			if err == nil || !strings.Contains(err.Error(), tt.want) || !strings.HasPrefix(err.Error(), "conformance: limit set") {
				t.Errorf("error %v, want one with %q", err, tt.want)
			}
		})
	}
}

// Every case selects at most one mask: an overlap of scopes would let the
// order of the file decide.
func TestMaskScopesDoNotOverlap(t *testing.T) {
	for _, b := range Bands() {
		for _, bw := range b.Bandwidths(15e3) {
			c, err := Place(b.Name, Middle, bw, 15e3)
			if err != nil {
				continue // a refused band selects nothing
			}
			for _, d := range []Declaration{
				{Class: WideArea, Category: "A", RatedPower: 46}, {Class: WideArea, Category: "B", CategoryBOption: 1, RatedPower: 46},
				{Class: WideArea, Category: "B", CategoryBOption: 2, RatedPower: 46}, {Class: MediumRange, Category: "A", RatedPower: 31},
				{Class: MediumRange, Category: "A", RatedPower: 31.01}, {Class: LocalArea, Category: "B", RatedPower: 24},
			} {
				for _, d.Type = range []Type{Type1C, Type1H} {
					s := checked{Subject: Subject{Declaration: d, Carrier: c}, set: limits(), band: b}
					n := 0
					for _, m := range limits().Masks.Masks {
						if m.selects(s) {
							n++
						}
					}
					if n > 1 {
						t.Errorf("%s %s %v: %d masks hold", b.Name, bw, d, n)
					}
				}
			}
		}
	}
}
