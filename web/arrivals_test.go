package web

import (
	"archive/zip"
	"bytes"
	"context"
	"errors"
	"io"
	"maps"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/casework/storetest"
	"airwarrant/qualify/recording"
)

// place is a place of arrivals that keeps nothing: a test hands the file over.
type place struct{ backs []string }

func (p *place) Form(_ context.Context, id, back string, most int64, within time.Duration) (ArrivalForm, error) {
	p.backs = append(p.backs, back)
	return ArrivalForm{Address: "https://place.example.org/" + id, Fields: []ArrivalField{{"policy", "<signed>"}}}, nil
}

func directBench(t *testing.T) (*bench, *place) {
	b, p := newBench(t, &storetest.Memory{}, false), &place{}
	b.cfg.Arrivals = p
	return b, p
}

// arrive hands a file over as of now.
func (b *bench) arrive(ticket string, data []byte) (Arrival, error) {
	b.t.Helper()
	return b.Arrived(b.t.Context(), ticket, int64(len(data)), *b.clock, func(context.Context) (io.ReadCloser, error) {
		return io.NopCloser(bytes.NewReader(data)), nil
	})
}

// ticketIn is the id of the ticket in the form that a page holds.
func (b *bench) ticketIn(page string) string {
	b.t.Helper()
	m := regexp.MustCompile(`action="https://place\.example\.org/([A-Za-z0-9_-]{22})"`).FindStringSubmatch(page)
	if m == nil {
		b.t.Fatalf("no form for a file in %s", text(page))
	}
	return m[1]
}

// ask posts the form of a page, without a file, and returns the ticket.
func (v *visitor) ask(page, path string, more map[string]string) string {
	v.b.t.Helper()
	v.page(page)
	w := v.sendFile(path, nil, more)
	if w.Code != http.StatusOK {
		v.b.t.Fatalf("status %d: %s", w.Code, text(v.last))
	}
	if p := w.Header().Get("Content-Security-Policy"); !strings.Contains(p, "form-action 'self' https://place.example.org;") {
		v.b.t.Errorf("policy %q", p)
	}
	return v.b.ticketIn(v.last)
}

// A recording that the browser puts into a place comes onto its case, once,
// however often its event comes.
func TestArrivalIsKept(t *testing.T) {
	b, p := directBench(t)
	v := b.at(Intake)
	address := v.open(medicare, merrin)
	page := v.send(address, address+"/custody", custody("order_on_file"))
	b.wants(page, "The file is chosen on the page that follows", "Go on to the file")
	b.lacks(page, `type="file"`)
	id := v.ask(address, address+"/recording", nil)
	b.wants(v.last, `name="policy" value="&lt;signed&gt;"`, `type="file" id="file" name="file"`)
	if want := "http://localhost:8080" + address + "/arrivals/" + id; p.backs[0] != want {
		t.Errorf("sent back to %q, want %q", p.backs[0], want)
	}
	w := v.get(address + "/arrivals/" + id)
	if w.Code != 200 || w.Header().Get("Refresh") != "2" {
		t.Errorf("a file that is awaited: %d, %q", w.Code, w.Header().Get("Refresh"))
	}
	b.wants(v.page(address), "A file is awaited or being read since Jun 1, 2026 09:00 UTC")

	night := recordings()["night-1.csv"]
	var wg sync.WaitGroup
	outs, errs := make([]Arrival, 4), make([]error, 4)
	for i := range outs {
		wg.Go(func() { outs[i], errs[i] = b.arrive(id, night) })
	}
	wg.Wait()
	for i := range outs {
		for errors.Is(errs[i], casework.ErrConflict) { // as the platform tries again
			outs[i], errs[i] = b.arrive(id, night)
		}
		if errs[i] != nil || outs[i].State != ticketKept && outs[i].State != "again" {
			t.Errorf("event %d: %+v, %v", i, outs[i], errs[i])
		}
	}
	out, err := b.arrive(id, []byte("another file"))
	if err != nil || out.State != "again" {
		t.Errorf("a second file under one ticket: %+v, %v", out, err)
	}
	f := must(b.Site.open(t.Context(), strings.TrimPrefix(address, "/cases/")))
	if len(f.Uploads) != 1 || f.Determination == nil || f.Determination.Results[0].Outcome == "" {
		t.Errorf("uploads %+v, determination %+v", f.Uploads, f.Determination)
	}
	if w := v.get(address + "/arrivals/" + id); w.Code != http.StatusSeeOther || w.Header().Get("Location") != address+"#recording" {
		t.Errorf("after it was kept: %d to %q", w.Code, w.Header().Get("Location"))
	}
	b.lacks(v.page(address), "A file is awaited")
	if out, err := b.arrive("no-such-ticket", night); err != nil || out.State != "unknown" {
		t.Errorf("without a ticket: %+v, %v", out, err)
	}
}

