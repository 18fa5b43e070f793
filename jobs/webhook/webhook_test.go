package webhook

import (
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"strings"
	"testing"
	"time"

	standardwebhooks "github.com/standard-webhooks/standard-webhooks/libraries/go"
	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func happened() Event {
	return Event{
		ID: "01a212ce-0120-7239-baaf-e54b24c71ce4", Source: "/labs/model%20lab", Type: "benchyard.run.ended", Subject: "runs/7",
		Time: time.Date(2026, 11, 25, 15, 0, 0, 5000, time.FixedZone("", 3600)), Data: json.RawMessage(`{"verdict":"pass"}`),
	}
}

// The figures are those of the reference implementation's own test,
// github.com/standard-webhooks/standard-webhooks v0.0.1, TestWebhookSign.
func TestSignatureOfTheReference(t *testing.T) {
	got, err := Sign("msg_p5jXN8AQM9LWM0D4loKWxJek", time.Unix(1614265330, 0), []byte(`{"test": 2432232314}`), "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
	if want := "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="; err != nil || got != want {
		t.Errorf("signature %q, %v; want %q", got, err, want)
	}
}

func TestSecretsAreTheirOwnAndStayHidden(t *testing.T) {
	a, b := NewSecret(), NewSecret()
	if a == b || !strings.HasPrefix(a.Reveal(), "whsec_") {
		t.Errorf("secrets %q and %q", a.Reveal(), b.Reveal())
	}
	if text := fmt.Sprintf("%s %v %+v %#v", a, a, a, a); strings.Contains(text, "whsec") {
		t.Errorf("printed as %q", text)
	}
	for _, bad := range []Secret{"", "whsec_", "whsec_AAAA", "MfKQ9r8GKYqUTwjUPD8ILPZIo2LaLaSw", "whsec_MfKQ9r8GKYqUTwjUPD8ILPZIo2LaLa%w"} {
		if _, err := Sign("1", time.Now(), nil, bad); err == nil || strings.Contains(err.Error(), "MfKQ") {
			t.Errorf("a damaged secret gives %v", err)
		}
	}
}

// receiver keeps what it was sent and answers as told.
type receiver struct {
	header http.Header
	body   []byte
	calls  int
}

func (r *receiver) serve(t *testing.T, answer http.HandlerFunc) string {
	t.Helper()
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, q *http.Request) {
		r.calls++
		r.header = q.Header.Clone()
		r.body, _ = io.ReadAll(q.Body)
		answer(w, q)
	}))
	t.Cleanup(s.Close)
	return s.URL
}

func loopback() []netip.Prefix { return []netip.Prefix{netip.MustParsePrefix("127.0.0.0/8")} }

func ok(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusNoContent) }

// Attributes and media type as CloudEvents 1.0.2 and its JSON format have them;
// the signature is checked by the reference implementation.
func TestMessageIsACloudEventSignedForBothSecrets(t *testing.T) {
	var r receiver
	url := r.serve(t, ok)
	old, fresh := NewSecret(), NewSecret()
	if a := NewSender(SenderOptions{Allow: loopback()}).Send(t.Context(), url+"/x?token=1", happened(), fresh, old); a.Err != nil || a.Status != http.StatusNoContent {
		t.Fatalf("attempt %+v", a)
	}
	for name, secret := range map[string]Secret{"new": fresh, "old": old} {
		check, err := standardwebhooks.NewWebhook(secret.Reveal())
		if err != nil {
			t.Fatal(err)
		}
		if err := check.Verify(r.body, r.header); err != nil {
			t.Errorf("%s secret: %v", name, err)
		}
		if check.Verify(append([]byte(" "), r.body...), r.header) == nil {
			t.Errorf("%s secret: another body verifies", name)
		}
	}
	other, err := standardwebhooks.NewWebhook(NewSecret().Reveal())
	if err != nil || other.Verify(r.body, r.header) == nil {
		t.Errorf("a foreign secret verifies, or %v", err)
	}
	var got map[string]any
	if err := json.Unmarshal(r.body, &got); err != nil {
		t.Fatal(err)
	}
	want := map[string]any{
		"specversion": "1.0", "id": happened().ID, "source": "/labs/model%20lab", "type": "benchyard.run.ended", "subject": "runs/7",
		"time": "2026-11-25T14:00:00.000005Z", "datacontenttype": "application/json", "data": map[string]any{"verdict": "pass"},
	}
	if fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("body %v, want %v", got, want)
	}
	if kind := r.header.Get("Content-Type"); !strings.HasPrefix(kind, "application/cloudevents+json") || r.header.Get("webhook-id") != happened().ID {
		t.Errorf("headers %v", r.header)
	}
}

