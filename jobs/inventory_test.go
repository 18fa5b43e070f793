package jobs

import (
	"context"
	"net"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"benchyard/instruments/sim"
	"benchyard/jobs/conformance"
	"benchyard/jobs/lab"

	"github.com/goccy/go-yaml"
)

// without returns the inventory without one bench and all that hangs on it.
func (b *testBed) without(bench string) []byte {
	b.t.Helper()
	var inventory map[string]any
	if err := yaml.Unmarshal(b.lab.Inventory(), &inventory); err != nil {
		b.t.Fatal(err)
	}
	of := map[string]string{"benches": "name", "instruments": "name", "paths": "bench", "radio_units": "bench"}
	for key, field := range of {
		inventory[key] = slices.DeleteFunc(inventory[key].([]any), func(e any) bool {
			return strings.HasPrefix(e.(map[string]any)[field].(string), bench)
		})
	}
	data, err := yaml.Marshal(inventory)
	if err != nil {
		b.t.Fatal(err)
	}
	return data
}

// A bench that leaves the inventory while a unit on it transmits is left safe.
func TestBenchThatLeavesTheInventoryIsLeftSafe(t *testing.T) {
	b := newTestBed(t, 2, slow)
	b.midRun(longPlan)
	eventually(t, "a unit on the air", func() bool { return len(b.lab.Transmitting()) > 0 })
	if _, _, err := lab.Apply(t.Context(), b.pool, "lab.yaml", b.without("bench-1"), "ann"); err != nil {
		t.Fatal(err)
	}
	within(t, 30*time.Second, "a bench given back", func() bool { return b.bench("bench-1").Holder == "" })
	if s := b.bench("bench-1"); s.Alarm != "" {
		t.Errorf("alarm %q", s.Alarm)
	}
	b.mustBeClean()
}

// basePort looks for enough free ports in a row for a lab that comes back on
// them. They lie below the ephemeral range, where no connection takes one in
// the meantime, and apart from those that the tests of the simulator use.
func basePort(t *testing.T) int {
	t.Helper()
	for first := 11000; first < 20000; first += 100 {
		if allFree(first, 50) {
			return first
		}
	}
	t.Fatal("no 50 free ports in a row between 11000 and 20000")
	return 0
}

func allFree(first, count int) bool {
	for port := first; port < first+count; port++ {
		l, err := net.Listen("tcp", net.JoinHostPort("127.0.0.1", strconv.Itoa(port)))
		if err != nil {
			return false
		}
		l.Close()
	}
	return true
}

// Instruments that were switched off and on between two runs have lost their
// settings. The next run sets everything anyway: that is no error.
func TestRestartedBenchIsBroughtUp(t *testing.T) {
	b := newTestBed(t, 1, func(c *sim.Config) { c.BasePort = basePort(t) })
	b.start("a", nil)
	if r := b.await(b.submit(powerPlan, "T4-0001")["T4-0001"]); r.Verdict != conformance.Pass {
		t.Fatalf("run %+v", r)
	}
	if err := b.lab.Close(); err != nil {
		t.Fatal(err)
	}
	again, err := sim.Start(context.Background(), b.lab.Config(), b.journal)
	if err != nil {
		t.Fatal(err)
	}
	b.lab = again
	for _, serial := range []string{"T4-0001", "T4-0002"} {
		r := b.await(b.submit(powerPlan, serial)[serial])
		if r.State != Done || r.Verdict != conformance.Pass {
			t.Errorf("%s: %+v", serial, r)
		}
	}
	b.mustBeClean()
}

// A run that is cancelled while its unit loads a build leaves a unit that is
// busy for minutes. The next run waits for it.
func TestNextRunWaitsForABuildBeingLoaded(t *testing.T) {
	b := newTestBed(t, 1, func(c *sim.Config) { c.Speed = 10 }) // a build loads in 2 s
	b.start("a", nil)
	first := b.submitWith(Submission{PlanDocument: []byte(powerPlan), Serials: []string{"T4-0001"}, Build: "2.5.0"})["T4-0001"]
	within(t, time.Minute, "a build being loaded", func() bool { return len(b.journal.since(t, 0, "T4-0001", "build")) > 0 })
	if _, err := Cancel(t.Context(), b.pool, first, "ann"); err != nil {
		t.Fatal(err)
	}
	next := b.submitWith(Submission{PlanDocument: []byte(powerPlan), Serials: []string{"T4-0001"}, Build: "2.5.0"})["T4-0001"]
	if r := b.await(next); r.State != Done || r.Verdict != conformance.Pass {
		t.Errorf("run %+v", r)
	}
	b.mustBeClean()
}
