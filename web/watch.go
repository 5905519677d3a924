package web

import (
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"

	"airwarrant/qualify/editions"
	"airwarrant/rules"
)

// watchPage lists the documents on which criteria rest, the first due first.
type watchPage struct {
	Late, Later []watchLine
	Expired     []versionLine
}

type watchLine struct {
	editions.Watched
	Reason string // why it is due
	At     string // address of its page
}

// dueReasons say why a document is due.
var dueReasons = map[string]string{
	editions.DueReview: "to be read again", editions.DueNever: "nobody has read it in the document itself",
	editions.DueChanged: "found changed, or gone", editions.DueExpired: "the edition is past its last day",
}

// foundWords say what somebody found who looked a document up.
var foundWords = map[editions.Found]string{
	editions.FoundSame: "it says what the version says", editions.FoundChanged: "it changed, or a new edition came", editions.FoundGone: "it is not there any more",
}

func watchLineOf(w editions.Watched) watchLine {
	return watchLine{w, dueReasons[w.Why], "/watch/" + w.Region + "/" + w.ID}
}

func (s *Site) watchPage(w http.ResponseWriter, q *request) error {
	all, err := s.book.Watch(q.Context())
	if err != nil {
		return err
	}
	b := watchPage{Expired: s.expired()}
	for _, d := range all {
		if l := watchLineOf(d); l.Late {
			b.Late = append(b.Late, l)
		} else {
			b.Later = append(b.Later, l)
		}
	}
	s.render(w, q, http.StatusOK, "watch", page{Title: "Documents", Body: b})
	return nil
}

// watchedPage is one document, who looked it up, and the form for the next look.
type watchedPage struct {
	watchLine
	Readings []readingLine
	Choices  []choice
	Form     url.Values
	Errors   map[string]string // by field: found, words, next, copy
}

type readingLine struct {
	By                 *entered
	Found, Words, Next string
	SHA256             string
	Bytes              int // of the copy
}

// Said is what was typed about what was found.
func (p watchedPage) Said() string { return p.Form.Get("words") }

// Again is the day that was typed for the next look.
func (p watchedPage) Again() string { return p.Form.Get("next") }

func (s *Site) watchedPage(w http.ResponseWriter, q *request) error {
	return s.showWatched(w, q, http.StatusOK, url.Values{}, map[string]string{})
}

func (s *Site) showWatched(w http.ResponseWriter, q *request, status int, form url.Values, faults map[string]string) error {
	all, err := s.book.Watch(q.Context())
	if err != nil {
		return err
	}
	i := slices.IndexFunc(all, func(d editions.Watched) bool {
		return d.Region == q.PathValue("region") && d.ID == q.PathValue("document")
	})
	if i < 0 {
		return errNoPage
	}
	b := watchedPage{watchLine: watchLineOf(all[i]), Form: form, Errors: faults}
	readings, err := s.book.Readings(q.Context(), b.Region, b.ID)
	if err != nil {
		return err
	}
	for _, r := range readings {
		b.Readings = append(b.Readings, readingLine{&entered{r.By.Name, r.By.At}, foundWords[r.Found], r.Words, r.Next.String(), r.SHA256, int(r.Size)})
	}
	for _, f := range []editions.Found{editions.FoundSame, editions.FoundChanged, editions.FoundGone} {
		b.Choices = append(b.Choices, choice{Value: string(f), Words: foundWords[f], On: form.Get("found") == string(f)})
	}
	s.render(w, q, status, "watched", page{Title: "Document", Body: b})
	return nil
}

// lookedUp writes down that somebody looked a document up, with a private copy if
// one is sent.
func (s *Site) lookedUp(w http.ResponseWriter, q *request) error {
	in, err := s.receive(q)
	if err != nil && !errors.Is(err, errNoFile) {
		return err
	}
	look := editions.Looked{Region: q.PathValue("region"), Document: q.PathValue("document"), Found: editions.Found(typed(in.form, "found")), Words: typed(in.form, "words"), Copy: in.data}
	faults := map[string]string{}
	if day := typed(in.form, "next"); day != "" {
		if look.Next, err = rules.ParseDate(day); err != nil {
			faults["next"] = q.fault(err)
			return s.showWatched(w, q, http.StatusUnprocessableEntity, in.form, faults)
		}
	}
	_, err = s.book.LookedUp(q.Context(), personOf(q), look)
	if refused, ok := errors.AsType[*editions.Refused](err); ok {
		for _, r := range refused.Refusals {
			field := map[string]string{editions.RuleFound: "found", editions.RuleReason: "words", editions.RuleKnown: "next", editions.RuleCopy: "copy"}[r.Rule]
			faults[field] = q.tell("", r.Reason)
		}
		if len(in.data) > 0 && faults["copy"] == "" {
			faults["copy"] = "Nothing was stored, so the copy was not kept either. Choose it again."
		}
		return s.showWatched(w, q, http.StatusUnprocessableEntity, in.form, faults)
	}
	if err != nil {
		return err
	}
	seeOther(w, "/watch/"+look.Region+"/"+look.Document)
	return nil
}

// privateCopy gives the copy of a document that a maintainer kept, as a file that
// no browser shows in the page.
func (s *Site) privateCopy(w http.ResponseWriter, q *request) error {
	sha := q.PathValue("copy")
	r, err := s.book.Copy(q.Context(), sha)
	if err != nil {
		return err
	}
	defer r.Close()
	data, err := io.ReadAll(io.LimitReader(r, editions.CopyLimit+1))
	if err != nil {
		return err
	}
	w.Header().Set("Content-Disposition", fmt.Sprintf("attachment; filename=%q", "document-"+short(sha)))
	send(w, http.StatusOK, "application/octet-stream", data)
	return nil
}

// criteriaTrail is everything that was decided about criteria, in words.
func (s *Site) criteriaTrail(w http.ResponseWriter, q *request) error {
	events, err := s.book.Events(q.Context())
	if err != nil {
		return err
	}
	slices.Reverse(events)
	s.render(w, q, http.StatusOK, "criteriatrail", page{Title: "Trail of criteria", Body: events})
	return nil
}

// keepCopy keeps the copy in which a clause was confirmed as the private copy of
// its document, where the clause cites one document that is watched.
func (s *Site) keepCopy(q *request, p *rules.Pack, clause string, data []byte) error {
	if len(data) > editions.CopyLimit {
		return nil // its hash is in the confirmation
	}
	var cites []string
	for _, d := range p.Drafts() {
		if d.ID == clause {
			cites = d.Cite
		}
	}
	all, err := s.book.Watch(q.Context())
	if err != nil {
		return err
	}
	var of []editions.Watched
	for _, d := range all {
		if d.Region == p.Region.Region && d.Version == p.EffectiveFrom && slices.ContainsFunc(d.Cites, func(c string) bool { return slices.Contains(cites, c) }) {
			of = append(of, d)
		}
	}
	if len(of) != 1 {
		return nil // of which document it is the copy can't be told
	}
	_, err = s.book.LookedUp(q.Context(), personOf(q), editions.Looked{Region: of[0].Region, Document: of[0].ID, Found: editions.FoundSame, Copy: data})
	return err
}
