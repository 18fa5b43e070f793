package main

import (
	"context"
	"fmt"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"

	"benchyard/jobs/results"
	"benchyard/server"
	"benchyard/server/api"
)

// figureFlags select figures; what is left out selects all.
type figureFlags struct {
	Build       string `help:"Only this build." placeholder:"BUILD"`
	Type        string `help:"Only this radio unit type." placeholder:"TYPE"`
	Clause      string `help:"Only this clause, such as 6.6.4." placeholder:"CLAUSE"`
	Requirement string `help:"Only the limit of this key, such as 6.6.4/upper/2." placeholder:"KEY"`
	Condition   string `help:"Only this condition, as the tables print it." placeholder:"TEXT"`
	Connector   int    `help:"Only this connector." placeholder:"N"`
	Unit        string `help:"Only the unit of this serial number." placeholder:"SERIAL"`
	Bench       string `help:"Only what was measured on this bench." placeholder:"BENCH"`
}

// filter selects of the world that the inventory in force belongs to.
func (f figureFlags) filter(ctx context.Context, pool *pgxpool.Pool) (results.ReadingFilter, error) {
	simulated, err := simulatedLab(ctx, pool)
	return results.ReadingFilter{
		Build: f.Build, UnitType: f.Type, Serial: f.Unit, Bench: f.Bench, Clause: f.Clause, Requirement: f.Requirement,
		Condition: f.Condition, Connector: f.Connector, Simulated: simulated,
	}, err
}

// capabilities reads what the flags select.
func (f figureFlags) capabilities(ctx context.Context, p *program) ([]results.Capability, bool, error) {
	db, err := p.open(ctx)
	if err != nil {
		return nil, false, err
	}
	defer db.Close()
	filter, err := f.filter(ctx, db.Pool)
	if err != nil {
		return nil, false, err
	}
	found, err := results.Capabilities(ctx, db.Pool, filter)
	return found, filter.Simulated, err
}

// yieldCapability prints capability per limit.
type yieldCapability struct {
	output
	figureFlags
	All bool `help:"Every condition; otherwise of each limit the one with the least room."`
}

// Run prints one row for each limit, or one for each condition.
func (c *yieldCapability) Run(ctx context.Context, p *program) error {
	found, simulated, err := c.capabilities(ctx, p)
	if err != nil {
		return err
	}
	if !c.All {
		found = results.LeastCapable(found)
	}
	report := server.CapabilitiesToWire(found, simulated)
	t := capabilityTable(report)
	t.values = report
	if err := c.print(p.stdout, t); err != nil || c.Format != "table" {
		return err
	}
	fmt.Fprintln(p.stdout, `
n counts transmitters, the connectors of units, each at its first judged attempt. Figures with one limit are margins to the test requirement,
positive inside, so that 0 is the limit. Cp and Cpk are of the spread from one reading to the next, Pp and Ppk of all readings; intervals are
of 95 % and take the transmitters for independent. beyond is the share of a normal process outside; bench p is how often chance alone parts
benches so much, and benches with other units differ by their units too`)
	return nil
}

func capabilityTable(r api.CapabilityReport) *table {
	t := &table{header: []string{"build", "type", "clause", "limit", "n", "units", "mean", "s", "lower", "upper", "unit", "least room", "Cp", "Cpk", "Cpk 95 %", "Pp", "Ppk",
		"Ppk 95 %", "beyond", "bench p", "outliers", "conditions", "condition", "no Cpk because"}}
	for _, c := range r.Capabilities {
		unit := c.Unit
		if unit == "Hz" {
			unit = "MHz"
		}
		figure := func(v *float64) string { return threeDecimals(v, c.Unit) }
		t.add(c.Build, c.UnitType+simulatedMark(r.Simulated), c.Clause, c.Requirement, strconv.Itoa(c.Transmitters), strconv.Itoa(c.Units), figure(&c.Mean), figure(c.SD),
			figure(c.Lower), figure(c.Upper), unit, figure(c.Least), index(c.Within.Cp), index(c.Within.Cpk), indexInterval(c.Within), index(c.Overall.Cp), index(c.Overall.Cpk), indexInterval(c.Overall),
			share(c.Outside), probability(c.BenchP), strconv.Itoa(len(c.Outliers)), strconv.Itoa(c.Conditions), c.Condition, c.Within.Refused)
	}
	return t
}

// threeDecimals prints a figure of statistics, bandwidths in megahertz.
func threeDecimals(v *float64, unit string) string {
	if v == nil {
		return "–"
	}
	return fmt.Sprintf("%.3f", scaled(*v, unit))
}

func index(v *float64) string {
	if v == nil {
		return "–"
	}
	return fmt.Sprintf("%.2f", *v)
}

func indexInterval(i api.CapabilityIndex) string {
	if i.Low == nil || i.High == nil {
		return "–"
	}
	return index(i.Low) + " … " + index(i.High)
}

// share prints a share of units: in percent, small ones in parts per million.
func share(v *float64) string {
	switch {
	case v == nil:
		return "–"
	case *v < 1e-9:
		return "< 0.001 ppm"
	case *v < 1e-3:
		return fmt.Sprintf("%.3g ppm", 1e6**v)
	}
	return fmt.Sprintf("%.2f %%", 100**v)
}

// yieldOutliers prints readings that stand apart.
type yieldOutliers struct {
	output
	figureFlags
}

// Run prints them, of every condition.
func (c *yieldOutliers) Run(ctx context.Context, p *program) error {
	found, simulated, err := c.capabilities(ctx, p)
	if err != nil {
		return err
	}
	report := server.CapabilitiesToWire(found, simulated)
	t := &table{header: []string{"build", "type", "clause", "limit", "unit", "connector", "bench", "reading", "mean of all", "unit of reading", "distance", "critical", "robust", "measured", "case", "condition"}}
	kept := []api.Capability{}
	for _, x := range report.Capabilities {
		if len(x.Outliers) > 0 {
			kept = append(kept, x)
		}
		for _, o := range x.Outliers {
			unit := x.Unit
			if unit == "Hz" {
				unit = "MHz"
			}
			t.add(x.Build, x.UnitType+simulatedMark(simulated), x.Clause, x.Requirement, o.Serial, strconv.Itoa(o.Connector), o.Bench, threeDecimals(&o.Value, x.Unit),
				threeDecimals(&x.Mean, x.Unit), unit, fmt.Sprintf("%.2f", o.Distance), fmt.Sprintf("%.2f", o.Critical), index(o.Robust), o.MeasuredAt.Format(time.DateTime), strconv.FormatInt(o.CaseID, 10), x.Condition)
		}
	}
	report.Capabilities = kept
	t.values = report
	if err := c.print(p.stdout, t); err != nil || c.Format != "table" {
		return err
	}
	fmt.Fprintf(p.stdout, "\n%d figures searched; it takes 10 readings. Distances are in standard deviations of the readings no farther out (generalized extreme studentized\ndeviates, 5 %%). Nothing is left out because of them: look at the unit and its connection\n", len(found))
	return nil
}
