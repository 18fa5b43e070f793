package server

import (
	"encoding/json"
	"errors"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"benchyard/instruments/rf"
	"benchyard/jobs"
	"benchyard/jobs/calibration"
	"benchyard/jobs/lab"
	"benchyard/jobs/uncertainty"
	"benchyard/server/api"
)

// propose stores a correction of bench-1 slot 1 connector 1 that is off by db at the
// lower end: the one in force has 40 dB ± 0.2 dB at 9 kHz and 44 dB ± 0.4 dB at 26.5 GHz.
func (s *seeded) propose(t *testing.T, db rf.DB, to rf.Hertz) string {
	t.Helper()
	row := calibration.Row{CorrectionPoint: rf.CorrectionPoint{Frequency: 9e3, Loss: 40 + db, Uncertainty: 0.1}}
	row.Budget = uncertainty.Budget{Parts: []uncertainty.Part{{Name: "power meter", Kind: uncertainty.Normal, Value: 0.1, Divisor: 2, Standard: 0.05}}, Combined: 0.05, Coverage: 2, Expanded: 0.1}
	id, err := jobs.Propose(t.Context(), s.pool, jobs.PathProposal{
		PathPlace: jobs.PathPlace{Bench: "bench-1", Slot: 1, Connector: 1}, Source: jobs.ImportedPath, Origin: "pad <7>.csv", MeasuredBy: "mary", MeasuredAt: time.Now(),
		Rows: []calibration.Row{row, {CorrectionPoint: rf.CorrectionPoint{Frequency: to, Loss: 40 + 4*rf.DB(to/26.5e9), Uncertainty: 0.4}}},
	})
	if err != nil {
		t.Fatal(err)
	}
	return id.String()
}

// elementsOf names the elements of that path in the inventory.
func (s *seeded) elementsOf(t *testing.T, names string) {
	t.Helper()
	s.reapply(t, `route: "\(@101\)",( elements: \[[^]]*\],)?`, `route: "(@101)", elements: [`+names+`],`)
}

// reapply puts the inventory in force once more with the first place changed that fits.
func (s *seeded) reapply(t *testing.T, pattern, by string) {
	t.Helper()
	var text string
	if err := s.pool.QueryRow(t.Context(), `SELECT document FROM lab_version ORDER BY applied_at DESC, id DESC LIMIT 1`).Scan(&text); err != nil {
		t.Fatal(err)
	}
	place := regexp.MustCompile(pattern).FindString(text)
	text, _, _ = strings.Cut(text, "# Corrections in force") // the program keeps them itself
	if _, _, err := lab.Apply(t.Context(), s.pool, "lab.yaml", []byte(strings.Replace(text, place, by, 1)), "ann"); err != nil {
		t.Fatal(err)
	}
}

func TestPagesOfPaths(t *testing.T) {
	s := seed(t)
	h := newTestServer(t, s).Handler()
	s.elementsOf(t, "cable-17, pad-3")
	agreeing, off := s.propose(t, 0.1, 26.5e9), s.propose(t, 0.5, 6e9)
	for path, want := range map[string][]string{
		"/paths": {"Corrections that wait for a decision", "bench-1 slot 1 connector 1", "pad &lt;7&gt;.csv", "cable-17, pad-3", "not named", "2097-01-31",
			"of the inventory file", "1 frequency beyond both uncertainties; covers less", "&#43;2.24", "/paths/" + off},
		"/paths/" + agreeing: {"within both uncertainties", "somebody else has to approve it", `action="/paths/` + agreeing + `/approve"`, "<svg", "power meter 0.050", "the path alone", "Dashed"},
		"/paths/" + off:      {"differs at 1 of 2 frequencies", `name="reason" maxlength="200" required`, `name="narrower"`, "Larger marks lie outside"},
	} {
		status, _, body := get(t, h, path)
		if status != http.StatusOK {
			t.Errorf("%s: status %d", path, status)
		}
		for _, text := range append(want, "Simulated: no figure here") {
			if !strings.Contains(body, text) {
				t.Errorf("%s lacks %q", path, text)
			}
		}
	}
	if _, _, body := get(t, h, "/paths/"+agreeing); strings.Contains(body, `name="narrower"`) || strings.Contains(body, `maxlength="200" required></label></p>
<p>`) {
		t.Error("asks for more than is needed")
	}
}

