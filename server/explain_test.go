package server

import (
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"benchyard/jobs/conformance"
	"benchyard/server/api"
)

// explained asks the server for one explanation.
func explained(t *testing.T, h http.Handler, id, key string) api.Explanation {
	t.Helper()
	status, _, body := get(t, h, "/api/v1/cases/"+id+"/explanation?key="+key)
	var x api.Explanation
	if err := json.Unmarshal([]byte(body), &x); err != nil || status != http.StatusOK {
		t.Fatalf("%s of case %s: status %d, %v\n%s", key, id, status, err, body)
	}
	return x
}

// fact returns what a step says under a name, with a plain minus.
func fact(x api.Explanation, step, name string) string {
	for _, s := range x.Steps {
		for _, f := range s.Facts {
			if s.Name == step && f.Name == name {
				return strings.ReplaceAll(f.Text, "−", "-")
			}
		}
	}
	return ""
}

func TestFigurePagesExplainEveryVerdict(t *testing.T) {
	s := seed(t)
	h := newTestServer(t, s).Handler()
	pages := 0
	for _, clause := range conformance.Clauses() {
		id := s.caseID(t, "T4-0002", clause)
		_, _, body := get(t, h, "/api/v1/cases/"+id)
		var d api.CaseDetail
		if err := json.Unmarshal([]byte(body), &d); err != nil {
			t.Fatal(err)
		}
		_, _, casePage := get(t, h, "/cases/"+id)
		for _, r := range d.Results {
			address := fmt.Sprintf("/cases/%s/figures/%s", id, r.Key)
			if !strings.Contains(casePage, `href="`+address+`"`) {
				t.Errorf("the page of case %s has no link to %s", id, address)
			}
			status, _, page := get(t, h, address)
			at := 0
			for _, want := range []string{"Simulated: no figure here", "Read at the analyzer", "ACME,SA-26,1001,1.0, certificate C-1001", "Path correction", "Path loss added",
				"Figure at the connector", "Uncertainty of the figure", "Requirement", r.Clause, conformance.LimitSet(), "Core requirement", "Test tolerance", "Provenance",
				"Test requirement at the figure", "Decision rule", "shared-risk", "Margin to the limit", "Conformance probability", "Verdict", r.Verdict, "Judged again", "Never"} {
				i := strings.Index(page[at:], want)
				if status != http.StatusOK || i < 0 {
					t.Errorf("%s: status %d, after byte %d the page lacks %q", address, status, at, want)
					continue
				}
				at += i
			}
			pages++
		}
	}
	if pages < 18 { // 1 power, 1 width, 4 ratios, 6 segments of the mask, 6 ranges of spurious emissions
		t.Errorf("%d figures were explained, want those of five clauses", pages)
	}
}

