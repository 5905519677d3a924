// Package cloud is the store without a server: what is small in one table of
// DynamoDB, uploads in one bucket of S3.
//
// Call Open with the names of both, or New with clients made otherwise. Table
// describes the table that it needs; template.yaml makes the same one.
//
// # The table
//
// Each item has a partition "pk" and a sort key "sk", both text. "v" holds
// what the item is about, as bytes, and "w" a word of its writer: a put whose
// answer was lost is sent again by the client, meets itself, and knows itself
// by that word, so that nobody is told that somebody else wrote first.
//
//	pk            sk          what it is
//	cases         CASE        event 1 of a case
//	case/CASE     e/00000002  a later event
//	case/CASE     key         the key of a case; without v it was destroyed
//	case/CASE     p/ID        a sealed personal value
//	heads         CASE        the projection of a case
//	ledgers       NAME        entry 1 of a ledger
//	ledger/NAME   0000000002  a later entry
//	anchors       DAY         an anchor
//	note/KIND     KEY         a note; "ends" where its kind does not last
//
// The first event of a case, and the first entry of a ledger, lie in one
// partition with all others of their sort: so the list of cases is the first
// events themselves, read consistently, and needs no second write.
//
// # Access patterns
//
//	PutEvent       get of event K-1, then a put of K on condition that it is absent
//	Events         get of event 1, query of the others
//	Cases, Heads   query of one partition, by case
//	PutHead        put on condition that the stored event is not later
//	List           query of an index by state, owner or payer, then get of the
//	               heads, 100 at a time
//	PutKey         put on condition that it is absent
//	PutEntry       as PutEvent
//	LastEntry      query of one item, backwards
//	SwapNote       put on condition that the old bytes stand there
//	Inventory      scan of the whole table, by a move alone
//
// Every write is of one item, and there are no transactions. Everything but
// the indexes is read consistently; an index follows in a moment, as
// casework.Store allows of List. Nine indexes hold the keys and what is
// selected by, and no line itself, so that a change of a case that moves it in
// no list writes to no index. Cases that are worked on lie in few partitions
// by state; the closed ones, which are many, are asked for by owner or by
// payer where one is given. Lists of several partitions are merged as they are read.
//
// # The bucket
//
// An upload is the object "uploads/SHA256". Its bytes are hashed on the way
// in, before the object is made, and the bucket proves the same hash again.
// DeleteUpload removes all versions of the object, because retention means it;
// an upload that is put anew meanwhile is another version and stays. What a
// browser puts into the bucket itself is "arrivals/TICKET", and goes when it
// was taken or refused.
//
// # What it does not do
//
// The copies that the services keep by themselves (point-in-time recovery of
// the table, at most 35 days) outlive DestroyPersonal, as backups of the local
// store do: a destroyed key is gone for good when that time has passed. An
// item takes at most 400 KB, and a put of more is refused.
package cloud

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/aws/aws-sdk-go-v2/aws"
	"github.com/aws/aws-sdk-go-v2/config"
	"github.com/aws/aws-sdk-go-v2/service/dynamodb"
	"github.com/aws/aws-sdk-go-v2/service/dynamodb/types"
	"github.com/aws/aws-sdk-go-v2/service/s3"
	s3types "github.com/aws/aws-sdk-go-v2/service/s3/types"

	"airwarrant/functions/internal/store/paging"
	"airwarrant/qualify/casework"
)

// Settings name what a store lies in. Every field but Last is needed.
type Settings struct {
	Table, Bucket string
	// Last says of kinds of notes, by what stands before a slash in the kind,
	// how long one lasts after it was put: the table removes it some days later
	// by itself. Notes of other kinds stay.
	Last map[string]time.Duration
}

// Store is a casework.Store in a table and a bucket. It may be used from
// several goroutines and several processes.
type Store struct {
	db  *dynamodb.Client
	s3  *s3.Client
	set Settings
}

var _ casework.Store = (*Store)(nil)

