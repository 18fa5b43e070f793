package main

import (
	"cmp"
	"fmt"
	"os"

	"benchyard/jobs/conformance"
)

// embeddedSet is the word for the limit set of the program.
const embeddedSet = "embedded"

// limitsDiffCommand prints what changed from one limit set to another.
type limitsDiffCommand struct {
	output
	A string `arg:"" help:"The earlier set: embedded, or a file that lies over it."`
	B string `arg:"" help:"The later set, the same way."`
}

// Run prints one row for each figure that differs.
func (c *limitsDiffCommand) Run(p *program) error {
	var sets [2]*conformance.Set
	for i, name := range []string{c.A, c.B} {
		var files []string
		if name != embeddedSet {
			files = []string{name}
		}
		var err error
		if sets[i], err = limitSet(files); err != nil {
			return err
		}
	}
	changes := conformance.Diff(sets[0], sets[1])
	if changes == nil {
		changes = []conformance.Change{} // an empty list, not null
	}
	t := &table{header: []string{"clause", "figure", "before", "after", "source"}, values: changes}
	for _, change := range changes {
		t.add(change.Clause, change.Figure, cmp.Or(change.Before, "–"), cmp.Or(change.After, "–"), change.Source)
	}
	if err := c.print(p.stdout, t); err != nil || c.Format != "table" {
		return err
	}
	fmt.Fprintf(p.stdout, "\nfigures that differ: %d\nbefore %s\nafter  %s\n", len(changes), sets[0].Name(), sets[1].Name())
	return nil
}

// limitSet returns the embedded limit set with files laid over it in order.
func limitSet(files []string) (*conformance.Set, error) {
	set := conformance.Embedded()
	for _, file := range files {
		data, err := os.ReadFile(file)
		if err != nil {
			return nil, &badInput{fmt.Errorf("limits: %w; name a file that lies over the limit set", err)}
		}
		if set, err = set.With(file, data); err != nil {
			return nil, err // document.Problems
		}
	}
	return set, nil
}
