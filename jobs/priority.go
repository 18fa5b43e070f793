package jobs

import (
	"cmp"

	"benchyard/jobs/scheduler"
)

// The priorities of the classes, as campaigns store them: smaller goes first.
const (
	urgentPriority = 10
	highPriority   = 50
	// DefaultPriority is that of a submission that names none: the class normal.
	DefaultPriority = 100
	lowPriority     = 200
)

// PriorityOf returns the priority that a campaign of a class stores.
func PriorityOf(c scheduler.Class) int {
	switch c {
	case scheduler.Urgent:
		return urgentPriority
	case scheduler.High:
		return highPriority
	case scheduler.Low:
		return lowPriority
	}
	return DefaultPriority
}

// ClassOf returns the class of a stored priority: the least important one that
// it is not behind.
func ClassOf(priority int) scheduler.Class {
	switch p := cmp.Or(priority, DefaultPriority); {
	case p <= urgentPriority:
		return scheduler.Urgent
	case p < DefaultPriority:
		return scheduler.High
	case p == DefaultPriority:
		return scheduler.Normal
	}
	return scheduler.Low
}
