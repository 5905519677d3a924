package web

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"airwarrant/qualify"
	"airwarrant/qualify/casework"
	"airwarrant/qualify/casework/storetest"
	"airwarrant/qualify/editions"
	"airwarrant/qualify/recording"
	"airwarrant/rules"
	"airwarrant/web/accounts"
)

// links makes a link for each desk that is reached by one.
func (b *bench) links(address string) map[Desk]string {
	b.t.Helper()
	out := map[Desk]string{}
	for _, d := range []Desk{Office, Tester} {
		fresh, err := b.newLink(b.t.Context(), strings.TrimPrefix(address, "/cases/"), b.stamp("M. Reyes", casework.RoleIntake), d)
		if err != nil {
			b.t.Fatal(err)
		}
		out[d] = fresh.Address
		b.codes[fresh.Address] = fresh.Code
	}
	return out
}

// seenBy is the page that a desk sees of a case by its link.
func (b *bench) seenBy(d Desk, address string) string {
	b.t.Helper()
	link := b.links(address)[d]
	return b.guest(link).page(link)
}

// guest is a browser in which the code of a link was given.
func (b *bench) guest(links ...string) *visitor {
	b.t.Helper()
	v := b.visitor()
	for _, l := range links {
		v.enter(l)
	}
	return v
}

func (v *visitor) enter(link string) {
	v.b.t.Helper()
	v.page(link)
	if w := v.post(link+"/code", url.Values{"code": {v.b.codes[link]}}); w.Code != http.StatusSeeOther {
		v.b.t.Fatalf("the code of a link: status %d: %s", w.Code, text(v.last))
	}
}

// Every route answers the desks that it states and refuses every other, with
// a page and without doing anything.
func TestEveryRouteRefusesOtherDesks(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	address := b.demoAddress("Cassius Penhallow")
	number := strings.TrimPrefix(address, "/cases/")
	links := b.links(address)
	document := b.addFax(b.at(Intake), address)
	b.at(Administrator)
	if err := b.putOnDay(t.Context(), number, b.stamp("M. Reyes", casework.RoleIntake), "Harbour Road Practice"); err != nil {
		t.Fatal(err)
	}
	account := must(b.accounts.Accounts(t.Context()))[0].ID
	draft, err := b.book.NewDraft(t.Context(), editions.Person{Account: "one", Name: "One", Role: casework.RoleMaintainer}, editions.Beginning{Region: "us-medicare", From: must(b.lib.At("us-medicare", rules.Date{Year: 2023, Month: 4, Day: 1})).SHA256})
	if err != nil {
		t.Fatal(err)
	}
	change, err := b.book.ProposeWithdrawal(t.Context(), editions.Person{Account: "one", Name: "One", Role: casework.RoleMaintainer}, draft.From, "for this test")
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range []Desk{NoDesk, Intake, Office, Maintainer, Administrator} {
		v := b.at(d)
		for _, l := range links {
			if d == NoDesk || strings.HasPrefix(l, "/"+string(d)+"/") {
				v.enter(l)
			}
		}
		token := v.formToken()
		for _, rt := range Routes() {
			if len(rt.Desks) == 0 {
				continue
			}
			path := strings.NewReplacer("{number}", number, "{region}", "us-medicare", "{version}", "2023-04-01", "{document}", document, "{page}", "2", "{account}", account, "{batch}", "1", "{draft}", draft.ID, "{change}", fmt.Sprint(change.Number)).Replace(rt.Path)
			if rt.Link {
				path = strings.Replace(rt.Path, "/"+string(rt.Desks[0])+"/{secret}", links[rt.Desks[0]], 1)
			}
			before := b.events(number)
			var code int
			if rt.Method == "GET" {
				code = v.get(path).Code
			} else {
				code = v.post(path, url.Values{"form": {token}}).Code
			}
			admitted := slices.Contains(rt.Desks, d) || rt.Link && d == NoDesk
			if refused := code == http.StatusForbidden; refused == admitted {
				t.Errorf("%s %s at %q: status %d, admitted should be %v", rt.Method, rt.Path, d, code, admitted)
			}
			if !admitted {
				b.lacks(v.last, "Cassius Penhallow")
				if got := b.events(number); got != before {
					t.Errorf("%s %s at %q was refused and still wrote %d events", rt.Method, rt.Path, d, got-before)
				}
			}
		}
	}
}

func (b *bench) events(number string) int {
	b.t.Helper()
	e, err := b.store.Events(b.t.Context(), number, 1)
	if err != nil {
		b.t.Fatal(err)
	}
	return len(e)
}

// formToken is the form token of the visit, from whatever page has one.
func (v *visitor) formToken() string {
	v.get("/")
	return v.token()
}

