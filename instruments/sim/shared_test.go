package sim

import (
	"slices"
	"strings"
	"testing"
)

// sharing has the second bench work with the analyzer of the first.
func sharing(c *Config) { c.Benches[1].Analyzer = c.Benches[0].Name }

// The one analyzer sees whichever bench feeds it, and suffers when both do at once.
func TestSharedAnalyzerSeesBothBenches(t *testing.T) {
	l, _ := startLab(t, sharing)
	if slices.Contains(l.Instruments(), "bench-2-analyzer") {
		t.Error("the second bench has an analyzer of its own")
	}
	a := dial(t, l, "bench-1-analyzer")
	const quiet = -50.0 // dBm in the sweep: far above the noise, far below a carrier
	for i, serial := range []string{"T4-0001", "T4-0005"} {
		bench := []string{"bench-1", "bench-2"}[i]
		dial(t, l, bench+"-supply").do("VOLT 48;CURR 20;:OUTP ON")
		matrix := dial(t, l, bench+"-switcher")
		matrix.do("ROUT:CLOS (@101)")
		if got := slices.Max(a.sweep(tddSweep)); got > quiet {
			t.Errorf("%s, nothing transmits: %.1f dBm", bench, got)
		}
		u := dial(t, l, serial)
		u.do(carrierOf["RU-T4"])
		u.do("OUTP ON")
		if got := slices.Max(a.sweep(tddSweep)); got < quiet {
			t.Errorf("%s transmits: %.1f dBm", bench, got)
		}
		if i == 0 {
			matrix.do("ROUT:OPEN:ALL")
		}
	}
	if d := l.Damaged(); len(d) > 0 {
		t.Errorf("one bench after the other: %q", d)
	}
	dial(t, l, "bench-1-switcher").do("ROUT:CLOS (@101)")
	if d := l.Damaged(); len(d) != 1 || !strings.Contains(d[0], "several benches at once") {
		t.Errorf("both at once: %q", d)
	}
}

// An instrument notices clients that take turns; one after the other is as it should be.
func TestInterleavedClientsAreWrittenDown(t *testing.T) {
	l, j := startLab(t, nil)
	first, second := dial(t, l, "bench-1-analyzer"), dial(t, l, "bench-1-analyzer")
	interleaved := func() bool {
		return slices.ContainsFunc(j.kinds(t, "bench-1-analyzer"), func(s string) bool { return strings.HasPrefix(s, "interleaved: ") })
	}
	first.ask("*IDN?")
	second.ask("*IDN?")
	second.ask("*IDN?")
	if interleaved() {
		t.Error("one client after the other is no turn taking")
	}
	first.ask("*IDN?")
	if !interleaved() {
		t.Error("a client went on after another one: want it in the journal")
	}
}
