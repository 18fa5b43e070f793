package blob

import (
	"bytes"
	"context"
	"errors"
	"math/rand/v2"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"

	"gocloud.dev/blob/memblob"
)

func memory(t *testing.T) *Bucket {
	t.Helper()
	b, err := NewBucket(memblob.OpenBucket(nil), "memory")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := b.Close(); err != nil {
			t.Error(err)
		}
	})
	return b
}

func folder(t *testing.T, dir string) *Bucket {
	t.Helper()
	b, err := OpenBucket(t.Context(), dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := b.Close(); err != nil {
			t.Error(err)
		}
	})
	return b
}

// noise is content that does not compress.
func noise(seed uint64, n int) []byte {
	r := rand.NewChaCha8([32]byte{byte(seed), byte(seed >> 8)})
	content := make([]byte, n)
	_, _ = r.Read(content) // it never fails
	return content
}

func TestKeyIsThePublishedDigest(t *testing.T) {
	// SHA-256 of "abc": FIPS 180-4, example of NIST.
	const want = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
	if got := KeyOf([]byte("abc")); got != want {
		t.Errorf("%s, want %s", got, want)
	}
	if got := keyOfPath(KeyOf([]byte("abc")).path()); got != want {
		t.Errorf("out of its path %q, want %s", got, want)
	}
	for _, other := range []string{"", markPath, "ba/78.zst", "ba/" + want[2:], want + suffix, "BA/" + want[2:] + suffix} {
		if got := keyOfPath(other); got != "" {
			t.Errorf("%q gives the key %s", other, got)
		}
	}
}

func TestContentComesBack(t *testing.T) {
	for name, b := range map[string]*Bucket{"memory": memory(t), "folder": folder(t, t.TempDir())} {
		for _, content := range [][]byte{{}, []byte("*IDN?\n"), bytes.Repeat([]byte("trace "), 50_000), noise(1, 300_000)} {
			key, stored, err := b.Write(t.Context(), content)
			if err != nil {
				t.Fatal(name, err)
			}
			if limit := int64(len(content) + 100); stored > limit {
				t.Errorf("%s: %d bytes take %d", name, len(content), stored)
			}
			back, err := b.Read(t.Context(), key)
			if err != nil || !bytes.Equal(back, content) {
				t.Errorf("%s: %d bytes come back as %d (%v)", name, len(content), len(back), err)
			}
		}
	}
	if _, _, err := memory(t).Write(t.Context(), make([]byte, MaxSize+1)); err == nil {
		t.Error("a content beyond the bound was taken")
	}
}

func TestDamageNamesTheObject(t *testing.T) {
	b := memory(t)
	content := noise(2, 10_000)
	key, _, err := b.Write(t.Context(), content)
	if err != nil {
		t.Fatal(err)
	}
	whole, err := b.bucket.ReadAll(t.Context(), key.path())
	if err != nil {
		t.Fatal(err)
	}
	other, err := b.pack([]byte("another content"))
	if err != nil {
		t.Fatal(err)
	}
	flipped := bytes.Clone(whole)
	flipped[len(flipped)/2] ^= 1
	for name, damaged := range map[string][]byte{"one bit": flipped, "cut": whole[:len(whole)/2], "empty": {}, "another": other} {
		if err := b.bucket.WriteAll(t.Context(), key.path(), damaged, nil); err != nil {
			t.Fatal(err)
		}
		wantDamaged(t, name, b, key)
	}
	if err := b.bucket.Delete(t.Context(), key.path()); err != nil {
		t.Fatal(err)
	}
	wantDamaged(t, "missing", b, key)
	// Writing it again mends what is missing, and what was cut.
	for _, present := range [][]byte{nil, whole[:10]} {
		if present != nil {
			if err := b.bucket.WriteAll(t.Context(), key.path(), present, nil); err != nil {
				t.Fatal(err)
			}
		}
		if _, _, err := b.Write(t.Context(), content); err != nil {
			t.Fatal(err)
		}
		if back, err := b.Read(t.Context(), key); err != nil || !bytes.Equal(back, content) {
			t.Errorf("not mended: %v", err)
		}
	}
}

func wantDamaged(t *testing.T, name string, b *Bucket, key Key) {
	t.Helper()
	_, err := b.Read(t.Context(), key)
	var damaged *DamagedError
	if !errors.As(err, &damaged) || damaged.Key != key {
		t.Errorf("%s: %v, want a DamagedError with the key", name, err)
		return
	}
	for _, part := range []string{string(key), b.Name(), "backup"} {
		if !strings.Contains(err.Error(), part) {
			t.Errorf("%s: %q does not say %q", name, err, part)
		}
	}
}

