package web

import (
	"net/http"
	"strings"

	"airwarrant/web/texts"
)

// languageCookie keeps the language that a visitor chose. It tells nothing of
// who that is, and is not signed: any value is one of ours or passed over.
const languageCookie = "airwarrant-language"

// chosenLanguage is the language that the visitor chose at the foot of a page,
// or, before that, what the browser accepts.
func chosenLanguage(r *http.Request) *texts.Language {
	tag := ""
	if c, err := r.Cookie(languageCookie); err == nil {
		tag = c.Value
	}
	return texts.Choose(tag, r.Header.Get("Accept-Language"))
}

// say is a text with its places filled, in the language of the visitor.
func (q *request) say(key string, args ...any) string { return q.language.Format(key, args...) }

func (s *Site) chooseLanguage(w http.ResponseWriter, q *request) error {
	l := texts.Choose(q.PostForm.Get("language"), "")
	http.SetCookie(w, &http.Cookie{Name: languageCookie, Value: l.Tag, Path: "/", MaxAge: 365 * 24 * 3600,
		HttpOnly: true, Secure: secure(q.Request), SameSite: http.SameSiteLaxMode})
	to := safePath(q.PostForm.Get("to"))
	if to == "" {
		to = "/"
	}
	seeOther(w, to)
	return nil
}

// here is the address of the page that q shows, to come back to with a GET:
// of a form that was sent back with its faults, the page that holds the form. A
// question of the address goes with it, so that a list stays filtered and paged;
// it holds no patient, because a name is asked for in the body of a form alone.
// A question that is too long for safePath is left out.
func (q *request) here() string {
	if q.Method == http.MethodGet && q.route.Path != "" {
		if asked := q.URL.Query().Encode(); asked != "" && safePath(q.URL.Path+"?"+asked) != "" {
			return q.URL.Path + "?" + asked
		}
		return q.URL.Path
	}
	return pageOf(q.route.Path, q.URL.Path)
}

// pageOf is the page that holds the form of a route: the longest address of a
// page that begins the path.
func pageOf(route, at string) string {
	pages := map[string]bool{}
	for _, rt := range Routes() {
		if rt.Method == http.MethodGet {
			pages[rt.Path] = true
		}
	}
	pattern, path := strings.Split(route, "/"), strings.Split(at, "/")
	for n := min(len(pattern), len(path)); n > 1; n-- {
		if pages[strings.Join(pattern[:n], "/")] {
			return strings.Join(path[:n], "/")
		}
	}
	return "/"
}
