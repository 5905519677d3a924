package web

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/casework/storetest"
	"airwarrant/qualify/editions"
	"airwarrant/rules"
	"airwarrant/web/accounts"
)

const vale = "xx-vale"

const valePack = `effective_from: 2026-01-01
title: Vale notice, first
cites:
  notice: {document: Vale Notice, section: "1", edition: first, read_on: 2026-01-01}
criteria:
  id: all
  label: Oxygen at home
  all_of:
    - {id: rest, label: Low at rest, fact: rest_spo2, at_or_below: 88 %, cite: [notice], status: verified}
`

const valeCases = `cases:
  - name: at the limit
    source: stated
    facts: {rest_spo2: 88}
    want: {outcome: qualifies}
  - name: above it
    source: stated
    facts: {rest_spo2: 90}
    want: {outcome: does_not_qualify}
  - name: nothing known
    source: stated
    want: {outcome: undetermined}
`

// valeNext says 87 % and cites the notice that says so.
var valeNext = strings.NewReplacer("88 %", "87 %", `notice: {document: Vale Notice, section: "1", edition: first, read_on: 2026-01-01}`, `notice: {document: Vale Notice, section: "1", edition: second, read_on: 2026-05-20}`,
	"first\ncites", "second\ncites", "2026-01-01\ntitle", "2026-07-01\ntitle").Replace(valePack)

var valeNextCases = strings.ReplaceAll(valeCases, "rest_spo2: 88", "rest_spo2: 87")

// valeBench is a site of an invented payer with one version.
func valeBench(t *testing.T) *bench {
	t.Helper()
	lib, err := rules.Load(fstest.MapFS{
		vale + "/region.yaml":           {Data: []byte("region: xx-vale\nname: Vale\npayer: Vale office\nselect_by: test_date\nscope: Invented.\n")},
		vale + "/2026-01-01.yaml":       {Data: []byte(valePack)},
		vale + "/2026-01-01.cases.yaml": {Data: []byte(valeCases)},
	})
	if err != nil {
		t.Fatal(err)
	}
	store := &storetest.Memory{}
	b := newBench(t, store, false)
	b.book = editions.New(store, lib, b.cfg.Now)
	b.cfg.Library, b.lib = b.book, lib
	return b
}

// other is a second person of the supplier at a desk.
func (b *bench) other(d Desk) *visitor {
	b.t.Helper()
	token, err := b.accounts.Admit(b.t.Context(), accounts.Person{Issuer: "https://id.example", Subject: "7", Name: "T. Okafor", Roles: []casework.Role{casework.RoleMaintainer, casework.RoleAdministrator}}, "192.0.2.2")
	if err == nil {
		err = b.accounts.TakeRole(b.t.Context(), token, casework.Role(d))
	}
	if err != nil {
		b.t.Fatal(err)
	}
	v := b.visitor()
	v.cookie = &http.Cookie{Name: cookieName, Value: sessionMark + token}
	v.get("/")
	return v
}

// valeCase opens a case of a saturation at rest.
func (b *bench) valeCase(name, spo2 string) string {
	b.t.Helper()
	v := b.at(Intake)
	address := v.open(vale, patient{Name: name, Birth: merrin.Birth})
	v.send(address, address+"/custody", url.Values{"v.test_date": {"2026-05-10"}, "v.test_state": {"rest"}, "v.test_place": {"facility"}, "v.test_performed_by": {"hospital"}, "v.supplier_part": {"none"}, "v.custody": {"sent_by_practitioner"}})
	v.send(address, address+"/facts", url.Values{"v.rest_spo2": {spo2}, "u.rest_spo2": {"%"}})
	return address
}