func TestExplanationAddsUp(t *testing.T) {
	s := seed(t)
	h := newTestServer(t, s).Handler()
	x := explained(t, h, s.caseID(t, "T4-0001", conformance.OutputPowerClause), "6.2")
	r := x.Result
	// The path of the seeded lab loses 40 dB at 9 kHz and 44 dB at 26.5 GHz: 40.566 dB at 3.75 GHz.
	if r.CorrectionDB == nil || math.Abs(*r.CorrectionDB-40.566) > 0.01 || x.Read.AsReadDBm == nil ||
		math.Abs(*x.Read.AsReadDBm+*r.CorrectionDB-r.Value) > 1e-9 {
		t.Errorf("read %v dBm, path %v dB, figure %v dBm", x.Read.AsReadDBm, r.CorrectionDB, r.Value)
	}
	// Rated power 37 dBm, 2 dB either way (TS 38.104 6.2.2), test tolerance beside it.
	if *r.Lower != 37-2-r.Tolerance+r.Tightened || *r.Upper != 37+2+r.Tolerance-r.Tightened || r.Core != 2 {
		t.Errorf("limits %v to %v, core %v, tolerance %v, tightened %v", *r.Lower, *r.Upper, r.Core, r.Tolerance, r.Tightened)
	}
	if r.Budget == nil || r.Budget.Expanded != r.Uncertainty || len(r.Budget.Parts) == 0 {
		t.Fatalf("uncertainty %v with budget %+v", r.Uncertainty, r.Budget)
	}
	if r.Probability == nil || r.Risk == nil || math.Abs(*r.Probability+*r.Risk-1) > 1e-12 {
		t.Errorf("an accepted figure is wrongly accepted when it does not conform: probability %v, risk %v", r.Probability, r.Risk)
	}
	for step, want := range map[string][2]string{
		"reading":     {"Level as read", "dBm at 3.75 GHz"},
		"correction":  {"Path loss added", "+40.57 dB at 3.75 GHz"},
		"uncertainty": {"Expanded uncertainty", "coverage 95.45 %"},
		"requirement": {"Core requirement", "±2.00 dB, source: TS 38.104"},
		"decision":    {"Risk of this verdict", "false accept"},
		"verdict":     {"Because", " dBm against "},
	} {
		if got := fact(x, step, want[0]); !strings.Contains(got, want[1]) {
			t.Errorf("%s, %s: %q does not say %q", step, want[0], got, want[1])
		}
	}
	// T4-0002 has -25 dBm/MHz as the less stringent limit (TS 38.104 6.6.3.2, medium range).
	leak := explained(t, h, s.caseID(t, "T4-0002", conformance.LeakageRatioClause), "6.6.3/lower/1")
	if got := fact(leak, "requirement", "Absolute limit as a ratio"); !strings.HasPrefix(got, "carrier power 37") || !strings.Contains(got, "it governs") {
		t.Errorf("absolute limit as a ratio: %q", got)
	}
	if x.Limit == nil || x.Limit.Key != "6.2" || x.LabVersion != s.labID || x.Program != "v0-test" {
		t.Errorf("limit %+v, inventory %d, program %q", x.Limit, x.LabVersion, x.Program)
	}
}

// TestDecisionIsToldAsItWasMade compares with the arithmetic of the rules:
// a guard band is r*U (ILAC-G8:09/2019 4.2.2), a tightened limit moved by what U
// has beyond the permitted one.
func TestDecisionIsToldAsItWasMade(t *testing.T) {
	upper, most, p := -30.0, 1.0, 0.9
	wrong := 1 - p
	for rule, want := range map[string][]string{
		"shared-risk":                        {"decision", "Accepts", "at most -30.00 dBm"},
		"simple":                             {"decision", "In words", "without a guard band"},
		"guarded, w = 1.00 U":                {"decision", "Accepts", "at most -31.50 dBm"},
		"guarded-non-binary, w = 0.50 U":     {"decision", "Guard band", "w = 0.750 dB"},
		"conformance-probability, p >= 0.95": {"decision", "In words", "at least 95.00 %"},
	} {
		r := api.Result{Clause: "6.6.5", Unit: "dBm", Value: -31, Upper: &upper, Margin: 1, Rule: rule, Verdict: "pass", Uncertainty: 1.5,
			MaxUncertainty: &most, Tightened: 0.5, Probability: &p, Risk: &wrong}
		a, err := acceptanceOf(r)
		if err != nil {
			t.Errorf("%s: %v", rule, err)
			continue
		}
		x := api.Explanation{Result: r, Acceptance: a}
		x.Steps = stepsOf(x)
		if got := fact(x, want[0], want[1]); !strings.Contains(got, want[2]) {
			t.Errorf("%s: %s is %q, want %q", rule, want[1], got, want[2])
		}
		for _, f := range [][3]string{
			{"requirement", "Test requirement at the figure", "at most -29.50 dBm"}, {"requirement", "Tightened by", "0.500 dB"},
			{"requirement", "Limit in force", "at most -30.00 dBm"}, {"decision", "Risk of this verdict", "10.00 % that it is a false accept"},
		} {
			if got := fact(x, f[0], f[1]); !strings.Contains(got, f[2]) {
				t.Errorf("%s: %s is %q, want %q", rule, f[1], got, f[2])
			}
		}
	}
	for _, bad := range []string{"by the moon", "guarded, w = much U", "guarded", "conformance-probability"} {
		if a, err := acceptanceOf(api.Result{Rule: bad}); err == nil {
			t.Errorf("rule %q was read as %+v", bad, a)
		}
	}
}

