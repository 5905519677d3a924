// Package storetest is the suite that every casework.Store must pass, and a
// Store in memory for tests of what stands on one.
//
// Call Run from a test of the store, with a function that opens a new, empty
// one. What survives a kill, and how a damaged medium is told, each store
// tests for itself.
package storetest

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/iotest"
	"time"

	"airwarrant/qualify/casework"
)

// Run runs the suite. open returns an empty store, which it closes by
// t.Cleanup.
func Run(t *testing.T, open func(t *testing.T) casework.Store) {
	for _, test := range []struct {
		name string
		run  func(t *testing.T, s casework.Store)
	}{
		{"EventRoundTrip", eventRoundTrip},
		{"EventRace", eventRace},
		{"AppendRace", appendRace},
		{"EventGaps", eventGaps},
		{"Pages", pages},
		{"PageTokens", pageTokens},
		{"Heads", heads},
		{"Lists", lists},
		{"Terms", terms},
		{"Uploads", uploads},
		{"UploadRefused", uploadRefused},
		{"DeleteUpload", deleteUpload},
		{"Keys", keys},
		{"Personal", personal},
		{"Destroy", destroy},
		{"Tampering", tampering},
		{"Anchors", anchors},
		{"Notes", notes},
		{"SwapNote", swapNote},
		{"Inventory", inventory},
		{"Moves", moves},
		{"Ledgers", ledgers},
		{"LedgerRace", ledgerRace},
		{"LedgerAnchor", ledgerAnchor},
		{"Sweep", sweep},
		{"Retain", retain},
		{"Cancelled", cancelled},
	} {
		t.Run(test.name, func(t *testing.T) { test.run(t, open(t)) })
	}
}

var start = time.Date(2026, 3, 2, 9, 30, 0, 123e6, time.UTC)

func stamp(by string) casework.Stamp {
	return casework.Stamp{At: start, By: by, Role: casework.RoleIntake}
}

func random(seed byte) *rand.ChaCha8 { return rand.NewChaCha8([32]byte{seed}) }

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

// create opens a case under a number drawn with the seed.
func create(t *testing.T, s casework.Store, seed byte) *casework.Case {
	t.Helper()
	number, err := casework.NewNumber(start, random(seed))
	must(t, err)
	c, err := casework.Create(t.Context(), s, number, stamp("account-1"), casework.Opened{Criteria: []string{"xx-example"}})
	must(t, err)
	return c
}

func state(name, value string) casework.Change {
	return casework.FactsStated{Facts: map[string]casework.Stated{name: {Fact: json.RawMessage(value)}}}
}

func count[T any](t *testing.T, page func(ctx context.Context, after string, limit int) ([]T, string, error)) int {
	t.Helper()
	n := 0
	for _, err := range casework.All(t.Context(), page) {
		must(t, err)
		n++
	}
	return n
}

func audit(t *testing.T, s casework.Store) *casework.Report {
	t.Helper()
	r, err := casework.Audit(t.Context(), s)
	must(t, err)
	return r
}

// sound fails the test if an audit finds a fault.
func sound(t *testing.T, s casework.Store) *casework.Report {
	t.Helper()
	r := audit(t, s)
	for _, f := range r.Faults {
		t.Errorf("%s: %s", f.Where, f.What)
	}
	return r
}

// What was put comes back to the last byte, in whatever figures and letters.
func eventRoundTrip(t *testing.T, s casework.Store) {
	c := create(t, s, 1)
	must(t, c.Append(t.Context(), s, stamp("account-é<&>\u2028"), state("number", `{"n": 1.50, "big": 123456789012345678901234567890, "exp": 1e-400}`)))
	must(t, c.Append(t.Context(), s, stamp("account-1"), state("word", `"Ω \"quoted\" \u0000 \ud83d\ude00 <b>"`)))
	must(t, c.Append(t.Context(), s, stamp("account-1"), state("long", `"`+strings.Repeat("x", 200_000)+`"`)))
	read, err := casework.Open(t.Context(), s, c.Number)
	must(t, err)
	if read.Hash != c.Hash || read.K != 4 {
		t.Errorf("read event %d with hash %s, wrote event %d with hash %s", read.K, read.Hash, c.K, c.Hash)
	}
	events, err := s.Events(t.Context(), c.Number, 3)
	must(t, err)
	if len(events) != 2 || events[0].K != 3 || events[1].K != 4 || !events[0].At.Equal(start) {
		t.Errorf("events from 3: %d of them, %+v", len(events), events)
	}
	for _, from := range []int{5, 100} {
		if events, err := s.Events(t.Context(), c.Number, from); err != nil || len(events) != 0 {
			t.Errorf("events from %d of 4: %v, %v", from, events, err)
		}
	}
	if events, err := s.Events(t.Context(), "none", 1); err != nil || len(events) != 0 {
		t.Errorf("events of no case: %v, %v", events, err)
	}
	if _, err := casework.Open(t.Context(), s, "none"); !errors.Is(err, casework.ErrNotFound) {
		t.Errorf("opened a case that is not there: %v", err)
	}
	sound(t, s)
}

