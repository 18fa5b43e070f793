package lab_test

import (
	"os"
	"strings"
	"testing"

	"benchyard/jobs/lab"
)

// A type over SSH with keys for its mounted unit is accepted, and what it says is
// found again.
func TestControlOverSSH(t *testing.T) {
	data, err := os.ReadFile("../../testdata/lab/bad/control.yaml")
	if err != nil {
		t.Fatal(err)
	}
	text := string(data)
	types, units := strings.Index(text, "  - {name: A, control"), strings.Index(text, "radio_units:")
	const key = "ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAIIqI4910CfGV/VLbLTy6XXLKZwm/HZQSG/N0iAG0D29c"
	text = text[:types] + `  - {name: F, dialect: child, control: {over: ssh, user: u, key_file: /etc/bench/id, password_env: UNIT}, maker: m, connectors: 1,
     class: wide-area, category: A, type: 1-C, rated_power: 37dBm, carriers: [{band: n1, bandwidths: [5MHz], scs: [15kHz]}]}
` + text[units:strings.Index(text, "  - {serial: u1")] +
		`  - {serial: u1, type: F, revision: A, bench: bench-1, slot: 1, resource: "TCPIP::a::5::SOCKET", host_keys: ["` + key + "\"]}\n"
	l, err := lab.Parse("control.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	want := lab.Control{Over: lab.OverSSH, User: "u", PasswordEnv: "UNIT", KeyFile: "/etc/bench/id"}
	if got := l.Types[0].Control; got != want || !got.CommandLine() || len(l.Units[0].HostKeys) != 1 || l.Units[0].HostKeys[0] != key {
		t.Errorf("got %+v, %q", got, l.Units[0].HostKeys)
	}
}
