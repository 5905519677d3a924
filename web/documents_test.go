package web

import (
	"bytes"
	"errors"
	"image/png"
	"io"
	"net/http"
	"net/url"
	"os"
	"strings"
	"testing"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/casework/storetest"
)

func faxHash() string { return hashOf(DemoFax()) }

// addFax lays the demonstration's fax on a case and returns the name by which
// addresses call it.
func (b *bench) addFax(v *visitor, address string) string {
	b.t.Helper()
	v.page(address + "/report")
	if w := v.sendFile(address+"/documents", DemoFax(), map[string]string{"kind": "report", "no_name": "1", "date": "2026-03-31", "by": "L. Frost, RRT"}); w.Code != http.StatusSeeOther {
		b.t.Fatalf("adding the fax: status %d: %s", w.Code, text(v.last))
	}
	return short(faxHash())
}

func TestDocumentOnACase(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := b.ready(v)
	number := strings.TrimPrefix(address, "/cases/")
	b.wants(v.page(address), "Is there no recording, only a report?", address+"/report")
	page := v.page(address + "/report")
	b.wants(page, "Recording not seen", `type="file"`, "Signed by, with credential")
	b.lacks(page, `type="image"`)
	w := v.sendFile(address+"/documents", DemoFax(), map[string]string{"kind": "report", "name": "Merrin, Ada", "birth": "1951-05-04", "identifier": "hv 20417", "date": "2026-02-12", "by": "L. Frost, RRT"})
	if w.Code != http.StatusSeeOther || w.Header().Get("Location") != address+"/report?doc="+short(faxHash()) {
		t.Fatalf("status %d to %q: %s", w.Code, w.Header().Get("Location"), text(v.last))
	}
	page = v.page(w.Header().Get("Location"))
	b.wants(page, "report "+short(faxHash()), "the signed report of the test, 2 pages", "Merrin, Ada, born May 4, 1951, hv 20417; of Feb 12, 2026; signed by L. Frost, RRT",
		`<input type="image" name="pin" src="`+address+`/documents/`+short(faxHash())+`/1" width="560" height="712"`, "page 2")
	events := b.events(number)
	if w := v.sendFile(address+"/documents", DemoFax(), map[string]string{"kind": "report", "name": "Ada Merrin"}); w.Code != http.StatusSeeOther || b.events(number) != events {
		t.Errorf("the same document twice: status %d, %d events more", w.Code, b.events(number)-events)
	}
	for _, sheet := range []string{"1", "2"} {
		w := v.get(address + "/documents/" + short(faxHash()) + "/" + sheet)
		m, err := png.Decode(strings.NewReader(v.last))
		if w.Code != http.StatusOK || w.Header().Get("Content-Type") != mediaPNG || w.Header().Get("Cache-Control") != "no-store" || err != nil || m.Bounds().Dx() != 1728 {
			t.Errorf("page %s: status %d, %s, %v", sheet, w.Code, w.Header().Get("Content-Type"), err)
		}
	}
	w = v.get(address + "/documents/" + short(faxHash()))
	if w.Code != http.StatusOK || v.last != string(DemoFax()) || w.Header().Get("Content-Disposition") != `attachment; filename="`+number+"-"+short(faxHash())+`.tif"` || w.Header().Get("Content-Type") != mediaTIFF {
		t.Errorf("as it came: status %d, %d bytes, %v", w.Code, len(v.last), w.Header())
	}
	for _, path := range []string{"/0", "/3", "/x", "/-1", "/1e3"} {
		if w := v.get(address + "/documents/" + short(faxHash()) + path); w.Code != http.StatusNotFound {
			t.Errorf("page %s: status %d, want 404", path, w.Code)
		}
	}
	if w := v.get(address + "/documents/" + strings.Repeat("0", 12)); w.Code != http.StatusNotFound {
		t.Errorf("no such document: status %d, want 404", w.Code)
	}

	// What a browser shows by itself goes out as it came.
	for media, data := range map[string][]byte{mediaPNG: pngOf(letter()), mediaJPEG: jpegOf(letter())} {
		v.page(address + "/report")
		if w := v.sendFile(address+"/documents", data, map[string]string{"kind": "note"}); w.Code != http.StatusSeeOther {
			t.Fatalf("%s: status %d: %s", media, w.Code, text(v.last))
		}
		if w := v.get(address + "/documents/" + short(hashOf(data)) + "/1"); v.last != string(data) || w.Header().Get("Content-Type") != media {
			t.Errorf("%s: %d bytes as %s", media, len(v.last), w.Header().Get("Content-Type"))
		}
	}

	v.page(address + "/report")
	if w := v.post(address+"/documents/withdraw", url.Values{"sha256": {faxHash()}}); w.Code != http.StatusUnprocessableEntity {
		t.Errorf("withdrawn without reason: status %d, want 422", w.Code)
	}
	page = v.send(address+"/report", address+"/documents/withdraw", url.Values{"sha256": {faxHash()}, "reason": {"another patient's fax"}})
	b.lacks(page, "report "+short(faxHash()))
	if w := v.get(address + "/documents/" + short(faxHash()) + "/1"); w.Code != http.StatusNotFound {
		t.Errorf("a withdrawn document: status %d, want 404", w.Code)
	}
	b.wants(v.page(address+"/trail"), "document added: report, 2 pages, 43 KiB, SHA-256 "+faxHash(), "document "+short(faxHash())+" withdrawn: another patient's fax", "looked at: document report "+short(faxHash())+" as it came")
	for _, secret := range []string{"Merrin", "Frost", "another patient"} {
		if strings.Contains(b.log.String(), secret) {
			t.Errorf("the log holds %q", secret)
		}
		for _, e := range must(b.store.Events(t.Context(), number, 1)) {
			if strings.Contains(string(e.Change), secret) {
				t.Errorf("event %d holds %q in the clear", e.K, secret)
			}
		}
	}
}

