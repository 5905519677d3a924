package web

import (
	"io/fs"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/casework/storetest"
	"airwarrant/web/accounts"
)

var hiddenField = regexp.MustCompile(`<input type="hidden" name="([^"]*)" value="([^"]*)"`)

// heldAgain is the form that gives back what was typed, with the token of the page.
func (b *bench) heldAgain(page, action string) url.Values {
	b.t.Helper()
	_, part, ok := strings.Cut(page, "What you typed is not lost")
	if !ok || !strings.Contains(part, `action="`+action+`"`) {
		b.t.Fatalf("what was typed is lost: %s", text(page))
	}
	part, _, _ = strings.Cut(part, "</form>")
	form := url.Values{}
	for _, m := range hiddenField.FindAllStringSubmatch(part, -1) {
		form.Add(m[1], m[2])
	}
	return form
}

// A session that ends in the middle of a long form costs nothing that was typed.
func TestEndedSessionKeepsWhatIsTyped(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	address := b.demoAddress("Cassius Penhallow")
	number := strings.TrimPrefix(address, "/cases/")
	v := b.at(Intake)
	v.page(address)
	typedText := url.Values{"part": {"questions"}, "v.awake_spo2": {"92"}, "d.awake_spo2": {"visit <note>"}, "t.awake_spo2": {"2026-03-14"}, "p.awake_spo2": {"3"}}
	*b.clock = b.clock.Add(accounts.SessionIdles)
	before := b.events(number)
	if w := v.post(address+"/facts", typedText); w.Code != http.StatusForbidden {
		t.Fatalf("after the session: status %d, want 403", w.Code)
	}
	b.wants(v.last, "the session has ended", "What you typed is not lost", "visit <note>", "Which saturation awake", `target="_blank"`)
	b.lacks(v.last, "Cassius Penhallow")
	again := b.heldAgain(v.last, address+"/facts")
	// Signed in again in another window of the same browser: the press on the page
	// that still holds the old token gives a page with the right one.
	v.cookie = b.at(Intake).cookie
	if w := v.post(address+"/facts", again); w.Code != http.StatusForbidden {
		t.Fatalf("an old token: status %d, want 403", w.Code)
	}
	again = b.heldAgain(v.last, address+"/facts")
	if got := b.events(number); got != before {
		t.Errorf("%d events were written before the form was taken", got-before)
	}
	if w := v.post(address+"/facts", again); w.Code != http.StatusSeeOther {
		t.Fatalf("sent again: status %d: %s", w.Code, text(v.last))
	}
	b.wants(v.page(address), "92 %")

	// A form of another desk, and one that somebody else's change has overtaken.
	v.page(address)
	other := b.at(Maintainer)
	other.last = v.last
	other.post(address+"/facts", url.Values{"part": {"questions"}, "v.awake_spo2": {"90"}, "d.awake_spo2": {"another note"}})
	b.wants(other.last, "Not for this desk", "What you typed is not lost", "another note", "Send it again")
	v.page(address)
	v.post(address+"/patient", url.Values{"name": {"Cassia Penhallow"}, "birth": {"1955-01-31"}, "k": {"1"}})
	b.wants(v.last, "Somebody else was faster", "can’t be sent any more", "Cassia Penhallow")
	b.lacks(v.last, "Send it again")
}

// A case that somebody closed meanwhile has no form left to hold what was typed:
// it comes back to be copied, whether it was right or wrong.
func TestClosedCaseKeepsWhatIsTyped(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	address := b.demoAddress("Cassius Penhallow")
	v := b.at(Intake)
	forms := map[string]url.Values{
		"/facts":    {"part": {"questions"}, "v.awake_spo2": {"9o"}, "d.awake_spo2": {"ZQ note"}},
		"/custody":  {"v.test_date": {"ZQ day"}},
		"/withdraw": {"reason": {strings.Repeat("ZQ ", 900)}, "sha256": {"x"}},
		"/same":     {"words": {"ZQ"}},
		"/patient":  {"name": {"ZQ"}, "birth": {"4.5."}},
		"/tests":    {"name": {"ZQ"}, "v.test_date": {"ZQ"}},
		"/report":   {"rows": {"1"}, "v.1": {"ZQ"}},
	}
	pages := map[string]string{}
	for path := range forms {
		page := address
		if path == "/tests" || path == "/report" {
			page += path
		}
		pages[path] = v.page(page)
	}
	v.send(address, address+"/close", url.Values{"reason": {"Done."}})
	for path, form := range forms {
		v.last = pages[path]
		if w := v.post(address+path, form); w.Code != http.StatusConflict || !strings.Contains(v.last, "ZQ") || !strings.Contains(v.last, "stands here to be copied") {
			t.Errorf("%s: status %d, what was typed came back: %v", path, w.Code, strings.Contains(v.last, "ZQ"))
		}
	}
	v.page(address)
	if w := v.post(address+"/reopen", url.Values{"reason": {""}}); w.Code != http.StatusUnprocessableEntity {
		t.Errorf("opened again without a reason: status %d, want 422", w.Code)
	}
}

