//go:build outside

package worksheet

import (
	"html"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// inputOf is a sample, or a night that two pages hold only if it is packed.
func inputOf(name string) Input {
	if name == "noisy" {
		return noisy(10)
	}
	return sample(name)
}

// poppler runs a tool of poppler-utils on the PDF of in.
func poppler(t *testing.T, in Input, tool string, args ...string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "w.pdf")
	if err := os.WriteFile(path, paperOf(t, in, PDFOptions{}), 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(tool, append(args, path)...).Output()
	if err != nil {
		t.Fatalf("%s (Debian package poppler-utils): %v", tool, err)
	}
	return string(out)
}

func textOfPDF(t *testing.T, in Input) string {
	path := filepath.Join(t.TempDir(), "w.pdf")
	if err := os.WriteFile(path, paperOf(t, in, PDFOptions{}), 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command("pdftotext", "-layout", path, "-").Output()
	if err != nil {
		t.Fatalf("pdftotext (Debian package poppler-utils): %v", err)
	}
	return string(out)
}

// TestOutsidePDFText reads the PDF with poppler's pdftotext: signs and letters
// extract as they were written, page 1 tells the verdict, every page the case
// and its number, and no figure of a deciding clause is lost.
func TestOutsidePDFText(t *testing.T) {
	for _, name := range []string{"met", "not-met", "open", "report", "critical", "noisy"} {
		in := inputOf(name)
		in.Determination.Notes = []string{"Signs: ≤ ≥ é ł ế ✓ ✗ 漢 end."}
		pages := strings.Split(strings.TrimRight(textOfPDF(t, in), "\f\n"), "\f")
		w := New(in)
		all := strings.Join(strings.Fields(strings.Join(pages, " ")), " ")
		first := strings.Join(strings.Fields(pages[0]), " ")
		if !strings.Contains(first, w.Verdict.Symbol+" "+w.Headline[0]) || !strings.Contains(first, w.Headline[1]) {
			t.Errorf("%s: page 1 lacks the headline: %.600s", name, first)
		}
		if !strings.Contains(all, "Signs: ≤ ≥ é ł ế ✓ ✗ [U+6F22] end.") {
			t.Errorf("%s: signs or letters are lost", name)
		}
		for i, p := range pages {
			for _, s := range []string{"HB-0007", "Łucja Thế-Ferrié", "page " + string(rune('1'+i)) + " of " + string(rune('0'+len(pages)))} {
				if !strings.Contains(p, s) {
					t.Errorf("%s: page %d lacks %q", name, i+1, s)
				}
			}
			if strings.Contains(p, "DEMO") != in.Demo {
				t.Errorf("%s: page %d: demo mark", name, i+1)
			}
		}
		for _, f := range decidingFindings(in.Determination) {
			for _, word := range strings.Fields(f.Label + " " + f.Asked + " " + f.Found + " " + strings.Join(f.Cites, " ")) {
				if !strings.Contains(all, word) {
					t.Errorf("%s: clause %s: %q is not in the PDF", name, f.ID, word)
				}
			}
		}
	}
}

// TestOutsidePDFFonts: poppler's pdffonts lists two faces, embedded, subset and with
// a table back to Unicode (columns emb, sub, uni).
func TestOutsidePDFFonts(t *testing.T) {
	lines := strings.Split(strings.TrimSpace(poppler(t, sample("met"), "pdffonts")), "\n")[2:]
	if len(lines) != 2 {
		t.Fatalf("fonts: %q", lines)
	}
	for _, l := range lines {
		f := strings.Fields(l)
		if n := len(f); n < 6 || f[n-5] != "yes" || f[n-3] != "yes" {
			t.Errorf("font not embedded or without Unicode: %s", l)
		}
	}
}

// TestOutsidePDFOutline reads the file with poppler's pdfinfo and pdftohtml:
// title and pages are told, and the bookmarks name the outcome and every
// section of the paper in their order.
func TestOutsidePDFOutline(t *testing.T) {
	in := sample("met")
	info := poppler(t, in, "pdfinfo")
	if !strings.Contains(info, "Title:           Home-oxygen qualification worksheet, case HB-0007\n") {
		t.Errorf("pdfinfo: %s", info)
	}
	path := filepath.Join(t.TempDir(), "w.pdf")
	if err := os.WriteFile(path, paperOf(t, in, PDFOptions{}), 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command("pdftohtml", "-xml", "-i", "-stdout", path).Output()
	if err != nil {
		t.Fatalf("pdftohtml (Debian package poppler-utils): %v", err)
	}
	_, outline, ok := strings.Cut(string(out), "<outline>")
	if !ok {
		t.Fatal("no bookmarks")
	}
	for _, name := range []string{"Written criteria met", "What decided", "What must be on file", "The recording", "Time at or below", "Sources", "Cautions", "Evidence and provenance"} {
		_, rest, ok := strings.Cut(outline, ">"+name+"</item>")
		if !ok {
			t.Errorf("no bookmark %q behind those before it in %.900s", name, outline)
			continue
		}
		outline = rest
	}
}

var (
	fontSpec = regexp.MustCompile(`<fontspec id="(\d+)" size="(\d+)"`)
	textRun  = regexp.MustCompile(`<text [^>]*font="(\d+)">(.*?)</text>`)
	markup   = regexp.MustCompile(`<[^>]*>`)
)

// TestOutsidePDFSizes reads the sizes of print with poppler's pdftohtml, three
// units to the point: nothing is set under 8 pt, and outcome, trace, levels and
// what the deciding clauses found at 9 pt or more. (Sizes: our choice. A fax of
// standard resolution, ITU-T T.4, has 3.85 lines to the millimetre.)
func TestOutsidePDFSizes(t *testing.T) {
	for _, name := range []string{"met", "not-met", "critical", "noisy"} {
		in := inputOf(name)
		path := filepath.Join(t.TempDir(), "w.pdf")
		if err := os.WriteFile(path, paperOf(t, in, PDFOptions{}), 0o600); err != nil {
			t.Fatal(err)
		}
		out, err := exec.Command("pdftohtml", "-xml", "-i", "-zoom", "3", "-stdout", path).Output()
		if err != nil {
			t.Fatalf("pdftohtml (Debian package poppler-utils): %v", err)
		}
		size := map[string]int{}
		for _, m := range fontSpec.FindAllStringSubmatch(string(out), -1) {
			n, err := strconv.Atoi(m[2])
			if err != nil {
				t.Fatal(err)
			}
			size[m[1]] = n
			if n < 3*sizeSmall {
				t.Errorf("%s: print of %.1f pt", name, float64(n)/3)
			}
		}
		w := New(in)
		want := map[string]bool{w.Verdict.Word: false, "88 %": false, "nadir 84 %": false, "at or below 88 %": false, "asleep-88": false}
		for _, f := range decidingFindings(in.Determination) {
			if !inWords(f, in.Pack) {
				want[f.Found] = false
			}
		}
		for _, m := range textRun.FindAllStringSubmatch(string(out), -1) {
			text := html.UnescapeString(markup.ReplaceAllString(m[2], ""))
			for s := range want {
				if strings.Contains(text, s) && size[m[1]] >= 3*sizeBody {
					want[s] = true
				}
			}
		}
		for s, found := range want {
			if !found {
				t.Errorf("%s: no %q of 9 pt or more", name, s)
			}
		}
	}
}
