package dialect_test

import (
	"errors"
	"strings"
	"testing"

	"benchyard/instruments/dialect"
	"benchyard/instruments/scpi"
)

// spoken is a command line with every capability a unit cannot do without.
const spoken = `name: spoken
role: radio unit
control: shell
command_line:
  prompt: 'ru-\d+> '
  refused: '^refused: (.*)'
  setup: [page off]
  echo: print {text}
  newline: CRLF
  identity: show unit
  identity_answer: '^unit (?P<type>\S+) of (?P<maker>.+), serial (?P<serial>\S+), boot (?P<boot>\d+)$'
commands:
  revision: {ask: get revision}
  build: {set: "load {build}", ask: get build}
  carrier_frequency: {set: "set carrier {carrier} frequency {frequency:6}", ask: "get carrier {carrier} frequency", unit: MHz, answer: '^frequency (\S+) MHz'}
  carrier_bandwidth: {set: "set carrier {carrier} bandwidth {bandwidth}", ask: "get carrier {carrier} bandwidth"}
  carrier_spacing: {set: "set carrier {carrier} spacing {spacing}", ask: "get carrier {carrier} spacing"}
  carrier_power: {set: "set carrier {carrier} power {power}", ask: "get carrier {carrier} power"}
  test_model: {set: "set model {model}", ask: get model}
  duplex: {set: "set duplex {duplex}", ask: get duplex}
  transmit_on: {set: transmit on}
  transmit_off: {set: transmit off}
  transmitting: {ask: get transmit, answer: '^transmit (on|off)'}
  calibration_result: {ask: get calibration, answer: '^calibration (\w+)', words: {PASSED: "0", "never": "-1"}}
`

func TestCommandLines(t *testing.T) {
	table := parse(t, spoken)
	if table.Control != dialect.Shell || table.CommandLine.Setup[0] != "page off" {
		t.Errorf("got %+v", table.CommandLine)
	}
	lines, err := table.Set("carrier_frequency", dialect.Values{"carrier": dialect.Count(2), "frequency": dialect.Real(1842.5e6)})
	if err != nil || strings.Join(lines, "|") != "set carrier 2 frequency 1842.500000" {
		t.Errorf("got %q, %v", lines, err)
	}
	answer, err := table.Answer("carrier_frequency", "carrier 2\nfrequency 1842.5 MHz\n")
	if err != nil {
		t.Fatal(err)
	}
	if f, err := table.Number("carrier_frequency", answer); f != 1842.5e6 || err != nil {
		t.Errorf("got %v, %v", f, err)
	}
	for word, want := range map[string]string{"passed": "0", "Never": "-1", "17": "17"} {
		if code, err := table.Answer("calibration_result", "calibration "+word); string(code) != want || err != nil {
			t.Errorf("%s: got %q, %v", word, code, err)
		}
	}
	if _, err := table.Answer("transmitting", "transmit perhaps"); !errors.Is(err, scpi.ErrAnswer) {
		t.Errorf("got %v", err)
	}
	id, boot, err := table.Names("hello\nunit RU-4 of North Radio, serial 7, boot 12\n")
	if want := (scpi.Identity{Manufacturer: "North Radio", Model: "RU-4", Serial: "7"}); id != want || boot != "12" || err != nil {
		t.Errorf("got %+v, boot %q, %v", id, boot, err)
	}
	if _, _, err := table.Names("unit?"); !errors.Is(err, scpi.ErrAnswer) {
		t.Errorf("got %v", err)
	}
}

// Each problem stands where the mistake is.
func TestCommandLinesThatAreNone(t *testing.T) {
	for _, c := range []struct{ old, new, want string }{
		{`prompt: 'ru-\d+> '`, `prompt: '('`, "spoken.yaml:5:11"},
		{`prompt: 'ru-\d+> '`, `prompt: '.*'`, "fits an empty line"},
		{`prompt: 'ru-\d+> '`, "user_prompt: 'login:'", `missing key "prompt"`},
		{"echo: print {text}", "echo: print", "spoken.yaml:8:9"},
		{"newline: CRLF", "newline: CRFL", `did you mean "CRLF"?`},
		{"(?P<serial>", "(?P<number>", "(?P<serial>...)"},
		{"answer: '^transmit (on|off)'", "answer: '['", "no regular expression"},
		{"control: shell", "control: scpi", "belongs to control: shell"},
		{"control: shell", "control: shell\ninherits: SCPI-1999", "this one over shell"},
		{"transmit_on: {set: transmit on}", "transmit_on: {set: transmit on, words: {a: b}}", "words are meanings"},
		{"control: shell", "control: scpi", "answer belongs to a command line"},
		{"setup: [page off]", `setup: ["page\noff"]`, "only printable ASCII"},
	} {
		text := strings.Replace(spoken, c.old, c.new, 1)
		if text == spoken {
			t.Fatalf("%q is not in the table", c.old)
		}
		if _, err := dialect.Parse("spoken.yaml", []byte(text)); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, want %s", c.new, err, c.want)
		}
	}
}

// Whatever a unit prints, an answer or an identity is cut out of it or refused; what
// is cut out by a pattern stands in the output.
func FuzzAnswers(f *testing.F) {
	table, err := dialect.Parse("spoken.yaml", []byte(spoken))
	if err != nil {
		f.Fatal(err)
	}
	for _, output := range []string{"frequency 1842.5 MHz", "transmit on", "calibration passed", "unit RU-4 of North Radio, serial 7, boot 12", "\x00", "frequency  MHz\n"} {
		f.Add(output)
	}
	f.Fuzz(func(t *testing.T, output string) {
		answer, err := table.Answer("carrier_frequency", output)
		if err == nil && !strings.Contains(output, string(answer)) {
			t.Errorf("%q from %q", answer, output)
		}
		id, boot, err := table.Names(output)
		if err == nil && (id.Serial == "" || boot == "" || !strings.Contains(output, id.Serial)) {
			t.Errorf("%+v, %q from %q", id, boot, output)
		}
	})
}
