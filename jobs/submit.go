package jobs

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"benchyard/instruments/document"
	"benchyard/jobs/conformance"
	"benchyard/jobs/lab"
	"benchyard/jobs/plan"
	"benchyard/jobs/procedure"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// caseOverhead is added to the sweep time of a case in every estimate:
// transfer of traces and settling, from experience.
const caseOverhead = 20 * time.Millisecond

// order is a submission that was checked: everything that goes into the tables.
type order struct {
	id      uuid.UUID // of the campaign
	asked   Submission
	plan    *plan.Plan
	lab     *lab.Lab
	labID   int64
	units   []orderedUnit
	preview Preview
}

type orderedUnit struct {
	mount    *mount
	segments []plan.Segment
	cases    int
	estimate time.Duration
	setUp    setUp
	needs    needs
}

// Submit queues a campaign against the inventory in force. Before anything is
// queued, every unit is checked on the bench where it is mounted: whether the
// plan fits its type, whether its paths cover every frequency of the plan, whether
// the analyzer stands what it transmits, and whether it can gate TDD;
// a unit on the shelf, in every place it could be mounted in. It returns a *RefusedError with
// every problem when one unit could not be measured; then nothing is stored.
//
// With an idempotency key that was used before for the same submission, the
// campaign that was queued then is returned and nothing is queued; ErrReused
// says that it was used for another one.
func Submit(ctx context.Context, db DB, s Submission) (CampaignSummary, error) {
	if earlier, err := s.Once.find(ctx, db); err != nil {
		return CampaignSummary{}, err
	} else if earlier != uuid.Nil {
		return CampaignByID(ctx, db, earlier)
	}
	o, err := draft(ctx, db, s)
	if err != nil {
		return CampaignSummary{}, err
	}
	id := o.id
	err = transact(ctx, db, func(tx pgx.Tx) error {
		if id, err = s.Once.claim(ctx, tx, o.id); err != nil || id != o.id {
			return err
		}
		queued, err := o.insert(ctx, tx)
		if err != nil {
			return err
		}
		return emit(ctx, tx, queued)
	})
	if err != nil {
		return CampaignSummary{}, fmt.Errorf("jobs: submitting: %w", err)
	}
	return CampaignByID(ctx, db, id)
}

// draft checks a submission against the inventory in force. Nothing is stored
// yet: expanding a plan takes longer than a transaction should.
func draft(ctx context.Context, db DB, s Submission) (*order, error) {
	l, labID, err := lab.Load(ctx, db, 0)
	if err != nil {
		return nil, err
	}
	o := prepare(l, s, time.Now())
	o.labID, o.asked = labID, s
	if s.Build == "" {
		o.refuse(errors.New("the submission names no build"))
	}
	if len(o.preview.Problems) > 0 {
		return nil, &RefusedError{o.preview.Problems}
	}
	if o.id, err = uuid.NewV7(); err != nil {
		return nil, fmt.Errorf("jobs: submitting: %w", err)
	}
	return o, nil
}

// Check returns what Submit would queue, problems included, and stores nothing.
// Without a build, all but the build is checked.
func Check(ctx context.Context, db DB, s Submission) (Preview, error) {
	l, _, err := lab.Load(ctx, db, 0)
	if err != nil {
		return Preview{}, err
	}
	return CheckIn(l, s), nil
}

// CheckIn is Check against an inventory that is not stored.
func CheckIn(l *lab.Lab, s Submission) Preview { return prepare(l, s, time.Now()).preview }

// prepare expands and checks a submission. It collects every problem.
func prepare(l *lab.Lab, s Submission, now time.Time) *order {
	o := &order{lab: l}
	p, err := plan.Parse(s.PlanFile, s.PlanDocument)
	if err != nil {
		o.refuse(err)
		return o
	}
	o.plan = p
	for _, named := range []struct{ what, text string }{{"campaign", s.Name}, {"person who asks", s.By}} {
		if n := utf8.RuneCountInString(named.text); n > longestName {
			o.refuse(fmt.Errorf("the name of the %s has %d characters; up to %d are kept", named.what, n, longestName))
		}
	}
	o.preview.Plan, o.preview.Title, o.preview.PlanHash = p.Name, p.Title, p.Hash()
	if !s.Deadline.IsZero() && s.Deadline.Before(now) {
		o.refuse(fmt.Errorf("the deadline %s has passed", s.Deadline.Format(time.RFC3339)))
	}
	if s.Build != "" && len(l.Builds) > 0 && !slices.Contains(l.Builds, s.Build) {
		o.refuse(fmt.Errorf("build %s is not in the inventory of %s; it has %s", s.Build, l.Name, strings.Join(l.Builds, ", ")))
	}
	byType := map[string][]*mount{}
	for _, m := range o.choose(s) {
		if byType[m.unit.Type] == nil {
			o.preview.Types = append(o.preview.Types, TypePreview{Type: m.unit.Type})
		}
		byType[m.unit.Type] = append(byType[m.unit.Type], m)
	}
	for i := range o.preview.Types {
		t := &o.preview.Types[i]
		o.expand(t, byType[t.Type])
	}
	o.total()
	return o
}

