package api

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"mime"
	"net/http"
	"net/url"
	"strconv"
	"strings"
)

// maxAnswer bounds what a client reads of one JSON answer, bytes.
const maxAnswer = 256 << 20

// Client calls a Benchyard server. A refusal of the server comes back as
// *Problem. It is safe for use from several goroutines.
type Client struct {
	base *url.URL
	http *http.Client
}

// NewClient returns a client of the server at base, e.g.
// "http://127.0.0.1:8080". A nil HTTP client means http.DefaultClient; one with
// a timeout would also cut Events.
func NewClient(base string, client *http.Client) (*Client, error) {
	u, err := url.Parse(base)
	if err != nil {
		return nil, fmt.Errorf("api: server address %q: %w", base, err)
	}
	if (u.Scheme != "http" && u.Scheme != "https") || u.Host == "" {
		return nil, fmt.Errorf("api: server address %q: want something like http://127.0.0.1:8080", base)
	}
	if client == nil {
		client = http.DefaultClient
	}
	return &Client{base: u.JoinPath("api/v1"), http: client}, nil
}

// Benches returns every bench and what it does now.
func (c *Client) Benches(ctx context.Context) (list []Bench, err error) {
	return list, c.call(ctx, http.MethodGet, nil, nil, &list, "benches")
}

// Queue returns what waits, when it is expected to be done, and which units to
// mount next.
func (c *Client) Queue(ctx context.Context) (queue Queue, err error) {
	return queue, c.call(ctx, http.MethodGet, nil, nil, &queue, "queue")
}

// Campaigns returns every campaign, newest first.
func (c *Client) Campaigns(ctx context.Context) (list []Campaign, err error) {
	return list, c.call(ctx, http.MethodGet, nil, nil, &list, "campaigns")
}

// Campaign returns one campaign.
func (c *Client) Campaign(ctx context.Context, id string) (one Campaign, err error) {
	return one, c.call(ctx, http.MethodGet, nil, nil, &one, "campaigns", id)
}

// Submit queues a campaign and returns it. With an idempotency key, sending it
// again returns what it returned first.
func (c *Client) Submit(ctx context.Context, s Submission) (made Campaign, err error) {
	return made, c.call(ctx, http.MethodPost, nil, s, &made, "campaigns")
}

// JUnit returns what a campaign has measured so far as JUnit XML.
func (c *Client) JUnit(ctx context.Context, campaign string) ([]byte, error) {
	return c.document(ctx, "campaigns", campaign, "junit")
}

// RunJUnit returns what a run has measured so far as JUnit XML.
func (c *Client) RunJUnit(ctx context.Context, run string) ([]byte, error) {
	return c.document(ctx, "runs", run, "junit")
}

// Cancel ends a campaign and returns what became of it. By says who wants it;
// empty is recorded as the API.
func (c *Client) Cancel(ctx context.Context, id, by string) (one Campaign, err error) {
	return one, c.call(ctx, http.MethodPost, values("by", by), nil, &one, "campaigns", id, "cancel")
}

// Runs returns every run of a campaign, by serial number and attempt.
func (c *Client) Runs(ctx context.Context, campaign string) (list []Run, err error) {
	return list, c.call(ctx, http.MethodGet, nil, nil, &list, "campaigns", campaign, "runs")
}

// Run returns one run with its provenance and every case.
func (c *Client) Run(ctx context.Context, id string) (one RunDetail, err error) {
	return one, c.call(ctx, http.MethodGet, nil, nil, &one, "runs", id)
}

// Prompts returns what persons are asked to do at the benches now, or with the
// id of a run every prompt of that run.
func (c *Client) Prompts(ctx context.Context, run string) (list []Prompt, err error) {
	return list, c.call(ctx, http.MethodGet, values("run", run), nil, &list, "prompts")
}

// Prompt returns one prompt.
func (c *Client) Prompt(ctx context.Context, id string) (one Prompt, err error) {
	return one, c.call(ctx, http.MethodGet, nil, nil, &one, "prompts", id)
}

