package jobs

import (
	"context"
	"errors"
	"fmt"
	"runtime/debug"
	"strings"
	"sync"

	"benchyard/instruments/document"
	"benchyard/jobs/blob"
	"benchyard/jobs/conformance"
	"benchyard/jobs/lab"
	"benchyard/jobs/plan"
	"benchyard/jobs/procedure"
	"benchyard/jobs/results"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
)

// rejudger judges the runs of one judgement. It touches no instrument, so any
// number of goroutines may use it at once.
type rejudger struct {
	pool        *pgxpool.Pool
	store       *blob.Store
	judgement   results.Judgement
	limits      *conformance.Set
	corrections *lab.Lab // nil: those of each campaign
	program     string

	mu    sync.Mutex
	labs  map[int64]*lab.Lab // versions never change
	plans map[int64]*plan.Plan
}

// Why this program cannot judge as it was asked, whatever the run.
var (
	errOtherLimits    = errors.New("this program has other limits")
	errOtherInventory = errors.New("this program cannot read the inventory whose corrections count")
)

// openJudgement brings back what a judgement was asked with.
func openJudgement(ctx context.Context, pool *pgxpool.Pool, store *blob.Store, id uuid.UUID, program string) (*rejudger, error) {
	j, err := results.JudgementByID(ctx, pool, id)
	if err != nil {
		return nil, err
	}
	r := &rejudger{pool: pool, store: store, judgement: j, program: program, labs: map[int64]*lab.Lab{}, plans: map[int64]*plan.Plan{}}
	if j.Ended() {
		return r, nil
	}
	texts, err := results.TextsOf(ctx, pool, id)
	if err != nil {
		return nil, err
	}
	var document []byte
	if texts.Limits != nil {
		document = []byte(*texts.Limits)
	}
	if r.limits, err = limitsWith(j.LimitsFile, document); err != nil {
		return r, fmt.Errorf("%w: %s: %w", errOtherLimits, j.LimitsFile, err)
	}
	if name := r.limits.Name(); name != j.LimitSet {
		return r, fmt.Errorf("%w: asked was %q, it has %q; ask again with this program", errOtherLimits, j.LimitSet, name)
	}
	switch {
	case texts.Lab != nil:
		r.corrections, err = lab.Parse(j.LabFile, []byte(*texts.Lab))
	case j.LabID != nil:
		r.corrections, err = r.lab(ctx, *j.LabID)
	}
	if unreadable(err) {
		err = fmt.Errorf("%w: %w", errOtherInventory, err)
	}
	return r, err
}

// unreadable reports whether an inventory was refused for what it says: asking
// the database again would not help.
func unreadable(err error) bool {
	var problems document.Problems
	return errors.As(err, &problems) || errors.Is(err, lab.ErrNoLab)
}

// unjudgeable is a reason within one run why it cannot be judged again. Other
// errors are those of the database.
type unjudgeable struct{ error }

func (u unjudgeable) Unwrap() error { return u.error }

// judgeRun judges one run and stores what came of it, all or nothing, in one
// transaction. Only an error of the surroundings is returned.
func (r *rejudger) judgeRun(ctx context.Context, run uuid.UUID) error {
	cases, verdict, err := r.judgeAll(ctx, run)
	var reason unjudgeable
	if err != nil && !errors.As(err, &reason) {
		return fmt.Errorf("jobs: judging run %s again: %w", run, err)
	}
	if reason.error == nil {
		err = transact(ctx, r.pool, func(tx pgx.Tx) error {
			_, err := results.StoreJudgedRun(ctx, tx, r.judgement.ID, run, cases, verdict, r.program)
			return err
		})
		if errors.Is(err, results.ErrUnstorable) { // else it would wait for ever, and the others with it
			reason.error = err
		}
	}
	if reason.error != nil {
		err = transact(ctx, r.pool, func(tx pgx.Tx) error {
			why := strings.ReplaceAll(reason.Error(), "\x00", "") // no text column takes it
			_, err := results.StoreUnjudgedRun(ctx, tx, r.judgement.ID, run, why, r.program)
			return err
		})
	}
	if err != nil {
		return fmt.Errorf("jobs: judging run %s again: %w", run, err)
	}
	return nil
}

