package web

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"strconv"
	"strings"

	"airwarrant/qualify/casework"
	"airwarrant/web/accounts"
)

const nameLimit = 80 // bytes of a name in the trail

// firstPage is the page at the root: sign in, or choose among one's desks.
type firstPage struct {
	// Desks are those that a press of a button takes: the roles of the
	// account, or every desk of a demonstration.
	Desks    []deskLine
	SignedIn bool
	Provider string // name of the sign-in provider, "" for none
	Own      bool   // the account has a password here
	Name     string // as it was typed
	Say      string
	To       string // where to go after signing in
}

type deskLine struct {
	Desk   Desk
	Does   string
	ByLink bool // reached by a link that intake sends
	Now    bool // the desk that the account acts at
}

// does says what a desk does.
func does(d Desk) string {
	switch d {
	case Intake:
		return "opens a case, states how the test came to us, sends in the recording, answers questions, prints the worksheet"
	case Office:
		return "answers for one case where in the chart a statement stands"
	case officeAccount:
		return "has a list of its patients whose charts are asked about, behind one sign-in"
	case Tester:
		return "sends in the recording of one case and answers what only the tester can"
	case Maintainer:
		return "reads the criteria in force, clause by clause; sees case numbers, never names"
	case Administrator:
		return "makes accounts, gives roles, reads the trail of sign-ins"
	}
	return ""
}

func (s *Site) first(w http.ResponseWriter, q *request) error {
	s.showFirst(w, q, http.StatusOK, firstPage{})
	return nil
}

func (s *Site) showFirst(w http.ResponseWriter, q *request, status int, b firstPage) {
	title := "Sign in"
	switch se := q.visit.session; {
	case s.cfg.Demo:
		title = "Take a desk"
		for _, d := range []Desk{Intake, Office, officeAccount, Tester, Maintainer, Administrator} {
			b.Desks = append(b.Desks, deskLine{Desk: d, Does: does(d), ByLink: d == Office || d == Tester, Now: d == q.visit.Desk})
		}
	case se != nil:
		title = "Choose a desk"
		b.Own = se.Account.Issuer == ""
		for _, r := range se.Account.Roles {
			b.Desks = append(b.Desks, deskLine{Desk: Desk(r), Does: does(Desk(r)), Now: Desk(r) == q.visit.Desk})
		}
	}
	b.SignedIn = q.visit.session != nil
	if s.cfg.Provider != nil {
		b.Provider = s.cfg.Provider.Name()
	}
	s.render(w, q, status, "first", page{Title: title, Body: b})
}

// safePath returns to if it is a path of this site, else "".
func safePath(to string) string {
	if !strings.HasPrefix(to, "/") || strings.HasPrefix(to, "//") || len(to) > 500 ||
		strings.ContainsFunc(to, func(r rune) bool { return r == '\\' || r <= ' ' || r == 0x7f }) { // a browser passes over a tab
		return ""
	}
	return to
}

// addressOf is the network address that a request came from. Behind a proxy on
// this machine, which serve --host says there is, it is the one that the proxy
// saw.
func (s *Site) addressOf(r *http.Request) string {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		host = r.RemoteAddr
	}
	if ip := net.ParseIP(host); len(s.cfg.Hosts) > 0 && ip != nil && ip.IsLoopback() {
		seen := strings.Split(r.Header.Get("X-Forwarded-For"), ",")
		if last := strings.TrimSpace(seen[len(seen)-1]); net.ParseIP(last) != nil {
			return last
		}
	}
	return host
}

