package webhook

import (
	"errors"
	"fmt"
	"net"
	"net/netip"
	"net/url"
	"strings"
	"syscall"
	"unicode"
)

// longestURL bounds the address of a receiver, bytes.
const longestURL = 2000

// CheckURL refuses an address that nothing is ever sent to: one that is neither
// http nor https, has no host, or holds a user, a password or a fragment. Where
// its host leads is checked at each attempt.
func CheckURL(text string) error {
	u, err := url.Parse(text)
	switch {
	case len(text) > longestURL:
		return fmt.Errorf("webhook: the address is longer than %d bytes", longestURL)
	case err != nil || strings.ContainsFunc(text, func(r rune) bool { return unicode.IsSpace(r) || unicode.IsControl(r) }):
		return errors.New("webhook: this is not an address; want one such as https://ci.example.com/hooks/bench")
	case u.Scheme != "http" && u.Scheme != "https":
		return fmt.Errorf("webhook: %.20q is neither http nor https", u.Scheme)
	case u.User != nil:
		return errors.New("webhook: the address holds a user or a password; leave them out, every message is signed")
	case u.Hostname() == "" || u.Opaque != "":
		return errors.New("webhook: the address has no host")
	case u.Fragment != "":
		return errors.New("webhook: the address has a fragment (#…), which is never sent")
	}
	return nil
}

// InsideError is returned for a receiver whose address lies inside: on this
// machine, on a private or link-local network, or where clouds keep metadata.
type InsideError struct{ Addr netip.Addr }

// Error says which address and what to do.
func (e *InsideError) Error() string {
	return fmt.Sprintf("webhook: its host leads to %s, which is not a public address; to send there all the same, start serve and agent with --webhook-allow %s",
		e.Addr, netip.PrefixFrom(e.Addr, e.Addr.BitLen()))
}

// special are networks that are not public and that netip has no question for:
// the special-purpose registries of IANA (RFC 6890), and prefixes in which an
// IPv4 address is wrapped.
func special() []netip.Prefix {
	var all []netip.Prefix
	for _, text := range []string{
		"0.0.0.0/8", "100.64.0.0/10", "192.0.0.0/24", "192.0.2.0/24", "192.88.99.0/24", "198.18.0.0/15", "198.51.100.0/24", "203.0.113.0/24", "240.0.0.0/4",
		"::/96", "64:ff9b::/96", "64:ff9b:1::/48", "100::/64", "2001::/23", "2001:db8::/32", "2002::/16", "3fff::/20", "fec0::/10",
	} {
		all = append(all, netip.MustParsePrefix(text))
	}
	return all
}

// guard decides about the addresses that connections lead to.
type guard struct{ allow, refuse []netip.Prefix }

// control is called by the dialer with the address that it is about to connect to.
func (g guard) control(_, address string, _ syscall.RawConn) error {
	to, err := netip.ParseAddrPort(address)
	if err != nil {
		return fmt.Errorf("webhook: address %q: %w", address, err)
	}
	return g.check(to.Addr())
}

func (g guard) check(a netip.Addr) error {
	a = a.Unmap().WithZone("")
	for _, p := range g.allow {
		if p.Contains(a) {
			return nil
		}
	}
	public := a.IsGlobalUnicast() && !a.IsPrivate() && !a.IsLoopback()
	for _, p := range g.refuse {
		public = public && !p.Contains(a)
	}
	if !public {
		return &InsideError{a}
	}
	return nil
}

func (g guard) dialer() *net.Dialer { return &net.Dialer{Control: g.control} }

// ParseAllowed reads networks such as 10.20.0.0/16, or single addresses, that
// messages may be sent to although they are not public.
func ParseAllowed(words []string) ([]netip.Prefix, error) {
	var all []netip.Prefix
	for _, w := range words {
		p, err := netip.ParsePrefix(w)
		if err != nil {
			a, err := netip.ParseAddr(w)
			if err != nil {
				return nil, fmt.Errorf("webhook: %.60q is neither a network such as 10.20.0.0/16 nor an address", w)
			}
			p = netip.PrefixFrom(a.Unmap(), a.Unmap().BitLen())
		}
		all = append(all, p.Masked())
	}
	return all, nil
}
