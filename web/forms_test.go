package web

import (
	"bytes"
	"fmt"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"

	"golang.org/x/net/html"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/casework/storetest"
	"airwarrant/rules"
)

// Every form of every page is found on its page, filled in and sent, so that a
// new form is held to the same rules without a test of its own.

func has(n *html.Node, name string) bool {
	return slices.ContainsFunc(n.Attr, func(a html.Attribute) bool { return a.Key == name })
}

// words is the text in n as it is typed.
func words(n *html.Node) string {
	var b strings.Builder
	for d := range n.Descendants() {
		if d.Type == html.TextNode {
			b.WriteString(d.Data)
		}
	}
	return b.String()
}

// control is a field of a form as a browser sends it.
type control struct {
	name, value, kind string
	on                bool // sent as the page comes: not a box or a choice that is off
}

// siteForm is a form of a page.
type siteForm struct {
	action    string
	multipart bool
	controls  []control
}

func parsed(t *testing.T, page string) *html.Node {
	t.Helper()
	doc, err := html.Parse(strings.NewReader(page))
	if err != nil {
		t.Fatal(err)
	}
	return doc
}

// formsOf reads the forms of a page that are sent by POST.
func formsOf(doc *html.Node) []siteForm {
	var out []siteForm
	each(doc, func(n *html.Node) {
		if n.Data != "form" || !strings.EqualFold(attribute(n, "method"), "post") {
			return
		}
		action, _, _ := strings.Cut(attribute(n, "action"), "#")
		f := siteForm{action: action, multipart: attribute(n, "enctype") == "multipart/form-data"}
		each(n, func(n *html.Node) {
			c := control{name: attribute(n, "name"), value: attribute(n, "value"), kind: n.Data, on: true}
			switch n.Data {
			case "input":
				c.kind = attribute(n, "type")
				if c.kind == "radio" || c.kind == "checkbox" {
					c.on = has(n, "checked")
				}
			case "textarea":
				c.value = strings.TrimPrefix(words(n), "\n")
			case "select":
				each(n, func(o *html.Node) {
					if o.Data != "option" {
						return
					}
					v := words(o)
					if has(o, "value") {
						v = attribute(o, "value")
					}
					f.controls = append(f.controls, control{name: c.name, value: v, kind: "option", on: has(o, "selected")})
				})
				return
			case "button":
				if attribute(n, "type") == "button" {
					return
				}
			default:
				return
			}
			if c.name != "" || c.kind == "button" {
				f.controls = append(f.controls, c)
			}
		})
		out = append(out, f)
	})
	return out
}

// filled is the form as somebody sends it who types text everywhere and takes the
// last of every choice; empty is one who fills in nothing. Of several buttons it
// is the last without a name that is pressed, else the first.
func (f siteForm) filled(empty bool, text string) (form url.Values, typed []control) {
	form = url.Values{}
	last := map[string]control{}
	for _, c := range f.controls {
		switch c.kind {
		case "hidden":
			form.Add(c.name, c.value)
		case "radio", "option":
			if !empty || c.kind == "option" && last[c.name].kind == "" {
				last[c.name] = c
			}
		case "checkbox":
			if !empty {
				form.Add(c.name, c.value)
				typed = append(typed, c)
			}
		case "text", "textarea", "number", "search":
			if empty {
				form.Add(c.name, "")
			} else {
				c.value = text
				form.Add(c.name, c.value)
				typed = append(typed, c)
			}
		case "password", "file", "button", "submit", "image":
		default:
			panic("a field of the kind " + c.kind)
		}
	}
	pressed := slices.IndexFunc(f.controls, func(c control) bool { return c.kind == "button" && c.name == "" })
	if b := slices.IndexFunc(f.controls, func(c control) bool { return c.kind == "button" }); pressed < 0 && b >= 0 {
		form.Set(f.controls[b].name, f.controls[b].value)
	}
	for _, c := range last {
		form.Set(c.name, c.value)
		if !empty {
			typed = append(typed, c)
		}
	}
	return form, typed
}

