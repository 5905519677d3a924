package web

import (
	"bytes"
	"context"
	"errors"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/casework/storetest"
)

var shaForm = regexp.MustCompile(`name="sha256" value="([^"]*)"`)

// The same night in another format, with another clock, or a cut of it, is
// recognised on both cases; another night is not.
func TestSameNightIsRecognised(t *testing.T) {
	if raced {
		return // one goroutine
	}
	n := nightMerrin
	n.seconds -= n.seconds % 60 // whole records of EDF
	late := n
	late.start = n.start.Add(-400 * 24 * time.Hour).Add(37*time.Minute + 11*time.Second)
	p := person{"Ada Merrin", "1951-05-04", "HV-20417"}
	lines := bytes.SplitAfter(n.semicolons(), []byte("\n"))
	cut := append(bytes.Clone(lines[0]), bytes.Join(lines[2000:4500], nil)...)
	for name, tt := range map[string]struct {
		data []byte
		same bool
	}{
		"the same file":         {n.text(p, labEquipment), true},
		"the same night in EDF": {n.edf(p, "F", labEquipment), true},
		"with another clock":    {late.semicolons(), true},
		"a cut of it":           {cut, true},
		"another night":         {nightTidewell.semicolons(), false},
	} {
		b := newBench(t, &storetest.Memory{}, false)
		v := b.at(Intake)
		one, two := b.ready(v), b.ready(v)
		if w := v.upload(one, one+"/recording", n.text(p, labEquipment), nil); w.Code != 303 {
			t.Fatalf("%s: status %d: %s", name, w.Code, text(v.last))
		}
		b.lacks(v.page(one), "The same recording")
		if w := v.upload(two, two+"/recording", tt.data, nil); w.Code != 303 {
			t.Fatalf("%s: status %d: %s", name, w.Code, text(v.last))
		}
		say := func(address string) string {
			return "The same recording, or a part of it, is already in case " + strings.TrimPrefix(address, "/cases/")
		}
		if !tt.same {
			b.lacks(v.page(one), "The same recording")
			b.lacks(v.page(two), "The same recording")
			continue
		}
		has := func(page, want string) bool { return strings.Contains(text(page), want) }
		if !has(v.page(two), say(one)) || !has(v.page(one), say(two)) {
			t.Errorf("%s is not recognised on both cases", name)
		}
		// The tester of the one case learns nothing of the other.
		b.lacks(b.seenBy(Tester, two), strings.TrimPrefix(one, "/cases/"))
		// Withdrawn from one, it is the other's alone.
		v.page(one)
		v.send(one, one+"/withdraw", url.Values{"sha256": {first(shaForm, v.last)}, "reason": {"Sent to the wrong case."}})
		b.lacks(v.page(two), "The same recording")
		// Back on its first case in another format, it is known there too.
		if w := v.upload(one, one+"/recording", n.edf(p, "F", labEquipment), nil); w.Code != 303 {
			t.Fatalf("%s: sent again: status %d: %s", name, w.Code, text(v.last))
		}
		b.wants(v.page(one), say(two), "was on this case before, in another file that was withdrawn")
		b.wants(v.page(two), say(one))
	}
}

// Of a download of two nights only the one chosen is written down: the other
// is another person's, and may be on that person's case.
func TestOnlyTheChosenNightIsRecognised(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	one, two, three := b.ready(v), b.ready(v), b.ready(v)
	both := recordings()["nights-7.csv"]
	for _, address := range []string{one, two} {
		if w := v.upload(address, address+"/recording", both, nil); w.Code != 303 {
			t.Fatalf("status %d: %s", w.Code, text(v.last))
		}
	}
	v.send(one, one+"/session", url.Values{"session": {"1"}})
	v.send(two, two+"/session", url.Values{"session": {"2"}})
	b.lacks(v.page(one), "The same recording")
	b.lacks(v.page(two), "The same recording")
	if w := v.upload(three, three+"/recording", nightTidewellNext.semicolons(), nil); w.Code != 303 {
		t.Fatalf("status %d: %s", w.Code, text(v.last))
	}
	b.wants(v.page(three), "is already in case "+strings.TrimPrefix(two, "/cases/"))
	b.lacks(v.last, strings.TrimPrefix(one, "/cases/"))
	// The wrong session taken back is no longer that case's test.
	v.send(two, two+"/session", url.Values{"again": {"1"}})
	v.send(two, two+"/session", url.Values{"session": {"1"}})
	b.lacks(v.page(three), "The same recording")
	b.wants(v.page(one), "is already in case "+strings.TrimPrefix(two, "/cases/"))
}

// A night of one constant value is known by its file alone.
func TestConstantNightsDoNotCollide(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	one, two, three := b.ready(v), b.ready(v), b.ready(v)
	quiet := func(day int) []byte {
		return table("Time,SpO2,Pulse\n", 900, func(i int) string {
			return time.Date(2026, 2, day, 22, 0, 4*i, 0, time.UTC).Format("2006-01-02 15:04:05") + ",97,60"
		})
	}
	for address, day := range map[string]int{one: 10, two: 11} {
		if w := v.upload(address, address+"/recording", quiet(day), nil); w.Code != 303 {
			t.Fatalf("status %d: %s", w.Code, text(v.last))
		}
	}
	b.lacks(v.page(one), "The same recording")
	b.lacks(v.page(two), "The same recording")
	v.upload(three, three+"/recording", quiet(10), nil)
	b.wants(v.page(three), "is already in case "+strings.TrimPrefix(one, "/cases/"))
	b.lacks(v.last, strings.TrimPrefix(two, "/cases/"))
}

// The nights of the demonstration are of different people.
func TestDemoNightsAreTold(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	v := b.at(Intake)
	for h, err := range casework.All(t.Context(), b.store.Heads) {
		if err != nil {
			t.Fatal(err)
		}
		b.lacks(v.page("/cases/"+h.Case), "The same recording")
	}
}

// failing breaks off the nth note.
type failing struct {
	*storetest.Memory
	left int
}

var errBrokeOff = errors.New("broke off")

func (s *failing) PutNote(ctx context.Context, kind, key string, data []byte) error {
	if s.left--; s.left == 0 {
		return errBrokeOff
	}
	return s.Memory.PutNote(ctx, kind, key, data)
}

// What breaks off while prints are written is done when the case is next
// determined.
func TestRecognitionIsTakenUpAgain(t *testing.T) {
	store := &failing{&storetest.Memory{}, 0}
	b := newBench(t, store, false)
	v := b.at(Intake)
	one, two := b.ready(v), b.ready(v)
	v.upload(one, one+"/recording", recordings()["night-1.csv"], nil)
	store.left = 20
	if w := v.upload(two, two+"/recording", recordings()["night-1.csv"], nil); w.Code != 500 {
		t.Fatalf("status %d, want 500", w.Code)
	}
	store.left = 0
	v.send(two, two+"/facts", url.Values{"part": {"questions"}, "v.awake_spo2": {"92"}})
	b.wants(v.page(two), "is already in case "+strings.TrimPrefix(one, "/cases/"))
	b.wants(v.page(one), "is already in case "+strings.TrimPrefix(two, "/cases/"))
}
