package lab_test

import (
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"benchyard/instruments/rf"
	"benchyard/jobs/lab"
)

const goodDir = "../../testdata/lab/good"

// twoBenches returns the good inventory and its complete document.
func twoBenches(t testing.TB) (*lab.Lab, []byte) {
	t.Helper()
	data, err := os.ReadFile(goodDir + "/two-benches.yaml")
	if err != nil {
		t.Fatal(err)
	}
	l, complete, err := lab.ParseIn(os.DirFS(goodDir), "two-benches.yaml", data)
	if err != nil {
		t.Fatal(err)
	}
	return l, complete
}

func date(t *testing.T, s string) lab.Date {
	t.Helper()
	d, err := lab.ParseDate(s)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func TestParseReadsTheWholeInventory(t *testing.T) {
	l, _ := twoBenches(t)
	if l.Name != "Two benches" || !l.Simulated || len(l.Instruments) != 8 || len(l.Paths) != 4 || !reflect.DeepEqual(l.Builds, []string{"2.4.0", "2.5.0"}) {
		t.Errorf("read %+v", l)
	}
	want := lab.Instrument{
		Name: "sa-1", Role: lab.AnalyzerRole, Resource: "TCPIP::192.0.2.11::5025::SOCKET", Identity: "Own Works,SA-26,100001",
		Certificate: "C-2026-0117", CalibrationDue: date(t, "2027-05-31"), MaxInput: 30, NoiseFactor: 1.0645,
		Frequency: rf.Range{Low: 9 * rf.Kilohertz, High: 26.5 * rf.Gigahertz}, LevelUncertainty: 0.24, InputSWR: 1.2, Linearity: 0.1,
	}
	if got, ok := l.Instrument("sa-1"); !ok || got != want {
		t.Errorf("instrument %+v, want %+v", got, want)
	}
	if p := l.Paths[0]; !reflect.DeepEqual(p.Elements, []string{"cable-17", "pad-3"}) || p.SWR != 1.15 || p.Repeatability != 0.02 || p.Repeats != 10 {
		t.Errorf("path %+v", p)
	}
	if meter, _ := l.Instrument("pm-2"); meter.LevelUncertainty != 0.1 || meter.InputSWR != 1.1 {
		t.Errorf("power meter %+v", meter)
	}
	if generator, _ := l.Instrument("sg-1"); generator.OutputSWR != 1.2 || l.CorrectionDays != 365 {
		t.Errorf("generator %+v, corrections are good for %d days", generator, l.CorrectionDays)
	}
	if bench, ok := l.Bench("bench-1"); !ok || bench.Isolation != 90 {
		t.Errorf("bench-1 is %+v", bench)
	}
	bench, ok := l.Bench("bench-2")
	if !ok || bench.IdleSupply != lab.SupplyOff || bench.Isolation != 0 || bench.Generator != "" || bench.PowerMeter != "pm-2" || len(l.InstrumentsOn(bench)) != 4 {
		t.Errorf("bench-2 is %+v", bench)
	}
	unitType, ok := l.Type("RU-T2")
	if !ok || unitType.CategoryBOption != 1 || unitType.TransmitUnits != 1 || unitType.RatedPower != 37 || unitType.OutputSWR != 1.4 {
		t.Errorf("type is %+v", unitType)
	}
	spare, ok := l.Unit("T2-0003")
	if !ok || spare.Mounted() || len(l.UnitsOn("bench-1")) != 1 || l.UnitsOn("") != nil {
		t.Errorf("the spare unit is %+v", spare)
	}
	for _, missing := range []bool{has(l.Bench("x")), has(l.Instrument("x")), has(l.Unit("x")), has(l.Type("x"))} {
		if missing {
			t.Error("found what is not there")
		}
	}
}

func has[T any](_ T, ok bool) bool { return ok }

func TestPathForFindsTheCorrection(t *testing.T) {
	l, _ := twoBenches(t)
	path, ok := l.PathFor("bench-1", 1, 2)
	if !ok || path.Route != "(@102)" || path.CorrectionFile != "" {
		t.Fatalf("path %+v", path)
	}
	// 51.99 dB at 3.5 GHz: the path-loss chain worked out in section 2.6 of our
	// metrology fact sheet, as written in the CSV file.
	loss, uncertainty, err := path.Correction.At(3.5 * rf.Gigahertz)
	if err != nil || loss != 51.99 || uncertainty != 0.2 {
		t.Errorf("loss %v, uncertainty %v, %v", loss, uncertainty, err)
	}
	if _, ok := l.PathFor("bench-1", 2, 1); ok {
		t.Error("found a path of an empty slot")
	}
}

func TestCompleteDocumentNeedsNoFiles(t *testing.T) {
	l, complete := twoBenches(t)
	again, err := lab.Parse("complete.yaml", complete)
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(l, again) {
		t.Errorf("the complete document says\n%+v\nnot\n%+v", again, l)
	}
	for _, kept := range []string{"# measured with the power sensor", "# An invented lab"} {
		if !strings.Contains(string(complete), kept) {
			t.Errorf("comment %q is lost", kept)
		}
	}
	original, err := os.ReadFile(goodDir + "/two-benches.yaml")
	if err != nil {
		t.Fatal(err)
	}
	const want = `two-benches.yaml:44:5: dialect file "dialects/watt-meter.yaml" cannot be read from here; write what it says into the document
two-benches.yaml:74:22: correction_file "corrections/bench-1-slot-1-connector-1.csv" cannot be read from here; write what it says into the document`
	if _, err := lab.Parse("two-benches.yaml", original); err == nil || !strings.HasPrefix(err.Error(), want+"\n") {
		t.Errorf("got %v, want %s", err, want)
	}
}

// A correction_file may stand in any style YAML has; where the rows cannot be
// put into the text, the document is refused and not stored half.
func TestInlineKeepsToTheStyleOfTheDocument(t *testing.T) {
	_, complete := twoBenches(t)
	base := string(complete)
	start := strings.Index(base, "    correction: [{frequency: 9000,")
	end := start + strings.Index(base[start:], "]  # measured with the power sensor") + len("]  # measured with the power sensor")
	files := fstest.MapFS{"a b.csv": {Data: []byte("frequency_hz,loss_db,uncertainty_db\r\n9000, 40, 0.2\r\n26.5e9, 44, 0.3\r\n")}}
	for style, fits := range map[string]bool{
		"    correction_file: a b.csv":           true,
		"    correction_file: 'a b.csv' # note":  true,
		"    correction_file:   \"a b.csv\"":     true,
		"    \"correction_file\": \"a b.csv\"":   false,
		"    correction_file:\n      a b.csv":    false,
		"    correction_file: \"a\\x20b.csv\"":   false,
		"    correction_file: >-\n      a b.csv": false,
	} {
		text := base[:start] + style + base[end:]
		l, out, err := lab.ParseIn(files, "s.yaml", []byte(text))
		if (err == nil) != fits {
			t.Errorf("%q: %v", style, err)
			continue
		}
		if !fits {
			if !strings.Contains(err.Error(), "write the plain name of the file on one line with its key") {
				t.Errorf("%q: %v", style, err)
			}
			continue
		}
		path, _ := l.PathFor("bench-1", 1, 1)
		want := rf.Correction{{Frequency: 9000, Loss: 40, Uncertainty: 0.2}, {Frequency: 26.5e9, Loss: 44, Uncertainty: 0.3}}
		if !reflect.DeepEqual(path.Correction, want) || strings.Contains(string(out), "a b.csv") {
			t.Errorf("%q: correction %v", style, path.Correction)
		}
	}
}

func TestCalibrationDueBefore(t *testing.T) {
	l, _ := twoBenches(t)
	// Good through the whole last day.
	for day, want := range map[string][]lab.Due{
		"2026-12-31": nil,
		"2027-01-01": {
			{Bench: "bench-1", What: "path slot 1 connector 1", On: date(t, "2026-12-31")},
			{Bench: "bench-1", What: "path slot 1 connector 2", On: date(t, "2026-12-31")},
		},
		"2027-01-16": {
			{Bench: "bench-2", What: "instrument sa-2", On: date(t, "2027-01-15")},
			{Bench: "bench-1", What: "path slot 1 connector 1", On: date(t, "2026-12-31")},
			{Bench: "bench-1", What: "path slot 1 connector 2", On: date(t, "2026-12-31")},
		},
	} {
		if got := l.CalibrationDueBefore(date(t, day)); !reflect.DeepEqual(got, want) {
			t.Errorf("before %s: %v, want %v", day, got, want)
		}
	}
}

func TestDates(t *testing.T) {
	late := time.Date(2027, 3, 31, 23, 30, 0, 0, time.FixedZone("west", -5*3600))
	day := lab.DateOf(late)
	if day.String() != "2027-03-31" || day != date(t, "2027-03-31") || day.IsZero() || (lab.Date{}).String() != "" || (lab.Date{}).Before(day) {
		t.Errorf("date of %s is %s", late, day)
	}
	if got := date(t, "2027-04-02").Sub(late); got != 24*time.Hour+30*time.Minute {
		t.Errorf("time to the day is %s", got)
	}
	for _, bad := range []string{"", "31.3.2027", "2027-02-29", "2027-3-1"} {
		if _, err := lab.ParseDate(bad); err == nil {
			t.Errorf("accepted %q", bad)
		}
	}
}

func FuzzParse(f *testing.F) {
	_, complete := twoBenches(f)
	f.Add(complete)
	files, err := filepath.Glob("../../testdata/lab/bad/*.yaml")
	if err != nil {
		f.Fatal(err)
	}
	for _, file := range files {
		data, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	bad := os.DirFS("../../testdata/lab/bad")
	f.Fuzz(func(t *testing.T, data []byte) {
		l, complete, err := lab.ParseIn(onlyRead{bad}, "f.yaml", data)
		if (l == nil) == (err == nil) {
			t.Fatalf("inventory %v with error %v", l, err)
		}
		if err == nil {
			if again, err := lab.Parse("f.yaml", complete); err != nil || !reflect.DeepEqual(again, l) {
				t.Errorf("the complete document reads differently: %v", err)
			}
		}
	})
}

// onlyRead hides all but Open, as the file system of a stored document might.
type onlyRead struct{ fs.FS }

// What is wrong with a row is reported where it stands.
func TestRefusedCorrection(t *testing.T) {
	const header = "frequency_hz,loss_db,uncertainty_db\n"
	for text, want := range map[string]string{
		"frequency_hz,uncertainty_db,loss_db\n1,0.2,40\n": "f.csv:1:14: want the header",
		"frequency_hz,loss_db\n1,40\n":                    "f.csv:1:1: want the header",
		header + "1e9,-0.5,0.2\n":                         "f.csv:2:5: loss -0.50 dB is a gain",
		header + "1e9,40,0.2\n2e9,151,0.2\n":              "f.csv:3:5: loss 151.00 dB: want 0 to 150 dB",
		header + "1e9,0.2,40\n":                           "f.csv:2:9: uncertainty 40.00 dB",
		header + "1e9,40,-1\n":                            "f.csv:2:8: uncertainty -1.00 dB",
		header + "1e306,40,0.2\n":                         "f.csv:2:1: the frequency is endless",
	} {
		if rows, problems := lab.ParseCorrection("f.csv", []byte(text)); problems == nil || !strings.Contains(problems.Error(), want) {
			t.Errorf("%q: got %v, %v; want %q", text, rows, problems, want)
		}
	}
}

func FuzzParseCorrection(f *testing.F) {
	f.Add([]byte("frequency_hz,loss_db,uncertainty_db\n9000,40,0.2\n1e9,41,0.2\n"))
	f.Add([]byte("\"frequency_hz\",loss_db\n"))
	f.Add([]byte("# c\n\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		rows, problems := lab.ParseCorrection("f.csv", data)
		if problems != nil {
			return
		}
		if err := rows.Validate(); err != nil {
			t.Error(err)
		}
		if again, problems := lab.ParseCorrection("f.csv", lab.FormatCorrection(rows)); problems != nil || !slices.Equal(again, rows) {
			t.Errorf("%v became %v, %v", rows, again, problems)
		}
	})
}
