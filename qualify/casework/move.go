package casework

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"iter"
	"slices"
	"strings"
	"sync"
)

// A store is moved by this one note in the target: it stands there from the
// first write of a move to the end of its checks. Who serves a store refuses
// one that has it.
const (
	moveKind = "move"
	moveKey  = "unfinished"
)

// moveAtOnce is how many items a move has under way at once (our choice:
// enough to hide the way to a store elsewhere).
const moveAtOnce = 8

// Moved is what a move came to.
type Moved struct {
	// Report is the audit of the target, and equals that of the source.
	Report *Report `json:"report"`
	// Items are how many things were compared one by one, Contents the SHA-256
	// of the list of them; see ContentsOf.
	Items    int    `json:"items"`
	Contents string `json:"contents"`
	// Resumed says that an earlier move had begun.
	Resumed bool `json:"resumed"`
}

// MoveStep is what a move does, for whoever waits.
type MoveStep struct {
	Does string // "ledgers", "uploads", "keys", "cases", "lines", "anchors", "notes", "checks"
	Done int    // items of it that are done
}

func notMoved(format string, args ...any) error {
	return fmt.Errorf("%w: %s", ErrMove, fmt.Sprintf(format, args...))
}

// Unfinished reports whether a store is the target of a move that has not
// come to its end.
func Unfinished(ctx context.Context, s Store) (bool, error) {
	_, err := s.Note(ctx, moveKind, moveKey)
	if errors.Is(err, ErrNotFound) {
		return false, nil
	}
	return err == nil, err
}

// Move copies everything that a store holds into another one and proves that
// it arrived: both pass the same audit, and every item has the same hash. The
// source is only read. Nobody may write to either meanwhile.
//
// The target has to hold no case, ledger, anchor, upload and key; notes alone,
// which a function writes when it starts, give way. A move that was
// interrupted leaves a target that says so, see Unfinished, and goes on when
// it is called again with the same source. tell is told of each step and may
// be called from several goroutines, one after the other.
//
// ErrMove if the source has faults, if the target holds something of its
// own, or if the two differ at the end; then the target stays unfinished.
func Move(ctx context.Context, from, to Store, tell func(MoveStep)) (*Moved, error) {
	m := &mover{ctx: ctx, from: from, to: to, tell: tell}
	// The target first: that it cannot be reached, or is somebody's, is told
	// before a large source was read to its end.
	resumed, err := m.begin()
	if err != nil {
		return nil, err
	}
	before, err := Audit(ctx, from)
	if err != nil {
		return nil, fmt.Errorf("checking the source: %w", err)
	}
	if len(before.Faults) > 0 {
		f := before.Faults[0]
		return nil, notMoved("the source has %d faults, the first in %s: %s; mend them and move then", len(before.Faults), f.Where, f.What)
	}
	if !resumed {
		if err := to.PutNote(ctx, moveKind, moveKey, []byte("1")); err != nil {
			return nil, fmt.Errorf("beginning the move: %w", err)
		}
	}
	for _, step := range []func() error{m.ledgers, m.uploads, m.keys, m.cases, m.lines, m.anchors, m.notes} {
		if err := step(); err != nil {
			return nil, err
		}
	}
	after, err := Audit(ctx, to)
	if err != nil {
		return nil, fmt.Errorf("checking the target: %w", err)
	}
	if len(after.Faults) > 0 {
		f := after.Faults[0]
		return nil, notMoved("the target has %d faults, the first in %s: %s; move again", len(after.Faults), f.Where, f.What)
	}
	if !sameJSON(before, after) {
		return nil, notMoved("the source held %+v, the target holds %+v; let nobody write to either, and move again", *before, *after)
	}
	out := &Moved{Report: after, Resumed: resumed}
	if out.Items, out.Contents, err = m.compare(); err != nil {
		return nil, err
	}
	if err := to.DeleteNote(ctx, moveKind, moveKey); err != nil {
		return nil, fmt.Errorf("ending the move: %w", err)
	}
	return out, nil
}

type mover struct {
	ctx      context.Context
	from, to Store
	tell     func(MoveStep)
	mu       sync.Mutex
	does     string
	done     int
}

// did counts an item of a step.
func (m *mover) did(step string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.does != step {
		m.does, m.done = step, 0
	}
	m.done++
	if m.tell != nil {
		m.tell(MoveStep{step, m.done})
	}
}

// each does a step for all items, several at once.
func each[T any](m *mover, step string, items iter.Seq2[T, error], do func(ctx context.Context, item T) error) error {
	return together(m.ctx, moveAtOnce, items, func(ctx context.Context, item T) error {
		if err := do(ctx, item); err != nil {
			return err
		}
		m.did(step)
		return nil
	})
}

