package shell

import (
	"bytes"
	"fmt"
	"regexp"
	"strings"
)

// speech is a Manner with its patterns compiled.
type speech struct {
	prompt, refused, user, password *regexp.Regexp // nil where the manner has none
}

// Check reports the first thing in the manner that is no manner.
func (m Manner) Check() error {
	_, err := m.compile()
	return err
}

func (m Manner) compile() (*speech, error) {
	if m.Prompt == "" {
		return nil, fmt.Errorf("shell: the manner has no prompt; want a pattern that fits the whole of it")
	}
	if m.Echo != "" && strings.Count(m.Echo, echoed) != 1 {
		return nil, fmt.Errorf("shell: echo %q: want a command with %s once", m.Echo, echoed)
	}
	for _, line := range append([]string{m.Echo}, m.Setup...) {
		if err := checkLine(line); err != nil {
			return nil, err
		}
	}
	var s speech
	for _, p := range []struct {
		name, pattern, around string
		to                    **regexp.Regexp
	}{
		{"prompt", m.Prompt, `^(?:%s)\s*$`, &s.prompt}, {"refused", m.Refused, `%s`, &s.refused},
		{"user", m.User, `(?:%s)\s*$`, &s.user}, {"password", m.Password, `(?:%s)\s*$`, &s.password},
	} {
		if p.pattern == "" {
			continue
		}
		// Compiled alone first, so that a parenthesis cannot leave its group.
		compiled, err := regexp.Compile(p.pattern)
		if err == nil {
			compiled, err = regexp.Compile(fmt.Sprintf(p.around, p.pattern))
		}
		if err != nil {
			return nil, fmt.Errorf("shell: %s %q: %w", p.name, p.pattern, err)
		}
		*p.to = compiled
	}
	if s.prompt.MatchString("") {
		return nil, fmt.Errorf("shell: prompt %q fits an empty line, so no output would have an end", m.Prompt)
	}
	return &s, nil
}

// checkLine accepts what may be sent as one line.
func checkLine(line string) error {
	if len(line) > longestLine {
		return fmt.Errorf("shell: line %.40q of %d bytes, at most %d", line, len(line), longestLine)
	}
	for _, c := range []byte(line) {
		if c < ' ' || c == 0x7F {
			return fmt.Errorf("shell: line %.40q holds a control character", line)
		}
	}
	return nil
}

// Clean returns the text a terminal would show for what was received: lines that
// end with a line feed, without control sequences (ECMA-48), NUL and bell.
// Backspace takes the character before away. A carriage return that no line feed
// follows begins the line anew; one at the very end does nothing yet.
func Clean(raw []byte) string {
	out := make([]byte, 0, len(raw))
	for i := 0; i < len(raw); i++ {
		switch c := raw[i]; {
		case c == 0x1B:
			i += sequence(raw[i:]) - 1
		case c == '\r':
			next := i + 1
			for next < len(raw) && raw[next] == '\r' {
				next++
			}
			i = next - 1
			if next < len(raw) && raw[next] != '\n' {
				out = out[:bytes.LastIndexByte(out, '\n')+1]
			}
		case c == '\b':
			if n := len(out); n > 0 && out[n-1] != '\n' {
				out = out[:n-1]
			}
		case c == '\n' || c == '\t' || c >= ' ' && c != 0x7F:
			out = append(out, c)
		}
	}
	return string(out)
}

// sequence returns the length of the control sequence that raw begins with; one
// that is not complete takes the rest.
func sequence(raw []byte) int {
	if len(raw) < 2 {
		return len(raw)
	}
	switch raw[1] {
	case '[': // parameters, then one byte of 0x40 to 0x7E (ECMA-48, 5.4)
		for i := 2; i < len(raw); i++ {
			if raw[i] >= 0x40 && raw[i] <= 0x7E {
				return i + 1
			}
		}
		return len(raw)
	case ']', 'P', '_', '^', 'X': // strings, ended by ST or a bell (ECMA-48, 5.6)
		for i := 2; i < len(raw); i++ {
			if raw[i] == 0x07 {
				return i + 1
			}
			if raw[i] == 0x1B && i+1 < len(raw) && raw[i+1] == '\\' {
				return i + 2
			}
		}
		return len(raw)
	}
	i := 1
	for i < len(raw) && raw[i] >= 0x20 && raw[i] <= 0x2F { // intermediate bytes (ECMA-35)
		i++
	}
	return min(i+1, len(raw))
}

// lastLine returns what stands behind the last line feed.
func lastLine(text string) string { return text[strings.LastIndexByte(text, '\n')+1:] }

// waits reports whether the text ends with a prompt.
func (s *speech) waits(text string) bool { return s.prompt.MatchString(lastLine(text)) }

// body takes the prompt off the end of a text.
func body(text string) string { return text[:strings.LastIndexByte(text, '\n')+1] }

// output returns what a line printed: without its own echo and the line feeds
// around it.
func output(text, line string) string {
	if first, rest, found := strings.Cut(text, "\n"); found && line != "" && strings.TrimSpace(first) == strings.TrimSpace(line) {
		text = rest
	}
	return strings.Trim(text, "\n")
}

// beforeEcho returns what stands before the answer to an echo, and whether the
// answer and a prompt behind it have come. probe is the command that was sent, mark
// what it prints. A terminal may show the probe where it was typed, in the middle
// of an output that still went on.
func (s *speech) beforeEcho(text, probe, mark string) (before string, complete bool) {
	if !s.waits(text) {
		return "", false
	}
	text = strings.ReplaceAll(text, probe+"\n", "")
	for end := strings.LastIndexByte(text, '\n'); end >= 0; end = strings.LastIndexByte(text[:end], '\n') {
		start := strings.LastIndexByte(text[:end], '\n') + 1
		front, is := strings.CutSuffix(strings.TrimRight(text[start:end], " "), mark)
		if !is || front != "" && !s.prompt.MatchString(front) {
			continue
		}
		before = text[:start]
		if trimmed := strings.TrimSuffix(before, "\n"); front == "" && s.waits(trimmed) {
			before = body(trimmed)
		}
		return before, true
	}
	return "", false
}

// refusal returns what the unit said against a line, nil when it said nothing.
func (s *speech) refusal(line, text string) error {
	if s.refused == nil {
		return nil
	}
	for said := range strings.Lines(text) {
		said = strings.TrimSpace(said)
		found := s.refused.FindStringSubmatch(said)
		if found == nil {
			continue
		}
		if len(found) > 1 && found[1] != "" {
			said = found[1]
		}
		return &Refusal{Line: line, Reason: said}
	}
	return nil
}
