package web

import (
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/casework/storetest"
	"airwarrant/web/accounts"
)

// quill is who answers for the office of these tests.
func quill(more url.Values) url.Values {
	form := url.Values{"who": {"R. Quill"}, "credential": {"RN"}}
	maps.Copy(form, more)
	return form
}

// located is the answer that a value of a fact stands in the visit note.
func located(fact, value string) url.Values {
	form := url.Values{"a." + fact: {"located"}, "d." + fact: {"visit note"}, "t." + fact: {"2026-03-14"}, "p." + fact: {"3"}}
	if value != "" {
		form.Set("v."+fact, value)
	}
	return form
}

func with(forms ...url.Values) url.Values {
	out := url.Values{}
	for _, f := range forms {
		maps.Copy(out, f)
	}
	return out
}

func TestOfficeAnswers(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	address := b.demoAddress("Cassius Penhallow")
	link := b.links(address)[Office]
	out := b.guest(link)
	page := out.page(link)
	b.wants(page, "Which saturation awake, at rest, on room air does the chart hold?", "in the chart", "looked for, not there", "we disagree", "not ours to say",
		"An answer tells where documentation is found. It does not replace it", "<svg", "Mar 11, 2026", "until Mar 12, 2026")
	// Nothing that could lead the answer, before it is given.
	b.lacks(page, "undetermined", "criteria met", "criteria not met", "sleep-level", "Waits for it", "89 %", "88 %", "Group", "answers.pdf")
	if w := out.get(link + "/answers.pdf"); w.Code != http.StatusNotFound {
		t.Errorf("paper before any answer: status %d, want 404", w.Code)
	}

	place := url.Values{"d.awake_spo2": {"visit note"}, "t.awake_spo2": {"2026-03-14"}, "p.awake_spo2": {"3"}}
	for _, tt := range []struct {
		name string
		form url.Values
		want string
	}{
		{"nobody answers", located("awake_spo2", "92"), "Expected your name and your credential"},
		{"no credential", with(url.Values{"who": {"R. Quill"}}, located("awake_spo2", "92")), "Expected your name and your credential"},
		{"nothing answered", quill(nil), "Expected an answer to at least one question"},
		{"none of the four", quill(with(place, url.Values{"v.awake_spo2": {"92"}})), "Expected one of the four answers beside what is typed here"},
		{"a fifth", quill(url.Values{"a.awake_spo2": {"perhaps"}}), "Expected one of the four answers; found another"},
		{"no place", quill(url.Values{"a.awake_spo2": {"located"}, "v.awake_spo2": {"92"}}), "Expected the document of the chart in which it stands"},
		{"no date", quill(url.Values{"a.awake_spo2": {"located"}, "v.awake_spo2": {"92"}, "d.awake_spo2": {"visit note"}}), "Expected the date of the document"},
		{"no page", quill(url.Values{"a.awake_spo2": {"located"}, "v.awake_spo2": {"92"}, "d.awake_spo2": {"visit note"}, "t.awake_spo2": {"2026-03-14"}}), "Expected the page"},
		{"no value", quill(located("awake_spo2", "")), "Expected what the chart says"},
		{"no number", quill(located("awake_spo2", "ninety")), `found "ninety %"`},
		{"no day", quill(with(located("awake_spo2", "92"), url.Values{"t.awake_spo2": {"14/3/26"}})), "Date of the document"},
		{"a document of a day to come", quill(with(located("awake_spo2", "92"), url.Values{"t.awake_spo2": {"2026-06-03"}})), "Expected a date that has come"},
		{"a value that is not there", quill(with(place, url.Values{"a.awake_spo2": {"not_in_chart"}, "v.awake_spo2": {"92"}})), "found them with"},
		{"a disagreement without words", quill(url.Values{"a.awake_spo2": {"disagrees"}}), "Expected in the remark with what the office disagrees"},
		{"an endless remark", quill(url.Values{"a.awake_spo2": {"not_ours"}, "r.awake_spo2": {strings.Repeat("x", remarkLimit+1)}}), "Expected a remark of at most"},
	} {
		out.page(link)
		if w := out.post(link, tt.form); w.Code != http.StatusUnprocessableEntity {
			t.Errorf("%s: status %d, want 422", tt.name, w.Code)
		}
		b.wants(out.last, tt.want)
		for k, v := range tt.form { // nothing typed is lost
			if k != "form" && k != "k" && v[0] != "perhaps" && !strings.Contains(out.last, `value="`+v[0]+`"`) {
				t.Errorf("%s: what was typed into %s is lost", tt.name, k)
			}
		}
		out.accept = "es"
		out.page(link)
		out.post(link, tt.form)
		if m := faultInEnglish.FindString(text(out.last)); m != "" {
			t.Errorf("%s: the page in Spanish says %.120q", tt.name, m)
		}
		out.accept = ""
	}
	before := b.events(strings.TrimPrefix(address, "/cases/"))
	page = out.send(link, link, quill(with(located("awake_spo2", "92"), url.Values{"r.awake_spo2": {"Second reading of the visit."}, "a.written_order": {"not_in_chart"}})))
	b.wants(page, "Received and stored", "Answers that we have", "in the chart: 92 %", "visit note of Mar 14, 2026, page 3", "located, copy not on file", "R. Quill, RN", "Second reading of the visit.",
		"looked for, not there", "Neither a test report nor an order", "criteria met")
	if got := b.events(strings.TrimPrefix(address, "/cases/")); got != before+2 {
		t.Errorf("two answers sent at once wrote %d events, want one and its determination", got-before)
	}
	v := b.at(Intake)
	b.wants(v.page(address), "✓ written criteria met", "in the chart: visit note of Mar 14, 2026, page 3, by R. Quill, RN", "Answers of the physician's office", "asked, not known")
	b.wants(v.page(address+"/trail"), "looked for, not there (R. Quill, RN)", "(Second reading of the visit.)", "questions for the office")
}