// Open makes the clients from what the environment says (region, credentials,
// addresses of stand-ins) and returns the store. It asks neither service.
func Open(ctx context.Context, set Settings) (*Store, error) {
	cfg, err := load(ctx)
	if err != nil {
		return nil, err
	}
	return New(dynamodb.NewFromConfig(cfg), s3.NewFromConfig(cfg, func(o *s3.Options) {
		// A stand-in has one address for all buckets.
		o.UsePathStyle = os.Getenv("AWS_ENDPOINT_URL_S3") != ""
	}), set)
}

// load reads what the environment says.
func load(ctx context.Context) (aws.Config, error) {
	cfg, err := config.LoadDefaultConfig(ctx)
	if err != nil {
		return cfg, fmt.Errorf("settings of the cloud: %w", err)
	}
	if cfg.Region == "" {
		return cfg, errors.New("settings of the cloud: expected a region, found none; set AWS_REGION")
	}
	return cfg, nil
}

// New returns the store of a table and a bucket through the clients given.
func New(db *dynamodb.Client, objects *s3.Client, set Settings) (*Store, error) {
	if db == nil || objects == nil || set.Table == "" || set.Bucket == "" {
		return nil, fmt.Errorf("cloud store: expected two clients, a table and a bucket; found table %q and bucket %q", set.Table, set.Bucket)
	}
	return &Store{db: db, s3: objects, set: set}, nil
}

// Partitions that hold items of many cases, ledgers or days.
const (
	casesPart   = "cases"
	headsPart   = "heads"
	ledgersPart = "ledgers"
	anchorsPart = "anchors"
)

// Attributes besides the keys.
const (
	attrValue  = "v"
	attrWriter = "w"
	attrK      = "k"      // number of a head's last event
	attrEnds   = "ends"   // when the table may remove a note, in Unix seconds
	attrState  = "state"  // of a head; never empty, because an index needs it
	attrOwner  = "owner"  // likewise
	attrRegion = "region" // likewise
)

// keySpace is the longest sort key, itemSpace the most bytes of a value, so
// that with its keys it fits in an item of 400 KB (from memory of the
// service's published quotas).
const (
	keySpace  = 1024
	itemSpace = 390 << 10
)

type item = map[string]types.AttributeValue

func text(s string) types.AttributeValue { return &types.AttributeValueMemberS{Value: s} }
func raw(b []byte) types.AttributeValue  { return &types.AttributeValueMemberB{Value: b} }
func number(n int64) types.AttributeValue {
	return &types.AttributeValueMemberN{Value: strconv.FormatInt(n, 10)}
}

// at is an item's keys.
func at(pk, sk string) item { return item{"pk": text(pk), "sk": text(sk)} }

func textOf(v types.AttributeValue) string {
	if s, ok := v.(*types.AttributeValueMemberS); ok {
		return s.Value
	}
	return ""
}

func valueOf(it item) ([]byte, bool) {
	b, ok := it[attrValue].(*types.AttributeValueMemberB)
	if !ok {
		return nil, false
	}
	return append([]byte{}, b.Value...), true
}

// failed words an error of a service. The context's own error stays, in
// whatever the client wrapped it.
func failed(ctx context.Context, doing string, err error) error {
	if err == nil {
		return nil
	}
	if ctx.Err() != nil {
		return ctx.Err()
	}
	var noTable *types.ResourceNotFoundException
	var noBucket *s3types.NoSuchBucket
	switch {
	case errors.As(err, &noTable):
		return fmt.Errorf("%s: there is no such table in this region; check its name, the region and the account: %w", doing, err)
	case errors.As(err, &noBucket):
		return fmt.Errorf("%s: there is no such bucket; check its name and the account: %w", doing, err)
	}
	return fmt.Errorf("%s: %w", doing, err)
}

// encode returns the JSON of v, without the escapes that would lengthen it.
func encode(v any) ([]byte, error) {
	var out bytes.Buffer
	enc := json.NewEncoder(&out)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(v); err != nil {
		return nil, err
	}
	return bytes.TrimSuffix(out.Bytes(), []byte("\n")), nil
}

// condition is what has to hold of the stored item for a put; the zero value
// holds of every one.
type condition struct {
	expression string
	names      map[string]string
	values     item
}

var absent = condition{expression: "attribute_not_exists(pk)"}

