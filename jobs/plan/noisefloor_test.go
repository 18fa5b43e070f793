package plan_test

import (
	"strings"
	"testing"

	"benchyard/jobs/plan"
)

// The word of the plan holds for every test but the one with a word of its own,
// and never for the occupied bandwidth.
func TestNoiseFloorOfCases(t *testing.T) {
	want := map[string]bool{"6.2": false, "6.6.2": false, "6.6.3": true, "6.6.4": true}
	cases := expand(t, good(t, "noise-floor.yaml"), four)
	if len(cases) != len(want) {
		t.Fatalf("%d cases", len(cases))
	}
	for _, c := range cases {
		if c.LessFloor != want[c.Clause] {
			t.Errorf("%s: %v", c.Key, c.LessFloor)
		}
	}
	p := good(t, "noise-floor.yaml")
	p.NoiseFloor, p.Tests[2].NoiseFloor = "", plan.CorrectFloor
	for _, c := range expand(t, p, four) {
		if c.LessFloor != (c.Clause == "6.6.3") {
			t.Errorf("%s, asked by one test: %v", c.Key, c.LessFloor)
		}
	}
}

// Plans from before there was the key keep their hash (as computed then), and a
// word that changes nothing changes no hash.
func TestNoiseFloorInHashes(t *testing.T) {
	for file, want := range map[string]string{
		"transmitter-regression.yaml": "ef6ebbd9fff611e1da621724534f5fc28f89cacbae26547039e0857638564634",
		"several-carriers.yaml":       "a0de1a48ff9c378eafb0b763861b4975f95045b74ba9b018077c7e199a7952be",
	} {
		if got := good(t, file).Hash(); got != want {
			t.Errorf("%s: hash %s, was %s", file, got, want)
		}
	}
	hash := func(key, test string) string {
		text := "plan: p\n" + key + "carriers: [{band: n78, bandwidth: 100MHz, scs: 30kHz}]\ntests: [{clause: 6.2" + test + "}]\n"
		p, err := plan.Parse("p.yaml", []byte(text))
		if err != nil {
			t.Fatal(err)
		}
		return p.Hash()
	}
	const correct, keep = "noise_floor: correct", "noise_floor: keep"
	kept := []string{hash("", ""), hash(keep+"\n", ""), hash("", ", "+keep), hash(keep+"\n", ", "+keep)}
	corrected := []string{hash(correct+"\n", ""), hash(correct+"\n", ", "+correct)}
	others := []string{hash("", ", "+correct), hash(correct+"\n", ", "+keep)}
	for i, same := range [][]string{kept, corrected, others[:1], others[1:]} {
		for _, h := range same {
			if h != same[0] || i > 0 && h == kept[0] {
				t.Errorf("group %d: %s", i, strings.Join(same, " "))
			}
		}
	}
}
