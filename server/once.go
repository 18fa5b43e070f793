package server

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"io"
	"net/http"
	"strings"

	"github.com/labstack/echo/v4"

	"benchyard/jobs"
)

// longestKey bounds an idempotency key, bytes.
const longestKey = 200

// idempotent reads the header Idempotency-Key of a request and the body that it
// counts for, which stays readable. Without the header nothing is asked of it.
func idempotent(c echo.Context) (jobs.Once, error) {
	keys := c.Request().Header.Values("Idempotency-Key")
	if len(keys) == 0 {
		return jobs.Once{}, nil
	}
	key := strings.TrimSpace(keys[0])
	if len(keys) > 1 || key == "" || len(key) > longestKey || !plain(key) {
		return jobs.Once{}, badRequest(fmt.Sprintf("the header Idempotency-Key is one text of 1 to %d bytes, chosen anew for each thing that is asked for", longestKey))
	}
	body, err := io.ReadAll(c.Request().Body)
	if err != nil {
		return jobs.Once{}, err // too large, or it ended early
	}
	c.Request().Body = io.NopCloser(bytes.NewReader(body))
	return jobs.Once{Operation: c.Request().Method + " " + c.Path(), Key: key, Hash: sha256.Sum256(body)}, nil
}

// replay answers a request that was answered before in the same words; false
// when it was not.
func (s *Server) replay(c echo.Context, once jobs.Once) (bool, error) {
	_, answer, err := once.Answer(c.Request().Context(), s.pool)
	if err != nil || answer == nil {
		return false, err
	}
	c.Response().Header().Set("Idempotent-Replayed", "true")
	c.Response().Header().Set("Cache-Control", "no-store")
	return true, c.JSONBlob(http.StatusCreated, answer)
}

// created answers that something was made, and keeps the answer for a request
// that comes again.
func (s *Server) created(c echo.Context, once jobs.Once, location string, v any) error {
	answer := encodeJSON(v)
	if err := once.KeepAnswer(c.Request().Context(), s.pool, answer); err != nil {
		// It was made, and who asks again is told so as it stands then.
		s.log.Warn("server: an answer was not kept for its idempotency key", "error", err)
	}
	c.Response().Header().Set("Location", location)
	c.Response().Header().Set("Cache-Control", "no-store")
	return c.JSONBlob(http.StatusCreated, answer)
}

// linesOfText refuses names that are not one line of text each.
func linesOfText(all ...[]string) error {
	for _, texts := range all {
		for _, text := range texts {
			if !plain(text) {
				return badRequest(fmt.Sprintf("%q holds control characters or is not UTF-8; names here are one line of text", text))
			}
		}
	}
	return nil
}
