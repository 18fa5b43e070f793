package server

import (
	"crypto/rand"
	"encoding/base64"
	"net"
	"net/http"
	"net/netip"

	"github.com/labstack/echo/v4"
)

const (
	// maxBody is the largest request body that is read, bytes: a plan document
	// with room to spare.
	maxBody  = "4M"
	nonceKey = "nonce"
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
	if name == "localhost" {
		return true
	}
	ip, err := netip.ParseAddr(name)
	return err == nil && ip.Unmap().IsLoopback()
}