// Of the four answers only two state something; what is not the office's to
// say, or is disputed, stays asked, but not of the office.
func TestAnswersThatStateNothing(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	address := b.demoAddress("Cassius Penhallow")
	v := b.at(Intake)
	for _, answer := range []string{"not_ours", "disagrees"} {
		link := b.links(address)[Office]
		out := b.guest(link)
		page := out.send(link, link, quill(url.Values{"a.awake_spo2": {answer}, "r.awake_spo2": {"Measured by the hospital."}}))
		b.wants(page, saysWords(answer), "Measured by the hospital.")
		asked, _, _ := strings.Cut(page, "What we hold already")
		if strings.Contains(asked, `name="a.awake_spo2"`) {
			t.Errorf("%s: the office is asked again", answer)
		}
		b.wants(v.page(address), "? undetermined", "Which saturation awake, at rest, on room air does the chart hold?", "Measured by the hospital.")
		if !strings.Contains(v.last, `name="v.awake_spo2"`) {
			t.Errorf("%s: intake cannot answer it any more", answer)
		}
	}
	if f := must(b.Site.open(t.Context(), strings.TrimPrefix(address, "/cases/"))); f.State() != casework.StateDisputed {
		t.Errorf("the case is %s, want disputed", f.State())
	}
}

// A dispute is shown on page and paper until somebody settles it.
func TestDisputeHasAnOwner(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	address := b.demoAddress("Ada Merrin") // qualifies, by what intake typed
	v := b.at(Intake)
	b.lacks(v.page(address), "Answers of the physician's office")
	link := b.links(address)[Office]
	out := b.guest(link)
	b.wants(out.page(link), "What we hold already", "We hold: 92 %")
	out.send(link, link, quill(url.Values{"a.awake_spo2": {"disagrees"}, "r.awake_spo2": {"The note of that day says 88 % on 2 L/min."}}))
	b.wants(out.last, "≠ disputed", "Disputed by the physician's office", "demo intake", "who has the case")
	page := v.page(address)
	b.wants(page, "Disputed by the office: Which saturation awake", "“The note of that day says 88 % on 2 L/min.” R. Quill, RN", "The case holds: 92 %", "It is with demo intake, who has the case, until somebody takes it.")
	v.page(address)
	if w := v.post(address+"/answers", url.Values{"fact": {"sleep_apnea"}, "do": {"take"}}); w.Code != http.StatusConflict {
		t.Errorf("a dispute that is none: status %d, want 409", w.Code)
	}
	page = v.send(address, address+"/answers", url.Values{"fact": {"awake_spo2"}, "do": {"take"}})
	b.wants(page, "Taken by M. Reyes")
	b.lacks(page, "Take this dispute")
	before := b.events(strings.TrimPrefix(address, "/cases/"))
	v.post(address+"/answers", url.Values{"fact": {"awake_spo2"}, "do": {"take"}})
	if got := b.events(strings.TrimPrefix(address, "/cases/")); got != before {
		t.Errorf("a dispute taken twice wrote %d events", got-before)
	}
	v.page(address)
	if w := v.post(address+"/answers", url.Values{"fact": {"awake_spo2"}, "do": {"settle"}, "words": {"done"}}); w.Code != http.StatusUnprocessableEntity {
		t.Errorf("settled in one word: status %d, want 422", w.Code)
	}
	b.wants(v.last, "done</textarea>", "Expected words that say how the dispute was settled")
	page = v.send(address, address+"/answers", url.Values{"fact": {"awake_spo2"}, "do": {"settle"}, "words": {"Dr. Alder looked: 92 % is on room air, 88 % of another day."}})
	b.wants(page, "Settled: Dr. Alder looked")
	b.lacks(page, "Disputed by the office", "Disputed by the physician's office", "≠ disputed")
	b.wants(v.page(address+"/trail"), "took the dispute about", "settled the dispute about", "Dr. Alder looked")

	// A fact corrected ends a dispute too, and the answer is out of date.
	out.send(link, link, quill(url.Values{"a.awake_spo2": {"disagrees"}, "r.awake_spo2": {"Still not right."}}))
	b.wants(v.page(address), "Disputed by the office")
	page = v.send(address, address+"/facts", url.Values{"part": {"stated"}, "v.awake_spo2": {"93"}})
	b.lacks(page, "Disputed by the office")
	b.wants(page, "? out of date", "Stated otherwise since, by M. Reyes")
}

