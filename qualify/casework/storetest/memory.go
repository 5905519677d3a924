package storetest

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"airwarrant/qualify/casework"
)

// Memory is a Store in memory, for tests: nothing survives the process. The
// zero Memory is empty and ready. It may be used from several goroutines.
type Memory struct {
	mu       sync.Mutex
	events   map[string][]casework.Event
	heads    map[string]casework.Head
	uploads  map[string]memoryUpload
	keys     map[string][]byte // nil: destroyed
	personal map[string]map[string][]byte
	anchors  map[string]casework.Anchor
	notes    map[string]map[string][]byte // by kind and key
	entries  map[string][]casework.Entry  // by ledger
	ticks    int64                        // the store's clock, which moves with each upload
}

// CopyFrom makes an unused store hold what from holds, and share nothing that
// changes, so that many tests can begin at one state without making it anew.
func (s *Memory) CopyFrom(from *Memory) {
	from.mu.Lock()
	defer from.mu.Unlock()
	s.mu.Lock()
	defer s.mu.Unlock()
	s.heads, s.uploads, s.keys, s.anchors, s.ticks = maps.Clone(from.heads), maps.Clone(from.uploads), maps.Clone(from.keys), maps.Clone(from.anchors), from.ticks
	for k, v := range from.events {
		put(&s.events, k, slices.Clone(v))
	}
	for k, v := range from.personal {
		put(&s.personal, k, maps.Clone(v))
	}
	for k, v := range from.notes {
		put(&s.notes, k, maps.Clone(v))
	}
	for k, v := range from.entries {
		put(&s.entries, k, slices.Clone(v))
	}
}

type memoryUpload struct {
	data []byte
	at   time.Time
}

// put stores one item, making the map on first use.
func put[V any](m *map[string]V, key string, value V) {
	if *m == nil {
		*m = map[string]V{}
	}
	(*m)[key] = value
}

// page returns the items whose keys follow the one in the token.
func page[V, T any](m map[string]V, after string, limit int, item func(key string, v V) T) ([]T, string, error) {
	last := ""
	if after != "" {
		b, err := hex.DecodeString(after)
		if err != nil {
			return nil, "", fmt.Errorf("page token %q: %w", after, casework.ErrToken)
		}
		last = string(b)
	}
	if limit < 1 {
		return nil, "", fmt.Errorf("expected a page of 1 item or more, found %d", limit)
	}
	var out []T
	for _, key := range slices.Sorted(maps.Keys(m)) {
		if key <= last {
			continue
		}
		if len(out) == limit {
			return out, hex.EncodeToString([]byte(last)), nil
		}
		out = append(out, item(key, m[key]))
		last = key
	}
	return out, "", nil
}

// PutEvent implements casework.Store.
func (s *Memory) PutEvent(ctx context.Context, e casework.Event) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return err
	}
	if e.K != len(s.events[e.Case])+1 {
		return casework.ErrConflict
	}
	e.Change = bytes.Clone(e.Change)
	put(&s.events, e.Case, append(s.events[e.Case], e))
	return nil
}

// Events implements casework.Store.
func (s *Memory) Events(ctx context.Context, caseID string, from int) ([]casework.Event, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	all := s.events[caseID]
	return slices.Clone(all[min(max(from-1, 0), len(all)):]), nil
}

// Cases implements casework.Store.
func (s *Memory) Cases(ctx context.Context, after string, limit int) ([]string, string, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return nil, "", err
	}
	return page(s.events, after, limit, func(key string, _ []casework.Event) string { return key })
}

// PutHead implements casework.Store.
func (s *Memory) PutHead(ctx context.Context, h casework.Head) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return err
	}
	if h.K >= s.heads[h.Case].K {
		put(&s.heads, h.Case, h)
	}
	return nil
}

// Heads implements casework.Store.
func (s *Memory) Heads(ctx context.Context, after string, limit int) ([]casework.Head, string, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return nil, "", err
	}
	return page(s.heads, after, limit, func(_ string, h casework.Head) casework.Head { return h })
}

