package calendar

import (
	"errors"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"
	"time"
)

func parse(t testing.TB, text, zone string) Timetable {
	t.Helper()
	table, err := Parse(text, zone)
	if err != nil {
		t.Fatal(err)
	}
	return table
}

func moment(t testing.TB, text string) time.Time {
	t.Helper()
	at, err := time.Parse(time.RFC3339, text)
	if err != nil {
		t.Fatal(err)
	}
	return at
}

// next returns the first n due times.
func next(t testing.TB, table Timetable, after string, n int) string {
	t.Helper()
	at := moment(t, after)
	var all []string
	for range n {
		at = table.Next(at)
		all = append(all, at.Format(time.RFC3339))
	}
	return strings.Join(all, " ")
}

// The dates are of a calendar; that 29 February comes again after eight years
// where a century is no leap year follows from the Gregorian rule.
func TestNextOnOrdinaryDays(t *testing.T) {
	for _, c := range []struct{ text, after, want string }{
		{"30 2 * * *", "2026-11-25T02:29:59Z", "2026-11-25T02:30:00Z 2026-11-26T02:30:00Z"},
		{"30 2 * * *", "2026-11-25T02:30:00Z", "2026-11-26T02:30:00Z 2026-11-27T02:30:00Z"},
		{"*/20 8-9 * * *", "2026-11-25T08:30:00Z", "2026-11-25T08:40:00Z 2026-11-25T09:00:00Z"},
		{"0 0 1,15 * *", "2026-11-25T00:00:00Z", "2026-12-01T00:00:00Z 2026-12-15T00:00:00Z"},
		{"0 6 * * mon-FRI", "2026-11-27T07:00:00Z", "2026-11-30T06:00:00Z 2026-12-01T06:00:00Z"}, // a Friday
		{"0 6 * * 7", "2026-11-25T00:00:00Z", "2026-11-29T06:00:00Z 2026-12-06T06:00:00Z"},
		{"0 6 13 * 5", "2026-11-25T00:00:00Z", "2026-11-27T06:00:00Z 2026-12-04T06:00:00Z"}, // either day field, POSIX crontab
		{"0 0 31 * *", "2026-11-25T00:00:00Z", "2026-12-31T00:00:00Z 2027-01-31T00:00:00Z"},
		{"0 0 29 feb *", "2096-03-01T00:00:00Z", "2104-02-29T00:00:00Z 2108-02-29T00:00:00Z"},
		{"59 23 31 12 *", "2026-12-31T23:59:00Z", "2027-12-31T23:59:00Z 2028-12-31T23:59:00Z"},
	} {
		if got := next(t, parse(t, c.text, ""), c.after, 2); got != c.want {
			t.Errorf("%s after %s: %s, want %s", c.text, c.after, got, c.want)
		}
	}
}

