package rf

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

var hertzUnits = []struct {
	suffix string
	factor float64
}{{"GHz", 1e9}, {"MHz", 1e6}, {"kHz", 1e3}, {"Hz", 1}}

// ParseHertz reads a frequency such as "3.5GHz", "100 MHz", "30kHz" or
// "9000Hz"; a bare number is hertz. Case of the unit does not matter.
func ParseHertz(s string) (Hertz, error) {
	text := strings.TrimSpace(s)
	for _, u := range hertzUnits {
		if head, ok := cutSuffixFold(text, u.suffix); ok {
			v, err := parseNumber(head)
			if err != nil {
				return 0, fmt.Errorf("rf: frequency %q: %w", s, err)
			}
			return roundHertz(s, v*u.factor)
		}
	}
	v, err := parseNumber(text)
	if err != nil {
		return 0, fmt.Errorf("rf: frequency %q: want a number with GHz, MHz, kHz or Hz", s)
	}
	return roundHertz(s, v)
}

// ParseDBm reads a level such as "37dBm" or "-13 dBm"; a bare number is dBm.
func ParseDBm(s string) (DBm, error) {
	head, _ := cutSuffixFold(strings.TrimSpace(s), "dBm")
	v, err := parseNumber(head)
	if err != nil {
		return 0, fmt.Errorf("rf: level %q: want a number with dBm", s)
	}
	return DBm(v), nil
}

// ParseDB reads a ratio such as "0.3dB" or "10 dB"; a bare number is dB.
func ParseDB(s string) (DB, error) {
	text := strings.TrimSpace(s)
	head, _ := cutSuffixFold(text, "dB")
	v, err := parseNumber(head)
	if err != nil {
		return 0, fmt.Errorf("rf: ratio %q: want a number with dB", s)
	}
	return DB(v), nil
}

// UnmarshalYAML lets a document say "3.5GHz" where a frequency is wanted. decode
// gives the text of the value.
func (h *Hertz) UnmarshalYAML(decode func(any) error) error { return set(h, decode, ParseHertz) }

// UnmarshalYAML lets a document say "37dBm" where a level is wanted. decode gives
// the text of the value.
func (p *DBm) UnmarshalYAML(decode func(any) error) error { return set(p, decode, ParseDBm) }

// UnmarshalYAML lets a document say "0.3dB" where a ratio is wanted. decode gives
// the text of the value.
func (r *DB) UnmarshalYAML(decode func(any) error) error { return set(r, decode, ParseDB) }

// String prints the frequency with the largest unit that keeps it above one.
func (h Hertz) String() string {
	for _, u := range hertzUnits {
		if math.Abs(float64(h)) >= u.factor {
			return trim(float64(h)/u.factor) + " " + u.suffix
		}
	}
	return trim(float64(h)) + " Hz"
}

// String prints the level with two decimals.
func (p DBm) String() string { return strconv.FormatFloat(float64(p), 'f', 2, 64) + " dBm" }

// String prints the ratio with two decimals.
func (r DB) String() string { return strconv.FormatFloat(float64(r), 'f', 2, 64) + " dB" }

func set[T any](dst *T, decode func(any) error, parse func(string) (T, error)) error {
	var text string
	if err := decode(&text); err != nil {
		return err
	}
	v, err := parse(text)
	if err != nil {
		return err
	}
	*dst = v
	return nil
}

func parseNumber(s string) (float64, error) {
	v, err := strconv.ParseFloat(strings.TrimSpace(s), 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, fmt.Errorf("%q is not a finite number", s)
	}
	return v, nil
}

func cutSuffixFold(s, suffix string) (string, bool) {
	n := len(s) - len(suffix)
	if n < 0 || !strings.EqualFold(s[n:], suffix) {
		return s, false
	}
	return s[:n], true
}

// greatestHertz bounds a frequency either way, so that rounding cannot overflow.
const greatestHertz = 1e18

// roundHertz removes the binary dust of "3.55001GHz": frequencies of the trade
// are whole millihertz at the finest. text is what was read, for the error.
func roundHertz(text string, v float64) (Hertz, error) {
	if math.Abs(v) > greatestHertz {
		return 0, fmt.Errorf("rf: frequency %q is out of all reach", text)
	}
	return Hertz(math.Round(v*1e3) / 1e3), nil
}

func trim(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }
