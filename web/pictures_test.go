package web

import (
	"bytes"
	"encoding/binary"
	"errors"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"os"
	"runtime"
	"strings"
	"testing"

	"airwarrant/qualify/casework/storetest"
)

// letter is a small picture of a page.
func letter() image.Image {
	m := image.NewRGBA(image.Rect(0, 0, 85, 110))
	for i := range m.Pix {
		m.Pix[i] = 255
	}
	m.Set(20, 30, color.Black)
	return m
}

func pngOf(m image.Image) []byte {
	var b bytes.Buffer
	if err := png.Encode(&b, m); err != nil {
		panic(err) // a picture of ours in memory
	}
	return b.Bytes()
}

func jpegOf(m image.Image) []byte {
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, nil); err != nil {
		panic(err)
	}
	return b.Bytes()
}

// exif puts an orientation behind the start of a JPEG (Exif 2.32, CIPA DC-008,
// 4.5.2: APP1, "Exif", two zeros and a TIFF directory; 4.6.4 A, Orientation).
func exif(data []byte, orientation uint16) []byte {
	be := binary.BigEndian
	part := append([]byte("Exif\x00\x00MM\x00*"), 0, 0, 0, 8, 0, 1)
	part = be.AppendUint16(part, tagOrientation)
	part = be.AppendUint16(part, 3)
	part = be.AppendUint32(part, 1)
	part = be.AppendUint16(part, orientation)
	part = append(part, 0, 0, 0, 0, 0, 0)
	out := append([]byte{0xff, 0xd8, 0xff, 0xe1}, be.AppendUint16(nil, uint16(len(part)+2))...)
	return append(append(out, part...), data[2:]...)
}

func TestDocumentsAreToldByContent(t *testing.T) {
	site := newBench(t, &storetest.Memory{}, false).Site
	g3, g4 := must(os.ReadFile("testdata/fax-g3.tif")), must(os.ReadFile("testdata/fax-g4.tif"))
	bomb := bytes.Clone(pngOf(letter()))
	binary.BigEndian.PutUint32(bomb[16:], 60000) // IHDR: width and height (PNG specification, 11.2.2)
	binary.BigEndian.PutUint32(bomb[20:], 60000)
	crc(bomb)
	jpegBomb := bytes.Clone(jpegOf(letter()))
	sof := bytes.Index(jpegBomb, []byte{0xff, 0xc0}) // frame header: height and width (ITU-T T.81, B.2.2)
	binary.BigEndian.PutUint16(jpegBomb[sof+5:], 65535)
	binary.BigEndian.PutUint16(jpegBomb[sof+7:], 65535)
	circle := bytes.Clone(DemoFax())
	dirs, err := directories(circle)
	if err != nil {
		t.Fatal(err)
	}
	binary.LittleEndian.PutUint32(circle[int(dirs[1].at)+2+12*dirs[1].count:], dirs[0].at)
	wide := bytes.Clone(DemoFax())
	binary.LittleEndian.PutUint32(wide[dirs[0].at+2+8:], 40000)    // width, as the first entry
	binary.LittleEndian.PutUint32(wide[dirs[0].at+2+12+8:], 40000) // length
	wide3 := bytes.Clone(g3)
	dirs3, err := directories(g3)
	if err != nil {
		t.Fatal(err)
	}
	for i := range dirs3[0].count {
		e := wide3[int(dirs3[0].at)+2+12*i:]
		if tag := binary.LittleEndian.Uint16(e); tag == tagWidth || tag == tagLength {
			binary.LittleEndian.PutUint32(e[8:], 60000)
		}
	}
	twoD := bytes.Clone(g3)
	for i := range dirs3[0].count {
		e := twoD[int(dirs3[0].at)+2+12*i:]
		if binary.LittleEndian.Uint16(e) == tagT4Options {
			e[8] |= 1
		}
	}
	for _, tt := range []struct {
		name   string
		data   []byte
		media  string
		pages  int
		reason string // in the refusal
	}{
		{"png", pngOf(letter()), mediaPNG, 1, ""},
		{"jpeg", jpegOf(letter()), mediaJPEG, 1, ""},
		{"fax of two pages, PackBits", DemoFax(), mediaTIFF, 2, ""},
		{"fax group 3", g3, mediaTIFF, 2, ""},
		{"fax group 4", g4, mediaTIFF, 2, ""},
		{"a recording", recordings()["night-1.csv"], "", 0, "PNG, JPEG or TIFF, or a PDF"},
		{"nothing", nil, "", 0, "PNG, JPEG or TIFF, or a PDF"},
		{"a web page", []byte("<!doctype html><script>alert(1)</script>"), "", 0, "PNG, JPEG or TIFF, or a PDF"},
		{"a drawing that may hold scripts", []byte(`<svg xmlns="http://www.w3.org/2000/svg"/>`), "", 0, "PNG, JPEG or TIFF, or a PDF"},
		{"png cut off", pngOf(letter())[:20], mediaPNG, 0, "cut off"},
		{"png that unpacks to 3.6 thousand million pixels", bomb, mediaPNG, 0, "36 million pixels"},
		{"jpeg that unpacks to 4.3 thousand million pixels", jpegBomb, mediaJPEG, 0, "36 million pixels"},
		{"fax cut off", DemoFax()[:2000], mediaTIFF, 0, "behind the end"},
		{"fax of no page", []byte("II*\x00\x00\x00\x00\x00"), mediaTIFF, 0, "no page"},
		{"fax whose pages run in a circle", circle, mediaTIFF, 0, "in a circle"},
		{"fax of 1.6 thousand million pixels", wide, mediaTIFF, 0, "36 million pixels"},
		{"fax group 3 of 3.6 thousand million pixels", wide3, mediaTIFF, 0, "36 million pixels"},
		{"fax group 3 in two dimensions", twoD, mediaTIFF, 0, "can be unpacked"},
		{"fax of more pages than a report has", manyPages(DemoFax(), pagesLimit+1), mediaTIFF, 0, "at most 100 pages"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			var before, after runtime.MemStats
			runtime.ReadMemStats(&before)
			media, pages, err := site.readDocument(t.Context(), tt.data)
			runtime.ReadMemStats(&after)
			if tt.reason == "" {
				if err != nil || media != tt.media || pages != tt.pages {
					t.Errorf("%s, %d pages, %v; want %s, %d", media, pages, err, tt.media, tt.pages)
				}
				return
			}
			var bad *pictureError
			if !errors.As(err, &bad) || !strings.Contains(err.Error(), tt.reason) || pages != 0 {
				t.Errorf("%s, %d pages, %v; want a refusal that says %q", media, pages, err, tt.reason)
			}
			if got := after.TotalAlloc - before.TotalAlloc; got > 16<<20 {
				t.Errorf("a refused file of %d bytes took %d MiB", len(tt.data), got>>20)
			}
		})
	}
}

