package web

import (
	"bytes"
	"context"
	"fmt"
	"html"
	"io"
	"log/slog"
	"maps"
	"math/rand/v2"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"airwarrant/qualify"
	"airwarrant/qualify/casework"
	"airwarrant/qualify/casework/storetest"
	"airwarrant/rules"
	"airwarrant/web/accounts"
)

// bench is a site with its store, its log and a clock that tests move.
type bench struct {
	*Site
	t     testing.TB
	store casework.Store
	log   *bytes.Buffer
	clock *time.Time
	h     http.Handler
	codes map[string]string // of links, by address
}

func newBench(t testing.TB, store casework.Store, demo bool) *bench {
	t.Helper()
	lib, err := rules.Embedded()
	if err != nil {
		t.Fatal(err)
	}
	now := time.Date(2026, 6, 1, 9, 0, 0, 0, time.UTC)
	b := &bench{t: t, store: store, log: &bytes.Buffer{}, clock: &now, codes: map[string]string{}}
	seed := [32]byte{1}
	if m, ok := store.(*storetest.Memory); ok && demo {
		if heads, _, err := m.Heads(t.Context(), "", 1); err == nil && len(heads) == 0 {
			built, err := demoStore()
			if err != nil {
				t.Fatal(err)
			}
			m.CopyFrom(built)
			seed[0]++ // not the numbers that the cases of the demonstration have
		}
	}
	b.Site, err = New(Config{Store: store, Library: lib, Now: func() time.Time { return *b.clock }, Random: rand.NewChaCha8(seed),
		Program: qualify.Program, Demo: demo, Log: slog.New(slog.NewTextHandler(b.log, nil))})
	if err != nil {
		t.Fatal(err)
	}
	b.h = b.Handler()
	return b
}

// demoStore is the store of a demonstration as it is built, made once for all
// tests: to read eleven recordings for each of them took most of their time.
var demoStore = sync.OnceValues(func() (*storetest.Memory, error) {
	lib, err := rules.Embedded()
	if err != nil {
		return nil, err
	}
	m := &storetest.Memory{}
	_, err = New(Config{Store: m, Library: lib, Now: func() time.Time { return time.Date(2026, 6, 1, 9, 0, 0, 0, time.UTC) }, Random: rand.NewChaCha8([32]byte{1}),
		Program: qualify.Program, Demo: true, Log: slog.New(slog.DiscardHandler)})
	return m, err
})

// visitor is one browser.
type visitor struct {
	b      *bench
	cookie *http.Cookie
	passes []*http.Cookie // of links whose code was given, each for its own path
	last   string         // body of the last page
	accept string         // languages that the browser accepts
}

func (b *bench) visitor() *visitor { return &visitor{b: b} }

// at takes a desk.
func (b *bench) at(d Desk) *visitor {
	b.t.Helper()
	v := b.visitor()
	v.get("/")
	if d != NoDesk {
		// As somebody for whom a provider vouches, so that no test waits for the
		// hash of a password; in a demonstration, which has no other accounts,
		// as one of its own. One person of the supplier has every role of it.
		p := accounts.Person{Issuer: demoIssuer, Subject: "1", Name: "M. Reyes", Roles: []casework.Role{casework.RoleIntake, casework.RoleMaintainer, casework.RoleAdministrator}}
		if !b.cfg.Demo {
			p.Issuer = "https://id.example"
		}
		if d == Office {
			p = accounts.Person{Issuer: p.Issuer, Subject: "2", Name: "Harbour desk", Roles: []casework.Role{casework.RoleOffice}, Office: "Harbour Road Practice"}
		}
		token, err := b.accounts.Admit(b.t.Context(), p, "192.0.2.1")
		if err == nil && d != Office {
			err = b.accounts.TakeRole(b.t.Context(), token, casework.Role(d))
		}
		if err != nil {
			b.t.Fatal(err)
		}
		v.cookie = &http.Cookie{Name: cookieName, Value: sessionMark + token}
		v.get("/")
	}
	return v
}