// signIn signs in by name and password.
func (s *Site) signIn(w http.ResponseWriter, q *request) error {
	name, to := typed(q.PostForm, "name"), safePath(q.PostForm.Get("to"))
	token, err := s.accounts.SignIn(q.Context(), name, q.PostForm.Get("password"), s.addressOf(q.Request))
	var wait *accounts.WaitError
	switch {
	case errors.As(err, &wait):
		b := firstPage{Name: name, To: to, Say: "There were too many wrong passwords in a row for this name. An administrator has to give a new one."}
		if !wait.Until.IsZero() {
			w.Header().Set("Retry-After", strconv.Itoa(retryAfter(s.cfg.Now(), wait.Until)))
			b.Say = "There were too many wrong tries. The next one is taken after " + wait.Until.UTC().Format("15:04:05") + " UTC."
		}
		s.showFirst(w, q, http.StatusTooManyRequests, b)
		return nil
	case errors.Is(err, accounts.ErrRefused):
		s.showFirst(w, q, http.StatusUnprocessableEntity, firstPage{Name: name, To: to,
			Say: "Name and password do not fit together. Type both again; an administrator can give a new password."})
		return nil
	case err != nil:
		return err
	}
	return s.goIn(w, q, token, to)
}

// goIn puts the browser into a new session and sends it on.
func (s *Site) goIn(w http.ResponseWriter, q *request, token, to string) error {
	if was := q.visit.token; was != "" {
		if err := s.accounts.SignOut(q.Context(), was); err != nil {
			return err
		}
	}
	if err := s.enter(w, q, token); err != nil {
		return err
	}
	if to == "" {
		to = q.visit.Desk.home()
	}
	seeOther(w, to)
	return nil
}

// takeDesk lets an account act at another of its desks; in a demonstration it
// opens any desk.
func (s *Site) takeDesk(w http.ResponseWriter, q *request) error {
	d := Desk(q.PostForm.Get("desk"))
	if s.cfg.Demo {
		return s.takeDemoDesk(w, q, d)
	}
	if q.visit.session == nil {
		return errNoDesk
	}
	var form *accounts.FormError
	err := s.accounts.TakeRole(q.Context(), q.visit.token, casework.Role(d))
	if errors.As(err, &form) {
		return errUnreadableForm
	}
	if err != nil {
		return err
	}
	seeOther(w, d.home())
	return nil
}

// demoIssuer vouches for the accounts of a demonstration, which have no
// password and open nothing outside it.
const demoIssuer = "demonstration"

func (s *Site) takeDemoDesk(w http.ResponseWriter, q *request, d Desk) error {
	if d == Office || d == Tester {
		fresh, err := s.demoLink(q.Context(), d)
		if err != nil {
			return err
		}
		if err := s.signOutHere(w, q); err != nil {
			return err
		}
		// Who takes the desk by a click is not asked for a code.
		s.pass(w, q.Request, fresh.Address, secretHash(strings.TrimPrefix(fresh.Address, linkAddress(d, ""))))
		seeOther(w, fresh.Address)
		return nil
	}
	p := accounts.Person{Issuer: demoIssuer, Subject: string(d), Name: "demo " + d.Words(), Roles: []casework.Role{casework.Role(d)}}
	switch d {
	case Intake, Maintainer, Administrator:
	case officeAccount:
		p.Name, p.Roles, p.Office = "demo office", []casework.Role{casework.RoleOffice}, demoOffice
		if err := s.fillDemoDay(q.Context()); err != nil {
			return err
		}
	default:
		return errUnreadableForm
	}
	token, err := s.accounts.Admit(q.Context(), p, s.addressOf(q.Request))
	if err != nil {
		return err
	}
	return s.goIn(w, q, token, "")
}

// checkDemo refuses to open by a click what is no demonstration, and marks an
// empty store as one.
func (s *Site) checkDemo(ctx context.Context) error {
	people, err := s.accounts.Accounts(ctx)
	if err != nil {
		return err
	}
	for _, a := range people {
		if a.Issuer != demoIssuer {
			return errors.New("expected an empty store or one of a demonstration, found one with accounts: a click would open it; give the demonstration a folder of its own")
		}
	}
	_, err = s.cfg.Store.Note(ctx, siteKind, "demo")
	if !errors.Is(err, casework.ErrNotFound) {
		return err
	}
	cases, _, err := s.cfg.Store.Cases(ctx, "", 1)
	if err != nil {
		return err
	}
	if len(cases) > 0 {
		return errors.New("expected an empty store or one of a demonstration, found one with cases: a click would open it; give the demonstration a folder of its own")
	}
	return s.cfg.Store.PutNote(ctx, siteKind, "demo", []byte("1"))
}

