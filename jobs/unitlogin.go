package jobs

import (
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"benchyard/instruments/shell"
	"benchyard/jobs/lab"
)

// longestSecret bounds a file with a password or a key, bytes.
const longestSecret = 64 << 10

// Login returns who logs in at the command line of a unit with those host keys, as
// the inventory has it. Secrets are read at each login, from the environment of this process or from files
// on this machine that nobody else may read.
func Login(c lab.Control, hostKeys []string) shell.Login {
	l := shell.Login{SSH: c.Over == lab.OverSSH, User: c.User, HostKeys: hostKeys}
	switch {
	case c.PasswordEnv != "":
		l.Password = func() (string, error) { return fromEnvironment(c.PasswordEnv) }
	case c.PasswordFile != "":
		l.Password = func() (string, error) { return fromFile(c.PasswordFile) }
	}
	if c.KeyFile != "" {
		l.Key = func() (string, error) { return fromFile(c.KeyFile) }
	}
	return l
}

// fromEnvironment returns a variable that must be set.
func fromEnvironment(name string) (string, error) {
	value := os.Getenv(name)
	if value == "" {
		return "", fmt.Errorf("environment variable %s is not set where the agent runs", name)
	}
	return value, nil
}

// fromFile returns what a file says, without the line feed at its end. One that
// others can read is refused: its secret is none.
func fromFile(name string) (string, error) {
	f, err := os.Open(name)
	if err != nil {
		return "", err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return "", err
	}
	if !info.Mode().IsRegular() {
		return "", fmt.Errorf("%s is no file", name)
	}
	if open := info.Mode().Perm() & 0o077; open != 0 {
		return "", fmt.Errorf("others may use %s (mode %04o); take their rights away with: chmod 600 %s", name, info.Mode().Perm(), name)
	}
	text, err := io.ReadAll(io.LimitReader(f, longestSecret+1))
	if err == nil && len(text) > longestSecret {
		err = fmt.Errorf("%s has more than %d bytes, which is no password and no key", name, longestSecret)
	}
	if err == nil && len(text) == 0 {
		err = errors.New(name + " is empty")
	}
	return strings.TrimRight(string(text), "\r\n"), err
}
