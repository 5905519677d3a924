package rules

import "testing"

func TestEmbedded(t *testing.T) {
	l, err := Embedded()
	if err != nil {
		t.Fatalf("the packs in the binary have faults:\n%v", err)
	}
	if len(l.Regions()) == 0 {
		t.Fatal("no region")
	}
}
