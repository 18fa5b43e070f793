// Package webhook carries events to whoever asked for them.
//
// The concept on one screen:
//
//	Event    what happened, as a CloudEvent 1.0 in JSON, structured mode: the
//	         body is the event, its id stays the same however often it is sent
//	Secret   shared with one receiver; the headers webhook-id, webhook-timestamp
//	         and webhook-signature hold an HMAC-SHA256 over id, time and body per
//	         Standard Webhooks 1.0. While a secret is replaced both are valid,
//	         and the header has a signature of each
//	Sender   one attempt: a time-out, no redirect, no proxy, nothing read of the
//	         answer but its status, and no connection to an address inside
//
// The address is checked when the connection is made, after the name was
// resolved, so that no name can point at 127.0.0.1 or the metadata of a cloud.
// When to try again, and how often, is decided by the queue.
package webhook

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"
)

// ContentType is that of every body: structured mode, CloudEvents JSON format 1.0.
const ContentType = "application/cloudevents+json; charset=utf-8"

// Event is one message. All but Subject and Data must be there.
type Event struct {
	ID      string    // the same in every attempt; with Source unique
	Source  string    // URI reference of the lab
	Type    string    // such as benchyard.campaign.ended
	Subject string    // what it is about, such as campaigns/ID; empty: none
	Time    time.Time // when it happened
	Data    json.RawMessage
}

// Encode returns the body of the message.
func (e Event) Encode() ([]byte, error) {
	if e.ID == "" || e.Source == "" || e.Type == "" || e.Time.IsZero() {
		return nil, errors.New("webhook: an event needs id, source, type and time")
	}
	body, err := json.Marshal(struct {
		SpecVersion string          `json:"specversion"`
		ID          string          `json:"id"`
		Source      string          `json:"source"`
		Type        string          `json:"type"`
		Subject     string          `json:"subject,omitempty"`
		Time        string          `json:"time"`
		ContentType string          `json:"datacontenttype,omitempty"`
		Data        json.RawMessage `json:"data,omitempty"`
	}{"1.0", e.ID, e.Source, e.Type, e.Subject, e.Time.UTC().Format(time.RFC3339Nano), map[bool]string{true: "application/json"}[e.Data != nil], e.Data})
	if err != nil {
		return nil, fmt.Errorf("webhook: event %s: %w", e.ID, err)
	}
	return body, nil
}

// Secret signs messages to one receiver. Printed by accident it shows nothing.
type Secret string

const (
	secretPrefix = "whsec_" // of Standard Webhooks
	secretBytes  = 32       // Standard Webhooks asks for 24 to 64
)

// NewSecret returns a fresh one.
func NewSecret() Secret {
	key := make([]byte, secretBytes)
	rand.Read(key) // never fails
	return Secret(secretPrefix + base64.StdEncoding.EncodeToString(key))
}

// Reveal returns the text that the receiver has to know.
func (s Secret) Reveal() string { return string(s) }

// String hides the secret.
func (Secret) String() string { return "(secret)" }

// GoString hides the secret.
func (Secret) GoString() string { return "(secret)" }

func (s Secret) key() ([]byte, error) {
	text, ok := strings.CutPrefix(string(s), secretPrefix)
	key, err := base64.StdEncoding.DecodeString(text)
	if !ok || err != nil || len(key) < 24 {
		return nil, errors.New("webhook: a stored secret is damaged; make a new one with webhook rotate")
	}
	return key, nil
}

// Sign returns the value of the header webhook-signature: one signature for each
// secret, space between them.
func Sign(id string, at time.Time, body []byte, secrets ...Secret) (string, error) {
	if len(secrets) == 0 {
		return "", errors.New("webhook: nothing to sign with")
	}
	var all []string
	for _, s := range secrets {
		key, err := s.key()
		if err != nil {
			return "", err
		}
		mac := hmac.New(sha256.New, key)
		mac.Write([]byte(id + "." + strconv.FormatInt(at.Unix(), 10) + "."))
		mac.Write(body)
		all = append(all, "v1,"+base64.StdEncoding.EncodeToString(mac.Sum(nil)))
	}
	return strings.Join(all, " "), nil
}
