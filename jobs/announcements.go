package jobs

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"benchyard/jobs/lab"
	"benchyard/jobs/plan"
)

// Stages of a build that was announced, in their order.
const (
	SmokeStage = "smoke" // short: is it worth while to go on?
	FullStage  = "full"
)

// ErrUnderWay is returned for a build that is going through its stages already.
var ErrUnderWay = errors.New("this build is going through its stages already")

// StagePlan is the plan of one stage for one type of radio unit.
type StagePlan struct {
	Type  string
	Stage string
	Plan  string // name
	Hash  string
	SetBy string
	SetAt time.Time
}

// SetStagePlan stores the plan that new builds of a type go through in a stage;
// builds that were announced before keep theirs. A plan that does not fit the
// type is refused with every problem.
func SetStagePlan(ctx context.Context, db DB, unitType, stage, file string, body []byte, by string) error {
	l, _, err := lab.Load(ctx, db, 0)
	if err != nil {
		return err
	}
	o := &order{lab: l}
	t, known := l.Type(unitType)
	if !known {
		o.refuse(fmt.Errorf("radio unit type %s is not in the inventory of %s", unitType, l.Name))
	}
	if stage != SmokeStage && stage != FullStage {
		o.refuse(fmt.Errorf("a stage is %s or %s, not %q", SmokeStage, FullStage, stage))
	}
	p, err := plan.Parse(file, body)
	if err == nil && known {
		_, err = plan.Expand(p, targetOf(t))
	}
	if err != nil {
		o.refuse(err)
	}
	if len(o.preview.Problems) > 0 {
		return &RefusedError{o.preview.Problems}
	}
	err = transact(ctx, db, func(tx pgx.Tx) error {
		id, err := insertPlan(ctx, tx, p, Submission{PlanDocument: body, By: by})
		if err != nil {
			return err
		}
		_, err = tx.Exec(ctx, `INSERT INTO stage_plan (unit_type, stage, plan_id, set_by) VALUES ($1, $2, $3, $4)
			ON CONFLICT (unit_type, stage) DO UPDATE SET plan_id = $3, set_by = $4, set_at = now()`, unitType, stage, id, by)
		if err != nil {
			return err
		}
		return emit(ctx, tx, change{kind: buildEvent, body: eventBody{Text: stage + " plan of " + unitType + " is " + p.Name, By: by}})
	})
	if err != nil {
		return fmt.Errorf("jobs: %s plan of %s: %w", stage, unitType, err)
	}
	return nil
}

// StagePlans returns every plan of a stage, by type.
func StagePlans(ctx context.Context, db DB) ([]StagePlan, error) {
	rows, err := db.Query(ctx, `SELECT s.unit_type, s.stage, p.name, p.content_hash, s.set_by, s.set_at
		FROM stage_plan s JOIN plan_version p ON p.id = s.plan_id ORDER BY s.unit_type, s.stage DESC`)
	if err != nil {
		return nil, fmt.Errorf("jobs: reading plans of stages: %w", err)
	}
	found, err := pgx.CollectRows(rows, pgx.RowToStructByPos[StagePlan])
	if err != nil {
		return nil, fmt.Errorf("jobs: reading plans of stages: %w", err)
	}
	return found, nil
}

// Announcement says that there is a new build for a type of radio unit.
type Announcement struct {
	Build    string
	Type     string
	By       string
	Priority int  // smaller goes first; zero means 100
	Once     Once // idempotency key; zero: none
}

// stage is one that an announcement is about to get.
type stage struct {
	name     string
	planID   int64
	document string
}

// AnnounceBuild starts the smoke plan of the type for every unit of it that is
// mounted, but for golden units, which are kept as they are; the full plan
// follows when all have passed. It returns a *RefusedError with every problem of
// either plan, ErrUnderWay, or what an earlier call with the same key returned.
func AnnounceBuild(ctx context.Context, db DB, a Announcement) (BuildStatus, error) {
	if earlier, err := a.Once.find(ctx, db); err != nil {
		return BuildStatus{}, err
	} else if earlier != uuid.Nil {
		return BuildByID(ctx, db, earlier)
	}
	stages, o, err := a.draft(ctx, db)
	if err != nil {
		return BuildStatus{}, err
	}
	id, err := uuid.NewV7()
	if err != nil {
		return BuildStatus{}, fmt.Errorf("jobs: announcing build %s: %w", a.Build, err)
	}
	made := id
	err = transact(ctx, db, func(tx pgx.Tx) error {
		if made, err = a.Once.claim(ctx, tx, id); err != nil || made != id {
			return err
		}
		return a.insert(ctx, tx, id, stages, o)
	})
	var broken *pgconn.PgError
	if errors.As(err, &broken) && broken.ConstraintName == "announcement_active" {
		err = ErrUnderWay
	}
	if err != nil {
		return BuildStatus{}, fmt.Errorf("jobs: announcing build %s for %s: %w", a.Build, a.Type, err)
	}
	return BuildByID(ctx, db, made)
}

