package web

import (
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strconv"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/editions"
	"airwarrant/rules"
	"airwarrant/rules/wording"
)

// proposalPage asks for what the first person states, and shows what keeps the
// draft from being proposed.
type proposalPage struct {
	Draft      editions.Draft
	Name       string
	Title      string
	From, Till string // days of tests
	Corrects   bool
	Changes    []rules.Difference
	Beside     string
	Notes      []wording.Text
	Summary    *summaryPart
	Form       url.Values
	Errors     map[string]string // by field: reason, received
	Refused    []editions.Refusal
}

// Reason is what was typed.
func (p proposalPage) Reason() string { return p.Form.Get("reason") }

// Received is what was typed.
func (p proposalPage) Received() string { return p.Form.Get("received") }

func (s *Site) proposalPage(w http.ResponseWriter, q *request) error {
	d, err := s.book.Draft(q.Context(), q.PathValue("draft"))
	if err != nil {
		return err
	}
	return s.showProposal(w, q, http.StatusOK, d, url.Values{}, nil)
}

func (s *Site) showProposal(w http.ResponseWriter, q *request, status int, d editions.Draft, form url.Values, refused []editions.Refusal) error {
	b := proposalPage{Draft: d, Name: d.Region, Corrects: d.Corrects != "", Form: form, Errors: map[string]string{}, Refused: refused}
	r, err := s.book.Check(q.Context(), d)
	if err != nil {
		return err
	}
	if region, err := s.lib.Region(d.Region); err == nil {
		b.Name = region.Name
	}
	if refused == nil {
		b.Refused = r.Refusals
	}
	b.Changes, b.Notes = r.Differences, r.Notes
	if r.Beside != nil {
		b.Beside = r.Beside.EffectiveFrom.String()
	}
	if r.Pack != nil {
		b.Title, b.From, b.Till = r.Pack.Title, r.Pack.EffectiveFrom.String(), "open"
		if r.Until != nil {
			b.Till = r.Until.String()
		}
		got, begun, err := s.book.Rehearsed(q.Context(), d)
		switch {
		case err == nil && begun && got.Progress.Done:
			b.Summary = summaryOf(got.Progress.Summary, r.Pack)
		case err != nil && !errors.Is(err, editions.ErrNothingBeside) && !errors.Is(err, editions.ErrRefused):
			return err
		case err == nil && refused == nil:
			b.Refused = append(b.Refused, editions.Refusal{Rule: editions.RuleRehearsal, Reason: wording.Said("Expected a rehearsal of the draft as it stands, beside the version in force, through all stored cases; found none, or one that is not through. Rehearse it first.")})
		}
	}
	// What is wrong with a field stands at the field.
	b.Refused = slices.DeleteFunc(slices.Clone(b.Refused), func(r editions.Refusal) bool {
		field := map[string]string{editions.RuleReason: "reason", "received": "received"}[r.Rule]
		if field != "" {
			b.Errors[field] = q.tell("", r.Reason)
		}
		return field != ""
	})
	s.render(w, q, status, "propose", page{Title: "Proposal", Body: b})
	return nil
}