func TestCorrectionIsDecidedFromItsForms(t *testing.T) {
	s := seed(t)
	address := serve(t, newTestServer(t, s))
	h := newTestServer(t, s).Handler()
	s.elementsOf(t, "cable-17, pad-3")
	good, bad := s.propose(t, 0.1, 26.5e9), s.propose(t, 3, 26.5e9)
	for says, form := range map[string]url.Values{
		"mary measured it; somebody else": {"by": {" Mary "}},
		"the name of who approves is":     {"by": {""}},
		"valid_until must be a day":       {"by": {"bob"}, "valid_until": {"soon"}},
		"which is over":                   {"by": {"bob"}, "valid_until": {"2020-01-01"}},
		"say that day or an earlier one":  {"by": {"bob"}, "valid_until": {"2999-01-01"}},
	} {
		if status, _, body := sendForm(t, address+"/paths/"+good+"/approve", form); status/100 != 4 || !strings.Contains(body, says) {
			t.Errorf("status %d; want %q", status, says)
		}
	}
	if status, to, _ := sendForm(t, address+"/paths/"+bad+"/reject", url.Values{"by": {"bob"}, "reason": {"a loose <nut>"}}); status != http.StatusSeeOther || to != "/paths/"+bad {
		t.Errorf("rejected: status %d, leads to %q", status, to)
	}
	until := time.Now().AddDate(0, 0, 30).UTC().Format(time.DateOnly)
	if status, to, _ := sendForm(t, address+"/paths/"+good+"/approve", url.Values{"by": {"bob"}, "valid_until": {until}}); status != http.StatusSeeOther || to != "/paths/"+good {
		t.Errorf("approved: status %d, leads to %q", status, to)
	}
	// Too late: what became of it.
	if status, to, _ := sendForm(t, address+"/paths/"+good+"/reject", url.Values{"by": {"bob"}, "reason": {"x"}}); status != http.StatusSeeOther || to != "/paths/"+good {
		t.Errorf("rejected after all: status %d, leads to %q", status, to)
	}
	s.elementsOf(t, "cable-18, pad-3")
	for path, want := range map[string][]string{
		"/paths/" + good: {"approved</span> by bob", until},
		"/paths/" + bad:  {"rejected</span> by bob", "a loose &lt;nut&gt;"},
		"/paths":         {"measured by mary", "approved by bob", "does not hold any more: cable-17 is gone, cable-18 is new", "Decided"},
	} {
		if _, _, body := get(t, h, path); strings.Contains(body, "<form") {
			t.Errorf("%s still asks", path)
		} else {
			for _, text := range want {
				if !strings.Contains(body, text) {
					t.Errorf("%s lacks %q", path, text)
				}
			}
		}
	}
}

// sendForm posts a form and returns where it leads.
func sendForm(t *testing.T, address string, form url.Values) (status int, to, body string) {
	t.Helper()
	request, err := http.NewRequestWithContext(t.Context(), http.MethodPost, address, strings.NewReader(form.Encode()))
	if err != nil {
		t.Fatal(err)
	}
	request.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	return follow(t, request)
}

func TestClientDecidesAboutCorrections(t *testing.T) {
	s := seed(t)
	client, err := api.NewClient(serve(t, newTestServer(t, s)), nil)
	if err != nil {
		t.Fatal(err)
	}
	ctx := t.Context()
	good, bad := s.propose(t, 0.5, 26.5e9), s.propose(t, 3, 26.5e9)
	open, err := client.PathCorrections(ctx, true)
	if err != nil || len(open) != 2 || open[0].ID != bad || open[1].Disagree != 1 || open[1].Greatest == nil || open[1].Greatest.FrequencyHz != 9e3 {
		t.Errorf("%+v, %v", open, err)
	}
	var problem *api.Problem
	if _, err := client.ApprovePath(ctx, good, api.PathApproval{By: "bob"}); !errors.As(err, &problem) || problem.Status != http.StatusUnprocessableEntity || len(problem.Errors) != 1 {
		t.Errorf("approved without a reason: %v", err)
	}
	until := time.Now().AddDate(0, 0, 30).UTC().Format(time.DateOnly)
	one, err := client.ApprovePath(ctx, good, api.PathApproval{By: "bob", Reason: "new pad", ValidUntil: until})
	if err != nil || one.State != "approved" || one.DecidedBy != "bob" || one.ValidUntil != until || len(one.Table) != 2 || one.Table[0].Budget == nil || one.Table[1].Budget != nil || len(one.Differences) != 2 {
		t.Errorf("%+v, %v", one, err)
	}
	two, err := client.RejectPath(ctx, bad, api.PathRejection{By: "bob", Reason: "loose"})
	if err != nil || two.State != "rejected" || two.Reason != "loose" {
		t.Errorf("%+v, %v", two, err)
	}
	if _, err := client.RejectPath(ctx, good, api.PathRejection{By: "bob", Reason: "loose"}); !errors.As(err, &problem) || problem.Status != http.StatusConflict {
		t.Errorf("rejected after all: %v", err)
	}
	paths, err := client.Paths(ctx)
	if err != nil || len(paths) == 0 || paths[0].Correction != good || paths[0].ValidUntil != until || paths[0].Rows != 2 || paths[1].Correction != "" || paths[0].Open != 0 {
		t.Errorf("%+v, %v", paths, err)
	}
}

// Answers about paths keep the contract, refusals too.
func TestPathAnswersKeepTheContract(t *testing.T) {
	s := seed(t)
	h := newTestServer(t, s).Handler()
	router := contract(t)
	id := s.propose(t, 0.1, 26.5e9)
	for path, status := range map[string]int{
		"/paths": 200, "/corrections": 200, "/corrections?open=true": 200, "/corrections?bench=bench-1&slot=1&connector=1": 200,
		"/corrections?bench=bench-1": 400, "/corrections?slot=1": 400, "/corrections?bench=bench-1&slot=0&connector=1": 400, "/corrections?open=maybe": 400, "/corrections?opened=true": 400,
		"/corrections/" + id: 200, "/corrections/nonsense": 404, "/corrections/" + s.new.String(): 404,
	} {
		request := httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/api/v1"+path, nil)
		w := httptest.NewRecorder()
		h.ServeHTTP(w, request)
		if w.Code != status || status == 200 && !json.Valid(w.Body.Bytes()) {
			t.Errorf("%s: status %d, want %d: %s", path, w.Code, status, w.Body)
		}
		holdAgainstContract(t, router, request, w.Result(), w.Body.Bytes())
	}
}
