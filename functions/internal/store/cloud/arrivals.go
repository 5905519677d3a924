package cloud

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/aws/aws-sdk-go-v2/aws"
	"github.com/aws/aws-sdk-go-v2/service/s3"
	"github.com/aws/aws-sdk-go-v2/service/s3/types"

	"airwarrant/qualify/casework"
	"airwarrant/web"
)

// ArrivalsPrefix begins the key of every file that a browser puts into the
// bucket; the id of its ticket follows.
const ArrivalsPrefix = "arrivals/"

var _ web.Arrivals = (*Store)(nil)

// Form implements web.Arrivals: a form that the bucket itself checks, for one
// key, up to a size and a time.
func (s *Store) Form(ctx context.Context, id, back string, most int64, within time.Duration) (web.ArrivalForm, error) {
	fields := map[string]string{"success_action_redirect": back, "Content-Type": "application/octet-stream"}
	key := ArrivalsPrefix + id
	out, err := s3.NewPresignClient(s.s3).PresignPostObject(ctx, &s3.PutObjectInput{Bucket: &s.set.Bucket, Key: &key}, func(o *s3.PresignPostOptions) {
		o.Expires = within
		o.Conditions = []any{[]any{"content-length-range", 1, most}}
		for name, value := range fields {
			o.Conditions = append(o.Conditions, []any{"eq", "$" + name, value})
		}
	})
	if err != nil {
		return web.ArrivalForm{}, failed(ctx, "signing a form", err)
	}
	maps.Copy(fields, out.Values)
	form := web.ArrivalForm{Address: out.URL}
	for _, name := range slices.Sorted(maps.Keys(fields)) {
		form.Fields = append(form.Fields, web.ArrivalField{Name: name, Value: fields[name]})
	}
	return form, nil
}

// TicketOf returns the id of the ticket under which an object arrived, false
// if the key is of no arrival.
func TicketOf(key string) (id string, ok bool) {
	id, ok = strings.CutPrefix(key, ArrivalsPrefix)
	return id, ok && id != "" && !strings.Contains(id, "/")
}

// Arrival opens what arrived under a ticket, ErrNotFound if nothing did.
func (s *Store) Arrival(ctx context.Context, id string) (io.ReadCloser, error) {
	key := ArrivalsPrefix + id
	out, err := s.s3.GetObject(ctx, &s3.GetObjectInput{Bucket: &s.set.Bucket, Key: &key})
	var none *types.NoSuchKey
	if errors.As(err, &none) {
		return nil, fmt.Errorf("arrival %s: %w", id, casework.ErrNotFound)
	}
	if err != nil {
		return nil, failed(ctx, "reading arrival "+id, err)
	}
	return out.Body, nil
}

// DropArrival removes what arrived under a ticket, in all versions. No error
// if there is nothing.
func (s *Store) DropArrival(ctx context.Context, id string) error {
	key, doing := ArrivalsPrefix+id, "removing arrival "+id
	versions, err := s.versions(ctx, key)
	if err != nil {
		return failed(ctx, doing, err)
	}
	for _, v := range slices.Backward(versions) {
		if _, err := s.s3.DeleteObject(ctx, &s3.DeleteObjectInput{Bucket: &s.set.Bucket, Key: &key, VersionId: aws.String(v.id)}); err != nil {
			return failed(ctx, doing, err)
		}
	}
	return nil
}