// refuse adds an error to the problems; of a document, each of its own.
func (o *order) refuse(err error) {
	var problems document.Problems
	if errors.As(err, &problems) {
		for _, p := range problems {
			o.preview.Problems = append(o.preview.Problems, p.String())
		}
		return
	}
	o.preview.Problems = append(o.preview.Problems, err.Error())
}

// choose returns the units that the submission asks for, in the order of the
// inventory. Units on the shelf count only when they are named.
func (o *order) choose(s Submission) []*mount {
	for _, b := range s.Benches {
		if _, ok := o.lab.Bench(b); !ok {
			o.refuse(fmt.Errorf("bench %s is not in the inventory of %s", b, o.lab.Name))
		}
	}
	for _, t := range s.Types {
		if _, ok := o.lab.Type(t); !ok {
			o.refuse(fmt.Errorf("radio unit type %s is not in the inventory of %s", t, o.lab.Name))
		}
	}
	wanted := slices.Clone(s.Serials)
	if len(wanted) == 0 {
		for _, u := range o.lab.Units {
			if u.Mounted() && !u.ByHand() && (len(s.Types) == 0 || slices.Contains(s.Types, u.Type)) &&
				(len(s.Benches) == 0 || slices.Contains(s.Benches, u.Bench)) {
				wanted = append(wanted, u.Serial)
			}
		}
		if len(wanted) == 0 && len(o.preview.Problems) == 0 {
			o.refuse(errors.New("no unit on the benches asked for is of the types asked for"))
		}
	}
	var chosen []*mount
	for i, serial := range wanted {
		m, err := findPlace(o.lab, serial)
		switch {
		case slices.Contains(wanted[:i], serial):
			err = fmt.Errorf("%s is asked for twice", serial)
		case err == nil && len(s.Types) > 0 && !slices.Contains(s.Types, m.unit.Type):
			err = fmt.Errorf("%s is a %s, not of the types asked for", serial, m.unit.Type)
		case err == nil && len(s.Benches) > 0 && !slices.Contains(s.Benches, m.unit.Bench):
			err = fmt.Errorf("%s is on %s, not on the benches asked for", serial, m.unit.Bench)
		}
		if err != nil {
			o.refuse(err)
			continue
		}
		chosen = append(chosen, m)
	}
	return chosen
}

// expand works out the cases of one type and checks every unit of it.
func (o *order) expand(t *TypePreview, mounts []*mount) {
	cases, err := plan.Expand(o.plan, mounts[0].target())
	if err != nil {
		o.refuse(err)
		return
	}
	t.Segments = len(plan.Segments(cases))
	for _, m := range mounts {
		if m.places != nil {
			if err := m.settle(cases); err != nil {
				o.refuse(err)
			}
			continue
		}
		for _, problem := range m.check(cases, o.lab) {
			o.refuse(errors.New(problem))
		}
	}
	for _, c := range cases {
		t.Cases = append(t.Cases, previewCase(mounts[0], c))
		t.Estimate += t.Cases[len(t.Cases)-1].Estimate
	}
	segments := map[bool][]plan.Segment{} // by hand, they come in another order
	for _, m := range mounts {
		target := m.target()
		if segments[target.ByHand] == nil {
			own, err := plan.Expand(o.plan, target)
			if err != nil {
				o.refuse(err)
				return
			}
			segments[target.ByHand] = plan.Segments(own)
		}
		o.units = append(o.units, orderedUnit{m, segments[target.ByHand], len(cases), t.Estimate, m.setUp(cases), m.needs(cases)})
	}
	t.Units = len(mounts)
}

// targetOf tells a plan what it must know of a type.
func targetOf(t lab.RadioUnitType) plan.Target {
	target := plan.Target{Type: t.Name, Connectors: t.Connectors, Declaration: DeclarationOf(t)}
	for _, c := range t.Carriers {
		target.Carriers = append(target.Carriers, plan.Declared{Band: c.Band, Bandwidths: c.Bandwidths, SCS: c.SCS})
	}
	return target
}

