package worksheet

import (
	"bytes"
	"strings"
	"testing"
)

func officeAnswers() []OfficeAnswer {
	return []OfficeAnswer{
		{Question: "Which saturation awake?", Answer: "in the chart: 92 %", Where: "visit note of 2030-03-05, page 3", By: "R. Quill, RN", At: "2030-03-06 10:00 UTC", Remark: "Second reading."},
		{Question: "Where does the order stand?", Answer: "in the chart", Where: "order of 2030-02-20, page 1", Copy: "order 0123456789ab", By: "R. Quill, RN", Stale: "Stated otherwise since."},
		{Question: "Is sleep apnea treated?", Answer: "we disagree", Remark: "It was never found.", By: "T. Alder, MD", Disputed: true},
		{Question: "Was the patient an inpatient?", Answer: "we disagree", Remark: "On the ward.", By: "T. Alder, MD", Settled: "Seen on the letter of discharge. (M. Reyes)"},
	}
}

func textOf(t *testing.T, w *Worksheet) string {
	t.Helper()
	var b bytes.Buffer
	if err := w.WriteText(&b); err != nil {
		t.Fatal(err)
	}
	return strings.Join(strings.Fields(b.String()), " ")
}

// An open dispute stands before everything else; every answer stands with its
// place, and says whether a copy is on file.
func TestAnswersOnTheWorksheet(t *testing.T) {
	in := sample("met")
	if s := New(in).Section("answers"); s != nil {
		t.Errorf("without answers there is a section: %+v", s)
	}
	in.Answers = officeAnswers()
	w := New(in)
	if w.Sections[0].ID != "disputed" || len(w.Sections[0].Table.Rows) != 1 {
		t.Fatalf("first is %s: %+v", w.Sections[0].ID, w.Sections[0].Table)
	}
	text := textOf(t, w)
	for _, want := range []string{"Disputed by the physician's office", "nobody yet", "It was never found.", "copy not on file", "Out of date", "Stated otherwise since.",
		"Settled: Seen on the letter of discharge. (M. Reyes)", "It does not replace it."} {
		if !strings.Contains(text, want) {
			t.Errorf("the worksheet lacks %q:\n%s", want, text)
		}
	}
	if got := w.Section("answers").Table.Rows[1].Cells[2].Sub; got != "copy on file: order 0123456789ab" {
		t.Errorf("beside the place of a copied page stands %q", got)
	}
	in.Answers[2].Owner = "M. Reyes"
	if text := textOf(t, New(in)); !strings.Contains(text, "who has the case") {
		t.Error("a dispute that nobody took is not with the owner of the case")
	}
	in.Answers[2].Taken = true
	if text := textOf(t, New(in)); strings.Contains(text, "nobody yet") || strings.Contains(text, "who has the case") {
		t.Error("a dispute that somebody took has no owner")
	}
	in.Answers[2].Disputed = false
	if s := New(in).Section("disputed"); s != nil {
		t.Errorf("a settled dispute is open: %+v", s.Table.Rows)
	}
}

func TestAnswersPaperIsRepeatable(t *testing.T) {
	in := sample("met")
	paper := func() []byte {
		var b bytes.Buffer
		err := WriteAnswersPDF(&b, AnswersInput{Program: in.Program, Printed: in.Printed, Demo: true, Case: in.Case, Answers: officeAnswers(), Recording: in.Recording, Analysis: in.Analysis}, PDFOptions{})
		if err != nil {
			t.Fatal(err)
		}
		return b.Bytes()
	}
	a, b := paper(), paper()
	if !bytes.HasPrefix(a, []byte("%PDF-")) || !bytes.Equal(a, b) {
		t.Errorf("two papers of the same answers differ, or are none: %d and %d bytes", len(a), len(b))
	}
	var none bytes.Buffer
	if err := WriteAnswersPDF(&none, AnswersInput{Answers: officeAnswers()[:1]}, PDFOptions{Letter: true}); err != nil || none.Len() >= len(a) {
		t.Errorf("without a recording: %v, %d bytes", err, none.Len())
	}
}
