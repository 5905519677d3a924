package web

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"

	"airwarrant/qualify/casework"
	"airwarrant/rules"
	"airwarrant/rules/wording"
)

// imprint is what stands on a document: whose it is, of which date and by
// whom. It lies sealed beside the chain.
type imprint struct {
	Name       string `json:"name,omitempty"` // of the patient, "" if the document prints none
	Birth      string `json:"birth,omitempty"`
	Identifier string `json:"identifier,omitempty"`
	Date       string `json:"date,omitempty"` // of the document
	By         string `json:"by,omitempty"`   // who signed it
	Page       string `json:"page,omitempty"` // page of the chart that it is, such as "3 of 12"
}

// paperOn is a document on a case with what is printed on it in the clear.
type paperOn struct {
	*casework.Document
	Printed imprint
}

// short names a document where a hash is enough.
func short(sha string) string { return sha[:12] }

// title says which document it is in figures, on worksheets and in lists.
func (p paperOn) title() string { return p.Kind + " " + short(p.SHA256) }

// papers are the documents on a case that were not withdrawn.
func (f *file) papers() []paperOn {
	var out []paperOn
	for i := range f.Documents {
		if d := &f.Documents[i]; !d.Withdrawn {
			out = append(out, paperOn{d, f.Printed[d.SHA256]})
		}
	}
	return out
}

// revealPrinted opens what is printed on the documents of a case.
func revealPrinted(c *casework.Case, reveal func(casework.Ref) (string, error)) (map[string]imprint, error) {
	out := make(map[string]imprint, len(c.Documents))
	for _, d := range c.Documents {
		if d.Printed == "" {
			continue
		}
		text, err := reveal(d.Printed)
		if err != nil {
			return nil, err
		}
		var p imprint
		if json.Unmarshal([]byte(text), &p) != nil {
			return nil, errors.New("what is printed on a stored document is not readable")
		}
		out[d.SHA256] = p
	}
	return out, nil
}

// documentIdentity lays what is printed on documents beside the case.
func documentIdentity(f *file) []identityRow {
	var out []identityRow
	for _, p := range f.papers() {
		explained := ""
		if f.Identity.K > 0 && !f.Identity.At.Before(p.At) {
			explained = f.IdentityWords + " (" + f.Identity.By + ")"
		}
		birth, ok := anyDate(p.Printed.Birth)
		for _, r := range []identityRow{
			{What: "name", Case: f.Patient.Name, Other: p.Printed.Name, Same: sameName(f.Patient.Name, p.Printed.Name)},
			{What: "birth date", Case: f.Patient.Birth.String(), Other: p.Printed.Birth, Same: ok && birth == f.Patient.Birth},
			{What: "identifier", Case: f.Patient.Identifier, Other: p.Printed.Identifier, Same: plain(f.Patient.Identifier) == plain(p.Printed.Identifier)},
		} {
			if r.Case == "" || r.Other == "" {
				continue
			}
			r.Where = wording.Joined("%s %s", wording.Said(p.Kind), wording.Literal(short(p.SHA256)))
			if !r.Same {
				r.Explained = explained
			}
			out = append(out, r)
		}
	}
	return out
}

// documentKinds are the kinds with their words, in the order of the form.
var documentKinds = []choice{{Value: "report", Words: "the signed report of the test"}, {Value: "order", Words: "an order"}, {Value: "note", Words: "a note of the chart"}, {Value: "other", Words: "another paper"}}

// documentForm is the form that adds a document, with what was typed.
type documentForm struct {
	Kinds  []choice
	Values imprint
	NoName bool
	Errors map[string]string
	Again  bool     // the file has to be chosen again
	For    []string // names of the facts of which it is the copy
	Of     []choice // of which it may be
}

func newDocumentForm(form url.Values, faults map[string]string) documentForm {
	d := documentForm{Kinds: slices.Clone(documentKinds), Errors: faults, Again: form != nil, NoName: form.Get("no_name") != "", For: form["for"],
		Values: imprint{Name: typed(form, "name"), Birth: typed(form, "birth"), Identifier: typed(form, "identifier"), Date: typed(form, "date"), By: typed(form, "by"), Page: typed(form, "page")}}
	kind := typed(form, "kind")
	if kind == "" {
		kind = "report"
	}
	for i := range d.Kinds {
		d.Kinds[i].On = d.Kinds[i].Value == kind
	}
	return d
}

// readDocumentForm checks what was typed beside a document. A report has to
// say whose it is: two patients must not be joined unseen.
func readDocumentForm(form url.Values, fault func(error) string) (kind string, p imprint, faults map[string]string) {
	d := newDocumentForm(form, map[string]string{})
	p, faults = d.Values, d.Errors
	kind = typed(form, "kind")
	if !slices.ContainsFunc(d.Kinds, func(c choice) bool { return c.Value == kind }) {
		faults["kind"] = "Expected one of the kinds listed; found none. Choose what the document is."
	}
	switch {
	case p.Name == "" && !d.NoName && kind == "report":
		faults["name"] = "Expected the name as the report prints it; found none. Type it, or say that the report prints none."
	case p.Name != "" && d.NoName:
		faults["name"] = "Expected a name, or that none is printed; found both. Clear one."
	}
	for _, date := range []struct{ key, value string }{{"birth", p.Birth}, {"date", p.Date}} {
		if date.value == "" {
			continue
		}
		if _, err := rules.ParseDate(date.value); err != nil {
			faults[date.key] = fault(err)
		}
	}
	for key, v := range map[string]string{"name": p.Name, "identifier": p.Identifier, "by": p.By, "page": p.Page} {
		if len(v) > textLimit {
			faults[key] = fmt.Sprintf("Expected at most %d letters; found more. Shorten it.", textLimit)
		}
	}
	return kind, p, faults
}