// sendForm sends a form as its browser would.
func (v *visitor) sendForm(f siteForm, form url.Values) *httptest.ResponseRecorder {
	if !f.multipart {
		r := request1("POST", f.action, strings.NewReader(form.Encode()))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		return v.do(r)
	}
	var b bytes.Buffer
	mw := multipart.NewWriter(&b)
	for name, values := range form {
		for _, val := range values {
			if err := mw.WriteField(name, val); err != nil {
				v.b.t.Fatal(err)
			}
		}
	}
	for _, c := range f.controls {
		if c.kind == "file" {
			if _, err := mw.CreateFormFile(c.name, ""); err != nil {
				v.b.t.Fatal(err)
			}
		}
	}
	if err := mw.Close(); err != nil {
		v.b.t.Fatal(err)
	}
	r := request1("POST", f.action, &b)
	r.Header.Set("Content-Type", mw.FormDataContentType())
	return v.do(r)
}

// keeps lists what of typed is not in the forms of a page any more.
func keeps(doc *html.Node, typed []control) (lost []string) {
	have := map[string]bool{}
	for _, f := range formsOf(doc) {
		for _, c := range f.controls {
			if c.on {
				have[c.name+"="+c.value] = true
			}
		}
	}
	for _, c := range typed {
		if !have[c.name+"="+c.value] {
			lost = append(lost, c.kind+" "+c.name+"="+c.value)
		}
	}
	return lost
}

// told says what is wrong with how a page tells the faults of a form: each error
// has an id, a field names it and says that it is not valid, and the summary at the
// top leads to every one.
func told(doc *html.Node) (faults []string) {
	ids, described, links := map[string]*html.Node{}, map[string]*html.Node{}, map[string]bool{}
	var errs []*html.Node
	each(doc, func(n *html.Node) {
		if id := attribute(n, "id"); id != "" {
			if ids[id] != nil {
				faults = append(faults, "two elements are called "+id)
			}
			ids[id] = n
		}
		if n.Data == "p" && ofClass(n, "error") {
			errs = append(errs, n)
		}
		for _, id := range strings.Fields(attribute(n, "aria-describedby")) {
			if described[id] == nil {
				described[id] = n
			}
		}
		if n.Data == "a" && strings.HasPrefix(attribute(n, "href"), "#") {
			links[attribute(n, "href")[1:]] = true
		}
	})
	each(doc, func(n *html.Node) {
		if attribute(n, "aria-invalid") != "true" {
			return
		}
		if !slices.ContainsFunc(strings.Fields(attribute(n, "aria-describedby")), func(id string) bool { return ids[id] != nil && strings.TrimSpace(words(ids[id])) != "" }) {
			faults = append(faults, fmt.Sprintf("%s is not valid, and nothing says why", attribute(n, "name")))
		}
	})
	for _, e := range errs {
		id := attribute(e, "id")
		field := described[id]
		for p := e.Parent; p != nil; p = p.Parent {
			if p.Data == "details" && !has(p, "open") {
				faults = append(faults, "shut away: "+words(e))
			}
		}
		switch {
		case id == "":
			faults = append(faults, "an error without an id: "+words(e))
		case field == nil:
			faults = append(faults, "no field names the error "+id)
		case attribute(field, "aria-invalid") != "true" && attribute(field, "role") != "group" && field.Data != "fieldset" && attribute(field, "type") != "radio" && attribute(field, "type") != "file":
			faults = append(faults, "the field of "+id+" does not say that it is not valid")
		case !links[id] && !links[attribute(field, "id")]:
			faults = append(faults, "no summary leads to "+id)
		}
	}
	return faults
}

// formPlace is a page with forms, as somebody comes to it.
type formPlace struct {
	name string
	come func(b *bench) (v *visitor, path string)
}

