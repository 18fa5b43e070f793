package jobs

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"benchyard/jobs/calibration"
	"benchyard/jobs/lab"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// Approval is what somebody says who puts a proposed correction in force.
type Approval struct {
	By         string    // name; required, and another one than that of who measured
	ValidUntil lab.Date  // last good day, correction_days of the inventory after it was measured at most; zero: then
	Narrower   bool      // it may cover less than the one in force
	Reason     string    // required where it differs from the one in force by more than both uncertainties allow
	Now        time.Time // for the date; zero: time.Now
}

// PathDecision is what an approval came to.
type PathDecision struct {
	Version    int64    // of the inventory that has the correction in force
	ValidUntil lab.Date // last good day
}

// Approve puts a proposed correction in force by a new version of the inventory,
// in one transaction; campaigns that are submitted from then on use it. It
// returns ErrNotFound, ErrEnded when it was decided already, and a
// *PathRefusedError with every reason against it: who measured it approves it,
// the path has other elements or another analyzer than when it was measured, it is
// out of date or would be good for longer than the inventory allows, has a gain, covers less than the one in force without Narrower, or
// differs from it by more than their combined uncertainty without a Reason.
func Approve(ctx context.Context, db DB, id uuid.UUID, a Approval) (PathDecision, error) {
	a.By, a.Reason = strings.TrimSpace(a.By), strings.TrimSpace(a.Reason)
	if a.Now.IsZero() {
		a.Now = time.Now()
	}
	var d PathDecision
	err := transact(ctx, db, func(tx pgx.Tx) error {
		var before int64
		var place PathPlace
		version, err := lab.Amend(ctx, tx, a.By, func(tx pgx.Tx, l *lab.Lab, version int64) ([]lab.ApprovedCorrection, error) {
			c, err := openCorrection(ctx, tx, id)
			if err != nil {
				return nil, err
			}
			before, place, d.ValidUntil = version, c.PathPlace, a.ValidUntil
			if d.ValidUntil.IsZero() {
				d.ValidUntil = lastGood(l, c)
			}
			if problems := a.problems(l, c, d.ValidUntil); problems != nil {
				return nil, &PathRefusedError{problems}
			}
			return inForceWith(l, lab.ApprovedCorrection{
				Bench: c.Bench, Slot: c.Slot, Connector: c.Connector, Elements: namedElements(l, c), ID: c.ID.String(), Analyzer: c.Analyzer,
				MeasuredBy: c.MeasuredBy, ApprovedBy: a.By, ValidUntil: d.ValidUntil, Correction: c.Correction(),
			}), nil
		})
		if err != nil {
			return err
		}
		d.Version = version
		_, err = tx.Exec(ctx, `UPDATE path_correction SET state = 'superseded'
			WHERE bench = $1 AND slot = $2 AND connector = $3 AND state = 'approved'`, place.Bench, place.Slot, place.Connector)
		if err != nil {
			return err
		}
		_, err = tx.Exec(ctx, `
			UPDATE path_correction SET state = 'approved', decided_by = $2, decided_at = now(), reason = $3, valid_until = $4::text::date,
			       before_id = $5, version_id = $6 WHERE id = $1`, id, a.By, a.Reason, d.ValidUntil.String(), before, version)
		return err
	})
	if err != nil {
		return PathDecision{}, about(err, "jobs: approving correction %s", id)
	}
	return d, nil
}

// openCorrection reads a correction that nobody decides about meanwhile.
func openCorrection(ctx context.Context, tx pgx.Tx, id uuid.UUID) (PathCorrection, error) {
	if _, err := tx.Exec(ctx, `SELECT FROM path_correction WHERE id = $1 FOR UPDATE`, id); err != nil {
		return PathCorrection{}, err
	}
	c, err := PathCorrectionByID(ctx, tx, id)
	if err == nil && c.State != PathProposed {
		err = ErrEnded
	}
	return c, err
}

// lastGood is the day up to which a correction may hold, as old as it was when it
// was proposed.
func lastGood(l *lab.Lab, c PathCorrection) lab.Date {
	return lab.DateOf(c.MeasuredAt.AddDate(0, 0, l.CorrectionDays))
}

