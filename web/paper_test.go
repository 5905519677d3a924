package web

import (
	"bytes"
	"context"
	"testing"

	"airwarrant/qualify/casework/storetest"
	"airwarrant/qualify/worksheet"
	"airwarrant/rules"
	"airwarrant/web/texts"
)

// TestDemoPapers prints every case of the demonstration that came to something:
// each takes one to two pages, a night with many doubtful stretches too, alike
// on A4 and on Letter, in English and in Spanish, and all of them say DEMO.
func TestDemoPapers(t *testing.T) {
	if raced {
		return // one goroutine
	}
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
		region := must(b.lib.Region(f.Criteria[0]))
		for _, in := range []rules.Language{{}, Wording(texts.Choose("es", ""), region)} {
			ev, err := b.evaluateIn(ctx, f, in)
			if err != nil {
				t.Fatal(err)
			}
			if ev.Result == nil || len(ev.Determinations) == 0 || ev.differs {
				continue
			}
			printed += b.printsWithinTwo(f, ev, in.Tag)
		}
	}
	if want := 2 * (len(demoCases()) - 1); printed != want { // of one the name differs
		t.Errorf("%d cases printed, want %d", printed, want)
	}
}

// printsWithinTwo prints the worksheet of a case on both papers, and says that
// it did.
func (b *bench) printsWithinTwo(f *file, ev *evaluation, language string) int {
	b.t.Helper()
	w := b.paper(f, ev, rules.Date{Year: 2026, Month: 6, Day: 1})
	if !w.Demo {
		b.t.Errorf("%s: nothing on the paper says that it is the demonstration", f.Patient.Name)
	}
	var pages [2]int
	for i, letter := range []bool{false, true} {
		var out bytes.Buffer
		if err := w.WritePDF(&out, worksheet.PDFOptions{Letter: letter}); err != nil {
			b.t.Fatal(err)
		}
		pages[i] = bytes.Count(out.Bytes(), []byte("/Type /Page\n"))
	}
	if pages[0] < 1 || pages[0] > 2 || pages[0] != pages[1] {
		b.t.Errorf("%s in %q: %v pages on A4 and Letter, want the same and at most two", f.Patient.Name, language, pages)
	}
	return 1
}
