package sim

import (
	"bufio"
	"cmp"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"

	"benchyard/instruments/scpi"
)

// How the command line of a radio unit is reached.
const (
	shellTCP = "tcp"
	shellSSH = "ssh"
)

// Access is who may log in at the command lines of radio units, which is one lab's
// one secret: nothing in a simulated lab is worth more.
type Access struct {
	User     string `json:"user,omitempty"`     // empty means "bench"
	Password string `json:"password,omitempty"` // empty means "simulated"
	Key      string `json:"key,omitempty"`      // public key that may log in too, as in a file of authorized keys; SSH only
}

// PasswordVariable is the environment variable that the inventory names for the
// password of the command lines.
const PasswordVariable = "BENCHYARD_UNIT_PASSWORD"

// UserName returns who may log in.
func (a Access) UserName() string { return cmp.Or(a.User, "bench") }

// Secret returns the password in force.
func (a Access) Secret() string { return cmp.Or(a.Password, "simulated") }

// Habits of the command line.
const (
	pageLines    = 20 // printed before it waits for a key
	loginTries   = 3
	longestTyped = 4 << 10 // bytes of a line
)

// shellPort is the command line of one radio unit, all its connections together.
type shellPort struct {
	access Access
	unit   *unit
	mu     sync.Mutex
	boots  int // times the unit was switched on
}

// openShell opens the command line of the i-th device where it is a radio unit whose
// type has one.
func (l *Lab) openShell(d *device, i int) error {
	u := l.world.units[d.name]
	if u == nil || u.tx.typ.CommandLine == "" {
		return nil
	}
	p := &shellPort{access: l.config.Access, unit: u, boots: 1}
	talk := p.overTCP
	if u.tx.typ.CommandLine == shellSSH {
		key, err := l.config.hostKey(d.name)
		if err != nil {
			return fmt.Errorf("sim: host key of %s: %w", d.name, err)
		}
		if talk, err = p.overSSH(key); err != nil {
			return err
		}
	}
	port := 0
	if l.config.ShellPort != 0 {
		port = l.config.ShellPort + i
	}
	s, err := listen(d, l.address(), port, talk)
	if err != nil {
		return err
	}
	l.shells = append(l.shells, s)
	cut := d.cut
	d.cut = func() {
		cut()
		s.cut()
		p.boot()
	}
	return nil
}

// CommandLine returns the resource string of the command line of a radio unit whose
// type has one; TypeConfig.CommandLine says whether it is behind SSH.
func (l *Lab) CommandLine(serial string) (string, error) {
	for _, s := range l.shells {
		if s.device.name == serial {
			return fmt.Sprintf("TCPIP::%s::%d::SOCKET", l.address(), s.port()), nil
		}
	}
	return "", fmt.Errorf("sim: no command line of a radio unit %q", serial)
}

// validateShell reports what makes no command line.
func (c Config) validateShell() error {
	if c.ShellPort < 0 || c.ShellPort > 65535 {
		return fmt.Errorf("sim: first port of command lines %d, want 1 to 65535, or 0 for any free ones", c.ShellPort)
	}
	for _, t := range c.Types {
		if t.CommandLine != "" && t.CommandLine != shellTCP && t.CommandLine != shellSSH {
			return fmt.Errorf("sim: command line %q of radio unit type %s, want %s, %s or none", t.CommandLine, t.Name, shellTCP, shellSSH)
		}
	}
	return nil
}

// commandLines reports whether any type has a command line.
func (c Config) commandLines() bool {
	return slices.ContainsFunc(c.Types, func(t TypeConfig) bool { return t.CommandLine != "" })
}

// writeCommandLines writes the dialect of the command lines into an inventory.
func (l *Lab) writeCommandLines(b *strings.Builder) {
	if !l.config.commandLines() {
		return
	}
	b.WriteString("\ndialects:\n")
	for i, line := range strings.Split(strings.TrimSpace(commandLineTable), "\n") {
		indent := "    "
		if i == 0 {
			indent = "  - "
		}
		b.WriteString(indent + line + "\n")
	}
}

// control writes how units of a type are reached, empty for the line protocol.
func (l *Lab) control(t TypeConfig) string {
	if t.CommandLine == "" {
		return ""
	}
	return fmt.Sprintf("dialect: %s, control: {over: %s, user: %s, password_env: %s}, ", CommandLineDialect, t.CommandLine, l.config.Access.UserName(), PasswordVariable)
}

// hostKeys writes the known keys of a unit, empty where there is no SSH.
func (l *Lab) hostKeys(u UnitConfig) string {
	if l.world.units[u.Serial].tx.typ.CommandLine != shellSSH {
		return ""
	}
	key, err := l.HostKey(u.Serial)
	if err != nil {
		return "" // no unit of the lab; Start would have failed
	}
	return fmt.Sprintf(", host_keys: [%q]", key)
}

// boot counts a start of the unit.
func (p *shellPort) boot() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.boots++
}

func (p *shellPort) booted() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.boots
}

// console is one connection to a command line: a terminal that shows what is typed,
// stops after a page, and prints a bold prompt.
type console struct {
	port   *shellPort
	device *device
	in     *bufio.Reader
	out    io.Writer
	pages  bool
	left   bool // the connection is to end
}