// unread fails the test when anybody reads it.
type unread struct{ t *testing.T }

func (u unread) Read([]byte) (int, error) {
	u.t.Error("a byte of the upload was read")
	return 0, io.EOF
}

func TestBarredUploadIsNotRead(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := v.open(medicare, merrin)
	try := func(what string) {
		t.Helper()
		v.page(address)
		b.lacks(v.last, `type="file"`)
		r := request1("POST", address+"/recording", unread{t})
		r.ContentLength = -1
		r.Header.Set("Content-Type", "multipart/form-data; boundary=x")
		if w := v.do(r); w.Code != http.StatusForbidden {
			t.Errorf("%s: status %d, want 403", what, w.Code)
		}
		b.wants(v.last, "No byte of the file was read")
	}
	try("custody not stated")
	page := v.send(address, address+"/custody", custody("none"))
	b.wants(page, "The testing facility or the treating practitioner may send the file", "link for the tester or the practitioner")
	try("no footing")
	part := custody("order_on_file")
	part.Del("v.supplier_part")
	v.send(address, address+"/custody", part)
	b.wants(v.send(address, address+"/custody", custody("order_on_file")), `type="file"`)
}

func TestTooLargeIsRefused(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := v.open(medicare, merrin)
	v.send(address, address+"/custody", custody("order_on_file"))
	token := v.token()

	r := request1("POST", address+"/recording", unread{t})
	r.ContentLength = uploadLimit + 1
	r.Header.Set("Content-Type", "multipart/form-data; boundary=x")
	if w := v.do(r); w.Code != http.StatusRequestEntityTooLarge {
		t.Errorf("upload that announces its size: status %d, want 413", w.Code)
	}
	// One that does not announce it is cut off while it arrives.
	head := "--x\r\nContent-Disposition: form-data; name=\"form\"\r\n\r\n" + token + "\r\n--x\r\nContent-Disposition: form-data; name=\"recording\"; filename=\"n\"\r\n\r\n"
	r = request1("POST", address+"/recording", io.MultiReader(strings.NewReader(head), io.LimitReader(zeros{}, uploadLimit+1)))
	r.ContentLength = -1
	r.Header.Set("Content-Type", "multipart/form-data; boundary=x")
	if w := v.do(r); w.Code != http.StatusRequestEntityTooLarge {
		t.Errorf("upload that keeps coming: status %d, want 413", w.Code)
	}
	r = request1("POST", address+"/facts", io.LimitReader(zeros{}, formLimit+1))
	r.ContentLength = -1
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	if w := v.do(r); w.Code != http.StatusRequestEntityTooLarge {
		t.Errorf("form that keeps coming: status %d, want 413", w.Code)
	}
}

type zeros struct{}

func (zeros) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = '0'
	}
	return len(p), nil
}

func TestForeignFormsAreRefused(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := v.open(medicare, merrin)
	v.page(address)
	good := v.token()
	other := b.at(Intake)
	foreign := other.formToken()
	for _, tt := range []struct {
		name  string
		token string
		mend  func(*http.Request)
		want  int
	}{
		{"ours", good, func(*http.Request) {}, http.StatusSeeOther},
		{"a browser that says nothing", good, func(r *http.Request) { r.Header.Del("Sec-Fetch-Site") }, http.StatusSeeOther},
		{"our origin", good, func(r *http.Request) {
			r.Header.Del("Sec-Fetch-Site")
			r.Header.Set("Origin", "http://localhost:8080")
		}, http.StatusSeeOther},
		{"no token", "", func(*http.Request) {}, http.StatusForbidden},
		{"token of another visit", foreign, func(*http.Request) {}, http.StatusForbidden},
		{"another site", good, func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "cross-site") }, http.StatusForbidden},
		{"another port", good, func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "same-site") }, http.StatusForbidden},
		{"another origin", good, func(r *http.Request) {
			r.Header.Del("Sec-Fetch-Site")
			r.Header.Set("Origin", "http://localhost:9090")
		}, http.StatusForbidden},
		{"another name for this machine", good, func(r *http.Request) { r.Host = "pages.example" }, http.StatusMisdirectedRequest},
		{"altered cookie", good, func(r *http.Request) {
			c := *v.cookie
			c.Value = "x" + c.Value
			r.Header.Set("Cookie", c.String())
		}, http.StatusForbidden},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r := request1("POST", address+"/custody", strings.NewReader(url.Values{"form": {tt.token}, "v.test_state": {"asleep"}, "k": {"99"}}.Encode()))
			r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
			one := &visitor{b: b, cookie: v.cookie}
			tt.mend(r)
			if r.Header.Get("Cookie") != "" {
				one.cookie = nil
			}
			if w := one.do(r); w.Code != tt.want {
				t.Errorf("status %d, want %d", w.Code, tt.want)
			}
		})
	}
	// The forms of a desk end with it.
	v.post("/sign-out", url.Values{"form": {good}})
	if w := v.post("/sign-in", url.Values{"form": {good}, "name": {"M. Reyes"}, "password": {"x"}}); w.Code != http.StatusForbidden {
		t.Errorf("form token of a session that has ended: status %d, want 403", w.Code)
	}
	if w := v.get(address); w.Code != http.StatusForbidden {
		t.Errorf("case after signing out: status %d, want 403", w.Code)
	}
}

