package web

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"image"
	"image/jpeg"
	"image/png"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/casework/storetest"
)

// Two people have the page of a case open: what one of them left alone stays as
// the other set it, and what both changed is told, not overwritten.
func TestTwoPeopleGiveACase(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	one, two := b.at(Intake), b.at(Intake)
	address := one.open(medicare, merrin)
	b.employs("P. Lund")
	b.employs("O. Berg")
	one.page(address)
	two.page(address)
	before := func(owner, due, newOwner, newDue string) url.Values {
		return url.Values{"was-owner": {owner}, "was-due": {due}, "owner": {newOwner}, "due": {newDue}}
	}
	if w := one.post(address+"/assign", before("M. Reyes", "", "P. Lund", "")); w.Code != http.StatusSeeOther {
		t.Fatalf("status %d: %s", w.Code, text(one.last))
	}
	// The other sets a day alone, on a page that still shows M. Reyes.
	if w := two.post(address+"/assign", before("M. Reyes", "", "M. Reyes", "2026-07-01")); w.Code != http.StatusSeeOther {
		t.Fatalf("status %d: %s", w.Code, text(two.last))
	}
	b.wants(two.page(address), "With P. Lund Due Jul 1, 2026", `Change who has it`)
	one.page(address) // for a token; the form is the old one
	if w := one.post(address+"/assign", before("M. Reyes", "", "O. Berg", "2026-07-02")); w.Code != http.StatusUnprocessableEntity {
		t.Errorf("both changed both: status %d", w.Code)
	}
	b.wants(one.last, "Meanwhile somebody else set this to: P. Lund", "set this to: 2026-07-01", "Nothing of this part was stored")
	if !strings.Contains(one.last, `<option value="O. Berg" selected`) || !strings.Contains(one.last, `value="2026-07-02"`) {
		t.Error("what was typed is lost")
	}
	b.wants(two.page(address), "With P. Lund Due Jul 1, 2026")
}

// A night that somebody chose is not changed from a page that did not show it
// yet: whose night it is has to be taken back first.
func TestSessionIsNotChosenOver(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	one, two := b.at(Intake), b.at(Intake)
	address := b.demoAddress("Marama Tidewell")
	one.page(address)
	two.page(address)
	if w := one.post(address+"/session", url.Values{"session": {"2"}}); w.Code != http.StatusSeeOther {
		t.Fatalf("status %d", w.Code)
	}
	if w := two.post(address+"/session", url.Values{"session": {"1"}}); w.Code != http.StatusConflict {
		t.Errorf("chosen over: status %d, want 409", w.Code)
	}
	if w := two.post(address+"/session", url.Values{"session": {"2"}, "form": {first(tokenForm, two.page(address))}}); w.Code != http.StatusSeeOther {
		t.Errorf("the same choice again: status %d", w.Code)
	}
	b.wants(one.page(address), "6 May 2026 Wednesday 22:14:00")
}

// The address of every form leads whoever asks for it anew to the page of the
// form, or to one that they may see, and does nothing.
func TestAddressOfAFormLeadsToItsPage(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	v := b.at(Intake)
	number := b.numberOf("Cassius Penhallow")
	links := b.links("/cases/" + number)
	v.enterAll(links)
	events, pages := b.events(number), map[string]bool{}
	for _, rt := range Routes() {
		pages[rt.Path] = pages[rt.Path] || rt.Method == http.MethodGet
	}
	for _, rt := range Routes() {
		if rt.Method != http.MethodPost || pages[rt.Path] {
			continue
		}
		path := strings.NewReplacer("{number}", number, "{region}", "us-medicare", "{version}", "2023-04-01").Replace(rt.Path)
		if rt.Link {
			path = strings.Replace(rt.Path, "/"+string(rt.Desks[0])+"/{secret}", links[rt.Desks[0]], 1)
		}
		w := v.get(path)
		to := w.Header().Get("Location")
		if w.Code != http.StatusSeeOther || to == "" || !strings.HasPrefix(path, to) || to == path {
			t.Errorf("%s: status %d, leads to %q", path, w.Code, to)
		}
	}
	for form, page := range map[string]string{"/facts": "", "/links/revoke": "", "/documents/withdraw": "", "/day": ""} {
		if w := v.get("/cases/" + number + form); w.Header().Get("Location") != "/cases/"+number+page {
			t.Errorf("%s leads to %q", form, w.Header().Get("Location"))
		}
	}
	if got := b.events(number); got != events {
		t.Errorf("asking for the addresses of forms wrote %d events", got-events)
	}
}

