package cloud

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/aws/aws-sdk-go-v2/aws"
	"github.com/aws/aws-sdk-go-v2/service/dynamodb"
	"github.com/aws/aws-sdk-go-v2/service/dynamodb/types"

	"airwarrant/functions/internal/store/paging"
	"airwarrant/qualify/casework"
)

// lastKey returns the key after which a page begins; none is longer than the
// table takes.
func lastKey(kind, token string, limit int) (string, error) {
	key, err := paging.After(kind, token, limit)
	if err == nil && len(key) > keySpace {
		return "", casework.ErrToken
	}
	return key, err
}

// The words by which indexes select are never empty, as the table asks of
// keys.
func stateWord(v casework.State) string { return "state " + string(v) }
func ownerWord(v string) string         { return "owner " + v }
func regionWord(v string) string        { return "region " + v }

// orderKey is a sort key of an index: the key of the order, then the case, so
// that no two are equal. No key of an order holds a blank.
func orderKey(o casework.Order, h casework.Head) string { return o.Key(h) + " " + h.Case }

// The parts of the name of an index: by what its partitions are, then the
// order.
const (
	byState  = "state"
	byOwner  = "owner"
	byRegion = "region"
)

func indexName(by string, o casework.Order) string { return by + "-" + string(o) }

// Table describes the table that a Store lies in, under a name: what
// template.yaml makes, and a test makes in a stand-in. The attribute "ends"
// besides is the time to live, which is set apart from the table itself.
func Table(name string) *dynamodb.CreateTableInput {
	t := &dynamodb.CreateTableInput{TableName: &name, BillingMode: types.BillingModePayPerRequest, KeySchema: keySchema("pk", "sk")}
	keys := []string{"pk", "sk", byState, byOwner, byRegion}
	for _, o := range casework.Orders() {
		keys = append(keys, string(o))
		for _, by := range []string{byState, byOwner, byRegion} {
			// What is selected by, and no key of this index.
			others := slices.DeleteFunc([]string{attrState, attrOwner, attrRegion}, func(a string) bool { return a == by })
			t.GlobalSecondaryIndexes = append(t.GlobalSecondaryIndexes, types.GlobalSecondaryIndex{
				IndexName: aws.String(indexName(by, o)), KeySchema: keySchema(by, string(o)),
				Projection: &types.Projection{ProjectionType: types.ProjectionTypeInclude, NonKeyAttributes: others},
			})
		}
	}
	for _, k := range keys {
		t.AttributeDefinitions = append(t.AttributeDefinitions, types.AttributeDefinition{AttributeName: aws.String(k), AttributeType: types.ScalarAttributeTypeS})
	}
	return t
}

// EndsAttribute is the table's time to live.
const EndsAttribute = attrEnds

func keySchema(hash, sort string) []types.KeySchemaElement {
	return []types.KeySchemaElement{{AttributeName: &hash, KeyType: types.KeyTypeHash}, {AttributeName: &sort, KeyType: types.KeyTypeRange}}
}

// cursor goes through one partition of the table or of an index, in the order
// of its sort key.
type cursor struct {
	in    dynamodb.QueryInput
	sort  string // the attribute that it is sorted by
	items []item
	end   bool
}

// first returns the item that comes next, nil at the end.
func (c *cursor) first(ctx context.Context, s *Store) (item, error) {
	for len(c.items) == 0 && !c.end {
		page, err := s.db.Query(ctx, &c.in)
		if err != nil {
			return nil, err
		}
		c.items, c.in.ExclusiveStartKey = page.Items, page.LastEvaluatedKey
		c.end = len(page.LastEvaluatedKey) == 0
	}
	if len(c.items) == 0 {
		return nil, nil
	}
	return c.items[0], nil
}

// merge takes at most limit+1 items out of several cursors, in order.
func merge(ctx context.Context, s *Store, cursors []*cursor, limit int) ([]item, error) {
	var out []item
	for len(out) <= limit {
		var least *cursor
		var key string
		for _, c := range cursors {
			it, err := c.first(ctx, s)
			if err != nil {
				return nil, err
			}
			if it == nil {
				continue
			}
			if k := textOf(it[c.sort]); least == nil || k < key {
				least, key = c, k
			}
		}
		if least == nil {
			break
		}
		out, least.items = append(out, least.items[0]), least.items[1:]
	}
	return out, nil
}

// cut returns the page out of up to limit+1 items, and its token.
func cut(items []item, kind, sort string, limit int) ([]item, string) {
	if len(items) <= limit {
		return items, ""
	}
	return items[:limit], paging.Token(kind, textOf(items[limit-1][sort]))
}