// put stores an item if cond holds, else gives ErrConflict.
func (s *Store) put(ctx context.Context, doing string, it item, cond condition) error {
	if v, ok := valueOf(it); ok && len(v) > itemSpace {
		return fmt.Errorf("%s: %w: expected at most %d bytes, found %d", doing, casework.ErrRefused, itemSpace, len(v))
	}
	word := make([]byte, 16)
	if _, err := rand.Read(word); err != nil {
		return fmt.Errorf("%s: %w", doing, err)
	}
	it[attrWriter] = raw(word)
	in := &dynamodb.PutItemInput{TableName: &s.set.Table, Item: it, ExpressionAttributeNames: cond.names, ExpressionAttributeValues: cond.values}
	if cond.expression != "" {
		in.ConditionExpression = &cond.expression
	}
	_, err := s.db.PutItem(ctx, in)
	var refused *types.ConditionalCheckFailedException
	if !errors.As(err, &refused) {
		return failed(ctx, doing, err)
	}
	// It may have met itself.
	stored, err := s.get(ctx, doing, textOf(it["pk"]), textOf(it["sk"]))
	if err != nil {
		return err
	}
	if w, ok := stored[attrWriter].(*types.AttributeValueMemberB); ok && bytes.Equal(w.Value, word) {
		return nil
	}
	return casework.ErrConflict
}

// get reads an item; it is empty if there is none.
func (s *Store) get(ctx context.Context, doing, pk, sk string) (item, error) {
	if sk == "" {
		return nil, ctx.Err() // the table has no such key
	}
	out, err := s.db.GetItem(ctx, &dynamodb.GetItemInput{TableName: &s.set.Table, Key: at(pk, sk), ConsistentRead: aws.Bool(true)})
	if err != nil {
		return nil, failed(ctx, doing, err)
	}
	return out.Item, nil
}

// value reads what an item is about, ErrNotFound if there is none.
func (s *Store) value(ctx context.Context, doing, pk, sk string) ([]byte, error) {
	it, err := s.get(ctx, doing, pk, sk)
	if err != nil {
		return nil, err
	}
	v, ok := valueOf(it)
	if !ok {
		return nil, casework.ErrNotFound
	}
	return v, nil
}

// read decodes what an item holds as JSON.
func read[T any](doing string, it item) (T, error) {
	var v T
	data, ok := valueOf(it)
	if !ok {
		return v, fmt.Errorf("%s: item %q of %q: expected a value, found none; restore the table from a backup", doing, textOf(it["sk"]), textOf(it["pk"]))
	}
	if err := json.Unmarshal(data, &v); err != nil {
		return v, fmt.Errorf("%s: item %q of %q: %w; restore the table from a backup", doing, textOf(it["sk"]), textOf(it["pk"]), err)
	}
	return v, nil
}

// eventAt is where event k of a case lies.
func eventAt(caseID string, k int) (pk, sk string) {
	if k == 1 {
		return casesPart, caseID
	}
	return "case/" + caseID, fmt.Sprintf("e/%08d", k)
}

// entryAt is where entry n of a ledger lies.
func entryAt(ledger string, n int) (pk, sk string) {
	if n == 1 {
		return ledgersPart, ledger
	}
	return "ledger/" + ledger, fmt.Sprintf("%010d", n)
}

// putLink stores link k of a chain if link k-1 stands and k does not.
func (s *Store) putLink(ctx context.Context, doing string, k int, at func(k int) (pk, sk string), link any) error {
	if k < 1 {
		return casework.ErrConflict
	}
	data, err := encode(link)
	if err != nil {
		return fmt.Errorf("%s: %w", doing, err)
	}
	if k > 1 {
		pk, sk := at(k - 1)
		before, err := s.get(ctx, doing, pk, sk)
		if err != nil {
			return err
		}
		if len(before) == 0 {
			return casework.ErrConflict
		}
	}
	pk, sk := at(k)
	return s.put(ctx, doing, item{"pk": text(pk), "sk": text(sk), attrValue: raw(data)}, absent)
}

