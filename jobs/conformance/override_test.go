package conformance_test

import (
	"errors"
	"os"
	"strings"
	"testing"

	"benchyard/instruments/document"
	"benchyard/jobs/conformance"
)

// northLab changes one figure of each kind.
const northLab = `limits: north-lab/3
base: ts-38.141-1/2026-11
tolerances:
  - {clause: "6.2", up_to: 3GHz, value: 0.5, source: "budget 17"}
  - {clause: "6.6.4", figure: near, above: 3GHz, up_to: 6GHz, bands: [n78], value: 2, source: "budget 18", loosens: true, reason: agreed}
cores:
  - {clause: "6.5.3", figure: 256QAM, value: 3.2, source: "order 4711"}
  - {clause: "6.6.3", figure: licensed bands, value: 47, source: "order 4711"}
regional:
  - name: harbour-radar
    clause: "6.6.5"
    title: radar in the harbour
    bands: [n78]
    frequencies: {low: 2700MHz, high: 2900MHz}
    limit: -60
    measurement_bandwidth: 1MHz
    source: licence 12
  - name: title-47
    clause: "6.6.4"
    title: Title 47 part 27
    option: additional:fcc
    bands: [n1]
    beside: {from: 0.5MHz, to: 1.5MHz}
    limit: -13
    tolerance: 0
    measurement_bandwidth: 1MHz
    source: 47 CFR 27.53
`

