package webhook

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/netip"
	"net/url"
	"strconv"
	"time"
)

// Sender makes single attempts. It keeps no connection open between them.
type Sender struct {
	client  *http.Client
	timeout time.Duration
	clock   func() time.Time
}

// SenderOptions says how to send; the zero value of each has a default.
type SenderOptions struct {
	Allow   []netip.Prefix   // addresses to send to although they are not public
	Timeout time.Duration    // of one attempt, from the name to the answer; 10 s
	Clock   func() time.Time // for the time in the signature; nil: time.Now
}

// largestAnswer is how much of an answer is read, bytes; it is not kept.
const largestAnswer = 4 << 10

// NewSender returns a sender.
func NewSender(o SenderOptions) *Sender {
	if o.Timeout == 0 {
		o.Timeout = 10 * time.Second
	}
	if o.Clock == nil {
		o.Clock = time.Now
	}
	g := guard{o.Allow, special()}
	return &Sender{timeout: o.Timeout, clock: o.Clock, client: &http.Client{
		Transport: &http.Transport{
			Proxy:       nil, // a proxy would connect where the guard does not look
			DialContext: g.dialer().DialContext, DisableKeepAlives: true, ForceAttemptHTTP2: true,
			MaxResponseHeaderBytes: 64 << 10,
		},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}}
}

// Attempt is what came of sending a message once.
type Attempt struct {
	Status     int           // of the answer; zero: there was none
	RetryAfter time.Duration // the receiver wants to be left alone so long; zero: it did not say
	Err        error         // why it does not count as delivered; nil: it was delivered
}

// Gone reports whether the receiver wants nothing more, ever.
func (a Attempt) Gone() bool { return a.Status == http.StatusGone }

// Send makes one attempt. Only a status of 2xx counts as delivered.
func (s *Sender) Send(ctx context.Context, address string, e Event, secrets ...Secret) Attempt {
	ctx, cancel := context.WithTimeout(ctx, s.timeout)
	defer cancel()
	request, err := s.request(ctx, address, e, secrets)
	if err != nil {
		return Attempt{Err: err}
	}
	answer, err := s.client.Do(request)
	if err != nil {
		return Attempt{Err: s.explain(ctx, err)}
	}
	defer answer.Body.Close()
	// What does not arrive of the answer takes nothing from its status.
	_, _ = io.Copy(io.Discard, io.LimitReader(answer.Body, largestAnswer))
	return judge(answer)
}

func (s *Sender) request(ctx context.Context, address string, e Event, secrets []Secret) (*http.Request, error) {
	if err := CheckURL(address); err != nil {
		return nil, err
	}
	body, err := e.Encode()
	if err != nil {
		return nil, err
	}
	at := s.clock()
	signature, err := Sign(e.ID, at, body, secrets...)
	if err != nil {
		return nil, err
	}
	request, err := http.NewRequestWithContext(ctx, http.MethodPost, address, bytes.NewReader(body))
	if err != nil {
		return nil, errors.New("webhook: the address cannot be called")
	}
	for name, value := range map[string]string{
		"Content-Type": ContentType, "User-Agent": "benchyard",
		"webhook-id": e.ID, "webhook-timestamp": strconv.FormatInt(at.Unix(), 10), "webhook-signature": signature,
	} {
		request.Header.Set(name, value)
	}
	return request, nil
}

// explain takes the address out of an error of the client: its query may hold
// what is nobody's business.
func (s *Sender) explain(ctx context.Context, err error) error {
	var inside *InsideError
	if errors.As(err, &inside) {
		return inside
	}
	if errors.Is(ctx.Err(), context.DeadlineExceeded) {
		return fmt.Errorf("webhook: no answer within %s", s.timeout)
	}
	var named *url.Error
	if errors.As(err, &named) {
		err = named.Err
	}
	return fmt.Errorf("webhook: %w", err)
}

func judge(answer *http.Response) Attempt {
	a := Attempt{Status: answer.StatusCode}
	switch code := answer.StatusCode; {
	case code/100 == 2:
		return a
	case code/100 == 3:
		a.Err = fmt.Errorf("webhook: it answered %d; redirects are not followed, give the address that it leads to", code)
	case a.Gone():
		a.Err = errors.New("webhook: it answered 410 Gone: it wants nothing more")
	default:
		a.Err = fmt.Errorf("webhook: it answered %d %s", code, http.StatusText(code))
	}
	if seconds, err := strconv.Atoi(answer.Header.Get("Retry-After")); err == nil && seconds > 0 {
		a.RetryAfter = time.Duration(min(seconds, int(longestPause/time.Second))) * time.Second
	}
	return a
}

// longestPause is the longest time that a receiver can put off the next attempt.
const longestPause = time.Hour
