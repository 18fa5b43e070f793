package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"benchyard/instruments"
	"benchyard/instruments/scpi"
	"benchyard/jobs"
	"benchyard/jobs/lab"
)

// labCommand looks after the inventory.
type labCommand struct {
	Apply labApply `cmd:"" help:"Put an inventory in force; every version is kept."`
	Show  labShow  `cmd:"" help:"The inventory in force: benches, instruments, units."`
	Check labCheck `cmd:"" help:"Every problem of an inventory; with --connect, whether each instrument answers."`
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
	id, changed, err := lab.Apply(ctx, db.Pool, c.File, complete, person())
	if err != nil {
		return err
	}
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
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	l, id, err := lab.Load(ctx, db.Pool, 0)
	if errors.Is(err, lab.ErrNoLab) {
		return &badInput{err}
	} else if err != nil {
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
			t.add(b.Name, "radio unit", u.Serial, fmt.Sprintf("%s revision %s in slot %d, %s", u.Type, u.Revision, u.Slot, u.Resource), "")
		}
	}
	for _, u := range l.Units {
		if !u.Mounted() {
			t.add("–", "radio unit", u.Serial, u.Type+" revision "+u.Revision+", on the shelf", "")
		}
	}
	return c.print(p.stdout, t)
}

type labCheck struct {
	output
	File    string        `arg:"" help:"Inventory, YAML."`
	Connect bool          `help:"Also ask every instrument and unit who it is."`
	Timeout time.Duration `default:"3s" help:"How long to wait for each."`
}

// answerHeader is the header of a table of answers.
var answerHeader = []string{"name", "role", "resource", "identity", "problem"}

// answer is what one instrument said when it was asked.
type answer struct {
	Name     string `json:"name"`
	Role     string `json:"role"`
	Resource string `json:"resource"`
	Identity string `json:"identity"`
	Problem  string `json:"problem"`
}

// Run checks the inventory.
func (c *labCheck) Run(ctx context.Context, p *program) error {
	l, _, err := readLab(ctx, c.File)
	if err != nil {
		return err
	}
	notice(p, l)
	if !c.Connect && c.Format != "table" { // nobody was asked
		return c.print(p.stdout, &table{header: answerHeader, values: []answer{}})
	}
	if !c.Connect {
		fmt.Fprintf(p.stdout, "%s: no problems; %d benches, %d instruments, %d units\n", c.File, len(l.Benches), len(l.Instruments), len(l.Units))
		return nil
	}
	answers := c.ask(ctx, l)
	t := &table{header: answerHeader, values: answers}
	silent := 0
	for _, a := range answers {
		t.add(a.Name, a.Role, a.Resource, a.Identity, a.Problem)
		if a.Problem != "" {
			silent++
		}
	}
	if err := c.print(p.stdout, t); err != nil {
		return err
	}
	if silent > 0 {
		return fmt.Errorf("%s: %d of %d did not answer as the inventory says; see the last column", c.File, silent, len(answers))
	}
	return nil
}

func (c *labCheck) ask(ctx context.Context, l *lab.Lab) []answer {
	var asked []answer
	for _, i := range l.Instruments {
		asked = append(asked, c.askOne(ctx, l, answer{Name: i.Name, Role: i.Role, Resource: i.Resource}))
	}
	for _, u := range l.Units {
		if u.Mounted() {
			asked = append(asked, c.askOne(ctx, l, answer{Name: u.Serial, Role: string(instruments.RadioUnit), Resource: u.Resource}))
		}
	}
	return asked
}

// askOne connects as the run loop does: in the dialect, over the control, and with
// the login of the inventory.
func (c *labCheck) askOne(ctx context.Context, l *lab.Lab, a answer) answer {
	ctx, cancel := context.WithTimeout(ctx, c.Timeout)
	defer cancel()
	i, err := jobs.Connect(ctx, l, a.Name, scpi.Config{Timeout: c.Timeout})
	if err != nil {
		a.Problem = err.Error()
		return a
	}
	defer i.Close()
	a.Identity = i.Identity().String()
	return a
}

// readLab reads an inventory and the correction files it names.
func readLab(ctx context.Context, file string) (*lab.Lab, []byte, error) {
	data, err := readFile(ctx, file)
	if err != nil {
		return nil, nil, err
	}
	var files fs.FS = os.DirFS(filepath.Dir(file))
	l, complete, err := lab.ParseIn(files, file, data)
	if err == nil {
		err = checkDeclared(file, data, l)
	}
	return l, complete, err
}
