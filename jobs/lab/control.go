package lab

import (
	"bytes"
	"fmt"
	"path"
	"regexp"
	"slices"

	"golang.org/x/crypto/ssh"

	"benchyard/instruments/dialect"
	"benchyard/instruments/scpi"
)

// How the units of a type are controlled.
const (
	OverLine = "line" // program messages on a socket or over HiSLIP; the default
	OverTCP  = "tcp"  // a command line on a plain socket
	OverSSH  = "ssh"  // a command line behind SSH
)

// Control is how the units of a type are reached and who logs in. Secrets stand
// elsewhere: in the environment of the agent, or in files on its machine, since every
// version of the inventory is stored and shown.
type Control struct {
	Over         string `document:"required"` // "line", "tcp" or "ssh"
	User         string // who logs in; required for SSH
	PasswordEnv  string // environment variable of the agent with the password
	PasswordFile string // or file on the agent's machine, an absolute path
	KeyFile      string // private key for SSH on the agent's machine, an absolute path
}

// CommandLine reports whether units are controlled over a command line.
func (c Control) CommandLine() bool { return c.Over == OverTCP || c.Over == OverSSH }

// environmentPattern is what variables may be called (POSIX.1-2017, 8.1).
var environmentPattern = regexp.MustCompile(`^[A-Za-z_][A-Za-z0-9_]{0,127}$`)

// userPattern keeps whatever could be more than a name out of a login.
var userPattern = regexp.MustCompile(`^[A-Za-z0-9_][A-Za-z0-9._@+-]{0,63}$`)

// control checks how the units of a type are reached.
func (c *checker) control(at string, t RadioUnitType) {
	over, spoken := t.Control.Over, c.spokenOver(t.Dialect, 0)
	path := at + ".control"
	if !c.Has(path) {
		if spoken == dialect.Shell {
			c.Report(at+".dialect", "dialect %q is that of a command line; the type needs control with over: %s or %s", t.Dialect, OverTCP, OverSSH)
		}
		return
	}
	if !c.OneOf(path+".over", "control", over, OverLine, OverTCP, OverSSH) {
		return
	}
	if t.Control.CommandLine() && spoken != dialect.Shell {
		c.Report(path+".over", "control over %s needs the dialect of a command line, one with control: %s", over, dialect.Shell)
	}
	if !t.Control.CommandLine() && spoken == dialect.Shell {
		c.Report(path+".over", "dialect %q is that of a command line; want over: %s or %s", t.Dialect, OverTCP, OverSSH)
	}
	c.login(path, t.Control)
}

// login checks who logs in and by which secret.
func (c *checker) login(path string, l Control) {
	if !l.CommandLine() {
		for _, key := range []string{"user", "password_env", "password_file", "key_file"} {
			if c.Has(path + "." + key) {
				c.Report(path+"."+key, "%s belongs to a command line, over: %s or %s", key, OverTCP, OverSSH)
			}
		}
		return
	}
	if c.Has(path+".user") && !userPattern.MatchString(l.User) {
		c.Report(path+".user", "user %q: want letters, digits and . _ @ + -, at most 64", l.User)
	}
	if c.Has(path+".password_env") && !environmentPattern.MatchString(l.PasswordEnv) {
		c.Report(path+".password_env", "password_env is no name of an environment variable; the password itself does not belong here")
	}
	if c.Has(path+".password_env") && c.Has(path+".password_file") {
		c.Report(path+".password_file", "password_env and password_file: want one of them")
	}
	c.absolute(path+".password_file", l.PasswordFile)
	c.absolute(path+".key_file", l.KeyFile)
	if l.Over == OverTCP && c.Has(path+".key_file") {
		c.Report(path+".key_file", "key_file belongs to over: %s", OverSSH)
	}
	if l.Over == OverSSH {
		c.need(path, "control over ssh", "user")
		if l.PasswordEnv == "" && l.PasswordFile == "" && l.KeyFile == "" {
			c.Report(path, "control over ssh needs key_file, password_env or password_file")
		}
	}
}

// absolute checks the name of a file that agents read where they run.
func (c *checker) absolute(where, file string) {
	if c.Has(where) && (!path.IsAbs(file) || path.Clean(file) != file) {
		c.Report(where, "file %q: want an absolute path without .., since agents read it where they run", file)
	}
}

// spokenOver returns whether a dialect is that of SCPI or of a command line, by its
// own word or that of what it inherits.
func (c *checker) spokenOver(name string, depth int) string {
	i := slices.IndexFunc(c.lab.Dialects, func(s dialect.Source) bool { return s.Name == name })
	if name == "" || i < 0 || depth > len(c.lab.Dialects) {
		return dialect.SCPI
	}
	if s := c.lab.Dialects[i]; s.Control != "" {
		return s.Control
	}
	return c.spokenOver(c.lab.Dialects[i].Inherits, depth+1)
}

// reached checks what the control of a type wants of each unit: a socket for a
// command line, and host keys for SSH.
func (c *checker) reached(path string, u RadioUnit, t RadioUnitType) {
	where := path + ".host_keys"
	if r, err := scpi.ParseResource(u.Resource); err == nil && r.HiSLIP != "" && t.Control.CommandLine() {
		c.Report(path+".resource", "resource %q is HiSLIP; a command line wants TCPIP::host::port::SOCKET", u.Resource)
	}
	if t.Control.Over != OverSSH {
		if c.Has(where) {
			c.Report(where, "host_keys belong to units that are controlled over %s", OverSSH)
		}
		return
	}
	if u.Mounted() && len(u.HostKeys) == 0 {
		c.Report(where, "radio unit %q is controlled over ssh and has no host_keys; want the keys it shows, read at the unit itself and not over the network", u.Serial)
	}
	for i, line := range u.HostKeys {
		key, _, options, rest, err := ssh.ParseAuthorizedKey([]byte(line))
		if err != nil || len(options) > 0 || len(bytes.TrimSpace(rest)) > 0 {
			c.Report(fmt.Sprintf("%s[%d]", where, i), "host key %.60q: want type and key, such as: ssh-ed25519 AAAA...", line)
			continue
		}
		if slices.ContainsFunc(u.HostKeys[:i], func(other string) bool { return sameKey(other, key) }) {
			c.Report(fmt.Sprintf("%s[%d]", where, i), "the host key is listed twice")
		}
	}
}

func sameKey(line string, key ssh.PublicKey) bool {
	other, _, _, _, err := ssh.ParseAuthorizedKey([]byte(line))
	return err == nil && bytes.Equal(other.Marshal(), key.Marshal())
}
