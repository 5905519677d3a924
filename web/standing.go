package web

import (
	"cmp"
	"context"
	"errors"
	"net/http"
	"net/url"
	"slices"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/criteria"
	"airwarrant/rules"
)

// standingView is where a case stands: who has it, what is due, and whether
// it is closed.
type standingView struct {
	State       string
	Owner       string
	Mine        bool
	Due, DueFor string
	Late        bool
	Until       string
	Closed      string // when, "" while it is open
	Disputed    []string
	// Of the form, with what was typed.
	Owners                   []choice
	DueTyped, DueWas, Reason string
	Links                    int // that closing stops
	Errors                   map[string]string
	Say                      string
}

// standing is what a determination says of the list: whether there was
// anything to judge, what falls due and how long the test serves.
func (f *file) standing(ev *evaluation) casework.Determined {
	var d casework.Determined
	d.Draft = f.upload() == nil && len(f.papers()) == 0
	for _, name := range custodyFacts {
		if _, ok := f.Statements[name]; ok && name != "test_date" {
			d.Draft = false
		}
	}
	if ev.Result == nil || ev.differs {
		return d
	}
	for _, c := range ev.Determinations[0].Consequences {
		if c.State != criteria.Holds {
			continue
		}
		day := c.Until
		switch {
		case c.Kind == "serves_until":
			if day != nil && (d.Until == "" || day.String() < d.Until) {
				d.Until = day.String()
			}
		case c.Kind == "retest" || c.Kind == "renewal":
			if day == nil {
				day = c.From
			}
			if day != nil && (d.Due == "" || day.String() < d.Due) {
				d.Due, d.DueFor = day.String(), c.Kind
			}
		}
	}
	return d
}

// owners are the accounts of the intake desk, who can have a case.
func (s *Site) owners(ctx context.Context) ([]string, error) {
	all, err := s.accounts.Accounts(ctx)
	if err != nil {
		return nil, err
	}
	var out []string
	for _, a := range all {
		if !a.Disabled && slices.Contains(a.Roles, casework.RoleIntake) {
			out = append(out, a.Name)
		}
	}
	slices.Sort(out)
	return out, nil
}

// standingView fills the part of the page.
func (s *Site) standingView(q *request, f *file, p posted) (standingView, error) {
	today, owner := s.today(), f.Owner
	v := standingView{State: stateWords[f.State()], Owner: f.Owner, Mine: f.Owner == q.visit.Who, DueTyped: f.DueSet, DueWas: f.DueSet, Errors: map[string]string{}, Links: len(f.OpenLinks(s.cfg.Now()))}
	day, what := f.Due()
	v.Due, v.DueFor = day, dueWords(what)
	v.Late = day != "" && day < today.String()
	if f.Determination != nil {
		v.Until = f.Determination.Until
	}
	if !f.ClosedAt.IsZero() {
		v.Closed, v.Late = moment(f.ClosedAt), false
	}
	for _, name := range f.Disputed() {
		v.Disputed = append(v.Disputed, meaningOf(name))
	}
	if p.part == "standing" {
		owner, v.DueTyped, v.Reason = typed(p.form, "owner"), typed(p.form, "due"), typed(p.form, "reason")
		v.Errors, v.Say = p.faults, p.say
	}
	names, err := s.owners(q.Context())
	if err != nil {
		return v, err
	}
	for _, n := range names {
		v.Owners = append(v.Owners, choice{Value: n, Words: n, On: n == owner})
	}
	if owner != "" && !slices.Contains(names, owner) {
		// Somebody who left, or a name of the time when it was typed.
		v.Owners = append(v.Owners, choice{Value: owner, Words: q.say("%s, without an account of the intake desk", owner), On: true})
	}
	return v, nil
}

