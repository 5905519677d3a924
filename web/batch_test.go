package web

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"html"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"net/textproto"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/casework/storetest"
	"airwarrant/qualify/recording/sheets"
)

type batchFile struct{ field, name, data string }

// sendBatch posts files after what the last page carries along.
func (v *visitor) sendBatch(files ...batchFile) *httptest.ResponseRecorder {
	v.b.t.Helper()
	var b bytes.Buffer
	mw := multipart.NewWriter(&b)
	for _, m := range regexp.MustCompile(`<input type="hidden" name="([^"]*)" value="([^"]*)"`).FindAllStringSubmatch(v.last[strings.Index(v.last, `action="/batch/files"`):], -1) {
		if err := mw.WriteField(m[1], html.UnescapeString(m[2])); err != nil {
			v.b.t.Fatal(err)
		}
	}
	for _, f := range files {
		h := textproto.MIMEHeader{}
		h.Set("Content-Disposition", `form-data; name="`+f.field+`"; filename="`+f.name+`"`)
		h.Set("Content-Type", "application/octet-stream")
		w, err := mw.CreatePart(h)
		if err == nil {
			_, err = w.Write([]byte(f.data))
		}
		if err != nil {
			v.b.t.Fatal(err)
		}
	}
	if err := mw.Close(); err != nil {
		v.b.t.Fatal(err)
	}
	r := request1("POST", "/batch/files", &b)
	r.Header.Set("Content-Type", mw.FormDataContentType())
	if w := v.do(r); w.Code != http.StatusSeeOther {
		return w
	} else {
		return v.get(w.Header().Get("Location"))
	}
}

// stateBatch states how the tests came, and is left on the page of the files.
func (v *visitor) stateBatch(custodyOf string) int {
	v.page("/batch")
	form := custody(custodyOf)
	form.Set("payer", medicare)
	return v.post("/batch", form).Code
}

func TestBatch(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	v.page("/batch")
	b.lacks(v.last, `type="file"`)
	if r := v.post("/batch", url.Values{"payer": {"xx-none"}, "v.custody": {"order_on_file"}}); r.Code != http.StatusUnprocessableEntity {
		t.Errorf("half a form: status %d", r.Code)
	}
	b.wants(v.last, "Expected one of the payers listed", "Expected an answer that holds for all files")
	b.lacks(v.last, `type="file"`)
	if code := v.stateBatch("none"); code != http.StatusUnprocessableEntity {
		t.Errorf("barred: status %d", code)
	}
	b.wants(v.last, "the files may not be read here, and none was", "The testing facility or the treating practitioner may send the file")
	b.lacks(v.last, `type="file"`)

	if code := v.stateBatch("order_on_file"); code != http.StatusOK {
		t.Fatalf("status %d: %s", code, text(v.last))
	}
	b.wants(v.last, "We hold it because an order or a service of ours")
	night := string(recordings()["night-1.csv"])
	// A record of two files, as header(5) and signal(5) of the WFDB
	// Applications Guide have it: 20 samples of 88 in format 16.
	header, signal := "n 1 0.25 20 22:00:00 01/03/2026\nn.dat 16 1/% 16 0 88 0 0 SpO2\n", strings.Repeat("\x58\x00", 20)
	r := v.sendBatch(
		batchFile{"facts", "facts.csv", "file,test_date,awake_spo2\nnight-1.csv,2026-02-10,92 %\nnobody.csv,2026-02-10,\n"},
		batchFile{"recording", "shelf/n.dat", signal}, // before its header
		batchFile{"recording", `shelf\Ada Merrin, night-1.csv`, night},
		batchFile{"recording", "shelf/night-1.csv", night},
		batchFile{"recording", "shelf/.hidden", "x"},
		batchFile{"recording", "shelf/empty.csv", ""},
		batchFile{"recording", "shelf/=1+1.csv", "Ada Merrin is no recording"},
		batchFile{"recording", "shelf/n.hea", header},
		batchFile{"recording", "shelf/two.csv", string(twoNights())},
		batchFile{"recording", "", ""},
	)
	if r.Code != http.StatusOK {
		t.Fatalf("status %d: %s", r.Code, text(v.last))
	}
	b.wants(v.last, "6 files read under", "it holds 2 sessions", "the table of facts has a line for it")
	b.lacks(v.last, ".hidden", "empty.csv", "2026-02-07", "7 Feb 2026", " min") // no other person's night, and no figure
	if w := v.get("/batch/1/table.csv"); w.Code != http.StatusOK || !strings.Contains(w.Header().Get("Content-Disposition"), `"batch-1.csv"`) {
		t.Fatalf("status %d, %v", w.Code, w.Header())
	}
	table := must(csv.NewReader(strings.NewReader(v.last)).ReadAll())
	at := map[string][]string{}
	for _, row := range table {
		at[row[0]] = row
	}
	if row := at["shelf/night-1.csv"]; row == nil || row[3] != "undetermined" || row[2] != "1" || strings.Contains(row[6], "test_date") || strings.Contains(row[6], "awake_spo2") {
		t.Errorf("the night that the table knows: %q", row)
	}
	if row := at["shelf/Ada Merrin, night-1.csv"]; row == nil || !strings.Contains(row[6], "test_date") {
		t.Errorf("the night that it does not know: %q", row)
	}
	if row := at["shelf/n.hea"]; row == nil || row[3] == "" {
		t.Errorf("a header that came after its signals: %q", row)
	}
	if row := at["shelf/=1+1.csv"]; row == nil || row[7] == "" {
		t.Errorf("a file that is no recording: %q", row)
	}
	if at["shelf/n.dat"] != nil || len(table) != 1+6 {
		t.Errorf("%d lines: %q", len(table), table)
	}
	if w := v.get("/batch/1/table.xlsx"); w.Code != http.StatusOK {
		t.Fatalf("status %d", w.Code)
	}
	names, texts, err := sheets.Tables([]byte(v.last), 1<<20)
	if err != nil || !slices.Equal(names, []string{"lines"}) {
		t.Fatalf("sheets %q: %v", names, err)
	}
	if got := strings.Split(strings.TrimSuffix(string(texts[0]), "\n"), "\n"); len(got) != len(table) || got[0] != strings.Join(table[0], "\t") {
		t.Errorf("the workbook holds %d rows, the text %d; first %q", len(got), len(table), got[0])
	}
	// No case and no file is kept, and no name in the clear: only who read what,
	// and the lines under a key of their own.
	if ids, _, err := b.store.Cases(t.Context(), "", 10); len(ids) != 0 || err != nil {
		t.Errorf("cases %q: %v", ids, err)
	}
	uploads, _, err := b.store.Uploads(t.Context(), "", 10)
	if err != nil || len(uploads) != 0 {
		t.Errorf("uploads %v: %v", uploads, err)
	}
	entries := must(casework.ReadLedger(t.Context(), b.store, casework.BatchLedger))
	if len(entries) != 2 || entries[1].Kind != "looked" || entries[0].By != "M. Reyes" || strings.Contains(string(entries[0].Change), "Merrin") || strings.Count(string(entries[0].Change), `"`) < 2*6 {
		t.Errorf("ledger %+v", entries)
	}
	b.lacks(b.log.String(), "Merrin")
}

