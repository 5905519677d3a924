package web

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/casework/storetest"
)

// looks are how often somebody's look at a case was written down.
func (b *bench) looks(number string) int {
	b.t.Helper()
	n := 0
	for _, e := range must(b.store.Events(b.t.Context(), number, 1)) {
		if e.Kind == casework.KindViewed {
			n++
		}
	}
	return n
}

// Whatever a desk or a link can get of a case writes down that it was looked at.
func TestEveryLookIsWrittenDown(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	address := b.demoAddress("Cassius Penhallow")
	number := strings.TrimPrefix(address, "/cases/")
	v := b.at(Intake)
	v.page(address + "/papers")
	if w := v.sendParts(address+"/papers", map[string]string{"form": v.token(), "kind": "note", "name": "Cassius Penhallow", "date": "2026-03-14", "page": "1"}, "document", DemoFax()); w.Code != http.StatusSeeOther {
		t.Fatalf("a paper: status %d: %s", w.Code, text(v.last))
	}
	f := must(b.Site.open(t.Context(), number))
	document := short(f.papers()[0].SHA256)
	links := b.links(address)
	out := b.guest(links[Office], links[Tester])
	out.send(links[Office], links[Office], quill(located("awake_spo2", "92")))
	office := b.at(Office)
	if err := b.putOnDay(t.Context(), number, b.stamp("M. Reyes", casework.RoleIntake), "Harbour Road Practice"); err != nil {
		t.Fatal(err)
	}
	office.send("/day/"+number, "/day/"+number, quill(located("expected_benefit", "true")))
	tried := 0
	for _, rt := range Routes() {
		if rt.Method != http.MethodGet || !strings.Contains(rt.Path, "{number}") && !strings.Contains(rt.Path, "{secret}") || strings.Contains(rt.Path, "{ticket}") {
			continue
		}
		who, path := v, strings.NewReplacer("{number}", number, "{document}", document, "{page}", "1").Replace(rt.Path)
		switch {
		case rt.Link:
			who, path = out, strings.Replace(rt.Path, "/"+string(rt.Desks[0])+"/{secret}", links[rt.Desks[0]], 1)
		case rt.Day:
			who = office
		}
		if strings.HasSuffix(path, "trace.json") {
			path += map[bool]string{true: "?trace=0", false: "?trace=stretch"}[who == v]
		}
		*b.clock = b.clock.Add(viewAgain) // any look is another one now, and no session is over
		v.get("/")
		office.get("/")
		before := b.looks(number)
		w := who.get(path)
		if w.Code != http.StatusOK && rt.Name != "dates" {
			t.Errorf("%s: status %d: %s", rt.Path, w.Code, text(who.last))
			continue
		}
		tried++
		if got := b.looks(number); got != before+1 && w.Code == http.StatusOK {
			t.Errorf("%s wrote %d looks, want one", rt.Path, got-before)
		}
	}
	if tried < 20 {
		t.Errorf("%d routes of a case were tried, want more", tried)
	}
}

// stubborn refuses the events of looks while it is told to.
type stubborn struct {
	*storetest.Memory
	refuses *atomic.Bool
}

func (s stubborn) PutEvent(ctx context.Context, e casework.Event) error {
	if s.refuses.Load() && e.Kind == casework.KindViewed {
		return errors.New("the disk is full")
	}
	return s.Memory.PutEvent(ctx, e)
}

// A look that could not be written keeps nobody from the page, and the next one
// is written.
func TestLookThatFailedIsTriedAgain(t *testing.T) {
	refuses := &atomic.Bool{}
	b := newBench(t, stubborn{&storetest.Memory{}, refuses}, true)
	address := b.demoAddress("Cassius Penhallow")
	number := strings.TrimPrefix(address, "/cases/")
	v := b.at(Intake)
	refuses.Store(true)
	before := b.looks(number)
	v.page(address)
	refuses.Store(false)
	v.page(address)
	if got := b.looks(number); got != before+1 {
		t.Errorf("%d looks were written, want that after the failure", got-before)
	}
}

// withdrawn calls something right before the first upload is put.
type withdrawn struct {
	*storetest.Memory
	do func()
}

func (s *withdrawn) PutUpload(ctx context.Context, sha string, r io.Reader) error {
	if do := s.do; do != nil {
		s.do = nil
		do()
	}
	return s.Memory.PutUpload(ctx, sha, r)
}

// A link that is withdrawn while its file is on its way lays nothing on the case.
func TestLinkWithdrawnDuringUpload(t *testing.T) {
	store := &withdrawn{Memory: &storetest.Memory{}}
	b := newBench(t, store, false)
	v := b.at(Intake)
	address := v.open(medicare, merrin)
	v.send(address, address+"/custody", custody("none"))
	link := b.links(address)[Tester]
	out := b.guest(link)
	out.page(link)
	store.do = func() {
		if err := b.update(t.Context(), strings.TrimPrefix(address, "/cases/"), casework.Stamp{At: b.clock.Add(time.Second), By: "M. Reyes", Role: casework.RoleIntake}, func(*file) (casework.Change, error) {
			return casework.LinkRevoked{SHA256: secretHash(strings.TrimPrefix(link, "/tester/"))}, nil
		}); err != nil {
			t.Error(err)
		}
	}
	if w := out.sendParts(link+"/recording", map[string]string{"form": out.token(), "who": "L. Frost, RRT", "sender": "sent_by_tester"}, "recording", recordings()["night-1.csv"]); w.Code != http.StatusNotFound {
		t.Errorf("status %d, want 404: %s", w.Code, text(out.last))
	}
	f := must(b.Site.open(t.Context(), strings.TrimPrefix(address, "/cases/")))
	var said statement
	if f.upload() != nil || json.Unmarshal(f.Case.Facts["custody"].Fact, &said) != nil || said.Text != "none" {
		t.Errorf("the withdrawn link laid %v on the case, custody %q", f.upload(), said.Text)
	}
}