func TestAnswersGrowStale(t *testing.T) {
	for _, tt := range []struct {
		name   string
		change func(v *visitor, address string)
		want   string
	}{
		{"the fact", func(v *visitor, address string) {
			v.send(address, address+"/facts", url.Values{"part": {"stated"}, "v.awake_spo2": {"91"}})
		}, "Stated otherwise since, by M. Reyes on Jun 1, 2026"},
		{"the date of the test", func(v *visitor, address string) {
			f := must(v.b.Site.open(v.b.t.Context(), strings.TrimPrefix(address, "/cases/")))
			form := url.Values{}
			for _, name := range custodyFacts {
				form.Set("v."+name, f.Statements[name].Text)
			}
			form.Set("v.test_date", "2026-03-10")
			v.send(address, address+"/custody", form)
		}, "The date of the test was changed since"},
		{"the recording", func(v *visitor, address string) {
			v.page(address)
			v.send(address, address+"/withdraw", url.Values{"sha256": {first(shaForm, v.last)}, "reason": {"Cut off."}, "whose": {"same"}})
		}, "The recording that was on the case then was withdrawn since"},
		{"the patient", func(v *visitor, address string) {
			v.send(address, address+"/patient", url.Values{"name": {"Cassia Penhallow"}, "birth": {"1955-01-31"}, "identifier": {"HV-20460"}})
		}, "The patient of the case was stated otherwise since, on Jun 1, 2026"},
		{"another fact", func(v *visitor, address string) {
			v.send(address, address+"/facts", url.Values{"part": {"stated"}, "v.sleep_apnea": {"true"}})
		}, ""},
	} {
		b := newBench(t, &storetest.Memory{}, true)
		address := b.demoAddress("Cassius Penhallow")
		link := b.links(address)[Office]
		out := b.guest(link)
		*b.clock = b.clock.Add(time.Minute)
		b.lacks(out.send(link, link, quill(located("awake_spo2", "92"))), "out of date")
		*b.clock = b.clock.Add(time.Minute)
		v := b.at(Intake)
		tt.change(v, address)
		page := out.page(link)
		if tt.want == "" {
			b.lacks(page, "out of date")
			continue
		}
		b.wants(page, "? out of date", tt.want)
		b.wants(v.page(address), "? out of date", tt.want)
	}
}

