package web

import (
	"bytes"
	"context"
	"errors"
	"net/http"
	"sync"
	"time"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/worksheet"
)

// determined opens a case and gives for the visitor what it came to; an error if there is
// nothing to print, which includes a file that may be another person's.
func (s *Site) determined(q *request) (*file, *evaluation, error) {
	return s.determinedBy(q, s.evaluateFor)
}

// determinedPlain is determined as data have it: in English, days as 2024-03-13.
func (s *Site) determinedPlain(q *request) (*file, *evaluation, error) {
	return s.determinedBy(q, func(q *request, f *file) (*evaluation, error) { return s.evaluate(q.Context(), f) })
}

func (s *Site) determinedBy(q *request, evaluate func(*request, *file) (*evaluation, error)) (*file, *evaluation, error) {
	f, err := s.open(q.Context(), q.PathValue("number"))
	if err != nil {
		return nil, nil, err
	}
	ev, err := evaluate(q, f)
	if err != nil {
		return nil, nil, err
	}
	if ev.Result == nil || len(ev.Determinations) == 0 || ev.differs {
		return nil, nil, errNoDetermined
	}
	if f.changedCriteria(ev) != nil {
		// What leaves on paper is in the trail as determined first.
		if err := s.determine(q.Context(), f); err != nil {
			return nil, nil, err
		}
	}
	return f, ev, nil
}

func (s *Site) worksheetPDF(w http.ResponseWriter, q *request) error {
	f, ev, err := s.determined(q)
	if err != nil {
		return err
	}
	var b bytes.Buffer
	if err := s.paper(f, ev, s.today()).WritePDF(&b, worksheet.PDFOptions{Letter: q.URL.Query().Get("paper") == "letter"}); err != nil {
		return err
	}
	s.viewed(q.Context(), f, q.visit.Who, casework.RoleIntake, "worksheet on paper")
	w.Header().Set("Content-Disposition", `inline; filename="`+f.Number+`.pdf"`)
	send(w, http.StatusOK, "application/pdf", b.Bytes())
	return nil
}

func (s *Site) worksheetJSON(w http.ResponseWriter, q *request) error {
	f, ev, err := s.determinedPlain(q)
	if err != nil {
		return err
	}
	var b bytes.Buffer
	if err := ev.WriteJSON(&b); err != nil {
		return err
	}
	s.viewed(q.Context(), f, q.visit.Who, casework.RoleIntake, "worksheet as data")
	w.Header().Set("Content-Disposition", `inline; filename="`+f.Number+`.json"`)
	send(w, http.StatusOK, "application/json", b.Bytes())
	return nil
}

// views remembers which looks were written already, so that a reload does
// not fill the trail.
type views struct {
	mu   sync.Mutex
	seen map[string]time.Time
}

const (
	viewsKept = 4096
	viewAgain = 15 * time.Minute // a look after this is another one (our choice)
)

// fresh reports whether a look is not one of the last minutes.
func (v *views) fresh(key string, now time.Time) bool {
	v.mu.Lock()
	defer v.mu.Unlock()
	if at, ok := v.seen[key]; ok && now.Sub(at) < viewAgain {
		return false
	}
	if v.seen == nil || len(v.seen) >= viewsKept {
		v.seen = make(map[string]time.Time)
	}
	v.seen[key] = now
	return true
}

// forget lets the next look be a fresh one.
func (v *views) forget(key string) {
	v.mu.Lock()
	defer v.mu.Unlock()
	delete(v.seen, key)
}

// viewed writes that somebody looked at a case. That it could not be written
// must not keep a person from the page: it is logged, and the next look is
// written.
func (s *Site) viewed(ctx context.Context, f *file, who string, role casework.Role, what string) {
	key := f.Number + "\x00" + who + "\x00" + string(role) + "\x00" + what
	if !s.views.fresh(key, s.cfg.Now()) {
		return
	}
	_, err := casework.Update(ctx, s.cfg.Store, f.Number, s.stamp(who, role), func(*casework.Case) (casework.Change, error) {
		return casework.Viewed{Page: what}, nil
	})
	if err != nil {
		if !errors.Is(err, casework.ErrHead) { // then it is written, and the list alone is behind
			s.views.forget(key)
		}
		s.cfg.Log.ErrorContext(ctx, "a look could not be written to the trail", "case", f.Number, "kind", kindOf(err))
	}
}
