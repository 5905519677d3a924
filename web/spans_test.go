package web

import (
	"fmt"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/casework/storetest"
)

var spanForm = regexp.MustCompile(`name="s\.([0-9]+)" value="([^"]*)"`)

// The tester judges; the verdict follows, and both readings are printed.
func TestTesterJudgesSpans(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	address := b.demoAddress("Wilhelmina Orchard")
	number := strings.TrimPrefix(address, "/cases/")
	v := b.at(Intake)
	b.wants(v.page(address), "? undetermined", "Are the doubtful readings of the recording genuine, artifact, or can it not be told?")
	b.lacks(v.last, `action="`+address+`/spans"`, "Send the judgement")
	link := b.links(address)[Tester]
	out := b.guest(link)
	page := out.page(link)
	b.wants(page, "Doubtful stretches", "Genuine: they count like any others.", "can't tell")
	b.lacks(page, "88 %", "criteria met", "undetermined", "sleep-88")
	spans := spanForm.FindAllStringSubmatch(page, -1)
	if len(spans) < 2 {
		t.Fatalf("the page lists %d stretches", len(spans))
	}
	form := func(more url.Values) url.Values {
		f := url.Values{"session": {"1"}, "who": {"L. Frost"}, "credential": {"RRT"}}
		for _, s := range spans {
			f.Set("s."+s[1], s[2])
		}
		return with(f, more)
	}
	before := b.events(number)
	for _, tt := range []struct {
		name string
		form url.Values
		code int
		want string
	}{
		{"nobody judges", form(url.Values{"j.1": {"genuine"}, "who": {""}}), 422, "Expected your name and your credential"},
		{"no credential", form(url.Values{"j.1": {"genuine"}, "credential": {""}}), 422, "Expected your name and your credential"},
		{"nothing judged", form(nil), 422, "Expected a judgement of at least one stretch"},
		{"in other words", form(url.Values{"j.1": {"noise"}}), 400, "could not be read"},
		{"a stretch that is none", form(url.Values{"s.1": {"2026-03-03T22:00:00 2026-03-03T23:59:00"}, "j.1": {"artifact"}}), 409, ""},
		{"another session", form(url.Values{"session": {"2"}, "j.1": {"genuine"}}), 409, ""},
	} {
		out.page(link)
		if w := out.post(link+"/spans", tt.form); w.Code != tt.code {
			t.Errorf("%s: status %d, want %d", tt.name, w.Code, tt.code)
		}
		b.wants(out.last, tt.want)
	}
	if got := b.events(number); got != before {
		t.Fatalf("refused judgements wrote %d events", got-before)
	}
	out.page(link)
	out.post(link+"/spans", form(url.Values{"j.1": {"genuine"}, "credential": {""}}))
	if !strings.Contains(out.last, `name="j.1" value="genuine" checked`) || !strings.Contains(out.last, `value="L. Frost"`) {
		t.Error("what was chosen and typed is lost on a fault")
	}

	out.send(link, link+"/spans", form(url.Values{"rest": {"genuine"}}))
	b.wants(out.last, "Received and stored", "So far: genuine, by L. Frost, RRT", fmt.Sprintf("%d of %d were judged before", len(spans), len(spans)))
	page = v.page(address)
	genuine := first(regexp.MustCompile(`(✓ written criteria met|✗ written criteria not met|\? undetermined)`), text(page))
	b.wants(page, "Doubtful stretches that were judged", "Genuine, by L. Frost, RRT", "as judged", "without the judgement", "Without the judgement the outcome is: undetermined.", "judged: genuine, by L. Frost, RRT")
	b.lacks(page, "Are the doubtful readings of the recording genuine, artifact")

	// Another word over the first, and the outcome turns.
	all := url.Values{}
	for _, s := range spans {
		all.Set("j."+s[1], "artifact")
	}
	out.send(link, link+"/spans", form(all))
	page = v.page(address)
	artifact := first(regexp.MustCompile(`(✓ written criteria met|✗ written criteria not met|\? undetermined)`), text(page))
	if genuine != "✓ written criteria met" || artifact == genuine {
		t.Errorf("genuine gives %q, artifact %q", genuine, artifact)
	}
	b.wants(page, "Artifact, by L. Frost, RRT")
	b.lacks(page, "Genuine, by")
	before = b.events(number)
	out.page(link)
	if w := out.post(link+"/spans", form(all)); w.Code != http.StatusUnprocessableEntity || b.events(number) != before {
		t.Errorf("the same judgement twice: status %d, %d more events", w.Code, b.events(number)-before)
	}
	b.wants(v.page(address+"/trail"), "doubtful stretches judged by L. Frost, RRT", " genuine", " artifact")
	for _, e := range must(b.store.Events(t.Context(), number, 1)) {
		if e.Kind == casework.KindSpansJudged && strings.Contains(string(e.Change), "Frost") {
			t.Errorf("event %d names who judged in the clear", e.K)
		}
	}
	// Only by the tester's link.
	office := b.links(address)[Office]
	o := b.guest(office)
	if o.page(office); strings.Contains(o.last, "Send the judgement") {
		t.Error("the office's page offers to judge")
	}
	if w := v.post(link+"/spans", form(all)); w.Code != http.StatusForbidden {
		t.Errorf("judged at the intake desk: status %d, want 403", w.Code)
	}
	// With another recording nothing of it is left.
	v.page(address)
	page = v.send(address, address+"/withdraw", url.Values{"sha256": {first(shaForm, v.last)}, "reason": {"Sent by mistake."}})
	b.lacks(page, "L. Frost")
}

// A judgement that no longer fits what is read changes nothing, and is told.
func TestJudgementOfAnotherStretch(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	address := b.demoAddress("Wilhelmina Orchard")
	number := strings.TrimPrefix(address, "/cases/")
	st := b.stamp("link 01234567", casework.RoleTester)
	err := b.update(t.Context(), number, st, func(f *file) (casework.Change, error) {
		by, err := b.sealText(t.Context(), f.Case, "L. Frost, RRT")
		return casework.SpansJudged{SHA256: f.upload().SHA256, Session: 1, By: by, Spans: []casework.SpanSaid{{From: "2026-03-03T12:00:00", To: "2026-03-03T12:01:00", Judgement: "genuine"}}}, err
	})
	if err != nil {
		t.Fatal(err)
	}
	page := b.at(Intake).page(address)
	b.wants(page, "? undetermined", "fits no doubted reading of this test, and is left out", "Are the doubtful readings of the recording genuine")
	b.lacks(page, "Doubtful stretches that were judged")
	f := must(b.Site.open(t.Context(), number))
	if ev := must(b.evaluate(t.Context(), f)); !strings.Contains(strings.Join(ev.Warnings, " "), "fits no doubted reading of this test, and is left out") {
		t.Errorf("warnings are %v", ev.Warnings)
	}
}
