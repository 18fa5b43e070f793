package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"strconv"
	"strings"

	"benchyard/instruments/document"
	"benchyard/instruments/sim"
)

// simCommand serves a simulated lab until it is interrupted.
type simCommand struct {
	Config     string   `type:"existingfile" help:"Lab to simulate, JSON as written by --write-config. Default: the demo lab." placeholder:"FILE"`
	Seed       uint64   `default:"1" help:"Seed of the demo lab: its units and their faults."`
	Speed      float64  `default:"1" help:"How many times faster than real the simulated clock runs."`
	BasePort   int      `name:"base-port" default:"0" help:"First TCP port; 0 takes any free ports."`
	HiSLIP     bool     `name:"hislip" help:"The inventory names the HiSLIP ports, which every instrument has beside its socket."`
	HiSLIPPort int      `name:"hislip-port" default:"0" help:"First TCP port for HiSLIP; 0 takes any free ones."`
	Fault      []string `sep:"none" help:"Spoil the wire of an instrument: NAME=FAULT, or NAME=FAULT@RATE for a share of its answers; * is every instrument. Repeatable." placeholder:"NAME=FAULT"`
	List       bool     `help:"Print the resource of every instrument."`
	Inventory  string   `help:"Write the lab inventory, for lab apply." placeholder:"FILE"`
	Truth      string   `help:"Write what must fail, JSON." placeholder:"FILE"`
	Journal    string   `help:"Append what the instruments saw, JSON lines." placeholder:"FILE"`
	Write      string   `name:"write-config" help:"Write the configuration and end." placeholder:"FILE"`
}

// Help is what --help says beside the flags.
func (*simCommand) Help() string {
	names := []string{}
	for _, f := range sim.WireFaults() {
		names = append(names, string(f))
	}
	return `Every instrument and radio unit answers SCPI on a TCP socket and on a HiSLIP port of its own, on this
machine only, for benchyard scpi as for any other client. --list prints where; an inventory (--inventory)
says it too.

Faults of the wire: ` + strings.Join(names, ", ") + `. With
--fault, hyphens may stand for the blanks. While the lab runs, any client injects one with :SIMulation:FAULt "crlf" and takes it away with
:SIMulation:FAULt ""; :SIMulation:FAULt:CATalog? lists them. An instrument that answers nothing or nonsense
still takes the command, but benchyard scpi, which wants an answer first, does not get so far: write it to
the socket with another program.`
}

// Run serves the lab.
func (c *simCommand) Run(ctx context.Context, p *program) error {
	config, err := c.load()
	if err != nil {
		return &badInput{err}
	}
	if c.Write != "" {
		return writeFor(c.Write, config)
	}
	journal := io.Discard
	if c.Journal != "" {
		f, err := os.OpenFile(c.Journal, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o644)
		if err != nil {
			return &badInput{err}
		}
		defer f.Close()
		journal = f
	}
	lab, err := sim.Start(ctx, config, journal)
	if err != nil && !errors.As(err, new(*net.OpError)) {
		return &badInput{err} // all but the ports comes from the configuration
	} else if err != nil {
		return err
	}
	defer lab.Close()
	if c.Truth != "" {
		if err := writeFor(c.Truth, lab.Truth()); err != nil {
			return err
		}
	}
	if c.Inventory != "" {
		if err := os.WriteFile(c.Inventory, lab.Inventory(), 0o644); err != nil {
			return &badInput{err}
		}
	}
	fmt.Fprintf(p.stdout, "simulated lab ready: %d benches, %d units, clock at %gx; end it with Ctrl-C\n",
		len(config.Benches), len(config.Units), config.Speed)
	if c.List {
		if err := list(p, lab); err != nil {
			return err
		}
	}
	<-ctx.Done()
	return nil
}

