package web

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"
	"time"

	"airwarrant/qualify/casework"
)

const (
	// linkExpires is how long a link opens its case (our choice: long enough
	// for an office to pull a chart).
	linkExpires = 14 * 24 * time.Hour
	// passExpires is how long a browser that gave the code is let in without
	// it (our choice: a working day).
	passExpires = 12 * time.Hour
	passCookie  = "airwarrant-pass"
	// linkKind is the kind of the notes that lead from the hash of a secret to
	// its case. Whether the link opens it, the case says.
	linkKind  = "link"
	secretLen = 43 // letters of 32 random bytes in base64 without padding
)

// link is an opened link: one case, one desk.
type link struct {
	file   *file
	desk   Desk
	hash   string // of the secret, as the case keeps it
	secret string
	// Of a case on the list of an office: where it stands and which account
	// opened it. There is no secret then.
	at, who string
}

// by names the holder of the link in the trail: the account of an office, else
// the link, without naming a person.
func (l *link) by() string {
	if l.who != "" {
		return l.who
	}
	return "link " + l.hash[:8]
}

// address is where the link leads, without host.
func (l *link) address() string {
	if l.at != "" {
		return l.at
	}
	return linkAddress(l.desk, l.secret)
}

func linkAddress(d Desk, secret string) string { return "/" + string(d) + "/" + secret }

func equal(a, b string) bool { return subtle.ConstantTimeCompare([]byte(a), []byte(b)) == 1 }

func secretHash(secret string) string {
	sum := sha256.Sum256([]byte(secret))
	return hex.EncodeToString(sum[:])
}

// codeHash is what a case keeps of the code of a link. Its key is the secret
// of the link, which is kept nowhere: the million codes cannot be tried on a
// stolen store.
func codeHash(secret, code string) string {
	m := hmac.New(sha256.New, []byte(secret))
	m.Write([]byte("code\x00" + code))
	return hex.EncodeToString(m.Sum(nil))
}

// newCode draws six digits, each number as likely as the next.
func (s *Site) newCode() (string, error) {
	const codes = 1_000_000
	for {
		var b [4]byte
		if _, err := io.ReadFull(s.cfg.Random, b[:3]); err != nil {
			return "", err
		}
		// 2^24 is not a multiple of a million: what lies above the last whole
		// one is drawn again.
		n := int(b[0])<<16 | int(b[1])<<8 | int(b[2])
		if n < 16*codes {
			return fmt.Sprintf("%06d", n%codes), nil
		}
	}
}

// linkNote is the note of a link.
type linkNote struct {
	Case    string    `json:"case"`
	Expires time.Time `json:"expires"`
}

// admitLink finds the link that an address holds, no more often than the pace
// allows. Whatever is wrong with a link, the answer is the same.
func (s *Site) admitLink(rt Route, q *request) error {
	now, from := s.cfg.Now(), networkOf(s.addressOf(q.Request))
	if wait, ok := s.paces.take("from "+from, now, addressPace, time.Minute); !ok {
		return &paceError{wait}
	}
	if wait, full := s.paces.full("miss "+from, now, missPace); full {
		return &paceError{wait}
	}
	l, err := s.findLink(q.Context(), rt.Desks[0], q.PathValue("secret"))
	if errors.Is(err, errLink) {
		s.paces.take("miss "+from, now, missPace, missEvery)
	}
	if err != nil {
		return err
	}
	if wait, ok := s.paces.take("link "+l.hash, now, linkPace, time.Minute); !ok {
		return &paceError{wait}
	}
	q.link = l
	if !rt.Code && !s.passed(q.Request, l) {
		return errCode
	}
	return nil
}

// findLink opens the case that a secret belongs to.
func (s *Site) findLink(ctx context.Context, d Desk, secret string) (*link, error) {
	if len(secret) != secretLen {
		return nil, errLink
	}
	hash := secretHash(secret)
	raw, err := s.cfg.Store.Note(ctx, linkKind, hash)
	if errors.Is(err, casework.ErrNotFound) {
		return nil, errLink
	}
	if err != nil {
		return nil, err
	}
	var note linkNote
	if json.Unmarshal(raw, &note) != nil {
		return nil, errors.New("a stored note of a link is not readable")
	}
	now := s.cfg.Now()
	if !now.Before(note.Expires) {
		return nil, errLink // without reading the case
	}
	f, err := s.open(ctx, note.Case)
	if errors.Is(err, errNoPage) || errors.Is(err, casework.ErrNotFound) || errors.Is(err, casework.ErrDestroyed) {
		return nil, errLink
	}
	if err != nil {
		return nil, err
	}
	if l, ok := f.LinkAt(hash, now); !ok || Desk(l.Role) != d || l.Code == "" {
		return nil, errLink
	}
	return &link{file: f, desk: d, hash: hash, secret: secret}, nil
}

// newLink makes a link with its code. Both are kept nowhere.
func (s *Site) newLink(ctx context.Context, number string, st casework.Stamp, d Desk) (*freshLink, error) {
	secret, err := s.secret(32)
	if err != nil {
		return nil, err
	}
	code, err := s.newCode()
	if err != nil {
		return nil, err
	}
	hash, expires := secretHash(secret), s.cfg.Now().Add(linkExpires)
	note, err := json.Marshal(linkNote{number, expires})
	if err != nil {
		return nil, err
	}
	// Written first: a note without its link opens nothing.
	if err := s.cfg.Store.PutNote(ctx, linkKind, hash, note); err != nil {
		return nil, err
	}
	err = s.update(ctx, number, st, func(f *file) (casework.Change, error) {
		return casework.LinkMade{SHA256: hash, Role: casework.Role(d), Expires: expires, Code: codeHash(secret, code)}, nil
	})
	if err != nil {
		return nil, err
	}
	return &freshLink{Desk: d, Address: linkAddress(d, secret), Code: code, Expires: expires}, nil
}

