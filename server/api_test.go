package server

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"errors"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/getkin/kin-openapi/routers"
	"github.com/getkin/kin-openapi/routers/legacy"

	"benchyard/jobs"
	"benchyard/jobs/conformance"
	"benchyard/server/api"
)

// contract is the OpenAPI document as a router.
func contract(t *testing.T) routers.Router {
	t.Helper()
	doc, err := openapi3.NewLoader().LoadFromData(api.Document)
	if err != nil {
		t.Fatal(err)
	}
	if err := doc.Validate(t.Context()); err != nil {
		t.Fatal(err)
	}
	router, err := legacy.NewRouter(doc)
	if err != nil {
		t.Fatal(err)
	}
	return router
}

// holdAgainstContract checks one request and its answer against the document.
func holdAgainstContract(t *testing.T, router routers.Router, request *http.Request, response *http.Response, body []byte) {
	t.Helper()
	route, params, err := router.FindRoute(request)
	if err != nil {
		t.Errorf("%s %s is not in the document: %v", request.Method, request.URL, err)
		return
	}
	err = openapi3filter.ValidateResponse(request.Context(), &openapi3filter.ResponseValidationInput{
		RequestValidationInput: &openapi3filter.RequestValidationInput{Request: request, PathParams: params, Route: route},
		Status:                 response.StatusCode, Header: response.Header, Body: io.NopCloser(bytes.NewReader(body)),
		Options: &openapi3filter.Options{IncludeResponseStatus: true},
	})
	if err != nil {
		t.Errorf("%s %s: the answer is not what the document says: %v", request.Method, request.URL, err)
	}
}

func TestAnswersKeepTheContract(t *testing.T) {
	s := seed(t)
	h := newTestServer(t, s).Handler()
	openapi3filter.RegisterBodyDecoder("application/octet-stream", openapi3filter.FileBodyDecoder)
	router := contract(t)
	id, broken := s.caseID(t, "T4-0002", "6.6.4"), s.caseID(t, "F2-0001", "6.2")
	for path, status := range map[string]int{
		"/benches":                                       200,
		"/benches/bench-1":                               200,
		"/benches/bench-9":                               404,
		"/benches/bench-1/golden":                        200,
		"/benches/bench-9/golden":                        404,
		"/campaigns":                                     200,
		"/campaigns/" + s.new.String():                   200,
		"/campaigns/" + s.new.String() + "/runs":         200,
		"/campaigns/" + s.runs["2.5.0 T4-0001"].String(): 404,
		"/campaigns/nonsense":                            404,
		"/runs/" + s.runs["2.5.0 T4-0002"].String():      200,
		"/runs/" + s.runs["2.5.0 F2-0001"].String():      200,
		"/runs/" + s.new.String():                        404,
		"/cases/" + id:                                   200,
		"/cases/" + broken:                               200,
		"/cases/999999":                                  404,
		"/cases/first":                                   404,
		"/cases/" + id + "/series":                       200,
		"/cases/" + broken + "/series":                   200,
		"/cases/" + id + "/traces/1?format=csv":          200,
		"/cases/" + id + "/traces/1?columns=5":           400,
		"/cases/" + id + "/traces/1?format=wave":         400,
		"/cases/" + id + "/traces/77":                    404,
		"/results?verdict=fail":                          200,
		"/results?limit=0":                               400,
		"/results?run=7":                                 400,
		"/limits?band=n78&bandwidth=100MHz&scs=30kHz&class=medium-range&rated_power=37dBm&rf_channel=T":                                                                                  200,
		"/limits?band=n78&bandwidth=100MHz&bandwidth=40MHz&scs=30kHz&scs=15kHz&gap=60MHz&class=medium-range&rated_power=37dBm&total_power=40dBm&option=protection&option=coexistence:n1": 200,
		"/limits?band=n78&bandwidth=100MHz&scs=30kHz&carrier=3.45GHz&carrier=3.54999GHz&class=medium-range&rated_power=37dBm&clause=6.6.3":                                               200,
		"/limits?band=n78&bandwidth=7MHz&scs=30kHz&rated_power=37dBm":                                                                                                                    400,
		"/limits?band=n78&bandwidth=100MHz&scs=30kHz&rated_power=37dBm&bnad=n1":                                                                                                          400,
		"/queue":                   200,
		"/yield":                   200,
		"/yield?a=2.4.0&b=2.5.0":   200,
		"/yield?a=2.4.0&b=9":       400,
		"/yield/benches":           200,
		"/events?after=minus":      400,
		"/nowhere":                 404,
		"/openapi.yaml":            200,
		"/campaigns/x/y/z/nothing": 404,
	} {
		request := httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/api/v1"+path, nil)
		w := httptest.NewRecorder()
		h.ServeHTTP(w, request)
		if w.Code != status {
			t.Errorf("%s: status %d, want %d: %s", path, w.Code, status, w.Body)
		}
		if status >= 400 && w.Header().Get("Content-Type") != api.ProblemType {
			t.Errorf("%s: content type %q, want %q", path, w.Header().Get("Content-Type"), api.ProblemType)
		}
		if !strings.Contains(path, "nothing") && !strings.Contains(path, "nowhere") && !strings.Contains(path, "openapi") {
			holdAgainstContract(t, router, request, w.Result(), w.Body.Bytes())
		}
	}
}

