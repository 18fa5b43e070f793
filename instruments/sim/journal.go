package sim

import (
	"encoding/json"
	"fmt"
	"io"
	"sync"
	"time"
)

// JournalEntry is one line of the journal: what happened to an instrument, in
// the order in which it happened. Kinds are "connect", "disconnect", "sweep"
// (one begins), "trace" (its levels are handed over), "attenuation", "transmit on", "transmit off", "output on", "output off",
// "route", "hot switch", "build", "current limit", "protection", "overload",
// "damage", "inject", "trouble", "synthesiser reset", "initial calibration",
// "tracking", "generator", "cable", "termination", "zero" and "interleaved" (a client
// goes on although another one has sent a message since). A command that finds
// things as it wants them is written down too, with the detail "already".
type JournalEntry struct {
	Time       time.Time `json:"t"`
	Seconds    float64   `json:"at_s"` // simulated time since the lab started
	Instrument string    `json:"instrument"`
	Kind       string    `json:"kind"`
	Detail     string    `json:"detail,omitempty"`
}

// journal writes entries as JSON lines, each with one write of its own, so that
// a reader sees everything that happened before the process died.
type journal struct {
	mu    sync.Mutex
	w     io.Writer
	clock clock
}

// note adds an entry. A journal that cannot be written is not worth stopping a
// lab for: the entry is lost and the next one is tried.
func (j *journal) note(instrument, kind, format string, args ...any) {
	j.mu.Lock()
	defer j.mu.Unlock()
	line, err := json.Marshal(JournalEntry{time.Now().UTC(), j.clock.now(), instrument, kind, fmt.Sprintf(format, args...)})
	if err == nil {
		_, _ = j.w.Write(append(line, '\n'))
	}
}

// clock is simulated time: wall time times speed, from zero at the start.
type clock struct {
	began time.Time
	speed float64
}

// now returns simulated seconds since the start.
func (c clock) now() float64 { return time.Since(c.began).Seconds() * c.speed }

// wall returns how long simulated seconds last.
func (c clock) wall(seconds float64) time.Duration {
	return time.Duration(seconds / c.speed * float64(time.Second))
}