// addDocument takes a document at the intake desk, unless the criteria bar
// the supplier from the test: then not a byte of the body is read, for the
// report prints the same figures as the recording.
func (s *Site) addDocument(w http.ResponseWriter, q *request) error {
	f, err := s.open(q.Context(), q.PathValue("number"))
	if err != nil {
		return err
	}
	if err := s.mayTake(f); err != nil {
		return err
	}
	in, err := s.receive(q)
	if err != nil && !errors.Is(err, errNoFile) {
		return err
	}
	d := s.documentSent(in.form, q.fault)
	return s.sent(w, q, in, err != nil, d, s.stamp(q.visit.Who, casework.RoleIntake),
		ticket{What: arrivesDocument, Case: f.Number}, "/cases/"+f.Number, "/cases/"+f.Number+"/report?doc="+short(hashOf(in.data)), func() error {
			form := newDocumentForm(in.form, d.faults)
			return s.showReport(w, q, http.StatusUnprocessableEntity, f, reportForm{say: d.say, document: &form})
		})
}

// documentSent is what was typed beside a document, read.
type documentSent struct {
	kind    string
	printed imprint
	faults  map[string]string // by name of the field
	// none and say are the words for a file that is missing and for a document
	// that is refused.
	none, say string
	// of are the facts of which it is the copy, by the case as it is then.
	of func(now *file) ([]string, error)
}

// documentSent reads the form of a document at the intake desk.
func (s *Site) documentSent(form url.Values, fault func(error) string) documentSent {
	d := documentSent{none: "Expected the document; found no file, or an empty one. Choose it.",
		say: "The document was not stored: what is marked below has to be mended first.", of: s.copyNow(form)}
	d.kind, d.printed, d.faults = readDocumentForm(form, fault)
	s.dated(d, fault)
	return d
}

// come refuses the day of a paper that is here, as 2006-01-02, if it has not come
// anywhere.
func (s *Site) come(day string) error {
	if d, err := rules.ParseDate(day); err == nil && s.today().AddDays(1).Before(d) {
		return wording.Error{Text: wording.Said("expected a date that has come, because the document is there; found one in the future; compare it with the document")}
	}
	return nil
}

// dated marks a document whose date has not come.
func (s *Site) dated(d documentSent, fault func(error) string) {
	if err := s.come(d.printed.Date); err != nil {
		d.faults["date"] = fault(err)
	}
}

// sent lays a document on its case, or, where its file goes elsewhere, answers
// with the form for it once everything else is right. t says what it is, base
// whose pages its ticket is among, done where the browser goes on; refuse shows
// the form again.
func (s *Site) sent(w http.ResponseWriter, q *request, in *received, noFile bool, d documentSent, st casework.Stamp, t ticket, base, done string, refuse func() error) error {
	if noFile {
		if s.inSteps(in.form) && len(d.faults) == 0 {
			t.By, t.Role, t.Form = st.By, st.Role, in.form
			return s.await(w, q, t, base)
		}
		if !s.direct() {
			d.faults["file"] = d.none
		}
		return refuse()
	}
	refused, err := s.lay(q.Context(), t.Case, st, in, d.kind, d.printed, d.faults, q.fault, d.of)
	if err != nil {
		return err
	}
	if refused {
		return refuse()
	}
	seeOther(w, done)
	return nil
}

// copyNow gives what the form says a document is the copy of, as far as the
// case still lacks it.
func (s *Site) copyNow(form url.Values) func(*file) ([]string, error) {
	return func(now *file) ([]string, error) {
		c, err := s.copyOf(now, form["for"], rules.Language{})
		return chosen(c), err
	}
}

// lay stores a document and lays it on a case, once however often it is sent;
// of names the facts of which it is the copy, by the case as it is then. It is
// refused while a fault stands, one of its bytes told with those of the form.
func (s *Site) lay(ctx context.Context, number string, st casework.Stamp, in *received, kind string, p imprint, faults map[string]string, fault func(error) string, of func(now *file) ([]string, error)) (refused bool, err error) {
	doc, err := s.storeDocument(ctx, in, faults, fault)
	if err != nil || len(faults) > 0 {
		return true, err
	}
	doc.Is = kind
	return false, s.update(ctx, number, st, func(now *file) (casework.Change, error) {
		if slices.ContainsFunc(now.papers(), func(p paperOn) bool { return p.SHA256 == doc.SHA256 }) {
			return nil, nil // sent twice
		}
		var err error
		if doc.For, err = of(now); err != nil {
			return nil, err
		}
		return s.documentAdded(ctx, now.Case, doc, p, in.name)
	})
}

