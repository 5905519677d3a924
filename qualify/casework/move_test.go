package casework_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync/atomic"
	"testing"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/casework/storetest"
)

// failing fails from the nth write on.
type failing struct {
	*storetest.Memory
	left *atomic.Int64 // several write at once
}

var errGone = errors.New("the line is gone")

func (s failing) write() error {
	if s.left.Add(-1) < 0 {
		return errGone
	}
	return nil
}
func (s failing) PutEvent(ctx context.Context, e casework.Event) error {
	return errors.Join(s.write(), s.then(func() error { return s.Memory.PutEvent(ctx, e) }))
}
func (s failing) PutHead(ctx context.Context, h casework.Head) error {
	return errors.Join(s.write(), s.then(func() error { return s.Memory.PutHead(ctx, h) }))
}
func (s failing) PutUpload(ctx context.Context, sha string, r io.Reader) error {
	return errors.Join(s.write(), s.then(func() error { return s.Memory.PutUpload(ctx, sha, r) }))
}
func (s failing) PutKey(ctx context.Context, id string, key []byte) error {
	return errors.Join(s.write(), s.then(func() error { return s.Memory.PutKey(ctx, id, key) }))
}
func (s failing) PutPersonal(ctx context.Context, id, v string, sealed []byte) error {
	return errors.Join(s.write(), s.then(func() error { return s.Memory.PutPersonal(ctx, id, v, sealed) }))
}
func (s failing) PutEntry(ctx context.Context, e casework.Entry) error {
	return errors.Join(s.write(), s.then(func() error { return s.Memory.PutEntry(ctx, e) }))
}
func (s failing) PutAnchor(ctx context.Context, a casework.Anchor) error {
	return errors.Join(s.write(), s.then(func() error { return s.Memory.PutAnchor(ctx, a) }))
}
func (s failing) PutNote(ctx context.Context, kind, key string, data []byte) error {
	return errors.Join(s.write(), s.then(func() error { return s.Memory.PutNote(ctx, kind, key, data) }))
}

// then does it unless the line is gone.
func (s failing) then(do func() error) error {
	if s.left.Load() < 0 {
		return nil
	}
	return do()
}

func contents(t *testing.T, s casework.Store) []string {
	t.Helper()
	var out []string
	for line, err := range casework.ContentsOf(t.Context(), s) {
		must(t, err)
		out = append(out, line)
	}
	return out
}

// A move that ends after any number of writes is refused to be served, and
// goes on; the source is as it was.
func TestMoveGoesOn(t *testing.T) {
	from := new(storetest.Memory)
	storetest.Fill(t, from)
	want := contents(t, from)
	for n := 0; ; n++ {
		to := new(storetest.Memory)
		var left atomic.Int64
		left.Store(int64(n))
		_, err := casework.Move(t.Context(), from, failing{to, &left}, nil)
		unfinished, uerr := casework.Unfinished(t.Context(), to)
		must(t, uerr)
		if err == nil {
			if unfinished || n < 20 {
				t.Errorf("done after %d writes, unfinished %t", n, unfinished)
			}
			break
		}
		if !errors.Is(err, errGone) {
			t.Fatalf("after %d writes: %v", n, err)
		}
		if n > 0 && !unfinished {
			t.Fatalf("after %d writes the target passes for whole", n)
		}
		m, err := casework.Move(t.Context(), from, to, nil)
		must(t, err)
		if m.Resumed != (n > 0) || m.Items != len(want) || !slices.Equal(contents(t, to), want) {
			t.Fatalf("after %d writes and again: %+v", n, m)
		}
	}
	if !slices.Equal(contents(t, from), want) {
		t.Error("the source was changed")
	}
}

// Between two tries the source may have gone on.
func TestMoveAfterTheSourceWentOn(t *testing.T) {
	ctx := t.Context()
	from, to := new(storetest.Memory), new(storetest.Memory)
	c := storetest.Fill(t, from)
	var left atomic.Int64
	left.Store(1 << 20)
	must(t, to.PutNote(ctx, "of-the-target", "a", []byte("gives way")))
	if _, err := casework.Move(ctx, from, unchecked{failing{to, &left}}, nil); !errors.Is(err, errGone) {
		t.Fatal(err)
	}
	must(t, c.Append(ctx, from, stamp(casework.RoleIntake), casework.Closed{Reason: closing(t, from, c)}))
	must(t, casework.Destroy(ctx, from, c.Number, stamp(casework.RoleSystem), "retention"))
	must(t, from.DeleteNote(ctx, "mapping", "shape"))
	must(t, from.PutNote(ctx, "mapping", "other", []byte("anew")))
	m, err := casework.Move(ctx, from, to, nil)
	must(t, err)
	if !m.Resumed || m.Report.Destroyed != 2 || !slices.Equal(contents(t, to), contents(t, from)) {
		t.Errorf("%+v", m)
	}
}

