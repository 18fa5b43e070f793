package jobs

import (
	"errors"
	"strings"
	"testing"

	"benchyard/jobs/lab"

	"github.com/google/uuid"
)

// plans sets both stage plans of RU-T4: one case of power first, then the short plan.
func (d *office) plans() {
	d.t.Helper()
	for stage, body := range map[string]string{SmokeStage: onePower, FullStage: shortPlan} {
		if err := SetStagePlan(d.t.Context(), d.pool, "RU-T4", stage, stage+".yaml", []byte(body), "ann"); err != nil {
			d.t.Fatal(err)
		}
	}
}

func (d *office) announce(build string) BuildStatus {
	d.t.Helper()
	b, err := AnnounceBuild(d.t.Context(), d.pool, Announcement{Build: build, Type: "RU-T4", By: "ci"})
	if err != nil {
		d.t.Fatal(err)
	}
	return b
}

// stages returns "name state" of each stage, and the state of the build.
func (d *office) stages(id uuid.UUID) (states string, b BuildStatus) {
	d.t.Helper()
	b, err := BuildByID(d.t.Context(), d.pool, id)
	if err != nil {
		d.t.Fatal(err)
	}
	for _, s := range b.Stages {
		states += s.Name + " " + s.State + ", "
	}
	return states + b.State, b
}

func TestBuildGoesThroughItsStages(t *testing.T) {
	d := newDesk(t)
	d.plans()
	b := d.announce("2.5.0")
	if got, _ := d.stages(b.ID); got != "smoke active, full waiting, active" || b.Stages[0].Plan != "one" || b.Stages[1].Plan != "short" {
		t.Fatalf("announced: %s, %+v", got, b)
	}
	d.at(0)
	if got, _ := d.stages(b.ID); got != "smoke active, full waiting, active" {
		t.Fatalf("while it is measured: %s", got)
	}
	d.end("pass")
	d.at(0)
	d.at(0)
	got, b := d.stages(b.ID)
	if got != "smoke passed, full active, active" {
		t.Fatalf("after the smoke stage: %s", got)
	}
	full, err := CampaignByID(t.Context(), d.pool, *b.Stages[1].Campaign)
	if err != nil || full.Plan != "short" || full.Build != "2.5.0" || full.Units != 1 || full.RequestedBy != "ci" || full.Name != "2.5.0 RU-T4 full" {
		t.Errorf("full campaign %+v, %v", full, err)
	}
	d.end("conditional pass")
	d.at(0)
	if got, b = d.stages(b.ID); got != "smoke passed, full passed, passed" || b.EndedAt == nil || d.count(`SELECT count(*) FROM campaign`) != 2 {
		t.Errorf("at the end: %s", got)
	}
	if again := d.announce("2.5.0"); again.ID == b.ID { // it may be tried again
		t.Error("announced again, it is the same")
	}
}

func TestBuildStopsWithTheReason(t *testing.T) {
	d := newDesk(t)
	d.plans()
	for verdict, says := range map[string]string{"fail": "0 of 1 units passed: T4-0001 fail", "error": "T4-0001 error"} {
		b := d.announce("2.5.0")
		d.end(verdict)
		d.at(0)
		got, b := d.stages(b.ID)
		if got != "smoke failed, full not started, stopped" || !strings.Contains(b.Stages[0].Reason, says) || !strings.Contains(b.Stages[1].Reason, "smoke stage failed") {
			t.Errorf("%s: %s, %+v", verdict, got, b.Stages)
		}
	}
	b := d.announce("2.5.0")
	if _, err := Cancel(t.Context(), d.pool, *b.Stages[0].Campaign, "bob"); err != nil {
		t.Fatal(err)
	}
	d.at(0)
	if got, b := d.stages(b.ID); !strings.HasPrefix(got, "smoke failed") || !strings.Contains(b.Stages[0].Reason, "cancelled by bob") {
		t.Errorf("cancelled: %s, %+v", got, b.Stages)
	}
	// The unit leaves the lab while the smoke stage runs.
	b = d.announce("2.5.0")
	gone := strings.ReplaceAll(string(paperLab(40, "26.5GHz")), "T4-0001", "T4-0099")
	if _, _, err := lab.Apply(t.Context(), d.pool, "lab.yaml", []byte(gone), "ann"); err != nil {
		t.Fatal(err)
	}
	d.end("pass")
	d.at(0)
	if got, b := d.stages(b.ID); got != "smoke passed, full not started, stopped" || !strings.Contains(b.Stages[1].Reason, "T4-0001") {
		t.Errorf("gone: %s, %+v", got, b.Stages)
	}
}

