package web

import (
	"log/slog"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"airwarrant/qualify"
	"airwarrant/qualify/casework"
	"airwarrant/qualify/casework/storetest"
	"airwarrant/rules"
	"airwarrant/web/accounts"
)

var firstPassword = regexp.MustCompile(`id="first-password">([^<]*)<`)

const word = "gravel lantern otter seven"

// An administrator makes an account; its owner signs in, has to change the
// password, chooses among two desks, and signs out everywhere.
func TestAccountFromFirstPasswordToSignOut(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	chief := b.at(Administrator)
	chief.page("/accounts")
	if r := chief.post("/accounts", url.Values{"name": {"O. Lund"}, "role": {"intake", "maintainer"}}); r.Code != http.StatusOK {
		t.Fatalf("making an account: status %d: %s", r.Code, text(chief.last))
	}
	first := first(firstPassword, chief.last)
	b.wants(chief.last, "shown this once", "O. Lund", "intake, rule maintainer")
	b.lacks(chief.page("/accounts"), first)

	v := b.visitor()
	v.page("/")
	form := v.token()
	if r := v.post("/sign-in", url.Values{"name": {"o. lund"}, "password": {first}, "to": {"/cases?after=x"}}); r.Code != http.StatusSeeOther || r.Header().Get("Location") != "/cases?after=x" {
		t.Fatalf("signing in: status %d to %q: %s", r.Code, r.Header().Get("Location"), text(v.last))
	}
	for _, path := range []string{"/", "/cases", "/rules", "/accounts"} {
		if r := v.get(path); r.Code != http.StatusSeeOther || r.Header().Get("Location") != "/password" {
			t.Errorf("GET %s with a first password: status %d to %q, want 303 to /password", path, r.Code, r.Header().Get("Location"))
		}
	}
	b.wants(v.page("/password"), "given to you by somebody else")
	if r := v.post("/cases/new", url.Values{"payer": {medicare}, "name": {"Ada Merrin"}}); r.Code != http.StatusSeeOther || r.Header().Get("Location") != "/password" {
		t.Errorf("a change with a first password: status %d", r.Code)
	}
	v.page("/password")
	if r := v.post("/password", url.Values{"old": {first}, "new": {"short"}, "again": {"short"}}); r.Code != http.StatusUnprocessableEntity {
		t.Errorf("a short password: status %d", r.Code)
	}
	b.wants(v.last, `id="new-e"`, "Expected 15 to")
	b.lacks(v.last, first)
	before := v.cookie.Value
	if r := v.post("/password", url.Values{"old": {first}, "new": {word}, "again": {word}}); r.Code != http.StatusSeeOther {
		t.Fatalf("changing the password: status %d: %s", r.Code, text(v.last))
	}
	if v.cookie.Value == before {
		t.Error("the session outlives the change of the password")
	}

	// Two roles, none taken yet.
	if r := v.get("/cases"); r.Code != http.StatusForbidden {
		t.Errorf("cases at no desk: status %d, want 403", r.Code)
	}
	b.wants(v.last, "Choose the one that you want to act at")
	b.wants(v.page("/"), "Your desks", "Change the password", "Sign out everywhere")
	if r := v.post("/desk", url.Values{"desk": {"administrator"}}); r.Code != http.StatusBadRequest {
		t.Errorf("a desk that the account lacks: status %d, want 400", r.Code)
	}
	v.page("/")
	maintaining := v.token()
	if r := v.post("/desk", url.Values{"desk": {"maintainer"}}); r.Header().Get("Location") != "/rules" {
		t.Fatalf("taking a desk: status %d to %q", r.Code, r.Header().Get("Location"))
	}
	b.wants(v.page("/rules"), "Desk: rule maintainer, O. Lund")
	if r := v.get("/cases/new"); r.Code != http.StatusForbidden {
		t.Errorf("a case opened by a maintainer: status %d, want 403", r.Code)
	}
	v.page("/")
	v.post("/desk", url.Values{"desk": {"intake"}})
	for _, old := range []string{form, maintaining} {
		if r := v.post("/cases/new", url.Values{"form": {old}, "payer": {medicare}, "name": {"Ada Merrin"}, "birth": {"1951-05-04"}}); r.Code != http.StatusForbidden {
			t.Errorf("a form of before the desk was taken: status %d, want 403", r.Code)
		}
	}
	address := v.open(medicare, merrin)
	b.wants(v.page(address+"/trail"), "O. Lund")
	b.wants(v.page(address), "Desk: intake, O. Lund")

	// Another browser; then out everywhere.
	other := b.visitor()
	other.page("/")
	other.post("/sign-in", url.Values{"name": {"O. Lund"}, "password": {word}})
	other.page("/")
	if r := v.post("/sign-out-everywhere", url.Values{}); r.Code != http.StatusSeeOther {
		t.Fatalf("signing out everywhere: status %d", r.Code)
	}
	for _, one := range []*visitor{v, other} {
		if r := one.get("/cases"); r.Code != http.StatusForbidden {
			t.Errorf("after signing out everywhere: status %d, want 403", r.Code)
		}
		b.wants(one.last, `type="password"`)
	}
	b.lacks(b.log.String(), first, word, "O. Lund")
	b.wants(chief.page("/accounts/sign-ins"), "signed in, from 192.0.2.1", "O. Lund", "acts at another desk")
}

