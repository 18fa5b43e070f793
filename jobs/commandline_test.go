package jobs

import (
	"strings"
	"testing"

	"benchyard/instruments/sim"
	"benchyard/jobs/conformance"
)

// A run needs no line protocol: units on a command line are loaded, which starts
// them again, brought up, measured and muted; what was said to them is kept, without
// the password.
func TestRunsOverACommandLine(t *testing.T) {
	const password = "a secret of the lab"
	t.Setenv(sim.PasswordVariable, password)
	for _, over := range []string{"tcp", "ssh"} {
		t.Run(over, func(t *testing.T) {
			b := newTestBed(t, 1, func(c *sim.Config) {
				c.Access.Password = password
				for i := range c.Types {
					c.Types[i].CommandLine = over
				}
			})
			id := b.submitWith(Submission{PlanDocument: []byte(powerPlan), Serials: []string{"T4-0002"}, Build: "2.5.0"})["T4-0002"]
			b.start("a", nil)
			run := b.await(id)
			if run.State != Done || run.Verdict != conformance.Pass || run.CasesDone != 4 {
				t.Fatalf("run %+v", run)
			}
			b.mustBeClean()
			said := b.said(run)
			for _, line := range []string{"T4-0002\tsent\tload 2.5.0\n", "T4-0002\tsent\tput transmit on\n", "T4-0002\treceived\ttransmit off\n", "T4-0002\tnote\tconnected to "} {
				if !strings.Contains(said, line) {
					t.Errorf("the transcript has no %q", line)
				}
			}
			if strings.Contains(said, password) {
				t.Error("the transcript has the password")
			}
		})
	}
}

// said returns all transcripts of a run, one after the other.
func (b *testBed) said(r RunSummary) string {
	b.t.Helper()
	list, err := TranscriptsOf(b.t.Context(), b.pool, nil, r.ID)
	if err != nil {
		b.t.Fatal(err)
	}
	var all []byte
	for _, said := range list {
		if said.Lost != nil {
			b.t.Fatal(said.Lost)
		}
		all = append(all, said.Text...)
	}
	return string(all)
}
