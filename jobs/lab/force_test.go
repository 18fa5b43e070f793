package lab_test

import (
	"context"
	"errors"
	"reflect"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"benchyard/instruments/document"
	"benchyard/instruments/rf"
	"benchyard/jobs/lab"
	"benchyard/jobs/postgres"
)

// approved is a correction with names that are awkward to write.
func approved(t *testing.T) lab.ApprovedCorrection {
	return lab.ApprovedCorrection{
		Bench: "bench-2", Slot: 1, Connector: 1, Elements: []string{"cable-17", "pad-3"}, ID: "7", Analyzer: "sa-2",
		MeasuredBy: `Zoë "Z" O'Hara: <lab> #1 \ {x}`, ApprovedBy: "- yes", ValidUntil: date(t, "2027-03-31"),
		Correction: rf.Correction{{Frequency: 9e3, Loss: 39.9, Uncertainty: 0.123456789}, {Frequency: 26.5e9, Loss: 44, Uncertainty: 0.3}},
	}
}

func amend(t *testing.T, pool *pgxpool.Pool, list ...lab.ApprovedCorrection) int64 {
	t.Helper()
	id, err := lab.Amend(t.Context(), pool, "ada", func(pgx.Tx, *lab.Lab, int64) ([]lab.ApprovedCorrection, error) { return list, nil })
	if err != nil {
		t.Fatal(err)
	}
	return id
}

// A correction in force comes back as it was written, in the place of that of the
// file, and the version before is as it was.
func TestCorrectionInForceComesBack(t *testing.T) {
	pool := postgres.Test(t)
	l, complete := twoBenches(t)
	first := apply(t, pool, complete, true)
	want := approved(t)
	second := amend(t, pool, want)
	got, id, err := lab.Load(t.Context(), pool, 0)
	if err != nil || id != second || first == second || !reflect.DeepEqual(got.Corrections, []lab.ApprovedCorrection{want}) {
		t.Fatalf("version %d, %v, %+v", id, err, got.Corrections)
	}
	path, _ := got.PathFor("bench-2", 1, 1)
	if !reflect.DeepEqual(path.Correction, want.Correction) || path.ValidUntil != want.ValidUntil || !reflect.DeepEqual(path.Approved, &want) {
		t.Errorf("path %+v", path)
	}
	if due := got.CalibrationDueBefore(date(t, "2027-04-01")); due[len(due)-2].On != want.ValidUntil {
		t.Errorf("due %+v", due)
	}
	if old, _, err := lab.Load(t.Context(), pool, first); err != nil || !reflect.DeepEqual(old, l) {
		t.Errorf("the version before: %v", err)
	}
	apply(t, pool, complete, false) // the file with what is in force is what is in force
	if third := amend(t, pool); third != first {
		t.Errorf("without it the text is that of version %d again, not %d", first, third)
	}
}

// An amendment that fails changes nothing, and its error is what the caller gets.
func TestAmendmentThatFails(t *testing.T) {
	pool := postgres.Test(t)
	refuse := errors.New("no")
	failing := func(pgx.Tx, *lab.Lab, int64) ([]lab.ApprovedCorrection, error) { return nil, refuse }
	if _, err := lab.Amend(t.Context(), pool, "ada", failing); !errors.Is(err, lab.ErrNoLab) {
		t.Errorf("without an inventory: %v", err)
	}
	_, complete := twoBenches(t)
	first := apply(t, pool, complete, true)
	if _, err := lab.Amend(t.Context(), pool, "ada", failing); err != refuse {
		t.Errorf("got %v", err)
	}
	nowhere := approved(t)
	nowhere.Connector = 9
	_, err := lab.Amend(t.Context(), pool, "ada", func(pgx.Tx, *lab.Lab, int64) ([]lab.ApprovedCorrection, error) {
		return []lab.ApprovedCorrection{nowhere}, nil
	})
	if err == nil || !strings.Contains(err.Error(), "has no path") {
		t.Errorf("for a path that is not there: %v", err)
	}
	if _, id, err := lab.Load(t.Context(), pool, 0); err != nil || id != first {
		t.Errorf("version %d in force, %v; want %d", id, err, first)
	}
}