// overTCP is a command line on a plain socket, behind a login.
func (p *shellPort) overTCP(l *link) {
	c := &console{port: p, device: l.device, in: bufio.NewReaderSize(l.conn, longestTyped), out: l.conn, pages: true}
	for range loginTries {
		fmt.Fprintf(c.out, "\r\n%s user: ", l.device.name)
		user, err := c.typed(true)
		if err != nil {
			return
		}
		fmt.Fprint(c.out, "password: ")
		password, err := c.typed(false)
		if err != nil {
			return
		}
		if user == p.access.UserName() && password == p.access.Secret() {
			l.device.note("login", "%s", user)
			c.serve(l)
			return
		}
		l.device.note("login refused", "%s", user)
		fmt.Fprint(c.out, "\r\nlogin incorrect\r\n")
	}
}

// typed reads a line and shows it, as a terminal does, unless it is a secret.
func (c *console) typed(shown bool) (string, error) {
	line, err := c.in.ReadSlice('\n')
	if err != nil {
		return "", err
	}
	text := strings.TrimRight(string(line), "\r\n")
	if !shown {
		text = strings.TrimSpace(text)
		_, err = io.WriteString(c.out, "\r\n")
		return text, err
	}
	_, err = io.WriteString(c.out, text+"\r\n")
	return text, err
}

// serve reads commands until the connection ends.
func (c *console) serve(l *link) {
	greeting := fmt.Sprintf("\r\nradio unit %s, simulated: nothing here is on the air\r\nhelp lists all commands\r\n", c.device.name)
	if _, err := io.WriteString(c.out, greeting+c.prompt()); err != nil {
		return
	}
	for !c.left {
		line, err := c.typed(true)
		if err != nil || !l.alive() {
			return
		}
		if !c.print(c.command(line)) {
			return
		}
	}
}

func (c *console) prompt() string { return "\x1b[1m" + c.device.name + "> \x1b[0m" }

// print shows an output, a page at a time, and the prompt, as the fault of the
// moment has it; false when the connection is finished.
func (c *console) print(lines []string) bool {
	for c.pages && len(lines) > pageLines {
		if _, err := io.WriteString(c.out, strings.Join(lines[:pageLines], "\r\n")+"\r\n-- more --"); err != nil {
			return false
		}
		if _, err := c.in.ReadSlice('\n'); err != nil {
			return false
		}
		if _, err := io.WriteString(c.out, "\r\x1b[K"); err != nil {
			return false
		}
		lines = lines[pageLines:]
	}
	text := c.prompt()
	if len(lines) > 0 {
		text = strings.Join(lines, "\r\n") + "\r\n" + text
	}
	switch c.device.takeFault(false) {
	case Silent:
		return true
	case Garbage:
		text = "\x7f~?garbage"
	case Drop:
		_, _ = io.WriteString(c.out, text[:len(text)/2])
		return false
	case Slow:
		if !c.device.pause(slowness) {
			return false
		}
	}
	if c.left {
		return false
	}
	_, err := io.WriteString(c.out, text)
	return err == nil
}

// command carries out one line and returns what it prints.
func (c *console) command(line string) []string {
	words := strings.Fields(line)
	if len(words) == 0 {
		return nil
	}
	rest := words[1:]
	switch {
	case words[0] == "help":
		return help()
	case words[0] == "leave":
		c.left = true
		return nil
	case words[0] == "say":
		return []string{strings.Join(rest, " ")}
	case line == "page on", line == "page off":
		c.pages = line == "page on"
		return nil
	case line == "show unit":
		return c.showUnit()
	case words[0] == "read":
		return c.read(rest)
	case words[0] == "put":
		return c.put(rest)
	case words[0] == "run" && len(rest) == 1:
		return c.run(rest[0])
	case words[0] == "load" && len(rest) == 1:
		return c.load(rest[0])
	}
	return denied("no such command; try help")
}

// denied prints why a command is not carried out.
func denied(why string) []string { return []string{"refused: " + why} }

// showUnit prints who the unit is.
func (c *console) showUnit() []string {
	w, u := c.device.world, c.port.unit
	w.mu.Lock()
	defer w.mu.Unlock()
	return []string{
		"type " + u.tx.typ.Name, "maker " + u.tx.typ.Maker, "serial " + u.config.Serial, "revision " + u.config.Revision,
		"build " + u.build, fmt.Sprintf("boot %d", c.port.booted()),
	}
}

// load loads a build. The unit starts again with it, which ends every connection.
func (c *console) load(build string) []string {
	if _, why := c.tell(":SYSTem:BUILd", scpi.Quote(build)); why != "" {
		return denied(why)
	}
	if c.device.idle(nil) {
		c.port.boot()
	}
	c.left = true
	return nil
}

// run goes through one step of the bring-up and prints how it ended.
func (c *console) run(step string) []string {
	header, result := "", ""
	switch step {
	case "reset":
		header, result = ":SYNThesizer:RESet", "synthesizer"
	case "calibration":
		header, result = ":CALibration:INITial", "calibration"
	default:
		return denied("want run reset or run calibration")
	}
	if _, why := c.tell(header, ""); why != "" {
		return denied(why)
	}
	if !c.device.idle(nil) {
		c.left = true
		return nil
	}
	return c.read([]string{result})
}
