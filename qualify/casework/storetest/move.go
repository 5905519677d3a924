package storetest

import (
	"bytes"
	"slices"
	"testing"

	"airwarrant/qualify/casework"
)

// Fill puts something of every kind into an empty store and returns a case
// that can still be worked on.
func Fill(t *testing.T, s casework.Store) *casework.Case {
	t.Helper()
	ctx := t.Context()
	c, gone := create(t, s, 1), create(t, s, 2)
	for i, one := range []*casework.Case{c, gone} {
		must(t, casework.AddTerms(ctx, s, random(byte(40+i)), one.Number, []string{"inve", "invent"}))
		ref, err := one.Seal(ctx, s, random(byte(50+i)), []byte("Invented Name"))
		must(t, err)
		must(t, one.Append(ctx, s, stamp("account-1"), casework.PatientStated{Name: ref}))
		data := bytes.Repeat([]byte{byte(i), 'x'}, 700_000)
		must(t, s.PutUpload(ctx, hash(data), bytes.NewReader(data)))
		must(t, one.Append(ctx, s, stamp("account-1"), casework.UploadAdded{SHA256: hash(data), Size: int64(len(data)), Name: ref}))
	}
	// Sealed, and pointed to by no event: as why a file was refused is.
	_, err := c.Seal(ctx, s, random(60), []byte("beside the chain"))
	must(t, err)
	why, err := gone.Seal(ctx, s, random(61), []byte("done"))
	must(t, err)
	must(t, gone.Append(ctx, s, stamp("account-1"), casework.Closed{Reason: why}))
	must(t, casework.Destroy(ctx, s, gone.Number, stamp("sweep"), "retention"))
	for i := range 3 {
		for _, ledger := range []string{"sign-ins", "account/a"} {
			_, err := casework.Record(ctx, s, ledger, stamp("account-1"), "something", i)
			must(t, err)
		}
	}
	for _, day := range []string{"2026-03-02", "2026-03-03"} {
		_, err := casework.PutDayAnchor(ctx, s, day)
		must(t, err)
	}
	must(t, s.PutNote(ctx, "mapping", "shape", []byte("a note \x00\xff")))
	must(t, s.PutNote(ctx, "mapping", "empty", nil))
	must(t, s.PutNote(ctx, "mapping/of", "ä 1", []byte("of another kind")))
	return c
}

// What is moved into a store and out of it again is what it was, to the last
// byte of every item.
func moves(t *testing.T, s casework.Store) {
	ctx := t.Context()
	from, back := new(Memory), new(Memory)
	Fill(t, from)
	in, err := casework.Move(ctx, from, s, nil)
	must(t, err)
	sound(t, s)
	steps := map[string]int{}
	out, err := casework.Move(ctx, s, back, func(st casework.MoveStep) { steps[st.Does] = st.Done })
	must(t, err)
	if in.Contents != out.Contents || in.Items != out.Items || in.Items < 25 {
		t.Errorf("in %+v, out %+v", in, out)
	}
	lines := func(s casework.Store) (all []string) {
		for line, err := range casework.ContentsOf(ctx, s) {
			must(t, err)
			all = append(all, line)
		}
		return all
	}
	want := lines(from)
	for name, got := range map[string][]string{"the store": lines(s), "what came back": lines(back)} {
		if !slices.Equal(got, want) {
			t.Errorf("%s holds %q, expected %q", name, got, want)
		}
	}
	if steps["cases"] != 2 || steps["checks"] != len(want) || steps["notes"] < 4 {
		t.Errorf("told of %v", steps)
	}
}
