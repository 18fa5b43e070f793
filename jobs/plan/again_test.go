package plan_test

import (
	"os"
	"testing"
	"time"

	"benchyard/jobs/plan"
)

// The first retry comes at once unless the plan says otherwise; then the waits double
// up to the longest, each within a fifth of that, the same for the same seed.
func TestBackOffDelay(t *testing.T) {
	for _, test := range []struct {
		name  string
		b     plan.BackOff
		retry int
		want  time.Duration
	}{
		{"default, first", plan.BackOff{}, 1, 0},
		{"default, second", plan.BackOff{}, 2, 10 * time.Second},
		{"default, third", plan.BackOff{}, 3, 20 * time.Second},
		{"default, tenth", plan.BackOff{}, 10, 10 * time.Minute},
		{"own first", plan.BackOff{First: 5 * time.Second}, 1, 5 * time.Second},
		{"never shorter than before", plan.BackOff{First: time.Minute}, 2, time.Minute},
		{"own most", plan.BackOff{Next: 30 * time.Second, Most: time.Minute}, 5, time.Minute},
	} {
		waits := map[time.Duration]bool{}
		for seed := range uint64(50) {
			got := test.b.Delay(test.retry, seed)
			if got < test.want*8/10 || got > test.want*12/10 {
				t.Fatalf("%s, seed %d: %s, want within a fifth of %s", test.name, seed, got, test.want)
			}
			if got != test.b.Delay(test.retry, seed) {
				t.Fatalf("%s, seed %d: another wait the second time", test.name, seed)
			}
			waits[got] = true
		}
		if test.want > 0 && len(waits) < 40 {
			t.Errorf("%s: %d different waits for 50 seeds", test.name, len(waits))
		}
	}
}

// What is done after errors and fails is read, and defaults written out change no hash.
func TestAgainKeys(t *testing.T) {
	data, err := os.ReadFile("../../testdata/plans/good/again.yaml")
	if err != nil {
		t.Fatal(err)
	}
	p, err := plan.Parse("again.yaml", data)
	if err != nil {
		t.Fatal(err)
	}
	if p.BackOff != (plan.BackOff{First: 5 * time.Second, Next: 30 * time.Second, Most: 5 * time.Minute}) || p.Retest != (plan.Retest{Fails: 2, Most: 3}) || p.Resume != plan.AnyBench {
		t.Errorf("plan %+v", p)
	}
	const short = "plan: p\ncarriers: [{band: n78, bandwidth: 100MHz, scs: 30kHz}]\ntests: [{clause: 6.2}]\nretries: 1\n"
	plain, err := plan.Parse("p", []byte(short))
	if err != nil {
		t.Fatal(err)
	}
	written, err := plan.Parse("p", []byte(short+"resume: same bench\nback_off: {first: 0s, next: 10s, most: 10m}\n"))
	if err != nil || written.Hash() != plain.Hash() {
		t.Errorf("defaults written out: %v, or another hash", err)
	}
}