// draft begins a draft of the next version and saves texts in it.
func (v *visitor) draft(pack, cases string) string {
	v.b.t.Helper()
	v.page("/drafts")
	r := v.sendFile("/drafts", nil, map[string]string{"from": must(v.b.book.Current(v.b.t.Context())).History(vale)[0].SHA256, "day": "2026-07-01"})
	if r.Code != http.StatusSeeOther {
		v.b.t.Fatalf("beginning a draft: status %d: %s", r.Code, text(v.last))
	}
	at := r.Header().Get("Location")
	v.send(at, at, url.Values{"rev": {"1"}, "pack": {pack}, "cases": {cases}})
	return at
}

// TestDraftToPublication goes the way of two maintainers: faults at their lines,
// cases, rehearsal, proposal, approval, notice, and what became of the cases.
func TestDraftToPublication(t *testing.T) {
	b := valeBench(t)
	changes, stays := b.valeCase("Ada Merrin", "88"), b.valeCase("Rollo Hale", "85")
	v := b.at(Maintainer)

	// A fault is told at its line, with the text of the line, and nothing is lost.
	at := v.draft(strings.Replace(valeNext, "fact: rest_spo2", "fact: rest_sp02", 1), strings.ReplaceAll(valeNextCases, "\n", "\r\n"))
	page := v.page(at)
	b.wants(page, "1 fault", "line 9, column 44", "did you mean", "rest_sp02, at_or_below: 87 %", `data-in="pack" data-line="9" data-column="44"`)
	b.lacks(page, "In plain words")
	// The check of what is being typed stores nothing.
	v.page(at)
	if r := v.post(at+"/check", url.Values{"pack": {valeNext}, "cases": {valeCases}}); r.Code != http.StatusOK {
		t.Fatalf("check: status %d", r.Code)
	}
	b.wants(v.last, "No fault. Its cases run when it is saved.", "In plain words", "is at or below 87 %")
	v.page(at)
	v.post(at+"/check", url.Values{"pack": {valeNext}, "cases": {strings.Replace(valeCases, "want: {outcome: qualifies}", "want: {outcom: qualifies}", 1)}})
	b.wants(v.last, "2 faults", "Cases, line 5", "outcom")
	b.wants(v.page(at), "1 fault")

	// A figure without a new citation is refused.
	v.send(at, at, url.Values{"rev": {"2"}, "pack": {strings.Replace(strings.Replace(valePack, "88 %", "87 %", 1), "2026-01-01\ntitle", "2026-07-01\ntitle", 1)}, "cases": {valeNextCases}})
	b.wants(v.page(at), "No fault.", "3 cases ran", "each came out as it says", "expected a new or changed document beside a changed figure", "before", "88 %")
	v.page(at + "/proposal")
	if r := v.post(at+"/proposal", url.Values{"rev": {"3"}, "received": {"2026-13-01"}}); r.Code != http.StatusUnprocessableEntity {
		t.Errorf("a day that is none: status %d", r.Code)
	}
	b.wants(v.last, `value="2026-13-01"`, `id="received-e"`)
	if r := v.post(at+"/proposal", url.Values{"rev": {"3"}, "received": {"2026-05-20"}}); r.Code != http.StatusUnprocessableEntity {
		t.Errorf("a changed figure without a citation: status %d", r.Code)
	}
	b.wants(v.last, "expected a new or changed document", `value="2026-05-20"`, "Rehearse it first")

	v.send(at, at, url.Values{"rev": {"3"}, "pack": {valeNext}, "cases": {valeNextCases}})
	b.wants(v.page(at), "No fault.", "each came out as it says", "What it says otherwise than the version from 2026-01-01")

	// Rehearsal: counts, clauses, case numbers, and no name.
	b.wants(v.page(at+"/rehearsal"), "Not begun.")
	page = v.send(at+"/rehearsal", at+"/rehearsal", url.Values{})
	number, other := changes[len("/cases/"):], stays[len("/cases/"):]
	b.wants(page, "Through all stored cases", "The outcome is another 1", "written criteria met → written criteria not met 1", "Low at rest (rest) 1", number)
	b.lacks(page, "Merrin", "Hale", other)
	r := v.get(at + "/rehearsal.csv")
	if r.Code != http.StatusOK || !strings.HasPrefix(v.last, "case,in_force,draft") || !strings.Contains(v.last, number+",qualifies,does_not_qualify") || strings.Contains(v.last, "Merrin") {
		t.Errorf("table of cases: %d: %s", r.Code, v.last)
	}

	// Two people.
	page = v.send(at+"/proposal", at+"/proposal", url.Values{"rev": {"4"}, "received": {"2026-05-20"}})
	b.wants(page, "waits for a second person", "You proposed it", "The outcome is another 1", "Half a page for the desks", "2026-05-20")
	b.lacks(page, "Agree, and publish")
	change := first(regexp.MustCompile(`action="(/changes/\d+)"`), page)
	agree := func(v *visitor) int {
		t.Helper()
		page := v.page(change)
		form := url.Values{"agree": {"1"}}
		for _, name := range []string{"entry", "draft", "rehearsal"} {
			form.Set(name, first(regexp.MustCompile(`name="`+name+`" value="([^"]*)"`), page))
		}
		return v.post(change, form).Code
	}
	if code := agree(v); code != http.StatusUnprocessableEntity {
		t.Errorf("the first person approves: status %d", code)
	}
	b.wants(v.last, "Expected another person")
	if code := agree(b.at(Administrator)); code != http.StatusUnprocessableEntity {
		t.Errorf("the first person approves in another role: status %d", code)
	}
	intake := b.at(Intake)
	if r := intake.get(change + "/notice"); r.Code != http.StatusNotFound {
		t.Errorf("a notice of what is only proposed: status %d", r.Code)
	}
	b.lacks(intake.page("/cases"), "Criteria change:")
	second := b.other(Administrator)
	b.wants(second.page(change), "Agree, and publish", "The outcome is another 1")
	if r := second.post(change, url.Values{"agree": {"1"}, "entry": {strings.Repeat("0", 64)}}); r.Code != http.StatusUnprocessableEntity {
		t.Errorf("an approval of something else: status %d", r.Code)
	}
	if code := agree(second); code != http.StatusSeeOther {
		t.Fatalf("the second person approves: status %d: %s", code, text(second.last))
	}
	b.wants(second.page(change), "published", "T. Okafor", "M. Reyes")
	if got := must(b.book.Current(t.Context())).History(vale); len(got) != 2 || got[1].KnownSince != b.today() {
		t.Fatalf("%d versions after the publication", len(got))
	}

	// The desks.
	b.wants(intake.page("/cases"), "Criteria change:", "Vale", "for tests from 1 Jul 2026 on")
	b.lacks(intake.last, "criteria changed since it was determined") // each was determined before that day, so its test is older
	b.wants(intake.page(change+"/notice"), "For whom", "Invented.", "For tests from 1 Jul 2026 on", "87 %", "M. Reyes, T. Okafor")
	b.wants(v.page("/rules"), "2026-07-01", "Vale notice, second")
	if r := v.get(at); r.Code != http.StatusNotFound {
		t.Errorf("the draft of what was published: status %d", r.Code)
	}
	// A test of the old days is judged as before.
	b.wants(intake.page(changes), "Written criteria met")
	b.lacks(intake.last, "The criteria of this case changed")
}