// A hundred writers at once want each place of one chain: one gets it.
func eventRace(t *testing.T, s casework.Store) {
	c := create(t, s, 1)
	for k := 2; k <= 4; k++ {
		base := *c
		cases := make([]casework.Case, 100)
		errs := make([]error, len(cases))
		var wg sync.WaitGroup
		for i := range cases {
			cases[i] = base
			wg.Go(func() {
				errs[i] = cases[i].Append(t.Context(), s, stamp(fmt.Sprint("account-", i)), state("winner", fmt.Sprint(i)))
			})
		}
		wg.Wait()
		winner := -1
		for i, err := range errs {
			switch {
			case err == nil && winner < 0:
				winner = i
			case err == nil:
				t.Fatalf("event %d was won by %d and by %d", k, winner, i)
			case !errors.Is(err, casework.ErrConflict):
				t.Fatalf("event %d, writer %d: %v", k, i, err)
			case cases[i].K != base.K:
				t.Fatalf("event %d: the loser %d holds event %d", k, i, cases[i].K)
			}
		}
		if winner < 0 {
			t.Fatalf("nobody won event %d", k)
		}
		*c = cases[winner]
		read, err := casework.Open(t.Context(), s, c.Number)
		must(t, err)
		if read.Hash != c.Hash {
			t.Fatalf("event %d: what is stored is not what the winner wrote", k)
		}
	}
	sound(t, s)
}

// Several writers who read again on a conflict all get their change in.
func appendRace(t *testing.T, s casework.Store) {
	c := create(t, s, 1)
	const writers = 8
	errs := make([]error, writers)
	var wg sync.WaitGroup
	for i := range writers {
		wg.Go(func() {
			_, errs[i] = casework.Update(t.Context(), s, c.Number, stamp("account-1"), func(*casework.Case) (casework.Change, error) {
				return state(fmt.Sprint("fact-", i), "true"), nil
			})
		})
	}
	wg.Wait()
	must(t, errors.Join(errs...))
	read, err := casework.Open(t.Context(), s, c.Number)
	must(t, err)
	if read.K != 1+writers || len(read.Facts) != writers {
		t.Errorf("event %d, %d facts", read.K, len(read.Facts))
	}
	// Late heads must not have replaced newer ones.
	hs, _, err := s.Heads(t.Context(), "", 10)
	must(t, err)
	if len(hs) != 1 || hs[0].K != read.K || hs[0].Hash != read.Hash {
		t.Errorf("heads %+v, the chain ends at %d", hs, read.K)
	}
	sound(t, s)
}

// A chain has no gap and no second event in one place.
func eventGaps(t *testing.T, s casework.Store) {
	c := create(t, s, 1)
	must(t, c.Append(t.Context(), s, stamp("account-1"), state("a", "1")))
	events, err := s.Events(t.Context(), c.Number, 1)
	must(t, err)
	for _, put := range []struct {
		id string
		k  int
	}{{c.Number, 1}, {c.Number, 2}, {c.Number, 4}, {c.Number, 1000}, {"other", 2}} {
		e := events[1]
		e.Case, e.K, e.By = put.id, put.k, "intruder"
		if err := s.PutEvent(t.Context(), e); !errors.Is(err, casework.ErrConflict) {
			t.Errorf("event %d of %s after event 2 of %s: %v", put.k, put.id, c.Number, err)
		}
	}
	again, err := s.Events(t.Context(), c.Number, 1)
	must(t, err)
	if len(again) != 2 || again[0].By != "account-1" || again[1].By != "account-1" {
		t.Errorf("the chain is now %+v", again)
	}
	if n := count(t, s.Cases); n != 1 {
		t.Errorf("%d cases", n)
	}
}

// Over a thousand cases, read in pages while others are added, each of the
// first is told once.
func pages(t *testing.T, s casework.Store) {
	const total = 1100
	name := func(i int) string { return fmt.Sprintf("case-%05d", 2*i) }
	for i := range total {
		must(t, s.PutHead(t.Context(), casework.Head{Case: name(i), K: 1, Hash: "h", OpenedAt: start, ChangedAt: start}))
	}
	for _, limit := range []int{1000, 97} {
		seen := map[string]int{}
		after, last := "", ""
		for n := 0; ; n++ {
			if n > 10*total {
				t.Fatal("the pages do not end")
			}
			hs, next, err := s.Heads(t.Context(), after, limit)
			must(t, err)
			if len(hs) > limit {
				t.Fatalf("a page of %d, at most %d were asked for", len(hs), limit)
			}
			for _, h := range hs {
				if h.Case <= last {
					t.Fatalf("%s after %s", h.Case, last)
				}
				last = h.Case
				seen[h.Case]++
			}
			// One case before, and one after, where the reader stands.
			for _, id := range []string{fmt.Sprintf("aaaa-%d-%d", limit, n), last + fmt.Sprintf("x-%d", limit)} {
				must(t, s.PutHead(t.Context(), casework.Head{Case: id, K: 1, Hash: "h", OpenedAt: start, ChangedAt: start}))
			}
			if after = next; next == "" {
				break
			}
		}
		for i := range total {
			if seen[name(i)] != 1 {
				t.Fatalf("pages of %d: %s was told %d times", limit, name(i), seen[name(i)])
			}
		}
	}
}

