package server

import (
	"errors"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"benchyard/jobs/lab"
	"benchyard/server/api"
)

// measurable gives bench-1 all it takes to measure its paths.
func (s *seeded) measurable(t *testing.T) {
	t.Helper()
	document := inventoryDocument()
	for _, change := range [][2]string{
		{"benches:\n", "  - {name: meter-1, role: power meter, resource: \"TCPIP::127.0.0.1::6100::SOCKET\", identity: \"ACME,meter\", certificate: C-3, calibration_due: 2097-06-30, level_uncertainty: 0.1dB, input_swr: 1.1}\nbenches:\n"},
		{"generator: generator-1,", "generator: generator-1, power_meter: meter-1,"},
		{"certificate: C-2,", "certificate: C-2, output_swr: 1.2,"},
		{"noise_factor: 1.0645,", "noise_factor: 1.0645, linearity: 0.1dB, input_swr: 1.2,"},
		{`route: "(@101)",`, `route: "(@101)", swr: 1.15,`},
		{`route: "(@102)",`, `route: "(@102)", swr: 1.15,`},
	} {
		if !strings.Contains(document, change[0]) {
			t.Fatalf("the inventory has no %q", change[0])
		}
		document = strings.Replace(document, change[0], change[1], 1)
	}
	if _, _, err := lab.Apply(t.Context(), s.pool, "lab.yaml", []byte(document), "ann"); err != nil {
		t.Fatal(err)
	}
}

var n78 = api.PathTaskRequest{Kind: "measure", Bench: "bench-1", Slot: 1, Connector: 1, FromHz: 3.3e9, ToHz: 3.8e9, StepHz: 50e6, By: "bob"}

// checked makes a task one that was done: a check of two frequencies that fails.
func (s *seeded) checked(t *testing.T, id string) {
	t.Helper()
	s.exec(t, `UPDATE path_task SET state = 'done', started_at = now(), finished_at = now(), readings = 4, passed = false, result = $2 WHERE id = $1`, id,
		`{"readings": [{"frequency_hz": 1e9, "meter_dbm": [0.1, 0.1], "analyzer_dbm": [-40, -40.1]}, {"frequency_hz": 2e9, "meter_dbm": [0, 0], "analyzer_dbm": [-41, -41]}],
		"equipment": {}, "limit_db": 0.3,
		"losses": [{"frequency_hz": 1e9, "loss_db": 40.15, "uncertainty_db": 0.21, "budget": {"parts": [], "combined": 0.1, "coverage": 2, "expanded": 0.2}},
		           {"frequency_hz": 2e9, "loss_db": 41, "uncertainty_db": 0.21, "budget": {"parts": [], "combined": 0.1, "coverage": 2, "expanded": 0.2}}],
		"check": [{"frequency_hz": 1e9, "before_db": 40.1, "after_db": 40.15, "difference_db": 0.05, "uncertainty_db": 0.3, "ratio": 0.2},
		          {"frequency_hz": 2e9, "before_db": 40.5, "after_db": 41, "difference_db": 0.5, "uncertainty_db": 0.3, "ratio": 1.7}]}`)
}

func TestClientMeasuresPaths(t *testing.T) {
	s := seed(t)
	s.measurable(t)
	client, err := api.NewClient(serve(t, newTestServer(t, s)), nil)
	if err != nil {
		t.Fatal(err)
	}
	ctx := t.Context()
	made, err := client.MeasurePath(ctx, n78)
	if err != nil || made.State != "queued" || made.Frequencies != 11 || made.ReadingsTotal != 22 || made.FromHz != 3.3e9 || made.ToHz != 3.8e9 || made.LeftS <= 0 || made.AskedBy != "bob" {
		t.Fatalf("queued %+v, %v", made, err)
	}
	var problem *api.Problem
	if _, err := client.MeasurePath(ctx, n78); !errors.As(err, &problem) || problem.Status != http.StatusUnprocessableEntity || len(problem.Errors) != 1 {
		t.Errorf("the same again gives %v, want 422", err)
	}
	check, err := client.MeasurePath(ctx, api.PathTaskRequest{Kind: "check", Bench: "bench-1", Slot: 1, Connector: 2, AtHz: []float64{1e9, 2e9}, By: "bob"})
	if err != nil || check.Frequencies != 2 {
		t.Fatalf("queued %+v, %v", check, err)
	}
	if list, err := client.PathTasks(ctx); err != nil || len(list) != 2 || list[0].ID != check.ID {
		t.Errorf("tasks %+v, %v", list, err)
	}
	s.checked(t, check.ID)
	one, err := client.PathTask(ctx, check.ID)
	if err != nil || one.Passed == nil || *one.Passed || one.LimitDB == nil || *one.LimitDB != 0.3 || len(one.Rows) != 2 ||
		*one.Rows[1].DifferenceDB != 0.5 || *one.Rows[1].InForceDB != 40.5 || len(one.Rows[0].AnalyzerDBm) != 2 || one.Rows[0].Budget.Combined != 0.1 {
		t.Errorf("checked %+v, %v", one, err)
	}
	if ended, err := client.CancelPathTask(ctx, made.ID, "ann"); err != nil || ended.State != "cancelled" || ended.EndedBy != "ann" {
		t.Errorf("cancelled %+v, %v", ended, err)
	}
	if _, err := client.CancelPathTask(ctx, made.ID, "ann"); !errors.As(err, &problem) || problem.Status != http.StatusConflict {
		t.Errorf("cancelled twice gives %v, want 409", err)
	}
}

