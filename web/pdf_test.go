//go:build !race

package web

import (
	"bytes"
	"errors"
	"image/png"
	"net/http"
	"strings"
	"testing"

	"airwarrant/qualify/casework/storetest"
)

// A PDF is drawn by code that the race detector slows down to minutes, and
// that runs one file at a time, so it is left out of that stage.
func TestPDFPages(t *testing.T) {
	if raced {
		return // one goroutine
	}
	b := newBench(t, &storetest.Memory{}, true)
	v := b.at(Intake)
	address := b.demoAddress("Perpetua Sloane")
	if w := v.get(address + "/worksheet.pdf"); w.Code != http.StatusOK {
		t.Fatalf("the PDF to try with: status %d", w.Code)
	}
	data := []byte(v.last)
	// One page tree is enough to count: "/Type /Page" without the s (ISO
	// 32000-1, 7.7.3.3), uncompressed in the files that we write.
	want := strings.Count(v.last, "/Type /Page\n")
	media, pages, err := b.readDocument(t.Context(), data)
	if err != nil || media != mediaPDF || pages != want || want < 1 {
		t.Fatalf("%s, %d pages, %v; want %d", media, pages, err, want)
	}
	l, err := b.pdf.leaf(t.Context(), data, 1)
	if err != nil {
		t.Fatal(err)
	}
	m, err := png.Decode(bytes.NewReader(l.body))
	if err != nil {
		t.Fatal(err)
	}
	// A4 is 210 by 297 mm (ISO 216).
	if w, h := m.Bounds().Dx(), m.Bounds().Dy(); w != pdfWidth || h < pdfWidth*297/210-3 || h > pdfWidth*297/210+3 || l.width != w || l.height != h {
		t.Errorf("the page is %d by %d, told as %d by %d", w, h, l.width, l.height)
	}
	dark := 0
	for y := range m.Bounds().Dy() {
		for x := range m.Bounds().Dx() {
			if r, _, _, _ := m.At(x, y).RGBA(); r < 0x8000 {
				dark++
			}
		}
	}
	if all := m.Bounds().Dx() * m.Bounds().Dy(); dark < all/500 || dark > all/2 {
		t.Errorf("%d of %d dots are dark: that is no page of text", dark, all)
	}
	for name, data := range map[string][]byte{"cut off": data[:len(data)/3], "a head alone": []byte("%PDF-1.7\n"), "another page tree": bytes.ReplaceAll(data, []byte("/Pages"), []byte("/Pagez"))} {
		var bad *pictureError
		if _, pages, err := b.readDocument(t.Context(), data); !errors.As(err, &bad) || pages != 0 {
			t.Errorf("%s: %d pages, %v", name, pages, err)
		}
	}
	if _, err := b.pdf.leaf(t.Context(), data, pages+1); err == nil {
		t.Error("a page behind the last was drawn")
	}
}