func pageTokens(t *testing.T, s casework.Store) {
	for _, token := range []string{"no token", "case-00001", strings.Repeat("z", 4000), "\x00", "Ω"} {
		if _, _, err := s.Heads(t.Context(), token, 10); !errors.Is(err, casework.ErrToken) {
			t.Errorf("heads after %.20q: %v", token, err)
		}
		if _, _, err := s.Cases(t.Context(), token, 10); !errors.Is(err, casework.ErrToken) {
			t.Errorf("cases after %.20q: %v", token, err)
		}
		if _, _, err := s.Uploads(t.Context(), token, 10); !errors.Is(err, casework.ErrToken) {
			t.Errorf("uploads after %.20q: %v", token, err)
		}
		if _, _, err := s.Anchors(t.Context(), token, 10); !errors.Is(err, casework.ErrToken) {
			t.Errorf("anchors after %.20q: %v", token, err)
		}
	}
	for _, limit := range []int{0, -1} {
		if _, _, err := s.Heads(t.Context(), "", limit); err == nil {
			t.Errorf("a page of %d", limit)
		}
	}
	if n := count(t, s.Heads) + count(t, s.Cases) + count(t, s.Uploads) + count(t, s.Anchors); n != 0 {
		t.Errorf("an empty store lists %d things", n)
	}
}

// The projection that Append keeps is what the chain gives; a lost one comes
// back, a late one does not replace a newer.
func heads(t *testing.T, s casework.Store) {
	ctx := t.Context()
	data := []byte("a recording")
	must(t, s.PutUpload(ctx, hash(data), bytes.NewReader(data)))
	c := create(t, s, 1)
	must(t, c.Append(ctx, s, stamp("account-1"), casework.UploadAdded{SHA256: hash(data), Size: int64(len(data))}))
	must(t, c.Append(ctx, s, stamp("account-1"), casework.Determined{Program: "1", Results: []casework.Result{{Criteria: "xx-example", Version: "2030-01-01", Outcome: "undetermined", Needs: []string{"order_date"}}}}))
	must(t, c.Append(ctx, s, stamp("account-2"), casework.Viewed{Page: "worksheet"}))
	read := func() casework.Head {
		t.Helper()
		hs, next, err := s.Heads(ctx, "", 10)
		must(t, err)
		if len(hs) != 1 || next != "" {
			t.Fatalf("heads %+v, next %q", hs, next)
		}
		return hs[0]
	}
	kept := read()
	if kept.K != 4 || kept.Edited != 3 || !kept.Current || len(kept.Results) != 1 || !slices.Equal(kept.Uploads, []string{hash(data)}) || !kept.OpenedAt.Equal(start) {
		t.Errorf("head %+v", kept)
	}
	rebuilt, err := casework.RebuildHead(ctx, s, c.Number)
	must(t, err)
	if a, b := encode(t, kept), encode(t, rebuilt); a != b {
		t.Errorf("kept    %s\nrebuilt %s", a, b)
	}
	if a, b := encode(t, kept), encode(t, read()); a != b {
		t.Errorf("kept            %s\nafter rebuilding %s", a, b)
	}
	late := kept
	late.K, late.Hash, late.Results = 2, "late", nil
	must(t, s.PutHead(ctx, late))
	if h := read(); h.K != 4 {
		t.Errorf("a late head replaced a newer one: %+v", h)
	}
	// A head that somebody altered is found by an audit and mended.
	altered := kept
	altered.Results[0].Outcome = "qualifies"
	must(t, s.PutHead(ctx, altered))
	if r := audit(t, s); len(r.Faults) != 1 {
		t.Errorf("an altered head: %+v", r)
	}
	must(t, casework.RebuildHeads(ctx, s))
	sound(t, s)
}

func encode(t *testing.T, v any) string {
	t.Helper()
	data, err := json.Marshal(v)
	must(t, err)
	return string(data)
}

// SHA-256 of "abc" and of the empty message: FIPS 180-4 examples, as published
// by NIST with the Secure Hash Standard.
func uploads(t *testing.T, s casework.Store) {
	ctx := t.Context()
	large := make([]byte, 3<<20)
	_, err := random(5).Read(large)
	must(t, err)
	files := map[string][]byte{
		"ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad": []byte("abc"),
		"e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855": {},
		hash(large): large,
	}
	for range 2 { // the second time it is there already
		for sha, data := range files {
			must(t, s.PutUpload(ctx, sha, bytes.NewReader(data)))
		}
	}
	listed := map[string]int64{}
	for u, err := range casework.All(ctx, s.Uploads) {
		must(t, err)
		listed[u.SHA256] = u.Size
		if u.PutAt.IsZero() {
			t.Errorf("%s has no instant", u.SHA256)
		}
	}
	for sha, data := range files {
		r, err := s.Upload(ctx, sha)
		must(t, err)
		got, err := io.ReadAll(r)
		must(t, err)
		must(t, r.Close())
		if !bytes.Equal(got, data) || listed[sha] != int64(len(data)) {
			t.Errorf("%s: %d bytes stored, %d read, %d listed", sha, len(data), len(got), listed[sha])
		}
	}
	if len(listed) != len(files) {
		t.Errorf("listed %v", listed)
	}
	// The same file from many at once.
	data := []byte("sent by many")
	errs := make([]error, 20)
	var wg sync.WaitGroup
	for i := range errs {
		wg.Go(func() { errs[i] = s.PutUpload(ctx, hash(data), bytes.NewReader(data)) })
	}
	wg.Wait()
	must(t, errors.Join(errs...))
	if n := count(t, s.Uploads); n != len(files)+1 {
		t.Errorf("%d uploads", n)
	}
	sound(t, s)
}