// List implements casework.Store.
func (s *Memory) List(ctx context.Context, sel casework.Selection, after string, limit int) ([]casework.Head, string, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return nil, "", err
	}
	order := sel.Sorted()
	if after != "" {
		digits, ok := strings.CutPrefix(after, string(order)+" ")
		if !ok {
			return nil, "", fmt.Errorf("page token %q: %w", after, casework.ErrToken)
		}
		after = digits
	}
	held := map[string]casework.Head{}
	for id, h := range s.heads {
		if sel.Holds(h) {
			held[order.Key(h)+" "+id] = h
		}
	}
	heads, next, err := page(held, after, limit, func(_ string, h casework.Head) casework.Head { return h })
	if next != "" {
		next = string(order) + " " + next
	}
	return heads, next, err
}

// PutUpload implements casework.Store.
func (s *Memory) PutUpload(ctx context.Context, sha string, r io.Reader) error {
	data, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return err
	}
	if sum := sha256.Sum256(data); hex.EncodeToString(sum[:]) != sha {
		return casework.ErrHash
	}
	s.ticks++
	put(&s.uploads, sha, memoryUpload{data, time.Unix(s.ticks, 0).UTC()})
	return nil
}

// Upload implements casework.Store.
func (s *Memory) Upload(ctx context.Context, sha string) (io.ReadCloser, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	u, ok := s.uploads[sha]
	if !ok {
		return nil, casework.ErrNotFound
	}
	return io.NopCloser(bytes.NewReader(u.data)), nil
}

// Uploads implements casework.Store.
func (s *Memory) Uploads(ctx context.Context, after string, limit int) ([]casework.StoredUpload, string, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return nil, "", err
	}
	return page(s.uploads, after, limit, func(sha string, u memoryUpload) casework.StoredUpload {
		return casework.StoredUpload{SHA256: sha, Size: int64(len(u.data)), PutAt: u.at}
	})
}

// DeleteUpload implements casework.Store.
func (s *Memory) DeleteUpload(ctx context.Context, sha string, before time.Time) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return err
	}
	if u, ok := s.uploads[sha]; ok && u.at.Before(before) {
		delete(s.uploads, sha)
	}
	return nil
}

// PutKey implements casework.Store.
func (s *Memory) PutKey(ctx context.Context, caseID string, key []byte) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return err
	}
	if _, ok := s.keys[caseID]; ok {
		return casework.ErrConflict
	}
	put(&s.keys, caseID, bytes.Clone(key))
	return nil
}

// Key implements casework.Store.
func (s *Memory) Key(ctx context.Context, caseID string) ([]byte, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	key, ok := s.keys[caseID]
	if !ok {
		return nil, casework.ErrNotFound
	}
	if key == nil {
		return nil, casework.ErrDestroyed
	}
	return bytes.Clone(key), nil
}

// PutPersonal implements casework.Store.
func (s *Memory) PutPersonal(ctx context.Context, caseID, id string, sealed []byte) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return err
	}
	values := s.personal[caseID]
	put(&values, id, bytes.Clone(sealed))
	put(&s.personal, caseID, values)
	return nil
}

// Personal implements casework.Store.
func (s *Memory) Personal(ctx context.Context, caseID, id string) ([]byte, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	sealed, ok := s.personal[caseID][id]
	if !ok {
		return nil, casework.ErrNotFound
	}
	return bytes.Clone(sealed), nil
}

// PersonalIDs implements casework.Store.
func (s *Memory) PersonalIDs(ctx context.Context, caseID, after string, limit int) ([]string, string, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return nil, "", err
	}
	return page(s.personal[caseID], after, limit, func(id string, _ []byte) string { return id })
}

