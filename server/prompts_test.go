package server

import (
	"bytes"
	"errors"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"github.com/google/uuid"

	"benchyard/server/api"
)

// ask stores an open prompt at a bench, for a run or for none.
func (s *seeded) ask(t *testing.T, bench string, run *uuid.UUID, text string) string {
	t.Helper()
	id := uuid.Must(uuid.NewV7())
	s.exec(t, `INSERT INTO prompt (id, bench, token, run_id, kind, instruction, cautions, confirmed, expires_at)
		VALUES ($1, $2, 3, $3, 'move cable', $4, $5, $6, now() + interval '8 hours')`, id, bench, run, text, []string{
		"This program is no safety device. The rules of your site, its interlocks and your own check come first.",
		"Loads and pads may burn you long after the power went off: wait before you touch them.",
		"Look at both connectors, clean them, and tighten with the torque that their data sheet gives.",
		"No connector may stay open or lead to an antenna: each may carry its rated power as soon as you have answered. A load must be rated for average power, peak power and frequency.",
	}, []string{"T4-0001 transmitter off", "T4-0002 transmitter off", "T4-0003 transmitter off", "generator output off", "analyzer at full attenuation", "no power at the analyzer"})
	s.exec(t, `UPDATE bench SET activity = 'waiting', doing = $2 WHERE name = $1`, bench, text)
	return id.String()
}

const (
	cableText     = "Connect the measuring cable of bench-1 to connector 2 of T4-0003 in slot 3. Terminate connector 1, 3, 4, each with a load rated for more than 37 dBm."
	generatorText = "Connect the generator of bench-3 to the power meter."
)

// asked fills the database with a prompt of the running unit and one of no run.
func (s *seeded) asked(t *testing.T) (ofRun, ofNone string) {
	t.Helper()
	run := s.runs["2.5.0 T4-0003"]
	return s.ask(t, "bench-1", &run, cableText), s.ask(t, "bench-3", nil, generatorText)
}

func TestPromptsStandOnThePages(t *testing.T) {
	s := seed(t)
	h := newTestServer(t, s).Handler()
	ofRun, ofNone := s.asked(t)
	runPage := "/runs/" + s.runs["2.5.0 T4-0003"].String()
	for path, want := range map[string][]string{
		"/":                  {"bench-1 waits for a person", cableText, generatorText, "waiting", `name="by" required`, `value="board"`, "T4-0003 transmitter off", "may burn you", "/prompts/" + ofNone},
		runPage:              {cableText, `value="run"`, "The rules of your site", "/prompts/" + ofRun + "/answer"},
		"/prompts/" + ofNone: {generatorText, "no power at the analyzer", "/prompts/" + ofNone + "/answer"},
	} {
		status, _, body := get(t, h, path)
		if status != http.StatusOK {
			t.Errorf("%s: status %d", path, status)
		}
		for _, text := range want {
			if !strings.Contains(body, text) {
				t.Errorf("%s lacks %q", path, text)
			}
		}
		if still := strings.HasPrefix(path, "/prompts/"); still == strings.Contains(body, "http-equiv") {
			t.Errorf("%s: loads itself again %v", path, !still)
		}
	}
	if _, _, body := get(t, h, runPage); strings.Contains(body, generatorText) {
		t.Error("the page of a run shows what is asked elsewhere")
	}
}