// Bytes under a wrong hash, or that break off, leave nothing behind.
func uploadRefused(t *testing.T, s casework.Store) {
	ctx := t.Context()
	data := bytes.Repeat([]byte("sample "), 100_000)
	right := hash(data)
	broken := errors.New("connection lost")
	for name, put := range map[string]struct {
		sha  string
		r    io.Reader
		want error
	}{
		"other bytes":  {right, strings.NewReader("other"), casework.ErrHash},
		"cut short":    {right, bytes.NewReader(data[:len(data)-1]), casework.ErrHash},
		"breaks off":   {right, io.MultiReader(bytes.NewReader(data[:200_000]), iotest.ErrReader(broken)), broken},
		"capitals":     {strings.ToUpper(right), bytes.NewReader(data), casework.ErrHash},
		"no hash":      {"", bytes.NewReader(data), casework.ErrHash},
		"a way out":    {"../../" + right[6:], bytes.NewReader(data), casework.ErrHash},
		"another hash": {hash([]byte("x")), bytes.NewReader(data), casework.ErrHash},
	} {
		if err := s.PutUpload(ctx, put.sha, put.r); !errors.Is(err, put.want) {
			t.Errorf("%s: %v", name, err)
		}
		if _, err := s.Upload(ctx, put.sha); !errors.Is(err, casework.ErrNotFound) {
			t.Errorf("%s: what was refused can be read: %v", name, err)
		}
	}
	if n := count(t, s.Uploads); n != 0 {
		t.Errorf("%d uploads were kept", n)
	}
	must(t, s.PutUpload(ctx, right, bytes.NewReader(data)))
	if err := s.PutUpload(ctx, right, strings.NewReader("other")); !errors.Is(err, casework.ErrHash) {
		t.Errorf("other bytes over a sound upload: %v", err)
	}
	sound(t, s)
}

func deleteUpload(t *testing.T, s casework.Store) {
	ctx := t.Context()
	data := []byte("a recording")
	sha := hash(data)
	putAt := func() time.Time {
		t.Helper()
		us, _, err := s.Uploads(ctx, "", 10)
		must(t, err)
		if len(us) != 1 {
			t.Fatalf("uploads %+v", us)
		}
		return us[0].PutAt
	}
	must(t, s.PutUpload(ctx, sha, bytes.NewReader(data)))
	first := putAt()
	must(t, s.DeleteUpload(ctx, sha, first)) // not put before then
	if at := putAt(); !at.Equal(first) {
		t.Errorf("put at %s, then %s", first, at)
	}
	must(t, s.PutUpload(ctx, sha, bytes.NewReader(data)))
	if at := putAt(); at.Before(first) {
		t.Errorf("put again at %s, first at %s", at, first)
	}
	must(t, s.DeleteUpload(ctx, sha, putAt().Add(time.Second)))
	if _, err := s.Upload(ctx, sha); !errors.Is(err, casework.ErrNotFound) {
		t.Errorf("a deleted upload: %v", err)
	}
	must(t, s.DeleteUpload(ctx, sha, first.Add(time.Hour)))
	must(t, s.DeleteUpload(ctx, "../"+sha, first.Add(time.Hour)))
	must(t, s.PutUpload(ctx, sha, bytes.NewReader(data)))
	sound(t, s)
}

// The first key of a case is its key for good; a destroyed one never returns.
func keys(t *testing.T, s casework.Store) {
	ctx := t.Context()
	if _, err := s.Key(ctx, "a"); !errors.Is(err, casework.ErrNotFound) {
		t.Errorf("no key yet: %v", err)
	}
	errs := make([]error, 20)
	var wg sync.WaitGroup
	for i := range errs {
		wg.Go(func() { errs[i] = s.PutKey(ctx, "a", bytes.Repeat([]byte{byte(i)}, 32)) })
	}
	wg.Wait()
	winner := -1
	for i, err := range errs {
		if err == nil && winner < 0 {
			winner = i
		} else if !errors.Is(err, casework.ErrConflict) {
			t.Errorf("key %d: %v, winner %d", i, err, winner)
		}
	}
	key, err := s.Key(ctx, "a")
	if err != nil || winner < 0 || !bytes.Equal(key, bytes.Repeat([]byte{byte(winner)}, 32)) {
		t.Errorf("winner %d, key %x: %v", winner, key, err)
	}
	for _, id := range []string{"a", "never had one"} {
		must(t, s.DestroyPersonal(ctx, id))
		must(t, s.DestroyPersonal(ctx, id))
		if _, err := s.Key(ctx, id); !errors.Is(err, casework.ErrDestroyed) {
			t.Errorf("%s: key after it was destroyed: %v", id, err)
		}
		if err := s.PutKey(ctx, id, key); !errors.Is(err, casework.ErrConflict) {
			t.Errorf("%s: a new key after it was destroyed: %v", id, err)
		}
	}
}