// caseID finds the newest case of a unit and clause.
func (s *seeded) caseID(t *testing.T, serial, clause string) string {
	t.Helper()
	var id int64
	err := s.pool.QueryRow(t.Context(), `SELECT c.id FROM measured_case c JOIN run r ON r.id = c.run_id
		WHERE r.serial = $1 AND c.clause = $2 ORDER BY c.id DESC LIMIT 1`, serial, clause).Scan(&id)
	if err != nil {
		t.Fatal(err)
	}
	return strconv.FormatInt(id, 10)
}

func TestClientReadsWhatTheServerSays(t *testing.T) {
	s := seed(t)
	client, err := api.NewClient(serve(t, newTestServer(t, s)), nil)
	if err != nil {
		t.Fatal(err)
	}
	ctx := t.Context()
	benches, err := client.Benches(ctx)
	if err != nil || len(benches) != 3 || benches[0].Now == nil || benches[0].Now.Serial != "T4-0003" || benches[1].Next == nil {
		t.Errorf("benches %+v, %v", benches, err)
	}
	campaigns, err := client.Campaigns(ctx)
	if err != nil || len(campaigns) != 2 || campaigns[0].ID != s.new.String() || campaigns[0].Progress.Failed != 1 {
		t.Errorf("campaigns %+v, %v", campaigns, err)
	}
	runs, err := client.Runs(ctx, s.new.String())
	if err != nil || len(runs) != 5 {
		t.Errorf("%d runs, want 5: %v", len(runs), err)
	}
	run, err := client.Run(ctx, s.runs["2.5.0 T4-0002"].String())
	if err != nil || run.Verdict != "fail" || len(run.Cases) != 5 || run.Provenance.PlanHash != "5f0c2c1e6a7b8d9e" {
		t.Errorf("run %+v, %v", run.Run, err)
	}
	figures, err := client.Results(ctx, api.ResultQuery{Campaign: s.new.String(), Verdict: "fail"})
	if err != nil || len(figures) == 0 {
		t.Fatalf("no failed figure: %v", err)
	}
	for _, f := range figures {
		if f.Serial != "T4-0002" || f.Build != "2.5.0" || !f.Simulated || f.Margin >= 0 {
			t.Errorf("failed figure %+v", f)
		}
	}
	report, err := client.Yield(ctx, "", "")
	if err != nil || report.BuildA != "2.4.0" || report.BuildB != "2.5.0" || len(report.Changes) == 0 || !report.Simulated {
		t.Errorf("yield %+v, %v", report, err)
	}
	if y := report.Comparison.Yields; len(y) == 0 || y[len(y)-1].UnitType != "RU-T4" || y[len(y)-1].Pairs != 2 || y[len(y)-1].Worse != 1 {
		t.Errorf("comparison %+v", report.Comparison)
	}
	if agreement, err := client.BenchAgreement(ctx); err != nil || len(agreement.Missing) == 0 || !agreement.Simulated {
		t.Errorf("benches agree: %+v, %v", agreement, err)
	}
	var problem *api.Problem
	if _, err := client.Campaign(ctx, s.runs["2.5.0 T4-0001"].String()); !errors.As(err, &problem) || problem.Status != http.StatusNotFound {
		t.Errorf("an unknown campaign gives %v, want a problem of status 404", err)
	}
	if document, err := client.Document(ctx); err != nil || !bytes.Equal(document, api.Document) {
		t.Errorf("the document differs: %v", err)
	}
}

