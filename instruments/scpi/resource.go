package scpi

import (
	"fmt"
	"net"
	"strconv"
	"strings"

	"benchyard/instruments/scpi/hislip"
)

// Resource says where an instrument is and how it is talked to.
type Resource struct {
	Host string // name or address; an IPv6 address has no brackets here
	Port int
	// HiSLIP is the device's sub-address, such as "hislip0"; "" stands for a raw
	// socket.
	HiSLIP string
}

// ParseResource reads a resource string: "TCPIP::host::port::SOCKET" for a raw
// socket, "TCPIP::host::hislip0::INSTR" for HiSLIP, with ",port" behind the
// sub-address where the port is not 4880. Case does not matter, a board number
// after TCPIP is ignored, and an IPv6 address stands in brackets.
func ParseResource(s string) (Resource, error) {
	r, why := parseResource(s)
	if why != "" {
		return Resource{}, fmt.Errorf("scpi: resource %.80q: %s, want TCPIP::host::port::SOCKET or TCPIP::host::hislip0::INSTR", s, why)
	}
	return r, nil
}

// parseResource returns the resource, or what is wrong with s.
func parseResource(s string) (r Resource, why string) {
	head, rest, _ := strings.Cut(strings.TrimSpace(s), "::")
	if !strings.EqualFold(strings.TrimRight(head, "0123456789"), "TCPIP") {
		return r, "does not start with TCPIP::"
	}
	rest, class := cutLast(rest)
	host, where := cutLast(rest)
	switch strings.ToUpper(class) {
	case "SOCKET":
		r.Port = parsePort(where)
	case "INSTR":
		device, port, named := strings.Cut(strings.ToLower(where), ",")
		if n, ok := strings.CutPrefix(device, "hislip"); !ok || n == "" || strings.Trim(n, "0123456789") != "" {
			return r, "sub-address is not hislip with a number"
		}
		r.HiSLIP, r.Port = device, hislip.Port
		if named {
			r.Port = parsePort(port)
		}
	default:
		return r, "does not end with ::SOCKET or ::INSTR"
	}
	if r.Port == 0 {
		return r, "port is not 1 to 65535"
	}
	if r.Host = parseHost(host); r.Host == "" {
		return r, "host is neither a name nor an address, which stands in brackets if of IPv6"
	}
	return r, ""
}

// cutLast cuts s at the last "::". Without one, all of s is after it.
func cutLast(s string) (before, after string) {
	at := strings.LastIndex(s, "::")
	if at < 0 {
		return "", s
	}
	return s[:at], s[at+2:]
}

// parsePort returns 0 for what is no port.
func parsePort(s string) int {
	port, err := strconv.ParseUint(s, 10, 16)
	if err != nil {
		return 0
	}
	return int(port)
}

// parseHost returns "" for what is no host.
func parseHost(s string) string {
	if inner, ok := strings.CutPrefix(s, "["); ok {
		inner, closed := strings.CutSuffix(inner, "]")
		if !closed || net.ParseIP(inner) == nil {
			return ""
		}
		return inner
	}
	if strings.ContainsAny(s, ":/[]@ \t\r\n\x00") {
		return ""
	}
	return s
}

// String returns the resource in the form ParseResource reads.
func (r Resource) String() string {
	host := r.Host
	if strings.Contains(host, ":") {
		host = "[" + host + "]"
	}
	switch {
	case r.HiSLIP == "":
		return fmt.Sprintf("TCPIP::%s::%d::SOCKET", host, r.Port)
	case r.Port == hislip.Port:
		return fmt.Sprintf("TCPIP::%s::%s::INSTR", host, r.HiSLIP)
	}
	return fmt.Sprintf("TCPIP::%s::%s,%d::INSTR", host, r.HiSLIP, r.Port)
}

// Address returns host and port for net.Dial.
func (r Resource) Address() string { return net.JoinHostPort(r.Host, strconv.Itoa(r.Port)) }