func laid(t *testing.T, text string) *conformance.Set {
	t.Helper()
	s, err := conformance.Embedded().With("north.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func under(t *testing.T, set *conformance.Set, s conformance.Subject, clause string) []conformance.Requirement {
	t.Helper()
	list, err := set.Requirements(s, clause)
	if err != nil {
		t.Fatal(err)
	}
	return list
}

// A figure that the file replaces is in force where it says so and nowhere else,
// names the file as its source, and leaves the set below as it was.
func TestFileOverTheSet(t *testing.T) {
	set := laid(t, northLab)
	low, high := subject(t, "n1", 20e6, 15e3, wideA(46)), subject(t, "n78", 100e6, 30e3, wideA(46))
	other := subject(t, "n77", 100e6, 30e3, wideA(46))
	for _, tt := range []struct {
		name   string
		s      conformance.Subject
		clause string
		key    string
		value  func(conformance.Requirement) float64
		want   float64 // with the file
		before float64 // without
	}{
		{"tolerance up to 3 GHz", low, "6.2", "6.2", tolerance, 0.5, 0.7},
		{"not above", high, "6.2", "6.2", tolerance, 1, 1},
		{"mask in n78", high, "6.6.4", "6.6.4/upper/1", tolerance, 2, 1.8},
		{"not in n77", other, "6.6.4", "6.6.4/upper/1", tolerance, 1.8, 1.8},
		{"not far from the carrier", high, "6.6.4", "6.6.4/upper/3", tolerance, 0, 0},
		{"256QAM", low, "6.5.3", "6.5.3/256QAM", upper, 4.2, 4.5},
		{"not 64QAM", low, "6.5.3", "6.5.3/64QAM", upper, 9, 9},
		{"leakage", high, "6.6.3", "6.6.3/upper/1", func(r conformance.Requirement) float64 { return *r.Lower }, 45.8, 43.8},
	} {
		r := byKey(t, under(t, set, tt.s, tt.clause), tt.key)
		near(t, tt.name, tt.value(r), tt.want)
		near(t, tt.name+", before", tt.value(byKey(t, requirements(t, tt.s, tt.clause), tt.key)), tt.before)
		changed := tt.want != tt.before
		if from := strings.Contains(r.CoreSource+r.ToleranceSource, "north-lab/3"); from != changed || strings.Contains(r.Provenance, "lab") != changed {
			t.Errorf("%s: sources %q and %q, provenance %q", tt.name, r.CoreSource, r.ToleranceSource, r.Provenance)
		}
	}
}

func tolerance(r conformance.Requirement) float64 { return r.Tolerance }
func upper(r conformance.Requirement) float64     { return *r.Upper }

// Limits a lab adds are filters inside their range; without a tolerance the core
// value is in force. Under an option they answer what the standard leaves open.
func TestRegionalLimits(t *testing.T) {
	set := laid(t, northLab)
	s := subject(t, "n78", 100e6, 30e3, wideA(46))
	r := byKey(t, under(t, set, s, "6.6.5"), "6.6.5/additional:harbour-radar/1")
	near(t, "low", float64(r.Frequencies.Low), 2700.5e6)
	near(t, "high", float64(r.Frequencies.High), 2899.5e6)
	near(t, "limit", *r.Upper, -60)
	if r.ToleranceKnown || r.Provenance != "lab" || r.CoreSource != "north-lab/3 licence 12" {
		t.Errorf("tolerance known %v, provenance %q, source %q", r.ToleranceKnown, r.Provenance, r.CoreSource)
	}
	for _, r := range under(t, set, subject(t, "n77", 100e6, 30e3, wideA(46)), "6.6.5") {
		if strings.Contains(r.Key, "radar") {
			t.Error("a limit of n78 holds in n77")
		}
	}
	d := withOptions("additional:fcc")
	s = subject(t, "n1", 20e6, 15e3, d)
	r = byKey(t, under(t, set, s, "6.6.4"), "6.6.4/additional:title-47/2")
	near(t, "offset", float64(r.OffsetTo), 1.5e6)
	if *r.Upper != -13 || !r.ToleranceKnown || r.Side != conformance.UpperSide {
		t.Errorf("limit %v, tolerance known %v, side %s", *r.Upper, r.ToleranceKnown, r.Side)
	}
	_, err := set.Requirements(subject(t, "n3", 20e6, 15e3, d), "6.6.4") // the lab's limits are for n1
	wantError(t, err, "FCC Title 47")
	s.Options = nil
	for _, r := range under(t, set, s, "6.6.4") {
		if strings.Contains(r.Key, "title-47") {
			t.Error("a limit under an option holds without it")
		}
	}
}

// The name of a set names every file laid over it, with eight digits of its hash.
func TestNameOfTheSet(t *testing.T) {
	base := conformance.Embedded().Name()
	if base != conformance.LimitSet() || !strings.HasPrefix(base, "ts-38.141-1/2026-11 (core TS 38.104 V19.4.0") {
		t.Errorf("embedded set is called %q", base)
	}
	one, same, other := laid(t, northLab), laid(t, northLab), laid(t, northLab+"# \n")
	if one.Name() != same.Name() || one.Name() == other.Name() {
		t.Errorf("names %q, %q and %q", one.Name(), same.Name(), other.Name())
	}
	if !strings.HasPrefix(one.Name(), "ts-38.141-1/2026-11 + north-lab/3 #") || !strings.HasSuffix(one.Name(), base[strings.Index(base, " ("):]) {
		t.Errorf("name %q", one.Name())
	}
	two, err := one.With("south.yaml", []byte("limits: south/1\nbase: ts-38.141-1/2026-11\ntolerances:\n  - {clause: \"6.2\", up_to: 3GHz, value: 0.4, source: b}\n"))
	if err != nil {
		t.Fatal(err)
	}
	r := byKey(t, under(t, two, subject(t, "n1", 20e6, 15e3, wideA(46)), "6.2"), "6.2")
	if near(t, "the later file", r.Tolerance, 0.4); !strings.Contains(two.Name(), "north-lab/3 #") || !strings.Contains(two.Name(), " + south/1 #") {
		t.Errorf("name %q", two.Name())
	}
	if _, err := one.With("again.yaml", []byte(northLab)); err == nil || !strings.Contains(err.Error(), "laid over the set already") {
		t.Errorf("the same file twice: %v", err)
	}
}

// The example that people start from.
func TestExampleFile(t *testing.T) {
	data, err := os.ReadFile("../../testdata/limits/own.yaml")
	if err != nil {
		t.Fatal(err)
	}
	changes := conformance.Diff(conformance.Embedded(), laid(t, string(data)))
	if len(changes) != 6 { // a figure for each entry; the regional limit has range, bands and tolerance
		t.Errorf("%d changes: %+v", len(changes), changes)
	}
}

const head = "limits: l/1\nbase: ts-38.141-1/2026-11\n"

// What is wrong with a file stands at its line and column.
func TestFileRefused(t *testing.T) {
	tol := func(rest string) string { return head + "tolerances:\n  - {source: b, " + rest + "}\n" }
	core := func(rest string) string { return head + "cores:\n  - {source: b, " + rest + "}\n" }
	regional := func(rest string) string {
		return head + "regional:\n  - {name: r, title: t, source: b, " + rest + "}\n"
	}
	for _, tt := range []struct{ name, text, want string }{
		{"unknown key", head + "tolerance: []\n", `own.yaml:3:1: unknown key "tolerance"; did you mean "tolerances"?`},
		{"unknown clause", tol(`clause: "6.9", up_to: 3GHz, value: 0.1`), `own.yaml:4:25: unknown clause "6.9"`},
		{"unknown figure", tol(`clause: "6.6.4", figure: nearby, up_to: 3GHz, value: 0.1`), `own.yaml:4:42: unknown figure "nearby"; did you mean "near"?`},
		{"which figure", tol(`clause: "6.6.4", up_to: 3GHz, value: 0.1`), `own.yaml:4:5: clause 6.6.4 has more than one figure; say which: near, zero`},
		{"unknown band", tol(`clause: "6.2", up_to: 3GHz, value: 0.1, bands: [n1, n111]`), `own.yaml:4:69: unknown band "n111"`},
		{"negative tolerance", tol(`clause: "6.2", up_to: 3GHz, value: -0.1`), `own.yaml:4:52: tolerance -0.1 is negative`},
		{"no range", tol(`clause: "6.2", above: 4GHz, up_to: 3GHz, value: 0.1`), `own.yaml:4:52: no frequency lies above 4 GHz and up to 3 GHz`},
		{"looser tolerance", tol(`clause: "6.2", up_to: 3GHz, value: 0.8`), `own.yaml:4:52: tolerance 0.8 dB loosens 6.2: at 3 GHz it is 0.7 (TS 38.141-1 Annex C T C.1-1, 6.2); an entry that loosens a limit says "loosens: true"`},
		{"looser at the lower end", tol(`clause: "6.2", up_to: 6GHz, value: 0.9`), `at 3 GHz it is 0.7`},
		{"looser where none is known", tol(`clause: "6.2", above: 6GHz, up_to: 7.125GHz, value: 0.1`), `no tolerance is known at 7.125 GHz, where the core figure is in force`},
		{"looser for narrow channels", tol(`clause: "6.6.3", figure: relative, up_to: 6GHz, value: 1`), `loosens 6.6.3: at 6 GHz it is 0.8`},
		{"looser tolerance without a reason", tol(`clause: "6.2", up_to: 3GHz, value: 0.8, loosens: true`), `what loosens a limit says why in "reason"`},
		{"looser tolerance by more than 3 dB", tol(`clause: "6.2", up_to: 6GHz, value: 3.8, loosens: true, reason: r`), `tolerance 3.8 dB at 3 GHz loosens the published 0.7 dB by more than 3 dB; the most is 3.7 dB`},
		{"looser tolerance by more than twice", tol(`clause: "6.5.2", up_to: 3GHz, value: 24.1, loosens: true, reason: r`), `loosens the published 12 Hz by more than a factor of 2; the most is 24 Hz`},
		{"looser where none is allowed", tol(`clause: "6.6.2", up_to: 3GHz, value: 1, loosens: true, reason: r`), `loosens the published 0 Hz by more than a factor of 2; the most is 0 Hz`},
		{"looser where none is known", tol(`clause: "6.5.3", above: 6GHz, up_to: 8GHz, value: 2.1, loosens: true, reason: r`), `tolerance 2.1 % at 8 GHz loosens the published 1 % by more than a factor of 2`},
		{"tolerance is no number", tol(`clause: "6.2", up_to: 3GHz, value: .nan`), `own.yaml:4:`},
		{"tolerance without end", tol(`clause: "6.2", up_to: 3GHz, value: .inf, loosens: true, reason: r`), `own.yaml:4:`},
		{"core is no number", core(`clause: "6.5.3", figure: QPSK, value: .nan`), `own.yaml:4:`},
		{"tighter tolerance with a reason", tol(`clause: "6.2", up_to: 3GHz, value: 0.6, reason: r`), `a reason belongs to an entry that loosens`},
		{"loosens nothing", tol(`clause: "6.2", up_to: 3GHz, value: 0.7, loosens: true`), `own.yaml:4:66: tolerance 0.7 dB loosens nothing`},
		{"no source", head + "tolerances:\n  - {clause: \"6.2\", up_to: 3GHz, value: 0.1}\n", `own.yaml:4:5: missing key "source"`},
		{"empty source", head + "tolerances:\n  - {clause: \"6.2\", up_to: 3GHz, value: 0.1, source: \"\"}\n", `own.yaml:4:54: say where the figure comes from`},
		{"wrong unit", tol(`clause: "6.2", up_to: 3dB, value: 0.1`), `own.yaml:4:39:`},
		{"looser core", core(`clause: "6.5.3", figure: QPSK, value: 18`), `own.yaml:4:55: core figure 18 % loosens 6.5.3, which has 17.5 %`},
		{"looser without a reason", core(`clause: "6.5.3", figure: QPSK, value: 18, loosens: true, reason: " "`), `own.yaml:4:82: what loosens a limit says why in "reason"`},
		{"looser by more than twice", core(`clause: "6.5.3", figure: QPSK, value: 35.1, loosens: true, reason: r`), `core figure 35.1 % loosens the published 17.5 % by more than a factor of 2; the most is 35 %`},
		{"looser by more than 3 dB", core(`clause: "6.6.3", figure: wide-area category A, value: -9.9, loosens: true, reason: r`), `loosens the published -13 dBm/MHz by more than 3 dB; the most is -10 dBm/MHz`},
		{"a least looser by more than 3 dB", core(`clause: "6.6.3", figure: licensed bands, value: 4.5, loosens: true, reason: r`), `core figure 4.5 dB loosens the published 45 dB by more than 3 dB; the most is 42 dB`},
		{"a reason for nothing", core(`clause: "6.5.3", figure: QPSK, value: 17, reason: r`), `own.yaml:4:67: a reason belongs to an entry that loosens`},
		{"looser leakage", core(`clause: "6.6.3", figure: licensed bands, value: 44`), `core figure 44 dB loosens 6.6.3, which has 45 dB`},
		{"core loosens nothing", core(`clause: "6.5.3", figure: QPSK, value: 17, loosens: true`), `own.yaml:4:68: 17 % loosens nothing`},
		{"nonsense core", core(`clause: "6.5.3", figure: QPSK, value: -3`), `the set that results is not sound: error vector magnitude of "QPSK" is -3 %`},
		{"negative frequency error", core(`clause: "6.5.2", figure: wide-area, value: -1`), `the set that results is not sound: frequency error of class wide-area is -1 ppm`},
		{"core without figures", core(`clause: "6.6.2", value: 1`), `unknown clause "6.6.2"`},
		{"clause of emissions", regional(`clause: "6.2", frequencies: {low: 1GHz, high: 2GHz}, limit: -30, measurement_bandwidth: 1MHz`), `unknown clause of emissions "6.2"`},
		{"no room", regional(`clause: "6.6.5", frequencies: {low: 1GHz, high: 1.0005GHz}, limit: -30, measurement_bandwidth: 1MHz`), `1 GHz to 1.0005 GHz has no room for a filter 1 MHz wide`},
		{"both", regional(`clause: "6.6.5", limit: -30, measurement_bandwidth: 1MHz`), `want either frequencies or beside`},
		{"class", regional(`clause: "6.6.5", classes: [vast], frequencies: {low: 1GHz, high: 2GHz}, limit: -30, measurement_bandwidth: 1MHz`), `unknown base station class "vast"`},
		{"option", regional(`clause: "6.6.5", option: "additional:n999", frequencies: {low: 1GHz, high: 2GHz}, limit: -30, measurement_bandwidth: 1MHz`), `unknown option "additional:n999"`},
		{"beside", regional(`clause: "6.6.4", beside: {from: 0.1MHz, to: 1MHz}, limit: -30, measurement_bandwidth: 1MHz`), `do not lie beside the channel`},
		{"level", regional(`clause: "6.6.5", frequencies: {low: 1GHz, high: 2GHz}, limit: 300, measurement_bandwidth: 1MHz`), `300 dBm is no level`},
		{"name", strings.Replace(regional(`clause: "6.6.5", frequencies: {low: 1GHz, high: 2GHz}, limit: -30, measurement_bandwidth: 1MHz`), "name: r", "name: n48", 1), `the set has limits called additional:n48 already`},
		{"another set", "limits: l/1\nbase: ts-38.141-1/2020-01\ncores: []\n", `own.yaml:2:7: written for the limit set "ts-38.141-1/2020-01"`},
		{"nothing", head, `the file changes nothing`},
		{"name of the file", "limits: my own\nbase: ts-38.141-1/2026-11\n", `own.yaml:1:9: "my own" is no name of a version`},
		{"not YAML", "limits: [", `own.yaml:1:`},
	} {
		t.Run(tt.name, func(t *testing.T) {
			set, err := conformance.Embedded().With("own.yaml", []byte(tt.text))
			var problems document.Problems
			if set != nil || !errors.As(err, &problems) || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("%v\nwant %q in\n%s", err, tt.want, tt.text)
			}
		})
	}
}

