// Package backup writes everything that a database holds into one file, and
// brings it back.
//
// The concept on one screen:
//
//	FILE, a ZIP archive
//	  tables/NAME.copy   rows as COPY gives them, compressed
//	  blobs/KEY          objects of the store of evidence, as they lie there
//	  manifest.json      level of the schema, columns, counts and sums, objects
//
//	Write     one REPEATABLE READ snapshot of all tables while work goes on,
//	          sequences after it, objects under a lock that keeps them in place
//	Restore   an empty database brought to the level of the backup, all rows in
//	          one transaction, foreign keys checked, then migrated to today
//
// The rows go through COPY in text form and not through pg_dump: the program is
// not on every machine, must not be older than the server, and knows nothing of
// the objects; the schema is in our migrations anyway; and the sums that prove a
// restore are those of the very rows that were written. Text, because it is the
// same in every version of PostgreSQL.
//
// The sum of a table is that of the SHA-256 digests of its rows, so that it does
// not depend on their order. Tickets of the queue are left out on purpose: our
// tables hold the truth, and who takes a bench issues the ticket that it needs.
package backup

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
)

// format is the version of the file; one that is larger is refused.
const format = 1

const manifestName = "manifest.json"

// Manifest says what is in a backup.
type Manifest struct {
	Format    int        `json:"format"`
	Program   string     `json:"program"` // version that made it
	MadeAt    time.Time  `json:"made_at"` // of the snapshot, by the clock of the database
	Server    string     `json:"server"`  // version of PostgreSQL
	Level     int64      `json:"level"`   // newest migration of the schema
	Tables    []Table    `json:"tables"`  // in an order that foreign keys allow
	Sequences []Sequence `json:"sequences"`
	Blobs     []Blob     `json:"blobs"`
	Missing   []Missing  `json:"missing"` // objects that were damaged already
}

// Table is the rows of one table.
type Table struct {
	Name    string   `json:"name"`
	Columns []string `json:"columns"`
	Rows    int64    `json:"rows"`
	Bytes   int64    `json:"bytes"` // of the text, uncompressed
	Sum     string   `json:"sum"`   // whatever the order of the rows
}

// Sequence is the last number that a sequence gave; nil: none yet.
type Sequence struct {
	Name string `json:"name"`
	Last *int64 `json:"last"`
}

// Blob is an object of the store of evidence.
type Blob struct {
	Key    string `json:"key"`
	Stored int64  `json:"stored"` // bytes
}

// Missing is an object that rows name and that could not be read.
type Missing struct {
	Key string `json:"key"`
	Why string `json:"why"`
}

// Rows returns the rows of all tables.
func (m Manifest) Rows() (n int64) {
	for _, t := range m.Tables {
		n += t.Rows
	}
	return n
}

// Size returns the bytes of all tables and objects as they are read.
func (m Manifest) Size() (n int64) {
	for _, t := range m.Tables {
		n += t.Bytes
	}
	for _, b := range m.Blobs {
		n += b.Stored
	}
	return n
}

// Progress is how far something is, in bytes; Done may end a little beside All
// where that was estimated.
type Progress struct {
	Done, All int64
	What      string // in work
}

// tally counts the rows that pass, and sums their digests in four lanes.
type tally struct {
	rows, bytes int64
	lanes       [4]uint64
	part        []byte // of a row, until its end comes
}

// Write takes the next piece of the text; rows end with a line feed, which COPY
// writes as \n inside of values.
func (t *tally) Write(p []byte) (int, error) {
	t.bytes += int64(len(p))
	for rest := p; ; {
		end := bytes.IndexByte(rest, '\n')
		if end < 0 {
			t.part = append(t.part, rest...)
			return len(p), nil
		}
		row := rest[:end]
		if len(t.part) > 0 {
			row = append(t.part, row...)
		}
		t.add(row)
		t.part, rest = t.part[:0], rest[end+1:]
	}
}

func (t *tally) add(row []byte) {
	sum := sha256.Sum256(row)
	for i := range t.lanes {
		t.lanes[i] += binary.LittleEndian.Uint64(sum[8*i:])
	}
	t.rows++
}

