package dialect_test

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"benchyard/instruments/dialect"
	"benchyard/instruments/document"
)

const files = "../../testdata/dialects"

// TestBadDialects reads every table in testdata/dialects/bad. Its last lines say
// which problems it has, "# want: line:column: message", and it must have
// exactly these.
func TestBadDialects(t *testing.T) {
	paths, err := filepath.Glob(files + "/bad/*.yaml")
	if err != nil || len(paths) < 6 {
		t.Fatalf("found %d bad dialects, %v", len(paths), err)
	}
	for _, path := range paths {
		file := filepath.Base(path)
		t.Run(file, func(t *testing.T) {
			data, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			var problems document.Problems
			if _, err := dialect.Parse(file, data); !errors.As(err, &problems) {
				t.Fatalf("no problems but %v", err)
			}
			var got, want []string
			for _, p := range problems {
				got = append(got, strings.TrimPrefix(p.String(), file+":"))
			}
			for line := range strings.Lines(string(data)) {
				if message, ok := strings.CutPrefix(line, "# want: "); ok {
					want = append(want, strings.TrimSpace(message))
				}
			}
			if strings.Join(got, "\n") != strings.Join(want, "\n") {
				t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
			}
		})
	}
}

func TestGoodDialects(t *testing.T) {
	paths, err := filepath.Glob(files + "/good/*.yaml")
	if err != nil || len(paths) < 2 {
		t.Fatalf("found %d good dialects, %v", len(paths), err)
	}
	for _, path := range paths {
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := dialect.Parse(path, data); err != nil {
			t.Error(err)
		}
	}
}

func TestTablesInheritFromOneAnother(t *testing.T) {
	text := `
tables:
  - {name: c, role: supply, inherits: b}
  - {name: b, role: supply, inherits: a, limits: {tolerance: 0.01}}
  - {name: a, role: supply, inherits: SCPI-1999, commands: {output_on: {set: "OUT 1"}}}
  - {name: x, role: supply, inherits: y}
  - {name: y, role: supply, inherits: x}
  - {name: a, role: analyzer, inherits: SCPI-1999}
  - {name: w, role: analyzer, inherits: c}
`
	d := document.Read("lab.yaml", []byte(text))
	var list struct{ Tables []dialect.Source }
	d.Decode(&list)
	var placed []dialect.Placed
	for i, s := range list.Tables {
		placed = append(placed, dialect.Placed{Document: d, Path: "tables[" + string(rune('0'+i)) + "]", Source: s})
	}
	tables := dialect.Check(placed)
	got, err := tables[0].Set("output_on", nil)
	if err != nil || got[0] != "OUT 1" || tables[0].Limits["tolerance"] != 0.01 {
		t.Errorf("got %q, %v, limits %v", got, err, tables[0].Limits)
	}
	want := `lab.yaml:6:39: dialect "x" inherits from "y", which inherits from it or waits for itself
lab.yaml:7:39: dialect "y" inherits from "x", which inherits from it or waits for itself
lab.yaml:8:12: there are two dialects "a"
lab.yaml:9:41: dialect "c" is one of a supply; this one is of an analyzer`
	if problems := d.Problems(); problems.Error() != want {
		t.Errorf("got\n%v\nwant\n%s", problems, want)
	}
}

// FuzzParse holds that whatever is read as a table makes single commands only.
func FuzzParse(f *testing.F) {
	for _, dir := range []string{"good", "bad"} {
		paths, err := filepath.Glob(files + "/" + dir + "/*.yaml")
		if err != nil {
			f.Fatal(err)
		}
		for _, path := range paths {
			data, err := os.ReadFile(path)
			if err != nil {
				f.Fatal(err)
			}
			f.Add(data, "TM1.1", 1842.5e6)
		}
	}
	f.Fuzz(func(t *testing.T, data []byte, word string, x float64) {
		table, err := dialect.Parse("fuzz.yaml", data)
		if err != nil {
			var problems document.Problems
			if !errors.As(err, &problems) || len(problems) == 0 {
				t.Fatalf("%T: %v", err, err)
			}
			return
		}
		for _, c := range table.Capabilities() {
			values := dialect.Values{"model": dialect.Name(word), "build": dialect.Name(word), "duplex": dialect.Name(word),
				"points": dialect.Count(401), "count": dialect.Count(4), "carrier": dialect.Count(1), "connector": dialect.Count(2),
				"channels": dialect.Channels([]int{101, 102})}
			for _, name := range []string{"frequency", "bandwidth", "spacing", "power", "level", "attenuation", "time", "delay",
				"length", "voltage", "current", "offset"} {
				values[name] = dialect.Real(x)
			}
			commands, err := table.Set(c, values)
			if query, e := table.Ask(c, values); e == nil {
				commands = append(commands, query)
			}
			for _, command := range commands {
				if err == nil && strings.ContainsAny(command, ";\n\r\x00") {
					t.Fatalf("%s is sent as %q", c, command)
				}
			}
		}
	})
}