func TestPathTasksKeepTheContract(t *testing.T) {
	s := seed(t)
	s.measurable(t)
	srv, err := New(Options{Pool: s.pool, TrustNetwork: true})
	if err != nil {
		t.Fatal(err)
	}
	router := contract(t)
	client, err := api.NewClient(serve(t, srv), nil)
	if err != nil {
		t.Fatal(err)
	}
	made, err := client.MeasurePath(t.Context(), n78)
	if err != nil {
		t.Fatal(err)
	}
	const where = `"bench": "bench-1", "slot": 1, "connector": 2, "by": "bob"`
	for _, c := range []struct {
		method, path, body string
		status             int
	}{
		{"GET", "/path-tasks", "", 200},
		{"GET", "/path-tasks/" + made.ID, "", 200},
		{"GET", "/path-tasks/nonsense", "", 404},
		{"GET", "/path-tasks/" + s.new.String(), "", 404},
		{"POST", "/path-tasks", `{"kind": "measure", ` + where + `, "nothing": 1}`, 400},
		{"POST", "/path-tasks", `{"kind": "measure", ` + where + `, "from_hz": 1e9, "to_hz": 2e9}`, 400},
		{"POST", "/path-tasks", `{"kind": "measure", ` + where + `, "from_hz": 1e9, "to_hz": 2e9, "points": 5, "at_hz": [1e9]}`, 400},
		{"POST", "/path-tasks", `{"kind": "measure", "bench": "b\u0000", "slot": 1, "connector": 1, "by": "bob"}`, 400},
		{"POST", "/path-tasks", `{"kind": "measure", ` + where + `, "from_hz": 1e9, "to_hz": 2e9, "points": 5, "level_dbm": 29}`, 422},
		{"POST", "/path-tasks", `{"kind": "guess", ` + where + `}`, 422},
		{"POST", "/path-tasks", `{"kind": "measure", "bench": "bench-2", "slot": 1, "connector": 1, "points": 5, "from_hz": 1e9, "to_hz": 2e9, "by": "bob"}`, 422},
		{"POST", "/path-tasks", `{"kind": "check", ` + where + `}`, 201},
		{"POST", "/path-tasks/" + made.ID + "/cancel?by=%00", "", 400},
		{"POST", "/path-tasks/" + made.ID + "/cancel", "", 200},
		{"POST", "/path-tasks/" + made.ID + "/cancel", "", 409},
		{"POST", "/path-tasks/" + s.new.String() + "/cancel", "", 404},
	} {
		request := httptest.NewRequestWithContext(t.Context(), c.method, "/api/v1"+c.path, strings.NewReader(c.body))
		request.Header.Set("Content-Type", "application/json")
		w := httptest.NewRecorder()
		srv.Handler().ServeHTTP(w, request)
		if w.Code != c.status {
			t.Errorf("%s %s %s: status %d, want %d: %s", c.method, c.path, c.body, w.Code, c.status, w.Body)
		}
		holdAgainstContract(t, router, request, w.Result(), w.Body.Bytes())
	}
}

// form sends a form and returns where it leads.
func form(t *testing.T, address, path string, values url.Values) (status int, to string) {
	t.Helper()
	request, err := http.NewRequestWithContext(t.Context(), http.MethodPost, address+path, strings.NewReader(values.Encode()))
	if err != nil {
		t.Fatal(err)
	}
	request.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	client := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	response, err := client.Do(request)
	if err != nil {
		t.Fatal(err)
	}
	defer response.Body.Close()
	return response.StatusCode, response.Header.Get("Location")
}