// propose asks a second person to agree to a draft.
func (s *Site) propose(w http.ResponseWriter, q *request) error {
	d, err := s.book.Draft(q.Context(), q.PathValue("draft"))
	if err != nil {
		return err
	}
	rev, err := strconv.Atoi(typed(q.PostForm, "rev"))
	if err != nil {
		return errUnreadableForm
	}
	in := editions.Proposing{Reason: typed(q.PostForm, "reason")}
	if day := typed(q.PostForm, "received"); day != "" {
		if in.Received, err = rules.ParseDate(day); err != nil {
			return s.showProposal(w, q, http.StatusUnprocessableEntity, d, q.PostForm, []editions.Refusal{{Rule: "received", Reason: wording.Said("Expected a day of the calendar as YYYY-MM-DD; found %q. Mend the day.", wording.Literal(day))}})
		}
		if s.today().Before(in.Received) {
			return s.showProposal(w, q, http.StatusUnprocessableEntity, d, q.PostForm, []editions.Refusal{{Rule: "received", Reason: wording.Said("Expected a day that is not after today; found a later one. Mend the day.")}})
		}
	}
	p, err := s.book.Propose(q.Context(), personOf(q), d.ID, rev, in)
	if refused, ok := errors.AsType[*editions.Refused](err); ok {
		return s.showProposal(w, q, http.StatusUnprocessableEntity, d, q.PostForm, refused.Refusals)
	}
	if stale, ok := errors.AsType[*editions.StaleError](err); ok {
		return s.showProposal(w, q, http.StatusConflict, stale.Draft, q.PostForm, []editions.Refusal{{Rule: editions.RuleVoid, Reason: wording.Said("Somebody else saved this draft meanwhile. Look at what changed, and propose it then.")}})
	}
	if err != nil {
		return err
	}
	seeOther(w, changeAt(p.Number))
	return nil
}

func changeAt(number int) string { return "/changes/" + strconv.Itoa(number) }

// changePage is a proposal as the second person reads it.
type changePage struct {
	changeLine
	Proposal *editions.Proposal
	Authors  string
	Approval editions.Approval
	Summary  *summaryPart
	Notice   *noticePart
	Words    *rulePageBody // of the version proposed, nil for a withdrawal
	Pack     string        // its text
	Cases    string
	Refused  []editions.Refusal
	Reason   string // typed to turn it down
	May      bool   // who looks may approve
	Review   bool   // cases are listed for review
}

// noticePart is half a page for the desks.
type noticePart struct {
	*editions.Notice
	Number  int
	Until   string
	Between string // the two people
	Heading string
}

func (s *Site) changeOf(q *request) (*editions.Proposal, error) {
	n, err := strconv.Atoi(q.PathValue("change"))
	if err != nil {
		return nil, errNoPage
	}
	return s.book.Proposal(q.Context(), n)
}

func (s *Site) changePage(w http.ResponseWriter, q *request) error {
	p, err := s.changeOf(q)
	if err != nil {
		return err
	}
	return s.showChange(w, q, http.StatusOK, p, nil, "")
}

func (s *Site) showChange(w http.ResponseWriter, q *request, status int, p *editions.Proposal, refused []editions.Refusal, reason string) error {
	b := changePage{changeLine: s.changeLineOf(p, q), Proposal: p, Approval: p.Approval(), Refused: refused, Reason: reason}
	b.May = b.Open && !b.Own
	b.Review = p.State == editions.Approved && (p.Withdraws || p.Corrects != "" || p.Version.Before(dayOf(p.Second.At)))
	for i, a := range p.Authors {
		if i > 0 {
			b.Authors += ", "
		}
		b.Authors += a.Name
	}
	var pack *rules.Pack
	if !p.Withdraws {
		t, err := s.book.Texts(q.Context(), p)
		if err != nil {
			return err
		}
		b.Pack, b.Cases = t.Pack, t.Cases
		f, err := s.check(q, editions.Draft{Region: p.Region, Texts: t, Corrects: p.Corrects})
		if err != nil {
			return err
		}
		if b.Words = f.Words; f.Words != nil {
			pack = f.Words.Pack
		}
	}
	if p.Rehearsal != nil {
		b.Summary = summaryOf(p.Rehearsal.Summary, pack)
	}
	var err error
	if b.Notice, err = s.noticeOf(q, p); err != nil {
		return err
	}
	s.render(w, q, status, "change", page{Title: "Change of criteria", Body: b})
	return nil
}

