package main

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"encoding/xml"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"benchyard/instruments/sim"
	"benchyard/jobs"
	"benchyard/jobs/lab"
	"benchyard/jobs/postgres"

	"github.com/jackc/pgx/v5/pgxpool"
)

const recurringPlan = `plan: quick
carriers: [{band: n78, bandwidth: 100MHz, scs: 30kHz}]
tests: [{clause: 6.2, rf_channels: [B, T], connectors: [1]}]
`

// automation is a simulated bench with an agent and a clerk on it.
type automation struct {
	t    *testing.T
	url  string
	pool *pgxpool.Pool
	plan string

	mu       sync.Mutex
	now      time.Time // by which schedules are due
	secret   string    // of the receiver
	refused  []string
	messages []map[string]any
}

func newAutomation(t *testing.T) *automation {
	t.Helper()
	a := &automation{t: t, url: postgres.TestURL(t), now: time.Date(2026, 11, 25, 12, 0, 30, 0, time.UTC), plan: filepath.Join(t.TempDir(), "quick.yaml")}
	var err error
	if a.pool, err = pgxpool.New(t.Context(), a.url); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(a.pool.Close)
	if err := postgres.Migrate(t.Context(), a.pool); err != nil {
		t.Fatal(err)
	}
	config := sim.Demo(5)
	config.Speed, config.Benches, config.Units, config.Faults = 5000, config.Benches[:1], config.Units[:1], nil
	simulated, err := sim.Start(context.Background(), config, nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { simulated.Close() })
	if _, _, err := lab.Apply(t.Context(), a.pool, "lab.yaml", simulated.Inventory(), "ann"); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(a.plan, []byte(recurringPlan), 0o600); err != nil {
		t.Fatal(err)
	}
	a.work()
	return a
}

// work starts the agent and the clerk until the test ends.
func (a *automation) work() {
	agent, err := jobs.NewAgent(jobs.AgentOptions{Pool: a.pool, Name: "a", Version: "test", Timings: jobs.Timings{
		TTL: 3 * time.Second, Renew: 500 * time.Millisecond, Margin: 500 * time.Millisecond, Grace: 200 * time.Millisecond, Poll: 200 * time.Millisecond,
	}})
	if err != nil {
		a.t.Fatal(err)
	}
	if err := agent.Start(a.t.Context()); err != nil {
		a.t.Fatal(err)
	}
	clerk, err := jobs.NewClerk(jobs.ClerkOptions{Pool: a.pool, Poll: 50 * time.Millisecond, FirstPause: 50 * time.Millisecond,
		WebhookAllow: []netip.Prefix{netip.MustParsePrefix("127.0.0.0/8")}, Clock: func() time.Time {
			a.mu.Lock()
			defer a.mu.Unlock()
			return a.now
		}})
	if err != nil {
		a.t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- clerk.Run(ctx) }()
	a.t.Cleanup(func() {
		stop()
		if err := errors.Join(<-ended, agent.Stop(context.Background())); err != nil {
			a.t.Error(err)
		}
	})
}

// ServeHTTP is the receiver: it computes the signature from the text of Standard
// Webhooks ("id.timestamp.body" under the decoded secret), and fails the first
// attempt at everything.
func (a *automation) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	body, err := io.ReadAll(r.Body)
	a.mu.Lock()
	defer a.mu.Unlock()
	key, keyErr := base64.StdEncoding.DecodeString(strings.TrimPrefix(a.secret, "whsec_"))
	mac := hmac.New(sha256.New, key)
	io.WriteString(mac, r.Header.Get("webhook-id")+"."+r.Header.Get("webhook-timestamp")+"."+string(body))
	var message map[string]any
	if err = errors.Join(err, keyErr, json.Unmarshal(body, &message)); err != nil {
		a.refused = append(a.refused, err.Error())
	}
	if want := "v1," + base64.StdEncoding.EncodeToString(mac.Sum(nil)); r.Header.Get("webhook-signature") != want {
		a.refused = append(a.refused, "signature "+r.Header.Get("webhook-signature")+", want "+want)
	}
	for _, earlier := range a.messages {
		if earlier["id"] == message["id"] {
			earlier["arrived"] = true
			return
		}
	}
	a.messages = append(a.messages, message)
	w.WriteHeader(http.StatusServiceUnavailable)
}

