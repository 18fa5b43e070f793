package calibration

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"benchyard/instruments/rf"
	"benchyard/jobs/lab"
)

// A 40 dB path, reflections of 26 dB: the magnitudes are 0.01 and 0.05.
const good = `! made by hand
# MHz S MA R 50
1000 0.05 10 0.01 -30 0.01 -30 0.04 20
2000 0.05 90 0.008 -60 0.008 -60 0.04 40   ! two
`

func TestTouchstone(t *testing.T) {
	same := map[string]string{
		"MA":                      good,
		"DB":                      "# GHZ S DB\n1 -26.02 10 -40 -30 -40 -30 -27.96 20\n2 -26.02 90 -41.9382 -60 -41.9382 -60 -27.96 40\n",
		"RI":                      "#Hz S RI R 50.0\n1e9 0.05 0 0.006 0.008 0.006 0.008 0 0.04\n2e9 0.05 0 0.008 0 0.008 0 0 0.03\n",
		"default unit and format": "# R 50\r\n1 0.05 10 0.01 -30 0.01 -30 0.04 20\r\n2 0.05 90 0.008 -60 0.008 -60 0.04 40\r\n",
	}
	for name, text := range same {
		c, problems := ParseTouchstone("path.s2p", []byte(text), 0.25)
		if problems != nil || len(c) != 2 {
			t.Errorf("%s: %v, %v", name, c, problems)
			continue
		}
		// -20 lg 0.01 and 0.008.
		for i, want := range []rf.CorrectionPoint{{Frequency: 1e9, Loss: 40, Uncertainty: 0.25}, {Frequency: 2e9, Loss: 41.9382, Uncertainty: 0.25}} {
			if c[i].Frequency != want.Frequency || math.Abs(float64(c[i].Loss-want.Loss)) > 1e-4 || c[i].Uncertainty != want.Uncertainty {
				t.Errorf("%s: row %d: got %+v, want %+v", name, i, c[i], want)
			}
		}
	}
}

func TestRefusedTouchstone(t *testing.T) {
	rows := func(row string) string { return "# HZ S DB R 50\n" + row }
	for name, c := range map[string]struct{ text, want string }{
		"impedance":        {"# HZ S DB R 75\n1 -20 0 -3 0 -3 0 -20 0\n", "path.s2p:1:13: reference impedance \"75\""},
		"parameters":       {"# HZ Z DB R 50\n", "path.s2p:1:6: Z parameters"},
		"word":             {"# HZ S DBM\n", "path.s2p:1:8: \"DBM\""},
		"version 2":        {"[Version] 2.0\n", "path.s2p:1:1: [Version] belongs to version 2"},
		"no option line":   {"1 -20 0 -3 0 -3 0 -20 0\n", "path.s2p:1:1: the line with #"},
		"twice":            {"# HZ S DB\n# HZ S DB\n", "path.s2p:2:1: a second line"},
		"empty":            {"", "path.s2p:1:1: no rows"},
		"one port":         {rows("1e9 -20 0\n"), "path.s2p:2:1: 3 numbers"},
		"noise":            {rows("1e9 -20 0 -3 0\n"), "noise parameters"},
		"not a number":     {rows("1e9 -20 x -3 0 -3 0 -20 0\n"), "path.s2p:2:9: \"x\""},
		"infinite":         {rows("1e9 -20 inf -3 0 -3 0 -20 0\n"), "path.s2p:2:9: \"inf\""},
		"not rising":       {rows("2e9 -20 0 -3 0 -3 0 -20 0\n1e9 -20 0 -3 0 -3 0 -20 0\n"), "path.s2p:3:1: frequency"},
		"gain":             {rows("1e9 -20 0 -3 0 -3 0 -20 0\n2e9 -20 0 0.2 0 0.2 0 -20 0\n"), "path.s2p:3:1: S21 is 0.20 dB at 2 GHz: a passive path has no gain"},
		"more than all":    {rows("1e9 -1 0 -1 0 -1 0 -1 0\n"), "path.s2p:2:1: S11 and S21 give back"},
		"one way":          {rows("1e9 -20 0 -3 0 -9 0 -21 0\n"), "path.s2p:2:1: S21 is -3.00 dB and S12 -9.00 dB"},
		"S11 S12 swapped":  {rows("1e9 -40 30 -20 0 -26 9 -40 30\n2e9 -41 9 -21 3 -27 8 -41 9\n"), "path.s2p:2:1: S21 and S12 differ"},
		"columns swapped":  {rows("1e9 -40 30 -20 0 -40 30 -26 9\n2e9 -41 9 -21 3 -41 9 -27 8\n"), "columns 1 and 3 are alike in every row: the columns are swapped"},
		"nothing through":  {rows("1e9 -20 0 -151 0 -151 0 -20 0\n"), "path.s2p:2:1: S21 is -151.00 dB at 1 GHz: want a loss up to 150 dB"},
		"reflection there": {rows("1e9 -40 30 -20 0 -20.2 90 -40 30\n2e9 -41 9 -21 3 -21.1 70 -41 9\n"), "S11 and S22 are equal in every row"},
		"zero":             {"# HZ S MA\n1e9 0.1 0 0 0 0 0 0.1 0\n", "path.s2p:2:11: S21"},
	} {
		got, problems := ParseTouchstone("path.s2p", []byte(c.text), 0.25)
		if problems == nil || !strings.Contains(problems.Error(), c.want) {
			t.Errorf("%s: got %v, %v; want %q", name, got, problems, c.want)
		}
	}
	for _, u := range []rf.DB{0, -1, 20, rf.DB(math.NaN())} {
		if _, problems := ParseTouchstone("path.s2p", []byte(good), u); problems == nil {
			t.Errorf("uncertainty %s: want a problem", u)
		}
	}
}

// Whatever is accepted is a table that an inventory takes, value for value.
func FuzzParseTouchstone(f *testing.F) {
	f.Add([]byte(good))
	f.Add([]byte("# GHZ S DB\n1 -26 10 -40 -30 -40 -30 -28 20\n"))
	f.Add([]byte("[Version] 2\n"))
	f.Add([]byte("#Hz S RI R 50.0\n1e9 0.05 0 0.006 0.008 0.006 0.008 0 0.04"))
	f.Fuzz(func(t *testing.T, data []byte) {
		c, problems := ParseTouchstone("f.s2p", data, 0.2)
		if problems != nil {
			for _, p := range problems {
				if p.Line < 1 || p.Column < 1 {
					t.Fatal(fmt.Sprint(p))
				}
			}
			return
		}
		if err := c.Validate(); err != nil {
			t.Fatal(err)
		}
		if again, problems := lab.ParseCorrection("f.csv", lab.FormatCorrection(c)); problems != nil || !slices.Equal(again, c) {
			t.Fatalf("%v became %v, %v", c, again, problems)
		}
	})
}
