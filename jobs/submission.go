package jobs

import (
	"fmt"
	"strings"
	"time"
)

// Submission asks for a campaign: a plan × radio units × a build.
type Submission struct {
	Name         string // of the campaign; empty takes the title of the plan
	PlanFile     string // name of the plan document, for messages
	PlanDocument []byte
	Serials      []string // radio units; empty means every unit of Types
	Types        []string // radio unit types; empty means every type
	Benches      []string // where the units are mounted; empty means every bench
	Build        string   // firmware that the units shall run
	By           string   // who asks
	Priority     int      // that of a class, see PriorityOf; zero is the class normal
	Once         Once     // idempotency key; zero: none
	// Deadline is until when all of it should be done; zero: none.
	Deadline time.Time
}

// deadline is what is stored: nil for none.
func (s Submission) deadline() *time.Time {
	if s.Deadline.IsZero() {
		return nil
	}
	return &s.Deadline
}

// Preview is what a submission would queue, found without queueing it.
type Preview struct {
	Plan     string // name
	Title    string
	PlanHash string
	Types    []TypePreview
	Units    []UnitPreview
	Cases    int           // of all units together
	Estimate time.Duration // until the last bench is done, when all start at once and nothing else is queued; nominal
	Problems []string      // why the submission would be refused; empty: it would not
}

// TypePreview is what the plan asks of each unit of one type.
type TypePreview struct {
	Type     string
	Units    int
	Cases    []CasePreview
	Segments int
	Estimate time.Duration // nominal, for one unit
}

// CasePreview is one expanded case.
type CasePreview struct {
	Key         string
	Clause      string
	Band        string
	RFChannel   string
	CarrierHz   float64
	BandwidthHz float64
	SCSHz       float64
	Connector   int
	TestModel   string
	// Configuration names several carriers at once, of which the fields above hold
	// the lowest; empty for a single one.
	Configuration string
	Sweeps        int
	Estimate      time.Duration // nominal sweep time
}

// UnitPreview is one radio unit of a submission.
type UnitPreview struct {
	Serial   string
	Type     string
	Bench    string // where it is mounted and would be measured; empty: on the shelf
	Slot     int
	Fits     map[string][]int // of a unit on the shelf: the slots it could be mounted in, by bench
	Cases    int
	Estimate time.Duration
}

// RefusedError is returned for a submission that cannot be measured as a
// whole. Nothing of it was queued.
type RefusedError struct {
	Problems []string // every one, each saying what, where and what to do
}

// Error lists every problem on a line of its own.
func (e *RefusedError) Error() string {
	if len(e.Problems) == 1 {
		return "jobs: submission refused: " + e.Problems[0]
	}
	return fmt.Sprintf("jobs: submission refused, %d problems:\n%s", len(e.Problems), strings.Join(e.Problems, "\n"))
}
