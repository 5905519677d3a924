package web

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"image"
	"image/color"

	"golang.org/x/image/font"
	"golang.org/x/image/font/basicfont"
	"golang.org/x/image/math/fixed"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/criteria"
)

// faxPages are the two pages of the demonstration's fax, line by line: a
// cover, and a signed report. Clinic, people and figures are invented.
var faxPages = [][]string{
	{
		"", "TAMARACK SLEEP LABORATORY (invented)", "14 Mill Race, Harrow Vale", "",
		"FAX", "", "To:     Lantern Home Medical, intake", "From:   L. Frost, RRT", "Date:   2026-04-01", "Pages:  2 with this one", "",
		"Overnight oximetry of one patient follows,", "as the treating practitioner asked.",
	},
	{
		"", "TAMARACK SLEEP LABORATORY (invented)", "", "OVERNIGHT OXIMETRY, SIGNED REPORT", "",
		"Patient:     Perpetua Sloane", "Born:        1939-06-03", "Number:      HV-20489", "", "Began:       2026-03-29 22:41", "Breathing:   room air, asleep at home", "",
		"                              Figure", "-------------------------------------------",
		"Time recorded                 432.5 min", "Time with valid reading       428.1 min", "Time at or below 88 %           7.2 min", "Longest at or below 88 %        1.4 min",
		"Share at or below 88 %          1.7 %", "Lowest saturation                81 %", "Mean saturation                92.4 %",
		"-------------------------------------------", "", "Read by:     L. Frost, RRT", "Signed:      L. Frost      2026-03-31",
	},
}

// The sheet is drawn at 102 dots an inch and doubled across, as a fax at
// standard resolution has it (204 by 98 dots an inch; ITU-T T.4, 2.2).
const faxWidth, faxHeight, faxLine = 864, 1056, 30

// DemoFax is the fax of the demonstration as TIFF: two pages of black and white,
// packed by PackBits (TIFF revision 6.0, sections 3 and 9), the same bytes on
// every call.
func DemoFax() []byte {
	var out bytes.Buffer
	le := binary.LittleEndian
	out.WriteString("II*\x00")
	next := out.Len() // where the offset of the next directory is written
	out.Write(make([]byte, 4))
	for _, lines := range faxPages {
		strip := packPage(drawPage(lines))
		if out.Len()%2 == 1 {
			out.WriteByte(0)
		}
		resolution := out.Len()
		for _, n := range []uint32{204, 1, 98, 1} {
			out.Write(le.AppendUint32(nil, n))
		}
		data := out.Len()
		out.Write(strip)
		if out.Len()%2 == 1 {
			out.WriteByte(0)
		}
		le.PutUint32(out.Bytes()[next:], uint32(out.Len()))
		entries := [][3]uint32{ // tag, type (3 SHORT, 4 LONG, 5 RATIONAL), value
			{256, 3, 2 * faxWidth}, {257, 3, faxHeight}, {258, 3, 1}, {259, 3, 32773}, {262, 3, 0}, {273, 4, uint32(data)}, {277, 3, 1},
			{278, 3, faxHeight}, {279, 4, uint32(len(strip))}, {tagXResolution, 5, uint32(resolution)}, {tagYResolution, 5, uint32(resolution + 8)}, {296, 3, 2},
		}
		out.Write(le.AppendUint16(nil, uint16(len(entries))))
		for _, e := range entries {
			b := le.AppendUint16(nil, uint16(e[0]))
			b = le.AppendUint16(b, uint16(e[1]))
			b = le.AppendUint32(b, 1)
			out.Write(le.AppendUint32(b, e[2]))
		}
		next = out.Len()
		out.Write(make([]byte, 4))
	}
	return out.Bytes()
}

// drawPage writes lines of text in black on white; each letter is of twice its
// own dots, and a rule stands under the first line.
func drawPage(lines []string) *image.Gray {
	small := image.NewGray(image.Rect(0, 0, faxWidth/2, faxHeight/2))
	for i := range small.Pix {
		small.Pix[i] = 255
	}
	d := font.Drawer{Dst: small, Src: image.NewUniform(color.Black), Face: basicfont.Face7x13}
	for i, l := range lines {
		d.Dot = fixed.P(40, 30+i*faxLine/2)
		d.DrawString(l)
	}
	for x := 40; x < faxWidth/2-40; x++ {
		small.SetGray(x, 30+faxLine/2+6, color.Gray{})
	}
	page := image.NewGray(image.Rect(0, 0, 2*faxWidth, faxHeight))
	for y := range faxHeight {
		for x := range 2 * faxWidth {
			page.SetGray(x, y, small.GrayAt(x/4, y/2))
		}
	}
	return page
}

// packPage packs each row by itself: black is 1 (PhotometricInterpretation 0).
func packPage(m *image.Gray) []byte {
	var out []byte
	w := m.Bounds().Dx()
	row := make([]byte, (w+7)/8)
	for y := range m.Bounds().Dy() {
		clear(row)
		for x := range w {
			if m.GrayAt(x, y).Y < 128 {
				row[x/8] |= 0x80 >> (x % 8)
			}
		}
		out = packBits(out, row)
	}
	return out
}

func packBits(out, row []byte) []byte {
	for i := 0; i < len(row); {
		n := 1
		for i+n < len(row) && row[i+n] == row[i] && n < 128 {
			n++
		}
		if n > 1 {
			out = append(out, byte(1-n), row[i])
			i += n
			continue
		}
		from := i
		for i++; i < len(row) && i-from < 128 && (i+1 == len(row) || row[i] != row[i+1]); i++ {
		}
		out = append(append(out, byte(i-from-1)), row[from:i]...)
	}
	return out
}

// layDemoFax lays the fax on a case of the demonstration, with some of the
// figures that it prints, each pinned to its place.
func (s *Site) layDemoFax(ctx context.Context, c *casework.Case, st casework.Stamp) error {
	data := DemoFax()
	sum := sha256.Sum256(data)
	sha := hex.EncodeToString(sum[:])
	if err := s.cfg.Store.PutUpload(ctx, sha, bytes.NewReader(data)); err != nil {
		return err
	}
	add, err := s.documentAdded(ctx, c, casework.DocumentAdded{SHA256: sha, Size: int64(len(data)), Media: mediaTIFF, Is: "report", Pages: len(faxPages)},
		imprint{Name: "Perpetua Sloane", Birth: "1939-06-03", Identifier: "HV-20489", Date: "2026-03-31", By: "L. Frost, RRT"}, "fax.tif")
	if err != nil {
		return err
	}
	if err := c.Append(ctx, s.cfg.Store, st, add); err != nil {
		return err
	}
	title := "report " + short(sha)
	text, err := reportText([]figure{
		{Measure: "recorded_time", Value: "432.5", Unit: "min", Document: title, Page: "2", At: "62%,44.5%"},
		{Measure: "time_at_or_below", Level: "88", Value: "7.2", Unit: "min", Document: title, Page: "2", At: "63.5%,50.2%"},
		{Measure: "nadir", Value: "81", Unit: "%", Document: title, Page: "2", At: "sixth line of the table"},
	})
	if err != nil {
		return err
	}
	sealed, err := s.seal(ctx, c, statement{Name: "report", State: criteria.Stated, Text: text})
	if err != nil {
		return err
	}
	return c.Append(ctx, s.cfg.Store, st, casework.FactsStated{Facts: map[string]casework.Stated{"report": sealed}})
}
