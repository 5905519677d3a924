package recording_test

import (
	"archive/zip"
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"runtime"
	"strings"
	"testing"

	"github.com/xuri/excelize/v2"

	"airwarrant/qualify/recording"
	"airwarrant/qualify/recording/sheets"
)

const small = "Time,SpO2\n2026-03-01 22:00:00,95\n2026-03-01 22:00:04,88\n2026-03-01 22:00:08,87\n"

func TestContainers(t *testing.T) {
	pdf := "%PDF-1.7\n"
	fhir := string(marshal(t, sampledObservation("95 88 87", nil, nil)))
	for _, c := range []struct {
		name, container, format, warns string
		data                           []byte
	}{
		{"gzip", "gzip", "text", "", packGzip(t, []byte(small))},
		{"two members of gzip", "gzip", "text", "", append(packGzip(t, []byte(small[:30])), packGzip(t, []byte(small[30:]))...)},
		{"zip", "zip", "text", "", packZip(t, "folder/", "", "folder/a.csv", small)},
		{"the name says nothing", "zip", "fhir", "", packZip(t, "night.edf", fhir)},
		{"gzip in zip", "zip", "text", "", packZip(t, "a.gz", string(packGzip(t, []byte(small))))},
		{"zip in gzip", "gzip", "fhir", "", packGzip(t, packZip(t, "a", fhir))},
		{"what systems put there", "zip", "text", "", packZip(t, "__MACOSX/a.csv", "x", ".DS_Store", "x", "b/.a.csv", "x", "Thumbs.db", "x", "a.csv", small, "empty", "")},
		{"a report beside it", "zip", "text", "files_beside", packZip(t, "report.pdf", pdf, "page.html", "<html>", "a.csv", small)},
		{"a record and its marks", "zip", "wfdb", "", packZip(t, "d/n.hea", c43["n.hea"], "d/N.DAT", c43["n.dat"], "d/n.atr", "\x01\x02", "report.pdf", "")},
	} {
		t.Run(c.name, func(t *testing.T) {
			r, err := recording.ReadBytes(c.data, recording.Options{})
			if err != nil {
				t.Fatal(err)
			}
			sum := sha256.Sum256(c.data)
			if r.Container != c.container || r.Format != c.format || r.SHA256 != hex.EncodeToString(sum[:]) || r.Size != int64(len(c.data)) {
				t.Errorf("%s in %s, SHA-256 %s of %d bytes; want %s in %s, and those of the upload", r.Format, r.Container, r.SHA256, r.Size, c.format, c.container)
			}
			if got := timeline(r); !strings.HasSuffix(got, "=87") {
				t.Errorf("read %s", got)
			}
			if got := warned(r); got != c.warns {
				t.Errorf("warnings %q, want %q", got, c.warns)
			}
			files, err := recording.Split(c.data, recording.Options{})
			if err != nil || len(files) != 1 || !bytes.Equal(files[0].Data, c.data) {
				t.Errorf("Split gives %d files, %v; want the upload as it came", len(files), err)
			}
		})
	}
}

