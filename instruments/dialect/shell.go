package dialect

import (
	"fmt"
	"regexp"
	"slices"
	"strings"

	"benchyard/instruments/scpi"
)

// CommandLine is how a family of units speaks on its command line. Patterns are
// regular expressions of Go; see package shell for what they are held against.
type CommandLine struct {
	Prompt         string   `json:"prompt,omitempty"`          // the whole prompt
	Refused        string   `json:"refused,omitempty"`         // a line that says that a command was not carried out; group 1 is the reason
	UserPrompt     string   `json:"user_prompt,omitempty"`     // question for a user, over TCP
	PasswordPrompt string   `json:"password_prompt,omitempty"` // question for a password, over TCP
	Setup          []string `json:"setup,omitempty"`           // sent after each login: no pager
	Echo           string   `json:"echo,omitempty"`            // command that prints its argument, {text}
	Newline        string   `json:"newline,omitempty"`         // "LF" (the default), "CRLF" or "CR"
	Identity       string   `json:"identity,omitempty"`        // command that prints the identity
	IdentityAnswer string   `json:"identity_answer,omitempty"` // pattern with the groups maker, type and serial; build and boot if it has them
}

// commandLine checks how a command line speaks, and takes it over or inherits it.
func (c *checker) commandLine(s Source) {
	t, given := c.table, c.Has(c.at("command_line"))
	if c.base != nil && c.base.Control != t.Control {
		c.Report(c.at("inherits"), "dialect %q is spoken over %s, this one over %s", s.Inherits, c.base.Control, t.Control)
		return
	}
	if t.Control != Shell {
		if given {
			c.Report(c.at("command_line"), "command_line belongs to control: %s", Shell)
		}
		return
	}
	if !given && c.base != nil {
		t.CommandLine = c.base.CommandLine
		return
	}
	t.CommandLine = s.CommandLine
	l := s.CommandLine
	for _, key := range []struct{ name, value string }{{"prompt", l.Prompt}, {"refused", l.Refused}, {"identity", l.Identity}, {"identity_answer", l.IdentityAnswer}} {
		if key.value == "" {
			c.Report(c.at("command_line."+key.name), "missing key %q; every command line needs it", key.name)
		}
	}
	for name, text := range map[string]string{"prompt": l.Prompt, "refused": l.Refused, "user_prompt": l.UserPrompt, "password_prompt": l.PasswordPrompt} {
		if pattern := c.pattern("command_line."+name, text, ""); text != "" && pattern != nil && pattern.MatchString("") {
			c.Report(c.at("command_line."+name), "%q fits an empty line", text)
		}
	}
	if names := c.pattern("command_line.identity_answer", l.IdentityAnswer, "(?m)"); names != nil && l.IdentityAnswer != "" {
		for _, group := range []string{"maker", "type", "serial"} {
			if !slices.Contains(names.SubexpNames(), group) {
				c.Report(c.at("command_line.identity_answer"), "%q has no group (?P<%s>...)", l.IdentityAnswer, group)
			}
		}
	}
	if l.Newline != "" {
		c.OneOf(c.at("command_line.newline"), "newline", l.Newline, "LF", "CRLF", "CR")
	}
	if l.Echo != "" && strings.Count(l.Echo, "{text}") != 1 {
		c.Report(c.at("command_line.echo"), "echo %q: want a command with {text} once", l.Echo)
	}
	for _, line := range append([]string{l.Echo, l.Identity}, l.Setup...) {
		if strings.IndexFunc(line, func(r rune) bool { return r < ' ' || r > '~' }) >= 0 {
			c.Report(c.at("command_line"), "%q: only printable ASCII is sent", line)
		}
	}
}

// cut checks how an answer is cut out of an output and what its words mean.
func (c *checker) cut(path string, capability Capability, s SourceEntry, e *Entry) {
	if s.Answer != "" {
		if c.table.Control != Shell {
			c.Report(c.at(path+".answer"), "answer belongs to a command line, control: %s", Shell)
		}
		e.answer = c.pattern(path+".answer", s.Answer, "(?m)")
	}
	if len(s.Words) == 0 {
		return
	}
	if !c.role.shell || capability.Answer == None {
		c.Report(c.at(path+".words"), "words are meanings of the answers of a radio unit; a %s has none for %s", c.table.Role, capability.Name)
	}
	e.Words = map[string]string{}
	for word, meaning := range s.Words {
		e.Words[strings.ToLower(word)] = meaning
	}
}

// pattern compiles a regular expression, nil with a report where it is none.
func (c *checker) pattern(path, text, flags string) *regexp.Regexp {
	compiled, err := regexp.Compile(flags + text)
	if err != nil {
		c.Report(c.at(path), "%q is no regular expression: %v", text, err)
		return nil
	}
	return compiled
}

// Answer cuts the answer out of what a command line printed: the first group of the
// entry's pattern, or what fits it when it has none; all of it without a pattern. An
// output that does not fit is scpi.ErrAnswer. A word of the entry becomes what it
// means; any other answer comes as it is.
func (t *Table) Answer(capability, output string) ([]byte, error) {
	e, answer := t.Commands[capability], output
	if e.answer != nil {
		found := e.answer.FindStringSubmatch(output)
		if found == nil {
			return nil, fmt.Errorf("dialect: %s prints %.80q, which does not fit %q: %w", capability, output, e.answer, scpi.ErrAnswer)
		}
		answer = found[min(1, len(found)-1)]
	}
	if meaning, ok := e.Words[strings.ToLower(strings.TrimSpace(answer))]; ok {
		answer = meaning
	}
	return []byte(answer), nil
}

// Names takes the identity of a unit, and what tells one of its boots from the next
// ("" for nothing), out of what its command line printed.
func (t *Table) Names(output string) (id scpi.Identity, boot string, err error) {
	pattern, err := regexp.Compile("(?m)" + t.CommandLine.IdentityAnswer)
	if err != nil {
		return id, "", fmt.Errorf("dialect: identity of %s: %w", t.Name, err)
	}
	found := pattern.FindStringSubmatch(output)
	if found == nil {
		return id, "", fmt.Errorf("dialect: the unit says it is %.80q, which does not fit %q: %w", output, t.CommandLine.IdentityAnswer, scpi.ErrAnswer)
	}
	named := func(group string) string {
		if i := pattern.SubexpIndex(group); i >= 0 {
			return strings.TrimSpace(found[i])
		}
		return ""
	}
	id = scpi.Identity{Manufacturer: named("maker"), Model: named("type"), Serial: named("serial"), Firmware: named("build")}
	return id, named("boot"), nil
}
