package web

import (
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/criteria"
	"airwarrant/rules"
)

// The other tests of a patient: each is typed with its own date, state and
// values, is judged by itself, and takes what it does not state of the
// conditions from the case.

// testFacts are the facts that the form of a test asks for, in its order.
var testFacts = []string{"test_date", "test_state", "test_oxygen", "test_performed_by", "rest_spo2", "rest_pao2", "awake_spo2", "reported_minutes",
	"exertion_spo2_air", "exertion_spo2_oxygen", "same_sitting", "exertion_in_person"}

// testForm is one test as a form shows it.
type testForm struct {
	Key        string // of its ids on the page
	Was        string // name of the test that is corrected, "" for a new one
	Name, Time string
	Error      string // about name and time
	Fields     []field
	Open       bool // it could not be accepted
	Recorded   bool // it rests on a recording
}

// testsView is what the pages show of several tests; the page of a case shows
// their names and what is asked about them.
type testsView struct {
	Number  string
	K       int
	Patient patient
	Say     string
	Listed  []testForm
	New     testForm
	Full    bool            // no further one fits
	Asks    []criteria.Need // about the tests, to be answered here
}

func (f *file) testsView(d criteria.Determination, p posted) *testsView {
	v := &testsView{Number: f.Number, K: f.Edited, Patient: f.Patient, Say: p.say, New: testForm{Key: "new"}}
	tests := f.Facts["tests"].Value.Tests
	if len(tests) > 0 {
		for _, n := range d.Needs {
			if n.Fact == "tests" || slices.Contains(custodyFacts, n.Fact) {
				v.Asks = append(v.Asks, n) // of one of the tests, so it is answered there
			}
		}
	}
	for i, t := range tests {
		tf := testForm{Key: strconv.Itoa(i + 1), Was: t.Name, Name: t.Name, Time: t.Time, Recorded: t.SHA256 != ""}
		texts := factTexts(t.Facts)
		for _, name := range testFacts {
			def, _ := rules.Lookup(name)
			fl := fieldFor(def, false)
			if st, ok := texts[name]; ok {
				fl = fl.show(st)
			}
			tf.Fields = append(tf.Fields, fl)
		}
		v.Listed = append(v.Listed, tf)
	}
	for _, name := range testFacts {
		def, _ := rules.Lookup(name)
		v.New.Fields = append(v.New.Fields, fieldFor(def, false))
	}
	if p.form != nil {
		into := &v.New
		for i := range v.Listed {
			if v.Listed[i].Was == p.form.Get("was") {
				into = &v.Listed[i]
			}
		}
		into.Open, into.Name, into.Time, into.Error = true, typed(p.form, "name"), typed(p.form, "time"), p.faults["name"]
		for i, fl := range into.Fields {
			into.Fields[i] = fl.fill(p.form)
			into.Fields[i].Error = p.faults[fl.Name]
		}
	}
	for _, tf := range append(v.Listed, v.New) {
		for i := range tf.Fields {
			tf.Fields[i].ID = "t-" + tf.Key + "-" + tf.Fields[i].Name
		}
	}
	v.Full = len(tests) >= criteria.MaxTests
	return v
}

// factTexts are the facts of a test as statements, so that the fields of a form
// can show them.
func factTexts(facts map[string]criteria.Fact) map[string]statement {
	out := map[string]statement{}
	for name, f := range facts {
		st := statement{Name: name, State: f.State, Text: unknown}
		if f.State != criteria.Unknown {
			text, err := f.Text()
			if err != nil {
				continue // the vocabulary has no such fact any more; its list cannot be read either
			}
			st.Text = text
		}
		if f.Place != nil {
			st.Place = placeText{Document: f.Place.Document, Page: f.Place.Page, By: f.Place.By}
			if !f.Place.Date.IsZero() {
				st.Place.Date = f.Place.Date.String()
			}
		}
		out[name] = st
	}
	return out
}

// readTest reads a form over what the test stated before, typed on a page with
// a decimal sign.
func readTest(form url.Values, before criteria.Test, fault func(error) string, decimal string) (criteria.Test, map[string]string) {
	t, faults := before, map[string]string{}
	t.Name, t.Time = typed(form, "name"), typed(form, "time")
	t.Facts = maps.Clone(before.Facts)
	if t.Facts == nil {
		t.Facts = map[string]criteria.Fact{}
	}
	stood := factTexts(before.Facts)
	for _, name := range testFacts {
		def, _ := rules.Lookup(name)
		st, stated, err := fieldFor(def, false).fill(form).typedOn(decimal, stood[name]).statement()
		switch {
		case err != nil:
			faults[name] = fault(err)
			continue
		case !stated:
			delete(t.Facts, name)
			continue
		}
		if f, err := st.fact(); err != nil {
			faults[name] = fault(err)
		} else {
			if old := before.Facts[name]; old.State == criteria.Located && old.Place != nil {
				f.State, f.Place = criteria.Located, old.Place // the place in the chart was not asked here
			}
			t.Facts[name] = f
		}
	}
	return t, faults
}

