package lab

import (
	"os"
	"path/filepath"
	"reflect"
	"testing"

	"benchyard/jobs/postgres"
)

// Every good inventory comes back as it was read, dialects included.
func TestDecodedFormIsWhatWasRead(t *testing.T) {
	files, err := filepath.Glob("../../testdata/lab/good/*.yaml")
	if err != nil || len(files) < 2 {
		t.Fatalf("%d inventories, %v", len(files), err)
	}
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		_, complete, err := ParseIn(os.DirFS(filepath.Dir(file)), file, text)
		if err != nil {
			t.Fatal(err)
		}
		_, want := decode(file, complete)
		body := encodeDecoded(want)
		got, err := decodeDecoded(body)
		if err != nil || body == nil || !reflect.DeepEqual(got, want) {
			t.Errorf("%s: stored in %d bytes, %v: it does not come back", file, len(body), err)
		}
	}
}

// Loaded from the stored form or from the document, an inventory is the same.
func TestLoadTakesEitherForm(t *testing.T) {
	pool := postgres.Test(t)
	text, err := os.ReadFile("../../testdata/lab/good/two-benches.yaml")
	if err != nil {
		t.Fatal(err)
	}
	_, complete, err := ParseIn(os.DirFS("../../testdata/lab/good"), "two-benches.yaml", text)
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := Apply(t.Context(), pool, "lab.yaml", complete, "ann"); err != nil {
		t.Fatal(err)
	}
	quick, _, err := Load(t.Context(), pool, 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := pool.Exec(t.Context(), `UPDATE lab_version SET decoded_shape = 'of another program'`); err != nil {
		t.Fatal(err)
	}
	slow, _, err := Load(t.Context(), pool, 0)
	if err != nil || !reflect.DeepEqual(quick, slow) {
		t.Errorf("read again from the document: %v, equal: %t", err, reflect.DeepEqual(quick, slow))
	}
	if _, err := pool.Exec(t.Context(), `UPDATE lab_version SET decoded_shape = $1, decoded = 'damaged'`, shape); err != nil {
		t.Fatal(err)
	}
	if _, _, err := Load(t.Context(), pool, 0); err == nil {
		t.Error("a damaged form was read")
	}
}
