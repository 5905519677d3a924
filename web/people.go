package web

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"airwarrant/qualify/casework"
	"airwarrant/rules"
	"airwarrant/web/accounts"
)

// peoplePage is the list of accounts.
type peoplePage struct {
	People []personLine
	Fresh  *freshPassword
	Roles  []rolePick
	Name   string // typed for a new account
	Office string
	Faults map[string]string
}

type personLine struct {
	ID, Name, Roles, Office, State string
}

// freshPassword is a first password, shown this once.
type freshPassword struct {
	Name, Word string
}

type rolePick struct {
	Role  casework.Role
	Words string
	Does  string
	On    bool
}

func rolePicks(on []casework.Role) []rolePick {
	var out []rolePick
	for _, r := range accounts.Roles {
		out = append(out, rolePick{Role: r, Words: Desk(r).Words(), Does: does(Desk(r)), On: slices.Contains(on, r)})
	}
	return out
}

func rolesWords(roles []casework.Role) string {
	var out []string
	for _, r := range roles {
		out = append(out, Desk(r).Words())
	}
	return strings.Join(out, ", ")
}

// standingOf says how an account stands.
func standingOf(a accounts.Account, l rules.Language) string {
	switch {
	case a.Disabled:
		return "disabled"
	case a.Issuer == demoIssuer:
		return "of the demonstration"
	case a.Issuer != "":
		return "signs in with the provider"
	case a.MustChange:
		return "first password, given " + l.Stamp(moment(a.PasswordAt))
	case a.PasswordAt.IsZero():
		return "has no password; reset it"
	}
	return "in use"
}

func (s *Site) people(w http.ResponseWriter, q *request) error {
	return s.showPeople(w, q, http.StatusOK, peoplePage{Roles: rolePicks(nil)})
}

func (s *Site) showPeople(w http.ResponseWriter, q *request, status int, b peoplePage) error {
	all, err := s.accounts.Accounts(q.Context())
	if err != nil {
		return err
	}
	for _, a := range all {
		b.People = append(b.People, personLine{ID: a.ID, Name: a.Name, Roles: rolesWords(a.Roles), Office: a.Office, State: standingOf(a, s.daysOf(q, ""))})
	}
	if b.Faults == nil {
		b.Faults = map[string]string{}
	}
	for _, field := range []string{"name", "roles", "office"} {
		b.Faults[field] += ""
	}
	s.render(w, q, status, "people", page{Title: "Accounts", Body: b})
	return nil
}

func rolesTyped(q *request) []casework.Role {
	var out []casework.Role
	for _, r := range q.PostForm["role"] {
		out = append(out, casework.Role(r))
	}
	return out
}

// addPerson makes an account and shows its first password, this once.
func (s *Site) addPerson(w http.ResponseWriter, q *request) error {
	name, office, roles := typed(q.PostForm, "name"), typed(q.PostForm, "office"), rolesTyped(q)
	a, word, err := s.accounts.Make(q.Context(), s.stampOf(q), name, roles, office)
	var form *accounts.FormError
	if errors.As(err, &form) {
		return s.showPeople(w, q, http.StatusUnprocessableEntity, peoplePage{Name: name, Office: office, Roles: rolePicks(roles), Faults: map[string]string{form.Field: form.Say}})
	}
	if err != nil {
		return err
	}
	return s.showPeople(w, q, http.StatusOK, peoplePage{Roles: rolePicks(nil), Fresh: &freshPassword{a.Name, word}})
}

// personPage is one account with its trail.
type personPage struct {
	Person personLine
	Made   string
	// N is the entry that the page shows as the last: a press on a page that
	// is out of date changes nothing.
	N        int
	Roles    []rolePick
	Office   string
	Own      bool // it has a password here
	Provided bool // its roles come from the provider
	Disabled bool
	Self     bool // of who looks at it
	Fresh    *freshPassword
	Faults   map[string]string
	Say      string
	Trail    []peopleEvent
}

type peopleEvent struct {
	At, Who, Desk, What string
}

func (s *Site) person(w http.ResponseWriter, q *request) error {
	return s.showPerson(w, q, http.StatusOK, personPage{})
}

func (s *Site) showPerson(w http.ResponseWriter, q *request, status int, b personPage) error {
	a, err := s.accounts.Account(q.Context(), q.PathValue("account"))
	if err != nil {
		return err
	}
	b.Person = personLine{ID: a.ID, Name: a.Name, Roles: rolesWords(a.Roles), Office: a.Office, State: standingOf(a, s.daysOf(q, ""))}
	b.Made, b.N, b.Disabled = moment(a.MadeAt), a.N(), a.Disabled
	b.Own, b.Provided = a.Issuer == "", a.Issuer != ""
	b.Self = q.visit.session != nil && q.visit.session.Account.ID == a.ID
	if b.Roles == nil {
		b.Roles, b.Office = rolePicks(a.Roles), a.Office
	}
	if b.Faults == nil {
		b.Faults = map[string]string{}
	}
	for _, field := range []string{"roles", "office"} {
		b.Faults[field] += ""
	}
	entries, err := s.accounts.Trail(q.Context(), a.ID)
	if err != nil {
		return err
	}
	for _, e := range slices.Backward(entries) {
		what, err := entryWords(e)
		if err != nil {
			return err
		}
		b.Trail = append(b.Trail, peopleEvent{At: moment(e.At), Who: e.By, Desk: roleName(e.Role), What: what})
	}
	s.render(w, q, status, "person", page{Title: "Account " + a.Name, Body: b})
	return nil
}