func TestDocumentRefused(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := b.ready(v)
	number := strings.TrimPrefix(address, "/cases/")
	v.page(address + "/report")
	before := b.events(number)
	good := map[string]string{"kind": "report", "name": "Ada Merrin", "date": "2026-02-12", "by": "L. Frost, RRT", "identifier": "HV-20417"}
	for _, tt := range []struct {
		name  string
		data  []byte
		alter map[string]string
		want  string
	}{
		{"no file", nil, nil, "Expected the document; found no file"},
		{"a recording", recordings()["night-1.csv"], nil, "Expected a picture of a page as PNG, JPEG or TIFF, or a PDF"},
		{"a page that claims to be a picture", []byte("<html><script>alert(1)</script>"), nil, "Expected a picture of a page"},
		{"no kind", DemoFax(), map[string]string{"kind": ""}, "Choose what the document is"},
		{"another kind", DemoFax(), map[string]string{"kind": "claim"}, "Choose what the document is"},
		{"nobody's", DemoFax(), map[string]string{"name": ""}, "Type it, or say that the report prints none"},
		{"both", DemoFax(), map[string]string{"no_name": "1"}, "found both"},
		{"no date", DemoFax(), map[string]string{"date": "12.2.2026"}, "2026"},
		{"a long name", DemoFax(), map[string]string{"by": strings.Repeat("x", textLimit+1)}, "at most 400 letters"},
	} {
		form := map[string]string{}
		for k, val := range good {
			form[k] = val
		}
		for k, val := range tt.alter {
			form[k] = val
		}
		v.page(address + "/report")
		if w := v.sendFile(address+"/documents", tt.data, form); w.Code != http.StatusUnprocessableEntity {
			t.Errorf("%s: status %d, want 422", tt.name, w.Code)
		}
		b.wants(v.last, tt.want, "was not stored")
		for k, val := range form { // nothing typed is lost
			if k != "kind" && k != "no_name" && val != "" && !strings.Contains(v.last, `value="`+val+`"`) {
				t.Errorf("%s: what was typed into %s is lost", tt.name, k)
			}
		}
	}
	if got := b.events(number); got != before {
		t.Errorf("%d events after refusals, want %d", got, before)
	}
	for u, err := range casework.All(t.Context(), b.store.Uploads) {
		t.Errorf("a refused document was stored: %v %v", u, err)
	}
	// One that is too large is cut off while it arrives.
	v.page(address + "/report")
	head := "--x\r\nContent-Disposition: form-data; name=\"form\"\r\n\r\n" + v.token() + "\r\n--x\r\nContent-Disposition: form-data; name=\"document\"; filename=\"n\"\r\n\r\n"
	r := request1("POST", address+"/documents", io.MultiReader(strings.NewReader(head), io.LimitReader(zeros{}, documentLimit+2<<20)))
	r.ContentLength = -1
	r.Header.Set("Content-Type", "multipart/form-data; boundary=x")
	if w := v.do(r); w.Code != http.StatusRequestEntityTooLarge {
		t.Errorf("a document that keeps coming: status %d, want 413", w.Code)
	}
	b.wants(v.last, "a document 24 MiB")
	v.page(address + "/report")
	if w := v.sendFile(address+"/documents", make([]byte, documentLimit+1), good); w.Code != http.StatusRequestEntityTooLarge {
		t.Errorf("a document above the limit: status %d, want 413", w.Code)
	}
}