// measuredRun is what the tables say about a run to be judged again.
type measuredRun struct {
	Serial   string
	State    State
	Failed   bool // the run as a whole is in error, whatever its cases say
	Planned  int
	PlanID   int64
	LabID    int64
	Document string
}

// judgeAll judges every case of a run that was judged before. Cases in error,
// aborted or not run stay what they are.
func (r *rejudger) judgeAll(ctx context.Context, run uuid.UUID) (cases []results.Rejudged, verdict conformance.Verdict, err error) {
	defer func() {
		if p := recover(); p != nil {
			err = unjudgeable{fmt.Errorf("panic: %v\n%s", p, debug.Stack())}
		}
	}()
	var m measuredRun
	err = r.pool.QueryRow(ctx, `
		SELECT r.serial, r.state, r.error IS NOT NULL, r.cases, p.id, coalesce(r.lab_id, c.lab_id), p.document
		FROM run r JOIN campaign c ON c.id = r.campaign_id JOIN plan_version p ON p.id = c.plan_id WHERE r.id = $1`, run).
		Scan(&m.Serial, &m.State, &m.Failed, &m.Planned, &m.PlanID, &m.LabID, &m.Document)
	if err != nil {
		return nil, "", err
	}
	stored, err := results.EvidenceOf(ctx, r.pool, r.store, run)
	if err != nil {
		return nil, "", err
	}
	bench, err := r.recall(ctx, m)
	if err != nil {
		return nil, "", err
	}
	places := map[int64]recalled{0: bench} // a run that went on elsewhere was measured in several
	var verdicts []conformance.Verdict
	for _, e := range stored {
		if !judgedOnce(e.Verdict) {
			if e.Last {
				verdicts = append(verdicts, e.Verdict)
			}
			continue
		}
		if _, known := places[e.Lab]; !known {
			other := m
			other.LabID = e.Lab
			if places[e.Lab], err = r.recall(ctx, other); err != nil {
				return nil, "", err
			}
		}
		found, err := r.judgeCase(places[e.Lab], e)
		if err != nil {
			return nil, "", unjudgeable{fmt.Errorf("%s: %w", e.Key, err)}
		}
		cases = append(cases, results.Rejudged{Case: e.ID, Results: found})
		if e.Last {
			verdicts = append(verdicts, worst(found))
		}
	}
	return cases, m.verdict(verdicts), nil
}

func judgedOnce(v conformance.Verdict) bool {
	switch v {
	case conformance.Pass, conformance.ConditionalPass, conformance.ConditionalFail, conformance.Fail:
		return true
	}
	return false
}

// verdict is that of a run whose cases have these verdicts, as closing a run has it.
func (m measuredRun) verdict(cases []conformance.Verdict) conformance.Verdict {
	switch {
	case m.State == Cancelled:
		return conformance.Aborted
	case m.Failed:
		return conformance.ErrorVerdict
	case len(cases) < m.Planned:
		cases = append(cases, conformance.NotRun)
	}
	return conformance.Worst(cases)
}

// recalled is a run as it was measured: its cases, its place and its rule.
type recalled struct {
	mount *mount
	rule  conformance.DecisionRule
	cases map[string]plan.Case
}

// recall brings back what a run was measured with from the versions that its
// campaign names, in the way in which the run loop found it.
func (r *rejudger) recall(ctx context.Context, m measuredRun) (recalled, error) {
	l, err := r.lab(ctx, m.LabID)
	if unreadable(err) { // an error of this run; others were measured with other versions
		return recalled{}, unjudgeable{fmt.Errorf("the stored inventory: %w", err)}
	}
	if err != nil {
		return recalled{}, err
	}
	p, err := r.plan(m)
	if err != nil {
		return recalled{}, unjudgeable{fmt.Errorf("the stored plan: %w", err)}
	}
	k := recalled{rule: p.Rule, cases: map[string]plan.Case{}}
	if r.judgement.Rule != nil {
		k.rule = *r.judgement.Rule
	}
	if k.mount, err = findMount(l, m.Serial); err != nil {
		return k, unjudgeable{err}
	}
	cases, err := plan.Expand(p, k.mount.target())
	if err != nil {
		return k, unjudgeable{err}
	}
	for _, c := range cases {
		k.cases[c.Key] = c
	}
	return k, nil
}