func TestBatchRefusesWhole(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	ready := func() {
		t.Helper()
		if code := v.stateBatch("order_on_file"); code != http.StatusOK {
			t.Fatalf("status %d", code)
		}
	}
	ready()
	if r := v.sendBatch(batchFile{"recording", "", ""}); r.Code != http.StatusUnprocessableEntity {
		t.Errorf("no file: status %d", r.Code)
	}
	b.wants(v.last, "found no file", `We hold it because`)
	ready()
	if r := v.sendBatch(batchFile{"facts", "f.csv", "nonsense\n"}, batchFile{"recording", "n.csv", "x"}); r.Code != http.StatusUnprocessableEntity {
		t.Errorf("a table that cannot be read: status %d", r.Code)
	}
	b.wants(v.last, "The table of facts:1: column 1")
	// A form that was altered on the way to bar the files is refused before a
	// byte of a file.
	ready()
	v.last = strings.ReplaceAll(v.last, `value="order_on_file"`, `value="none"`)
	if r := v.sendBatch(batchFile{"recording", "n.csv", "x"}); r.Code != http.StatusUnprocessableEntity {
		t.Errorf("barred: status %d", r.Code)
	}
	b.wants(v.last, "may not be read here, and none was")
	ready()
	v.last = strings.ReplaceAll(v.last, first(tokenForm, v.last), "foreign")
	if r := v.sendBatch(batchFile{"recording", "n.csv", "x"}); r.Code != http.StatusForbidden {
		t.Errorf("a foreign token: status %d", r.Code)
	}
}

// The lines of a batch are there after a reload, for the intake desk alone, and
// end after 30 days; then neither page nor store gives them.
func TestBatchIsKept(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	if code := v.stateBatch("order_on_file"); code != http.StatusOK {
		t.Fatalf("status %d", code)
	}
	if w := v.sendBatch(batchFile{"recording", "Ada Merrin.csv", string(recordings()["night-1.csv"])}); w.Code != http.StatusOK {
		t.Fatalf("status %d: %s", w.Code, text(v.last))
	}
	lines := v.last
	b.wants(lines, "Ada Merrin.csv", "kept as batch 1 until 1 Jul 2026")
	if w := v.get("/batch/1"); w.Code != http.StatusOK || w.Body.String() != lines {
		t.Errorf("after a reload: status %d", w.Code)
	}
	b.wants(v.page("/batch"), "Batches read before", "batch 1", "by M. Reyes")
	b.lacks(v.last, "Ada Merrin")
	for _, path := range []string{"/batch/2", "/batch/0", "/batch/-1", "/batch/x", "/batch/99999999999999999999"} {
		if w := v.get(path); w.Code != http.StatusNotFound {
			t.Errorf("%s: status %d", path, w.Code) // 2 tells that somebody looked
		}
	}
	for _, d := range []Desk{Maintainer, Administrator, Office, NoDesk} {
		if w := b.at(d).get("/batch/1/table.csv"); w.Code == http.StatusOK {
			t.Errorf("the desk %q gets the lines", d)
		}
	}
	var entry batchEntry
	if err := json.Unmarshal(must(casework.ReadLedger(t.Context(), b.store, casework.BatchLedger))[0].Change, &entry); err != nil || entry.Kept == "" {
		t.Fatalf("%+v, %v", entry, err)
	}

	*b.clock = b.clock.Add(casework.KeptFor + time.Second)
	v = b.at(Intake)
	if w := v.get("/batch/1"); w.Code != http.StatusGone {
		t.Errorf("after 30 days: status %d", w.Code)
	}
	b.lacks(v.last, "Ada Merrin")
	b.lacks(v.page("/batch"), "Batches read before")
	v.stateBatch("order_on_file")
	v.sendBatch(batchFile{"recording", "b.csv", "no recording"})
	if _, err := b.store.Key(t.Context(), entry.Kept); !errors.Is(err, casework.ErrDestroyed) {
		t.Errorf("the key of a result that ended: %v", err)
	}
	if _, err := casework.Kept(t.Context(), b.store, entry.Kept); !errors.Is(err, casework.ErrDestroyed) {
		t.Errorf("its lines: %v", err)
	}
}
