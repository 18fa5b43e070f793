package scpi

import (
	"fmt"
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
