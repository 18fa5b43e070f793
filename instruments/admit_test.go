package instruments_test

import (
	"errors"
	"net/netip"
	"strings"
	"testing"

	"benchyard/instruments"
	"benchyard/instruments/scpi"
)

var errOutside = errors.New("outside the addresses of the lab")

// Every way to an instrument asks whether it may connect to the address that a name
// led to, on HiSLIP for both channels, and goes no further where it may not.
func TestNameThatLeadsElsewhere(t *testing.T) {
	line := byHand(t, "")
	overSSH, overTCP := byHand(t, "ssh"), byHand(t, "tcp")
	highSpeed, err := line.HiSLIP("bench-1-supply")
	if err != nil {
		t.Fatal(err)
	}
	socket, err := line.Socket("bench-1-supply")
	if err != nil {
		t.Fatal(err)
	}
	supply := func(resource string) func(scpi.Config) (*instruments.Instrument, error) {
		return func(c scpi.Config) (*instruments.Instrument, error) {
			return instruments.Open(t.Context(), instruments.Supply, strings.Replace(resource, "127.0.0.1", "localhost", 1), "", c, nil)
		}
	}
	for name, way := range map[string]struct {
		open        func(scpi.Config) (*instruments.Instrument, error)
		connections int
	}{
		"socket": {supply(socket), 1},
		"HiSLIP": {supply(highSpeed), 2},
		"tcp": {func(c scpi.Config) (*instruments.Instrument, error) {
			resource, _ := overTCP.Resource(unit)
			return instruments.OpenCommandLine(t.Context(), strings.Replace(resource, "127.0.0.1", "localhost", 1), "", login(t, overTCP, "tcp"), c, spoken(t))
		}, 1},
		"ssh": {func(c scpi.Config) (*instruments.Instrument, error) {
			resource, _ := overSSH.Resource(unit)
			return instruments.OpenCommandLine(t.Context(), strings.Replace(resource, "127.0.0.1", "localhost", 1), "", login(t, overSSH, "ssh"), c, spoken(t))
		}, 1},
	} {
		for refused := range way.connections + 1 {
			asked := 0
			i, err := way.open(scpi.Config{Admit: func(host string, address netip.Addr) error {
				if host != "localhost" || !address.IsLoopback() {
					t.Errorf("%s: asked for %s at %s", name, host, address)
				}
				if address.Is6() { // nobody listens there
					return nil
				}
				if asked++; asked == refused {
					return errOutside
				}
				return nil
			}})
			if refused > 0 {
				if !errors.Is(err, errOutside) || asked != refused {
					t.Errorf("%s: connection %d refused, asked for %d: %v", name, refused, asked, err)
				}
				continue
			}
			if err != nil || asked != way.connections {
				t.Errorf("%s: asked for %d connections, want %d: %v", name, asked, way.connections, err)
				continue
			}
			if err := i.Close(); err != nil {
				t.Error(err)
			}
		}
	}
}

// A name may lead elsewhere when the connection is opened anew.
func TestNameThatLeadsElsewhereLater(t *testing.T) {
	lab := byHand(t, "")
	resource, err := lab.Resource("bench-1-supply")
	if err != nil {
		t.Fatal(err)
	}
	moved := false
	i, err := instruments.Open(t.Context(), instruments.Supply, resource, "", scpi.Config{Admit: func(string, netip.Addr) error {
		if moved {
			return errOutside
		}
		return nil
	}}, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer i.Close()
	moved = true
	s := i.Session().(*scpi.Session)
	if err := lab.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Query(t.Context(), "*OPC?"); err == nil {
		t.Fatal("an instrument that is gone answers")
	}
	if _, err := s.Query(t.Context(), "*OPC?"); !errors.Is(err, errOutside) {
		t.Errorf("after it moved: %v", err)
	}
}
