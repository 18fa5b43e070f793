package plan_test

import (
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"benchyard/instruments/document"
	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
	"benchyard/jobs/plan"
)

// TestBadPlans reads every plan in testdata/plans/bad. Its first lines say
// which problems it has, "# want: line:column: message", and it must have
// exactly these.
func TestBadPlans(t *testing.T) {
	files, err := filepath.Glob("../../testdata/plans/bad/*.yaml")
	if err != nil || len(files) < 20 {
		t.Fatalf("found %d bad plans, %v", len(files), err)
	}
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			data, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			var problems document.Problems
			if _, err := plan.Parse(file, data); !errors.As(err, &problems) {
				t.Fatalf("no problems but %v", err)
			}
			var got []string
			for _, p := range problems {
				got = append(got, strings.TrimPrefix(p.String(), file+":"))
			}
			if want := wanted(string(data)); strings.Join(got, "\n") != strings.Join(want, "\n") {
				t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
			}
		})
	}
}

// wanted returns the expectations at the top of a bad document.
func wanted(text string) []string {
	var want []string
	for line := range strings.Lines(text) {
		message, ok := strings.CutPrefix(line, "# want: ")
		if !ok {
			break
		}
		want = append(want, strings.TrimSpace(message))
	}
	return want
}

func TestDefaults(t *testing.T) {
	full, short := good(t, "transmitter-regression.yaml"), good(t, "defaults.yaml")
	short.Name, short.Title, short.Retries, short.WarmUp = full.Name, full.Title, full.Retries, full.WarmUp
	if !reflect.DeepEqual(full, short) {
		t.Errorf("defaults\n%+v\ndiffer from the same written out\n%+v", short, full)
	}
	want := plan.WarmUp{Minimum: 30 * time.Second, Limit: 10 * time.Minute, Slope: 0.05, Interval: 10 * time.Second}
	if got, want := good(t, "likely-conforming.yaml").Rule, (conformance.DecisionRule{Name: conformance.ConformanceProbability, Probability: 0.95}); got != want {
		t.Errorf("rule %+v, want %+v", got, want)
	}
	if got := good(t, "leakage-guarded.yaml").WarmUp; got != want {
		t.Errorf("warm-up %+v, want %+v", got, want)
	}
}

func TestHashIgnoresLayoutOnly(t *testing.T) {
	const text = "plan: p\ntitle: x\ncarriers: [{band: n78, bandwidth: 100MHz, scs: 30kHz}]\ntests: [{clause: 6.2}]\n"
	hash := func(text string) string {
		t.Helper()
		p, err := plan.Parse("p.yaml", []byte(text))
		if err != nil {
			t.Fatal(err)
		}
		return p.Hash()
	}
	base := hash(text)
	for _, same := range []string{
		"# a comment\n" + text,
		"tests:\n  - connectors: all\n    rf_channels: [B, M, T]\n    clause: '6.2'\ncarriers:\n  - scs: 30000\n    bandwidth: 0.1GHz\n    band: n78\nretries: 0\non_fail: continue\ndecision_rule: {name: shared-risk}\ntitle: x\nplan: p\n",
	} {
		if hash(same) != base {
			t.Errorf("another hash for the same plan:\n%s", same)
		}
	}
	for _, change := range [][2]string{
		{"plan: p", "plan: q"}, {"title: x", "title: y"}, {"100MHz", "90MHz"}, {"clause: 6.2", "clause: 6.6.2"},
		{"clause: 6.2", "clause: 6.2, connectors: [1]"}, {"clause: 6.2", "clause: 6.2, rf_channels: [B]"},
		{"clause: 6.2", "clause: 6.2, test_models: [NR-FR1-TM1.2]"}, {"title: x", "title: x\nretries: 1"},
		{"title: x", "title: x\non_fail: stop"}, {"title: x", "title: x\nwarm_up: {limit: 1m}"},
		{"title: x", "title: x\ndecision_rule: {name: guarded, guard_band_factor: 1}"},
	} {
		if other := strings.Replace(text, change[0], change[1], 1); hash(other) == base {
			t.Errorf("the same hash for another plan:\n%s", other)
		}
	}
	if len(base) != 64 {
		t.Errorf("hash %q", base)
	}
}

func TestHugePlanIsRefused(t *testing.T) {
	data := []byte("plan: p\n" + strings.Repeat("# comment\n", document.MaxSize/10))
	_, err := plan.Parse("huge.yaml", data)
	if want := "huge.yaml: the document has 33554438 bytes; at most 33554432 are read"; err == nil || err.Error() != want {
		t.Errorf("got %v, want %s", err, want)
	}
}

// FuzzParse: no bytes make Parse panic, and what it accepts expands and hashes.
func FuzzParse(f *testing.F) {
	for _, pattern := range []string{"good", "bad"} {
		files, err := filepath.Glob("../../testdata/plans/" + pattern + "/*.yaml")
		if err != nil {
			f.Fatal(err)
		}
		for _, file := range files {
			data, err := os.ReadFile(file)
			if err != nil {
				f.Fatal(err)
			}
			f.Add(data)
		}
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		p, err := plan.Parse("f.yaml", data)
		if (p == nil) == (err == nil) {
			t.Fatalf("plan %v with error %v", p, err)
		}
		if err != nil {
			return
		}
		if again, err := plan.Parse("f.yaml", data); err != nil || again.Hash() != p.Hash() {
			t.Errorf("read twice: %v", err)
		}
		for _, choice := range append(p.Carriers, p.Tests[0].Carriers...) {
			target := plan.Target{Type: "any", Connectors: 64, Carriers: []plan.Declared{{choice.Band, []rf.Hertz{choice.Bandwidth}, []rf.Hertz{choice.SCS}}}}
			if _, err := plan.Expand(p, target); err != nil && !strings.Contains(err.Error(), "has nothing") {
				t.Error(err)
			}
		}
	})
}
