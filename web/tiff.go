package web

import (
	"bytes"
	"encoding/binary"
	"image"
	"slices"
	"sync"

	"golang.org/x/image/tiff"

	"airwarrant/rules/wording"
)

// Tags of TIFF revision 6.0, section 8, and of Exif (CIPA DC-008, 4.6.4), whose
// directories have the same form.
const (
	tagOrientation = 0x0112
	tagXResolution = 0x011a
	tagYResolution = 0x011b
)

// unpacking lets one page be unpacked at a time: each may take 36 million
// pixels of four bytes.
var unpacking sync.Mutex

// directory is one image file directory: where it lies and its entries.
type directory struct {
	order binary.ByteOrder
	data  []byte
	at    uint32
	count int
}

// directories walks the chain of image file directories of a TIFF file, one
// for each page (TIFF revision 6.0, section 2).
func directories(data []byte) ([]directory, error) {
	wrong := func(found wording.Text) ([]directory, error) {
		return nil, &pictureError{wording.Said("a TIFF file whose pages follow each other"), found, wording.Said("send the fax again, or save it as a PDF")}
	}
	if len(data) < 8 {
		return wrong(wording.Said("a file that is cut off"))
	}
	var order binary.ByteOrder = binary.LittleEndian
	if data[0] == 'M' {
		order = binary.BigEndian
	}
	var out []directory
	at := order.Uint32(data[4:])
	for at != 0 {
		if slices.ContainsFunc(out, func(d directory) bool { return d.at == at }) {
			return wrong(wording.Said("pages that run in a circle"))
		}
		if len(out) == pagesLimit {
			return nil, &pictureError{wording.Said("at most %d pages", pagesLimit), wording.Said("more"), wording.Said("send the pages of the report alone")}
		}
		if uint64(at)+2 > uint64(len(data)) {
			return wrong(wording.Said("a page that lies behind the end of the file"))
		}
		d := directory{order, data, at, int(order.Uint16(data[at:]))}
		end := uint64(at) + 2 + 12*uint64(d.count)
		if end+4 > uint64(len(data)) {
			return wrong(wording.Said("a page that lies behind the end of the file"))
		}
		out = append(out, d)
		at = order.Uint32(data[end:])
	}
	if len(out) == 0 {
		return wrong(wording.Said("no page"))
	}
	return out, nil
}

// value returns the four bytes of an entry's value or offset.
func (d directory) value(tag uint16) ([]byte, bool) {
	for i := range d.count {
		e := d.data[int(d.at)+2+12*i:]
		if d.order.Uint16(e) == tag {
			return e[8:12], true
		}
	}
	return nil, false
}

// rational is the value of an entry of type RATIONAL as numerator and
// denominator.
func (d directory) rational(tag uint16) (num, den uint64, ok bool) {
	v, ok := d.value(tag)
	if !ok {
		return 0, 0, false
	}
	at := uint64(d.order.Uint32(v))
	if at+8 > uint64(len(d.data)) {
		return 0, 0, false
	}
	num, den = uint64(d.order.Uint32(d.data[at:])), uint64(d.order.Uint32(d.data[at+4:]))
	return num, den, num > 0 && den > 0
}

// square gives the size at which pixels are square. A fax at standard
// resolution has about 204 dots an inch across and 98 down (ITU-T T.4, 2.2).
func (d directory) square(w, h int) (int, int) {
	xn, xd, okX := d.rational(tagXResolution)
	yn, yd, okY := d.rational(tagYResolution)
	if !okX || !okY {
		return w, h
	}
	ratio := float64(xn) / float64(xd) / (float64(yn) / float64(yd))
	if ratio < 1.05 && ratio > 0.95 || ratio > 4 || ratio < 0.25 {
		return w, h // square, or not to be believed
	}
	return w, max(1, int(float64(h)*ratio+.5))
}

// page returns the file with this directory as its first, which is the one
// that the decoder reads.
func (d directory) page() []byte {
	out := slices.Clone(d.data)
	d.order.PutUint32(out[4:], d.at)
	return out
}

// decode unpacks the page, after a look at its size.
func (d directory) decode() (image.Image, error) {
	unpacking.Lock()
	defer unpacking.Unlock()
	if d.number(tagCompression, 1) == groupThree {
		return d.faxPage()
	}
	data := d.page()
	c, err := calm(func() (image.Config, error) { return tiff.DecodeConfig(bytes.NewReader(data)) })
	if err != nil {
		return nil, err
	}
	if err := checkSize(c); err != nil {
		return nil, err
	}
	return calm(func() (image.Image, error) { return tiff.Decode(bytes.NewReader(data)) })
}

// tiffPages counts the pages of a TIFF file after unpacking each once.
func tiffPages(data []byte) (int, error) {
	dirs, err := directories(data)
	if err != nil {
		return 0, err
	}
	all := 0
	for i := range dirs {
		m, err := tiffPage(dirs, i+1)
		if err != nil {
			return 0, err
		}
		// Many pages may share one small strip.
		if all += m.Bounds().Dx() * m.Bounds().Dy(); all > 8*pixelLimit {
			return 0, &pictureError{wording.Said("pages of at most %d million pixels together", 8*pixelLimit/1_000_000), wording.Said("more"), wording.Said("scan at 300 dots an inch or less, or send the pages of the report alone")}
		}
	}
	return len(dirs), nil
}

func tiffPage(dirs []directory, page int) (image.Image, error) {
	m, err := dirs[page-1].decode()
	if p, ok := err.(*pictureError); ok {
		return nil, p
	}
	if err != nil {
		// The text of the decoder may quote what the file holds.
		return nil, &pictureError{wording.Said("a page %d that can be unpacked (fax groups 3 and 4, plain, LZW, Deflate or PackBits)", page),
			wording.Said("one that cannot"), wording.Said("send the fax again, or save it as a PDF")}
	}
	return m, nil
}

// tiffLeaf is one page of a TIFF file as PNG.
func tiffLeaf(data []byte, page int) (leaf, error) {
	dirs, err := directories(data)
	if err != nil {
		return leaf{}, err
	}
	if page > len(dirs) {
		return leaf{}, errNoPage
	}
	m, err := tiffPage(dirs, page)
	if err != nil {
		return leaf{}, err
	}
	return pngLeaf(m, dirs[page-1].square)
}

// turned reports whether a JPEG carries an orientation by which browsers show
// it with its sides exchanged (Exif, tag Orientation, 5 to 8).
func turned(data []byte) bool {
	for at := 2; at+4 <= len(data) && data[at] == 0xff; {
		marker, n := data[at+1], int(binary.BigEndian.Uint16(data[at+2:]))
		if marker == 0xda || n < 2 || at+2+n > len(data) { // start of scan
			return false
		}
		part := data[at+4 : at+2+n]
		if exif, ok := bytes.CutPrefix(part, []byte("Exif\x00\x00")); ok && marker == 0xe1 && mediaOf(exif) == mediaTIFF {
			dirs, err := directories(exif)
			if err != nil {
				return false
			}
			v, ok := dirs[0].value(tagOrientation)
			return ok && dirs[0].order.Uint16(v) >= 5 && dirs[0].order.Uint16(v) <= 8
		}
		at += 2 + n
	}
	return false
}
