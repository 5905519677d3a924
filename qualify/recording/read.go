package recording

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"io"
	"time"
	"unicode/utf16"
	"unicode/utf8"

	"airwarrant/rules/wording"
)

// Read reads one recording from r and recognises its format by content. It
// never reads more than opt.MaxBytes plus one byte; a longer upload is
// ErrTooLarge. With an error the Recording is nil.
func Read(r io.Reader, opt Options) (*Recording, error) {
	limit := opt.limit()
	data, err := io.ReadAll(io.LimitReader(r, limit+1))
	if err != nil {
		return nil, fmt.Errorf("reading the upload: %w: %w", ErrFormat, err)
	}
	return ReadBytes(data, opt)
}

// ReadBytes is Read for an upload that is already in memory. data is neither
// changed nor kept.
func ReadBytes(data []byte, opt Options) (*Recording, error) {
	if err := opt.admit(data); err != nil {
		return nil, err
	}
	zone, err := loadZone(opt.Zone)
	if err != nil {
		return nil, err
	}
	all, err := unpack(data, opt)
	if err != nil {
		return nil, err
	}
	if len(all) > 1 {
		return nil, &FormatError{
			Format: "zip archive", Err: ErrAmbiguous,
			Expected: wording.Said("one recording"),
			Found:    wording.Said("%d recordings", len(all)),
			Mend:     wording.Said("give one of them, or all of them as a batch"),
		}
	}
	c := all[0]
	rec, err := readContent(c, opt, zone)
	if err != nil {
		if c.packed != nil {
			err = fmt.Errorf("inside the %s: %w", c.container(), err)
		}
		return nil, err
	}
	if c.packed != nil || rec.Format != FormatWFDB {
		rec.SHA256 = digest(data)
		rec.Size = int64(len(data))
	}
	rec.Container = c.container()
	rec.Zone = opt.Zone
	if c.packed != nil {
		how := wording.Said("Unpacked from %s.", c.packed[0])
		if len(c.packed) > 1 {
			how = wording.Said("Unpacked from %s, in it %s.", c.packed[0], c.packed[1]) // open admits two
		}
		rec.Layout = append([]wording.Text{how}, rec.Layout...)
	}
	if c.beside > 0 {
		rec.Warnings = append(rec.Warnings, warning(WarnBeside, "%d %s in the archive %s no recording and %s not read.", c.beside, plural(c.beside, "file", "files"), plural(c.beside, "is", "are"), plural(c.beside, "was", "were")))
	}
	return rec, nil
}

// readContent reads a recording that is not packed. Where the format counts
// from one start, the zone places that start.
func readContent(c content, opt Options, zone *time.Location) (rec *Recording, err error) {
	switch recognise(c.data) {
	case FormatEDF:
		rec, err = readEDF(c.data, opt)
	case FormatWFDB:
		rec, err = readWFDB(c.data, c.sibling, opt)
	case FormatFHIR:
		return readFHIR(c.data, opt)
	case FormatXLSX:
		return readWorkbook(c.data, opt, zone)
	default:
		return readText(c.data, opt, zone)
	}
	if err == nil && zone != nil {
		err = placeInZone(rec, zone)
	}
	if err != nil {
		return nil, err
	}
	return rec, nil
}

// recognise names the format of a recording by its content: one of the Format
// constants, FormatText if it is none of the others.
func recognise(data []byte) string {
	switch {
	case looksLikeEDF(data):
		return FormatEDF
	case isZip(data): // unpack leaves no other
		return FormatXLSX
	case looksLikeFHIR(data):
		return FormatFHIR
	case looksLikeWFDB(data):
		return FormatWFDB
	}
	return FormatText
}

// admit refuses an upload above the limit.
func (opt Options) admit(data []byte) error {
	limit := opt.limit()
	if int64(len(data)) <= limit {
		return nil
	}
	return &FormatError{
		Offset: limit, Err: ErrTooLarge,
		Expected: wording.Said("an upload of at most %d bytes", limit),
		Found:    wording.Said("more bytes than that"),
		Mend:     wording.Said("export one night at a time, or raise the limit"),
	}
}

// digest is the SHA-256 of data in lower-case hexadecimal.
func digest(data []byte) string {
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:])
}

func (opt Options) limit() int64 {
	if opt.MaxBytes > 0 {
		return opt.MaxBytes
	}
	return DefaultMaxBytes
}

// loadZone finds an IANA zone. "Local" is refused: it would make the answer
// depend on the machine.
func loadZone(name string) (*time.Location, error) {
	if name == "" {
		return nil, nil
	}
	loc, err := time.LoadLocation(name)
	if err != nil || name == "Local" {
		return nil, &FormatError{
			Offset: -1, Field: wording.Said("zone"), Err: ErrOptions,
			Expected: wording.Said("an IANA zone such as America/New_York"),
			Found:    wording.Joined("%q", name),
			Mend:     wording.Said("give the zone in which the recorder's clock ran, or none"),
		}
	}
	return loc, nil
}

