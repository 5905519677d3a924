package main

import (
	"context"
	"strings"
	"testing"

	"airwarrant/functions/internal/store/local"
	"airwarrant/qualify/criteria"
	"airwarrant/rules"
)

// The trail holds who confirmed which draft: a record changed behind the
// program's back is a fault of the audit.
func TestAuditVerifiesConfirmations(t *testing.T) {
	dir := t.TempDir()
	store, err := local.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	put := func(key string, c criteria.Confirmation) {
		t.Helper()
		if err := store.PutNote(context.Background(), "confirmation", key, []byte(c.YAML())); err != nil {
			t.Fatal(err)
		}
	}
	c := criteria.Confirmation{Region: "xx-example", Version: rules.Date{Year: 2030, Month: 1, Day: 1}, PackSHA256: strings.Repeat("a", 64), Clause: "rest",
		By: "A. Example", On: rules.Date{Year: 2030, Month: 2, Day: 1}, Edition: "first", DocumentSHA256: strings.Repeat("b", 64)}
	first := c
	first.Seal = criteria.SealOf("", first)
	second := c
	second.Clause = "signs"
	second.Seal = criteria.SealOf(first.Seal, second)
	put("00000001", first)
	put("00000002", second)
	if err := store.Close(); err != nil {
		t.Fatal(err)
	}
	if r := command(t, "", "audit", "verify", "--data", dir); r.code != 0 || !strings.Contains(r.out, ": 0 faults") {
		t.Fatalf("exit %d\n%s%s", r.code, r.out, r.err)
	}

	if store, err = local.Open(dir); err != nil {
		t.Fatal(err)
	}
	first.By = "Somebody else"
	put("00000001", first)
	if err := store.Close(); err != nil {
		t.Fatal(err)
	}
	if r := command(t, "", "audit", "verify", "--data", dir); r.code != 2 || !strings.Contains(r.out, "confirmed drafts: ") || !strings.Contains(r.out, "changed, removed or moved") {
		t.Errorf("exit %d\n%s%s", r.code, r.out, r.err)
	}
}
