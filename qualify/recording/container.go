package recording

import (
	"archive/zip"
	"bytes"
	"compress/gzip"
	"fmt"
	"io"
	"path"
	"slices"
	"strings"

	"airwarrant/rules/wording"
)

// Containers as the contract names them.
const (
	ContainerNone = "none"
	ContainerGzip = "gzip"
	ContainerZip  = "zip"
)

// WarnBeside warns of files in an archive that are no recording: a document,
// a picture.
const WarnBeside = "files_beside"

// An upload of which little unpacks to much is refused: what it unpacks to
// may have freeExpansion bytes, or maxExpansion times its own, and never more
// than Options.MaxBytes. A recording packs at most to about a hundredth; a
// run of one byte packs to a thousandth (both our choice). Sizes that an
// archive declares are not relied on.
const (
	freeExpansion = 4 << 20
	maxExpansion  = 250
	maxPacked     = 10_000 // files in an archive, our choice
)

// File is one recording out of an upload that holds several. Read it with
// ReadBytes and Options.Sibling set to Sibling.
type File struct {
	Name    string // its path in the archive; may hold a person's name
	Data    []byte
	Sibling func(name string) ([]byte, error)
}

// Split returns the recordings in an upload: the upload itself, as it came,
// if it holds one, else each file of the zip archive. Hidden files and
// documents are left out. Whether a file can be read shows only when it is.
func Split(data []byte, opt Options) ([]File, error) {
	if err := opt.admit(data); err != nil {
		return nil, err
	}
	all, err := unpack(data, opt)
	if err != nil {
		return nil, err
	}
	if len(all) == 1 {
		return []File{{Data: data, Sibling: opt.Sibling}}, nil
	}
	var out []File
	for _, c := range all {
		out = append(out, File{c.name, c.data, c.sibling})
	}
	return out, nil
}

// content is one recording of an upload, unpacked.
type content struct {
	name    string
	data    []byte
	sibling func(name string) ([]byte, error)
	packed  []string // what it was taken from, outermost first
	beside  int      // files in the archive that are no recording
}

// container is the outermost thing that content was taken from.
func (c content) container() string {
	if len(c.packed) == 0 {
		return ContainerNone
	}
	return c.packed[0]
}

// unpacker counts what an upload unpacks to.
type unpacker struct{ left int64 }

// unpack returns every recording of an upload; it has at least one.
func unpack(data []byte, opt Options) ([]content, error) {
	u := &unpacker{left: min(opt.limit(), max(freeExpansion, maxExpansion*int64(len(data))))}
	return u.open(content{data: data, sibling: opt.Sibling})
}

func isGzip(data []byte) bool { return bytes.HasPrefix(data, []byte("\x1f\x8b")) }

func isZip(data []byte) bool {
	return bytes.HasPrefix(data, []byte("PK\x03\x04")) || bytes.HasPrefix(data, []byte("PK\x05\x06"))
}

// open unpacks c if it is packed, and what comes out if that is packed too,
// but no deeper.
func (u *unpacker) open(c content) ([]content, error) {
	gz := isGzip(c.data)
	var archive *zip.Reader
	if isZip(c.data) {
		var err error
		if archive, err = zip.NewReader(bytes.NewReader(c.data), int64(len(c.data))); err != nil {
			return nil, packError("zip archive", wording.Said("a whole zip archive"), wording.Said("one that is damaged or cut short"))
		}
		if isWorkbook(archive) {
			return []content{c}, u.measure(archive)
		}
	}
	switch {
	case !gz && archive == nil:
		return []content{c}, nil
	case len(c.packed) == 2:
		return nil, packError("upload", wording.Said("a recording packed twice at most"), wording.Said("one packed more often"))
	case gz:
		return u.gunzip(c)
	}
	return u.unzip(c, archive)
}

func packError(what string, expected, found wording.Text) error {
	return &FormatError{Format: what, Err: ErrFormat, Expected: expected, Found: found,
		Mend: wording.Said("pack it again, or give the recording itself")}
}

// read reads at most what may still be unpacked.
func (u *unpacker) read(r io.Reader, what string) ([]byte, error) {
	data, err := io.ReadAll(io.LimitReader(r, u.left+1))
	if int64(len(data)) > u.left {
		return nil, &FormatError{Format: what, Err: ErrTooLarge,
			Expected: wording.Said("a recording of the usual size, or one that packs like one"), Found: wording.Said("far more when unpacked"),
			Mend: wording.Said("give one night at a time, and not packed")}
	}
	if err != nil {
		return nil, packError(what, wording.Said("a whole %s", wording.Said(what)), wording.Said("one that is damaged or cut short"))
	}
	u.left -= int64(len(data))
	return data, nil
}

func (u *unpacker) gunzip(c content) ([]content, error) {
	r, err := gzip.NewReader(bytes.NewReader(c.data))
	if err != nil {
		return nil, packError("gzip file", wording.Said("a whole gzip file"), wording.Said("one that is damaged or cut short"))
	}
	data, err := u.read(r, "gzip file")
	if err != nil {
		return nil, err
	}
	c.data = data
	c.packed = append(slices.Clone(c.packed), ContainerGzip)
	return u.open(c)
}

// isWorkbook tells whether an archive is a spreadsheet workbook of the Office
// Open XML kind (ECMA-376, part names from memory).
func isWorkbook(z *zip.Reader) bool {
	types, sheets := false, false
	for _, f := range z.File {
		types = types || f.Name == "[Content_Types].xml"
		sheets = sheets || strings.HasPrefix(f.Name, "xl/")
	}
	return types && sheets
}

