package jobs

import (
	"os"
	"testing"

	"benchyard/jobs/lab"
)

// TestLinksSpeakTheDialectOfTheirInstrument: what a bench opens is told in the
// words that the inventory names, and opened anew when those change.
func TestLinksSpeakTheDialectOfTheirInstrument(t *testing.T) {
	const dir = "../testdata/lab/good"
	text, err := os.ReadFile(dir + "/two-benches.yaml")
	if err != nil {
		t.Fatal(err)
	}
	l, _, err := lab.ParseIn(os.DirFS(dir), "two-benches.yaml", text)
	if err != nil {
		t.Fatal(err)
	}
	for name, dialect := range map[string]string{"pm-2": "watt-meter", "sw-2": "lettered", "sw-1": "SCPI-1999", "T2-0001": "SCPI-1999"} {
		link, err := describeLink(l, name)
		if err != nil || link.table.Name != dialect {
			t.Errorf("%s: got %+v, %v; want %s", name, link, err, dialect)
		}
	}
	before, err := describeLink(l, "sw-2")
	if err != nil {
		t.Fatal(err)
	}
	if again, err := describeLink(l, "sw-2"); err != nil || !again.same(before) {
		t.Errorf("the same link twice is not the same: %v", err)
	}
	i := &l.Instruments[6]
	if i.Dialect = ""; i.Name != "sw-2" {
		t.Fatalf("instrument 6 is %s", i.Name)
	}
	if after, err := describeLink(l, "sw-2"); err != nil || after.same(before) {
		t.Errorf("another dialect is the same link: %v", err)
	}
}
