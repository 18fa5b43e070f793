package jobs

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"benchyard/instruments/rf"
	"benchyard/jobs/calibration"
	"benchyard/jobs/lab"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// PathPlace names a signal path: from a connector of the unit in a slot to the
// analyzer of the bench.
type PathPlace struct {
	Bench     string
	Slot      int
	Connector int
}

// String returns "bench-1 slot 2 connector 1".
func (p PathPlace) String() string {
	return fmt.Sprintf("%s slot %d connector %d", p.Bench, p.Slot, p.Connector)
}

// Where a correction comes from.
const (
	MeasuredPath = "measured" // by this program, along the path
	ImportedPath = "imported" // out of a file
	CheckedPath  = "checked"  // a quick check that made a correction hold for other elements
)

// PathState is what became of a proposed correction.
type PathState string

// The states of a proposed correction, as stored.
const (
	PathProposed   PathState = "proposed"
	PathApproved   PathState = "approved"
	PathRejected   PathState = "rejected"
	PathSuperseded PathState = "superseded" // another was approved for the same path
)

// PathProposal is a correction that somebody should look at before it counts.
type PathProposal struct {
	PathPlace
	Source     string    // MeasuredPath or ImportedPath
	Origin     string    // file, or what measured it, for people
	MeasuredBy string    // who; cannot approve it
	MeasuredAt time.Time // its time of validity begins there
	// Elements are those of the path when it was measured; nil: those in the
	// inventory in force.
	Elements []string
	// Analyzer is the instrument with which the path was measured as a whole, so that
	// its level error and input mismatch are in the losses and their uncertainty;
	// empty: the path was measured alone.
	Analyzer string
	Rows     []calibration.Row     // with their budgets where they are known
	Readings []calibration.Reading // that the rows were computed from; nil: not known
}

// PathRefusedError says why a correction is not proposed, approved, rejected or
// confirmed; nothing was stored.
type PathRefusedError struct {
	Problems []string // each saying what, and what to do
}

// Error lists every problem on a line of its own.
func (e *PathRefusedError) Error() string {
	return "jobs: the correction is refused: " + strings.Join(e.Problems, "\n")
}

// about says in which undertaking err came up, unless that is a refusal, which says so itself.
func about(err error, format string, args ...any) error {
	if errors.As(err, new(*PathRefusedError)) {
		return err
	}
	return fmt.Errorf(format+": %w", append(args, err)...)
}

// Propose stores a correction for somebody else to approve; it does not count
// before. A *PathRefusedError says what is wrong with it: an unknown path, an
// analyzer that is not that of the bench, a gain, figures out of range.
func Propose(ctx context.Context, db DB, p PathProposal) (uuid.UUID, error) {
	l, version, err := lab.Load(ctx, db, 0)
	if err != nil {
		return uuid.Nil, err
	}
	p.MeasuredBy = strings.TrimSpace(p.MeasuredBy)
	if problems := p.problems(l); problems != nil {
		return uuid.Nil, &PathRefusedError{problems}
	}
	if p.Elements == nil {
		path, _ := l.PathFor(p.Bench, p.Slot, p.Connector)
		p.Elements = path.Elements
	}
	return p.insert(ctx, db, l.Simulated, version)
}

func (p PathProposal) problems(l *lab.Lab) []string {
	var problems []string
	if _, ok := l.PathFor(p.Bench, p.Slot, p.Connector); !ok {
		problems = append(problems, fmt.Sprintf("the inventory of %s has no path of %s; see: benchyard path show", l.Name, p.PathPlace))
	} else if b, _ := l.Bench(p.Bench); p.Analyzer != "" && p.Analyzer != b.Analyzer {
		problems = append(problems, fmt.Sprintf("%s was measured with the analyzer %q, the bench has %s", p.PathPlace, p.Analyzer, b.Analyzer))
	}
	if p.Source != MeasuredPath && p.Source != ImportedPath {
		problems = append(problems, fmt.Sprintf("source %q: want %s or %s", p.Source, MeasuredPath, ImportedPath))
	}
	if p.MeasuredAt.IsZero() {
		problems = append(problems, "it needs the time at which it was measured")
	}
	if why := wrongName("the name of who measured it", p.MeasuredBy, true); why != "" {
		problems = append(problems, why)
	}
	if why := wrongName("where it comes from", p.Origin, false); why != "" {
		problems = append(problems, why)
	}
	return append(problems, lab.CheckCorrection(calibration.Correction(p.Rows))...)
}

// wrongName says what is wrong with a short text of a person.
func wrongName(what, text string, needed bool) string {
	switch {
	case needed && text == "":
		return what + " is missing"
	case !utf8.ValidString(text) || strings.ContainsFunc(text, unicode.IsControl):
		return what + " has to be text on one line"
	case utf8.RuneCountInString(text) > longestName:
		return fmt.Sprintf("%s is longer than %d characters", what, longestName)
	}
	return ""
}

