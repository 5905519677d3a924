package web

import (
	"bytes"
	"cmp"
	"errors"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"sync"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/editions"
	"airwarrant/rules"
	"airwarrant/rules/wording"
)

// draftLimit is the largest form of a draft, in bytes: the texts of a version in
// the encoding of a form, in which a letter may take nine bytes.
const draftLimit = 9 << 20

// personOf is who acts, for the book of criteria.
func personOf(q *request) editions.Person {
	p := editions.Person{Name: q.visit.Who, Role: casework.Role(q.visit.Desk)}
	if q.visit.session != nil {
		p.Account = q.visit.session.Account.ID
	}
	return p
}

// desksPage is what rule maintainers and administrators find about changes of
// criteria.
type desksPage struct {
	Open    []changeLine // proposals that wait for a second person
	Drafts  []draftLine
	Closed  []changeLine // the latest proposals that do not wait any more
	More    bool         // there are older ones
	Expired []versionLine
	Due     int // documents that are due
	Form    beginForm
}

type draftLine struct {
	ID, Region, Name, Title, From string
	Saved                         *entered
	Corrects                      bool
}

// changeLine is a proposal in a list.
type changeLine struct {
	Number                         int
	Name, From, Title, State       string
	Why                            wording.Text
	By, Second                     *entered // Second is nil before somebody agreed or refused
	Withdraws, Corrects, Own, Open bool
}

// beginForm is the form that begins a draft.
type beginForm struct {
	Versions []versionPick
	From     string // SHA-256 of the version to begin from
	Day      string
	Region   string // of an uploaded file
	Corrects bool
	Say      string
	Refused  []editions.Refusal
	// Once is drawn anew for each blank form, and tells a form that is sent twice
	// from a second draft.
	Once string
}

type versionPick struct {
	SHA256, Name, From string
	On                 bool
}

// closedShown is how many closed proposals the first page lists (our choice).
const closedShown = 20

func (s *Site) draftList(w http.ResponseWriter, q *request) error {
	return s.showDrafts(w, q, http.StatusOK, beginForm{From: q.URL.Query().Get("from"), Corrects: q.URL.Query().Get("corrects") != ""})
}

func (s *Site) showDrafts(w http.ResponseWriter, q *request, status int, form beginForm) error {
	if form.Once == "" {
		var err error
		if form.Once, err = s.secret(16); err != nil {
			return err
		}
	}
	b := desksPage{Form: form}
	drafts, err := s.book.Drafts(q.Context())
	if err != nil {
		return err
	}
	for _, d := range drafts {
		b.Drafts = append(b.Drafts, s.draftLineOf(d))
	}
	all, err := s.book.Proposals(q.Context())
	if err != nil {
		return err
	}
	for _, p := range all {
		l := s.changeLineOf(p, q)
		switch {
		case l.Open:
			b.Open = append(b.Open, l)
		case len(b.Closed) < closedShown || q.URL.Query().Get("all") != "":
			b.Closed = append(b.Closed, l)
		default:
			b.More = true
		}
	}
	for _, r := range s.lib.Regions() {
		for i, p := range s.lib.History(r.Region) {
			if p.Unreadable == "" && len(p.Text) > 0 {
				pick := versionPick{p.SHA256, r.Name, p.EffectiveFrom.String(), p.SHA256 == form.From}
				if i == 0 || r.Hidden {
					b.Form.Versions = append(b.Form.Versions, pick)
				} else { // the newest of a region first
					at := len(b.Form.Versions) - i
					b.Form.Versions = append(b.Form.Versions[:at], append([]versionPick{pick}, b.Form.Versions[at:]...)...)
				}
			}
		}
	}
	b.Expired = s.expired()
	watched, err := s.book.Watch(q.Context())
	if err != nil {
		return err
	}
	for _, d := range watched {
		if d.Late {
			b.Due++
		}
	}
	s.render(w, q, status, "drafts", page{Title: "Changes of criteria", Body: b})
	return nil
}

