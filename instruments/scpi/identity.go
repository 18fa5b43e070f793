package scpi

import (
	"fmt"
	"net"
	"strconv"
	"strings"
)

// Identity is the answer to *IDN? (488.2 10.14).
type Identity struct {
	Manufacturer, Model, Serial, Firmware string
}

// maxIdentity bounds the answer; the standard allows 72 characters, instruments
// exceed it.
const maxIdentity = 256

// ParseIdentity decodes an answer to *IDN?: four fields joined by commas, of
// which serial and firmware may be "0" for unknown. Further commas belong to the
// firmware. Fewer fields, control characters or no model are an error.
func ParseIdentity(s string) (Identity, error) {
	s = strings.TrimRight(s, "\r\n\x00 ")
	fields := strings.SplitN(s, ",", 4)
	bad := len(s) > maxIdentity || len(fields) < 4
	for _, c := range []byte(s) {
		bad = bad || c < ' ' || c > '~'
	}
	for i := range fields {
		fields[i] = strings.TrimSpace(fields[i])
		bad = bad || fields[i] == ""
	}
	if bad {
		return Identity{}, fmt.Errorf("scpi: %.80q is no identity, want manufacturer,model,serial,firmware", s)
	}
	return Identity{fields[0], fields[1], fields[2], fields[3]}, nil
}

// String returns the four fields joined by commas, as *IDN? answers them.
func (id Identity) String() string {
	return strings.Join([]string{id.Manufacturer, id.Model, id.Serial, id.Firmware}, ",")
}

// SameInstrument reports whether both identities name one piece of hardware:
// manufacturer, model and serial number. Firmware may have been updated.
func (id Identity) SameInstrument(other Identity) bool {
	return id.Manufacturer == other.Manufacturer && id.Model == other.Model && id.Serial == other.Serial
}

// Resource says where an instrument's socket is.
type Resource struct {
	Host string // name or address; an IPv6 address has no brackets here
	Port int
}

// ParseResource reads a resource string "TCPIP::host::port::SOCKET". Case does
// not matter, a board number after TCPIP is ignored, and an IPv6 address stands
// in brackets.
func ParseResource(s string) (Resource, error) {
	bad := func(why string) (Resource, error) {
		return Resource{}, fmt.Errorf("scpi: resource %.80q: %s, want TCPIP::host::port::SOCKET", s, why)
	}
	head, rest, ok := strings.Cut(strings.TrimSpace(s), "::")
	if !ok || !strings.EqualFold(strings.TrimRight(head, "0123456789"), "TCPIP") {
		return bad("does not start with TCPIP::")
	}
	end := strings.LastIndex(rest, "::")
	if end < 0 || !strings.EqualFold(rest[end+2:], "SOCKET") {
		return bad("does not end with ::SOCKET")
	}
	rest = rest[:end]
	end = strings.LastIndex(rest, "::")
	if end < 0 {
		return bad("has no port")
	}
	port, err := strconv.Atoi(rest[end+2:])
	if err != nil || port < 1 || port > 65535 || rest[end+2] == '+' {
		return bad("port is not 1 to 65535")
	}
	host := rest[:end]
	if inner, ok := strings.CutPrefix(host, "["); ok {
		inner, closed := strings.CutSuffix(inner, "]")
		if !closed || net.ParseIP(inner) == nil {
			return bad("address in brackets is not an IPv6 address")
		}
		return Resource{inner, port}, nil
	}
	if host == "" || strings.ContainsAny(host, ":/[]@ \t\r\n\x00") {
		return bad("host is not a name or an address")
	}
	return Resource{host, port}, nil
}

// String returns the resource in the form ParseResource reads.
func (r Resource) String() string {
	host := r.Host
	if strings.Contains(host, ":") {
		host = "[" + host + "]"
	}
	return fmt.Sprintf("TCPIP::%s::%d::SOCKET", host, r.Port)
}

// Address returns host and port for net.Dial.
func (r Resource) Address() string { return net.JoinHostPort(r.Host, strconv.Itoa(r.Port)) }