func TestContainerRefusals(t *testing.T) {
	zipped := packZip(t, "a.csv", small)
	locked := bytes.Clone(zipped)
	locked[6] |= 1 // general purpose bit 0 of the local header and of the directory
	locked[bytes.Index(locked, []byte("PK\x01\x02"))+8] |= 1
	damaged := bytes.Clone(zipped)
	damaged[40] ^= 0xff
	gz := packGzip(t, []byte(small))
	var tar [512]byte
	copy(tar[:], "a.csv")
	copy(tar[257:], "ustar")
	for _, c := range []struct {
		name  string
		data  []byte
		class error
		says  string
	}{
		{"a cut gzip file", gz[:len(gz)-9], recording.ErrFormat, "cut short"},
		{"a wrong checksum", append(gz[:len(gz)-8:len(gz)-8], 1, 2, 3, 4, 5, 6, 7, 8), recording.ErrFormat, "damaged"},
		{"more after the gzip file", append(bytes.Clone(gz), "more"...), recording.ErrFormat, "damaged"},
		{"a cut zip archive", zipped[:len(zipped)-5], recording.ErrFormat, "cut short"},
		{"a damaged file in it", damaged, recording.ErrFormat, "damaged"},
		{"a locked one", locked, recording.ErrFormat, "password"},
		{"an empty archive", packZip(t), recording.ErrFormat, "0 files"},
		{"documents alone", packZip(t, "a.pdf", "%PDF-1.7"), recording.ErrFormat, "none of them one"},
		{"packed three times", packGzip(t, packGzip(t, packGzip(t, []byte(small)))), recording.ErrFormat, "packed twice at most"},
		{"a tar archive", packGzip(t, tar[:]), recording.ErrFormat, "inside the gzip"},
		{"two recordings", packZip(t, "Ann Example.csv", small, "Bob Example.csv", small), recording.ErrAmbiguous, "2 recordings"},
		{"an unreadable recording", packZip(t, "a.csv", "Time,SpO2\n"), recording.ErrFormat, "inside the zip"},
		{"a header without its samples", packZip(t, "n.hea", c43["n.hea"]), recording.ErrFormat, "that this line names"},
		{"samples without their header", packZip(t, "n.dat", c43["n.dat"]), recording.ErrFormat, "its header is needed"},
		{"a header whose samples lie in another folder", packZip(t, "n.hea", c43["n.hea"], "d/n.pdf", "%PDF", "d/other", ""), recording.ErrFormat, "that this line names"},
		{"a workbook and no reader for it", writeXLSX(t, nightRows()[:9]), recording.ErrFormat, "save the sheet"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r, err := recording.ReadBytes(c.data, recording.Options{})
			isRefused(t, r, err, c.class, c.says)
			if strings.Contains(err.Error(), "Example") {
				t.Errorf("%v quotes a name", err)
			}
		})
	}
}

// TestSplit gives a batch its recordings, each with what lies beside it.
func TestSplit(t *testing.T) {
	data := packZip(t, "a/n.hea", c43["n.hea"], "a/n.dat", c43["n.dat"], "b.csv", small, "report.pdf", "%PDF", "inner.zip", string(packZip(t, "c.csv", small, "d.csv", small)))
	files, err := recording.Split(data, recording.Options{})
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, f := range files {
		r, err := recording.ReadBytes(f.Data, recording.Options{Sibling: f.Sibling})
		if err != nil {
			t.Fatalf("%s: %v", f.Name, err)
		}
		got = append(got, fmt.Sprintf("%s %s %s %d", f.Name, r.Format, r.Container, len(r.Time)))
	}
	if s := strings.Join(got, "; "); s != "a/n.hea wfdb none 6; b.csv text none 3; c.csv text none 3; d.csv text none 3" {
		t.Errorf("got %s", s)
	}
	if _, err := recording.Split(data, recording.Options{MaxBytes: 10}); err == nil {
		t.Error("an upload above the limit was split")
	}
}