// begin refuses a target that holds something of its own, and reports whether
// an earlier move had begun.
func (m *mover) begin() (resumed bool, err error) {
	if resumed, err = Unfinished(m.ctx, m.to); err != nil {
		return false, fmt.Errorf("looking at the target: %w", err)
	}
	if resumed {
		return true, errors.Join(m.within("case", m.from.Cases, m.to.Cases), m.within("ledger", m.from.Ledgers, m.to.Ledgers))
	}
	inv, err := m.to.Inventory(m.ctx)
	if err != nil {
		return false, fmt.Errorf("looking at the target: %w", err)
	}
	held := len(inv.Keyed) > 0
	for _, page := range []func() (int, error){
		func() (int, error) { v, _, err := m.to.Cases(m.ctx, "", 1); return len(v), err },
		func() (int, error) { v, _, err := m.to.Heads(m.ctx, "", 1); return len(v), err },
		func() (int, error) { v, _, err := m.to.Ledgers(m.ctx, "", 1); return len(v), err },
		func() (int, error) { v, _, err := m.to.Anchors(m.ctx, "", 1); return len(v), err },
		func() (int, error) { v, _, err := m.to.Uploads(m.ctx, "", 1); return len(v), err },
	} {
		n, err := page()
		if err != nil {
			return false, fmt.Errorf("looking at the target: %w", err)
		}
		held = held || n > 0
	}
	if held {
		return false, notMoved("the target holds cases, accounts or files of its own; move into an empty one")
	}
	return false, nil
}

// list is one list of a store, as All goes through it.
type list[T any] func(ctx context.Context, after string, limit int) ([]T, string, error)

// within refuses a target of which a list names what the source lacks.
func (m *mover) within(what string, from, to list[string]) error {
	known := map[string]bool{}
	for id, err := range All(m.ctx, from) {
		if err != nil {
			return fmt.Errorf("listing the source: %w", err)
		}
		known[id] = true
	}
	for id, err := range All(m.ctx, to) {
		if err != nil {
			return fmt.Errorf("listing the target: %w", err)
		}
		if !known[id] {
			return notMoved("the target holds a %s that the source lacks: it is the unfinished target of another move; move into an empty one", what)
		}
	}
	return nil
}

// other words that a chain of the target is not the source's.
func other(chain string) error {
	return notMoved("%s differs in source and target: the target is that of another move, or was written to; move into an empty one", chain)
}

func (m *mover) ledgers() error {
	return each(m, "ledgers", All(m.ctx, m.from.Ledgers), func(ctx context.Context, name string) error {
		next := 1
		last, err := m.to.LastEntry(ctx, name)
		switch {
		case err == nil:
			same, err := m.from.Entries(ctx, name, last.N, 1)
			if err != nil {
				return fmt.Errorf("ledger %s: %w", name, err)
			}
			if len(same) != 1 || same[0].Hash != last.Hash {
				return other("ledger " + name)
			}
			next = last.N + 1
		case !errors.Is(err, ErrNotFound):
			return fmt.Errorf("ledger %s: %w", name, err)
		}
		for {
			page, err := m.from.Entries(ctx, name, next, pageSize)
			if err != nil {
				return fmt.Errorf("ledger %s: %w", name, err)
			}
			for _, e := range page {
				if err := m.to.PutEntry(ctx, e); err != nil {
					return fmt.Errorf("ledger %s, entry %d: %w", name, e.N, err)
				}
			}
			if next += len(page); len(page) < pageSize {
				return nil
			}
		}
	})
}

func (m *mover) uploads() error {
	there := map[string]int64{}
	for u, err := range All(m.ctx, m.to.Uploads) {
		if err != nil {
			return fmt.Errorf("listing uploads: %w", err)
		}
		there[u.SHA256] = u.Size
	}
	return each(m, "uploads", All(m.ctx, m.from.Uploads), func(ctx context.Context, u StoredUpload) error {
		if size, ok := there[u.SHA256]; ok && size == u.Size {
			return nil // the audit at the end reads it
		}
		r, err := m.from.Upload(ctx, u.SHA256)
		if err != nil {
			return fmt.Errorf("upload %s: %w", u.SHA256, err)
		}
		defer r.Close()
		return m.to.PutUpload(ctx, u.SHA256, r)
	})
}