// links reads at most limit links of a chain from k on; all if limit is 0.
func links[T any](ctx context.Context, s *Store, doing string, from, limit int, at func(k int) (pk, sk string)) ([]T, error) {
	var out []T
	if from <= 1 {
		pk, sk := at(1)
		first, err := s.get(ctx, doing, pk, sk)
		if err != nil {
			return nil, err
		}
		if len(first) == 0 {
			return nil, nil
		}
		v, err := read[T](doing, first)
		if err != nil {
			return nil, err
		}
		out, from = append(out, v), 2
	}
	pk, first := at(from)
	_, last := at(1<<31 - 1)
	in := &dynamodb.QueryInput{
		TableName: &s.set.Table, ConsistentRead: aws.Bool(true),
		KeyConditionExpression:    aws.String("pk = :p AND sk BETWEEN :from AND :to"),
		ExpressionAttributeValues: item{":p": text(pk), ":from": text(first), ":to": text(last)},
	}
	for limit == 0 || len(out) < limit {
		if limit > 0 {
			in.Limit = aws.Int32(int32(limit - len(out)))
		}
		page, err := s.db.Query(ctx, in)
		if err != nil {
			return nil, failed(ctx, doing, err)
		}
		for _, it := range page.Items {
			v, err := read[T](doing, it)
			if err != nil {
				return nil, err
			}
			out = append(out, v)
		}
		if in.ExclusiveStartKey = page.LastEvaluatedKey; len(in.ExclusiveStartKey) == 0 {
			break
		}
	}
	return out, nil
}

// PutEvent implements casework.Store.
func (s *Store) PutEvent(ctx context.Context, e casework.Event) error {
	return s.putLink(ctx, "storing an event", e.K, func(k int) (string, string) { return eventAt(e.Case, k) }, e)
}

// Events implements casework.Store.
func (s *Store) Events(ctx context.Context, caseID string, from int) ([]casework.Event, error) {
	return links[casework.Event](ctx, s, "reading events", from, 0, func(k int) (string, string) { return eventAt(caseID, k) })
}

// PutEntry implements casework.Store.
func (s *Store) PutEntry(ctx context.Context, e casework.Entry) error {
	return s.putLink(ctx, "storing an entry", e.N, func(n int) (string, string) { return entryAt(e.Ledger, n) }, e)
}

// Entries implements casework.Store.
func (s *Store) Entries(ctx context.Context, ledger string, from, limit int) ([]casework.Entry, error) {
	if limit < 1 {
		return nil, fmt.Errorf("expected 1 entry or more, found %d", limit)
	}
	return links[casework.Entry](ctx, s, "reading entries", from, limit, func(n int) (string, string) { return entryAt(ledger, n) })
}

// LastEntry implements casework.Store.
func (s *Store) LastEntry(ctx context.Context, ledger string) (casework.Entry, error) {
	const doing = "reading the last entry"
	pk, _ := entryAt(ledger, 2)
	out, err := s.db.Query(ctx, &dynamodb.QueryInput{
		TableName: &s.set.Table, ConsistentRead: aws.Bool(true), ScanIndexForward: aws.Bool(false), Limit: aws.Int32(1),
		KeyConditionExpression: aws.String("pk = :p"), ExpressionAttributeValues: item{":p": text(pk)},
	})
	if err != nil {
		return casework.Entry{}, failed(ctx, doing, err)
	}
	var last item
	if len(out.Items) > 0 {
		last = out.Items[0]
	} else if last, err = s.get(ctx, doing, ledgersPart, ledger); err != nil {
		return casework.Entry{}, err
	}
	if len(last) == 0 {
		return casework.Entry{}, casework.ErrNotFound
	}
	return read[casework.Entry](doing, last)
}

// PutHead implements casework.Store.
func (s *Store) PutHead(ctx context.Context, h casework.Head) error {
	data, err := encode(h)
	if err != nil {
		return fmt.Errorf("head of case %s: %w", h.Case, err)
	}
	it := item{"pk": text(headsPart), "sk": text(h.Case), attrValue: raw(data), attrK: number(int64(h.K)),
		attrState: text(stateWord(h.State)), attrOwner: text(ownerWord(h.Owner)), attrRegion: text(regionWord(h.Region()))}
	for _, o := range casework.Orders() {
		it[string(o)] = text(orderKey(o, h))
	}
	err = s.put(ctx, "storing a head", it, condition{"attribute_not_exists(pk) OR #k <= :k",
		map[string]string{"#k": attrK}, item{":k": number(int64(h.K))}})
	if errors.Is(err, casework.ErrConflict) {
		return nil // the stored head is of a later event
	}
	return err
}

