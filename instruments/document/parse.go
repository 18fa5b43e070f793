package document

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
)

// maxDepth is how deep lists and mappings may nest. No document of a lab comes
// near it; without a bound a few kilobytes of brackets exhaust the stack.
const maxDepth = 32

// maxKeys bounds the keys of one mapping: the parser's time grows with their square.
const maxKeys = 256

type kind int

const (
	null kind = iota
	scalar
	mapping
	sequence
)

// node is a value of the document, freed of the parser's own types.
type node struct {
	position
	kind    kind
	text    string // of a scalar
	quoted  bool   // the scalar was quoted or a block: it is text for certain
	entries []entry
	items   []*node
}

type entry struct {
	position
	key   string
	value *node
}

// fault is why a document cannot be had at all.
type fault struct {
	position
	message string
}

// parse returns the only document in data as nodes, or the reason why not.
func parse(data []byte) (root *node, bad *fault) {
	if bad := checkBytes(data); bad != nil {
		return nil, bad
	}
	// The parser is third-party code that meets arbitrary bytes: whatever it
	// cannot cope with is a problem of the document, not the end of the program.
	defer func() {
		if r := recover(); r != nil {
			root, bad = nil, &fault{position{1, 1}, "not readable as YAML"}
		}
	}()
	data = bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))
	data = bytes.ReplaceAll(data, []byte("\r\n"), []byte("\n"))
	tokens := lexer.Tokenize(string(data))
	if bad := checkTokens(tokens); bad != nil {
		return nil, bad
	}
	file, err := parser.Parse(tokens, 0, parser.AllowDuplicateMapKey())
	if err != nil {
		return nil, syntaxFault(data, err)
	}
	var bodies []ast.Node
	for _, doc := range file.Docs {
		if doc.Body != nil {
			bodies = append(bodies, doc.Body)
		}
	}
	switch len(bodies) {
	case 0:
		return nil, &fault{position{1, 1}, "the document is empty"}
	case 1:
		return convert(bodies[0], 0)
	}
	return nil, &fault{start(bodies[1]), "a second document starts here; want one document in a file"}
}

// checkBytes refuses what is no text, and more of it than anybody writes.
func checkBytes(data []byte) *fault {
	if len(data) > MaxSize {
		return &fault{position{}, fmt.Sprintf("the document has %d bytes; at most %d are read", len(data), MaxSize)}
	}
	at := position{1, 1}
	for rest := data; len(rest) > 0; {
		r, size := utf8.DecodeRune(rest)
		switch {
		case r == utf8.RuneError && size == 1:
			return &fault{at, fmt.Sprintf("byte 0x%02x is not UTF-8 text", rest[0])}
		case r == '\r' && bytes.HasPrefix(rest, []byte("\r\n")):
		case r < ' ' && r != '\t' && r != '\n', r == 0x7f:
			return &fault{at, fmt.Sprintf("control character 0x%02x is not text", r)}
		case r == '\n':
			at = position{at.line + 1, 0}
		}
		at.column++
		rest = rest[size:]
	}
	return nil
}

// checkTokens refuses references, tags and directives, and shapes that would
// make the parser recurse or copy without bound.
func checkTokens(tokens token.Tokens) *fault {
	depth, line, onLine := 0, 0, 0
	keys := map[int]int{} // first words of lines so far, by column, in the mapping that is open there
	for _, t := range tokens {
		if t.Position.Line != line {
			line, onLine = t.Position.Line, 0
			if depth == 0 && tooManyKeys(keys, t) {
				return &fault{at(t), fmt.Sprintf("more than %d keys in one mapping", maxKeys)}
			}
		}
		if bad := notPlain(t); bad != nil {
			return bad
		}
		switch t.Type {
		case token.MappingStartType, token.SequenceStartType:
			depth++
		case token.MappingEndType, token.SequenceEndType:
			depth = max(depth-1, 0)
		case token.SequenceEntryType, token.MappingKeyType:
			onLine++
		}
		if depth > maxDepth || onLine > maxDepth {
			return tooDeep(at(t))
		}
	}
	return nil
}

// tooManyKeys counts t, the first token of a line of block style.
func tooManyKeys(keys map[int]int, t *token.Token) bool {
	column := t.Position.Column
	for c := range keys {
		if c > column || c == column && t.Type == token.SequenceEntryType {
			delete(keys, c)
		}
	}
	if t.Type != token.SequenceEntryType && t.Type != token.CommentType {
		keys[column]++
	}
	return keys[column] > maxKeys
}

