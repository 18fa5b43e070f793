// Package blob keeps evidence that is too big for a row: long transcripts,
// wide traces, I/Q.
//
// The concept on one screen:
//
//	content ── SHA-256 ──▶ Key ── names the object, in every table that refers to it
//	   └── zstd ──▶ object "ab/cdef….zst" in a Bucket: a local folder, or an
//	                S3-compatible service
//
//	Store = Bucket + the catalogue of its objects in the database (table blob)
//
//	Put     touch the row of the catalogue, write the object, return its key;
//	        only then the caller stores a row that names it
//	Get     read, unpack, and hold the content against its key
//	Sweep   what no row has named for a grace goes: first its row, then the object
//
// The same content is stored once. A folder or bucket belongs to one database:
// the identity of the store stands in both, so that neither can be mistaken for
// another. Writes are atomic: an object is there whole, or not at all.
package blob

import (
	"context"
	"crypto/md5"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/klauspost/compress/zstd"
	cloud "gocloud.dev/blob"
	"gocloud.dev/gcerrors"
)

// MaxSize bounds the content of one object, in bytes.
const MaxSize = 256 << 20

// Key names an object: the SHA-256 of its content in hexadecimal digits.
type Key string

// KeyOf returns the key of a content.
func KeyOf(content []byte) Key {
	sum := sha256.Sum256(content)
	return Key(hex.EncodeToString(sum[:]))
}

// path is where the object lies, spread over 256 folders.
func (k Key) path() string { return string(k[:2]) + "/" + string(k[2:]) + suffix }

const suffix = ".zst"

// keyOfPath is the reverse of path; empty: the object is none of ours.
func keyOfPath(path string) Key {
	digits := strings.ReplaceAll(strings.TrimSuffix(path, suffix), "/", "")
	raw, err := hex.DecodeString(digits)
	if key := Key(hex.EncodeToString(raw)); err == nil && len(raw) == sha256.Size && key.path() == path {
		return key
	}
	return ""
}

// DamagedError tells that an object is missing or is not what it was.
type DamagedError struct {
	Key   Key
	Store string // where it should be
	Cause error
}

// Error names the object and says what to do.
func (e *DamagedError) Error() string {
	return fmt.Sprintf("blob: object %s of %s: %v; put the object back from a backup or from a copy of the store (`benchyard evidence check` lists all that are damaged)",
		e.Key, e.Store, e.Cause)
}

// Unwrap returns the cause.
func (e *DamagedError) Unwrap() error { return e.Cause }

// errMissing and errChanged are causes of a DamagedError.
var (
	errMissing = errors.New("it is missing")
	errChanged = errors.New("its content is not what was written")
)

// Bucket is a place for objects, without a catalogue. It is safe for concurrent use.
type Bucket struct {
	bucket  *cloud.Bucket
	name    string // for people
	folder  string // local; empty: elsewhere
	encoder *zstd.Encoder
	decoder *zstd.Decoder
}

// NewBucket makes a Bucket of one that is open. name is for messages. Close
// closes both.
func NewBucket(bucket *cloud.Bucket, name string) (*Bucket, error) {
	encoder, err := zstd.NewWriter(nil, zstd.WithEncoderCRC(true), zstd.WithEncoderConcurrency(1))
	if err != nil {
		return nil, fmt.Errorf("blob: %w", err)
	}
	decoder, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(0), zstd.WithDecoderMaxMemory(MaxSize))
	if err != nil {
		return nil, fmt.Errorf("blob: %w", err)
	}
	return &Bucket{bucket: bucket, name: name, encoder: encoder, decoder: decoder}, nil
}

// Close ends the use of the bucket.
func (b *Bucket) Close() error {
	b.decoder.Close()
	return errors.Join(b.encoder.Close(), b.bucket.Close())
}

// Name returns where the bucket is, for people.
func (b *Bucket) Name() string { return b.name }

// pack compresses a content.
func (b *Bucket) pack(content []byte) ([]byte, error) {
	if len(content) > MaxSize {
		return nil, fmt.Errorf("blob: a content of %d bytes, at most %d can be stored", len(content), MaxSize)
	}
	return b.encoder.EncodeAll(content, nil), nil
}

