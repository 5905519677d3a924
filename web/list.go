package web

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/worksheet"
	"airwarrant/rules"
)

// listPage is the list of cases: no figures, no margins.
type listPage struct {
	Lines []listLine
	Names bool // intake alone sees whose cases they are
	Trail bool // the numbers lead to the trails
	// Picks are the lists of the form that selects and sorts.
	States, Payers, Whose, Groups, Orders []choice
	Till                                  string // the last day that a list by a day holds
	Selected                              bool   // something is selected or sorted otherwise
	First                                 bool   // the first page of its list
	Next                                  string // address of the page that follows
	Find                                  findView
	Coming                                []changeLine // changes of criteria that the desk should know of
}

// findView is the form that finds a case, and what it found.
type findView struct {
	Text  string
	Error string
	On    bool   // the lines are what was found
	Next  string // token of the page that follows
}

type listLine struct {
	Number, Payer, Opened string
	Name, Birth           string
	State                 string
	Word, Mark            string
	Alert                 bool // a critically low reading, and nobody entered as told
	Owner, OwnerAt        string
	Due, DueFor           string
	Late                  string // words, "" where nothing is late
	Until                 string
	Changed               string // that its criteria changed since it was determined, "" if not
}

const listSize = 50 // lines of a page of the list

// stateWords say where a case stands.
var stateWords = map[casework.State]string{
	casework.StateDraft: "draft", casework.StateOpen: "questions open", casework.StateOffice: "with the office",
	casework.StateAnswered: "answered", casework.StateDisputed: "disputed", casework.StateClosed: "closed",
}

var sortWords = map[casework.Order]string{
	casework.ByOpened: "opened, the newest first", casework.ByDue: "due, the soonest first", casework.ByUntil: "test serves until, the soonest first",
}

// What a list can be grouped by; each group is sorted by the order.
const (
	groupState = "state"
	groupPayer = "payer"
	groupOwner = "owner"
)

// Whose cases a list holds. An owner's own name follows ofOwner.
const (
	whoseMine   = "mine"
	whoseNobody = "nobody"
	ofOwner     = "of:"
)

// selectionOf reads what the address selects; a word that is not known
// selects nothing.
func (s *Site) selectionOf(q *request) (casework.Selection, url.Values) {
	in, kept := q.URL.Query(), url.Values{}
	var sel casework.Selection
	if v := casework.State(in.Get("state")); slices.Contains(casework.States(), v) {
		sel.State = v
		kept.Set("state", string(v))
	}
	if _, err := s.lib.Region(in.Get("payer")); err == nil {
		sel.Criteria = in.Get("payer")
		kept.Set("payer", sel.Criteria)
	}
	whose := in.Get("whose")
	name, of := strings.CutPrefix(whose, ofOwner)
	switch {
	case whose == whoseMine && q.visit.Who != "":
		sel.Owner = q.visit.Who
	case whose == whoseNobody:
		sel.Unowned = true
	case of && name != "" && len(name) <= nameLimit:
		sel.Owner = name
	default:
		whose = ""
	}
	if whose != "" {
		kept.Set("whose", whose)
	}
	if v := casework.Order(in.Get("order")); slices.Contains(casework.Orders(), v) && v != casework.ByOpened {
		sel.Order = v
	}
	if day, err := rules.ParseDate(strings.TrimSpace(in.Get("till"))); err == nil {
		sel.Till = day.String()
		kept.Set("till", sel.Till)
		if sel.Order == "" {
			sel.Order = casework.ByDue // a day alone is that on which something is due
		}
	}
	if sel.Order != "" {
		kept.Set("order", string(sel.Order))
	}
	if v := in.Get("by"); v == groupState || v == groupPayer || v == groupOwner {
		kept.Set("by", v)
	}
	return sel, kept
}

// parts are the groups of a list, by what by says: each holds what
// sel holds of one state, payer or owner, and the last what is of none that is
// known here.
func (s *Site) parts(ctx context.Context, sel casework.Selection, by string) ([]casework.Part, error) {
	var out []casework.Part
	add := func(name string, change func(*casework.Selection)) {
		one := sel
		change(&one)
		out = append(out, casework.Part{Name: name, Selection: one})
	}
	switch {
	case by == groupState && sel.State == "":
		for _, st := range casework.States() {
			add(string(st), func(one *casework.Selection) { one.State = st })
		}
	case by == groupPayer && sel.Criteria == "":
		var known []string
		for _, r := range s.lib.Regions() {
			known = append(known, r.Region)
			add(r.Region, func(one *casework.Selection) { one.Criteria = r.Region })
		}
		add("other", func(one *casework.Selection) { one.NotCriteria = known })
	case by == groupOwner && sel.Owner == "" && !sel.Unowned:
		// Of everybody who has or had an account, so that no case is left out.
		all, err := s.accounts.Accounts(ctx)
		if err != nil {
			return nil, err
		}
		known := []string{""}
		for _, a := range all {
			if !slices.Contains(known, a.Name) {
				known = append(known, a.Name)
				add(ofOwner+a.Name, func(one *casework.Selection) { one.Owner = a.Name })
			}
		}
		add("other", func(one *casework.Selection) { one.NotOwners = known })
		add(whoseNobody, func(one *casework.Selection) { one.Unowned = true })
	default:
		out = []casework.Part{{Selection: sel}}
	}
	return out, nil
}

