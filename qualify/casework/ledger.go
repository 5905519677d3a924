package casework

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"
)

// Entry is one link of a ledger: a chain like that of a case, for what belongs
// to no case, such as accounts and sign-ins. It holds nothing of a patient and
// is never changed or removed.
type Entry struct {
	Ledger string    `json:"ledger"` // its name, without white space
	N      int       `json:"n"`      // from 1, without gaps
	At     time.Time `json:"at"`     // UTC, from the caller's clock
	By     string    `json:"by"`     // account, or what acted
	Role   Role      `json:"role"`   // in which role
	Kind   string    `json:"kind"`   // what happened; the words are the writer's
	// Change is the canonical JSON of what happened, which the writer reads.
	Change json.RawMessage `json:"change"`
	Prev   string          `json:"prev"` // Hash of entry N-1; "" for entry 1
	Hash   string          `json:"hash"` // hash of all of the above; see Entry.Sum
}

// Criteria is the name of the ledger of the criteria that the house publishes
// itself. What its entries name in the member "uploads" of their changes, a list
// of SHA-256, is needed for as long as the store stands.
const Criteria = "criteria"

// needs lists the uploads that an entry needs.
func (e Entry) needs() []string {
	if e.Ledger != Criteria {
		return nil
	}
	var named struct {
		Uploads []string `json:"uploads"`
	}
	if json.Unmarshal(e.Change, &named) != nil {
		return nil // of another shape: it names none
	}
	return named.Uploads
}

// Sum returns the hash that e.Hash must have: SHA-256, in lower-case hex, of
// the canonical JSON of the entry without its member "hash", as Event.Sum
// describes it.
func (e Entry) Sum() (string, error) {
	change, err := canonical(e.Change)
	if err != nil {
		return "", err
	}
	// The members stand in the order that canonical JSON asks for.
	data, err := encode(struct {
		At     time.Time       `json:"at"`
		By     string          `json:"by"`
		Change json.RawMessage `json:"change"`
		Kind   string          `json:"kind"`
		Ledger string          `json:"ledger"`
		N      int             `json:"n"`
		Prev   string          `json:"prev"`
		Role   Role            `json:"role"`
	}{e.At, e.By, change, e.Kind, e.Ledger, e.N, e.Prev, e.Role})
	if err != nil {
		return "", err
	}
	return hexHash(data), nil
}

// AppendEntry writes the entry of a ledger that follows last, the zero Entry
// for the first. ErrConflict if somebody else wrote it: read the ledger again
// and decide anew. ErrRefused if the entry lacks a word.
func AppendEntry(ctx context.Context, s Store, ledger string, last Entry, st Stamp, kind string, change any) (Entry, error) {
	if ledger == "" || strings.ContainsFunc(ledger, func(r rune) bool { return r <= ' ' }) {
		return Entry{}, refused("a ledger needs a name without white space, found %q", ledger)
	}
	if st.By == "" || st.Role == "" || st.At.IsZero() || kind == "" {
		return Entry{}, refused("an entry of ledger %s needs an instant, a person, a role and a kind", ledger)
	}
	data, err := canonical(change)
	if err != nil {
		return Entry{}, refused("%s: %v", kind, err)
	}
	if len(data) > MaxChange {
		return Entry{}, refused("%s takes %d bytes, at most %d fit in one entry", kind, len(data), MaxChange)
	}
	e := Entry{Ledger: ledger, N: last.N + 1, At: st.At.UTC().Truncate(time.Millisecond), By: st.By, Role: st.Role,
		Kind: kind, Change: data, Prev: last.Hash}
	if e.Hash, err = e.Sum(); err != nil {
		return Entry{}, refused("%s: %v", kind, err)
	}
	if err := s.PutEntry(ctx, e); err != nil {
		return Entry{}, fmt.Errorf("ledger %s, entry %d: %w", ledger, e.N, err)
	}
	return e, nil
}

// Record writes an entry at the end of a ledger, whatever stands there: for
// what happened and depends on nothing before it.
func Record(ctx context.Context, s Store, ledger string, st Stamp, kind string, change any) (Entry, error) {
	var err error
	for range updateTries {
		var last, e Entry
		if last, err = s.LastEntry(ctx, ledger); err != nil && !errors.Is(err, ErrNotFound) {
			return Entry{}, fmt.Errorf("ledger %s: %w", ledger, err)
		}
		if e, err = AppendEntry(ctx, s, ledger, last, st, kind, change); err == nil {
			return e, nil
		}
		if !errors.Is(err, ErrConflict) {
			return Entry{}, err
		}
	}
	return Entry{}, err
}

// ReadLedger returns all entries of a ledger after proving their chain; none
// if it has none. The error is a *ChainError if the chain is broken.
func ReadLedger(ctx context.Context, s Store, ledger string) ([]Entry, error) {
	var all []Entry
	for {
		page, err := s.Entries(ctx, ledger, len(all)+1, pageSize)
		if err != nil {
			return nil, fmt.Errorf("ledger %s: %w", ledger, err)
		}
		all = append(all, page...)
		if len(page) < pageSize {
			break
		}
	}
	var last Entry
	for _, e := range all {
		if err := follows(ledger, last, e); err != nil {
			return nil, err
		}
		last = e
	}
	return all, nil
}

// follows proves that e is the entry after last.
func follows(ledger string, last, e Entry) error {
	broken := func(format string, args ...any) error {
		return &ChainError{LedgerWhere(ledger), last.N + 1, fmt.Sprintf(format, args...)}
	}
	if e.Ledger != ledger || e.N != last.N+1 {
		return broken("expected entry %d of ledger %q here, found entry %d of ledger %q", last.N+1, ledger, e.N, e.Ledger)
	}
	if e.Prev != last.Hash {
		return broken("expected the hash of the entry before, %q, found %q", last.Hash, e.Prev)
	}
	sum, err := e.Sum()
	if err != nil {
		return broken("it cannot be read: %v", err)
	}
	if e.Hash != sum {
		return broken("its content has the hash %s, found %q written beside it", sum, e.Hash)
	}
	return nil
}

// LedgerWhere names a ledger in the lists of anchors and in faults, where the
// numbers of cases stand beside it: no case number holds a slash.
func LedgerWhere(ledger string) string { return "ledger/" + ledger }

// readLedgers proves every ledger, and keeps its hashes for the anchors.
func (a *audit) readLedgers() error {
	for name, err := range All(a.ctx, a.s.Ledgers) {
		if err != nil {
			return fmt.Errorf("listing ledgers: %w", err)
		}
		a.report.Ledgers++
		entries, err := ReadLedger(a.ctx, a.s, name)
		var broken *ChainError
		if errors.As(err, &broken) {
			a.fault("ledger "+name, "%v", err)
			continue
		}
		if err != nil {
			return err
		}
		a.report.Entries += len(entries)
		for _, e := range entries {
			a.hashes[LedgerWhere(name)] = append(a.hashes[LedgerWhere(name)], e.Hash)
			for _, sha := range e.needs() {
				if !a.uploads[sha] {
					a.fault("ledger "+name, "entry %d: its text or document %s is missing or altered; restore it from a backup", e.N, sha)
				}
			}
		}
	}
	return nil
}
