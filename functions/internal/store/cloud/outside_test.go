//go:build outside

package cloud_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"mime/multipart"
	"net/http"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/aws/aws-sdk-go-v2/service/dynamodb"
	"github.com/aws/aws-sdk-go-v2/service/dynamodb/types"
	"github.com/aws/aws-sdk-go-v2/service/s3"

	"airwarrant/functions/internal/store/cloud"
	"airwarrant/functions/internal/store/cloud/cloudtest"
	"airwarrant/qualify/casework"
	"airwarrant/qualify/casework/storetest"
	"airwarrant/web"
)

// The suite that every store passes, against a table service and an object
// service that are not ours: dynalite and versitygw, each a process.
func TestOutsideSuite(t *testing.T) {
	v := cloudtest.Start(t)
	storetest.Run(t, func(t *testing.T) casework.Store { return v.Store(t) })
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func hash(data []byte) string {
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:])
}

// lossy loses the answer to the next put that the service carried out.
type lossy struct {
	lose bool
	lost int
}

func (l *lossy) RoundTrip(r *http.Request) (*http.Response, error) {
	resp, err := http.DefaultTransport.RoundTrip(r)
	if err == nil && l.lose && strings.HasSuffix(r.Header.Get("X-Amz-Target"), ".PutItem") && resp.StatusCode == http.StatusOK {
		l.lose = false
		l.lost++
		resp.Body.Close()
		return nil, io.ErrUnexpectedEOF
	}
	return resp, err
}

// A put whose answer was lost on the way is sent again, and is no conflict
// with itself; a second writer's still is.
func TestOutsideLostAnswer(t *testing.T) {
	v := cloudtest.Start(t)
	set := v.New(t)
	line := &lossy{}
	db, objects := v.Clients(line)
	s, err := cloud.New(db, objects, set)
	must(t, err)
	ctx := t.Context()
	e := casework.Event{Case: "2603-7KQ4X2", K: 1, At: time.Unix(0, 0).UTC(), Change: json.RawMessage("{}")}
	puts := map[string]func() error{
		"event":  func() error { return s.PutEvent(ctx, e) },
		"key":    func() error { return s.PutKey(ctx, "a", []byte("key")) },
		"entry":  func() error { return s.PutEntry(ctx, casework.Entry{Ledger: "l", N: 1, Change: json.RawMessage("{}")}) },
		"anchor": func() error { return s.PutAnchor(ctx, casework.Anchor{Day: "2026-03-02", Hash: "h"}) },
		"note":   func() error { return s.SwapNote(ctx, "kind", "key", nil, []byte("1")) },
	}
	for name, put := range puts {
		line.lose = true
		if err := put(); err != nil {
			t.Errorf("%s, its answer lost: %v", name, err)
		}
		if err := put(); !errors.Is(err, casework.ErrConflict) {
			t.Errorf("%s put by a second writer: %v", name, err)
		}
	}
	line.lose = true
	must(t, s.SwapNote(ctx, "kind", "key", []byte("1"), []byte("2")))
	if line.lost != len(puts)+1 {
		t.Errorf("%d answers were lost, want %d", line.lost, len(puts)+1)
	}
}

// The largest change that casework takes fits, whatever letters it has; more
// than the table takes is refused before it is sent.
func TestOutsideLargest(t *testing.T) {
	s := cloudtest.Start(t).Store(t)
	ctx := t.Context()
	number, err := casework.NewNumber(time.Unix(0, 0), rand.NewChaCha8([32]byte{}))
	must(t, err)
	st := casework.Stamp{At: time.Unix(0, 0), By: "account-1", Role: casework.RoleIntake}
	c, err := casework.Create(ctx, s, number, st, casework.Opened{Criteria: []string{"xx-example"}})
	must(t, err)
	for _, letters := range []string{"<", "é", "\u2028"} {
		const frame = 200
		value := strings.Repeat(letters, (casework.MaxChange-frame)/max(len(letters), 1)/2)
		if letters == "<" {
			value = strings.Repeat(letters, casework.MaxChange-frame)
		}
		data, err := json.Marshal(value)
		must(t, err)
		must(t, c.Append(ctx, s, st, casework.FactsStated{Facts: map[string]casework.Stated{"words": {Fact: data}}}))
	}
	read, err := casework.Open(ctx, s, number)
	must(t, err)
	if read.Hash != c.Hash || read.K != 4 {
		t.Errorf("read event %d, %s; wrote %d, %s", read.K, read.Hash, c.K, c.Hash)
	}
	if err := s.PutNote(ctx, "kind", "key", make([]byte, 400<<10)); !errors.Is(err, casework.ErrRefused) || !strings.Contains(err.Error(), "expected at most 399360 bytes, found 409600") {
		t.Errorf("a note that no item holds: %v", err)
	}
}

