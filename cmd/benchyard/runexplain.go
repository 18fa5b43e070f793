package main

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5/pgxpool"

	"benchyard/jobs"
	"benchyard/jobs/results"
	"benchyard/server"
	"benchyard/server/api"
)

// explain prints how the verdict on one figure of a run came about. Without a
// case it takes the figure of that key with the least margin.
func (c *runShow) explain(ctx context.Context, p *program, db *pgxpool.Pool, run jobs.RunSummary) error {
	figures, err := results.Figures(ctx, db, results.Filter{Run: run.ID})
	if err != nil {
		return err
	}
	chosen, others, err := c.choose(figures)
	if err != nil {
		return err
	}
	x, err := server.ExplainFigure(ctx, db, chosen.Case.ID, c.Explain)
	if err != nil {
		return err
	}
	switch c.Format {
	case "json":
		return c.print(p.stdout, &table{values: x})
	case "csv":
		return c.print(p.stdout, explanationTable(x))
	}
	return writeExplanation(p.stdout, x, others)
}

// choose returns the figure to explain and how many others of the run have its key.
func (c *runShow) choose(figures []results.Figure) (results.Figure, int, error) {
	var same, wanted []results.Figure
	var keys []string
	for _, f := range figures {
		key := f.Result.Requirement.Key
		if !slices.Contains(keys, key) {
			keys = append(keys, key)
		}
		if key != c.Explain {
			continue
		}
		same = append(same, f)
		if c.Case == 0 || f.Case.ID == c.Case {
			wanted = append(wanted, f)
		}
	}
	switch {
	case len(figures) == 0:
		return results.Figure{}, 0, &badInput{fmt.Errorf("run %s has no judged figure yet", c.Number)}
	case len(same) == 0:
		return results.Figure{}, 0, &badInput{fmt.Errorf("run %s has no figure %q; its keys are %s", c.Number, c.Explain, strings.Join(keys, ", "))}
	case len(wanted) == 0:
		return results.Figure{}, 0, &badInput{fmt.Errorf("case %d has no figure %q; cases with it are %s", c.Case, c.Explain, casesOf(same))}
	}
	least := slices.MinFunc(wanted, func(a, b results.Figure) int { return cmp.Compare(a.Result.Margin, b.Result.Margin) })
	return least, len(same) - 1, nil
}

func casesOf(figures []results.Figure) string {
	list := make([]string, len(figures))
	for i, f := range figures {
		list[i] = fmt.Sprintf("%d (%s channel %s, connector %d)", f.Case.ID, f.Case.Band, f.Case.RFChannel, f.Case.Connector)
	}
	return strings.Join(list, ", ")
}

// explanationTable has a row for each fact and each part of the budget.
func explanationTable(x api.Explanation) *table {
	t := &table{header: []string{"step", "fact", "text"}}
	for _, s := range x.Steps {
		for _, f := range s.Facts {
			t.add(s.Title, f.Name, f.Text)
		}
		if b := x.Result.Budget; b != nil && s.Name == "uncertainty" {
			for _, row := range server.BudgetRows(*b, x.Result.Unit) {
				t.add(s.Title, row[0], fmt.Sprintf("%s, value %s, divisor %s, sensitivity %s: %s, degrees of freedom %s", row[1], row[2], row[3], row[4], row[5], row[6]))
			}
		}
	}
	for _, k := range x.Curves {
		for i := range k.X {
			t.add(k.Title, curveText(k.X[i], k.XUnit), curveText(k.Y[i], k.YUnit))
		}
	}
	for _, j := range x.Later {
		t.add("Judged again", j.AskedAt.Format("2006-01-02 15:04:05 -07:00"), laterText(j))
	}
	return t
}

// writeExplanation prints the steps as paragraphs for people.
func writeExplanation(w io.Writer, x api.Explanation, others int) error {
	var b strings.Builder
	r := x.Result
	fmt.Fprintf(&b, "%s of %s %s, build %s%s, case %d, measured %s\n", r.Title, r.UnitType, r.Serial, r.Build, simulatedMark(r.Simulated), r.CaseID,
		r.MeasuredAt.Format("2006-01-02 15:04:05 -07:00"))
	for i, s := range x.Steps {
		fmt.Fprintf(&b, "\n%d. %s\n", i+1, s.Title)
		for _, f := range s.Facts {
			fmt.Fprintf(&b, "   %s: %s\n", f.Name, oneLine(f.Text))
		}
		if r.Budget != nil && s.Name == "uncertainty" {
			parts := &table{header: server.BudgetHeader(), rows: server.BudgetRows(*r.Budget, r.Unit)}
			var lines strings.Builder
			if err := parts.write(&lines); err != nil {
				return err
			}
			b.WriteString("   " + strings.ReplaceAll(strings.TrimSuffix(lines.String(), "\n"), "\n", "\n   ") + "\n")
		}
	}
	for _, k := range x.Curves {
		if err := writeCurve(&b, k); err != nil {
			return err
		}
	}
	b.WriteString("\nJudged again\n")
	for _, j := range x.Later {
		fmt.Fprintf(&b, "   %s: %s\n", j.AskedAt.Format("2006-01-02 15:04:05 -07:00"), oneLine(laterText(j)))
	}
	if len(x.Later) == 0 {
		b.WriteString("   Never: this verdict is the only one.\n")
	}
	if others > 0 {
		fmt.Fprintf(&b, "\nThe same limit was judged in %d more cases of this run; choose one with --case (the column \"case\" of run show).\n", others)
	}
	_, err := io.WriteString(w, strings.ReplaceAll(b.String(), "−", "-"))
	return err
}

func laterText(j api.LaterJudgement) string {
	outcome := "that limit set has no such limit"
	if f := j.Figure; f.Verdict != "" {
		unit := api.MarginUnit(j.Unit)
		outcome = fmt.Sprintf("%s: %s %s, lower limit %s, upper limit %s, margin %s %s, by %s", f.Verdict, optional(f.Value, j.Unit), j.Unit,
			optional(f.Lower, j.Unit), optional(f.Upper, j.Unit), optional(f.Margin, unit), unit, j.Rule)
		if j.Note != "" {
			outcome += "; " + j.Note
		}
	}
	return fmt.Sprintf("%s, by %s, with %s: %s", j.Reason, j.AskedBy, j.LimitSet, outcome)
}

// mostPoints is how many points of a curve are printed for people.
const mostPoints = 24

func curveText(v float64, unit string) string { return fmt.Sprintf("%.4g %s", v, unit) }

// writeCurve prints a curve as a table, of a long one every so many points.
func writeCurve(b *strings.Builder, k api.Curve) error {
	t := &table{header: []string{k.XName, k.YName, "lower limit", "upper limit"}}
	every := (len(k.X) + mostPoints - 1) / mostPoints
	for i := 0; i < len(k.X); i += every {
		upper := k.Upper
		if i < len(k.Limits) {
			upper = k.Limits[i]
		}
		t.add(curveText(k.X[i], k.XUnit), curveText(k.Y[i], k.YUnit), optional(k.Lower, k.YUnit), optional(upper, k.YUnit))
	}
	fmt.Fprintf(b, "\n%s\n", k.Title)
	if every > 1 {
		fmt.Fprintf(b, "   every %d. of %d points; all are in --format json and csv\n", every, len(k.X))
	}
	var lines strings.Builder
	if err := t.write(&lines); err != nil {
		return err
	}
	b.WriteString("   " + strings.ReplaceAll(strings.TrimSuffix(lines.String(), "\n"), "\n", "\n   ") + "\n")
	return nil
}
