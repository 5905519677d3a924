package criteria

import (
	"math/rand"
	"os"
	"reflect"
	"runtime"
	"sync"
	"testing"
	"time"

	"airwarrant/rules"
)

// TestWhatIsKeptOfAPackTellsNothingOfACase determines the cases of every
// version in an arbitrary order and side by side, with what evaluations keep
// of the pack, and each again on a copy of the pack that no other case has
// touched: the whole determinations are equal.
func TestWhatIsKeptOfAPackTellsNothingOfACase(t *testing.T) {
	lib, err := rules.Load(os.DirFS("../../rules/packs"))
	if err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewSource(23))
	tried := 0
	for _, region := range lib.Regions() {
		for _, p := range lib.History(region.Region) {
			cases := ReadCases(p, p.Cases, p.CasesFile).cases
			if few := 12; raced && len(cases) > few {
				r.Shuffle(len(cases), func(i, j int) { cases[i], cases[j] = cases[j], cases[i] })
				cases = cases[:few]
			}
			tried += len(cases)
			order := append(r.Perm(len(cases)), r.Perm(len(cases))...)
			got := make([]Determination, len(order))
			var work sync.WaitGroup
			for half := range 2 {
				work.Go(func() {
					for i := half; i < len(order); i += 2 {
						c := cases[order[i]]
						got[i] = Determine(p, Facts{Named: c.facts, Night: c.night}, c.confirmed)
					}
				})
			}
			work.Wait()
			for i, at := range order {
				c, fresh := cases[at], *p
				want := Determine(&fresh, Facts{Named: c.facts, Night: c.night}, c.confirmed)
				if !reflect.DeepEqual(got[i], want) {
					t.Fatalf("%s: %s: expected the determination of a pack that no other case has touched:\n%+v\nfound:\n%+v", p.CasesFile, c.name, want, got[i])
				}
			}
		}
	}
	if tried < 400 {
		t.Errorf("only %d cases were tried", tried)
	}
}

// TestLayoutsGoWithTheirPack loads packs that nothing holds on to, as an
// editor of drafts does with every change.
func TestLayoutsGoWithTheirPack(t *testing.T) {
	kept := func() int {
		n := 0
		byPack.Range(func(_, _ any) bool { n++; return true })
		return n
	}
	runtime.GC()
	before := kept()
	for range 200 {
		next := 0
		p := packOf(randomTree(t, rand.New(rand.NewSource(1)), 3, &next, false))
		Determine(p, Facts{}, nil)
	}
	for wait := time.Now().Add(20 * time.Second); kept() >= before+100; {
		if time.Now().After(wait) {
			t.Fatalf("%d layouts are kept of packs that are gone", kept()-before)
		}
		runtime.GC()
		runtime.Gosched()
	}
}
