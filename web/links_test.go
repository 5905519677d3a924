package web

import (
	"fmt"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"airwarrant/qualify/casework/storetest"
)

func wrongCode(code string) string {
	if code == "000000" {
		return "000001"
	}
	return "000000"
}

// The code is asked before anything of the case is told, once in a browser and
// again after its hours; five wrong ones close the link for everybody.
func TestCodeOfALink(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	address := b.demoAddress("Cassius Penhallow")
	links := b.links(address)
	link := links[Office]
	code := b.codes[link]
	if !regexp.MustCompile(`^[0-9]{6}$`).MatchString(code) {
		t.Fatalf("the code is %q, want six digits", code)
	}
	out := b.visitor()
	untold := func() {
		t.Helper()
		b.lacks(out.last, "Penhallow", "1955", strings.TrimPrefix(address, "/cases/"), "Which saturation", code)
	}
	out.page(link)
	untold()
	if w := out.post(link, url.Values{"who": {"R. Quill, RN"}, "v.awake_spo2": {"92"}, "d.awake_spo2": {"note"}}); w.Code != http.StatusForbidden {
		t.Errorf("answers before the code: status %d, want 403", w.Code)
	}
	untold()
	if w := out.upload(links[Tester], links[Tester]+"/recording", recordings()["night-1.csv"], map[string]string{"who": "L. Frost, RRT", "sender": "sent_by_tester"}); w.Code != http.StatusForbidden {
		t.Errorf("upload before the code: status %d, want 403", w.Code)
	}
	// What is no code is no try.
	for _, v := range []string{"", "12345", "1234567", "12345x", "secret"} {
		out.page(link)
		if w := out.post(link+"/code", url.Values{"code": {v}}); w.Code != http.StatusUnprocessableEntity {
			t.Errorf("%q as code: status %d, want 422", v, w.Code)
		}
		b.wants(out.last, "does not count as a try")
	}
	out.page(link)
	if w := out.post(link+"/code", url.Values{"code": {wrongCode(code)}}); w.Code != http.StatusUnprocessableEntity {
		t.Errorf("a wrong code: status %d, want 422", w.Code)
	}
	b.wants(out.last, "4 tries are left")
	untold()
	out.page(link)
	if w := out.post(link+"/code", url.Values{"code": {" " + code[:3] + " " + code[3:]}}); w.Code != http.StatusSeeOther || w.Header().Get("Location") != link {
		t.Fatalf("the code with blanks: status %d to %q", w.Code, w.Header().Get("Location"))
	}
	b.wants(out.page(link), "Cassius Penhallow")
	// The pass is of one link, in one browser, for its hours.
	out.page(links[Tester])
	untold()
	forged := b.visitor()
	for _, c := range out.passes {
		c := *c
		c.Path = links[Tester]
		forged.passes = append(forged.passes, &c)
	}
	forged.page(links[Tester])
	b.lacks(forged.last, "Penhallow")
	*b.clock = b.clock.Add(passExpires - time.Second)
	b.wants(out.page(link), "Cassius Penhallow")
	*b.clock = b.clock.Add(time.Second)
	out.page(link)
	untold()

	v := b.at(Intake)
	b.wants(v.page(address+"/trail"), "a wrong code was given", "opened with its code")
	b.wants(v.page(address), "1 wrong code")
	// Tries are counted in the case: another browser does not begin anew.
	for i, left := range []string{"3 tries are left", "2 tries are left", "One try is left"} {
		other := b.visitor()
		other.page(link)
		other.post(link+"/code", url.Values{"code": {wrongCode(code)}})
		if b.wants(other.last, left); t.Failed() {
			t.Fatalf("try %d", i+2)
		}
	}
	last := b.visitor()
	last.page(link)
	if w := last.post(link+"/code", url.Values{"code": {wrongCode(code)}}); w.Code != http.StatusNotFound {
		t.Errorf("the fifth wrong code: status %d, want 404", w.Code)
	}
	last = b.visitor()
	last.get("/")
	if w := last.post(link+"/code", url.Values{"code": {code}}); w.Code != http.StatusNotFound {
		t.Errorf("the right code after five wrong ones: status %d, want 404", w.Code)
	}
	if w := out.get(link); w.Code != http.StatusNotFound {
		t.Errorf("a closed link: status %d, want 404", w.Code)
	}
	v = b.at(Intake) // the hours of the desk have passed
	b.wants(v.page(address), "closed after five wrong codes")
}