// TestCorrectionAndWithdrawal corrects a version that cases were determined by:
// they are flagged, listed for review and determined anew by a press alone.
func TestCorrectionAndWithdrawal(t *testing.T) {
	b := valeBench(t)
	address := b.valeCase("Ada Merrin", "88")
	closed, printed := b.valeCase("Rollo Hale", "88"), b.valeCase("Odalys Reed", "88")
	intake := b.at(Intake)
	intake.page(closed)
	intake.post(closed+"/close", url.Values{"reason": {"done"}})
	sha := b.lib.History(vale)[0].SHA256
	*b.clock = b.clock.Add(48 * time.Hour)
	v, second := b.at(Maintainer), b.other(Maintainer)
	intake = b.at(Intake)
	b.wants(v.page("/rules/"+vale+"/2026-01-01"), "Correct it", "Withdraw it")
	v.page("/drafts?from=" + sha + "&corrects=1")
	r := v.sendFile("/drafts", nil, map[string]string{"from": sha, "corrects": "1"})
	at := r.Header().Get("Location")
	right := strings.NewReplacer("88 %", "87 %", "read_on: 2026-01-01", "read_on: 2026-05-20").Replace(valePack)
	v.send(at, at, url.Values{"rev": {"1"}, "pack": {right}, "cases": {valeNextCases}})
	v.send(at+"/rehearsal", at+"/rehearsal", url.Values{})
	v.page(at + "/proposal")
	if r := v.post(at+"/proposal", url.Values{"rev": {"2"}}); r.Code != http.StatusUnprocessableEntity {
		t.Errorf("a correction without a reason: status %d: %s", r.Code, text(v.last))
	}
	b.wants(v.last, `id="reason-e"`, "Expected the reason of the correction")
	page := v.send(at+"/proposal", at+"/proposal", url.Values{"rev": {"2"}, "reason": {"a slip of the pen: the notice says 87 %"}})
	change := first(regexp.MustCompile(`action="(/changes/\d+)"`), page)
	approve := func(change string) {
		t.Helper()
		form := url.Values{"agree": {"1"}}
		page := second.page(change)
		for _, name := range []string{"entry", "draft", "rehearsal"} {
			form.Set(name, first(regexp.MustCompile(`name="`+name+`" value="([^"]*)"`), page))
		}
		if r := second.post(change, form); r.Code != http.StatusSeeOther {
			t.Fatalf("%s: status %d: %s", change, r.Code, text(second.last))
		}
	}
	approve(change)
	b.wants(intake.page("/cases"), "determined by a version in whose place another counts", "cases for review")
	number := address[len("/cases/"):]
	b.wants(intake.page(change+"/cases"), number, "2026-01-01", "written criteria met", "closed", `href="`+address+`"`)
	b.lacks(v.page(change+"/cases"), `href="/cases/`, "Merrin")
	b.wants(v.last, number)
	before := must(casework.Open(t.Context(), b.store, number)).Determination.K
	b.wants(intake.page(address), "The criteria of this case changed since it was determined", "By the version that counts now")
	if now := must(casework.Open(t.Context(), b.store, number)).Determination.K; now != before {
		t.Error("looking at a case determined it")
	}
	// A closed case stays as it was closed.
	b.wants(intake.page(closed), "✓</span> written criteria met")
	b.lacks(intake.last, "The criteria of this case changed")
	// What is printed is determined first, and so in the trail.
	if r := intake.get(printed + "/worksheet.json"); r.Code != http.StatusOK {
		t.Fatalf("worksheet: status %d", r.Code)
	}
	if got := must(casework.Open(t.Context(), b.store, printed[len("/cases/"):])).Determination.Results[0].Outcome; got != "does_not_qualify" {
		t.Errorf("what was printed is not in the trail: %s", got)
	}
	b.wants(intake.send(address, address+"/determine", url.Values{}), "✗</span> written criteria not met")
	b.lacks(intake.last, "The criteria of this case changed")
	c, err := casework.Open(t.Context(), b.store, number)
	if err != nil || c.Determination.Results[0].Outcome != "does_not_qualify" {
		t.Errorf("determined anew: %+v, %v", c.Determination, err)
	}

	// The correction is withdrawn in turn.
	version := "/rules/" + vale + "/2026-01-01"
	v.page(version)
	if r := v.post(version+"/withdrawal", url.Values{"reason": {""}}); r.Code != http.StatusUnprocessableEntity {
		t.Errorf("a withdrawal without a reason: status %d", r.Code)
	}
	b.wants(v.last, "Expected the reason of the withdrawal")
	page = v.send(version, version+"/withdrawal", url.Values{"reason": {"it was read in the wrong notice"}})
	withdrawal := first(regexp.MustCompile(`action="(/changes/\d+)"`), page)
	// turned down once, with a reason
	second.page(withdrawal)
	if r := second.post(withdrawal, url.Values{"down": {"1"}}); r.Code != http.StatusUnprocessableEntity {
		t.Errorf("turned down without a reason: status %d", r.Code)
	}
	second.send(withdrawal, withdrawal, url.Values{"down": {"1"}, "reason": {"say which notice"}})
	b.wants(v.page(withdrawal), "turned down", "say which notice")
	page = v.send(version, version+"/withdrawal", url.Values{"reason": {"it was read in notice 7, which is of another payer"}})
	approve(first(regexp.MustCompile(`action="(/changes/\d+)"`), page))
	b.wants(intake.page("/cases"), "determined by a version in whose place another counts", "is withdrawn")
	b.wants(v.page("/rules"), "Counts no longer here since 3 Jun 2026")
}

