package web

import (
	"errors"
	"net/http"

	"airwarrant/qualify/casework"
	"airwarrant/rules"
)

// testerBody is what the holder of a tester's link sees.
type testerBody struct {
	Patient   patient
	Number    string
	TestDate  string
	K         int
	Say       map[string]string
	At        map[string]any // what could not be accepted, by part and field
	Who       string
	Sender    string
	Recording *recordingView
	Trace     *traceView // the stretch that counts, without a level
	AskHow    bool
	Show      bool // the columns are to be looked at first
	Step      *mappingStep
	Columns   string
	Zone      string
	Fields    []field
	Spans     *spansView
	Action    string // address of the link
	Sent      string
}

func (f *file) testerFacts(ev *evaluation) []string {
	var out []string
	if ev.Result == nil {
		return nil
	}
	for _, n := range ev.Determinations[0].Needs {
		if def, ok := rules.Lookup(n.Fact); ok && n.Who == rules.Tester && def.Type != rules.TypeList {
			out = append(out, n.Fact)
		}
	}
	return append(out, besideFacts(ev.Determinations[0], rules.Tester)...)
}

func (s *Site) testerPage(w http.ResponseWriter, q *request) error {
	s.viewed(q.Context(), q.link.file, q.link.by(), casework.RoleTester, "questions for the tester")
	return s.showTester(w, q, http.StatusOK, posted{})
}

func (s *Site) showTester(w http.ResponseWriter, q *request, status int, p posted) error {
	f := q.link.file
	ev, err := s.evaluateFor(q, f)
	if err != nil {
		return err
	}
	b := testerBody{Patient: f.Patient, Number: f.Number, K: f.Edited, Say: map[string]string{}, At: map[string]any{}, Who: typed(p.form, "who"), Sender: typed(p.form, "sender"),
		AskHow: p.ask, Step: p.step, Columns: typed(p.form, "columns"), Zone: typed(p.form, "zone"), Show: typed(p.form, "show") != "", Action: q.link.address(), Sent: q.URL.Query().Get("sent")}
	p.tell(q, b.Say, b.At)
	if d := f.Facts["test_date"].Value.Date; !d.IsZero() {
		b.TestDate = d.String()
	}
	if u := f.upload(); u != nil {
		if b.Recording, err = viewOf(u); err != nil {
			return err
		}
	}
	b.Trace = q.link.stretchView(ev)
	b.Spans = f.spansPart(ev, p)
	for _, name := range f.testerFacts(ev) {
		def, _ := rules.Lookup(name)
		fl := fieldFor(def, false)
		if p.part == "questions" {
			fl = fl.fill(p.form)
			fl.Error = p.faults[name]
		}
		b.Fields = append(b.Fields, fl)
	}
	s.render(w, q, status, "tester", page{Criteria: f.Criteria[0], Title: "One patient's test", Body: b})
	return nil
}

func (s *Site) testerAnswer(w http.ResponseWriter, q *request) error {
	f := q.link.file
	ev, err := s.evaluate(q.Context(), f)
	if err != nil {
		return err
	}
	in, err := s.wording(q, f)
	if err != nil {
		return err
	}
	given, faults := readFields(q.PostForm, f.testerFacts(ev), q.fault, in.Decimal, f.Statements)
	refuse := func(at, say string) error {
		return s.showTester(w, q, http.StatusUnprocessableEntity, posted{part: "questions", at: at, say: say, form: q.PostForm, faults: faults})
	}
	who := typed(q.PostForm, "who")
	switch {
	case who == "" || len(who) > nameLimit:
		return refuse("who", "Expected your name and credential, at most 80 letters; found none or more. Nothing was stored.")
	case len(faults) > 0:
		return refuse("", "Some answers could not be taken; nothing was stored. They are marked below.")
	case len(given) == 0:
		return refuse("", "Expected an answer to at least one question; found none.")
	}
	st := casework.Stamp{At: s.cfg.Now(), By: q.link.by(), Role: casework.RoleTester}
	err = s.update(q.Context(), f.Number, st, func(now *file) (casework.Change, error) {
		if _, ok := now.LinkAt(q.link.hash, s.cfg.Now()); !ok {
			return nil, errLink
		}
		ch := casework.FactsStated{Facts: map[string]casework.Stated{}}
		for name, stated := range given {
			stated.Place.By = who // who says so, sealed with the value
			sealed, err := s.seal(q.Context(), now.Case, stated)
			if err != nil {
				return nil, err
			}
			ch.Facts[name] = sealed
		}
		return ch, nil
	})
	if err != nil && !errors.Is(err, errNoChange) {
		return err
	}
	seeOther(w, q.link.address()+"?sent=answers")
	return nil
}