// What cannot be taken says why on the page, and is not read where it need
// not be.
func TestArrivalIsRefused(t *testing.T) {
	b, _ := directBench(t)
	v := b.at(Intake)
	address := v.open(medicare, merrin)
	v.send(address, address+"/custody", custody("order_on_file"))
	for _, tt := range []struct {
		name, reason, say string
		data              []byte
		size              int64
		after             time.Duration
		unread            bool
		before            func()
	}{
		{name: "no recording", reason: "unread", data: []byte("\x00\x01\x02"), say: "Nothing was stored"},
		{name: "empty", reason: "unread", data: nil, say: "found an empty file"},
		{name: "too large", reason: "size", size: recording.DefaultMaxBytes + 1, unread: true, say: "More was sent than this page takes"},
		{name: "late", reason: "late", after: formWithin + arrivedLate + time.Second, unread: true, say: "after its form had ended"},
		{name: "barred", reason: "custody", unread: true, say: "No byte of the file was read", before: func() { v.send(address, address+"/custody", custody("none")) }},
	} {
		id := v.ask(address, address+"/recording", nil)
		if tt.before != nil {
			tt.before()
		}
		out, err := b.Arrived(t.Context(), id, max(tt.size, int64(len(tt.data))), b.clock.Add(tt.after), func(context.Context) (io.ReadCloser, error) {
			if tt.unread {
				t.Errorf("%s: the file was opened", tt.name)
			}
			return io.NopCloser(bytes.NewReader(tt.data)), nil
		})
		if err != nil || out.State != ticketRefused || out.Reason != tt.reason {
			t.Errorf("%s: %+v, %v", tt.name, out, err)
		}
		b.wants(v.page(address+"/arrivals/"+id), tt.say)
		b.wants(v.page(address), tt.say)
	}
	if f := must(b.Site.open(t.Context(), strings.TrimPrefix(address, "/cases/"))); len(f.Uploads) != 0 {
		t.Errorf("uploads %+v", f.Uploads)
	}
	// What fails without a reason that a person could mend is tried again.
	v.send(address, address+"/custody", custody("order_on_file"))
	id := v.ask(address, address+"/recording", nil)
	broken := errors.New("the place does not answer")
	if _, err := b.Arrived(t.Context(), id, 1, *b.clock, func(context.Context) (io.ReadCloser, error) { return nil, broken }); !errors.Is(err, broken) {
		t.Errorf("a place that does not answer: %v", err)
	}
	if out, err := b.arrive(id, recordings()["night-1.csv"]); err != nil || out.State != ticketKept {
		t.Errorf("tried again: %+v, %v", out, err)
	}
}

// A file whose columns have to be told shows its rows on the page of the
// ticket, and nowhere in the clear.
func TestArrivalAsksForColumns(t *testing.T) {
	b, _ := directBench(t)
	v := b.at(Intake)
	address := v.open(medicare, merrin)
	v.send(address, address+"/custody", custody("order_on_file"))
	data := []byte("Invented Name,a,b\n" + strings.Repeat("2026-05-05 22:00:00,91,60\n2026-05-05 22:00:04,92,61\n", 40))
	id := v.ask(address, address+"/recording", nil)
	out, err := b.arrive(id, data)
	if err != nil || out.State != ticketRefused {
		t.Fatalf("%+v, %v", out, err)
	}
	page := v.page(address + "/arrivals/" + id)
	b.wants(page, "What each column holds", "Go on to the file", "Invented Name")
	note, err := b.store.Note(t.Context(), ticketKind, id)
	if err != nil || bytes.Contains(note, []byte("Invented")) {
		t.Errorf("the ticket is %s, %v", note, err)
	}
	if w := b.at(Maintainer).get(address + "/arrivals/" + id); w.Code != http.StatusForbidden {
		t.Errorf("the maintainer: status %d", w.Code)
	}
}

