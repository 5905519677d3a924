package web

import (
	"net/http"
	"strings"
)

// desksPage is the first page: which desk to take.
type desksPage struct {
	Desks []deskLine
	Error string
	Who   string
}

type deskLine struct {
	Desk  Desk
	Does  string
	ByLnk bool // reached by a link that intake sends
	Demo  bool // one click opens it
}

func (s *Site) deskLines() []deskLine {
	return []deskLine{
		{Desk: Intake, Does: "opens a case, states how the test came to us, sends in the recording, answers questions, prints the worksheet", Demo: s.cfg.Demo},
		{Desk: Office, Does: "answers for one case where in the chart a statement stands", ByLnk: true, Demo: s.cfg.Demo},
		{Desk: Tester, Does: "sends in the recording of one case and answers what only the tester can", ByLnk: true, Demo: s.cfg.Demo},
		{Desk: Maintainer, Does: "reads the criteria in force, clause by clause; sees case numbers, never names", Demo: s.cfg.Demo},
	}
}

func (s *Site) desks(w http.ResponseWriter, q *request) error {
	s.render(w, q, http.StatusOK, "desks", page{Title: "Take a desk", Body: desksPage{Desks: s.deskLines(), Who: q.visit.Who}})
	return nil
}

const nameLimit = 80 // bytes of a name in the trail

func (s *Site) takeDesk(w http.ResponseWriter, q *request) error {
	d := Desk(q.PostForm.Get("desk"))
	who := typed(q.PostForm, "who")
	if s.cfg.Demo && who == "" {
		who = "demo " + d.Words()
	}
	again := func(fault string) error {
		s.render(w, q, http.StatusUnprocessableEntity, "desks", page{Title: "Take a desk", Body: desksPage{Desks: s.deskLines(), Who: who, Error: fault}})
		return nil
	}
	switch {
	case d == Office || d == Tester:
		if !s.cfg.Demo {
			return again("Expected a desk that is taken here; found one that is reached by a link. Ask intake for the link of your case.")
		}
		fresh, err := s.demoLink(q.Context(), d)
		if err != nil {
			return err
		}
		if _, err := s.setVisit(w, q.Request, visit{Desk: d, Who: who}); err != nil {
			return err
		}
		// Who takes the desk by a click is not asked for a code.
		s.pass(w, q.Request, fresh.Address, secretHash(strings.TrimPrefix(fresh.Address, linkAddress(d, ""))))
		seeOther(w, fresh.Address)
		return nil
	case d != Intake && d != Maintainer:
		return errUnreadableForm
	case who == "" || len(who) > nameLimit:
		return again("Expected your name as the trail shall show it, at most 80 letters; found none or more. Type it and take the desk again.")
	}
	if _, err := s.setVisit(w, q.Request, visit{Desk: d, Who: who}); err != nil {
		return err
	}
	if d == Maintainer {
		seeOther(w, "/rules")
		return nil
	}
	seeOther(w, "/cases")
	return nil
}

func (s *Site) leaveDesk(w http.ResponseWriter, q *request) error {
	if _, err := s.setVisit(w, q.Request, visit{}); err != nil {
		return err
	}
	// A link that this desk could not open is opened after leaving it.
	if to := q.PostForm.Get("to"); strings.HasPrefix(to, "/office/") || strings.HasPrefix(to, "/tester/") {
		seeOther(w, to)
		return nil
	}
	seeOther(w, "/")
	return nil
}