func (s *Site) testsPage(w http.ResponseWriter, q *request) error {
	return s.showTests(w, q, http.StatusOK, posted{})
}

func (s *Site) showTests(w http.ResponseWriter, q *request, status int, p posted) error {
	f, err := s.open(q.Context(), q.PathValue("number"))
	if err != nil {
		return err
	}
	if f.closedUnder(status) {
		return casework.ErrRefused
	}
	if status == http.StatusOK {
		s.viewed(q.Context(), f, q.visit.Who, casework.RoleIntake, "tests")
	}
	ev, err := s.evaluate(q.Context(), f)
	if err != nil {
		return err
	}
	var d criteria.Determination
	if ev.Result != nil && !ev.differs {
		d = ev.Determinations[0]
	}
	s.render(w, q, status, "tests", page{Criteria: f.Criteria[0], Title: "Tests of case " + f.Number, Body: f.testsView(d, p)})
	return nil
}

// stateTest adds a test to the list, corrects one, or takes one back.
func (s *Site) stateTest(w http.ResponseWriter, q *request) error {
	number, was := q.PathValue("number"), q.PostForm.Get("was")
	faults := map[string]string{}
	say, late := "", false
	seen := formK(q.PostForm)
	err := s.update(q.Context(), number, s.stamp(q.visit.Who, casework.RoleIntake), func(f *file) (casework.Change, error) {
		faults, say, late = map[string]string{}, "", false
		tests := slices.Clone(f.Facts["tests"].Value.Tests)
		at := slices.IndexFunc(tests, func(t criteria.Test) bool { return t.Name == was })
		if now, stated := f.Case.Facts["tests"]; was != "" && (at < 0 || stated && now.K > seen) {
			late = true
			return nil, casework.ErrConflict
		}
		if q.PostForm.Get("withdraw") != "" {
			if at < 0 {
				return nil, nil
			}
			tests = slices.Delete(tests, at, at+1)
		} else {
			var before criteria.Test
			if was != "" {
				before = tests[at]
			}
			var t criteria.Test
			in, err := s.wording(q, f)
			if err != nil {
				return nil, err
			}
			if t, faults = readTest(q.PostForm, before, q.fault, in.Decimal); len(faults) > 0 {
				say = "Some of it could not be taken; nothing of this part was stored. It is marked below."
				return nil, errNoChange
			}
			if was != "" {
				tests[at] = t
			} else {
				tests = append(tests, t)
			}
		}
		if len(tests) == 0 {
			return casework.FactWithdrawn{Name: "tests"}, nil
		}
		text, err := criteria.TestsText(tests)
		if err != nil {
			return nil, err
		}
		st := statement{Name: "tests", State: criteria.Stated, Text: text}
		if f.Statements["tests"] == st {
			return nil, nil
		}
		if _, err := st.fact(); err != nil {
			faults["name"], say = q.fault(err), "Name or time could not be taken; nothing of this part was stored."
			return nil, errNoChange
		}
		sealed, err := s.seal(q.Context(), f.Case, st)
		return casework.FactsStated{Facts: map[string]casework.Stated{"tests": sealed}}, err
	})
	if late {
		say = "Somebody else changed the list of tests while you were at it. Nothing of this part was stored; look at both, and send what is right."
	} else if err != nil {
		return err
	}
	if say != "" {
		return s.showTests(w, q, http.StatusUnprocessableEntity, posted{say: say, form: q.PostForm, faults: faults})
	}
	seeOther(w, "/cases/"+number+"/tests")
	return nil
}

// testsWords says which tests are stated, the name of each on a line and what it
// states on the next.
func testsWords(st statement, l rules.Language) string {
	f, err := st.fact()
	if err != nil {
		return st.Text
	}
	var out []string
	for _, t := range f.Value.Tests {
		var words []string
		texts := factTexts(t.Facts)
		for _, def := range rules.Vocabulary() {
			if st, ok := texts[def.Name]; ok {
				words = append(words, rules.Phrase(def)+": "+st.words(def, l))
			}
		}
		out = append(out, t.Name, strings.Join(words, "; "))
	}
	return strings.Join(out, "\n")
}
