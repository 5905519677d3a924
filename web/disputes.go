package web

import (
	"net/http"
	"slices"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/worksheet"
	"airwarrant/rules"
)

// answersPart is what a case page shows of the office's answers.
type answersPart struct {
	Lines    []worksheet.OfficeAnswer
	Disputes []disputeLine
}

// disputeLine is one open dispute with what can be done about it.
type disputeLine struct {
	Fact string
	worksheet.OfficeAnswer
	Held  string // what the case holds
	How   string // on what that rests
	Mine  bool   // whoever looks has taken it
	Words string // typed and not accepted
}

// answersPart is nil where no office has answered; its days are as l writes them.
func (f *file) answersPart(who string, p posted, l rules.Language) (*answersPart, error) {
	list, err := f.givenIn(l, nil)
	if err != nil || len(list) == 0 {
		return nil, err
	}
	a := &answersPart{Lines: list}
	for _, name := range f.Disputed() {
		def, _ := rules.Lookup(name)
		line := disputeLine{Fact: name, Held: "nothing yet", Mine: f.Answers[name].Owner == who}
		if st, ok := f.Statements[name]; ok {
			line.Held, line.How = f.words(def, l), st.how(l)
		}
		if i := slices.IndexFunc(list, func(o worksheet.OfficeAnswer) bool { return o.Question == def.Question }); i >= 0 {
			line.OfficeAnswer = list[i]
		}
		if p.part == "answers" && p.form.Get("fact") == name {
			line.Words = typed(p.form, "words")
		}
		a.Disputes = append(a.Disputes, line)
	}
	return a, nil
}

// handleDispute lets intake take a dispute, or settle it by words. A dispute
// ends too when the fact is stated anew, or when the office answers anew.
func (s *Site) handleDispute(w http.ResponseWriter, q *request) error {
	number, fact, words := q.PathValue("number"), q.PostForm.Get("fact"), typed(q.PostForm, "words")
	settle := q.PostForm.Get("do") == "settle"
	if settle && (len(words) < 10 || len(words) > remarkLimit) {
		f, err := s.open(q.Context(), number)
		if err != nil {
			return err
		}
		return s.showCase(w, q, http.StatusUnprocessableEntity, f, posted{part: "answers", form: q.PostForm,
			say: "Expected words that say how the dispute was settled, and with whom (10 to 2,000 letters); found fewer or more."})
	}
	seen := formK(q.PostForm)
	err := s.update(q.Context(), number, s.stamp(q.visit.Who, casework.RoleIntake), func(f *file) (casework.Change, error) {
		if !slices.Contains(f.Disputed(), fact) || settle && f.Answers[fact].K > seen {
			return nil, casework.ErrConflict // settled, or answered anew, meanwhile
		}
		if !settle {
			if f.Answers[fact].Owner == q.visit.Who {
				return nil, nil
			}
			return casework.DisputeTaken{Fact: fact}, nil
		}
		ref, err := s.sealText(q.Context(), f.Case, words)
		return casework.DisputeSettled{Fact: fact, Words: ref}, err
	})
	if err != nil {
		return err
	}
	seeOther(w, "/cases/"+number+"#answers")
	return nil
}
