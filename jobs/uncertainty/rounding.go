package uncertainty

import (
	"fmt"
	"math"
	"strconv"
)

// understated is by how much rounding may make an uncertainty look smaller.
const understated = 0.01

// Rounded returns an uncertainty at two significant digits and how many
// decimal places that are (negative: tens, hundreds). It rounds half up, and up
// where the nearest figure would understate it by more than a hundredth: 10.47
// becomes 11, 28.05 becomes 28 (JCGM 100 7.2.6).
func Rounded(u float64) (rounded float64, places int) {
	if !(u > 0) || math.IsInf(u, 1) {
		return u, 0
	}
	places = 1 - int(math.Floor(math.Log10(u)))
	digits := scaled(u, places)
	n := math.Floor(digits + 0.5)
	if n < digits*(1-understated) {
		n = math.Ceil(digits)
	}
	if n >= 100 { // 99.6 is 100: two digits, one place less
		n, places = n/10, places-1
	}
	return scaled(n, -places), places
}

// Text returns a figure and its expanded uncertainty as they are printed: the
// uncertainty at two significant digits, the figure to the same place, halves
// away from zero. Nothing is ever compared after rounding.
func Text(value, u float64) (figure, uncertainty string) {
	rounded, places := Rounded(u)
	if !(u > 0) {
		return strconv.FormatFloat(value, 'g', -1, 64), "0"
	}
	shown := max(0, places)
	return fmt.Sprintf("%.*f", shown, scaled(math.Round(scaled(value, places)), -places)), fmt.Sprintf("%.*f", shown, rounded)
}

// scaled returns v * 10^places, by a division where that is the exact one.
func scaled(v float64, places int) float64 {
	if places < 0 {
		return v / math.Pow10(-places)
	}
	return v * math.Pow10(places)
}
