package web

import (
	"bytes"
	"context"
	"testing"

	"airwarrant/qualify/casework/storetest"
	"airwarrant/qualify/worksheet"
	"airwarrant/rules"
)

// TestDemoPapers prints every case of the demonstration that came to something:
// each takes one to two pages, a night with many doubtful stretches too, alike
// on A4 and on Letter, and all of them say DEMO.
func TestDemoPapers(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	ctx, printed := context.Background(), 0
	heads, _, err := b.store.Heads(ctx, "", 100)
	if err != nil {
		t.Fatal(err)
	}
	for _, h := range heads {
		f, err := b.open(ctx, h.Case)
		if err != nil {
			t.Fatal(err)
		}
		ev, err := b.evaluate(ctx, f)
		if err != nil {
			t.Fatal(err)
		}
		if ev.Result == nil || len(ev.Determinations) == 0 || ev.differs {
			continue
		}
		w := b.paper(f, ev, rules.Date{Year: 2026, Month: 6, Day: 1})
		if !w.Demo {
			t.Errorf("%s: nothing on the paper says that it is the demonstration", f.Patient.Name)
		}
		var pages [2]int
		for i, letter := range []bool{false, true} {
			var out bytes.Buffer
			if err := w.WritePDF(&out, worksheet.PDFOptions{Letter: letter}); err != nil {
				t.Fatal(err)
			}
			pages[i] = bytes.Count(out.Bytes(), []byte("/Type /Page\n"))
		}
		if pages[0] < 1 || pages[0] > 2 || pages[0] != pages[1] {
			t.Errorf("%s: %v pages on A4 and Letter, want the same and at most two", f.Patient.Name, pages)
		}
		printed++
	}
	if want := len(demoCases()) - 1; printed != want { // of one the name differs
		t.Errorf("%d cases printed, want %d", printed, want)
	}
}