// TestClaimedSizes gives small files that claim or unpack to much: each is
// refused, and memory stays within a small multiple of what was given, or of
// the expansion that is admitted (4 MiB).
func TestClaimedSizes(t *testing.T) {
	zeros := make([]byte, 80<<20)
	bomb := packGzip(t, zeros)
	lying := packZip(t, "a.csv", string(zeros[:32<<20]))
	// The directory says that the file has ten bytes.
	binary.LittleEndian.PutUint32(lying[bytes.Index(lying, []byte("PK\x01\x02"))+24:], 10)
	var overlap bytes.Buffer
	w := zip.NewWriter(&overlap)
	for i := range 50 {
		f, err := w.Create(fmt.Sprint(i))
		if err != nil {
			t.Fatal(err)
		}
		if _, err := f.Write(zeros[:1<<20]); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	book := packZip(t, "[Content_Types].xml", "<Types/>", "xl/workbook.xml", string(zeros[:32<<20]))
	binary.LittleEndian.PutUint32(book[bytes.LastIndex(book, []byte("xl/workbook.xml"))-22:], 10)
	zeros = nil
	claims := files{"n.hea": "n 1 1 9000000000000000000\nn.dat 16x1000000+1000000000000:1000000000000 10/% 0 0 0 0 0 SpO2\n", "n.dat": sixteen(950)}
	for _, c := range []struct {
		name string
		data []byte
		opt  recording.Options
	}{
		{"gzip", bomb, recording.Options{MaxBytes: 64 << 20}},
		{"zip that lies", lying, recording.Options{}},
		{"zip of many", overlap.Bytes(), recording.Options{MaxBytes: 8 << 20}},
		{"workbook that lies", book, recording.Options{Workbook: sheets.Tables}},
		{"WFDB that claims", []byte(claims["n.hea"]), recording.Options{Sibling: claims.sibling}},
		{"FHIR of little values", []byte(`{"resourceType": "Observation", "x": [` + strings.Repeat("0,", 1<<20) + "0]}"), recording.Options{}},
		{"FHIR of many keys", []byte(`{"resourceType": "Observation"` + strings.Repeat(`,"x":0`, 1<<17) + "}"), recording.Options{}},
	} {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		r, err := recording.ReadBytes(c.data, c.opt)
		runtime.ReadMemStats(&after)
		if r != nil || err == nil {
			t.Errorf("%s: got %v, %v; want a refusal", c.name, r, err)
			continue
		}
		// 80 kB of gzip admit 20 MB, and a buffer that grows takes five times
		// what it holds.
		allowed := 100<<20 + 16*uint64(len(c.data))
		if c.name != "gzip" {
			allowed = 32<<20 + 16*uint64(len(c.data))
		}
		if used := after.TotalAlloc - before.TotalAlloc; used > allocationSlack*allowed {
			t.Errorf("%s: %d bytes were allocated for an upload of %d", c.name, used, len(c.data))
		}
	}
}

// book builds a workbook of sheets: name, then rows.
func book(t *testing.T, build func(f *excelize.File) error) []byte {
	t.Helper()
	f := excelize.NewFile()
	defer f.Close()
	if err := build(f); err != nil {
		t.Fatal(err)
	}
	b, err := f.WriteToBuffer()
	if err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func fill(f *excelize.File, sheet string, rows ...[]any) error {
	if _, err := f.NewSheet(sheet); err != nil {
		return err
	}
	for i, r := range rows {
		if err := f.SetSheetRow(sheet, fmt.Sprintf("A%d", i+1), &r); err != nil {
			return err
		}
	}
	return nil
}

func TestWorkbookSheets(t *testing.T) {
	table := [][]any{{"Time", "SpO2"}, {"2026-03-01 22:00:00", 95}, {"2026-03-01 22:00:04", 88}}
	notes := [][]any{{"This night was quiet."}}
	broken := [][]any{{"Time", "SpO2"}, {"2026-03-01 22:00:00", 95}, {"soon", 88}, {"2026-03-01 22:00:08", 88}}
	sheet := func(names ...string) []byte {
		return book(t, func(f *excelize.File) error {
			for _, n := range names {
				rows := map[byte][][]any{'T': table, 'N': notes, 'B': broken}[n[0]]
				if err := fill(f, n, rows...); err != nil {
					return err
				}
			}
			return nil
		})
	}
	for _, c := range []struct {
		name, columns string
		data          []byte
		class         error
		says          string
	}{
		{"an empty sheet and a table", "", sheet("Table"), nil, ""},
		{"notes beside it", "", sheet("Notes", "Table"), nil, "sheets_not_read"},
		{"two tables", "", sheet("Table", "Table 2"), recording.ErrAmbiguous, "sheets 2, 3"},
		{"one of them by name", "sheet=Table 2,spo2=2", sheet("Table", "Table 2"), nil, ""},
		{"one of them by number", "spo2=2,sheet=3", sheet("Table", "Table 2"), nil, ""},
		{"a sheet that is not there", "sheet=9", sheet("Table"), recording.ErrOptions, "2 sheets"},
		{"a table beside a broken one", "", sheet("Table", "Broken"), recording.ErrAmbiguous, "one that cannot be read"},
		{"a broken table alone", "", sheet("Broken"), recording.ErrFormat, "sheet 2: text line 3"},
		{"notes alone", "", sheet("Notes"), recording.ErrFormat, "sheet 2"},
		{"empty sheets", "", sheet(), recording.ErrFormat, "empty sheets"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r, err := recording.ReadBytes(c.data, recording.Options{Columns: c.columns, Workbook: sheets.Tables})
			if c.class != nil {
				isRefused(t, r, err, c.class, c.says)
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			if got := timeline(r); got != "0=95 4=88" || r.Format != "xlsx" {
				t.Errorf("read %s as %s", got, r.Format)
			}
			if !strings.Contains(warned(r), c.says) {
				t.Errorf("warnings %q, want %q", warned(r), c.says)
			}
		})
	}
}
