package web

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"slices"

	"airwarrant/qualify/casework"
)

// withdraw takes a recording out of consideration; its bytes stay. Of another
// person's file the links by which it could be seen are stopped; it can be
// laid on the case to which it belongs, and every case that it touches is
// determined again.
func (s *Site) withdraw(w http.ResponseWriter, q *request) error {
	number, reason, sha := q.PathValue("number"), typed(q.PostForm, "reason"), q.PostForm.Get("sha256")
	f, err := s.open(q.Context(), number)
	if err != nil {
		return err
	}
	refuse := func(at, say string) error {
		return s.showCase(w, q, http.StatusUnprocessableEntity, f, posted{part: "withdraw", at: at, form: q.PostForm, say: say})
	}
	if say := reasonFault("Expected the reason for withdrawing the recording, in words; found none, or more than 2,000 letters. Write it; the trail keeps it.", reason); say != "" {
		return refuse("reason", say)
	}
	foreign := q.PostForm.Get("whose") != "same"
	u := f.upload()
	if u == nil || u.SHA256 != sha {
		return casework.ErrConflict
	}
	// The cases that rest on the same night: one of them is where it belongs.
	touched, err := s.sharing(q.Context(), f)
	if err != nil {
		return err
	}
	st := s.stamp(q.visit.Who, casework.RoleIntake)
	to := ""
	if typed(q.PostForm, "to") != "" {
		if !foreign {
			return refuse("to", "Expected a case to which it belongs only where it is another person's; found one with this patient's own. Clear one.")
		}
		var say string
		if to, say, err = s.layOn(q.Context(), f, u, typed(q.PostForm, "to"), st); err != nil {
			return err
		}
		if say != "" {
			return refuse("to", say)
		}
		if !slices.Contains(touched, to) {
			touched = append(touched, to)
		}
	}
	err = s.update(q.Context(), number, st, func(f *file) (casework.Change, error) {
		if u := f.upload(); u == nil || u.SHA256 != sha {
			return nil, casework.ErrConflict
		}
		ch := casework.UploadWithdrawn{SHA256: sha, To: to}
		if foreign {
			ch.Links = f.OpenLinks(s.cfg.Now())
		}
		var err error
		ch.Reason, err = s.sealText(q.Context(), f.Case, reason)
		return ch, err
	})
	if err != nil {
		return err
	}
	for _, n := range touched {
		other, err := s.open(q.Context(), n)
		if errors.Is(err, casework.ErrDestroyed) {
			continue
		}
		if err != nil {
			return err
		}
		if err := s.determine(q.Context(), other); err != nil {
			return err
		}
	}
	seeOther(w, "/cases/"+number+"#recording")
	return nil
}

// sharing lists the other cases that rest on the night of this one.
func (s *Site) sharing(ctx context.Context, f *file) ([]string, error) {
	ev, err := s.evaluate(ctx, f)
	if err != nil {
		return nil, err
	}
	same, err := s.sameAs(ctx, f, ev)
	return same.Cases, err
}

// layOn lays a recording of one case on another, to which it belongs, read in
// the same way. The second result says why that case does not take it.
func (s *Site) layOn(ctx context.Context, from *file, u *casework.Upload, number string, st casework.Stamp) (to, say string, err error) {
	other, err := s.open(ctx, number)
	switch {
	case errors.Is(err, errNoPage), errors.Is(err, casework.ErrNotFound), errors.Is(err, casework.ErrDestroyed):
		return "", "Expected the number of an open case to which the recording belongs; found none under that number. Correct it, or leave it empty. Nothing was withdrawn.", nil
	case err != nil:
		return "", "", err
	case other.Number == from.Number:
		return "", "Expected the number of another case; found this one. Correct it, or leave it empty. Nothing was withdrawn.", nil
	case !other.ClosedAt.IsZero():
		return "", "Expected an open case; found that it is closed. Open it again first. Nothing was withdrawn.", nil
	}
	if now := other.upload(); now != nil && now.SHA256 != u.SHA256 {
		return "", "The other case has another recording already, so this one was not laid on it. Withdraw that one first, with its reason. Nothing was withdrawn here.", nil
	}
	if err := s.mayTake(other); errors.Is(err, errBarred) {
		return "", "The other case may not take a recording yet: it has to be stated there how the test came to us. Nothing was withdrawn.", nil
	} else if err != nil {
		return "", "", err
	}
	if other.upload() != nil {
		return other.Number, "", nil // it is there already
	}
	name := ""
	if u.Name != "" {
		b, err := from.Reveal(ctx, s.cfg.Store, u.Name)
		if err != nil {
			return "", "", err
		}
		name = string(b)
	}
	changes := []func(*casework.Case) (casework.Change, error){
		func(c *casework.Case) (casework.Change, error) {
			if (&file{Case: c}).upload() != nil {
				return nil, casework.ErrConflict
			}
			ref, err := s.sealText(ctx, c, name)
			return casework.UploadAdded{SHA256: u.SHA256, Size: u.Size, Name: ref}, err
		},
		// Which session it is there, somebody has to say anew.
		func(*casework.Case) (casework.Change, error) {
			return casework.SessionChosen{SHA256: u.SHA256, Reading: u.Reading}, nil
		},
	}
	if len(u.Reading) == 0 {
		changes = changes[:1]
	}
	for _, decide := range changes {
		if _, err := casework.Update(ctx, s.cfg.Store, other.Number, st, decide); err != nil && !errors.Is(err, casework.ErrHead) {
			return "", "", err
		}
	}
	return other.Number, "", nil
}

