package calendar

import (
	"math/bits"
	"time"
)

// furthest is how many days Next looks ahead: 29 February comes every eight
// years at least (1896, 1904).
const furthest = 9 * 366

// Next returns the first time after the given one at which something is due, in
// the zone of the timetable; the zero time when there is none.
func (t Timetable) Next(after time.Time) time.Time {
	if t.zone == nil {
		return time.Time{}
	}
	local := after.In(t.zone)
	day := time.Date(local.Year(), local.Month(), local.Day(), 0, 0, 0, 0, time.UTC)
	for range furthest {
		if t.dueOn(day) {
			if found := t.nextOn(day, after); !found.IsZero() {
				return found
			}
		}
		day = day.AddDate(0, 0, 1)
	}
	return time.Time{}
}

// dueOn tells whether a date is due.
func (t Timetable) dueOn(day time.Time) bool {
	if !t.months.has(int(day.Month())) {
		return false
	}
	inMonth, inWeek := t.days.has(day.Day()), t.week.has(int(day.Weekday()))
	if t.anyDay || t.anyWeekday {
		return inMonth && inWeek // the set of a * holds every day
	}
	return inMonth || inWeek
}

// nextOn returns the first due time of a date after the given one; the zero
// time when there is none left.
func (t Timetable) nextOn(day, after time.Time) time.Time {
	// What the clock shows now it showed first now or earlier, and what it showed
	// before that earlier still.
	shownLast := shown(after.In(t.zone))
	for hours := t.hours; hours != 0; hours &= hours - 1 {
		hour := day.Add(time.Duration(bits.TrailingZeros64(uint64(hours))) * time.Hour)
		if !hour.Add(time.Hour).After(shownLast) {
			continue
		}
		for minutes := t.minutes; minutes != 0; minutes &= minutes - 1 {
			wall := hour.Add(time.Duration(bits.TrailingZeros64(uint64(minutes))) * time.Minute)
			if !wall.After(shownLast) {
				continue
			}
			if at := instant(wall, t.zone); at.After(after) {
				return at
			}
		}
	}
	return time.Time{}
}

// instant returns when the clock of a zone shows a time, which is given as if it
// were UTC: the first time that it does, or if it never does the end of the gap.
func instant(wall time.Time, zone *time.Location) time.Time {
	guess := time.Date(wall.Year(), wall.Month(), wall.Day(), wall.Hour(), wall.Minute(), 0, 0, zone)
	start, end := guess.ZoneBounds()
	// Clocks change twice a day at most: one of the zones beside the guess has it.
	moments := []time.Time{guess}
	if !start.IsZero() {
		moments = append([]time.Time{start.Add(-1)}, moments...)
	}
	if !end.IsZero() {
		moments = append(moments, end)
	}
	var found time.Time
	for _, m := range moments {
		_, offset := m.Zone()
		at := wall.Add(-time.Duration(offset) * time.Second).In(zone)
		if shows(at, wall) && (found.IsZero() || at.Before(found)) {
			found = at
		}
	}
	if !found.IsZero() {
		return found
	}
	if !start.IsZero() && !shown(start).Before(wall) { // the clock sprang over it to start
		return start
	}
	return end
}

// shown is what the clock shows at a moment, as if it were UTC.
func shown(at time.Time) time.Time {
	_, offset := at.Zone()
	return at.UTC().Add(time.Duration(offset) * time.Second)
}

func shows(at, wall time.Time) bool { return shown(at).Equal(wall) }