// Changes of the clock as the IANA database has them: Berlin puts it forward at
// 02:00 on 29 March 2026 and back at 03:00 on 25 October (Directive 2000/84/EC),
// Lord Howe by half an hour at 02:00 on 4 October and 5 April, Apia left out the
// whole of 30 December 2011, and St. John's once changed at one past midnight.
func TestNextWhereTheClockChanges(t *testing.T) {
	for _, c := range []struct{ name, text, zone, after, want string }{
		{"does not exist: once, at the first time that does", "30 2 * * *", "Europe/Berlin", "2026-03-28T03:00:00+01:00", "2026-03-29T03:00:00+02:00 2026-03-30T02:30:00+02:00"},
		{"several that do not exist: once", "*/10 2 * * *", "Europe/Berlin", "2026-03-28T02:50:00+01:00", "2026-03-29T03:00:00+02:00 2026-03-30T02:00:00+02:00"},
		{"hourly over the gap", "0 * * * *", "Europe/Berlin", "2026-03-29T00:30:00+01:00", "2026-03-29T01:00:00+01:00 2026-03-29T03:00:00+02:00"},
		{"comes twice: the first time only", "30 2 * * *", "Europe/Berlin", "2026-10-25T00:00:00+02:00", "2026-10-25T02:30:00+02:00 2026-10-26T02:30:00+01:00"},
		{"asked between the two", "30 2 * * *", "Europe/Berlin", "2026-10-25T02:10:00+01:00", "2026-10-26T02:30:00+01:00 2026-10-27T02:30:00+01:00"},
		{"hourly where an hour comes twice", "0 * * * *", "Europe/Berlin", "2026-10-25T01:30:00+02:00", "2026-10-25T02:00:00+02:00 2026-10-25T03:00:00+01:00"},
		{"half an hour forward", "15 2 * * *", "Australia/Lord_Howe", "2026-10-03T12:00:00+10:30", "2026-10-04T02:30:00+11:00 2026-10-05T02:15:00+11:00"},
		{"half an hour back", "45 1 * * *", "Australia/Lord_Howe", "2026-04-04T12:00:00+11:00", "2026-04-05T01:45:00+11:00 2026-04-06T01:45:00+10:30"},
		{"a day that does not exist", "0 12 30 12 *", "Pacific/Apia", "2011-12-29T13:00:00-10:00", "2011-12-31T00:00:00+14:00 2012-12-30T12:00:00+14:00"},
		{"midnight that does not exist", "0 0 * * *", "America/Santiago", "2026-09-05T12:00:00-04:00", "2026-09-06T01:00:00-03:00 2026-09-07T00:00:00-03:00"},
		{"west of Greenwich", "30 1 * * *", "America/New_York", "2026-10-31T12:00:00-04:00", "2026-11-01T01:30:00-04:00 2026-11-02T01:30:00-05:00"},
	} {
		if got := next(t, parse(t, c.text, c.zone), c.after, 2); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
}

// byCounting finds the due times between two moments by looking at the clock on
// the wall minute by minute and remembering what it has shown.
func byCounting(table Timetable, from, to time.Time) (due []time.Time) {
	const minutes = "2006-01-02 15:04"
	matches := func(wall time.Time) bool {
		return table.dueOn(time.Date(wall.Year(), wall.Month(), wall.Day(), 0, 0, 0, 0, time.UTC)) &&
			table.hours.has(wall.Hour()) && table.minutes.has(wall.Minute())
	}
	seen := map[string]bool{}
	var before time.Time
	for at := from.Add(-26 * time.Hour); !at.After(to); at = at.Add(time.Minute) {
		wall, err := time.Parse(minutes, at.In(table.zone).Format(minutes))
		if err != nil {
			panic(err)
		}
		hit := false
		if !before.IsZero() {
			for gap := before.Add(time.Minute); gap.Before(wall); gap = gap.Add(time.Minute) {
				hit = hit || matches(gap) && !seen[gap.Format(minutes)]
			}
		}
		hit = hit || matches(wall) && !seen[wall.Format(minutes)]
		seen[wall.Format(minutes)] = true
		if hit && at.After(from) {
			due = append(due, at)
		}
		before = wall
	}
	return due
}

func TestNextAgreesWithCountingMinutes(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 15))
	pick := func(from, to int) string {
		switch n := from + random.IntN(to-from+1); random.IntN(3) {
		case 0:
			return "*"
		case 1:
			return strconv.Itoa(n)
		default:
			return strconv.Itoa(n) + "-" + strconv.Itoa(n+random.IntN(to-n+1))
		}
	}
	starts := []struct{ zone, at string }{
		{"Europe/Berlin", "2026-03-28T20:00:00Z"}, {"Europe/Berlin", "2026-10-24T20:00:00Z"}, {"Australia/Lord_Howe", "2026-10-03T10:00:00Z"},
		{"Australia/Lord_Howe", "2026-04-04T10:00:00Z"}, {"Pacific/Apia", "2011-12-29T20:00:00Z"}, {"America/Santiago", "2026-09-05T20:00:00Z"},
	}
	for range 20 {
		s := starts[random.IntN(len(starts))]
		text := pick(0, 59) + " " + pick(0, 5) + " " + pick(1, 31) + " * " + pick(0, 6)
		table := parse(t, text, s.zone)
		from := moment(t, s.at)
		to := from.Add(40 * time.Hour)
		at := from
		for _, want := range byCounting(table, from, to) {
			if at = table.Next(at); !at.Equal(want) {
				t.Fatalf("%s in %s: %s, want %s", text, s.zone, at, want.In(table.zone))
			}
		}
		if at = table.Next(at); !at.After(to) {
			t.Fatalf("%s in %s: %s is one too many", text, s.zone, at)
		}
	}
}