func personal(t *testing.T, s casework.Store) {
	ctx := t.Context()
	c, other := create(t, s, 1), create(t, s, 2)
	// Many at once, so that they compete for the first key of the case.
	refs := make([]casework.Ref, 10)
	errs := make([]error, len(refs))
	var wg sync.WaitGroup
	for i := range refs {
		wg.Go(func() { refs[i], errs[i] = c.Seal(ctx, s, random(byte(50+i)), fmt.Append(nil, "value ", i)) })
	}
	wg.Wait()
	must(t, errors.Join(errs...))
	for i, ref := range refs {
		value, err := c.Reveal(ctx, s, ref)
		if err != nil || string(value) != fmt.Sprint("value ", i) {
			t.Errorf("value %d read as %q: %v", i, value, err)
		}
		if _, err := s.Personal(ctx, other.Number, string(ref)); !errors.Is(err, casework.ErrNotFound) {
			t.Errorf("value %d is found beside another case: %v", i, err)
		}
	}
	if _, err := c.Reveal(ctx, s, casework.Ref(hash(nil))); !errors.Is(err, casework.ErrNotFound) {
		t.Errorf("a value that was never sealed: %v", err)
	}
	sealed, err := s.Personal(ctx, c.Number, string(refs[0]))
	must(t, err)
	must(t, s.PutPersonal(ctx, c.Number, string(refs[0]), sealed)) // again is no fault
	must(t, c.Append(ctx, s, stamp("account-1"), casework.PatientStated{Name: refs[0], Identifiers: refs[1:3]}))
	if r := sound(t, s); r.Personal != 3 {
		t.Errorf("report %+v", r)
	}
}

// After retention the personal values are gone, the chain still verifies, and
// other cases are as they were.
func destroy(t *testing.T, s casework.Store) {
	ctx := t.Context()
	c, other := create(t, s, 1), create(t, s, 2)
	shared, own, report := []byte("a night of two cases"), []byte("a night of one case"), []byte("a signed report of one case")
	for _, data := range [][]byte{shared, own} {
		must(t, s.PutUpload(ctx, hash(data), bytes.NewReader(data)))
		must(t, c.Append(ctx, s, stamp("account-1"), casework.UploadAdded{SHA256: hash(data), Size: int64(len(data))}))
	}
	must(t, s.PutUpload(ctx, hash(report), bytes.NewReader(report)))
	printed, err := c.Seal(ctx, s, random(5), []byte("Invented Name on the report"))
	must(t, err)
	must(t, c.Append(ctx, s, stamp("account-1"), casework.DocumentAdded{SHA256: hash(report), Size: int64(len(report)), Media: "image/png", Is: "report", Pages: 1, Printed: printed}))
	must(t, other.Append(ctx, s, stamp("account-1"), casework.UploadAdded{SHA256: hash(shared), Size: int64(len(shared))}))
	ref, err := c.Seal(ctx, s, random(3), []byte("Invented Name"))
	must(t, err)
	must(t, c.Append(ctx, s, stamp("account-1"), casework.PatientStated{Name: ref}))
	kept, err := other.Seal(ctx, s, random(4), []byte("Another Name"))
	must(t, err)
	if err := casework.Destroy(ctx, s, c.Number, stamp("account-9"), "retention"); !errors.Is(err, casework.ErrRefused) {
		t.Fatalf("destroyed an open case: %v", err)
	}
	if _, err := c.Reveal(ctx, s, ref); err != nil {
		t.Fatalf("after the refusal: %v", err)
	}
	must(t, c.Append(ctx, s, stamp("account-1"), casework.Closed{}))
	sound(t, s)
	for range 2 { // a second call, as after a kill, changes nothing more
		must(t, casework.Destroy(ctx, s, c.Number, stamp("account-9"), "retention"))
	}
	if _, err := c.Reveal(ctx, s, ref); !errors.Is(err, casework.ErrDestroyed) {
		t.Errorf("a destroyed value: %v", err)
	}
	for _, r := range []casework.Ref{ref, printed} {
		if _, err := s.Personal(ctx, c.Number, string(r)); !errors.Is(err, casework.ErrNotFound) {
			t.Errorf("a sealed value whose key is gone: %v", err)
		}
	}
	if value, err := other.Reveal(ctx, s, kept); err != nil || string(value) != "Another Name" {
		t.Errorf("the other case's value: %q, %v", value, err)
	}
	n, err := casework.SweepUploads(ctx, s, start.AddDate(1000, 0, 0))
	if err != nil || n != 2 {
		t.Errorf("%d uploads swept: %v", n, err)
	}
	for _, data := range [][]byte{own, report} {
		if _, err := s.Upload(ctx, hash(data)); !errors.Is(err, casework.ErrNotFound) {
			t.Errorf("the destroyed case's own upload, %s: %v", data, err)
		}
	}
	events, err := s.Events(ctx, c.Number, 1)
	must(t, err)
	must(t, casework.Verify(events))
	if r := sound(t, s); r.Destroyed != 1 || r.Uploads != 1 {
		t.Errorf("report %+v", r)
	}
}

