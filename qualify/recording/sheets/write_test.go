package sheets

import (
	"bytes"
	"slices"
	"strings"
	"testing"

	"github.com/xuri/excelize/v2"
)

// What is written is read back by the library's reader: as text, whatever it
// looks like.
func TestWrite(t *testing.T) {
	rows := [][]string{{"file", "problem"}, {"night <1>.csv", "=1+1"}, {"é\tü", ""}, {"0012", "line\nfeed"}}
	var b bytes.Buffer
	if err := Write(&b, "lines", rows); err != nil {
		t.Fatal(err)
	}
	f, err := excelize.OpenReader(bytes.NewReader(b.Bytes()))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	got, err := f.GetRows("lines")
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range rows {
		for len(got[i]) < len(want) {
			got[i] = append(got[i], "") // the reader leaves empty cells at the end away
		}
		if !slices.Equal(got[i], want) {
			t.Errorf("row %d: %q, want %q", i+1, got[i], want)
		}
	}
	if formula, err := f.GetCellFormula("lines", "B2"); formula != "" || err != nil {
		t.Errorf("a cell became the formula %q: %v", formula, err)
	}
	if err := Write(&b, "lines", [][]string{{strings.Repeat("x", maxCell+1)}}); err == nil || !strings.Contains(err.Error(), "row 1, column 1") {
		t.Errorf("a cell that is too long: %v", err)
	}
}