// formPlaces are pages that hold, together, every form.
func formPlaces() []formPlace {
	var out []formPlace
	add := func(name string, come func(b *bench) (*visitor, string)) { out = append(out, formPlace{name, come}) }
	for path, d := range map[string]Desk{"/": NoDesk, "/cases/new": Intake, "/cases": Intake, "/batch": Intake, "/accounts": Administrator, "/drafts": Maintainer,
		"/rules/us-medicare/2023-04-01": Maintainer, "/watch/us-medicare/policy": Maintainer, "/password": NoDesk} {
		add(path, func(b *bench) (*visitor, string) { return b.at(d), path })
	}
	for _, d := range demoCases() {
		for _, more := range []string{"", "/report", "/papers", "/tests"} {
			if more != "" && d.Patient.Name != "Cassius Penhallow" && d.Patient.Name != "Perpetua Sloane" {
				continue // they have the same forms
			}
			add(d.Patient.Name+more, func(b *bench) (*visitor, string) { return b.at(Intake), b.demoAddress(d.Patient.Name) + more })
		}
	}
	for _, d := range []Desk{Office, Tester} {
		for _, who := range []string{"Cassius Penhallow", "Ines Lockhart", "Jun Aldermoor"} {
			add(string(d)+" of "+who, func(b *bench) (*visitor, string) {
				link := b.links(b.demoAddress(who))[d]
				return b.guest(link), link
			})
			add(string(d)+" of "+who+", without the code", func(b *bench) (*visitor, string) {
				return b.visitor(), b.links(b.demoAddress(who))[d]
			})
		}
	}
	add("a closed case", func(b *bench) (*visitor, string) {
		v, address := b.at(Intake), b.demoAddress("Ada Merrin")
		v.send(address, address+"/close", url.Values{"reason": {"The order was taken back."}})
		return v, address
	})
	disputed := func(b *bench) (office *visitor, link, address string) {
		address = b.demoAddress("Ada Merrin")
		link = b.links(address)[Office]
		office = b.guest(link)
		office.page(link)
		office.send(link, link, quill(url.Values{"a.awake_spo2": {"disagrees"}, "r.awake_spo2": {"The note of that day says 88 % on 2 L/min."}}))
		return office, link, address
	}
	add("a disputed answer", func(b *bench) (*visitor, string) {
		_, _, address := disputed(b)
		return b.at(Intake), address
	})
	add("an office that answered", func(b *bench) (*visitor, string) {
		office, link, _ := disputed(b)
		return office, link
	})
	onList := func(b *bench) (intake *visitor, address string) {
		b.at(Office)
		return b.at(Intake), b.demoAddress("Cassius Penhallow")
	}
	add("a case whose office has an account", func(b *bench) (*visitor, string) { return onList(b) })
	add("a case on the list of an office", func(b *bench) (*visitor, string) {
		v, address := onList(b)
		v.send(address, address+"/day", url.Values{"office": {"Harbour Road Practice"}})
		office := b.at(Office)
		path := "/day/" + strings.TrimPrefix(address, "/cases/")
		office.page(path)
		office.send(path, path, quill(located("awake_spo2", "92")))
		return office, path
	})
	add("a recording that the tester is asked of", func(b *bench) (*visitor, string) {
		v := b.at(Intake)
		address := b.ready(v)
		if w := v.upload(address, address+"/recording", twoNights(), nil); w.Code != http.StatusSeeOther {
			b.t.Fatalf("status %d", w.Code)
		}
		v.send(address, address+"/session", url.Values{"session": {"2"}})
		link := b.links(address)[Tester]
		return b.guest(link), link
	})
	add("many at once", func(b *bench) (*visitor, string) {
		v := b.at(Intake)
		if code := v.stateBatch("order_on_file"); code != http.StatusOK {
			b.t.Fatalf("status %d", code)
		}
		return v, ""
	})
	add("a person", func(b *bench) (*visitor, string) {
		v := b.at(Administrator)
		v.page("/accounts")
		v.post("/accounts", url.Values{"name": {"Noa Fielding"}, "role": {"intake"}})
		for _, a := range must(b.accounts.Accounts(b.t.Context())) {
			if a.Name == "Noa Fielding" {
				return v, "/accounts/" + a.ID
			}
		}
		b.t.Fatalf("no account was made: %s", text(v.last))
		return nil, ""
	})
	add("a document", func(b *bench) (*visitor, string) {
		v := b.at(Maintainer)
		return v, first(regexp.MustCompile(`href="(/watch/[^"]+/[^"]+)"`), v.page("/watch"))
	})
	for _, more := range []string{"", "/rehearsal", "/proposal"} {
		add("a draft"+more, func(b *bench) (*visitor, string) {
			v := b.at(Maintainer)
			v.page("/drafts")
			from := must(b.lib.At(medicare, rules.Date{Year: 2023, Month: 4, Day: 1})).SHA256
			r := v.sendFile("/drafts", nil, map[string]string{"from": from, "day": "2026-09-01"})
			at := r.Header().Get("Location")
			if more == "/proposal" {
				v.send(at+"/rehearsal", at+"/rehearsal", url.Values{})
			}
			return v, at + more
		})
	}
	add("a change", func(b *bench) (*visitor, string) {
		v := b.at(Maintainer)
		v.send("/rules/us-medicare/2023-04-01", "/rules/us-medicare/2023-04-01/withdrawal", url.Values{"reason": {"A figure was read wrongly."}})
		return b.other(Administrator), "/changes/1"
	})
	return out
}

