package radiounit

import (
	"context"
	"fmt"

	"benchyard/instruments/dialect"
	"benchyard/instruments/scpi"
	"benchyard/instruments/shell"
)

// Dial connects to the command line of a unit that speaks as t has it. Manner and
// Identify of the configuration are those of the table. A unit that is not the one
// of the first connection is scpi.ErrWrongInstrument.
func Dial(ctx context.Context, resource scpi.Resource, config shell.Config, t *dialect.Table) (*shell.Session, error) {
	if err := spoken(t); err != nil {
		return nil, err
	}
	config.Manner = manner(t.CommandLine)
	config.Identify = func(_ context.Context, ask func(string) (string, error)) (scpi.Identity, string, error) {
		output, err := ask(t.CommandLine.Identity)
		if err != nil {
			return scpi.Identity{}, "", err
		}
		return t.Names(output)
	}
	return shell.Dial(ctx, resource, config)
}

// Blind sends lines to a command line with which no session came about, and waits
// for nothing; see shell.Blind.
func Blind(ctx context.Context, resource scpi.Resource, config shell.Config, t *dialect.Table, lines ...string) error {
	if err := spoken(t); err != nil {
		return err
	}
	config.Manner = manner(t.CommandLine)
	return shell.Blind(ctx, resource, config, lines...)
}

// spoken refuses a table that is not one of a command line.
func spoken(t *dialect.Table) error {
	if t.Control != dialect.Shell {
		return fmt.Errorf("radiounit: dialect %s is not that of a command line; give the type of the unit a dialect with control: %s", t.Name, dialect.Shell)
	}
	return nil
}

// manner is what a table says of its command line.
func manner(l dialect.CommandLine) shell.Manner {
	newline := map[string]string{"CRLF": "\r\n", "CR": "\r"}[l.Newline]
	return shell.Manner{
		Prompt: l.Prompt, Refused: l.Refused, User: l.UserPrompt, Password: l.PasswordPrompt,
		Setup: l.Setup, Echo: l.Echo, Newline: newline,
	}
}
