package web

import (
	"crypto/sha256"
	"encoding/hex"
	"net/http"
	"regexp"
	"strings"
	"testing"
	"time"

	"airwarrant/qualify/casework/storetest"
	"airwarrant/qualify/editions"
)

// A document is due a year after it was read (editions.ReviewDays, our choice),
// what somebody found is written down, and a copy is for maintainers alone.
func TestWatch(t *testing.T) {
	b := valeBench(t)
	v := b.at(Maintainer)
	b.wants(v.page("/watch"), "Nothing is due.", "Vale Notice, first", "1 Jan 2027")
	*b.clock = b.clock.Add(300 * 24 * time.Hour)
	v = b.at(Maintainer)
	b.lacks(v.page("/watch"), "Nothing is due.")
	b.wants(v.page("/drafts"), "1 document is due")
	b.wants(v.page("/watch"), "to be read again")
	at := first(regexp.MustCompile(`href="(/watch/xx-vale/[^"]+)"`), v.last)
	b.wants(v.page(at), "Vale Notice", "Nobody yet")
	for say, form := range map[string]map[string]string{
		"Expected what was found": {"words": "nothing new"}, "Expected what changed in words": {"found": "changed"},
		"Expected a day after today": {"found": "same", "next": "2020-01-01"}, "found &#34;soon&#34;": {"found": "same", "next": "soon"},
	} {
		v.page(at)
		if r := v.sendFile(at, nil, form); r.Code != http.StatusUnprocessableEntity {
			t.Errorf("%v: status %d", form, r.Code)
		}
		b.wants(v.last, say)
		for _, typed := range form {
			b.wants(v.last, typed)
		}
	}
	copyRead := []byte("<html><script>alert(1)</script> 88 %")
	v.page(at)
	if r := v.sendFile(at, copyRead, map[string]string{"found": "same"}); r.Code != http.StatusSeeOther {
		t.Fatalf("status %d: %s", r.Code, text(v.last))
	}
	sum := sha256.Sum256(copyRead)
	sha := hex.EncodeToString(sum[:])
	b.wants(v.page(at), "M. Reyes", "it says what the version says", sha, "36 bytes")
	b.wants(v.page("/watch"), "Nothing is due.")
	r := v.get("/watch/copies/" + sha)
	if r.Code != http.StatusOK || v.last != string(copyRead) || r.Header().Get("Content-Type") != "application/octet-stream" || !strings.HasPrefix(r.Header().Get("Content-Disposition"), "attachment") {
		t.Errorf("the copy: %d, %v", r.Code, r.Header())
	}
	for _, d := range []Desk{Intake, Administrator, NoDesk} {
		if r := b.at(d).get("/watch/copies/" + sha); r.Code != http.StatusForbidden {
			t.Errorf("the copy at the desk %q: status %d", d, r.Code)
		}
	}
	// What the store holds otherwise is no copy: a recording least of all.
	night := sha256.Sum256(recordings()["night-1.csv"])
	if err := b.store.PutUpload(t.Context(), hex.EncodeToString(night[:]), strings.NewReader(string(recordings()["night-1.csv"]))); err != nil {
		t.Fatal(err)
	}
	if r := v.get("/watch/copies/" + hex.EncodeToString(night[:])); r.Code != http.StatusNotFound {
		t.Errorf("a recording as a copy: status %d", r.Code)
	}
	v.page(at)
	if r := v.sendFile(at, nil, map[string]string{"found": "gone", "words": "the page was taken down"}); r.Code != http.StatusSeeOther {
		t.Fatalf("status %d", r.Code)
	}
	b.wants(v.page("/watch"), "found changed, or gone")
	b.wants(v.page("/changes"), "Vale Notice", "M. Reyes")
	b.wants(b.at(Administrator).page("/changes"), "Vale Notice")
}

// Confirming a clause in its document resets the day on which it is due.
func TestConfirmingResetsTheWatch(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	b.book = editions.New(b.store, ownLibrary(t), b.cfg.Now)
	b.cfg.Library = b.book
	v := b.at(Maintainer)
	b.wants(v.page("/watch"), "nobody has read it in the document itself", "never")
	const page = "/rules/xx-own/2030-01-01"
	if r := v.upload(page, page, []byte("Own Notice: 88 % or less."), map[string]string{"clause": "rest", "by": "A. Reader", "edition": "first"}); r.Code != http.StatusSeeOther {
		t.Fatalf("status %d: %s", r.Code, text(v.last))
	}
	b.wants(v.page("/watch"), "Nothing is due.", "1 Jun 2027")
	b.wants(v.page(first(regexp.MustCompile(`href="(/watch/xx-own/[^"]+)"`), v.last)), "25 bytes", "M. Reyes")
}
