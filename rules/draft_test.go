package rules_test

import (
	"errors"
	"os"
	"reflect"
	"strings"
	"testing"

	"airwarrant/rules"
)

// TestReadDraft reads every shipped version under another name: it is the same
// pack that Load reads, and a fault in it is told as Load tells it.
func TestReadDraft(t *testing.T) {
	lib, err := rules.Embedded()
	if err != nil {
		t.Fatal(err)
	}
	read := 0
	for _, r := range lib.Regions() {
		for _, want := range lib.History(r.Region) {
			data, err := os.ReadFile("packs/" + want.File)
			if err != nil {
				t.Fatal(err)
			}
			got, err := rules.ReadDraft(data, "draft.yaml", r)
			if err != nil {
				t.Fatal(err)
			}
			if got.SHA256 != want.SHA256 || got.EffectiveFrom != want.EffectiveFrom || !reflect.DeepEqual(got.Region, r) || !reflect.DeepEqual(got.Criteria, want.Criteria) || len(rules.Compare(want, got)) != 0 {
				t.Errorf("%s: the draft says something else", want.File)
			}
			read++
			var problems rules.Problems
			if _, err := rules.ReadDraft([]byte(strings.Replace(string(data), "\ntitle:", "\ntilte:", 1)), "draft.yaml", r); !errors.As(err, &problems) || problems[0].File != "draft.yaml" || problems[0].Line == 0 {
				t.Errorf("%s: a misspelled key: %v", want.File, err)
			}
		}
	}
	if read < 30 {
		t.Fatalf("%d versions, expected at least 30", read)
	}
	if _, err := rules.ReadDraft([]byte("title: x\n"), "draft.yaml", rules.Region{Region: "xx-example"}); !strings.Contains(err.Error(), "effective_from") {
		t.Errorf("a draft without a day: %v", err)
	}
}