// AnswerPrompt says what became of a prompt and returns it.
func (c *Client) AnswerPrompt(ctx context.Context, id string, a PromptAnswer) (one Prompt, err error) {
	return one, c.call(ctx, http.MethodPost, nil, a, &one, "prompts", id, "answer")
}

// PathTasks returns the newest tasks about signal paths, newest first.
func (c *Client) PathTasks(ctx context.Context) (list []PathTask, err error) {
	return list, c.call(ctx, http.MethodGet, nil, nil, &list, "path-tasks")
}

// PathTask returns one task about a signal path with what it measured.
func (c *Client) PathTask(ctx context.Context, id string) (one PathTaskDetail, err error) {
	return one, c.call(ctx, http.MethodGet, nil, nil, &one, "path-tasks", id)
}

// MeasurePath asks for a signal path to be measured or checked and returns the task.
func (c *Client) MeasurePath(ctx context.Context, r PathTaskRequest) (made PathTaskDetail, err error) {
	return made, c.call(ctx, http.MethodPost, nil, r, &made, "path-tasks")
}

// CancelPathTask ends a task about a signal path and returns what became of it. By
// says who wants it; empty is recorded as the API.
func (c *Client) CancelPathTask(ctx context.Context, id, by string) (one PathTaskDetail, err error) {
	return one, c.call(ctx, http.MethodPost, values("by", by), nil, &one, "path-tasks", id, "cancel")
}

// Paths returns every signal path with the correction in force.
func (c *Client) Paths(ctx context.Context) (list []Path, err error) {
	return list, c.call(ctx, http.MethodGet, nil, nil, &list, "paths")
}

// PathCorrections returns corrections that were proposed, newest first; with open
// those alone that wait for a decision.
func (c *Client) PathCorrections(ctx context.Context, open bool) (list []PathCorrection, err error) {
	return list, c.call(ctx, http.MethodGet, url.Values{"open": {strconv.FormatBool(open)}}, nil, &list, "corrections")
}

// PathCorrection returns one correction with its rows and its differences to the one
// in force, or to the one before.
func (c *Client) PathCorrection(ctx context.Context, id string) (one PathCorrectionDetail, err error) {
	return one, c.call(ctx, http.MethodGet, nil, nil, &one, "corrections", id)
}

// ApprovePath puts a proposed correction in force and returns it.
func (c *Client) ApprovePath(ctx context.Context, id string, a PathApproval) (one PathCorrectionDetail, err error) {
	return one, c.call(ctx, http.MethodPost, nil, a, &one, "corrections", id, "approve")
}

// RejectPath ends a proposed correction and returns it.
func (c *Client) RejectPath(ctx context.Context, id string, r PathRejection) (one PathCorrectionDetail, err error) {
	return one, c.call(ctx, http.MethodPost, nil, r, &one, "corrections", id, "reject")
}

// Case returns one case with its figures, limits and the list of its traces.
func (c *Client) Case(ctx context.Context, id int64) (one CaseDetail, err error) {
	return one, c.call(ctx, http.MethodGet, nil, nil, &one, "cases", strconv.FormatInt(id, 10))
}

// Results returns judged figures, by run and place in the plan.
func (c *Client) Results(ctx context.Context, q ResultQuery) (list []Result, err error) {
	v := values("campaign", q.Campaign, "run", q.Run, "serial", q.Serial, "clause", q.Clause, "verdict", q.Verdict)
	if q.Limit > 0 {
		v.Set("limit", strconv.Itoa(q.Limit))
	}
	return list, c.call(ctx, http.MethodGet, v, nil, &list, "results")
}

// Limits returns every requirement that applies to the declared carriers.
func (c *Client) Limits(ctx context.Context, q LimitQuery) (list LimitList, err error) {
	v := values()
	for _, p := range q.Parameters() {
		switch {
		case p.Many != nil:
			v[p.Name] = *p.Many
		case *p.One != "":
			v.Set(p.Name, *p.One)
		}
	}
	return list, c.call(ctx, http.MethodGet, v, nil, &list, "limits")
}

