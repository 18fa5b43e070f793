package document

import (
	"slices"
	"strings"
	"unicode"
)

// Nearest returns the known word that was most probably meant: one that
// differs by case only, or by one letter and at most a third of them; of two as
// near the one with more of the beginning in common. False when none is near
// enough. Words that differ in their digits only are never near: nobody can
// tell which number was meant.
func Nearest(word string, known []string) (string, bool) {
	if len(word) > 64 { // nobody mistypes that much, and the comparison is quadratic
		return "", false
	}
	best, least := "", max(1, len(word)/3)+1
	for _, k := range known {
		if strings.EqualFold(k, word) {
			return k, true
		}
		if withoutDigits(k) == withoutDigits(word) {
			continue
		}
		n := distance(word, k)
		nearer := n < least || n == least && best != "" && common(word, k) > common(word, best)
		if nearer && n < len(k) {
			best, least = k, n
		}
	}
	return best, best != ""
}

// withoutDigits takes numbers off a word, with the points inside "6.6.3".
func withoutDigits(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsDigit(r) || r == '.' {
			return -1
		}
		return r
	}, s)
}

// common returns how many bytes two words have in common at the beginning.
func common(a, b string) int {
	n := 0
	for n < len(a) && n < len(b) && a[n] == b[n] {
		n++
	}
	return n
}

// OneOf reports the value at the path unless it is one of the known words. The
// noun says what the words name: `unknown role "analyser"; did you mean "analyzer"?`.
func (d *Document) OneOf(path, noun, value string, known ...string) bool {
	if slices.Contains(known, value) {
		return true
	}
	near, ok := Nearest(value, known)
	switch {
	case len(known) == 0:
		d.Report(path, "unknown %s %q; the document has none", noun, value)
	case ok:
		d.Report(path, "unknown %s %q; did you mean %q?", noun, value, near)
	default:
		d.Report(path, "unknown %s %q; want one of: %s", noun, value, strings.Join(known, ", "))
	}
	return false
}

// distance counts the letters to insert, delete or replace, with two swapped
// neighbours counted as one (optimal string alignment).
func distance(a, b string) int {
	x, y := []rune(a), []rune(b)
	var before []int
	last := make([]int, len(y)+1)
	for j := range last {
		last[j] = j
	}
	for i := 1; i <= len(x); i++ {
		row := make([]int, len(y)+1)
		row[0] = i
		for j := 1; j <= len(y); j++ {
			cost := 1
			if x[i-1] == y[j-1] {
				cost = 0
			}
			row[j] = min(last[j]+1, row[j-1]+1, last[j-1]+cost)
			if i > 1 && j > 1 && x[i-1] == y[j-2] && x[i-2] == y[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
		before, last = last, row
	}
	return last[len(y)]
}

// snake turns a Go field name into a key: CategoryBOption -> category_b_option,
// RFChannels -> rf_channels.
func snake(name string) string {
	runes := []rune(name)
	var out strings.Builder
	for i, r := range runes {
		if unicode.IsUpper(r) && i > 0 {
			nextLower := i+1 < len(runes) && unicode.IsLower(runes[i+1])
			if !unicode.IsUpper(runes[i-1]) || nextLower {
				out.WriteByte('_')
			}
		}
		out.WriteRune(unicode.ToLower(r))
	}
	return out.String()
}
