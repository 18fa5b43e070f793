package jobs

import (
	"fmt"
	"slices"
	"testing"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
	"benchyard/jobs/procedure"

	"github.com/google/uuid"
)

// multiply stores every run so many times more, with its cases, figures and
// traces, and returns all runs.
func (m *measuredLab) multiply(times int) []uuid.UUID {
	m.t.Helper()
	ctx := m.t.Context()
	var all []uuid.UUID
	for _, run := range m.runs {
		all = append(all, run)
		for n := range times {
			id := uuid.Must(uuid.NewV7())
			all = append(all, id)
			for _, sql := range []string{
				`INSERT INTO run (id, campaign_id, serial, unit_type, attempt, repeats, state, bench, verdict, cases, program_version, queued_at, started_at, finished_at)
					SELECT $2, campaign_id, serial, unit_type, ` + fmt.Sprint(n+2) + `, id, state, bench, verdict, cases, program_version, queued_at, started_at, finished_at FROM run WHERE id = $1`,
				`INSERT INTO run_segment (run_id, number, title, cases, state) SELECT $2, number, title, cases, state FROM run_segment WHERE run_id = $1`,
				`INSERT INTO measured_case (run_id, segment, position, case_key, clause, band, rf_channel, carrier_hz, bandwidth_hz, scs_hz, connector, test_model, verdict, measured_at)
					SELECT $2, segment, position, case_key, clause, band, rf_channel, carrier_hz, bandwidth_hz, scs_hz, connector, test_model, verdict, measured_at FROM measured_case WHERE run_id = $1`,
				`INSERT INTO trace SELECT n.id, t.number, t.role, t.start_hz, t.step_hz, t.points, t.rbw_hz, t.noise_bandwidth_hz, t.settings, t.levels
					FROM trace t JOIN measured_case c ON c.id = t.case_id JOIN measured_case n ON n.run_id = $2 AND n.case_key = c.case_key WHERE c.run_id = $1`,
				`INSERT INTO measurement (case_id, requirement_key, clause, title, quantity, side, value, unit, lower_limit, upper_limit, margin, uncertainty, core, tolerance, verdict, rule, source, provenance)
					SELECT n.id, x.requirement_key, x.clause, title, quantity, side, value, unit, lower_limit, upper_limit, margin, uncertainty, core, tolerance, x.verdict, rule, source, provenance
					FROM measurement x JOIN measured_case c ON c.id = x.case_id JOIN measured_case n ON n.run_id = $2 AND n.case_key = c.case_key WHERE c.run_id = $1`,
			} {
				if _, err := m.pool.Exec(ctx, sql, run, id); err != nil {
					m.t.Fatal(err)
				}
			}
		}
	}
	if _, err := m.pool.Exec(ctx, `ANALYZE`); err != nil {
		m.t.Fatal(err)
	}
	return all
}

// BenchmarkJudgeAgain judges stored runs again from the request to the last
// row: read, unpack, compute, judge, compare and store, on all processors.
func BenchmarkJudgeAgain(b *testing.B) {
	m := newMeasuredLab(b)
	m.multiply(99)
	b.ResetTimer()
	traces, figures := 0, 0
	for b.Loop() {
		j := m.again(Rejudge{All: true})
		if j.Errors > 0 || j.Done != 200 || j.Changed != 0 {
			b.Fatalf("%+v", j)
		}
		traces, figures = traces+j.Traces, figures+j.Figures
	}
	b.ReportMetric(float64(traces)/b.Elapsed().Seconds(), "traces/s")
	b.ReportMetric(float64(figures)/b.Elapsed().Seconds(), "figures/s")
}

// BenchmarkJudgePoints computes and judges the same case from traces with once,
// ten and a hundred times the points: the time per point must stand still.
func BenchmarkJudgePoints(b *testing.B) {
	cases := storedCases(b)
	for _, clause := range []string{conformance.LeakageRatioClause, conformance.OperatingBandClause} {
		c := cases[slices.IndexFunc(cases, func(c storedCase) bool { return c.Clause == clause })]
		for _, factor := range []int{1, 10, 100} {
			b.Run(fmt.Sprintf("%s/%dx", clause, factor), func(b *testing.B) {
				traces, points := denser(c.traces, factor)
				for b.Loop() {
					if _, err := judge(c.Clause, c.setup, traces, conformance.DecisionRule{}); err != nil {
						b.Fatal(err)
					}
				}
				b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(points), "ns/point")
			})
		}
	}
}

// denser draws traces with so many times the points, linear between them.
func denser(traces []procedure.Trace, factor int) ([]procedure.Trace, int) {
	list, points := slices.Clone(traces), 0
	for i, t := range list {
		s := t.Spectrum
		last := len(s.Levels) - 1
		levels := make([]float64, last*factor+1)
		for k := range levels {
			at, rest := k/factor, float64(k%factor)/float64(factor)
			levels[k] = s.Levels[at] + rest*(s.Levels[min(at+1, last)]-s.Levels[at])
		}
		s.Levels, s.Step = levels, s.Step/rf.Hertz(factor)
		t.Sweep.Points, t.Spectrum = len(levels), s
		list[i], points = t, points+len(levels)
	}
	return list, points
}
