package local_test

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"testing"
	"time"

	"github.com/ncruces/go-sqlite3"

	"airwarrant/qualify/casework"
)

// BenchmarkList turns pages of 50 lines among 100,000 cases:
//
//	go test -bench List -benchtime 20x ./functions/internal/store/local
//
// A page costs the same wherever it stands and whatever is selected, save
// where a selection that has no index of its own is rare: then the store looks
// through all lines.
func BenchmarkList(b *testing.B) {
	const cases = 100_000
	dir := b.TempDir()
	s := open(b, dir)
	must(b, s.Close())
	// In one transaction, as PutHead would put them one by one; a number that
	// was drawn before is passed over.
	conn, err := sqlite3.Open(filepath.Join(dir, "cases", "cases.db"))
	must(b, err)
	must(b, conn.Exec("BEGIN"))
	put, _, err := conn.Prepare("INSERT OR IGNORE INTO heads (case_id, k, head, form, state, region, owner, by_opened, by_due, by_until) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)")
	must(b, err)
	r := rand.New(rand.NewPCG(1, 2))
	for i := range cases {
		number, err := casework.NewNumber(monday.AddDate(0, 0, i/300), rand.NewChaCha8([32]byte{byte(i), byte(i >> 8), byte(i >> 16)}))
		must(b, err)
		state := casework.StateClosed
		if i%20 == 0 {
			state = casework.States()[r.IntN(5)]
		}
		region := "us-medicare"
		if i%5000 == 0 {
			region = "xx-rare"
		}
		h := casework.Head{Form: casework.HeadForm, Case: number, K: 30, Criteria: []string{region}, OpenedAt: monday.Add(time.Duration(i) * time.Minute), State: state,
			Owner: fmt.Sprintf("account-%d", r.IntN(12)), Results: []casework.Result{{Criteria: region, Version: "2023-04-01", Outcome: "qualifies", Needs: []string{}}}}
		if i%3 == 0 {
			h.Due = monday.AddDate(0, 0, r.IntN(900)).Format(time.DateOnly)
		}
		line, err := json.Marshal(h)
		must(b, err)
		for i, v := range []string{h.Case, "30", string(line), fmt.Sprint(h.Form), string(h.State), h.Region(), h.Owner,
			casework.ByOpened.Key(h), casework.ByDue.Key(h), casework.ByUntil.Key(h)} {
			must(b, put.BindText(i+1, v))
		}
		must(b, put.Exec())
		must(b, put.Reset())
	}
	must(b, put.Close())
	must(b, conn.Exec("COMMIT"))
	must(b, conn.Close())
	s = open(b, dir)
	for _, one := range []struct {
		name string
		sel  casework.Selection
		skip int // lines that the page stands after
	}{
		{"newest", casework.Selection{}, 0},
		{"deep", casework.Selection{}, 90_000},
		{"open by due", casework.Selection{State: casework.StateOpen, Order: casework.ByDue}, 0},
		{"owner by due", casework.Selection{Owner: "account-3", Order: casework.ByDue}, 0},
		{"open of one owner", casework.Selection{State: casework.StateOpen, Owner: "account-3"}, 0},
		{"rare payer", casework.Selection{Criteria: "xx-rare"}, 0},
		{"nobody has such", casework.Selection{Criteria: "xx-none", Owner: "account-3"}, 0},
	} {
		b.Run(one.name, func(b *testing.B) {
			after := ""
			if one.skip > 0 {
				_, next, err := s.List(b.Context(), one.sel, "", one.skip)
				must(b, err)
				after = next
			}
			b.ReportAllocs()
			for b.Loop() {
				if _, _, err := s.List(b.Context(), one.sel, after, 50); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
	b.Run("by payer, forty without a case first", func(b *testing.B) {
		var parts []casework.Part
		for i := range 40 {
			parts = append(parts, casework.Part{Name: fmt.Sprint(i), Selection: casework.Selection{Criteria: fmt.Sprintf("xx-%d", i), Order: casework.ByDue}})
		}
		parts = append(parts, casework.Part{Name: "rare", Selection: casework.Selection{Criteria: "xx-rare", Order: casework.ByDue}})
		b.ReportAllocs()
		for b.Loop() {
			if _, _, err := casework.ListParts(b.Context(), s, parts, "", 50); err != nil {
				b.Fatal(err)
			}
		}
	})
}