func (c *simCommand) load() (sim.Config, error) {
	if err := checkSpeed(c.Speed); err != nil {
		return sim.Config{}, err
	}
	if c.BasePort < 0 || c.BasePort > 65535 {
		return sim.Config{}, fmt.Errorf("--base-port %d: want 1 to 65535, or 0 for any free ports", c.BasePort)
	}
	config := sim.Demo(c.Seed)
	if c.Config != "" {
		data, err := os.ReadFile(c.Config)
		if err != nil {
			return config, err
		}
		if config, err = sim.ParseConfig(data); err != nil {
			return config, fmt.Errorf("%s: %w", c.Config, err)
		}
	}
	config.Speed = c.Speed
	if c.BasePort != 0 {
		config.BasePort = c.BasePort
	}
	if c.HiSLIPPort != 0 {
		config.HiSLIPPort = c.HiSLIPPort
	}
	if err := c.spoil(&config); err != nil {
		return config, err
	}
	return config, config.Validate()
}

// spoil puts what the flags say of the wire into the configuration.
func (c *simCommand) spoil(config *sim.Config) error {
	if config.Wire == nil {
		config.Wire = map[string]sim.WireConfig{}
	}
	spoiled := map[string]bool{}
	for _, text := range c.Fault {
		name, fault, ok := strings.Cut(text, "=")
		if !ok || name == "" || fault == "" {
			return fmt.Errorf("--fault %q: want NAME=FAULT or NAME=FAULT@RATE", text)
		}
		if spoiled[name] {
			return fmt.Errorf("--fault %q: %s has one already; an instrument has one fault at a time", text, name)
		}
		spoiled[name] = true
		w, known := config.Wire[name]
		if !known {
			w = config.Wire["*"]
		}
		fault, rate, some := strings.Cut(fault, "@")
		var err error
		if w.Fault, err = faultOf(fault); err != nil {
			return fmt.Errorf("--fault %q: %w", text, err)
		}
		w.Rate = 0
		if some {
			if w.Rate, err = strconv.ParseFloat(rate, 64); err != nil || w.Rate == 0 {
				return fmt.Errorf("--fault %q: rate %q is not a share above 0 and up to 1", text, rate)
			}
		}
		config.Wire[name] = w
	}
	if c.HiSLIP {
		if _, ok := config.Wire["*"]; !ok {
			config.Wire["*"] = sim.WireConfig{}
		}
		for name, w := range config.Wire {
			w.HiSLIP = true
			config.Wire[name] = w
		}
	}
	return nil
}

// faultOf finds a fault by its name, in which hyphens may stand for blanks.
func faultOf(text string) (sim.WireFault, error) {
	var names []string
	for _, f := range sim.WireFaults() {
		if string(f) == strings.ReplaceAll(text, "-", " ") {
			return f, nil
		}
		names = append(names, string(f))
	}
	if near, ok := document.Nearest(text, names); ok {
		return "", fmt.Errorf("no such fault; did you mean %q?", near)
	}
	return "", errors.New("no such fault; benchyard sim --help lists them")
}

// list prints where every instrument is.
func list(p *program, l *sim.Lab) error {
	t := &table{header: []string{"instrument", "socket", "hislip"}}
	for _, name := range l.Instruments() {
		socket, err := l.Socket(name)
		if err != nil {
			return err
		}
		hislip, err := l.HiSLIP(name)
		if err != nil {
			return err
		}
		t.add(name, socket, hislip)
	}
	return t.write(p.stdout)
}

// fastest is the greatest speed of a simulated clock: beyond it a sweep takes
// no time that a timer could measure.
const fastest = 1e6

// checkSpeed refuses a clock that stands still or runs at no speed at all.
func checkSpeed(speed float64) error {
	if !(speed > 0 && speed <= fastest) { // NaN too
		return fmt.Errorf("--speed %g: want above 0 and at most %g, 1 is real time", speed, fastest)
	}
	return nil
}

// writeFor writes a file that a person named.
func writeFor(path string, v any) error {
	if err := writeJSON(path, v); err != nil {
		return &badInput{err}
	}
	return nil
}

func writeJSON(path string, v any) error {
	data, err := json.MarshalIndent(v, "", "  ")
	if err != nil {
		return err
	}
	return os.WriteFile(path, append(data, '\n'), 0o644)
}