// An audit finds what Verify cannot: a chain that was cut off or rewritten
// from its first event on, and values and uploads that are gone.
func tampering(t *testing.T, s casework.Store) {
	ctx := t.Context()
	c := create(t, s, 1)
	ref, err := c.Seal(ctx, s, random(3), []byte("Invented Name"))
	must(t, err)
	must(t, c.Append(ctx, s, stamp("account-1"), casework.PatientStated{Name: ref}))
	sound(t, s)

	// An event that the chain refuses, put past this package.
	events, err := s.Events(ctx, c.Number, 1)
	must(t, err)
	forged := events[1]
	forged.K = 3
	must(t, s.PutEvent(ctx, forged))
	var broken *casework.ChainError
	if _, err := casework.Open(ctx, s, c.Number); !errors.As(err, &broken) || broken.K != 3 || broken.Case != c.Number {
		t.Errorf("opened a forged chain: %v", err)
	}
	if _, err := casework.RebuildHead(ctx, s, c.Number); !errors.As(err, &broken) {
		t.Errorf("the head of a forged chain: %v", err)
	}
	if r := audit(t, s); len(r.Faults) != 1 || !strings.Contains(r.Faults[0].Where, c.Number) {
		t.Errorf("a forged event: %+v", r.Faults)
	}

	// A head of a later event than the chain has: its end was cut off.
	cut := create(t, s, 2)
	h, err := casework.RebuildHead(ctx, s, cut.Number)
	must(t, err)
	h.K = 9
	must(t, s.PutHead(ctx, h))
	// A head of a chain that is gone.
	must(t, s.PutHead(ctx, casework.Head{Case: "gone", K: 1, Hash: "h", OpenedAt: start, ChangedAt: start}))
	// A recording and a personal value that the store does not have.
	poor := create(t, s, 3)
	must(t, poor.Append(ctx, s, stamp("account-1"), casework.UploadAdded{SHA256: hash([]byte("never put")), Size: 9}))
	must(t, poor.Append(ctx, s, stamp("account-1"), casework.IdentityConfirmed{Words: casework.Ref(hash([]byte("never sealed")))}))
	must(t, poor.Append(ctx, s, stamp("account-1"), casework.DocumentAdded{SHA256: hash([]byte("no such paper")), Size: 9, Media: "image/png", Is: "order", Pages: 1,
		Printed: casework.Ref(hash([]byte("never sealed either")))}))
	r := audit(t, s)
	for _, want := range []string{c.Number, cut.Number, "gone", poor.Number + "|recording", poor.Number + "|event 3", poor.Number + "|document", poor.Number + "|event 4"} {
		id, what, _ := strings.Cut(want, "|")
		if !slices.ContainsFunc(r.Faults, func(f casework.Fault) bool {
			return f.Where == "case "+id && strings.Contains(f.What, what)
		}) {
			t.Errorf("no fault of %s among %+v", want, r.Faults)
		}
	}
	if len(r.Faults) != 7 {
		t.Errorf("faults %+v", r.Faults)
	}
}

// Each day's anchor holds all chains as they then stood.
func anchors(t *testing.T, s casework.Store) {
	ctx := t.Context()
	c := create(t, s, 1)
	first, err := casework.PutDayAnchor(ctx, s, "2026-03-02")
	must(t, err)
	must(t, c.Append(ctx, s, stamp("account-1"), state("a", "1")))
	create(t, s, 2)
	second, err := casework.PutDayAnchor(ctx, s, "2026-03-03")
	must(t, err)
	if r := sound(t, s); r.Anchors != 2 {
		t.Errorf("report %+v", r)
	}
	for day, want := range map[string]error{"2026-03-03": casework.ErrConflict, "2026-03-01": casework.ErrConflict} {
		if _, err := casework.PutDayAnchor(ctx, s, day); !errors.Is(err, want) {
			t.Errorf("a second anchor of %s: %v", day, err)
		}
	}
	if _, err := casework.PutDayAnchor(ctx, s, "2026-02-30"); err == nil {
		t.Error("an anchor of a day that the calendar lacks")
	}
	if err := s.PutAnchor(ctx, casework.Anchor{Day: first.Day, Hash: second.Hash}); !errors.Is(err, casework.ErrConflict) {
		t.Errorf("an anchor over another: %v", err)
	}
	var got []casework.Anchor
	for a, err := range casework.All(ctx, s.Anchors) {
		must(t, err)
		got = append(got, a)
	}
	if !slices.Equal(got, []casework.Anchor{first, second}) {
		t.Errorf("anchors %+v", got)
	}
	r, err := s.Upload(ctx, second.Hash)
	must(t, err)
	list, err := io.ReadAll(r)
	must(t, err)
	must(t, r.Close())
	if !strings.HasPrefix(string(list), "anchor 2026-03-03 "+first.Hash+"\n") || !strings.Contains(string(list), fmt.Sprintf("\n%s 2 %s\n", c.Number, c.Hash)) {
		t.Errorf("list %q", list)
	}
	// An anchor of a chain that was rewritten since, one that does not name
	// the anchor before it, and one whose list is gone.
	bad := fmt.Appendf(nil, "anchor 2026-03-04 %s\n%s 1 %s\n%s 7 %s\n", second.Hash, c.Number, hash(nil), c.Number, c.Hash)
	must(t, s.PutUpload(ctx, hash(bad), bytes.NewReader(bad)))
	must(t, s.PutAnchor(ctx, casework.Anchor{Day: "2026-03-04", Hash: hash(bad)}))
	loose := []byte("anchor 2026-03-05 -\n")
	must(t, s.PutUpload(ctx, hash(loose), bytes.NewReader(loose)))
	must(t, s.PutAnchor(ctx, casework.Anchor{Day: "2026-03-05", Hash: hash(loose)}))
	must(t, s.PutAnchor(ctx, casework.Anchor{Day: "2026-03-06", Hash: hash([]byte("no list"))}))
	report := audit(t, s)
	var where []string
	for _, f := range report.Faults {
		where = append(where, f.Where)
	}
	if want := []string{"anchor of 2026-03-04", "anchor of 2026-03-04", "anchor of 2026-03-05", "anchor of 2026-03-06"}; !slices.Equal(where, want) {
		t.Errorf("faults %+v", report.Faults)
	}
}

