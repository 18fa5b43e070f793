package instruments_test

import (
	"errors"
	"strings"
	"testing"

	"go.uber.org/goleak"

	"benchyard/instruments"
	"benchyard/instruments/analyzer"
	"benchyard/instruments/dialect"
	"benchyard/instruments/generator"
	"benchyard/instruments/powermeter"
	"benchyard/instruments/radiounit"
	"benchyard/instruments/scpi"
	"benchyard/instruments/scpi/scpitest"
	"benchyard/instruments/supply"
	"benchyard/instruments/switcher"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// script is an instrument that answers what Open asks.
func script(t *testing.T) string {
	return scpitest.Serve(t, scpitest.Greet(), scpitest.Answer("*IDN?", scpitest.Identity), scpitest.Gone()).String()
}

func TestEveryRoleHasItsDriver(t *testing.T) {
	is := map[instruments.Role]func(any) bool{
		instruments.Analyzer:   func(d any) bool { _, ok := d.(*analyzer.Analyzer); return ok },
		instruments.Generator:  func(d any) bool { _, ok := d.(*generator.Generator); return ok },
		instruments.PowerMeter: func(d any) bool { _, ok := d.(*powermeter.PowerMeter); return ok },
		instruments.Supply:     func(d any) bool { _, ok := d.(*supply.Supply); return ok },
		instruments.Switcher:   func(d any) bool { _, ok := d.(*switcher.Switcher); return ok },
		instruments.RadioUnit:  func(d any) bool { _, ok := d.(*radiounit.RadioUnit); return ok },
	}
	if len(is) != len(instruments.Roles()) {
		t.Errorf("roles are %v", instruments.Roles())
	}
	for _, role := range instruments.Roles() {
		i, err := instruments.Open(t.Context(), role, script(t), "Benchyard,,S-1,9.9", scpi.Config{}, nil)
		if err != nil {
			t.Fatal(err)
		}
		if !is[role](i.Driver()) || i.Role() != role || i.Identity().Serial != "S-1" {
			t.Errorf("%s: got driver %T of %s", role, i.Driver(), i.Identity())
		}
		if err := i.Close(); err != nil {
			t.Error(err)
		}
	}
}

func TestWrongIdentity(t *testing.T) {
	for _, expected := range []string{"Benchyard,Script,S-2", "Other,Script,S-1,1.0", ",,S-2"} {
		resource := script(t)
		_, err := instruments.Open(t.Context(), instruments.Analyzer, resource, expected, scpi.Config{}, nil)
		var wrong *instruments.IdentityError
		if !errors.As(err, &wrong) || wrong.Found.Serial != "S-1" || wrong.Expected != expected || wrong.Resource != resource {
			t.Errorf("%s: got %v", expected, err)
		} else if text := err.Error(); !strings.Contains(text, scpitest.Identity) || !strings.Contains(text, expected) {
			t.Errorf("%s: message does not name both: %s", expected, text)
		}
	}
	i, err := instruments.Open(t.Context(), instruments.Supply, script(t), "", scpi.Config{}, nil)
	if err != nil {
		t.Fatalf("no identity listed: %v", err)
	}
	if err := i.Close(); err != nil {
		t.Error(err)
	}
}

func TestOpenRefuses(t *testing.T) {
	if _, err := instruments.Open(t.Context(), "oscilloscope", "TCPIP::127.0.0.1::1::SOCKET", "", scpi.Config{}, nil); err == nil || !strings.Contains(err.Error(), "switcher") {
		t.Errorf("unknown role: got %v", err)
	}
	if _, err := instruments.Open(t.Context(), instruments.Analyzer, "127.0.0.1:5025", "", scpi.Config{}, nil); err == nil || !strings.Contains(err.Error(), "TCPIP::") {
		t.Errorf("bad resource: got %v", err)
	}
	table := dialect.Standard("supply")
	if _, err := instruments.Open(t.Context(), instruments.Analyzer, "TCPIP::127.0.0.1::1::SOCKET", "", scpi.Config{}, table); err == nil || !strings.Contains(err.Error(), "dialect SCPI-1999 is one of a supply") {
		t.Errorf("dialect of another role: got %v", err)
	}
}
