package web

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"html/template"
	"io/fs"
	"net/http"
	"path"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/worksheet"
	"airwarrant/rules"
	"airwarrant/rules/wording"
	"airwarrant/web/texts"
)

// page is what the base template sees.
type page struct {
	Title    string
	Body     any
	Program  string
	Demo     bool
	Desk     Desk
	Who      string
	Token    string
	ByLink   bool
	SignedIn bool
	Direct   bool   // files go to a place of their own, on a page that follows
	Style    string // address of the style sheet
	Scripts  []string
	Said     string // what the scripts tell, in the language of the page
	// Language is the page's own, Languages those that it can be read in, Here
	// the address to come back to after choosing one.
	Language  *texts.Language
	Languages []*texts.Language
	Here      string
	// Criteria are those of the case, on a page of one case: days are written
	// as in their territory.
	Criteria string
}

// reader is for whom a page is made: in a language, with days as written.
type reader struct {
	language *texts.Language
	days     texts.Days
}

// parsedPages are the templates: they come with the program, and are parsed once.
var parsedPages = sync.OnceValues(parsePages)

// parsePages parses each template together with the base and the parts, once
// for each language and way of writing days: what a template says is fixed when
// it is parsed.
func parsePages() (map[reader]map[string]*template.Template, error) {
	out := make(map[reader]map[string]*template.Template)
	for _, l := range texts.Languages {
		for _, days := range l.DaysWritten() {
			pages, err := parseIn(l, days)
			if err != nil {
				return nil, err
			}
			out[reader{l, days}] = pages
		}
	}
	return out, nil
}

func parseIn(l *texts.Language, days texts.Days) (map[string]*template.Template, error) {
	names, err := fs.Glob(files, "templates/*.html")
	if err != nil {
		return nil, err
	}
	// Parts of pages lie in parts.html, or in a file of their own.
	shared, err := fs.Glob(files, "templates/part*.html")
	if err != nil {
		return nil, err
	}
	shared = append([]string{"templates/base.html"}, shared...)
	out := make(map[string]*template.Template)
	for _, n := range names {
		if slices.Contains(shared, n) {
			continue
		}
		t, err := template.New("base.html").Funcs(functionsIn(l, days)).Option("missingkey=error").ParseFS(files, append(slices.Clone(shared), n)...)
		if err != nil {
			return nil, fmt.Errorf("web: %s: %w", n, err)
		}
		out[strings.TrimSuffix(path.Base(n), ".html")] = t
	}
	return out, nil
}

// functionsIn are what templates call. t says a text in the language of the
// page, or by its parts one of the chain, chain one of the chain without
// places, tf one with places (%s), tn one of two by a number that fills the
// first place (%d), tongue names the language for text of the page inside text
// of criteria. day writes a day or an instant for people: every date of a page
// goes through it, but for what is typed, read by machines, or names a version
// of criteria. desk and role name a desk and whose desk it is.
func functionsIn(l *texts.Language, days texts.Days) template.FuncMap {
	return template.FuncMap{
		"t":      func(v any) string { return sayIn(l, days, v) },
		"chain":  func(key string) string { return sayIn(l, days, wording.Said(key)) },
		"tongue": func() string { return l.Tag },
		"tf":     func(key string, args ...any) string { return l.Format(key, asPrinted(args)...) },
		"tn":     func(n int, one, other string, args ...any) string { return l.Count(n, one, other, asPrinted(args)...) },
		"day":    func(v any) (string, error) { return dayIn(daysIn(days), v) },
		"desk":   func(d Desk) string { return l.Text(d.Words()) },
		"role":   func(r casework.Role) string { return l.Text(roleName(r)) },
		"secret": newSecretField,
	}
}

// sayIn says a text of the pages, or by its parts one of the chain.
func sayIn(l *texts.Language, days texts.Days, v any) string {
	told, ok := v.(wording.Text)
	if !ok {
		return l.Of(v)
	}
	return rules.Language{Tag: l.Tag, Said: l.Said, Day: daysIn(days).Day}.Tell(told)
}

// asPrinted are the arguments of a template's text as the template prints them.
func asPrinted(args []any) []any {
	out := make([]any, len(args))
	for i, a := range args {
		if _, ok := a.(texts.Message); !ok {
			a = fmt.Sprint(a)
		}
		out[i] = a
	}
	return out
}

// secretField is one field for a password; what was typed is never shown again.
type secretField struct{ Name, Words, Fill, Fault string }

func newSecretField(name, words, fill, fault string) secretField {
	return secretField{name, words, fill, fault}
}

// daysIn is English with days as written on a page: for texts of handlers that
// hold days, which the page says in its language.
func daysIn(days texts.Days) rules.Language {
	return rules.Language{Day: func(d rules.Date) string { return days.Day(d.Year, d.Month, d.Day) }}
}