// manyPages is a file of n pages that are all the first one.
func manyPages(data []byte, n int) []byte {
	dirs, err := directories(data)
	if err != nil {
		panic(err) // a fax of ours
	}
	le := binary.LittleEndian
	size := 2 + 12*dirs[0].count
	first := bytes.Clone(data[dirs[0].at : int(dirs[0].at)+size])
	out := bytes.Clone(data)
	le.PutUint32(out[4:], uint32(len(out)))
	for i := range n {
		out = append(out, first...)
		next := uint32(len(out) + 4)
		if i == n-1 {
			next = 0
		}
		out = le.AppendUint32(out, next)
	}
	return out
}

// Pages that share one small strip are unpacked to a bound and no further.
func TestSharedStripIsBounded(t *testing.T) {
	if raced {
		return // one goroutine
	}
	const w, h = 6000, 5900 // one page is within bounds
	strip := []byte{}
	for range h {
		strip = packBits(strip, make([]byte, w/8))
	}
	data := DemoFax()
	dirs, err := directories(data)
	if err != nil {
		t.Fatal(err)
	}
	for i := range dirs[0].count {
		e := data[int(dirs[0].at)+2+12*i:]
		if v, ok := map[uint16]uint32{tagWidth: w, tagLength: h, tagRows: h, tagOffsets: uint32(len(data)), tagCounts: uint32(len(strip))}[binary.LittleEndian.Uint16(e)]; ok {
			binary.LittleEndian.PutUint32(e[8:], v)
		}
	}
	data = append(data, strip...)
	if n, err := tiffPages(manyPages(data, 1)); err != nil || n != 1 {
		t.Errorf("one such page: %d, %v", n, err)
	}
	if n, err := tiffPages(manyPages(data, 50)); n != 0 || err == nil || !strings.Contains(err.Error(), "million pixels together") {
		t.Errorf("50 such pages: %d, %v", n, err)
	}
}

// crc mends the check of the first chunk of a PNG (PNG specification, 5.5).
func crc(data []byte) {
	table := func(n uint32) uint32 {
		for range 8 {
			if n&1 == 1 {
				n = 0xedb88320 ^ n>>1
			} else {
				n >>= 1
			}
		}
		return n
	}
	c := ^uint32(0)
	for _, b := range data[12:29] {
		c = table((c^uint32(b))&0xff) ^ c>>8
	}
	binary.BigEndian.PutUint32(data[29:], ^c)
}

