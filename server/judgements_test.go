package server

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"benchyard/jobs/conformance"
	"benchyard/jobs/results"
	"benchyard/server/api"
)

// judgeAgain stores a judgement of two runs: one whose output power fails now,
// and one that could not be judged.
func (s *seeded) judgeAgain(t *testing.T) uuid.UUID {
	t.Helper()
	ctx := t.Context()
	id, run, broken := uuid.Must(uuid.NewV7()), s.runs["2.5.0 T4-0001"], s.runs["2.4.0 T4-0001"]
	cases, err := results.RunCases(ctx, s.pool, run)
	if err != nil {
		t.Fatal(err)
	}
	again := make([]results.Rejudged, len(cases))
	for i, c := range cases {
		again[i] = results.Rejudged{Case: c.ID, Results: c.Results}
	}
	r := &again[0].Results[0]
	upper := r.Value - 0.5
	r.Upper, r.Margin, r.Verdict = &upper, -0.5, conformance.Fail
	err = pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) error {
		err := results.InsertJudgement(ctx, tx, results.Judgement{
			ID: id, AskedBy: "bob", Reason: "new <limits> of 2027", Simulated: true, LimitSet: "ts-38.141-1/2027", LimitsFile: "strict.yaml",
			Rule: &conformance.DecisionRule{Name: conformance.Simple}, LabID: &s.labID, Program: "v1-test",
		}, results.JudgementTexts{Limits: new(string)}, []results.JudgementRun{
			{Run: run, Batch: 1, Traces: 12, Before: conformance.Pass}, {Run: broken, Batch: 1, Traces: 12, Before: conformance.Pass},
		})
		if err != nil {
			return err
		}
		if _, err := results.StoreJudgedRun(ctx, tx, id, run, again, conformance.Fail, "v1-test"); err != nil {
			return err
		}
		_, err = results.StoreUnjudgedRun(ctx, tx, id, broken, "trace 2 (carrier) is damaged", "v1-test")
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return id
}

func TestJudgementsArePages(t *testing.T) {
	s := seed(t)
	h := newTestServer(t, s).Handler()
	if status, _, body := get(t, h, "/judgements"); status != http.StatusOK || !strings.Contains(body, "Nothing was judged again yet") {
		t.Errorf("empty list: status %d", status)
	}
	id := s.judgeAgain(t).String()
	for path, want := range map[string][]string{
		"/judgements": {"new &lt;limits&gt; of 2027", "ts-38.141-1/2027", "simple", "by bob", "/judgements/" + id, ">1/2<"},
		"/judgements/" + id: {"T4-0001", "trace 2 (carrier) is damaged", "not judged", "with strict.yaml", "inventory version", "1 run with another verdict",
			"6.2", "fail", "pass", "stays as it was", "-0.50"},
		"/runs/" + s.runs["2.5.0 T4-0001"].String(): {"/judgements/" + id, "new &lt;limits&gt; of 2027", "1 figure changed"},
		"/runs/" + s.runs["2.4.0 T4-0001"].String(): {"/judgements/" + id, "trace 2 (carrier) is damaged"},
	} {
		status, _, body := get(t, h, path)
		if status != http.StatusOK {
			t.Errorf("%s: status %d", path, status)
		}
		for _, text := range append(want, "Simulated: no figure here") {
			if !strings.Contains(strings.ReplaceAll(body, "−", "-"), text) {
				t.Errorf("%s lacks %q", path, text)
			}
		}
	}
	if status, _, _ := get(t, h, "/judgements/"+s.new.String()); status != http.StatusNotFound {
		t.Errorf("unknown judgement: status %d", status)
	}
}

func TestJudgementsKeepTheContract(t *testing.T) {
	s := seed(t)
	id := s.judgeAgain(t).String()
	srv := newTestServer(t, s)
	router := contract(t)
	for path, status := range map[string]int{
		"/judgements": 200,
		"/runs/" + s.runs["2.5.0 T4-0001"].String():   200,
		"/runs/" + s.runs["2.4.0 F2-0001"].String():   200,
		"/judgements/" + id:                           200,
		"/judgements/" + s.new.String():               404,
		"/judgements/" + id + "/changes":              200,
		"/judgements/" + id + "/changes?limit=1":      200,
		"/judgements/" + id + "/changes?limit=0":      400,
		"/judgements/" + id + "/changes?verdicts=why": 400,
		"/judgements/" + id + "/changes?verdict=true": 400,
		"/judgements/" + s.new.String() + "/changes":  404,
	} {
		request := httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/api/v1"+path, nil)
		w := httptest.NewRecorder()
		srv.Handler().ServeHTTP(w, request)
		if w.Code != status {
			t.Errorf("%s: status %d, want %d: %s", path, w.Code, status, w.Body)
		}
		holdAgainstContract(t, router, request, w.Result(), w.Body.Bytes())
	}
	client, err := api.NewClient(serve(t, srv), nil)
	if err != nil {
		t.Fatal(err)
	}
	list, err := client.Judgements(t.Context())
	if err != nil || len(list) != 1 || list[0].ID != id || list[0].VerdictsChanged != 1 || list[0].Rule != "simple" || list[0].LabVersion != s.labID {
		t.Errorf("%+v, %v", list, err)
	}
	one, err := client.Judgement(t.Context(), id)
	if err != nil || len(one.RunList) != 2 || one.RunList[0].Error == "" || one.RunList[1].VerdictAfter != "fail" || one.Errors != 1 {
		t.Errorf("%+v, %v", one, err)
	}
	changes, err := client.JudgementChanges(t.Context(), id, true, 10)
	if err != nil || len(changes) != 1 || changes[0].Key != "6.2" || *changes[0].After.Margin != -0.5 || changes[0].Before.Verdict != "pass" {
		t.Errorf("%+v, %v", changes, err)
	}
}