func TestVisitExpires(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	v.page("/cases")
	*b.clock = b.clock.Add(accounts.SessionIdles)
	if w := v.get("/cases?after=x"); w.Code != http.StatusForbidden {
		t.Errorf("after %s: status %d, want 403", accounts.SessionIdles, w.Code)
	}
	b.wants(v.last, "the session has ended", `name="to" value="/cases?after=x"`, `type="password"`)
	// The form of a page before sign-in ends too.
	form := v.token()
	*b.clock = b.clock.Add(visitExpires)
	if w := v.post("/sign-in", url.Values{"form": {form}, "name": {"M. Reyes"}, "password": {"x"}}); w.Code != http.StatusForbidden {
		t.Errorf("form of a page before sign-in after %s: status %d, want 403", visitExpires, w.Code)
	}
}

const nasty = `<script>alert("x")</script>'><img src=x onerror=alert(1)>`

func TestWhatIsTypedIsEscaped(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := v.open(medicare, patient{Name: nasty, Birth: merrin.Birth, Identifier: nasty})
	form := custody("order_on_file")
	v.send(address, address+"/custody", form)
	form = answers()
	form.Set("d.awake_spo2", nasty)
	form.Set("b.awake_spo2", nasty)
	v.send(address, address+"/facts", form)
	night := strings.ReplaceAll(string(recordings()["night-1.csv"]), "Ada Merrin", `<script>alert("x")</script>`)
	v.upload(address, address+"/recording", []byte(night), nil)
	links := b.links(address)
	pages := map[string]string{"case": v.page(address), "list": v.page("/cases"), "trail": v.page(address + "/trail")}
	out := b.guest(links[Office], links[Tester])
	pages["office"], pages["tester"] = out.page(links[Office]), out.page(links[Tester])
	v.page(address)
	v.post(address+"/facts", url.Values{"v.awake_spo2": {nasty}})
	pages["refusal"] = v.last
	out.get("/")
	out.post("/sign-in", url.Values{"name": {nasty}, "password": {"x"}})
	pages["sign-in"] = out.last
	chief := b.at(Administrator)
	chief.page("/accounts")
	chief.post("/accounts", url.Values{"name": {nasty}, "office": {nasty}})
	pages["account"] = chief.last
	for name, page := range pages {
		if strings.Contains(page, "<script>alert") || strings.Contains(page, "<img") {
			t.Errorf("%s: what was typed runs as markup", name)
		}
		if !strings.Contains(page, "&lt;script&gt;alert") {
			t.Errorf("%s: what was typed is not on the page", name)
		}
	}
}

// No page holds a script or style of its own, and every answer carries the
// policy that forbids them.
func TestPolicyHoldsOnEveryPage(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	address := b.demoAddress("Ada Merrin")
	links := b.links(b.demoAddress("Cassius Penhallow"))
	inline := regexp.MustCompile(`(?i)<style|<script(?: [^>]*)?>[^<]|<[^>]+ (?:style|on[a-z]+)=|javascript:`)
	v := b.at(Intake)
	for _, path := range []string{"/", "/cases", "/cases/new", address, address + "/trail", "/rules", "/rules/us-medicare/2023-04-01", "/nothing",
		address + "/worksheet.pdf", address + "/worksheet.json", address + "/report", address + "/documents/" + b.addFax(v, address), address + "/documents/" + short(faxHash()) + "/1", statics["site.css"].address, statics["site.js"].address} {
		w := v.get(path)
		b.checkHeaders(path, w.Header())
		if strings.HasPrefix(w.Header().Get("Content-Type"), "text/html") {
			if m := inline.FindString(v.last); m != "" {
				t.Errorf("%s: holds %q", path, m)
			}
		}
	}
	out := b.guest(links[Office])
	for _, path := range links { // one after its code, one before
		w := out.get(path)
		b.checkHeaders(path, w.Header())
		if m := inline.FindString(out.last); m != "" {
			t.Errorf("%s: holds %q", path, m)
		}
	}
}