// passed reports whether the browser gave the code of the link before.
func (s *Site) passed(r *http.Request, l *link) bool {
	for _, c := range r.CookiesNamed(passCookie) {
		until, code, _ := strings.Cut(c.Value, ".")
		got, err := base64.RawURLEncoding.DecodeString(code)
		sec, bad := strconv.ParseInt(until, 10, 64)
		if err == nil && bad == nil && hmac.Equal(got, s.sign("pass", l.hash+" "+until)) && s.cfg.Now().Unix() < sec {
			return true
		}
	}
	return false
}

// pass lets the browser in at a link without the code, for a while. The cookie
// goes to the address of the link alone.
func (s *Site) pass(w http.ResponseWriter, r *http.Request, address, hash string) {
	until := strconv.FormatInt(s.cfg.Now().Add(passExpires).Unix(), 10)
	http.SetCookie(w, &http.Cookie{Name: passCookie, Path: address, HttpOnly: true, Secure: secure(r), SameSite: http.SameSiteLaxMode, MaxAge: int(passExpires.Seconds()),
		Value: until + "." + base64.RawURLEncoding.EncodeToString(s.sign("pass", hash+" "+until))})
}

// codePage asks for the code of a link. It tells nothing of the case.
type codePage struct {
	Action string
	Say    string
}

func (s *Site) showCode(w http.ResponseWriter, q *request, status int, say string) {
	s.render(w, q, status, "code", page{Title: "The code of this link", Body: codePage{Action: q.link.address() + "/code", Say: say}})
}

// giveCode takes the code that was told by phone.
func (s *Site) giveCode(w http.ResponseWriter, q *request) error {
	code := strings.NewReplacer(" ", "", "-", "", "\u00a0", "").Replace(q.PostForm.Get("code"))
	if len(code) != 6 || strings.Trim(code, "0123456789") != "" {
		s.showCode(w, q, http.StatusUnprocessableEntity, "Expected the six digits that were told to you by phone; found something else. It does not count as a try.")
		return nil
	}
	l := q.link
	right, left := false, 0
	c, err := casework.Update(q.Context(), s.cfg.Store, l.file.Number, s.stamp(l.by(), casework.Role(l.desk)), func(c *casework.Case) (casework.Change, error) {
		now, ok := c.LinkAt(l.hash, s.cfg.Now())
		if !ok {
			return nil, errLink // the last try was somebody else's
		}
		right = equal(codeHash(l.secret, code), now.Code)
		return casework.LinkTried{SHA256: l.hash, Right: right}, nil
	})
	if err != nil && !errors.Is(err, casework.ErrHead) {
		return err
	}
	if right {
		s.pass(w, q.Request, l.address(), l.hash)
		seeOther(w, l.address())
		return nil
	}
	if now, ok := c.LinkAt(l.hash, s.cfg.Now()); ok {
		left = casework.LinkTries - now.Wrong
	}
	switch left {
	case 0:
		return errLink
	case 1:
		s.showCode(w, q, http.StatusUnprocessableEntity, "That is not the code of this link. One try is left; then the link is closed for good. Ask the supplier's intake desk on the phone.")
	default:
		s.showCode(w, q, http.StatusUnprocessableEntity, q.say("That is not the code of this link. %d tries are left.", left))
	}
	return nil
}

// makeLink makes a link and shows it, this once.
func (s *Site) makeLink(w http.ResponseWriter, q *request) error {
	d := Desk(q.PostForm.Get("desk"))
	if d != Office && d != Tester {
		return errUnreadableForm
	}
	f, err := s.open(q.Context(), q.PathValue("number"))
	if err != nil {
		return err
	}
	if f.Edited != formK(q.PostForm) {
		// A reload of the page that showed a link must not make another.
		return casework.ErrConflict
	}
	fresh, err := s.newLink(q.Context(), f.Number, s.stamp(q.visit.Who, casework.RoleIntake), d)
	if err != nil {
		return err
	}
	scheme := "http://"
	if secure(q.Request) {
		scheme = "https://"
	}
	fresh.Address = scheme + q.Host + fresh.Address
	if f, err = s.open(q.Context(), f.Number); err != nil {
		return err
	}
	return s.showCase(w, q, http.StatusOK, f, posted{link: fresh})
}

func (s *Site) revokeLink(w http.ResponseWriter, q *request) error {
	number, hash := q.PathValue("number"), q.PostForm.Get("link")
	err := s.update(q.Context(), number, s.stamp(q.visit.Who, casework.RoleIntake), func(f *file) (casework.Change, error) {
		for _, l := range f.Links {
			if l.SHA256 == hash && !l.Revoked {
				return casework.LinkRevoked{SHA256: hash}, nil
			}
		}
		return nil, nil
	})
	if err != nil {
		return err
	}
	seeOther(w, "/cases/"+number+"#links")
	return nil
}