func (s *Site) noticeOf(q *request, p *editions.Proposal) (*noticePart, error) {
	n, err := s.book.Notice(q.Context(), p)
	if err != nil {
		return nil, err
	}
	out := &noticePart{Notice: n, Number: p.Number, Until: "open", Heading: "New criteria"}
	if n.Until != nil {
		out.Until = n.Until.String()
	}
	switch {
	case n.Withdrawn:
		out.Heading = "A version is withdrawn"
	case n.Corrects:
		out.Heading = "A version is corrected"
	}
	if n.Second.Name != "" {
		out.Between = n.By.Name + ", " + n.Second.Name
	}
	return out, nil
}

// decideChange takes the word of the second person, or of the first who takes the
// proposal back.
func (s *Site) decideChange(w http.ResponseWriter, q *request) error {
	p, err := s.changeOf(q)
	if err != nil {
		return err
	}
	reason := typed(q.PostForm, "reason")
	if q.PostForm.Get("down") != "" {
		err = s.book.TurnDown(q.Context(), personOf(q), p.Number, reason)
	} else {
		_, err = s.book.Approve(q.Context(), personOf(q), editions.Approval{Number: p.Number, Entry: q.PostForm.Get("entry"),
			DraftSHA256: q.PostForm.Get("draft"), RehearsalSHA256: q.PostForm.Get("rehearsal")})
	}
	if refused, ok := errors.AsType[*editions.Refused](err); ok {
		if p, err = s.book.Proposal(q.Context(), p.Number); err != nil {
			return err
		}
		return s.showChange(w, q, http.StatusUnprocessableEntity, p, refused.Refusals, reason)
	}
	if err != nil {
		return err
	}
	seeOther(w, changeAt(p.Number))
	return nil
}

// noticePage is half a page for the desks, on screen and on paper. Intake reads
// what counts, and not what is only proposed.
func (s *Site) noticePage(w http.ResponseWriter, q *request) error {
	p, err := s.changeOf(q)
	if err != nil {
		return err
	}
	if p.State != editions.Approved && q.visit.Desk == Intake {
		return errNoPage
	}
	n, err := s.noticeOf(q, p)
	if err != nil {
		return err
	}
	s.render(w, q, http.StatusOK, "notice", page{Title: "Change of criteria", Body: n})
	return nil
}

// reviewPage lists the cases whose criteria changed since they were determined.
type reviewPage struct {
	changeLine
	Links bool // the desk opens cases
	Lines []reviewLine
	More  bool
}

type reviewLine struct {
	Number, Outcome, Version, State string
	Sure                            bool // the date of its test was looked at
}

// reviewShown is how many cases the page lists (our choice).
const reviewShown = 500

func (s *Site) reviewPage(w http.ResponseWriter, q *request) error {
	p, err := s.changeOf(q)
	if err != nil {
		return err
	}
	if p.State != editions.Approved {
		return errNoPage
	}
	b := reviewPage{changeLine: s.changeLineOf(p, q), Links: q.visit.Desk == Intake}
	for c, err := range editions.Review(q.Context(), s.cfg.Store, s.lib, p.Region) {
		if err != nil {
			return err
		}
		if len(b.Lines) == reviewShown {
			b.More = true
			break
		}
		l := reviewLine{Number: c.Head.Case, State: "open", Version: c.Changed.Version, Sure: c.Exact}
		switch {
		case !c.Head.DestroyedAt.IsZero():
			l.State = "destroyed"
		case !c.Head.ClosedAt.IsZero():
			l.State = "closed"
		}
		for _, r := range c.Head.Results {
			if r.Criteria == p.Region {
				l.Outcome = outcomeWord(criteria.Outcome(r.Outcome))
			}
		}
		b.Lines = append(b.Lines, l)
	}
	s.render(w, q, http.StatusOK, "review", page{Title: "Cases for review", Body: b})
	return nil
}

