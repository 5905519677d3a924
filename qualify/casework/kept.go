package casework

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"
)

// BatchLedger is the ledger of recordings that were read without a case. An
// entry whose change has a member "kept" names a result that Keep sealed.
const BatchLedger = "batches"

// KeptFor is how long a result of a batch is kept (our choice: long enough to
// open the cases that it asks for).
const KeptFor = 30 * 24 * time.Hour

// keptPart is how many bytes of a result lie in one sealed value.
const keptPart = 128 << 10

// keptPrefix begins the id under which a result has its key, and tells it from
// the number of a case.
const keptPrefix = "batch-"

// KeptID is the id of a result, from random letters.
func KeptID(random string) string { return keptPrefix + random }

// Keep seals a result that belongs to no case under a key of its own. Write the
// entry that names id first, so that retention finds whatever a kill leaves.
func Keep(ctx context.Context, s Store, random io.Reader, id string, data []byte) error {
	if !strings.HasPrefix(id, keptPrefix) {
		return refused("a result is kept under an id of its own, found %q", id)
	}
	c := Case{Number: id, K: 1}
	parts := (len(data) + keptPart - 1) / keptPart
	for i := range parts {
		part := data[i*keptPart : min((i+1)*keptPart, len(data))]
		if _, err := c.Seal(ctx, s, random, append(fmt.Appendf(nil, "%d/%d\n", i+1, parts), part...)); err != nil {
			return err
		}
	}
	return nil
}

// Kept returns what Keep sealed. ErrDestroyed after its retention, ErrNotFound
// if it never was whole.
func Kept(ctx context.Context, s Store, id string) ([]byte, error) {
	c := Case{Number: id}
	var parts [][]byte
	ids := func(ctx context.Context, after string, limit int) ([]string, string, error) {
		return s.PersonalIDs(ctx, id, after, limit)
	}
	if _, err := s.Key(ctx, id); err != nil {
		return nil, fmt.Errorf("result %s: %w", id, err)
	}
	for ref, err := range All(ctx, ids) {
		if err != nil {
			return nil, fmt.Errorf("result %s: %w", id, err)
		}
		value, err := c.Reveal(ctx, s, Ref(ref))
		if err != nil {
			return nil, err
		}
		head, part, _ := bytes.Cut(value, []byte("\n"))
		var i, n int
		if _, err := fmt.Sscanf(string(head), "%d/%d", &i, &n); err != nil || i < 1 || i > n {
			return nil, fmt.Errorf("result %s: a part without its place: %w", id, ErrHash)
		}
		if parts == nil {
			parts = make([][]byte, n)
		}
		if n != len(parts) {
			return nil, fmt.Errorf("result %s: parts of two results: %w", id, ErrHash)
		}
		parts[i-1] = part
	}
	for _, p := range parts {
		if p == nil {
			return nil, fmt.Errorf("result %s is not whole: %w", id, ErrNotFound)
		}
	}
	if parts == nil {
		return nil, fmt.Errorf("result %s is not whole: %w", id, ErrNotFound)
	}
	return bytes.Join(parts, nil), nil
}

// EndKept destroys the results of a ledger that were written before the given
// instant, and returns how many. What was read, by whom and when, stays.
func EndKept(ctx context.Context, s Store, ledger string, before time.Time) (int, error) {
	ended := 0
	for from := 1; ; {
		entries, err := s.Entries(ctx, ledger, from, pageSize)
		if err != nil {
			return ended, fmt.Errorf("ledger %s: %w", ledger, err)
		}
		for _, e := range entries {
			if !e.At.Before(before) {
				return ended, nil // those that follow are later
			}
			var ch struct {
				Kept string `json:"kept"`
			}
			if json.Unmarshal(e.Change, &ch) != nil || !strings.HasPrefix(ch.Kept, keptPrefix) {
				continue
			}
			if _, err := s.Key(ctx, ch.Kept); errors.Is(err, ErrDestroyed) {
				continue
			} else if err != nil && !errors.Is(err, ErrNotFound) {
				return ended, fmt.Errorf("result %s: its key: %w", ch.Kept, err)
			}
			if err := s.DestroyPersonal(ctx, ch.Kept); err != nil {
				return ended, fmt.Errorf("result %s: %w; call again", ch.Kept, err)
			}
			ended++
		}
		if len(entries) == 0 {
			return ended, nil
		}
		from += len(entries)
	}
}
