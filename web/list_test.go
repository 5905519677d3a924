package web

import (
	"context"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"airwarrant/qualify"
	"airwarrant/qualify/casework"
	"airwarrant/qualify/casework/storetest"
	"airwarrant/qualify/criteria"
	"airwarrant/rules"
	"airwarrant/web/accounts"
)

var caseLink = regexp.MustCompile(`<a href="/cases/(\d{4}-\w+)">`)

// numbers are the cases that the last page lists, in order.
func (v *visitor) numbers() []string {
	var out []string
	for _, m := range caseLink.FindAllStringSubmatch(v.last, -1) {
		out = append(out, m[1])
	}
	return out
}

func (b *bench) numberOf(name string) string {
	b.t.Helper()
	return strings.TrimPrefix(b.demoAddress(name), "/cases/")
}

// A list grouped by state, payer or owner holds every case once, group after group,
// and its pages lead on within the group.
func TestListInGroups(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	v := b.at(Intake)
	v.page("/cases")
	all := v.numbers()
	stateOf, payerOf, ownerOf := map[string]string{}, map[string]string{}, map[string]string{}
	heads, _, err := b.store.Heads(t.Context(), "", 1000)
	if err != nil {
		t.Fatal(err)
	}
	for i, h := range heads {
		switch i { // an owner and criteria that nobody knows any more, and nobody
		case 0:
			h.Owner = "R. Hale (left)"
		case 1:
			h.Owner = ""
		case 2:
			h.Criteria = []string{"xx-gone"}
		case 3, 7:
			h.Owner = "M. Reyes"
		}
		if err := b.store.PutHead(t.Context(), h); err != nil {
			t.Fatal(err)
		}
		stateOf[h.Case], payerOf[h.Case], ownerOf[h.Case] = string(h.State), h.Region(), h.Owner
		if h.Owner != "" && h.Owner != "M. Reyes" {
			ownerOf[h.Case] = "of no account" // which is one group
		}
	}
	for by, of := range map[string]map[string]string{"state": stateOf, "payer": payerOf, "owner": ownerOf} {
		v.page("/cases?by=" + by + "&order=due")
		got := v.numbers()
		if !slices.Equal(slices.Sorted(slices.Values(got)), slices.Sorted(slices.Values(all))) {
			t.Errorf("grouped by %s: %q, want each of %q once", by, got, all)
		}
		var runs []string
		for _, n := range got {
			if len(runs) == 0 || runs[len(runs)-1] != of[n] {
				runs = append(runs, of[n])
			}
		}
		if once := slices.Compact(slices.Sorted(slices.Values(runs))); len(once) != len(runs) || len(runs) < 2 {
			t.Errorf("grouped by %s the groups are %q, want each once", by, runs)
		}
		b.wants(v.last, `<option value="`+by+`" selected>`)
	}
	// What is selected already is one group, and another word groups nothing.
	for _, query := range []string{"by=payer&payer=us-medicare", "by=state&state=open", "by=owner&whose=nobody", "by=nonsense"} {
		v.page("/cases?" + strings.SplitN(query, "&", 2)[len(strings.SplitN(query, "&", 2))-1])
		want := v.numbers()
		v.page("/cases?" + query)
		if got := v.numbers(); !slices.Equal(got, want) {
			t.Errorf("%s: %q, want %q", query, got, want)
		}
	}
}

