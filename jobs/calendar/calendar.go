// Package calendar tells when something that recurs is due.
//
// The concept on one screen:
//
//	minute hour day-of-month month day-of-week    in the clock of a named time zone
//	  30     2       *          *       1-5       half past two on every working day
//
// The five fields are those of crontab in POSIX.1-2017: *, numbers, ranges and
// lists; month and day-of-week also by the first three letters of their English
// name, Sunday as 0 or 7, and a step as in */15 or 8-18/2, which is common
// practice and not in POSIX. A day is due when both day fields hold; if neither
// of them is *, when either does.
//
// The clock is that on the wall of the zone, so days on which it is put forward
// or back need a rule of their own: a time that does not exist is due once, at
// the first time that does; a time that comes twice is due the first time only.
// Every hour is therefore due one time less than there are hours on a day that
// has one of them twice. Who wants even distances takes UTC.
package calendar

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"
	_ "time/tzdata" // zones by name wherever the program runs
)

// ErrNever is returned for a timetable that is never due, such as 30 February.
var ErrNever = errors.New("calendar: it is never due")

// longestText bounds a timetable, bytes.
const longestText = 200

// Timetable says when something is due. The zero value is never due; Parse makes
// a useful one. It is safe to share.
type Timetable struct {
	text                               string
	zone                               *time.Location
	minutes, hours, days, months, week set
	anyDay, anyWeekday                 bool
}

// set holds small numbers, one bit each.
type set uint64

func (s set) has(n int) bool { return s>>uint(n)&1 == 1 }

// field is one of the five.
type field struct {
	name     string
	from, to int
	words    []string // for from, from+1, …; nil: numbers only
}

func fields() [5]field {
	return [5]field{
		{"minute", 0, 59, nil},
		{"hour", 0, 23, nil},
		{"day of month", 1, 31, nil},
		{"month", 1, 12, strings.Fields("jan feb mar apr may jun jul aug sep oct nov dec")},
		{"day of week", 0, 7, strings.Fields("sun mon tue wed thu fri sat")},
	}
}

// Parse reads five fields and the name of a time zone as in the IANA database,
// such as Europe/Berlin; empty means UTC. It refuses what is never due with an
// error that wraps ErrNever.
func Parse(text, zone string) (Timetable, error) {
	words := strings.Fields(text)
	if len(text) > longestText || len(words) != 5 {
		return Timetable{}, fmt.Errorf("calendar: %.60q has %d fields; want five: minute, hour, day of month, month, day of week", text, len(words))
	}
	t := Timetable{text: strings.Join(words, " "), anyDay: words[2] == "*", anyWeekday: words[4] == "*"}
	var err error
	if t.zone, err = zoneOf(zone); err != nil {
		return Timetable{}, err
	}
	for i, into := range []*set{&t.minutes, &t.hours, &t.days, &t.months, &t.week} {
		if *into, err = fields()[i].parse(words[i]); err != nil {
			return Timetable{}, err
		}
	}
	if t.week.has(7) {
		t.week |= 1
	}
	if !t.possible() {
		return Timetable{}, fmt.Errorf("%w: %q has no day in any of its months", ErrNever, t.text)
	}
	return t, nil
}

// zoneOf refuses the zone of the machine: another machine may work on the schedule.
func zoneOf(name string) (*time.Location, error) {
	if name == "" {
		return time.UTC, nil
	}
	zone, err := time.LoadLocation(name)
	if err != nil || name == "Local" {
		return nil, fmt.Errorf("calendar: %.60q is not the name of a time zone; want one such as Europe/Berlin, or UTC", name)
	}
	return zone, nil
}

// parse reads one field.
func (f field) parse(text string) (all set, err error) {
	for part := range strings.SplitSeq(text, ",") {
		some, err := f.part(part)
		if err != nil {
			return 0, fmt.Errorf("calendar: %s %.60q: %w", f.name, text, err)
		}
		all |= some
	}
	return all, nil
}

func (f field) part(text string) (some set, err error) {
	span, steps, stepped := strings.Cut(text, "/")
	step := 1
	if stepped {
		if step, err = number(steps); err != nil || step < 1 || step > f.to {
			return 0, fmt.Errorf("a step is a number from 1 to %d, not %q", f.to, steps)
		}
	}
	from, to := f.from, f.to
	first, last, ranged := strings.Cut(span, "-")
	switch {
	case span == "*":
		if f.name == "day of week" {
			to = 6
		}
	case stepped && !ranged:
		return 0, errors.New("a step needs * or a range before it")
	default:
		if from, err = f.value(first); err != nil {
			return 0, err
		}
		to = from
		if ranged {
			if to, err = f.value(last); err != nil {
				return 0, err
			}
		}
	}
	if to < from {
		return 0, fmt.Errorf("the range %s runs backwards", span)
	}
	for n := from; n <= to; n += step {
		some |= 1 << uint(n)
	}
	return some, nil
}

func (f field) value(text string) (int, error) {
	for i, word := range f.words {
		if strings.EqualFold(text, word) {
			return f.from + i, nil
		}
	}
	n, err := number(text)
	if err != nil || n < f.from || n > f.to {
		return 0, fmt.Errorf("want a number from %d to %d, not %q", f.from, f.to, text)
	}
	return n, nil
}

// number reads digits and nothing else: no sign, no more than two.
func number(text string) (int, error) {
	if len(text) > 2 || strings.Trim(text, "0123456789") != "" {
		return 0, strconv.ErrSyntax
	}
	return strconv.Atoi(text)
}

// possible tells whether any day of a leap year can be due.
func (t Timetable) possible() bool {
	if !t.anyWeekday && !t.anyDay || t.anyDay {
		return true // every month has every weekday
	}
	const leapYear = 2024
	for day := time.Date(leapYear, 1, 1, 0, 0, 0, 0, time.UTC); day.Year() == leapYear; day = day.AddDate(0, 0, 1) {
		if t.months.has(int(day.Month())) && t.days.has(day.Day()) {
			return true
		}
	}
	return false
}

// String returns the five fields.
func (t Timetable) String() string { return t.text }

// Zone returns the name of the time zone.
func (t Timetable) Zone() string {
	if t.zone == nil {
		return "UTC"
	}
	return t.zone.String()
}
