package web

import (
	"context"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/hex"
	"errors"
	"net/http"
	"strings"
	"time"

	"airwarrant/qualify/casework"
)

// linkExpires is how long a link opens its case (our choice: long enough for
// an office to pull a chart).
const linkExpires = 14 * 24 * time.Hour

// link is an opened link: one case, one desk.
type link struct {
	file *file
	desk Desk
	hash string // of the secret, as the case keeps it
}

// by names the holder of the link in the trail without naming a person.
func (l *link) by() string { return "link " + l.hash[:8] }

func equal(a, b string) bool { return subtle.ConstantTimeCompare([]byte(a), []byte(b)) == 1 }

func secretHash(secret string) string {
	sum := sha256.Sum256([]byte(secret))
	return hex.EncodeToString(sum[:])
}

// findLink opens the case that a secret belongs to. The secret begins with
// the number of the case, so that no list of secrets is needed; the case
// keeps only its hash. Whatever is wrong with it, the answer is the same.
func (s *Site) findLink(ctx context.Context, d Desk, secret string) (*link, error) {
	number, _, ok := strings.Cut(secret, ".")
	if !ok || len(secret) > 200 {
		return nil, errLink
	}
	f, err := s.open(ctx, number)
	if errors.Is(err, errNoPage) || errors.Is(err, casework.ErrNotFound) || errors.Is(err, casework.ErrDestroyed) {
		return nil, errLink
	}
	if err != nil {
		return nil, err
	}
	role, ok := f.LinkFor(secretHash(secret), s.cfg.Now())
	if !ok || Desk(role) != d {
		return nil, errLink
	}
	return &link{file: f, desk: d, hash: secretHash(secret)}, nil
}

// newLink makes a link and returns its secret, which is kept nowhere.
func (s *Site) newLink(ctx context.Context, number string, st casework.Stamp, d Desk) (*freshLink, error) {
	random, err := s.secret(32)
	if err != nil {
		return nil, err
	}
	secret := number + "." + random
	expires := s.cfg.Now().Add(linkExpires)
	err = s.update(ctx, number, st, func(f *file) (casework.Change, error) {
		return casework.LinkMade{SHA256: secretHash(secret), Role: casework.Role(d), Expires: expires}, nil
	})
	if err != nil {
		return nil, err
	}
	return &freshLink{Desk: d, Address: "/" + string(d) + "/" + secret, Expires: expires}, nil
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
	if q.TLS != nil {
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
