package server

import (
	"context"
	"encoding/json"
	"fmt"
	"html"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
	"benchyard/jobs/plan"
	"benchyard/jobs/procedure"
	"benchyard/jobs/results"
	"benchyard/server/api"
)

const healthDocument = `plan: health
carriers: [{band: n78, bandwidth: 100MHz, scs: 30kHz}]
tests:
  - clause: health.linearity
    rf_channels: [T]
    connectors: [1]
    health: {attenuation: 8dB, step: 4dB, deviation: 0.5dB}
`

// steady answers a sweep with a line in its middle, through a Gaussian filter.
type steady struct {
	power rf.DBm // at the connector
	path  rf.Correction
}

func (l steady) Sweep(_ context.Context, sweep rf.Sweep) (rf.Spectrum, error) {
	s := rf.Spectrum{
		Start: sweep.Start, Step: (sweep.Stop - sweep.Start) / rf.Hertz(sweep.Points-1), RBW: sweep.RBW,
		NoiseBandwidth: 1.0645 * sweep.RBW, Levels: make([]float64, sweep.Points),
	}
	loss, _, err := l.path.At(sweep.Start)
	for i := range s.Levels {
		x := float64((s.Frequency(i) - (sweep.Start+sweep.Stop)/2) / sweep.RBW)
		s.Levels[i] = max(float64(l.power)-float64(loss)-40*math.Log10(2)*x*x, -140)
	}
	return s, err
}

// linearity stores a run of T4-0001 with a health.linearity case.
func (s *seeded) linearity(t *testing.T) {
	t.Helper()
	s.exec(t, `INSERT INTO plan_version (name, content_hash, document, created_by) VALUES ('health', 'aa11', $1, 'ann')`, healthDocument)
	if err := s.pool.QueryRow(t.Context(), `SELECT id FROM plan_version WHERE name = 'health'`).Scan(&s.plan); err != nil {
		t.Fatal(err)
	}
	p, err := plan.Parse("health.yaml", []byte(healthDocument))
	if err != nil {
		t.Fatal(err)
	}
	id := s.run(t, s.campaign(t, "health", "2.5.0"), "health", "T4-0001", "done")
	setup, carrier := s.setup(t, "T4-0001")
	setup.Health, setup.PlanName = p.Tests[0].Health, p.Name
	planned, err := procedure.Plan(conformance.LinearityClause, setup)
	if err != nil {
		t.Fatal(err)
	}
	c := results.Case{
		Key: "linearity", Position: 1, Clause: conformance.LinearityClause, Band: carrier.Band, RFChannel: carrier.Channel,
		CarrierHz: float64(carrier.Center), BandwidthHz: float64(carrier.Bandwidth), SCSHz: float64(carrier.SCS), Connector: 1,
		TestModel: "NR-FR1-TM1.1", MeasuredAt: time.Now(), Duration: time.Second,
	}
	for _, sweep := range planned {
		source := steady{setup.Subject.RatedPower.Add(-6 - sweep.Stage.Attenuation), setup.Correction}
		traces, err := procedure.Acquire(t.Context(), source, []procedure.Planned{sweep})
		if err != nil {
			t.Fatal(err)
		}
		c.Traces = append(c.Traces, results.Trace{Role: sweep.Role, Sweep: sweep.Sweep, Spectrum: traces[0].Spectrum})
	}
	c.Results = judgedHealth(t, setup, c)
	s.insert(t, id, c)
}

func judgedHealth(t *testing.T, setup procedure.Setup, c results.Case) []conformance.Result {
	t.Helper()
	readings, err := procedure.Analyze(c.Clause, setup, takenTraces(c.Traces))
	if err != nil {
		t.Fatal(err)
	}
	requirements, err := setup.Requirements(c.Clause)
	if err != nil {
		t.Fatal(err)
	}
	judged, err := conformance.Judge(requirements, readings, conformance.DecisionRule{})
	if err != nil {
		t.Fatal(err)
	}
	return judged
}

func (s *seeded) insert(t *testing.T, run uuid.UUID, c results.Case) {
	t.Helper()
	err := pgx.BeginFunc(t.Context(), s.pool, func(tx pgx.Tx) error {
		return results.InsertCases(t.Context(), tx, run, 1, []results.Case{c})
	})
	if err != nil {
		t.Fatal(err)
	}
}