func TestAnswersAreJudged(t *testing.T) {
	for _, c := range []struct {
		status int
		header map[string]string
		says   string
		pause  time.Duration
		gone   bool
	}{
		{200, nil, "", 0, false}, {202, nil, "", 0, false},
		{302, map[string]string{"Location": "/elsewhere"}, "redirects are not followed", 0, false},
		{404, nil, "404 Not Found", 0, false},
		{410, nil, "wants nothing more", 0, true},
		{429, map[string]string{"Retry-After": "7"}, "429", 7 * time.Second, false},
		{503, map[string]string{"Retry-After": "999999999"}, "503", time.Hour, false},
		{503, map[string]string{"Retry-After": "-1"}, "503", 0, false},
	} {
		var r receiver
		url := r.serve(t, func(w http.ResponseWriter, _ *http.Request) {
			for name, value := range c.header {
				w.Header().Set(name, value)
			}
			w.WriteHeader(c.status)
		})
		a := NewSender(SenderOptions{Allow: loopback()}).Send(t.Context(), url, happened(), NewSecret())
		if (a.Err == nil) != (c.says == "") || a.Err != nil && !strings.Contains(a.Err.Error(), c.says) || a.RetryAfter != c.pause || a.Gone() != c.gone || r.calls != 1 {
			t.Errorf("%d: %+v after %d calls", c.status, a, r.calls)
		}
	}
}

