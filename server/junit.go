package server

import (
	"bytes"
	"context"
	"encoding/xml"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"benchyard/jobs"
	"benchyard/jobs/conformance"
	"benchyard/jobs/results"
	"benchyard/server/api"
)

// There is no standard of JUnit XML. This is what its readers agree on by common
// practice: suites of cases, each case with at most one of failure, error and
// skipped, counts at the suites, properties before cases, times in seconds.
type junitSuites struct {
	XMLName  xml.Name     `xml:"testsuites"`
	Name     string       `xml:"name,attr"`
	Tests    int          `xml:"tests,attr"`
	Failures int          `xml:"failures,attr"`
	Errors   int          `xml:"errors,attr"`
	Skipped  int          `xml:"skipped,attr"`
	Suites   []junitSuite `xml:"testsuite"`
}

// junitSuite is one run.
type junitSuite struct {
	Name       string          `xml:"name,attr"`
	Tests      int             `xml:"tests,attr"`
	Failures   int             `xml:"failures,attr"`
	Errors     int             `xml:"errors,attr"`
	Skipped    int             `xml:"skipped,attr"`
	Time       string          `xml:"time,attr"`
	Timestamp  string          `xml:"timestamp,attr,omitempty"` // UTC, without offset as readers expect it
	Hostname   string          `xml:"hostname,attr,omitempty"`  // the bench
	Properties []junitProperty `xml:"properties>property"`
	Cases      []junitCase     `xml:"testcase"`
}

type junitProperty struct {
	Name  string `xml:"name,attr"`
	Value string `xml:"value,attr"`
}

type junitCase struct {
	Name    string       `xml:"name,attr"`
	Class   string       `xml:"classname,attr"`
	Time    string       `xml:"time,attr"`
	Skipped *junitReason `xml:"skipped"`
	Error   *junitReason `xml:"error"`
	Failure *junitReason `xml:"failure"`
}

type junitReason struct {
	Message string `xml:"message,attr"`
	Type    string `xml:"type,attr,omitempty"`
	Text    string `xml:",chardata"`
}

// CampaignJUnit returns what a campaign has measured so far as JUnit XML: a
// suite for the newest attempt of each unit, with a case for each case of the
// plan. What is not measured yet is skipped. It returns jobs.ErrNotFound for an
// unknown campaign.
func CampaignJUnit(ctx context.Context, db jobs.DB, id uuid.UUID) ([]byte, error) {
	c, err := jobs.CampaignByID(ctx, db, id)
	if err != nil {
		return nil, err
	}
	runs, err := jobs.RunsOf(ctx, db, id)
	if err != nil {
		return nil, err
	}
	all := junitSuites{Name: c.Name}
	for _, r := range runs {
		if r.RepeatedBy != nil {
			continue
		}
		if err := all.add(ctx, db, c, r); err != nil {
			return nil, err
		}
	}
	return all.encode()
}

// RunJUnit returns what one run has measured so far as JUnit XML, or jobs.ErrNotFound.
func RunJUnit(ctx context.Context, db jobs.DB, id uuid.UUID) ([]byte, error) {
	r, err := jobs.RunByID(ctx, db, id)
	if err != nil {
		return nil, err
	}
	c, err := jobs.CampaignByID(ctx, db, r.Campaign)
	if err != nil {
		return nil, err
	}
	all := junitSuites{Name: c.Name}
	if err := all.add(ctx, db, c, r); err != nil {
		return nil, err
	}
	return all.encode()
}

func (all *junitSuites) encode() ([]byte, error) {
	for _, s := range all.Suites {
		all.Tests, all.Failures, all.Errors, all.Skipped = all.Tests+s.Tests, all.Failures+s.Failures, all.Errors+s.Errors, all.Skipped+s.Skipped
	}
	var b bytes.Buffer
	b.WriteString(xml.Header)
	e := xml.NewEncoder(&b)
	e.Indent("", " ")
	if err := e.Encode(all); err != nil {
		return nil, fmt.Errorf("server: JUnit XML of %s: %w", all.Name, err)
	}
	b.WriteByte('\n')
	return b.Bytes(), nil
}

// add makes the suite of one run.
func (all *junitSuites) add(ctx context.Context, db jobs.DB, c jobs.CampaignSummary, r jobs.RunSummary) error {
	cases, err := results.RunCases(ctx, db, r.ID)
	if err != nil {
		return err
	}
	segments, err := jobs.SegmentsOf(ctx, db, r.ID)
	if err != nil {
		return err
	}
	s := junitSuite{Name: r.Serial, Hostname: r.Bench, Properties: junitProperties(c, r)}
	if r.StartedAt != nil {
		s.Timestamp = r.StartedAt.UTC().Format("2006-01-02T15:04:05")
	}
	stored := map[int]int{} // by segment
	var took time.Duration
	for _, k := range cases {
		stored[k.Segment]++
		took += k.Duration
		s.count(junitCaseOf(k))
	}
	for _, g := range segments {
		for n := stored[g.Number] + 1; n <= g.Cases; n++ {
			s.count(junitCase{Name: fmt.Sprintf("%s, case %d of %d", g.Title, n, g.Cases), Class: "not measured", Time: "0", Skipped: &junitReason{Message: notMeasured(r)}})
		}
	}
	if r.State == jobs.Error && s.Errors == 0 { // the bench failed between two cases
		s.count(junitCase{Name: "the run", Class: "run", Time: "0", Error: &junitReason{Message: r.Error, Type: "error", Text: r.Error}})
	}
	s.Time = junitSeconds(took)
	all.Suites = append(all.Suites, s)
	return nil
}

