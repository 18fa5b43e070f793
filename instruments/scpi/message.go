package scpi

import (
	"fmt"
	"strings"
)

// Unit is one program message unit.
type Unit struct {
	Header string   // as sent, leading colon included, without '?'
	Query  bool     // '?' followed the header
	Params [][]byte // as sent, white space around them removed: quotes and block headers are still there
}

// Longest mnemonic (488.2 7.6.1.4.1).
const maxMnemonic = 12

// ParseMessage splits a program message, without or with its terminator, into
// units (488.2 clause 7). Empty units are skipped. On bad syntax it returns the
// units before the bad one and an *Error of the -100 class. The parameters
// share memory with line.
func ParseMessage(line []byte) ([]Unit, error) {
	lex := lexer{program: true}
	parts, err := lex.split(lex.trim(line), markUnit)
	var units []Unit
	for _, part := range parts {
		part = lex.trim(part)
		if len(part) == 0 {
			continue
		}
		u, err := parseUnit(part)
		if err != nil {
			return units, err
		}
		units = append(units, u)
	}
	return units, err
}

// Resolve turns a header as sent into one that starts at the root, and returns
// the path for the next unit of the same message (vol. 1, 6.2.4). Every message
// starts with the path "". Common commands ("*...") keep the path.
func Resolve(path, header string) (absolute, next string) {
	switch {
	case strings.HasPrefix(header, "*"):
		return header, path
	case strings.HasPrefix(header, ":"):
		absolute = header
	default:
		absolute = path + ":" + header
	}
	return absolute, absolute[:strings.LastIndexByte(absolute, ':')]
}

// split cuts b at every separator of the given kind outside strings, blocks and
// parentheses. On an error it returns the complete parts before it.
func (l lexer) split(b []byte, at mark) ([][]byte, error) {
	var parts [][]byte
	start := 0
	for i := 0; i < len(b); i++ {
		switch m := l.next(b[i]); m {
		case markBlock:
			header, payload, ok, err := l.blockAt(b[i:])
			if err != nil {
				return parts, err
			}
			if ok {
				i += header + payload - 1
			}
		case at:
			if m != markText {
				parts = append(parts, b[start:i])
				start = i + 1
			}
		}
	}
	if l.quote != 0 {
		return parts, StandardError(-151, "closing quote missing")
	}
	if l.program && l.depth > 0 {
		return parts, StandardError(-171, "closing parenthesis missing")
	}
	return append(parts, b[start:]), nil
}

// parseUnit reads one unit that is not empty and has no white space around it.
func parseUnit(b []byte) (Unit, error) {
	end := 0
	for end < len(b) && (isLetter(b[end]) || isDigit(b[end]) || strings.IndexByte("_:*", b[end]) >= 0) {
		end++
	}
	u := Unit{Header: string(b[:end])}
	if err := checkHeader(u.Header, b); err != nil {
		return Unit{}, err
	}
	rest := b[end:]
	if len(rest) > 0 && rest[0] == '?' {
		u.Query, rest = true, rest[1:]
	}
	if len(rest) == 0 {
		return u, nil
	}
	if !isSpace(rest[0]) {
		if strings.IndexByte(`"'#(+-.,`, rest[0]) >= 0 {
			return Unit{}, StandardError(-111, fmt.Sprintf("after %.40s", u.Header))
		}
		return Unit{}, StandardError(-101, fmt.Sprintf("%q after %.40s", rest[0], u.Header))
	}
	lex := lexer{program: true}
	params, err := lex.split(rest, markData)
	if err != nil {
		return Unit{}, err
	}
	for i, p := range params {
		params[i] = lex.trim(p)
		if err := checkParameter(params[i]); err != nil {
			return Unit{}, err
		}
	}
	u.Params = params
	return u, nil
}

// isHeader reports a header that instruments may have, without white space.
func isHeader(s string) bool {
	for i := range len(s) {
		if c := s[i]; !isLetter(c) && !isDigit(c) && c != '_' && c != ':' && c != '*' {
			return false
		}
	}
	return s != "" && checkHeader(s, nil) == nil
}

// checkHeader reports a header that no instrument could have (488.2 7.6).
func checkHeader(header string, unit []byte) error {
	if header == "" {
		return StandardError(-101, fmt.Sprintf("unit starts with %q", unit[0]))
	}
	body, common := strings.CutPrefix(header, "*")
	if !common {
		body = strings.TrimPrefix(header, ":")
	}
	for word := range strings.SplitSeq(body, ":") {
		switch {
		case word == "" || !isLetter(word[0]) || strings.Contains(word, "*"):
			return StandardError(-102, fmt.Sprintf("header %.40s", header))
		case len(word) > maxMnemonic:
			return StandardError(-112, fmt.Sprintf("%.40s", word))
		}
	}
	if common && strings.Contains(body, ":") {
		return StandardError(-102, fmt.Sprintf("header %.40s", header))
	}
	return nil
}

// checkParameter reports a parameter that starts no type of program data
// (488.2 7.7), or that runs into something else without a separator.
func checkParameter(p []byte) error {
	if len(p) == 0 {
		return StandardError(-102, "empty parameter")
	}
	switch c := p[0]; {
	case c == '"' || c == '\'':
		if _, err := Unquote(p); err != nil {
			return StandardError(-103, "after a string")
		}
		return nil
	case c == '#':
		return checkHash(p)
	case c == '(':
		if p[len(p)-1] != ')' {
			return StandardError(-171, fmt.Sprintf("%.40q", p))
		}
		return nil
	case !isLetter(c) && !isDigit(c) && c != '+' && c != '-' && c != '.':
		if c > 0x7e {
			return StandardError(-101, fmt.Sprintf("%q", c))
		}
		return StandardError(-102, fmt.Sprintf("parameter %.40q", p))
	}
	for _, c := range p {
		switch {
		case c > 0x7e || c == '\n':
			return StandardError(-101, fmt.Sprintf("%q", c))
		case c == ':' || c == '"' || c == '\'' || c == '(' || c == ')':
			return StandardError(-103, fmt.Sprintf("%.40q", p))
		}
	}
	return nil
}

// checkHash reports a block with something behind it.
func checkHash(p []byte) error {
	header, payload, ok, err := blockAt(p)
	if err != nil {
		return err
	}
	if ok && header+payload != len(p) {
		return StandardError(-161, fmt.Sprintf("%d bytes after the block", len(p)-header-payload))
	}
	return nil
}
