package instruments

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"benchyard/instruments/analyzer"
	"benchyard/instruments/dialect"
	"benchyard/instruments/generator"
	"benchyard/instruments/powermeter"
	"benchyard/instruments/radiounit"
	"benchyard/instruments/scpi"
	"benchyard/instruments/shell"
	"benchyard/instruments/supply"
	"benchyard/instruments/switcher"
)

// Role is what an instrument does on a bench, as an inventory names it.
type Role string

// The roles.
const (
	Analyzer   Role = "analyzer"
	Generator  Role = "generator"
	PowerMeter Role = "power meter"
	Supply     Role = "supply"
	Switcher   Role = "switcher"
	RadioUnit  Role = "radio unit"
)

// entry is the driver for a role.
type entry struct {
	role Role
	open func(*scpi.Session, *dialect.Table) any
}

// drivers is the one table of roles and their drivers.
var drivers = []entry{
	{Analyzer, func(s *scpi.Session, t *dialect.Table) any { return analyzer.New(s, t) }},
	{Generator, func(s *scpi.Session, t *dialect.Table) any { return generator.New(s, t) }},
	{PowerMeter, func(s *scpi.Session, t *dialect.Table) any { return powermeter.New(s, t) }},
	{Supply, func(s *scpi.Session, t *dialect.Table) any { return supply.New(s, t) }},
	{Switcher, func(s *scpi.Session, t *dialect.Table) any { return switcher.New(s, t) }},
	{RadioUnit, func(s *scpi.Session, t *dialect.Table) any { return radiounit.New(s, t) }},
}

// Roles returns every role there is a driver for.
func Roles() []Role {
	roles := make([]Role, len(drivers))
	for i, d := range drivers {
		roles[i] = d.role
	}
	return roles
}

// Instrument is an open instrument.
type Instrument struct {
	role     Role
	identity scpi.Identity
	session  Session
	driver   any
}

// Session is the connection of an instrument: *scpi.Session, or *shell.Session for a
// radio unit on a command line.
type Session interface {
	// Ready opens a connection anew that was lost, and says once if settings are lost too.
	Ready(ctx context.Context) error
	// Identity asks who answers.
	Identity(ctx context.Context) (scpi.Identity, error)
	// Resource is where the connection leads.
	Resource() scpi.Resource
	// Close closes the connection.
	Close() error
}

// Role returns what the instrument does.
func (i *Instrument) Role() Role { return i.role }

// Identity returns what the instrument answered to *IDN? when it was opened.
func (i *Instrument) Identity() scpi.Identity { return i.identity }

// Session returns the session that the driver uses.
func (i *Instrument) Session() Session { return i.session }

// Driver returns the driver: *analyzer.Analyzer, *generator.Generator,
// *powermeter.PowerMeter, *supply.Supply, *switcher.Switcher or
// *radiounit.RadioUnit, as the role has it.
func (i *Instrument) Driver() any { return i.driver }

// Close closes the connection. It changes nothing in the instrument.
func (i *Instrument) Close() error { return i.session.Close() }

// IdentityError says that another instrument answers than the inventory lists.
type IdentityError struct {
	Role     Role
	Resource string
	Expected string // as listed
	Found    scpi.Identity
}

// Error says what was expected, what was found, and what to do.
func (e *IdentityError) Error() string {
	return fmt.Sprintf("instruments: %s at %s is %q, the lab lists %q; correct the resource or the identity in the lab file, or the cabling",
		e.Role, e.Resource, e.Found, e.Expected)
}

// Unwrap is scpi.ErrWrongInstrument.
func (e *IdentityError) Unwrap() error { return scpi.ErrWrongInstrument }

