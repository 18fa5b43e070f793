package document_test

import (
	"encoding/json"
	"fmt"
	"reflect"
	"strings"
	"testing"
	"time"

	"benchyard/instruments/document"
)

// level reads itself, as the quantities of the trade do.
type level float64

func (l *level) UnmarshalYAML(decode func(any) error) error {
	var text string
	if err := decode(&text); err != nil {
		return err
	}
	var v float64
	if _, err := fmt.Sscanf(text, "%gdBm", &v); err != nil {
		return fmt.Errorf("rf: level %q: want a number with dBm", text)
	}
	*l = level(v)
	return nil
}

// ports is a list, or the word "all" for nil.
type ports []int

func (p *ports) UnmarshalText(b []byte) error {
	if string(b) != "all" {
		return fmt.Errorf("want all or a list, found %q", b)
	}
	*p = nil
	return nil
}

type shelf struct {
	Name       string `yaml:"shelf" document:"required"`
	Simulated  bool
	Rows       []row
	Wait       time.Duration
	Share      float64
	Spare      *row
	RFChannels []string
}

type row struct {
	Serial string `document:"required"`
	Slot   int
	Power  level
	Ports  ports
}

func TestDecodeFillsEveryKindOfValue(t *testing.T) {
	text := `# a comment
shelf: "north"
simulated: true
wait: 1m30s
share: 0.25
rf_channels: [B, 'M', T]
rows:
  - serial: 6.10   # text keeps its spelling
    slot: -3
    power: 37dBm
    ports: all
  - {serial: x y, ports: [1, 2]}
spare: {serial: s}
`
	var got shelf
	if problems := document.Decode("s.yaml", []byte(text), &got); problems != nil {
		t.Fatal(problems)
	}
	want := shelf{Name: "north", Simulated: true, Wait: 90 * time.Second, Share: 0.25,
		RFChannels: []string{"B", "M", "T"},
		Rows:       []row{{Serial: "6.10", Slot: -3, Power: 37}, {Serial: "x y", Ports: ports{1, 2}}},
		Spare:      &row{Serial: "s"}}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got  %+v\nwant %+v", got, want)
	}
}

func TestDecodeReportsEveryProblem(t *testing.T) {
	text := `shelf: [a]
simulatd: true
rows:
  - serial: a
    slot: "1"
    power: 3W
    ports: some
  - slot: 1.5
    serial: b
    slot: 2
  - slot: 4
  - just text
  - power: [1]
    serail: c
    ports: [1, x]
share: .nan
wait: 5 s
colour: red
spare:
`
	want := []string{
		`1:8: want text, found a list`,
		`2:1: unknown key "simulatd"; did you mean "simulated"?`,
		`5:11: want a whole number, found the text "1"`,
		`6:12: level "3W": want a number with dBm`,
		`7:12: want all or a list, found "some"`,
		`8:11: want a whole number, found "1.5"`,
		`10:5: key "slot" is given twice; the first stands on line 8`,
		`11:5: missing key "serial"`,
		`12:5: want a mapping with the keys serial, slot, power, ports, found "just text"`,
		`13:12: want a single value, found a list`,
		`14:5: unknown key "serail"; did you mean "serial"?`,
		`15:16: want a whole number, found "x"`,
		`16:8: want a number, found ".nan"`,
		`17:7: want a duration such as 30s or 10m, found "5 s"`,
		`18:1: unknown key "colour"; known keys here: shelf, simulated, rows, wait, share, spare, rf_channels`,
		`19:1: no value; want a mapping with the keys serial, slot, power, ports`,
	}
	compare(t, document.Decode("s.yaml", []byte(text), new(shelf)), want)
}

