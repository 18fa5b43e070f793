package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"benchyard/instruments"
	"benchyard/instruments/sim"
)

// labFile starts a lab and writes its inventory with replacements.
func labFile(t *testing.T, pairs ...string) string {
	t.Helper()
	_, file := labAndFile(t, pairs...)
	return file
}

func labAndFile(t *testing.T, pairs ...string) (*sim.Lab, string) {
	t.Helper()
	lab, err := sim.Start(t.Context(), sim.Demo(1), nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { lab.Close() })
	file := filepath.Join(t.TempDir(), "lab.yaml")
	if err := os.WriteFile(file, []byte(strings.NewReplacer(pairs...).Replace(string(lab.Inventory()))), 0o600); err != nil {
		t.Fatal(err)
	}
	return lab, file
}

func TestLabCheckProbes(t *testing.T) {
	file := labFile(t)
	out, _ := command(t, exitDone, "lab", "check", file, "bench-1-supply", "bench-1-switcher", "--probe", "--format", "json")
	var all []probed
	if err := json.Unmarshal([]byte(out), &all); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	if len(all) != 2 || all[0].Dialect != "SCPI-1999" || all[0].Pipelining == nil || !*all[0].Pipelining || all[0].Identity == "" {
		t.Fatalf("got %+v", all)
	}
	results := map[string]instruments.Result{}
	for _, one := range all {
		for _, f := range one.Findings {
			results[one.Role+" "+f.Capability] = f.Result
		}
	}
	for capability, want := range map[string]instruments.Result{
		"supply voltage": instruments.Answered, "supply output_on": instruments.NotAsked, "switcher closed": instruments.Answered,
	} {
		if results[capability] != want {
			t.Errorf("%s: %q, want %s", capability, results[capability], want)
		}
	}
}

func TestLabCheckProbesInTheWordsOfADialect(t *testing.T) {
	file := labFile(t, "instruments:", `dialects:
  - {name: odd, role: supply, inherits: SCPI-1999, commands: {measured_voltage: {ask: ":VOLTS?"}}}
instruments:`, "name: bench-1-supply", "dialect: odd\n    name: bench-1-supply")
	out, errs := command(t, exitError, "lab", "check", file, "bench-1-supply", "--probe")
	if !strings.Contains(errs, "1 answers do not fit") || !strings.Contains(out, ":VOLTS?") || !strings.Contains(out, "refused") || !strings.Contains(out, "-113") {
		t.Errorf("got\n%s%s", out, errs)
	}
}

// One that does not answer is no matter of dialects, and what it was asked is said.
func TestLabCheckSaysWhoIsSilent(t *testing.T) {
	lab, file := labAndFile(t)
	if err := lab.Inject("bench-1-supply", sim.Silent); err != nil {
		t.Fatal(err)
	}
	for _, how := range []string{"--probe", "--connect"} {
		out, errs := command(t, exitError, "lab", "check", file, "bench-1-supply", how, "--timeout", "200ms")
		if !strings.Contains(out, "no answer in time (200ms)") || strings.Contains(errs, "dialect") || !strings.Contains(errs, "1 of 1") {
			t.Errorf("%s:\n%s%s", how, out, errs)
		}
	}
}

func TestLabCheckNames(t *testing.T) {
	file := labFile(t)
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"bench-1-suply", "--connect"}, `did you mean "bench-1-supply"?`},
		{[]string{"bench-1-supply"}, "names are for --connect or --probe"},
	} {
		if _, errs := command(t, exitUsage, append([]string{"lab", "check", file}, c.args...)...); !strings.Contains(errs, c.want) {
			t.Errorf("%v: got %s", c.args, errs)
		}
	}
	out, _ := command(t, exitDone, "lab", "check", file, "bench-1-supply", "--connect")
	if !strings.Contains(out, "bench-1-supply") || strings.Contains(out, "bench-1-analyzer") {
		t.Errorf("got\n%s", out)
	}
}

func TestLabDialect(t *testing.T) {
	out, _ := command(t, exitDone, "lab", "dialect", "power-meter")
	file := filepath.Join(t.TempDir(), "own.yaml")
	own := strings.Replace(out, "name: SCPI-1999", "name: own", 1) // the pattern becomes one's own
	if err := os.WriteFile(file, []byte(own), 0o600); err != nil {
		t.Fatal(err)
	}
	out, _ = command(t, exitDone, "lab", "dialect", "--check", file)
	if want := file + ": no problems; dialect own, role power meter, can do 6 of 6\n"; out != want {
		t.Errorf("got %q, want %q", out, want)
	}
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"analyser"}, `did you mean "analyzer"?`}, {nil, "want either"}, {[]string{"supply", "--check", file}, "want either"},
		{[]string{"--check", "../../testdata/dialects/bad/templates.yaml"}, "templates.yaml:5:26: unknown placeholder {frequence}; known here: {frequency}"},
	} {
		if _, errs := command(t, exitUsage, append([]string{"lab", "dialect"}, c.args...)...); !strings.Contains(errs, c.want) {
			t.Errorf("%v: got %s", c.args, errs)
		}
	}
}
