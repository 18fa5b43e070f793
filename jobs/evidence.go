package jobs

import (
	"context"
	"errors"
	"fmt"
	"time"

	"benchyard/jobs/blob"
	"benchyard/jobs/results"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/klauspost/compress/zstd"
)

// rowLimit is what a piece of evidence may take in a row, in compressed bytes.
const rowLimit = 128 << 10

// blobLimit bounds the wait for the store of big evidence. A bench waits
// meanwhile, with nothing on the air when the run ends.
const blobLimit = 20 * time.Second

// said is a transcript as it is stored: in the row or in an object, or lost.
type said struct {
	body   []byte
	object *blob.Key
}

// keepBig moves what is too big for rows into objects, before the transaction
// that names them. Evidence stays in its row when that fails: a measurement is
// worth more than a short row.
func (t *tenure) keepBig(ctx context.Context, cases []results.Case) said {
	text, packed, err := t.rig.transcript.packed()
	if err != nil {
		t.log.WarnContext(ctx, "the transcript is lost", "error", err)
		return said{}
	}
	if t.agent.Blobs == nil {
		return said{body: packed}
	}
	ctx, cancel := context.WithTimeout(ctx, blobLimit)
	defer cancel()
	if err := results.KeepBig(ctx, t.agent.Blobs, t.agent.RowLimit, cases); err != nil {
		t.log.WarnContext(ctx, "big traces stay in the database", "error", err)
	}
	if len(packed) <= t.agent.RowLimit {
		return said{body: packed}
	}
	key, err := t.agent.Blobs.Put(ctx, text)
	if err != nil {
		t.log.WarnContext(ctx, "a long transcript stays in the database", "error", err)
		return said{body: packed}
	}
	return said{object: &key}
}

// writeTranscript stores what was said in one attempt.
func writeTranscript(ctx context.Context, tx pgx.Tx, s *segment, what said) error {
	if what.body == nil && what.object == nil {
		return nil
	}
	_, err := tx.Exec(ctx, `INSERT INTO transcript (run_id, segment, attempt, body, blob) VALUES ($1, $2, $3, $4, $5)
		ON CONFLICT (run_id, segment, attempt) DO UPDATE SET body = excluded.body, blob = excluded.blob`,
		s.run, s.number, s.attempt, what.body, what.object)
	if err != nil {
		return fmt.Errorf("jobs: transcript of segment %d of run %s: %w", s.number, s.run, err)
	}
	return nil
}

// Transcript is what was said to the instruments of a bench in one attempt of a
// segment.
type Transcript struct {
	Segment int
	Attempt int
	Text    []byte // a line for each message: seconds, instrument, direction, message
	Lost    error  // why there is no text: thinned, or damaged
}

// TranscriptsOf returns the transcripts of a run in their order. One that
// cannot be had says why and spoils no other.
func TranscriptsOf(ctx context.Context, db DB, store *blob.Store, run uuid.UUID) ([]Transcript, error) {
	rows, err := db.Query(ctx, `SELECT segment, attempt, body, blob FROM transcript WHERE run_id = $1 ORDER BY segment, attempt`, run)
	if err != nil {
		return nil, fmt.Errorf("jobs: transcripts of run %s: %w", run, err)
	}
	type stored struct {
		Transcript
		said
	}
	found, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (s stored, err error) {
		return s, row.Scan(&s.Segment, &s.Attempt, &s.body, &s.object)
	})
	if err != nil {
		return nil, fmt.Errorf("jobs: transcripts of run %s: %w", run, err)
	}
	var list []Transcript
	for _, s := range found {
		s.Text, s.Lost = s.read(ctx, store)
		if s.Lost != nil && s.object != nil && !errors.As(s.Lost, new(*blob.DamagedError)) {
			return nil, fmt.Errorf("jobs: transcripts of run %s: %w", run, s.Lost)
		}
		list = append(list, s.Transcript)
	}
	return list, nil
}

// errThinnedTranscript stands where a transcript was.
var errThinnedTranscript = errors.New("the transcript was thinned under the retention policy of the lab")

func (s said) read(ctx context.Context, store *blob.Store) ([]byte, error) {
	switch {
	case s.object != nil:
		return store.Get(ctx, *s.object)
	case s.body == nil:
		return nil, errThinnedTranscript
	}
	decoder, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxMemory(2*transcriptLimit))
	if err != nil {
		return nil, fmt.Errorf("jobs: transcript: %w", err)
	}
	defer decoder.Close()
	text, err := decoder.DecodeAll(s.body, nil)
	if err != nil {
		return nil, fmt.Errorf("the transcript is damaged: %w", err)
	}
	return text, nil
}
