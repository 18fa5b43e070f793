package jobs

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"benchyard/jobs/lab"
)

// paperLab writes an inventory that nobody will connect to: bench-1 with one
// unit of four connectors in slot 1, one more on the shelf.
func paperLab(loss float64, upTo string) []byte {
	var b strings.Builder
	b.WriteString("lab: paper\nsimulated: true\nbuilds: [\"2.4.0\", \"2.5.0\"]\ninstruments:\n")
	for i, role := range []string{"analyzer", "generator", "supply", "switcher"} {
		fmt.Fprintf(&b, "  - {name: b1-%s, role: %s, resource: \"TCPIP::127.0.0.1::%d::SOCKET\", identity: \"Paper,X,%d\", "+
			"certificate: c-%d, calibration_due: 2030-01-31, max_input: 30dBm, frequency: {low: 9kHz, high: 26.5GHz}}\n", role, role, 7001+i, i, i)
	}
	b.WriteString("benches:\n  - {name: bench-1, analyzer: b1-analyzer, generator: b1-generator, supply: b1-supply, switcher: b1-switcher, " +
		"slots: 8, supply_volts: 54, supply_amps: 20, idle_supply: keep}\npaths:\n")
	for connector := 1; connector <= 4; connector++ {
		fmt.Fprintf(&b, "  - {bench: bench-1, slot: 1, connector: %d, route: \"@10%d\", valid_until: 2030-01-31, correction: ["+
			"{frequency: 9kHz, loss: %gdB, uncertainty: 0.2dB}, {frequency: %s, loss: %gdB, uncertainty: 0.2dB}]}\n", connector, connector, loss, upTo, loss+3)
	}
	b.WriteString("radio_unit_types:\n  - {name: RU-T4, maker: Paper, connectors: 4, class: medium-range, category: A, type: 1-C, " +
		"rated_power: 37dBm, carriers: [{band: n78, bandwidths: [100MHz], scs: [30kHz]}]}\nradio_units:\n" +
		"  - {serial: T4-0001, type: RU-T4, revision: A, bench: bench-1, slot: 1, resource: \"TCPIP::127.0.0.1::7101::SOCKET\"}\n" +
		"  - {serial: T4-0002, type: RU-T4, revision: A}\n")
	return []byte(b.String())
}

// eightConnectors makes T4-0002 one of a type with eight connectors.
func eightConnectors(document []byte) []byte {
	text := strings.Replace(string(document), "radio_units:\n", "  - {name: RU-T8, maker: Paper, connectors: 8, class: medium-range, category: A, type: 1-C, "+
		"rated_power: 37dBm, carriers: [{band: n78, bandwidths: [100MHz], scs: [30kHz]}]}\nradio_units:\n", 1)
	return []byte(strings.Replace(text, "T4-0002, type: RU-T4", "T4-0002, type: RU-T8", 1))
}

const shortPlan = `plan: short
title: Power and leakage
carriers: [{band: n78, bandwidth: 100MHz, scs: 30kHz}]
tests:
  - {clause: 6.2, rf_channels: [B, T], connectors: [1, 2]}
  - {clause: 6.6.3, rf_channels: [T], connectors: [1, 2]}
retries: 1
`

func TestSubmitQueuesRunsAndSegments(t *testing.T) {
	pool := benchPool(t)
	if _, _, err := lab.Apply(t.Context(), pool, "lab.yaml", paperLab(40, "26.5GHz"), "ann"); err != nil {
		t.Fatal(err)
	}
	s := Submission{PlanFile: "short.yaml", PlanDocument: []byte(shortPlan), Build: "2.4.0", By: "ann"}
	c, err := Submit(t.Context(), pool, s)
	if err != nil {
		t.Fatal(err)
	}
	if c.Name != "Power and leakage" || c.State != Queued || c.Units != 1 || c.CasesTotal != 6 || !c.Simulated || c.Priority != DefaultPriority || c.LimitSet == "" {
		t.Errorf("campaign %+v", c)
	}
	runs, err := RunsOf(t.Context(), pool, c.ID)
	if err != nil || len(runs) != 1 || runs[0].Serial != "T4-0001" || runs[0].Bench != "bench-1" {
		t.Fatalf("runs %+v, %v; want the mounted unit on its bench", runs, err)
	}
	segments, err := SegmentsOf(t.Context(), pool, runs[0].ID)
	if err != nil || len(segments) != 4 { // two channels x two connectors
		t.Errorf("segments %+v, %v; want 4", segments, err)
	}
	if _, err := Submit(t.Context(), pool, s); err != nil {
		t.Errorf("the same plan again: %v", err)
	}
	var plans int
	if err := pool.QueryRow(t.Context(), `SELECT count(*) FROM plan_version`).Scan(&plans); err != nil || plans != 1 {
		t.Errorf("%d plan versions, %v; want one for one content", plans, err)
	}
	if f, err := ETA(t.Context(), pool); err != nil || f.Remaining <= 0 || f.Runs != 2 {
		t.Errorf("forecast %+v, %v", f, err)
	}
}

