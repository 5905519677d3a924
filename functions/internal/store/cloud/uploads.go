package cloud

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/aws/aws-sdk-go-v2/aws"
	"github.com/aws/aws-sdk-go-v2/service/s3"
	"github.com/aws/aws-sdk-go-v2/service/s3/types"

	"airwarrant/functions/internal/store/paging"
	"airwarrant/qualify/casework"
)

// uploadsPrefix begins the key of every upload. What the page puts straight
// into the bucket lies elsewhere.
const uploadsPrefix = "uploads/"

// objectKey returns the key of an upload; false if sha is no SHA-256 in
// lower-case hex.
func objectKey(sha string) (string, bool) {
	if len(sha) != 2*sha256.Size || strings.Trim(sha, "0123456789abcdef") != "" {
		return "", false
	}
	return uploadsPrefix + sha, true
}

// inMemory is the most bytes of an upload that are held in memory before they
// are sent; what is longer waits in a temporary file, see spool.
const inMemory = 1 << 20

// contextReader ends with the context's error when ctx ends.
type contextReader struct {
	ctx context.Context
	r   io.Reader
}

func (r contextReader) Read(p []byte) (int, error) {
	if err := r.ctx.Err(); err != nil {
		return 0, err
	}
	return r.r.Read(p)
}

// PutUpload implements casework.Store. What is there already is written anew,
// so that a damaged object is mended by sending it again.
func (s *Store) PutUpload(ctx context.Context, sha string, r io.Reader) error {
	key, ok := objectKey(sha)
	if !ok {
		return fmt.Errorf("upload %q: %w", sha, casework.ErrHash)
	}
	sum := sha256.New()
	in := io.TeeReader(contextReader{ctx, r}, sum)
	head, err := io.ReadAll(io.LimitReader(in, inMemory))
	if err != nil {
		return fmt.Errorf("upload %s: %w", sha, err)
	}
	body, size := io.ReadSeeker(bytes.NewReader(head)), int64(len(head))
	if size == inMemory {
		tmp, err := newSpool()
		if err != nil {
			return fmt.Errorf("upload %s: %w", sha, err)
		}
		defer tmp.Close()
		if size, err = io.Copy(tmp, io.MultiReader(bytes.NewReader(head), in)); err != nil {
			return fmt.Errorf("upload %s: %w", sha, err)
		}
		if _, err := tmp.Seek(0, io.SeekStart); err != nil {
			return fmt.Errorf("upload %s: %w", sha, err)
		}
		body = tmp
	}
	if found := hex.EncodeToString(sum.Sum(nil)); found != sha {
		return fmt.Errorf("upload %s: %w: found %s", sha, casework.ErrHash, found)
	}
	_, err = s.s3.PutObject(ctx, &s3.PutObjectInput{Bucket: &s.set.Bucket, Key: &key, Body: body, ContentLength: &size,
		ContentType: aws.String("application/octet-stream"), ChecksumSHA256: aws.String(base64.StdEncoding.EncodeToString(sum.Sum(nil)))})
	return failed(ctx, "upload "+sha, err)
}

// Upload implements casework.Store.
func (s *Store) Upload(ctx context.Context, sha string) (io.ReadCloser, error) {
	key, ok := objectKey(sha)
	if !ok {
		return nil, casework.ErrNotFound
	}
	out, err := s.s3.GetObject(ctx, &s3.GetObjectInput{Bucket: &s.set.Bucket, Key: &key})
	var none *types.NoSuchKey
	if errors.As(err, &none) {
		return nil, casework.ErrNotFound
	}
	if err != nil {
		return nil, failed(ctx, "reading upload "+sha, err)
	}
	return out.Body, nil
}

// pageOfObjects is the most objects that the bucket lists at once.
const pageOfObjects = 1000

// Uploads implements casework.Store.
func (s *Store) Uploads(ctx context.Context, after string, limit int) ([]casework.StoredUpload, string, error) {
	last, err := lastKey(paging.Uploads, after, limit)
	if err != nil {
		return nil, "", err
	}
	out, err := s.s3.ListObjectsV2(ctx, &s3.ListObjectsV2Input{Bucket: &s.set.Bucket, Prefix: aws.String(uploadsPrefix),
		StartAfter: aws.String(uploadsPrefix + last), MaxKeys: aws.Int32(int32(min(limit, pageOfObjects)))})
	if err != nil {
		return nil, "", failed(ctx, "listing uploads", err)
	}
	var found []casework.StoredUpload
	for _, o := range out.Contents {
		last = strings.TrimPrefix(aws.ToString(o.Key), uploadsPrefix)
		if _, ok := objectKey(last); ok {
			found = append(found, casework.StoredUpload{SHA256: last, Size: aws.ToInt64(o.Size), PutAt: aws.ToTime(o.LastModified).UTC()})
		}
	}
	if !aws.ToBool(out.IsTruncated) {
		return found, "", nil
	}
	return found, paging.Token(paging.Uploads, last), nil
}

// version is one version of an object, or a mark that it was removed.
type version struct {
	id     string
	at     time.Time
	latest bool
	mark   bool
}

// DeleteUpload implements casework.Store. All versions that are old enough go,
// the oldest first, so that none comes to light again. The bucket tells whole
// seconds: a version may be up to a second younger than it says.
func (s *Store) DeleteUpload(ctx context.Context, sha string, before time.Time) error {
	key, ok := objectKey(sha)
	if !ok {
		return nil
	}
	doing := "removing upload " + sha
	versions, err := s.versions(ctx, key)
	if err != nil {
		return failed(ctx, doing, err)
	}
	old := func(v version) bool { return !v.at.Add(time.Second).After(before) }
	for _, v := range versions {
		if v.latest && !v.mark && !old(v) {
			return nil
		}
	}
	for _, v := range slices.Backward(versions) {
		if !old(v) {
			continue
		}
		if _, err := s.s3.DeleteObject(ctx, &s3.DeleteObjectInput{Bucket: &s.set.Bucket, Key: &key, VersionId: &v.id}); err != nil {
			return failed(ctx, doing, err)
		}
	}
	return nil
}

// versions lists the versions of an object, the newest first.
func (s *Store) versions(ctx context.Context, key string) ([]version, error) {
	var out []version
	in := &s3.ListObjectVersionsInput{Bucket: &s.set.Bucket, Prefix: &key}
	for {
		page, err := s.s3.ListObjectVersions(ctx, in)
		if err != nil {
			return nil, err
		}
		for _, v := range page.Versions {
			if aws.ToString(v.Key) == key {
				out = append(out, version{aws.ToString(v.VersionId), aws.ToTime(v.LastModified), aws.ToBool(v.IsLatest), false})
			}
		}
		for _, v := range page.DeleteMarkers {
			if aws.ToString(v.Key) == key {
				out = append(out, version{aws.ToString(v.VersionId), aws.ToTime(v.LastModified), aws.ToBool(v.IsLatest), true})
			}
		}
		if !aws.ToBool(page.IsTruncated) {
			break
		}
		in.KeyMarker, in.VersionIdMarker = page.NextKeyMarker, page.NextVersionIdMarker
	}
	// Stable: of one instant the newer stands first, as the bucket listed it.
	slices.SortStableFunc(out, func(a, b version) int { return b.at.Compare(a.at) })
	return out, nil
}
