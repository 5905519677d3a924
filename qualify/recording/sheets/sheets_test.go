package sheets

import (
	"archive/zip"
	"bytes"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/xuri/excelize/v2"
)

const limit = 64 << 20

// build writes a workbook with the library's own writer.
func build(t testing.TB, fill func(f *excelize.File) error) []byte {
	t.Helper()
	f := excelize.NewFile()
	defer f.Close()
	if err := fill(f); err != nil {
		t.Fatal(err)
	}
	b, err := f.WriteToBuffer()
	if err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// styled sets one cell with a number format: a code, or the number of a
// built-in one.
func styled(f *excelize.File, cell string, value any, format any) error {
	style := &excelize.Style{}
	switch x := format.(type) {
	case string:
		style.CustomNumFmt = &x
	case int:
		style.NumFmt = x
	}
	id, err := f.NewStyle(style)
	if err != nil {
		return err
	}
	if err := f.SetCellValue("Sheet1", cell, value); err != nil {
		return err
	}
	return f.SetCellStyle("Sheet1", cell, cell, id)
}

// Serial dates are those of ECMA-376 part 1, 18.17.4.1: 2026-03-01 is day
// 46082 counted from 1899-12-30, and day 44620 from 1904-01-01.
func TestCells(t *testing.T) {
	const evening = 46082 + 22.0/24 + 14.0/1440
	for _, c := range []struct {
		name   string
		value  any
		format any
		want   string
	}{
		{"a number", 94.0, 0, "94"},
		{"tenths, as some programs store them", 94.900000000000006, 0, "94.9"},
		{"a small number", 0.000001, 0, "0.000001"},
		{"text", "88 %", 0, "88 %"},
		{"text with tab, line and quotes", "a\t\"b\"\nc", 0, `"a ""b"" c"`},
		{"true", true, 0, "TRUE"},
		{"date and time", evening, "dd/mm/yyyy hh:mm", "2026-03-01T22:14:00"},
		{"date and time, built in", evening, 22, "2026-03-01T22:14:00"},
		{"seconds by repeated addition", evening + 4.0/86400 + 4.0/86400, "yyyy-mm-dd hh:mm:ss", "2026-03-01T22:14:08"},
		{"half a second", evening + 0.5/86400, "m/d/yy h:mm:ss.0", "2026-03-01T22:14:00.500"},
		{"a date", 46082.0, "dd.mm.yy", "2026-03-01"},
		{"a date, built in", 46082.0, 14, "2026-03-01"},
		{"a month", 46082.0, "mmm", "2026-03-01"},
		{"a date that holds a time", evening, 14, "2026-03-01T22:14:00"},
		{"a time", 22.0/24 + 14.0/1440, "hh:mm", "22:14:00"},
		{"a time, built in", 22.0/24 + 14.0/1440, 21, "22:14:00"},
		{"midnight", 0.0, "hh:mm:ss", "00:00:00"},
		{"a time that ran over midnight", 1 + 1.0/24, "hh:mm:ss", "01:00:00"},
		{"a time that hides its date", evening, "hh:mm:ss", "2026-03-01T22:14:00"},
		{"elapsed", 1 + 1.0/24, "[h]:mm:ss", "25:00:00"},
		{"elapsed, built in", 1 + 1.0/24, 46, "25:00:00"},
		{"a locale and colour before a date", 46082.0, `[$-409][Red]d\-mmm\-yyyy;@`, "2026-03-01"},
		{"letters in quotes", 94.0, `0" days"`, "94"},
		{"a percentage", 0.57, 9, "57"},
		{"a percentage of decimals", 0.885, "0.0%", "88.5"},
		{"the general format", 94.0, "General", "94"},
	} {
		data := build(t, func(f *excelize.File) error { return styled(f, "A1", c.value, c.format) })
		_, texts, err := Tables(data, limit)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		if got := strings.TrimSuffix(string(texts[0]), "\n"); got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
	data := build(t, func(f *excelize.File) error {
		yes := true
		if err := f.SetWorkbookProps(&excelize.WorkbookPropsOptions{Date1904: &yes}); err != nil {
			return err
		}
		return styled(f, "A1", 44620.5, 22)
	})
	if _, texts, err := Tables(data, limit); err != nil || string(texts[0]) != "2026-03-01T12:00:00\n" {
		t.Errorf("1904: %q, %v", texts, err)
	}
}

// TestAgainstTheLibrary compares stamps with the library's own reading of
// serial dates (github.com/xuri/excelize/v2, ExcelDateToTime).
func TestAgainstTheLibrary(t *testing.T) {
	w := &writer{}
	for days := 61.25; days < 80000; days += 97.0 {
		want, err := excelize.ExcelDateToTime(days, false)
		if err != nil {
			t.Fatal(err)
		}
		if got := w.stamp(days, format{date: true, time: true}); got != want.Format("2006-01-02T15:04:05") {
			t.Fatalf("day %g is %s, the library has %s", days, got, want.Format(time.RFC3339))
		}
	}
}

func TestTables(t *testing.T) {
	data := build(t, func(f *excelize.File) error {
		for _, s := range []string{"Second", "Third"} {
			if _, err := f.NewSheet(s); err != nil {
				return err
			}
		}
		if err := f.SetCellValue("Third", "B3", 88); err != nil {
			return err
		}
		if err := f.SetCellFormula("Third", "C3", "1/0"); err != nil {
			return err
		}
		return f.SetCellValue("Second", "ZZ1", "far to the right")
	})
	names, texts, err := Tables(data, limit)
	if err != nil {
		t.Fatal(err)
	}
	if got := strings.Join(names, ","); got != "Sheet1,Second,Third" {
		t.Errorf("sheets %s", got)
	}
	if len(texts[0]) != 0 || len(texts[1]) != 0 {
		t.Errorf("an empty sheet is %q, one wider than a table %q; want nothing", texts[0], texts[1])
	}
	if got := string(texts[2]); got != "\n\n\t88\n" && got != "\n\n\t88\t\n" {
		t.Errorf("the third sheet is %q; line 3 must be row 3", got)
	}
	// A cell a million rows down in an otherwise empty sheet is no table.
	data = build(t, func(f *excelize.File) error { return f.SetCellValue("Sheet1", "A1048576", 88) })
	if _, texts, err := Tables(data, limit); err != nil || len(texts[0]) != 0 {
		t.Errorf("a sparse sheet is %d bytes of text, %v; want none", len(texts[0]), err)
	}
}

func TestBadWorkbooks(t *testing.T) {
	good := build(t, func(f *excelize.File) error { return f.SetCellValue("Sheet1", "A1", 88) })
	for n := 0; n < len(good); n += 7 {
		if names, _, err := Tables(good[:n], limit); !errors.Is(err, ErrWorkbook) || names != nil {
			t.Fatalf("cut at %d: %v, %v; want ErrWorkbook", n, names, err)
		}
		b := bytes.Clone(good)
		b[n] ^= 0x10
		if names, texts, err := Tables(b, limit); err != nil && (!errors.Is(err, ErrWorkbook) || names != nil || texts != nil) {
			t.Fatalf("flipped at %d: %v, %v; want ErrWorkbook", n, names, err)
		}
	}
	// Half a million empty texts: small when packed, and in memory a hundred
	// times their bytes.
	var many bytes.Buffer
	out := zip.NewWriter(&many)
	for name, text := range map[string]string{
		"[Content_Types].xml": "<Types/>", "xl/workbook.xml": "<workbook><sheets/></workbook>", "xl/_rels/workbook.xml.rels": "<Relationships/>",
		"xl/sharedStrings.xml": "<sst>" + strings.Repeat("<si></si>", 510_000) + "</sst>",
	} {
		w, err := out.Create(name)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := w.Write([]byte(text)); err != nil {
			t.Fatal(err)
		}
	}
	if err := out.Close(); err != nil {
		t.Fatal(err)
	}
	if _, _, err := Tables(many.Bytes(), limit); !errors.Is(err, ErrWorkbook) || !strings.Contains(err.Error(), "tags") {
		t.Errorf("a part of many tags: %v; want ErrWorkbook", err)
	}
	if _, _, err := Tables(good, 100); !errors.Is(err, ErrWorkbook) {
		t.Errorf("a limit of 100 bytes: %v; want ErrWorkbook", err)
	}
}

func FuzzTables(f *testing.F) {
	f.Add(build(f, func(x *excelize.File) error {
		for i := range 5 {
			if err := x.SetSheetRow("Sheet1", fmt.Sprintf("A%d", i+1), &[]any{46082.5, 88, "61", true}); err != nil {
				return err
			}
		}
		return nil
	}))
	f.Fuzz(func(t *testing.T, data []byte) {
		names, texts, err := Tables(data, 1<<20)
		if err != nil && (names != nil || texts != nil) || len(names) != len(texts) {
			t.Fatalf("%d names, %d texts, %v", len(names), len(texts), err)
		}
	})
}
