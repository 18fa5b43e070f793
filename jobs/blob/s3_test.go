package blob

import (
	"crypto/md5"
	"encoding/hex"
	"encoding/xml"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
)

// s3Peer speaks as much of the S3 REST protocol as the driver needs: PutObject,
// GetObject, HeadObject, ListObjectsV2 and DeleteObject of one bucket, path
// style, as the public API reference describes them. It does not check
// signatures, but refuses requests that have none.
type s3Peer struct {
	bucket string
	room   int // bytes that it still takes

	mu      sync.Mutex
	objects map[string]s3Object
	seen    map[string]int // requests by what they ask for
}

type s3Object struct {
	data []byte
	at   time.Time
}

// startS3 serves an empty bucket with room for so many bytes and returns its address.
func startS3(t *testing.T, room int) (*s3Peer, string) {
	t.Helper()
	t.Setenv("AWS_ACCESS_KEY_ID", "test")
	t.Setenv("AWS_SECRET_ACCESS_KEY", "test-secret")
	t.Setenv("AWS_CONFIG_FILE", "/dev/null")
	t.Setenv("AWS_SHARED_CREDENTIALS_FILE", "/dev/null")
	p := &s3Peer{bucket: "evidence", room: room, objects: map[string]s3Object{}, seen: map[string]int{}}
	server := httptest.NewServer(p)
	t.Cleanup(server.Close)
	return p, "s3://evidence/lab-7?endpoint=" + server.URL
}

func (p *s3Peer) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	p.mu.Lock()
	defer p.mu.Unlock()
	key, ours := strings.CutPrefix(r.URL.Path, "/"+p.bucket)
	key = strings.TrimPrefix(key, "/")
	switch {
	case !strings.Contains(r.Header.Get("Authorization"), "AWS4-HMAC-SHA256"):
		p.refuse(w, http.StatusForbidden, "AccessDenied")
	case !ours:
		p.refuse(w, http.StatusNotFound, "NoSuchBucket")
	case r.Method == http.MethodGet && key == "":
		p.list(w, r)
	case r.Method == http.MethodPut:
		p.put(w, r, key)
	case r.Method == http.MethodGet, r.Method == http.MethodHead:
		p.get(w, r, key)
	case r.Method == http.MethodDelete:
		p.seen["delete"]++
		delete(p.objects, key)
		w.WriteHeader(http.StatusNoContent)
	default:
		p.refuse(w, http.StatusNotImplemented, "NotImplemented")
	}
}

func (p *s3Peer) refuse(w http.ResponseWriter, status int, code string) {
	w.Header().Set("Content-Type", "application/xml")
	w.WriteHeader(status)
	fmt.Fprintf(w, `<?xml version="1.0" encoding="UTF-8"?><Error><Code>%s</Code><Message>%s</Message></Error>`, code, code)
}

func etag(data []byte) string {
	sum := md5.Sum(data)
	return `"` + hex.EncodeToString(sum[:]) + `"`
}

func (p *s3Peer) put(w http.ResponseWriter, r *http.Request, key string) {
	p.seen["put"]++
	data, err := io.ReadAll(r.Body)
	switch {
	case err != nil:
		p.refuse(w, http.StatusBadRequest, "IncompleteBody")
	case len(data) > p.room:
		p.refuse(w, http.StatusInsufficientStorage, "InsufficientStorage")
	default:
		p.room -= len(data)
		p.objects[key] = s3Object{data, time.Now().UTC()}
		w.Header().Set("ETag", etag(data))
	}
}

func (p *s3Peer) get(w http.ResponseWriter, r *http.Request, key string) {
	p.seen[strings.ToLower(r.Method)]++
	o, ok := p.objects[key]
	if !ok {
		p.refuse(w, http.StatusNotFound, "NoSuchKey")
		return
	}
	w.Header().Set("ETag", etag(o.data))
	w.Header().Set("Content-Type", "application/zstd")
	w.Header().Set("Content-Length", fmt.Sprint(len(o.data)))
	w.Header().Set("Last-Modified", o.at.Format(http.TimeFormat))
	if r.Method == http.MethodGet {
		_, _ = w.Write(o.data) // a client that went away is its own affair
	}
}

// list answers ListObjectsV2, two keys a page, so that pages are turned.
func (p *s3Peer) list(w http.ResponseWriter, r *http.Request) {
	p.seen["list"]++
	q := r.URL.Query()
	if q.Get("list-type") != "2" {
		p.refuse(w, http.StatusNotImplemented, "NotImplemented")
		return
	}
	type contents struct {
		Key, LastModified, ETag string
		Size                    int
	}
	answer := struct {
		XMLName               xml.Name `xml:"ListBucketResult"`
		IsTruncated           bool
		NextContinuationToken string `xml:",omitempty"`
		Contents              []contents
	}{}
	var keys []string
	for key := range p.objects {
		if strings.HasPrefix(key, q.Get("prefix")) && key > q.Get("continuation-token") {
			keys = append(keys, key)
		}
	}
	slices.Sort(keys)
	for i, key := range keys {
		if i == 2 {
			answer.IsTruncated, answer.NextContinuationToken = true, keys[1]
			break
		}
		o := p.objects[key]
		answer.Contents = append(answer.Contents, contents{key, o.at.Format(time.RFC3339), etag(o.data), len(o.data)})
	}
	w.Header().Set("Content-Type", "application/xml")
	if err := xml.NewEncoder(w).Encode(answer); err != nil {
		p.refuse(w, http.StatusInternalServerError, "InternalError")
	}
}