// An upload that is deleted is gone in all its versions; one that was put
// anew keeps what is young enough.
func TestOutsideVersions(t *testing.T) {
	v := cloudtest.Start(t)
	set := v.New(t)
	db, objects := v.Clients(nil)
	s, err := cloud.New(db, objects, set)
	must(t, err)
	ctx := t.Context()
	data := []byte("a recording")
	sha := hash(data)
	key := "uploads/" + sha
	versions := func() (n int) {
		t.Helper()
		out, err := objects.ListObjectVersions(ctx, &s3.ListObjectVersionsInput{Bucket: &set.Bucket, Prefix: &key})
		must(t, err)
		return len(out.Versions) + len(out.DeleteMarkers)
	}
	put := func() { must(t, s.PutUpload(ctx, sha, bytes.NewReader(data))) }
	put()
	put()
	// Removed by hand, and sent again.
	_, err = objects.DeleteObject(ctx, &s3.DeleteObjectInput{Bucket: &set.Bucket, Key: &key})
	must(t, err)
	if _, err := s.Upload(ctx, sha); !errors.Is(err, casework.ErrNotFound) {
		t.Errorf("removed by hand: %v", err)
	}
	put()
	if n := versions(); n != 4 {
		t.Fatalf("%d versions of two puts, a removal and a put; does the stand-in keep versions?", n)
	}
	must(t, s.DeleteUpload(ctx, sha, time.Now().Add(-time.Hour)))
	if n := versions(); n != 4 {
		t.Errorf("%d versions after a removal of what is older", n)
	}
	must(t, s.DeleteUpload(ctx, sha, time.Now().Add(time.Hour)))
	if n := versions(); n != 0 {
		t.Errorf("%d versions are left", n)
	}
	// Damaged bytes under the right name are mended by sending them again.
	_, err = objects.PutObject(ctx, &s3.PutObjectInput{Bucket: &set.Bucket, Key: &key, Body: strings.NewReader("damaged")})
	must(t, err)
	if r, err := casework.Audit(ctx, s); err != nil || len(r.Faults) != 1 || !strings.Contains(r.Faults[0].Where+r.Faults[0].What, sha) {
		t.Errorf("a damaged upload: %+v, %v", r, err)
	}
	put()
	if r, err := casework.Audit(ctx, s); err != nil || len(r.Faults) != 0 {
		t.Errorf("sent again: %+v, %v", r, err)
	}
}

// A list holds what its heads say, even while the index still says otherwise.
func TestOutsideStaleIndex(t *testing.T) {
	v := cloudtest.Start(t)
	set := v.New(t)
	db, objects := v.Clients(nil)
	s, err := cloud.New(db, objects, set)
	must(t, err)
	ctx := t.Context()
	for i := range 3 {
		must(t, s.PutHead(ctx, casework.Head{Case: fmt.Sprint("case-", i), K: 1, State: casework.StateOpen}))
	}
	_, err = db.UpdateItem(ctx, &dynamodb.UpdateItemInput{TableName: &set.Table,
		Key:                       map[string]types.AttributeValue{"pk": &types.AttributeValueMemberS{Value: "heads"}, "sk": &types.AttributeValueMemberS{Value: "case-1"}},
		UpdateExpression:          new("SET #s = :s"),
		ExpressionAttributeNames:  map[string]string{"#s": "state"},
		ExpressionAttributeValues: map[string]types.AttributeValue{":s": &types.AttributeValueMemberS{Value: "state closed"}}})
	must(t, err)
	for state, want := range map[casework.State]int{casework.StateOpen: 2, casework.StateClosed: 0} {
		hs, next, err := s.List(ctx, casework.Selection{State: state}, "", 10)
		if err != nil || next != "" || len(hs) != want {
			t.Errorf("%s lists %+v, %q, %v", state, hs, next, err)
		}
	}
}