// draft finds the plans and checks both; the order is that of the first.
func (a Announcement) draft(ctx context.Context, db DB) ([]stage, *order, error) {
	l, _, err := lab.Load(ctx, db, 0)
	if err != nil {
		return nil, nil, err
	}
	var problems []string
	if n := utf8.RuneCountInString(a.Build); n > longestName {
		problems = append(problems, fmt.Sprintf("the name of the build has %d characters; up to %d are kept", n, longestName))
	}
	if strings.TrimSpace(a.Build) == "" {
		problems = append(problems, "the announcement names no build")
	}
	serials := unitsFor(l, a.Type)
	if _, known := l.Type(a.Type); !known {
		problems = append(problems, fmt.Sprintf("radio unit type %q is not in the inventory of %s", a.Type, l.Name))
	} else if len(serials) == 0 {
		problems = append(problems, fmt.Sprintf("no unit of type %s is mounted, but for golden units and those mounted by hand", a.Type))
	}
	stages, missing, err := a.stages(ctx, db)
	if err != nil {
		return nil, nil, err
	}
	if problems = append(problems, missing...); len(problems) > 0 {
		return nil, nil, &RefusedError{problems}
	}
	var first *order
	for _, s := range stages {
		o, err := draft(ctx, db, a.submission(s, serials))
		var refused *RefusedError
		if errors.As(err, &refused) {
			for _, p := range refused.Problems {
				problems = append(problems, s.name+" plan: "+p)
			}
			continue
		} else if err != nil {
			return nil, nil, err
		}
		first = cmp.Or(first, o)
	}
	if len(problems) > 0 {
		return nil, nil, &RefusedError{problems}
	}
	return stages, first, nil
}

// unitsFor are the units that a new build is tried on.
func unitsFor(l *lab.Lab, unitType string) (serials []string) {
	for _, u := range l.Units {
		golden := slices.ContainsFunc(l.Benches, func(b lab.Bench) bool { return b.GoldenUnit == u.Serial })
		if u.Type == unitType && u.Mounted() && !u.ByHand() && !golden {
			serials = append(serials, u.Serial)
		}
	}
	return serials
}

func (a Announcement) stages(ctx context.Context, db DB) (found []stage, missing []string, err error) {
	for _, name := range []string{SmokeStage, FullStage} {
		s := stage{name: name}
		err := db.QueryRow(ctx, `SELECT p.id, p.document FROM stage_plan s JOIN plan_version p ON p.id = s.plan_id WHERE s.unit_type = $1 AND s.stage = $2`, a.Type, name).
			Scan(&s.planID, &s.document)
		switch {
		case errors.Is(err, pgx.ErrNoRows):
			missing = append(missing, fmt.Sprintf("no %s plan is set for type %q; set one with benchyard build plan FILE --type TYPE --stage %s", name, a.Type, name))
		case err != nil:
			return nil, nil, fmt.Errorf("jobs: plans of %s: %w", a.Type, err)
		default:
			found = append(found, s)
		}
	}
	return found, missing, nil
}

func (a Announcement) submission(s stage, serials []string) Submission {
	return Submission{
		Name: fmt.Sprintf("%s %s %s", a.Build, a.Type, s.name), PlanFile: s.name + " plan of " + a.Type, PlanDocument: []byte(s.document),
		Serials: serials, Build: a.Build, By: a.By, Priority: a.Priority,
	}
}

func (a Announcement) insert(ctx context.Context, tx pgx.Tx, id uuid.UUID, stages []stage, o *order) error {
	queued, err := o.insert(ctx, tx)
	if err != nil {
		return err
	}
	var batch pgx.Batch
	batch.Queue(`INSERT INTO announcement (id, build, unit_type, priority, announced_by) VALUES ($1, $2, $3, $4, $5)`,
		id, a.Build, a.Type, cmp.Or(a.Priority, DefaultPriority), a.By)
	for i, s := range stages {
		batch.Queue(`INSERT INTO announcement_stage (announcement_id, number, name, plan_id) VALUES ($1, $2, $3, $4)`, id, i+1, s.name, s.planID)
	}
	batch.Queue(`UPDATE announcement_stage SET state = 'active', started_at = now(), campaign_id = $2 WHERE announcement_id = $1 AND number = 1`, id, o.id)
	if err := tx.SendBatch(ctx, &batch).Close(); err != nil {
		return err
	}
	return emit(ctx, tx, queued, stageChange(id, a.Build, a.Type, stages[0].name, "active", "", &o.id))
}

func stageChange(id uuid.UUID, build, unitType, name, state, reason string, campaign *uuid.UUID) change {
	return change{kind: buildEvent, campaign: campaign, body: eventBody{Build: build, Text: strings.TrimSuffix(name+" "+state+": "+reason, ": ")},
		message: &message{kind: BuildStageMessage, subject: "builds/" + id.String(), data: map[string]any{
			"announcement": id, "build": build, "unit_type": unitType, "stage": name, "state": state, "reason": reason, "campaign": campaign}}}
}
