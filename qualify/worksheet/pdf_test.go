package worksheet

import (
	"bytes"
	"errors"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"airwarrant/rules"
)

func paperOf(t *testing.T, in Input, opt PDFOptions) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := New(in).WritePDF(&b, opt); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// TestSameBytes: the same input gives the same bytes, in every format.
func TestSameBytes(t *testing.T) {
	for _, name := range sampleNames {
		first := paperOf(t, sample(name), PDFOptions{})
		for i := 0; i < 3; i++ {
			if !bytes.Equal(first, paperOf(t, sample(name), PDFOptions{})) {
				t.Fatalf("%s: the PDF differs when repeated", name)
			}
		}
		one, two := New(sample(name)), New(sample(name))
		if text(t, one) != text(t, two) || fragment(t, one) != fragment(t, two) {
			t.Errorf("%s: text or page differs when repeated", name)
		}
		if !bytes.HasPrefix(first, []byte("%PDF-")) || !bytes.HasSuffix(bytes.TrimSpace(first), []byte("%%EOF")) {
			t.Errorf("%s: no PDF", name)
		}
	}
}

// TestPDFDate: the dates inside are the day of printing, and a fixed day if
// there is none: never the clock. (ISO 32000-1, 7.9.4: D:YYYYMMDD...)
func TestPDFDate(t *testing.T) {
	in := sample("withheld")
	if b := paperOf(t, in, PDFOptions{}); !bytes.Contains(b, []byte("D:20300306")) {
		t.Error("the day of printing is not in the file")
	}
	in.Printed = rules.Date{}
	if b := paperOf(t, in, PDFOptions{}); !bytes.Contains(b, []byte("D:19700101")) {
		t.Error("without a day of printing the file carries another date")
	}
}

// TestPaperSize: A4 is 210 x 297 mm (ISO 216), Letter 8.5 x 11 in, in points
// of 1/72 in.
func TestPaperSize(t *testing.T) {
	if b := paperOf(t, sample("withheld"), PDFOptions{}); !bytes.Contains(b, []byte("[0 0 595.28 841.89]")) {
		t.Error("not A4")
	}
	if b := paperOf(t, sample("withheld"), PDFOptions{Letter: true}); !bytes.Contains(b, []byte("[0 0 612.00 792.00]")) {
		t.Error("not Letter")
	}
}

// TestLegible: a character that the font lacks, or that lies beyond the BMP,
// is shown by its code point; the comparison signs, symbols and letters that
// worksheets use are in the font.
func TestLegible(t *testing.T) {
	for in, want := range map[string]string{
		"≤ ≥ é ł ế ✓ ✗ – SpO₂ · …":     "≤ ≥ é ł ế ✓ ✗ – SpO₂ · …",
		"Nguye\u0302\u0303n Đư\u0301c": "Nguyễn Đức", // accents typed by themselves
		"漢":                            "[U+6F22]",
		"a😀b":                          "a[U+1F600]b",
		"\x00":                         "[U+0000]",
		"\U000F0000":                   "[U+F0000]",
	} {
		if got := legible(in); got != want {
			t.Errorf("%q: got %q, want %q", in, got, want)
		}
	}
}

// TestHeadOfEveryPage: case and day of birth stand whole at the head of every
// page, whatever the name; a name that has no room there is shortened, and then
// stands in full on the first page, however densely that is set.
func TestHeadOfEveryPage(t *testing.T) {
	in := sample("met")
	in.Case.PatientName = strings.Repeat("Preobraschenskaja-Hohenwaldenburg ", 4)
	for _, demo := range []bool{true, false} {
		in.Demo = demo
		w := New(in)
		p := newPaper(w, PDFOptions{})
		head, whole := p.whose(w)
		p.font(true, sizeBody)
		if whole || !strings.HasPrefix(head, "Case HB-0007 · Preobraschenskaja") || !strings.HasSuffix(head, "… · born 1951-07-09") || p.doc.GetStringWidth(head) > p.usable()-20 {
			t.Errorf("demo %v: %q", demo, head)
		}
		for pack := packLoose; pack <= packLast; pack++ {
			q := newPaper(w, PDFOptions{})
			q.pack = pack
			if line := q.caseLine(w); !strings.Contains(line, strings.TrimSpace(in.Case.PatientName)) {
				t.Errorf("packed to %d: %q", pack, line)
			}
		}
	}
	if head, whole := newPaper(New(sample("met")), PDFOptions{}).whose(New(sample("met"))); !whole || head != "Case HB-0007 · Łucja Thế-Ferrié · born 1951-07-09" {
		t.Errorf("%q", head)
	}
}