// An answer was given beside the stretch that was shown then.
func TestAnswersGrowStaleWithTheStretch(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	address := b.demoAddress("Marama Tidewell")
	v := b.at(Intake)
	v.send(address, address+"/session", url.Values{"session": {"2"}})
	link := b.links(address)[Office]
	out := b.guest(link)
	asked := first(regexp.MustCompile(`name="a\.([a-z0-9_]+)"`), out.page(link))
	b.lacks(out.send(link, link, quill(url.Values{"a." + asked: {"not_in_chart"}})), "out of date")
	v.send(address, address+"/session", url.Values{"again": {"1"}})
	v.send(address, address+"/session", url.Values{"session": {"1"}})
	const want = "Another stretch of the recording was chosen since, on"
	b.wants(out.page(link), "? out of date", want)
	b.wants(v.page(address), "? out of date", want)
	if !strings.Contains(out.last, `name="a.`+asked+`"`) {
		t.Error("the office is not asked again")
	}
}

// What the record has to show stays located until its copy is attached, and is
// located again when that copy is withdrawn.
func TestCopyOfAPage(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	address := b.demoAddress("Cassius Penhallow")
	link := b.links(address)[Office]
	out := b.guest(link)
	b.lacks(out.page(link), "Attach a page")
	out.send(link, link, quill(with(located("awake_spo2", "92"), located("written_order", ""))))
	b.wants(out.last, "Attach a page", "located, copy not on file")
	v := b.at(Intake)
	b.wants(v.page(address), "✓ Located", "copy not on file")
	b.lacks(v.last, "✓ Seen")

	good := map[string]string{"for": "written_order", "kind": "order", "name": "Cassius Penhallow", "birth": "1955-01-31", "date": "2026-03-14"}
	for _, tt := range []struct {
		name, key, value, want string
	}{
		{"of nothing", "for", "", "Expected the answers of which this is the copy"},
		{"of what was not located", "for", "progress_note", "Expected the answers of which this is the copy"},
		{"of no kind", "kind", "", "Expected one of the kinds listed"},
		{"a report of the test", "kind", "report", "Expected one of the kinds listed"},
		{"of nobody", "name", "", "Expected the name as the page prints it"},
		{"of no day", "date", "soon", "expected a day of the calendar"},
	} {
		more := maps.Clone(good)
		if more[tt.key] = tt.value; tt.value == "" {
			delete(more, tt.key)
		}
		if w := out.upload(link, link+"/documents", pngOf(letter()), more); w.Code != http.StatusUnprocessableEntity {
			t.Errorf("a copy %s: status %d, want 422", tt.name, w.Code)
		}
		if !strings.Contains(strings.ToLower(text(out.last)), strings.ToLower(tt.want)) {
			t.Errorf("a copy %s: the page lacks %q", tt.name, tt.want)
		}
	}
	if w := out.upload(link, link+"/documents", []byte("Dear colleague"), good); w.Code != http.StatusUnprocessableEntity {
		t.Errorf("a copy that is no picture: status %d, want 422", w.Code)
	}
	if w := out.upload(link, link+"/documents", nil, good); w.Code != http.StatusUnprocessableEntity {
		t.Errorf("no file: status %d, want 422", w.Code)
	}
	b.lacks(v.page(address), "✓ Seen")

	*b.clock = b.clock.Add(time.Minute)
	w := out.upload(link, link+"/documents", pngOf(letter()), good)
	if w.Code != http.StatusSeeOther {
		t.Fatalf("the copy: status %d: %s", w.Code, text(out.last))
	}
	page := out.page(w.Header().Get("Location"))
	b.wants(page, "The copy is received and stored", "copy on file: order", "Copies that came through this link")
	// The address takes copies and gives none: whoever asks for it is sent to the
	// page of the form.
	if w := out.get(link + "/documents"); w.Code != http.StatusSeeOther || w.Header().Get("Location") != link || w.Body.Len() > 0 {
		t.Errorf("documents through the link: status %d to %q: %s", w.Code, w.Header().Get("Location"), w.Body)
	}
	page = v.page(address)
	b.wants(page, "✓ Seen", "copy on file: order", "a copy is on file: order")
	b.wants(v.page(address+"/trail"), "the copy of: ")
	// A copy of another person's page blocks the case like any other document.
	other := maps.Clone(good)
	other["for"], other["kind"], other["name"] = "awake_spo2", "note", "Cassia Penhallow"
	if w := out.upload(link, link+"/documents", jpegOf(letter()), other); w.Code != http.StatusSeeOther {
		t.Fatalf("a second copy: status %d", w.Code)
	}
	b.wants(v.page(address), "Nothing is determined until somebody says in words why it is the same person")
	f := must(b.Site.open(t.Context(), strings.TrimPrefix(address, "/cases/")))
	for _, d := range f.papers() {
		if d.By == "M. Reyes" {
			t.Errorf("the copy is the office's, found one by %s", d.By)
		}
		v.page(address + "/report")
		v.post(address+"/documents/withdraw", url.Values{"sha256": {d.SHA256}, "reason": {"Wrong page."}})
	}
	b.wants(v.page(address), "✓ Located")
	b.lacks(v.last, "✓ Seen")
}