func (v *visitor) do(r *http.Request) *httptest.ResponseRecorder {
	if v.accept != "" {
		r.Header.Set("Accept-Language", v.accept)
	}
	if v.cookie != nil {
		r.AddCookie(v.cookie)
	}
	for _, c := range v.passes {
		if strings.HasPrefix(r.URL.Path, c.Path) {
			r.AddCookie(c)
		}
	}
	w := httptest.NewRecorder()
	v.b.h.ServeHTTP(w, r)
	for _, c := range w.Result().Cookies() {
		if c.Name == languageCookie {
			v.passes = slices.DeleteFunc(v.passes, func(old *http.Cookie) bool { return old.Name == c.Name })
		}
		if c.Name == languageCookie || c.Name == passCookie || c.Name == providerCookie {
			v.passes = append(v.passes, c)
			continue
		}
		v.cookie = c
	}
	v.last = w.Body.String()
	return w
}

func request1(method, path string, body io.Reader) *http.Request {
	r := httptest.NewRequest(method, "http://localhost:8080"+path, body)
	r.Header.Set("Sec-Fetch-Site", "same-origin")
	return r
}

func (v *visitor) get(path string) *httptest.ResponseRecorder {
	return v.do(request1("GET", path, nil))
}

// page gets a page that has to be there.
func (v *visitor) page(path string) string {
	v.b.t.Helper()
	if r := v.get(path); r.Code != http.StatusOK {
		v.b.t.Fatalf("GET %s: status %d, want 200: %s", path, r.Code, text(v.last))
	}
	return v.last
}

var tokenForm = regexp.MustCompile(`name="form" value="([^"]*)"`)
var kForm = regexp.MustCompile(`name="k" value="([^"]*)"`)

// token is the form token of the last page.
func (v *visitor) token() string { return first(tokenForm, v.last) }

func first(re *regexp.Regexp, s string) string {
	if m := re.FindStringSubmatch(s); m != nil {
		return m[1]
	}
	return ""
}

