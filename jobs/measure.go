package jobs

import (
	"context"
	"fmt"
	"slices"
	"time"

	"benchyard/jobs/conformance"
	"benchyard/jobs/plan"
	"benchyard/jobs/procedure"
	"benchyard/jobs/results"
)

// taken is a case while it is measured.
type taken struct {
	plan.Case
	doing  string // for people
	record results.Case
	setup  procedure.Setup
	traces []procedure.Trace
	muted  []procedure.Planned // still to be swept, with the unit muted
	judged bool
	failed error
}

// takeAll takes what cases of a segment need the carrier for, and judges
// those that need no more while the next one is swept. It returns the cases it came
// to: those before the first one that something went wrong with.
func (t *tenure) takeAll(ctx context.Context, s *segment, cases []plan.Case) ([]taken, error) {
	all := make([]taken, 0, len(cases)) // never grows: the marking has pointers into it
	marking := openMarking(func(k *taken) error { return k.judge(s.plan.Rule) })
	err := func() error {
		defer marking.close()
		for _, c := range cases {
			if err := t.interrupted(ctx); err != nil {
				return err
			}
			k := taken{Case: c, doing: s.doing("case", c)}
			if err := t.sweepCase(ctx, s, &k); err != nil {
				return fmt.Errorf("%s: %w", c.Key, err)
			}
			all = append(all, k)
			if len(k.muted) == 0 && !marking.take(&all[len(all)-1]) {
				return nil // of what it failed at, see below
			}
		}
		return nil
	}()
	if at, failed := marking.failure(); failed != nil { // it came first, whatever happened at the analyzer since
		return all[:slices.IndexFunc(all, func(k taken) bool { return k.Key == at })], fmt.Errorf("%s: %w", at, failed)
	}
	return all, err
}

// doing says what is measured of a case of the segment.
func (s *segment) doing(what string, c plan.Case) string {
	return fmt.Sprintf("%s %d of %d: %s %s %s %s, connector %d", what, c.Position, s.total, c.Clause, c.Carrier.Band, c.Carrier.Bandwidth, c.Carrier.Channel, c.Connector)
}

// takeFloors sweeps the noise floors that cases wait for and judges these. The
// one it fails at becomes an error; others keep what they have.
func (t *tenure) takeFloors(ctx context.Context, s *segment, all []taken) error {
	for i := range all {
		k := &all[i]
		if k.judged {
			continue
		}
		if err := t.interrupted(ctx); err != nil {
			return err
		}
		t.setActivity(ctx, Measuring, s.doing("noise floor of case", k.Case), &s.run)
		start := time.Now()
		floor, err := t.rig.acquireFloor(ctx, s.mount, k.muted)
		if err == nil {
			k.traces = append(k.traces, floor...)
			err = k.judge(s.plan.Rule)
		}
		if k.record.Duration += time.Since(start); err != nil {
			k.failed = fmt.Errorf("%s: %w", k.Key, err)
			return k.failed
		}
	}
	return nil
}

// sweepCase tunes and sweeps one case.
func (t *tenure) sweepCase(ctx context.Context, s *segment, k *taken) error {
	start := time.Now()
	k.record = describe(k.Case)
	k.record.MeasuredAt = t.agent.Clock()
	var err error
	if k.setup, err = s.mount.setup(k.Case); err != nil {
		return err
	}
	if err := t.tune(ctx, s, k.Case, k.setup); err != nil {
		return err
	}
	t.setActivity(ctx, Measuring, k.doing, &s.run)
	planned, err := procedure.Plan(k.Clause, k.setup)
	if err != nil {
		return err
	}
	n := 0
	for n < len(planned) && !planned[n].Muted {
		n++
	}
	k.muted = planned[n:]
	if conformance.IsHealth(k.Clause) {
		k.traces, err = t.acquireHealth(ctx, s, k, planned)
	} else {
		k.traces, err = t.rig.acquire(ctx, s.mount, planned[:n])
	}
	if err != nil {
		return err
	}
	k.record.Duration = time.Since(start)
	return nil
}

// judge computes and judges what was swept.
func (k *taken) judge(rule conformance.DecisionRule) error {
	found, err := judge(k.Clause, k.setup, k.traces, rule)
	if err != nil {
		return err
	}
	k.record.Results, k.record.Traces, k.record.Verdict = found, evidence(k.traces), worst(found)
	k.judged = true
	return nil
}

// recordOf is the record of a case; one whose floor was not reached is not run.
func (t *tenure) recordOf(k taken) results.Case {
	switch {
	case k.judged:
		return k.record
	case k.failed != nil:
		return t.unmeasured(k.Case, conformance.ErrorVerdict, k.failed.Error())
	}
	return t.unmeasured(k.Case, conformance.NotRun, "")
}
