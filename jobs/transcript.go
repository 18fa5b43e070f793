package jobs

import (
	"bytes"
	"fmt"
	"sync"
	"time"

	"github.com/klauspost/compress/zstd"
)

// transcriptLimit bounds what one attempt keeps; a segment says far less.
const transcriptLimit = 64 << 20

// transcript collects what was said to every instrument of a bench since the
// last reset, in one order.
type transcript struct {
	mu       sync.Mutex
	start    time.Time
	text     bytes.Buffer
	diverted map[string]*transcript // of units that are prepared for a run of their own
}

// divert sends what is said to an instrument into another transcript; nil: here again.
func (t *transcript) divert(instrument string, to *transcript) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.diverted == nil {
		t.diverted = map[string]*transcript{}
	}
	t.diverted[instrument] = to
}

// prepend puts what was said before in front.
func (t *transcript) prepend(before *transcript) {
	before.mu.Lock()
	said := bytes.Clone(before.text.Bytes())
	before.mu.Unlock()
	t.mu.Lock()
	defer t.mu.Unlock()
	said = append(said, t.text.Bytes()...)
	t.text.Reset()
	t.text.Write(said)
}

// of returns the recorder of one instrument.
func (t *transcript) of(instrument string) recorder { return recorder{t, instrument} }

func (t *transcript) reset() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.start = time.Now()
	t.text.Reset()
}

// packed returns the text, and the form in which a row keeps it.
func (t *transcript) packed() (text, packed []byte, err error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	encoder, err := zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1))
	if err != nil {
		return nil, nil, fmt.Errorf("jobs: transcript: %w", err)
	}
	text = bytes.Clone(t.text.Bytes())
	return text, encoder.EncodeAll(text, nil), encoder.Close()
}

// recorder is the transcript as one instrument's session sees it.
type recorder struct {
	*transcript
	instrument string
}

// Record appends a line: seconds since the reset, instrument, direction, message.
func (r recorder) Record(direction string, message []byte) {
	r.mu.Lock()
	if elsewhere := r.diverted[r.instrument]; elsewhere != nil {
		r.mu.Unlock()
		recorder{elsewhere, r.instrument}.Record(direction, message)
		return
	}
	defer r.mu.Unlock()
	if r.text.Len() > transcriptLimit {
		return
	}
	fmt.Fprintf(&r.text, "%.6f\t%s\t%s\t%s\n", time.Since(r.start).Seconds(), r.instrument, direction, bytes.ReplaceAll(message, []byte("\n"), []byte(`\n`)))
}