func (t *tally) sum() string {
	var b []byte
	for _, lane := range t.lanes {
		b = binary.BigEndian.AppendUint64(b, lane)
	}
	return fmt.Sprintf("%x", b)
}

// against compares with what the manifest says.
func (t *tally) against(want Table) error {
	switch {
	case len(t.part) > 0:
		return fmt.Errorf("table %s ends in the middle of a row", want.Name)
	case t.rows != want.Rows:
		return fmt.Errorf("table %s has %d rows, %d were written", want.Name, t.rows, want.Rows)
	case t.sum() != want.Sum:
		return fmt.Errorf("table %s has other rows than were written: sum %s, not %s", want.Name, t.sum(), want.Sum)
	}
	return nil
}

// settings make the text of every value the same on every server.
const settings = `SET LOCAL TimeZone = 'UTC'; SET LOCAL DateStyle = 'ISO, YMD'; SET LOCAL IntervalStyle = 'postgres';
	SET LOCAL bytea_output = 'hex'; SET LOCAL extra_float_digits = 1; SET LOCAL client_encoding = 'UTF8';
	SET LOCAL statement_timeout = 0; SET LOCAL idle_in_transaction_session_timeout = 0`

// leftOut are tables whose rows make no sense elsewhere: the level of the
// schema, which migrating writes; which store of objects is whose; programs at work.
const leftOut = `('goose_db_version', 'blob_store', 'agent', 'schema_floor')`

// from copies a table out of a database; to copies it in.
func (t Table) from() string { return "COPY " + t.columns() + " TO STDOUT" }
func (t Table) to() string   { return "COPY " + t.columns() + " FROM STDIN" }

func (t Table) columns() string {
	quoted := make([]string, len(t.Columns))
	for i, c := range t.Columns {
		quoted[i] = pgx.Identifier{c}.Sanitize()
	}
	return pgx.Identifier{t.Name}.Sanitize() + " (" + strings.Join(quoted, ", ") + ")"
}

// tables lists ours, those before that others refer to.
func tables(ctx context.Context, tx pgx.Tx) ([]Table, error) {
	rows, err := tx.Query(ctx, `
		SELECT c.relname, array_agg(a.attname ORDER BY a.attnum), pg_table_size(c.oid)
		FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid AND a.attnum > 0 AND NOT a.attisdropped AND a.attgenerated = ''
		WHERE c.relkind = 'r' AND c.relnamespace = current_schema()::regnamespace AND c.relname NOT IN `+leftOut+`
		GROUP BY c.oid, c.relname ORDER BY c.relname`)
	if err != nil {
		return nil, err
	}
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (t Table, err error) {
		return t, row.Scan(&t.Name, &t.Columns, &t.Bytes)
	})
	if err != nil {
		return nil, err
	}
	rows, err = tx.Query(ctx, `
		SELECT c.relname, f.relname FROM pg_constraint k
		JOIN pg_class c ON c.oid = k.conrelid JOIN pg_class f ON f.oid = k.confrelid
		WHERE k.contype = 'f' AND c.oid <> f.oid AND c.relnamespace = current_schema()::regnamespace`)
	if err != nil {
		return nil, err
	}
	needs := map[string][]string{}
	var table, needed string
	_, err = pgx.ForEachRow(rows, []any{&table, &needed}, func() error {
		needs[table] = append(needs[table], needed)
		return nil
	})
	if err != nil {
		return nil, err
	}
	return inOrder(list, needs)
}

// inOrder puts every table after those that it needs.
func inOrder(list []Table, needs map[string][]string) (ordered []Table, err error) {
	placed := map[string]bool{}
	known := map[string]bool{}
	for _, t := range list {
		known[t.Name] = true
	}
	for len(ordered) < len(list) {
		before := len(ordered)
		for _, t := range list {
			ready := !placed[t.Name]
			for _, n := range needs[t.Name] {
				ready = ready && (placed[n] || !known[n])
			}
			if ready {
				placed[t.Name], ordered = true, append(ordered, t)
			}
		}
		if len(ordered) == before {
			return nil, fmt.Errorf("backup: the tables refer to each other in a circle")
		}
	}
	return ordered, nil
}