// A note stands under its kind and key until another takes its place.
func notes(t *testing.T, s casework.Store) {
	ctx := t.Context()
	if _, err := s.Note(ctx, "mapping", "a"); !errors.Is(err, casework.ErrNotFound) {
		t.Errorf("a note that was never put: %v", err)
	}
	if list, next, err := s.Notes(ctx, "mapping", "", 5); len(list) > 0 || next != "" || err != nil {
		t.Errorf("an empty kind lists %v, %q, %v", list, next, err)
	}
	put := func(kind, key, data string) { must(t, s.PutNote(ctx, kind, key, []byte(data))) }
	for _, key := range []string{"b", "a", "c", "ä/1"} {
		put("mapping", key, "of "+key)
	}
	put("mapping2", "a", "another kind")
	put("mapping", "b", "anew \x00\xff")
	must(t, s.PutNote(ctx, "mapping", "c", nil))
	got := map[string]string{}
	var order []string
	list := func(ctx context.Context, after string, limit int) ([]casework.Note, string, error) {
		return s.Notes(ctx, "mapping", after, min(limit, 2))
	}
	for n, err := range casework.All(ctx, list) {
		must(t, err)
		got[n.Key] = string(n.Data)
		order = append(order, n.Key)
		one, err := s.Note(ctx, "mapping", n.Key)
		must(t, err)
		if string(one) != string(n.Data) {
			t.Errorf("%s alone is %q, in the list %q", n.Key, one, n.Data)
		}
	}
	if want := []string{"a", "b", "c", "ä/1"}; !slices.Equal(order, want) {
		t.Errorf("keys %q, want %q", order, want)
	}
	if got["b"] != "anew \x00\xff" || got["a"] != "of a" || got["c"] != "" {
		t.Errorf("notes %q", got)
	}
	must(t, s.DeleteNote(ctx, "mapping", "b"))
	must(t, s.DeleteNote(ctx, "mapping", "never put"))
	must(t, s.DeleteNote(ctx, "no such kind", "a"))
	if _, err := s.Note(ctx, "mapping", "b"); !errors.Is(err, casework.ErrNotFound) {
		t.Errorf("a note that was removed: %v", err)
	}
	if data, err := s.Note(ctx, "mapping2", "a"); string(data) != "another kind" || err != nil {
		t.Errorf("a note of another kind: %q, %v", data, err)
	}
	if n := count(t, list); n != 3 {
		t.Errorf("%d notes after one of four was removed", n)
	}
	if _, _, err := s.Notes(ctx, "mapping", "foreign", 5); !errors.Is(err, casework.ErrToken) {
		t.Errorf("a foreign token: %v", err)
	}
	sound(t, s)
}

// What no list leads to is told: keys, also destroyed ones and those of no
// case, the values beside each, and the kinds of notes.
func inventory(t *testing.T, s casework.Store) {
	ctx := t.Context()
	told := func(keyed, kinds []string) {
		t.Helper()
		inv, err := s.Inventory(ctx)
		must(t, err)
		slices.Sort(keyed)
		if !slices.Equal(inv.Keyed, keyed) || !slices.Equal(inv.Kinds, kinds) {
			t.Errorf("keys of %q and kinds %q, expected %q and %q", inv.Keyed, inv.Kinds, keyed, kinds)
		}
	}
	told(nil, nil)
	c, other, bare := create(t, s, 1), create(t, s, 2), create(t, s, 3)
	var refs []string
	for i := range 7 {
		ref, err := c.Seal(ctx, s, random(byte(20+i)), []byte{byte(i)})
		must(t, err)
		refs = append(refs, string(ref))
	}
	_, err := other.Seal(ctx, s, random(30), []byte("to be destroyed"))
	must(t, err)
	must(t, s.DestroyPersonal(ctx, other.Number))
	must(t, s.PutKey(ctx, "of-no-case", make([]byte, 32)))
	for _, kind := range []string{"b", "a", "a/1", "gone"} {
		must(t, s.PutNote(ctx, kind, "x", nil))
		must(t, s.PutNote(ctx, kind, "y", []byte("y")))
	}
	must(t, s.DeleteNote(ctx, "gone", "x"))
	must(t, s.DeleteNote(ctx, "gone", "y"))
	told([]string{c.Number, other.Number, "of-no-case"}, []string{"a", "a/1", "b"})
	values := func(number string) (out []string) {
		for id, err := range casework.All(ctx, func(ctx context.Context, after string, limit int) ([]string, string, error) {
			return s.PersonalIDs(ctx, number, after, min(limit, 3))
		}) {
			must(t, err)
			out = append(out, id)
		}
		return out
	}
	slices.Sort(refs)
	if got := values(c.Number); !slices.Equal(got, refs) {
		t.Errorf("values %q, expected %q", got, refs)
	}
	for _, number := range []string{other.Number, bare.Number, "of-no-case", "nothing"} {
		if got := values(number); len(got) != 0 {
			t.Errorf("values of %s: %q", number, got)
		}
	}
	if _, _, err := s.PersonalIDs(ctx, c.Number, "foreign", 5); !errors.Is(err, casework.ErrToken) {
		t.Errorf("a foreign token: %v", err)
	}
}