// Inventory implements casework.Store.
func (s *Memory) Inventory(ctx context.Context) (casework.Inventory, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return casework.Inventory{}, err
	}
	keyed := maps.Clone(s.keys)
	for id, values := range s.personal {
		if len(values) > 0 {
			put(&keyed, id, nil)
		}
	}
	var inv casework.Inventory
	inv.Keyed = slices.Sorted(maps.Keys(keyed))
	for kind, notes := range s.notes {
		if len(notes) > 0 {
			inv.Kinds = append(inv.Kinds, kind)
		}
	}
	slices.Sort(inv.Kinds)
	return inv, nil
}

// DestroyPersonal implements casework.Store.
func (s *Memory) DestroyPersonal(ctx context.Context, caseID string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return err
	}
	put(&s.keys, caseID, nil)
	delete(s.personal, caseID)
	return nil
}

// PutAnchor implements casework.Store.
func (s *Memory) PutAnchor(ctx context.Context, a casework.Anchor) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return err
	}
	if _, ok := s.anchors[a.Day]; ok {
		return casework.ErrConflict
	}
	put(&s.anchors, a.Day, a)
	return nil
}

// Anchors implements casework.Store.
func (s *Memory) Anchors(ctx context.Context, after string, limit int) ([]casework.Anchor, string, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return nil, "", err
	}
	return page(s.anchors, after, limit, func(_ string, a casework.Anchor) casework.Anchor { return a })
}

// PutNote implements casework.Store.
func (s *Memory) PutNote(ctx context.Context, kind, key string, data []byte) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return err
	}
	notes := s.notes[kind]
	put(&notes, key, bytes.Clone(data))
	put(&s.notes, kind, notes)
	return nil
}

// SwapNote implements casework.Store.
func (s *Memory) SwapNote(ctx context.Context, kind, key string, was, data []byte) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return err
	}
	notes := s.notes[kind]
	if found, ok := notes[key]; ok != (was != nil) || !bytes.Equal(found, was) {
		return casework.ErrConflict
	}
	put(&notes, key, bytes.Clone(data))
	put(&s.notes, kind, notes)
	return nil
}

// PutEntry implements casework.Store.
func (s *Memory) PutEntry(ctx context.Context, e casework.Entry) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return err
	}
	if e.N != len(s.entries[e.Ledger])+1 {
		return casework.ErrConflict
	}
	e.Change = bytes.Clone(e.Change)
	put(&s.entries, e.Ledger, append(s.entries[e.Ledger], e))
	return nil
}

// Entries implements casework.Store.
func (s *Memory) Entries(ctx context.Context, ledger string, from, limit int) ([]casework.Entry, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if limit < 1 {
		return nil, fmt.Errorf("expected 1 entry or more, found %d", limit)
	}
	all := s.entries[ledger]
	all = all[min(max(from-1, 0), len(all)):]
	return slices.Clone(all[:min(limit, len(all))]), nil
}

// LastEntry implements casework.Store.
func (s *Memory) LastEntry(ctx context.Context, ledger string) (casework.Entry, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return casework.Entry{}, err
	}
	all := s.entries[ledger]
	if len(all) == 0 {
		return casework.Entry{}, casework.ErrNotFound
	}
	return all[len(all)-1], nil
}

// Ledgers implements casework.Store.
func (s *Memory) Ledgers(ctx context.Context, after string, limit int) ([]string, string, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return nil, "", err
	}
	return page(s.entries, after, limit, func(key string, _ []casework.Entry) string { return key })
}

// Note implements casework.Store.
func (s *Memory) Note(ctx context.Context, kind, key string) ([]byte, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	data, ok := s.notes[kind][key]
	if !ok {
		return nil, casework.ErrNotFound
	}
	return bytes.Clone(data), nil
}

// DeleteNote implements casework.Store.
func (s *Memory) DeleteNote(ctx context.Context, kind, key string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return err
	}
	delete(s.notes[kind], key)
	return nil
}

// Notes implements casework.Store.
func (s *Memory) Notes(ctx context.Context, kind, after string, limit int) ([]casework.Note, string, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return nil, "", err
	}
	return page(s.notes[kind], after, limit, func(key string, data []byte) casework.Note { return casework.Note{Key: key, Data: bytes.Clone(data)} })
}
