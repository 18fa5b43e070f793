package scpi

import (
	"bytes"
	"fmt"
	"strings"
)

// SplitResponse splits a response message, without or with its terminator, at
// the ';' between response units (488.2 8.4). Separators inside strings and
// blocks do not count. An empty message is one empty unit. The units share
// memory with line.
func SplitResponse(line []byte) ([][]byte, error) {
	return splitResponse(line, false)
}

// splitResponse is SplitResponse, which takes blocks of indefinite length for the
// rest of the message where they are allowed.
func splitResponse(line []byte, endless bool) ([][]byte, error) {
	lex := lexer{endless: endless}
	if bytes.IndexAny(line, `;#"'`) < 0 {
		return [][]byte{lex.trim(line)}, nil
	}
	units, err := lex.split(lex.trim(line), markUnit)
	if err != nil {
		return nil, fmt.Errorf("scpi: response: %w", err)
	}
	return units, nil
}

// isUnit reports a response of one unit.
func isUnit(line []byte, endless bool) bool {
	if bytes.IndexAny(line, `;#"'`) < 0 {
		return true
	}
	units, err := splitResponse(line, endless)
	return err == nil && len(units) == 1
}

// SplitData splits a response unit at the ',' between data elements (488.2
// 8.5). Separators inside strings and blocks do not count.
func SplitData(unit []byte) ([][]byte, error) {
	data, err := lexer{}.split(unit, markData)
	if err != nil {
		return nil, fmt.Errorf("scpi: response data: %w", err)
	}
	return data, nil
}

// Quote returns text as a string response: in double quotes, with a double
// quote inside doubled (488.2 8.7.8).
func Quote(text string) string { return `"` + strings.ReplaceAll(text, `"`, `""`) + `"` }

// Unquote decodes string data in double or single quotes, a doubled delimiter
// standing for one (488.2 7.7.5). Anything else, trailing text included, is
// error -151.
func Unquote(b []byte) (string, error) {
	if len(b) < 2 || b[0] != '"' && b[0] != '\'' {
		return "", StandardError(-151, fmt.Sprintf("%.40q", b))
	}
	quote := b[0]
	out := make([]byte, 0, len(b)-2)
	for i := 1; i < len(b); i++ {
		if b[i] != quote {
			out = append(out, b[i])
			continue
		}
		if i == len(b)-1 {
			return string(out), nil
		}
		if b[i+1] != quote {
			break
		}
		out = append(out, quote)
		i++
	}
	return "", StandardError(-151, fmt.Sprintf("%.40q", b))
}