// Two maintainers write one draft: who saves later sees both texts, and neither
// is lost.
func TestTwoOnOneDraft(t *testing.T) {
	b := valeBench(t)
	v, w := b.at(Maintainer), b.other(Maintainer)
	at := v.draft(valeNext, valeNextCases)
	w.page(at)
	theirs, mine := strings.Replace(valeNext, "Low at rest", "Low while resting", 1), strings.Replace(valeNext, "Oxygen at home", "Oxygen at the patient's home", 1)
	v.send(at, at, url.Values{"rev": {"2"}, "pack": {theirs}, "cases": {valeNextCases}})
	if r := w.post(at, url.Values{"rev": {"2"}, "pack": {mine}, "cases": {valeNextCases}}); r.Code != http.StatusConflict {
		t.Fatalf("the later save: status %d", r.Code)
	}
	b.wants(w.last, "M. Reyes", "saved this draft while you were writing", "− ", "Low while resting", "+ ", "Oxygen at the patient", `name="rev" value="3"`, "data-unsaved")
	both := strings.Replace(theirs, "Oxygen at home", "Oxygen at the patient's home", 1)
	if r := w.post(at, url.Values{"rev": {"3"}, "pack": {both}, "cases": {valeNextCases}}); r.Code != http.StatusSeeOther {
		t.Errorf("both laid together: status %d", r.Code)
	}
	b.wants(w.page(at), "Low while resting", "Oxygen at the patient", "T. Okafor")
	w.page(at)
	if r := w.post(at+"/discard", url.Values{"rev": {"3"}}); r.Code != http.StatusConflict {
		t.Errorf("throwing away what was saved since: status %d", r.Code)
	}
	w.send(at, at+"/discard", url.Values{"rev": {"4"}})
	if r := w.get(at); r.Code != http.StatusNotFound {
		t.Errorf("a draft that was thrown away: status %d", r.Code)
	}
}

