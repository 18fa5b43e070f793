package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/netip"
	"os"
	"strings"
	"time"

	"golang.org/x/term"

	"benchyard/instruments"
	"benchyard/instruments/scpi"
	"benchyard/jobs"
	"benchyard/jobs/lab"
)

// scpiCommand is a console for one instrument.
type scpiCommand struct {
	Resource string        `arg:"" help:"TCPIP::host::port::SOCKET, TCPIP::host::hislip0::INSTR, host:port, or with --database-url the name of an instrument in the lab."`
	Commands []string      `arg:"" optional:"" help:"Commands and queries, each one message. Without any: from standard input, line by line."`
	Timeout  time.Duration `default:"10s" help:"Longest wait for one answer. *OPC? behind a long sweep takes as long as the sweep."`
	Block    string        `enum:"summary,hex,real32,raw" default:"summary" help:"How to show binary blocks: summary, hex, real32 (one number per line) or raw (the bytes alone)."`
	Format   string        `enum:"text,json" default:"text" help:"text, or json: one object per message."`
	KeepOn   bool          `name:"keep-going" help:"Go on after a message that failed."`
	Banner   bool          `help:"The instrument greets whoever connects."`
	Bare     bool          `name:"bare-blocks" help:"The instrument sends no line feed behind a block."`
	Anywhere bool          `help:"Connect to an address outside loopback, private and link-local networks too; of a name of the lab its allowed_addresses decide in any case."`
	Ending   string        `name:"terminator" enum:"LF,CRLF,CR" default:"LF" help:"End of messages to a socket: LF, CRLF or CR. For a name of the lab its dialect says all three."`
}

// Help is what --help says beside the flags.
func (*scpiCommand) Help() string {
	return `Each message may hold several units, as in ':FREQ:CENT 1 GHz;SPAN?'; quote it for the shell. After
each one the error queue is read and printed. Connecting clears status and error queue.

It bypasses the leases of benches: nothing keeps an agent from using the instrument meanwhile. With
--database-url (or BENCHYARD_DATABASE_URL) it refuses instruments of a bench that an agent holds;
without a database it cannot know.

An address outside loopback, private and link-local networks is refused, unless --anywhere says
that it is meant.

On a terminal the arrow keys bring back earlier lines and .help lists the words of the console. From a
file or a pipe, empty lines and lines that start with # are skipped, and the first failure ends it.

Exit code: 0 done, 1 the instrument reported an error, 2 wrong use, 3 no connection or no answer.`
}

// Run talks to the instrument.
func (c *scpiCommand) Run(ctx context.Context, p *program) error {
	if c.Timeout <= 0 {
		return &badInput{fmt.Errorf("--timeout %v: want more than nothing", c.Timeout)}
	}
	for i, text := range c.Commands {
		if strings.TrimSpace(text) == "" {
			return &badInput{fmt.Errorf("command %d is empty", i+1)}
		}
		if _, err := splitMessage(text); err != nil && !strings.HasPrefix(text, ".") {
			return &badInput{err}
		}
	}
	config := scpi.Config{Timeout: c.Timeout, Banner: c.Banner, BareBlocks: c.Bare, Terminator: c.Ending, MaxMessage: longestLine}
	if !c.Anywhere {
		config.Admit = near
	}
	where, err := c.locate(ctx, p, &config)
	if err != nil {
		return err
	}
	heard := &lastAnswer{}
	config.Transcript = heard
	session, err := scpi.Dial(ctx, where, config)
	if err != nil {
		return err
	}
	defer session.Close()
	k := &console{session: session, heard: heard, timeout: c.Timeout, block: c.Block, json: c.Format == "json", out: p.stdout, errs: p.stderr}
	switch {
	case len(c.Commands) > 0:
		return k.script(ctx, strings.NewReader(strings.Join(c.Commands, "\n")), "command", c.KeepOn)
	case term.IsTerminal(int(os.Stdin.Fd())) && term.IsTerminal(int(os.Stdout.Fd())) && !k.json:
		return k.interact(ctx, os.Stdin, os.Stdout)
	}
	return k.script(ctx, os.Stdin, "line", c.KeepOn)
}

// locate finds the instrument and, where a database is named, refuses one that an
// agent uses. What the lab says of one that is named goes into the configuration.
func (c *scpiCommand) locate(ctx context.Context, p *program, config *scpi.Config) (scpi.Resource, error) {
	where, bad := parseWhere(c.Resource)
	told := p.commandLine.DatabaseURL != "" || p.commandLine.DataDir != ""
	if !told {
		if bad != nil {
			return where, &badInput{fmt.Errorf("%w; host:port will do too, and with --database-url a name of the lab", bad)}
		}
		fmt.Fprintln(p.stderr, "note: bench leases are bypassed and, without --database-url, not looked at: make sure that no agent uses this instrument")
		return where, nil
	}
	db, err := p.open(ctx)
	if err != nil {
		return where, err
	}
	defer db.Close()
	l, _, err := lab.Load(ctx, db.Pool, 0)
	if errors.Is(err, lab.ErrNoLab) {
		l = &lab.Lab{}
	} else if err != nil {
		return where, err
	}
	if bad != nil {
		if where, err = c.named(l, config); err != nil {
			return where, &badInput{err}
		}
	}
	benches, err := jobs.Benches(ctx, db.Pool)
	if err != nil {
		return where, err
	}
	for _, b := range benches {
		if b.Holder != "" && stands(l, b.Name, where) {
			return where, fmt.Errorf("%s is part of %s, which agent %s holds: %s; stop the agent or wait until it has given the bench back", where, b.Name, b.Holder, b.Activity)
		}
	}
	fmt.Fprintln(p.stderr, "note: no agent holds this instrument now, but nothing keeps one from taking it: hold the bench first if agents run")
	return where, nil
}