func TestClientCancelsOnce(t *testing.T) {
	s := seed(t)
	client, err := api.NewClient(serve(t, newTestServer(t, s)), nil)
	if err != nil {
		t.Fatal(err)
	}
	ended, err := client.Cancel(t.Context(), s.new.String(), "ann")
	if err != nil || ended.State != string(jobs.Cancelled) || ended.CancelledBy != "ann" {
		t.Errorf("after cancelling: %+v, %v", ended, err)
	}
	var problem *api.Problem
	if _, err := client.Cancel(t.Context(), s.new.String(), "ann"); !errors.As(err, &problem) || problem.Status != http.StatusConflict {
		t.Errorf("cancelling twice gives %v, want a problem of status 409", err)
	}
}

func TestSubmissionIsRefusedWithEveryProblem(t *testing.T) {
	s := seed(t)
	client, err := api.NewClient(serve(t, newTestServer(t, s)), nil)
	if err != nil {
		t.Fatal(err)
	}
	before := s.count(t, "campaign")
	var problem *api.Problem
	_, err = client.Submit(t.Context(), api.Submission{Name: "x", Plan: "plan: x\nbad key: 1\n", Units: []string{"T4-0001"}, Build: "2.5.0"})
	if !errors.As(err, &problem) || problem.Status != http.StatusUnprocessableEntity || len(problem.Errors) == 0 || !strings.Contains(problem.Errors[0], "plan:") {
		t.Errorf("a bad plan gives %v (%+v), want status 422 with its problems", err, problem)
	}
	if after := s.count(t, "campaign"); after != before {
		t.Errorf("%d campaigns after a refused submission, want %d", after, before)
	}
}

func (s *seeded) count(t *testing.T, table string) (n int) {
	t.Helper()
	if err := s.pool.QueryRow(t.Context(), "SELECT count(*) FROM "+table).Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}

func TestSeriesAreTheJudgedLevels(t *testing.T) {
	s := seed(t)
	h := newTestServer(t, s).Handler()
	id := s.caseID(t, "T4-0002", "6.6.5")
	var c api.CaseDetail
	var list api.SeriesList
	for path, dst := range map[string]any{"/api/v1/cases/" + id: &c, "/api/v1/cases/" + id + "/series": &list} {
		_, _, body := get(t, h, path)
		if err := json.Unmarshal([]byte(body), dst); err != nil {
			t.Fatal(err)
		}
	}
	if len(c.Results) == 0 || len(list.Series) != len(c.Results) || len(c.Limits) != len(c.Results) {
		t.Fatalf("%d results, %d series, %d limits", len(c.Results), len(list.Series), len(c.Limits))
	}
	for i, r := range c.Results {
		greatest := math.Inf(-1)
		for _, v := range list.Series[i].LevelsDBm {
			greatest = max(greatest, v)
		}
		// Spurious limits are flat, so the greatest level is the judged one; the
		// store keeps traces as 32-bit floats, good to 1e-5 dB at these levels.
		if list.Series[i].Key != r.Key || math.Abs(greatest-r.Value) > 1e-4 {
			t.Errorf("%s: greatest level %.5f dBm of series %s, judged %.5f dBm", r.Key, greatest, list.Series[i].Key, r.Value)
		}
	}
}