// keys carries keys and what is sealed under them, before the events that
// point there.
func (m *mover) keys() error {
	inv, err := m.from.Inventory(m.ctx)
	if err != nil {
		return fmt.Errorf("looking at the source: %w", err)
	}
	return each(m, "keys", withoutError(slices.Values(inv.Keyed)), func(ctx context.Context, id string) error {
		key, err := m.from.Key(ctx, id)
		if errors.Is(err, ErrDestroyed) {
			return m.to.DestroyPersonal(ctx, id)
		}
		if err != nil {
			return fmt.Errorf("key of %s: %w", id, err)
		}
		if err := m.to.PutKey(ctx, id, key); errors.Is(err, ErrConflict) {
			if there, err := m.to.Key(ctx, id); err != nil || !slices.Equal(there, key) {
				return errors.Join(other("the key of "+id), err)
			}
		} else if err != nil {
			return fmt.Errorf("key of %s: %w", id, err)
		}
		there := map[string]bool{}
		for v, err := range All(ctx, valuesOf(m.to, id)) {
			if err != nil {
				return fmt.Errorf("values of %s: %w", id, err)
			}
			there[v] = true
		}
		for v, err := range All(ctx, valuesOf(m.from, id)) {
			if err != nil {
				return fmt.Errorf("values of %s: %w", id, err)
			}
			if there[v] {
				continue
			}
			sealed, err := m.from.Personal(ctx, id, v)
			if err != nil {
				return fmt.Errorf("a value of %s: %w", id, err)
			}
			if err := m.to.PutPersonal(ctx, id, v, sealed); err != nil {
				return fmt.Errorf("a value of %s: %w", id, err)
			}
		}
		return nil
	})
}

func valuesOf(s Store, id string) list[string] {
	return func(ctx context.Context, after string, limit int) ([]string, string, error) {
		return s.PersonalIDs(ctx, id, after, limit)
	}
}

func notesOf(s Store, kind string) list[Note] {
	return func(ctx context.Context, after string, limit int) ([]Note, string, error) {
		return s.Notes(ctx, kind, after, limit)
	}
}

func withoutError[T any](items iter.Seq[T]) iter.Seq2[T, error] {
	return func(yield func(T, error) bool) {
		for item := range items {
			if !yield(item, nil) {
				return
			}
		}
	}
}

func (m *mover) cases() error {
	return each(m, "cases", All(m.ctx, m.from.Cases), func(ctx context.Context, id string) error {
		events, err := m.from.Events(ctx, id, 1)
		if err != nil {
			return fmt.Errorf("case %s: %w", id, err)
		}
		there, err := m.to.Events(ctx, id, 1)
		if err != nil {
			return fmt.Errorf("case %s: %w", id, err)
		}
		for i, e := range there {
			if i >= len(events) || events[i].Hash != e.Hash {
				return other("case " + id)
			}
		}
		for _, e := range events[len(there):] {
			if err := m.to.PutEvent(ctx, e); err != nil {
				return fmt.Errorf("case %s, event %d: %w", id, e.K, err)
			}
		}
		return nil
	})
}

// lines carries the projections as they are, so that the target need not make
// them anew.
func (m *mover) lines() error {
	return each(m, "lines", All(m.ctx, m.from.Heads), func(ctx context.Context, h Head) error { return m.to.PutHead(ctx, h) })
}

func (m *mover) anchors() error {
	there := map[string]string{}
	for a, err := range All(m.ctx, m.to.Anchors) {
		if err != nil {
			return fmt.Errorf("listing anchors: %w", err)
		}
		there[a.Day] = a.Hash
	}
	return each(m, "anchors", All(m.ctx, m.from.Anchors), func(ctx context.Context, a Anchor) error {
		if hash, ok := there[a.Day]; ok {
			if hash != a.Hash {
				return other("the anchor of " + a.Day)
			}
			return nil
		}
		return m.to.PutAnchor(ctx, a)
	})
}

