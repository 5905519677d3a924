package web

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"net/http"
	"slices"
	"strings"
	"time"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/criteria"
	"airwarrant/rules"
)

// One office with many patients has an account, and its cases stand on a list
// of the day behind one sign-in. What opens a case to it is a link in the case
// that names the office instead of holding a secret; a note per link finds the
// cases, and says nothing that the case does not.

// dayKind is the kind of the notes of an office: the list of its cases.
func dayKind(office string) string {
	sum := sha256.Sum256([]byte(strings.ToLower(strings.Join(strings.Fields(office), " "))))
	return "day/" + hex.EncodeToString(sum[:16])
}

// sameOffice compares the names of two offices as dayKind does.
func sameOffice(a, b string) bool { return dayKind(a) == dayKind(b) }

// offices are the offices that have an account, by name.
func (s *Site) offices(ctx context.Context) ([]string, error) {
	all, err := s.accounts.Accounts(ctx)
	if err != nil {
		return nil, err
	}
	var out []string
	for _, a := range all {
		if a.Office != "" && !a.Disabled && !slices.ContainsFunc(out, func(o string) bool { return sameOffice(o, a.Office) }) {
			out = append(out, a.Office)
		}
	}
	slices.Sort(out)
	return out, nil
}

// putOnDay lets an office with an account at a case.
func (s *Site) putOnDay(ctx context.Context, number string, st casework.Stamp, office string) error {
	if f, err := s.open(ctx, number); err != nil {
		return err
	} else if _, ok := f.onDay(office, s.cfg.Now()); ok {
		return nil // pressed twice
	}
	secret, err := s.secret(32) // of which nobody ever hears
	if err != nil {
		return err
	}
	hash, expires := secretHash(secret), s.cfg.Now().Add(linkExpires)
	note, err := json.Marshal(linkNote{number, expires})
	if err != nil {
		return err
	}
	// Written first: a note without its link opens nothing.
	if err := s.cfg.Store.PutNote(ctx, dayKind(office), hash, note); err != nil {
		return err
	}
	return s.update(ctx, number, st, func(f *file) (casework.Change, error) {
		if _, ok := f.onDay(office, s.cfg.Now()); ok {
			return nil, nil
		}
		return casework.LinkMade{SHA256: hash, Role: casework.RoleOffice, Expires: expires, Office: office}, nil
	})
}

// onDay returns the link by which an office's account opens the case.
func (f *file) onDay(office string, at time.Time) (casework.Link, bool) {
	for _, l := range f.Links {
		if l.Office != "" && sameOffice(l.Office, office) && l.Opens(at) {
			return l, true
		}
	}
	return casework.Link{}, false
}

// makeDay puts a case on the list of an office.
func (s *Site) makeDay(w http.ResponseWriter, q *request) error {
	number, office := q.PathValue("number"), typed(q.PostForm, "office")
	known, err := s.offices(q.Context())
	if err != nil {
		return err
	}
	if !slices.Contains(known, office) {
		return errUnreadableForm // the form lists those that there are
	}
	if err := s.putOnDay(q.Context(), number, s.stampOf(q), office); err != nil {
		return err
	}
	seeOther(w, "/cases/"+number+"#links")
	return nil
}

// admitDay opens a case of the list for the office of the account. A case that
// is not on it is not there at all.
func (s *Site) admitDay(q *request) error {
	f, err := s.open(q.Context(), q.PathValue("number"))
	if errors.Is(err, casework.ErrDestroyed) {
		return errNoPage
	}
	if err != nil {
		return err
	}
	l, ok := f.onDay(q.visit.session.Account.Office, s.cfg.Now())
	if !ok {
		return errNoPage
	}
	q.link = &link{file: f, desk: Office, hash: l.SHA256, at: "/day/" + f.Number, who: q.visit.Who}
	return nil
}

// dayPage is the list of an office.
type dayPage struct {
	Office string
	Lines  []dayLine
	Next   string
}

type dayLine struct {
	Number, Name, Birth, Until, State string
	Open                              bool // something is asked
}

const daySize = 50 // lines of a page

func (s *Site) dayList(w http.ResponseWriter, q *request) error {
	ctx, now := q.Context(), s.cfg.Now()
	b := dayPage{Office: q.visit.session.Account.Office}
	kind := dayKind(b.Office)
	notes, next, err := s.cfg.Store.Notes(ctx, kind, q.URL.Query().Get("after"), daySize)
	if errors.Is(err, casework.ErrToken) { // of another list, or cut off
		notes, next, err = s.cfg.Store.Notes(ctx, kind, "", daySize)
	}
	if err != nil {
		return err
	}
	b.Next = next
	for _, n := range notes {
		var note linkNote
		if json.Unmarshal(n.Data, &note) != nil {
			return errors.New("a stored note of a list is not readable")
		}
		if !now.Before(note.Expires) {
			if err := s.cfg.Store.DeleteNote(ctx, kind, n.Key); err != nil {
				return err
			}
			continue
		}
		f, err := s.open(ctx, note.Case)
		if errors.Is(err, casework.ErrDestroyed) || errors.Is(err, casework.ErrNotFound) {
			continue
		}
		if err != nil {
			return err
		}
		if l, ok := f.LinkAt(n.Key, now); !ok || l.Office == "" || !f.ClosedAt.IsZero() {
			continue
		}
		line := dayLine{Number: f.Number, Name: f.Patient.Name, Birth: f.Patient.Birth.String(), Until: note.Expires.UTC().Format("2006-01-02")}
		ev, err := s.evaluate(ctx, f)
		if err != nil {
			return err
		}
		asked, told := f.askable(ev)
		switch {
		case len(asked) > 0:
			line.State, line.Open = "questions open", true
		case len(told) > 0:
			line.State = "answered"
		default:
			line.State = "nothing is asked now"
		}
		b.Lines = append(b.Lines, line)
	}
	slices.SortStableFunc(b.Lines, func(x, y dayLine) int {
		if x.Open != y.Open {
			if x.Open {
				return -1
			}
			return 1
		}
		return strings.Compare(x.Until, y.Until)
	})
	s.render(w, q, http.StatusOK, "day", page{Title: "Cases of " + b.Office, Body: b})
	return nil
}

// demoOffice is the office of the demonstration that has an account.
const demoOffice = "Harrow Vale Family Practice (invented)"

// fillDemoDay puts the cases of the demonstration that an office can decide on
// the list of its office, unless some stand there.
func (s *Site) fillDemoDay(ctx context.Context) error {
	notes, _, err := s.cfg.Store.Notes(ctx, dayKind(demoOffice), "", 1)
	if err != nil || len(notes) > 0 {
		return err
	}
	for h, err := range casework.All(ctx, s.cfg.Store.Heads) {
		if err != nil {
			return err
		}
		if !h.ClosedAt.IsZero() {
			continue
		}
		f, err := s.open(ctx, h.Case)
		if err != nil {
			return err
		}
		ev, err := s.evaluate(ctx, f)
		if err != nil {
			return err
		}
		if ev.Result == nil || ev.differs || !slices.ContainsFunc(ev.Determinations[0].Needs, func(n criteria.Need) bool { return n.Who == rules.Office }) {
			continue
		}
		if err := s.putOnDay(ctx, f.Number, s.stamp("demo intake", casework.RoleIntake), demoOffice); err != nil {
			return err
		}
	}
	return nil
}