func TestExplanationTellsLaterJudgements(t *testing.T) {
	s := seed(t)
	s.judgeAgain(t)
	h := newTestServer(t, s).Handler()
	id := s.caseID(t, "T4-0001", conformance.OutputPowerClause)
	x := explained(t, h, id, "6.2")
	if len(x.Later) != 1 || x.Later[0].AskedBy != "bob" || x.Later[0].Figure.Verdict != "fail" || *x.Later[0].Figure.Margin != -0.5 ||
		!x.Later[0].VerdictChanged || x.Result.Verdict != "pass" {
		t.Errorf("first %s, later %+v", x.Result.Verdict, x.Later)
	}
	_, _, page := get(t, h, "/cases/"+id+"/figures/6.2")
	for _, want := range []string{"new &lt;limits&gt; of 2027", "/judgements/" + x.Later[0].ID, "ts-38.141-1/2027", "-0.50 dB", "stays as it was"} {
		if !strings.Contains(strings.ReplaceAll(page, "−", "-"), want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	s.exec(t, `DELETE FROM judgement_measurement WHERE requirement_key = '6.2'`)
	if x = explained(t, h, id, "6.2"); len(x.Later) != 1 || x.Later[0].Figure.Value != nil || x.Later[0].VerdictChanged {
		t.Errorf("a limit that the later set has not: %+v", x.Later)
	}
}

func TestExplanationsKeepTheContract(t *testing.T) {
	s := seed(t)
	s.judgeAgain(t)
	srv := newTestServer(t, s)
	router := contract(t)
	id := s.caseID(t, "T4-0001", "6.6.3")
	for path, status := range map[string]int{
		"/cases/" + id + "/explanation?key=6.6.3/lower/1":                  200,
		"/cases/" + s.caseID(t, "T4-0001", "6.2") + "/explanation?key=6.2": 200,
		"/cases/" + id + "/explanation?key=6.6.3/lower/9":                  404,
		"/cases/" + id + "/explanation":                                    400,
		"/cases/" + id + "/explanation?kye=6.6.3/lower/1":                  400,
		"/cases/999999/explanation?key=6.2":                                404,
		"/cases/first/explanation?key=6.2":                                 404,
	} {
		request := httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/api/v1"+path, nil)
		w := httptest.NewRecorder()
		srv.Handler().ServeHTTP(w, request)
		if w.Code != status {
			t.Errorf("%s: status %d, want %d: %s", path, w.Code, status, w.Body)
		}
		holdAgainstContract(t, router, request, w.Result(), w.Body.Bytes())
	}
	for _, path := range []string{"/cases/" + id + "/figures/6.6.3/lower/9", "/cases/" + id + "/figures/", "/cases/x/figures/6.2", "/cases/" + id + "/figures/%3Cscript%3E"} {
		if status, _, body := get(t, srv.Handler(), path); status != http.StatusNotFound || strings.Contains(body, "<script>") {
			t.Errorf("%s: status %d\n%s", path, status, body)
		}
	}
	client, err := api.NewClient(serve(t, srv), nil)
	if err != nil {
		t.Fatal(err)
	}
	var number int64
	fmt.Sscan(id, &number)
	x, err := client.Explanation(t.Context(), number, "6.6.3/lower/1")
	if err != nil || x.Result.Key != "6.6.3/lower/1" || len(x.Steps) != 7 || x.Result.CarrierPowerDBm == nil {
		t.Errorf("%+v, %v", x.Result, err)
	}
}
