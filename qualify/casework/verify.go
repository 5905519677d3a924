package casework

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
)

// Verify proves a chain: each event in its place, its hash the hash of what
// it holds, bound to the one before, and its state what its changes add up to.
// The error is a *ChainError that names the first broken event. An empty
// chain is broken at event 1. That the end of a chain was cut off shows in
// the head and the anchors, not here: see Audit.
func Verify(events []Event) error {
	number := ""
	if len(events) > 0 {
		number = events[0].Case
	}
	_, err := foldAll(number, events)
	return err
}

// fold adds events up and checks each event, and the state after the last.
// The states between follow from the same changes; hashing each of them too
// would make a case of many events slow to open.
func fold(number string, events []Event) (Case, error) {
	c, err := add(number, events, false)
	if err != nil {
		// Somewhere before may be the first that is broken.
		return foldAll(number, events)
	}
	return c, nil
}

// foldAll is fold that checks the state after every event.
func foldAll(number string, events []Event) (Case, error) { return add(number, events, true) }

func add(number string, events []Event, everyState bool) (Case, error) {
	if len(events) == 0 {
		return Case{}, &ChainError{number, 1, "the chain has no event"}
	}
	var c Case
	for i, e := range events {
		broken := func(format string, args ...any) (Case, error) {
			return Case{}, &ChainError{number, i + 1, fmt.Sprintf(format, args...)}
		}
		if e.Case != number || e.K != i+1 {
			return broken("expected event %d of case %q here, found event %d of case %q", i+1, number, e.K, e.Case)
		}
		if e.Prev != c.Hash {
			return broken("expected the hash of the event before, %q, found %q", c.Hash, e.Prev)
		}
		sum, err := e.Sum()
		if err != nil {
			return broken("it cannot be read: %v", err)
		}
		if e.Hash != sum {
			return broken("its content has the hash %s, found %q written beside it", sum, e.Hash)
		}
		next, err := Apply(c, e)
		if err != nil {
			return broken("%v", err)
		}
		c = next
		if !everyState && i < len(events)-1 {
			continue
		}
		state, err := c.StateHash()
		if err != nil {
			return broken("%v", err)
		}
		if e.State != state {
			return broken("the state after it has the hash %s, found %q written in it", state, e.State)
		}
	}
	return c, nil
}

// Fault is one thing that an audit found wrong.
type Fault struct {
	Where string `json:"where"`
	What  string `json:"what"` // expected and found
}

// Report is what an audit went through and found. It holds no personal value.
type Report struct {
	Cases     int     `json:"cases"`
	Events    int     `json:"events"`
	Personal  int     `json:"personal"`  // personal values that opened
	Destroyed int     `json:"destroyed"` // cases whose personal values were destroyed
	Uploads   int     `json:"uploads"`
	Anchors   int     `json:"anchors"`
	Ledgers   int     `json:"ledgers"`
	Entries   int     `json:"entries"` // of all ledgers
	Faults    []Fault `json:"faults"`  // empty: all is sound
}

// Audit checks everything that a store holds: chains, heads, personal values,
// uploads, ledgers and anchors. A fault is in the report; the error is only that the
// store could not be read to its end.
func Audit(ctx context.Context, s Store) (*Report, error) {
	a := &audit{ctx: ctx, s: s, report: &Report{Faults: []Fault{}}, hashes: map[string][]string{}, heads: map[string]Head{}, uploads: map[string]bool{}}
	for _, step := range []func() error{a.readHeads, a.readUploads, a.readCases, a.readLedgers, a.readAnchors} {
		if err := step(); err != nil {
			return nil, err
		}
	}
	return a.report, nil
}

type audit struct {
	ctx     context.Context
	s       Store
	report  *Report
	hashes  map[string][]string // of the events of each sound case and ledger
	heads   map[string]Head
	uploads map[string]bool
}

func (a *audit) fault(where, format string, args ...any) {
	a.report.Faults = append(a.report.Faults, Fault{where, fmt.Sprintf(format, args...)})
}

func (a *audit) readHeads() error {
	for h, err := range All(a.ctx, a.s.Heads) {
		if err != nil {
			return fmt.Errorf("listing heads: %w", err)
		}
		a.heads[h.Case] = h
	}
	return nil
}

