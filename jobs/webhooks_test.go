package jobs

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	standardwebhooks "github.com/standard-webhooks/standard-webhooks/libraries/go"

	"benchyard/jobs/webhook"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
)

// inbox is a receiver that checks every signature with the reference
// implementation and keeps what arrives.
type inbox struct {
	url    string
	mu     sync.Mutex
	secret webhook.Secret
	status func(call int) int // nil: 204
	bad    []string
	got    []arrived
}

// arrived is a CloudEvent as a receiver reads it.
type arrived struct {
	SpecVersion, ID, Source, Type, Subject string
	Data                                   map[string]any
}

func newInbox(t testing.TB) *inbox {
	t.Helper()
	in := &inbox{}
	s := httptest.NewServer(in)
	t.Cleanup(s.Close)
	in.url = s.URL
	return in
}

func (in *inbox) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	body, err := io.ReadAll(r.Body)
	in.mu.Lock()
	defer in.mu.Unlock()
	var e arrived
	check, badSecret := standardwebhooks.NewWebhook(in.secret.Reveal())
	if err = errors.Join(err, badSecret); err == nil {
		err = errors.Join(check.Verify(body, r.Header), json.Unmarshal(body, &e))
	}
	if err == nil && (e.SpecVersion != "1.0" || e.ID != r.Header.Get("webhook-id") || e.Source == "") {
		err = fmt.Errorf("not a CloudEvent: %s", body)
	}
	if err != nil {
		in.bad = append(in.bad, err.Error())
	}
	in.got = append(in.got, e)
	status := http.StatusNoContent
	if in.status != nil {
		status = in.status(len(in.got))
	}
	w.WriteHeader(status)
}

// kinds returns the kinds of messages that arrived, without the prefix, sorted.
func (in *inbox) kinds(t testing.TB) []string {
	t.Helper()
	in.mu.Lock()
	defer in.mu.Unlock()
	if len(in.bad) > 0 {
		t.Errorf("refused by the receiver: %q", in.bad)
	}
	var all []string
	for _, e := range in.got {
		all = append(all, strings.TrimPrefix(e.Type, "benchyard."))
	}
	slices.Sort(all)
	return all
}

// subscribe adds a webhook to the inbox.
func (in *inbox) subscribe(t testing.TB, pool *pgxpool.Pool, kinds ...string) WebhookStatus {
	t.Helper()
	w, secret, err := AddWebhook(t.Context(), pool, in.url, kinds, "ann")
	if err != nil {
		t.Fatal(err)
	}
	in.mu.Lock()
	in.secret = secret
	in.mu.Unlock()
	return w
}

func onLoopback() []netip.Prefix { return []netip.Prefix{netip.MustParsePrefix("127.0.0.0/8")} }

// running sets a clerk to work until the test ends.
func (d *office) running(change func(*ClerkOptions)) {
	d.t.Helper()
	keepRunning(d.t, d.clerk(func(o *ClerkOptions) {
		o.Poll, o.FirstPause, o.WebhookAllow = 20*time.Millisecond, 10*time.Millisecond, onLoopback()
		if change != nil {
			change(o)
		}
	}))
}

