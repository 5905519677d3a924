package web

import (
	"errors"
	"net/http"
	"net/url"
	"slices"
	"time"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/criteria"
	"airwarrant/rules"
)

// attachForm is the form by which an office sends the copy of a page.
type attachForm struct{ documentForm }

// officeKinds are what an office attaches; a report of the test comes from the
// tester.
func officeKinds() []choice { return slices.Clone(documentKinds[1:]) }

// copyable are the facts that the office located and whose copy is not on
// file.
func (f *file) copyable() []string {
	var out []string
	for _, def := range rules.Vocabulary() {
		if st := f.Statements[def.Name]; st.State == criteria.Located && f.Copies[def.Name] == "" && f.Answers[def.Name].Says == casework.SaysLocated && f.stale(def.Name) == "" {
			out = append(out, def.Name)
		}
	}
	return out
}

// layCopies tells of each fact which document on file is the copy of the page
// on which it was located: one that came after the statement. A paper that has
// to be on file, and of which nobody said before that it stands anywhere, is
// seen in its copy: that is its place.
func (f *file) layCopies() {
	f.Copies, f.Shown = map[string]string{}, map[string]paperOn{}
	for _, p := range f.papers() {
		for _, name := range p.For {
			if p.K < f.Case.Facts[name].K || p.K < f.Answers[name].K {
				continue
			}
			st, stated := f.Statements[name]
			def, _ := rules.Lookup(name)
			if _, again := f.Shown[name]; again || def.Type == rules.TypePaper && (!stated || st.missing()) {
				f.Shown[name] = p
				f.Statements[name] = statement{Name: name, State: criteria.Located, Text: "true",
					Place: placeText{Document: p.Kind, Date: p.Printed.Date, Page: p.Printed.Page}}
			}
			if f.Statements[name].State == criteria.Located {
				f.Copies[name] = p.title()
			}
		}
	}
}

// missing reports whether a paper is not there, or nobody knows.
func (st statement) missing() bool { return st.State == criteria.Unknown || st.Text == "false" }

// copyOf are what a document can be the copy of: what stands in the chart and
// has no copy on file, and the papers that the criteria want on file and that
// nobody has seen.
func (s *Site) copyOf(f *file, on []string, l rules.Language) ([]choice, error) {
	var out []choice
	add := func(name, words string) {
		if !slices.ContainsFunc(out, func(c choice) bool { return c.Value == name }) {
			out = append(out, choice{Value: name, Words: words, On: slices.Contains(on, name)})
		}
	}
	for _, name := range f.uncopied() {
		add(name, meaningOf(name)+": "+f.Statements[name].Place.whereIn(l))
	}
	for _, region := range f.Criteria {
		pack, err := s.packOf(region, f.Facts["test_date"].Value.Date)
		if err != nil {
			return nil, err
		}
		for _, it := range pack.OnFile {
			def, ok := rules.Lookup(it.Fact)
			if st, stated := f.Statements[it.Fact]; ok && def.Type == rules.TypePaper && (!stated || st.missing()) {
				add(it.Fact, meaningOf(it.Fact))
			}
		}
	}
	return out, nil
}

// chosen are the values of the choices that were made.
func chosen(list []choice) []string {
	var out []string
	for _, c := range list {
		if c.On {
			out = append(out, c.Value)
		}
	}
	return out
}

// words says what is stated of a fact, for people, with days as l writes them.
func (f *file) words(def rules.FactDef, l rules.Language) string {
	st := f.Statements[def.Name]
	if c := f.Copies[def.Name]; c != "" && def.Type == rules.TypePaper {
		return "a copy is on file: " + c
	}
	return st.words(def, l)
}

// attachedCopy is a document that came through a link.
type attachedCopy struct {
	Title, Size string
	At          time.Time
}

// attachPart fills in the part in which copies are sent.
func (b *officeBody) attachPart(f *file, l *link, p posted, in rules.Language) {
	for _, d := range f.papers() {
		if d.By == l.by() {
			b.Attached = append(b.Attached, attachedCopy{d.title(), size(d.Size), d.At})
		}
	}
	names := f.copyable()
	if len(names) == 0 || !f.ClosedAt.IsZero() {
		return
	}
	form := url.Values(nil)
	if p.part == "attach" {
		form = p.form
	}
	a := &attachForm{documentForm: newDocumentForm(form, p.faults)}
	a.Kinds = officeKinds()
	for i := range a.Kinds {
		a.Kinds[i].On = a.Kinds[i].Value == typed(form, "kind")
	}
	for _, name := range names {
		def, _ := rules.Lookup(name)
		a.Of = append(a.Of, choice{Value: name, Words: def.Meaning + ": " + f.Statements[name].Place.whereIn(in), On: slices.Contains(form["for"], name)})
	}
	b.Attach = a
}

// officeAttach takes the copy of a page from the office.
func (s *Site) officeAttach(w http.ResponseWriter, q *request) error {
	in, err := s.receive(q)
	if err != nil && !errors.Is(err, errNoFile) {
		return err
	}
	f := q.link.file
	d := s.copySent(f, q.link.hash, in.form, q.fault)
	return s.sent(w, q, in, err != nil, d, s.stamp(q.link.by(), casework.RoleOffice),
		ticket{What: arrivesCopy, Case: f.Number, Link: q.link.hash}, q.link.address(), q.link.address()+"?sent=copy", func() error {
			return s.showOffice(w, q, http.StatusUnprocessableEntity, posted{part: "attach", form: in.form, faults: d.faults, say: d.say})
		})
}

// copySent reads the form of the copy of a page, which comes through the link
// that has a hash.
func (s *Site) copySent(f *file, link string, form url.Values, fault func(error) string) documentSent {
	d := documentSent{none: "Expected the copy; found no file, or an empty one. Choose it.", say: "The copy was not stored: what is marked below has to be mended first."}
	d.kind, d.printed, d.faults = readDocumentForm(form, fault)
	s.dated(d, fault)
	if d.kind == "report" || d.kind == "" {
		d.faults["kind"] = "Expected one of the kinds listed; found none. Choose what the copy is."
	}
	if d.printed.Name == "" && form.Get("no_name") == "" {
		d.faults["name"] = "Expected the name as the page prints it; found none. Type it, or say that the page prints none."
	}
	of := slices.DeleteFunc(f.copyable(), func(name string) bool { return !slices.Contains(form["for"], name) })
	if len(of) == 0 {
		d.faults["for"] = "Expected the answers of which this is the copy; found none. Choose at least one."
	}
	d.of = func(now *file) ([]string, error) {
		if _, ok := now.LinkAt(link, s.cfg.Now()); !ok {
			return nil, errLink
		}
		return of, nil
	}
	return d
}
