package server

import (
	"encoding/json"
	"errors"
	"fmt"
	"html"
	"math"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"benchyard/jobs/conformance"
	"benchyard/jobs/results"
	"benchyard/server/api"
)

// populate stores 24 units of a type of its own, measured once each: levels from
// 36.0 to 36.5 dBm below 40 dBm, the last unit at 30 dBm.
func (s *seeded) populate(t *testing.T) {
	t.Helper()
	for i := range 24 {
		serial, id := fmt.Sprintf("P1-%04d", i+1), uuid.Must(uuid.NewV7())
		s.exec(t, `INSERT INTO radio_unit (serial, type, revision) VALUES ($1, 'RU-P1', 'A')`, serial)
		s.exec(t, `INSERT INTO run (id, campaign_id, serial, unit_type, bench, cases) VALUES ($1, $2, $3, 'RU-P1', 'bench-1', 1)`, id, s.new, serial)
		s.exec(t, `INSERT INTO run_segment (run_id, number, title, cases) VALUES ($1, 1, 's', 1)`, id)
		level, upper := 36+0.1*float64(i%6), 40.0
		if i == 23 {
			level = 30
		}
		c := results.Case{Key: "p", Position: 1, Clause: "6.2", Band: "n78", RFChannel: conformance.Middle, CarrierHz: 3.5e9, BandwidthHz: 100e6, SCSHz: 30e3,
			Connector: 1, TestModel: "NR-FR1-TM1.1", MeasuredAt: time.Date(2026, 11, 1, 0, i, 0, 0, time.UTC), Results: []conformance.Result{{
				Requirement: conformance.Requirement{Key: "6.2", Clause: "6.2", Title: "<output> power", Quantity: "q", Unit: "dBm", CoreSource: "s", Provenance: "spec"},
				Value:       level, Upper: &upper, Margin: upper - level, Uncertainty: 0.6, Verdict: conformance.Pass, Rule: "shared-risk",
			}}}
		err := pgx.BeginFunc(t.Context(), s.pool, func(tx pgx.Tx) error {
			if err := results.InsertCases(t.Context(), tx, id, 1, []results.Case{c}); err != nil {
				return err
			}
			_, err := results.CloseRun(t.Context(), tx, id)
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		s.exec(t, `UPDATE run SET state = 'done', finished_at = now() WHERE id = $1`, id)
	}
}

func TestClientReadsPopulations(t *testing.T) {
	s := seed(t)
	s.populate(t)
	client, err := api.NewClient(serve(t, newTestServer(t, s)), nil)
	if err != nil {
		t.Fatal(err)
	}
	of := api.FigureQuery{UnitType: "RU-P1"}
	report, err := client.Capabilities(t.Context(), of, false)
	if err != nil || len(report.Capabilities) != 1 || !report.Simulated {
		t.Fatalf("%+v, %v", report, err)
	}
	c := report.Capabilities[0]
	counted := 0
	for _, b := range c.Histogram {
		counted += b.Count
	}
	if c.Transmitters != 24 || counted != 24 || !c.Margin || c.Unit != "dB" || *c.Lower != 0 || c.Overall.Cpk == nil || c.Within.Cp != nil || c.Within.Refused == "" || *c.Uncertainty != 0.3 {
		t.Errorf("capability %+v", c)
	}
	if len(c.Outliers) != 1 || c.Outliers[0].Serial != "P1-0024" || math.Abs(c.Outliers[0].Value-10) > 1e-9 {
		t.Errorf("outliers %+v", c.Outliers)
	}
	chart, err := client.Chart(t.Context(), of)
	if err != nil || len(chart.Points) != 24 || len(chart.Points[23].Signals) == 0 || chart.Points[23].Signals[0] != 1 || len(chart.Points[3].Signals) != 0 {
		t.Errorf("chart %+v, %v", chart, err)
	}
	risk, err := client.Risks(t.Context(), api.RiskQuery{FigureQuery: of, Rules: []string{"simple", "guarded:1"}, Wanted: 0.01})
	if err != nil || len(risk.Rules) != 2 || risk.Uncertainty != 0.3 || risk.Rules[1].GuardBand != 0.6 || risk.Rules[1].FalseAccept > risk.Rules[0].FalseAccept || risk.Wanted != 0.01 {
		t.Errorf("risk %+v, %v", risk, err)
	}
	// Metrology sheet 1.5: N(0,4) read with 1 against ±8, published 0.008 and 0.015.
	f := func(x float64) *float64 { return &x }
	risk, err = client.Risks(t.Context(), api.RiskQuery{Mean: f(0), SD: f(4), Uncertainty: f(1), Lower: f(-8), Upper: f(8), Rules: []string{"shared-risk"}})
	if err != nil || math.Abs(risk.Rules[0].FalseAccept-0.008) > 5e-4 || math.Abs(risk.Rules[0].FalseReject-0.015) > 5e-4 || risk.Simulated {
		t.Errorf("risk %+v, %v", risk, err)
	}
}

func TestPopulationsKeepTheContract(t *testing.T) {
	s := seed(t)
	s.populate(t)
	h := newTestServer(t, s).Handler()
	router := contract(t)
	for path, status := range map[string]int{
		"/yield/capability":                              200,
		"/yield/capability?all=true&clause=6.6.4":        200,
		"/yield/capability?all=perhaps":                  400,
		"/yield/capability?colour=red":                   400,
		"/yield/capability?type=none":                    200,
		"/yield/chart?type=RU-P1":                        200,
		"/yield/chart?type=RU-P1&unit=P1-0001":           422,
		"/yield/chart":                                   422,
		"/yield/chart?connector=zero":                    400,
		"/yield/risk?type=RU-P1":                         200,
		"/yield/risk?type=RU-T4&clause=6.2":              422,
		"/yield/risk?type=RU-P1&rule=guarded":            400,
		"/yield/risk?type=RU-P1&wanted=2":                400,
		"/yield/risk?mean=1":                             400,
		"/yield/risk?mean=1&sd=NaN&uncertainty=1":        400,
		"/yield/risk?mean=1&sd=0&uncertainty=1&upper=2":  422,
		"/yield/risk?mean=1&sd=1&uncertainty=0&upper=2":  422,
		"/yield/risk?mean=1&sd=1&uncertainty=1":          422,
		"/yield/risk?mean=0&sd=1&uncertainty=1&upper=-3": 200,
	} {
		request := httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/api/v1"+path, nil)
		w := httptest.NewRecorder()
		h.ServeHTTP(w, request)
		if w.Code != status {
			t.Errorf("%s: status %d, want %d: %s", path, w.Code, status, w.Body)
		}
		if !strings.Contains(path, "colour") {
			holdAgainstContract(t, router, request, w.Result(), w.Body.Bytes())
		}
	}
}

func TestPopulationsArePages(t *testing.T) {
	s := seed(t)
	s.populate(t)
	h := newTestServer(t, s).Handler()
	const condition = "n78 100 MHz, SCS 30 kHz, channel M, NR-FR1-TM1.1"
	figure := "/yield/figure?build=2.5.0&type=RU-P1&clause=6.2&requirement=6.2&condition=" + url.QueryEscape(condition)
	for path, want := range map[string][]string{
		"/yield/capability": {"RU-P1", "&lt;output&gt; power", "<svg class=\"distribution\"", "not steady", "24 units", "too few", condition},
		figure: {"margins to the test requirement", "class=\"signal\"", "1: beyond 3 sigma", "of 24 signal: a steady process", "P1-0024", "shared-risk", "guarded, w = 1.00 U",
			"Accepted though outside", "no steady, normal process"},
		figure + "&unit=P1-0001":                 {"No chart: 1 readings, it takes at least 8", "guarded, w = 0.83 U"},
		figure + "&rule=guarded:0.5&wanted=0.01": {"guarded, w = 0.50 U", "1.00 % of all units"},
		"/yield/benches":                         {"What is missing", "mount at least 2 units"},
		"/yield":                                 {"/yield/capability", "/yield/benches"},
	} {
		status, _, body := get(t, h, path)
		if status != http.StatusOK {
			t.Errorf("%s: status %d\n%s", path, status, body)
		}
		for _, text := range append(want, "Simulated: no figure here") {
			if !strings.Contains(body, text) {
				t.Errorf("%s lacks %q", path, text)
			}
		}
		if strings.Contains(body, "NaN") || strings.Contains(body, "Inf") {
			t.Errorf("%s draws what is no number", path)
		}
	}
	for path, want := range map[string]int{"/yield/figure": 422, figure + "&rule=x": 400, "/yield/capability?type=none": 200} {
		if status, _, _ := get(t, h, path); status != want {
			t.Errorf("%s: status %d, want %d", path, status, want)
		}
	}
}

// The page of a verdict leads to the same figure over all units.
func TestVerdictsLeadToTheirPopulation(t *testing.T) {
	s := seed(t)
	h := newTestServer(t, s).Handler()
	_, _, body := get(t, h, "/cases/"+s.caseID(t, "T4-0001", "6.2")+"/figures/6.2")
	_, rest, found := strings.Cut(body, `href="/yield/figure?`)
	if !found {
		t.Fatal("the page has no such address")
	}
	query, _, _ := strings.Cut(rest, "#risk")
	status, _, page := get(t, h, "/yield/figure?"+html.UnescapeString(query))
	if status != http.StatusOK || !strings.Contains(page, "RU-T4") || !strings.Contains(page, "2 transmitters") {
		t.Errorf("%s: status %d\n%s", query, status, page)
	}
}

func TestAxesHaveRoundTicks(t *testing.T) {
	same := func(x float64) float64 { return x }
	for _, c := range []struct {
		low, high float64
		unit      string
		want      string
	}{
		{-0.9, 5.1, "dB", "0 dB 1 dB 2 dB 3 dB 4 dB 5 dB"},
		{36.02, 36.48, "dBm", "36.1 dBm 36.2 dBm 36.3 dBm 36.4 dBm"},
		{-30, 12, "dB", "−30 dB −20 dB −10 dB 0 dB 10 dB"},
		{1.5e6, 4.2e6, "Hz", "1.5 MHz 2.0 MHz 2.5 MHz 3.0 MHz 3.5 MHz 4.0 MHz"},
		{7, 7, "dB", "7 dB"},
	} {
		var texts []string
		for _, mark := range ticks(c.low, c.high, 6, c.unit, same) {
			texts = append(texts, mark.Text)
		}
		if got := strings.Join(texts, " "); got != c.want {
			t.Errorf("%g to %g: %s, want %s", c.low, c.high, got, c.want)
		}
	}
}

func TestHistogramCountsEveryReadingOnce(t *testing.T) {
	for _, xs := range [][]float64{{1}, {2, 2, 2}, {0, 0.1, 0.2, 0.3, 0.4, 0.5, 1}, {-1e9, 1e9}} {
		n := 0
		bins := histogram(xs)
		for i, b := range bins {
			n += b.Count
			if i > 0 && b.From != bins[i-1].To {
				t.Errorf("%v: bin %d begins at %v, the one before ends at %v", xs, i, b.From, bins[i-1].To)
			}
		}
		if n != len(xs) || bins[0].Count == 0 || bins[len(bins)-1].Count == 0 {
			t.Errorf("%v: %+v", xs, bins)
		}
	}
}

func TestJudgingAgainIsAskedOverHTTP(t *testing.T) {
	s := seed(t)
	client, err := api.NewClient(serve(t, newTestServer(t, s)), nil)
	if err != nil {
		t.Fatal(err)
	}
	run := s.runs["2.5.0 T4-0001"].String()
	refused := func(status int, says string, ask api.JudgementRequest) {
		t.Helper()
		var problem *api.Problem
		_, err := client.JudgeAgain(t.Context(), ask)
		if !errors.As(err, &problem) || problem.Status != status || !strings.Contains(problem.Detail+strings.Join(problem.Errors, "\n"), says) {
			t.Errorf("%+v gives %v (%+v), want status %d with %q", ask, err, problem, status, says)
		}
	}
	one := []string{run}
	refused(422, "no reason", api.JudgementRequest{Runs: one})
	refused(422, "name runs, or one campaign", api.JudgementRequest{Reason: "r"})
	refused(422, "name runs, or one campaign", api.JudgementRequest{Reason: "r", Runs: one, All: true})
	refused(422, "is not known", api.JudgementRequest{Reason: "r", Runs: []string{s.new.String()}})
	refused(422, "wait for its end", api.JudgementRequest{Reason: "r", Runs: []string{s.runs["2.5.0 T4-0003"].String()}})
	refused(422, "no inventory version 99", api.JudgementRequest{Reason: "r", Runs: one, LabVersion: 99})
	refused(422, "strict.yaml", api.JudgementRequest{Reason: "r", Runs: one, Limits: &api.NamedText{Name: "strict.yaml", Text: "limits: [\n"}})
	refused(422, "guard band factor", api.JudgementRequest{Reason: "r", Runs: one, Rule: &api.RuleRequest{Name: "guarded"}})
	refused(400, "the rule has no name", api.JudgementRequest{Reason: "r", Runs: one, Rule: &api.RuleRequest{GuardBandFactor: 1}})
	refused(400, "not the number of a run", api.JudgementRequest{Reason: "r", Runs: []string{"first"}})
	refused(400, "a name and a text", api.JudgementRequest{Reason: "r", Runs: one, Lab: &api.NamedText{Name: "x"}})
	refused(400, "control characters", api.JudgementRequest{Reason: "a\x07b", Runs: one})
	if n := s.count(t, "judgement"); n != 0 {
		t.Fatalf("%d judgements after refusals", n)
	}
	made, err := client.JudgeAgain(t.Context(), api.JudgementRequest{Reason: "customer wants it", AskedBy: "ann", Runs: one, Rule: &api.RuleRequest{Name: "guarded", GuardBandFactor: 1}})
	if err != nil || made.State != "queued" || made.Runs != 1 || made.AskedBy != "ann" || made.Rule != "guarded, w = 1.00 U" {
		t.Errorf("%+v, %v", made, err)
	}
	if n := s.count(t, "jobq.river_job WHERE args->>'judgement' = '"+made.ID+"'"); n != 1 {
		t.Errorf("%d tickets wait for an agent, want 1", n)
	}
}

func TestJudgementRequestsKeepTheContract(t *testing.T) {
	s := seed(t)
	address := serve(t, newTestServer(t, s))
	router := contract(t)
	for body, status := range map[string]int{
		`{"reason": "r", "runs": ["` + s.runs["2.4.0 T4-0001"].String() + `"]}`: 201,
		`{"reason": "r"}`:               422,
		`{"reason": "r", "runz": []}`:   400,
		`{"reason": "r", "all": "yes"}`: 400,
		`[]`:                            400,
	} {
		request, err := http.NewRequestWithContext(t.Context(), http.MethodPost, address+"/api/v1/judgements", strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		request.Header.Set("Content-Type", "application/json")
		response, err := http.DefaultClient.Do(request)
		if err != nil {
			t.Fatal(err)
		}
		var answer json.RawMessage
		if err := json.NewDecoder(response.Body).Decode(&answer); err != nil {
			t.Fatal(err)
		}
		response.Body.Close()
		if response.StatusCode != status {
			t.Errorf("%s: status %d, want %d: %s", body, response.StatusCode, status, answer)
		}
		request.URL.Scheme, request.URL.Host = "", ""
		holdAgainstContract(t, router, request, response, answer)
	}
}

func TestCasePagesListLaterJudgements(t *testing.T) {
	s := seed(t)
	h := newTestServer(t, s).Handler()
	id := s.caseID(t, "T4-0001", "6.2")
	if _, _, body := get(t, h, "/cases/"+id); strings.Contains(body, "Judged again</h2>") {
		t.Error("a case that was judged once lists judgements")
	}
	judgement := s.judgeAgain(t).String()
	_, _, body := get(t, h, "/cases/"+id)
	for _, want := range []string{"Judged again</h2>", "/judgements/" + judgement, "by bob", "new &lt;limits&gt; of 2027", "simple", "v-fail"} {
		if !strings.Contains(body, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	var detail api.CaseDetail
	_, _, body = get(t, h, "/api/v1/cases/"+id)
	if err := json.Unmarshal([]byte(body), &detail); err != nil || len(detail.Later) != 1 {
		t.Fatalf("%v: %s", err, body)
	}
	if l := detail.Later[0]; l.Verdict != "fail" || l.Changed != 1 || l.VerdictsChanged != 1 || l.Figures != 1 || detail.Verdict != "pass" {
		t.Errorf("%+v beside %s", l, detail.Verdict)
	}
}

// JCGM 100 7.2.6: 10.05762 with 0.027 is reported as 10.058, 28.05 as 28.
func TestFiguresAreReportedRounded(t *testing.T) {
	for _, c := range []struct {
		value, u float64
		unit     string
		want     string
	}{
		{10.05762, 0.027, "dB", "10.058 ± 0.027 dB"}, {-13.8449, 0.395, "dBm", "−13.84 dBm ± 0.40 dB"}, {97.64e6, 28050, "Hz", "97.640 ± 0.028 MHz"}, {-35.2, 4.1, "Hz", "−35.2 ± 4.1 Hz"},
	} {
		if got := reportText(c.value, c.u, c.unit); got != c.want {
			t.Errorf("%s, want %s", got, c.want)
		}
	}
}
