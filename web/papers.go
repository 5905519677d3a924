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

// chartKinds are papers of the chart, which say nothing of the result of the
// test: they are taken and shown on whatever footing the test itself is held,
// for an order may be that footing.
var chartKinds = []string{"order", "note"}

// papersPage is every paper on a case, and the form that adds one.
type papersPage struct {
	Number  string
	Patient patient
	Say     string
	Lines   []chartLine
	Closed  bool
	Form    documentForm
	Fields  []paperField
	Limit   string
	Report  bool // a report may be read here, on a page of its own
}

// chartLine is one paper in the list.
type chartLine struct {
	Title, Words, SHA256, Short, Size string
	Came                              *entered
	Pages                             int
	Printed                           imprint
	For                               []string // what it is the copy of
	Read                              bool     // its bytes may be read
	Withdrawn                         bool
}

// paperField is one line of the form.
type paperField struct {
	Key, Label, Value, Error string
	Day                      bool
}

// readable reports whether the intake desk may read a document.
func (s *Site) readable(f *file, kind string) bool {
	return slices.Contains(chartKinds, kind) || s.mayTake(f) == nil
}

// uncopied are the facts that stand in the chart and whose copy is not on file.
func (f *file) uncopied() []string {
	var out []string
	for _, def := range rules.Vocabulary() {
		if f.Statements[def.Name].State == criteria.Located && f.Copies[def.Name] == "" {
			out = append(out, def.Name)
		}
	}
	return out
}

func (s *Site) papersPage(w http.ResponseWriter, q *request) error {
	f, err := s.open(q.Context(), q.PathValue("number"))
	if err != nil {
		return err
	}
	s.viewed(q.Context(), f, q.visit.Who, casework.RoleIntake, "papers")
	return s.showPapers(w, q, http.StatusOK, f, posted{})
}

func (s *Site) showPapers(w http.ResponseWriter, q *request, status int, f *file, p posted) error {
	if f.closedUnder(status) {
		return casework.ErrRefused
	}
	b := papersPage{Number: f.Number, Patient: f.Patient, Say: p.say, Closed: !f.ClosedAt.IsZero(), Limit: size(documentLimit), Report: s.mayTake(f) == nil}
	for i := range f.Documents {
		d := paperOn{&f.Documents[i], f.Printed[f.Documents[i].SHA256]}
		l := chartLine{Title: d.title(), SHA256: d.SHA256, Short: short(d.SHA256), Size: size(d.Size), Came: &entered{d.By, d.At}, Pages: d.Pages,
			Printed: d.Printed, Read: !d.Withdrawn && s.readable(f, d.Kind), Withdrawn: d.Withdrawn}
		for _, k := range documentKinds {
			if k.Value == d.Kind {
				l.Words = k.Words
			}
		}
		for _, name := range d.For {
			l.For = append(l.For, meaningOf(name))
		}
		b.Lines = append(b.Lines, l)
	}
	b.Form = newDocumentForm(p.form, p.faults)
	b.Form.Kinds = slices.DeleteFunc(b.Form.Kinds, func(c choice) bool { return !slices.Contains(chartKinds, c.Value) })
	v := b.Form.Values
	b.Fields = []paperField{
		{"birth", "Birth date printed on it", v.Birth, p.faults["birth"], true}, {"identifier", "Identifier printed on it", v.Identifier, p.faults["identifier"], false},
		{"date", "Date of the paper", v.Date, p.faults["date"], true}, {"by", "Signed by, with credential", v.By, p.faults["by"], false},
		{"page", "Page of the chart that it is, such as 3 of 12", v.Page, p.faults["page"], false},
	}
	var err error
	if b.Form.Of, err = s.copyOf(f, b.Form.For, s.daysOf(q, f.Criteria[0])); err != nil {
		return err
	}
	s.render(w, q, status, "papers", page{Criteria: f.Criteria[0], Title: "Papers of case " + f.Number, Body: b})
	return nil
}

// addPaper takes a paper of the chart at the intake desk.
func (s *Site) addPaper(w http.ResponseWriter, q *request) error {
	f, err := s.open(q.Context(), q.PathValue("number"))
	if err != nil {
		return err
	}
	in, err := s.receiveIf(q, func(form url.Values) error {
		if k := typed(form, "kind"); k != "" && !slices.Contains(chartKinds, k) {
			return errBarred // a report comes through its own page
		}
		return nil
	})
	if err != nil && !errors.Is(err, errNoFile) {
		return err
	}
	d := s.paperSent(in.form, q.fault)
	return s.sent(w, q, in, err != nil, d, s.stamp(q.visit.Who, casework.RoleIntake),
		ticket{What: arrivesPaper, Case: f.Number}, "/cases/"+f.Number, "/cases/"+f.Number+"/papers", func() error {
			return s.showPapers(w, q, http.StatusUnprocessableEntity, f, posted{form: in.form, faults: d.faults, say: d.say})
		})
}

// paperSent reads the form of a paper of the chart.
func (s *Site) paperSent(form url.Values, fault func(error) string) documentSent {
	d := documentSent{none: "Expected the paper; found no file, or an empty one. Choose it.",
		say: "The paper was not stored: what is marked below has to be mended first.", of: s.copyNow(form)}
	d.kind, d.printed, d.faults = readDocumentForm(form, fault)
	s.dated(d, fault)
	if !slices.Contains(chartKinds, d.kind) {
		d.faults["kind"] = "Expected one of the kinds listed; found none. Choose what the paper is."
	}
	if d.printed.Name == "" && form.Get("no_name") == "" {
		d.faults["name"] = "Expected the name as the paper prints it; found none. Type it, or say that the paper prints none."
	}
	if d.printed.Date == "" && d.faults["date"] == "" {
		d.faults["date"] = "Expected the date of the paper; found none. Type it."
	}
	return d
}

// paperTitle names a paper of the chart, and the day that it carries, if it does.
type paperTitle struct{ Title, Day string }

// paperTitles name the papers of the chart on a case, for its page.
func (f *file) paperTitles() []paperTitle {
	var out []paperTitle
	for _, p := range f.papers() {
		if slices.Contains(chartKinds, p.Kind) {
			out = append(out, paperTitle{p.title(), p.Printed.Date})
		}
	}
	return out
}
