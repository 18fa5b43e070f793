package results

import (
	"context"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"

	"benchyard/instruments/rf"
	"benchyard/jobs/blob"
	"benchyard/jobs/conformance"
)

// Objects reads what was too big for a row, or was moved out of it by age; a
// *blob.Store does. Nil stands for none.
type Objects interface {
	Get(ctx context.Context, key blob.Key) ([]byte, error)
}

// Keeper stores what is too big for a row; a *blob.Store does.
type Keeper interface {
	Put(ctx context.Context, content []byte) (blob.Key, error)
}

// ErrThinned tells that levels were given up under the policy of the lab.
var ErrThinned = errors.New("its levels were thinned under the retention policy of the lab; figures and verdicts stand, but nothing can be judged again from it")

// LostError tells why the levels of a trace cannot be had. It says nothing about
// other traces.
type LostError struct {
	Number int // of the trace within its case
	Role   string
	Cause  error // wraps ErrThinned, a *blob.DamagedError, or says what is wrong
}

// Error names the trace.
func (e *LostError) Error() string {
	return fmt.Sprintf("trace %d (%s): %v", e.Number, e.Role, e.Cause)
}

// Unwrap returns the cause.
func (e *LostError) Unwrap() error { return e.Cause }

// KeepBig moves the levels of traces that take more than limit bytes out of
// their rows into objects, before the cases are stored. A trace that could not
// be moved stays in its row; the error says why, and the cases can be stored
// whatever it is.
func KeepBig(ctx context.Context, keeper Keeper, limit int, cases []Case) error {
	for _, c := range cases {
		for i := range c.Traces {
			t := &c.Traces[i]
			if 4*len(t.Spectrum.Levels) <= limit { // before compression, which is not free
				continue
			}
			levels, err := encodeLevels(t.Spectrum.Levels)
			if err != nil || len(levels) <= limit {
				continue // what is wrong with it, storing will tell
			}
			key, err := keeper.Put(ctx, levels)
			if err != nil {
				return fmt.Errorf("results: trace %d (%s) of %s: %w", i+1, t.Role, c.Key, err)
			}
			t.object = &key
		}
	}
	return nil
}

// Traces returns the traces of a case in the order they were taken; none is no
// error. Levels have the precision of 32-bit floats. A trace whose levels cannot
// be had has none, and says why in Lost.
func Traces(ctx context.Context, db DB, objects Objects, caseID int64) ([]Trace, error) {
	packed, err := packedTraces(ctx, db, []int64{caseID})
	if err != nil {
		return nil, fmt.Errorf("results: traces of case %d: %w", caseID, err)
	}
	source := source{objects: objects}
	var traces []Trace
	for _, p := range packed {
		t, err := source.unpack(ctx, p)
		if err != nil { // the store of objects is away
			t.Lost = &LostError{p.number, p.role, err}
		}
		traces = append(traces, t)
	}
	return traces, nil
}

const traceFields = `t.case_id, t.number, t.role, t.start_hz, t.step_hz, t.points, t.rbw_hz, t.noise_bandwidth_hz, t.settings,
	t.levels, t.unit_told, t.blob, coalesce(t.blob_from, 0), coalesce(t.blob_size, 0)`

// packedTrace is a trace as it is stored.
type packedTrace struct {
	caseID           int64
	number, points   int
	role             string
	spectrum         rf.Spectrum
	settings, levels []byte
	unit             *conformance.Observation
	object           *blob.Key
	from, size       int64 // of the levels within the object
}

// packedTraces reads the traces of cases, by case and number. All are read
// before the first is unpacked: that may wait for another machine.
func packedTraces(ctx context.Context, db DB, cases []int64) ([]packedTrace, error) {
	rows, err := db.Query(ctx, `SELECT `+traceFields+` FROM trace t WHERE t.case_id = ANY($1) ORDER BY t.case_id, t.number`, cases)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (p packedTrace, err error) {
		s := &p.spectrum
		return p, row.Scan(&p.caseID, &p.number, &p.role, &s.Start, &s.Step, &p.points, &s.RBW, &s.NoiseBandwidth, &p.settings,
			&p.levels, &p.unit, &p.object, &p.from, &p.size)
	})
}

// source is where levels come from. It keeps the object it read last: the
// traces of a run that were moved lie in one.
type source struct {
	objects Objects
	key     blob.Key
	content []byte
}

// unpack returns the trace, Lost where its levels cannot be had for good. An
// error is that of the way to the store.
func (s *source) unpack(ctx context.Context, p packedTrace) (Trace, error) {
	t := Trace{Role: p.role, Points: p.points, Spectrum: p.spectrum, Unit: p.unit}
	lost := func(cause error) (Trace, error) {
		t.Lost = &LostError{p.number, p.role, cause}
		return t, nil
	}
	var err error
	if t.Sweep, err = decodeSweep(p.settings); err != nil {
		return lost(fmt.Errorf("damaged: %w", err))
	}
	levels := p.levels
	switch {
	case p.object != nil:
		if levels, err = s.slice(ctx, p); errors.As(err, new(*blob.DamagedError)) {
			return lost(err)
		} else if err != nil {
			return t, err
		}
	case levels == nil:
		return lost(ErrThinned)
	}
	if t.Spectrum.Levels, err = decodeLevels(levels, p.points); err != nil {
		return lost(fmt.Errorf("damaged: %w", err))
	}
	return t, nil
}

// slice cuts the levels of a trace out of its object.
func (s *source) slice(ctx context.Context, p packedTrace) ([]byte, error) {
	if s.objects == nil {
		s.objects = (*blob.Store)(nil) // knows what to say
	}
	if s.key != *p.object {
		content, err := s.objects.Get(ctx, *p.object)
		if err != nil {
			return nil, err
		}
		s.key, s.content = *p.object, content
	}
	if p.from+p.size > int64(len(s.content)) {
		return nil, &blob.DamagedError{Key: s.key, Store: "the store", Cause: fmt.Errorf("it ends before byte %d, where the trace should", p.from+p.size)}
	}
	return s.content[p.from : p.from+p.size], nil
}
