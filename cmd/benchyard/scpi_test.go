package main

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"benchyard/instruments/scpi"
	"benchyard/instruments/sim"
	"benchyard/jobs/postgres"
)

// consoleLab is a simulated lab for the console, fast enough that nobody waits.
func consoleLab(t *testing.T) *sim.Lab {
	t.Helper()
	c := sim.Demo(1)
	c.Speed = 2000
	l, err := sim.Start(t.Context(), c, nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	return l
}

// Messages on the command line: answers on standard output, one per line, errors
// of the instrument on standard error and in the exit code.
func TestScpiCommands(t *testing.T) {
	l := consoleLab(t)
	for _, where := range []func(string) (string, error){l.Socket, l.HiSLIP} {
		resource, err := where("bench-1-analyzer")
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range []struct {
			code      int
			messages  []string
			out, errs string
		}{
			{exitDone, []string{"*IDN?"}, "Invented Instruments,Swept 26,SA-bench-1,1.0\n", "leases are bypassed"},
			{exitDone, []string{":FREQ:CENT 1.8 GHz;SPAN 10 MHz;SPAN?", "freq:cent?"}, "1E+07\n1.8E+09\n", ""},
			{exitDone, []string{`TRIG:SOUR IMM;SOUR?;*OPC?;:SYST:VERS?`}, "IMM\n1\n1999.0\n", ""},
			{exitDone, []string{":SYST:ERR?"}, "0,\"No error\"\n", ""},
			{exitFailed, []string{":FOO?", "*OPC?"}, "", "error -113"},
			{exitFailed, []string{"--keep-going", ":FOO?", "*OPC?"}, "1\n", "command 1"},
			{exitFailed, []string{":FREQ:CENT?;:FOO?"}, "1.8E+09\n", "not every query"},
			{exitFailed, []string{":FREQ:CENT 99 GHz"}, "", "-222"},
			{exitUsage, []string{"*OPC?", "SETUP&"}, "", "not sent"},
			{exitUsage, []string{"--timeout", "0s", "*OPC?"}, "", "--timeout"},
			{exitUsage, []string{".block sideways"}, "", "sideways"},
			{exitUsage, []string{".nonsense"}, "", ".help"},
			{exitUsage, []string{"*OPC?", " "}, "", "command 2 is empty"},
			{exitError, []string{"--format", "json", ":SIM:FAUL \"drop\""}, `"failure":"scpi: `, "command 1"},
		} {
			args := append([]string{"scpi", resource}, c.messages...)
			if c.code == exitUsage && strings.HasPrefix(c.messages[0], ".") {
				args = append([]string{"scpi", resource, "--"}, c.messages...)
			}
			out, errs := command(t, c.code, args...)
			if out != c.out && !(c.code == exitError && strings.Contains(out, c.out)) || !strings.Contains(errs, c.errs) {
				t.Errorf("%q: printed %q and %q, want %q and %q", c.messages, out, errs, c.out, c.errs)
			}
		}
	}
}

// Without a lab an instrument is near, unless the person says otherwise. The addresses
// are those that no machine has (RFC 5737, RFC 3849).
func TestScpiStaysNear(t *testing.T) {
	for _, where := range []string{"198.51.100.7:5025", "TCPIP::[2001:db8::1]::5025::SOCKET", "TCPIP::198.51.100.7::hislip0::INSTR"} {
		if _, errs := command(t, exitUsage, "scpi", "--timeout", "1s", where, "*IDN?"); !strings.Contains(errs, "outside loopback, private and link-local networks") || !strings.Contains(errs, "--anywhere") {
			t.Errorf("%s: %q", where, errs)
		}
	}
	resource, err := consoleLab(t).Socket("bench-1-analyzer")
	if err != nil {
		t.Fatal(err)
	}
	command(t, exitDone, "scpi", "--anywhere", resource, "*OPC?")
}

func TestScpiBlocks(t *testing.T) {
	resource, err := consoleLab(t).Socket("bench-1-analyzer")
	if err != nil {
		t.Fatal(err)
	}
	command(t, exitDone, "scpi", resource, ":INIT:CONT OFF;:SWE:POIN 11;:FORM REAL,32;:INIT;*OPC?")
	show := func(flags ...string) string {
		out, _ := command(t, exitDone, append([]string{"scpi", resource, ":TRAC? TRACE1"}, flags...)...)
		return out
	}
	raw := show("--block", "raw")
	xs, err := scpi.DecodeReal32([]byte(raw))
	if err != nil || len(xs) != 11 {
		t.Fatalf("raw block of %d bytes: %v", len(raw), err)
	}
	if got := show(); !strings.HasPrefix(got, "block of 44 bytes") || !strings.Contains(got, fmt.Sprintf("last %.6g", xs[10])) {
		t.Errorf("summary %q", got)
	}
	if got := show("--block", "real32"); got != strings.ReplaceAll(strings.Trim(fmt.Sprintf("%g", floats(xs)), "[]"), " ", "\n")+"\n" {
		t.Errorf("numbers %q", got)
	}
	if got := show("--block", "hex"); !strings.HasPrefix(got, fmt.Sprintf("00000000  % x", raw[:8])) {
		t.Errorf("hex %q", got)
	}
	var wire struct {
		Message string
		Answers []map[string]string
		Errors  []any
	}
	if err := json.Unmarshal([]byte(show("--format", "json")), &wire); err != nil || len(wire.Answers) != 1 ||
		wire.Answers[0]["block_base64"] != base64.StdEncoding.EncodeToString([]byte(raw)) {
		t.Errorf("json %+v, %v", wire, err)
	}
}

func floats(xs []float64) []float32 {
	var out []float32
	for _, x := range xs {
		out = append(out, float32(x))
	}
	return out
}

// A script stops at the first failure and says in which line it was; words of
// the console work in it too.
func TestScpiScript(t *testing.T) {
	l := consoleLab(t)
	text, err := l.Socket("bench-1-supply")
	if err != nil {
		t.Fatal(err)
	}
	resource, err := scpi.ParseResource(text)
	if err != nil {
		t.Fatal(err)
	}
	run := func(script string, keepGoing bool) (out, errs string, err error) {
		heard := &lastAnswer{}
		session, err := scpi.Dial(t.Context(), resource, scpi.Config{Transcript: heard})
		if err != nil {
			t.Fatal(err)
		}
		defer session.Close()
		var stdout, stderr bytes.Buffer
		k := &console{session: session, heard: heard, timeout: time.Minute, block: "summary", out: &stdout, errs: &stderr}
		err = k.script(t.Context(), strings.NewReader(script), "line", keepGoing)
		return stdout.String(), stderr.String(), err
	}
	out, _, err := run("# a comment\n\n*ESE 32;*XYZ\n*OPC?\n", false)
	if out != "" || err == nil || !strings.Contains(err.Error(), "line 3") {
		t.Errorf("printed %q, error %v; want nothing and the place", out, err)
	}
	out, errs, err := run("*ESE 32;*XYZ\n.status\n.timeout 3s\n.help\n.quit\n*OPC?\n", true)
	if err == nil || !strings.Contains(out, "standard event") || !strings.Contains(out, "command error") || strings.HasSuffix(out, "1\n") ||
		!strings.Contains(out, ".timeout") || !strings.Contains(errs, "-113") {
		t.Errorf("printed %q and %q, error %v", out, errs, err)
	}
}

// Ctrl-C ends a wait for an answer; the console goes on, with the next line on a
// connection that is in step.
func TestScpiInterruptedWait(t *testing.T) {
	c := sim.Demo(1)
	l, err := sim.Start(t.Context(), c, nil) // in real time: a sweep of 1000 s never ends here
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	text, err := l.Socket("bench-1-analyzer")
	if err != nil {
		t.Fatal(err)
	}
	resource, err := scpi.ParseResource(text)
	if err != nil {
		t.Fatal(err)
	}
	sent := make(chan struct{}, 1)
	session, err := scpi.Dial(t.Context(), resource, scpi.Config{Timeout: time.Hour, Transcript: watching{"*OPC?", sent}})
	if err != nil {
		t.Fatal(err)
	}
	defer session.Close()
	var out bytes.Buffer
	k := &console{session: session, heard: &lastAnswer{}, timeout: time.Hour, block: "summary", out: &out, errs: &out}
	go func() {
		<-sent
		_ = syscall.Kill(os.Getpid(), syscall.SIGINT) // fails only for a process that is gone
	}()
	if err := k.patiently(t.Context(), ":INIT:CONT OFF;:SWE:TIME 1000;:INIT;*OPC?"); !errors.Is(err, errInterrupted) {
		t.Fatalf("interrupted: %v", err)
	}
	if err := k.patiently(t.Context(), ":ABOR;:SYST:VERS?"); err != nil || out.String() != "1999.0\n" {
		t.Errorf("after it: %v, printed %q", err, out.String())
	}
}

// watching says when a message with a text was sent.
type watching struct {
	text string
	sent chan<- struct{}
}

// Record implements scpi.Transcript.
func (w watching) Record(direction string, message []byte) {
	if direction == scpi.Sent && strings.Contains(string(message), w.text) {
		select {
		case w.sent <- struct{}{}:
		default: // said already
		}
	}
}

// Told the database, the console knows instruments by name and leaves those
// alone that an agent holds.
func TestScpiAndLeases(t *testing.T) {
	l := consoleLab(t)
	url := postgres.TestURL(t)
	file := filepath.Join(t.TempDir(), "lab.yaml")
	if err := os.WriteFile(file, l.Inventory(), 0o600); err != nil {
		t.Fatal(err)
	}
	command(t, exitDone, "--database-url", url, "lab", "apply", file)
	out, _ := command(t, exitDone, "--database-url", url, "scpi", "bench-1-supply", "*OPC?")
	if out != "1\n" {
		t.Errorf("instrument by name answered %q", out)
	}
	if _, errs := command(t, exitUsage, "--database-url", url, "scpi", "bench-9-supply", "*OPC?"); !strings.Contains(errs, "nor the name of an instrument") {
		t.Errorf("an unknown name: %s", errs)
	}
	pool, err := postgres.OpenPool(t.Context(), url, t.Name(), 0)
	if err != nil {
		t.Fatal(err)
	}
	defer pool.Close()
	if _, err := pool.Exec(t.Context(), `INSERT INTO bench_lease (bench, token, holder, expires_at) VALUES ('bench-1', 1, 'agent-7', now() + interval '1 hour')`); err != nil {
		t.Fatal(err)
	}
	resource, err := l.Socket("bench-1-supply")
	if err != nil {
		t.Fatal(err)
	}
	if _, errs := command(t, exitError, "--database-url", url, "scpi", resource, "*OPC?"); !strings.Contains(errs, "agent-7") {
		t.Errorf("refused with %q, want the holder's name", errs)
	}
	command(t, exitDone, "--database-url", url, "scpi", "bench-2-supply", "*OPC?")
}

// The name of an instrument brings its dialect and the addresses of the lab along.
func TestScpiByNameKnowsTheLab(t *testing.T) {
	l := consoleLab(t)
	url := postgres.TestURL(t)
	for _, c := range []struct {
		old, new, name string
		code           int
		says           string
	}{
		{"instruments:", "allowed_addresses: [10.0.0.0/8, localhost]\ninstruments:", "bench-1-supply", exitError, "outside the addresses of this lab (10.0.0.0/8, localhost)"},
		{"  - name: bench-1-supply\n", "  - name: bench-1-supply\n    dialect: greets\n", "bench-1-supply", exitDone, ""},
	} {
		text := strings.Replace(string(l.Inventory()), c.old, c.new, 1)
		text = strings.ReplaceAll(text, "127.0.0.1", "localhost") + "dialects: [{name: greets, role: supply, inherits: SCPI-1999, session: {banner: true}}]\n"
		file := filepath.Join(t.TempDir(), "lab.yaml")
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		command(t, exitDone, "--database-url", url, "lab", "apply", file)
		if err := l.Inject("bench-1-supply", sim.Banner); err != nil {
			t.Fatal(err)
		}
		if _, errs := command(t, c.code, "--database-url", url, "scpi", c.name, "*OPC?"); !strings.Contains(errs, c.says) {
			t.Errorf("%s: %s", c.new, errs)
		}
	}
	where, err := l.Socket("bench-1-supply")
	if err != nil {
		t.Fatal(err)
	}
	if _, errs := command(t, exitError, "scpi", where, "*OPC?"); !strings.Contains(errs, "say so: banner") {
		t.Errorf("a greeting that nobody spoke of: %s", errs)
	}
	if out, _ := command(t, exitDone, "scpi", where, "--banner", "*OPC?"); out != "1\n" {
		t.Errorf("with --banner: %q", out)
	}
}

func TestSimulatorFlags(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "lab.json")
	command(t, exitDone, "sim", "--write-config", file, "--hislip", "--fault", "*=crlf", "--fault", "bench-1-analyzer=stale@0.25")
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	c, err := sim.ParseConfig(data)
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]sim.WireConfig{
		"*":                {HiSLIP: true, Fault: sim.CRLF},
		"bench-1-analyzer": {HiSLIP: true, Fault: sim.Stale, Rate: 0.25},
	}
	if len(c.Wire) != 2 || c.Wire["*"] != want["*"] || c.Wire["bench-1-analyzer"] != want["bench-1-analyzer"] {
		t.Errorf("wire %+v, want %+v", c.Wire, want)
	}
	command(t, exitDone, "sim", "--write-config", file, "--fault", "bench-1-supply=half-open")
	if _, errs := command(t, exitUsage, "sim", "--fault", "*=half-blocks"); !strings.Contains(errs, `did you mean "half block"?`) {
		t.Errorf("a fault nearly named: %s", errs)
	}
	if _, errs := command(t, exitUsage, "sim", "--fault", "*=crlf", "--fault", "*=slow"); !strings.Contains(errs, "one fault at a time") {
		t.Errorf("two faults: %s", errs)
	}
	for text, want := range map[string]string{`{"bench": []}`: "bench", `{}`: "no benches", `{} {}`: "follows"} {
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, errs := command(t, exitUsage, "sim", "--config", file); !strings.Contains(errs, want) {
			t.Errorf("%s: %s", text, errs)
		}
	}
	for _, bad := range []string{"crlf", "=crlf", "x=", "x=odd", "x=stale@2", "x=stale@much", "x=reboot@0.5"} {
		command(t, exitUsage, "sim", "--write-config", file, "--fault", bad)
	}
	command(t, exitUsage, "sim", "--fault", "bench-9-analyzer=stale")
	if out, _ := command(t, exitDone, "sim", "--help"); !strings.Contains(out, "half open") {
		t.Error("the help does not list the faults")
	}
}
