package scheduler

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"benchyard/instruments/rf"
)

// Class says how much a job matters. The zero value is Normal.
type Class string

// The classes, the most important first.
const (
	Urgent Class = "urgent" // may make a run in work give way at its next safe boundary
	High   Class = "high"
	Normal Class = "normal"
	Low    Class = "low"
)

// Classes lists all classes, the most important first.
func Classes() []Class { return []Class{Urgent, High, Normal, Low} }

// ParseClass reads the word of a class; empty is Normal.
func ParseClass(word string) (Class, error) {
	if word == "" {
		return Normal, nil
	}
	if c := Class(word); slices.Contains(Classes(), c) {
		return c, nil
	}
	return "", fmt.Errorf("scheduler: priority %q: want urgent, high, normal or low", word)
}

// rank counts from 0 for the most important class.
func (c Class) rank() int {
	if i := slices.Index(Classes(), c); i >= 0 {
		return i
	}
	return Normal.rank()
}

// Family is what is set up on a bench for a job. Jobs of the same family follow
// each other without a set-up. The zero value: nothing is known to be set up.
type Family struct {
	Band     string // operating bands, such as "n78"
	Cabling  string // which cables stand where
	FrontEnd string // pads, filters and amplifiers between unit and analyzer
}

// String names the parts that are known, "n78, 4 × N, pad 30 dB".
func (f Family) String() string {
	parts := slices.DeleteFunc([]string{f.Band, f.Cabling, f.FrontEnd}, func(s string) bool { return s == "" })
	return strings.Join(parts, ", ")
}

// compare orders families by their words.
func (f Family) compare(g Family) int {
	return slices.Compare([]string{f.Band, f.Cabling, f.FrontEnd}, []string{g.Band, g.Cabling, g.FrontEnd})
}

// Needs is what a job wants of a bench. The zero value of each: nothing.
type Needs struct {
	Frequency  rf.Range // that is measured
	Power      rf.DBm   // the most that a connector of the unit gives; counts when Connectors is not zero
	Connectors int      // of the unit
	Options    []string // words that the bench must have
}

// key tells alike needs.
func (n Needs) key() string {
	return fmt.Sprint(n.Frequency, n.Power, n.Connectors, strings.Join(n.Options, "\x00"))
}

// Job is one radio unit that waits to be measured.
type Job struct {
	ID    string // unique, rising with the order of the queue
	Unit  string // serial number
	Bench string // where the unit is mounted; empty: on the shelf
	// Fits lists the benches with a place for a unit on the shelf, each with its
	// slots; what a bench can is asked beside it.
	Fits map[string][]int

	Needs     Needs
	Class     Class
	Requester string
	Queued    time.Time
	Deadline  time.Time // zero: none
	Valid     time.Time // when the first correction of its paths ends; zero: never
	Family    Family
	Kind      string   // jobs of one kind share what is not known of their duration, such as plan and type of unit
	Takes     Estimate // without set-up
	Segments  int      // safe boundaries cut the job into so many parts; zero: one
}

// missable reports whether a deadline is there and can still be met by a job that
// starts at a time.
func (j *Job) missable(start time.Time) bool {
	return !j.Deadline.IsZero() && !start.Add(j.Takes.Quantile(0.5)).After(j.Deadline)
}

// boundary is about how long a run of the job works until its next safe boundary.
func (j *Job) boundary() time.Duration { return j.Takes.Median / time.Duration(max(1, j.Segments)) }

// before orders alike jobs: by deadline, by when they were queued, by identity.
func (j *Job) before(k *Job) bool {
	switch {
	case j.Deadline.IsZero() != k.Deadline.IsZero():
		return k.Deadline.IsZero()
	case !j.Deadline.Equal(k.Deadline):
		return j.Deadline.Before(k.Deadline)
	case !j.Queued.Equal(k.Queued):
		return j.Queued.Before(k.Queued)
	}
	return j.ID < k.ID
}
