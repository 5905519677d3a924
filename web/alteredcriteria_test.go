package web

import (
	"context"
	"math/rand/v2"
	"net/http"
	"testing"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/casework/storetest"
	"airwarrant/rules"
)

// tampered is a store whose ledger of criteria holds an entry that somebody put
// there behind the program's back.
type tampered struct {
	*storetest.Memory
	on bool
}

var foreign = casework.Entry{Ledger: casework.Criteria, N: 1, By: "nobody", Role: casework.RoleMaintainer, Kind: "criteria_published", Change: []byte("{}"), Hash: "0"}

func (s *tampered) LastEntry(ctx context.Context, ledger string) (casework.Entry, error) {
	if s.on && ledger == casework.Criteria {
		return foreign, nil
	}
	return s.Memory.LastEntry(ctx, ledger)
}

func (s *tampered) Entries(ctx context.Context, ledger string, from, limit int) ([]casework.Entry, error) {
	if s.on && ledger == casework.Criteria {
		return []casework.Entry{foreign}[min(from-1, 1):], nil
	}
	return s.Memory.Entries(ctx, ledger, from, limit)
}

// Nothing is judged by criteria that were altered behind the program's back, in a
// site that runs and in one that starts; people can still sign in, and accounts
// be looked after. Once the store is mended everything is as it was.
func TestAlteredCriteria(t *testing.T) {
	store := &tampered{Memory: &storetest.Memory{}}
	b := newBench(t, store, false)
	v := b.at(Intake)
	address := v.open("us-medicare", patient{Name: "Ada Merrin", Birth: rules.Date{Year: 1951, Month: 5, Day: 4}})
	b.wants(v.page(address), "Ada Merrin")

	store.on = true
	for again := range byte(2) {
		for _, d := range []Desk{Intake, Maintainer} {
			w := b.at(d).get("/rules")
			if w.Code != http.StatusConflict {
				t.Errorf("%s: /rules answers %d while its criteria are altered", d, w.Code)
			}
			b.wants(w.Body.String(), "The criteria cannot be read", "airwarrant audit verify")
		}
		if w := b.at(Intake).get(address); w.Code != http.StatusConflict {
			t.Errorf("a case is shown under altered criteria: %d", w.Code)
		}
		if w := b.at(Administrator).get("/accounts"); w.Code != http.StatusOK {
			t.Errorf("accounts answer %d", w.Code)
		}
		if w := b.visitor().get("/"); w.Code != http.StatusOK {
			t.Errorf("the first page answers %d", w.Code)
		}
		cfg := b.cfg // and in a site that starts
		cfg.Random = rand.NewChaCha8([32]byte{9, again})
		site, err := New(cfg)
		if err != nil {
			t.Fatal(err)
		}
		b.Site, b.h = site, site.Handler()
	}
	store.on = false
	b.wants(b.at(Intake).page(address), "Ada Merrin")
}
