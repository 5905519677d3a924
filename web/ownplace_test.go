package web

import (
	"encoding/base64"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"airwarrant/qualify/casework/storetest"
)

// signedForm is what the script of a page is answered.
type signedForm struct {
	Address string         `json:"address"`
	Fields  []ArrivalField `json:"fields"`
}

func (f signedForm) field(name string) string {
	for _, one := range f.Fields {
		if one.Name == name {
			return one.Value
		}
	}
	return ""
}

// inTwoSteps asks for the ticket of a form, as the script does.
func (v *visitor) inTwoSteps(path string, more map[string]string) signedForm {
	v.b.t.Helper()
	form := map[string]string{stepField: "ticket"}
	for k, x := range more {
		form[k] = x
	}
	w := v.sendFile(path, nil, form)
	var out signedForm
	if err := json.Unmarshal(w.Body.Bytes(), &out); err != nil || w.Code != http.StatusOK || w.Header().Get("Content-Type") != "application/json" {
		v.b.t.Fatalf("%d %s: %v", w.Code, text(v.last), err)
	}
	if out.Address != "http://localhost:8080/arrivals" {
		v.b.t.Errorf("sent to %q", out.Address)
	}
	return out
}

// deliver sends a file by such a form.
func (v *visitor) deliver(f signedForm, data []byte, more ...ArrivalField) *httptest.ResponseRecorder {
	v.b.t.Helper()
	fields := map[string]string{}
	for _, one := range append(slices.Clone(f.Fields), more...) {
		fields[one.Name] = one.Value
	}
	return v.sendParts("/arrivals", fields, "file", data)
}

// On one machine the file of a page comes in the same two steps as elsewhere:
// a ticket, and a form that is signed, good for one file, up to a size and a
// time. The form without a script takes the file itself, as before.
func TestOwnPlace(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := v.open(medicare, merrin)
	b.wants(v.send(address, address+"/custody", custody("order_on_file")), `type="file"`, "data-tickets")
	night := recordings()["night-1.csv"]

	before := b.events(strings.TrimPrefix(address, "/cases/"))
	f := v.inTwoSteps(address+"/recording", nil)
	tampered := func(change func(p *ownPolicy)) string {
		raw := must(base64.StdEncoding.DecodeString(f.field(policyField)))
		var p ownPolicy
		if err := json.Unmarshal(raw, &p); err != nil {
			t.Fatal(err)
		}
		change(&p)
		return base64.StdEncoding.EncodeToString(must(json.Marshal(p)))
	}
	for name, more := range map[string]ArrivalField{
		"another ticket":   {"key", "another"},
		"sent elsewhere":   {backField, "https://elsewhere.example.org/"},
		"another type":     {"Content-Type", "text/html"},
		"a forged sign":    {signField, base64.StdEncoding.EncodeToString(make([]byte, 32))},
		"no sign":          {signField, ""},
		"no policy":        {policyField, ""},
		"a longer time":    {policyField, tampered(func(p *ownPolicy) { p.Expiration = p.Expiration.Add(time.Hour) })},
		"a larger file":    {policyField, tampered(func(p *ownPolicy) { p.Conditions[0][2] = 1 << 40 })},
		"a field besides":  {"acl", "public-read"},
		"no policy at all": {policyField, base64.StdEncoding.EncodeToString([]byte("{}"))},
	} {
		if w := v.deliver(f, night, more); w.Code != http.StatusForbidden {
			t.Errorf("%s: status %d: %s", name, w.Code, text(v.last))
		}
	}
	// Nothing of a file is read before its form was found good.
	head := "--x\r\nContent-Disposition: form-data; name=\"key\"\r\n\r\nx\r\n--x\r\nContent-Disposition: form-data; name=\"file\"; filename=\"n\"\r\n\r\n"
	r := request1("POST", "/arrivals", &refusing{t: t, head: strings.NewReader(head)})
	r.ContentLength = -1
	r.Header.Set("Content-Type", "multipart/form-data; boundary=x")
	if w := v.do(r); w.Code != http.StatusForbidden {
		t.Errorf("a file with no form: status %d", w.Code)
	}
	if got := b.events(strings.TrimPrefix(address, "/cases/")); got != before {
		t.Errorf("%d events before, %d after nothing was taken", before, got)
	}
	if w := v.deliver(f, nil); w.Code != http.StatusBadRequest {
		t.Errorf("an empty file: status %d", w.Code)
	}

	w := v.deliver(f, night)
	if w.Code != http.StatusSeeOther || w.Header().Get("Location") != f.field(backField) {
		t.Fatalf("%d to %q: %s", w.Code, w.Header().Get("Location"), text(v.last))
	}
	at := must(url.Parse(w.Header().Get("Location"))).Path
	if w := v.get(at); w.Code != http.StatusSeeOther || w.Header().Get("Location") != address+"#recording" {
		t.Errorf("the page of the ticket: %d to %q", w.Code, w.Header().Get("Location"))
	}
	if w := v.deliver(f, night); w.Code != http.StatusConflict {
		t.Errorf("a second file by one form: status %d", w.Code)
	}

	// A form ends; a file that cannot be read is told on the page of its ticket,
	// with what was typed.
	address = v.open(medicare, merrin)
	v.send(address, address+"/custody", custody("order_on_file"))
	late := v.inTwoSteps(address+"/recording", nil)
	*b.clock = b.clock.Add(formWithin + time.Second)
	if w := v.deliver(late, night); w.Code != http.StatusForbidden {
		t.Errorf("a form that has ended: status %d", w.Code)
	}
	v = b.at(Intake) // the session has ended too
	v.page(address)
	f = v.inTwoSteps(address+"/recording", map[string]string{"zone": "Europe/Berlin"})
	w = v.deliver(f, []byte("\x00 no recording"))
	b.wants(v.page(must(url.Parse(w.Header().Get("Location"))).Path), `class="say"`, "Nothing was stored")

	// A document too; and its size.
	typed := map[string]string{"kind": "report", "name": "Ada Merrin", "date": "2026-02-11"}
	f = v.inTwoSteps(address+"/documents", typed)
	if w := v.deliver(f, make([]byte, documentLimit+1)); w.Code != http.StatusRequestEntityTooLarge {
		t.Errorf("too large: status %d", w.Code)
	}
	if w := v.deliver(f, DemoFax()); w.Code != http.StatusSeeOther {
		t.Errorf("a document: status %d: %s", w.Code, text(v.last))
	}
	doc := must(b.Site.open(t.Context(), strings.TrimPrefix(address, "/cases/")))
	if len(doc.papers()) != 1 {
		t.Errorf("papers %+v", doc.papers())
	}

	// Where files go elsewhere this is no address.
	b.cfg.Arrivals = &place{}
	if w := v.deliver(f, night); w.Code != http.StatusNotFound {
		t.Errorf("beside another place: status %d", w.Code)
	}
}

// refusing gives the head of a form and fails the test where more is asked for.
type refusing struct {
	t    *testing.T
	head *strings.Reader
}

func (r *refusing) Read(p []byte) (int, error) {
	if r.head.Len() == 0 {
		return unread{r.t}.Read(p)
	}
	return r.head.Read(p)
}