func (p PathProposal) insert(ctx context.Context, db DB, simulated bool, version int64) (uuid.UUID, error) {
	id, err := uuid.NewV7()
	if err != nil {
		return id, fmt.Errorf("jobs: proposing a correction: %w", err)
	}
	var readings []byte
	if p.Readings != nil {
		if readings, err = json.Marshal(p.Readings); err != nil {
			return id, fmt.Errorf("jobs: proposing a correction: %w", err)
		}
	}
	_, err = db.Exec(ctx, `
		INSERT INTO path_correction (id, bench, slot, connector, elements, analyzer, source, origin, measured_by, measured_at,
		                             correction, readings, simulated, lab_id)
		VALUES ($1, $2, $3, $4, coalesce($5::text[], '{}'), nullif($6, ''), $7, $8, $9, $10, $11, $12, $13, $14)`,
		id, p.Bench, p.Slot, p.Connector, p.Elements, p.Analyzer, p.Source, p.Origin, p.MeasuredBy, p.MeasuredAt,
		p.Rows, readings, simulated, version)
	if err != nil {
		return id, fmt.Errorf("jobs: proposing a correction of %s: %w", p.PathPlace, err)
	}
	return id, nil
}

// PathCorrection is a correction that was proposed and what became of it.
type PathCorrection struct {
	ID uuid.UUID
	PathPlace
	Elements   []string
	Analyzer   string // see PathProposal
	Source     string
	Origin     string
	MeasuredBy string
	MeasuredAt time.Time
	Simulated  bool
	ProposedAt time.Time
	State      PathState
	DecidedBy  string // empty while it is proposed
	DecidedAt  *time.Time
	Reason     string
	ValidUntil lab.Date // last good day; none unless it was approved
	LabVersion int64    // in force when it was proposed
	Before     int64    // version in force right before the approval; zero: not approved
	Version    int64    // that the approval made; zero: not approved
	Rows       []calibration.Row
}

// Correction returns the losses without their budgets.
func (c PathCorrection) Correction() rf.Correction { return calibration.Correction(c.Rows) }

// Reference is the version of the inventory whose correction this one is compared
// with: the one in force while it waits for a decision (zero), the one before once
// it was approved.
func (c PathCorrection) Reference() int64 {
	switch {
	case c.State == PathProposed:
		return 0
	case c.Before != 0:
		return c.Before
	}
	return c.LabVersion
}

// Compared holds the correction against that of the same path in an inventory,
// where it has the path.
func (c PathCorrection) Compared(l *lab.Lab) calibration.Comparison {
	path, ok := l.PathFor(c.Bench, c.Slot, c.Connector)
	if !ok {
		return calibration.Comparison{}
	}
	return calibration.Compare(path.Correction, c.Correction())
}

// pathQuery reads corrections; budgets are most of the text of one, and lists do without.
const (
	pathQuery = `
	SELECT id, bench, slot, connector, elements, coalesce(analyzer, ''), source, origin, measured_by, measured_at, simulated, proposed_at,
	       state, coalesce(decided_by, ''), decided_at, reason, coalesce(valid_until::text, ''), lab_id, coalesce(before_id, 0), coalesce(version_id, 0), `
	wholeRows = `correction FROM path_correction`
	rowsAlone = `(SELECT jsonb_agg(r - 'budget') FROM jsonb_array_elements(correction) r) FROM path_correction`
)

// PathCorrections returns what was proposed for one path, or for all with the zero
// PathPlace, newest first and without budgets; openOnly leaves out what was decided.
func PathCorrections(ctx context.Context, db DB, of PathPlace, openOnly bool, limit int) ([]PathCorrection, error) {
	return pathCorrections(ctx, db, pathQuery+rowsAlone+`
		WHERE ($1 = '' OR bench = $1 AND slot = $2 AND connector = $3) AND (NOT $4 OR state = 'proposed')
		ORDER BY proposed_at DESC, id DESC LIMIT $5`, of.Bench, of.Slot, of.Connector, openOnly, limit)
}

// PathCorrectionByID returns one, or ErrNotFound.
func PathCorrectionByID(ctx context.Context, db DB, id uuid.UUID) (PathCorrection, error) {
	found, err := pathCorrections(ctx, db, pathQuery+wholeRows+` WHERE id = $1`, id)
	if err == nil && len(found) == 0 {
		err = fmt.Errorf("jobs: correction %s: %w", id, ErrNotFound)
	}
	if err != nil {
		return PathCorrection{}, err
	}
	return found[0], nil
}

func pathCorrections(ctx context.Context, db DB, sql string, args ...any) ([]PathCorrection, error) {
	rows, err := db.Query(ctx, sql, args...)
	if err != nil {
		return nil, fmt.Errorf("jobs: reading corrections of paths: %w", err)
	}
	found, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (PathCorrection, error) {
		var c PathCorrection
		var until string
		err := row.Scan(&c.ID, &c.Bench, &c.Slot, &c.Connector, &c.Elements, &c.Analyzer, &c.Source, &c.Origin, &c.MeasuredBy, &c.MeasuredAt,
			&c.Simulated, &c.ProposedAt, &c.State, &c.DecidedBy, &c.DecidedAt, &c.Reason, &until, &c.LabVersion, &c.Before, &c.Version, &c.Rows)
		if err == nil && until != "" {
			c.ValidUntil, err = lab.ParseDate(until)
		}
		return c, err
	})
	if err != nil {
		return nil, fmt.Errorf("jobs: reading corrections of paths: %w", err)
	}
	return found, nil
}