// A draft begins from a file, too; what is no text is refused.
func TestDraftFromFile(t *testing.T) {
	b := valeBench(t)
	v := b.at(Maintainer)
	v.page("/drafts")
	if r := v.sendFile("/drafts", []byte(valeNext), map[string]string{"region": vale}); r.Code != http.StatusSeeOther {
		t.Fatalf("status %d: %s", r.Code, text(v.last))
	} else {
		b.wants(v.page(r.Header().Get("Location")), "No fault.", "Vale notice, second")
	}
	for say, tt := range map[string]struct {
		data []byte
		more map[string]string
	}{
		"found neither":                    {nil, map[string]string{}},
		"a text in UTF-8":                  {[]byte("\xff\xfe"), map[string]string{"region": vale}},
		"the folder name of the region":    {[]byte(valeNext), map[string]string{}},
		"small letters, digits":            {[]byte(valeNext), map[string]string{"region": "../etc"}},
		"one of the versions listed":       {nil, map[string]string{"from": "no", "day": "2026-07-01"}},
		"the first day of the new version": {nil, map[string]string{"from": b.lib.History(vale)[0].SHA256, "day": "soon"}},
	} {
		v.page("/drafts")
		if r := v.sendFile("/drafts", tt.data, tt.more); r.Code != http.StatusUnprocessableEntity {
			t.Errorf("%s: status %d", say, r.Code)
		}
		b.wants(strings.ToLower(v.last), strings.ToLower(say))
	}
}