// A path is asked for, followed, answered and cancelled from pages.
func TestPathTaskPages(t *testing.T) {
	s := seed(t)
	s.measurable(t)
	srv := newTestServer(t, s)
	address, h := serve(t, srv), srv.Handler()
	asked := url.Values{"kind": {"measure"}, "bench": {"bench-1"}, "slot": {"1"}, "connector": {"2"}, "from": {"3.3GHz"}, "to": {"3.8 GHz"}, "points": {"11"}, "by": {"bob"}}
	for field, wrong := range map[string]string{"slot": "one", "from": "low", "points": "2", "bench": "bench-9", "by": " ", "to": "1GHz"} {
		bad := url.Values{}
		for k, v := range asked {
			bad[k] = v
		}
		bad.Set(field, wrong)
		if status, _ := form(t, address, "/path-tasks", bad); status != http.StatusBadRequest && status != http.StatusUnprocessableEntity {
			t.Errorf("%s %q: status %d", field, wrong, status)
		}
	}
	status, to := form(t, address, "/path-tasks", asked)
	if status != http.StatusSeeOther || !strings.HasPrefix(to, "/path-tasks/") {
		t.Fatalf("status %d, leads to %q", status, to)
	}
	id := strings.TrimPrefix(to, "/path-tasks/")
	s.exec(t, `UPDATE path_task SET state = 'active', started_at = now(), doing = 'power meter, 3 of 11', readings = 3, left_s = 83 WHERE id = $1`, id)
	prompt := s.ask(t, "bench-1", nil, "Join the generator to the power meter.")
	s.exec(t, `UPDATE prompt SET task_id = $2 WHERE id = $1`, prompt, id)
	for path, want := range map[string][]string{
		"/path-tasks": {"bench-1 slot 1 connector 2", "3/22", `href="/prompts/` + prompt, "by bob"},
		"/path-tasks?bench=bench-3&slot=4&connector=5": {`value="bench-3"`, `value="4"`, `value="5"`},
		to:                    {"Join the generator to the power meter.", `value="pathtask"`, "3 of 22", "1m23s of readings left", "power meter, 3 of 11", "/cancel"},
		"/prompts/" + prompt:  {`href="` + to + `"`},
		"/paths":              {`href="/path-tasks"`, "/path-tasks?bench=bench-1&amp;slot=1&amp;connector=2"},
		"/path-tasks/nowhere": {"nothing is stored"},
	} {
		_, _, body := get(t, h, path)
		for _, text := range want {
			if !strings.Contains(body, text) {
				t.Errorf("%s lacks %q", path, text)
			}
		}
	}
	if status, to, _ := answerForm(t, address, prompt, url.Values{"answer": {"done"}, "by": {"bob"}, "from": {"pathtask"}}); status != http.StatusSeeOther || to != "/path-tasks/"+id {
		t.Errorf("answered: status %d, leads to %q", status, to)
	}
	for range 2 { // the second comes too late
		if status, to := form(t, address, "/path-tasks/"+id+"/cancel", nil); status != http.StatusSeeOther || to != "/path-tasks/"+id {
			t.Errorf("cancelled: status %d, leads to %q", status, to)
		}
	}
	if _, _, body := get(t, h, to); !strings.Contains(body, "cancelled") || !strings.Contains(body, "done by bob") || strings.Contains(body, "<form") {
		t.Error("the page of a cancelled task lacks what became of it, or still asks")
	}
	s.exec(t, `UPDATE path_task SET kind = 'check', ended_by = NULL WHERE id = $1`, id)
	s.checked(t, id)
	if _, _, body := get(t, h, to); !strings.Contains(body, "beyond its limit") || !strings.Contains(body, "40.50") || !strings.Contains(body, "&#43;0.50") {
		t.Error("the page of a check lacks its rows")
	}
}

// News of a task do not sweep away what a person types into its prompt.
func TestPathTaskStream(t *testing.T) {
	s := seed(t)
	s.measurable(t)
	srv := newTestServer(t, s)
	client, err := api.NewClient(serve(t, srv), nil)
	if err != nil {
		t.Fatal(err)
	}
	made, err := client.MeasurePath(t.Context(), n78)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		query url.Values
		parts string
	}{{url.Values{"page": {"pathtasks"}}, "pathtasks"}, {url.Values{"page": {"pathtask"}, "id": {made.ID}}, "ask pathtask"}} {
		live, err := srv.livePage(c.query)
		if err != nil {
			t.Fatal(err)
		}
		fragments, err := live.fragments(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		var names []string
		for _, f := range fragments {
			names = append(names, f.Name)
		}
		if got := strings.Join(names, " "); got != c.parts {
			t.Errorf("%v: parts %q, want %q", c.query, got, c.parts)
		}
	}
	if _, err := srv.livePage(url.Values{"page": {"pathtask"}, "id": {"7"}}); err == nil {
		t.Error("a stream of no task")
	}
}
