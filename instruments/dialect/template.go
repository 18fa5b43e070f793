package dialect

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"benchyard/instruments/scpi"
)

// maxTemplate bounds the length of a template and of what it is filled in to.
const maxTemplate = 1024

// template is a command or query in pieces: literal text and placeholders.
type template []piece

type piece struct {
	literal string
	param   string // name of a placeholder, "" for literal text
	digits  int    // decimals after the point; -1: exact, with exponent
}

// parseTemplate takes a template apart. Placeholders are {name} and, for
// numbers, {name:3} with that many decimals and no exponent.
func parseTemplate(text string, params []Param) (template, error) {
	if strings.TrimSpace(text) == "" {
		return nil, fmt.Errorf("the template is empty")
	}
	if len(text) > maxTemplate {
		return nil, fmt.Errorf("the template has %d characters; at most %d are sent", len(text), maxTemplate)
	}
	for _, r := range text {
		switch {
		case r == ';':
			return nil, fmt.Errorf("template %q holds a separator; write a list with one command in each item", text)
		case r < ' ' || r > '~':
			return nil, fmt.Errorf("template %q holds %U; only printable ASCII is sent", text, r)
		}
	}
	var t template
	for rest := text; rest != ""; {
		i := strings.IndexAny(rest, "{}")
		if i < 0 {
			return append(t, piece{literal: rest}), nil
		}
		if i > 0 {
			t = append(t, piece{literal: rest[:i]})
		}
		end := strings.IndexByte(rest, '}')
		if rest[i] == '}' || end < 0 {
			return nil, fmt.Errorf("template %q has a brace without its partner", text)
		}
		p, err := placeholder(rest[i+1:end], params)
		if err != nil {
			return nil, err
		}
		t, rest = append(t, p), rest[end+1:]
	}
	return t, nil
}

// placeholder reads what stands between braces.
func placeholder(text string, params []Param) (piece, error) {
	name, digits, formatted := strings.Cut(text, ":")
	i := slices.IndexFunc(params, func(p Param) bool { return p.Name == name })
	if i < 0 {
		if len(params) == 0 {
			return piece{}, fmt.Errorf("unknown placeholder {%s}; nothing is filled in here", name)
		}
		var known []string
		for _, p := range params {
			known = append(known, "{"+p.Name+"}")
		}
		return piece{}, fmt.Errorf("unknown placeholder {%s}; known here: %s", name, strings.Join(known, ", "))
	}
	p := piece{param: name, digits: -1}
	switch {
	case !formatted:
	case params[i].Kind != RealKind:
		return piece{}, fmt.Errorf("placeholder {%s}: a %s takes no decimals; want {%s}", text, params[i].Kind, name)
	case len(digits) != 1 || digits < "0" || digits > "9":
		return piece{}, fmt.Errorf("placeholder {%s}: want {%s:3} with 0 to 9 decimals, or {%s} for an exact number", text, name, name)
	default:
		p.digits = int(digits[0] - '0')
	}
	return p, nil
}

// sample fills a template with values of the right kinds.
func (t template) sample(params []Param) string {
	var out strings.Builder
	for _, p := range t {
		out.WriteString(p.literal)
		if i := slices.IndexFunc(params, func(x Param) bool { return x.Name == p.param }); i >= 0 {
			out.WriteString(map[Kind]string{RealKind: "1", CountKind: "1", WordKind: "W1", ChannelsKind: "(@1)"}[params[i].Kind])
		}
	}
	return out.String()
}

// uses reports whether a placeholder occurs.
func (t template) uses(param string) bool {
	return slices.ContainsFunc(t, func(p piece) bool { return p.param == param })
}

// Values are what is filled into placeholders, by their names.
type Values map[string]Value

// Value is one value for a placeholder; Real, Count, Name and Channels make them.
type Value struct {
	kind     Kind
	number   float64
	text     string
	channels []int
}

// Real is a number in the base unit of its quantity.
func Real(x float64) Value { return Value{kind: RealKind, number: x} }

// Count is a whole number, not negative.
func Count(n int) Value { return Value{kind: CountKind, number: float64(n)} }

// Name is a word that comes from a plan or an inventory.
func Name(text string) Value { return Value{kind: WordKind, text: text} }

// Channels is a list of channels, sent as "(@101,102)".
func Channels(list []int) Value { return Value{kind: ChannelsKind, channels: list} }

// fill puts values into a template.
func (t template) fill(params []Param, unit Unit, values Values) (string, error) {
	var out strings.Builder
	for _, p := range t {
		if p.param == "" {
			out.WriteString(p.literal)
			continue
		}
		param := params[slices.IndexFunc(params, func(x Param) bool { return x.Name == p.param })]
		v, ok := values[p.param]
		if !ok || v.kind != param.Kind {
			return "", fmt.Errorf("placeholder {%s} wants a %s", p.param, param.Kind)
		}
		text, err := v.write(param, p, unit)
		if err != nil {
			return "", fmt.Errorf("placeholder {%s}: %w", p.param, err)
		}
		out.WriteString(text)
	}
	if out.Len() > maxTemplate {
		return "", fmt.Errorf("%.40q... has %d characters; at most %d are sent", out.String(), out.Len(), maxTemplate)
	}
	return out.String(), nil
}

// write spells a value.
func (v Value) write(param Param, p piece, unit Unit) (string, error) {
	switch v.kind {
	case RealKind:
		x := v.number
		if param.Quantity {
			x = unit.fromBase(x)
		}
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return "", fmt.Errorf("%g is no number to send", x)
		}
		if p.digits >= 0 {
			return strconv.FormatFloat(x, 'f', p.digits, 64), nil
		}
		return scpi.FormatNumber(x), nil
	case CountKind:
		if v.number < 0 {
			return "", fmt.Errorf("%g: want a whole number, not negative", v.number)
		}
		return strconv.Itoa(int(v.number)), nil
	case ChannelsKind:
		return channelList(v.channels)
	}
	if v.text == "" || strings.IndexFunc(v.text, notInWord) >= 0 || strings.ContainsAny(v.text[:1], "-+/:.") {
		return "", fmt.Errorf("%.40q: want letters, digits and . _ + - / : only, the first a letter or digit, so that it stays one value of one command", v.text)
	}
	return v.text, nil
}

// notInWord finds what could end a value or begin another command, in SCPI or
// on a command line.
func notInWord(r rune) bool {
	return !(r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || strings.ContainsRune("._+-/:", r))
}

func channelList(channels []int) (string, error) {
	if len(channels) == 0 {
		return "", fmt.Errorf("the channel list is empty")
	}
	text := make([]string, len(channels))
	for i, c := range channels {
		if c < 0 {
			return "", fmt.Errorf("channel %d is negative", c)
		}
		text[i] = strconv.Itoa(c)
	}
	return "(@" + strings.Join(text, ",") + ")", nil
}
