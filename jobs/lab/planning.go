package lab

import (
	"fmt"
	"slices"
	"time"
)

// Moment is a date and time with its offset from UTC.
type Moment struct{ time.Time }

// UnmarshalText reads "2026-12-01T08:00:00+01:00" (RFC 3339).
func (m *Moment) UnmarshalText(b []byte) (err error) {
	if m.Time, err = time.Parse(time.RFC3339, string(b)); err != nil {
		return fmt.Errorf("lab: moment %q: want a date and time with its offset, such as 2026-12-01T08:00:00+01:00", b)
	}
	return nil
}

// Window is a time in which a bench is kept from work.
type Window struct {
	From   Moment        `document:"required"`
	Until  Moment        `document:"required"`
	Every  time.Duration // until the next one like it; zero: once
	For    string        // who may use the bench meanwhile, a reservation; empty: nobody
	Reason string        `document:"required"`
}

// longestWindow is a slip of the pen when it is exceeded.
const longestWindow = 366 * 24 * time.Hour

// WindowsOf returns the maintenance windows and reservations of a bench that
// touch the time from one moment to another, by their start; those that repeat,
// each time.
func (l *Lab) WindowsOf(bench string, from, until time.Time) []Window {
	b, ok := l.Bench(bench)
	if !ok {
		return nil
	}
	var list []Window
	for _, w := range slices.Concat(b.Maintenance, b.Reservations) {
		if w.Every > 0 && w.Until.Before(from) {
			w = w.later(from.Sub(w.Until.Time) / w.Every * w.Every)
		}
		for w.From.Before(until) {
			if w.Until.After(from) {
				list = append(list, w)
			}
			if w.Every <= 0 {
				break
			}
			w = w.later(w.Every)
		}
	}
	slices.SortStableFunc(list, func(v, w Window) int { return v.From.Compare(w.From.Time) })
	return list
}

func (w Window) later(d time.Duration) Window {
	w.From, w.Until = Moment{w.From.Add(d)}, Moment{w.Until.Add(d)}
	return w
}

// planning checks what the scheduler goes by.
func (c *checker) planning(path string, b Bench) {
	c.words(path+".options", "option", b.Options)
	for _, kind := range []struct {
		key  string
		list []Window
	}{{"maintenance", b.Maintenance}, {"reservations", b.Reservations}} {
		for i, w := range kind.list {
			c.window(at("%s.%s[%d]", path, kind.key, i), kind.key == "reservations", w)
		}
	}
}

func (c *checker) window(path string, reserved bool, w Window) {
	switch length := w.Until.Sub(w.From.Time); {
	case w.From.IsZero() || w.Until.IsZero(): // reported already
	case length <= 0:
		c.Report(path+".until", "until %s is not after from %s", w.Until.Format(time.RFC3339), w.From.Format(time.RFC3339))
	case length > longestWindow:
		c.Report(path+".until", "the window takes %d days; want a year at most", int(length.Hours()/24))
	case c.Has(path+".every") && w.Every < length:
		c.Report(path+".every", "every %s: the next one would begin before this one, of %s, ends", w.Every, length)
	}
	switch {
	case reserved && w.For == "":
		c.Report(path+".for", "a reservation needs for: who may use the bench")
	case !reserved && c.Has(path+".for"):
		c.Report(path+".for", "maintenance is for nobody's runs; put the window under reservations")
	}
}

// words checks a list of words that are compared as they are written.
func (c *checker) words(path, noun string, list []string) {
	for i, word := range list {
		switch {
		case !namePattern.MatchString(word):
			c.Report(at("%s[%d]", path, i), "%s %q: want letters, digits and . _ + -, at most 64, beginning with a letter or digit", noun, word)
		case slices.Contains(list[:i], word):
			c.Report(at("%s[%d]", path, i), "%s %q is listed twice", noun, word)
		}
	}
}