// Open connects to the instrument at a resource string
// ("TCPIP::host::port::SOCKET" or "TCPIP::host::hislip0::INSTR"), and returns it
// with the driver for its role, which speaks the dialect of the table; nil
// stands for the standard one. What the table says of the connection goes before
// the configuration. It compares manufacturer, model and serial number with expectIdentity, three
// fields joined by commas of which an empty one fits anything; a fourth, the
// firmware, is not compared. An empty expectIdentity accepts whatever answers. A
// difference is *IdentityError and leaves no connection open. Nothing in the
// instrument is changed but its status, which is cleared.
func Open(ctx context.Context, role Role, resource, expectIdentity string, config scpi.Config, table *dialect.Table) (*Instrument, error) {
	at := slices.IndexFunc(drivers, func(e entry) bool { return e.role == role })
	if at < 0 {
		return nil, fmt.Errorf("instruments: no driver for role %q, want one of %v", role, Roles())
	}
	if table == nil {
		table = dialect.Standard(string(role))
	}
	if table.Role != string(role) {
		return nil, fmt.Errorf("instruments: %s: dialect %s is one of a %s; name another one in the lab file", role, table.Name, table.Role)
	}
	where, err := scpi.ParseResource(resource)
	if err != nil {
		return nil, fmt.Errorf("instruments: %s: %w", role, err)
	}
	session, err := scpi.Dial(ctx, where, table.Configure(config))
	if err != nil {
		return nil, fmt.Errorf("instruments: %s: %w", role, err)
	}
	return admit(ctx, role, expectIdentity, session, drivers[at].open(session, table))
}

// OpenCommandLine is Open for a radio unit that is controlled over a command line,
// for which the table has to be one. Of the configuration, time-out, Admit, guard and
// transcript apply.
func OpenCommandLine(ctx context.Context, resource, expectIdentity string, login shell.Login, config scpi.Config, table *dialect.Table) (*Instrument, error) {
	where, err := scpi.ParseResource(resource)
	if err != nil {
		return nil, fmt.Errorf("instruments: %s: %w", RadioUnit, err)
	}
	session, err := radiounit.Dial(ctx, where, shell.Config{
		Login: login, Timeout: config.Timeout, Admit: config.Admit, Guard: config.Guard, Transcript: config.Transcript,
	}, table)
	if err != nil {
		return nil, fmt.Errorf("instruments: %s: %w", RadioUnit, err)
	}
	return admit(ctx, RadioUnit, expectIdentity, session, radiounit.NewOnCommandLine(session, table))
}

// Blind tells an instrument that could not be opened to do what a capability of the
// table says, which must need no values, on a connection of its own and without
// waiting for any answer, so that nobody knows who heard it; see scpi.Blind. It is
// the last resort for switching something off.
func Blind(ctx context.Context, role Role, resource string, config scpi.Config, table *dialect.Table, capability string) error {
	where, commands, err := blindly(role, resource, table, capability)
	if err == nil {
		err = scpi.Blind(ctx, where, table.Configure(config), commands...)
	}
	if err != nil {
		return fmt.Errorf("instruments: %s: %w", role, err)
	}
	return nil
}

// BlindCommandLine is Blind for a radio unit that is controlled over a command line.
func BlindCommandLine(ctx context.Context, resource string, login shell.Login, config scpi.Config, table *dialect.Table, capability string) error {
	where, lines, err := blindly(RadioUnit, resource, table, capability)
	if err == nil {
		err = radiounit.Blind(ctx, where, shell.Config{
			Login: login, Timeout: config.Timeout, Admit: config.Admit, Guard: config.Guard, Transcript: config.Transcript,
		}, table, lines...)
	}
	if err != nil {
		return fmt.Errorf("instruments: %s: %w", RadioUnit, err)
	}
	return nil
}

func blindly(role Role, resource string, table *dialect.Table, capability string) (scpi.Resource, []string, error) {
	where, err := scpi.ParseResource(resource)
	if err != nil {
		return where, nil, err
	}
	if table.Role != string(role) {
		return where, nil, fmt.Errorf("dialect %s is one of a %s", table.Name, table.Role)
	}
	commands, err := table.Set(capability, nil)
	return where, commands, err
}

// admit compares identities and closes the session of a wrong instrument.
func admit(ctx context.Context, role Role, expectIdentity string, session Session, driver any) (*Instrument, error) {
	identity, err := session.Identity(ctx)
	if err == nil && !fits(expectIdentity, identity) {
		err = &IdentityError{Role: role, Resource: session.Resource().String(), Expected: expectIdentity, Found: identity}
	}
	if err != nil {
		return nil, errors.Join(err, session.Close())
	}
	return &Instrument{role, identity, session, driver}, nil
}

// fits compares an identity as listed with one as answered.
func fits(expected string, found scpi.Identity) bool {
	if strings.TrimSpace(expected) == "" {
		return true
	}
	answered := []string{found.Manufacturer, found.Model, found.Serial}
	for i, field := range strings.Split(expected, ",") {
		field = strings.TrimSpace(field)
		if i < len(answered) && field != "" && field != answered[i] {
			return false
		}
	}
	return true
}
