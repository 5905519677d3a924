package web

import (
	"bytes"
	"context"
	"slices"
	"testing"

	"airwarrant/qualify/analysis"
	"airwarrant/qualify/casework/storetest"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/recording"
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

// longerInSpanish are the boundary cases whose worksheet takes three pages in
// Spanish, with the reason.
var longerInSpanish = map[string]string{
	"sleep apnea, the place of the test not stated: the place is asked, not the text of the titration": "every clause of the titration waits for an answer of its own",
	"state of the test not stated": "the clauses of every kind of test wait for it, each with what it applies under",
}

// TestBoundaryPapersInSpanish: the worksheet of an ordinary night in Spanish takes
// at most two pages: the boundary cases of the pack of Medicare in force that print
// most of them all. Those in English stand with the worksheet.
func TestBoundaryPapersInSpanish(t *testing.T) {
	if raced {
		return // one goroutine
	}
	const longest = 8
	rec := &recording.Recording{PerSecond: 1, SpO2Scale: recording.Scale{Mul: 1, Den: 1}}
	for i := range int64(7 * 900) { // seven hours
		v, flag := int32(93), recording.Flag(0)
		switch {
		case i >= 1500 && i < 1700:
			v = recording.NoReading
		case i >= 3000 && i < 3090:
			v = 86
		case i >= 4000 && i < 4020:
			v, flag = 87, recording.FlagMotion
		}
		rec.Time, rec.SpO2, rec.Flags = append(rec.Time, 1900000000+i*4), append(rec.SpO2, v), append(rec.Flags, flag)
	}
	lib := must(rules.Embedded())
	history := lib.History("us-medicare")
	p := history[len(history)-1]
	type sheet struct {
		name string
		w    *worksheet.Worksheet
		text int
	}
	var sheets []sheet
	in := worksheet.Input{Language: Wording(texts.Spanish, p.Region), Program: "airwarrant", Printed: rules.Date{Year: 2026, Month: 6, Day: 1}, Demo: true, Pack: p,
		Case:      worksheet.CaseInfo{Number: "HB-0007", PatientName: "Mira Quell", BirthDate: rules.Date{Year: 1951, Month: 7, Day: 9}, Payer: p.Region.Payer},
		Recording: rec, Analysis: analysis.Analyze(rec, rec.Sessions(0)[0], analysis.Options{}), SessionNo: 1, SessionCount: 1}
	for _, c := range criteria.ReadCases(p, p.Cases, p.CasesFile).In(p, in.Language) {
		in.Determination, in.Facts = c.Determination, c.Facts
		w, text := worksheet.New(in), 0
		for _, s := range w.Sections {
			if s.Table == nil || s.Minor {
				continue
			}
			for _, r := range s.Table.Rows {
				for _, cell := range r.Cells {
					if !r.Minor {
						text += len(cell.Text) + len(cell.Sub)
					}
				}
			}
		}
		sheets = append(sheets, sheet{c.Name, w, text})
	}
	slices.SortStableFunc(sheets, func(a, b sheet) int { return b.text - a.text })
	for i, s := range sheets[:longest] {
		var out bytes.Buffer
		if err := s.w.WritePDF(&out, worksheet.PDFOptions{Letter: i%2 == 1}); err != nil {
			t.Fatal(err)
		}
		pages := bytes.Count(out.Bytes(), []byte("/Type /Page\n"))
		switch reason := longerInSpanish[s.name]; {
		case reason == "" && pages > 2:
			t.Errorf("%q takes %d pages", s.name, pages)
		case reason != "" && pages != 3:
			t.Errorf("%q takes %d pages, not three (%s)", s.name, pages, reason)
		}
	}
}