// signOutHere ends the session of this browser.
func (s *Site) signOutHere(w http.ResponseWriter, q *request) error {
	if q.visit.token != "" {
		if err := s.accounts.SignOut(q.Context(), q.visit.token); err != nil {
			return err
		}
	}
	var err error
	q.visit, err = s.newVisit(w, q.Request)
	return err
}

func (s *Site) signOut(w http.ResponseWriter, q *request) error {
	if err := s.signOutHere(w, q); err != nil {
		return err
	}
	// A link that this desk could not open is opened after signing out.
	if to := q.PostForm.Get("to"); strings.HasPrefix(to, "/office/") || strings.HasPrefix(to, "/tester/") {
		seeOther(w, to)
		return nil
	}
	seeOther(w, "/")
	return nil
}

// signOutEverywhere ends every session of the account.
func (s *Site) signOutEverywhere(w http.ResponseWriter, q *request) error {
	if q.visit.session == nil {
		return errNoDesk
	}
	if err := s.accounts.SignOutEverywhere(q.Context(), s.stampOf(q), q.visit.session.Account.ID); err != nil {
		return err
	}
	var err error
	if q.visit, err = s.newVisit(w, q.Request); err != nil {
		return err
	}
	seeOther(w, "/")
	return nil
}

// stampOf is who makes the request, now.
func (s *Site) stampOf(q *request) casework.Stamp {
	role := casework.Role(q.visit.Desk)
	if role == "" {
		role = casework.RoleSystem // signed in, and at no desk yet
	}
	return s.stamp(q.visit.Who, role)
}

// passwordPage is the page on which an account changes its password.
type passwordPage struct {
	Name     string
	First    bool // it is a first password, and has to be changed now
	Shortest int
	Faults   map[string]string
	Say      string
}

func (s *Site) passwordPage(w http.ResponseWriter, q *request) error {
	return s.showPassword(w, q, http.StatusOK, "", nil)
}

func (s *Site) showPassword(w http.ResponseWriter, q *request, status int, say string, fault *accounts.FormError) error {
	if q.visit.session == nil {
		return errNoDesk
	}
	a := q.visit.session.Account
	if a.Issuer != "" {
		return errNoPage
	}
	b := passwordPage{Name: a.Name, First: a.MustChange, Shortest: accounts.ShortestPassword, Say: say, Faults: map[string]string{"old": "", "new": "", "again": ""}}
	if fault != nil {
		b.Faults[fault.Field] = fault.Say
	}
	s.render(w, q, status, "password", page{Title: "Change the password", Body: b})
	return nil
}

func (s *Site) changePassword(w http.ResponseWriter, q *request) error {
	if q.visit.session == nil {
		return errNoDesk
	}
	token, err := s.accounts.ChangePassword(q.Context(), *q.visit.session, q.PostForm.Get("old"), q.PostForm.Get("new"), q.PostForm.Get("again"))
	var form *accounts.FormError
	var wait *accounts.WaitError
	switch {
	case errors.As(err, &form):
		return s.showPassword(w, q, http.StatusUnprocessableEntity, "", form)
	case errors.As(err, &wait):
		say := "The old password was typed wrong too often. An administrator has to give a new one."
		if !wait.Until.IsZero() {
			w.Header().Set("Retry-After", strconv.Itoa(retryAfter(s.cfg.Now(), wait.Until)))
			say = fmt.Sprintf("The old password was typed wrong too often. The next try is taken after %s UTC.", wait.Until.UTC().Format("15:04:05"))
		}
		return s.showPassword(w, q, http.StatusTooManyRequests, say, nil)
	case err != nil:
		return err
	}
	if err := s.enter(w, q, token); err != nil {
		return err
	}
	seeOther(w, q.visit.Desk.home())
	return nil
}