// Notes of a kind that does not last say when they end, in Unix seconds.
func TestOutsideNotesEnd(t *testing.T) {
	v := cloudtest.Start(t)
	set := v.New(t)
	set.Last = map[string]time.Duration{"session": time.Hour}
	db, objects := v.Clients(nil)
	s, err := cloud.New(db, objects, set)
	must(t, err)
	ctx := t.Context()
	before := time.Now()
	must(t, s.SwapNote(ctx, "session", "a", nil, []byte("x")))
	must(t, s.PutNote(ctx, "session/of-one", "a", []byte("x")))
	must(t, s.PutNote(ctx, "mapping", "a", []byte("x")))
	for kind, ends := range map[string]bool{"session": true, "session/of-one": true, "mapping": false} {
		out, err := db.GetItem(ctx, &dynamodb.GetItemInput{TableName: &set.Table,
			Key: map[string]types.AttributeValue{"pk": &types.AttributeValueMemberS{Value: "note/" + kind}, "sk": &types.AttributeValueMemberS{Value: "a"}}})
		must(t, err)
		at, ok := out.Item[cloud.EndsAttribute].(*types.AttributeValueMemberN)
		if ok != ends {
			t.Errorf("%s: %+v", kind, out.Item)
		}
		if !ends {
			continue
		}
		seconds, err := strconv.ParseInt(at.Value, 10, 64)
		if err != nil || seconds < before.Add(time.Hour).Unix() || seconds > time.Now().Add(time.Hour).Unix() {
			t.Errorf("ends at %s: %v", at.Value, err)
		}
	}
}

// send fills in a form and posts it as a browser does, and returns the answer
// without following it.
func send(t *testing.T, form web.ArrivalForm, change map[string]string, data []byte) *http.Response {
	t.Helper()
	var body bytes.Buffer
	mw := multipart.NewWriter(&body)
	for _, f := range form.Fields {
		if v, ok := change[f.Name]; ok {
			f.Value = v
		}
		must(t, mw.WriteField(f.Name, f.Value))
	}
	w, err := mw.CreateFormFile("file", "Invented Name.csv")
	must(t, err)
	_, err = w.Write(data)
	must(t, err)
	must(t, mw.Close())
	client := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	resp, err := client.Post(form.Address, mw.FormDataContentType(), &body)
	must(t, err)
	resp.Body.Close()
	return resp
}

// The form of an arrival is good for what it was made for, and for nothing
// else: the stand-in, as the service itself, checks signature and policy.
func TestOutsideArrival(t *testing.T) {
	s := cloudtest.Start(t).Store(t)
	ctx := t.Context()
	const back = "https://oxygen.example.org/cases/x/arrivals/ticket-1"
	form, err := s.Form(ctx, "ticket-1", back, 100, time.Minute)
	must(t, err)
	for name, tt := range map[string]struct {
		change map[string]string
		size   int
	}{
		"too large":        {nil, 101},
		"empty":            {nil, 0},
		"another key":      {map[string]string{"key": "arrivals/ticket-2"}, 10},
		"among uploads":    {map[string]string{"key": "uploads/" + hash(nil)}, 10},
		"sent elsewhere":   {map[string]string{"success_action_redirect": "https://elsewhere.example.org/"}, 10},
		"forged signature": {map[string]string{"X-Amz-Signature": strings.Repeat("0", 64)}, 10},
	} {
		if resp := send(t, form, tt.change, make([]byte, tt.size)); resp.StatusCode < 400 {
			t.Errorf("%s: %s", name, resp.Status)
		}
		for _, id := range []string{"ticket-1", "ticket-2"} {
			if _, err := s.Arrival(ctx, id); !errors.Is(err, casework.ErrNotFound) {
				t.Errorf("%s: %s arrived: %v", name, id, err)
			}
		}
	}
	over, err := s.Form(ctx, "ticket-1", back, 100, time.Second)
	must(t, err)
	resp := send(t, form, nil, []byte("SpO2\n88\n"))
	if resp.StatusCode != http.StatusSeeOther || !strings.HasPrefix(resp.Header.Get("Location"), back+"?") {
		t.Errorf("%s, sent on to %s", resp.Status, resp.Header.Get("Location"))
	}
	r, err := s.Arrival(ctx, "ticket-1")
	must(t, err)
	got, err := io.ReadAll(r)
	must(t, errors.Join(err, r.Close()))
	if string(got) != "SpO2\n88\n" {
		t.Errorf("arrived %q", got)
	}
	for range 2 {
		must(t, s.DropArrival(ctx, "ticket-1"))
		if _, err := s.Arrival(ctx, "ticket-1"); !errors.Is(err, casework.ErrNotFound) {
			t.Errorf("after it was removed: %v", err)
		}
	}
	time.Sleep(2 * time.Second) // the form ends
	if resp := send(t, over, nil, []byte("SpO2\n88\n")); resp.StatusCode < 400 {
		t.Errorf("a form that has ended: %s", resp.Status)
	}
	if list, _, err := s.Uploads(ctx, "", 10); err != nil || len(list) != 0 {
		t.Errorf("among the uploads: %v, %v", list, err)
	}
}