// personalAt is the partition of what lies beside the chain of a case.
func personalAt(caseID string) string { return "case/" + caseID }

const (
	keyItem      = "key"
	personalItem = "p/"
)

// PutKey implements casework.Store.
func (s *Store) PutKey(ctx context.Context, caseID string, key []byte) error {
	return s.put(ctx, "storing the key of a case", item{"pk": text(personalAt(caseID)), "sk": text(keyItem), attrValue: raw(key)}, absent)
}

// Key implements casework.Store.
func (s *Store) Key(ctx context.Context, caseID string) ([]byte, error) {
	it, err := s.get(ctx, "reading the key of a case", personalAt(caseID), keyItem)
	if err != nil {
		return nil, err
	}
	if len(it) == 0 {
		return nil, casework.ErrNotFound
	}
	key, ok := valueOf(it)
	if !ok {
		return nil, casework.ErrDestroyed
	}
	return key, nil
}

// PutPersonal implements casework.Store.
func (s *Store) PutPersonal(ctx context.Context, caseID, id string, sealed []byte) error {
	err := s.put(ctx, "storing a personal value", item{"pk": text(personalAt(caseID)), "sk": text(personalItem + id), attrValue: raw(sealed)}, absent)
	if errors.Is(err, casework.ErrConflict) {
		return nil // id is its hash, so what is there is the same
	}
	return err
}

// Personal implements casework.Store.
func (s *Store) Personal(ctx context.Context, caseID, id string) ([]byte, error) {
	return s.value(ctx, "reading a personal value", personalAt(caseID), personalItem+id)
}

// PersonalIDs implements casework.Store.
func (s *Store) PersonalIDs(ctx context.Context, caseID, after string, limit int) ([]string, string, error) {
	const doing = "listing personal values"
	last, err := lastKey(paging.Values, after, limit)
	if err != nil {
		return nil, "", err
	}
	c := &cursor{sort: "sk", in: dynamodb.QueryInput{TableName: &s.set.Table, ConsistentRead: aws.Bool(true), Limit: aws.Int32(int32(limit + 1)), ProjectionExpression: aws.String("pk, sk"),
		KeyConditionExpression:    aws.String("pk = :p AND begins_with(sk, :s)"),
		ExpressionAttributeValues: item{":p": text(personalAt(caseID)), ":s": text(personalItem)}}}
	if last != "" {
		// What begins so and follows that one: "p0" follows every "p/".
		c.in.KeyConditionExpression = aws.String("pk = :p AND sk BETWEEN :from AND :to")
		c.in.ExpressionAttributeValues = item{":p": text(personalAt(caseID)), ":from": text(personalItem + last + "\x00"), ":to": text("p0")}
	}
	items, err := merge(ctx, s, []*cursor{c}, limit)
	if err != nil {
		return nil, "", failed(ctx, doing, err)
	}
	var ids []string
	for _, it := range items {
		ids = append(ids, strings.TrimPrefix(textOf(it["sk"]), personalItem))
	}
	if len(ids) <= limit {
		return ids, "", nil
	}
	return ids[:limit], paging.Token(paging.Values, ids[limit-1]), nil
}