// expired are the versions in force whose edition is past its last day.
func (s *Site) expired() []versionLine {
	var out []versionLine
	for _, p := range editions.Expired(s.lib, s.today()) {
		out = append(out, versionLine{Address: "/rules/" + p.Region.Region + "/" + p.EffectiveFrom.String(), From: p.EffectiveFrom.String(), Until: p.Expires.String(), Title: p.Region.Name})
	}
	return out
}

func (s *Site) draftLineOf(d editions.Draft) draftLine {
	l := draftLine{ID: d.ID, Region: d.Region, Name: d.Region, Saved: &entered{d.Saved.Name, d.Saved.At}, Corrects: d.Corrects != ""}
	if r, err := s.lib.Region(d.Region); err == nil {
		l.Name = r.Name
	}
	// A draft with faults has no title yet.
	if p, err := rules.ReadDraft([]byte(d.Pack), "draft.yaml", rules.Region{Region: d.Region}); err == nil {
		l.Title, l.From = p.Title, p.EffectiveFrom.String()
	}
	return l
}

// stateOfChange says what became of a proposal.
var stateOfChange = map[editions.ProposalState]string{
	editions.Open: "waits for a second person", editions.Approved: "published", editions.TurnedDown: "turned down", editions.Void: "void",
}

func (s *Site) changeLineOf(p *editions.Proposal, q *request) changeLine {
	l := changeLine{Number: p.Number, Name: p.Region, From: p.Version.String(), Title: p.Title, By: &entered{p.By.Name, p.By.At}, State: stateOfChange[p.State],
		Why: p.Why, Withdraws: p.Withdraws, Corrects: p.Corrects != "", Own: p.By.Account == personOf(q).Account, Open: p.State == editions.Open}
	if r, err := s.lib.Region(p.Region); err == nil {
		l.Name = r.Name
	}
	if p.State == editions.Approved && p.Withdraws {
		l.State = "withdrawn"
	}
	if !p.Second.At.IsZero() {
		l.Second = &entered{p.Second.Name, p.Second.At}
	}
	return l
}

// newDraft begins a draft from a version, or from a file.
func (s *Site) newDraft(w http.ResponseWriter, q *request) error {
	in, err := s.receive(q)
	if err != nil && !errors.Is(err, errNoFile) {
		return err
	}
	f := beginForm{From: typed(in.form, "from"), Day: typed(in.form, "day"), Region: typed(in.form, "region"), Corrects: typed(in.form, "corrects") != "", Once: in.form.Get("once")}
	refuse := func(say string) error {
		f.Say = say
		return s.showDrafts(w, q, http.StatusUnprocessableEntity, f)
	}
	begin := editions.Beginning{Region: f.Region, Once: f.Once}
	switch {
	case len(in.data) > 0:
		if !bytes.Equal(bytes.ToValidUTF8(in.data, nil), in.data) {
			return refuse("Expected a text in UTF-8, a version as YAML; found another file. Nothing was stored.")
		}
		begin.Pack = string(in.data)
		if f.Region == "" {
			return refuse("Expected the folder name of the region that the file is a version of, such as us-medicare; found none. Type it and choose the file again. Nothing was stored.")
		}
		if r, err := s.lib.Region(f.Region); err == nil {
			// Its cases begin as those of the newest version.
			if h := s.lib.History(r.Region); len(h) > 0 {
				begin.Cases = string(h[len(h)-1].Cases)
			}
		}
	case f.From != "":
		p := s.lib.Find(f.From)
		if p == nil {
			return refuse("Expected one of the versions listed; found another. Choose it again.")
		}
		begin.Region, begin.From = p.Region.Region, f.From
		if f.Corrects {
			begin.Corrects = f.From
		} else if begin.Day, err = rules.ParseDate(f.Day); err != nil {
			return refuse(q.fault(wording.Error{Text: wording.Said("the first day of the new version: %s", wording.Of(err))}))
		}
	default:
		return refuse("Expected a version to begin from, or a file; found neither. Choose one.")
	}
	d, err := s.book.NewDraft(q.Context(), personOf(q), begin)
	if refused, ok := errors.AsType[*editions.Refused](err); ok {
		f.Refused = refused.Refusals
		return s.showDrafts(w, q, http.StatusUnprocessableEntity, f)
	}
	if err != nil {
		return err
	}
	seeOther(w, "/drafts/"+d.ID)
	return nil
}