func TestReadRefusesWhatIsNoPlainDocument(t *testing.T) {
	for text, want := range map[string]string{
		"":                              `1:1: the document is empty`,
		"# only words\n":                `1:1: the document is empty`,
		"shelf: a\n\tsimulated: yes\n":  `2:1: a tab indents this line; indent with spaces`,
		"shelf: a\n---\nshelf: b\n":     `3:1: a second document starts here; want one document in a file`,
		"shelf: &x a\n":                 `1:8: anchors, aliases and merge keys are not accepted; write the value out`,
		"shelf: !!str 5\n":              `1:8: tag !!str is not accepted; quote the value if it is text`,
		"%YAML 1.2\n---\nshelf: a\n":    `1:1: directives are not accepted; quote the value if it is text`,
		"shelf: a\nrows: \xff\n":        `2:7: byte 0xff is not UTF-8 text`,
		"shelf: \x00\n":                 `1:8: control character 0x00 is not text`,
		"shelf: \"a\\0\"\n":             `1:8: control character U+0000 is not text`,
		"just a word":                   `1:1: want a mapping with the keys shelf, simulated, rows, wait, share, spare, rf_channels, found "just a word"`,
		strings.Repeat("[", 100):        `1:33: lists and mappings nest deeper than 32`,
		strings.Repeat("- ", 100):       `1:65: lists and mappings nest deeper than 32`,
		"shelf: \"open\n":               `1:8: not readable as YAML: could not find end character of double-quoted text`,
		strings.Repeat("a: b\n", 1<<18): `257:1: more than 256 keys in one mapping`,
		strings.Repeat("- a: b\n  c: d\n", 300) + "]": `601:1: not readable as YAML: value is not allowed in this context`,
		"{a: b}: c\n": `1:7: not readable as YAML: found an invalid key for this map`,
	} {
		compare(t, document.Decode("s.yaml", []byte(text), new(shelf)), []string{want})
	}
}

func TestReadBoundsTheSize(t *testing.T) {
	huge := append([]byte("shelf: "), make([]byte, document.MaxSize)...)
	problems := document.Decode("s.yaml", huge, new(shelf))
	if want := "s.yaml: the document has 33554439 bytes; at most 33554432 are read"; problems.Error() != want {
		t.Errorf("got %q, want %q", problems.Error(), want)
	}
}

func TestReportNamesPlacesAndStaysSilentWhereTheValueIsLost(t *testing.T) {
	text := "shelf: north\nrows:\n  - serial: a\n    slot: x\n  - {serial: b, ports: [7, 8]}\n"
	d := document.Read("s.yaml", []byte(text))
	d.Decode(new(shelf))
	d.Report("rows[0].slot", "never shown: the slot is lost")
	d.Report("rows[0]", "never shown: a part is lost")
	d.Report("rows[1].ports[1]", "port %d is taken", 8)
	d.ReportKey("rows[1].ports", "too many")
	d.Report("rows[1].slot", "missing places fall back to what is around them")
	compare(t, d.Problems(), []string{
		`4:11: want a whole number, found "x"`,
		`5:5: missing places fall back to what is around them`,
		`5:17: too many`,
		`5:28: port 8 is taken`,
	})
	if !d.Has("rows[1].ports[0]") || d.Has("rows[1].slot") || d.Has("rows[2]") {
		t.Error("Has does not tell what the document gives")
	}
}

func TestByteOrderMarkAndCarriageReturnsDoNotMovePositions(t *testing.T) {
	text := "\xef\xbb\xbfshelf: a\r\nküche: 1\r\n"
	compare(t, document.Decode("s.yaml", []byte(text), new(shelf)),
		[]string{`2:1: unknown key "küche"; known keys here: shelf, simulated, rows, wait, share, spare, rf_channels`})
}

func TestNearest(t *testing.T) {
	known := []string{"analyzer", "generator", "supply", "B", "M", "T", "bench-1", "slots", "6.6.3", "on_fail"}
	for word, want := range map[string]string{
		"analyser": "analyzer", "Supply": "supply", "supplly": "supply", "genreator": "generator",
		"b": "B", "X": "", "camera": "",
		"bench-2": "", "banch-1": "bench-1", "6.6.6": "", "slotss": "slots", "onfail": "on_fail", strings.Repeat("a", 65): "",
	} {
		if got, _ := document.Nearest(word, known); got != want {
			t.Errorf("Nearest(%q) = %q, want %q", word, got, want)
		}
	}
}

