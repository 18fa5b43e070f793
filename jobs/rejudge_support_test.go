package jobs

import (
	"regexp"
	"strconv"
	"testing"
)

var lossFigure = regexp.MustCompile(`loss: (-?[0-9.]+) ?dB`)

// shifted is an inventory whose corrections are larger everywhere.
func shifted(tb testing.TB, document string, db float64) []byte {
	tb.Helper()
	n := 0
	text := lossFigure.ReplaceAllStringFunc(document, func(found string) string {
		loss, err := strconv.ParseFloat(lossFigure.FindStringSubmatch(found)[1], 64)
		if err != nil {
			tb.Fatal(err)
		}
		n++
		return "loss: " + strconv.FormatFloat(loss+db, 'f', -1, 64) + "dB"
	})
	if n == 0 {
		tb.Fatal("the inventory holds no loss")
	}
	return []byte(text)
}