// The office's paper says what it answered, and nothing of clauses.
func TestAnswersOnPaper(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	address := b.demoAddress("Cassius Penhallow")
	link := b.links(address)[Office]
	out := b.guest(link)
	out.send(link, link, quill(with(located("awake_spo2", "92"), url.Values{"a.written_order": {"not_in_chart"}, "a.sleep_apnea": {"disagrees"}, "r.sleep_apnea": {"It was treated."}})))
	w := out.get(link + "/answers.pdf")
	number := strings.TrimPrefix(address, "/cases/")
	if w.Code != http.StatusOK || !strings.HasPrefix(out.last, "%PDF-") || w.Header().Get("Content-Disposition") != `inline; filename="`+number+`-answers.pdf"` {
		t.Fatalf("status %d, %q, begins %.8q", w.Code, w.Header().Get("Content-Disposition"), out.last)
	}
	if again := out.last; out.get(link+"/answers.pdf").Code != http.StatusOK || out.last != again {
		t.Error("the same answers give other bytes the second time")
	}
	b.wants(b.at(Intake).page(address+"/trail"), "looked at: answers on paper")
}

var nameOfFact = regexp.MustCompile(`name="a\.([a-z0-9_]+)"`)

// What is answered is sealed: neither remark nor name nor place stands in an
// event, and two who answer at once are both kept.
func TestAnswersAreSealed(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	address := b.demoAddress("Cassius Penhallow")
	one, two := b.links(address)[Office], b.links(address)[Office]
	a, c := b.guest(one), b.guest(two)
	a.page(one)
	c.page(two)
	asked := nameOfFact.FindAllStringSubmatch(a.last, -1)
	if !slices.ContainsFunc(asked, func(m []string) bool { return m[1] == "written_order" }) {
		t.Fatalf("asked are %v", asked)
	}
	if w := a.post(one, quill(located("awake_spo2", "92"))); w.Code != http.StatusSeeOther {
		t.Fatalf("status %d", w.Code)
	}
	if w := c.post(two, with(url.Values{"who": {"T. Alder"}, "credential": {"MD"}, "r.written_order": {"Filed under letters."}}, located("written_order", ""))); w.Code != http.StatusSeeOther {
		t.Fatalf("status %d", w.Code)
	}
	f := must(b.Site.open(t.Context(), strings.TrimPrefix(address, "/cases/")))
	if len(f.Given) != 2 || f.Given[0].By != "R. Quill, RN" || f.Given[1].By != "T. Alder, MD" || f.Given[1].Remark != "Filed under letters." {
		t.Errorf("given are %+v", f.Given)
	}
	for _, e := range must(b.store.Events(t.Context(), f.Number, 1)) {
		for _, word := range []string{"Quill", "Alder", "Filed under", "visit note"} {
			if e.Kind == casework.KindAnswered && strings.Contains(string(e.Change), word) {
				t.Errorf("event %d holds %q in the clear", e.K, word)
			}
		}
	}
}