func (b *bench) checkHeaders(path string, h http.Header) {
	b.t.Helper()
	for k, want := range map[string]string{"Content-Security-Policy": policy, "X-Content-Type-Options": "nosniff", "Referrer-Policy": "no-referrer", "X-Frame-Options": "DENY"} {
		if got := h.Get(k); got != want {
			b.t.Errorf("%s: %s is %q, want %q", path, k, got, want)
		}
	}
}

// broken is a store whose lists fail with an error that names a patient.
type brokenStore struct{ *storetest.Memory }

func (brokenStore) List(context.Context, casework.Selection, string, int) ([]casework.Head, string, error) {
	return nil, "", errors.New("reading the head of Ada Merrin, born 1951-05-04")
}

func TestNoPatientDataInLogsAddressesAndErrors(t *testing.T) {
	b := newBench(t, brokenStore{&storetest.Memory{}}, false)
	v := b.at(Intake)
	address := v.open(medicare, merrin)
	if strings.Contains(address, "Merrin") {
		t.Errorf("address %q names the patient", address)
	}
	if w := v.get("/cases"); w.Code != http.StatusInternalServerError {
		t.Fatalf("list of a broken store: status %d, want 500", w.Code)
	}
	b.lacks(v.last, "Merrin", "1951", "head of")
	ref := first(regexp.MustCompile(`Reference number: <span class="mono">([^<]*)<`), v.last)
	if ref == "" || !strings.Contains(b.log.String(), ref) {
		t.Errorf("the log lacks the reference number %q of the page:\n%s", ref, b.log)
	}
	// A whole case, with a refusal and a conflict on the way.
	v.send(address, address+"/custody", custody("order_on_file"))
	v.upload(address, address+"/recording", []byte("Ada Merrin is no recording"), nil)
	v.upload(address, address+"/recording", recordings()["night-1.csv"], nil)
	v.send(address, address+"/facts", answers())
	v.get(address + "/worksheet.pdf")
	links := b.links(address)
	b.guest(links[Office]).get(links[Office])
	b.visitor().get(links[Tester] + "x")
	for _, secret := range []string{"Merrin", "Ada", "1951", "HV-20417", "Quill", "visit note", links[Office], links[Tester], b.codes[links[Office]]} {
		if strings.Contains(b.log.String(), secret) {
			t.Errorf("the log holds %q:\n%s", secret, b.log)
		}
	}
}

// panicking is a store whose lists panic with the name of a patient.
type panicking struct{ *storetest.Memory }

func (panicking) List(context.Context, casework.Selection, string, int) ([]casework.Head, string, error) {
	panic("head of Ada Merrin")
}

func TestPanicIsAnErrorPage(t *testing.T) {
	b := newBench(t, panicking{&storetest.Memory{}}, false)
	v := b.at(Intake)
	if w := v.get("/cases"); w.Code != http.StatusInternalServerError {
		t.Errorf("status %d, want 500", w.Code)
	}
	b.wants(v.last, "Something went wrong here", "Reference number")
	if log := b.log.String(); !strings.Contains(log, "panicking.List") || strings.Contains(log, "Merrin") {
		t.Errorf("the log should say where it broke and nothing of the patient:\n%s", log)
	}
}

// The personal values of a case may be gone for good; list and case say so.
func TestDestroyedCase(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := v.open(medicare, merrin)
	number := strings.TrimPrefix(address, "/cases/")
	st := b.stamp("airwarrant", casework.RoleSystem)
	if _, err := casework.Update(t.Context(), b.store, number, st, func(*casework.Case) (casework.Change, error) { return casework.Closed{}, nil }); err != nil {
		t.Fatal(err)
	}
	if err := casework.Destroy(t.Context(), b.store, number, st, "retention ended"); err != nil {
		t.Fatal(err)
	}
	b.wants(v.page("/cases"), number, "destroyed")
	if w := v.get(address); w.Code != http.StatusGone {
		t.Errorf("destroyed case: status %d, want 410", w.Code)
	}
	b.lacks(v.last, "Merrin")
}

// What stands in an event in the clear names nobody and repeats no free words.
func TestEventsHoldNoPersonalWords(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	for h, err := range casework.All(t.Context(), b.store.Heads) {
		if err != nil {
			t.Fatal(err)
		}
		events, err := b.store.Events(t.Context(), h.Case, 1)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range events {
			for _, d := range demoCases() {
				for _, word := range append(strings.Fields(d.Patient.Name), d.Patient.Birth.String(), "Quill", "visit note", ".csv", ".edf") {
					if strings.Contains(string(e.Change), word) {
						t.Errorf("event %d of %s holds %q in the clear", e.K, h.Case, word)
					}
				}
			}
		}
	}
}