// draftPageBody is a draft with what is to be told of it.
type draftPageBody struct {
	Draft     editions.Draft
	Name      string
	Texts     editions.Texts // as they stand in the form
	Rev       int            // that the form was made from
	Saved     *entered
	Unsaved   bool // the form holds what was not stored
	OwnRegion bool // the texts hold a region.yaml
	Found     *findings
	Refused   []editions.Refusal
	// Theirs is what somebody else saved meanwhile, nil if nobody did.
	Theirs *theirs
	Waits  int // number of an open proposal of this draft, 0 if there is none
}

// theirs is the text that somebody else saved, and how it differs.
type theirs struct {
	By    *entered
	Texts editions.Texts
	Lines []lineOfTwo
}

// findings is what the check of a draft told.
type findings struct {
	*editions.Report
	Faults []faultLine
	Cases  []caseLine
	// Beside names the version that it is compared with, "" if there is none.
	Beside, Until string
	Changes       []rules.Difference
	Words         *rulePageBody // nil while there are faults
	Live          bool          // of what is being typed: its cases were not run
	Failed        int
}

// faultLine is a fault at its line, with the text of the line.
type faultLine struct {
	In     string // the text: pack, cases or region
	Line   int
	Column int
	Say    wording.Text
	Text   string // of the line, "" of a fault of the file as a whole
}

type caseLine struct {
	Name    string
	Outcome wording.Text
	Message wording.Text // how it came out otherwise than it says
	Line    int
}

// check looks a draft over and runs its cases. The same text is looked over once.
func (s *Site) check(q *request, d editions.Draft) (*findings, error) {
	key := d.SHA256() + " " + s.lib.SHA256() + " " + s.today().String()
	s.found.mu.Lock()
	f := s.found.of[key]
	s.found.mu.Unlock()
	if f != nil {
		return f, nil
	}
	r, err := s.book.Check(q.Context(), d)
	if err != nil {
		return nil, err
	}
	f = s.findingsOf(r, d)
	s.found.mu.Lock()
	defer s.found.mu.Unlock()
	if s.found.of == nil || len(s.found.of) >= foundKept {
		s.found.of = map[string]*findings{}
	}
	s.found.of[key] = f
	return f, nil
}

// foundKept is of how many texts the findings are kept: running the cases of a
// large version takes seconds.
const foundKept = 16

// foundBefore keeps what was found in texts, by all that it hangs on.
type foundBefore struct {
	mu sync.Mutex
	of map[string]*findings
}

