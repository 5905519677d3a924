package storetest

import (
	"errors"
	"testing"
	"time"

	"airwarrant/qualify/casework"
)

// Retention takes the cases that were closed before a day, no others, and
// those of which a kill left something.
func retain(t *testing.T, s casework.Store) {
	ctx := t.Context()
	day := 24 * time.Hour
	cases := map[string]*casework.Case{}
	refs := map[string]casework.Ref{}
	for i, name := range []string{"open", "reopened", "lately", "long ago", "half done"} {
		c := create(t, s, byte(10+i))
		ref, err := c.Seal(ctx, s, random(byte(40+i)), []byte("Invented Name"))
		must(t, err)
		must(t, c.Append(ctx, s, stamp("account-1"), casework.PatientStated{Name: ref}))
		cases[name], refs[name] = c, ref
	}
	closed := func(name string, after time.Duration) {
		st := stamp("account-1")
		st.At = st.At.Add(after)
		must(t, cases[name].Append(ctx, s, st, casework.Closed{}))
	}
	closed("reopened", day)
	must(t, cases["reopened"].Append(ctx, s, stamp("account-1"), casework.Reopened{Reason: refs["reopened"]}))
	closed("lately", 10*day)
	closed("long ago", day)
	closed("half done", 10*day)
	must(t, cases["half done"].Append(ctx, s, stamp("account-1"), casework.Destroyed{Reason: "retention ended"}))
	for i, want := range []int{2, 0} {
		n, err := casework.Retain(ctx, s, stamp("sweep"), start.Add(10*day))
		if err != nil || n != want {
			t.Errorf("run %d destroyed %d cases, want %d: %v", i, n, want, err)
		}
	}
	for name, c := range cases {
		_, err := c.Reveal(ctx, s, refs[name])
		gone := name == "long ago" || name == "half done"
		if gone != errors.Is(err, casework.ErrDestroyed) || !gone && err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	if r := sound(t, s); r.Destroyed != 2 {
		t.Errorf("report %+v", r)
	}
}