func TestLinkOpensOneCaseForOneDesk(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	address, other := b.demoAddress("Cassius Penhallow"), b.demoAddress("Ada Merrin")
	v := b.at(Intake)
	v.page(address)
	if w := v.post(address+"/links", url.Values{"desk": {"office"}}); w.Code != http.StatusOK {
		t.Fatalf("making a link: status %d", w.Code)
	}
	b.wants(v.last, "are shown this once")
	link := first(regexp.MustCompile(`value="http://localhost:8080(/office/[^"]*)"`), v.last)
	code := first(regexp.MustCompile(`id="fresh-code"[^>]* value="([0-9]{6})"`), v.last)
	b.codes[link] = code
	b.lacks(v.page(address), link, code)
	// Nothing in the link can be read: not the case, and no name.
	if secret := strings.TrimPrefix(link, "/office/"); !regexp.MustCompile(`^[A-Za-z0-9_-]{43}$`).MatchString(secret) {
		t.Errorf("the secret of the link is %q, want 32 random bytes and nothing else", secret)
	}

	out := b.visitor()
	b.lacks(out.page(link), "Penhallow", strings.TrimPrefix(address, "/cases/"), "Which saturation")
	out = b.guest(link)
	b.wants(out.page(link), "Cassius Penhallow", "Which saturation awake")
	b.lacks(out.last, "Ada Merrin")
	secret := strings.TrimPrefix(link, "/office/")
	for _, e := range must(b.store.Events(t.Context(), strings.TrimPrefix(address, "/cases/"), 1)) {
		if strings.Contains(string(e.Change), secret) || strings.Contains(string(e.Change), `"`+code+`"`) {
			t.Errorf("event %d holds the secret or the code of the link", e.K)
		}
	}
	for n, err := range casework.All(t.Context(), func(ctx context.Context, after string, limit int) ([]casework.Note, string, error) {
		return b.store.Notes(ctx, linkKind, after, limit)
	}) {
		if err != nil || strings.Contains(n.Key+string(n.Data), secret) || strings.Contains(string(n.Data), "Penhallow") {
			t.Errorf("a note of a link holds its secret or a name: %v", err)
		}
	}
	for name, path := range map[string]string{
		"another desk":      "/tester/" + secret,
		"another secret":    "/office/" + strings.Repeat("A", 43),
		"number of a case":  "/office/" + strings.TrimPrefix(other, "/cases/") + "." + secret,
		"cut off":           link[:len(link)-1],
		"longer":            link + "A",
		"overlong":          "/office/" + strings.Repeat("A", 5000),
		"page of the case":  address,
		"sheet of the case": address + "/worksheet.pdf",
		"list":              "/cases",
	} {
		if w := out.get(path); w.Code != http.StatusNotFound && w.Code != http.StatusForbidden {
			t.Errorf("%s: status %d, want 404 or 403", name, w.Code)
		}
		b.lacks(out.last, "Cassius", "Merrin")
	}
	// The last second of the link, and the first after it.
	*b.clock = b.clock.Add(linkExpires - time.Second)
	out = b.guest(link)
	out.page(link)
	*b.clock = b.clock.Add(time.Second)
	if w := out.get(link); w.Code != http.StatusNotFound {
		t.Errorf("expired link: status %d, want 404", w.Code)
	}
}

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

func TestLinkIsWithdrawn(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	address := b.demoAddress("Cassius Penhallow")
	links := b.links(address)
	out := b.guest(links[Office], links[Tester])
	out.page(links[Office])
	token := out.token()
	v := b.at(Intake)
	hash := secretHash(strings.TrimPrefix(links[Office], "/office/"))
	b.wants(v.send(address, address+"/links/revoke", url.Values{"link": {hash}}), "withdrawn")
	if w := out.get(links[Office]); w.Code != http.StatusNotFound {
		t.Errorf("withdrawn link: status %d, want 404", w.Code)
	}
	if w := out.post(links[Office], url.Values{"form": {token}, "who": {"R. Quill, RN"}, "v.awake_spo2": {"92"}, "d.awake_spo2": {"note"}}); w.Code != http.StatusNotFound {
		t.Errorf("answer through a withdrawn link: status %d, want 404", w.Code)
	}
	out.page(links[Tester]) // the other link still opens
}

