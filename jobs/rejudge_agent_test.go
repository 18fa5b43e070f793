package jobs

import (
	"context"
	"errors"
	"testing"
	"time"

	"benchyard/jobs/results"
)

func (m *measuredLab) awaitJudgement(j results.Judgement) results.Judgement {
	m.t.Helper()
	within(m.t, time.Minute, "the end of the judgement", func() bool {
		j = judgement(m.t, m.pool, j.ID)
		return j.Ended()
	})
	return j
}

// An agent works on tickets, beside its benches.
func TestAgentJudgesAgain(t *testing.T) {
	m := newMeasuredLab(t)
	j, err := AskJudgement(t.Context(), m.pool, Rejudge{All: true, Reason: "r", By: "ann", Queue: true})
	if err != nil || j.State != "queued" {
		t.Fatalf("%+v, %v", j, err)
	}
	if alive, err := AgentAlive(t.Context(), m.pool); err != nil || alive {
		t.Errorf("an agent is alive: %v, %v", alive, err)
	}
	m.start("b", nil)
	if j = m.awaitJudgement(j); j.Done != 2 || j.Changed != 0 {
		t.Errorf("%+v", j)
	}
	if n := m.count(`SELECT count(*) FROM event WHERE kind = 'judgement'`); n != 2 {
		t.Errorf("%d events, want one of the request and one of the end", n)
	}
	runs, err := results.JudgementRuns(t.Context(), m.pool, j.ID)
	if err != nil || runs[0].Program != "test" {
		t.Errorf("%+v, %v; want the version of the agent", runs, err)
	}
	within(t, time.Minute, "a lease", func() bool {
		alive, err := AgentAlive(t.Context(), m.pool)
		return err == nil && alive
	})
}

// What was stored before an interruption stays; an agent finishes the rest
// without a ticket, every run once.
func TestInterruptedJudgementGoesOn(t *testing.T) {
	m := newMeasuredLab(t)
	j, err := AskJudgement(t.Context(), m.pool, Rejudge{All: true, Reason: "r", By: "ann"})
	if err != nil {
		t.Fatal(err)
	}
	tx, err := m.pool.Begin(t.Context()) // keeps one run from being stored
	if err != nil {
		t.Fatal(err)
	}
	if _, err := tx.Exec(t.Context(), `SELECT 1 FROM judgement_run WHERE run_id = $1 FOR UPDATE`, m.runs["T4-0001"]); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error)
	go func() { ended <- WorkJudgement(ctx, m.pool, nil, j.ID, "first", testLogger(t)) }()
	within(t, time.Minute, "the first run", func() bool { return judgement(t, m.pool, j.ID).Done == 1 })
	cancel()
	if err := <-ended; !errors.Is(err, context.Canceled) {
		t.Errorf("interrupted: %v", err)
	}
	if err := tx.Rollback(t.Context()); err != nil {
		t.Fatal(err)
	}
	if j = judgement(t, m.pool, j.ID); j.State != "active" || j.Done != 1 {
		t.Fatalf("%+v; want one run left", j)
	}
	m.start("b", nil)
	if j = m.awaitJudgement(j); j.Done != 2 || j.Errors != 0 || j.Changed != 0 {
		t.Errorf("%+v", j)
	}
	if n := m.count(`SELECT count(DISTINCT program_version) FROM judgement_run`); n != 2 {
		t.Errorf("%d programs judged, want both", n)
	}
	if n := m.count(`SELECT count(*) FROM judgement_measurement`); n != j.Figures {
		t.Errorf("%d figures stored, %d counted", n, j.Figures)
	}
}

// A batch in the hands of one process is left alone by others.
func TestABatchIsWorkedOnOnce(t *testing.T) {
	m := newMeasuredLab(t)
	j, err := AskJudgement(t.Context(), m.pool, Rejudge{All: true, Reason: "r", By: "ann"})
	if err != nil {
		t.Fatal(err)
	}
	release, ours, err := holdBatch(t.Context(), m.pool, judgementTicket{j.ID, 1})
	if err != nil || !ours {
		t.Fatal(ours, err)
	}
	if ours, err := workBatch(t.Context(), m.pool, nil, judgementTicket{j.ID, 1}, "test", 1, testLogger(t)); ours || err != nil {
		t.Errorf("worked on although another holds it: %v, %v", ours, err)
	}
	if j = judgement(t, m.pool, j.ID); j.Done != 0 || j.Ended() {
		t.Errorf("%+v", j)
	}
	release()
	if again := m.work(j.ID); again.Done != 2 || !again.Ended() {
		t.Errorf("%+v", again)
	}
}

// A stopping agent does not wait for a batch; the next one goes on.
func TestStoppingAgentLeavesTheRest(t *testing.T) {
	m := newMeasuredLab(t)
	tx, err := m.pool.Begin(t.Context()) // keeps every run from being stored
	if err != nil {
		t.Fatal(err)
	}
	mustExec(t, tx, `LOCK TABLE judgement_measurement IN SHARE MODE`)
	j, err := AskJudgement(t.Context(), m.pool, Rejudge{All: true, Reason: "r", By: "ann", Queue: true})
	if err != nil {
		t.Fatal(err)
	}
	a := m.start("b", nil)
	within(t, time.Minute, "the judging to begin", func() bool {
		return m.count(`SELECT count(*) FROM pg_locks WHERE NOT granted AND relation = 'judgement_measurement'::regclass`) > 0
	})
	began := time.Now()
	m.stop(a)
	if took := time.Since(began); took > 15*time.Second {
		t.Errorf("stopping took %s", took)
	}
	if err := tx.Rollback(t.Context()); err != nil {
		t.Fatal(err)
	}
	if j = judgement(t, m.pool, j.ID); j.Done != 0 || j.State != "active" {
		t.Errorf("%+v", j)
	}
	m.start("c", nil)
	if j = m.awaitJudgement(j); j.Done != 2 || j.Errors != 0 {
		t.Errorf("%+v", j)
	}
}
