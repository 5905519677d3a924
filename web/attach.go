package web

import (
	"errors"
	"net/http"
	"net/url"
	"slices"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/criteria"
	"airwarrant/rules"
)

// attachForm is the form by which an office sends the copy of a page.
type attachForm struct {
	documentForm
	Of []choice // the answers of which it is the copy
}

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

// copies names, by fact, the document on file that is the copy of the page on
// which it was located: one that came after the statement.
func (f *file) copies() map[string]string {
	out := map[string]string{}
	for _, p := range f.papers() {
		for _, name := range p.For {
			if st, ok := f.Case.Facts[name]; ok && !p.At.Before(st.At) && f.Statements[name].State == criteria.Located {
				out[name] = p.title()
			}
		}
	}
	return out
}

// words says what is stated of a fact, for people.
func (f *file) words(def rules.FactDef) string {
	st := f.Statements[def.Name]
	if c := f.Copies[def.Name]; c != "" && def.Type == rules.TypePaper {
		return "a copy is on file: " + c
	}
	return st.words(def)
}

// attachPart fills in the part in which copies are sent.
func (b *officeBody) attachPart(f *file, l *link, p posted) {
	for _, d := range f.papers() {
		if d.By == l.by() {
			b.Attached = append(b.Attached, d.title()+", "+size(d.Size)+", "+moment(d.At))
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
		a.Of = append(a.Of, choice{Value: name, Words: def.Meaning + ": " + f.Statements[name].Place.where(), On: slices.Contains(form["for"], name)})
	}
	b.Attach = a
}

// officeAttach takes the copy of a page from the office.
func (s *Site) officeAttach(w http.ResponseWriter, q *request) error {
	in, err := s.receive(q)
	if err != nil && !errors.Is(err, errNoFile) {
		return err
	}
	noFile := err != nil
	f := q.link.file
	kind, p, faults := readDocumentForm(in.form)
	if kind == "report" || kind == "" {
		faults["kind"] = "Expected one of the kinds listed; found none. Choose what the copy is."
	}
	if p.Name == "" && in.form.Get("no_name") == "" {
		faults["name"] = "Expected the name as the page prints it; found none. Type it, or say that the page prints none."
	}
	of := slices.DeleteFunc(f.copyable(), func(name string) bool { return !slices.Contains(in.form["for"], name) })
	if len(of) == 0 {
		faults["for"] = "Expected the answers of which this is the copy; found none. Choose at least one."
	}
	refuse := func() error {
		return s.showOffice(w, q, http.StatusUnprocessableEntity, posted{part: "attach", form: in.form, faults: faults,
			say: "The copy was not stored: what is marked below has to be mended first."})
	}
	if noFile {
		faults["file"] = "Expected the copy; found no file, or an empty one. Choose it."
		return refuse()
	}
	doc, err := s.storeDocument(q.Context(), in, faults)
	if err != nil {
		return err
	}
	if len(faults) > 0 {
		return refuse()
	}
	doc.Is, doc.For = kind, of
	err = s.update(q.Context(), f.Number, s.stamp(q.link.by(), casework.RoleOffice), func(now *file) (casework.Change, error) {
		if _, ok := now.LinkAt(q.link.hash, s.cfg.Now()); !ok {
			return nil, errLink
		}
		if slices.ContainsFunc(now.papers(), func(p paperOn) bool { return p.SHA256 == doc.SHA256 }) {
			return nil, nil // sent twice
		}
		return s.documentAdded(q.Context(), now.Case, doc, p, in.name)
	})
	if err != nil {
		return err
	}
	seeOther(w, q.link.address()+"?sent=copy")
	return nil
}