// notes makes those of the target what those of the source are.
func (m *mover) notes() error {
	from, err := m.from.Inventory(m.ctx)
	if err != nil {
		return fmt.Errorf("looking at the source: %w", err)
	}
	to, err := m.to.Inventory(m.ctx)
	if err != nil {
		return fmt.Errorf("looking at the target: %w", err)
	}
	for _, kind := range to.Kinds {
		if kind == moveKind {
			continue
		}
		for n, err := range All(m.ctx, notesOf(m.to, kind)) {
			if err != nil {
				return fmt.Errorf("listing notes: %w", err)
			}
			if _, err := m.from.Note(m.ctx, kind, n.Key); errors.Is(err, ErrNotFound) {
				err = m.to.DeleteNote(m.ctx, kind, n.Key)
				if err != nil {
					return fmt.Errorf("removing a note: %w", err)
				}
			} else if err != nil {
				return fmt.Errorf("reading a note: %w", err)
			}
		}
	}
	for _, kind := range from.Kinds {
		if kind == moveKind {
			continue
		}
		err := each(m, "notes", All(m.ctx, notesOf(m.from, kind)), func(ctx context.Context, n Note) error {
			return m.to.PutNote(ctx, kind, n.Key, n.Data)
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// compare goes through both stores side by side.
func (m *mover) compare() (items int, sum string, err error) {
	to, stop := iter.Pull2(ContentsOf(m.ctx, m.to))
	defer stop()
	whole := sha256.New()
	for want, err := range ContentsOf(m.ctx, m.from) {
		if err != nil {
			return 0, "", fmt.Errorf("reading the source: %w", err)
		}
		found, err, ok := to()
		if err != nil {
			return 0, "", fmt.Errorf("reading the target: %w", err)
		}
		if !ok || found != want {
			return 0, "", notMoved("source and target differ: expected %s, found %s; let nobody write to either, and move again", words(want), words(found))
		}
		fmt.Fprintln(whole, want)
		items++
		m.did("checks")
	}
	if found, err, ok := to(); ok || err != nil {
		return 0, "", errors.Join(notMoved("the target holds more than the source: %s; let nobody write to either, and move again", words(found)), err)
	}
	return items, hex.EncodeToString(whole.Sum(nil)), nil
}

// words are a line of ContentsOf without its hash, which may be of a key.
func words(line string) string {
	if line == "" {
		return "nothing"
	}
	return line[:strings.LastIndexByte(line, ' ')]
}

// ContentsOf lists all that a store holds, one line for each thing: what it
// is, its name, and the SHA-256 of what it says. Two stores that give the same
// lines hold the same, whatever they keep it in.
func ContentsOf(ctx context.Context, s Store) iter.Seq2[string, error] {
	return func(yield func(string, error) bool) {
		err := contents(ctx, s, func(what, name string, parts ...[]byte) bool {
			h := sha256.New()
			for _, p := range parts {
				writePart(h, p)
			}
			return yield(fmt.Sprintf("%s %q %x", what, name, h.Sum(nil)), nil)
		})
		if err != nil && !errors.Is(err, errEnough) {
			yield("", err)
		}
	}
}

// writePart sets a part apart from the next by its length.
func writePart(h hash.Hash, p []byte) {
	fmt.Fprintf(h, "%d ", len(p))
	h.Write(p)
}

var errEnough = errors.New("no more is wanted")

func contents(ctx context.Context, s Store, line func(what, name string, parts ...[]byte) bool) error {
	asJSON := func(what, name string, v any) error {
		data, err := canonical(v)
		if err == nil && !line(what, name, data) {
			err = errEnough
		}
		return err
	}
	bytes := func(what, name string, parts ...[]byte) error {
		if !line(what, name, parts...) {
			return errEnough
		}
		return nil
	}
	for u, err := range All(ctx, s.Uploads) {
		if err == nil { // an audit reads them; they are named by their hash
			err = bytes("upload", u.SHA256, fmt.Append(nil, u.Size))
		}
		if err != nil {
			return err
		}
	}
	for id, err := range All(ctx, s.Cases) {
		if err != nil {
			return err
		}
		events, err := s.Events(ctx, id, 1)
		if err != nil {
			return err
		}
		for _, e := range events {
			if err := asJSON("event", fmt.Sprint(id, " ", e.K), e); err != nil {
				return err
			}
		}
	}
	for h, err := range All(ctx, s.Heads) {
		if err == nil {
			err = asJSON("line", h.Case, h)
		}
		if err != nil {
			return err
		}
	}
	inv, err := s.Inventory(ctx)
	if err != nil {
		return err
	}
	for _, id := range inv.Keyed {
		key, err := s.Key(ctx, id)
		switch {
		case errors.Is(err, ErrDestroyed):
			err = bytes("destroyed key", id)
		case err == nil:
			err = bytes("key", id, key)
		}
		if err != nil {
			return err
		}
		for v, err := range All(ctx, valuesOf(s, id)) {
			if err != nil {
				return err
			}
			sealed, err := s.Personal(ctx, id, v)
			if err == nil {
				err = bytes("value", id+" "+v, sealed)
			}
			if err != nil {
				return err
			}
		}
	}
	for name, err := range All(ctx, s.Ledgers) {
		if err != nil {
			return err
		}
		entries, err := ReadLedger(ctx, s, name)
		if err != nil {
			return err
		}
		for _, e := range entries {
			if err := asJSON("entry", fmt.Sprint(name, " ", e.N), e); err != nil {
				return err
			}
		}
	}
	for a, err := range All(ctx, s.Anchors) {
		if err == nil {
			err = bytes("anchor", a.Day, []byte(a.Hash))
		}
		if err != nil {
			return err
		}
	}
	for _, kind := range inv.Kinds {
		if kind == moveKind {
			continue
		}
		for n, err := range All(ctx, notesOf(s, kind)) {
			if err == nil {
				err = bytes("note", kind+" "+n.Key, n.Data)
			}
			if err != nil {
				return err
			}
		}
	}
	return nil
}