// A case moves from list to list as the work on it goes on.
func TestListBySelection(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	v := b.at(Intake)
	v.page("/cases")
	all := v.numbers()
	if len(all) != len(demoCases()) {
		t.Fatalf("%d cases listed, want %d", len(all), len(demoCases()))
	}
	lists := func(query, name string) bool {
		t.Helper()
		v.page("/cases?" + query)
		return slices.Contains(v.numbers(), b.numberOf(name))
	}
	for _, tt := range []struct {
		query, holds, lacks string
	}{
		{"state=answered", "Ada Merrin", "Cassius Penhallow"},
		{"state=open", "Cassius Penhallow", "Ada Merrin"},
		{"payer=anz-tsanz", "Marama Tidewell", "Ada Merrin"},
		{"whose=of:demo+intake", "Ada Merrin", ""},
		{"whose=mine", "", "Ada Merrin"},
		{"whose=nobody", "", "Ada Merrin"},
		{"state=closed", "", "Ada Merrin"},
		{"state=nonsense&payer=xx-none&whose=of:&order=up", "Ada Merrin", ""}, // selects nothing
	} {
		if tt.holds != "" && !lists(tt.query, tt.holds) || tt.lacks != "" && lists(tt.query, tt.lacks) {
			t.Errorf("%s: %q", tt.query, v.numbers())
		}
	}
	b.wants(v.page("/cases?state=closed"), "No case is in this list.", "Show all")

	number := b.numberOf("Cassius Penhallow")
	address := "/cases/" + number
	v.page(address)
	v.post(address+"/links", url.Values{"desk": {"office"}})
	if !lists("state=office", "Cassius Penhallow") || lists("state=open", "Cassius Penhallow") {
		t.Error("a case whose link was made is not with the office")
	}
	b.wants(v.page("/cases?state=office"), "15 Jun 2026 answer of the office")
	b.lacks(v.last, "the link has ended")
	*b.clock = b.clock.Add(15 * 24 * time.Hour)
	v = b.at(Intake)
	b.wants(v.page("/cases?state=office"), "▲ the link has ended")

	b.employs("P. Lund")
	b.wants(v.send(address, address+"/assign", url.Values{"owner": {"P. Lund"}, "due": {"2026-06-10"}}), "With P. Lund Due Jun 10, 2026 ▲ overdue")
	b.wants(v.page("/cases?whose=of:P.+Lund&order=due"), "10 Jun 2026", "▲ overdue", "P. Lund")
	if got := v.numbers(); !slices.Equal(got, []string{number}) {
		t.Errorf("cases of P. Lund: %q", got)
	}
	b.wants(v.send(address, address+"/assign", url.Values{"take": {"1"}, "owner": {"P. Lund"}}), "With M. Reyes Due Jun 10, 2026")
	// A list by a day ends with the day asked for; a day alone is that on which
	// something is due.
	for query, want := range map[string]bool{"order=due&till=2026-06-10": true, "till=2026-06-10": true, "till=2026-06-09": false, "order=until&till=2026-06-10": false,
		"order=due&till=2028-02-29": true, "till=2026-02-29": true, "till=10.6.": true, "till=9999-12-31": true} {
		if lists(query+"&whose=mine", "Cassius Penhallow") != want {
			t.Errorf("%s: %q, Cassius Penhallow in it: want %v", query, v.numbers(), want)
		}
	}
	b.wants(v.page("/cases?till=2026-06-10"), "and of a day up to")
	if !strings.Contains(v.last, `name="till" value="2026-06-10"`) || strings.Contains(v.last, "Ada Merrin") {
		t.Error("the day asked for is not shown, or a case without a day is")
	}
	if !lists("whose=mine", "Cassius Penhallow") {
		t.Error("a case that was taken is not mine")
	}
	before := b.events(number)
	v.send(address, address+"/assign", url.Values{"owner": {"M. Reyes"}, "due": {"2026-06-10"}})
	if after := b.events(number); after != before {
		t.Errorf("the same owner and day once more wrote %d events", after-before)
	}
	v.page(address)
	if r := v.post(address+"/assign", url.Values{"owner": {"A. Stranger"}, "due": {"10.6."}}); r.Code != http.StatusUnprocessableEntity {
		t.Errorf("status %d, want 422", r.Code)
	}
	b.wants(v.last, "Choose one of the list", "A. Stranger, without an account", "overdue")
}

// A case is given to an account of the intake desk; the name of one who left,
// or that was typed before, stays readable and can be kept.
func TestOwnersAreAccounts(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	b.at(Office)
	address := v.open(medicare, merrin)
	option := func(page, name string) bool { return strings.Contains(page, `<option value="`+name+`"`) }
	if page := v.page(address); !option(page, "M. Reyes") || option(page, "P. Lund") || option(page, "Harbour desk") {
		t.Error("the accounts of the intake desk, and they alone, are offered")
	}
	b.employs("P. Lund")
	if !option(v.page("/cases"), "of:P. Lund") {
		t.Error("the list cannot be cut to the cases of an account")
	}
	v.send(address, address+"/assign", url.Values{"owner": {"P. Lund"}})
	for _, a := range must(b.accounts.Accounts(t.Context())) {
		if a.Name == "P. Lund" {
			if err := b.accounts.Disable(t.Context(), b.stamp("an administrator", casework.RoleAdministrator), a.ID); err != nil {
				t.Fatal(err)
			}
		}
	}
	b.wants(v.page(address), "With P. Lund", "P. Lund, without an account of the intake desk")
	b.wants(v.send(address, address+"/assign", url.Values{"owner": {"P. Lund"}, "due": {"2026-07-01"}}), "With P. Lund Due Jul 1, 2026")
	v.send(address, address+"/assign", url.Values{"owner": {""}, "due": {"2026-07-01"}})
	b.lacks(v.page(address), "P. Lund")
	if w := v.post(address+"/assign", url.Values{"owner": {"P. Lund"}}); w.Code != http.StatusUnprocessableEntity {
		t.Errorf("given to an account that is closed: status %d", w.Code)
	}
}

