package web

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"io"
	"net/http"
	"strings"
	"time"
)

// Desk is the place that a person works at. This version has no accounts: a
// person takes a desk for a session, on loopback alone.
type Desk string

// The desks of design section 4 that this version has.
const (
	NoDesk     Desk = ""
	Intake     Desk = "intake"
	Office     Desk = "office"
	Tester     Desk = "tester"
	Maintainer Desk = "maintainer"
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
	}
	return "no desk"
}

const (
	cookieName   = "airwarrant"
	visitExpires = 12 * time.Hour // our choice: a working day
)

// visit is what the signed cookie says about a browser.
type visit struct {
	Desk  Desk   `json:"d"`
	Who   string `json:"w"` // name that the trail shows
	Nonce string `json:"n"` // the form token is derived from it
	Until int64  `json:"u"` // Unix seconds
}

// sign returns the code of text under the site's key, for one purpose.
func (s *Site) sign(purpose, text string) []byte {
	m := hmac.New(sha256.New, s.key)
	m.Write([]byte(purpose + "\x00" + text))
	return m.Sum(nil)
}

// visitOf reads the cookie of r; a missing, foreign, altered or expired one
// is an empty visit.
func (s *Site) visitOf(r *http.Request) visit {
	c, err := r.Cookie(cookieName)
	if err != nil {
		return visit{}
	}
	body, code, _ := strings.Cut(c.Value, ".")
	got, err := base64.RawURLEncoding.DecodeString(code)
	if err != nil || !hmac.Equal(got, s.sign("visit", body)) {
		return visit{}
	}
	raw, err := base64.RawURLEncoding.DecodeString(body)
	if err != nil {
		return visit{}
	}
	var v visit
	if json.Unmarshal(raw, &v) != nil || s.cfg.Now().Unix() >= v.Until {
		return visit{}
	}
	return v
}

// setVisit stores v in the browser with a new nonce, so that a form of an
// earlier desk is not accepted at the next one.
func (s *Site) setVisit(w http.ResponseWriter, r *http.Request, v visit) (visit, error) {
	nonce, err := s.secret(16)
	if err != nil {
		return visit{}, err
	}
	v.Nonce, v.Until = nonce, s.cfg.Now().Add(visitExpires).Unix()
	raw, err := json.Marshal(v)
	if err != nil {
		return visit{}, err
	}
	body := base64.RawURLEncoding.EncodeToString(raw)
	http.SetCookie(w, &http.Cookie{
		Name: cookieName, Path: "/", HttpOnly: true, Secure: r.TLS != nil,
		// Lax, not Strict: a person who follows a link out of a message keeps
		// the desk that they sit at. Changes need the form token anyway.
		SameSite: http.SameSiteLaxMode, MaxAge: int(visitExpires.Seconds()),
		Value: body + "." + base64.RawURLEncoding.EncodeToString(s.sign("visit", body)),
	})
	return v, nil
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
