package casework_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/casework/storetest"
)

// Parts are listed one behind the other, whatever the pages are cut to, each in
// its order; no page is empty but of an empty list.
func TestListParts(t *testing.T) {
	s := new(storetest.Memory)
	for i := range 20 {
		h := casework.Head{Form: casework.HeadForm, Case: fmt.Sprintf("case-%02d", i), K: 1, Criteria: []string{fmt.Sprintf("xx-%d", i%4)},
			OpenedAt: monday.Add(time.Duration(i) * time.Hour), State: casework.StateOpen}
		must(t, s.PutHead(t.Context(), h))
	}
	part := func(region string) casework.Part {
		return casework.Part{Name: region, Selection: casework.Selection{Criteria: region}}
	}
	parts := []casework.Part{part("xx-2"), part("xx-none"), part("xx-0"), {Selection: casework.Selection{NotCriteria: []string{"xx-2", "xx-none", "xx-0"}}}, part("xx-void")}
	want := []string{"case-18", "case-14", "case-10", "case-06", "case-02", "case-16", "case-12", "case-08", "case-04", "case-00",
		"case-19", "case-17", "case-15", "case-13", "case-11", "case-09", "case-07", "case-05", "case-03", "case-01"}
	for limit := 1; limit <= 21; limit++ {
		var got []string
		for after, first := "", true; first || after != ""; first = false {
			heads, next, err := casework.ListParts(t.Context(), s, parts, after, limit)
			must(t, err)
			if len(heads) == 0 || len(heads) > limit {
				t.Fatalf("a page of %d has %d lines", limit, len(heads))
			}
			for _, h := range heads {
				got = append(got, h.Case)
			}
			after = next
		}
		if !slices.Equal(got, want) {
			t.Errorf("pages of %d list %q, want %q", limit, got, want)
		}
	}
	_, next, err := casework.ListParts(t.Context(), s, parts, "", 7)
	must(t, err)
	more, _, err := casework.ListParts(t.Context(), s, slices.Insert(slices.Clone(parts), 0, part("xx-3")), next, 1)
	must(t, err)
	if more[0].Case != want[7] {
		t.Errorf("with a part that came in before, %s follows, want %s", more[0].Case, want[7])
	}
	for _, token := range []string{"foreign", next[1:], "!"} {
		if _, _, err := casework.ListParts(t.Context(), s, parts, token, 7); !errors.Is(err, casework.ErrToken) {
			t.Errorf("token %q: %v", token, err)
		}
	}
	if _, _, err := casework.ListParts(t.Context(), s, parts[:1], next, 7); !errors.Is(err, casework.ErrToken) {
		t.Errorf("the token of a part that is gone: %v", err)
	}
	stop, cancel := context.WithCancel(t.Context())
	cancel()
	if _, _, err := casework.ListParts(stop, s, parts, "", 7); err == nil {
		t.Error("a store that fails fails no list")
	}
}
