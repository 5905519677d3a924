package worksheet

import (
	"io"
	"slices"
	"strings"

	"airwarrant/qualify/analysis"
	"airwarrant/qualify/recording"
	"airwarrant/rules"
)

// OfficeAnswer is what the physician's office said to one question, as it is
// printed. All of it is personal data: it is printed and never logged.
type OfficeAnswer struct {
	Question string
	Answer   string // one of the four answers, in words, with the value if one was given
	Where    string // document, date and page in the chart; "" if the answer names none
	Copy     string // the copy on file, "" if there is none
	By       string // name and credential
	At       string // when it was sent
	Remark   string
	// Stale says what changed since, so that the answer no longer stands for
	// what the case holds; "" if nothing did.
	Stale string
	// Disputed says that the office disagrees and nobody has settled it. Owner
	// took it or, unless Taken, has the case that it is of; "" nobody yet.
	// Settled are the words that ended a dispute.
	Disputed, Taken bool
	Owner           string
	Settled         string
}

var (
	markDisputed = Mark{"Disputed", "≠", "unclear"}
	markStale    = Mark{"Out of date", "?", "unclear"}
)

// answerStanding is what every paper with answers says about them.
const answerStanding = "An answer tells where documentation is found. It does not replace it."

// disputed lists open disputes, first of all sections: whatever is determined
// rests on something that the office says is otherwise.
func disputed(l rules.Language, list []OfficeAnswer) Section {
	s := Section{ID: "disputed", Title: l.Say("Disputed by the physician's office"),
		Lead:  l.Say("The office disagrees, and nobody has settled it. What is determined rests on what was stated."),
		Table: &Table{Columns: []Column{{l.Say("Question"), .34, false}, {l.Say("What the office says"), .34, false}, {l.Say("By"), .18, false}, {l.Say("With"), .14, false}}}}
	for _, a := range list {
		if !a.Disputed {
			continue
		}
		owner := Cell{Text: a.Owner}
		switch {
		case a.Owner == "":
			owner.Text = l.Say("nobody yet")
		case !a.Taken:
			owner.Sub = l.Say("who has the case")
		}
		s.Table.Rows = append(s.Table.Rows, Row{Cells: []Cell{{Mark: markDisputed.in(l), Text: l.Say(a.Question)}, {Text: orDash(a.Remark)}, {Text: a.By, Sub: a.At}, owner}})
	}
	return s
}

// answered lists every answer of the office.
func answered(l rules.Language, list []OfficeAnswer) Section {
	s := Section{ID: "answers", Title: l.Say("Answers of the physician's office"), Lead: l.Say(answerStanding),
		Table: &Table{Columns: []Column{{l.Say("Question"), .30, false}, {l.Say("Answer"), .26, false}, {l.Say("Where in the chart"), .25, false}, {l.Say("By"), .19, false}}}}
	// Nothing disputed or out of date: paper tells the places among the evidence.
	s.Small = !slices.ContainsFunc(list, func(a OfficeAnswer) bool { return a.Disputed || a.Stale != "" })
	for _, a := range list {
		answer := Cell{Text: a.Answer, Sub: a.Remark}
		var more []string
		switch {
		case a.Disputed:
			answer.Mark = markDisputed.in(l)
		case a.Stale != "":
			answer.Mark = markStale.in(l)
		}
		for _, m := range []string{a.Remark, a.Stale} {
			if m != "" {
				more = append(more, m)
			}
		}
		if a.Settled != "" {
			more = append(more, l.Say("Settled: %s", a.Settled))
		}
		answer.Sub = strings.Join(more, " ")
		where := Cell{Text: orDash(a.Where)}
		switch {
		case a.Where != "" && a.Copy != "":
			where.Sub = l.Say("copy on file: %s", a.Copy)
		case a.Where != "":
			where.Sub = l.Say("copy not on file")
		}
		s.Table.Rows = append(s.Table.Rows, Row{Cells: []Cell{{Text: l.Say(a.Question)}, answer, where, {Text: orDash(a.By), Sub: a.At}}})
	}
	return s
}

// AnswersInput is everything that the paper of an office's answers shows.
type AnswersInput struct {
	// Language is that of every text of ours; the texts of Answers come worded.
	Language rules.Language
	Program  string
	Printed  rules.Date // day of printing, from the caller
	Demo     bool
	Case     CaseInfo
	Answers  []OfficeAnswer
	// Recording and Analysis are of the stretch that the office was shown, nil
	// if there was none.
	Recording *recording.Recording
	Analysis  *analysis.Analysis
}

// WriteAnswersPDF prints what an office answered, for the office itself. The
// paper holds no clause, no outcome and no line of any threshold. The same
// input gives the same bytes.
func WriteAnswersPDF(out io.Writer, in AnswersInput, opt PDFOptions) error {
	l := in.Language
	list := answered(l, in.Answers)
	list.Table.in = l
	list.Small = false // here it is what the paper is for
	w := &Worksheet{Language: l, Title: l.Say("Answers of the physician's office"), Demo: in.Demo, Printed: in.Printed, Case: in.Case, Program: in.Program,
		Standing: l.Say(answerStanding) + " " + l.Say("Neither a test report nor an order."), Sections: []Section{list}}
	if in.Recording != nil && in.Analysis != nil && in.Analysis.Count > 0 {
		t := NewTrace(l, in.Recording, in.Analysis, nil)
		t.ID = traceID("answers", in.Recording.SHA256, 0)
		w.Sections = append(w.Sections, Section{ID: "trace", Title: l.Say("The recording that was shown"), Trace: t})
	}
	w.clean()
	return w.WritePDF(out, opt)
}
