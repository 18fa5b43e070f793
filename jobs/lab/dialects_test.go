package lab_test

import (
	"net/netip"
	"strings"
	"testing"

	"benchyard/instruments/dialect"
	"benchyard/jobs/lab"
)

func TestInstrumentsFindTheirDialect(t *testing.T) {
	parsed, complete := twoBenches(t)
	stored, err := lab.Parse("complete.yaml", complete)
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range []*lab.Lab{parsed, stored} {
		for _, c := range []struct{ instrument, capability, want string }{
			{"sw-2", "closed", ":ROUT:STAT? (@101)"}, // written in the inventory
			{"sw-1", "closed", ":ROUT:CLOS? (@101)"}, // the standard
			{"pm-2", "power", ":FETCh:POWer?"},       // from a file
		} {
			i, _ := l.Instrument(c.instrument)
			table, err := l.Table(i.Role, i.Dialect)
			if err != nil {
				t.Fatal(err)
			}
			got, err := table.Ask(c.capability, dialect.Values{"channels": dialect.Channels([]int{101})})
			if err != nil || got != c.want {
				t.Errorf("%s of %s: got %q, %v", c.capability, c.instrument, got, err)
			}
		}
		if _, err := l.Table(lab.AnalyzerRole, "watt-meter"); err == nil || !strings.Contains(err.Error(), "add it under dialects") {
			t.Errorf("a dialect of another role: got %v", err)
		}
	}
}

func TestAddressesOutsideTheLab(t *testing.T) {
	_, complete := twoBenches(t)
	for _, c := range []struct {
		allowed, host string
		fits          bool
	}{
		{"", "127.0.0.1", true}, {"", "10.255.0.1", true}, {"", "172.31.0.1", true}, {"", "192.168.0.9", true}, // RFC 1918
		{"", "[::1]", true}, {"", "[fd00::1]", true}, // RFC 4193
		{"", "172.32.0.1", false}, {"", "198.51.100.7", false}, {"", "[2001:db8::1]", false}, {"", "sa.example.net", false},
		{"", "[::ffff:198.51.100.7]", false}, {"", "sa", true},
		{"198.51.100.0/24", "198.51.100.7", true}, {"198.51.100.0/24", "127.0.0.1", false}, {"198.51.100.0/24", "sa", false},
		{".example.net", "sa.example.net", true}, {".example.net", "example.net.evil.test", false}, {"sa.example.net", "SA.example.net", true},
	} {
		text := strings.Replace(string(complete), "192.0.2.11", c.host, 1)
		allowed := []string{"192.0.2.0/24", ".lab.example", c.allowed}
		if c.allowed == "" {
			allowed = nil
		}
		text = strings.Replace(text, "allowed_addresses: [192.0.2.0/24, .lab.example]", "allowed_addresses: ["+strings.Join(allowed, ", ")+"]", 1)
		if c.allowed == "" {
			text = strings.NewReplacer("192.0.2.", "10.0.2.", "pm-2.lab.example", "10.0.3.1").Replace(text)
		}
		_, err := lab.Parse("lab.yaml", []byte(text))
		if c.fits != (err == nil) || !c.fits && !strings.Contains(err.Error(), "is outside the addresses of this lab") {
			t.Errorf("%s with [%s]: got %v", c.host, c.allowed, err)
		}
	}
}

// Where a name leads is judged by networks, whatever the name; a list of names alone
// stands beside the default networks.
func TestAdmit(t *testing.T) {
	for _, c := range []struct {
		allowed []string
		address string
		fits    bool
	}{
		{nil, "127.0.0.1", true}, {nil, "10.1.2.3", true}, {nil, "198.51.100.7", false}, {nil, "::ffff:198.51.100.7", false}, {nil, "fe80::1%eth0", true},
		{[]string{"198.51.100.0/24"}, "198.51.100.7", true}, {[]string{"198.51.100.0/24", "sa"}, "10.1.2.3", false},
		{[]string{"sa", ".lab.example"}, "10.1.2.3", true}, {[]string{"sa"}, "198.51.100.7", false},
	} {
		l := &lab.Lab{AllowedAddresses: c.allowed}
		err := l.Admit("sa", netip.MustParseAddr(c.address))
		if c.fits != (err == nil) {
			t.Errorf("%s with %v: %v", c.address, c.allowed, err)
		}
		for _, part := range append(c.allowed, "sa is at "+c.address) {
			if err != nil && !strings.Contains(err.Error(), part) {
				t.Errorf("%v does not name %s", err, part)
			}
		}
	}
}
