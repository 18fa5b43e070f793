package server

import (
	"io"
	"io/fs"
	"net/http"
	"regexp"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"benchyard/jobs/postgres"
	"benchyard/server/api"
	"benchyard/web"
)

// TestTemplatesKeepToPlainAttributes: html/template escapes hx-on and hx-vals as
// plain text, neither as script nor as JSON, so data in them could run. Inline
// styles and handlers are refused by the content security policy.
func TestTemplatesKeepToPlainAttributes(t *testing.T) {
	forbidden := regexp.MustCompile(`(?i)hx-on|hx-vals|hx-headers|js:|javascript:|\son[a-z]+=|\sstyle=|<style|hx-(get|post|put|patch|delete)="[^"]*\{\{|https?://`)
	seen := 0
	err := fs.WalkDir(web.Templates, "templates", func(path string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() {
			return err
		}
		text, err := fs.ReadFile(web.Templates, path)
		for n, line := range strings.Split(string(text), "\n") {
			if found := forbidden.FindString(line); found != "" {
				t.Errorf("%s:%d: %q is not allowed in a template", path, n+1, found)
			}
		}
		seen++
		return err
	})
	if err != nil || seen < 5 {
		t.Errorf("%d templates read: %v", seen, err)
	}
	for _, bad := range []string{`<b hx-on:click="x">`, `<b hx-vals='{"a": 1}'>`, `<b onclick="x">`, `<b style="x">`, `<b hx-post="/x?u={{.}}">`} {
		if !forbidden.MatchString(bad) {
			t.Errorf("the check does not see %s", bad)
		}
	}
}

func TestPagesOfAnEmptyDatabase(t *testing.T) {
	srv, err := New(Options{Pool: postgres.Test(t)})
	if err != nil {
		t.Fatal(err)
	}
	for path, want := range map[string]string{
		"/":          "benchyard lab apply",
		"/campaigns": "No campaign was submitted yet",
		"/yield":     "no yield to show",
		"/paths":     "No inventory was applied yet",
	} {
		status, _, body := get(t, srv.Handler(), path)
		if status != http.StatusOK || !strings.Contains(body, want) {
			t.Errorf("%s: status %d, want 200 and %q", path, status, want)
		}
		if strings.Contains(body, "imulated") {
			t.Errorf("%s: an empty database is marked as simulated", path)
		}
	}
}

func TestUnknownAddressesAre404Pages(t *testing.T) {
	s := seed(t)
	h := newTestServer(t, s).Handler()
	for _, path := range []string{"/campaigns/" + s.runs["2.5.0 T4-0001"].String(), "/campaigns/x", "/runs/" + s.new.String(), "/cases/0", "/cases/x", "/nothing", "/assets/nothing.js"} {
		status, header, body := get(t, h, path)
		if status != http.StatusNotFound {
			t.Errorf("%s: status %d, want 404", path, status)
		}
		if !strings.HasPrefix(path, "/assets") && (!strings.Contains(body, "404 Not Found") || !strings.HasPrefix(header.Get("Content-Type"), "text/html")) {
			t.Errorf("%s: the page does not say 404 Not Found", path)
		}
	}
}

func TestCasePageOfAnError(t *testing.T) {
	s := seed(t)
	status, _, body := get(t, newTestServer(t, s).Handler(), "/cases/"+s.caseID(t, "F2-0001", "6.2"))
	if status != http.StatusOK || !strings.Contains(body, "check that the analyzer is switched on") || strings.Contains(body, "Figures and limits") {
		t.Errorf("status %d, page\n%s", status, body)
	}
}

func TestCaseWhoseInventoryIsGoneStillShowsItsFigures(t *testing.T) {
	s := seed(t)
	s.exec(t, `UPDATE lab_version SET document = replace(document, 'T4-0001', 'T4-9999'), decoded = NULL`)
	h := newTestServer(t, s).Handler()
	id := s.caseID(t, "T4-0001", "6.6.4")
	status, _, body := get(t, h, "/cases/"+id)
	for _, want := range []string{"no radio unit T4-0001", "at the analyzer, as read", "Figures and limits", "shared-risk"} {
		if status != http.StatusOK || !strings.Contains(body, want) {
			t.Errorf("status %d, the page lacks %q", status, want)
		}
	}
}