func routeOf(path string) (Route, bool) {
	at := strings.Split(path, "/")
	for _, rt := range Routes() {
		want := strings.Split(rt.Path, "/")
		if rt.Method == http.MethodPost && len(want) == len(at) && !slices.ContainsFunc(want, func(w string) bool {
			i := slices.Index(want, w)
			return w != at[i] && !strings.HasPrefix(w, "{")
		}) {
			return rt, true
		}
	}
	return Route{}, false
}

// eachForm comes to every form once: of forms of one route that hold the same
// fields to the first. again comes to it anew, on a store of its own.
func eachForm(t *testing.T, do func(rt Route, name string, again func() (*visitor, siteForm))) {
	t.Helper()
	seen := map[string]bool{}
	for _, p := range formPlaces() {
		b := newBench(t, &storetest.Memory{}, true)
		v, path := p.come(b)
		if path != "" {
			v.get(path)
		}
		for i, f := range formsOf(parsed(t, v.last)) {
			rt, ok := routeOf(f.action)
			if !ok {
				t.Fatalf("%s: no route takes %s", p.name, f.action)
			}
			var names []string
			for _, c := range f.controls {
				name, _, _ := strings.Cut(c.name, ".")
				names = append(names, name+c.kind)
				if name == "part" {
					names = append(names, c.value)
				}
			}
			slices.Sort(names)
			if key := rt.Name + fmt.Sprint(slices.Compact(names)); seen[key] {
				continue
			} else {
				seen[key] = true
			}
			do(rt, fmt.Sprintf("%s, form %d (%s)", p.name, i+1, rt.Name), func() (*visitor, siteForm) {
				v, path := p.come(newBench(t, &storetest.Memory{}, true))
				if path != "" {
					v.get(path)
				}
				return v, formsOf(parsed(t, v.last))[i]
			})
		}
	}
}

// otherForms are routes whose form TestEveryForm does not come to, and why.
var otherForms = map[string]string{
	"signIn": "a password is never given back", "changePassword": "a password is never given back", "signOutEverywhere": "it has no field",
	"takeArrival": "a script sends it, of a ticket", "checkDraft": "a script sends it, and nothing is stored", "determineAnew": "it has no field",
	"officeAttach": "the form of dayAttach",
}