// told returns the data of the messages of a type that arrived.
func (a *automation) told(kind string) (all []map[string]any) {
	a.t.Helper()
	a.mu.Lock()
	defer a.mu.Unlock()
	if len(a.refused) > 0 {
		a.t.Fatalf("the receiver refused: %q", a.refused)
	}
	for _, m := range a.messages {
		if m["type"] == kind && m["arrived"] == true {
			all = append(all, m["data"].(map[string]any))
		}
	}
	return all
}

func (a *automation) command(code int, args ...string) string {
	a.t.Helper()
	out, stderr := command(a.t, code, append(args, "--database-url", a.url)...)
	return out + stderr
}

// subscribe makes the receiver a webhook, through the command line.
func (a *automation) subscribe() {
	a.t.Helper()
	receiver := httptest.NewServer(a)
	a.t.Cleanup(receiver.Close)
	var made struct{ Secret string }
	if err := json.Unmarshal([]byte(a.command(exitDone, "webhook", "add", receiver.URL+"/hook", "--format", "json")), &made); err != nil {
		a.t.Fatal(err)
	}
	a.mu.Lock()
	a.secret = made.Secret
	a.mu.Unlock()
}

// A schedule fires, its campaign is measured on the simulated lab, the receiver
// is told under a signature that it checks by itself, and JUnit XML says the same.
func TestScheduleToWebhookToJUnit(t *testing.T) {
	a := newAutomation(t)
	a.subscribe()
	a.command(exitDone, "schedule", "add", "nightly", "--at", "5 13 * * *", "--zone", "Europe/Berlin", "--plan", a.plan, "--build", "2.4.0")
	// The clock of the test stands before the next due time by the database's.
	if _, err := a.pool.Exec(t.Context(), `UPDATE schedule SET next_at = '2026-11-25T12:05:00Z'`); err != nil {
		t.Fatal(err)
	}
	a.mu.Lock()
	a.now = time.Date(2026, 11, 25, 12, 5, 3, 0, time.UTC)
	a.mu.Unlock()
	await(t, time.Minute, "the end of the campaign at the receiver", func() bool { return len(a.told(jobs.CampaignEndedMessage)) == 1 })
	ended := a.told(jobs.CampaignEndedMessage)[0]
	if ended["name"] != "nightly" || ended["passed"] != 1.0 || ended["state"] != "done" || ended["simulated"] != true {
		t.Errorf("told %v", ended)
	}
	fired := a.told(jobs.ScheduleFiringMessage)
	if len(fired) != 1 || fired[0]["outcome"] != "fired" || fired[0]["campaign"] != ended["campaign"] || len(a.told(jobs.RunEndedMessage)) != 1 {
		t.Errorf("fired %v, runs %v", fired, a.told(jobs.RunEndedMessage))
	}
	var suites struct {
		Tests    int `xml:"tests,attr"`
		Failures int `xml:"failures,attr"`
		Suites   []struct {
			Name     string `xml:"name,attr"`
			Hostname string `xml:"hostname,attr"`
		} `xml:"testsuite"`
	}
	out := a.command(exitDone, "campaign", "show", "--format", "junit")
	if err := xml.Unmarshal([]byte(out), &suites); err != nil || suites.Tests != 2 || suites.Failures != 0 || len(suites.Suites) != 1 || suites.Suites[0].Hostname != "bench-1" ||
		!strings.Contains(out, `name="simulated" value="true"`) {
		t.Errorf("%+v, %v in\n%s", suites, err, out)
	}
	if shown := a.command(exitDone, "schedule", "show", "nightly"); !strings.Contains(shown, "fired") || !strings.Contains(shown, "13:05 +01:00") {
		t.Errorf("shown:\n%s", shown)
	}
	if list := a.command(exitDone, "webhook", "list"); !strings.Contains(list, "active") || strings.Contains(list, "whsec") {
		t.Errorf("listed:\n%s", list)
	}
}

