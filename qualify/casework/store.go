package casework

import (
	"context"
	"io"
	"iter"
	"time"
)

// Store keeps cases. An implementation needs no more than puts of single
// items that may be refused, ordered listing within one list, and a place for
// named files: no transaction, no join. What a method acknowledged survives a
// kill. Every method gives up with the context's error when ctx ends.
//
// Lists come in pages, in ascending order of their key: pass the token that
// the page before gave, "" for the first, and go on until the token is "". A
// page may be shorter than limit, or empty, although more follows. What is
// inserted meanwhile neither repeats nor hides anything else. limit is at
// least 1. A token is opaque; a foreign one gives ErrToken.
type Store interface {
	// PutEvent stores e, durably. ErrConflict if event e.K of the case
	// exists, or if e.K is above 1 and event e.K-1 does not. Events are never
	// changed or removed, so the second may be looked up before the put.
	PutEvent(ctx context.Context, e Event) error
	// Events returns the events of a case from k on, in order; none if there
	// are none.
	Events(ctx context.Context, caseID string, from int) ([]Event, error)
	// Cases lists the ids of all cases that have an event 1.
	Cases(ctx context.Context, after string, limit int) (ids []string, next string, err error)

	// PutHead stores the projection of a case unless the stored one is of a
	// later event; then it does nothing.
	PutHead(ctx context.Context, h Head) error
	// Heads lists the projections by case id.
	Heads(ctx context.Context, after string, limit int) (heads []Head, next string, err error)
	// List lists the projections that a selection holds, by the key of its
	// order and then by case id. A token is of one order, and of no other; a
	// case that changes meanwhile may be listed twice or not at all.
	List(ctx context.Context, sel Selection, after string, limit int) (heads []Head, next string, err error)

	// PutUpload stores all bytes of r under sha, their SHA-256 in lower-case
	// hex. ErrHash, and nothing stored, if they have another. Putting what is
	// there already only renews its PutAt.
	PutUpload(ctx context.Context, sha string, r io.Reader) error
	// Upload opens an upload, ErrNotFound if there is none. The caller closes it.
	// A store that can tell that the bytes were altered gives ErrHash, here or
	// while it is read.
	Upload(ctx context.Context, sha string) (io.ReadCloser, error)
	// Uploads lists all uploads by hash.
	Uploads(ctx context.Context, after string, limit int) (uploads []StoredUpload, next string, err error)
	// DeleteUpload removes an upload that was last put before the given
	// instant, and leaves a later one alone. No error if there is none.
	DeleteUpload(ctx context.Context, sha string, before time.Time) error

	// PutKey stores the key of a case. ErrConflict if it has one or had one.
	PutKey(ctx context.Context, caseID string, key []byte) error
	// Key returns the key of a case; ErrNotFound if it never had one,
	// ErrDestroyed after DestroyPersonal.
	Key(ctx context.Context, caseID string) ([]byte, error)
	// PutPersonal stores a sealed value beside the chain. id is the SHA-256
	// of sealed, so putting the same twice is no fault.
	PutPersonal(ctx context.Context, caseID, id string, sealed []byte) error
	// Personal returns a sealed value, ErrNotFound if there is none.
	Personal(ctx context.Context, caseID, id string) ([]byte, error)
	// PersonalIDs lists the ids of the sealed values beside a case.
	PersonalIDs(ctx context.Context, caseID, after string, limit int) (ids []string, next string, err error)
	// DestroyPersonal removes the key of a case for good, whether it had one
	// or not, and then its sealed values.
	DestroyPersonal(ctx context.Context, caseID string) error

	// PutEntry stores e, durably. ErrConflict if entry e.N of its ledger
	// exists, or if e.N is above 1 and entry e.N-1 does not. Entries are never
	// changed or removed.
	PutEntry(ctx context.Context, e Entry) error
	// Entries returns at most limit entries of a ledger from n on, in order;
	// fewer only where the ledger ends.
	Entries(ctx context.Context, ledger string, from, limit int) ([]Entry, error)
	// LastEntry returns the last entry of a ledger, ErrNotFound if it has none.
	LastEntry(ctx context.Context, ledger string) (Entry, error)
	// Ledgers lists the names of all ledgers that have an entry 1.
	Ledgers(ctx context.Context, after string, limit int) (names []string, next string, err error)

	// PutAnchor stores the anchor of a day, ErrConflict if the day has one.
	PutAnchor(ctx context.Context, a Anchor) error
	// Anchors lists anchors by day.
	Anchors(ctx context.Context, after string, limit int) (anchors []Anchor, next string, err error)

	// PutNote stores data under a kind and a key, in place of what stood
	// there. Notes belong to no case and hold no personal value: what they say
	// can be lost and found again, or stated anew. Kind and key are not empty.
	PutNote(ctx context.Context, kind, key string, data []byte) error
	// SwapNote stores data under a kind and a key if was stands there, or if
	// was is nil and nothing does; ErrConflict if not. It is how two writers
	// of one note keep each other's changes.
	SwapNote(ctx context.Context, kind, key string, was, data []byte) error
	// Note returns what stands under kind and key, ErrNotFound if nothing does.
	Note(ctx context.Context, kind, key string) ([]byte, error)
	// DeleteNote removes what stands under kind and key. No error if nothing
	// does.
	DeleteNote(ctx context.Context, kind, key string) error
	// Notes lists the notes of one kind by key.
	Notes(ctx context.Context, kind, after string, limit int) (notes []Note, next string, err error)

	// Inventory tells of what no other list leads to. It may go through the
	// whole store, so it is for moves and not for pages.
	Inventory(ctx context.Context) (Inventory, error)
}

// Inventory is what lies in a store besides what its lists name, in ascending
// order.
type Inventory struct {
	// Keyed are the ids that have a key, had one, or have sealed values: cases,
	// and what keeps a key beside them.
	Keyed []string
	Kinds []string // kinds of which there are notes
}

// Note is one line of the list of notes of a kind.
type Note struct {
	Key  string
	Data []byte
}

// StoredUpload is one line of the list of uploads.
type StoredUpload struct {
	SHA256 string    `json:"sha256"`
	Size   int64     `json:"size"`   // bytes
	PutAt  time.Time `json:"put_at"` // when it was last put, by the store's clock
}

// pageSize is how many items All asks for at once.
const pageSize = 200

// All goes through every page of a list, as in All(ctx, store.Heads). It ends
// after the first error.
func All[T any](ctx context.Context, page func(ctx context.Context, after string, limit int) ([]T, string, error)) iter.Seq2[T, error] {
	return func(yield func(T, error) bool) {
		var zero T
		after := ""
		for {
			items, next, err := page(ctx, after, pageSize)
			if err != nil {
				yield(zero, err)
				return
			}
			for _, item := range items {
				if !yield(item, nil) {
					return
				}
			}
			if next == "" {
				return
			}
			after = next
		}
	}
}