// answersAtOnce are routes whose answer is a page and no redirection: what they
// show stands in no address (a name, a secret that is shown once), and sent again
// they store nothing.
var answersAtOnce = []string{"findCase", "stateBatch", "makeLink", "addPerson", "changePerson"}

// TestEveryForm sends every form of every page, empty, with words and with days
// that there are none of: what is not taken comes back with everything that was
// typed or chosen, each fault at its field and in the summary; what is taken leads
// to a page that can be loaded again, and sent twice it is stored once.
func TestEveryForm(t *testing.T) {
	if raced {
		return // one goroutine
	}
	reached, refused := map[string]bool{}, 0
	eachForm(t, func(rt Route, name string, again func() (*visitor, siteForm)) {
		reached[rt.Name] = true
		for _, text := range []string{"", "zq", "2031-99-99"} {
			v, f := again()
			form, typed := f.filled(text == "", text)
			w := v.sendForm(f, form)
			if w.Code < http.StatusBadRequest {
				if w.Code != http.StatusSeeOther && !slices.Contains(answersAtOnce, rt.Name) {
					t.Errorf("%s (%q): status %d, want 303", name, text, w.Code)
				}
				once := v.b.contents()
				v.sendForm(f, form)
				if twice := v.b.contents(); twice != once {
					t.Errorf("%s (%q): sent twice it makes %d entries more", name, text, twice-once)
				}
				continue
			}
			if w.Code >= http.StatusInternalServerError {
				t.Errorf("%s (%q): status %d", name, text, w.Code)
			}
			refused++
			doc := parsed(t, v.last)
			if lost := keeps(doc, typed); len(lost) > 0 && !rt.Code { // the code of a link is a secret
				t.Errorf("%s (%q): lost %v", name, text, lost)
			}
			if faults := told(doc); len(faults) > 0 {
				t.Errorf("%s (%q): %v", name, text, faults)
			}
		}
	})
	for _, rt := range Routes() {
		if rt.Method == http.MethodPost && reached[rt.Name] == (otherForms[rt.Name] != "") {
			t.Errorf("%s: reached is %v", rt.Name, reached[rt.Name])
		}
	}
	if refused < 60 {
		t.Errorf("%d forms were refused, expected more", refused)
	}
}

// TestSummaryOfFaults: it stands behind the heading and takes the focus, names each
// question with what is wrong, and leads to its field; a page without a fault has
// none.
func TestSummaryOfFaults(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	v := b.at(Intake)
	page := v.page("/cases/new")
	b.lacks(page, "faults-h", "<title>Error")
	v.post("/cases/new", url.Values{"name": {"Ada <Merrin>"}, "birth": {"4 May"}, "payer": {medicare}})
	b.wants(v.last, "<title>Error: New case", `</h1><section class="say faults" tabindex="-1" autofocus aria-labelledby="faults-h">`,
		`<li><a href="#birth"><span>Birth date, as YYYY-MM-DD</span></a> Expected a day of the calendar`)
	b.lacks(v.last, `href="#name"`, `href="#payer"`, "<Merrin>")
	address := b.demoAddress("Ada Merrin")
	v.page(address)
	v.post(address+"/facts", url.Values{"part": {"conditions"}, "v.hematocrit": {"many"}})
	b.wants(v.last, `<li><a href="#conditions">Some answers could not be taken; nothing of this part was stored. They are marked below.</a></li>`, `<li><a href="#c-hematocrit">`)
	v.accept = "es"
	v.page("/cases/new")
	v.post("/cases/new", url.Values{"birth": {"4 May"}})
	b.wants(v.last, "<title>Error: Nuevo caso", `<a href="#birth"><span>Fecha de nacimiento`, `<a href="#payer-e">`)
}

// contents counts what the store holds.
func (b *bench) contents() int {
	b.t.Helper()
	n := 0
	for _, err := range casework.ContentsOf(b.t.Context(), b.store) {
		if err != nil {
			b.t.Fatal(err)
		}
		n++
	}
	return n
}