// Inventory implements casework.Store. It goes through the whole table.
func (s *Store) Inventory(ctx context.Context) (casework.Inventory, error) {
	keyed, kinds := map[string]bool{}, map[string]bool{}
	in := &dynamodb.ScanInput{TableName: &s.set.Table, ConsistentRead: aws.Bool(true), ProjectionExpression: aws.String("pk, sk"),
		FilterExpression:          aws.String("begins_with(pk, :note) OR begins_with(pk, :case) AND (sk = :key OR begins_with(sk, :value))"),
		ExpressionAttributeValues: item{":note": text(noteAt("")), ":case": text(personalAt("")), ":key": text(keyItem), ":value": text(personalItem)}}
	for {
		page, err := s.db.Scan(ctx, in)
		if err != nil {
			return casework.Inventory{}, failed(ctx, "going through the table", err)
		}
		for _, it := range page.Items {
			part := textOf(it["pk"])
			if kind, ok := strings.CutPrefix(part, noteAt("")); ok {
				kinds[kind] = true
			} else {
				keyed[strings.TrimPrefix(part, personalAt(""))] = true
			}
		}
		if in.ExclusiveStartKey = page.LastEvaluatedKey; len(in.ExclusiveStartKey) == 0 {
			return casework.Inventory{Keyed: slices.Sorted(maps.Keys(keyed)), Kinds: slices.Sorted(maps.Keys(kinds))}, nil
		}
	}
}

// DestroyPersonal implements casework.Store. The copies that the table keeps
// for recovery hold the key until their time has passed.
func (s *Store) DestroyPersonal(ctx context.Context, caseID string) error {
	const doing = "destroying personal values"
	// Whatever stands there, and whoever writes beside it: no key is left.
	_, err := s.db.PutItem(ctx, &dynamodb.PutItemInput{TableName: &s.set.Table, Item: at(personalAt(caseID), keyItem)})
	if err != nil {
		return failed(ctx, doing, err)
	}
	in := &dynamodb.QueryInput{
		TableName: &s.set.Table, ConsistentRead: aws.Bool(true), ProjectionExpression: aws.String("pk, sk"),
		KeyConditionExpression:    aws.String("pk = :p AND begins_with(sk, :s)"),
		ExpressionAttributeValues: item{":p": text(personalAt(caseID)), ":s": text(personalItem)},
	}
	for {
		page, err := s.db.Query(ctx, in)
		if err != nil {
			return failed(ctx, doing, err)
		}
		for _, it := range page.Items {
			if _, err := s.db.DeleteItem(ctx, &dynamodb.DeleteItemInput{TableName: &s.set.Table, Key: it}); err != nil {
				return failed(ctx, doing, err)
			}
		}
		if in.ExclusiveStartKey = page.LastEvaluatedKey; len(in.ExclusiveStartKey) == 0 {
			return nil
		}
	}
}

// PutAnchor implements casework.Store.
func (s *Store) PutAnchor(ctx context.Context, a casework.Anchor) error {
	return s.put(ctx, "storing an anchor", item{"pk": text(anchorsPart), "sk": text(a.Day), attrValue: raw([]byte(a.Hash))}, absent)
}

// noteAt is the partition of the notes of a kind.
func noteAt(kind string) string { return "note/" + kind }

func (s *Store) note(kind, key string, data []byte) item {
	it := item{"pk": text(noteAt(kind)), "sk": text(key), attrValue: raw(append([]byte{}, data...))}
	word, _, _ := strings.Cut(kind, "/")
	if last, ok := s.set.Last[word]; ok {
		it[attrEnds] = number(time.Now().Add(last).Unix())
	}
	return it
}

// PutNote implements casework.Store.
func (s *Store) PutNote(ctx context.Context, kind, key string, data []byte) error {
	return s.put(ctx, "storing a note", s.note(kind, key, data), condition{})
}

// SwapNote implements casework.Store.
func (s *Store) SwapNote(ctx context.Context, kind, key string, was, data []byte) error {
	cond := absent
	if was != nil {
		cond = condition{"#v = :was", map[string]string{"#v": attrValue}, item{":was": raw(was)}}
	}
	return s.put(ctx, "storing a note", s.note(kind, key, data), cond)
}

// Note implements casework.Store.
func (s *Store) Note(ctx context.Context, kind, key string) ([]byte, error) {
	return s.value(ctx, "reading a note", noteAt(kind), key)
}

// DeleteNote implements casework.Store.
func (s *Store) DeleteNote(ctx context.Context, kind, key string) error {
	_, err := s.db.DeleteItem(ctx, &dynamodb.DeleteItemInput{TableName: &s.set.Table, Key: at(noteAt(kind), key)})
	return failed(ctx, "removing a note", err)
}
