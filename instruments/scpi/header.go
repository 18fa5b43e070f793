package scpi

import (
	"strconv"
	"strings"
)

// Pattern is a header in the notation of the SCPI standard, ready to be
// compared with headers as sent. See ParsePattern.
type Pattern struct {
	nodes []node
	query bool
	star  bool
}

// node is one level of a pattern: alternatives, of which one must stand in the
// header unless the node is optional.
type node struct {
	words    []word
	optional bool
}

// word is a mnemonic in its two forms.
type word struct {
	short, long string // upper case
	numbered    bool   // "<n>" follows
}

// ParsePattern reads a header in standard notation: capitals mark the short
// form ("FREQuency"), brackets a node that may be left out ("[:SENSe]",
// "[SENSe:]"), '|' alternatives ("BANDwidth|BWIDth", "[:RF|:AC]"), "<n>" a
// numeric suffix, a final '?' a query. Notation that makes no sense gives a
// pattern that matches nothing.
func ParsePattern(notation string) Pattern {
	var p Pattern
	notation, p.query = strings.CutSuffix(notation, "?")
	notation, p.star = strings.CutPrefix(notation, "*")
	for notation != "" {
		part := notation
		optional := notation[0] == '['
		if optional {
			end := strings.IndexByte(notation, ']')
			if end < 0 {
				return Pattern{}
			}
			part, notation = notation[1:end], notation[end+1:]
		} else {
			end := strings.IndexByte(notation, '[')
			if end < 0 {
				end = len(notation)
			}
			part, notation = notation[:end], notation[end:]
		}
		p.nodes = append(p.nodes, parseNodes(part, optional)...)
	}
	return p
}

// parseNodes reads a piece of notation without brackets, such as ":A|:B:C". A
// colon right after '|' belongs to the alternative.
func parseNodes(part string, optional bool) []node {
	part = strings.Trim(strings.ReplaceAll(part, "|:", "|"), ":")
	if part == "" {
		return nil
	}
	var nodes []node
	for _, level := range strings.Split(part, ":") {
		n := node{optional: optional}
		for _, alternative := range strings.Split(level, "|") {
			n.words = append(n.words, parseWord(alternative))
		}
		nodes = append(nodes, n)
	}
	return nodes
}

func parseWord(notation string) word {
	text, numbered := strings.CutSuffix(notation, "<n>")
	end := 0
	for end < len(text) && (text[end] < 'a' || text[end] > 'z') {
		end++
	}
	return word{short: strings.ToUpper(text[:end]), long: strings.ToUpper(text), numbered: numbered}
}

// Match compares a header as sent, with or without a leading colon, in any
// case. Only the exact short or long form of each word counts (vol. 1, 6.2.1).
// It returns one number per "<n>" of the pattern, 1 where the header has none
// (6.2.5.2), or ok false.
func (p Pattern) Match(header string) (suffixes []int, ok bool) {
	header, query := strings.CutSuffix(header, "?")
	header, star := strings.CutPrefix(header, "*")
	if query != p.query || star != p.star || len(p.nodes) == 0 {
		return nil, false
	}
	if !star {
		header = strings.TrimPrefix(header, ":")
	}
	return matchNodes(p.nodes, strings.Split(strings.ToUpper(header), ":"), star)
}

// MatchHeader compares a header as sent with one pattern. It is
// ParsePattern(pattern).Match(header); who matches often keeps the Pattern.
func MatchHeader(pattern, header string) (suffixes []int, ok bool) {
	return ParsePattern(pattern).Match(header)
}

// MatchWord compares character data with one mnemonic in standard notation, or
// with several joined by '|': "RMS|POSitive|SAMPle".
func MatchWord(pattern, data string) bool {
	data = strings.ToUpper(data)
	for _, alternative := range strings.Split(pattern, "|") {
		if w := parseWord(alternative); data != "" && (data == w.short || data == w.long) {
			return true
		}
	}
	return false
}

func matchNodes(nodes []node, words []string, star bool) ([]int, bool) {
	if len(nodes) == 0 {
		return nil, len(words) == 0
	}
	n := nodes[0]
	if len(words) > 0 {
		if number, numbered, ok := n.match(words[0], star); ok {
			if rest, ok := matchNodes(nodes[1:], words[1:], star); ok {
				if numbered {
					rest = append([]int{number}, rest...)
				}
				return rest, true
			}
		}
	}
	if !n.optional {
		return nil, false
	}
	rest, ok := matchNodes(nodes[1:], words, star)
	if ok && n.words[0].numbered {
		rest = append([]int{1}, rest...)
	}
	return rest, ok
}

// match compares one word of a header. A trailing number 1 stands for no number
// on every node; common commands have no numbers.
func (n node) match(sent string, star bool) (number int, numbered, ok bool) {
	for _, w := range n.words {
		if sent == w.short || sent == w.long {
			return 1, w.numbered, sent != ""
		}
		stem := strings.TrimRight(sent, "0123456789")
		if star || stem != w.short && stem != w.long || stem == sent || stem == "" {
			continue
		}
		number, err := strconv.Atoi(sent[len(stem):])
		if err == nil && number < 1<<15 && (w.numbered || number == 1) {
			return number, w.numbered, true
		}
	}
	return 0, false, false
}