// unpack is the reverse of pack, for the content of key.
func (b *Bucket) unpack(key Key, packed []byte) ([]byte, error) {
	content, err := b.decoder.DecodeAll(packed, nil)
	if err != nil {
		return nil, &DamagedError{key, b.name, fmt.Errorf("%w (%w)", errChanged, err)}
	}
	if KeyOf(content) != key {
		return nil, &DamagedError{key, b.name, errChanged}
	}
	return content, nil
}

// Verify holds an object, as Packed returned it, against its key.
func Verify(key Key, packed []byte) error {
	decoder, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxMemory(MaxSize))
	if err != nil {
		return fmt.Errorf("blob: %w", err)
	}
	defer decoder.Close()
	_, err = (&Bucket{decoder: decoder, name: "the copy"}).unpack(key, packed)
	return err
}

// write stores what pack returned, unless the object is there in this size.
// Another size is that of a damaged object, or of another compressor: it is
// written over.
func (b *Bucket) write(ctx context.Context, key Key, packed []byte) error {
	found, err := b.bucket.Attributes(ctx, key.path())
	if err == nil && found.Size == int64(len(packed)) {
		return nil
	}
	if err != nil && gcerrors.Code(err) != gcerrors.NotFound {
		return fmt.Errorf("blob: looking into %s: %w", b.name, err)
	}
	if err := b.put(ctx, key.path(), packed); err != nil {
		return fmt.Errorf("blob: object %s was not written to %s: %w; see that there is room and that this program may write there", key, b.name, err)
	}
	return nil
}

// put writes an object whole or not at all. In a local folder it has reached
// the disk when put returns.
func (b *Bucket) put(ctx context.Context, path string, data []byte) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel() // ends a write that was not closed, without a trace
	sum := md5.Sum(data)
	var file *os.File
	w, err := b.bucket.NewWriter(ctx, path, &cloud.WriterOptions{
		ContentType: "application/zstd", ContentMD5: sum[:],
		BeforeWrite: func(as func(any) bool) error {
			if b.folder != "" {
				as(&file)
			}
			return nil
		},
	})
	if err != nil {
		return err
	}
	if _, err := w.Write(data); err != nil {
		cancel()
		return errors.Join(err, ignoreCancelled(w.Close()))
	}
	if file != nil {
		if err := file.Sync(); err != nil {
			cancel()
			return errors.Join(err, ignoreCancelled(w.Close()))
		}
	}
	if err := w.Close(); err != nil || b.folder == "" {
		return err
	}
	return syncFolders(b.folder, filepath.Dir(path))
}

// ignoreCancelled leaves out what we asked for ourselves.
func ignoreCancelled(err error) error {
	if errors.Is(err, context.Canceled) || gcerrors.Code(err) == gcerrors.Canceled {
		return nil
	}
	return err
}

// syncFolders makes names in a folder and in its child reach the disk.
func syncFolders(folder, child string) error {
	for _, dir := range []string{filepath.Join(folder, child), folder} {
		d, err := os.Open(dir)
		if err != nil {
			return err
		}
		if err := errors.Join(d.Sync(), d.Close()); err != nil {
			return err
		}
	}
	return nil
}

// readPacked returns an object as it is stored.
func (b *Bucket) readPacked(ctx context.Context, key Key) ([]byte, error) {
	packed, err := b.bucket.ReadAll(ctx, key.path())
	if gcerrors.Code(err) == gcerrors.NotFound {
		return nil, &DamagedError{key, b.name, errMissing}
	}
	if err != nil {
		return nil, fmt.Errorf("blob: reading object %s of %s: %w", key, b.name, err)
	}
	return packed, nil
}

// Read returns the content of an object. A *DamagedError tells that it is
// missing or not what it was; other errors are those of the way there.
func (b *Bucket) Read(ctx context.Context, key Key) ([]byte, error) {
	packed, err := b.readPacked(ctx, key)
	if err != nil {
		return nil, err
	}
	return b.unpack(key, packed)
}

// Write stores a content, and returns its key and its compressed size.
func (b *Bucket) Write(ctx context.Context, content []byte) (Key, int64, error) {
	packed, err := b.pack(content)
	if err != nil {
		return "", 0, err
	}
	key := KeyOf(content)
	return key, int64(len(packed)), b.write(ctx, key, packed)
}

// remove deletes an object; that it is not there is no error.
func (b *Bucket) remove(ctx context.Context, path string) error {
	err := b.bucket.Delete(ctx, path)
	if err != nil && gcerrors.Code(err) != gcerrors.NotFound && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("blob: deleting %s of %s: %w", path, b.name, err)
	}
	return nil
}
