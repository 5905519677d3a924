package web

import (
	"slices"
	"testing"

	"airwarrant/qualify"
	"airwarrant/qualify/casework"
	"airwarrant/qualify/casework/storetest"
)

// TestCasesKeepWhatTheyRestOn determines every case of the demonstration from
// what it keeps: it comes out as the pages determined it from the recording.
func TestCasesKeepWhatTheyRestOn(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	b.at(Intake).get("/cases")
	cases, recordings := 0, 0
	for h, err := range casework.All(t.Context(), b.store.Heads) {
		if err != nil {
			t.Fatal(err)
		}
		if len(h.Results) == 0 {
			continue
		}
		cases++
		recordings += len(h.Uploads)
		if !h.Current || h.Kept == "" {
			t.Fatalf("case %s: expected a current determination and what it rests on", h.Case)
		}
		packed, err := h.Reveal(t.Context(), b.store, h.Kept)
		if err != nil {
			t.Fatal(err)
		}
		k, err := qualify.DecodeKept(packed)
		if err != nil {
			t.Fatal(err)
		}
		confirmed, err := b.confirmed(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		for _, was := range h.Results {
			d, err := k.Determine(was.Criteria, b.lib, confirmed)
			if err != nil {
				t.Fatal(err)
			}
			if k.Differs {
				continue // the file may be another person's: no criteria are asked
			}
			if string(d.Outcome) != was.Outcome || d.Disposition != was.Disposition || !slices.Equal(d.DecidedBy, was.DecidedBy) || len(d.Needs) != len(was.Needs) {
				t.Errorf("case %s: %s by %q, expected %s by %q", h.Case, d.Outcome, d.DecidedBy, was.Outcome, was.DecidedBy)
			}
		}

		// What is determined anew from the same keeps the same bytes.
		f, err := b.open(t.Context(), h.Case)
		if err != nil {
			t.Fatal(err)
		}
		ev, err := b.evaluate(t.Context(), f)
		if err != nil {
			t.Fatal(err)
		}
		if again, err := b.restsOn(t.Context(), f, ev); err != nil || again != h.Kept {
			t.Errorf("case %s: kept again as %s, expected %s, %v", h.Case, again, h.Kept, err)
		}
	}
	if cases < 5 || recordings < 3 {
		t.Fatalf("%d cases with %d recordings: expected at least 5 with 3", cases, recordings)
	}
}
