package lab

import (
	"encoding/json"
	"fmt"
	"time"
)

// Date is a day of the calendar, without a time zone. The zero Date is none.
type Date struct{ day time.Time }

// ParseDate reads "2027-03-31".
func ParseDate(s string) (Date, error) {
	day, err := time.Parse(time.DateOnly, s)
	if err != nil {
		return Date{}, fmt.Errorf("lab: date %q: want year-month-day such as 2027-03-31", s)
	}
	return Date{day}, nil
}

// DateOf returns the day of t in its own time zone.
func DateOf(t time.Time) Date {
	y, m, d := t.Date()
	return Date{time.Date(y, m, d, 0, 0, 0, 0, time.UTC)}
}

// Before reports whether d is an earlier day than other. The zero Date is
// before nothing: what has no last good day does not run out.
func (d Date) Before(other Date) bool { return !d.IsZero() && d.day.Before(other.day) }

// Sub returns the time from t to the start of the day in the time zone of t,
// negative when the day began before t.
func (d Date) Sub(t time.Time) time.Duration {
	y, m, day := d.day.Date()
	return time.Date(y, m, day, 0, 0, 0, 0, t.Location()).Sub(t)
}

// IsZero reports whether there is no date.
func (d Date) IsZero() bool { return d.day.IsZero() }

// String returns "2027-03-31", or nothing for the zero Date.
func (d Date) String() string {
	if d.IsZero() {
		return ""
	}
	return d.day.Format(time.DateOnly)
}

// MarshalText is String.
func (d Date) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalJSON reads what MarshalText has written, no date for none too.
func (d *Date) UnmarshalJSON(b []byte) error {
	var text string
	if err := json.Unmarshal(b, &text); err != nil || text == "" {
		*d = Date{}
		return err
	}
	return d.UnmarshalText([]byte(text))
}

// UnmarshalText is ParseDate.
func (d *Date) UnmarshalText(b []byte) (err error) {
	*d, err = ParseDate(string(b))
	return err
}