func TestTheSameContentIsStoredOnceByManyWriters(t *testing.T) {
	dir := t.TempDir()
	b := folder(t, dir)
	var writers sync.WaitGroup
	for i := range 24 {
		writers.Go(func() {
			if _, _, err := b.Write(t.Context(), noise(uint64(i%3), 50_000)); err != nil {
				t.Error(err)
			}
		})
	}
	writers.Wait()
	if files := filesIn(t, dir); len(files) != 3 {
		t.Errorf("%d files for three contents: %v", len(files), files)
	}
}

func filesIn(t *testing.T, dir string) (files []string) {
	t.Helper()
	err := filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			files = append(files, path)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return files
}

// An interrupted write leaves nothing under the name of the object.
func TestAnInterruptedWriteLeavesNoObject(t *testing.T) {
	dir := t.TempDir()
	b := folder(t, dir)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, _, err := b.Write(ctx, noise(3, 100_000)); err == nil {
		t.Error("a cancelled write succeeded")
	}
	if files := filesIn(t, dir); len(files) != 0 {
		t.Errorf("it left %v", files)
	}
}

const childVariable = "BENCHYARD_BLOB_TEST_FOLDER"

// The disk of the child is full after 64 kB: writing fails there as it does on
// a full disk, with the part that fitted already written.
func TestFullDisk(t *testing.T) {
	if dir := os.Getenv(childVariable); dir != "" {
		fillDisk(t, dir)
		return
	}
	dir := t.TempDir()
	cmd := exec.Command(os.Args[0], "-test.run=^TestFullDisk$")
	cmd.Env = append(os.Environ(), childVariable+"="+dir)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	if files := filesIn(t, dir); len(files) != 1 {
		t.Errorf("want the one object that fitted, and nothing of the other: %v", files)
	}
}

func fillDisk(t *testing.T, dir string) {
	signal.Ignore(syscall.SIGXFSZ) // the write shall fail, not the process
	if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &syscall.Rlimit{Cur: 64 << 10, Max: 64 << 10}); err != nil {
		t.Fatal(err)
	}
	b := folder(t, dir)
	if _, _, err := b.Write(t.Context(), noise(4, 200_000)); err == nil || !strings.Contains(err.Error(), "room") {
		t.Errorf("on a full disk: %v, want an error that says so", err)
	}
	if _, err := b.Read(t.Context(), KeyOf(noise(4, 200_000))); !errors.As(err, new(*DamagedError)) {
		t.Errorf("an object that was not written reads as %v", err)
	}
	if _, _, err := b.Write(t.Context(), noise(5, 30_000)); err != nil {
		t.Errorf("what fits: %v", err)
	}
}

func TestAddresses(t *testing.T) {
	for _, bad := range []string{"", "gs://bucket", "s3://", "s3://key:secret@bucket", "s3://bucket?nonsense=1", "http://host/x"} {
		if b, err := OpenBucket(t.Context(), bad); err == nil {
			t.Errorf("%q was taken as %s", bad, b.Name())
		}
	}
	for _, bad := range []string{"gs://bucket", "s3://", "s3://key:secret@bucket"} {
		if err := (Place{Address: bad}).Validate(); err == nil {
			t.Errorf("%q is valid", bad)
		}
	}
	for _, good := range []string{"", "/var/lib/x", "relative", "s3://bucket/prefix?endpoint=http://127.0.0.1:9"} {
		if err := (Place{Address: good}).Validate(); err != nil {
			t.Error(err)
		}
	}
}

// FuzzUnpack holds that damage never passes for content and never panics.
func FuzzUnpack(f *testing.F) {
	b, err := NewBucket(memblob.OpenBucket(nil), "memory")
	if err != nil {
		f.Fatal(err)
	}
	packed, err := b.pack([]byte("*IDN?\nmaker,model,1,2\n"))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(packed)
	f.Add([]byte{})
	key := KeyOf([]byte("*IDN?\nmaker,model,1,2\n"))
	f.Fuzz(func(t *testing.T, packed []byte) {
		if content, err := b.unpack(key, packed); err == nil && KeyOf(content) != key {
			t.Errorf("%q passes", content)
		}
	})
}
