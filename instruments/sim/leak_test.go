package sim

import (
	"fmt"
	"math"
	"testing"
)

// A unit on the air that is not closed to the analyzer arrives there weakened by the
// isolation of the matrix, with all its connectors, through the path that is closed or,
// where none is, its own; through a perfect matrix it does not arrive at all.
func TestLeakThroughTheSwitchMatrix(t *testing.T) {
	l, _ := startLab(t, func(c *Config) { c.Speed, c.Benches[0].Isolation = 100, 60 })
	bringUp(t, l, "F2-0001", "RU-F2")
	b, w := l.world.benches["bench-1"], l.world
	input := func() float64 { return decibels(w.look(b).input) }
	sent := func(through int) float64 {
		w.mu.Lock()
		defer w.mu.Unlock()
		sum := 0.0
		for connector := 1; connector <= 2; connector++ {
			sum += w.emission(w.units["F2-0001"], connector).through(b.paths[through])
		}
		return decibels(sum)
	}
	for _, closed := range []int{0, 101, 601} { // none; of a unit that is silent; of another one
		want := sent(501) - 60
		if closed != 0 {
			dial(t, l, "bench-1-switcher").do(fmt.Sprintf("ROUT:OPEN:ALL;:ROUT:CLOS (@%d)", closed))
			want = sent(closed) - 60
		}
		if got := input(); math.Abs(got-want) > 1e-3 {
			t.Errorf("with %d closed %.4f dBm arrive, want %.4f dBm", closed, got, want)
		}
	}
	dial(t, l, "bench-1-switcher").do("ROUT:OPEN:ALL;:ROUT:CLOS (@501)")
	w.mu.Lock()
	direct := decibels(w.emission(w.units["F2-0001"], 1).through(b.paths[501]))
	w.mu.Unlock()
	if got := input(); math.Abs(got-direct) > 0.01 { // its other connector does not leak into its own path
		t.Errorf("closed itself %.4f dBm arrive, want %.4f dBm", got, direct)
	}
	perfect, _ := startLab(t, func(c *Config) { c.Speed = 100 })
	bringUp(t, perfect, "F2-0001", "RU-F2")
	if v := perfect.world.look(perfect.world.benches["bench-1"]); v.input != 0 {
		t.Errorf("%g mW arrive through a perfect matrix", v.input)
	}
}