// A report prints what the recording holds: where the supplier may not see
// the result, no byte of it is read, and none is shown.
func TestBarredReportIsNotRead(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := v.open(medicare, merrin)
	try := func(what, want string) {
		t.Helper()
		b.wants(v.page(address+"/report"), want)
		b.lacks(v.last, `type="file"`, `type="image"`, `name="v.1"`)
		token := v.token()
		r := request1("POST", address+"/documents", unread{t})
		r.ContentLength = -1
		r.Header.Set("Content-Type", "multipart/form-data; boundary=x")
		if w := v.do(r); w.Code != http.StatusForbidden {
			t.Errorf("%s: document: status %d, want 403", what, w.Code)
		}
		for path, form := range map[string]url.Values{"/report": figures("1", "7.2"), "/documents/" + short(faxHash()): nil, "/documents/" + short(faxHash()) + "/1": nil} {
			w := v.get(address + path)
			if form != nil {
				form.Set("form", token)
				w = v.post(address+path, form)
			}
			if w.Code != http.StatusForbidden {
				t.Errorf("%s: %s: status %d, want 403", what, path, w.Code)
			}
		}
	}
	try("custody not stated", "First it has to be stated how the test came to us")
	v.send(address, address+"/custody", custody("none"))
	try("no footing", "The report may not be read here")
	v.send(address, address+"/custody", custody("order_on_file"))
	b.addFax(v, address)
	// The footing falls away after the document came.
	v.send(address, address+"/custody", custody("none"))
	try("footing withdrawn", "The report may not be read here")
	b.lacks(v.page(address), short(faxHash()))
}

// A report of another name holds the case up until somebody says why it is
// the same person, and again when a further one comes.
func TestReportOfAnotherName(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := b.ready(v)
	v.send(address, address+"/facts", func() url.Values {
		form := answers()
		form.Set("v.reported_minutes", "7.2")
		return form
	}())
	b.wants(v.page(address), "✓ written criteria met")
	v.page(address + "/report")
	if w := v.sendFile(address+"/documents", DemoFax(), map[string]string{"kind": "report", "name": "Perpetua Sloane", "birth": "1939-06-03"}); w.Code != http.StatusSeeOther {
		t.Fatalf("status %d", w.Code)
	}
	page := v.page(address)
	b.wants(page, "Is it the same person?", "Perpetua Sloane", "≠ differs", "Nothing is determined until somebody says in words")
	b.lacks(page, "✓ written criteria met", "worksheet.pdf")
	if w := v.get(address + "/worksheet.pdf"); w.Code != http.StatusNotFound {
		t.Errorf("a worksheet of a report of another name: status %d, want 404", w.Code)
	}
	b.wants(v.send(address, address+"/same", url.Values{"words": {"The patient married; looked at the licence."}}), "✓ written criteria met", "The patient married")
	*b.clock = b.clock.Add(1e9)
	v.page(address + "/report")
	if w := v.sendFile(address+"/documents", pngOf(letter()), map[string]string{"kind": "report", "name": "Odalys Fenn"}); w.Code != http.StatusSeeOther {
		t.Fatalf("status %d", w.Code)
	}
	b.wants(v.page(address), "Nothing is determined until somebody says in words")
}