// problems returns every reason against the approval.
func (a Approval) problems(l *lab.Lab, c PathCorrection, until lab.Date) []string {
	problems := lab.CheckCorrection(c.Correction())
	report := func(format string, args ...any) { problems = append(problems, fmt.Sprintf(format, args...)) }
	if why := wrongName("the name of who approves", a.By, true); why != "" {
		report("%s", why)
	} else if samePerson(a.By, c.MeasuredBy) {
		report("%s measured it; somebody else has to approve it", c.MeasuredBy)
	}
	if why := wrongName("the reason", a.Reason, false); why != "" {
		report("%s", why)
	}
	if until.Before(lab.DateOf(a.Now)) {
		report("it would be valid until %s, which is over; measure the path again", until)
	} else if last := lastGood(l, c); last.Before(until) {
		report("it would be valid until %s; %d days after it was measured, as correction_days of the inventory has it, is %s: say that day or an earlier one", until, l.CorrectionDays, last)
	}
	if l.Simulated != c.Simulated {
		report("one of the path and the lab is simulated and the other is not")
	}
	path, ok := l.PathFor(c.Bench, c.Slot, c.Connector)
	if !ok {
		report("%s has no path any more in the inventory of %s", c.PathPlace, l.Name)
		return problems
	}
	if why := lab.Changed(c.Elements, path.Elements); why != "" {
		report("%s is not made of the same elements as when it was measured: %s; measure it again", c.PathPlace, why)
	}
	if b, _ := l.Bench(c.Bench); c.Analyzer != "" && c.Analyzer != b.Analyzer {
		report("%s was measured with the analyzer %s, the bench has %s now; measure it again", c.PathPlace, c.Analyzer, b.Analyzer)
	}
	if len(problems) > 0 {
		return problems
	}
	return a.compared(calibration.Compare(path.Correction, c.Correction()))
}

// compared returns what the correction in force has against the new one.
func (a Approval) compared(found calibration.Comparison) []string {
	var problems []string
	if found.Narrower && !a.Narrower {
		problems = append(problems, "it covers less than the correction in force, so that cases outside it can no longer be measured; say that this is meant (narrower)")
	}
	if n := found.Disagree(); n > 0 && a.Reason == "" {
		problems = append(problems, fmt.Sprintf("%d of %d frequencies differ from the correction in force by more than both uncertainties allow, most at %s with %+.2f dB, %.1f times; give the reason",
			n, len(found.Rows), found.Greatest.Frequency, float64(found.Greatest.Difference), found.Greatest.Ratio))
	}
	return problems
}

// samePerson reports whether two names are one, whatever their case and spaces.
func samePerson(a, b string) bool {
	fold := func(s string) string { return strings.Join(strings.Fields(s), " ") }
	return strings.EqualFold(fold(a), fold(b))
}

// namedElements are those that the path had when it was measured, or the names
// that it got since then.
func namedElements(l *lab.Lab, c PathCorrection) []string {
	if len(c.Elements) > 0 {
		return c.Elements
	}
	path, _ := l.PathFor(c.Bench, c.Slot, c.Connector)
	return path.Elements
}

// inForceWith is what is in force with one more correction, in the place of the
// one before for the same path.
func inForceWith(l *lab.Lab, fresh lab.ApprovedCorrection) []lab.ApprovedCorrection {
	list := slices.Clone(l.Corrections)
	for i, c := range list {
		if c.Bench == fresh.Bench && c.Slot == fresh.Slot && c.Connector == fresh.Connector {
			list[i] = fresh
			return list
		}
	}
	return append(list, fresh)
}

