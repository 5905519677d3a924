//go:build outside

package web

import (
	"math/big"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"airwarrant/qualify"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/recording"
	"airwarrant/qualify/worksheet"
	"airwarrant/rules"
	"airwarrant/web/texts"
)

// TestOutsidePDFInSpanish reads the worksheet with poppler's pdftotext and
// pdfinfo: the verdict stands on page 1 in Spanish, the file says its language,
// and no text of ours is left in English.
func TestOutsidePDFInSpanish(t *testing.T) {
	lib := must(rules.Embedded())
	name := "../testdata/recordings/tenths.csv"
	for region, tag := range map[string]string{"us-medicare": "es-US", "es-separ": "es-ES"} {
		r := must(lib.Region(region))
		day := rules.Date{Year: 2026, Month: 3, Day: 1}
		res, err := qualify.Check(qualify.Query{Language: Wording(texts.Spanish, r), Criteria: []string{region}, On: day,
			Sources: []qualify.Source{{Name: name, Data: must(os.ReadFile(name)), Read: recording.Options{MaxBytes: 1 << 20}}},
			Facts: map[string]criteria.Fact{
				"custody":          {Name: "custody", State: criteria.Stated, Value: criteria.Value{Word: "sent_by_tester"}},
				"reported_minutes": {Name: "reported_minutes", State: criteria.Stated, Value: criteria.Value{Num: big.NewRat(72, 10), Unit: "min", Places: 1}}}}, lib)
		if err != nil {
			t.Fatal(err)
		}
		w := res.Worksheet(0, qualify.Paper{Printed: day, Demo: true, Case: worksheet.CaseInfo{Number: "2603-7KQ4X2", PatientName: "Ada Merrin"}})
		path := filepath.Join(t.TempDir(), region+".pdf")
		out := must(os.Create(path))
		if err := w.WritePDF(out, worksheet.PDFOptions{}); err != nil {
			t.Fatal(err)
		}
		if err := out.Close(); err != nil {
			t.Fatal(err)
		}
		said := strings.Join(strings.Fields(string(tool(t, "pdftotext", "-layout", path, "-"))), " ")
		first := strings.Join(strings.Fields(string(tool(t, "pdftotext", "-layout", "-l", "1", path, "-"))), " ")
		for _, want := range []string{w.Verdict.Word, w.Headline[0], w.Headline[1], "DEMO: datos inventados, sin paciente", "página 1 de", "Caso 2603-7KQ4X2", "impreso el 1 mar 2026"} {
			if !strings.Contains(first, want) {
				t.Errorf("%s: page 1 lacks %q: %.700s", region, want, first)
			}
		}
		if !strings.Contains(string(must(os.ReadFile(path))), "/Lang ("+tag+")") {
			t.Errorf("%s: the file does not say that it is %s", region, tag)
		}
		if info := string(tool(t, "pdfinfo", path)); !strings.Contains(info, "Hoja de trabajo sobre el derecho a oxígeno en casa, caso 2603-7KQ4X2") {
			t.Errorf("%s: pdfinfo: %s", region, info)
		}
		pack := strings.Join(worksheet.PackTexts(res.Packs[0]), "\n")
		for _, key := range texts.Spanish.ChainKeys() {
			in, _ := texts.Spanish.Said(key)
			for _, part := range texts.Place.Split(key, -1) {
				if part = strings.TrimSpace(part); len(part) > 12 && strings.Contains(part, " ") && !strings.Contains(in, part) && !strings.Contains(pack, part) && strings.Contains(said, part) {
					t.Errorf("%s says %q", region, part)
				}
			}
		}
	}
}

func tool(t *testing.T, name string, args ...string) []byte {
	t.Helper()
	out, err := exec.Command(name, args...).Output()
	if err != nil {
		t.Fatalf("%s (Debian package poppler-utils): %v", name, err)
	}
	return out
}
