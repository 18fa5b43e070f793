package main

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"strconv"
	"testing"

	"benchyard/instruments/sim"
)

// The truth matrix: what fails in the demo lab is exactly what was injected,
// whatever the seed. Every seed is a whole demo, as a person would run it.
func TestWhatFailsIsWhatWasInjected(t *testing.T) {
	binary, err := built()
	if err != nil {
		t.Fatal(err)
	}
	for _, seed := range []uint64{1, 2, 3} {
		t.Run("seed "+strconv.FormatUint(seed, 10), func(t *testing.T) {
			t.Parallel() // a demo has its own lab and database, and waits a third of its time
			file := filepath.Join(t.TempDir(), "demo.json")
			cmd := exec.Command(binary, "demo", "--exit", "--json", file, "--seed", strconv.FormatUint(seed, 10), "--listen", "127.0.0.1:0")
			out, err := cmd.CombinedOutput()
			if err != nil {
				t.Fatalf("%v\n%s", err, out)
			}
			checkDemo(t, file, seed)
		})
	}
}

func checkDemo(t *testing.T, file string, seed uint64) {
	t.Helper()
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	var d demoReport
	if err := json.Unmarshal(data, &d); err != nil {
		t.Fatal(err)
	}
	truth := sim.Demo(seed).Truth() // not what the report says it was
	if len(truth) < 6 {
		t.Fatalf("seed %d injects %d failures only", seed, len(truth))
	}
	if !reflect.DeepEqual(d.Failed, truth) {
		t.Errorf("failed:   %v\ninjected: %v", d.Failed, truth)
	}
	if len(d.Damaged) > 0 {
		t.Errorf("instruments were damaged: %v", d.Damaged)
	}
	if d.Errors != 0 || d.Units != 24 {
		t.Errorf("%d units with %d errors, want 24 with none", d.Units, d.Errors)
	}
	checkContract(t, d)
}

// checkContract holds the results against what a program may rely on.
func checkContract(t *testing.T, d demoReport) {
	t.Helper()
	data, err := json.Marshal(d.Results)
	if err != nil {
		t.Fatal(err)
	}
	var results []map[string]any
	if err := json.Unmarshal(data, &results); err != nil {
		t.Fatal(err)
	}
	if len(results) < 2000 {
		t.Errorf("%d results only", len(results))
	}
	for _, r := range results {
		for _, key := range []string{"clause", "quantity", "value", "unit", "lower", "upper", "margin", "verdict", "conditions"} {
			if _, ok := r[key]; !ok {
				t.Fatalf("a result has no %s: %v", key, r)
			}
		}
		if simulated, _ := r["simulated"].(bool); !simulated {
			t.Fatalf("a result of the demo is not marked simulated: %v", r)
		}
	}
}