// signatures are the first bytes of formats that people send instead of a
// recording, or beside one. The byte values are those of the formats' own
// documents (ISO 32000 for PDF, and so on), from memory.
var signatures = []struct {
	start      string
	name, mend wording.Text
	document   bool // in an archive it is passed over
}{
	{"\xd0\xcf\x11\xe0", wording.Said("a workbook or document in an old binary form"), wording.Said("save the sheet as delimited text and give that file"), false},
	{"%PDF", wording.Said("a PDF document"), wording.Said("give the recording itself, or type the figures of the report as facts"), true},
	{"{\\rtf", wording.Said("a word processor's document"), exportMend, true},
	{"\x89PNG", wording.Said("a picture"), exportMend, true},
	{"\xff\xd8\xff", wording.Said("a picture"), exportMend, true},
	{"[{", wording.Said("a list in JSON"), wording.Said("give one FHIR Observation, or a Bundle"), false},
	{"<", wording.Said("XML or a web page"), wording.Said("give a FHIR resource as JSON, or %s", exportMend), true},
}

// refuseKnown names what data is if it is a well-known format that is not
// read.
func refuseKnown(data []byte) error {
	head := bytes.TrimLeft(data[:min(len(data), 512)], " \t\r\n\ufeff")
	for _, s := range signatures {
		if bytes.HasPrefix(head, []byte(s.start)) {
			return unreadable(0, s.name, s.mend)
		}
	}
	if len(data) > 262 && string(data[257:262]) == "ustar" {
		return unreadable(257, wording.Said("a tar archive"), wording.Said("give the recording itself, or in a zip archive"))
	}
	return nil
}

func unreadable(offset int64, found, mend wording.Text) error {
	return &FormatError{
		Offset: offset, Err: ErrFormat,
		Expected: wording.Said("delimited text, EDF, WFDB, FHIR as JSON, or a workbook"),
		Found:    found,
		Mend:     mend,
	}
}

var (
	exportMend = wording.Said("export the recording as delimited text or EDF and give that file")
	// binaryMend is for bytes of no known format.
	binaryMend = wording.Said("%s; if it is the signal file of a WFDB record, its header is needed: %s", exportMend, wfdbTogether)
)

// decodeText turns an upload into UTF-8 with line feeds, or refuses it. Its
// second result names the encoding for the worksheet.
func decodeText(data []byte) (text []byte, encoding string, cut bool, err error) {
	trimmed := data
	bare, isBare := bareUTF16(data)
	switch {
	case bytes.HasPrefix(data, []byte("\xff\xfe")):
		trimmed = trimZeroPairs(data)
		text, err = decodeUTF16(trimmed[2:], binary.LittleEndian)
		encoding = "UTF-16"
	case bytes.HasPrefix(data, []byte("\xfe\xff")):
		trimmed = trimZeroPairs(data)
		text, err = decodeUTF16(trimmed[2:], binary.BigEndian)
		encoding = "UTF-16"
	case isBare:
		trimmed = trimZeroPairs(data)
		text, err = decodeUTF16(trimmed, bare)
		encoding = "UTF-16"
	default:
		// Zero bytes at the end are what a write that was cut off leaves.
		trimmed = bytes.TrimRight(data, "\x00")
		text = bytes.TrimPrefix(trimmed, []byte("\ufeff"))
		encoding = "UTF-8"
		if !utf8.Valid(text) {
			text, err = decode1252(text)
			encoding = "Windows-1252"
		}
	}
	if err != nil {
		return nil, "", false, err
	}
	for i, c := range text {
		if c < ' ' && c != '\t' && c != '\n' && c != '\r' && c != '\f' && !(c == 0x1a && i == len(text)-1) || c == 0x7f {
			return nil, "", false, unreadable(int64(i), wording.Said("the byte 0x%02x, which no text holds", c), binaryMend)
		}
	}
	text = bytes.TrimSuffix(text, []byte{0x1a})
	if bytes.IndexByte(text, '\n') < 0 && bytes.IndexByte(text, '\r') >= 0 {
		text = bytes.ReplaceAll(text, []byte("\r"), []byte("\n"))
	}
	return text, encoding, len(trimmed) < len(data), nil
}

func decodeUTF16(data []byte, order binary.ByteOrder) ([]byte, error) {
	out := make([]byte, 0, len(data)/2+len(data)/8)
	for i := 0; i+1 < len(data); i += 2 {
		r := rune(order.Uint16(data[i:]))
		if utf16.IsSurrogate(r) {
			next := rune(0)
			if i+3 < len(data) {
				next = rune(order.Uint16(data[i+2:]))
			}
			r = utf16.DecodeRune(r, next)
			if r == utf8.RuneError {
				return nil, unreadable(int64(i+2), wording.Said("half a character of UTF-16"), exportMend)
			}
			i += 2
		}
		out = utf8.AppendRune(out, r)
	}
	return out, nil
}

// high1252 holds the characters of bytes 0x80 to 0x9f; 0 is undefined. All
// other bytes stand for the code point of their own value.
var high1252 = [32]rune{
	'€', 0, '‚', 'ƒ', '„', '…', '†', '‡', 'ˆ', '‰', 'Š', '‹', 'Œ', 0, 'Ž', 0,
	0, '‘', '’', '“', '”', '•', '–', '—', '˜', '™', 'š', '›', 'œ', 0, 'ž', 'Ÿ',
}

func decode1252(data []byte) ([]byte, error) {
	out := make([]byte, 0, len(data)+len(data)/8)
	for i, c := range data {
		r := rune(c)
		if c >= 0x80 && c < 0xa0 {
			if r = high1252[c-0x80]; r == 0 {
				return nil, unreadable(int64(i), wording.Said("the byte 0x%02x, which no text holds", c), binaryMend)
			}
		}
		out = utf8.AppendRune(out, r)
	}
	return out, nil
}