// The pages of the faxes that libtiff packed are those that we drew, to the
// dot, and a fax at standard resolution is shown with square dots.
func TestFaxPages(t *testing.T) {
	for _, name := range []string{"", "testdata/fax-g3.tif", "testdata/fax-g4.tif"} {
		data := DemoFax()
		if name != "" {
			data = must(os.ReadFile(name))
		}
		for page := 1; page <= 2; page++ {
			l, err := tiffLeaf(data, page)
			if err != nil {
				t.Fatalf("%s, page %d: %v", name, page, err)
			}
			// 1056 rows at 98 dots an inch, 1728 columns at 204: the sheet
			// is 8.47 inches wide and 10.78 high.
			if l.media != mediaPNG || l.width != 1728 || l.height != 2198 {
				t.Errorf("%s, page %d: %s of %d by %d", name, page, l.media, l.width, l.height)
			}
			got, err := png.Decode(bytes.NewReader(l.body))
			if err != nil {
				t.Fatal(err)
			}
			want := drawPage(faxPages[page-1])
			if got.Bounds() != want.Bounds() {
				t.Fatalf("%s, page %d: %v, want %v", name, page, got.Bounds(), want.Bounds())
			}
			differ := 0
			for y := range want.Bounds().Dy() {
				for x := range want.Bounds().Dx() {
					if color.GrayModel.Convert(got.At(x, y)) != want.GrayAt(x, y) {
						differ++
					}
				}
			}
			if differ > 0 {
				t.Errorf("%s, page %d: %d dots differ", name, page, differ)
			}
		}
		if _, err := tiffLeaf(data, 3); !errors.Is(err, errNoPage) {
			t.Errorf("%s, page 3 of 2: %v", name, err)
		}
	}
}

// Browsers turn a photograph as its Exif says (HTML, image-orientation:
// from-image), so the shape of the page follows.
func TestTurnedPhotograph(t *testing.T) {
	for orientation, turned := range map[uint16]bool{1: false, 3: false, 5: true, 6: true, 8: true, 9: false} {
		l, err := plainLeaf(mediaJPEG, exif(jpegOf(letter()), orientation))
		if err != nil {
			t.Fatal(err)
		}
		if (l.width == 110) != turned || l.width*l.height != 85*110 {
			t.Errorf("orientation %d: %d by %d", orientation, l.width, l.height)
		}
	}
	for _, data := range [][]byte{nil, {0xff, 0xd8, 0xff}, exif(jpegOf(letter()), 6)[:30]} {
		if turned(data) {
			t.Errorf("% x is turned", data)
		}
	}
}

// Whatever comes, pages are read or refused: no panic, and nothing beside an
// error.
func FuzzDocument(f *testing.F) {
	f.Add(DemoFax())
	for _, name := range []string{"testdata/fax-g3.tif", "testdata/fax-g4.tif"} {
		f.Add(must(os.ReadFile(name)))
	}
	f.Add(exif(jpegOf(letter()), 6))
	f.Add(pngOf(letter()))
	site := &Site{core: &core{}}
	f.Fuzz(func(t *testing.T, data []byte) {
		if mediaOf(data) == mediaPDF {
			return // drawn in a machine of its own, with limits of its own
		}
		media, pages, err := site.readDocument(t.Context(), data)
		if err != nil && pages != 0 || err == nil && (pages < 1 || media == "") {
			t.Errorf("%s, %d pages, %v", media, pages, err)
		}
		if err == nil && media == mediaTIFF {
			if _, err := tiffLeaf(data, pages); err != nil {
				t.Errorf("page %d was counted and cannot be shown: %v", pages, err)
			}
		}
	})
}

func TestLeavesAreKeptWithinBounds(t *testing.T) {
	var k leaves
	for i := range 10 {
		k.put(string(rune('a'+i)), leaf{body: make([]byte, leavesKept/4)})
	}
	if len(k.kept) != 4 || k.size != leavesKept {
		t.Errorf("%d pictures of %d bytes", len(k.kept), k.size)
	}
	if _, ok := k.get("j"); !ok {
		t.Error("the latest is gone")
	}
	k.put("large", leaf{body: make([]byte, leavesKept+1)})
	if _, ok := k.get("large"); ok || len(k.kept) != 4 {
		t.Error("one that is too large is kept, or drove others out")
	}
}