// following asks for what follows last in a partition.
func following(names map[string]string, values item, hash, sort, part, last string) string {
	names["#h"], values[":h"] = hash, text(part)
	if last == "" {
		return "#h = :h"
	}
	names["#s"], values[":s"] = sort, text(last)
	return "#h = :h AND #s > :s"
}

// upTo ends what follows last in a partition of an index with a day, "" for no
// end. A condition on the sort key is one term, so both ends go into one.
func upTo(condition string, names map[string]string, values item, sort, last, day string) string {
	if day == "" {
		return condition
	}
	names["#s"], values[":t"] = sort, text(day+"~") // after every case of that day
	if last == "" {
		return condition + " AND #s < :t"
	}
	values[":s"] = text(last + " ") // the first key after last: none goes on behind a case
	return "#h = :h AND #s BETWEEN :s AND :t"
}

// page lists one partition of the table, each item made into what it is about.
func page[T any](ctx context.Context, s *Store, doing, part, kind, token string, limit int, projection string, make func(item) (T, error)) ([]T, string, error) {
	last, err := lastKey(kind, token, limit)
	if err != nil {
		return nil, "", err
	}
	names, values := map[string]string{}, item{}
	c := &cursor{sort: "sk", in: dynamodb.QueryInput{TableName: &s.set.Table, ConsistentRead: aws.Bool(true), Limit: aws.Int32(int32(limit + 1)),
		KeyConditionExpression:   aws.String(following(names, values, "pk", "sk", part, last)),
		ExpressionAttributeNames: names, ExpressionAttributeValues: values}}
	if projection != "" {
		c.in.ProjectionExpression = &projection
	}
	items, err := merge(ctx, s, []*cursor{c}, limit)
	if err != nil {
		return nil, "", failed(ctx, doing, err)
	}
	items, next := cut(items, kind, "sk", limit)
	var out []T
	for _, it := range items {
		v, err := make(it)
		if err != nil {
			return nil, "", err
		}
		out = append(out, v)
	}
	return out, next, nil
}

func sortKey(it item) (string, error) { return textOf(it["sk"]), nil }

// Cases implements casework.Store.
func (s *Store) Cases(ctx context.Context, after string, limit int) ([]string, string, error) {
	return page(ctx, s, "listing cases", casesPart, paging.Cases, after, limit, "sk", sortKey)
}

// Ledgers implements casework.Store.
func (s *Store) Ledgers(ctx context.Context, after string, limit int) ([]string, string, error) {
	return page(ctx, s, "listing ledgers", ledgersPart, paging.Ledgers, after, limit, "sk", sortKey)
}

// Heads implements casework.Store.
func (s *Store) Heads(ctx context.Context, after string, limit int) ([]casework.Head, string, error) {
	const doing = "listing heads"
	return page(ctx, s, doing, headsPart, paging.Heads, after, limit, "", func(it item) (casework.Head, error) { return read[casework.Head](doing, it) })
}

// Anchors implements casework.Store.
func (s *Store) Anchors(ctx context.Context, after string, limit int) ([]casework.Anchor, string, error) {
	return page(ctx, s, "listing anchors", anchorsPart, paging.Anchors, after, limit, "", func(it item) (casework.Anchor, error) {
		hash, _ := valueOf(it)
		return casework.Anchor{Day: textOf(it["sk"]), Hash: string(hash)}, nil
	})
}

// Notes implements casework.Store.
func (s *Store) Notes(ctx context.Context, kind, after string, limit int) ([]casework.Note, string, error) {
	return page(ctx, s, "listing notes", noteAt(kind), paging.Notes, after, limit, "", func(it item) (casework.Note, error) {
		data, _ := valueOf(it)
		return casework.Note{Key: textOf(it["sk"]), Data: data}, nil
	})
}

// filtered is how many items a query looks at, at a time, where most may not
// be of the list.
const filtered = 1000

// mostCompared is how many words one IN may hold (from memory of the service's
// published quotas).
const mostCompared = 100

func each(list []string, word func(string) string) []string {
	var out []string
	for _, v := range list {
		out = append(out, word(v))
	}
	return out
}