// A tester's ticket is reached by the tester's link alone, and ends with it.
func TestArrivalThroughLink(t *testing.T) {
	b, _ := directBench(t)
	v := b.at(Intake)
	address := v.open(medicare, merrin)
	number := strings.TrimPrefix(address, "/cases/")
	mine, other := b.links(address)[Tester], b.links(address)[Tester]
	out := b.guest(mine, other)
	sent := map[string]string{"who": "P. Strand, RRT", "sender": "sent_by_tester"}
	id := out.ask(mine, mine+"/recording", sent)
	for path, code := range map[string]int{mine + "/arrivals/" + id: 200, other + "/arrivals/" + id: 404, mine + "/arrivals/x": 404} {
		if w := out.get(path); w.Code != code {
			t.Errorf("%s: status %d, want %d", path, w.Code, code)
		}
	}
	if a, err := b.arrive(id, recordings()["night-1.csv"]); err != nil || a.State != ticketKept {
		t.Fatalf("%+v, %v", a, err)
	}
	if w := out.get(mine + "/arrivals/" + id); w.Code != http.StatusSeeOther || w.Header().Get("Location") != mine+"?sent=recording" {
		t.Errorf("after it was kept: %d to %q", w.Code, w.Header().Get("Location"))
	}
	f := must(b.Site.open(t.Context(), number))
	if f.Statements["custody"].Text != "sent_by_tester" || len(f.Uploads) != 1 {
		t.Errorf("custody %+v, uploads %+v", f.Statements["custody"], f.Uploads)
	}
	// A link that was withdrawn while the file was under way.
	second := v.open(medicare, merrin)
	link := b.links(second)[Tester]
	guest := b.guest(link)
	id = guest.ask(link, link+"/recording", sent)
	g := must(b.Site.open(t.Context(), strings.TrimPrefix(second, "/cases/")))
	for _, l := range g.Links {
		v.send(second, second+"/links/revoke", url.Values{"link": {l.SHA256}})
	}
	a, err := b.Arrived(t.Context(), id, 1, *b.clock, func(context.Context) (io.ReadCloser, error) {
		t.Error("a file of a link that was withdrawn was opened")
		return nil, errNoPage
	})
	if err != nil || a.State != ticketRefused || a.Reason != "custody" {
		t.Errorf("%+v, %v", a, err)
	}
}

// A document comes by a ticket too: what was typed is checked before its file
// is chosen, lies in no note, and stands again where the file is refused.
func TestDocumentArrives(t *testing.T) {
	b, _ := directBench(t)
	v := b.at(Intake)
	address := v.open(medicare, merrin)
	v.send(address, address+"/custody", custody("order_on_file"))
	typed := map[string]string{"kind": "report", "name": "Ada Merrin", "birth": "1951-05-04", "date": "2026-02-11", "by": "O. Lund, RPSGT"}
	page := v.page(address + "/report")
	b.wants(page, "The file is chosen on the page that follows", "Go on to the file")
	b.lacks(page, `type="file"`)
	wrong := maps.Clone(typed)
	wrong["date"] = "yesterday"
	if w := v.sendFile(address+"/documents", nil, wrong); w.Code != http.StatusUnprocessableEntity {
		t.Errorf("a date that is none: status %d", w.Code)
	}
	b.lacks(v.last, "place.example.org", "no file, or an empty one")
	b.wants(v.last, `value="Ada Merrin"`)

	id := v.ask(address+"/report", address+"/documents", typed)
	b.wants(v.last, "at most 24.0 MiB", "Send the document")
	note := string(must(b.store.Note(t.Context(), ticketKind, id)))
	if strings.Contains(note, "Merrin") || strings.Contains(note, "1951") {
		t.Errorf("the ticket names the patient: %s", note)
	}
	if out, err := b.arrive(id, []byte("no picture")); err != nil || out.State != ticketRefused || out.Reason != "unread" {
		t.Errorf("no picture: %+v, %v", out, err)
	}
	b.wants(v.page(address+"/arrivals/"+id), "The document was not stored", `value="O. Lund, RPSGT"`, `value="2026-02-11"`)
	b.wants(v.page(address), "was not taken")
	b.wants(v.page(address+"/arrivals/"+id), "Expected a picture of a page as PNG, JPEG or TIFF, or a PDF; found another kind of file")
	v.accept = "es"
	b.wants(v.page(address+"/arrivals/"+id), "Se esperaba una imagen de una página en PNG, JPEG o TIFF, o un PDF; se encontró otra clase de archivo, o uno cortado")
	b.lacks(v.last, "expected ", "; found ")
	v.accept = "en"

	id = v.ask(address+"/report", address+"/documents", typed)
	out, err := b.arrive(id, DemoFax())
	if err != nil || out.State != ticketKept {
		t.Fatalf("%+v, %v", out, err)
	}
	if out, err := b.arrive(id, DemoFax()); err != nil || out.State != "again" {
		t.Errorf("again: %+v, %v", out, err)
	}
	f := must(b.Site.open(t.Context(), strings.TrimPrefix(address, "/cases/")))
	if len(f.papers()) != 1 || f.papers()[0].Printed.Name != "Ada Merrin" || f.papers()[0].Pages != 2 {
		t.Errorf("papers %+v", f.papers())
	}
	w := v.get(address + "/arrivals/" + id)
	if want := address + "/report?doc=" + short(f.papers()[0].SHA256); w.Code != http.StatusSeeOther || w.Header().Get("Location") != want {
		t.Errorf("%d to %q, want %q", w.Code, w.Header().Get("Location"), want)
	}
	// Footing and size are looked at again when it arrives.
	id = v.ask(address+"/report", address+"/documents", typed)
	if out, err := b.Arrived(t.Context(), id, documentLimit+1, *b.clock, nil); err != nil || out.Reason != "size" {
		t.Errorf("too large: %+v, %v", out, err)
	}
	id = v.ask(address+"/report", address+"/documents", typed)
	v.send(address, address+"/custody", custody("none"))
	if out, err := b.Arrived(t.Context(), id, 10, *b.clock, nil); err != nil || out.Reason != "custody" {
		t.Errorf("barred since: %+v, %v", out, err)
	}
	// A paper of the chart is taken on any footing.
	order := maps.Clone(typed)
	order["kind"] = "order"
	id = v.ask(address+"/papers", address+"/papers", order)
	if out, err := b.arrive(id, DemoFax()); err != nil || out.State != ticketKept {
		t.Errorf("an order: %+v, %v", out, err)
	}
	if w := v.get(address + "/arrivals/" + id); w.Header().Get("Location") != address+"/papers" {
		t.Errorf("to %q", w.Header().Get("Location"))
	}
}