func (s *Site) findingsOf(r *editions.Report, d editions.Draft) *findings {
	f := &findings{Report: r, Changes: r.Differences}
	add := func(in, text string, line, column int, say wording.Text) {
		l := faultLine{In: in, Line: line, Column: column, Say: say}
		if lines := strings.Split(text, "\n"); line > 0 && line <= len(lines) {
			l.Text = strings.TrimSpace(lines[line-1])
		}
		f.Faults = append(f.Faults, l)
	}
	for _, p := range r.Faults {
		in, text := "pack", d.Pack
		if strings.HasSuffix(p.File, "region.yaml") {
			in, text = "region", d.Texts.Region
		}
		say := p.Said()
		if p.Key != "" {
			say = wording.Joined("%s: %s", wording.Literal(p.Key), say)
		}
		add(in, text, p.Line, p.Column, say)
	}
	if r.Pack == nil {
		return f
	}
	ran := r.Ran
	if ran == nil {
		ran = r.Failures
	}
	for _, c := range ran {
		if c.Determination.Outcome == "" { // it did not run: a fault of the file
			add("cases", d.Cases, c.Line, 0, wording.Joined("%s: %s", wording.Literal(c.Name), c.Message))
			continue
		}
		l := caseLine{Name: c.Name, Outcome: wording.Said(rules.PlainWord(string(c.Determination.Outcome))), Message: c.Message, Line: c.Line}
		if !c.Message.IsZero() {
			f.Failed++
		}
		f.Cases = append(f.Cases, l)
	}
	if r.Beside != nil {
		f.Beside = r.Beside.EffectiveFrom.String()
	}
	if r.Until != nil {
		f.Until = r.Until.String()
	}
	words := s.wordsOf(r.Pack)
	words.Until = cmp.Or(f.Until, "open")
	f.Words = &words
	return f
}

func (s *Site) draftPage(w http.ResponseWriter, q *request) error {
	d, err := s.book.Draft(q.Context(), q.PathValue("draft"))
	if err != nil {
		return err
	}
	return s.showDraft(w, q, http.StatusOK, draftPageBody{Draft: d, Texts: d.Texts, Rev: d.Rev})
}

func (s *Site) showDraft(w http.ResponseWriter, q *request, status int, b draftPageBody) error {
	b.Name, b.Saved = b.Draft.Region, &entered{b.Draft.Saved.Name, b.Draft.Saved.At}
	if r, err := s.lib.Region(b.Draft.Region); err == nil {
		b.Name = r.Name
	}
	b.OwnRegion = b.Texts.Region != ""
	b.Unsaved = b.Texts != b.Draft.Texts
	shown := b.Draft
	shown.Texts = b.Texts
	var err error
	if b.Found, err = s.check(q, shown); err != nil {
		return err
	}
	all, err := s.book.Proposals(q.Context())
	if err != nil {
		return err
	}
	for _, p := range all {
		if p.Draft == b.Draft.ID && p.State == editions.Open {
			b.Waits = p.Number
		}
	}
	s.render(w, q, status, "draft", page{Title: "Draft", Body: b})
	return nil
}

// textsOf are the texts of a form. A browser sends lines that end in CR LF, and
// the file has them as they are kept everywhere else.
func textsOf(form url.Values) editions.Texts {
	plain := func(name string) string {
		text := strings.ReplaceAll(form.Get(name), "\r\n", "\n")
		if text != "" && !strings.HasSuffix(text, "\n") {
			text += "\n"
		}
		return text
	}
	return editions.Texts{Pack: plain("pack"), Cases: plain("cases"), Region: plain("region")}
}

// saveDraft stores the texts of a draft. What another person saved meanwhile is
// laid beside them, and nothing of either is lost.
func (s *Site) saveDraft(w http.ResponseWriter, q *request) error {
	id, texts := q.PathValue("draft"), textsOf(q.PostForm)
	rev, err := strconv.Atoi(typed(q.PostForm, "rev"))
	if err != nil {
		return errUnreadableForm
	}
	_, err = s.book.Save(q.Context(), personOf(q), id, rev, texts)
	if stale, ok := errors.AsType[*editions.StaleError](err); ok {
		return s.showDraft(w, q, http.StatusConflict, draftPageBody{Draft: stale.Draft, Texts: texts, Rev: stale.Draft.Rev,
			Theirs: &theirs{By: &entered{stale.Draft.Saved.Name, stale.Draft.Saved.At}, Texts: stale.Draft.Texts, Lines: linesOfTwo(stale.Draft.Pack, texts.Pack)}})
	}
	if refused, ok := errors.AsType[*editions.Refused](err); ok {
		d, err := s.book.Draft(q.Context(), id)
		if err != nil {
			return err
		}
		return s.showDraft(w, q, http.StatusUnprocessableEntity, draftPageBody{Draft: d, Texts: texts, Rev: rev, Refused: refused.Refusals})
	}
	if err != nil {
		return err
	}
	seeOther(w, "/drafts/"+id+"#found")
	return nil
}

