package casework

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"
)

// Anchor binds all chains, of cases and of ledgers, as they stand on one day, so that no chain can be
// rewritten from its first event on, and none cut off, without its showing.
// The list that it names is kept as an upload. A copy of its Hash kept outside
// the store (printed, mailed) binds the store itself.
type Anchor struct {
	Day  string `json:"day"`  // YYYY-MM-DD
	Hash string `json:"hash"` // SHA-256 of the list
}

// PutDayAnchor writes the anchor of a day, YYYY-MM-DD. The list's first line
// is "anchor DAY PREVIOUS", the hash of the anchor before it or "-", and each
// following line is "CASE K HASH" of one head, in order of case, and then
// "ledger/NAME N HASH" of the last entry of one ledger, in order of name.
// ErrConflict if the day has one or if a later day has.
func PutDayAnchor(ctx context.Context, s Store, day string) (Anchor, error) {
	if _, err := time.Parse(time.DateOnly, day); err != nil {
		return Anchor{}, fmt.Errorf("expected a day as YYYY-MM-DD, found %q", day)
	}
	prev := "-"
	for a, err := range All(ctx, s.Anchors) {
		if err != nil {
			return Anchor{}, fmt.Errorf("listing anchors: %w", err)
		}
		if a.Day >= day {
			return Anchor{}, fmt.Errorf("anchor of %s: %w: there is one of %s", day, ErrConflict, a.Day)
		}
		prev = a.Hash
	}
	var list bytes.Buffer
	fmt.Fprintf(&list, "anchor %s %s\n", day, prev)
	for h, err := range All(ctx, s.Heads) {
		if err != nil {
			return Anchor{}, fmt.Errorf("listing heads: %w", err)
		}
		fmt.Fprintf(&list, "%s %d %s\n", h.Case, h.K, h.Hash)
	}
	for name, err := range All(ctx, s.Ledgers) {
		if err != nil {
			return Anchor{}, fmt.Errorf("listing ledgers: %w", err)
		}
		last, err := s.LastEntry(ctx, name)
		if err != nil {
			return Anchor{}, fmt.Errorf("ledger %s: %w", name, err)
		}
		fmt.Fprintf(&list, "%s %d %s\n", LedgerWhere(name), last.N, last.Hash)
	}
	a := Anchor{Day: day, Hash: hexHash(list.Bytes())}
	if err := s.PutUpload(ctx, a.Hash, &list); err != nil {
		return Anchor{}, fmt.Errorf("anchor of %s: its list: %w", day, err)
	}
	if err := s.PutAnchor(ctx, a); err != nil {
		return Anchor{}, fmt.Errorf("anchor of %s: %w", day, err)
	}
	return a, nil
}

// readAnchors checks that every line of every anchor's list is an event of a
// chain as it stands, and that each anchor names the one before.
func (a *audit) readAnchors() error {
	prev := "-"
	for anchor, err := range All(a.ctx, a.s.Anchors) {
		if err != nil {
			return fmt.Errorf("listing anchors: %w", err)
		}
		where := "anchor of " + anchor.Day
		a.report.Anchors++
		if !a.uploads[anchor.Hash] {
			a.fault(where, "its list %s is missing or altered; restore it from a backup", anchor.Hash)
			prev = anchor.Hash
			continue
		}
		r, err := a.s.Upload(a.ctx, anchor.Hash)
		if err != nil {
			return fmt.Errorf("%s: %w", where, err)
		}
		a.checkAnchor(where, fmt.Sprintf("anchor %s %s", anchor.Day, prev), r)
		r.Close()
		prev = anchor.Hash
	}
	return nil
}

func (a *audit) checkAnchor(where, first string, r io.Reader) {
	lines := bufio.NewScanner(r)
	for n := 1; lines.Scan(); n++ {
		if n == 1 {
			if lines.Text() != first {
				a.fault(where, "expected %q in its first line, found %q: an anchor was removed or exchanged", first, lines.Text())
				return
			}
			continue
		}
		f := strings.Fields(lines.Text())
		if len(f) != 3 {
			a.fault(where, "line %d: expected case, event and hash, found %q", n, lines.Text())
			return
		}
		k, err := strconv.Atoi(f[1])
		hashes := a.hashes[f[0]]
		if err != nil || k < 1 || k > len(hashes) {
			a.fault(where, "%s had an event %s on that day and no longer has a sound one", chainWords(f[0]), f[1])
		} else if hashes[k-1] != f[2] {
			a.fault(where, "%s: event %d had the hash %s on that day, now %s: the chain was rewritten", chainWords(f[0]), k, f[2], hashes[k-1])
		}
	}
	if err := lines.Err(); err != nil {
		a.fault(where, "its list cannot be read: %v", err)
	}
}

// chainWords names a chain by its word in the list of an anchor.
func chainWords(id string) string {
	if strings.HasPrefix(id, LedgerWhere("")) {
		return id
	}
	return "case " + id
}

// SweepUploads removes the uploads that were last put before the given
// instant and that neither a case nor an anchor nor the criteria need: those whose event was
// never written, and those of cases that were destroyed. Leave an hour or
// more between before and now, so that an upload whose event is still to come
// is not taken. It returns how many it went to remove.
func SweepUploads(ctx context.Context, s Store, before time.Time) (int, error) {
	// A stale list of cases would hide what a case needs.
	if err := RebuildHeads(ctx, s); err != nil {
		return 0, fmt.Errorf("no upload was removed, because the list of cases could not be rebuilt: %w", err)
	}
	needed := map[string]bool{}
	for h, err := range All(ctx, s.Heads) {
		if err != nil {
			return 0, fmt.Errorf("listing heads: %w", err)
		}
		for _, sha := range h.Uploads {
			needed[sha] = true
		}
	}
	for a, err := range All(ctx, s.Anchors) {
		if err != nil {
			return 0, fmt.Errorf("listing anchors: %w", err)
		}
		needed[a.Hash] = true
	}
	// An altered ledger stops the sweep: it may hide what is needed.
	entries, err := ReadLedger(ctx, s, Criteria)
	if err != nil {
		return 0, fmt.Errorf("no upload was removed, because it is not known which ones the criteria need: %w", err)
	}
	for _, e := range entries {
		for _, sha := range e.needs() {
			needed[sha] = true
		}
	}
	n := 0
	for u, err := range All(ctx, s.Uploads) {
		if err != nil {
			return n, fmt.Errorf("listing uploads: %w", err)
		}
		if needed[u.SHA256] || !u.PutAt.Before(before) {
			continue
		}
		if err := s.DeleteUpload(ctx, u.SHA256, before); err != nil && !errors.Is(err, ErrNotFound) {
			return n, fmt.Errorf("upload %s: %w", u.SHA256, err)
		}
		n++
	}
	return n, nil
}
