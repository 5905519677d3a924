package storetest

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"

	"airwarrant/qualify/casework"
)

// A note is swapped for another only by a writer who knows what stands there.
func swapNote(t *testing.T, s casework.Store) {
	ctx := t.Context()
	must(t, s.SwapNote(ctx, "tries", "a", nil, []byte("1")))
	for _, was := range [][]byte{nil, {}, []byte("2"), []byte("11")} {
		if err := s.SwapNote(ctx, "tries", "a", was, []byte("9")); !errors.Is(err, casework.ErrConflict) {
			t.Errorf("a swap that knows %q of \"1\": %v", was, err)
		}
	}
	if err := s.SwapNote(ctx, "tries", "b", []byte("1"), []byte("9")); !errors.Is(err, casework.ErrConflict) {
		t.Errorf("a swap of what is not there: %v", err)
	}
	must(t, s.SwapNote(ctx, "tries", "a", []byte("1"), nil))
	must(t, s.SwapNote(ctx, "tries", "a", []byte{}, []byte("3")))
	if data, err := s.Note(ctx, "tries", "a"); err != nil || string(data) != "3" {
		t.Errorf("after the swaps: %q, %v", data, err)
	}
	// Many writers who read again on a conflict: no count is lost.
	const writers = 20
	errs := make([]error, writers)
	var wg sync.WaitGroup
	for i := range writers {
		wg.Go(func() {
			for {
				was, err := s.Note(ctx, "tries", "count")
				if err != nil && !errors.Is(err, casework.ErrNotFound) {
					errs[i] = err
					return
				}
				if errs[i] = s.SwapNote(ctx, "tries", "count", was, append(bytes.Clone(was), 'x')); !errors.Is(errs[i], casework.ErrConflict) {
					return
				}
			}
		})
	}
	wg.Wait()
	must(t, errors.Join(errs...))
	if data, err := s.Note(ctx, "tries", "count"); err != nil || len(data) != writers {
		t.Errorf("%d writers left %q: %v", writers, data, err)
	}
	for range 2 {
		must(t, s.DeleteNote(ctx, "tries", "a"))
	}
	if _, err := s.Note(ctx, "tries", "a"); !errors.Is(err, casework.ErrNotFound) {
		t.Errorf("a note that was removed: %v", err)
	}
	if _, err := s.Note(ctx, "tries", "count"); err != nil {
		t.Errorf("the note beside it: %v", err)
	}
}

type happened struct {
	What string `json:"what"`
}

func record(t *testing.T, s casework.Store, ledger, what string) casework.Entry {
	t.Helper()
	e, err := casework.Record(t.Context(), s, ledger, stamp("account-1"), "happened", happened{what})
	must(t, err)
	return e
}