func hashOf(data []byte) string {
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:])
}

// storeDocument checks the bytes of a document and puts them into the store,
// unless they or the form have a fault.
func (s *Site) storeDocument(ctx context.Context, in *received, faults map[string]string, fault func(error) string) (casework.DocumentAdded, error) {
	if len(in.data) > documentLimit {
		return casework.DocumentAdded{}, errTooLarge
	}
	media, pages, err := s.readDocument(ctx, in.data)
	var bad *pictureError
	if errors.As(err, &bad) {
		faults["file"] = fault(bad)
	} else if err != nil {
		return casework.DocumentAdded{}, err
	}
	if len(faults) > 0 {
		return casework.DocumentAdded{}, nil
	}
	sha := hashOf(in.data)
	return casework.DocumentAdded{SHA256: sha, Size: int64(len(in.data)), Media: media, Pages: pages}, s.cfg.Store.PutUpload(ctx, sha, bytes.NewReader(in.data))
}

// documentAdded seals what names somebody into the change.
func (s *Site) documentAdded(ctx context.Context, c *casework.Case, ch casework.DocumentAdded, p imprint, name string) (casework.Change, error) {
	raw, err := json.Marshal(p)
	if err != nil {
		return nil, err
	}
	if ch.Printed, err = s.sealText(ctx, c, string(raw)); err != nil {
		return nil, err
	}
	ch.Name, err = s.sealText(ctx, c, clipName(name))
	return ch, err
}

// withdrawDocument takes a document out of consideration; its bytes stay.
func (s *Site) withdrawDocument(w http.ResponseWriter, q *request) error {
	number, reason, sha := q.PathValue("number"), typed(q.PostForm, "reason"), q.PostForm.Get("sha256")
	back := "report" // the page that asked
	if q.PostForm.Get("back") == "papers" {
		back = "papers"
	}
	if say := reasonFault("Expected the reason for withdrawing the document, in words; found none, or more than 2,000 letters. Write it; the trail keeps it.", reason); say != "" {
		f, err := s.open(q.Context(), number)
		if err != nil {
			return err
		}
		if back == "papers" {
			return s.showPapers(w, q, http.StatusUnprocessableEntity, f, posted{say: say})
		}
		return s.showReport(w, q, http.StatusUnprocessableEntity, f, reportForm{say: say})
	}
	err := s.update(q.Context(), number, s.stamp(q.visit.Who, casework.RoleIntake), func(f *file) (casework.Change, error) {
		if !slices.ContainsFunc(f.papers(), func(p paperOn) bool { return p.SHA256 == sha }) {
			return nil, casework.ErrConflict
		}
		ref, err := s.sealText(q.Context(), f.Case, reason)
		return casework.DocumentWithdrawn{SHA256: sha, Reason: ref}, err
	})
	if err != nil {
		return err
	}
	seeOther(w, "/cases/"+number+"/"+back)
	return nil
}

// paperAt finds the document that an address names by the first digits of its
// hash: of this case alone, and only where its figures may be read.
func (s *Site) paperAt(q *request) (*file, paperOn, error) {
	f, err := s.open(q.Context(), q.PathValue("number"))
	if err != nil {
		return nil, paperOn{}, err
	}
	for _, p := range f.papers() {
		if short(p.SHA256) != q.PathValue("document") {
			continue
		}
		if !s.readable(f, p.Kind) {
			return nil, paperOn{}, errBarred
		}
		return f, p, nil
	}
	if err := s.mayTake(f); err != nil {
		return nil, paperOn{}, err // which documents there are is not told either
	}
	return nil, paperOn{}, errNoPage
}

// documentPage serves the picture of one page.
func (s *Site) documentPage(w http.ResponseWriter, q *request) error {
	f, p, err := s.paperAt(q)
	if err != nil {
		return err
	}
	page, err := strconv.Atoi(q.PathValue("page"))
	if err != nil {
		return errNoPage
	}
	l, err := s.leafOf(q.Context(), p.Document, page)
	if err != nil {
		return err
	}
	s.viewed(q.Context(), f, q.visit.Who, casework.RoleIntake, "document "+p.title())
	send(w, http.StatusOK, l.media, l.body)
	return nil
}

// documentFile gives a document back as it came. It is never opened in the
// page: a PDF could hold a script.
func (s *Site) documentFile(w http.ResponseWriter, q *request) error {
	f, p, err := s.paperAt(q)
	if err != nil {
		return err
	}
	data, err := s.bytesOf(q.Context(), p.SHA256)
	if err != nil {
		return err
	}
	s.viewed(q.Context(), f, q.visit.Who, casework.RoleIntake, "document "+p.title()+" as it came")
	ending := map[string]string{mediaPNG: "png", mediaJPEG: "jpg", mediaTIFF: "tif", mediaPDF: "pdf"}[p.Media]
	w.Header().Set("Content-Disposition", `attachment; filename="`+f.Number+"-"+short(p.SHA256)+"."+ending+`"`)
	send(w, http.StatusOK, p.Media, data)
	return nil
}