// What a person types is not swept away by news of the bench: the prompt is a
// part of the page of its own.
func TestPromptIsAPartOfItsOwn(t *testing.T) {
	s := seed(t)
	srv := newTestServer(t, s)
	s.asked(t)
	parts, err := srv.boardFragments(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	forms := map[string]bool{}
	for _, p := range parts {
		forms[p.Name] = bytes.Contains(p.HTML, []byte("<form"))
	}
	for name, want := range map[string]bool{"ask-bench-1": true, "ask-bench-2": false, "ask-bench-3": true, "bench-bench-1": false, "bench-bench-3": false} {
		if has, there := forms[name]; !there || has != want {
			t.Errorf("part %s: there %v, form %v; want form %v", name, there, has, want)
		}
	}
}

// answerForm sends the form of a prompt and returns where it leads.
func answerForm(t *testing.T, address, id string, form url.Values) (status int, to, body string) {
	t.Helper()
	return sendForm(t, address+"/prompts/"+id+"/answer", form)
}

// follow sends a request and returns where its answer leads.
func follow(t *testing.T, request *http.Request) (status int, to, body string) {
	t.Helper()
	client := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	response, err := client.Do(request)
	if err != nil {
		t.Fatal(err)
	}
	defer response.Body.Close()
	var b bytes.Buffer
	if _, err := b.ReadFrom(response.Body); err != nil {
		t.Fatal(err)
	}
	return response.StatusCode, response.Header.Get("Location"), b.String()
}

func TestPromptIsAnsweredFromItsForm(t *testing.T) {
	s := seed(t)
	address := serve(t, newTestServer(t, s))
	ofRun, ofNone := s.asked(t)
	for name, form := range map[string]url.Values{
		"no name":       {"answer": {"done"}},
		"no reason":     {"answer": {"cannot"}, "by": {"bob"}, "note": {"  "}},
		"no answer":     {"by": {"bob"}},
		"other answer":  {"answer": {"perhaps"}, "by": {"bob"}},
		"two lines":     {"answer": {"done"}, "by": {"bob\neve"}},
		"not even text": {"answer": {"done"}, "by": {"\xff"}},
	} {
		if status, to, _ := answerForm(t, address, ofRun, form); status/100 != 4 {
			t.Errorf("%s: status %d, leads to %q", name, status, to)
		}
	}
	status, to, _ := answerForm(t, address, ofRun, url.Values{"answer": {"done"}, "by": {"bob"}, "from": {"run"}})
	if want := "/runs/" + s.runs["2.5.0 T4-0003"].String(); status != http.StatusSeeOther || to != want {
		t.Errorf("status %d, leads to %q, want %q", status, to, want)
	}
	status, to, _ = answerForm(t, address, ofNone, url.Values{"answer": {"cannot"}, "by": {"eve"}, "note": {"no adapter"}, "from": {"board"}})
	if status != http.StatusSeeOther || to != "/" {
		t.Errorf("status %d, leads to %q", status, to)
	}
	// Too late: what became of it.
	status, to, _ = answerForm(t, address, ofRun, url.Values{"answer": {"done"}, "by": {"eve"}, "from": {"https://elsewhere.example"}})
	if status != http.StatusSeeOther || to != "/prompts/"+ofRun {
		t.Errorf("status %d, leads to %q", status, to)
	}
	h := newTestServer(t, s).Handler()
	for path, want := range map[string]string{
		"/prompts/" + ofRun: "done by bob", "/prompts/" + ofNone: "cannot by eve", "/runs/" + s.runs["2.5.0 T4-0003"].String(): "done by bob",
	} {
		if _, _, body := get(t, h, path); !strings.Contains(body, want) || strings.Contains(body, "<form") {
			t.Errorf("%s lacks %q, or still asks", path, want)
		}
	}
}

func TestClientAnswersPrompts(t *testing.T) {
	s := seed(t)
	client, err := api.NewClient(serve(t, newTestServer(t, s)), nil)
	if err != nil {
		t.Fatal(err)
	}
	ofRun, ofNone := s.asked(t)
	run := s.runs["2.5.0 T4-0003"].String()
	ctx := t.Context()
	open, err := client.Prompts(ctx, "")
	if err != nil || len(open) != 2 || open[0].ID != ofRun || open[0].RunID != run || open[0].Serial != "T4-0003" || len(open[0].Cautions) != 4 || len(open[0].Confirmed) != 6 || open[1].RunID != "" {
		t.Errorf("open %+v, %v", open, err)
	}
	benches, err := client.Benches(ctx)
	if err != nil || benches[0].Prompt == nil || benches[0].Prompt.ID != ofRun || benches[0].Activity != "waiting" || benches[1].Prompt != nil {
		t.Errorf("benches %+v, %v", benches, err)
	}
	var problem *api.Problem
	if _, err := client.AnswerPrompt(ctx, ofRun, api.PromptAnswer{By: " "}); !errors.As(err, &problem) || problem.Status != http.StatusUnprocessableEntity || !strings.Contains(problem.Detail, "name") {
		t.Errorf("an answer without a name gives %v", err)
	}
	done, err := client.AnswerPrompt(ctx, ofRun, api.PromptAnswer{By: "bob", Note: "connector cleaned"})
	if err != nil || done.State != "done" || done.AnsweredBy != "bob" || done.Note != "connector cleaned" || done.EndedAt == nil {
		t.Errorf("answered %+v, %v", done, err)
	}
	if _, err := client.AnswerPrompt(ctx, ofRun, api.PromptAnswer{By: "eve"}); !errors.As(err, &problem) || problem.Status != http.StatusConflict {
		t.Errorf("a second answer gives %v, want 409", err)
	}
	if all, err := client.Prompts(ctx, run); err != nil || len(all) != 1 || all[0].State != "done" {
		t.Errorf("of the run %+v, %v", all, err)
	}
	if d, err := client.Run(ctx, run); err != nil || len(d.Prompts) != 1 {
		t.Errorf("run %+v, %v", d.Prompts, err)
	}
	if one, err := client.Prompt(ctx, ofNone); err != nil || one.State != "open" {
		t.Errorf("the other %+v, %v", one, err)
	}
	// Nobody waits for an answer once the bench is in other hands.
	s.exec(t, `UPDATE bench_lease SET token = token + 1`)
	if _, err := client.AnswerPrompt(ctx, ofNone, api.PromptAnswer{By: "eve"}); !errors.As(err, &problem) || problem.Status != http.StatusConflict {
		t.Errorf("an answer to a lost lease gives %v, want 409", err)
	}
}

func TestPromptAnswersKeepTheContract(t *testing.T) {
	s := seed(t)
	srv, err := New(Options{Pool: s.pool, TrustNetwork: true})
	if err != nil {
		t.Fatal(err)
	}
	router := contract(t)
	ofRun, ofNone := s.asked(t)
	run := s.runs["2.5.0 T4-0003"].String()
	for _, c := range []struct {
		method, path, body string
		status             int
	}{
		{"GET", "/prompts", "", 200},
		{"GET", "/prompts?run=" + run, "", 200},
		{"GET", "/prompts?run=7", "", 400},
		{"GET", "/prompts?run=" + s.new.String(), "", 404},
		{"GET", "/prompts/" + ofRun, "", 200},
		{"GET", "/prompts/nonsense", "", 404},
		{"GET", "/prompts/" + run, "", 404},
		{"GET", "/benches", "", 200},
		{"GET", "/runs/" + run, "", 200},
		{"POST", "/prompts/" + ofRun + "/answer", `{"by": "bob", "nothing": 1}`, 400},
		{"POST", "/prompts/" + ofRun + "/answer", `{"by": "bob"} {}`, 400},
		{"POST", "/prompts/" + ofRun + "/answer", `{"by": "b\u0000b"}`, 400},
		{"POST", "/prompts/" + ofRun + "/answer", `{"by": "bob", "cannot": true}`, 422},
		{"POST", "/prompts/" + run + "/answer", `{"by": "bob"}`, 404},
		{"POST", "/prompts/" + ofRun + "/answer", `{"by": "bob"}`, 200},
		{"POST", "/prompts/" + ofRun + "/answer", `{"by": "bob"}`, 409},
		{"POST", "/prompts/" + ofNone + "/answer", `{"by": "bob", "cannot": true, "note": "no adapter"}`, 200},
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