// Reject ends a proposed correction without it ever counting. It returns
// ErrNotFound, ErrEnded when it was decided already, and a *PathRefusedError
// without a name or a reason.
func Reject(ctx context.Context, db DB, id uuid.UUID, by, reason string) error {
	by, reason = strings.TrimSpace(by), strings.TrimSpace(reason)
	var problems []string
	for _, why := range []string{wrongName("the name of who rejects", by, true), wrongName("the reason", reason, true)} {
		if why != "" {
			problems = append(problems, why)
		}
	}
	if problems != nil {
		return &PathRefusedError{problems}
	}
	err := transact(ctx, db, func(tx pgx.Tx) error {
		if _, err := openCorrection(ctx, tx, id); err != nil {
			return err
		}
		_, err := tx.Exec(ctx, `UPDATE path_correction SET state = 'rejected', decided_by = $2, decided_at = now(), reason = $3 WHERE id = $1`, id, by, reason)
		return err
	})
	if err != nil {
		return fmt.Errorf("jobs: rejecting correction %s: %w", id, err)
	}
	return nil
}

// PathCheck is a quick check of a path that passed.
type PathCheck struct {
	PathPlace
	Elements []string // of the path when it was checked
	By       string   // who checked
	At       time.Time
	Origin   string            // for people
	Rows     []calibration.Row // losses that were seen
}

// errConfirmed ends an amendment that would change nothing.
var errConfirmed = errors.New("jobs: the correction holds already")

// Confirm makes the correction in force of a path hold for its present elements,
// after a check that passed. It returns the version of the inventory that says
// so; changed is false, and nothing is stored, where the correction is that of the file or
// holds already. A *PathRefusedError says that the elements changed again, or that
// the bench has another analyzer: then the path has to be measured.
func Confirm(ctx context.Context, db DB, c PathCheck) (version int64, changed bool, err error) {
	err = transact(ctx, db, func(tx pgx.Tx) error {
		var before int64
		var l *lab.Lab
		var until lab.Date
		version, err = lab.Amend(ctx, tx, c.By, func(_ pgx.Tx, newest *lab.Lab, id int64) ([]lab.ApprovedCorrection, error) {
			before, l = id, newest
			path, ok := l.PathFor(c.Bench, c.Slot, c.Connector)
			bench, _ := l.Bench(c.Bench)
			switch {
			case !ok:
				return nil, &PathRefusedError{[]string{fmt.Sprintf("%s has no path any more", c.PathPlace)}}
			case lab.Changed(c.Elements, path.Elements) != "":
				return nil, &PathRefusedError{[]string{fmt.Sprintf("%s was changed since it was checked: %s", c.PathPlace, lab.Changed(c.Elements, path.Elements))}}
			case path.Approved == nil || lab.Changed(path.Approved.Elements, path.Elements) == "":
				return nil, errConfirmed
			case path.Approved.Analyzer != "" && path.Approved.Analyzer != bench.Analyzer:
				return nil, &PathRefusedError{[]string{l.Stale(path)}}
			}
			fresh := *path.Approved
			fresh.Elements, until = path.Elements, path.ValidUntil
			return inForceWith(l, fresh), nil
		})
		if err != nil {
			return err
		}
		changed = true
		return c.insert(ctx, tx, l.Simulated, before, version, until)
	})
	if errors.Is(err, errConfirmed) {
		return 0, false, nil
	}
	if err != nil {
		return 0, false, about(err, "jobs: confirming the correction of %s", c.PathPlace)
	}
	return version, changed, nil
}

// insert keeps the check beside the corrections; what it confirms stays in force.
func (c PathCheck) insert(ctx context.Context, tx pgx.Tx, simulated bool, before, version int64, until lab.Date) error {
	p := PathProposal{
		PathPlace: c.PathPlace, Source: CheckedPath, Origin: c.Origin, MeasuredBy: c.By, MeasuredAt: c.At, Elements: c.Elements, Rows: c.Rows,
	}
	id, err := p.insert(ctx, tx, simulated, before)
	if err != nil {
		return err
	}
	_, err = tx.Exec(ctx, `
		UPDATE path_correction SET state = 'approved', decided_by = $2, decided_at = now(), reason = 'the correction in force holds for these elements',
		       valid_until = $3::text::date, before_id = $4, version_id = $5 WHERE id = $1`, id, c.By, until.String(), before, version)
	return err
}
