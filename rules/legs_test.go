package rules

import (
	"math/big"
	"testing"
)

// TestLegsOfPacks: what the packs ask of a leg on exertion, read in their
// files: 88 % under Medicare and the adult guideline, below 90 % in the United
// Kingdom, none where a walk is judged by words.
func TestLegsOfPacks(t *testing.T) {
	lib, err := Embedded()
	if err != nil {
		t.Fatal(err)
	}
	for region, want := range map[string][2]int64{"us-medicare": {88, 10}, "us-ats-adult": {88, 0}, "uk-bts-adult": {90, 0}, "us-ok-medicaid": {0, 0}} {
		h := lib.History(region)
		p := h[len(h)-1]
		same := func(got *big.Rat, want int64) bool {
			return got == nil && want == 0 || got != nil && got.Cmp(big.NewRat(want, 1)) == 0
		}
		if !same(p.LegLevel(), want[0]) || !same(p.LegHoldSeconds(), want[1]) {
			t.Errorf("%s: level %v, hold %v s; want %v", region, p.LegLevel(), p.LegHoldSeconds(), want)
		}
	}
	p := &Pack{Reading: Reading{LegHold: &Quantity{Rat: big.NewRat(1, 2), Unit: "min"}}}
	if got := p.LegHoldSeconds(); got.Cmp(big.NewRat(30, 1)) != 0 {
		t.Errorf("half a minute is %v s", got)
	}
	if none := (*Pack)(nil); none.LegLevel() != nil || none.LegHoldSeconds() != nil {
		t.Error("no pack asks something of a leg")
	}
}
