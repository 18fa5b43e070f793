package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"benchyard/instruments"
	"benchyard/instruments/dialect"
	"benchyard/instruments/document"
	"benchyard/instruments/scpi"
	"benchyard/instruments/switcher"
	"benchyard/jobs"
	"benchyard/jobs/lab"
)

type labCheck struct {
	output
	File    string        `arg:"" help:"Inventory, YAML."`
	Names   []string      `arg:"" optional:"" help:"Instruments and serial numbers to ask, with --connect or --probe; none: all of them."`
	Connect bool          `help:"Also ask every instrument and unit who it is."`
	Probe   bool          `help:"Also ask for everything its dialect has a query for. Nothing is set; still, no run should be on its bench."`
	Timeout time.Duration `default:"3s" help:"How long to wait for each answer."`
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
	asked, err := c.chosen(l)
	switch {
	case err != nil:
		return err
	case c.Probe:
		return c.probe(ctx, p, l, asked)
	case c.Connect:
		return c.connect(ctx, p, l, asked)
	case len(c.Names) > 0:
		return &badInput{errors.New("names are for --connect or --probe; give one of them")}
	case c.Format != "table": // nobody was asked
		return c.print(p.stdout, &table{header: answerHeader, values: []answer{}})
	}
	fmt.Fprintf(p.stdout, "%s: no problems; %d benches, %d instruments, %d units\n", c.File, len(l.Benches), len(l.Instruments), len(l.Units))
	return nil
}

// chosen lists whom to ask.
func (c *labCheck) chosen(l *lab.Lab) ([]answer, error) {
	var all []answer
	var names []string
	for _, i := range l.Instruments {
		all, names = append(all, answer{Name: i.Name, Role: i.Role, Resource: i.Resource}), append(names, i.Name)
	}
	for _, u := range l.Units {
		if u.Mounted() {
			all = append(all, answer{Name: u.Serial, Role: string(instruments.RadioUnit), Resource: u.Resource})
			names = append(names, u.Serial)
		}
	}
	for _, name := range c.Names {
		if slices.Contains(names, name) {
			continue
		}
		if near, ok := document.Nearest(name, names); ok {
			return nil, &badInput{fmt.Errorf("%s: no instrument and no unit on a bench is called %q; did you mean %q?", c.File, name, near)}
		}
		return nil, &badInput{fmt.Errorf("%s: no instrument and no unit on a bench is called %q", c.File, name)}
	}
	return slices.DeleteFunc(all, func(a answer) bool { return len(c.Names) > 0 && !slices.Contains(c.Names, a.Name) }), nil
}

// connect asks each who it is.
func (c *labCheck) connect(ctx context.Context, p *program, l *lab.Lab, asked []answer) error {
	answers := []answer{}
	silent := 0
	t := &table{header: answerHeader}
	for _, a := range asked {
		c.askOne(ctx, l, &a)
		answers = append(answers, a)
		t.add(a.Name, a.Role, a.Resource, a.Identity, a.Problem)
		if a.Problem != "" {
			silent++
		}
	}
	t.values = answers
	if err := c.print(p.stdout, t); err != nil {
		return err
	}
	if silent > 0 {
		return fmt.Errorf("%s: %d of %d did not answer as the inventory says; see the last column", c.File, silent, len(answers))
	}
	return nil
}

// open connects to one in the words of its dialect. Each step of it waits for the
// time-out and says what it waited for.
func (c *labCheck) open(ctx context.Context, l *lab.Lab, name string) (*instruments.Instrument, error) {
	return jobs.Connect(ctx, l, name, scpi.Config{Timeout: c.Timeout})
}

func (c *labCheck) askOne(ctx context.Context, l *lab.Lab, a *answer) {
	i, err := c.open(ctx, l, a.Name)
	if err != nil {
		a.Problem = err.Error()
		return
	}
	defer i.Close()
	a.Identity = identityOf(i)
}