// The page of a health case has its curves as drawings that need no script: axes
// with units, a mark for every point, the limits.
func TestHealthCaseShowsItsCurves(t *testing.T) {
	s := seed(t)
	s.linearity(t)
	h := newTestServer(t, s).Handler()
	var id int64
	if err := s.pool.QueryRow(t.Context(), `SELECT id FROM measured_case WHERE clause = $1`, conformance.LinearityClause).Scan(&id); err != nil {
		t.Fatal(err)
	}
	status, _, body := get(t, h, fmt.Sprintf("/cases/%d", id))
	body = html.UnescapeString(body)
	for _, want := range []string{
		"Power against attenuation", "attenuation, dB", "power, dBm", "4.000 dB: 27.000 dBm", // 37 dBm less 6 dB less 4 dB
		"What lies beside the straight line", "limit −0.50 dB", "limit 0.50 dB", ">8 dB<",
	} {
		if !strings.Contains(body, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	if dots := strings.Count(body, `class="dot"`); status != 200 || dots != 6 || strings.Contains(body, "cannot be drawn") {
		t.Errorf("status %d, %d points, want two times three", status, dots)
	}
	var detail api.CaseDetail
	var explained api.Explanation
	for path, into := range map[string]any{"": &detail, "/explanation?key=health.linearity/deviation": &explained} {
		_, _, text := get(t, h, fmt.Sprintf("/api/v1/cases/%d%s", id, path))
		if err := json.Unmarshal([]byte(text), into); err != nil {
			t.Fatal(err)
		}
	}
	for _, curves := range [][]api.Curve{detail.Curves, explained.Curves} {
		if len(curves) != 2 || len(curves[0].X) != 3 || curves[0].X[1] != 4 || math.Abs(curves[0].Y[1]-27) > 0.01 || *curves[1].Upper != 0.5 {
			t.Errorf("curves of the API: %+v", curves)
		}
	}
}

// A trace that is missing is told instead of a curve.
func TestCurvesThatCannotBeDrawn(t *testing.T) {
	s := seed(t)
	s.linearity(t)
	s.exec(t, `UPDATE trace SET role = 'other' WHERE role = 'attenuation/4'`)
	h := newTestServer(t, s).Handler()
	var id int64
	if err := s.pool.QueryRow(t.Context(), `SELECT id FROM measured_case WHERE clause = $1`, conformance.LinearityClause).Scan(&id); err != nil {
		t.Fatal(err)
	}
	status, _, body := get(t, h, fmt.Sprintf("/cases/%d", id))
	if body = html.UnescapeString(body); status != 200 || strings.Contains(body, `class="dot"`) ||
		!strings.Contains(body, `The curves of this test cannot be drawn: procedure: there is no trace "attenuation/4"`) {
		t.Errorf("status %d, and no reason", status)
	}
}

// Points lie between the axes whatever is drawn, and a limit that is far away is
// told in words instead of pressing the points together.
func TestCurvesStayInTheirFrame(t *testing.T) {
	far, inside := -80.0, -50.2
	for name, c := range map[string]api.Curve{
		"one point": {X: []float64{3}, Y: []float64{-50}},
		"level":     {X: []float64{1, 2}, Y: []float64{-50, -50}},
		"far limit": {X: []float64{1, 2, 3}, Y: []float64{-50, -51, -49}, Lower: &far, Upper: &inside},
		"lines":     {X: []float64{5, 0, -5}, Y: []float64{0, -60, -65}, Lines: true, Limits: []*float64{nil, &inside, &far}},
		"falling x": {X: []float64{37, 34, 31}, Y: []float64{45, 51, 57}},
	} {
		c.XUnit, c.YUnit = "s", "dB"
		d := drawCurve(c)
		if len(d.Dots) != len(c.X) || len(d.XTicks) == 0 || len(d.YTicks) == 0 {
			t.Errorf("%s: %+v", name, d)
		}
		for _, p := range d.Dots {
			if !(p.X >= d.Left && p.X <= d.Right && p.Y >= d.Top && p.Y <= d.Bottom) {
				t.Errorf("%s: %+v is outside", name, p)
			}
		}
		if stems := len(d.Stems); stems != 0 && (name != "lines" || stems != 3 || d.Line != "" || d.Stems[0].Text != "" || d.Stems[2].Text != "limit −80.00 dB" ||
			!(d.Stems[2].Limit > d.Stems[2].Y && d.Stems[2].Limit <= d.Bottom)) {
			t.Errorf("%s: lines %+v", name, d.Stems)
		}
		if name == "far limit" && (len(d.Limits) != 1 || d.Far != "limit −80.00 dB, off the scale") {
			t.Errorf("limits %+v, far %q", d.Limits, d.Far)
		}
	}
	if d := drawCurve(api.Curve{}); d.Line != "" {
		t.Errorf("nothing drawn as %q", d.Line)
	}
}