// dayIn writes a day, an instant, a stamp that begins with its day, or who did
// something and when. A text that begins with no day stays as it is.
func dayIn(l rules.Language, v any) (string, error) {
	switch v := v.(type) {
	case rules.Date:
		return l.Date(v), nil
	case time.Time:
		return l.Stamp(moment(v)), nil
	case string:
		return l.Stamp(v), nil
	case *entered:
		return v.By + ", " + l.Stamp(moment(v.At)), nil
	}
	return "", fmt.Errorf("web: the template gives no day to day, but a %T", v)
}

// entered is who did something, and when.
type entered struct {
	By string
	At time.Time
}

// daysOf is daysIn for a visitor's page of a case under criteria, "" for a page
// of none or several.
func (s *Site) daysOf(q *request, criteria string) rules.Language {
	return daysIn(s.readerOf(q, criteria).days)
}

func (s *Site) readerOf(q *request, criteria string) reader {
	territory := ""
	if criteria != "" {
		if r, err := s.lib.Region(criteria); err == nil { // a case whose criteria are gone has its page all the same
			territory = territoryOf(r)
		}
	}
	return reader{q.language, q.language.In(territory).Days}
}

// moment prints an instant in UTC as it is kept and exported.
func moment(t time.Time) string { return t.UTC().Format("2006-01-02 15:04") + " UTC" }

// render runs a template into a buffer and then writes it, so that half a
// page never leaves.
func (s *Site) render(w http.ResponseWriter, q *request, status int, name string, p page) {
	p.Program, p.Demo, p.Desk, p.Who, p.Token = s.cfg.Program, s.cfg.Demo, q.visit.Desk, q.visit.Who, q.token
	p.ByLink, p.SignedIn = q.link != nil && q.link.at == "", q.visit.session != nil
	p.Style, p.Scripts = statics["site.css"].address, []string{statics["trace.js"].address, statics["site.js"].address}
	p.Direct, p.Said = s.direct(), scriptsSaid[q.language]
	p.Language, p.Languages, p.Here = q.language, texts.Languages, q.here()
	if name == "draft" || name == "rehearsal" {
		p.Scripts = append(p.Scripts, statics["draft.js"].address)
	}
	var b bytes.Buffer
	if err := s.pages[s.readerOf(q, p.Criteria)][name].Execute(&b, p); err != nil {
		ref := s.reference()
		s.cfg.Log.ErrorContext(q.Context(), "page could not be made", "reference", ref, "page", name, "kind", kindOf(err))
		w.Header().Set("Content-Type", "text/plain; charset=utf-8")
		w.WriteHeader(http.StatusInternalServerError)
		fmt.Fprintf(w, "The page could not be made. Tell whoever looks after this program the reference number %s.\n", ref)
		return
	}
	body := b.Bytes()
	if status >= 400 {
		body = withFaults(q.language, body)
	}
	send(w, status, "text/html; charset=utf-8", body)
}

// send writes a whole answer. An error here means that the reader left.
func send(w http.ResponseWriter, status int, kind string, body []byte) {
	w.Header().Set("Content-Type", kind)
	w.Header().Set("Content-Length", strconv.Itoa(len(body)))
	w.WriteHeader(status)
	_, _ = w.Write(body)
}

// kindOf names the types of a chain of errors, without their texts.
func kindOf(err error) string {
	var kinds []string
	for ; err != nil; err = errors.Unwrap(err) {
		kinds = append(kinds, fmt.Sprintf("%T", err))
	}
	return strings.Join(kinds, " < ")
}

type staticFile struct {
	address, kind string
	body          []byte
}

// statics are the style sheet and the scripts. Their addresses carry a hash
// of the content, so that a browser never shows new pages in an old style.
var statics = func() map[string]staticFile {
	out := make(map[string]staticFile)
	for name, kind := range map[string]string{"site.css": "text/css; charset=utf-8", "site.js": "text/javascript; charset=utf-8", "trace.js": "text/javascript; charset=utf-8", "draft.js": "text/javascript; charset=utf-8"} {
		body, err := files.ReadFile("static/" + name)
		if err != nil {
			panic("web: embedded file missing: " + name) // a fault of the build, not of any input
		}
		if name == "site.css" {
			body = append([]byte(worksheet.CSS), body...)
		}
		sum := sha256.Sum256(body)
		out[name] = staticFile{"/static/" + name + "?" + hex.EncodeToString(sum[:6]), kind, body}
	}
	return out
}()

func (s *Site) static(w http.ResponseWriter, q *request) error {
	f, ok := statics[q.PathValue("file")]
	if !ok {
		return errNoPage
	}
	w.Header().Set("Cache-Control", "public, max-age=86400")
	send(w, http.StatusOK, f.kind, f.body)
	return nil
}

// seeOther sends the browser to address with a GET, so that a reload repeats
// nothing.
func seeOther(w http.ResponseWriter, address string) {
	w.Header().Set("Location", address)
	w.WriteHeader(http.StatusSeeOther)
}
