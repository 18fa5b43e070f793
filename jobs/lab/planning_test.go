package lab_test

import (
	"slices"
	"testing"
	"time"

	"benchyard/jobs/lab"
)

func moment(t *testing.T, text string) lab.Moment {
	t.Helper()
	var m lab.Moment
	if err := m.UnmarshalText([]byte(text)); err != nil {
		t.Fatal(err)
	}
	return m
}

// Every Tuesday from 08:00 to 10:00, and one reservation: within a fortnight from
// a Monday there are two Tuesdays; the offset of a window is kept.
func TestWindowsRepeat(t *testing.T) {
	l := &lab.Lab{Benches: []lab.Bench{{
		Name:         "bench-1",
		Maintenance:  []lab.Window{{From: moment(t, "2026-01-06T08:00:00+01:00"), Until: moment(t, "2026-01-06T10:00:00+01:00"), Every: 7 * 24 * time.Hour, Reason: "cleaning"}},
		Reservations: []lab.Window{{From: moment(t, "2026-11-25T12:00:00Z"), Until: moment(t, "2026-11-26T12:00:00Z"), For: "ann"}},
	}}}
	from := time.Date(2026, 11, 23, 0, 0, 0, 0, time.UTC)
	var got []string
	for _, w := range l.WindowsOf("bench-1", from, from.Add(14*24*time.Hour)) {
		got = append(got, w.From.Format(time.RFC3339)+" "+w.For)
	}
	want := []string{"2026-11-24T08:00:00+01:00 ", "2026-11-25T12:00:00Z ann", "2026-12-01T08:00:00+01:00 "}
	if !slices.Equal(got, want) {
		t.Errorf("windows %q, want %q", got, want)
	}
	within := time.Date(2026, 11, 24, 8, 30, 0, 0, time.UTC)
	if now := l.WindowsOf("bench-1", within, within.Add(time.Hour)); len(now) != 1 || now[0].Reason != "cleaning" {
		t.Errorf("in the middle of a window: %+v", now)
	}
	if none := l.WindowsOf("bench-1", from.Add(12*time.Hour), from.Add(20*time.Hour)); none != nil {
		t.Errorf("on a Monday: %+v", none)
	}
	if none := l.WindowsOf("bench-2", from, from.Add(time.Hour)); none != nil {
		t.Errorf("of a bench that is not there: %+v", none)
	}
}