// proposeWithdrawal asks a second person to agree that a version be withdrawn.
func (s *Site) proposeWithdrawal(w http.ResponseWriter, q *request) error {
	v, err := s.versionOf(q)
	if err != nil {
		return err
	}
	p, err := s.book.ProposeWithdrawal(q.Context(), personOf(q), v.SHA256, typed(q.PostForm, "reason"))
	if refused, ok := errors.AsType[*editions.Refused](err); ok {
		return s.showRuleWith(w, q, http.StatusUnprocessableEntity, v, func(*draft) {}, withdrawalForm{typed(q.PostForm, "reason"), refused.Refusals})
	}
	if err != nil {
		return err
	}
	seeOther(w, changeAt(p.Number))
	return nil
}

// withdrawalForm is what was typed to withdraw a version.
type withdrawalForm struct {
	Reason  string
	Refused []editions.Refusal
}

// upcoming are the changes that a desk should know of: published within the last
// days, or in force only from a day that is near or still to come.
func (s *Site) upcoming(q *request) ([]changeLine, error) {
	if q.visit.Desk != Intake {
		return nil, nil
	}
	all, err := s.book.Proposals(q.Context())
	if err != nil {
		return nil, err
	}
	var out []changeLine
	for _, p := range all {
		if p.State != editions.Approved {
			continue
		}
		since := s.today().AddDays(-upcomingDays)
		if since.Before(dayOf(p.Second.At)) || since.Before(p.Version) {
			out = append(out, s.changeLineOf(p, q))
		}
	}
	return out, nil
}

// upcomingDays is for how long a change of criteria is told at the desks, from its
// publication and from its first day (our choice).
const upcomingDays = 30

// changedWords says that the criteria of a case changed since it was determined,
// "" if they did not.
func (s *Site) changedWords(h casework.Head) string {
	if !h.ClosedAt.IsZero() || !h.DestroyedAt.IsZero() {
		return ""
	}
	for _, c := range editions.CriteriaChanged(s.lib, h) {
		switch c.Why {
		case editions.ChangedGone:
			return "determined by a version that was withdrawn"
		case editions.ChangedCorrected:
			return "determined by a version in whose place another counts"
		case editions.ChangedLater:
			// A test had been taken when it was determined. A day more, because stamps
			// are of UTC and tests of where they were taken.
			determined := h.DeterminedAt.UTC()
			last := rules.Date{Year: determined.Year(), Month: int(determined.Month()), Day: determined.Day()}.AddDays(1)
			if !last.Before(c.From) {
				return "criteria changed since it was determined"
			}
		}
	}
	return ""
}

// changedCriteria is a case of which another version counts now than the one by
// which it was determined.
type changedCriteria struct {
	At       string
	Was, Now casework.Result
}

// WasWord is the outcome that was determined.
func (c changedCriteria) WasWord() string { return outcomeWord(criteria.Outcome(c.Was.Outcome)) }

// NowWord is the outcome by the version that counts now.
func (c changedCriteria) NowWord() string { return outcomeWord(criteria.Outcome(c.Now.Outcome)) }

// changedCriteria lays what an open case came to when it was last determined
// beside what it comes to now, nil where both rest on the same versions or the
// case was edited since.
func (f *file) changedCriteria(ev *evaluation) *changedCriteria {
	if f.Determination == nil || f.Determination.K != f.Edited || !f.ClosedAt.IsZero() {
		return nil
	}
	for _, now := range ev.results {
		for _, was := range f.Determination.Results {
			if was.Criteria == now.Criteria && was.PackSHA256 != now.PackSHA256 {
				return &changedCriteria{moment(f.Determination.At), was, now}
			}
		}
	}
	return nil
}

// determineAnew adds a determination by the criteria that count now; the one
// before stays in the trail.
func (s *Site) determineAnew(w http.ResponseWriter, q *request) error {
	number := q.PathValue("number")
	f, err := s.open(q.Context(), number)
	if err != nil {
		return err
	}
	if err := s.determine(q.Context(), f); err != nil {
		return err
	}
	seeOther(w, "/cases/"+number)
	return nil
}