func TestParseRefuses(t *testing.T) {
	for _, c := range []struct{ text, zone, says string }{
		{"", "", "0 fields"}, {"* * * *", "", "4 fields"}, {"* * * * * *", "", "6 fields"}, {"@daily", "", "five"},
		{"60 * * * *", "", "0 to 59"}, {"* 24 * * *", "", "0 to 23"}, {"* * 0 * *", "", "1 to 31"}, {"* * * 13 *", "", "1 to 12"}, {"* * * * 8", "", "0 to 7"},
		{"5-3 * * * *", "", "backwards"}, {"*/0 * * * *", "", "step"}, {"*/99 * * * *", "", "step"}, {"5/2 * * * *", "", "range before"},
		{"-1 * * * *", "", "minute"}, {"+1 * * * *", "", "minute"}, {"1,,2 * * * *", "", "minute"}, {"* * * january *", "", "month"}, {"1.5 * * * *", "", "minute"},
		{"0 0 30 2 *", "", "never"}, {"0 0 31 2,4,6,9,11 *", "", "never"},
		{"0 0 * * *", "Mars/Olympus", "time zone"}, {"0 0 * * *", "Local", "time zone"}, {"0 0 * * *", "../etc/passwd", "time zone"},
		{strings.Repeat("0,", 200) + "0 * * * *", "", "five"},
	} {
		if _, err := Parse(c.text, c.zone); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%q in %q: %v, want %q", c.text, c.zone, err, c.says)
		}
	}
	if _, err := Parse("0 0 30 2 *", ""); !errors.Is(err, ErrNever) {
		t.Errorf("30 February: %v", err)
	}
	if !(Timetable{}).Next(time.Now()).IsZero() {
		t.Error("the zero timetable is due")
	}
}

// Whatever is accepted is due again and again, later each time, at a minute
// that its fields name unless the clock sprang over that one.
func FuzzParse(f *testing.F) {
	for _, seed := range []string{"30 2 * * *", "*/5 8-18/2 1,15 jan-mar mon", "0 0 29 2 *", "60 * * * *", "0 0 30 2 *"} {
		f.Add(seed, "Europe/Berlin", int64(1_700_000_000))
	}
	f.Fuzz(func(t *testing.T, text, zone string, after int64) {
		table, err := Parse(text, zone)
		if err != nil {
			return
		}
		again, err := Parse(table.String(), table.Zone())
		if err == nil {
			again.zone = table.zone // read twice
		}
		if err != nil || again != table {
			t.Fatalf("%q in %q does not survive its own text: %v", text, zone, err)
		}
		at := time.Unix(after%(1<<33), 0)
		for range 3 {
			later := table.Next(at)
			if !later.After(at) || later.Second() != 0 && later.Year() > 1972 {
				t.Fatalf("%q in %q: %s after %s", text, zone, later, at)
			}
			at = later
		}
	})
}

// Every minute that there is in four days, and none of the hour that Berlin leaves
// out on 29 March.
func TestNextThroughManyMinutes(t *testing.T) {
	const days = 4
	table := parse(t, "* * * * *", "Europe/Berlin")
	at, n := moment(t, "2026-03-27T00:00:00+01:00"), 0
	for end := at.AddDate(0, 0, days); at.Before(end); n++ {
		at = table.Next(at)
	}
	if want := days * 24 * 60; n != want {
		t.Errorf("%d due times, want %d", n, want)
	}
}