// goneFile is a recording or a document that was withdrawn, with who saw it.
type goneFile struct {
	Short, Why, By, At, To string
	Links                  int // that were stopped
	Readers                []readerLine
}

// readerLine is one who looked at the case while the file was on it.
type readerLine struct {
	Who, Desk, First, Last string
	Looks                  int
	Pages                  []string
}

// gone lists the recordings and documents that were withdrawn, each with
// everybody who looked at the case from the time it came until it went, as the
// events tell.
func (s *Site) gone(ctx context.Context, f *file) ([]goneFile, error) {
	if !slices.ContainsFunc(f.Uploads, func(u casework.Upload) bool { return u.Withdrawn }) &&
		!slices.ContainsFunc(f.Documents, func(d casework.Document) bool { return d.Withdrawn }) {
		return nil, nil
	}
	events, err := s.cfg.Store.Events(ctx, f.Number, 1)
	if err != nil {
		return nil, err
	}
	var out []goneFile
	came := map[string]int{} // index of the event by which it came
	kinds := map[string]string{}
	went := func(i int, sha string, why casework.Ref, g goneFile) error {
		e := events[i]
		g.By, g.At = e.By, moment(e.At)
		text, err := f.Reveal(ctx, s.cfg.Store, why)
		if err != nil {
			return err
		}
		g.Why = string(text)
		g.Readers, err = readersOf(events[came[sha] : i+1])
		out = append(out, g)
		return err
	}
	for i, e := range events {
		var err error
		switch e.Kind {
		case casework.KindUploadAdded:
			var ch casework.UploadAdded
			ch, err = changeOf[casework.UploadAdded](e)
			came[ch.SHA256] = i
		case casework.KindDocumentAdded:
			var ch casework.DocumentAdded
			ch, err = changeOf[casework.DocumentAdded](e)
			came[ch.SHA256], kinds[ch.SHA256] = i, ch.Is
		case casework.KindUploadWithdrawn:
			var ch casework.UploadWithdrawn
			if ch, err = changeOf[casework.UploadWithdrawn](e); err == nil {
				err = went(i, ch.SHA256, ch.Reason, goneFile{Short: clipHash(ch.SHA256), To: ch.To, Links: len(ch.Links)})
			}
		case casework.KindDocumentWithdrawn:
			var ch casework.DocumentWithdrawn
			if ch, err = changeOf[casework.DocumentWithdrawn](e); err == nil {
				err = went(i, ch.SHA256, ch.Reason, goneFile{Short: kinds[ch.SHA256] + " " + clipHash(ch.SHA256)})
			}
		}
		if err != nil {
			return nil, err
		}
	}
	return out, nil
}

// readersOf tells apart by name and role who looked, or did more than look.
func readersOf(events []casework.Event) ([]readerLine, error) {
	var out []readerLine
	for _, e := range events {
		what := "worked on the case"
		switch e.Kind {
		case casework.KindViewed:
			var ch casework.Viewed
			if err := json.Unmarshal(e.Change, &ch); err != nil {
				return nil, errors.New("a stored look is not readable")
			}
			what = ch.Page
		case casework.KindLinkTried:
			continue // the code was given; what was seen is a look of its own
		}
		if e.Role == casework.RoleSystem {
			continue
		}
		i := slices.IndexFunc(out, func(r readerLine) bool { return r.Who == e.By && r.Desk == roleName(e.Role) })
		if i < 0 {
			out = append(out, readerLine{Who: e.By, Desk: roleName(e.Role), First: moment(e.At)})
			i = len(out) - 1
		}
		r := &out[i]
		r.Last, r.Looks = moment(e.At), r.Looks+1
		if !slices.Contains(r.Pages, what) {
			r.Pages = append(r.Pages, what)
		}
	}
	return out, nil
}

// withdrawForm is what was typed to withdraw a recording and not accepted.
type withdrawForm struct {
	Open, Same bool
	Reason, To string
}
