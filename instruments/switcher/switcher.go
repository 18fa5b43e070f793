// Package switcher drives a signal switch matrix that leads one of many radio
// connectors to the analyzer and terminates all others. Two closed paths would
// join two transmitters, so connecting always opens everything first, and what
// is closed is read back.
package switcher

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"benchyard/instruments/scpi"
)

// Dialect holds the commands of one family of switch matrices. %s stands for a
// channel list such as "(@101)".
type Dialect struct {
	OpenAll, Close, AskClosed string
}

// standard is the dialect of SCPI-1999 (vol. 2, ROUTe).
var standard = Dialect{OpenAll: ":ROUT:OPEN:ALL", Close: ":ROUT:CLOS %s", AskClosed: ":ROUT:CLOS? %s"}

// askedAtOnce is how many channels one query names, so that it fits small input buffers.
const askedAtOnce = 16

// Switcher is a switch matrix behind a session. It is for one goroutine at a time.
type Switcher struct {
	// Routes are the routes that exist, as an inventory lists them. Terminate
	// reads back each of them, besides those connected through this driver.
	Routes []string

	session *scpi.Session
	dialect Dialect
	used    []int // channels connected through this driver
}

// New returns the driver of the switch matrix behind s, in the standard dialect.
func New(s *scpi.Session) *Switcher { return &Switcher{session: s, dialect: standard} }

// Session returns the session the driver uses.
func (w *Switcher) Session() *scpi.Session { return w.session }

// Connect opens every path, confirms that as Terminate does, closes the one of
// route, and reads back that it is closed. A route is a channel number, plain
// ("101") or as a list ("(@101)"). The transmitters must be off: switching under
// power wears contacts.
func (w *Switcher) Connect(ctx context.Context, route string) error {
	channel, err := parseRoute(route)
	if err != nil {
		return err
	}
	if err := w.open(ctx); err != nil {
		return fmt.Errorf("switcher: connect route %s: open the others first: %w", route, err)
	}
	list := channelList([]int{channel})
	err = w.session.Confirm(ctx, fmt.Sprintf(w.dialect.AskClosed, list), states(1, "1"), fmt.Sprintf(w.dialect.Close, list))
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
	if len(channels) == 0 {
		return errors.Join(unreadable, w.session.Confirm(ctx, ":SYST:ERR?", accepted, w.dialect.OpenAll))
	}
	for some := range slices.Chunk(channels, askedAtOnce) {
		err := w.session.Confirm(ctx, fmt.Sprintf(w.dialect.AskClosed, channelList(some)), states(len(some), "0"), w.dialect.OpenAll)
		if err != nil {
			return errors.Join(unreadable, err)
		}
	}
	return unreadable
}

// known returns the channels of Routes and those connected before, in order.
func (w *Switcher) known() (channels []int, unreadable error) {
	channels = slices.Clone(w.used)
	for _, route := range w.Routes {
		channel, err := parseRoute(route)
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
func states(n int, want string) func(string) bool {
	return func(answer string) bool {
		fields := strings.Split(answer, ",")
		for _, f := range fields {
			if strings.TrimSpace(f) != want {
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

// parseRoute returns the channel of a route.
func parseRoute(route string) (int, error) {
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

func channelList(channels []int) string {
	text := make([]string, len(channels))
	for i, c := range channels {
		text[i] = strconv.Itoa(c)
	}
	return "(@" + strings.Join(text, ",") + ")"
}