func identityOf(i *instruments.Instrument) string {
	id := i.Identity()
	return strings.Join([]string{id.Manufacturer, id.Model, id.Serial, id.Firmware}, ",")
}

// probed is what one instrument answered to all that its dialect asks.
type probed struct {
	answer
	Dialect string `json:"dialect"`
	// Pipelining: whether it bears messages sent before it answered the last one;
	// absent where that was not tried.
	Pipelining *bool                 `json:"pipelining,omitempty"`
	Findings   []instruments.Finding `json:"findings"`
}

// probe asks each for all of its dialect.
func (c *labCheck) probe(ctx context.Context, p *program, l *lab.Lab, asked []answer) error {
	all := []probed{}
	wrong, silent := 0, 0
	t := &table{header: []string{"name", "capability", "query", "result", "detail"}}
	for _, a := range asked {
		one, err := c.probeOne(ctx, l, a)
		if err != nil {
			return err
		}
		all = append(all, one)
		if one.Problem != "" {
			silent++
			t.add(one.Name, "", "", "no connection", one.Problem)
			continue
		}
		t.add(one.Name, "identity", "", string(instruments.Answered), one.Identity)
		if one.Pipelining != nil {
			t.add(one.Name, "pipelining", "", map[bool]string{true: "allowed", false: "not allowed"}[*one.Pipelining], "")
		}
		for _, f := range one.Findings {
			if f.Wrong() {
				wrong++
			}
			t.add(one.Name, f.Capability, f.Query, string(f.Result), f.Detail)
		}
	}
	t.values = all
	if err := c.print(p.stdout, t); err != nil {
		return err
	}
	var found []string
	if silent > 0 {
		found = append(found, fmt.Sprintf("%d of %d could not be asked; see the last column", silent, len(all)))
	}
	if wrong > 0 {
		found = append(found, fmt.Sprintf("%d answers do not fit the dialects; correct the dialects of these instruments, or give them one", wrong))
	}
	if found != nil {
		return fmt.Errorf("%s: %s", c.File, strings.Join(found, "; "))
	}
	return nil
}

// probeOne asks one for all of its dialect. The error is the end of ctx.
func (c *labCheck) probeOne(ctx context.Context, l *lab.Lab, a answer) (probed, error) {
	one := probed{answer: a, Findings: []instruments.Finding{}}
	spoken, err := spokenBy(l, a)
	if err != nil {
		one.Problem = err.Error()
		return one, nil
	}
	one.Dialect = spoken.Name
	i, err := c.open(ctx, l, a.Name)
	if err != nil {
		one.Problem = err.Error()
		return one, nil
	}
	defer i.Close()
	one.Identity = identityOf(i)
	if s, ok := i.Session().(*scpi.Session); ok {
		if allowed, err := s.Pipelines(ctx); err == nil {
			one.Pipelining = &allowed
		}
	}
	findings, err := instruments.Probe(ctx, i, spoken, probeValues(l, a.Name))
	if findings != nil {
		one.Findings = findings
	}
	return one, err
}

// spokenBy returns the dialect of an instrument or unit.
func spokenBy(l *lab.Lab, a answer) (*dialect.Table, error) {
	if i, ok := l.Instrument(a.Name); ok {
		return l.Table(a.Role, i.Dialect)
	}
	u, _ := l.Unit(a.Name)
	t, _ := l.Type(u.Type)
	return l.Table(a.Role, t.Dialect)
}

// probeValues are what queries are about: the first carrier and connector of a
// unit, the channels of a switch matrix that its bench's paths close.
func probeValues(l *lab.Lab, name string) dialect.Values {
	values := dialect.Values{"carrier": dialect.Count(1), "connector": dialect.Count(1)}
	for _, b := range l.Benches {
		if b.Switcher != name {
			continue
		}
		for _, path := range l.Paths {
			if channel, err := switcher.ParseRoute(path.Route); err == nil && path.Bench == b.Name {
				values["channels"] = dialect.Channels([]int{channel})
			}
		}
	}
	return values
}
