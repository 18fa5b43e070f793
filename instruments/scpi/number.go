package scpi

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// SpecialNumber is the magnitude from which a SCPI number stands for infinity
// (9.9E37) or "not a number" (9.91E37) and is no measured value (vol. 1,
// 7.2.1.4 and 7.2.1.5; values from memory).
const SpecialNumber = 9.9e37

// Limits of numeric data: suffix length (488.2 7.7.3.4), exponent (7.7.2.4.1)
// and digits of the mantissa without leading zeros (7.7.2.4.1).
const (
	maxSuffix   = 12
	maxExponent = 32000
	maxDigits   = 255
)

// ParseNumber decodes decimal numeric data with an optional suffix (NRf,
// 488.2 7.7.2 and 7.7.3) or non-decimal data (#H, #Q, #B; 7.7.4). The value is
// returned in unit, one of HZ, S, V, A, W, OHM, DB, DBM, DEG, RAD, CEL, PCT,
// PPM; with unit "" a suffix is error -138. Errors are *Error of the -120 and
// -130 groups, or -104 when b is no number at all, or -222 when it is too large
// for a float64.
func ParseNumber(b []byte, unit string) (float64, error) {
	b = trimSpace(b)
	if len(b) == 0 {
		return 0, StandardError(-109, "number expected")
	}
	if b[0] == '#' {
		return parseNonDecimal(b)
	}
	if v, ok := plainNumber(b); ok {
		return v, nil
	}
	digits, suffix, err := scanDecimal(b)
	if err != nil {
		return 0, err
	}
	factor, err := suffixFactor(suffix, unit)
	if err != nil {
		return 0, err
	}
	v, err := strconv.ParseFloat(digits, 64)
	if err != nil || math.IsInf(v*factor, 0) {
		return 0, StandardError(-222, fmt.Sprintf("%.40q", b))
	}
	return v * factor, nil
}

// plainNumber decodes what instruments nearly always answer: digits with no white
// space and no suffix. Anything else is left to scanDecimal.
func plainNumber(b []byte) (v float64, ok bool) {
	if len(b) > 32 {
		return 0, false
	}
	for _, c := range b {
		if !isDigit(c) && c != '.' && c != '-' && c != '+' && c != 'E' && c != 'e' {
			return 0, false
		}
	}
	v, err := strconv.ParseFloat(string(b), 64)
	return v, err == nil
}

// scanDecimal returns the number in the form strconv reads, and the suffix.
func scanDecimal(b []byte) (number, suffix string, err error) {
	i, mantissa, digits := 0, make([]byte, 0, len(b)), 0
	if b[i] == '+' || b[i] == '-' {
		mantissa = append(mantissa, b[i])
		i++
	}
	seen, leading := false, true
	for ; i < len(b) && (isDigit(b[i]) || b[i] == '.'); i++ {
		if isDigit(b[i]) {
			seen = true
			leading = leading && b[i] == '0'
			if !leading {
				digits++
			}
		} else if strings.IndexByte(string(mantissa), '.') >= 0 {
			return "", "", StandardError(-121, fmt.Sprintf("%.40q", b))
		}
		mantissa = append(mantissa, b[i])
	}
	switch {
	case !seen && (isLetter(b[0]) || b[0] == '"' || b[0] == '\'' || b[0] == '('):
		return "", "", StandardError(-104, fmt.Sprintf("%.40q is no number", b))
	case !seen:
		return "", "", StandardError(-121, fmt.Sprintf("%.40q", b))
	case digits > maxDigits:
		return "", "", StandardError(-124, "")
	}
	exponent, rest, err := scanExponent(b[i:])
	if err != nil {
		return "", "", err
	}
	rest = trimSpace(rest)
	for _, c := range rest {
		if !isLetter(c) {
			return "", "", StandardError(-121, fmt.Sprintf("%.40q", b))
		}
	}
	return string(mantissa) + exponent, strings.ToUpper(string(rest)), nil
}