func TestTextFromOutsideIsEscaped(t *testing.T) {
	s := seed(t)
	const attack = `"><img src=x onerror=alert(1)>`
	s.exec(t, `UPDATE campaign SET name = $1`, attack)
	s.exec(t, `UPDATE bench SET doing = $1, alarm = $1`, attack)
	s.exec(t, `UPDATE measured_case SET error = $1 WHERE error IS NOT NULL`, attack)
	h := newTestServer(t, s).Handler()
	for _, path := range []string{"/", "/campaigns", "/campaigns/" + s.new.String(), "/runs/" + s.runs["2.5.0 F2-0001"].String()} {
		if _, _, body := get(t, h, path); strings.Contains(body, "<img") {
			t.Errorf("%s passes markup from the database through", path)
		}
	}
}

// TestEveryTemplateRendersBareData renders fragments of the least data there
// can be, so that a page of a half-written row is a page.
func TestEveryTemplateRendersBareData(t *testing.T) {
	pages, err := parseTemplates(time.UTC)
	if err != nil {
		t.Fatal(err)
	}
	half := 0.5
	for _, p := range []struct {
		page, part string
		data       any
	}{
		{"board", "content", boardData{}},
		{"board", "bench", api.Bench{Name: "b", Activity: "offline"}},
		{"board", "bench", api.Bench{Name: "b", Hold: "h", Alarm: "a", Now: &api.BenchWork{}, Next: &api.BenchWork{}, Waiting: 3, Lease: &api.Lease{}, Calibration: &api.Calibration{DaysLeft: -1}, Golden: &api.GoldenUnit{Due: &time.Time{}, Overdue: true}}},
		{"bench", "content", benchData{}},
		{"bench", "content", benchData{Bench: api.Bench{Hold: "h", Alarm: "a"}, Charts: []api.Curve{{}}, Report: api.GoldenReport{Golden: &api.GoldenUnit{Due: &time.Time{}, Overdue: true},
			Begun: []api.GoldenBaseline{{}}, Figures: []api.GoldenFigure{{Signal: true, Mean: &half}, {Missing: "m", Margin: true}, {}}}}},
		{"campaigns", "content", []api.Campaign{{}}},
		{"campaign", "content", campaignData{}},
		{"campaign", "content", matrix(api.Campaign{}, []api.Run{{Clauses: []api.ClauseSummary{{Clause: "6.2"}}}})},
		{"run", "content", runView(api.RunDetail{Cases: []api.Case{{Error: "e", Verdict: "error"}}}, "")},
		{"case", "content", caseView{CaseDetail: api.CaseDetail{}}},
		{"case", "content", caseView{CaseDetail: api.CaseDetail{NoCurves: "n", Curves: []api.Curve{{}, {X: []float64{1, 2}, Y: []float64{0, -60}, Lines: true, Limits: []*float64{nil, &half}}}}}},
		{"figure", "content", api.Explanation{Result: api.Result{Budget: &api.Budget{Parts: []api.UncertaintyPart{{}}}}, Later: []api.LaterJudgement{{}, {Figure: api.JudgedFigure{Verdict: "fail"}}},
			Steps: []api.ExplanationStep{{Name: "uncertainty", Facts: []api.ExplanationFact{{}}}}}},
		{"yield", "content", api.YieldReport{}},
		{"yield", "content", api.YieldReport{BuildA: "a", BuildB: "b", Builds: []string{"a", "b", "c"}, Changes: []api.Change{{}, {Worse: true}}, Yields: []api.Yield{{FirstPass: api.Fraction{Share: &half, Low: &half, High: &half}}}}},
		{"yield", "content", api.YieldReport{BuildA: "a", BuildB: "b", Comparison: api.Comparison{
			Yields:  []api.YieldDifference{{}, {Difference: &half, Low: &half, High: &half, McNemarP: &half}},
			Margins: []api.MarginShift{{}, {Pairs: 2, Shift: &half, Low: &half, Unit: "dB", Q: &half}}}}},
		{"capability", "content", capabilityData{}},
		{"capability", "content", capabilityData{Builds: []string{"a"}, Groups: []capabilityGroup{{Rows: []api.Capability{{}, {Outliers: []api.OutlyingReading{{}}, Histogram: []api.Bin{{}}}}}}}},
		{"population", "content", populationData{}},
		{"population", "content", populationData{Chart: &api.FigureChart{}, Risk: &api.RiskReport{Rules: []api.RuleRisk{{}}}}},
		{"population", "content", populationData{Chart: &api.FigureChart{Upper: 1, Points: []api.ChartPoint{{}, {Signals: []int{1, 4}}}}, Risk: &api.RiskReport{GuardBand: &half, Factor: &half}}},
		{"agreement", "content", api.BenchReport{Missing: []string{"m"}, Studies: []api.BenchStudy{{Benches: []api.BenchDeviation{{}}}}}},
		{"paths", "content", pathsData{}},
		{"paths", "content", pathsData{Paths: []api.Path{{}, {Correction: "c", Days: -1, Stale: "s"}}, Open: []api.PathCorrection{{}}, Decided: []api.PathCorrection{{Greatest: &api.PathDifference{}}}}},
		{"correction", "content", api.PathCorrectionDetail{}},
		{"correction", "content", api.PathCorrectionDetail{PathCorrection: api.PathCorrection{State: "proposed", Narrower: true}, Table: []api.PathRow{{}}, Differences: []api.PathDifference{{}}}},
		{"error", "content", &api.Problem{Status: 500, Errors: []string{"one"}}},
	} {
		if p.part == "content" {
			p.part, p.data = "layout", page{Data: p.data}
		}
		if err := pages[p.page].ExecuteTemplate(io.Discard, p.part, p.data); err != nil {
			t.Errorf("%s of %s: %v", p.part, p.page, err)
		}
	}
}

func TestPagesWithoutTheBundleSaySo(t *testing.T) {
	s := seed(t)
	srv := newTestServer(t, s)
	srv.assets = assets{files: fstest.MapFS{}}
	_, _, body := get(t, srv.Handler(), "/")
	if !strings.Contains(body, "make web") || !strings.Contains(body, "T4-0003") || strings.Contains(body, "<script") {
		t.Error("without its bundle the page should say how to build it, show the benches and load no script")
	}
}

func TestNoticesNameWhatTheBundleContains(t *testing.T) {
	srv := newTestServer(t, seed(t))
	if !srv.assets.Built {
		t.Fatal("the scripts and styles are not built; run make web")
	}
	status, _, body := get(t, srv.Handler(), "/assets/notices.txt")
	for _, want := range []string{"htmx.org 2", "htmx-ext-sse 2", "uplot 1.6.32 (MIT)", "Permission is hereby granted"} {
		if status != http.StatusOK || !strings.Contains(body, want) {
			t.Errorf("status %d, the notices lack %q", status, want)
		}
	}
	if status, header, _ := get(t, srv.Handler(), srv.assets.Script); status != http.StatusOK || !strings.Contains(header.Get("Cache-Control"), "immutable") {
		t.Errorf("%s: status %d, headers %v", srv.assets.Script, status, header)
	}
}

func TestManifestIsReadOrRefused(t *testing.T) {
	manifest := func(text string) fs.FS { return fstest.MapFS{"manifest.json": {Data: []byte(text)}} }
	good, err := readManifest(manifest(`{"app.js": "app-1.js", "style.css": "style-2.css"}`))
	if err != nil || good.Script != "/assets/app-1.js" || good.Style != "/assets/style-2.css" || !good.Built {
		t.Errorf("%+v, %v", good, err)
	}
	for _, bad := range []string{"", "[]", `{"app.js": "x"}`} {
		if _, err := readManifest(manifest(bad)); err == nil || !strings.Contains(err.Error(), "make web") {
			t.Errorf("manifest %q gives error %v, want one that says make web", bad, err)
		}
	}
	if none, err := readManifest(fstest.MapFS{}); err != nil || none.Built {
		t.Errorf("no manifest: %+v, %v", none, err)
	}
}
