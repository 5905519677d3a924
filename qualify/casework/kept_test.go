package casework_test

import (
	"bytes"
	"context"
	"crypto/rand"
	"errors"
	"testing"
	"time"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/casework/storetest"
)

// TestKept: a result of any length comes back whole, one of which a part is
// gone does not come back at all, and retention ends it and leaves its entry.
func TestKept(t *testing.T) {
	ctx, s := t.Context(), &storetest.Memory{}
	day := time.Date(2026, 5, 4, 9, 0, 0, 0, time.UTC)
	for i, size := range []int{1, 128 << 10, 128<<10 + 1, 1 << 20} {
		id := casework.KeptID(string(rune('a' + i)))
		data := make([]byte, size)
		rand.Read(data)
		e, err := casework.Record(ctx, s, casework.BatchLedger, casework.Stamp{At: day.AddDate(0, 0, i), By: "M. Reyes", Role: casework.RoleIntake}, "read", map[string]string{"kept": id})
		if err != nil || e.N != i+1 {
			t.Fatalf("entry %d: %v", e.N, err)
		}
		if _, err := casework.Kept(ctx, s, id); !errors.Is(err, casework.ErrNotFound) {
			t.Errorf("killed before anything was sealed: %v", err)
		}
		if err := casework.Keep(ctx, s, rand.Reader, id, data); err != nil {
			t.Fatal(err)
		}
		got, err := casework.Kept(ctx, s, id)
		if err != nil || !bytes.Equal(got, data) {
			t.Errorf("%d bytes: found %d, %v", size, len(got), err)
		}
	}
	if err := casework.Keep(ctx, s, rand.Reader, "2605-ABCDEF", []byte("x")); !errors.Is(err, casework.ErrRefused) {
		t.Errorf("under the number of a case: %v", err)
	}

	n, err := casework.EndKept(ctx, s, casework.BatchLedger, day.AddDate(0, 0, 2))
	if n != 2 || err != nil {
		t.Errorf("%d ended, %v; want the 2 before the day", n, err)
	}
	for id, want := range map[string]error{"a": casework.ErrDestroyed, "b": casework.ErrDestroyed, "c": nil, "d": nil} {
		if _, err := casework.Kept(ctx, s, casework.KeptID(id)); !errors.Is(err, want) || (want == nil) != (err == nil) {
			t.Errorf("%s: %v, want %v", id, err, want)
		}
	}
	if n, err := casework.EndKept(ctx, s, casework.BatchLedger, day.AddDate(0, 0, 2)); n != 0 || err != nil {
		t.Errorf("once more: %d, %v", n, err)
	}
	// The sweep of the retention of cases ends results too, after their own time.
	at := day.AddDate(0, 0, 3).Add(casework.KeptFor)
	if _, err := casework.Retain(ctx, s, casework.Stamp{At: at, By: "sweep", Role: casework.RoleSystem}, day.AddDate(-7, 0, 0)); err != nil {
		t.Fatal(err)
	}
	if _, err := casework.Kept(ctx, s, casework.KeptID("c")); !errors.Is(err, casework.ErrDestroyed) {
		t.Errorf("after the sweep: %v", err)
	}
	if _, err := casework.Kept(ctx, s, casework.KeptID("d")); err != nil {
		t.Errorf("one whose time is not over: %v", err)
	}
	if entries, err := casework.ReadLedger(ctx, s, casework.BatchLedger); len(entries) != 4 || err != nil {
		t.Errorf("%d entries, %v", len(entries), err)
	}
}

// TestKeptIsWholeOrNothing: a part that never came is not passed over.
func TestKeptIsWholeOrNothing(t *testing.T) {
	ctx, s := t.Context(), &storetest.Memory{}
	id := casework.KeptID("a")
	broken := &halfWritten{Memory: s, left: 2}
	if err := casework.Keep(ctx, broken, rand.Reader, id, make([]byte, 3*128<<10)); err == nil {
		t.Fatal("the store took every part")
	}
	if _, err := casework.Kept(ctx, s, id); !errors.Is(err, casework.ErrNotFound) {
		t.Errorf("two parts of three: %v", err)
	}
}

// halfWritten fails after so many sealed values.
type halfWritten struct {
	*storetest.Memory
	left int
}

func (h *halfWritten) PutPersonal(ctx context.Context, caseID, id string, sealed []byte) error {
	if h.left == 0 {
		return errors.New("the disk is full")
	}
	h.left--
	return h.Memory.PutPersonal(ctx, caseID, id, sealed)
}