// judgeCase judges the traces of one case.
func (r *rejudger) judgeCase(k recalled, e results.Evidence) ([]conformance.Result, error) {
	if e.Damage != nil {
		return nil, e.Damage
	}
	if len(e.Traces) == 0 {
		return nil, errors.New("its traces are missing: nothing to judge")
	}
	c, ok := k.cases[e.Key]
	if !ok {
		return nil, errors.New("this version of the program does not expand the plan to this case; judge it with the version that measured it")
	}
	setup, err := k.mount.setupWith(c, r.corrections)
	if err != nil {
		return nil, err
	}
	setup.Limits = r.limits
	return judge(c.Clause, setup, tracesOf(e.Traces), k.rule)
}

// setupWith is setup with the corrections of another inventory for the same
// place. The levels of the analyzer stay those of the measurement.
func (m *mount) setupWith(c plan.Case, corrections *lab.Lab) (procedure.Setup, error) {
	setup, err := m.setup(c)
	if err != nil || corrections == nil {
		return setup, err
	}
	if err := m.sameWay(c.Connector, corrections); err != nil {
		return setup, err
	}
	other := *m
	other.lab = corrections
	corrected, err := other.setup(c)
	corrected.Attenuation, corrected.ReferenceLevel = setup.Attenuation, setup.ReferenceLevel
	return corrected, err
}

// sameWay refuses an approved correction that was made for another path than the one
// that the case was measured along.
func (m *mount) sameWay(connector int, corrections *lab.Lab) error {
	was, ok := m.lab.PathFor(m.unit.Bench, m.unit.Slot, connector)
	is, found := corrections.PathFor(m.unit.Bench, m.unit.Slot, connector)
	if !ok || !found || is.Approved == nil || was.Approved != nil && was.Approved.ID == is.Approved.ID {
		return nil
	}
	place := PathPlace{is.Bench, is.Slot, is.Connector}
	if why := lab.Changed(is.Approved.Elements, was.Elements); why != "" && len(was.Elements) > 0 {
		return fmt.Errorf("the correction of %s was made for %s, the case was measured along %s", place,
			strings.Join(is.Approved.Elements, ", "), strings.Join(was.Elements, ", "))
	}
	if a := is.Approved.Analyzer; a != "" && a != m.analyzer.Name {
		return fmt.Errorf("the correction of %s was measured with the analyzer %s, the case with %s", place, a, m.analyzer.Name)
	}
	return nil
}

// tracesOf is the reverse of evidence.
func tracesOf(stored []results.Trace) []procedure.Trace {
	traces := make([]procedure.Trace, len(stored))
	for i, t := range stored {
		traces[i] = procedure.Trace{Role: t.Role, Sweep: t.Sweep, Spectrum: t.Spectrum, Unit: t.Unit}
	}
	return traces
}

func (r *rejudger) lab(ctx context.Context, id int64) (*lab.Lab, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if l := r.labs[id]; l != nil {
		return l, nil
	}
	l, _, err := lab.Load(ctx, r.pool, id)
	if err != nil {
		return nil, err
	}
	r.labs[id] = l
	return l, nil
}

func (r *rejudger) plan(m measuredRun) (*plan.Plan, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if p := r.plans[m.PlanID]; p != nil {
		return p, nil
	}
	p, err := plan.Parse("stored plan", []byte(m.Document))
	if err != nil {
		return nil, err
	}
	r.plans[m.PlanID] = p
	return p, nil
}