func (v *visitor) enterAll(links map[Desk]string) {
	v.b.t.Helper()
	guest := v.b.guest(links[Office], links[Tester])
	v.passes = append(v.passes, guest.passes...)
}

// oddPapers are files that are no paper, or claim to be more than they are.
func oddPapers(t *testing.T) map[string][]byte {
	t.Helper()
	var small bytes.Buffer
	if err := png.Encode(&small, image.NewGray(image.Rect(0, 0, 4, 4))); err != nil {
		t.Fatal(err)
	}
	var photo bytes.Buffer
	if err := jpeg.Encode(&photo, image.NewGray(image.Rect(0, 0, 400, 400)), nil); err != nil {
		t.Fatal(err)
	}
	// A picture that says that it is 60,000 by 60,000 (PNG, 11.2.2: IHDR begins at
	// byte 16; its check sum is left wrong, as a damaged file has it).
	vast := bytes.Clone(small.Bytes())
	binary.BigEndian.PutUint32(vast[16:], 60000)
	binary.BigEndian.PutUint32(vast[20:], 60000)
	// A fax whose directory of pages points at itself (TIFF 6.0, section 2).
	loop := []byte("II*\x00\x08\x00\x00\x00\x00\x00\x08\x00\x00\x00")
	return map[string][]byte{
		"nothing but zeros":   make([]byte, 1<<16),
		"a page with script":  []byte("<!doctype html><script>alert(1)</script>"),
		"a drawing":           []byte(`<svg xmlns="http://www.w3.org/2000/svg" onload="alert(1)"/>`),
		"a program":           append([]byte("MZ\x90\x00"), make([]byte, 4096)...),
		"a PDF of its head":   []byte("%PDF-1.7\n"),
		"a PDF without pages": []byte("%PDF-1.4\n1 0 obj<</Type/Catalog/Pages 2 0 R>>endobj\n2 0 obj<</Type/Pages/Kids[]/Count 0>>endobj\ntrailer<</Root 1 0 R>>\n%%EOF"),
		"a PDF in itself":     []byte("%PDF-1.4\n1 0 obj<</Type/Catalog/Pages 1 0 R/Kids[1 0 R]/Count 9999999>>endobj\ntrailer<</Root 1 0 R>>\n%%EOF"),
		"a vast picture":      vast,
		"a cut picture":       small.Bytes()[:40],
		"a picture cut late":  small.Bytes()[:small.Len()-6],
		"a cut photograph":    photo.Bytes()[:photo.Len()/2],
		"an endless fax":      loop,
		"half a fax":          DemoFax()[:len(DemoFax())/2],
		"an archive":          []byte("PK\x03\x04" + strings.Repeat("\x00", 64)),
		"a moving picture":    []byte("GIF89a\x01\x00\x01\x00\x00\x00\x00;"),
	}
}

// No odd file is taken as a paper, by any of the three forms, and none says
// anything of itself on the page.
func TestOddPapersAreRefused(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	v := b.at(Intake)
	address := b.demoAddress("Ada Merrin")
	number := strings.TrimPrefix(address, "/cases/")
	events := b.events(number)
	for what, data := range oddPapers(t) {
		for path, form := range map[string]map[string]string{
			"/papers":    {"kind": "note", "name": "Ada Merrin", "date": "2026-02-13"},
			"/documents": {"kind": "report", "name": "Ada Merrin", "date": "2026-02-13"},
		} {
			page := address + strings.Replace(path, "/documents", "/report", 1)
			w := v.upload(page, address+path, data, form)
			if w.Code != http.StatusUnprocessableEntity {
				t.Errorf("%s at %s: status %d", what, path, w.Code)
			}
			b.wants(v.last, "was not stored")
			b.lacks(v.last, "<script>alert", "onload=", "MZ")
		}
	}
	if got := b.events(number); got > events+2 { // the two pages were looked at
		t.Errorf("%d events were written", got-events)
	}
	f, err := b.open(t.Context(), number)
	if err != nil || len(f.Documents) != 0 {
		t.Errorf("documents %v, %v", f.Documents, err)
	}
}