// employs makes an account of the intake desk.
func (b *bench) employs(name string) {
	b.t.Helper()
	p := accounts.Person{Issuer: "https://id.example", Subject: name, Name: name, Roles: []casework.Role{casework.RoleIntake}}
	if b.cfg.Demo {
		p.Issuer = demoIssuer
	}
	if _, err := b.accounts.Admit(b.t.Context(), p, "192.0.2.1"); err != nil {
		b.t.Fatal(err)
	}
}

// Closing a case stops what opens it from outside, in the one event, and
// opening it again brings no link back.
func TestClosingStopsLinks(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	v := b.at(Intake)
	number := b.numberOf("Cassius Penhallow")
	address := "/cases/" + number
	links := b.links(address)
	guest := b.guest(links[Office], links[Tester])
	account := b.at(Office)
	if err := b.putOnDay(t.Context(), number, b.stamp("M. Reyes", casework.RoleIntake), "Harbour Road Practice"); err != nil {
		t.Fatal(err)
	}
	if w := account.get("/day/" + number); w.Code != http.StatusOK {
		t.Fatalf("on the list of the day: status %d", w.Code)
	}
	b.wants(v.page(address), "Closing stops its 3 open links")
	before := b.events(number)
	v.send(address, address+"/close", url.Values{"reason": {"set up"}})
	closing := 0
	for _, e := range must(b.store.Events(t.Context(), number, before+1)) {
		if e.Kind != casework.KindViewed && e.Kind != casework.KindDetermined {
			closing++
		}
	}
	if closing != 1 {
		t.Errorf("closing wrote %d events, want one", closing)
	}
	shut := func(when string) {
		t.Helper()
		for d, l := range links {
			if w := guest.get(l); w.Code != http.StatusNotFound && w.Code != http.StatusGone && w.Code != http.StatusForbidden {
				t.Errorf("%s, the link of the %s: status %d", when, d, w.Code)
			}
			b.lacks(guest.last, "Cassius", "Which saturation")
		}
		if w := account.get("/day/" + number); w.Code == http.StatusOK {
			t.Errorf("%s the account of an office still opens the case", when)
		}
	}
	shut("closed")
	page := v.page(address)
	b.wants(page, "no link opens it")
	b.lacks(page, "Make a link for")
	if w := v.post(address+"/links", url.Values{"desk": {"office"}, "k": {"999"}}); w.Code == http.StatusOK {
		t.Errorf("a link to a closed case: status %d", w.Code)
	}
	v.send(address, address+"/reopen", url.Values{"reason": {"the payer asks"}})
	shut("opened again")
	if n := strings.Count(v.page(address+"/trail"), "stopped"); n < 1 || !strings.Contains(v.last, "case closed: set up; link ") {
		t.Errorf("the trail does not name the links: %s", text(v.last))
	}
}

// A closed case takes nothing but reopening, which takes the work up again.
func TestCloseAndReopen(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	v := b.at(Intake)
	number := b.numberOf("Ada Merrin")
	address := "/cases/" + number
	v.page(address)
	if r := v.post(address+"/close", url.Values{"reason": {" "}}); r.Code != http.StatusUnprocessableEntity {
		t.Errorf("closed without a reason: status %d", r.Code)
	}
	b.wants(v.send(address, address+"/close", url.Values{"reason": {"set up; nothing left to do"}}), "State closed , Jun 1, 2026 09:00 UTC", "Open the case again")
	v.send(address, address+"/close", url.Values{"reason": {"pressed twice"}})
	b.wants(v.page(address), "Nothing on the case changes before it is opened again", "The worksheet")
	for _, m := range regexp.MustCompile(`<form[^>]* action="([^"]*)"`).FindAllStringSubmatch(v.last, -1) {
		if strings.HasPrefix(m[1], address) && m[1] != address+"/reopen" {
			t.Errorf("a closed case offers the form %s", m[1])
		}
	}
	b.wants(v.page(address+"/trail"), "case closed: set up; nothing left to do")
	b.lacks(v.last, "pressed twice")
	b.wants(v.page("/cases?state=closed"), number, "✓ met")
	v.page(address)
	if r := v.post(address+"/patient", url.Values{"name": {"Another"}, "birth": {"1951-05-04"}}); r.Code != http.StatusConflict {
		t.Errorf("the patient of a closed case: status %d, want 409", r.Code)
	}
	b.wants(v.send(address, address+"/reopen", url.Values{"reason": {"the payer asks"}}), "State answered")
	b.wants(v.page(address+"/trail"), "case opened again: the payer asks")
	c := must(casework.Open(t.Context(), b.store, number))
	if c.Determination.K != c.Edited {
		t.Error("the reopened case was not determined anew")
	}
}