// Who has sent nothing yet is led neither by the answers of others nor by what
// they came to, by another link or another office with an account; whoever
// shares the account's office sees what it sent.
func TestAnswersOfOthersLeadNobody(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	address := b.demoAddress("Cassius Penhallow")
	number := strings.TrimPrefix(address, "/cases/")
	link := b.links(address)[Office]
	first := b.guest(link)
	b.wants(first.send(link, link, quill(with(located("awake_spo2", "92"), url.Values{"r.awake_spo2": {"Second reading of the visit."}}))), "criteria met", "Second reading")
	other := b.links(address)[Office]
	second := b.guest(other)
	b.wants(second.page(other), "Cassius Penhallow", "What we hold already")
	led := []string{"criteria met", "Answers that we have", "Second reading of the visit.", "sleep-level", "answers.pdf", "Neither a test report nor an order"}
	b.lacks(second.last, led...)
	if w := second.get(other + "/answers.pdf"); w.Code != http.StatusNotFound {
		t.Errorf("paper of answers of others: status %d, want 404", w.Code)
	}
	if w := second.get(other + "/trace.json?trace=0"); w.Code != http.StatusNotFound {
		t.Errorf("the trace of the worksheet before answering: status %d, want 404", w.Code)
	}
	b.wants(second.send(other, other, quill(url.Values{"a.written_order": {"not_in_chart"}})), "Answers that we have", "looked for, not there", "criteria met")
	own, _, _ := strings.Cut(second.last, "What the answers were used for") // the worksheet holds all of them
	b.lacks(own, "Second reading of the visit.")

	colleague := b.at(Office)
	for i, who := range []accounts.Person{
		{Issuer: demoIssuer, Subject: "3", Name: "Harbour reception", Roles: []casework.Role{casework.RoleOffice}, Office: "Harbour Road  practice"},
		{Issuer: demoIssuer, Subject: "4", Name: "Lane desk", Roles: []casework.Role{casework.RoleOffice}, Office: "Lane Practice"},
	} {
		if err := b.putOnDay(t.Context(), number, b.stamp("M. Reyes", casework.RoleIntake), who.Office); err != nil {
			t.Fatal(err)
		}
		v := b.visitor()
		v.get("/")
		v.cookie = &http.Cookie{Name: cookieName, Value: sessionMark + must(b.accounts.Admit(t.Context(), who, "192.0.2.1"))}
		b.lacks(v.page("/day/"+number), led...)
		if i == 1 {
			continue
		}
		b.lacks(colleague.page("/day/"+number), led...)
		v.send("/day/"+number, "/day/"+number, quill(with(located("expected_benefit", "true"), url.Values{"r.expected_benefit": {"Said at the visit."}})))
		b.wants(colleague.page("/day/"+number), "Said at the visit.", "criteria met")
	}
}

