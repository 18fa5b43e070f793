// Package switcher drives a signal switch matrix that leads one of many radio
// connectors to the analyzer and terminates all others. Two closed paths would
// join two transmitters, so connecting always opens everything first, and what
// is closed is read back.
package switcher

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"benchyard/instruments/dialect"
	"benchyard/instruments/scpi"
)

// Switcher is a switch matrix behind a session. It is for one goroutine at a time.
type Switcher struct {
	// Routes are the routes that exist, as an inventory lists them. Terminate
	// reads back each of them, besides those connected through this driver.
	Routes []string

	line dialect.Line
	used []int // channels connected through this driver
}

// New returns the driver of the switch matrix behind s, in the words of t.
func New(s *scpi.Session, t *dialect.Table) *Switcher {
	return &Switcher{line: dialect.Line{Session: s, Table: t}}
}

// Session returns the session the driver uses.
func (w *Switcher) Session() *scpi.Session { return w.line.Session }

// Connect opens every path, confirms that as Terminate does, closes the one of
// route, and reads back that it is closed. A route is a channel number, plain
// ("101") or as a list ("(@101)"). The transmitters must be off: switching under
// power wears contacts.
func (w *Switcher) Connect(ctx context.Context, route string) error {
	channel, err := ParseRoute(route)
	if err != nil {
		return err
	}
	if err := w.open(ctx); err != nil {
		return fmt.Errorf("switcher: connect route %s: open the others first: %w", route, err)
	}
	one := dialect.Values{"channels": dialect.Channels([]int{channel})}
	commands, err := w.line.Table.Set("close", one)
	if err == nil {
		err = w.line.Confirm(ctx, "closed", one, w.states(1, true), commands...)
	}
	// A path that the instrument refused to close need not be read back later,
	// and cannot be where the channel does not exist. Any other may be closed.
	var refused *scpi.Error
	if !errors.As(err, &refused) && !slices.Contains(w.used, channel) {
		w.used = append(w.used, channel)
	}
	if err != nil {
		return fmt.Errorf("switcher: connect route %s: %w", route, err)
	}
	return nil
}

// Connected confirms that of all known routes just the one is closed, without moving
// anything.
func (w *Switcher) Connected(ctx context.Context, route string) error {
	channel, err := ParseRoute(route)
	if err != nil {
		return err
	}
	channels, unreadable := w.known()
	if unreadable != nil {
		return unreadable
	}
	if !slices.Contains(channels, channel) {
		channels = append(channels, channel)
		slices.Sort(channels)
	}
	for some := range slices.Chunk(channels, max(1, int(w.line.Table.Limits["channels_at_once"]))) {
		query, err := w.line.Table.Ask("closed", dialect.Values{"channels": dialect.Channels(some)})
		if err != nil {
			return err
		}
		answer, err := w.line.Session.Query(ctx, query)
		if err != nil {
			return fmt.Errorf("switcher: route %s: %w", route, err)
		}
		fields := strings.Split(answer, ",")
		if len(fields) != len(some) {
			return fmt.Errorf("switcher: route %s: %w: %.40q for %d channels", route, scpi.ErrAnswer, answer, len(some))
		}
		for i, f := range fields {
			closed, err := w.line.Table.Bool("closed", []byte(f))
			if err != nil {
				return fmt.Errorf("switcher: route %s: %w", route, err)
			}
			if closed != (some[i] == channel) {
				return fmt.Errorf("switcher: channel %d closed: %t, with route %s wanted alone: %w", some[i], closed, route, scpi.ErrUnconfirmed)
			}
		}
	}
	return nil
}

// Open confirms that these routes lead nowhere but into their terminations, without
// moving anything.
func (w *Switcher) Open(ctx context.Context, routes ...string) error {
	for _, route := range routes {
		channel, err := ParseRoute(route)
		if err != nil {
			return err
		}
		query, err := w.line.Table.Ask("closed", dialect.Values{"channels": dialect.Channels([]int{channel})})
		if err != nil {
			return err
		}
		answer, err := w.line.Session.Query(ctx, query)
		if err != nil {
			return fmt.Errorf("switcher: route %s: %w", route, err)
		}
		if !w.states(1, false)([]byte(answer)) {
			return fmt.Errorf("switcher: route %s is closed: %.40q, want it terminated: %w", route, answer, scpi.ErrUnconfirmed)
		}
	}
	return nil
}

// Terminate opens every path, so that each input ends in its termination. It
// returns nil only when every known route reads back open: those of Routes and
// those connected before. With none known, only the acceptance of the command
// can be confirmed. A route in Routes that cannot be read is an error, after all
// paths were opened.
func (w *Switcher) Terminate(ctx context.Context) error {
	if err := w.open(ctx); err != nil {
		return fmt.Errorf("switcher: terminate: %w", err)
	}
	return nil
}

// open opens every path and reads back the known ones.
func (w *Switcher) open(ctx context.Context) error {
	channels, unreadable := w.known()
	commands, err := w.line.Table.Set("open_all", nil)
	if err != nil {
		return err
	}
	if len(channels) == 0 {
		return errors.Join(unreadable, w.line.Session.Confirm(ctx, ":SYST:ERR?", accepted, commands...))
	}
	for some := range slices.Chunk(channels, max(1, int(w.line.Table.Limits["channels_at_once"]))) {
		values := dialect.Values{"channels": dialect.Channels(some)}
		if err := w.line.Confirm(ctx, "closed", values, w.states(len(some), false), commands...); err != nil {
			return errors.Join(unreadable, err)
		}
	}
	return unreadable
}

// known returns the channels of Routes and those connected before, in order.
func (w *Switcher) known() (channels []int, unreadable error) {
	channels = slices.Clone(w.used)
	for _, route := range w.Routes {
		channel, err := ParseRoute(route)
		if err != nil {
			unreadable = errors.Join(unreadable, err)
			continue
		}
		channels = append(channels, channel)
	}
	slices.Sort(channels)
	return slices.Compact(channels), unreadable
}

// states holds for an answer of n elements, each of them want (vol. 2, ROUTe:
// the answer to CLOSe? is one number per channel, 1 for closed).
func (w *Switcher) states(n int, want bool) func([]byte) bool {
	return func(answer []byte) bool {
		fields := bytes.Split(answer, []byte(","))
		for _, f := range fields {
			if closed, err := w.line.Table.Bool("closed", f); err != nil || closed != want {
				return false
			}
		}
		return len(fields) == n
	}
}

// accepted holds for the answer of an empty error queue.
func accepted(answer string) bool {
	e, err := scpi.ParseError(answer)
	return err == nil && e.Number == 0
}

// ParseRoute returns the channel of a route: "101" or "(@101)".
func ParseRoute(route string) (int, error) {
	text := strings.TrimSpace(route)
	if strings.HasPrefix(text, "(") {
		channels, err := scpi.ParseChannelList([]byte(text))
		if err != nil || len(channels) != 1 || len(channels[0]) != 1 {
			return 0, fmt.Errorf("switcher: route %q does not name one channel, want for example 101", route)
		}
		return channels[0][0], nil
	}
	channel, err := strconv.Atoi(strings.TrimPrefix(text, "@"))
	if err != nil || channel < 0 {
		return 0, fmt.Errorf("switcher: route %q is no channel number, want for example 101", route)
	}
	return channel, nil
}
