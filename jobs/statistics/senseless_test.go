package statistics

import (
	"math"
	"testing"
)

// More passed than were tested, or fewer than none, is no proportion: neither
// its difference nor the interval is a number that somebody could print.
func TestSenselessCountsHaveNoDifference(t *testing.T) {
	for _, c := range [][4]int{{4, 3, 1, 2}, {1, 2, 4, 3}, {-1, 3, 1, 2}, {1, 2, -1, 3}, {0, 0, 1, 2}, {1, 2, 0, 0}, {0, -1, 0, 1}} {
		d, i := Newcombe(c[0], c[1], c[2], c[3], 0.95)
		if !math.IsNaN(d) || !math.IsNaN(i.Low) || !math.IsNaN(i.High) {
			t.Errorf("%v: %v in %v", c, d, i)
		}
	}
}