// A form of the office that is sent twice stores its answers once; one that was
// opened before somebody else answered or stated the same is told so, and goes
// through when it is sent once more.
func TestOfficeIsToldOfOthers(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	address := b.demoAddress("Cassius Penhallow")
	number := strings.TrimPrefix(address, "/cases/")
	link := b.links(address)[Office]
	out, other := b.guest(link), b.guest(link)
	out.page(link)
	other.page(link)
	form := quill(with(located("awake_spo2", "92"), url.Values{"r.awake_spo2": {"Second reading."}, "a.written_order": {"not_in_chart"}}))
	events := []int{b.events(number)}
	opened := out.last
	for range 2 { // a double click, or the way back and another press
		out.last = opened
		if w := out.post(link, maps.Clone(form)); w.Code != http.StatusSeeOther {
			t.Fatalf("status %d: %s", w.Code, text(out.last))
		}
		events = append(events, b.events(number))
	}
	if events[1] != events[0]+2 || events[2] != events[1] {
		t.Errorf("events %v: the form sent twice was stored twice", events)
	}
	mine := quill(with(located("awake_spo2", "90"), url.Values{"a.inpatient": {"not_ours"}}))
	if w := other.post(link, maps.Clone(mine)); w.Code != http.StatusUnprocessableEntity {
		t.Fatalf("another answer on an old page: status %d, want 422", w.Code)
	}
	b.wants(other.last, "after the page was opened", "We hold: 92 %", `value="90"`)
	if got := b.events(number); got != events[2]+1 { // the look at the page, if it is written down anew, and no answer
		if got != events[2] {
			t.Errorf("a refused form wrote %d events", got-events[2])
		}
	}
	if w := other.post(link, maps.Clone(mine)); w.Code != http.StatusSeeOther {
		t.Fatalf("sent once more: status %d: %s", w.Code, text(other.last))
	}
	b.wants(other.page(link), "in the chart: 90 %")
	// What intake stated meanwhile is not run over either.
	v := b.at(Intake)
	v.send(address, address+"/facts", url.Values{"part": {"stated"}, "v.awake_spo2": {"93"}})
	out.last = opened
	if w := out.post(link, maps.Clone(form)); w.Code != http.StatusUnprocessableEntity {
		t.Errorf("over what intake stated: status %d, want 422", w.Code)
	}
	b.wants(v.page(address), "93 %")
}

// Two people of an office send different answers in one instant: one of them is
// told.
func TestOfficeAnswersAtOnce(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	address := b.demoAddress("Cassius Penhallow")
	link := b.links(address)[Office]
	codes, all := make([]int, 4), make([]*visitor, 4)
	for i := range all {
		all[i] = b.guest(link)
	}
	for _, v := range all {
		v.page(link)
	}
	var wg sync.WaitGroup
	for i, v := range all {
		wg.Go(func() { codes[i] = v.post(link, quill(located("awake_spo2", fmt.Sprint(90+i)))).Code })
	}
	wg.Wait()
	slices.Sort(codes)
	if !slices.Equal(codes, []int{303, 422, 422, 422}) {
		t.Errorf("statuses %v, want one stored and the others told", codes)
	}
}

// A link was sent for one person: a correction leaves it, another person ends it.
// What is on a case is of one person too: another gets a case of their own.
func TestLinkEndsWithAnotherPatient(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := v.open(medicare, merrin)
	link := b.links(address)[Office]
	out := b.guest(link)
	for _, p := range []url.Values{{"name": {"Ada Merryn"}, "birth": {"1951-05-04"}}, {"name": {"Merryn, Ada"}, "birth": {"1951-04-05"}}} {
		v.send(address, address+"/patient", p)
		out.page(link)
	}
	oake := url.Values{"name": {"Bran Oake"}, "birth": {"1948-01-02"}}
	v.send(address, address+"/patient", maps.Clone(oake))
	if w := out.get(link); w.Code != http.StatusNotFound {
		t.Errorf("the link of the person before: status %d, want 404", w.Code)
	}
	b.lacks(out.last, "Bran", "Oake")
	b.wants(v.page(address+"/trail"), "link "+secretHash(strings.TrimPrefix(link, "/office/"))[:8]+" stopped")
	fresh := b.links(address)[Office]
	b.wants(b.guest(fresh).page(fresh), "Bran Oake")

	v.send(address, address+"/custody", custody("order_on_file"))
	v.page(address)
	if w := v.post(address+"/patient", url.Values{"name": {"Cora Pine"}, "birth": {"1944-02-29"}}); w.Code != http.StatusUnprocessableEntity {
		t.Errorf("another person on what is of the first: status %d, want 422", w.Code)
	}
	b.wants(v.last, "Open a case for the other person", `value="Cora Pine"`)
	b.lacks(v.page(address), "Cora Pine")
	v.send(address, address+"/patient", url.Values{"name": {"Brann Oake"}, "birth": {"1948-01-02"}})
}
