package web

import (
	"bytes"
	"errors"
	"image"
	"io"
	"math/bits"

	"golang.org/x/image/ccitt"
)

// Fax group 3 in TIFF. The library's decoder wants each end of line right
// behind its row; fax machines fill with zeros up to a byte (TIFF revision
// 6.0, section 11, T4Options). So rows are found here and decoded one by one.

// Tags of TIFF revision 6.0, sections 8 and 11.
const (
	tagWidth       = 256
	tagLength      = 257
	tagCompression = 259
	tagPhotometric = 262
	tagFillOrder   = 266
	tagOffsets     = 273
	tagRows        = 278
	tagCounts      = 279
	tagT4Options   = 292

	groupThree = 3 // a value of Compression
)

var errGroupThree = errors.New("fax group 3: damaged, or coded in two dimensions")

// numbers are the values of an entry of type SHORT or LONG, nil if there is
// none.
func (d directory) numbers(tag uint16) []uint32 {
	for i := range d.count {
		e := d.data[int(d.at)+2+12*i:]
		if d.order.Uint16(e) != tag {
			continue
		}
		kind, n := d.order.Uint16(e[2:]), uint64(d.order.Uint32(e[4:]))
		step := map[uint16]uint64{3: 2, 4: 4}[kind]
		at := e[8:12]
		if step == 0 || n == 0 || n*step > uint64(len(d.data)) {
			return nil
		}
		if n*step > 4 {
			off := uint64(d.order.Uint32(at))
			if off+n*step > uint64(len(d.data)) {
				return nil
			}
			at = d.data[off:]
		}
		out := make([]uint32, n)
		for k := range out {
			if kind == 3 {
				out[k] = uint32(d.order.Uint16(at[2*k:]))
			} else {
				out[k] = d.order.Uint32(at[4*k:])
			}
		}
		return out
	}
	return nil
}

func (d directory) number(tag uint16, or uint32) uint32 {
	if v := d.numbers(tag); len(v) > 0 {
		return v[0]
	}
	return or
}

// faxPage unpacks a page in fax group 3, one-dimensional.
func (d directory) faxPage() (image.Image, error) {
	c := image.Config{Width: int(d.number(tagWidth, 0)), Height: int(d.number(tagLength, 0))}
	if err := checkSize(c); err != nil {
		return nil, err
	}
	if d.number(tagT4Options, 0)&3 != 0 {
		return nil, errGroupThree
	}
	offsets, counts, rows := d.numbers(tagOffsets), d.numbers(tagCounts), int(d.number(tagRows, uint32(c.Height)))
	if len(offsets) == 0 || len(offsets) != len(counts) || rows < 1 || (c.Height-1)/rows+1 != len(offsets) {
		return nil, errGroupThree
	}
	page := image.NewGray(image.Rect(0, 0, c.Width, c.Height))
	for i, off := range offsets {
		if uint64(off)+uint64(counts[i]) > uint64(len(d.data)) {
			return nil, errGroupThree
		}
		strip := bytes.Clone(d.data[off : off+counts[i]])
		if d.number(tagFillOrder, 1) == 2 {
			for k := range strip {
				strip[k] = bits.Reverse8(strip[k])
			}
		}
		if err := faxStrip(page, i*rows, min((i+1)*rows, c.Height), strip, d.number(tagPhotometric, 0) == 0); err != nil {
			return nil, err
		}
	}
	return page, nil
}

// faxStrip unpacks the rows from y to end.
func faxStrip(page *image.Gray, y, end int, strip []byte, whiteIsZero bool) error {
	in := bitReader{data: strip}
	var row bitWriter
	packed := make([]byte, (page.Bounds().Dx()+7)/8)
	in.endOfLine(&row)
	for ; y < end; y++ {
		row = bitWriter{out: row.out[:0]}
		row.put(1, 12) // the end of line before the row
		in.endOfLine(&row)
		row.put(0, 64)
		r := ccitt.NewReader(bytes.NewReader(row.out), ccitt.MSB, ccitt.Group3, page.Bounds().Dx(), 1, &ccitt.Options{Invert: whiteIsZero})
		if _, err := calm(func() (int, error) { return io.ReadFull(r, packed) }); err != nil {
			return errGroupThree
		}
		for x := range page.Bounds().Dx() {
			if packed[x/8]&(0x80>>(x%8)) != 0 {
				page.Pix[page.PixOffset(x, y)] = 255
			}
		}
		if !whiteIsZero {
			continue
		}
		for x := range page.Bounds().Dx() {
			page.Pix[page.PixOffset(x, y)] ^= 255
		}
	}
	return nil
}

// bitReader reads bits, the highest of a byte first.
type bitReader struct {
	data []byte
	at   int // bit
}

// endOfLine copies bits to w up to the next end of line, at least eleven zeros
// and a one, which it passes (ITU-T T.4, 4.1.2). No other code word holds as
// many zeros.
func (r *bitReader) endOfLine(w *bitWriter) {
	zeros := 0
	for ; r.at < 8*len(r.data); r.at++ {
		bit := r.data[r.at/8] >> (7 - r.at%8) & 1
		if bit == 1 && zeros >= 11 {
			r.at++
			return
		}
		zeros++
		if bit == 1 {
			zeros = 0
		}
		w.put(uint64(bit), 1)
	}
}

type bitWriter struct {
	out  []byte
	used int // bits
}

// put writes the n lowest bits of v, the highest first.
func (w *bitWriter) put(v uint64, n int) {
	for n--; n >= 0; n-- {
		if w.used%8 == 0 {
			w.out = append(w.out, 0)
		}
		w.out[w.used/8] |= byte(v>>n&1) << (7 - w.used%8)
		w.used++
	}
}