// unchecked carries everything and loses the line at the very end.
type unchecked struct{ failing }

func (s unchecked) DeleteNote(ctx context.Context, kind, key string) error {
	if kind == "move" {
		return errGone
	}
	return s.Memory.DeleteNote(ctx, kind, key)
}

func closing(t *testing.T, s casework.Store, c *casework.Case) casework.Ref {
	t.Helper()
	ref, err := c.Seal(t.Context(), s, random(90), []byte("done"))
	must(t, err)
	return ref
}

// A move writes to nothing that is somebody's, and from nothing that is not
// sound.
func TestMoveRefuses(t *testing.T) {
	ctx := t.Context()
	from := new(storetest.Memory)
	c := storetest.Fill(t, from)
	for name, tt := range map[string]struct {
		target func(t *testing.T, to *storetest.Memory)
		want   string
	}{
		"a case":   {func(t *testing.T, to *storetest.Memory) { newCase(t, to) }, "of its own"},
		"a key":    {func(t *testing.T, to *storetest.Memory) { must(t, to.PutKey(ctx, "x", make([]byte, 32))) }, "of its own"},
		"a ledger": {func(t *testing.T, to *storetest.Memory) { record(t, to, "sign-ins") }, "of its own"},
		"a line":   {func(t *testing.T, to *storetest.Memory) { must(t, to.PutHead(ctx, casework.Head{Case: "x", K: 1})) }, "of its own"},
		"another move": {func(t *testing.T, to *storetest.Memory) {
			must(t, to.PutNote(ctx, "move", "unfinished", []byte("1")))
			must(t, (&casework.Case{Number: "9901-AAAAAA"}).Append(ctx, to, stamp(casework.RoleIntake), casework.Opened{Criteria: []string{"xx"}}))
		}, "a case that the source lacks"},
		"another move of accounts": {func(t *testing.T, to *storetest.Memory) {
			must(t, to.PutNote(ctx, "move", "unfinished", []byte("1")))
			record(t, to, "account/x")
		}, "a ledger that the source lacks"},
		"another chain": {func(t *testing.T, to *storetest.Memory) {
			must(t, to.PutNote(ctx, "move", "unfinished", []byte("1")))
			other := &casework.Case{Number: c.Number}
			must(t, other.Append(ctx, to, stamp(casework.RoleIntake), casework.Opened{Criteria: []string{"another"}}))
		}, "differs in source and target"},
		"another ledger": {func(t *testing.T, to *storetest.Memory) {
			must(t, to.PutNote(ctx, "move", "unfinished", []byte("1")))
			record(t, to, "sign-ins")
		}, "ledger sign-ins differs"},
		"another key": {func(t *testing.T, to *storetest.Memory) {
			must(t, to.PutNote(ctx, "move", "unfinished", []byte("1")))
			must(t, to.PutKey(ctx, c.Number, make([]byte, 32)))
		}, "the key of"},
	} {
		to := new(storetest.Memory)
		tt.target(t, to)
		if _, err := casework.Move(ctx, from, to, nil); !errors.Is(err, casework.ErrMove) || !strings.Contains(fmt.Sprint(err), tt.want) {
			t.Errorf("%s: %v", name, err)
		}
	}
	full := new(storetest.Memory)
	_, err := casework.Move(ctx, from, full, nil)
	must(t, err)
	if _, err := casework.Move(ctx, from, full, nil); !errors.Is(err, casework.ErrMove) {
		t.Errorf("into what was moved: %v", err)
	}
	// A target that swallows something, and one that adds something.
	if _, err := casework.Move(ctx, from, forgetful{new(storetest.Memory)}, nil); !errors.Is(err, casework.ErrMove) || !strings.Contains(fmt.Sprint(err), `expected note "mapping shape", found`) {
		t.Errorf("a target that forgets notes: %v", err)
	}
	must(t, from.PutHead(ctx, casework.Head{Case: "zzz", K: 1}))
	if _, err := casework.Move(ctx, from, new(storetest.Memory), nil); !errors.Is(err, casework.ErrMove) || !strings.Contains(fmt.Sprint(err), "the source has 1 faults") {
		t.Errorf("a source with a fault: %v", err)
	}
}

func record(t *testing.T, s casework.Store, ledger string) {
	t.Helper()
	_, err := casework.Record(t.Context(), s, ledger, stamp(casework.RoleIntake), "something", "else")
	must(t, err)
}

// forgetful keeps no notes but the mark of the move.
type forgetful struct{ *storetest.Memory }

func (s forgetful) PutNote(ctx context.Context, kind, key string, data []byte) error {
	if kind == "mapping" && key == "shape" {
		return nil
	}
	return s.Memory.PutNote(ctx, kind, key, data)
}