// Yield returns the yield of every build and type, and what got worse from one
// build to another; both empty means the two newest.
func (c *Client) Yield(ctx context.Context, buildA, buildB string) (report YieldReport, err error) {
	return report, c.call(ctx, http.MethodGet, values("a", buildA, "b", buildB), nil, &report, "yield")
}

// BenchAgreement returns how well benches agree where units went round them.
func (c *Client) BenchAgreement(ctx context.Context) (report BenchReport, err error) {
	return report, c.call(ctx, http.MethodGet, nil, nil, &report, "yield", "benches")
}

// Document returns the OpenAPI document of the server.
func (c *Client) Document(ctx context.Context) ([]byte, error) {
	return c.document(ctx, "openapi.yaml")
}

// document returns an answer that is not JSON.
func (c *Client) document(ctx context.Context, path ...string) ([]byte, error) {
	answer, err := c.do(ctx, http.MethodGet, nil, nil, path...)
	if err != nil {
		return nil, err
	}
	defer answer.Body.Close()
	return io.ReadAll(io.LimitReader(answer.Body, maxAnswer))
}

func values(pairs ...string) url.Values {
	v := url.Values{}
	for i := 0; i < len(pairs); i += 2 {
		if pairs[i+1] != "" {
			v.Set(pairs[i], pairs[i+1])
		}
	}
	return v
}

func (c *Client) call(ctx context.Context, method string, query url.Values, body, answer any, path ...string) error {
	response, err := c.do(ctx, method, query, body, path...)
	if err != nil {
		return err
	}
	defer response.Body.Close()
	if err := json.NewDecoder(io.LimitReader(response.Body, maxAnswer)).Decode(answer); err != nil {
		return fmt.Errorf("api: %s %s: the answer does not decode, is this a Benchyard server? %w", method, response.Request.URL.Path, err)
	}
	return nil
}

// do sends one request and returns an answer of status 2xx; anything else is an error.
func (c *Client) do(ctx context.Context, method string, query url.Values, body any, path ...string) (*http.Response, error) {
	escaped := make([]string, len(path))
	for i, p := range path {
		escaped[i] = url.PathEscape(p)
	}
	u := c.base.JoinPath(escaped...)
	u.RawQuery = query.Encode()
	var content io.Reader
	if body != nil {
		raw, err := json.Marshal(body)
		if err != nil {
			return nil, fmt.Errorf("api: %w", err)
		}
		content = bytes.NewReader(raw)
	}
	request, err := http.NewRequestWithContext(ctx, method, u.String(), content)
	if err != nil {
		return nil, fmt.Errorf("api: %w", err)
	}
	if body != nil {
		request.Header.Set("Content-Type", "application/json")
	}
	if keyed, ok := body.(interface{ key() string }); ok && keyed.key() != "" {
		request.Header.Set("Idempotency-Key", keyed.key())
	}
	response, err := c.http.Do(request)
	if err != nil {
		return nil, fmt.Errorf("api: %w", err)
	}
	if response.StatusCode/100 != 2 {
		defer response.Body.Close()
		return nil, readProblem(response)
	}
	return response, nil
}

func readProblem(response *http.Response) error {
	p := &Problem{Title: http.StatusText(response.StatusCode), Status: response.StatusCode}
	kind, _, _ := mime.ParseMediaType(response.Header.Get("Content-Type"))
	if kind != ProblemType {
		p.Detail = strings.ToLower(p.Title) + ", and no explanation; is this a Benchyard server?"
		return p
	}
	if err := json.NewDecoder(io.LimitReader(response.Body, 1<<20)).Decode(p); err != nil {
		return fmt.Errorf("api: status %d with a problem document that does not decode: %w", response.StatusCode, err)
	}
	return p
}