// A code stands in no store, not even as a hash that could be tried.
func TestCodeIsHashedUnderTheSecret(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	address := b.demoAddress("Cassius Penhallow")
	link := b.links(address)[Office]
	f := must(b.Site.open(t.Context(), strings.TrimPrefix(address, "/cases/")))
	kept := f.Links[0].Code
	for n := range 1_000_000 {
		if secretHash(fmt.Sprintf("%06d", n)) == kept {
			t.Fatal("the code of a link can be found from what the case keeps")
		}
	}
	if codeHash(strings.TrimPrefix(link, "/office/"), b.codes[link]) != kept {
		t.Error("the code does not open its own link")
	}
}

func TestLinksAreServedAtAPace(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	link := b.links(b.demoAddress("Cassius Penhallow"))[Office]
	out := b.guest(link)
	from := func(remote, path string) int {
		r := request1("GET", path, nil)
		r.RemoteAddr = remote
		return out.do(r).Code
	}
	guess := func(i int) string { return fmt.Sprintf("/office/%043d", i) }
	for i := range missPace {
		if got := from("[2001:db8:1:2::5]:4000", guess(i)); got != http.StatusNotFound {
			t.Fatalf("guess %d: status %d, want 404", i+1, got)
		}
	}
	// The same subscriber, whatever the rest of its address.
	r := request1("GET", guess(99), nil)
	r.RemoteAddr = "[2001:db8:1:2:ffff::9]:4001"
	w := out.do(r)
	if w.Code != http.StatusTooManyRequests || w.Header().Get("Retry-After") != "601" {
		t.Errorf("one guess too many: status %d, Retry-After %q; want 429 and 601", w.Code, w.Header().Get("Retry-After"))
	}
	if got := from("[2001:db8:1:3::5]:4000", link); got != http.StatusOK {
		t.Errorf("somebody else's link meanwhile: status %d", got)
	}
	*b.clock = b.clock.Add(missEvery)
	if got := from("[2001:db8:1:2::5]:4000", link); got != http.StatusOK {
		t.Errorf("after the wait: status %d", got)
	}
	// One link from many addresses: one is used up already.
	for i := 1; i < linkPace; i++ {
		if got := from(fmt.Sprintf("198.51.100.%d:80", i%250), link); got != http.StatusOK {
			t.Fatalf("look %d: status %d", i+1, got)
		}
	}
	if got := from("203.0.113.1:80", link); got != http.StatusTooManyRequests {
		t.Errorf("look %d within a minute: status %d, want 429", linkPace+1, got)
	}
	*b.clock = b.clock.Add(time.Minute)
	if got := from("203.0.113.1:80", link); got != http.StatusOK {
		t.Errorf("a minute later: status %d", got)
	}
}

// However many senders there are, what is kept of them stays small.
func TestPacesAreBounded(t *testing.T) {
	var p paces
	now := time.Date(2026, 6, 1, 9, 0, 0, 0, time.UTC)
	for i := range 3 * pacesKept {
		p.take(fmt.Sprint(i), now, 1, time.Minute)
		if len(p.kept) > pacesKept {
			t.Fatalf("%d counts are kept after %d senders", len(p.kept), i+1)
		}
	}
	if _, ok := p.take("a", now, 1, time.Minute); !ok {
		t.Error("the first is refused")
	}
	if wait, ok := p.take("a", now.Add(20*time.Second), 1, time.Minute); ok || wait != 40*time.Second {
		t.Errorf("the second waits %v, taken %v; want 40s and refused", wait, ok)
	}
	if _, ok := p.take("a", now.Add(time.Minute), 1, time.Minute); !ok {
		t.Error("the first of the next span is refused")
	}
}
