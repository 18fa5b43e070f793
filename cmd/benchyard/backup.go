package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"benchyard/jobs"
	"benchyard/jobs/backup"
	"benchyard/jobs/postgres"
)

// backupCommand writes everything into one file.
type backupCommand struct {
	To         string `arg:"" name:"file" help:"File to write, or a folder: the file is named by the time then."`
	Verify     bool   `help:"Restore the file into a second database, compare, and drop that again."`
	VerifyWith string `name:"verify-with" help:"An empty database for --verify. Default: one made beside the first, for which the account must be allowed to create databases." placeholder:"URL"`
}

// Run writes a backup of one moment while work goes on.
func (c *backupCommand) Run(ctx context.Context, p *program) error {
	db, err := p.connect(ctx, p.commandLine.DatabaseURL, p.commandLine.DataDir)
	if err != nil {
		return err
	}
	defer db.Close()
	blobs, err := p.blobs(db)
	if err != nil {
		return err
	}
	defer blobs.Close()
	path := c.To
	if info, err := os.Stat(path); err == nil && info.IsDir() {
		path = filepath.Join(path, "benchyard-"+time.Now().UTC().Format("2006-01-02T150405Z")+".zip")
	}
	began := time.Now()
	shown := newProgress(p.stderr)
	m, err := backup.Write(ctx, backup.Source{Pool: db.Pool, Blobs: blobs, Program: version(), Tell: shown.tell}, path)
	shown.end()
	if err != nil {
		return err
	}
	info, err := os.Stat(path)
	if err != nil {
		return err
	}
	fmt.Fprintf(p.stdout, "%s: %d rows of %d tables, %d objects, %.1f MB in %s; the database as it was at %s\n",
		path, m.Rows(), len(m.Tables), len(m.Blobs), float64(info.Size())/1e6, shortly(time.Since(began)), m.MadeAt.Format(time.RFC3339))
	if c.Verify || c.VerifyWith != "" {
		if err := c.verify(ctx, p, db, path); err != nil {
			return err
		}
	}
	if len(m.Missing) > 0 {
		return fmt.Errorf("the backup is whole but for %d objects of evidence that were damaged before, such as: %s", len(m.Missing), m.Missing[0].Why)
	}
	return nil
}

// verify restores the file into a second database.
func (c *backupCommand) verify(ctx context.Context, p *program, db *postgres.Database, path string) (err error) {
	target := c.VerifyWith
	if target == "" {
		drop := func() error { return nil }
		if target, drop, err = beside(ctx, db.URL); err != nil {
			return err
		}
		defer func() { err = errors.Join(err, drop()) }()
	}
	second, err := postgres.Open(ctx, postgres.Options{URL: target, Name: "benchyard verify", Logger: p.log})
	if err != nil {
		return err
	}
	defer second.Close()
	if err := restoreFile(ctx, p, path, backup.Target{Pool: second.Pool, Verify: true}); err != nil {
		return fmt.Errorf("the backup cannot be trusted: %w", err)
	}
	fmt.Fprintln(p.stdout, "verified: restored into a second database, every count and sum is the same")
	return nil
}

// beside makes a database on the same server. Drop removes it.
func beside(ctx context.Context, address string) (target string, drop func() error, err error) {
	u, err := url.Parse(address)
	if err != nil {
		return "", nil, fmt.Errorf("%w", postgres.ErrURL)
	}
	name := "benchyard_verify_" + strings.ReplaceAll(uuid.NewString()[:13], "-", "")
	statement := func(ctx context.Context, sql string) (err error) {
		conn, err := pgx.Connect(ctx, address)
		if err != nil {
			return err
		}
		defer func() { err = errors.Join(err, conn.Close(context.WithoutCancel(ctx))) }()
		_, err = conn.Exec(ctx, sql+pgx.Identifier{name}.Sanitize())
		return err
	}
	if err := statement(ctx, "CREATE DATABASE "); err != nil {
		return "", nil, fmt.Errorf("a second database cannot be made (%w); name an empty one with --verify-with", err)
	}
	u.Path = "/" + name
	return u.String(), func() error { return statement(context.WithoutCancel(ctx), "DROP DATABASE ") }, nil
}