// List implements casework.Store.
func (s *Store) List(ctx context.Context, sel casework.Selection, token string, limit int) ([]casework.Head, string, error) {
	const doing = "listing cases"
	order := sel.Sorted()
	if !slices.Contains(casework.Orders(), order) {
		return nil, "", fmt.Errorf("expected one of the orders %q, found %q", casework.Orders(), order)
	}
	kind := paging.List + string(order) + " "
	last, err := lastKey(kind, token, limit)
	if err != nil {
		return nil, "", err
	}
	if token != "" && !strings.Contains(last, " ") {
		return nil, "", casework.ErrToken
	}
	owned := sel.Owner != "" || sel.Unowned
	by, parts := byState, []string{stateWord(sel.State)}
	switch many := sel.State == "" || sel.State == casework.StateClosed; { // closed are most cases
	case owned && many:
		by, parts = byOwner, []string{ownerWord(sel.Owner)}
	case sel.Criteria != "" && many:
		by, parts = byRegion, []string{regionWord(sel.Criteria)}
	case sel.State == "":
		// Every state, and heads without one, which older programs left.
		parts = []string{stateWord("")}
		for _, st := range casework.States() {
			parts = append(parts, stateWord(st))
		}
	}
	var cursors []*cursor
	for _, part := range parts {
		names, values := map[string]string{}, item{}
		c := &cursor{sort: string(order), in: dynamodb.QueryInput{TableName: &s.set.Table, IndexName: aws.String(indexName(by, order)), Limit: aws.Int32(int32(limit + 1)),
			KeyConditionExpression:   aws.String(upTo(following(names, values, by, string(order), part, last), names, values, string(order), last, sel.Bound())),
			ExpressionAttributeNames: names, ExpressionAttributeValues: values}}
		var filters []string
		for _, f := range []struct {
			on          bool
			attr, value string
		}{
			{sel.State != "" && by != byState, attrState, stateWord(sel.State)},
			{owned && by != byOwner, attrOwner, ownerWord(sel.Owner)},
			{sel.Criteria != "" && by != byRegion, attrRegion, regionWord(sel.Criteria)},
		} {
			if f.on {
				names["#"+f.attr], values[":"+f.attr] = f.attr, text(f.value)
				filters = append(filters, "#"+f.attr+" = :"+f.attr)
			}
		}
		for attr, left := range map[string][]string{attrRegion: each(sel.NotCriteria, regionWord), attrOwner: each(sel.NotOwners, ownerWord)} {
			for n, some := range slices.Collect(slices.Chunk(left, mostCompared)) {
				var given []string
				for i, v := range some {
					name := fmt.Sprintf(":%s%d_%d", attr, n, i)
					names["#"+attr], values[name] = attr, text(v)
					given = append(given, name)
				}
				filters = append(filters, fmt.Sprintf("NOT #%s IN (%s)", attr, strings.Join(given, ",")))
			}
		}
		if len(filters) > 0 {
			c.in.FilterExpression, c.in.Limit = aws.String(strings.Join(filters, " AND ")), aws.Int32(filtered)
		}
		cursors = append(cursors, c)
	}
	items, err := merge(ctx, s, cursors, limit)
	if err != nil {
		return nil, "", failed(ctx, doing, err)
	}
	items, next := cut(items, kind, string(order), limit)
	heads, err := s.headsOf(ctx, doing, items)
	if err != nil {
		return nil, "", err
	}
	// The index follows behind the heads: what has moved on meanwhile is of
	// another list.
	heads = slices.DeleteFunc(heads, func(h casework.Head) bool { return !sel.Holds(h) })
	return heads, next, nil
}

// batch is how many items may be asked for at once (from memory of the
// service's published quotas).
const batch = 100

// headsOf reads the heads that lines of an index name, in their order.
func (s *Store) headsOf(ctx context.Context, doing string, lines []item) ([]casework.Head, error) {
	found := map[string]casework.Head{}
	for some := range slices.Chunk(lines, batch) {
		var keys []item
		for _, it := range some {
			keys = append(keys, at(headsPart, textOf(it["sk"])))
		}
		ask := map[string]types.KeysAndAttributes{s.set.Table: {Keys: keys, ConsistentRead: aws.Bool(true)}}
		for len(ask) > 0 {
			out, err := s.db.BatchGetItem(ctx, &dynamodb.BatchGetItemInput{RequestItems: ask})
			if err != nil {
				return nil, failed(ctx, doing, err)
			}
			for _, it := range out.Responses[s.set.Table] {
				h, err := read[casework.Head](doing, it)
				if err != nil {
					return nil, err
				}
				found[h.Case] = h
			}
			ask = out.UnprocessedKeys
		}
	}
	var heads []casework.Head
	for _, it := range lines {
		if h, ok := found[textOf(it["sk"])]; ok {
			heads = append(heads, h)
		}
	}
	return heads, nil
}