// A document of one case is not reached through another, and its bytes go
// when its case is destroyed.
func TestDocumentBelongsToOneCase(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	v := b.at(Intake)
	address, other := b.demoAddress("Ada Merrin"), b.demoAddress("Tobin Ashgrove")
	// The fax of the demonstration lies on a case of its own, too.
	sha := hashOf(pngOf(letter()))
	document := short(sha)
	v.page(address + "/report")
	if w := v.sendFile(address+"/documents", pngOf(letter()), map[string]string{"kind": "report", "no_name": "1"}); w.Code != http.StatusSeeOther {
		t.Fatalf("status %d", w.Code)
	}
	for _, path := range []string{"/documents/" + document, "/documents/" + document + "/1"} {
		if w := v.get(other + path); w.Code != http.StatusNotFound {
			t.Errorf("%s of another case: status %d, want 404", path, w.Code)
		}
		for _, d := range []Desk{NoDesk, Office, Maintainer, Administrator} {
			out := b.at(d)
			for _, l := range b.links(address) {
				if w := out.get(l + path); w.Code == http.StatusOK {
					t.Errorf("%s through a link at %q: status %d", path, d, w.Code)
				}
			}
			if w := out.get(address + path); w.Code != http.StatusForbidden {
				t.Errorf("%s at %q: status %d, want 403", path, d, w.Code)
			}
		}
	}
	number := strings.TrimPrefix(address, "/cases/")
	st := b.stamp("airwarrant", casework.RoleSystem)
	if _, err := casework.Update(t.Context(), b.store, number, st, func(*casework.Case) (casework.Change, error) { return casework.Closed{}, nil }); err != nil {
		t.Fatal(err)
	}
	if err := casework.Destroy(t.Context(), b.store, number, st, "retention ended"); err != nil {
		t.Fatal(err)
	}
	if _, err := casework.SweepUploads(t.Context(), b.store, b.clock.AddDate(1000, 0, 0)); err != nil {
		t.Fatal(err)
	}
	if _, err := b.store.Upload(t.Context(), sha); !errors.Is(err, casework.ErrNotFound) {
		t.Errorf("the document of a destroyed case: %v", err)
	}
	if w := v.get(address + "/documents/" + document + "/1"); w.Code != http.StatusGone {
		t.Errorf("a page of a destroyed case: status %d, want 410", w.Code)
	}
}

// What a page cannot be made of any more is told on the page, and the figures
// can still be typed.
func TestDamagedDocumentIsTold(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := b.ready(v)
	data := must(os.ReadFile("testdata/fax-g4.tif"))
	number := strings.TrimPrefix(address, "/cases/")
	cut := data[:len(data)/2]
	if err := b.store.PutUpload(t.Context(), hashOf(cut), bytes.NewReader(cut)); err != nil {
		t.Fatal(err)
	}
	_, err := casework.Update(t.Context(), b.store, number, b.stamp("M. Reyes", casework.RoleIntake), func(*casework.Case) (casework.Change, error) {
		return casework.DocumentAdded{SHA256: hashOf(cut), Size: int64(len(cut)), Media: mediaTIFF, Is: "report", Pages: 2}, nil
	})
	if err != nil {
		t.Fatal(err)
	}
	b.wants(v.page(address+"/report"), "The page cannot be shown", `name="v.1"`)
	if w := v.get(address + "/documents/" + short(hashOf(cut)) + "/1"); w.Code != http.StatusUnprocessableEntity {
		t.Errorf("status %d, want 422", w.Code)
	}
}