func TestTargetThatHangsOrFloodsIsLeft(t *testing.T) {
	release := make(chan struct{})
	defer close(release)
	var r receiver
	hangs := r.serve(t, func(_ http.ResponseWriter, q *http.Request) {
		select {
		case <-q.Context().Done():
		case <-release:
		}
	})
	sender := NewSender(SenderOptions{Allow: loopback(), Timeout: 50 * time.Millisecond})
	if a := sender.Send(t.Context(), hangs+"/?token=secret", happened(), NewSecret()); a.Err == nil || !strings.Contains(a.Err.Error(), "no answer within 50ms") || strings.Contains(a.Err.Error(), "token") {
		t.Errorf("it hangs: %+v", a)
	}
	floods := r.serve(t, func(w http.ResponseWriter, _ *http.Request) {
		for range 1 << 10 {
			if _, err := w.Write(make([]byte, 1<<16)); err != nil {
				return
			}
		}
	})
	if a := NewSender(SenderOptions{Allow: loopback()}).Send(t.Context(), floods, happened(), NewSecret()); a.Err != nil {
		t.Errorf("it floods: %+v", a)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	l.Close()
	if a := sender.Send(t.Context(), "http://"+l.Addr().String()+"/?token=secret", happened(), NewSecret()); a.Err == nil || strings.Contains(a.Err.Error(), "token") {
		t.Errorf("nobody listens: %+v", a)
	}
}

// Addresses that are not public, and their disguises: RFC 6890 and the IANA
// special-purpose registries.
func TestOnlyPublicAddressesAreConnectedTo(t *testing.T) {
	g := guard{refuse: special()}
	for _, inside := range []string{
		"127.0.0.1", "127.9.9.9", "::1", "0.0.0.0", "::", "10.0.0.1", "172.16.0.1", "172.31.255.255", "192.168.1.1", "fd00::1", "169.254.169.254", "fe80::1", "fe80::1%eth0",
		"100.64.0.1", "192.0.0.192", "224.0.0.1", "ff02::1", "255.255.255.255", "240.0.0.1", "::ffff:127.0.0.1", "::ffff:169.254.169.254", "::127.0.0.1",
		"64:ff9b::a9fe:a9fe", "2002:7f00:1::", "fd00:ec2::254", "fec0::1", "198.18.0.1", "2001:db8::1",
	} {
		if err := g.check(netip.MustParseAddr(inside)); err == nil {
			t.Errorf("%s is taken for public", inside)
		}
	}
	for _, outside := range []string{"1.1.1.1", "8.8.8.8", "172.32.0.1", "2606:4700::1111", "::ffff:8.8.8.8", "169.253.1.1"} {
		if err := g.check(netip.MustParseAddr(outside)); err != nil {
			t.Errorf("%s: %v", outside, err)
		}
	}
	allow, err := ParseAllowed([]string{"10.20.0.0/16", "fd00::7", "::ffff:192.168.1.5"})
	if err != nil {
		t.Fatal(err)
	}
	g.allow = allow
	for text, want := range map[string]bool{"10.20.3.4": true, "::ffff:10.20.3.4": true, "fd00::7": true, "192.168.1.5": true, "10.21.0.1": false, "fd00::8": false} {
		if err := g.check(netip.MustParseAddr(text)); (err == nil) != want {
			t.Errorf("%s with a list: %v", text, err)
		}
	}
	for _, bad := range []string{"", "lab", "10.0.0.0/99", "10.0.0.1/8/8"} {
		if _, err := ParseAllowed([]string{bad}); err == nil {
			t.Errorf("%q is a network", bad)
		}
	}
}

// The guard looks at the address after the name was resolved.
func TestNamesOfThisMachineAreRefusedAtConnect(t *testing.T) {
	var r receiver
	url := r.serve(t, ok)
	for _, u := range []string{url, strings.Replace(url, "127.0.0.1", "localhost", 1), strings.Replace(url, "127.0.0.1", "[::ffff:127.0.0.1]", 1), strings.Replace(url, "127.0.0.1", "2130706433", 1)} {
		if a := NewSender(SenderOptions{}).Send(t.Context(), u, happened(), NewSecret()); a.Err == nil {
			t.Errorf("%s was called", u)
		}
	}
	if a := NewSender(SenderOptions{}).Send(t.Context(), url, happened(), NewSecret()); !strings.Contains(a.Err.Error(), "--webhook-allow 127.0.0.1/32") {
		t.Errorf("%v does not say what to do", a.Err)
	}
	if r.calls != 0 {
		t.Errorf("%d calls arrived", r.calls)
	}
}

func TestAddressesAreChecked(t *testing.T) {
	for _, good := range []string{"https://ci.example.com/hooks/bench", "http://10.0.0.1:8080/x?y=1", "https://[2606:4700::1111]/"} {
		if err := CheckURL(good); err != nil {
			t.Errorf("%s: %v", good, err)
		}
	}
	for bad, says := range map[string]string{
		"": "neither http", "ci.example.com": "neither http", "ftp://x/": "neither http", "file:///etc/passwd": "neither http", "javascript:alert(1)": "neither http",
		"https://ann:pass@x/": "password", "https://ann@x/": "password", "https:///x": "no host", "http:x": "no host", "https://x/#y": "fragment",
		"https://x/ y": "not an address", "https://x/\n": "not an address", "http://[::1": "not an address", "https://x/" + strings.Repeat("y", 2000): "longer",
	} {
		if err := CheckURL(bad); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%q: %v, want %q", bad, err, says)
		}
	}
	if _, err := (Event{ID: "1"}).Encode(); err == nil {
		t.Error("half an event is sent")
	}
}

// What is accepted as an address has no user and one of two schemes.
func FuzzCheckURL(f *testing.F) {
	for _, seed := range []string{"https://ci.example.com/x", "http://a:b@c/", "http://[::1", "HTTP://x"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		if CheckURL(text) == nil && (!strings.HasPrefix(strings.ToLower(text), "http") || strings.ContainsAny(text, " \n\r\t")) {
			t.Errorf("%q is accepted", text)
		}
	})
}
