package accounts

import (
	"context"
	"encoding/json"
	"errors"
	"net/netip"
	"strings"
	"time"

	"airwarrant/qualify/casework"
)

// The throttle of sign-in. NIST SP 800-63B-4 (from memory) section 3.2.2 allows at most 100
// wrong tries in a row on one account; how they are spread is our choice:
// five at once, then a wait that doubles from half a minute to a quarter of
// an hour. One network address, from which a whole office may come, gets 30
// wrong tries in a quarter of an hour (our choice).
const (
	mostTries  = 100
	freeTries  = 5
	firstWait  = 30 * time.Second
	mostWait   = 15 * time.Minute
	addressMay = 30
	addressIn  = 15 * time.Minute
)

// triesKind is the kind of the notes that count tries.
const triesKind = "tries"

// tries counts what was tried of one account or address. A try counts before
// it is looked at, so that many at once are not more than allowed.
type tries struct {
	N     int       `json:"n"`
	Since time.Time `json:"since"` // of the first
	Until time.Time `json:"until"` // before it none is taken
}

func accountTries(id string) string { return "account/" + id }

// addressTries counts an IPv6 address by the 64 bits that one line has, of
// which each machine can take any number.
func addressTries(address string) string {
	if a, err := netip.ParseAddr(address); err == nil {
		if a = a.Unmap().WithZone(""); a.Is6() {
			if p, err := a.Prefix(64); err == nil {
				return "address/" + p.String()
			}
		}
		return "address/" + a.String()
	}
	return "address/unknown"
}

func ofAccount(t tries, now time.Time) (tries, error) {
	if t.N >= mostTries {
		return t, &WaitError{}
	}
	if now.Before(t.Until) {
		return t, &WaitError{t.Until}
	}
	if t.N == 0 {
		t.Since = now
	}
	t.N++
	if t.N >= freeTries {
		wait := mostWait
		if n := t.N - freeTries; n < 5 { // 30 s, 1, 2, 4 and 8 min
			wait = firstWait << n
		}
		t.Until = now.Add(wait)
	}
	return t, nil
}

func ofAddress(t tries, now time.Time) (tries, error) {
	if !now.Before(t.Since.Add(addressIn)) {
		t = tries{Since: now}
	}
	if t.N >= addressMay {
		return t, &WaitError{t.Since.Add(addressIn)}
	}
	t.N++
	t.Until = t.Since.Add(addressIn)
	return t, nil
}

// take counts one try under a key, or returns a *WaitError.
func (b *Book) take(ctx context.Context, key string, rule func(tries, time.Time) (tries, error)) error {
	return b.count(ctx, key, func(t tries) (tries, error) { return rule(t, b.now().UTC()) })
}

// giveBack takes back the try of who signed in.
func (b *Book) giveBack(ctx context.Context, key string) error {
	return b.count(ctx, key, func(t tries) (tries, error) {
		t.N = max(t.N-1, 0)
		return t, nil
	})
}

func (b *Book) count(ctx context.Context, key string, change func(tries) (tries, error)) error {
	for {
		var t tries
		was, err := b.store.Note(ctx, triesKind, key)
		if err != nil && !errors.Is(err, casework.ErrNotFound) {
			return err
		}
		if err == nil {
			if err := json.Unmarshal(was, &t); err != nil {
				return err
			}
		}
		if t, err = change(t); err != nil {
			return err
		}
		data, err := json.Marshal(t)
		if err != nil {
			return err
		}
		// Each conflict is a try of somebody else that counted: it ends.
		if err := b.store.SwapNote(ctx, triesKind, key, was, data); !errors.Is(err, casework.ErrConflict) {
			return err
		}
	}
}

// sweepEvery is how often sessions that are over are looked for.
const sweepEvery = time.Hour

func (b *Book) sweepNow(ctx context.Context) error {
	b.mu.Lock()
	due := b.now().Sub(b.swept) >= sweepEvery
	if due {
		b.swept = b.now()
	}
	b.mu.Unlock()
	if !due {
		return nil
	}
	_, err := b.Sweep(ctx)
	return err
}

// Sweep removes sessions that are over, and counts of tries that no longer
// hold anybody up; those of an account stay until it signs in. It returns how
// many notes it removed.
func (b *Book) Sweep(ctx context.Context) (int, error) {
	now, n := b.now(), 0
	drop := func(kind string, over func(casework.Note) (bool, error)) error {
		for note, err := range casework.All(ctx, func(ctx context.Context, after string, limit int) ([]casework.Note, string, error) {
			return b.store.Notes(ctx, kind, after, limit)
		}) {
			if err != nil {
				return err
			}
			ok, err := over(note)
			if err != nil {
				return err
			}
			if ok {
				if err := b.store.DeleteNote(ctx, kind, note.Key); err != nil {
					return err
				}
				n++
			}
		}
		return nil
	}
	err := drop(sessionKind, func(note casework.Note) (bool, error) {
		var k kept
		return json.Unmarshal(note.Data, &k) != nil || k.over(now), nil
	})
	if err != nil {
		return n, err
	}
	return n, drop(triesKind, func(note casework.Note) (bool, error) {
		var t tries
		if json.Unmarshal(note.Data, &t) != nil {
			return true, nil
		}
		if now.Before(t.Until) || now.Before(t.Since.Add(24*time.Hour)) {
			return false, nil
		}
		if id, ok := strings.CutPrefix(note.Key, accountTries("")); ok {
			_, err := b.store.LastEntry(ctx, ledgerPrefix+id)
			if !errors.Is(err, casework.ErrNotFound) {
				return false, err
			}
		}
		return true, nil
	})
}
