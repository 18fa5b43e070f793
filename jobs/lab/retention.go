package lab

import "fmt"

// Retention is how long a lab keeps its evidence, in days after the end of the
// run; zero: for ever. Verdicts, figures and all that explains them stay in any
// case, and so does the evidence of golden units and what is held.
type Retention struct {
	MoveDays         int // traces leave the database for the store of evidence
	PassedTracesDays int // traces of cases that passed
	OtherTracesDays  int // traces of cases that failed, or ended in an error
	TranscriptsDays  int // what was said to the instruments
	EventsDays       int // news for pages and watchers; zero: DefaultEventsDays
}

// DefaultEventsDays is how long news are kept that nobody asks for any more.
const DefaultEventsDays = 30

// longestRetention is a hundred years: more is a slip.
const longestRetention = 36_500

func (c *checker) retention() {
	r := c.lab.Retention
	for key, days := range map[string]int{
		"move_days": r.MoveDays, "passed_traces_days": r.PassedTracesDays, "other_traces_days": r.OtherTracesDays,
		"transcripts_days": r.TranscriptsDays, "events_days": r.EventsDays,
	} {
		if path := "retention." + key; c.Has(path) && (days < 1 || days > longestRetention) {
			c.Report(path, "%s %d: want 1 to %d days; leave it out to keep for ever", key, days, longestRetention)
		}
	}
	if r.OtherTracesDays > 0 && (r.PassedTracesDays == 0 || r.OtherTracesDays < r.PassedTracesDays) {
		c.Report("retention.other_traces_days", "traces of what failed would go before those of what passed; they are what somebody will ask for")
	}
	if r.PassedTracesDays > 0 && r.MoveDays >= r.PassedTracesDays {
		c.Report("retention.move_days", "move_days %d: traces of passed cases are gone before, see passed_traces_days", r.MoveDays)
	}
}

// String is the policy in words, as it stands beside what it did.
func (r Retention) String() string {
	days := func(n int) string {
		if n == 0 {
			return "for ever"
		}
		return fmt.Sprintf("%d days", n)
	}
	return fmt.Sprintf("traces of passed cases %s, other traces %s, transcripts %s", days(r.PassedTracesDays), days(r.OtherTracesDays), days(r.TranscriptsDays))
}