// restoreCommand brings a backup back.
type restoreCommand struct {
	From   string `arg:"" name:"file" help:"Backup to restore."`
	Verify bool   `help:"Read every row back and compare counts and sums before anything is committed."`
}

// Run fills an empty database, and its store of evidence.
func (c *restoreCommand) Run(ctx context.Context, p *program) error {
	db, err := p.connect(ctx, p.commandLine.DatabaseURL, p.commandLine.DataDir)
	if err != nil {
		return err
	}
	defer db.Close()
	blobs, err := p.blobs(db)
	if err != nil {
		return err
	}
	defer blobs.Close()
	err = restoreFile(ctx, p, c.From, backup.Target{Pool: db.Pool, Blobs: blobs, Verify: c.Verify, Settle: jobs.SettleRestored})
	if err != nil {
		return err
	}
	fmt.Fprintln(p.stdout, "restored; see that no agent of the first database is at work any more before you start one on this")
	return nil
}

func restoreFile(ctx context.Context, p *program, path string, to backup.Target) error {
	archive, err := backup.Open(path)
	if errors.Is(err, os.ErrNotExist) || errors.Is(err, backup.ErrDamaged) || errors.Is(err, backup.ErrNewer) {
		return &badInput{err}
	}
	if err != nil {
		return err
	}
	defer archive.Close()
	shown := newProgress(p.stderr)
	to.Tell = shown.tell
	err = archive.Restore(ctx, to)
	shown.end()
	if errors.Is(err, backup.ErrNotEmpty) || errors.Is(err, backup.ErrDamaged) {
		return &badInput{err}
	}
	if err != nil {
		return err
	}
	m := archive.Manifest
	fmt.Fprintf(p.stdout, "%d rows of %d tables and %d objects, as they were at %s\n", m.Rows(), len(m.Tables), len(m.Blobs), m.MadeAt.Format(time.RFC3339))
	for _, missing := range m.Missing {
		fmt.Fprintln(p.stderr, "not in the backup:", oneLine(missing.Why))
	}
	return nil
}

// progress shows how far a backup is: a line that redraws itself on a terminal,
// plain lines elsewhere.
type progress struct {
	w      io.Writer
	screen bool
	width  int
	began  time.Time
	last   time.Time
	drawn  int
}

func newProgress(w io.Writer) *progress {
	s := &progress{w: w, began: time.Now(), last: time.Now()}
	s.screen, s.width = terminal(w)
	return s
}

func (s *progress) tell(at backup.Progress) {
	s.draw(func(took time.Duration) string { return progressLine(at, took) })
}

// show is tell for things that are counted.
func (s *progress) show(done, all int) {
	s.draw(func(took time.Duration) string {
		return fmt.Sprintf("%d of %d, ETA %s", done, all, shortly(took*time.Duration(all-done)/time.Duration(max(1, done))))
	})
}

func (s *progress) draw(text func(took time.Duration) string) {
	pace := linePace
	if s.screen {
		pace = terminalPace
	}
	if time.Since(s.last) < pace {
		return
	}
	s.last = time.Now()
	line := text(time.Since(s.began))
	if s.screen {
		s.drawn = redraw(s.w, []string{line}, s.drawn, s.width)
	} else {
		fmt.Fprintln(s.w, line)
	}
}

// end wipes the line.
func (s *progress) end() {
	if s.screen && s.drawn > 0 {
		redraw(s.w, []string{""}, s.drawn, s.width)
		fmt.Fprint(s.w, "\x1b[1A")
	}
}

// progressLine is the whole state in one line after the time it took so far.
func progressLine(at backup.Progress, took time.Duration) string {
	share := 1.0
	if at.All > 0 {
		share = min(1, float64(at.Done)/float64(at.All))
	}
	eta := "ETA not known yet"
	if share > 0 {
		eta = "ETA " + shortly(time.Duration(float64(took)*(1-share)/share))
	}
	return fmt.Sprintf("%3.0f %%, %.1f of %.1f MB, %s, %s", 100*share, float64(at.Done)/1e6, float64(at.All)/1e6, at.What, eta)
}