// While nobody is told of a critically low reading a case is not closed, and
// the page says why.
func TestCloseWaitsForTheAlert(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := b.ready(v)
	v.upload(address, address+"/recording", []byte(strings.ReplaceAll(string(recordings()["night-1.csv"]), ",9", ",7")), nil)
	b.wants(v.page("/cases"), "critically low, nobody told yet")
	v.page(address)
	if r := v.post(address+"/close", url.Values{"reason": {"done"}}); r.Code != http.StatusUnprocessableEntity {
		t.Errorf("status %d, want 422: %s", r.Code, text(v.last))
	}
	b.wants(v.last, "nobody is entered as told", "done")
}

// A name is found by its start, whatever its accents and which of its words
// the surname is; the name goes into no address.
func TestFind(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	open := func(name string) string {
		return strings.TrimPrefix(v.open(medicare, patient{Name: name, Birth: merrin.Birth}), "/cases/")
	}
	merrin, mercer, wazna, berg := open("Ada Merrin"), open("MERCER, Tom"), open("Élodie Ważna-Łukasz"), open("Ann van der Berg")
	find := func(what string, want ...string) {
		t.Helper()
		v.page("/cases")
		r := v.post("/cases/find", url.Values{"find": {what}})
		got := v.numbers()
		slices.Sort(got)
		slices.Sort(want)
		if r.Code != http.StatusOK || !slices.Equal(got, want) {
			t.Errorf("%q: status %d, found %q, want %q", what, r.Code, got, want)
		}
	}
	// A surname of one letter, where letters are words or syllables.
	wang, kim := open("\u738b \u5c0f\u660e"), open("\uae40\ubbfc\uc900")
	find("\u738b", wang)
	find("\u738b \u5c0f", wang)
	find("\uae40", kim)
	find("\u674e")
	find("Mer", merrin, mercer)
	find("merr", merrin)
	find("merri", merrin)
	find("Merrin", merrin)
	find("merrington")
	find("me", merrin, mercer)
	find("ad", merrin)
	find("ada mer", merrin)
	find("tom merr")
	find("wazna", wazna)
	find("WAŻNA", wazna)
	find("lukasz", wazna)
	find("elo", wazna)
	find("van der b", berg)
	b.wants(v.last, "Cases whose patient has a name that begins with what you typed.")
	find("Quill")
	b.wants(v.last, "No case is of a patient whose name begins with what you typed.")
	for what, want := range map[string]int{"m": 422, "": 422, "--": 422, "2603-7KQ4X": 422, strings.Repeat("me ", 200): 422, "2603-7KQ4XX": 404} {
		if want == 404 {
			what = must(casework.NewNumber(*b.clock, zeros{})) // a number that nobody has
		}
		v.page("/cases")
		if r := v.post("/cases/find", url.Values{"find": {what}}); r.Code != want {
			t.Errorf("%q: status %d, want %d", what, r.Code, want)
		}
	}
	v.page("/cases")
	r := v.post("/cases/find", url.Values{"find": {strings.ToLower(strings.ReplaceAll(merrin, "-", ""))}})
	if r.Code != http.StatusSeeOther || r.Header().Get("Location") != "/cases/"+merrin {
		t.Errorf("by number: status %d to %q", r.Code, r.Header().Get("Location"))
	}

	// A corrected name is found by what it is now alone.
	v.send("/cases/"+mercer, "/cases/"+mercer+"/patient", url.Values{"name": {"Tom Ashgrove"}, "birth": {"1951-05-04"}})
	find("ashg", mercer)
	find("mer", merrin)

	// A list that goes on does so by a form.
	for range listSize + 3 {
		open("Ida Zorn")
	}
	v.page("/cases")
	v.post("/cases/find", url.Values{"find": {"zor"}})
	if n := len(v.numbers()); n != listSize {
		t.Fatalf("%d cases on the first page, want %d", n, listSize)
	}
	next := first(regexp.MustCompile(`name="after" value="([^"]*)"`), v.last)
	v.post("/cases/find", url.Values{"find": {"zor"}, "after": {next}})
	if n := len(v.numbers()); n != 3 {
		t.Errorf("%d cases on the second page, want 3", n)
	}
	v.post("/cases/find", url.Values{"find": {"zor"}, "after": {"foreign"}})
	b.wants(v.last, "The form could not be read")
	// No note holds a name in the clear.
	if strings.Contains(strings.ToLower(b.log.String()), "merrin") {
		t.Error("the log holds a name")
	}
}