// The same for the office, whose form is the longest, and for an upload.
func TestEndedLinkKeepsWhatIsTyped(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	address := b.demoAddress("Cassius Penhallow")
	links := b.links(address)
	link := links[Office]
	out := b.guest(link)
	out.page(link)
	*b.clock = b.clock.Add(passExpires)
	if w := out.post(link, quill(located("awake_spo2", "92"))); w.Code != http.StatusForbidden {
		t.Fatalf("after the code has ended: status %d, want 403", w.Code)
	}
	again := b.heldAgain(out.last, link)
	b.wants(out.last, "R. Quill", "visit note", `href="`+link+`"`)
	out.enter(link)
	if w := out.post(link, again); w.Code != http.StatusSeeOther {
		t.Fatalf("sent again: status %d: %s", w.Code, text(out.last))
	}
	b.wants(out.page(link), "R. Quill, RN", "visit note")

	guest := b.guest(links[Tester])
	guest.page(links[Tester])
	*b.clock = b.clock.Add(passExpires)
	w := guest.sendParts(links[Tester]+"/recording", map[string]string{"form": "x", "who": "T. Tester, RRT", "sender": "sent_by_tester"}, "recording", recordings()["night-1.csv"])
	if w.Code != http.StatusForbidden {
		t.Fatalf("an upload after the code has ended: status %d, want 403", w.Code)
	}
	if got := b.heldAgain(guest.last, links[Tester]+"/recording"); got.Get("who") != "T. Tester, RRT" || got.Get("sender") != "sent_by_tester" {
		t.Errorf("of an upload came back %v", got)
	}
	b.wants(guest.last, `type="file"`, "Choose the same file again")

	// A link that was withdrawn meanwhile gives the words back to be copied.
	if err := b.update(t.Context(), strings.TrimPrefix(address, "/cases/"), b.stamp("M. Reyes", casework.RoleIntake), func(f *file) (casework.Change, error) {
		return casework.LinkRevoked{SHA256: secretHash(strings.TrimPrefix(link, "/office/"))}, nil
	}); err != nil {
		t.Fatal(err)
	}
	if w := out.post(link, quill(located("awake_spo2", "91"))); w.Code != http.StatusNotFound {
		t.Fatalf("a withdrawn link: status %d, want 404", w.Code)
	}
	b.wants(out.last, "can’t be sent any more", "visit note")
	b.lacks(out.last, "Send it again")
}

// What did not come from a page of ours is not given back with a token that
// would let it in, and no password is given back at all.
func TestForeignFormIsNotGivenBack(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	address := b.demoAddress("Cassius Penhallow")
	v := b.at(Intake)
	for name, set := range map[string]func(http.Header){
		"another site":        func(h http.Header) { h.Set("Sec-Fetch-Site", "cross-site") },
		"a sister site":       func(h http.Header) { h.Set("Sec-Fetch-Site", "same-site") },
		"nothing said":        func(h http.Header) { h.Del("Sec-Fetch-Site") },
		"an origin elsewhere": func(h http.Header) { h.Del("Sec-Fetch-Site"); h.Set("Origin", "https://elsewhere.example") },
		"no origin to name":   func(h http.Header) { h.Del("Sec-Fetch-Site"); h.Set("Origin", "null") },
	} {
		r := request1("POST", address+"/facts", strings.NewReader("form=x&part=questions&v.awake_spo2=no+other+page+says+so"))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		set(r.Header)
		if w := v.do(r); w.Code != http.StatusForbidden || strings.Contains(v.last, "Send it again") || strings.Contains(v.last, "no other page says so") {
			t.Errorf("%s: status %d, %s", name, w.Code, text(v.last))
		}
	}
	out := b.visitor()
	out.get("/")
	out.post("/sign-in", url.Values{"form": {"x"}, "name": {"M. Reyes"}, "password": {"correct horse battery"}})
	b.lacks(out.last, "correct horse", "Send it again")
	link := b.links(address)[Office]
	out.post(link+"/code", url.Values{"form": {"x"}, "code": {"123456"}})
	b.lacks(out.last, "123456", "Send it again")
}

// heldUnseen names every field that nobody types.
func TestHiddenFieldsAreNotTyped(t *testing.T) {
	names, err := fs.Glob(files, "templates/*.html")
	if err != nil {
		t.Fatal(err)
	}
	field := regexp.MustCompile(`<input type="hidden" name="([a-z-]+)["{.]`)
	found := 0
	for _, n := range names {
		page := string(must(fs.ReadFile(files, n)))
		for _, m := range field.FindAllStringSubmatch(page, -1) {
			found++
			// What the search and the way back carry was typed, or is an address.
			if !slices.Contains(heldUnseen, m[1]) && !slices.Contains([]string{"form", "find", "to"}, m[1]) {
				t.Errorf("%s: the hidden field %q would be shown as something typed", n, m[1])
			}
		}
	}
	if found < 20 {
		t.Errorf("%d hidden fields found in the templates, want more", found)
	}
}

// A form larger than its page takes is not read to be given back.
func TestHeldIsBounded(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	address := b.demoAddress("Cassius Penhallow")
	v := b.visitor()
	v.get("/")
	r := httptest.NewRequest("POST", "http://localhost:8080"+address+"/facts", strings.NewReader("v.awake_spo2="+strings.Repeat("9", formLimit+1)))
	r.Header.Set("Sec-Fetch-Site", "same-origin")
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	if w := v.do(r); w.Code != http.StatusForbidden || len(v.last) > 1<<16 {
		t.Errorf("status %d, %d bytes", w.Code, len(v.last))
	}
}