// Any bytes give a set or problems, and a set that results still answers.
func FuzzFileOverTheSet(f *testing.F) {
	f.Add([]byte(northLab))
	f.Add([]byte(head + "tolerances:\n  - {clause: \"6.2\", up_to: 1e300Hz, value: 0, source: b}\n"))
	f.Add([]byte(head + "cores:\n  - {clause: \"6.4.2\", value: 9, source: b}\n"))
	f.Add([]byte("a: &x [*x]"))
	c, err := conformance.Place("n78", conformance.Middle, 100e6, 30e3)
	if err != nil {
		f.Fatal(err)
	}
	s := conformance.Subject{Declaration: wideA(46), Carrier: c}
	f.Fuzz(func(t *testing.T, data []byte) {
		set, err := conformance.Embedded().With("f.yaml", data)
		var problems document.Problems
		if err != nil && (set != nil || !errors.As(err, &problems)) {
			t.Fatalf("%v with a set %v", err, set != nil)
		}
		if err != nil {
			return
		}
		for _, clause := range conformance.LimitClauses() {
			list, err := set.Requirements(s, clause)
			if err != nil {
				t.Fatalf("%s: %v", clause, err)
			}
			for _, r := range list {
				if err := sane(r); err != nil {
					t.Fatalf("%s: %v", r.Key, err)
				}
			}
		}
	})
}