// Cases that an earlier version opened are found once the site has started.
func TestEarlierCasesAreFound(t *testing.T) {
	store := &storetest.Memory{}
	b := newBench(t, store, false)
	v := b.at(Intake)
	number := strings.TrimPrefix(v.open(medicare, merrin), "/cases/")
	has := func() bool { return must(casework.HasTerms(t.Context(), store, number)) }
	for _, kind := range []string{"terms", "terms-form"} {
		for n, err := range casework.All(t.Context(), func(ctx context.Context, after string, limit int) ([]casework.Note, string, error) {
			return store.Notes(ctx, kind, after, limit)
		}) {
			if err != nil {
				t.Fatal(err)
			}
			if err := store.DeleteNote(t.Context(), kind, n.Key); err != nil {
				t.Fatal(err)
			}
		}
	}
	if has() {
		t.Fatal("the case still has terms, so the test sees nothing")
	}
	newBench(t, store, false)
	if !has() {
		t.Error("the case got no terms")
	}
}

// What a determination says of the list: days of the calendar as the criteria
// name them, and a draft only while there is nothing to judge.
func TestStandingOfADetermination(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := v.open(medicare, merrin)
	number := strings.TrimPrefix(address, "/cases/")
	state := func() casework.State { return must(casework.Open(t.Context(), b.store, number)).State() }
	if got := state(); got != casework.StateDraft {
		t.Errorf("a case just opened is %q", got)
	}
	v.send(address, address+"/custody", custody("order_on_file"))
	if got := state(); got != casework.StateOpen {
		t.Errorf("with custody stated it is %q", got)
	}
}

// What falls due is the first day of a retest or renewal, and the test serves
// until the first last day that is named; what is open or of another kind
// names none.
func TestDaysOfADetermination(t *testing.T) {
	day := func(s string) *rules.Date {
		if s == "" {
			return nil
		}
		d := must(rules.ParseDate(s))
		return &d
	}
	follows := func(kind, state, from, until string) criteria.Consequence {
		return criteria.Consequence{Kind: kind, State: state, From: day(from), Until: day(until), DayZero: day("2026-01-01")}
	}
	f := &file{Case: &casework.Case{}, Statements: map[string]statement{}}
	ev := &evaluation{Result: &qualify.Result{Determinations: []criteria.Determination{{Consequences: []criteria.Consequence{
		follows("retest", criteria.Holds, "2026-03-02", "2026-04-01"),
		follows("renewal", criteria.Holds, "2026-03-30", ""),
		follows("renewal", criteria.Open, "", "2026-01-02"),
		follows("serves_until", criteria.Holds, "", "2026-01-31"),
		follows("serves_until", criteria.Holds, "", "2026-01-30"),
		follows("serves_until", criteria.Holds, "", ""),
		follows("note", criteria.Holds, "", "2026-01-03"),
	}}}}}
	d := f.standing(ev)
	if d.Due != "2026-03-30" || d.DueFor != "renewal" || d.Until != "2026-01-30" || !d.Draft {
		t.Errorf("due %s for %s, serves until %s, draft %v", d.Due, d.DueFor, d.Until, d.Draft)
	}
	f.Statements["custody"] = statement{Name: "custody"}
	if d := f.standing(ev); d.Draft {
		t.Error("a case whose footing is stated is a draft")
	}
	ev.differs = true
	if d := f.standing(ev); d.Due != "" || d.Until != "" {
		t.Errorf("of a file that may be another person's: due %s, until %s", d.Due, d.Until)
	}
}

// The demonstration shows what falls due and how long a test serves, by the
// consequences of its criteria: two days after a test on the ward, and day 90
// after the start (us-medicare/2023-04-01.yaml, kinds serves_until and retest).
func TestDemoShowsDates(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	v := b.at(Intake)
	row := regexp.MustCompile(`(?s)<tr>(?:[^<]|<[^/]|</[^t]|</t[^r])*Isolde Farrow.*?</tr>`).FindString(v.page("/cases"))
	b.wants(row, "20 Jul 2026", "22 Apr 2026")
	v.page("/cases?order=due")
	if got := v.numbers(); got[0] != b.numberOf("Isolde Farrow") {
		t.Errorf("by due date the list begins with %s", got[0])
	}
}