// keepRunning sets a clerk to work until the test ends.
func keepRunning(t testing.TB, c *Clerk) {
	t.Helper()
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- c.Run(ctx) }()
	t.Cleanup(func() {
		stop()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
}

func (d *office) submit() CampaignSummary {
	d.t.Helper()
	c, err := Submit(d.t.Context(), d.pool, Submission{PlanFile: "short.yaml", PlanDocument: []byte(shortPlan), Build: "2.4.0", By: "ann"})
	if err != nil {
		d.t.Fatal(err)
	}
	return c
}

func (d *office) cancelled() CampaignSummary {
	d.t.Helper()
	c := d.submit()
	if _, err := Cancel(d.t.Context(), d.pool, c.ID, "bob"); err != nil {
		d.t.Fatal(err)
	}
	return c
}

func TestWebhooksAreToldWhatTheyWant(t *testing.T) {
	d := newDesk(t)
	d.cancelled()
	if n := d.count(`SELECT count(*) FROM webhook_message`); n != 0 {
		t.Errorf("%d messages that nobody wants", n)
	}
	all, some := newInbox(t), newInbox(t)
	all.subscribe(t, d.pool)
	some.subscribe(t, d.pool, CampaignEndedMessage)
	d.running(nil)
	c := d.cancelled()
	eventually(t, "both messages", func() bool {
		return slices.Equal(all.kinds(t), []string{"campaign.ended", "run.ended"}) && slices.Equal(some.kinds(t), []string{"campaign.ended"})
	})
	e := some.got[0]
	if e.Subject != "campaigns/"+c.ID.String() || e.Source != "/labs/paper" || e.Data["state"] != "cancelled" || e.Data["cancelled"] != 1.0 || e.Data["simulated"] != true || e.Data["build"] != "2.4.0" {
		t.Errorf("message %+v", e)
	}
	d.plans()
	d.announce("2.5.0")
	mustExec(t, d.pool, `UPDATE schedule SET state = 'active'`)
	if err := HoldBench(t.Context(), d.pool, "bench-1", "new cables", "ann"); err != nil { // no alarm
		t.Fatal(err)
	}
	eventually(t, "the stage", func() bool { return slices.Contains(all.kinds(t), "build.stage") })
}

// An alarm that is raised again and again is told once.
func TestAlarmIsToldOnce(t *testing.T) {
	d := newDesk(t)
	in := newInbox(t)
	in.subscribe(t, d.pool, BenchAlarmMessage)
	for _, text := range []string{"supply silent", "supply silent", "supply silent", "unit on the air"} {
		err := transact(t.Context(), d.pool, func(tx pgx.Tx) error {
			return emit(t.Context(), tx, change{kind: benchEvent, bench: "bench-1", body: eventBody{Activity: Alarm, Alarm: text}})
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	if n := d.count(`SELECT count(*) FROM webhook_delivery`); n != 2 {
		t.Errorf("%d deliveries, want one for each alarm", n)
	}
}

// Of two runs that end at the same time, in transactions that do not see each
// other, exactly one says that the campaign has ended.
func TestCampaignEndsOnceWhenRunsEndTogether(t *testing.T) {
	d := newDesk(t)
	newInbox(t).subscribe(t, d.pool, CampaignEndedMessage)
	c := d.submit()
	mustExec(t, d.pool, `INSERT INTO run (id, campaign_id, serial, unit_type, bench, cases) SELECT gen_random_uuid(), campaign_id, 'T4-0002', unit_type, bench, cases FROM run`)
	runs, err := RunsOf(t.Context(), d.pool, c.ID)
	if err != nil || len(runs) != 2 {
		t.Fatalf("%d runs, %v", len(runs), err)
	}
	var ended sync.WaitGroup
	both := make(chan struct{}, 2)
	for _, r := range runs {
		ended.Go(func() {
			err := transact(t.Context(), d.pool, func(tx pgx.Tx) error {
				if _, err := tx.Exec(t.Context(), `UPDATE run SET state = 'done', verdict = 'pass', finished_at = now() WHERE id = $1`, r.ID); err != nil {
					return err
				}
				both <- struct{}{}
				for len(both) < 2 { // until the other has changed its run too
					pause(t.Context(), nil, time.Millisecond)
				}
				return emit(t.Context(), tx, change{kind: runEvent, run: &r.ID, campaign: &c.ID, body: eventBody{State: Done}})
			})
			if err != nil {
				t.Error(err)
			}
		})
	}
	ended.Wait()
	if n := d.count(`SELECT count(*) FROM webhook_message`); n != 1 {
		t.Errorf("%d messages that the campaign has ended, want one", n)
	}
}

func TestDeliveryIsTriedAgainUntilItArrives(t *testing.T) {
	d := newDesk(t)
	in := newInbox(t)
	in.status = func(call int) int {
		return map[bool]int{true: http.StatusInternalServerError, false: http.StatusOK}[call < 3]
	}
	w := in.subscribe(t, d.pool, CampaignEndedMessage)
	d.running(nil)
	d.cancelled()
	var got []Delivery
	eventually(t, "the delivery", func() bool {
		var err error
		got, err = DeliveriesTo(t.Context(), d.pool, w.ID, "", 9)
		return err == nil && len(got) == 1 && got[0].State == "delivered"
	})
	in.kinds(t)
	if got[0].Attempts != 3 || got[0].Status != http.StatusOK || got[0].NextAt != nil || len(in.got) != 3 || in.got[0].ID != in.got[2].ID || in.got[0].ID != got[0].Message.String() {
		t.Errorf("delivery %+v after %+v", got[0], in.got)
	}
}

func TestDeliveryDiesAndGoneDisables(t *testing.T) {
	d := newDesk(t)
	broken, gone := newInbox(t), newInbox(t)
	broken.status = func(int) int { return http.StatusTeapot }
	gone.status = func(int) int { return http.StatusGone }
	wb, wg := broken.subscribe(t, d.pool, CampaignEndedMessage), gone.subscribe(t, d.pool)
	d.running(func(o *ClerkOptions) { o.Attempts = 4 })
	d.cancelled()
	eventually(t, "the end of both", func() bool {
		return d.count(`SELECT count(*) FROM webhook_delivery WHERE state = 'waiting'`) == 0
	})
	b, err := WebhookByID(t.Context(), d.pool, wb.ID)
	if err != nil || b.State != "active" || b.Dead != 1 || !strings.Contains(b.LastError, "418") || len(broken.got) != 4 {
		t.Errorf("broken %+v after %d calls, %v", b, len(broken.got), err)
	}
	g, err := WebhookByID(t.Context(), d.pool, wg.ID)
	if err != nil || g.State != "disabled" || !strings.Contains(g.Reason, "410 Gone") || g.Dead != 2 || len(gone.got) != 1 {
		t.Errorf("gone %+v after %d calls, %v", g, len(gone.got), err)
	}
	var refused *RefusedError
	if _, err := TestWebhook(t.Context(), d.pool, wg.ID, "ann"); !errors.As(err, &refused) || !strings.Contains(err.Error(), "enable it first") {
		t.Errorf("testing what is disabled: %v", err)
	}
	d.cancelled()
	if g, err = WebhookByID(t.Context(), d.pool, wg.ID); err != nil || g.Waiting != 0 {
		t.Errorf("messages wait for a webhook that is disabled: %+v, %v", g, err)
	}
	gone.mu.Lock()
	gone.status = nil
	gone.mu.Unlock()
	if err := EnableWebhook(t.Context(), d.pool, wg.ID, "ann"); err != nil {
		t.Fatal(err)
	}
	test, err := TestWebhook(t.Context(), d.pool, wg.ID, "ann")
	if err != nil {
		t.Fatal(err)
	}
	eventually(t, "the test", func() bool {
		now, err := DeliveryByID(t.Context(), d.pool, test.ID)
		return err == nil && now.State == "delivered" && now.Type == TestMessage
	})
}

// One that hangs keeps nobody waiting; cut short by the end of the process, its
// attempt does not count.
func TestTargetThatHangsBlocksNobody(t *testing.T) {
	d := newDesk(t)
	reached := make(chan struct{}, 10)
	hangs := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		_, _ = io.Copy(io.Discard, r.Body) // so that the end of the connection is seen
		reached <- struct{}{}
		<-r.Context().Done()
	}))
	t.Cleanup(hangs.Close)
	stuck, _, err := AddWebhook(t.Context(), d.pool, hangs.URL, nil, "ann")
	if err != nil {
		t.Fatal(err)
	}
	in := newInbox(t)
	in.subscribe(t, d.pool)
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	clerk := d.clerk(func(o *ClerkOptions) {
		o.Poll, o.WebhookAllow, o.AttemptTime = 20*time.Millisecond, onLoopback(), 10*time.Minute
	})
	go func() { ended <- clerk.Run(ctx) }()
	d.cancelled()
	<-reached
	eventually(t, "what the other is told", func() bool { return len(in.kinds(t)) == 2 })
	d.cancelled()
	eventually(t, "what it is told later", func() bool { return len(in.kinds(t)) == 4 })
	if len(reached) != 0 {
		t.Error("two attempts at a time at one target")
	}
	stop()
	if err := <-ended; err != nil {
		t.Error(err)
	}
	if n := d.count(`SELECT count(*) FROM webhook_delivery WHERE webhook_id = $1 AND state = 'waiting' AND attempts = 0 AND next_at <= now()`, stuck.ID); n != 4 {
		t.Errorf("%d deliveries wait untouched, want 4", n)
	}
}

func TestSecretIsReplacedWithoutAGap(t *testing.T) {
	d := newDesk(t)
	in := newInbox(t)
	w := in.subscribe(t, d.pool, CampaignEndedMessage)
	d.running(nil)
	fresh, err := RotateWebhook(t.Context(), d.pool, w.ID, time.Hour, "ann")
	if err != nil {
		t.Fatal(err)
	}
	d.cancelled() // the receiver still has the old one
	eventually(t, "a message under the old secret", func() bool { return len(in.kinds(t)) == 1 })
	in.mu.Lock()
	in.secret = fresh
	in.mu.Unlock()
	mustExec(t, d.pool, `UPDATE webhook SET previous_until = now()`)
	d.cancelled()
	eventually(t, "a message under the new one", func() bool { return len(in.kinds(t)) == 2 })
	for _, bad := range []time.Duration{-1, 31 * 24 * time.Hour} {
		if _, err := RotateWebhook(t.Context(), d.pool, w.ID, bad, "ann"); !errors.As(err, new(*RefusedError)) {
			t.Errorf("overlap %s: %v", bad, err)
		}
	}
	if err := RemoveWebhook(t.Context(), d.pool, w.ID, "ann"); err != nil {
		t.Fatal(err)
	}
	if _, err := RotateWebhook(t.Context(), d.pool, w.ID, 0, "ann"); !errors.Is(err, ErrNotFound) || d.count(`SELECT count(*) FROM webhook WHERE secret <> ''`) != 0 {
		t.Errorf("a removed webhook has a secret: %v", err)
	}
}

func TestWebhookIsRefused(t *testing.T) {
	d := newDesk(t)
	for says, c := range map[string]struct {
		url   string
		kinds []string
	}{
		"neither http": {"ftp://x/", nil}, "password": {"https://a:b@x/", nil}, "benchyard.run.ended": {"https://x/", []string{"run.ended"}},
	} {
		if _, _, err := AddWebhook(t.Context(), d.pool, c.url, c.kinds, "ann"); !errors.As(err, new(*RefusedError)) || !strings.Contains(err.Error(), says) {
			t.Errorf("%s: %v, want %q", c.url, err, says)
		}
	}
	mustExec(t, d.pool, `INSERT INTO webhook (id, url, secret, created_by) SELECT gen_random_uuid(), 'https://x/', 's', 'ann' FROM generate_series(1, 100)`)
	if _, _, err := AddWebhook(t.Context(), d.pool, "https://x/", nil, "ann"); err == nil || !strings.Contains(err.Error(), "100 webhooks already") {
		t.Errorf("the 101st: %v", err)
	}
}

// The pauses grow fourfold up to six hours, each spread by a fifth.
func TestPausesGrowAndSpread(t *testing.T) {
	differ := map[time.Duration]bool{}
	for attempt, want := range []time.Duration{5 * time.Second, 20 * time.Second, 80 * time.Second, 320 * time.Second, 1280 * time.Second, 5120 * time.Second, 20480 * time.Second, 6 * time.Hour, 6 * time.Hour} {
		for delivery := range int64(200) {
			got := pauseAfter(firstPause, attempt+1, delivery)
			if got < want*4/5 || got > want*6/5 {
				t.Errorf("attempt %d of %d: %s, want %s and a fifth", attempt+1, delivery, got, want)
			}
			if attempt == 0 {
				differ[got] = true
			}
		}
	}
	if len(differ) < 100 {
		t.Errorf("200 deliveries come back at %d different times", len(differ))
	}
}
