package blob

import (
	"context"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strings"

	cloud "gocloud.dev/blob"
	"gocloud.dev/blob/fileblob"
	"gocloud.dev/blob/s3blob"
)

// OpenBucket opens the bucket at an address: the path of a local folder, which
// is made when it is not there, or s3://BUCKET/PREFIX with the parameters
//
//	endpoint=URL   of a service that speaks the S3 protocol
//	region=NAME    where it has some
//
// and those of the S3 driver. Credentials come from the environment
// (AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY, or what the S3 library finds),
// never from the address.
func OpenBucket(ctx context.Context, address string) (*Bucket, error) {
	scheme, _, isURL := strings.Cut(address, "://")
	switch {
	case address == "":
		return nil, fmt.Errorf("blob: the store has no address; name a folder or s3://bucket")
	case !isURL:
		return openFolder(address)
	case scheme == s3blob.Scheme:
		return openS3(ctx, address)
	}
	return nil, fmt.Errorf("blob: %q: stores are local folders or s3://bucket?endpoint=https://host", address)
}

func openFolder(folder string) (*Bucket, error) {
	folder, err := filepath.Abs(folder)
	if err != nil {
		return nil, fmt.Errorf("blob: %w", err)
	}
	if err := os.MkdirAll(folder, 0o700); err != nil {
		return nil, fmt.Errorf("blob: the folder of the store cannot be made: %w; choose another one with --blobs", err)
	}
	// Temporary files lie beside the objects, so that they can be renamed; the
	// content explains itself, so that no files with attributes are needed.
	bucket, err := fileblob.OpenBucket(folder, &fileblob.Options{NoTempDir: true, Metadata: fileblob.MetadataDontWrite, DirFileMode: 0o700})
	if err != nil {
		return nil, fmt.Errorf("blob: opening %s: %w", folder, err)
	}
	b, err := NewBucket(bucket, folder)
	if err == nil {
		b.folder = folder
	}
	return b, err
}

func openS3(ctx context.Context, address string) (*Bucket, error) {
	u, err := url.Parse(address)
	if err != nil || u.Host == "" {
		return nil, fmt.Errorf("blob: %q is no address of a store; want s3://bucket/prefix?endpoint=https://host", address)
	}
	if u.User != nil {
		return nil, fmt.Errorf("blob: credentials do not belong into the address of the store; set AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY in the environment")
	}
	query := u.Query()
	name := "s3://" + u.Host + u.Path
	if endpoint := query.Get("endpoint"); endpoint != "" {
		name += " at " + endpoint
		// What most services other than the first one want.
		for key, value := range map[string]string{"use_path_style": "true", "region": "us-east-1",
			"request_checksum_calculation": "when_required", "response_checksum_validation": "when_required"} {
			if !query.Has(key) {
				query.Set(key, value)
			}
		}
	}
	opener := &s3blob.URLOpener{}
	bucket, err := opener.OpenBucketURL(ctx, &url.URL{Scheme: u.Scheme, Host: u.Host, RawQuery: query.Encode()})
	if err != nil {
		return nil, fmt.Errorf("blob: opening %s: %w", name, err)
	}
	if prefix := strings.Trim(u.Path, "/"); prefix != "" {
		bucket = cloud.PrefixedBucket(bucket, prefix+"/")
	}
	return NewBucket(bucket, name)
}