func TestSubmitRefusesWithEveryProblem(t *testing.T) {
	cases := []struct {
		name string
		lab  []byte
		s    Submission
		want []string
	}{
		{"overdrive", paperLab(10, "26.5GHz"), Submission{}, []string{"T4-0001: bench-1 slot 1 connector 1", "connector 2", "overdriven"}},
		{"coverage", paperLab(40, "3.9GHz"), Submission{PlanDocument: []byte(strings.ReplaceAll(shortPlan, "6.6.3", "6.6.5"))}, []string{"T4-0001", "3.9"}},
		{"unknown unit and build", paperLab(40, "26.5GHz"), Submission{Serials: []string{"T4-9999"}, Build: "9.9.9"}, []string{"T4-9999", "9.9.9"}},
		{"unit on the shelf that no bench stands", paperLab(10, "26.5GHz"), Submission{Serials: []string{"T4-0002"}},
			[]string{"T4-0002 is on the shelf and no bench can measure it: bench-1 slot 1", "overdriven"}},
		{"unit on the shelf that needs what no bench has", bytes.Replace(paperLab(40, "26.5GHz"), []byte("type: 1-C, "), []byte("type: 1-C, needs: [cold], "), 1),
			Submission{Serials: []string{"T4-0002"}}, []string{"T4-0002 is on the shelf", "bench-1 has no cold, which a RU-T4 needs"}},
		{"unit in its slot that needs what the bench has not", bytes.Replace(paperLab(40, "26.5GHz"), []byte("type: 1-C, "), []byte("type: 1-C, needs: [cold], "), 1),
			Submission{}, []string{"T4-0001: bench-1 has no cold"}},
		{"unit on the shelf with more connectors than any slot", eightConnectors(paperLab(40, "26.5GHz")),
			Submission{Serials: []string{"T4-0002"}}, []string{"no slot of any bench has a path from each of the 8 connectors"}},
		{"deadline that has passed", paperLab(40, "26.5GHz"), Submission{Deadline: time.Unix(0, 0)}, []string{"the deadline 1970-01-01"}},
		{"same unit twice", paperLab(40, "26.5GHz"), Submission{Serials: []string{"T4-0001", "T4-0001"}}, []string{"twice"}},
		{"name without end", paperLab(40, "26.5GHz"), Submission{Name: strings.Repeat("ü", 201)}, []string{"the name of the campaign has 201 characters; up to 200 are kept"}},
		{"unknown type", paperLab(40, "26.5GHz"), Submission{Types: []string{"RU-X"}}, []string{"RU-X"}},
		{"carrier of another type", paperLab(40, "26.5GHz"), Submission{PlanDocument: []byte(strings.ReplaceAll(strings.ReplaceAll(shortPlan, "n78", "n1"), "100MHz", "20MHz"))}, []string{"RU-T4"}},
		{"unknown option", bytes.Replace(paperLab(40, "26.5GHz"), []byte("type: 1-C, "), []byte("type: 1-C, options: [\"coexistence:n999\"], "), 1), Submission{},
			[]string{"T4-0001", `unknown option "coexistence:n999"`}},
		{"plan that cannot be read", paperLab(40, "26.5GHz"), Submission{PlanDocument: []byte("plan: x\ntests:\n  - {claus: 6.2}\n")}, []string{"short.yaml:3:"}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			pool := benchPool(t)
			if _, _, err := lab.Apply(t.Context(), pool, "lab.yaml", c.lab, "ann"); err != nil {
				t.Fatal(err)
			}
			c.s.PlanFile, c.s.By = "short.yaml", "ann"
			if c.s.PlanDocument == nil {
				c.s.PlanDocument = []byte(shortPlan)
			}
			if c.s.Build == "" {
				c.s.Build = "2.4.0"
			}
			_, err := Submit(t.Context(), pool, c.s)
			var refused *RefusedError
			if !errors.As(err, &refused) {
				t.Fatalf("got %v, want a refusal", err)
			}
			for _, want := range c.want {
				if !strings.Contains(err.Error(), want) {
					t.Errorf("%q is missing in:\n%v", want, err)
				}
			}
			preview, err := Check(t.Context(), pool, c.s)
			if err != nil || !slices.Equal(preview.Problems, refused.Problems) {
				t.Errorf("the preview says %q, %v", preview.Problems, err)
			}
			for _, table := range []string{"campaign", "run", "plan_version", "run_segment"} {
				var rows int
				if err := pool.QueryRow(t.Context(), `SELECT count(*) FROM `+table).Scan(&rows); err != nil || rows != 0 {
					t.Errorf("%s has %d rows after a refusal, %v", table, rows, err)
				}
			}
		})
	}
}