// scanExponent reads "E<sign><digits>" with white space around the E. An E that
// no digit follows belongs to the suffix.
func scanExponent(b []byte) (exponent string, rest []byte, err error) {
	i := skipSpace(b, 0)
	if i >= len(b) || b[i] != 'E' && b[i] != 'e' {
		return "", b, nil
	}
	i = skipSpace(b, i+1)
	sign := ""
	if i < len(b) && (b[i] == '+' || b[i] == '-') {
		sign = string(b[i])
		i++
	}
	start := i
	for i < len(b) && isDigit(b[i]) {
		i++
	}
	if i == start {
		if sign != "" {
			return "", nil, StandardError(-121, "exponent without digits")
		}
		return "", b, nil
	}
	n, err := strconv.Atoi(string(b[start:i]))
	if err != nil || n > maxExponent {
		return "", nil, StandardError(-123, fmt.Sprintf("%.40q", b[start:i]))
	}
	return "E" + sign + strconv.Itoa(n), b[i:], nil
}

func skipSpace(b []byte, i int) int {
	for i < len(b) && isSpace(b[i]) {
		i++
	}
	return i
}

// parseNonDecimal reads #H, #Q and #B numbers up to 64 bits.
func parseNonDecimal(b []byte) (float64, error) {
	if len(b) < 3 {
		return 0, StandardError(-121, fmt.Sprintf("%.40q", b))
	}
	base := 0
	switch b[1] {
	case 'H', 'h':
		base = 16
	case 'Q', 'q':
		base = 8
	case 'B', 'b':
		base = 2
	default:
		return 0, StandardError(-121, fmt.Sprintf("%.40q", b))
	}
	v, err := strconv.ParseUint(string(b[2:]), base, 64)
	if err != nil {
		return 0, StandardError(-121, fmt.Sprintf("%.40q", b))
	}
	return float64(v), nil
}

// multipliers of 488.2 Table 7-2.
var multipliers = map[string]float64{
	"": 1, "EX": 1e18, "PE": 1e15, "T": 1e12, "G": 1e9, "MA": 1e6, "K": 1e3,
	"M": 1e-3, "U": 1e-6, "N": 1e-9, "P": 1e-12, "F": 1e-15, "A": 1e-18,
}

// suffixFactor returns what one suffix is worth in unit. With HZ and OHM an M
// means mega, with every other unit milli (488.2 Table 7-1). Logarithmic units
// and PCT, PPM, CEL take no multiplier.
func suffixFactor(suffix, unit string) (float64, error) {
	if suffix == "" {
		return 1, nil
	}
	if len(suffix) > maxSuffix {
		return 0, StandardError(-134, fmt.Sprintf("%.40s", suffix))
	}
	unit = strings.ToUpper(unit)
	if unit == "" {
		return 0, StandardError(-138, suffix)
	}
	prefix, ok := strings.CutSuffix(suffix, unit)
	if !ok && unit == "DBM" && suffix == "DBMW" {
		prefix, ok = "", true
	}
	factor, known := multipliers[prefix]
	if !ok || !known {
		return 0, StandardError(-131, fmt.Sprintf("%s where %s is wanted", suffix, unit))
	}
	switch unit {
	case "DB", "DBM", "CEL", "PCT", "PPM":
		if prefix != "" {
			return 0, StandardError(-131, suffix)
		}
	case "HZ", "OHM":
		if prefix == "M" {
			factor = 1e6
		}
	}
	return factor, nil
}

// FormatNumber prints x the way every instrument reads it: NR3, at most 17
// significant digits, no suffix. It is exact: parsing gives x again.
func FormatNumber(x float64) string { return strconv.FormatFloat(x, 'E', -1, 64) }

// ParseBool decodes Boolean program data: ON, OFF or a number that is rounded
// to an integer, anything but zero being true (vol. 1, 7.3). Other words are -141.
func ParseBool(b []byte) (bool, error) {
	b = trimSpace(b)
	if len(b) > 0 && isLetter(b[0]) {
		switch strings.ToUpper(string(b)) {
		case "ON":
			return true, nil
		case "OFF":
			return false, nil
		}
		return false, StandardError(-141, fmt.Sprintf("%.40q is neither ON nor OFF", b))
	}
	v, err := ParseNumber(b, "")
	if err != nil {
		return false, err
	}
	return math.Round(v) != 0, nil
}