func TestTesterSendsWhatTheSupplierMayNot(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	address := b.demoAddress("Rafe Underhill")
	link := b.links(address)[Tester]
	out := b.guest(link)
	page := out.page(link)
	b.wants(page, "Rafe Underhill", `type="file"`)
	b.lacks(page, "undetermined", "88 %")
	night := strings.NewReplacer("Ada Merrin", "Rafe Underhill", "1951-05-04", "1958-09-18", "HV-20417", "HV-20495", "2026-02-10", "2026-04-02", "2026-02-11", "2026-04-03").
		Replace(string(recordings()["night-1.csv"]))
	for name, more := range map[string]map[string]string{
		"no name":                              {"sender": "sent_by_tester"},
		"no sender":                            {"who": "L. Frost, RRT"},
		"a footing that sending does not give": {"who": "L. Frost, RRT", "sender": "release_signed"},
	} {
		if w := out.upload(link, link+"/recording", []byte(night), more); w.Code != http.StatusUnprocessableEntity {
			t.Errorf("%s: status %d, want 422", name, w.Code)
		}
	}
	w := out.upload(link, link+"/recording", []byte(night), map[string]string{"who": "L. Frost, RRT", "sender": "sent_by_tester"})
	if w.Code != http.StatusSeeOther {
		t.Fatalf("upload: status %d: %s", w.Code, text(out.last))
	}
	b.wants(out.page(w.Header().Get("Location")), "Received and stored", "A recording is on the case")
	v := b.at(Intake)
	b.wants(v.page(address), "✓ written criteria met", "the tester sent it to us", "<svg")
}

func TestTesterAnswers(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := v.open(medicare, merrin)
	form := custody("sent_by_practitioner")
	form.Set("v.test_state", "exertion")
	form.Set("v.test_place", "facility")
	v.send(address, address+"/custody", form)
	link := b.links(address)[Tester]
	out := b.guest(link)
	b.wants(out.page(link), "What was the lowest saturation on exertion, on room air?")
	if w := out.post(link, url.Values{"who": {"L. Frost, RRT"}, "v.exertion_spo2_air": {"850"}}); w.Code != http.StatusUnprocessableEntity {
		t.Errorf("850 %%: status %d, want 422", w.Code)
	}
	b.wants(out.last, `value="850"`, "L. Frost, RRT")
	out.send(link, link, url.Values{"who": {"L. Frost, RRT"}, "v.exertion_spo2_air": {"85"}, "v.same_sitting": {"true"}})
	b.wants(v.page(address), "85 %", "stated by L. Frost, RRT")
}

// An unreadable file gets the sentence of the reader, with place, expected,
// found and mend, and nothing is stored.
func TestUnreadableFileStoresNothing(t *testing.T) {
	store := &storetest.Memory{}
	b := newBench(t, store, false)
	v := b.at(Intake)
	address := v.open(medicare, merrin)
	v.send(address, address+"/custody", custody("order_on_file"))
	before := b.events(strings.TrimPrefix(address, "/cases/"))
	for name, data := range map[string]string{
		"a letter":         "Dear colleague,\nthe night was quiet.\n",
		"a PDF":            "%PDF-1.7\nfax",
		"cut-off EDF":      string(recordings()["night-4.edf"][:300]),
		"ambiguous dates":  "Time,SpO2,Pulse\n03/04/2026 22:00:00,95,60\n03/04/2026 22:00:04,95,60\n03/04/2026 22:00:08,94,61\n",
		"unnamed columns":  "95,60\n94,61\n93,61\n",
		"control letters":  "Time,SpO2\n\x01\x02",
		"not a saturation": "Time,Temperature\n2026-02-10 22:00:00,36.6\n2026-02-10 22:00:04,36.6\n",
	} {
		_, err := recording.ReadBytes([]byte(data), recording.Options{})
		if err == nil {
			t.Errorf("%s: the reader takes it; the case proves nothing", name)
			continue
		}
		if w := v.upload(address, address+"/recording", []byte(data), nil); w.Code != http.StatusUnprocessableEntity {
			t.Errorf("%s: status %d, want 422", name, w.Code)
		}
		b.wants(v.last, "Nothing was stored", "expected", "found")
		if errors.Is(err, recording.ErrAmbiguous) || errors.Is(err, recording.ErrNoSpO2) {
			b.wants(v.last, `name="c.1"`, err.(*recording.FormatError).Expected.String())
		} else {
			b.wants(v.last, blanks.ReplaceAllString(rules.Language{}.Tell(recording.Refusal(err)), " "))
		}
		b.lacks(v.last, "--columns")
	}
	if w := v.upload(address, address+"/recording", nil, nil); w.Code != http.StatusUnprocessableEntity {
		t.Errorf("no file: status %d, want 422", w.Code)
	}
	if got := b.events(strings.TrimPrefix(address, "/cases/")); got != before {
		t.Errorf("%d events after refusals, want %d", got, before)
	}
	for u, err := range casework.All(t.Context(), store.Uploads) {
		t.Errorf("a refused upload was stored: %v %v", u, err)
	}
}