// FuzzDecode holds the promises that any bytes are told: no panic, problems
// inside the text, and a document without problems is decoded whole.
func FuzzDecode(f *testing.F) {
	for _, seed := range []string{
		"", "shelf: a\nrows: [{serial: b, ports: all}]\n", "\tx", "a: |\n  b\n", "? a\n: b\n", "[[{", "- - -\n", "a: 'b",
		"shelf: a\nshelf: b\n", "{a: b, c}", "a:\n- b\n-", "\xef\xbb\xbf", "a: >-\n", "...", "---", "a: *b", "<<: x", "shelf: \"\\u0000\"",
	} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		var got shelf
		problems := document.Decode("f.yaml", data, &got)
		lines := strings.Count(string(data), "\n") + 1
		for _, p := range problems {
			if p.Message == "" || p.Line < 1 || p.Line > lines+1 || p.Column < 1 {
				t.Errorf("problem out of place: %+v in %d lines", p, lines)
			}
		}
		if problems == nil && got.Name == "" && !strings.Contains(string(data), "shelf") {
			t.Errorf("accepted without its name: %q", data)
		}
		if _, err := json.Marshal(got); err != nil {
			t.Error(err)
		}
	})
}

func BenchmarkDecode(b *testing.B) {
	var text strings.Builder
	text.WriteString("shelf: big\nrows:\n")
	for i := range 7000 {
		fmt.Fprintf(&text, "  - {serial: s%d, slot: %d, power: 37dBm}\n", i, i)
	}
	data := []byte(text.String())
	b.SetBytes(int64(len(data)))
	for b.Loop() {
		if p := document.Decode("b.yaml", data, new(shelf)); p != nil {
			b.Fatal(p)
		}
	}
}

// compare holds problems against "line:column: message".
func compare(t *testing.T, got document.Problems, want []string) {
	t.Helper()
	for i := range max(len(got), len(want)) {
		var g, w string
		if i < len(got) {
			g = strings.TrimPrefix(got[i].String(), "s.yaml:")
		}
		if i < len(want) {
			w = want[i]
		}
		if g != w {
			t.Errorf("problem %d\n got  %s\n want %s", i+1, g, w)
		}
	}
}

// crate reads itself from one word, or is written out.
type crate struct{ Label string }

func (c *crate) UnmarshalText(b []byte) error {
	c.Label = "word " + string(b)
	return nil
}

func TestMapsAndTypesOfTwoForms(t *testing.T) {
	type key string
	var got struct {
		Counts map[key]int
		Crates []crate
	}
	problems := document.Decode("store.yaml", []byte("counts: {a: 1, b: 2}\ncrates: [plain, {label: long}]\n"), &got)
	if problems != nil || !reflect.DeepEqual(got.Counts, map[key]int{"a": 1, "b": 2}) || !reflect.DeepEqual(got.Crates, []crate{{"word plain"}, {"long"}}) {
		t.Errorf("got %+v, %v", got, problems)
	}
	problems = document.Decode("store.yaml", []byte("counts: {a: 1, a: x}\ncrates: [{lable: x}]\n"), &got)
	want := "store.yaml:1:16: key \"a\" is given twice; the first stands on line 1\nstore.yaml:2:11: unknown key \"lable\"; did you mean \"label\"?"
	if problems.Error() != want {
		t.Errorf("got\n%v\nwant\n%s", problems, want)
	}
	problems = document.Decode("store.yaml", []byte("counts: [1]\n"), &got)
	if want := "store.yaml:1:9: want a mapping, found a list"; problems.Error() != want {
		t.Errorf("got\n%v\nwant\n%s", problems, want)
	}
}