// measure reads every part of a workbook once and keeps none: the library
// that reads it relies on the sizes that it declares.
func (u *unpacker) measure(z *zip.Reader) error {
	for _, f := range z.File {
		r, err := f.Open()
		if err != nil {
			return packError("workbook", wording.Said("a whole workbook"), wording.Said("one that is damaged or locked with a password"))
		}
		n, err := io.Copy(io.Discard, io.LimitReader(r, u.left+1))
		r.Close()
		if n > u.left {
			return &FormatError{Format: "workbook", Err: ErrTooLarge,
				Expected: wording.Said("a workbook of the usual size"), Found: wording.Said("far more when unpacked"), Mend: wording.Said("save the sheet as delimited text and give that")}
		}
		if err != nil || uint64(n) != f.UncompressedSize64 {
			return packError("workbook", wording.Said("a whole workbook"), wording.Said("one that is damaged or cut short"))
		}
		u.left -= n
	}
	return nil
}

// unpacked is a file of an archive.
type unpacked struct {
	name   string // with / between folders
	folder string
	base   string
	data   []byte
	part   bool // of the record of another file
}

// aside tells whether the operating system and not a person put a file into
// an archive, or hid it.
func aside(name string) bool {
	for _, part := range strings.Split(name, "/") {
		if part == "__MACOSX" || strings.HasPrefix(part, ".") || strings.EqualFold(part, "Thumbs.db") || strings.EqualFold(part, "desktop.ini") {
			return true
		}
	}
	return false
}

func (u *unpacker) unzip(c content, z *zip.Reader) ([]content, error) {
	if len(z.File) > maxPacked {
		return nil, packError("zip archive", wording.Said("at most %d files", maxPacked), wording.Joined("%d", len(z.File)))
	}
	var files []*unpacked
	for _, f := range z.File {
		name := strings.ReplaceAll(f.Name, `\`, "/")
		if strings.HasSuffix(name, "/") || aside(name) {
			continue
		}
		if f.Flags&1 != 0 {
			return nil, packError("zip archive", wording.Said("files that are open to read"), wording.Said("one that is locked with a password"))
		}
		r, err := f.Open()
		if err != nil {
			return nil, packError("zip archive", wording.Said("files stored or deflated"), wording.Said("one that is damaged or packed otherwise"))
		}
		data, err := u.read(r, "zip archive")
		r.Close()
		if err != nil {
			return nil, err
		}
		if len(data) > 0 {
			folder, base := path.Split(name)
			files = append(files, &unpacked{name: name, folder: folder, base: base, data: data})
		}
	}
	joinRecords(files)
	var out []content
	documents := 0
	for _, f := range files {
		switch {
		case f.part:
		case isDocument(f.data):
			documents++
		default:
			inner, err := u.open(content{name: f.name, data: f.data, sibling: besideIn(files, f.folder), packed: append(slices.Clone(c.packed), ContainerZip)})
			if err != nil {
				return nil, err
			}
			out = append(out, inner...)
		}
	}
	if len(out) == 0 {
		return nil, packError("zip archive", wording.Said("a recording"), wording.Said("%d files, none of them one", len(files)))
	}
	for i := range out {
		out[i].beside += documents
	}
	return out, nil
}

// joinRecords marks the files that belong to the record of a WFDB header:
// those that it names and those that share its name.
func joinRecords(files []*unpacked) {
	byName, byStem := map[string][]*unpacked{}, map[string][]*unpacked{}
	key := func(folder, name string) string { return folder + "\x00" + strings.ToLower(name) }
	stem := func(f *unpacked) string {
		s, _, _ := strings.Cut(f.base, ".")
		return key(f.folder, s)
	}
	var headers []*unpacked
	for _, f := range files {
		if looksLikeWFDB(f.data) {
			headers = append(headers, f)
		} else {
			byStem[stem(f)] = append(byStem[stem(f)], f)
		}
		byName[key(f.folder, f.base)] = append(byName[key(f.folder, f.base)], f)
	}
	for _, h := range headers {
		lines, _, _ := wfdbLines(h.data)
		for _, l := range lines[1:] {
			name := strings.Fields(l)[0]
			for _, s := range []string{name, name + ".hea"} {
				for _, f := range byName[key(h.folder, s)] {
					f.part = f.part || f != h
				}
			}
		}
		for _, f := range byStem[stem(h)] {
			f.part = true
		}
	}
}

// besideIn finds files of one folder of an archive by name, in any case of
// letters if only one fits.
func besideIn(files []*unpacked, folder string) func(string) ([]byte, error) {
	return func(name string) ([]byte, error) {
		for _, same := range []func(string) bool{
			func(s string) bool { return s == name },
			func(s string) bool { return strings.EqualFold(s, name) },
		} {
			var found []*unpacked
			for _, f := range files {
				if f.folder == folder && same(f.base) {
					found = append(found, f)
				}
			}
			if len(found) == 1 {
				return found[0].data, nil
			}
		}
		return nil, fmt.Errorf("%w: no one file of that name in the archive", ErrFormat)
	}
}

// isDocument tells by its first bytes whether a file is a document or picture
// of the kinds that people put beside a recording.
func isDocument(data []byte) bool {
	head := bytes.TrimLeft(data[:min(len(data), 512)], " \t\r\n\ufeff")
	for _, s := range signatures {
		if bytes.HasPrefix(head, []byte(s.start)) && s.document {
			return true
		}
	}
	return false
}