func TestAmbiguousFileIsReadAsSaid(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := v.open(medicare, merrin)
	v.send(address, address+"/custody", custody("order_on_file"))
	night := regexp.MustCompile(`(?m)^Date and time.*$`).ReplaceAllString(string(recordings()["night-1.csv"]), "a,b,c")
	if w := v.upload(address, address+"/recording", []byte(night), nil); w.Code != http.StatusUnprocessableEntity {
		t.Fatalf("columns without names: status %d, want 422", w.Code)
	}
	if w := v.upload(address, address+"/recording", []byte(night), map[string]string{"columns": "time=1,spo2=9"}); w.Code != http.StatusUnprocessableEntity {
		t.Errorf("a column that is not there: status %d, want 422", w.Code)
	}
	b.wants(v.last, `value="time=1,spo2=9"`)
	if w := v.upload(address, address+"/recording", []byte(night), map[string]string{"columns": "time=1,spo2=2,pulse=3"}); w.Code != http.StatusSeeOther {
		t.Fatalf("columns named: status %d: %s", w.Code, text(v.last))
	}
	b.wants(v.page(address), "<svg")
	b.wants(v.page(address+"/trail"), "time=1,spo2=2,pulse=3")
}

func TestNothingTypedIsLost(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	v := b.at(Intake)
	address := b.demoAddress("Cassius Penhallow")
	v.page(address)
	form := url.Values{"part": {"questions"}, "v.awake_spo2": {"9o"}, "d.awake_spo2": {"visit note"}, "t.awake_spo2": {"14.3.2026"}, "v.written_order": {"true"}}
	if w := v.post(address+"/facts", form); w.Code != http.StatusUnprocessableEntity {
		t.Fatalf("status %d, want 422", w.Code)
	}
	b.wants(v.last, `value="9o"`, `value="visit note"`, `value="14.3.2026"`, `aria-describedby="f-awake_spo2-e"`, `id="f-awake_spo2-e"`, "nothing of this part was stored",
		`name="v.written_order" value="true" checked`)

	v.page("/cases/new")
	v.post("/cases/new", url.Values{"name": {"Ada Merrin"}, "birth": {"4/5/51"}, "identifier": {"HV-1"}})
	b.wants(v.last, `value="Ada Merrin"`, `value="4/5/51"`, `value="HV-1"`, `id="birth-e"`, "Choose whose criteria")
}

func TestTwoPeopleOnOneCase(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	address := b.demoAddress("Cassius Penhallow")
	one, two := b.at(Intake), b.at(Intake)
	one.page(address)
	two.page(address)
	form := func(v string) url.Values { return url.Values{"part": {"questions"}, "v.awake_spo2": {v}} }
	if w := one.post(address+"/facts", form("92")); w.Code != http.StatusSeeOther {
		t.Fatalf("first answer: status %d", w.Code)
	}
	stale := two.last
	if w := two.post(address+"/facts", form("88")); w.Code != http.StatusUnprocessableEntity {
		t.Errorf("another answer on an old page: status %d, want 422", w.Code)
	}
	b.wants(two.last, "Somebody else changed the case", "92 %")
	two.last = stale
	before := b.events(strings.TrimPrefix(address, "/cases/"))
	if w := two.post(address+"/facts", form("92")); w.Code != http.StatusSeeOther {
		t.Errorf("the same answer twice: status %d, want 303", w.Code)
	}
	if got := b.events(strings.TrimPrefix(address, "/cases/")); got != before {
		t.Errorf("the same answer twice wrote %d events", got-before)
	}
	two.last = stale
	if w := two.post(address+"/links", url.Values{"desk": {"office"}}); w.Code != http.StatusConflict {
		t.Errorf("link from an old page: status %d, want 409", w.Code)
	}
	two.last = stale
	if w := two.post(address+"/patient", url.Values{"name": {"Cassia Penhallow"}, "birth": {"1955-01-31"}}); w.Code != http.StatusConflict {
		t.Errorf("patient from an old page: status %d, want 409", w.Code)
	}
}

func TestCorrectedFactKeepsItsTrail(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	v := b.at(Intake)
	address := b.demoAddress("Ada Merrin")
	v.send(address, address+"/facts", url.Values{"part": {"stated"}, "n.awake_spo2": {"1"}})
	if w := v.post(address+"/facts", url.Values{"part": {"stated"}, "v.awake_spo2": {"94"}}); w.Code != http.StatusSeeOther {
		t.Fatalf("correction: status %d: %s", w.Code, text(v.last))
	}
	b.wants(v.page(address), "94 %")
	b.wants(v.page(address+"/trail"), "92 %", "not known", "94 %")
}