func notMeasured(r jobs.RunSummary) string {
	if r.Error != "" {
		return fmt.Sprintf("the run is %s: %s", r.State, r.Error)
	}
	return fmt.Sprintf("the run is %s", r.State)
}

// count adds a case and counts it by what stands in it.
func (s *junitSuite) count(k junitCase) {
	s.Tests++
	switch {
	case k.Failure != nil:
		s.Failures++
	case k.Error != nil:
		s.Errors++
	case k.Skipped != nil:
		s.Skipped++
	}
	s.Cases = append(s.Cases, k)
}

func junitProperties(c jobs.CampaignSummary, r jobs.RunSummary) []junitProperty {
	return []junitProperty{
		{"run", r.ID.String()}, {"campaign", c.ID.String()}, {"unit_type", r.UnitType}, {"build", c.Build}, {"attempt", strconv.Itoa(r.Attempt)},
		{"state", string(r.State)}, {"verdict", string(r.Verdict)}, {"plan", c.Plan}, {"plan_hash", c.PlanHash}, {"limit_set", c.LimitSet},
		{"program", r.Program}, {"simulated", strconv.FormatBool(r.Simulated)},
	}
}

// junitCaseOf turns a stored case into one of a suite. A conditional fail is a
// failure, a conditional pass passes; what was aborted or not run is skipped.
func junitCaseOf(k results.StoredCase) junitCase {
	w := junitCase{Name: k.Key, Class: strings.TrimSpace(k.Clause + " " + conformance.ClauseTitle(k.Clause)), Time: junitSeconds(k.Duration)}
	switch k.Verdict {
	case conformance.Fail, conformance.ConditionalFail:
		failed, lines := junitFigures(k.Results)
		w.Failure = &junitReason{Message: failed, Type: string(k.Verdict), Text: lines}
	case conformance.ErrorVerdict:
		w.Error = &junitReason{Message: k.Error, Type: string(k.Verdict), Text: k.Error}
	case conformance.Aborted, conformance.NotRun:
		w.Skipped = &junitReason{Message: string(k.Verdict)}
	}
	return w
}

// junitFigures are the figures that failed: the worst in short, all in lines.
func junitFigures(all []conformance.Result) (worst, lines string) {
	var b strings.Builder
	var least float64
	for _, r := range all {
		if r.Verdict != conformance.Fail && r.Verdict != conformance.ConditionalFail {
			continue
		}
		line := junitFigure(r)
		if worst == "" || r.Margin < least {
			worst, least = line, r.Margin
		}
		b.WriteString(line + "\n")
	}
	return worst, b.String()
}

func junitFigure(r conformance.Result) string {
	unit, marginUnit := string(r.Requirement.Unit), api.MarginUnit(string(r.Requirement.Unit))
	text := fmt.Sprintf("%s (%s): %.6g %s", r.Requirement.Title, r.Requirement.Key, r.Value, unit)
	for _, l := range []struct {
		name  string
		limit *float64
	}{{"lower limit", r.Lower}, {"upper limit", r.Upper}} {
		if l.limit != nil {
			text += fmt.Sprintf(", %s %.6g %s", l.name, *l.limit, unit)
		}
	}
	text += fmt.Sprintf(", margin %+.6g %s", r.Margin, marginUnit)
	if r.At != 0 {
		text += fmt.Sprintf(", at %.9g Hz", float64(r.At))
	}
	return fmt.Sprintf("%s, %s by %s", text, r.Verdict, r.Rule)
}

func junitSeconds(d time.Duration) string { return strconv.FormatFloat(d.Seconds(), 'f', 3, 64) }

func (s *Server) getCampaignJUnit(c echo.Context) error { return s.writeJUnit(c, CampaignJUnit) }

func (s *Server) getRunJUnit(c echo.Context) error { return s.writeJUnit(c, RunJUnit) }

func (s *Server) writeJUnit(c echo.Context, of func(context.Context, jobs.DB, uuid.UUID) ([]byte, error)) error {
	id, err := parseID(c)
	if err != nil {
		return err
	}
	document, err := of(c.Request().Context(), s.pool, id)
	if err != nil {
		return err
	}
	c.Response().Header().Set("Cache-Control", "no-store")
	return c.Blob(http.StatusOK, "application/xml; charset=utf-8", document)
}