func notPlain(t *token.Token) *fault {
	switch t.Type {
	case token.AnchorType, token.AliasType, token.MergeKeyType:
		return &fault{at(t), "anchors, aliases and merge keys are not accepted; write the value out"}
	case token.TagType:
		return &fault{at(t), fmt.Sprintf("tag %s is not accepted; quote the value if it is text", t.Value)}
	case token.DirectiveType:
		return &fault{at(t), "directives are not accepted; quote the value if it is text"}
	}
	return nil
}

func tooDeep(at position) *fault {
	return &fault{at, fmt.Sprintf("lists and mappings nest deeper than %d", maxDepth)}
}

// syntaxFault turns the parser's complaint into ours. A tab that indents is by
// far the most common cause and the least visible one, so it is named.
func syntaxFault(data []byte, err error) *fault {
	var located yaml.Error
	if !errors.As(err, &located) || located.GetToken() == nil {
		return &fault{position{1, 1}, "not readable as YAML: " + err.Error()}
	}
	where := at(located.GetToken())
	lines := strings.Split(string(data), "\n")
	if i := where.line - 1; i >= 0 && i < len(lines) {
		text := lines[i]
		indent := text[:len(text)-len(strings.TrimLeft(text, " \t"))]
		if tab := strings.IndexByte(indent, '\t'); tab >= 0 {
			return &fault{position{where.line, tab + 1}, "a tab indents this line; indent with spaces"}
		}
	}
	return &fault{where, "not readable as YAML: " + located.GetMessage()}
}

// convert copies the parser's tree. Scalars keep the text as it was written,
// so that "6.10" stays a clause and does not become 6.1.
func convert(n ast.Node, depth int) (*node, *fault) {
	if depth > maxDepth {
		return nil, tooDeep(start(n))
	}
	switch n := n.(type) {
	case *ast.MappingNode:
		return convertMapping(start(n), n.Values, depth)
	case *ast.MappingValueNode:
		return convertMapping(start(n), []*ast.MappingValueNode{n}, depth)
	case *ast.SequenceNode:
		out := &node{position: start(n), kind: sequence}
		for _, item := range n.Values {
			value, bad := convert(item, depth+1)
			if bad != nil {
				return nil, bad
			}
			out.items = append(out.items, value)
		}
		return out, nil
	case *ast.NullNode:
		return &node{position: start(n), kind: null}, nil
	case *ast.LiteralNode:
		return &node{position: start(n), kind: scalar, text: n.Value.Value, quoted: true}, nil
	case *ast.StringNode:
		quoted := n.Token.Type == token.SingleQuoteType || n.Token.Type == token.DoubleQuoteType
		return &node{position: start(n), kind: scalar, text: n.Value, quoted: quoted}, nil
	case *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode, *ast.InfinityNode, *ast.NanNode:
		return &node{position: start(n), kind: scalar, text: n.GetToken().Value}, nil
	}
	return nil, &fault{start(n), "want a value, a list or a mapping"}
}

func convertMapping(where position, values []*ast.MappingValueNode, depth int) (*node, *fault) {
	out := &node{position: where, kind: mapping}
	for _, v := range values {
		key, bad := convert(keyOf(v), depth+1)
		if bad != nil {
			return nil, bad
		}
		if key.kind != scalar {
			return nil, &fault{key.position, "want a plain word as key"}
		}
		value, bad := convert(v.Value, depth+1)
		if bad != nil {
			return nil, bad
		}
		if value.kind == null { // nothing stands there to point at
			value.position = key.position
		}
		out.entries = append(out.entries, entry{key.position, key.text, value})
	}
	return out, nil
}

// keyOf unwraps the "? key" notation.
func keyOf(v *ast.MappingValueNode) ast.Node {
	if k, ok := v.Key.(*ast.MappingKeyNode); ok {
		return k.Value
	}
	return v.Key
}

// start returns where a node begins, which for a block mapping is its first
// key and not the colon after it.
func start(n ast.Node) position {
	switch m := n.(type) {
	case *ast.MappingNode:
		if !m.IsFlowStyle && len(m.Values) > 0 {
			return start(keyOf(m.Values[0]))
		}
	case *ast.MappingValueNode:
		return start(keyOf(m))
	}
	if n == nil || n.GetToken() == nil {
		return position{1, 1}
	}
	return at(n.GetToken())
}

func at(t *token.Token) position {
	return position{max(t.Position.Line, 1), max(t.Position.Column, 1)}
}
