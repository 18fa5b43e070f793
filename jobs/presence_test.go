package jobs

import (
	"errors"
	"strings"
	"testing"
	"time"

	"benchyard/jobs/postgres"
)

// Agents of two versions work side by side; then the database is brought beyond
// the older one, which leaves its benches safe and is on the board with the reason.
func TestAgentsOfDifferentVersions(t *testing.T) {
	b := newTestBed(t, 2, nil)
	b.start("new", func(o *AgentOptions) { o.Benches = []string{"bench-1"} })
	mustExec(t, b.pool, `UPDATE schema_floor SET level = 3`)
	old := b.start("old", func(o *AgentOptions) { o.Benches, o.Level, o.Version = []string{"bench-2"}, 7, "last year" })
	within(t, 20*time.Second, "both at rest", func() bool {
		return b.bench("bench-1").Activity == Idle && b.bench("bench-2").Activity == Idle
	})
	mustExec(t, b.pool, `UPDATE schema_floor SET level = 8`)
	select {
	case err := <-old.Failed():
		if !errors.Is(err, postgres.ErrBelowFloor) {
			t.Errorf("%v, want ErrBelowFloor", err)
		}
	case <-time.After(30 * time.Second):
		t.Fatal("the old agent goes on")
	}
	b.stop(old)
	b.mustBeClean()
	agents, err := Agents(t.Context(), b.pool)
	if err != nil || len(agents) != 2 || agents[0].Name != "new" || !agents[0].Alive || agents[0].Refused != "" {
		t.Fatalf("%+v, %v", agents, err)
	}
	if a := agents[1]; a.Name != "old" || a.Alive || a.Level != 7 || a.Version != "last year" || !strings.Contains(a.Refused, "upgrade") {
		t.Errorf("on the board: %+v", a)
	}
	// It is refused when it comes back, and touches no bench.
	again, err := NewAgent(AgentOptions{Pool: b.pool, Name: "old", Version: "last year", Level: 7, Timings: quick(), Logger: testLogger(t)})
	if err != nil {
		t.Fatal(err)
	}
	if err := again.Start(t.Context()); !errors.Is(err, postgres.ErrBelowFloor) {
		t.Errorf("started again: %v", err)
	}
	if err := again.Stop(t.Context()); err != nil {
		t.Error(err)
	}
	if holder := b.bench("bench-2").Holder; holder != "" {
		t.Errorf("bench-2 is held by %s", holder)
	}
}