// TestHostile: long, strange and broken texts neither panic nor fail, and a
// row taller than a page is parted, not lost.
func TestHostile(t *testing.T) {
	in := sample("open")
	in.Case.PatientName = strings.Repeat("W", 400) + "漢😀\xff\x00\\()"
	in.Determination.Clauses[0].Label = strings.Repeat("unbroken", 500)
	in.Determination.Clauses[0].Found = strings.Repeat("many words ", 4000)
	in.Determination.Because = strings.Repeat("x", 20000)
	for _, opt := range []PDFOptions{{}, {Letter: true}} {
		b := paperOf(t, in, opt)
		if n := bytes.Count(b, []byte("/Type /Page\n")); n < 4 {
			t.Errorf("%d pages for a text of many", n)
		}
	}
}

// TestPagesOfANight: an ordinary night takes at most two pages.
func TestPagesOfANight(t *testing.T) {
	for _, name := range sampleNames {
		for _, opt := range []PDFOptions{{}, {Letter: true}} {
			if n := bytes.Count(paperOf(t, sample(name), opt), []byte("/Type /Page\n")); n > 2 || n == 0 {
				t.Errorf("%s: %d pages", name, n)
			}
		}
	}
}

// TestLanguageAndTitle follows the cross-reference table to the catalog (ISO
// 32000-1, 7.5.4 and 7.5.5): it names the language (14.9.2) and asks readers
// to show the title (12.2), and every entry of the table hits its object.
func TestLanguageAndTitle(t *testing.T) {
	pdf := paperOf(t, sample("met"), PDFOptions{})
	number := func(re string) int {
		m := regexp.MustCompile(re).FindAllSubmatch(pdf, -1)
		if len(m) == 0 {
			t.Fatalf("no %s", re)
		}
		n, err := strconv.Atoi(string(m[len(m)-1][1]))
		if err != nil {
			t.Fatal(err)
		}
		return n
	}
	table := pdf[number(`startxref\n(\d+)\n%%EOF`):]
	if !bytes.HasPrefix(table, []byte("xref\n0 ")) {
		t.Fatalf("no cross-reference table at its place: %.40q", table)
	}
	lines := strings.SplitAfter(string(table), "\n")
	root, size := number(`/Root (\d+) 0 R`), number(`/Size (\d+)`)
	object := func(n int) string {
		at, err := strconv.Atoi(lines[2+n][:10])
		if err != nil || !strings.HasPrefix(string(pdf[at:]), strconv.Itoa(n)+" 0 obj\n") {
			t.Fatalf("object %d is not at its place: %v", n, err)
		}
		return string(pdf[at : at+bytes.Index(pdf[at:], []byte("endobj"))])
	}
	for n := 1; n < size; n++ {
		object(n)
	}
	if got := object(root); !strings.Contains(got, "/Lang (en)\n") || !strings.Contains(got, "/DisplayDocTitle true") || !strings.Contains(got, "/Outlines ") {
		t.Errorf("catalog %q", got)
	}
	if !bytes.HasPrefix(pdf, []byte("%PDF-1.4\n")) {
		t.Errorf("%.8s: language and title are of PDF 1.4", pdf)
	}
	for _, broken := range []string{"", "/Type /Catalog\n", "/Type /Catalog\nstartxref\nx\n", "/Type /Catalog\nstartxref\n3\n", "/Type /Catalog\nstartxref\n"} {
		if out, err := withLanguage([]byte(broken), "en"); err == nil || out != nil {
			t.Errorf("%q: taken for a file", broken)
		}
	}
}

// TestOneLayout: A4 and US Letter hold the same, at places that differ by what
// sets the common area in the middle of the sheet: (215.9 - 210) / 2 mm across.
func TestOneLayout(t *testing.T) {
	for _, name := range sampleNames {
		w := New(sample(name))
		var papers [2]*paper
		for i, letter := range []bool{false, true} {
			papers[i] = layOut(w, PDFOptions{Letter: letter})
		}
		a4, letter := papers[0], papers[1]
		if a4.doc.PageCount() != letter.doc.PageCount() || math.Abs((a4.y-a4.y0)-(letter.y-letter.y0)) > .01 {
			t.Errorf("%s: ends on page %d at %.2f mm on A4, on page %d at %.2f mm on Letter", name, a4.doc.PageCount(), a4.y-a4.y0, letter.doc.PageCount(), letter.y-letter.y0)
		}
		if math.Abs(letter.left()-a4.left()-2.95) > .01 || math.Abs(a4.top()-letter.top()-8.8) > .01 {
			t.Errorf("%s: the area is not in the middle of the sheet", name)
		}
	}
}

type fullDisk struct{}

var errFull = errors.New("disk full")

func (fullDisk) Write([]byte) (int, error) { return 0, errFull }

// TestWriteError: the error of the writer comes back from every format.
func TestWriteError(t *testing.T) {
	w := New(sample("withheld"))
	for what, err := range map[string]error{"pdf": w.WritePDF(fullDisk{}, PDFOptions{}), "html": w.WriteHTML(fullDisk{}), "text": w.WriteText(fullDisk{})} {
		if !errors.Is(err, errFull) {
			t.Errorf("%s: got %v", what, err)
		}
	}
}