// changePerson does what the button says: roles, reset, out, disable, enable.
func (s *Site) changePerson(w http.ResponseWriter, q *request) error {
	ctx, id, st := q.Context(), q.PathValue("account"), s.stampOf(q)
	a, err := s.accounts.Account(ctx, id)
	if err != nil {
		return err
	}
	if strconv.Itoa(a.N()) != q.PostForm.Get("n") {
		return casework.ErrConflict
	}
	do := q.PostForm.Get("do")
	if a.Issuer != "" && (do == "roles" || do == "reset") {
		return errUnreadableForm // no form of such an account has the button
	}
	switch do {
	case "roles":
		roles, office := rolesTyped(q), typed(q.PostForm, "office")
		err = s.accounts.Give(ctx, st, id, roles, office)
		var form *accounts.FormError
		if errors.As(err, &form) {
			return s.showPerson(w, q, http.StatusUnprocessableEntity, personPage{Roles: rolePicks(roles), Office: office, Faults: map[string]string{form.Field: form.Say}})
		}
	case "reset":
		var word string
		if word, err = s.accounts.Reset(ctx, st, id); err == nil {
			return s.showPerson(w, q, http.StatusOK, personPage{Fresh: &freshPassword{a.Name, word}})
		}
	case "out":
		err = s.accounts.SignOutEverywhere(ctx, st, id)
	case "disable":
		err = s.accounts.Disable(ctx, st, id)
	case "enable":
		err = s.accounts.Enable(ctx, st, id)
	default:
		return errUnreadableForm
	}
	if errors.Is(err, accounts.ErrLast) {
		return s.showPerson(w, q, http.StatusConflict, personPage{Say: "This is the only account that can make accounts and give roles. Give the role administrator to another first. Nothing was changed."})
	}
	if err != nil {
		return err
	}
	seeOther(w, "/accounts/"+id)
	return nil
}

// signInsPage is the trail of sign-ins, the latest first.
type signInsPage struct {
	Lines []peopleEvent
	Older int // the entry before which the next page begins, 0 if none does
}

const signInsSize = 100

func (s *Site) signIns(w http.ResponseWriter, q *request) error {
	last, err := s.cfg.Store.LastEntry(q.Context(), accounts.SignIns)
	if err != nil && !errors.Is(err, casework.ErrNotFound) {
		return err
	}
	before := last.N + 1
	if text := q.URL.Query().Get("before"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil || n < 2 || n > before {
			return errNoPage
		}
		before = n
	}
	from := max(before-signInsSize, 1)
	b := signInsPage{}
	if before > from {
		entries, err := s.cfg.Store.Entries(q.Context(), accounts.SignIns, from, before-from)
		if err != nil {
			return err
		}
		for _, e := range slices.Backward(entries) {
			what, err := entryWords(e)
			if err != nil {
				return err
			}
			b.Lines = append(b.Lines, peopleEvent{At: moment(e.At), Who: e.By, Desk: roleName(e.Role), What: what})
		}
	}
	if from > 1 {
		b.Older = from
	}
	s.render(w, q, http.StatusOK, "signins", page{Title: "Sign-ins", Body: b})
	return nil
}

func roleName(r casework.Role) string {
	if r == casework.RoleSystem {
		return "–"
	}
	return Desk(r).Words()
}

// entryWords says in words what one entry of the ledgers of accounts holds.
func entryWords(e casework.Entry) (string, error) {
	var v struct {
		Name       string          `json:"name"`
		Roles      []casework.Role `json:"roles"`
		Office     string          `json:"office"`
		Issuer     string          `json:"issuer"`
		MustChange bool            `json:"must_change"`
		Address    string          `json:"address"`
		Waiting    bool            `json:"waiting"`
	}
	if err := json.Unmarshal(e.Change, &v); err != nil {
		return "", fmt.Errorf("entry %d of a ledger is not readable", e.N)
	}
	from := ""
	if v.Address != "" {
		from = ", from " + v.Address
	}
	at := ""
	if v.Office != "" {
		at = " at " + v.Office
	}
	switch e.Kind {
	case "account_made":
		by := ""
		if v.Issuer != "" {
			by = ", vouched for by " + v.Issuer
		}
		return "account made for " + v.Name + ": " + rolesWords(v.Roles) + at + by, nil
	case "name_given":
		return "name changed to " + v.Name, nil
	case "roles_given":
		return "roles given: " + rolesWords(v.Roles) + at, nil
	case "password_set":
		if v.MustChange {
			return "first password given", nil
		}
		return "password changed", nil
	case "account_disabled":
		return "account disabled, all sessions ended", nil
	case "account_enabled":
		return "account enabled again", nil
	case "signed_out_everywhere":
		return "signed out everywhere", nil
	case "signed_in":
		return "signed in" + from, nil
	case "sign_in_refused":
		if v.Waiting {
			return "sign-in refused, too many tries" + from, nil
		}
		return "sign-in refused" + from, nil
	case "signed_out":
		return "signed out", nil
	case "role_taken":
		return "acts at another desk", nil
	}
	return e.Kind, nil
}

// NoAccounts reports whether nobody could sign in by a password yet.
func (s *Site) NoAccounts(ctx context.Context) (bool, error) {
	all, err := s.accounts.Accounts(ctx)
	return !slices.ContainsFunc(all, func(a accounts.Account) bool { return a.Issuer == "" && !a.Disabled }), err
}
