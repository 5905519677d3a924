package rules_test

import (
	"testing"

	"airwarrant/qualify/criteria"
	"airwarrant/rules"
)

// embedded returns the packs in the binary.
func embedded(t *testing.T) *rules.Library {
	t.Helper()
	lib, err := rules.Embedded()
	if err != nil {
		t.Fatalf("the packs in the binary have faults:\n%v", err)
	}
	return lib
}

// packs returns every version of every region.
func packs(t *testing.T) []*rules.Pack {
	t.Helper()
	lib := embedded(t)
	var all []*rules.Pack
	for _, r := range lib.Regions() {
		all = append(all, lib.History(r.Region)...)
	}
	return all
}

// TestCases runs the boundary cases beside each version. Their sources are
// named in the case files: what a document states, or our reading of it.
func TestCases(t *testing.T) {
	for _, p := range packs(t) {
		t.Run(p.File, func(t *testing.T) {
			results := criteria.RunCases(p, p.Cases, p.CasesFile)
			if len(results) == 0 && !p.Withdrawn {
				t.Fatalf("%s holds no case", p.CasesFile)
			}
			for _, r := range results {
				t.Run(r.Name, func(t *testing.T) {
					if !r.Message.IsZero() {
						t.Errorf("%s:%d: %s", r.File, r.Line, r.Message)
					}
				})
			}
		})
	}
}