// A rehearsal of more cases than one request takes goes on where it stood; whoever
// leaves it loses nothing.
func TestRehearsalGoesOn(t *testing.T) {
	b := valeBench(t)
	b.cfg.RehearsalSlice = 1 // one page of cases a request
	for i := range 300 {
		if _, err := casework.Create(t.Context(), b.store, must(casework.NewNumber(b.cfg.Now(), b.cfg.Random)), b.stamp("M. Reyes", casework.RoleIntake), casework.Opened{Criteria: []string{vale}}); err != nil {
			t.Fatal(i, err)
		}
	}
	v := b.at(Maintainer)
	at := v.draft(valeNext, valeNextCases)
	b.wants(v.send(at+"/rehearsal", at+"/rehearsal", url.Values{}), "256 cases so far. It is not through.", "What came out so far", "It was changed and is not determined since", "Go on", "The first 200 are listed")
	// Another person goes on with it, on another day.
	*b.clock = b.clock.Add(24 * time.Hour)
	w := b.other(Maintainer)
	b.wants(w.page(at+"/rehearsal"), "256 cases so far", "Begun by M. Reyes")
	b.wants(w.send(at+"/rehearsal", at+"/rehearsal", url.Values{}), "Through all stored cases", "Stored cases judged by these criteria 300")
	w.page(at + "/rehearsal.csv")
	if lines := strings.Count(w.last, "\n"); lines != 301 {
		t.Errorf("the table has %d lines, want 301", lines)
	}
}

// A rehearsal begins anew where its draft or the cases are others.
func TestRehearsalAnew(t *testing.T) {
	b := valeBench(t)
	for i := range 3 {
		b.valeCase(fmt.Sprintf("Patient %d", i), "88")
	}
	v := b.at(Maintainer)
	at := v.draft(valeNext, valeNextCases)
	v.send(at+"/rehearsal", at+"/rehearsal", url.Values{})
	b.wants(v.last, "Through all stored cases", "written criteria met → written criteria not met 3")
	// Begun anew it counts what came since.
	b.valeCase("One more", "88")
	b.lacks(v.page(at+"/rehearsal"), "written criteria not met 4")
	b.wants(v.send(at+"/rehearsal", at+"/rehearsal", url.Values{"again": {"1"}}), "Not begun.")
	b.wants(v.send(at+"/rehearsal", at+"/rehearsal", url.Values{}), "written criteria met → written criteria not met 4")
	// Another text is another rehearsal.
	v.send(at, at, url.Values{"rev": {"2"}, "pack": {valeNext + "# a note\n"}, "cases": {valeNextCases}})
	b.wants(v.page(at+"/rehearsal"), "Not begun.")
	v.send(at, at, url.Values{"rev": {"3"}, "pack": {"title: nothing\n"}, "cases": {valeNextCases}})
	b.wants(v.page(at+"/rehearsal"), "Expected a draft without a fault")
	v.page(at + "/rehearsal")
	if r := v.post(at+"/rehearsal", url.Values{}); r.Code != http.StatusUnprocessableEntity {
		t.Errorf("a draft with faults: status %d", r.Code)
	}
}

