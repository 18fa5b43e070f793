package instruments_test

import (
	"context"
	"testing"
	"time"

	"benchyard/instruments"
	"benchyard/instruments/dialect"
	"benchyard/instruments/scpi"
	"benchyard/instruments/sim"
)

// TestProbeOnTheSimulator asks all instruments of a simulated bench for all they
// have, and a supply in the words of another.
func TestProbeOnTheSimulator(t *testing.T) {
	lab := start(t, 100)
	values := dialect.Values{"channels": dialect.Channels([]int{101}), "carrier": dialect.Count(1), "connector": dialect.Count(1)}
	for name, role := range map[string]instruments.Role{
		"bench-1-analyzer": instruments.Analyzer, "bench-1-generator": instruments.Generator, "bench-1-supply": instruments.Supply,
		"bench-1-switcher": instruments.Switcher, unit: instruments.RadioUnit,
	} {
		for _, f := range probe(t, lab, name, role, dialect.Standard(string(role)), values) {
			if f.Wrong() {
				t.Errorf("%s: %+v", name, f)
			}
			want := instruments.Answered
			switch entry := dialect.Standard(string(role)).Commands[f.Capability]; {
			case entry.Unsupported:
				want = instruments.Unsupported
			case entry.Ask == "":
				want = instruments.NotAsked
			case f.Capability == "trace": // no sweep was taken: -230
				want = instruments.NotNow
			}
			if f.Result != want {
				t.Errorf("%s: %+v, want %s", name, f, want)
			}
		}
	}
}

// A sweep that somebody else has started goes on while the analyzer is asked, though
// it refuses to show a trace meanwhile.
func TestProbeLeavesASweepAlone(t *testing.T) {
	lab := start(t, 1)
	resource, err := lab.Resource("bench-1-analyzer")
	if err != nil {
		t.Fatal(err)
	}
	where, err := scpi.ParseResource(resource)
	if err != nil {
		t.Fatal(err)
	}
	other, err := scpi.Dial(t.Context(), where, scpi.Config{})
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	if err := other.Command(t.Context(), ":INIT:CONT OFF", ":SWE:TIME 1000", ":INIT"); err != nil {
		t.Fatal(err)
	}
	for _, f := range probe(t, lab, "bench-1-analyzer", instruments.Analyzer, dialect.Standard("analyzer"), nil) {
		if f.Wrong() || f.Capability == "trace" && f.Result != instruments.NotNow {
			t.Errorf("%+v", f)
		}
	}
	if bits, err := other.QueryNumber(t.Context(), ":STAT:OPER:COND?"); err != nil || int(bits)&8 == 0 { // bit 3, sweeping (vol. 2, ch. 20)
		t.Errorf("operation condition %g, %v: the sweep was ended", bits, err)
	}
	if err := other.Command(t.Context(), ":ABOR"); err != nil {
		t.Error(err)
	}
}

func TestProbeOverHiSLIP(t *testing.T) {
	lab := start(t, 100)
	resource, err := lab.HiSLIP("bench-1-supply")
	if err != nil {
		t.Fatal(err)
	}
	i, err := instruments.Open(t.Context(), instruments.Supply, resource, "", scpi.Config{Timeout: 2 * time.Second}, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer i.Close()
	findings, err := instruments.Probe(t.Context(), i, dialect.Standard("supply"), nil)
	if err != nil || len(findings) == 0 {
		t.Fatalf("got %d findings, %v", len(findings), err)
	}
	for _, f := range findings {
		if f.Wrong() {
			t.Errorf("%+v", f)
		}
	}
}

func TestProbeFindsWhatDoesNotFit(t *testing.T) {
	table, err := dialect.Parse("other.yaml", []byte(`
name: other
role: supply
inherits: SCPI-1999
commands:
  measured_voltage: {ask: ":READ:VOLT?"}
  measured_current: {ask: ":OUTP:STAT?", unit: mA}
  output: {ask: ":SYST:VERS?"}
`))
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]instruments.Result{
		"measured_voltage": instruments.Refused, "measured_current": instruments.Answered, "output": instruments.Unreadable,
		"output_on": instruments.NotAsked, "voltage": instruments.Answered,
	}
	for _, f := range probe(t, start(t, 100), "bench-1-supply", instruments.Supply, table, nil) {
		if result, ok := want[f.Capability]; ok && f.Result != result {
			t.Errorf("%+v, want %s", f, result)
		}
		// -113 is an undefined header (SCPI-1999 vol. 2, 21.8.9).
		if f.Capability == "measured_voltage" && (len(f.Queued) != 1 || f.Queued[0] != -113) {
			t.Errorf("queued %v, want -113", f.Queued)
		}
	}
}

func TestProbeEndsWithItsContext(t *testing.T) {
	lab := start(t, 100)
	resource, err := lab.Resource("bench-1-supply")
	if err != nil {
		t.Fatal(err)
	}
	i, err := instruments.Open(t.Context(), instruments.Supply, resource, "", scpi.Config{}, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer i.Close()
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if findings, err := instruments.Probe(ctx, i, dialect.Standard("supply"), nil); err == nil || len(findings) > 1 {
		t.Errorf("got %d findings, %v", len(findings), err)
	}
}

func probe(t *testing.T, lab *sim.Lab, name string, role instruments.Role, table *dialect.Table, values dialect.Values) []instruments.Finding {
	t.Helper()
	resource, err := lab.Resource(name)
	if err != nil {
		t.Fatal(err)
	}
	i, err := instruments.Open(t.Context(), role, resource, "", scpi.Config{Timeout: 2 * time.Second}, table)
	if err != nil {
		t.Fatal(err)
	}
	defer i.Close()
	findings, err := instruments.Probe(t.Context(), i, table, values)
	if err != nil {
		t.Fatal(err)
	}
	return findings
}