// Two that amend at the same time do not lose what the other did.
func TestAmendAtTheSameTime(t *testing.T) {
	pool := postgres.Test(t)
	_, complete := twoBenches(t)
	apply(t, pool, complete, true)
	done := make(chan error, 2)
	for connector := 1; connector <= 2; connector++ {
		one := approved(t)
		one.Connector = connector
		go func() {
			_, err := lab.Amend(context.WithoutCancel(t.Context()), pool, "ada", func(_ pgx.Tx, l *lab.Lab, _ int64) ([]lab.ApprovedCorrection, error) {
				return append(l.Corrections, one), nil
			})
			done <- err
		}()
	}
	for range 2 {
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
	if l, _, err := lab.Load(t.Context(), pool, 0); err != nil || len(l.Corrections) != 2 {
		t.Errorf("%v, %+v", err, l.Corrections)
	}
}

// A person's file with corrections in force is refused where they stand.
func TestOwnDocuments(t *testing.T) {
	pool := postgres.Test(t)
	_, complete := twoBenches(t)
	apply(t, pool, complete, true)
	amend(t, pool, approved(t))
	stored := column(t, pool, "SELECT document FROM lab_version ORDER BY id DESC LIMIT 1")
	lines := strings.Count(string(complete), "\n")
	comment, _, _ := strings.Cut(stored[len(complete):], "\n")
	for name, c := range map[string]struct {
		text string
		line int
	}{
		"as stored":    {stored, lines + 2},
		"own words":    {"corrections: []\n" + string(complete), 1},
		"comment only": {string(complete) + comment + "\n", lines + 1},
	} {
		var problems document.Problems
		if _, _, err := lab.Apply(t.Context(), pool, "mine.yaml", []byte(c.text), "ada"); !errors.As(err, &problems) ||
			len(problems) != 1 || problems[0].Line != c.line || problems[0].Column != 1 || problems[0].File != "mine.yaml" ||
			!strings.Contains(problems[0].Message, "corrections in force are kept by the program") {
			t.Errorf("%s: %v; want line %d", name, err, c.line)
		}
	}
	if err := lab.CheckOwn("mine.yaml", complete); err != nil {
		t.Error(err)
	}
}

// A document to whose end nothing can be written is refused, not damaged.
func TestDocumentThatTakesNoCorrections(t *testing.T) {
	pool := postgres.Test(t)
	_, complete := twoBenches(t)
	first := apply(t, pool, complete, true)
	second := amend(t, pool, approved(t))
	indented := "  " + strings.ReplaceAll(strings.TrimSpace(string(complete)), "\n", "\n  ") + "\n"
	if _, err := lab.Parse("indented.yaml", []byte(indented)); err != nil {
		t.Fatal(err)
	}
	if _, _, err := lab.Apply(t.Context(), pool, "indented.yaml", []byte(indented), "ada"); err == nil || !strings.Contains(err.Error(), "its keys have to begin at the start of the line") {
		t.Errorf("applied: %v", err)
	}
	if _, id, err := lab.Load(t.Context(), pool, 0); err != nil || id != second || id == first {
		t.Errorf("version %d in force, %v", id, err)
	}
}

// The correction of a file no longer holds when the elements of its path change and
// it does not: until a check, the old elements, or another correction of the file.
func TestFileCorrectionOfChangedElements(t *testing.T) {
	pool := postgres.Test(t)
	_, complete := twoBenches(t)
	const elements = "[cable-17, pad-3]"
	unnamed := []byte(strings.Replace(string(complete), "    elements: "+elements, "", 1))
	with := func(names string) []byte { return []byte(strings.Replace(string(complete), elements, names, 1)) }
	later := []byte(strings.Replace(string(with("[cable-18, pad-3]")), "valid_until: 2026-12-31", "valid_until: 2027-06-30", 1))
	for name, c := range map[string]struct {
		next  []byte
		stale bool
		kept  int
	}{
		"applied again":      {with("[cable-18, pad-3]"), true, 1},
		"with another build": {[]byte(string(with("[cable-18, pad-3]")) + "\n# more\n"), true, 1},
		"changed once more":  {with("[cable-19]"), true, 1},
		"put back":           {with("[pad-3, cable-17]"), false, 0},
		"measured again":     {later, false, 0},
	} {
		t.Run(name, func(t *testing.T) {
			tx, err := pool.Begin(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			defer tx.Rollback(t.Context()) // each row begins in the same database
			in := func(data []byte) *lab.Lab {
				t.Helper()
				if _, _, err := lab.Apply(t.Context(), tx, "lab.yaml", data, "ada"); err != nil {
					t.Fatal(err)
				}
				l, _, err := lab.Load(t.Context(), tx, 0)
				if err != nil {
					t.Fatal(err)
				}
				return l
			}
			if l := in(unnamed); len(l.Corrections) != 0 {
				t.Fatalf("%+v", l.Corrections)
			}
			if l := in(complete); len(l.Corrections) != 0 {
				t.Fatalf("naming elements for the first time is a change: %+v", l.Corrections)
			}
			l := in(with("[cable-18, pad-3]"))
			path, _ := l.PathFor("bench-1", 1, 1)
			if why := l.Stale(path); !strings.Contains(why, "path slot 1 connector 1 does not hold any more: cable-17 is gone, cable-18 is new") || !strings.Contains(why, "another valid_until") {
				t.Fatalf("says %q", why)
			}
			l = in(c.next)
			path, _ = l.PathFor("bench-1", 1, 1)
			if stale := l.Stale(path) != ""; stale != c.stale || len(l.Corrections) != c.kept {
				t.Errorf("stale %t, want %t; %d kept, want %d", stale, c.stale, len(l.Corrections), c.kept)
			}
		})
	}
}