// previewCase estimates a case; one that cannot be planned is among the
// problems already and takes no time here.
func previewCase(m *mount, c plan.Case) CasePreview {
	p := CasePreview{
		Key: c.Key, Clause: c.Clause, Band: c.Carrier.Band, RFChannel: string(c.Carrier.Channel),
		CarrierHz: float64(c.Carrier.Center), BandwidthHz: float64(c.Carrier.Bandwidth), SCSHz: float64(c.Carrier.SCS),
		Connector: c.Connector, TestModel: c.TestModel, Configuration: c.Configuration,
	}
	setup, err := m.setup(c)
	if err != nil {
		return p
	}
	if planned, err := procedure.Plan(c.Clause, setup); err == nil {
		p.Sweeps, p.Estimate = len(planned), procedure.Duration(planned)+caseOverhead
	}
	return p
}

func (o *order) total() {
	busy := map[string]time.Duration{}
	for _, u := range o.units {
		o.preview.Cases += u.cases
		shown := UnitPreview{Serial: u.mount.unit.Serial, Type: u.mount.unit.Type, Cases: u.cases, Estimate: u.estimate, Fits: u.mount.fits}
		if u.mount.fits == nil {
			shown.Bench, shown.Slot = u.mount.unit.Bench, u.mount.unit.Slot
		}
		o.preview.Units = append(o.preview.Units, shown)
		busy[u.mount.unit.Bench] += u.estimate
		o.preview.Estimate = max(o.preview.Estimate, busy[u.mount.unit.Bench])
	}
}

// insert writes the order and returns the event of it, which is still to be
// emitted. The rows of a unit stand together, in queue order.
func (o *order) insert(ctx context.Context, tx pgx.Tx) (change, error) {
	s := o.asked
	planID, err := insertPlan(ctx, tx, o.plan, s)
	if err != nil {
		return change{}, err
	}
	title := cmp.Or(s.Name, o.plan.Title, o.plan.Name)
	var batch pgx.Batch
	batch.Queue(`INSERT INTO build (name) VALUES ($1) ON CONFLICT DO NOTHING`, s.Build)
	batch.Queue(`INSERT INTO campaign (id, name, plan_id, lab_id, build, simulated, limit_set, priority, requested_by, deadline)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)`,
		o.id, title, planID, o.labID, s.Build, o.lab.Simulated, conformance.LimitSet(), cmp.Or(s.Priority, DefaultPriority), s.By, s.deadline())
	if err = tx.SendBatch(ctx, &batch).Close(); err == nil {
		err = o.insertRuns(ctx, tx)
	}
	return change{kind: campaignEvent, campaign: &o.id, body: eventBody{State: Queued, By: s.By, Text: title}}, err
}

func insertPlan(ctx context.Context, tx pgx.Tx, p *plan.Plan, s Submission) (id int64, err error) {
	err = tx.QueryRow(ctx, `
		INSERT INTO plan_version (name, content_hash, document, created_by) VALUES ($1, $2, $3, $4)
		ON CONFLICT (content_hash) DO UPDATE SET content_hash = excluded.content_hash
		RETURNING id`, p.Name, p.Hash(), string(s.PlanDocument), s.By).Scan(&id)
	return id, err
}

// rows returns the row of one run and those of its segments. Its bench is where the
// unit is mounted; a unit on the shelf has none yet.
func (u orderedUnit) rows(campaign uuid.UUID) (run []any, segments [][]any, err error) {
	id, err := uuid.NewV7() // rises, so that it keeps the queue order
	if err != nil {
		return nil, nil, err
	}
	bench, fits := &u.mount.unit.Bench, []byte(nil)
	if u.mount.fits != nil {
		bench = nil
		if fits, err = json.Marshal(u.mount.fits); err != nil {
			return nil, nil, err
		}
	}
	for _, s := range u.segments {
		segments = append(segments, []any{id, s.Number, s.Title, len(s.Cases)})
	}
	return []any{id, campaign, u.mount.unit.Serial, u.mount.unit.Type, bench, u.cases, u.estimate.Seconds(),
		fits == nil && u.mount.bench.GoldenUnit == u.mount.unit.Serial, u.setUp, u.needs, fits}, segments, nil
}

// insertRuns copies the rows of all units, in queue order: a campaign may have very
// many.
func (o *order) insertRuns(ctx context.Context, tx pgx.Tx) error {
	var runs, segments [][]any
	for _, u := range o.units {
		run, parts, err := u.rows(o.id)
		if err != nil {
			return err
		}
		runs, segments = append(runs, run), append(segments, parts...)
	}
	_, err := tx.CopyFrom(ctx, pgx.Identifier{"run"}, []string{"id", "campaign_id", "serial", "unit_type", "bench", "cases", "estimate_s", "golden",
		"set_up", "needs", "fits"}, pgx.CopyFromRows(runs))
	if err == nil {
		_, err = tx.CopyFrom(ctx, pgx.Identifier{"run_segment"}, []string{"run_id", "number", "title", "cases"}, pgx.CopyFromRows(segments))
	}
	return err
}
