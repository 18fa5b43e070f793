package lab_test

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"benchyard/instruments/document"
	"benchyard/jobs/lab"
)

// TestBadLabs reads every inventory in testdata/lab/bad. Its first lines say
// which problems it has, "# want: line:column: message", and it must have
// exactly these.
func TestBadLabs(t *testing.T) {
	const dir = "../../testdata/lab/bad"
	files, err := filepath.Glob(dir + "/*.yaml")
	if err != nil || len(files) < 6 {
		t.Fatalf("found %d bad inventories, %v", len(files), err)
	}
	for _, path := range files {
		file := filepath.Base(path)
		t.Run(file, func(t *testing.T) {
			data, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			var problems document.Problems
			if _, _, err := lab.ParseIn(os.DirFS(dir), file, data); !errors.As(err, &problems) {
				t.Fatalf("no problems but %v", err)
			}
			var got, want []string
			for _, p := range problems {
				got = append(got, strings.TrimPrefix(p.String(), file+":"))
			}
			for line := range strings.Lines(string(data)) {
				message, ok := strings.CutPrefix(line, "# want: ")
				if !ok {
					break
				}
				want = append(want, strings.TrimSpace(message))
			}
			if strings.Join(got, "\n") != strings.Join(want, "\n") {
				t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
			}
		})
	}
}
