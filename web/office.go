package web

import (
	"errors"
	"html/template"
	"net/http"
	"net/url"
	"slices"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/criteria"
	"airwarrant/rules"
)

// officeBody is what the holder of an office's link sees: whose chart to
// pull, and neutral questions. Clauses and outcome come after sending.
type officeBody struct {
	Patient  patient
	Number   string
	TestDate string
	K        int
	Say      string
	Who      string
	Action   string  // address of the link
	Papers   []field // papers that have to be on file
	Fields   []field
	Given    []statedLine // what this office answered before
	Trace    *traceView   // the stretch that counts, without a level
	Sheet    template.HTML
}

// officeFacts are the facts that an office is asked about in a case: the
// open questions for it, and the papers that are not settled.
func (f *file) officeFacts(d criteria.Determination) []string {
	var out []string
	for _, n := range d.Needs {
		if _, ok := rules.Lookup(n.Fact); ok && n.Who == rules.Office {
			out = append(out, n.Fact)
		}
	}
	out = append(out, besideFacts(d, rules.Office)...)
	for _, o := range d.OnFile {
		def, ok := rules.Lookup(o.Fact)
		if _, stated := f.Statements[o.Fact]; ok && !stated && def.Who == rules.Office && !slices.Contains(out, o.Fact) {
			out = append(out, o.Fact)
		}
	}
	return out
}

func (s *Site) officePage(w http.ResponseWriter, q *request) error {
	s.viewed(q.Context(), q.link.file, q.link.by(), casework.RoleOffice, "questions for the office")
	return s.showOffice(w, q, http.StatusOK, posted{})
}

func (s *Site) showOffice(w http.ResponseWriter, q *request, status int, p posted) error {
	f := q.link.file
	ev, err := s.evaluate(q.Context(), f)
	if err != nil {
		return err
	}
	b := officeBody{Action: q.link.address(), Patient: f.Patient, Number: f.Number, K: f.Edited, Say: p.say, Who: typed(p.form, "who")}
	if d := f.Facts["test_date"].Value.Date; !d.IsZero() {
		b.TestDate = d.String()
	}
	b.Trace = q.link.stretchView(ev)
	if ev.Result != nil && !ev.differs {
		d := ev.Determinations[0]
		for _, name := range f.officeFacts(d) {
			def, _ := rules.Lookup(name)
			// The question of the vocabulary, which names no clause.
			fl := officeField(def)
			if p.form != nil {
				fl = fl.fill(p.form)
				fl.Error = p.faults[name]
			}
			if def.Type == rules.TypePaper {
				b.Papers = append(b.Papers, fl)
			} else {
				b.Fields = append(b.Fields, fl)
			}
		}
	}
	for _, def := range rules.Vocabulary() {
		a, ok := f.Answers[def.Name]
		if !ok {
			continue
		}
		st := f.Statements[def.Name]
		l := statedLine{Meaning: def.Question, Value: st.words(def), How: st.how(), Who: a.By, At: moment(a.At)}
		if st.State == criteria.Unknown {
			l.Value, l.How = "looked for, not there", ""
		}
		b.Given = append(b.Given, l)
	}
	if len(b.Given) > 0 && ev.Result != nil && !ev.differs {
		if b.Sheet, err = s.sheet(f, ev); err != nil {
			return err
		}
	}
	s.render(w, q, status, "office", page{Title: "Questions about one patient's chart", Body: b})
	return nil
}

// officeField asks where in the chart something stands.
func officeField(def rules.FactDef) field {
	fl := fieldFor(def, true)
	fl.NotThere = "looked for, not there"
	if def.Type == rules.TypePaper {
		fl.Choices = []choice{{Value: "true", Words: "it is in the chart"}}
	}
	if def.Type == rules.TypeBool {
		fl.Choices = []choice{{Value: "true", Words: "yes, the chart says so"}, {Value: "false", Words: "no, the chart says otherwise"}}
	}
	return fl
}

func (s *Site) officeAnswer(w http.ResponseWriter, q *request) error {
	f := q.link.file
	ev, err := s.evaluate(q.Context(), f)
	if err != nil {
		return err
	}
	if ev.Result == nil {
		return errNoDetermined
	}
	who := typed(q.PostForm, "who")
	faults := map[string]string{}
	given := map[string]statement{}
	for _, name := range f.officeFacts(ev.Determinations[0]) {
		def, _ := rules.Lookup(name)
		st, ok, err := officeStatement(def, q.PostForm, who)
		switch {
		case err != nil:
			faults[name] = sentence(err)
		case ok:
			given[name] = st
		}
	}
	refuse := func(say string) error {
		return s.showOffice(w, q, http.StatusUnprocessableEntity, posted{say: say, form: q.PostForm, faults: faults})
	}
	switch {
	case who == "" || len(who) > nameLimit:
		return refuse("Expected your name and credential, at most 80 letters; found none or more. Nothing was stored.")
	case len(faults) > 0:
		return refuse("Some answers could not be taken; nothing was stored. They are marked below.")
	case len(given) == 0:
		return refuse("Expected an answer to at least one question; found none.")
	}
	st := casework.Stamp{At: s.cfg.Now(), By: q.link.by(), Role: casework.RoleOffice}
	err = s.update(q.Context(), f.Number, st, func(now *file) (casework.Change, error) {
		if _, ok := now.LinkAt(q.link.hash, s.cfg.Now()); !ok {
			return nil, errLink // withdrawn while the chart was read
		}
		ch := casework.Answered{Answers: map[string]casework.Answer{}}
		for name, stated := range given {
			if stated.State == criteria.Unknown {
				note, err := s.sealText(q.Context(), now.Case, who)
				if err != nil {
					return nil, err
				}
				ch.Answers[name] = casework.Answer{Says: "not_in_chart", Note: note}
				continue
			}
			sealed, err := s.seal(q.Context(), now.Case, stated)
			if err != nil {
				return nil, err
			}
			ch.Answers[name] = casework.Answer{Says: "located", Stated: sealed}
		}
		return ch, nil
	})
	if err != nil {
		return err
	}
	seeOther(w, q.URL.Path+"?sent=answers")
	return nil
}

// officeStatement reads one answer of an office: a value needs the place
// where it stands.
func officeStatement(def rules.FactDef, form url.Values, who string) (statement, bool, error) {
	fl := officeField(def).fill(form)
	fl.Place.By = ""
	st, ok, err := fl.statement()
	if err != nil || !ok || st.State == criteria.Unknown {
		return st, ok, err
	}
	if fl.Place.Document == "" {
		return statement{}, false, errors.New("expected the document of the chart in which it stands; found none; name it, or answer that it is not there")
	}
	st.State, st.Place.By = criteria.Located, who
	return st, true, nil
}
