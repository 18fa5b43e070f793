package lab

import (
	"fmt"
	"net"
	"net/netip"
	"slices"
	"strings"

	"benchyard/instruments/scpi"
)

// normalResource returns a resource string in one spelling, so that two
// spellings of one address are found to be the same, and its host.
func normalResource(s string) (resource, host string, err error) {
	r, err := scpi.ParseResource(s)
	if err != nil {
		return "", "", err
	}
	r.Host = strings.ToLower(r.Host)
	return r.String(), r.Host, nil
}

// defaultAddresses are what instruments may have where the inventory says
// nothing: loopback, private networks (RFC 1918, RFC 4193) and link-local ones.
func defaultAddresses() []string {
	return []string{"127.0.0.0/8", "::1/128", "10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "fc00::/7", "169.254.0.0/16", "fe80::/10"}
}

// addresses checks the list of allowed addresses.
func (c *checker) addresses() {
	for i, text := range c.lab.AllowedAddresses {
		path := at("allowed_addresses[%d]", i)
		if name, ok := strings.CutPrefix(text, "."); ok && isName(name) || isName(text) {
			continue
		}
		prefix, err := netip.ParsePrefix(text)
		switch {
		case err != nil:
			c.Report(path, "%q: want a network such as 10.20.0.0/16, a host name, or .domain for the hosts of one", text)
		case prefix != prefix.Masked():
			c.Report(path, "network %s has bits behind its length; want %s", text, prefix.Masked())
		}
	}
}

// isName reports whether text is a host name rather than an address.
func isName(text string) bool {
	if text == "" || strings.Contains(text, "..") || strings.Trim(text, "0123456789.") == "" {
		return false
	}
	return strings.Trim(strings.ToLower(text), "abcdefghijklmnopqrstuvwxyz0123456789-.") == ""
}

// allowed reports whether a host may hold an instrument of this lab. A name of
// one word is a host of the local network. Where a name leads is Admit's business.
func (l *Lab) allowed(host string) bool {
	if address, err := netip.ParseAddr(host); err == nil {
		return within(l.addresses(), address)
	}
	for _, text := range l.AllowedAddresses {
		text = strings.ToLower(text)
		if host == text || strings.HasPrefix(text, ".") && strings.HasSuffix(host, text) {
			return true
		}
	}
	return net.ParseIP(host) == nil && !strings.Contains(host, ".") && len(l.AllowedAddresses) == 0
}

// addresses is the list in force.
func (l *Lab) addresses() []string {
	if len(l.AllowedAddresses) == 0 {
		return defaultAddresses()
	}
	return l.AllowedAddresses
}

// within reports whether one of the networks in a list holds an address.
func within(list []string, address netip.Addr) bool {
	return slices.ContainsFunc(list, func(text string) bool {
		prefix, err := netip.ParsePrefix(text)
		return err == nil && prefix.Contains(address.Unmap().WithZone(""))
	})
}

// Admit refuses an address outside the networks of this lab, whatever the host is
// called: names lead where the name service says. A list of names alone says which
// names may be used, and the default networks where they may lead.
func (l *Lab) Admit(host string, address netip.Addr) error {
	list := l.addresses()
	if !slices.ContainsFunc(list, func(text string) bool { _, err := netip.ParsePrefix(text); return err == nil }) {
		list = slices.Concat(list, defaultAddresses())
	}
	if within(list, address) {
		return nil
	}
	return fmt.Errorf("lab: %s is at %s, outside the addresses of this lab (%s); correct the resource or the name service, or add the network to allowed_addresses",
		host, address, strings.Join(list, ", "))
}