func zipped(t *testing.T, files map[string][]byte) []byte {
	t.Helper()
	var out bytes.Buffer
	z := zip.NewWriter(&out)
	for _, name := range slices.Sorted(maps.Keys(files)) {
		w := must(z.Create(name))
		must(w.Write(files[name]))
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// A folder of recordings comes as one zip, with the table of facts in it, and
// gives the lines that its files would have given one by one.
func TestBatchArrives(t *testing.T) {
	b, _ := directBench(t)
	v := b.at(Intake)
	ask := func() string {
		t.Helper()
		form := custody("order_on_file")
		form.Del("v.test_date")
		form.Set("payer", medicare)
		v.page("/batch")
		v.post("/batch", form)
		b.wants(v.last, "Pack the recordings into one zip", "Go on to the file")
		b.lacks(v.last, `type="file"`)
		more := map[string]string{}
		for key := range form {
			more[key] = form.Get(key)
		}
		if w := v.sendFile("/batch/files", nil, more); w.Code != http.StatusOK {
			t.Fatalf("status %d: %s", w.Code, text(v.last))
		}
		return b.ticketIn(v.last)
	}
	id := ask()
	at := "/batch/files/arrivals/" + id
	if w := v.get(at); w.Code != http.StatusOK || w.Header().Get("Refresh") != "2" {
		t.Errorf("awaited: %d", w.Code)
	}
	night := recordings()["night-1.csv"]
	out, err := b.arrive(id, zipped(t, map[string][]byte{"nights/a.csv": night, "nights/b.csv": []byte("no recording"), "nights/.hidden": night, "facts.csv": []byte("file,test_oxygen\nnights/a.csv,room_air\n")}))
	if err != nil || out.State != ticketKept {
		t.Fatalf("%+v, %v", out, err)
	}
	w := v.get(at)
	if !strings.HasPrefix(w.Header().Get("Location"), "/batch/") {
		t.Fatalf("%d to %q", w.Code, w.Header().Get("Location"))
	}
	b.wants(v.page(w.Header().Get("Location")), "nights/a.csv", "nights/b.csv", "2 files read")
	b.lacks(v.last, ".hidden", "facts.csv")
	if other := b.visitor(); other.get(at).Code != http.StatusForbidden {
		t.Error("a page of a batch opens without a desk")
	}
	if again, err := b.arrive(id, night); err != nil || again.State != "again" {
		t.Errorf("again: %+v, %v", again, err)
	}
	whole := zipped(t, map[string][]byte{"a.csv": night})
	for name, tt := range map[string]struct {
		data []byte
		want string
	}{
		"cut off":       {whole[:len(whole)/2], "can be unpacked"},
		"a spoilt file": {slices.Concat(whole[:100], []byte{whole[100] ^ 0xff}, whole[101:]), "can be unpacked"},
		"no file":       {zipped(t, map[string][]byte{"x/": nil}), "Expected recordings"},
		"a bad table":   {zipped(t, map[string][]byte{"facts.csv": []byte("Invented Name,b\n1,2\n"), "a.csv": night}), "facts.csv in the zip"},
	} {
		id := ask()
		if out, err := b.arrive(id, tt.data); err != nil || out.State != ticketRefused {
			t.Errorf("%s: %+v, %v", name, out, err)
		}
		b.wants(v.page("/batch/files/arrivals/"+id), tt.want, "Go on to the file")
		if note := string(must(b.store.Note(t.Context(), ticketKind, id))); strings.Contains(note, "Invented") {
			t.Errorf("%s: the ticket quotes the table", name)
		}
	}
	if out, err := b.arrive(ask(), night); err != nil || out.State != ticketKept {
		t.Errorf("one recording alone: %+v, %v", out, err)
	}
}