func (v *visitor) post(path string, form url.Values) *httptest.ResponseRecorder {
	if !form.Has("form") {
		form.Set("form", v.token())
	}
	if k := first(kForm, v.last); k != "" && !form.Has("k") {
		form.Set("k", k)
	}
	r := request1("POST", path, strings.NewReader(form.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	return v.do(r)
}

// send posts a form of the page at path and follows to the page after it.
func (v *visitor) send(page, path string, form url.Values) string {
	v.b.t.Helper()
	v.page(page)
	r := v.post(path, form)
	if r.Code != http.StatusSeeOther {
		v.b.t.Fatalf("POST %s: status %d, want 303: %s", path, r.Code, text(v.last))
	}
	to, _, _ := strings.Cut(r.Header().Get("Location"), "#")
	return v.page(to)
}

// upload posts a recording with the form token of page.
func (v *visitor) upload(page, path string, data []byte, more map[string]string) *httptest.ResponseRecorder {
	v.b.t.Helper()
	v.page(page)
	return v.sendFile(path, data, more)
}

// sendFile posts a file with the form token of the last page.
func (v *visitor) sendFile(path string, data []byte, more map[string]string) *httptest.ResponseRecorder {
	v.b.t.Helper()
	fields := maps.Clone(more)
	if fields == nil {
		fields = map[string]string{}
	}
	fields["form"] = v.token()
	return v.sendParts(path, fields, "recording", data)
}

// sendParts sends a form of several parts, the file last; nil data for none.
func (v *visitor) sendParts(path string, fields map[string]string, name string, data []byte) *httptest.ResponseRecorder {
	v.b.t.Helper()
	var b bytes.Buffer
	mw := multipart.NewWriter(&b)
	for k, val := range fields {
		if err := mw.WriteField(k, val); err != nil {
			v.b.t.Fatal(err)
		}
	}
	if data != nil || name == "file" {
		w, err := mw.CreateFormFile(name, `C:\nights\Ada Merrin.csv`)
		if err != nil {
			v.b.t.Fatal(err)
		}
		if _, err := w.Write(data); err != nil {
			v.b.t.Fatal(err)
		}
	}
	if err := mw.Close(); err != nil {
		v.b.t.Fatal(err)
	}
	r := request1("POST", path, &b)
	r.Header.Set("Content-Type", mw.FormDataContentType())
	return v.do(r)
}

var tags = regexp.MustCompile(`(?s)<[^>]*>`)
var blanks = regexp.MustCompile(`\s+`)

// text is what a person reads on a page.
func text(page string) string {
	return blanks.ReplaceAllString(html.UnescapeString(tags.ReplaceAllString(page, " ")), " ")
}

// saidToScripts is what the scripts may tell: it comes with every page and is
// shown only when they tell it.
var saidToScripts = regexp.MustCompile(`<meta name="said" content="[^"]*">`)

func (b *bench) wants(page string, wants ...string) {
	b.t.Helper()
	page = saidToScripts.ReplaceAllString(page, "")
	read := text(page)
	for _, w := range wants {
		if !strings.Contains(read, w) && !strings.Contains(page, w) {
			b.t.Errorf("page lacks %q:\n%s", w, read)
		}
	}
}

func (b *bench) lacks(page string, lacks ...string) {
	b.t.Helper()
	page = saidToScripts.ReplaceAllString(page, "")
	read := text(page)
	for _, w := range lacks {
		if strings.Contains(read, w) || strings.Contains(page, w) {
			b.t.Errorf("page holds %q, which it must not:\n%s", w, read)
		}
	}
}

// open opens a case at the intake desk and returns its address.
func (v *visitor) open(region string, p patient) string {
	v.b.t.Helper()
	v.page("/cases/new")
	r := v.post("/cases/new", url.Values{"payer": {region}, "name": {p.Name}, "birth": {p.Birth.String()}, "identifier": {p.Identifier}})
	if r.Code != http.StatusSeeOther {
		v.b.t.Fatalf("opening a case: status %d: %s", r.Code, text(v.last))
	}
	return r.Header().Get("Location")
}

// custody is the form of the custody part for a night at home.
func custody(footing string) url.Values {
	return url.Values{"v.test_date": {"2026-02-10"}, "v.test_state": {"asleep"}, "v.test_place": {"home"}, "v.test_performed_by": {"idtf"},
		"v.supplier_part": {"delivered_unit"}, "v.custody": {footing}}
}

var merrin = patient{"Ada Merrin", rules.Date{Year: 1951, Month: 5, Day: 4}, "HV-20417"}

var recordings = sync.OnceValue(func() map[string][]byte {
	out := map[string][]byte{}
	for _, r := range DemoRecordings() {
		out[r.Name] = r.Data
	}
	return out
})

// demoAddress is the address of the demonstration's case of a patient.
func (b *bench) demoAddress(name string) string {
	b.t.Helper()
	for h, err := range casework.All(context.Background(), b.store.Heads) {
		if err != nil {
			b.t.Fatal(err)
		}
		f, err := b.Site.open(context.Background(), h.Case)
		if err != nil {
			b.t.Fatal(err)
		}
		if f.Patient.Name == name {
			return "/cases/" + h.Case
		}
	}
	b.t.Fatalf("the demonstration has no case of %s", name)
	return ""
}

// answers are what the chart of the clear case holds, as intake types it.
func answers() url.Values {
	form := url.Values{"part": {"questions"}, "v.test_oxygen": {"room_air"}, "v.order_date": {"2026-02-02"}, "v.ordered_by_treating_practitioner": {"true"},
		"v.evaluated_by_treating_practitioner": {"true"}, "v.expected_benefit": {"true"}, "v.sleep_apnea": {"false"}, "v.inpatient": {"false"},
		"v.awake_spo2": {"92"}, "d.awake_spo2": {"visit note"}, "t.awake_spo2": {"2026-02-13"}, "p.awake_spo2": {"2"}, "b.awake_spo2": {"R. Quill, RN"}}
	return form
}

func TestCaseFromCustodyToWorksheet(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := v.open(medicare, merrin)

	page := v.page(address)
	b.wants(page, "Ada Merrin", "1951-05-04", "HV-20417", "How the test came to us", "Who performed the test")
	b.lacks(page, `type="file"`, "DEMO")

	page = v.send(address, address+"/custody", custody("order_on_file"))
	b.wants(page, `type="file"`, "an order or a service of ours for this patient is on file", "2026-02-10", "only a report")

	if r := v.upload(address, address+"/recording", recordings()["night-1.csv"], nil); r.Code != http.StatusSeeOther {
		t.Fatalf("upload: status %d: %s", r.Code, text(v.last))
	}
	page = v.page(address)
	b.wants(page, "Is it the same person?", "= the same", "? undetermined", "Which saturation awake, at rest, on room air does the chart hold?", "For the physician's office")
	b.lacks(page, "≠", `type="file"`)

	page = v.send(address, address+"/facts", answers())
	b.wants(page, "✓ written criteria met", "in the chart: visit note of Feb 13, 2026, page 2, by R. Quill, RN", "<svg", "Has to be on file",
		"Neither a test report nor an order, and no guarantee of coverage.")
	b.lacks(page, "For the physician's office")

	r := v.get(address + "/worksheet.pdf")
	if r.Code != http.StatusOK || !strings.HasPrefix(v.last, "%PDF-") {
		t.Errorf("PDF: status %d, begins %.8q", r.Code, v.last)
	}
	number := strings.TrimPrefix(address, "/cases/")
	if got, want := r.Header().Get("Content-Disposition"), `inline; filename="`+number+`.pdf"`; got != want {
		t.Errorf("PDF is named %q, want %q", got, want)
	}
	v.page(address + "/worksheet.json")
	b.wants(v.last, `"outcome": "qualifies"`, `"format": "text"`)

	trail := v.page(address + "/trail")
	b.wants(trail, "case opened under us-medicare", "patient stated: Ada Merrin; May 4, 1951; HV-20417", "recording added", "M. Reyes",
		"saturation awake at rest on room air, beside a test asleep: 92 %", "written criteria met", "looked at: case", "looked at: worksheet on paper")
}

func TestReportWithoutRecording(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := v.open(medicare, merrin)
	v.send(address, address+"/custody", custody("sent_by_tester"))
	form := answers()
	form.Set("v.reported_minutes", "7.2")
	form.Set("u.reported_minutes", "min")
	b.wants(v.send(address, address+"/facts", form), "✓ written criteria met", "7.2 min", "recording not seen")
}

func TestDemoReachesItsOutcomes(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	v := b.at(Intake)
	for _, d := range demoCases() {
		t.Run(d.Shows, func(t *testing.T) {
			address := b.demoAddress(d.Patient.Name)
			page := v.page(address)
			word, mark := outcomeWords(string(d.Outcome))
			b.wants(page, mark+" "+word, "DEMO")
			f, err := b.Site.open(t.Context(), strings.TrimPrefix(address, "/cases/"))
			if err != nil {
				t.Fatal(err)
			}
			if f.Determination == nil || f.Determination.K != f.Edited {
				t.Fatalf("the case is not determined as it stands")
			}
			if got := f.Determination.Results[0].Outcome; got != string(d.Outcome) {
				t.Errorf("outcome %s, want %s", got, d.Outcome)
			}
		})
	}
	needs := func(name string) []string {
		f, err := b.Site.open(t.Context(), strings.TrimPrefix(b.demoAddress(name), "/cases/"))
		if err != nil {
			t.Fatal(err)
		}
		return f.Determination.Results[0].Needs
	}
	for _, tt := range []struct{ name, want string }{
		{"Wilhelmina Orchard", "span_judgement"}, {"Cassius Penhallow", "awake_spo2"}, {"Odalys Fenn", "identity"}, {"Marama Tidewell", "session_choice"},
	} {
		if got := needs(tt.name); len(got) == 0 || got[0] != tt.want {
			t.Errorf("%s: first need is %v, want %s", tt.name, got, tt.want)
		}
	}
	list := v.page("/cases")
	b.wants(list, "Ada Merrin", "✓ met", "✗ not met", "? undetermined", "questions open")
	b.lacks(list, " min", "34.")
}

// A second start on a store that holds the demonstration adds nothing.
func TestDemoIsBuiltOnce(t *testing.T) {
	store := &storetest.Memory{}
	newBench(t, store, true)
	newBench(t, store, true)
	n := 0
	for _, err := range casework.All(t.Context(), store.Heads) {
		if err != nil {
			t.Fatal(err)
		}
		n++
	}
	if n != len(demoCases()) {
		t.Errorf("%d cases after two starts, want %d", n, len(demoCases()))
	}
}

func TestDemoDesksTakeOneClick(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	for _, tt := range []struct {
		desk     Desk
		to, want string
	}{
		{Intake, "/cases", "Ada Merrin"},
		{Office, "/office/", "What the chart holds"},
		{Tester, "/tester/", "Send the recording as the recorder's memory gave it"},
		{Maintainer, "/rules", "In force from"},
		{Administrator, "/accounts", "A new account"},
		{officeAccount, "/day", "Cassius Penhallow"},
	} {
		v := b.visitor()
		b.wants(v.page("/"), "DEMO")
		r := v.post("/desk", url.Values{"desk": {string(tt.desk)}})
		if to := r.Header().Get("Location"); r.Code != http.StatusSeeOther || !strings.HasPrefix(to, tt.to) {
			t.Errorf("%s: status %d to %q, want 303 to %s", tt.desk, r.Code, to, tt.to)
			continue
		}
		b.wants(v.page(r.Header().Get("Location")), tt.want, "DEMO")
	}
}

// The click goes on taking each desk when visitors have closed or answered what
// was meant for it.
func TestDemoDesksAfterItsVisitors(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	for h, err := range casework.All(t.Context(), b.store.Heads) {
		if err != nil {
			t.Fatal(err)
		}
		f := must(b.Site.open(t.Context(), h.Case))
		if f.Patient.Name == "Ada Merrin" { // who qualifies: nothing that decides is asked
			continue
		}
		if err := b.update(t.Context(), h.Case, b.stamp("a visitor", casework.RoleIntake), func(f *file) (casework.Change, error) {
			if f.AlertOpen() {
				return nil, nil
			}
			return casework.Closed{}, nil
		}); err != nil {
			t.Fatal(err)
		}
	}
	for _, d := range []Desk{Office, Tester, officeAccount} {
		v := b.visitor()
		v.page("/")
		if r := v.post("/desk", url.Values{"desk": {string(d)}}); r.Code != http.StatusSeeOther {
			t.Errorf("%s: status %d: %s", d, r.Code, text(v.last))
		}
	}
}

func TestIdentityDifferenceBlocks(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	v := b.at(Intake)
	address := b.demoAddress("Odalys Fenn")
	page := v.page(address)
	b.wants(page, "Odalys Finn", "≠ differs", "Nothing is determined until somebody says in words why it is the same person")
	b.lacks(page, "<svg", "worksheet.pdf")
	for _, p := range []string{"/worksheet.pdf", "/worksheet.json"} {
		if r := v.get(address + p); r.Code != http.StatusNotFound {
			t.Errorf("%s of a file that may be another person's: status %d, want 404", p, r.Code)
		}
	}
	v.page(address)
	if r := v.post(address+"/same", url.Values{"words": {"is"}}); r.Code != http.StatusUnprocessableEntity {
		t.Errorf("two letters of explanation: status %d, want 422", r.Code)
	}
	page = v.send(address, address+"/same", url.Values{"words": {"Spelling slip of the night desk; birth date and identifier agree, seen on the order."}})
	b.wants(page, "✓ written criteria met", "Spelling slip of the night desk", "<svg")
	// Another name on the case, and the words no longer speak of it.
	page = v.send(address, address+"/patient", url.Values{"name": {"Odile Fenn"}, "birth": {"1960-07-15"}, "identifier": {"HV-20502"}})
	b.wants(page, "Nothing is determined until somebody says in words")
}

func TestWithdrawnRecordingMakesRoom(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	v := b.at(Intake)
	address := b.demoAddress("Odalys Fenn")
	v.page(address)
	sha := first(regexp.MustCompile(`name="sha256" value="([^"]*)"`), v.last)
	if r := v.post(address+"/withdraw", url.Values{"sha256": {sha}}); r.Code != http.StatusUnprocessableEntity {
		t.Errorf("withdrawal without a reason: status %d, want 422", r.Code)
	}
	if r := v.upload(address, address+"/recording", recordings()["night-1.csv"], nil); r.Code != http.StatusUnprocessableEntity {
		t.Errorf("a second recording: status %d, want 422", r.Code)
	}
	page := v.send(address, address+"/withdraw", url.Values{"sha256": {sha}, "reason": {"Another person's night."}})
	b.wants(page, `type="file"`)
	b.lacks(page, "Odalys Finn")
	b.wants(v.page(address+"/trail"), "withdrawn: Another person's night.")
}

func TestRulesInPlainWords(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Maintainer)
	b.wants(v.page("/rules"), "Original Medicare, home oxygen", "2023-04-01", "2004-01-01")
	b.lacks(v.last, "invented")
	for _, r := range b.lib.Regions() {
		for _, p := range b.lib.History(r.Region) {
			page := v.page("/rules/" + r.Region + "/" + p.EffectiveFrom.String())
			b.wants(page, p.Title, p.SHA256)
			var wants []string
			for _, c := range p.Cites {
				wants = append(wants, c.Document)
			}
			p.Walk(func(n *rules.Node, _ bool) {
				if len(n.Children()) == 0 {
					wants = append(wants, blanks.ReplaceAllString(rules.Describe(n), " "))
				}
			})
			b.wants(page, wants...)
		}
	}
	for _, p := range []string{"/rules/nowhere/2023-04-01", "/rules/us-medicare/2023-04-02", "/rules/us-medicare/soon"} {
		if r := v.get(p); r.Code != http.StatusNotFound {
			t.Errorf("GET %s: status %d, want 404", p, r.Code)
		}
	}
}

func TestMaintainerSeesNumbersOnly(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	page := b.at(Maintainer).page("/cases")
	for _, d := range demoCases() {
		b.lacks(page, d.Patient.Name, d.Patient.Birth.String())
	}
	b.wants(page, strings.TrimPrefix(b.demoAddress("Ada Merrin"), "/cases/"))
	b.lacks(page, `href="/cases/2`)
}

func TestListIsPaged(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	for i := range listSize + 3 {
		v.open(medicare, patient{Name: fmt.Sprintf("Person %03d", i), Birth: merrin.Birth})
	}
	seen := map[string]bool{}
	count := func(page string) {
		for _, n := range regexp.MustCompile(`Person \d{3}`).FindAllString(page, -1) {
			seen[n] = true
		}
	}
	page := v.page("/cases")
	count(page)
	next := first(regexp.MustCompile(`href="(/cases\?after=[^"]*)"`), page)
	if next == "" {
		t.Fatal("the first page names no page that follows")
	}
	count(v.page(html.UnescapeString(next)))
	if len(seen) != listSize+3 {
		t.Errorf("two pages show %d cases, want %d", len(seen), listSize+3)
	}
}

// A store into which a move has not come to its end is not served.
func TestUnfinishedMoveIsNotServed(t *testing.T) {
	store := new(storetest.Memory)
	lib, err := rules.Embedded()
	if err != nil {
		t.Fatal(err)
	}
	conf := Config{Store: store, Library: lib, Now: time.Now, Random: rand.NewChaCha8([32]byte{1}), Program: "test", Log: slog.New(slog.DiscardHandler)}
	if err := store.PutNote(t.Context(), "move", "unfinished", []byte("1")); err != nil {
		t.Fatal(err)
	}
	if _, err := New(conf); err == nil || !strings.Contains(err.Error(), "has not come to its end") {
		t.Errorf("an unfinished target: %v", err)
	}
	if err := store.DeleteNote(t.Context(), "move", "unfinished"); err != nil {
		t.Fatal(err)
	}
	if _, err := New(conf); err != nil {
		t.Errorf("a finished one: %v", err)
	}
}