// What belongs to one case is not reached through another, by whatever desk.
func TestNothingCrossesCases(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	v := b.at(Intake)
	mine, other := b.demoAddress("Ada Merrin"), b.demoAddress("Cassius Penhallow")
	paper := b.addFax(v, other)
	links := b.links(other)
	f := must(b.open(t.Context(), strings.TrimPrefix(other, "/cases/")))
	for _, path := range []string{"/documents/" + paper, "/documents/" + paper + "/1", "/report?doc=" + paper} {
		w := v.get(mine + path)
		if w.Code == http.StatusOK && !strings.Contains(path, "?") || strings.Contains(v.last, "Penhallow") {
			t.Errorf("%s%s: status %d", mine, path, w.Code)
		}
	}
	v.page(mine)
	before := b.events(f.Number)
	for path, form := range map[string]url.Values{
		"/links/revoke":       {"link": {f.Links[0].SHA256}},
		"/documents/withdraw": {"sha256": {f.Documents[0].SHA256}, "reason": {"not ours"}},
		"/withdraw":           {"sha256": {f.upload().SHA256}, "reason": {"not ours"}, "whose": {"another"}},
		"/answers":            {"do": {"take"}, "fact": {"awake_spo2"}},
	} {
		v.post(mine+path, form)
	}
	if got := b.events(f.Number); got != before {
		t.Errorf("%d events were written on the other case", got-before)
	}
	// An office answers what it was asked, and no other fact.
	guest := b.guest(links[Office])
	guest.page(links[Office])
	form := url.Values{"who": {"R. Quill"}, "credential": {"RN"}}
	for _, fact := range []string{"test_oxygen", "custody", "reported_minutes", "session_choice", "recordings", "no_such_fact"} {
		form.Set("a."+fact, "located")
		form.Set("v."+fact, "1")
		form.Set("d."+fact, "note")
		form.Set("t."+fact, "2026-03-14")
		form.Set("p."+fact, "1")
	}
	guest.post(links[Office], form)
	after := must(b.open(t.Context(), f.Number))
	for fact := range form {
		name, ok := strings.CutPrefix(fact, "a.")
		if _, answered := after.Answers[name]; ok && answered {
			t.Errorf("the office answered %s", name)
		}
	}
	// Its link is of no other desk.
	for _, path := range []string{strings.Replace(links[Office], "/office/", "/tester/", 1), strings.Replace(links[Office], "/office/", "/cases/", 1)} {
		if w := guest.get(path); w.Code == http.StatusOK || strings.Contains(guest.last, "Penhallow") {
			t.Errorf("%s: status %d", path, w.Code)
		}
	}
}

// A form of thousands of fields, of a field of megabytes, or with a name twice,
// is refused or read once.
func TestVastForms(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := v.open(medicare, merrin)
	v.page(address)
	many := url.Values{"part": {"questions"}}
	for i := range 20000 {
		many.Set(fmt.Sprintf("v.x%d", i), "1")
	}
	if w := v.post(address+"/facts", many); w.Code >= 500 || w.Code == http.StatusOK {
		t.Errorf("20,000 fields: status %d", w.Code)
	}
	v.page(address)
	if w := v.post(address+"/close", url.Values{"reason": {strings.Repeat("x", 5<<20)}}); w.Code != http.StatusRequestEntityTooLarge && w.Code != http.StatusUnprocessableEntity {
		t.Errorf("a reason of megabytes: status %d", w.Code)
	}
	v.page(address)
	if w := v.post(address+"/close", url.Values{"reason": {strings.Repeat("é", 1001)}}); w.Code != http.StatusUnprocessableEntity {
		t.Errorf("a reason of 2,002 bytes: status %d", w.Code)
	}
	before := must(casework.Open(t.Context(), b.store, strings.TrimPrefix(address, "/cases/")))
	if !before.ClosedAt.IsZero() {
		t.Error("the case is closed")
	}
}
