package web

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"
	"time"

	"airwarrant/qualify/casework"
	"airwarrant/web/accounts"
)

// Desk is the place that a person works at: the role in which an account acts,
// or the one that a link was made for.
type Desk string

// The desks of design section 4.
const (
	NoDesk        Desk = ""
	Intake             = Desk(casework.RoleIntake)
	Office             = Desk(casework.RoleOffice)
	Tester             = Desk(casework.RoleTester)
	Maintainer         = Desk(casework.RoleMaintainer)
	Administrator      = Desk(casework.RoleAdministrator)
	// officeAccount is the button of a demonstration for an office that has an
	// account; its desk is Office.
	officeAccount Desk = "office-account"
)

// Words names the desk for people.
func (d Desk) Words() string {
	switch d {
	case Intake:
		return "intake"
	case Office:
		return "physician's office"
	case Tester:
		return "tester"
	case Maintainer:
		return "rule maintainer"
	case Administrator:
		return "administrator"
	case officeAccount:
		return "physician's office with an account"
	}
	return "no desk"
}

// home is where a desk begins.
func (d Desk) home() string {
	switch d {
	case Intake:
		return "/cases"
	case Maintainer:
		return "/rules"
	case Administrator:
		return "/accounts"
	case Office:
		return "/day"
	}
	return "/"
}

const (
	cookieName = "airwarrant"
	// The cookie of a browser that is signed in is the token of its session,
	// that of any other a signed visit, each behind its mark.
	sessionMark, visitMark = "s.", "v."
	// visitExpires is how long a form of a page before sign-in can be sent.
	visitExpires = accounts.SessionLasts
)

// visit is who makes a request.
type visit struct {
	Desk  Desk   // that the account acts at
	Who   string // name that the trail shows
	Nonce string // the form token is derived from it
	// session is of a browser that is signed in, else nil; token opens it.
	session *accounts.Session
	token   string
}

// anonymous is what the cookie of a browser that is not signed in says.
type anonymous struct {
	Nonce string `json:"n"`
	Until int64  `json:"u"` // Unix seconds
}

// siteKind is the kind of the notes of the site itself: the key that signs
// cookies and form tokens, and the mark of a demonstration's store.
const siteKind = "site"

// siteKey returns the key of the store, and draws it on first use: it is one
// for all machines that serve a store, and outlasts a start.
func siteKey(ctx context.Context, store casework.Store, random io.Reader) ([]byte, error) {
	fresh := make([]byte, 32)
	if _, err := io.ReadFull(random, fresh); err != nil {
		return nil, fmt.Errorf("web: drawing the key of cookies: %w", err)
	}
	if err := store.SwapNote(ctx, siteKind, "key", nil, fresh); err == nil || !errors.Is(err, casework.ErrConflict) {
		return fresh, err
	}
	return store.Note(ctx, siteKind, "key")
}

// sign returns the code of text under the site's key, for one purpose.
func (s *Site) sign(purpose, text string) []byte {
	m := hmac.New(sha256.New, s.key)
	m.Write([]byte(purpose + "\x00" + text))
	return m.Sum(nil)
}

// signed is text with its code behind it, as a cookie holds it; unsign gives
// the text back, or false if the code is not ours.
func (s *Site) signed(purpose string, text []byte) string {
	body := base64.RawURLEncoding.EncodeToString(text)
	return body + "." + base64.RawURLEncoding.EncodeToString(s.sign(purpose, body))
}

func (s *Site) unsign(purpose, value string) ([]byte, bool) {
	body, code, _ := strings.Cut(value, ".")
	got, err := base64.RawURLEncoding.DecodeString(code)
	if err != nil || !hmac.Equal(got, s.sign(purpose, body)) {
		return nil, false
	}
	text, err := base64.RawURLEncoding.DecodeString(body)
	return text, err == nil
}

// visitOf reads the cookie of r; a missing, foreign, altered or expired one
// is an empty visit.
func (s *Site) visitOf(r *http.Request) (visit, error) {
	c, err := r.Cookie(cookieName)
	if err != nil {
		return visit{}, nil
	}
	if token, ok := strings.CutPrefix(c.Value, sessionMark); ok {
		return s.sessionVisit(r.Context(), token)
	}
	value, ok := strings.CutPrefix(c.Value, visitMark)
	if !ok {
		return visit{}, nil
	}
	raw, ok := s.unsign("visit", value)
	var a anonymous
	if !ok || json.Unmarshal(raw, &a) != nil || s.cfg.Now().Unix() >= a.Until {
		return visit{}, nil
	}
	return visit{Nonce: a.Nonce}, nil
}

func (s *Site) sessionVisit(ctx context.Context, token string) (visit, error) {
	se, err := s.accounts.Session(ctx, token)
	if errors.Is(err, accounts.ErrSignedOut) {
		return visit{}, nil
	}
	if err != nil {
		return visit{}, err
	}
	if !s.cfg.Demo && se.Account.Issuer == demoIssuer {
		return visit{}, nil // a click of a demonstration opens nothing else
	}
	return visit{Desk: Desk(se.Role), Who: se.Account.Name, Nonce: se.Nonce, session: &se, token: token}, nil
}

// setCookie stores the cookie of a visit.
func (s *Site) setCookie(w http.ResponseWriter, r *http.Request, value string) {
	http.SetCookie(w, &http.Cookie{
		Name: cookieName, Path: "/", HttpOnly: true, Secure: secure(r),
		// Lax, not Strict: a person who follows a link out of a message stays
		// signed in. Changes need the form token anyway.
		SameSite: http.SameSiteLaxMode, MaxAge: int(accounts.SessionLasts.Seconds()), Value: value,
	})
}

// newVisit gives a browser that is not signed in something to derive form
// tokens from.
func (s *Site) newVisit(w http.ResponseWriter, r *http.Request) (visit, error) {
	nonce, err := s.secret(16)
	if err != nil {
		return visit{}, err
	}
	raw, err := json.Marshal(anonymous{nonce, s.cfg.Now().Add(visitExpires).Unix()})
	if err != nil {
		return visit{}, err
	}
	s.setCookie(w, r, visitMark+s.signed("visit", raw))
	return visit{Nonce: nonce}, nil
}

// enter puts a browser into a session.
func (s *Site) enter(w http.ResponseWriter, q *request, token string) error {
	v, err := s.sessionVisit(q.Context(), token)
	if err != nil {
		return err
	}
	s.setCookie(w, q.Request, sessionMark+token)
	q.visit = v
	return nil
}

// formToken is what each form of this visit carries.
func (s *Site) formToken(v visit) string {
	if v.Nonce == "" {
		return ""
	}
	return base64.RawURLEncoding.EncodeToString(s.sign("form", v.Nonce))
}

// secret draws n random bytes as text that may stand in an address.
func (s *Site) secret(n int) (string, error) {
	b := make([]byte, n)
	if _, err := io.ReadFull(s.cfg.Random, b); err != nil {
		return "", err
	}
	return base64.RawURLEncoding.EncodeToString(b), nil
}

// retryAfter is how many whole seconds lie between now and then, at least one.
func retryAfter(now, then time.Time) int { return max(int(then.Sub(now).Seconds())+1, 1) }