// assign says who works on the case, and by which day something is to be done.
func (s *Site) assign(w http.ResponseWriter, q *request) error {
	number := q.PathValue("number")
	owner, due := typed(q.PostForm, "owner"), typed(q.PostForm, "due")
	take := q.PostForm.Get("take") != "" // one press, whatever the fields hold
	faults := map[string]string{}
	f, err := s.open(q.Context(), number)
	if err != nil {
		return err
	}
	names, err := s.owners(q.Context())
	if err != nil {
		return err
	}
	if owner != "" && owner != f.Owner && !slices.Contains(names, owner) {
		faults["owner"] = "Expected nobody, or an account of the intake desk; found another name. Choose one of the list."
	}
	if due != "" {
		d, err := rules.ParseDate(due)
		if err != nil {
			faults["due"] = q.fault(err)
		}
		due = d.String()
	}
	if len(faults) > 0 && !take {
		return s.refuseStanding(w, q, posted{faults: faults, say: "This could not be taken; nothing was stored. It is marked below."})
	}
	var late map[string]string
	err = s.updateStanding(q, func(f *file) (casework.Change, error) {
		ch := casework.Assigned{Owner: owner, Due: due}
		if take {
			ch = casework.Assigned{Owner: q.visit.Who, Due: f.DueSet}
		} else {
			// What this form left as it was stays as somebody else has set it.
			late = map[string]string{}
			ch.Owner = kept(late, "owner", q.PostForm, owner, f.Owner)
			ch.Due = kept(late, "due", q.PostForm, due, f.DueSet)
			if len(late) > 0 {
				return nil, errNoChange
			}
		}
		if ch.Owner == f.Owner && ch.Due == f.DueSet {
			return nil, errNoChange
		}
		return ch, nil
	})
	if err != nil {
		return err
	}
	if len(late) > 0 {
		return s.refuseStanding(w, q, posted{faults: late, say: "Somebody else changed the case while you were at it. Nothing of this part was stored."})
	}
	seeOther(w, "/cases/"+number+"#standing")
	return nil
}

// kept is what a field of a form leaves of a value: the value of now where the
// form did not change it, and a word in late where both did.
func kept(late map[string]string, field string, form url.Values, typedNow, now string) string {
	was := typed(form, "was-"+field)
	switch {
	case !form.Has("was-" + field): // of no page of ours
	case typedNow == was:
		return now
	case now != was && now != typedNow:
		late[field] = "Meanwhile somebody else set this to: " + cmp.Or(now, "nothing") + ". Look at both, and send what is right."
	}
	return typedNow
}

func (s *Site) closeCase(w http.ResponseWriter, q *request) error {
	return s.closeOrReopen(w, q, func(f *file) bool { return f.ClosedAt.IsZero() }, func(f *file, why casework.Ref) casework.Change {
		return casework.Closed{Reason: why, Links: f.OpenLinks(s.cfg.Now())}
	})
}

func (s *Site) reopenCase(w http.ResponseWriter, q *request) error {
	return s.closeOrReopen(w, q, func(f *file) bool { return !f.ClosedAt.IsZero() }, func(_ *file, why casework.Ref) casework.Change { return casework.Reopened{Reason: why} })
}

func (s *Site) closeOrReopen(w http.ResponseWriter, q *request, fits func(*file) bool, change func(*file, casework.Ref) casework.Change) error {
	reason := typed(q.PostForm, "reason")
	if reason == "" || len(reason) > 2000 {
		return s.refuseStanding(w, q, posted{faults: map[string]string{"reason": "Expected the reason in words; found none, or more than 2,000 letters. Write it; the trail keeps it."}})
	}
	alert := false
	err := s.updateStanding(q, func(f *file) (casework.Change, error) {
		if !fits(f) {
			return nil, errNoChange // sent twice
		}
		alert = f.AlertOpen()
		ref, err := s.sealText(q.Context(), f.Case, reason)
		return change(f, ref), err
	})
	if alert && errors.Is(err, casework.ErrRefused) {
		return s.refuseStanding(w, q, posted{faults: map[string]string{}, say: "The case was not closed: a critically low reading is on it, and nobody is entered as told. Enter on top of the page who was told, then close it."})
	}
	if err != nil {
		return err
	}
	if err := s.settle(q.Context(), q.PathValue("number")); err != nil {
		return err
	}
	seeOther(w, "/cases/"+q.PathValue("number")+"#standing")
	return nil
}

// updateStanding writes a change on which no determination rests.
func (s *Site) updateStanding(q *request, decide func(*file) (casework.Change, error)) error {
	number, err := casework.ParseNumber(q.PathValue("number"))
	if err != nil {
		return errNoPage
	}
	_, err = casework.Update(q.Context(), s.cfg.Store, number, s.stamp(q.visit.Who, casework.RoleIntake), func(c *casework.Case) (casework.Change, error) {
		f, err := s.unseal(q.Context(), c)
		if err != nil {
			return nil, err
		}
		return decide(f)
	})
	if errors.Is(err, errNoChange) || errors.Is(err, casework.ErrHead) {
		return nil
	}
	return err
}

func (s *Site) refuseStanding(w http.ResponseWriter, q *request, p posted) error {
	f, err := s.open(q.Context(), q.PathValue("number"))
	if err != nil {
		return err
	}
	p.part, p.form = "standing", url.Values(q.PostForm)
	return s.showCase(w, q, http.StatusUnprocessableEntity, f, p)
}
