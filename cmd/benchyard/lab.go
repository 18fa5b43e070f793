package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"benchyard/jobs/lab"
)

// labCommand looks after the inventory.
type labCommand struct {
	Apply   labApply   `cmd:"" help:"Put an inventory in force; every version is kept."`
	Show    labShow    `cmd:"" help:"The inventory in force: benches, instruments, units."`
	Dialect labDialect `cmd:"" help:"The built-in dialect of a role, as a pattern for one's own; with --check, every problem of a dialect file."`
	Check   labCheck   `cmd:"" help:"Every problem of an inventory; with --connect, whether each instrument answers; with --probe, what of its dialect."`
}

type labApply struct {
	File string `arg:"" help:"Inventory, YAML."`
}

// Run applies the inventory.
func (c *labApply) Run(ctx context.Context, p *program) error {
	l, complete, err := readLab(ctx, c.File)
	if err != nil {
		return err
	}
	notice(p, l)
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	before, err := inForceOr(ctx, db.Pool)
	if err != nil {
		return err
	}
	id, changed, err := lab.Apply(ctx, db.Pool, c.File, complete, person())
	if err != nil {
		return err
	}
	if l, _, err = lab.Load(ctx, db.Pool, id); err != nil {
		return err
	}
	tellKept(p, c.File, before, l)
	if !changed {
		fmt.Fprintf(p.stdout, "%s is in force already, as version %d\n", c.File, id)
		return nil
	}
	fmt.Fprintf(p.stdout, "%s is in force as version %d: %d benches, %d instruments, %d unit types, %d units\n",
		l.Name, id, len(l.Benches), len(l.Instruments), len(l.Types), len(l.Units))
	return nil
}

type labShow struct{ output }

// Run prints the inventory in force.
func (c *labShow) Run(ctx context.Context, p *program) error {
	l, id, err := labInForce(ctx, p)
	if err != nil {
		return err
	}
	if c.Format == "table" {
		mark := ""
		if l.Simulated {
			mark = ", SIMULATED"
		}
		fmt.Fprintf(p.stdout, "%s, version %d%s; builds %s\n\n", l.Name, id, mark, strings.Join(l.Builds, ", "))
	}
	t := &table{header: []string{"bench", "what", "name", "details", "calibration due"}, values: labToWire(l, id)}
	for _, b := range l.Benches {
		for _, i := range l.InstrumentsOn(b) {
			t.add(b.Name, i.Role, i.Name, i.Resource, i.CalibrationDue.String())
		}
		for _, u := range l.UnitsOn(b.Name) {
			in := "in"
			if u.ByHand() {
				in = "on the shelf, goes into"
			}
			t.add(b.Name, "radio unit", u.Serial, fmt.Sprintf("%s revision %s %s slot %d, %s", u.Type, u.Revision, in, u.Slot, u.Resource), "")
		}
	}
	for _, u := range l.Units {
		if !u.Mounted() {
			t.add("–", "radio unit", u.Serial, u.Type+" revision "+u.Revision+", on the shelf", "")
		}
	}
	return c.print(p.stdout, t)
}

// labInForce loads the inventory in force and its version.
func labInForce(ctx context.Context, p *program) (*lab.Lab, int64, error) {
	db, err := p.open(ctx)
	if err != nil {
		return nil, 0, err
	}
	defer db.Close()
	l, id, err := lab.Load(ctx, db.Pool, 0)
	if errors.Is(err, lab.ErrNoLab) {
		err = &badInput{err}
	}
	return l, id, err
}

// readLab reads an inventory and the files it names.
func readLab(ctx context.Context, file string) (*lab.Lab, []byte, error) {
	data, err := readFile(ctx, file)
	if err != nil {
		return nil, nil, err
	}
	if err := lab.CheckOwn(file, data); err != nil {
		return nil, nil, err
	}
	var files fs.FS = os.DirFS(filepath.Dir(file))
	l, complete, err := lab.ParseIn(files, file, data)
	if err == nil {
		err = checkDeclared(file, data, l)
	}
	return l, complete, err
}