// checkDraft answers the script with what is to be told of the text as it is
// being typed; nothing is stored.
func (s *Site) checkDraft(w http.ResponseWriter, q *request) error {
	d, err := s.book.Draft(q.Context(), q.PathValue("draft"))
	if err != nil {
		return err
	}
	d.Texts = textsOf(q.PostForm)
	r, err := s.book.Look(q.Context(), d)
	if err != nil {
		return err
	}
	f := s.findingsOf(r, d)
	f.Live = true
	s.render(w, q, http.StatusOK, "found", page{Title: "Draft", Body: draftPageBody{Draft: d, Found: f}})
	return nil
}

func (s *Site) discardDraft(w http.ResponseWriter, q *request) error {
	id := q.PathValue("draft")
	rev, err := strconv.Atoi(typed(q.PostForm, "rev"))
	if err != nil {
		return errUnreadableForm
	}
	err = s.book.Discard(q.Context(), personOf(q), id, rev)
	if stale, ok := errors.AsType[*editions.StaleError](err); ok {
		d := stale.Draft
		return s.showDraft(w, q, http.StatusConflict, draftPageBody{Draft: d, Texts: d.Texts, Rev: d.Rev,
			Refused: []editions.Refusal{{Rule: editions.RuleVoid, Reason: wording.Said("Somebody else saved this draft meanwhile, so it was not thrown away. Look at it again first.")}}})
	}
	if err != nil {
		return err
	}
	seeOther(w, "/drafts")
	return nil
}

// lineOfTwo is a line of two texts laid side by side.
type lineOfTwo struct {
	Mark, Text string // "" in both, "−" in theirs alone, "+" in ours alone
}

// linesLimit bounds the table by which lines of two texts are matched.
const linesLimit = 4 << 20

// linesOfTwo lays two texts side by side by the longest run of lines that both
// have, with three lines around each difference.
func linesOfTwo(a, b string) []lineOfTwo {
	x, y := strings.Split(a, "\n"), strings.Split(b, "\n")
	for len(x) > 0 && len(y) > 0 && x[len(x)-1] == "" && y[len(y)-1] == "" {
		x, y = x[:len(x)-1], y[:len(y)-1]
	}
	if (len(x)+1)*(len(y)+1) > linesLimit {
		return nil // both texts are shown whole all the same
	}
	same := make([][]int, len(x)+1)
	for i := range same {
		same[i] = make([]int, len(y)+1)
	}
	for i := len(x) - 1; i >= 0; i-- {
		for j := len(y) - 1; j >= 0; j-- {
			if x[i] == y[j] {
				same[i][j] = same[i+1][j+1] + 1
			} else {
				same[i][j] = max(same[i+1][j], same[i][j+1])
			}
		}
	}
	var all []lineOfTwo
	for i, j := 0, 0; i < len(x) || j < len(y); {
		switch {
		case i < len(x) && j < len(y) && x[i] == y[j]:
			all = append(all, lineOfTwo{"", x[i]})
			i, j = i+1, j+1
		case j == len(y) || i < len(x) && same[i+1][j] >= same[i][j+1]:
			all = append(all, lineOfTwo{"−", x[i]})
			i++
		default:
			all = append(all, lineOfTwo{"+", y[j]})
			j++
		}
	}
	var out []lineOfTwo
	const around = 3
	for i, l := range all {
		near := false
		for k := max(0, i-around); k <= min(len(all)-1, i+around); k++ {
			near = near || all[k].Mark != ""
		}
		if near {
			out = append(out, l)
		} else if len(out) > 0 && out[len(out)-1].Text != "…" {
			out = append(out, lineOfTwo{"", "…"})
		}
	}
	return out
}