func TestSignInIsRefused(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.visitor()
	v.page("/")
	try := func() int {
		return v.post("/sign-in", url.Values{"name": {"N. Nobody"}, "password": {word}, "to": {"/cases"}}).Code
	}
	for range 5 {
		if code := try(); code != http.StatusUnprocessableEntity {
			t.Fatalf("an unknown name: status %d, want 422", code)
		}
		b.wants(v.last, "Name and password do not fit together", `value="N. Nobody"`, `name="to" value="/cases"`)
		b.lacks(v.last, word)
	}
	r := v.post("/sign-in", url.Values{"name": {"N. Nobody"}, "password": {word}})
	if r.Code != http.StatusTooManyRequests || r.Header().Get("Retry-After") != "31" {
		t.Errorf("the sixth try: status %d, Retry-After %q; want 429 and 31", r.Code, r.Header().Get("Retry-After"))
	}
	b.wants(v.last, "The next one is taken after 09:00:30 UTC")
	b.lacks(b.log.String(), "Nobody", word)
}

// After signing in a browser goes to a page of this site and to no other.
func TestSafePath(t *testing.T) {
	for to, want := range map[string]string{
		"/cases": "/cases", "/cases?after=x#y": "/cases?after=x#y", "": "", "cases": "", "//pages.example/": "", "/\\pages.example": "", "https://pages.example/": "", "/a\r\nb": "",
		"/" + strings.Repeat("a", 500): "",
		"/\t/evil.example":             "", // the URL Standard, 4.4: tab and newline are removed
		"/ /evil.example":              "",
		"/\x00/evil.example":           "",
	} {
		if got := safePath(to); got != want {
			t.Errorf("%q is %q, want %q", to, got, want)
		}
	}
}