func TestMasksDrawnAreThoseThatWereJudgedBy(t *testing.T) {
	s := seed(t)
	h := newTestServer(t, s).Handler()
	for _, clause := range []string{"6.6.4", "6.6.5"} {
		var c api.CaseDetail
		_, _, body := get(t, h, "/api/v1/cases/"+s.caseID(t, "T4-0002", clause))
		if err := json.Unmarshal([]byte(body), &c); err != nil {
			t.Fatal(err)
		}
		for i, r := range c.Results {
			l := c.Limits[i]
			if l.Key != r.Key || r.Upper == nil || l.Upper == nil || r.Lower != nil {
				t.Fatalf("result %+v beside limit %+v", r, l)
			}
			near, far := *l.Upper, *l.Upper
			if l.UpperTo != nil {
				far = *l.UpperTo
			}
			// The limit at the worst point lies on the mask; 1e-9 dB for the arithmetic.
			if *r.Upper < min(near, far)-1e-9 || *r.Upper > max(near, far)+1e-9 {
				t.Errorf("%s was judged by %.2f dBm, the mask runs from %.2f to %.2f dBm", r.Key, *r.Upper, near, far)
			}
		}
	}
}

func TestNextRunGoesByPriorityThenAge(t *testing.T) {
	s := seed(t)
	next := func() string {
		forecast, err := jobs.ETA(t.Context(), s.pool)
		runs := nextRuns(forecast)
		if err != nil || runs["bench-2"] == nil {
			t.Fatalf("runs %v, %v", runs, err)
		}
		return runs["bench-2"].Serial + " " + runs["bench-2"].Build
	}
	s.run(t, s.old, "2.4.0", "F2-0002", "queued")
	if got, want := next(), "F2-0002 2.5.0"; got != want {
		t.Errorf("of equal priority the older goes first: got %s, want %s", got, want)
	}
	s.exec(t, `UPDATE campaign SET priority = 50 WHERE id = $1`, s.old)
	if got, want := next(), "F2-0002 2.4.0"; got != want {
		t.Errorf("the smaller priority goes first: got %s, want %s", got, want)
	}
	s.exec(t, `UPDATE run SET blocked = 'no build' WHERE id = $1`, s.runs["2.4.0 F2-0002"])
	if got, want := next(), "F2-0002 2.5.0"; got != want {
		t.Errorf("a blocked run stands back: got %s, want %s", got, want)
	}
}

func TestTraceIsRaisedToTheConnector(t *testing.T) {
	s := seed(t)
	h := newTestServer(t, s).Handler()
	path := "/api/v1/cases/" + s.caseID(t, "T4-0001", conformance.OutputPowerClause) + "/traces/1"
	at := map[string][]float32{}
	for _, place := range []string{"connector", "analyzer"} {
		status, header, body := get(t, h, path+"?levels="+place)
		if status != http.StatusOK || header.Get("Benchyard-Levels") != place || header.Get("Benchyard-Points") != strconv.Itoa(len(body)/4) {
			t.Fatalf("%s: status %d, headers %v, %d bytes", place, status, header, len(body))
		}
		levels := make([]float32, len(body)/4)
		if _, err := binary.Decode([]byte(body), binary.LittleEndian, levels); err != nil {
			t.Fatal(err)
		}
		at[place] = levels
	}
	// The path of the seeded lab loses 40 dB at 9 kHz and 44 dB at 26.5 GHz: 40.566 dB at 3.75 GHz.
	middle := len(at["connector"]) / 2
	if loss := float64(at["connector"][middle] - at["analyzer"][middle]); math.Abs(loss-40.566) > 0.01 {
		t.Errorf("the connector stands %.3f dB above the analyzer, want 40.566", loss)
	}
}