func (a *audit) readUploads() error {
	for u, err := range All(a.ctx, a.s.Uploads) {
		if err != nil {
			return fmt.Errorf("listing uploads: %w", err)
		}
		r, err := a.s.Upload(a.ctx, u.SHA256)
		if err != nil {
			if a.ctx.Err() != nil {
				return err
			}
			a.fault("upload "+u.SHA256, "it is listed and cannot be read: %v", err)
			continue
		}
		sum := sha256.New()
		n, err := io.Copy(sum, r)
		r.Close()
		if errors.Is(err, ErrHash) {
			a.fault("upload "+u.SHA256, "%v; restore it from a backup", err)
			continue
		}
		if err != nil {
			return fmt.Errorf("upload %s: %w", u.SHA256, err)
		}
		if found := hex.EncodeToString(sum.Sum(nil)); found != u.SHA256 {
			a.fault("upload "+u.SHA256, "its %d bytes have the SHA-256 %s; restore it from a backup", n, found)
			continue
		}
		a.uploads[u.SHA256] = true
		a.report.Uploads++
	}
	return nil
}

func (a *audit) readCases() error {
	for id, err := range All(a.ctx, a.s.Cases) {
		if err != nil {
			return fmt.Errorf("listing cases: %w", err)
		}
		events, err := a.s.Events(a.ctx, id, 1)
		if err != nil {
			return fmt.Errorf("case %s: %w", id, err)
		}
		a.report.Cases++
		if err := a.checkCase(id, events); err != nil {
			return err
		}
		delete(a.heads, id)
	}
	for id := range a.heads {
		a.fault("case "+id, "the list of cases has it, but it has no event 1; restore it from a backup")
	}
	return nil
}

func (a *audit) checkCase(id string, events []Event) error {
	where := "case " + id
	c, err := foldAll(id, events)
	if err != nil {
		a.fault(where, "%v", err)
		return nil
	}
	a.report.Events += len(events)
	for _, e := range events {
		a.hashes[id] = append(a.hashes[id], e.Hash)
	}
	want := headOf(c, events[len(events)-1].At)
	if h, ok := a.heads[id]; !ok {
		a.fault(where, "the list of cases lacks it; rebuild the list")
	} else if h.K > c.K {
		a.fault(where, "the list of cases knows event %d, the chain ends at %d: its end was cut off; restore it from a backup", h.K, c.K)
	} else if h.K < c.K {
		// Written meanwhile, or a kill came between: it lags and is not wrong.
		if then, err := HeadOf(id, events[:max(h.K, 1)]); err != nil || !sameJSON(h, then) {
			a.fault(where, "the list of cases differs from the chain; rebuild the list")
		}
	} else if !sameJSON(h, want) {
		a.fault(where, "the list of cases differs from the chain; rebuild the list")
	}
	if !c.DestroyedAt.IsZero() {
		a.report.Destroyed++
		if _, err := a.s.Key(a.ctx, id); !errors.Is(err, ErrDestroyed) {
			if a.ctx.Err() != nil {
				return a.ctx.Err()
			}
			a.fault(where, "its personal values were to be destroyed and its key is still there; destroy them again")
		}
		return nil
	}
	for _, u := range c.Uploads {
		if !a.uploads[u.SHA256] {
			a.fault(where, "its recording %s is missing or altered; restore it from a backup", u.SHA256)
		}
	}
	for _, d := range c.Documents {
		if !a.uploads[d.SHA256] {
			a.fault(where, "its document %s is missing or altered; restore it from a backup", d.SHA256)
		}
	}
	for _, e := range events {
		ch, err := decode(e.Kind, e.Change)
		if err != nil {
			return err // fold has read it before
		}
		for _, r := range ch.refs() {
			if r == "" {
				continue
			}
			if _, err := c.Reveal(a.ctx, a.s, r); err != nil {
				if a.ctx.Err() != nil {
					return err
				}
				a.fault(where, "event %d: %v", e.K, err)
				continue
			}
			a.report.Personal++
		}
	}
	return nil
}

// sameJSON compares what two values say, whatever the zone of a time.
func sameJSON(x, y any) bool {
	a, errA := canonical(x)
	b, errB := canonical(y)
	return errA == nil && errB == nil && bytes.Equal(a, b)
}