// near admits the networks in which an inventory may name instruments that says nothing
// else. What is typed wrong, or looked up wrong, must not reach somebody else's machine.
func near(host string, address netip.Addr) error {
	if (&lab.Lab{}).Admit(host, address) == nil {
		return nil
	}
	return &badInput{fmt.Errorf("%s is at %s, outside loopback, private and link-local networks, so nothing was sent there; if your instrument is really there, say --anywhere", host, address)}
}

// parseWhere reads a resource string or host:port.
func parseWhere(text string) (scpi.Resource, error) {
	if host, port, err := net.SplitHostPort(text); err == nil && !strings.Contains(text, "::") && host != "" {
		if strings.Contains(host, ":") {
			host = "[" + host + "]"
		}
		text = "TCPIP::" + host + "::" + port + "::SOCKET"
	}
	return scpi.ParseResource(text)
}

// named finds the instrument or radio unit of that name in the lab, with how its
// dialect wants to be talked to and where the lab lets connections go.
func (c *scpiCommand) named(l *lab.Lab, config *scpi.Config) (scpi.Resource, error) {
	role, resource, spoken := "", "", ""
	if i, ok := l.Instrument(c.Resource); ok {
		role, resource, spoken = i.Role, i.Resource, i.Dialect
	} else if u, ok := l.Unit(c.Resource); ok {
		t, _ := l.Type(u.Type)
		if t.Control.CommandLine() {
			return scpi.Resource{}, fmt.Errorf("%s is driven over a command line (%s), which this console does not speak", c.Resource, t.Control.Over)
		}
		if !u.Mounted() {
			return scpi.Resource{}, fmt.Errorf("%s is on the shelf and has no address", c.Resource)
		}
		role, resource, spoken = string(instruments.RadioUnit), u.Resource, t.Dialect
	} else {
		return scpi.Resource{}, fmt.Errorf("%q is neither TCPIP::host::port::SOCKET, TCPIP::host::hislip0::INSTR or host:port, nor the name of an instrument or radio unit of the lab", c.Resource)
	}
	table, err := l.Table(role, spoken)
	if err != nil {
		return scpi.Resource{}, err
	}
	told := *config
	*config = table.Configure(told)
	config.Admit, config.MaxMessage = l.Admit, told.MaxMessage
	config.Banner, config.BareBlocks = config.Banner || told.Banner, config.BareBlocks || told.BareBlocks
	return scpi.ParseResource(resource)
}

// stands reports whether the instrument at an address is on a bench. In a real
// lab one host is one instrument, whatever the port; all of a simulated lab is
// on one host.
func stands(l *lab.Lab, bench string, where scpi.Resource) bool {
	var resources []string
	for _, b := range l.Benches {
		if b.Name == bench {
			for _, i := range l.InstrumentsOn(b) {
				resources = append(resources, i.Resource)
			}
		}
	}
	for _, u := range l.Units {
		if u.Bench == bench {
			resources = append(resources, u.Resource)
		}
	}
	for _, text := range resources {
		r, err := scpi.ParseResource(text)
		if err == nil && strings.EqualFold(r.Host, where.Host) && (r.Port == where.Port || !l.Simulated) {
			return true
		}
	}
	return false
}

// longestLine bounds one message of a person.
const longestLine = 64 << 10

// script runs the lines of r. What the instrument reports is printed where it
// happens; the error returned says which message failed first and sets the exit
// code, no answer at all outweighing a refusal.
func (k *console) script(ctx context.Context, r io.Reader, unit string, keepGoing bool) error {
	lines := bufio.NewScanner(r)
	lines.Buffer(nil, longestLine)
	var refused []string
	var lost error
	n := 1
	for ; lines.Scan(); n++ {
		text := strings.TrimSpace(lines.Text())
		if text == "" || strings.HasPrefix(text, "#") {
			continue
		}
		err := k.line(ctx, text)
		if errors.Is(err, errQuit) {
			break
		}
		if errors.Is(err, errReported) {
			refused = append(refused, fmt.Sprintf("%s %d, %q", unit, n, text))
		} else if err = located(unit, n, err); err != nil && lost == nil {
			lost = err
		} else if err != nil {
			fmt.Fprintln(k.errs, visible(err.Error()))
		}
		if err != nil && !keepGoing || ctx.Err() != nil {
			break
		}
	}
	switch err := lines.Err(); {
	case errors.Is(err, bufio.ErrTooLong):
		return &badInput{fmt.Errorf("%s %d is longer than %d bytes, which no message is", unit, n, longestLine)}
	case err != nil:
		return &badInput{err}
	case lost != nil:
		return lost
	case len(refused) > 0:
		return &failedUnits{"not carried out without error: " + strings.Join(refused, "; ")}
	}
	return nil
}

// located says in which line or command an error happened.
func located(unit string, n int, err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("%s %d: %w", unit, n, err)
}
