package main

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"benchyard/instruments/dialect"
	"benchyard/instruments/document"
)

type labDialect struct {
	Role  string `arg:"" optional:"" help:"Role: analyzer, generator, power-meter, supply, switcher or radio-unit."`
	Check string `placeholder:"FILE" help:"Dialect file to check instead. It may inherit from the built-in one only; a lab may hold more."`
}

// Run prints the built-in dialect of a role, or checks a file.
func (c *labDialect) Run(ctx context.Context, p *program) error {
	if (c.Role == "") == (c.Check == "") {
		return &badInput{errors.New("want either a role or --check FILE")}
	}
	if c.Check != "" {
		return c.checkFile(ctx, p)
	}
	role := strings.ReplaceAll(c.Role, "-", " ")
	text := dialect.StandardText(role)
	if text == nil {
		hint := ""
		if near, ok := document.Nearest(role, dialect.Roles()); ok {
			hint = fmt.Sprintf("; did you mean %q?", near)
		}
		return &badInput{fmt.Errorf("no dialect for the role %q; there are %s%s", role, strings.Join(dialect.Roles(), ", "), hint)}
	}
	_, err := p.stdout.Write(text)
	return err
}

func (c *labDialect) checkFile(ctx context.Context, p *program) error {
	data, err := readFile(ctx, c.Check)
	if err != nil {
		return err
	}
	t, err := dialect.Parse(c.Check, data)
	if err != nil {
		return err
	}
	able := 0
	for _, capability := range t.Capabilities() {
		if t.Has(capability) {
			able++
		}
	}
	fmt.Fprintf(p.stdout, "%s: no problems; dialect %s, role %s, can do %d of %d\n", c.Check, t.Name, t.Role, able, len(t.Commands))
	return nil
}