func TestAccountsPage(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	chief := b.at(Administrator)
	chief.page("/accounts")
	for _, tt := range []struct {
		form url.Values
		want []string
	}{
		{url.Values{"name": {""}, "role": {"intake"}}, []string{`id="name-e"`, `value="intake" checked`}},
		{url.Values{"name": {"O. Lund"}}, []string{`id="roles-e"`, `value="O. Lund"`}},
		{url.Values{"name": {"O. Lund"}, "role": {"office"}}, []string{`id="office-e"`, `value="office" checked`}},
		{url.Values{"name": {"O. Lund"}, "role": {"office", "intake"}, "office": {"Harbour Road Practice"}}, []string{`id="roles-e"`, `value="Harbour Road Practice"`}},
		{url.Values{"name": {"O. Lund"}, "role": {"tester"}}, []string{`id="roles-e"`}},
	} {
		if r := chief.post("/accounts", tt.form); r.Code != http.StatusUnprocessableEntity {
			t.Errorf("%v: status %d, want 422", tt.form, r.Code)
		}
		b.wants(chief.last, tt.want...)
	}
	chief.post("/accounts", url.Values{"name": {"O. Lund"}, "role": {"office"}, "office": {"Harbour Road Practice"}})
	b.wants(chief.page("/accounts"), "Harbour Road Practice", "first password, given 1 Jun 2026")
	chief.post("/accounts", url.Values{"name": {"O.  LUND"}, "role": {"intake"}})
	b.wants(chief.last, "found one that is taken")

	a, err := b.accounts.Named(t.Context(), "O. Lund")
	if err != nil {
		t.Fatal(err)
	}
	address := "/accounts/" + a.ID
	n := regexp.MustCompile(`name="n" value="([^"]*)"`)
	page := chief.page(address)
	b.wants(page, "account made for O. Lund: physician's office at Harbour Road Practice", "first password given")
	do := func(form url.Values, want int) string {
		t.Helper()
		if !form.Has("n") {
			form.Set("n", first(n, chief.page(address)))
		}
		if r := chief.post(address, form); r.Code != want {
			t.Errorf("%v: status %d, want %d: %s", form, r.Code, want, text(chief.last))
		}
		return chief.last
	}
	do(url.Values{"do": {"roles"}, "role": {"intake"}}, http.StatusSeeOther)
	b.wants(chief.page(address), "roles given: intake")
	do(url.Values{"do": {"roles"}, "role": {"intake"}, "office": {"Harbour Road Practice"}}, http.StatusUnprocessableEntity)
	old := first(n, page)
	do(url.Values{"do": {"reset"}, "n": {old}}, http.StatusConflict) // a press on an old page
	if again := first(firstPassword, do(url.Values{"do": {"reset"}}, http.StatusOK)); len(again) != 23 {
		t.Errorf("new first password %q", again)
	}
	do(url.Values{"do": {"disable"}}, http.StatusSeeOther)
	b.wants(chief.page("/accounts"), "disabled")
	do(url.Values{"do": {"enable"}}, http.StatusSeeOther)
	do(url.Values{"do": {"out"}}, http.StatusSeeOther)
	b.wants(chief.page(address), "signed out everywhere", "account enabled again", "account disabled, all sessions ended")
	do(url.Values{"do": {"burn"}}, http.StatusBadRequest)

	// The last administrator stays; one of a provider has no password here.
	all, err := b.accounts.Accounts(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range all {
		if p.Has(casework.RoleAdministrator) {
			address = "/accounts/" + p.ID
		}
	}
	do(url.Values{"do": {"disable"}}, http.StatusConflict)
	b.wants(chief.last, "the only account that can make accounts")
	do(url.Values{"do": {"reset"}}, http.StatusBadRequest)
	b.lacks(chief.page(address), `value="reset"`)
	if r := chief.get("/password"); r.Code != http.StatusNotFound {
		t.Errorf("the password of an account without one: status %d, want 404", r.Code)
	}
	if r := chief.get("/accounts/0123456789abcdef"); r.Code != http.StatusNotFound {
		t.Errorf("no such account: status %d, want 404", r.Code)
	}
}

func TestSignInsArePaged(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	chief := b.at(Administrator)
	for range signInsSize {
		if _, err := casework.Record(t.Context(), b.store, accounts.SignIns, b.stamp("nobody", casework.RoleSystem), "sign_in_refused", struct{}{}); err != nil {
			t.Fatal(err)
		}
	}
	page := chief.page("/accounts/sign-ins")
	if got := strings.Count(page, "sign-in refused"); got != signInsSize {
		t.Errorf("%d lines, want %d", got, signInsSize)
	}
	older := first(regexp.MustCompile(`href="(/accounts/sign-ins\?before=\d+)"`), page)
	b.wants(chief.page(older), "signed in")
	b.lacks(chief.last, "sign-in refused", "Older ones")
	for _, before := range []string{"1", "x", "99999"} {
		if r := chief.get("/accounts/sign-ins?before=" + before); r.Code != http.StatusNotFound {
			t.Errorf("before %s: status %d, want 404", before, r.Code)
		}
	}
}

// A click opens nothing but a demonstration.
func TestDemoOpensNoOtherStore(t *testing.T) {
	demo := func(store casework.Store, hosts ...string) error {
		lib, err := rules.Embedded()
		if err != nil {
			t.Fatal(err)
		}
		_, err = New(Config{Store: store, Library: lib, Now: func() time.Time { return time.Date(2026, 6, 1, 9, 0, 0, 0, time.UTC) }, Random: rand.NewChaCha8([32]byte{2}),
			Program: qualify.Program, Demo: true, Hosts: hosts, Log: slog.New(slog.DiscardHandler)})
		return err
	}
	cases := newBench(t, &storetest.Memory{}, false)
	cases.at(Intake).open(medicare, merrin)
	people := newBench(t, &storetest.Memory{}, false)
	people.at(Intake)
	for name, b := range map[string]*bench{"cases": cases, "accounts": people} {
		if err := demo(b.store); err == nil || !strings.Contains(err.Error(), "a folder of its own") {
			t.Errorf("a demonstration of a store with %s: %v", name, err)
		}
	}
	if err := demo(&storetest.Memory{}, "pages.example"); err == nil {
		t.Error("a demonstration under another name than loopback's")
	}

	// And what a click opened opens nothing once the store is served in earnest.
	store := &storetest.Memory{}
	b := newBench(t, store, true)
	v := b.at(Intake)
	v.page("/cases")
	v.b = newBench(t, store, false)
	if r := v.get("/cases"); r.Code != http.StatusForbidden {
		t.Errorf("the session of a demonstration: status %d, want 403", r.Code)
	}
	v.page("/")
	if r := v.post("/desk", url.Values{"desk": {"intake"}}); r.Code != http.StatusForbidden {
		t.Errorf("a click outside a demonstration: status %d, want 403", r.Code)
	}
}

// A session outlasts a start of the program, and so does an open form.
func TestSessionOutlastsAStart(t *testing.T) {
	store := &storetest.Memory{}
	b := newBench(t, store, false)
	v := b.at(Intake)
	v.page("/cases/new")
	v.b = newBench(t, store, false)
	if r := v.post("/cases/new", url.Values{"payer": {medicare}, "name": {"Ada Merrin"}, "birth": {"1951-05-04"}}); r.Code != http.StatusSeeOther {
		t.Errorf("a form of before the start: status %d, want 303", r.Code)
	}
}

// Under a name of its own the site is served over TLS by a proxy: the cookie
// goes over nothing else, and the proxy's word on the address counts if it
// stands on this machine.
func TestServedUnderAName(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	b.cfg.Hosts = []string{"oxygen.example"}
	get := func(host string) *httptest.ResponseRecorder {
		r := request1("GET", "/", nil)
		r.Host = host
		w := httptest.NewRecorder()
		b.h.ServeHTTP(w, r)
		return w
	}
	for host, want := range map[string]int{"oxygen.example": 200, "OXYGEN.example:443": 200, "localhost:8080": 200, "other.example": 421, "oxygen.example.evil": 421} {
		if w := get(host); w.Code != want {
			t.Errorf("%s: status %d, want %d", host, w.Code, want)
		}
	}
	for host, want := range map[string]bool{"oxygen.example": true, "localhost:8080": false} {
		w := get(host)
		if c := w.Result().Cookies()[0]; c.Secure != want || !c.HttpOnly || c.SameSite != http.SameSiteLaxMode {
			t.Errorf("%s: cookie %+v", host, c)
		}
		if got := w.Header().Get("Strict-Transport-Security") != ""; got != want {
			t.Errorf("%s: HSTS %v, want %v", host, got, want)
		}
	}
	for _, tt := range []struct{ remote, forwarded, want string }{
		{"127.0.0.1:5000", "198.51.100.9, 203.0.113.4", "203.0.113.4"},
		{"[::1]:5000", "203.0.113.4", "203.0.113.4"},
		{"127.0.0.1:5000", "nonsense", "127.0.0.1"},
		{"127.0.0.1:5000", "", "127.0.0.1"},
		{"192.0.2.8:5000", "203.0.113.4", "192.0.2.8"}, // anybody may write the line
	} {
		r := request1("GET", "/", nil)
		r.RemoteAddr = tt.remote
		r.Header.Set("X-Forwarded-For", tt.forwarded)
		if got := b.addressOf(r); got != tt.want {
			t.Errorf("from %s, forwarded for %q: %q, want %q", tt.remote, tt.forwarded, got, tt.want)
		}
	}
	b.cfg.Hosts = nil
	r := request1("GET", "/", nil)
	r.RemoteAddr = "127.0.0.1:5000"
	r.Header.Set("X-Forwarded-For", "203.0.113.4")
	if got := b.addressOf(r); got != "127.0.0.1" {
		t.Errorf("without a proxy the address is %q", got)
	}
}