func TestEveryErrorHasItsAnswer(t *testing.T) {
	for _, tt := range []struct {
		err  error
		want int
	}{
		{errNoPage, 404}, {errHost, 421}, {errForm, 403}, {errUnreadableForm, 400}, {errTooLarge, 413}, {errNoDesk, 403}, {errMustChange, 403}, {accounts.ErrNoAccount, 404}, {errDesk, 403}, {errLink, 404}, {errCode, 403}, {&paceError{time.Minute}, 429},
		{errBarred, 403}, {errNoDetermined, 404}, {errBatchEnded, 410}, {casework.ErrNotFound, 404}, {casework.ErrConflict, 409}, {casework.ErrRefused, 409}, {casework.ErrDestroyed, 410}, {rules.ErrUnknownRegion, 404},
		{rules.ErrUnknownVersion, 404}, {rules.ErrNoPackInForce, 409}, {qualify.ErrQuery, 400}, {recording.ErrTooLarge, 413}, {&http.MaxBytesError{}, 413},
		{&recording.FormatError{Err: recording.ErrFormat}, 422}, {errMedia, 422}, {&recording.FormatErrors{Faults: []*recording.FormatError{{Err: recording.ErrFormat}}}, 422},
	} {
		a, known := answerTo(fmt.Errorf("while doing it: %w", tt.err))
		if !known || a.Status != tt.want || a.Title == "" || a.Sentence == "" || a.Next == "" {
			t.Errorf("%v: status %d (known %v), title %q, sentence %q, next %q; want status %d and all three", tt.err, a.Status, known, a.Title, a.Sentence, a.Next, tt.want)
		}
	}
	if a, known := answerTo(errors.New("disk on fire")); known || a.Status != 500 || strings.Contains(a.Sentence, "fire") {
		t.Errorf("an unforeseen error: status %d, known %v, %q", a.Status, known, a.Sentence)
	}
}

// A test before the first version known is told, not crashed on.
func TestNoCriteriaOnThatDay(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := v.open(medicare, merrin)
	form := custody("order_on_file")
	form.Set("v.test_date", "1990-01-01")
	page := v.send(address, address+"/custody", form)
	b.wants(page, "No criteria in force on that day")
	b.lacks(page, `type="file"`)
	b.wants(v.send(address, address+"/custody", custody("order_on_file")), `type="file"`)
}

func TestEveryWordIsSaid(t *testing.T) {
	for _, d := range rules.Vocabulary() {
		for _, w := range d.Words {
			if strings.Contains(wordFor(d.Name, w), "_") {
				t.Errorf("the word %s of %s is not said for people", w, d.Name)
			}
		}
	}
	for _, name := range custodyFacts {
		if custodyWords[name] == "" {
			t.Errorf("%s has no short name", name)
		}
	}
}

// Contrast of text and of the edges of inputs on white, by the formula of
// WCAG 2.2 (W3C Recommendation, "relative luminance" and "contrast ratio"):
// at least 4.5 for text (1.4.3) and 3 for edges (1.4.11).
func TestContrast(t *testing.T) {
	css := must(os.ReadFile("static/site.css"))
	ratio := func(hex string) float64 {
		var c [3]int
		if _, err := fmt.Sscanf(hex, "#%02x%02x%02x", &c[0], &c[1], &c[2]); err != nil {
			t.Fatalf("%s: %v", hex, err)
		}
		l := 0.0
		for i, w := range []float64{0.2126, 0.7152, 0.0722} {
			l += w * linear(float64(c[i])/255)
		}
		return 1.05 / (l + 0.05)
	}
	for _, tt := range []struct {
		pattern string
		least   float64
	}{
		{`--ink: (#[0-9a-f]{6})`, 4.5}, {`--soft: (#[0-9a-f]{6})`, 4.5}, {`color: (#111)`, 4.5}, {`border: 1px solid (#[0-9a-f]{6})`, 3},
	} {
		hex := first(regexp.MustCompile(tt.pattern), string(css))
		if hex == "#111" {
			hex = "#111111"
		}
		if got := ratio(hex); got < tt.least {
			t.Errorf("%s on white: contrast %.2f, want at least %.1f", hex, got, tt.least)
		}
	}
	if got := ratio("#767676"); got < 4.54 || got > 4.55 {
		t.Errorf("#767676 on white: contrast %.3f; published examples give 4.54", got)
	}
}