// A build that is announced goes through both stages on the simulated lab.
func TestAnnouncedBuildIsMeasuredInStages(t *testing.T) {
	a := newAutomation(t)
	a.subscribe()
	for _, stage := range []string{"smoke", "full"} {
		a.command(exitDone, "build", "plan", a.plan, "--type", "RU-T4", "--stage", stage)
	}
	first := a.command(exitDone, "build", "announce", "2.4.0", "--type", "RU-T4", "--idempotency-key", "ci 7", "--format", "json")
	if again := a.command(exitDone, "build", "announce", "2.4.0", "--type", "RU-T4", "--idempotency-key", "ci 7", "--format", "json"); !strings.Contains(again, first[strings.Index(first, `"id"`):strings.Index(first, `"build"`)]) {
		t.Errorf("announced twice:\n%s\n%s", first, again)
	}
	await(t, time.Minute, "the end of the full stage at the receiver", func() bool {
		for _, stage := range a.told(jobs.BuildStageMessage) {
			if stage["stage"] == "full" && stage["state"] == "passed" {
				return true
			}
		}
		return false
	})
	list := a.command(exitDone, "build", "list", "--format", "csv")
	if strings.Count(list, ",passed,smoke,passed,") != 1 || strings.Count(list, ",passed,full,passed,") != 1 {
		t.Errorf("listed:\n%s", list)
	}
}

func TestAutomationRefusesBadInput(t *testing.T) {
	a := newAutomation(t)
	file := filepath.Join(filepath.Dir(a.plan), "schedule.yaml")
	if err := os.WriteFile(file, []byte("name: weekly\nat: 0 6 * * 1\nzone: Europe/Berlin\nplan: quick.yaml\nbuild: 2.4.0\ntypes: [RU-T4]\noverlap: queue\npriority: high\ncatch_up: 2h\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if out := a.command(exitDone, "schedule", "add", "--file", file, "--format", "json"); !strings.Contains(out, `"catch_up_s": 7200`) || !strings.Contains(out, `"overlap": "queue"`) || !strings.Contains(out, `"priority": "high"`) {
		t.Errorf("from a file: %s", out)
	}
	bad := filepath.Join(filepath.Dir(a.plan), "bad.yaml")
	if err := os.WriteFile(bad, []byte("name: x\nevery: day\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	ok := []string{"schedule", "add", "x", "--plan", a.plan, "--build", "2.4.0", "--at"}
	for _, c := range []struct {
		args []string
		says string
	}{
		{[]string{"schedule", "add", "x"}, "--at"},
		{[]string{"schedule", "add", "--file", bad}, "bad.yaml:2:1"},
		{append(ok, "0 0 31 4 *"), "never due"},
		{append(ok, "0 0 * * *", "--zone", "Nowhere"), "time zone"},
		{append(ok, "0 0 * * *", "--type", "RU-X"), "RU-X"},
		{append(ok, "0 0 * * *", "--units", ","), "names nothing"},
		{[]string{"schedule", "add", "x", "--at", "0 0 * * *", "--build", "2.4.0", "--plan", "none.yaml"}, "none.yaml"},
		{[]string{"schedule", "pause", "nobody"}, "schedule list"},
		{[]string{"schedule", "resume", "weekly"}, "is active"},
		{[]string{"build", "announce", "2.4.0", "--type", "RU-T4"}, "benchyard build plan"},
		{[]string{"build", "plan", a.plan}, "together"},
		{[]string{"build", "plan", a.plan, "--type", "RU-X", "--stage", "smoke"}, "RU-X"},
		{[]string{"webhook", "add", "ftp://x/"}, "neither http nor https"},
		{[]string{"webhook", "add", "https://a:b@x/"}, "password"},
		{[]string{"webhook", "add", "https://x/", "--type", "everything"}, "benchyard.run.ended"},
		{[]string{"webhook", "test", "ffffff"}, "webhook list"},
		{[]string{"serve", "--no-agent", "--webhook-allow", "inside"}, "neither a network"},
	} {
		if out := a.command(exitUsage, c.args...); !strings.Contains(out, c.says) {
			t.Errorf("benchyard %q: %q does not say %q", c.args, out, c.says)
		}
	}
}