// picks fills the lists of the form that selects.
func (s *Site) picks(ctx context.Context, b *listPage, kept url.Values) error {
	pick := func(key, none string, choices ...choice) []choice {
		out := choices
		if none != "" {
			out = append([]choice{{Words: none}}, choices...)
		}
		for i := range out {
			out[i].On = out[i].Value == kept.Get(key)
		}
		return out
	}
	var states, payers, orders []choice
	for _, st := range casework.States() {
		states = append(states, choice{Value: string(st), Words: stateWords[st]})
	}
	for _, r := range s.lib.Regions() {
		if !r.Hidden {
			payers = append(payers, choice{Value: r.Region, Words: r.Name})
		}
	}
	for _, o := range casework.Orders() {
		v := string(o)
		if o == casework.ByOpened {
			v = ""
		}
		orders = append(orders, choice{Value: v, Words: sortWords[o]})
	}
	whose := []choice{{Value: whoseMine, Words: "my own"}, {Value: whoseNobody, Words: "nobody’s"}}
	if b.Names {
		names, err := s.owners(ctx)
		if err != nil {
			return err
		}
		for _, n := range names {
			whose = append(whose, choice{Value: ofOwner + n, Words: n})
		}
	}
	if w := kept.Get("whose"); strings.HasPrefix(w, ofOwner) && !slices.ContainsFunc(whose, func(c choice) bool { return c.Value == w }) {
		whose = append(whose, choice{Value: w, Words: w[len(ofOwner):]})
	}
	b.States, b.Payers = pick("state", "any", states...), pick("payer", "any", payers...)
	b.Till = kept.Get("till")
	b.Whose, b.Orders = pick("whose", "anybody’s", whose...), pick("order", "", orders...)
	b.Groups = pick("by", "nothing", choice{Value: groupState, Words: "state"}, choice{Value: groupPayer, Words: "criteria"}, choice{Value: groupOwner, Words: "with whom"})
	return nil
}

func (s *Site) caseList(w http.ResponseWriter, q *request) error {
	sel, kept := s.selectionOf(q)
	after := q.URL.Query().Get("after")
	parts, err := s.parts(q.Context(), sel, kept.Get("by"))
	if err != nil {
		return err
	}
	heads, next, err := casework.ListParts(q.Context(), s.cfg.Store, parts, after, listSize)
	if errors.Is(err, casework.ErrToken) {
		after = "" // of another list, or cut off: the first page is what can be shown
		heads, next, err = casework.ListParts(q.Context(), s.cfg.Store, parts, "", listSize)
	}
	if err != nil {
		return err
	}
	b := listPage{Names: q.visit.Desk == Intake, Trail: q.visit.Desk == Administrator, Selected: len(kept) > 0, First: after == ""}
	if err := s.picks(q.Context(), &b, kept); err != nil {
		return err
	}
	for _, h := range heads {
		l, err := s.lineOf(q.Context(), h, b.Names)
		if err != nil {
			return err
		}
		b.Lines = append(b.Lines, l)
	}
	if next != "" {
		kept.Set("after", next)
		b.Next = "/cases?" + kept.Encode()
	}
	if b.Coming, err = s.upcoming(q); err != nil {
		return err
	}
	s.render(w, q, http.StatusOK, "list", page{Title: "Cases", Body: b})
	return nil
}

// lineOf is one line of the list, with the patient where the desk sees names.
func (s *Site) lineOf(ctx context.Context, h casework.Head, names bool) (listLine, error) {
	l := listLine{Number: h.Case, Opened: h.OpenedAt.UTC().Format("2006-01-02"), Payer: h.Region(), Alert: h.Alert, State: stateWords[h.State],
		Owner: h.Owner, Due: h.Due, DueFor: dueWords(h.DueFor), Until: h.Until}
	if r, err := s.lib.Region(h.Region()); err == nil {
		l.Payer = r.Name
	}
	if h.Owner != "" {
		l.OwnerAt = "/cases?" + url.Values{"whose": {ofOwner + h.Owner}}.Encode()
	}
	if len(h.Results) > 0 && h.State != casework.StateDraft {
		l.Word, l.Mark = outcomeWords(h.Results[0].Outcome)
		l.Word = shortOutcomeWord(l.Word) // the column's head says it
	}
	l.Changed = s.changedWords(h)
	if h.ClosedAt.IsZero() && h.Due != "" && h.Due < s.today().String() {
		l.Late = "overdue"
		if h.DueFor == casework.DueOffice {
			l.Late = "the link has ended"
		}
	}
	if !h.DestroyedAt.IsZero() {
		l.State = "destroyed"
		return l, nil
	}
	if !names {
		return l, nil
	}
	for _, p := range []struct {
		to  *string
		ref casework.Ref
	}{{&l.Name, h.Patient.Name}, {&l.Birth, h.Patient.BirthDate}} {
		if p.ref == "" {
			continue
		}
		b, err := h.Reveal(ctx, s.cfg.Store, p.ref)
		if errors.Is(err, casework.ErrDestroyed) {
			l.Name, l.Birth, l.State = "", "", "destroyed" // since the line was written
			return l, nil
		}
		if err != nil {
			return l, err
		}
		*p.to = string(b)
	}
	return l, nil
}

// dueWords say what is due.
func dueWords(what string) string {
	switch what {
	case "", casework.DueSet:
		return ""
	case casework.DueOffice:
		return "answer of the office"
	}
	return worksheet.KindWords(what)
}
