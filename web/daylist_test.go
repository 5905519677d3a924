package web

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/casework/storetest"
)

// An office with an account finds its patients on one list, opens what was put
// on it and nothing else, and answers under its own name.
func TestListOfAnOffice(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	address, other := b.demoAddress("Cassius Penhallow"), b.demoAddress("Ada Merrin")
	number := strings.TrimPrefix(address, "/cases/")
	v := b.at(Intake)
	b.lacks(v.page(address), "Put the case on its list") // no office has an account yet
	office := b.at(Office)
	b.wants(office.page("/day"), "Cases of Harbour Road Practice", "No case is open for the office now")
	if r := office.get("/day/" + number); r.Code != http.StatusNotFound {
		t.Errorf("a case that is not on the list: status %d, want 404", r.Code)
	}

	v.page(address)
	if r := v.post(address+"/day", url.Values{"office": {"Another Practice"}}); r.Code != http.StatusBadRequest {
		t.Errorf("an office without an account: status %d, want 400", r.Code)
	}
	before := b.events(number)
	for range 2 { // pressed twice
		b.wants(v.send(address, address+"/day", url.Values{"office": {"Harbour Road Practice"}}), "by the account of Harbour Road Practice")
	}
	if got := b.links1(number); got != 1 {
		t.Errorf("%d links for the office after two presses, and %d events, want one", got, b.events(number)-before)
	}
	b.wants(v.page(address+"/trail"), "put on the list of Harbour Road Practice")

	for _, token := range []string{"zz", "%00", "n61", "l6f70656e6564", "n" + strings.Repeat("f", 4000)} {
		b.lacks(office.page("/day?after="+token), "Ada Merrin")
	}
	page := office.page("/day")
	b.wants(page, "Cassius Penhallow", "questions open", "15 Jun 2026")
	b.lacks(page, "Ada Merrin", "undetermined", "88 %")
	for _, path := range []string{"/day/" + strings.TrimPrefix(other, "/cases/"), "/day/" + strings.TrimPrefix(other, "/cases/") + "/answers.pdf", "/day/0000-AAAAAA"} {
		if r := office.get(path); r.Code != http.StatusNotFound {
			t.Errorf("%s: status %d, want 404", path, r.Code)
		}
	}
	page = office.page("/day/" + number)
	b.wants(page, "Cassius Penhallow", "Which saturation awake", "Cases of the office", `action="/day/`+number+`"`)
	b.lacks(page, "undetermined")
	form := url.Values{"who": {"R. Quill"}, "credential": {"RN"}, "a.awake_spo2": {"located"}, "v.awake_spo2": {"92"}, "d.awake_spo2": {"visit note"}, "t.awake_spo2": {"2026-03-14"}, "p.awake_spo2": {"2"}}
	if r := office.post("/day/"+number, form); r.Code != http.StatusSeeOther || !strings.HasPrefix(r.Header().Get("Location"), "/day/"+number) {
		t.Fatalf("answering: status %d to %q: %s", r.Code, r.Header().Get("Location"), text(office.last))
	}
	if r := office.get("/day/" + number + "/answers.pdf"); r.Code != http.StatusOK || !strings.HasPrefix(office.last, "%PDF-") {
		t.Errorf("the answers on paper: status %d", r.Code)
	}
	b.wants(v.page(address+"/trail"), "Harbour desk")

	// Another office with an account has another list.
	if _, _, err := b.accounts.Make(t.Context(), b.stamp("T. Vane", casework.RoleAdministrator), "Quay desk", []casework.Role{casework.RoleOffice}, "Quay Practice"); err != nil {
		t.Fatal(err)
	}
	b.wants(v.page(address), "<option>Harbour Road Practice</option><option>Quay Practice</option>")

	// Withdrawn, it is gone; so it is after its time.
	revoke := func() {
		f := must(casework.Open(t.Context(), b.store, number))
		v.send(address, address+"/links/revoke", url.Values{"link": {f.Links[len(f.Links)-1].SHA256}})
	}
	revoke()
	b.lacks(office.page("/day"), "Cassius Penhallow")
	if r := office.get("/day/" + number); r.Code != http.StatusNotFound {
		t.Errorf("a case that was withdrawn: status %d, want 404", r.Code)
	}
	v.send(address, address+"/day", url.Values{"office": {"Harbour Road Practice"}})
	b.wants(office.page("/day"), "Cassius Penhallow")
	*b.clock = b.clock.Add(linkExpires)
	b.lacks(b.at(Office).page("/day"), "Cassius Penhallow")
	if notes, _, err := b.store.Notes(t.Context(), dayKind("harbour  road practice"), "", 9); err != nil || len(notes) != 0 {
		t.Errorf("notes of what has ended: %v, %v", notes, err)
	}
}

// links1 counts the links of a case for the account of an office.
func (b *bench) links1(number string) int {
	b.t.Helper()
	n := 0
	for _, l := range must(casework.Open(b.t.Context(), b.store, number)).Links {
		if l.Office != "" {
			n++
		}
	}
	return n
}
