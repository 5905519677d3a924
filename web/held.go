package web

import (
	"errors"
	"io"
	"maps"
	"mime"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"unicode"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/editions"
	"airwarrant/rules"
)

// A form that comes after its session, its desk or the code of its link has
// ended is not taken, and what was typed is not lost: the answer gives back what
// the form itself brought, to be sent again by a press once the desk or the link
// is open. Nothing of it is kept here, and it goes to a browser alone that says
// that it sent a form of ours.

// heldForm is a form that was not taken.
type heldForm struct {
	Action string
	Fields []heldField
	Lines  []heldLine // what was typed, for people
	// Again says that it can be sent again; else it is there to be copied.
	Again bool
	// Where is opened in another window first, "" if nothing has to be.
	Where string
	// File says that the form has parts, Choose that its file has to be chosen again.
	File, Choose bool
}

type heldField struct{ Name, Value string }

// heldLine is what was typed to one question, "" if that has no name.
type heldLine struct{ Of, Value string }

// heldUnseen are fields that nobody types: hidden ones, and those of buttons.
var heldUnseen = []string{"after", "again", "back", "clause", "do", "doc", "draft", "entry", "fact", "height", "k", "link", "mapped", "n", "once", "page",
	"part", "rehearsal", "rev", "rows", "s", "session", "sha256", "was", "was-due", "was-owner", "which", "width"}

// held is the form that err kept from being taken, nil if there is none to give back.
func (s *Site) held(w http.ResponseWriter, q *request, rt Route, err error) *heldForm {
	if rt.Method != http.MethodPost || len(rt.Desks) == 0 || rt.Code || !saysOurs(q.Request) {
		return nil // a form with a password has no desk
	}
	h := &heldForm{Action: q.URL.Path, File: rt.Streams}
	switch {
	case errors.Is(err, errCode):
		h.Again, h.Where = true, q.link.address()
	case errors.Is(err, errForm):
		h.Again = true
	case errors.Is(err, errNoDesk), errors.Is(err, errDesk):
		h.Again, h.Where = true, "/"
	case errors.Is(err, errLink), errors.Is(err, casework.ErrConflict), errors.Is(err, casework.ErrRefused), errors.Is(err, editions.ErrStale):
	default:
		return nil
	}
	form := q.PostForm
	if rt.Streams {
		form = q.before(w)
		h.Choose = !s.direct()
	} else if form == nil && q.ContentLength <= rt.Body {
		q.Body = http.MaxBytesReader(w, q.Body, rt.Body)
		if q.ParseForm() == nil {
			form = q.PostForm
		}
	}
	for _, name := range slices.Sorted(maps.Keys(form)) {
		if name == "form" || name == "step" {
			continue // of the page that it stood on
		}
		for _, v := range form[name] {
			h.Fields = append(h.Fields, heldField{name, v})
			kind, fact, _ := strings.Cut(name, ".")
			if slices.Contains(heldUnseen, kind) || !strings.ContainsFunc(v, func(r rune) bool { return !unicode.IsSpace(r) }) {
				continue
			}
			of := ""
			if def, ok := rules.Lookup(fact); ok && !errors.Is(err, errCode) { // without the code no question is told
				of = def.Question
			}
			if i := slices.IndexFunc(h.Lines, func(l heldLine) bool { return l.Of == of }); i >= 0 && of != "" {
				h.Lines[i].Value += " · " + v // a value and its place
				continue
			}
			h.Lines = append(h.Lines, heldLine{of, v})
		}
	}
	if len(h.Lines) == 0 {
		return nil
	}
	return h
}

// before reads the fields of an upload form that stand before its file; of the
// file no byte is read.
func (q *request) before(w http.ResponseWriter) url.Values {
	if q.came != nil {
		return q.came
	}
	kind, _, err := mime.ParseMediaType(q.Header.Get("Content-Type"))
	if err != nil || kind != "multipart/form-data" {
		return nil
	}
	q.Body = http.MaxBytesReader(w, q.Body, formLimit)
	mr, err := q.MultipartReader()
	if err != nil {
		return nil
	}
	form := url.Values{}
	for range partsLimit {
		part, err := mr.NextPart()
		if err != nil || part.FileName() != "" {
			break
		}
		b, err := io.ReadAll(io.LimitReader(part, wordsLimit))
		if err != nil {
			break
		}
		form.Add(part.FormName(), string(b))
	}
	return form
}

// saysOurs reports whether the browser says that a page of ours sent the form.
// That it says nothing is not enough here, unlike for sameOrigin.
func saysOurs(r *http.Request) bool {
	if r.Header.Get("Sec-Fetch-Site") == "same-origin" {
		return true
	}
	u, err := url.Parse(r.Header.Get("Origin"))
	return r.Header.Get("Sec-Fetch-Site") == "" && err == nil && u.Host != "" && u.Host == r.Host
}