func TestBuildIsRefused(t *testing.T) {
	d := newDesk(t)
	announce := func(a Announcement) error { _, err := AnnounceBuild(t.Context(), d.pool, a); return err }
	for says, a := range map[string]Announcement{
		"benchyard build plan":          {Build: "2.5.0", Type: "RU-T4"},
		`type "RU-X" is not in the inv`: {Build: "2.5.0", Type: "RU-X"},
		"names no build":                {Build: " ", Type: "RU-T4"},
	} {
		var refused *RefusedError
		if err := announce(a); !errors.As(err, &refused) || !strings.Contains(err.Error(), says) {
			t.Errorf("%+v: %v, want %q", a, err, says)
		}
	}
	d.plans()
	if err := announce(Announcement{Build: "9.9.9", Type: "RU-T4"}); err == nil || !strings.Contains(err.Error(), "smoke plan: build 9.9.9 is not in the inventory") {
		t.Errorf("a build that the inventory does not have: %v", err)
	}
	first := Announcement{Build: "2.5.0", Type: "RU-T4", Once: Once{Operation: "build", Key: "job 7", Hash: [32]byte{7}}}
	if err := announce(first); err != nil {
		t.Fatal(err)
	}
	if err := announce(first); err != nil {
		t.Errorf("the same request again: %v", err)
	}
	if err := announce(Announcement{Build: "2.5.0", Type: "RU-T4"}); !errors.Is(err, ErrUnderWay) {
		t.Errorf("another request for the same: %v", err)
	}
	if n := d.count(`SELECT count(*) FROM announcement`); n != 1 {
		t.Errorf("%d announcements", n)
	}
	for says, c := range map[string]struct{ kind, stage, body string }{
		"RU-X is not in": {"RU-X", SmokeStage, shortPlan}, `not "middle"`: {"RU-T4", "middle", shortPlan}, "p.yaml:1": {"RU-T4", SmokeStage, "nonsense: 1\n"},
		"n1": {"RU-T4", SmokeStage, strings.ReplaceAll(strings.ReplaceAll(shortPlan, "n78", "n1"), "100MHz", "20MHz")},
	} {
		err := SetStagePlan(t.Context(), d.pool, c.kind, c.stage, "p.yaml", []byte(c.body), "ann")
		if err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("plan for %s %s: %v, want %q", c.kind, c.stage, err, says)
		}
	}
	if all, err := StagePlans(t.Context(), d.pool); err != nil || len(all) != 2 || all[0].Stage != SmokeStage || all[0].Plan != "one" {
		t.Errorf("plans %+v, %v", all, err)
	}
}

// A golden unit is kept as it is: no new build is tried on it.
func TestBuildLeavesGoldenUnitsAlone(t *testing.T) {
	d := newDesk(t)
	d.plans()
	golden := strings.Replace(string(paperLab(40, "26.5GHz")), "{name: bench-1, analyzer:", "{golden_unit: T4-0001, golden_every: 24h, name: bench-1, analyzer:", 1)
	if _, _, err := lab.Apply(t.Context(), d.pool, "lab.yaml", []byte(golden), "ann"); err != nil {
		t.Fatal(err)
	}
	_, err := AnnounceBuild(t.Context(), d.pool, Announcement{Build: "2.5.0", Type: "RU-T4"})
	if err == nil || !strings.Contains(err.Error(), "no unit of type RU-T4 is mounted, but for golden units") {
		t.Errorf("%v", err)
	}
}
