//go:build outside

package cloud_test

import (
	"bytes"
	"net/http"
	"strings"
	"testing"
	"time"

	"airwarrant/functions/internal/store/cloud"
	"airwarrant/functions/internal/store/cloud/cloudtest"
	"airwarrant/qualify/casework"
	"airwarrant/qualify/editions"
	"airwarrant/rules"
)

// What is published through one process counts in another that runs, over table
// and objects that are not ours; no sweep takes its texts or the copy of its
// document, and only one of two approvals is stored.
func TestOutsidePublication(t *testing.T) {
	v := cloudtest.Start(t)
	set := v.New(t)
	open := func() *cloud.Store {
		db, objects := v.Clients(http.DefaultTransport)
		s, err := cloud.New(db, objects, set)
		must(t, err)
		return s
	}
	lib, err := rules.Embedded()
	must(t, err)
	clock := time.Date(2030, 2, 1, 9, 0, 0, 0, time.UTC)
	now := func() time.Time { return clock }
	one, two := editions.New(open(), lib, now), editions.New(open(), lib, now)
	inForce := func(b *editions.Book, day rules.Date) string {
		t.Helper()
		lib, err := b.Current(t.Context())
		must(t, err)
		p, err := lib.InForce("xx-example", day)
		must(t, err)
		return p.SHA256
	}
	july := rules.Date{Year: 2030, Month: 7, Day: 1}
	before := inForce(two, july)

	ana := editions.Person{Account: "a", Name: "A. Ana", Role: casework.RoleMaintainer}
	old := lib.History("xx-example")[0]
	text := strings.NewReplacer("effective_from: 2030-01-01", "effective_from: 2030-06-01", "          fact: rest_spo2\n          at_or_below: 90 %", "          fact: rest_spo2\n          at_or_below: 88 %",
		"edition:", "edition: second,").Replace(string(old.Text))
	d, err := one.NewDraft(t.Context(), ana, editions.Beginning{Region: "xx-example", Texts: editions.Texts{Pack: text, Cases: "cases:\n  - {name: nothing is known, want: {outcome: undetermined}}\n"}})
	must(t, err)
	r, err := one.Rehearse(t.Context(), ana, d, nil)
	must(t, err)
	if !r.Progress.Done {
		t.Fatal("an empty store is not rehearsed to its end")
	}
	p, err := one.Propose(t.Context(), ana, d.ID, d.Rev, editions.Proposing{})
	must(t, err)

	errs := make(chan error, 2)
	for _, b := range []*editions.Book{one, two} {
		go func() {
			_, err := b.Approve(t.Context(), editions.Person{Account: "b", Name: "B. Bo", Role: casework.RoleAdministrator}, p.Approval())
			errs <- err
		}()
	}
	if x, y := <-errs, <-errs; (x == nil) == (y == nil) {
		t.Fatalf("of two approvals at once one is to be stored: %v, %v", x, y)
	}
	if got := inForce(two, july); got == before || got != d.PackSHA256() || got != inForce(one, july) {
		t.Errorf("the other process applies %.12s", got)
	}
	watched, err := two.Watch(t.Context())
	must(t, err)
	look, err := two.LookedUp(t.Context(), ana, editions.Looked{Region: watched[0].Region, Document: watched[0].ID, Found: editions.FoundSame, Copy: []byte("a copy")})
	must(t, err)

	store := open()
	stray := []byte("stray")
	must(t, store.PutUpload(t.Context(), hash(stray), bytes.NewReader(stray)))
	n, err := casework.SweepUploads(t.Context(), store, time.Now().Add(time.Hour))
	must(t, err)
	if n != 1 {
		t.Errorf("the sweep took %d uploads, expected the stray one alone", n)
	}
	report, err := casework.Audit(t.Context(), store)
	must(t, err)
	if len(report.Faults) != 0 || report.Uploads != 3 {
		t.Errorf("%+v", report)
	}
	c, err := two.Copy(t.Context(), look.SHA256)
	must(t, err)
	must(t, c.Close())
	if got := inForce(editions.New(store, lib, now), july); got != d.PackSHA256() {
		t.Errorf("after the sweep a process that starts applies %.12s", got)
	}
}
