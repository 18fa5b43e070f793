package sim

import (
	"fmt"
	"math"
	"strings"

	"benchyard/instruments/scpi"
)

// args are the parameters of one unit, taken one after the other.
type args struct {
	params  [][]byte
	suffix  int  // of the header, 1 where it has none
	waiting bool // the output queue already holds an answer of this message
}

// next takes a parameter, or returns -109.
func (a *args) next() ([]byte, error) {
	if len(a.params) == 0 {
		return nil, scpi.StandardError(-109, "")
	}
	p := a.params[0]
	a.params = a.params[1:]
	return p, nil
}

// end returns -108 when parameters are left.
func (a *args) end() error {
	if len(a.params) > 0 {
		return scpi.StandardError(-108, string(a.params[0]))
	}
	return nil
}

// number takes a number in unit from low to high, or one of MINimum and MAXimum.
func (a *args) number(unit string, low, high float64) (float64, error) {
	p, err := a.next()
	if err != nil {
		return 0, err
	}
	if v, ok := extreme(p, low, high); ok {
		return v, nil
	}
	v, err := scpi.ParseNumber(p, unit)
	if err != nil {
		return 0, err
	}
	if v < low || v > high {
		return 0, scpi.StandardError(-222, fmt.Sprintf("%g, want %g to %g", v, low, high))
	}
	return v, nil
}

// extreme reads MINimum and MAXimum.
func extreme(p []byte, low, high float64) (float64, bool) {
	switch {
	case scpi.MatchWord("MINimum", string(p)):
		return low, true
	case scpi.MatchWord("MAXimum", string(p)):
		return high, true
	}
	return 0, false
}

// integer takes a number and rounds it; rounding comes before the range check.
func (a *args) integer(low, high int) (int, error) {
	p, err := a.next()
	if err != nil {
		return 0, err
	}
	if v, ok := extreme(p, float64(low), float64(high)); ok {
		return int(v), nil
	}
	v, err := scpi.ParseNumber(p, "")
	if err != nil {
		return 0, err
	}
	if v = math.Round(v); v < float64(low) || v > float64(high) {
		return 0, scpi.StandardError(-222, fmt.Sprintf("%g, want %d to %d", v, low, high))
	}
	return int(v), nil
}

// boolean takes ON, OFF or a number.
func (a *args) boolean() (bool, error) {
	p, err := a.next()
	if err != nil {
		return false, err
	}
	return scpi.ParseBool(p)
}

// word takes character data out of choices such as "RMS|POSitive" and returns
// its short form.
func (a *args) word(choices string) (string, error) {
	p, err := a.next()
	if err != nil {
		return "", err
	}
	for _, choice := range strings.Split(choices, "|") {
		if scpi.MatchWord(choice, string(p)) {
			return short(choice), nil
		}
	}
	return "", scpi.StandardError(-224, fmt.Sprintf("%.20s, want %s", p, choices))
}

// short returns the short form of a mnemonic in standard notation.
func short(notation string) string {
	if end := strings.IndexFunc(notation, func(r rune) bool { return r >= 'a' && r <= 'z' }); end >= 0 {
		return notation[:end]
	}
	return notation
}

// text takes a quoted string.
func (a *args) text() (string, error) {
	p, err := a.next()
	if err != nil {
		return "", err
	}
	s, err := scpi.Unquote(p)
	if err != nil {
		return "", scpi.StandardError(-104, "a string is wanted")
	}
	return s, nil
}

// channels takes a channel list of one dimension.
func (a *args) channels() ([]int, error) {
	p, err := a.next()
	if err != nil {
		return nil, err
	}
	list, err := scpi.ParseChannelList(p)
	if err != nil {
		return nil, err
	}
	var channels []int
	for _, c := range list {
		if len(c) != 1 {
			return nil, scpi.StandardError(-222, "channels here have one dimension")
		}
		channels = append(channels, c[0])
	}
	return channels, nil
}
