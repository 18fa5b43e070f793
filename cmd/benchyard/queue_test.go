package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"benchyard/jobs/postgres"
	"benchyard/server/api"
)

func TestQueueCommands(t *testing.T) {
	url := postgres.TestURL(t)
	file := inventory(t)
	document, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	var lines []string
	for _, line := range strings.Split(string(document), "\n") {
		if strings.Contains(line, "serial: T4-0002,") {
			line = line[:strings.Index(line, ", bench:")] + "}"
		}
		lines = append(lines, line)
	}
	shelf := filepath.Join(t.TempDir(), "shelf.yaml")
	if err := os.WriteFile(shelf, []byte(strings.Join(lines, "\n")), 0o600); err != nil {
		t.Fatal(err)
	}
	command(t, exitDone, "lab", "apply", shelf, "--database-url", url)
	plan := demoPlanFile(t)
	preview, _ := command(t, exitDone, "campaign", "submit", plan, "--build", "2.5.0", "--units", "T4-0002", "--dry-run", "--format", "csv", "--database-url", url)
	if !strings.Contains(preview, "T4-0002,RU-T4,shelf,–,") {
		t.Errorf("preview of a unit on the shelf:\n%s", preview)
	}
	command(t, exitDone, "campaign", "submit", plan, "--build", "2.5.0", "--units", "T4-0001", "--database-url", url)
	command(t, exitDone, "campaign", "submit", plan, "--build", "2.5.0", "--units", "T4-0001,T4-0002", "--priority", "urgent", "--requester", "eve",
		"--deadline", "2999-01-01T00:00:00+01:00", "--database-url", url)
	out, _ := command(t, exitDone, "queue", "list", "--format", "json", "--database-url", url)
	var runs []api.QueuedRun
	if err := json.Unmarshal([]byte(out), &runs); err != nil || len(runs) != 3 {
		t.Fatalf("%d runs wait, %v: %s", len(runs), err, out)
	}
	if first := runs[0]; first.Priority != "urgent" || first.Requester != "eve" || first.Position != 1 || first.Waits != "next" || first.Deadline == nil || first.SetUp != "n78" {
		t.Errorf("first: %+v", first)
	}
	if second := runs[1]; second.Position != 2 || !strings.Contains(second.Waits, "higher priority") {
		t.Errorf("second: %+v", second)
	}
	if last := runs[2]; last.Bench != "" || last.Position != 0 || last.Waits != "T4-0002 is on the shelf: mount it" {
		t.Errorf("on the shelf: %+v", last)
	}
	if out, _ := command(t, exitDone, "queue", "--format", "csv", "--database-url", url); strings.Count(out, "\n") != 4 {
		t.Errorf("as CSV:\n%s", out)
	}
	out, _ = command(t, exitDone, "queue", "mount", "--format", "json", "--database-url", url)
	var list api.Queue
	if err := json.Unmarshal([]byte(out), &list); err != nil || len(list.Mount) != 1 || list.Mount[0].Serial != "T4-0002" || list.Mount[0].Slot == 0 {
		t.Errorf("to mount: %s", out)
	}
}