// What no case and no anchor needs goes, unless it was put lately.
func sweep(t *testing.T, s casework.Store) {
	ctx := t.Context()
	c := create(t, s, 1)
	needed, abandoned := []byte("needed"), []byte("its event was never written")
	for _, data := range [][]byte{needed, abandoned} {
		must(t, s.PutUpload(ctx, hash(data), bytes.NewReader(data)))
	}
	must(t, c.Append(ctx, s, stamp("account-1"), casework.UploadAdded{SHA256: hash(needed), Size: int64(len(needed))}))
	ref, err := c.Seal(ctx, s, random(3), []byte("not of this patient"))
	must(t, err)
	must(t, c.Append(ctx, s, stamp("account-1"), casework.UploadWithdrawn{SHA256: hash(needed), Reason: ref}))
	paper := []byte("a document that was withdrawn")
	must(t, s.PutUpload(ctx, hash(paper), bytes.NewReader(paper)))
	must(t, c.Append(ctx, s, stamp("account-1"), casework.DocumentAdded{SHA256: hash(paper), Size: int64(len(paper)), Media: "application/pdf", Is: "note", Pages: 2}))
	must(t, c.Append(ctx, s, stamp("account-1"), casework.DocumentWithdrawn{SHA256: hash(paper), Reason: ref}))
	anchor, err := casework.PutDayAnchor(ctx, s, "2026-03-02")
	must(t, err)
	if n, err := casework.SweepUploads(ctx, s, time.Unix(0, 0)); n != 0 || err != nil {
		t.Errorf("%d lately put uploads swept: %v", n, err)
	}
	if n, err := casework.SweepUploads(ctx, s, start.AddDate(1000, 0, 0)); n != 1 || err != nil {
		t.Errorf("%d uploads swept: %v", n, err)
	}
	var left []string
	for u, err := range casework.All(ctx, s.Uploads) {
		must(t, err)
		left = append(left, u.SHA256)
	}
	want := []string{hash(needed), hash(paper), anchor.Hash}
	slices.Sort(want)
	if !slices.Equal(left, want) {
		t.Errorf("left %v, expected %v", left, want)
	}
	sound(t, s)
}

// Nothing is written or read for a caller who has gone.
func cancelled(t *testing.T, s casework.Store) {
	c := create(t, s, 1)
	ref, err := c.Seal(t.Context(), s, random(3), []byte("Invented Name"))
	must(t, err)
	must(t, c.Append(t.Context(), s, stamp("account-1"), casework.PatientStated{Name: ref}))
	data := []byte("abc")
	must(t, s.PutUpload(t.Context(), hash(data), bytes.NewReader(data)))
	before := encode(t, sound(t, s))
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	next := *c
	_, cases, _ := s.Cases(ctx, "", 1)
	if cases != "" {
		t.Errorf("a token for a caller who has gone: %q", cases)
	}
	calls := map[string]error{
		"Append":          next.Append(ctx, s, stamp("account-1"), state("a", "1")),
		"PutHead":         s.PutHead(ctx, casework.Head{Case: "x", K: 1}),
		"PutUpload":       s.PutUpload(ctx, hash([]byte("d")), strings.NewReader("d")),
		"DeleteUpload":    s.DeleteUpload(ctx, hash(data), start.AddDate(1000, 0, 0)),
		"PutKey":          s.PutKey(ctx, "x", make([]byte, 32)),
		"PutPersonal":     s.PutPersonal(ctx, c.Number, hash(data), data),
		"DestroyPersonal": s.DestroyPersonal(ctx, c.Number),
		"PutAnchor":       s.PutAnchor(ctx, casework.Anchor{Day: "2026-03-02", Hash: hash(data)}),
	}
	_, calls["Open"] = casework.Open(ctx, s, c.Number)
	_, _, calls["Cases"] = s.Cases(ctx, "", 1)
	_, _, calls["Heads"] = s.Heads(ctx, "", 1)
	_, _, calls["Uploads"] = s.Uploads(ctx, "", 1)
	_, _, calls["Anchors"] = s.Anchors(ctx, "", 1)
	_, _, calls["List"] = s.List(ctx, casework.Selection{}, "", 1)
	_, calls["Record"] = casework.Record(ctx, s, "sign-ins", stamp("account-1"), "signed_in", nil)
	calls["PutEntry"] = s.PutEntry(ctx, casework.Entry{Ledger: "sign-ins", N: 1})
	_, calls["Entries"] = s.Entries(ctx, "sign-ins", 1, 1)
	_, calls["LastEntry"] = s.LastEntry(ctx, "sign-ins")
	_, _, calls["Ledgers"] = s.Ledgers(ctx, "", 1)
	calls["SwapNote"] = s.SwapNote(ctx, "kind", "key", nil, data)
	calls["DeleteNote"] = s.DeleteNote(ctx, "kind", "key")
	calls["PutNote"] = s.PutNote(ctx, "kind", "key", data)
	_, calls["Note"] = s.Note(ctx, "kind", "key")
	_, _, calls["Notes"] = s.Notes(ctx, "kind", "", 1)
	_, calls["Upload"] = s.Upload(ctx, hash(data))
	_, _, calls["PersonalIDs"] = s.PersonalIDs(ctx, c.Number, "", 1)
	_, calls["Inventory"] = s.Inventory(ctx)
	_, calls["Reveal"] = c.Reveal(ctx, s, ref)
	_, calls["Audit"] = casework.Audit(ctx, s)
	for name, err := range calls {
		if !errors.Is(err, context.Canceled) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if next.K != c.K {
		t.Errorf("the case went on to event %d", next.K)
	}
	if after := encode(t, sound(t, s)); after != before {
		t.Errorf("before %s\nafter  %s", before, after)
	}
}