// A ledger has no gap and no second entry in one place, comes back as it was
// put, in pages, and shows every forgery.
func ledgers(t *testing.T, s casework.Store) {
	ctx := t.Context()
	if _, err := s.LastEntry(ctx, "sign-ins"); !errors.Is(err, casework.ErrNotFound) {
		t.Errorf("the last entry of no ledger: %v", err)
	}
	if list, err := casework.ReadLedger(ctx, s, "sign-ins"); err != nil || len(list) != 0 {
		t.Errorf("no ledger: %v, %v", list, err)
	}
	const total = 450 // more than two pages of ReadLedger
	var put []casework.Entry
	for i := range total {
		put = append(put, record(t, s, "sign-ins", fmt.Sprint("<é> ", i)))
	}
	record(t, s, "account/b", "made")
	record(t, s, "account/a", "made")
	got, err := casework.ReadLedger(ctx, s, "sign-ins")
	must(t, err)
	if len(got) != total || encode(t, got) != encode(t, put) {
		t.Errorf("%d entries read, %d put", len(got), total)
	}
	last, err := s.LastEntry(ctx, "sign-ins")
	if err != nil || last.N != total || last.Hash != put[total-1].Hash {
		t.Errorf("last entry %+v: %v", last, err)
	}
	some, err := s.Entries(ctx, "sign-ins", 448, 2)
	if err != nil || len(some) != 2 || some[0].N != 448 || some[1].N != 449 {
		t.Errorf("two entries from 448: %+v, %v", some, err)
	}
	if some, err = s.Entries(ctx, "sign-ins", 451, 2); err != nil || len(some) != 0 {
		t.Errorf("entries after the end: %+v, %v", some, err)
	}
	if _, err := s.Entries(ctx, "sign-ins", 1, 0); err == nil {
		t.Error("a page of no entry")
	}
	var names []string
	for name, err := range casework.All(ctx, func(ctx context.Context, after string, limit int) ([]string, string, error) {
		return s.Ledgers(ctx, after, min(limit, 2))
	}) {
		must(t, err)
		names = append(names, name)
	}
	if want := []string{"account/a", "account/b", "sign-ins"}; !slices.Equal(names, want) {
		t.Errorf("ledgers %q, want %q", names, want)
	}
	if _, _, err := s.Ledgers(ctx, "foreign", 5); !errors.Is(err, casework.ErrToken) {
		t.Errorf("a foreign token: %v", err)
	}
	for _, n := range []int{1, 2, total, total + 2} {
		e := put[0]
		e.N = n
		if err := s.PutEntry(ctx, e); !errors.Is(err, casework.ErrConflict) {
			t.Errorf("entry %d of %d put again: %v", n, total, err)
		}
	}
	if r := sound(t, s); r.Ledgers != 3 || r.Entries != total+2 {
		t.Errorf("report %+v", r)
	}
	for name, at := range map[string]casework.Stamp{"": stamp("x"), "a b": stamp("x"), "a\nb": stamp("x"), "ok": {}} {
		if _, err := casework.Record(ctx, s, name, at, "kind", nil); !errors.Is(err, casework.ErrRefused) {
			t.Errorf("ledger %q, stamp %+v: %v", name, at, err)
		}
	}

	// Entries that the chain refuses, put past this package.
	for i, alter := range []func(e *casework.Entry){
		func(e *casework.Entry) { e.By = "account-2" },
		func(e *casework.Entry) { e.Change = json.RawMessage(`{"what":"another"}`) },
		func(e *casework.Entry) { e.Prev = "" },
		func(e *casework.Entry) { e.Kind = "another" },
	} {
		name := fmt.Sprint("forged-", i)
		record(t, s, name, "one")
		e := record(t, s, name, "two")
		e.N, e.Prev = 3, e.Hash
		e.Hash, err = e.Sum()
		must(t, err)
		alter(&e)
		must(t, s.PutEntry(ctx, e))
		var broken *casework.ChainError
		if _, err := casework.ReadLedger(ctx, s, name); !errors.As(err, &broken) || broken.K != 3 || !strings.Contains(err.Error(), name) {
			t.Errorf("forgery %d was read: %v", i, err)
		}
	}
	r := audit(t, s)
	var where []string
	for _, f := range r.Faults {
		where = append(where, f.Where)
	}
	if want := []string{"ledger forged-0", "ledger forged-1", "ledger forged-2", "ledger forged-3"}; !slices.Equal(where, want) {
		t.Errorf("faults %+v", r.Faults)
	}
}

// Of many writers who saw the same last entry one gets the next place; those
// who only record all get in.
func ledgerRace(t *testing.T, s casework.Store) {
	ctx := t.Context()
	last := record(t, s, "account/a", "made")
	const writers = 16
	errs := make([]error, writers)
	var wg sync.WaitGroup
	for i := range writers {
		wg.Go(func() {
			_, errs[i] = casework.AppendEntry(ctx, s, "account/a", last, stamp("account-1"), "happened", happened{fmt.Sprint(i)})
		})
	}
	wg.Wait()
	won := 0
	for _, err := range errs {
		if err == nil {
			won++
		} else if !errors.Is(err, casework.ErrConflict) {
			t.Error(err)
		}
	}
	if won != 1 {
		t.Errorf("%d writers won one place", won)
	}
	const few = 8
	for i := range few {
		wg.Go(func() {
			_, errs[i] = casework.Record(ctx, s, "sign-ins", stamp("account-1"), "happened", happened{fmt.Sprint(i)})
		})
	}
	wg.Wait()
	must(t, errors.Join(errs[:few]...))
	if r := sound(t, s); r.Entries != 2+few {
		t.Errorf("report %+v", r)
	}
}

// The anchor of a day binds the ledgers as it binds the cases.
func ledgerAnchor(t *testing.T, s casework.Store) {
	ctx := t.Context()
	create(t, s, 1)
	first := record(t, s, "sign-ins", "one")
	anchor, err := casework.PutDayAnchor(ctx, s, "2026-03-02")
	must(t, err)
	record(t, s, "sign-ins", "two")
	sound(t, s)
	// A day whose list knows another entry, and one that is no longer there.
	bad := fmt.Appendf(nil, "anchor 2026-03-03 %s\nledger/sign-ins 1 %s\nledger/sign-ins 3 %s\nledger/gone 1 %s\n", anchor.Hash, hash(nil), first.Hash, first.Hash)
	must(t, s.PutUpload(ctx, hash(bad), bytes.NewReader(bad)))
	must(t, s.PutAnchor(ctx, casework.Anchor{Day: "2026-03-03", Hash: hash(bad)}))
	r := audit(t, s)
	if len(r.Faults) != 3 {
		t.Errorf("faults %+v", r.Faults)
	}
	for _, f := range r.Faults {
		if f.Where != "anchor of 2026-03-03" || !strings.Contains(f.What, "ledger/") {
			t.Errorf("fault %+v", f)
		}
	}
}
