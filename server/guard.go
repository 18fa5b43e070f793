package server

import (
	"context"
	"crypto/rand"
	"encoding/base64"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/labstack/echo/v4"
)

const (
	// maxBody is the largest request body that is read, bytes: a plan document
	// with room to spare.
	maxBody  = "4M"
	nonceKey = "nonce"
	// answerTime is how long an answer may take that is not a stream: a page
	// that waits longer for its database tells nobody anything.
	answerTime = 30 * time.Second
)

// secure sets the headers every answer carries. The nonce is the only way for a
// script to run: pages have no inline handlers and no inline styles.
func secure(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		var raw [18]byte
		if _, err := rand.Read(raw[:]); err != nil {
			return err
		}
		nonce := base64.StdEncoding.EncodeToString(raw[:])
		c.Set(nonceKey, nonce)
		h := c.Response().Header()
		h.Set("Content-Security-Policy", "default-src 'none'; script-src 'nonce-"+nonce+"'; style-src 'self'; "+
			"img-src 'self' data:; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		return next(c)
	}
}

// guardWrites refuses every request that could change something unless it
// arrived over loopback under a loopback name. There are no accounts yet, so
// whoever reaches the port could otherwise start a transmitter. The name is
// checked as well because a foreign page can point its own name at 127.0.0.1.
func (s *Server) guardWrites(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		r := c.Request()
		if r.Method == http.MethodGet || r.Method == http.MethodHead || s.trustNetwork {
			return next(c)
		}
		local, _ := r.Context().Value(http.LocalAddrContextKey).(net.Addr)
		if !loopbackAddr(local) || !loopbackName(r.Host) {
			return &refusal{status: http.StatusForbidden, detail: "changes are accepted over loopback only, because this server has no accounts; " +
				"use http://127.0.0.1 on the same machine, or start the server with --trust-network where everybody on the network may start transmitters"}
		}
		return next(c)
	}
}

// refuseForeign answers changes that a page of another site asked for, in the
// shape of every other refusal.
func (s *Server) refuseForeign(routes *echo.Echo) http.Handler {
	refuse := secure(func(echo.Context) error {
		return &refusal{status: http.StatusForbidden, detail: "this change was asked for by a page of another site, so nothing was changed; " +
			"open the page on this server and try again"}
	})
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		c := routes.NewContext(r, w)
		s.handleError(refuse(c), c)
	})
}

// textOnly refuses parameters that no name and no number here can hold, and
// that the database would not take either.
func textOnly(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		for name, values := range c.QueryParams() {
			for _, value := range values {
				if !plain(name) || !plain(value) {
					return badRequest(fmt.Sprintf("the query parameter %q holds control characters or is not UTF-8", name))
				}
			}
		}
		return next(c)
	}
}

// plain tells whether a text is valid UTF-8 on one line.
func plain(text string) bool {
	return utf8.ValidString(text) && !strings.ContainsFunc(text, unicode.IsControl)
}

// withinTime bounds how long an answer is worked on.
func withinTime(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		r := c.Request()
		ctx, cancel := context.WithTimeout(r.Context(), answerTime)
		defer cancel()
		c.SetRequest(r.WithContext(ctx))
		defer c.SetRequest(r) // the error page still has something to say
		return next(c)
	}
}

func loopbackAddr(a net.Addr) bool {
	if a == nil {
		return false
	}
	ap, err := netip.ParseAddrPort(a.String())
	return err == nil && ap.Addr().Unmap().IsLoopback()
}

func loopbackName(host string) bool {
	name, _, err := net.SplitHostPort(host)
	if err != nil {
		name = host
	}
	if strings.EqualFold(name, "localhost") {
		return true
	}
	ip, err := netip.ParseAddr(name)
	return err == nil && ip.Unmap().IsLoopback()
}