// What an editor offers holds every fact of the vocabulary and the keys and values
// of the schema.
func TestDraftWords(t *testing.T) {
	b := valeBench(t)
	v := b.at(Maintainer)
	var c completion
	if err := json.Unmarshal([]byte(v.page("/drafts/words.json")), &c); err != nil {
		t.Fatal(err)
	}
	facts := map[string]bool{}
	for _, f := range c.Facts {
		facts[f.Word] = f.Says != ""
	}
	for _, def := range rules.Vocabulary() {
		if !facts[def.Name] {
			t.Errorf("%s is not offered", def.Name)
		}
	}
	keys := map[string]bool{}
	for _, k := range c.Keys {
		keys[k.Word] = k.Says != ""
	}
	for _, k := range []string{"effective_from", "all_of", "at_or_below", "cite", "status", "unless_known", "applies", "want"} {
		if !keys[k] {
			t.Errorf("key %s is not offered with what it means", k)
		}
	}
	if got := c.Values["status"]; len(got) != 3 || len(c.Words["test_oxygen"])+len(c.Words["test_state"]) < 3 || c.Units["rest_pao2"][0] != "mmHg" {
		t.Errorf("values: %v, words: %v, units: %v", got, c.Words["test_state"], c.Units["rest_pao2"])
	}
}

// TestDraftInSpanish: what is told of a draft is in the language of whoever looks,
// also where somebody looked before in another: faults, failures of cases with why,
// what keeps it from being proposed, and what is told of a text while it is typed.
func TestDraftInSpanish(t *testing.T) {
	b := valeBench(t)
	v := b.at(Maintainer)
	at := v.draft(strings.Replace(valeNext, "fact: rest_spo2", "fact: rest_sp02", 1), valeNextCases)
	both := func(english, spanish []string) {
		t.Helper()
		v.accept = "en"
		b.wants(v.page(at), english...)
		v.accept = "es"
		b.wants(v.page(at), spanish...)
		b.lacks(v.last, english...)
	}
	both([]string{`expected a fact of the vocabulary; found "rest_sp02"; did you mean "rest_spo2"?`},
		[]string{`criteria.all_of[0].fact: se esperaba un dato del vocabulario; se encontró "rest_sp02"; ¿quiso decir "rest_spo2"?`, "Se esperaban textos sin fallos; se encontraron 1."})

	save := func(pack, cases string) {
		t.Helper()
		v.page(at)
		rev := regexp.MustCompile(`name="rev" value="(\d+)"`).FindStringSubmatch(v.last)[1]
		v.send(at, at, url.Values{"rev": {rev}, "pack": {pack}, "cases": {cases}})
	}
	save(valeNext, strings.Replace(valeNextCases, "want: {outcome: qualifies}", "want: {outcome: does_not_qualify, needs: [custody]}", 1))
	both([]string{"outcome: expected does_not_qualify, found qualifies; needs: expected custody among them, found []; because: "},
		[]string{"outcome: se esperaba does_not_qualify, se encontró qualifies; needs: se esperaba custody entre ellos, se encontró []; porque: ", "cumple", "Se esperaba que cada caso"})

	save(strings.Replace(strings.Replace(valePack, "88 %", "87 %", 1), "2026-01-01\ntitle", "2026-07-01\ntitle", 1), valeNextCases)
	both([]string{"expected a new or changed document beside a changed figure; found “", "as before; cite the document"},
		[]string{"se esperaba un documento nuevo o cambiado junto a una cifra cambiada; se encontró “fact rest_spo2, at_or_below 87 %”, antes “fact rest_spo2, at_or_below 88 %”"})

	for _, c := range []struct{ pack, cases, want string }{
		{valeNext, strings.Replace(valeNextCases, "want: {outcome: qualifies}", "want: {outcom: qualifies}", 1), `columna 12: se esperaba una clave de entre outcome, disposition`},
		{valeNext[strings.Index(valeNext, "title"):], valeNextCases, "se esperaba la clave effective_from; se encontró ninguno; añada effective_from: primer día en que rigen los criterios; coincide con el nombre del archivo"},
		{valeNext + "\t- x", valeNextCases, "se esperaba YAML que pueda leerse; se encontró lo que el lector rechaza: "},
		{"", valeNextCases, "se esperaba claves y valores; se encontró un archivo vacío; escriba el archivo, o bórrelo"},
	} {
		v.page(at)
		v.post(at+"/check", url.Values{"pack": {c.pack}, "cases": {c.cases}})
		b.wants(v.last, c.want)
		b.lacks(v.last, "expected ", "; found ")
	}
}
