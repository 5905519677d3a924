package web

import (
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/casework/storetest"
)

func (b *bench) determinations(number string) int {
	b.t.Helper()
	n := 0
	for _, e := range must(b.store.Events(b.t.Context(), number, 1)) {
		if e.Kind == casework.KindDetermined {
			n++
		}
	}
	return n
}

// The wrong person's file goes: its links are stopped, who saw it is listed,
// it is laid where it belongs, and both cases are determined again.
func TestWrongFileIsWithdrawn(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	v := b.at(Intake)
	address := b.demoAddress("Cassius Penhallow")
	number := strings.TrimPrefix(address, "/cases/")
	links := b.links(address)
	office := b.guest(links[Office])
	*b.clock = b.clock.Add(10 * time.Minute)
	office.page(links[Office])
	v.page(address)
	sha := first(shaForm, v.last)

	// Another case, where it may belong: nothing is stated there yet.
	other := v.open(medicare, patient{"Cassius Penhallow", merrin.Birth, "HV-9"})
	to := strings.TrimPrefix(other, "/cases/")
	for _, tt := range []struct {
		name string
		form url.Values
		want string
	}{
		{"no reason", url.Values{"to": {to}}, "Expected the reason for withdrawing the recording"},
		{"no such case", url.Values{"reason": {"Another person's."}, "to": {"2601-000000"}}, "Expected the number of an open case"},
		{"no number", url.Values{"reason": {"Another person's."}, "to": {"next door"}}, "Expected the number of an open case"},
		{"this case", url.Values{"reason": {"Another person's."}, "to": {number}}, "Expected the number of another case"},
		{"a case that may not take it yet", url.Values{"reason": {"Another person's."}, "to": {to}}, "has to be stated there how the test came to us"},
		{"a case with a recording of its own", url.Values{"reason": {"Another person's."}, "to": {strings.TrimPrefix(b.demoAddress("Ada Merrin"), "/cases/")}}, "has another recording already"},
		{"this patient's own, and another case", url.Values{"reason": {"Cut off."}, "to": {to}, "whose": {"same"}}, "only where it is another person's"},
	} {
		v.page(address)
		before := b.events(number)
		tt.form.Set("sha256", sha)
		if w := v.post(address+"/withdraw", tt.form); w.Code != http.StatusUnprocessableEntity {
			t.Errorf("%s: status %d, want 422", tt.name, w.Code)
		}
		b.wants(v.last, tt.want)
		if r := tt.form.Get("reason"); r != "" {
			b.wants(v.last, strings.ReplaceAll(r, "'", "&#39;")+"</textarea>", `value="`+tt.form.Get("to")+`"`)
		}
		if got := b.events(number); got != before {
			t.Errorf("%s: %d events were written", tt.name, got-before)
		}
	}
	v.send(other, other+"/custody", custody("order_on_file"))
	*b.clock = b.clock.Add(10 * time.Minute)
	here, there := b.determinations(number), b.determinations(to)
	page := v.send(address, address+"/withdraw", url.Values{"sha256": {sha}, "reason": {"The recorder held two people's nights."}, "to": {to}})
	b.wants(page, "Withdrawn: "+sha[:12], "The recorder held two people&#39;s nights.", "2 links were stopped.", "It was laid on case "+to,
		"Who looked at the case while it was there", "link "+secretHash(strings.TrimPrefix(links[Office], "/office/"))[:8], "questions for the office", "M. Reyes", "office")
	if w := office.get(links[Office]); w.Code != http.StatusNotFound {
		t.Errorf("the office's link after it: status %d, want 404", w.Code)
	}
	if w := b.visitor().get(links[Tester]); w.Code != http.StatusNotFound {
		t.Errorf("the tester's link after it: status %d, want 404", w.Code)
	}
	if a, c := b.determinations(number), b.determinations(to); a != here+1 || c != there+1 {
		t.Errorf("determined %d times here and %d there after it, want %d and %d", a, c, here+1, there+1)
	}
	moved := must(b.Site.open(t.Context(), to))
	if u := moved.upload(); u == nil || u.SHA256 != sha {
		t.Fatalf("the other case has %+v", moved.Uploads)
	}
	b.wants(v.page(other), "Is it the same person?")
	b.wants(v.page(address+"/trail"), "withdrawn: The recorder held two people's nights.", "stopped", "laid on case "+to)
	// A look after it went is no look at it.
	office2 := b.links(address)[Office]
	o := b.guest(office2)
	o.page(office2)
	b.lacks(v.page(address), "link "+secretHash(strings.TrimPrefix(office2, "/office/"))[:8])
}

// A file of this very patient that is wrong in another way stops no link; a
// case that rests on the same night is determined again.
func TestOwnFileIsWithdrawn(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	var addresses []string
	for range 2 {
		a := v.open(medicare, merrin)
		v.send(a, a+"/custody", custody("order_on_file"))
		if w := v.upload(a, a+"/recording", recordings()["night-1.csv"], nil); w.Code != http.StatusSeeOther {
			t.Fatalf("status %d: %s", w.Code, text(v.last))
		}
		addresses = append(addresses, a)
	}
	one, two := addresses[0], strings.TrimPrefix(addresses[1], "/cases/")
	link := b.links(one)[Tester]
	before := b.determinations(two)
	v.page(one)
	page := v.send(one, one+"/withdraw", url.Values{"sha256": {first(shaForm, v.last)}, "reason": {"Sent twice."}, "whose": {"same"}})
	b.wants(page, "No link was stopped.")
	b.guest(link).page(link)
	if got := b.determinations(two); got != before+1 {
		t.Errorf("the other case of the night was determined %d times more, want once", got-before)
	}
	// It can come back, and go again: each time with its own readers.
	if w := v.upload(one, one+"/recording", recordings()["night-1.csv"], nil); w.Code != http.StatusSeeOther {
		t.Fatalf("status %d", w.Code)
	}
	v.page(one)
	page = v.send(one, one+"/withdraw", url.Values{"sha256": {first(shaForm, v.last)}, "reason": {"Sent a third time."}})
	b.wants(page, "Sent twice.", "Sent a third time.", "2 links were stopped.")
}

// A document of another person goes the same way: why, and who saw it.
func TestWrongDocumentIsWithdrawn(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := v.open(medicare, merrin)
	v.page(address + "/papers")
	if w := v.sendParts(address+"/papers", map[string]string{"form": v.token(), "kind": "note", "name": "Bran Oake", "date": "2026-02-01"}, "document", DemoFax()); w.Code != http.StatusSeeOther {
		t.Fatalf("status %d: %s", w.Code, text(v.last))
	}
	sha := must(b.Site.open(t.Context(), strings.TrimPrefix(address, "/cases/"))).papers()[0].SHA256
	b.wants(v.page(address), "≠ differs", "Bran Oake")
	if w := v.get(address + "/documents/" + short(sha)); w.Code != http.StatusOK {
		t.Fatalf("status %d", w.Code)
	}
	v.send(address+"/papers", address+"/documents/withdraw", url.Values{"sha256": {sha}, "reason": {"It is of another patient."}, "back": {"papers"}})
	*b.clock = b.clock.Add(20 * time.Minute)
	b.wants(v.page(address), "Withdrawn: note "+short(sha), "“It is of another patient.” By M. Reyes", "document note "+short(sha)+" as it came", "Who looked at the case while it was there")
	b.lacks(v.last, "≠ differs")
	if w := v.get(address + "/documents/" + short(sha)); w.Code != http.StatusForbidden {
		t.Errorf("the document after it: status %d, want 403, as for one that was never there", w.Code)
	}
}
