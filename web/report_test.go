package web

import (
	"fmt"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"airwarrant/qualify/casework/storetest"
)

// figures is the form of the report's page with one figure in each row, all
// of the time at or below 88 %, without place.
func figures(values ...string) url.Values {
	form := url.Values{"rows": {fmt.Sprint(len(values))}, "store": {"1"}}
	for i, v := range values {
		for k, val := range map[string]string{"m": "time_at_or_below", "l": "88", "v": v, "u": "min", "d": "paper report", "p": "1", "a": "third line of the table"} {
			form.Set(fmt.Sprint(k, ".", i+1), val)
		}
	}
	return form
}

func TestFiguresOfAReport(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := b.ready(v)
	number := strings.TrimPrefix(address, "/cases/")
	document := b.addFax(v, address)
	title := "report " + document

	// Page 2 is turned to, with a half-typed figure, which stays.
	v.page(address + "/report")
	form := url.Values{"rows": {"1"}, "m.1": {"time_at_or_below"}, "l.1": {"88"}, "v.1": {"7.20"}, "u.1": {"min"}, "d.1": {title}, "p.1": {"1"}, "pin": {"1"}, "turn": {document + " 2 900"}}
	before := b.events(number)
	if w := v.post(address+"/report", form); w.Code != http.StatusOK {
		t.Fatalf("turning the page: status %d", w.Code)
	}
	b.wants(v.last, `value="7.20"`, `<option value="time_at_or_below" selected>`, `/documents/`+document+`/2" width="900" height="1145"`, "Nothing is stored yet")

	// A press on the picture pins the figure that is being typed. Browsers send
	// the point in pixels of the picture as shown (HTML, 4.10.5.1.19, "image
	// button": name.x and name.y).
	form.Del("turn")
	for k, val := range map[string]string{"doc": document, "page": "2", "width": "900", "height": "1145", "pin.x": "450", "pin.y": "572"} {
		form.Set(k, val)
	}
	if w := v.post(address+"/report", form); w.Code != http.StatusOK {
		t.Fatalf("pinning: status %d", w.Code)
	}
	b.wants(v.last, `name="a.1" value="50%,50%"`, `name="p.1" value="2"`, "Figure 1 stands 50 % from the left, 50 % from the top", `cx="450" cy="573"`, `<text x="474" y="559" text-anchor="middle">1</text>`, `value="7.20"`)
	if got := b.events(number); got != before {
		t.Errorf("pages and pins wrote %d events", got-before)
	}

	// With the keyboard a press has no point; words take its place.
	again := url.Values{}
	for k, val := range form {
		again[k] = val
	}
	again.Set("pin.x", "0")
	again.Set("pin.y", "0")
	v.post(address+"/report", again)
	b.wants(v.last, "A press by keyboard has no point", `value="7.20"`)
	again.Set("pin.x", "9000")
	v.post(address+"/report", again)
	b.wants(v.last, "does not lie on the page shown")
	again.Set("pin.x", "10")
	again.Set("pin", "9")
	v.post(address+"/report", again)
	b.wants(v.last, "Choose which figure the point is for")

	// Stored, with all decimals and both kinds of place.
	form.Del("pin.x")
	form.Del("pin.y")
	form.Set("a.1", "50%,50%")
	form.Set("p.1", "2")
	form.Set("rows", "3")
	for k, val := range map[string]string{"m.2": "nadir", "v.2": "81", "u.2": "%", "d.2": title, "p.2": "2", "a.2": "sixth line of the table"} {
		form.Set(k, val)
	}
	v.page(address + "/report")
	w := v.post(address+"/report", form)
	if w.Code != http.StatusSeeOther || w.Header().Get("Location") != address+"/report?doc="+document+"&page=2&width=900#figures" {
		t.Fatalf("storing: status %d to %q: %s", w.Code, w.Header().Get("Location"), text(v.last))
	}
	stored := b.events(number)
	form.Set("form", "")
	form.Del("form")
	if w := v.post(address+"/report", withToken(v, address, form)); w.Code != http.StatusSeeOther || b.events(number) != stored {
		t.Errorf("stored twice: status %d, %d events more", w.Code, b.events(number)-stored)
	}
	page := v.page(address + "/report?doc=" + document + "&page=2&width=900")
	b.wants(page, `value="7.20"`, `value="81"`, "sixth line of the table", "Figure 3, next", `cx="450" cy="573"`, "Stated by M. Reyes")
	page = v.page(address)
	b.wants(page, "Recording not seen:", "time at or below 88 %: 7.20 min", title+", page 2, 50 % from the left, 50 % from the top", "lowest saturation: 81 %", title+", page 2, sixth line of the table",
		"Figures of the signed report", "Time at or below 88 % 7.20 min "+title+", page 2, 50 % from the left, 50 % from the top")
	b.wants(v.page(address+"/trail"), "time at or below 88 %: 7.20 min ("+title+", page 2, 50 % from the left, 50 % from the top)")
	for _, e := range must(b.store.Events(t.Context(), number, 1)) {
		if strings.Contains(string(e.Change), "sixth line") {
			t.Errorf("event %d holds typed words in the clear", e.K)
		}
	}
	// Taken away again, one and then the other.
	form.Set("r.2", "1")
	if w := v.post(address+"/report", withToken(v, address, form)); w.Code != http.StatusSeeOther {
		t.Fatalf("taking one away: status %d: %s", w.Code, text(v.last))
	}
	b.lacks(v.page(address), "lowest saturation: 81 %")
	form.Set("r.1", "1")
	if w := v.post(address+"/report", withToken(v, address, form)); w.Code != http.StatusSeeOther {
		t.Fatalf("taking the last away: status %d", w.Code)
	}
	b.lacks(v.page(address), "7.20 min")
	b.wants(v.page(address+"/trail"), "withdrawn: figures that the signed report prints")
}

// withToken opens the page anew, so that the form carries its token and age.
func withToken(v *visitor, address string, form url.Values) url.Values {
	v.b.t.Helper()
	v.page(address + "/report")
	form.Set("form", v.token())
	form.Set("k", first(kForm, v.last))
	return form
}

// Each fault stands at its field, and nothing typed is lost.
func TestFiguresRefused(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := b.ready(v)
	v.page(address + "/report")
	before := b.events(strings.TrimPrefix(address, "/cases/"))
	for _, tt := range []struct {
		name, key, value string
		at, want         string
	}{
		{"no measure", "m.1", "", "m", "Choose it"},
		{"a measure of ours alone", "m.1", "largest_fall", "m", "Choose it"},
		{"no level", "l.1", "", "l", "Expected the level in percent"},
		{"a level in words", "l.1", "eighty", "l", "a level in percent"},
		{"a level of another scale", "l.1", "0.88", "l", "from 50 to 100 %"},
		{"no figure", "v.1", "", "v", "with all its decimals"},
		{"a comma that may divide thousands", "v.1", "7,250", "v", "a comma before three digits"},
		{"a bound", "v.1", "< 5", "v", "the figure as it is printed"},
		{"a longer night than there is", "v.1", "20000", "v", "at most a week"},
		{"another unit", "u.1", "%", "u", "min, s, h"},
		{"no page", "p.1", "", "p", "number of the page"},
		{"page in words", "p.1", "two", "p", "number of the page"},
		{"no place", "a.1", "", "a", "Press it on the picture, or write it in words"},
		{"a long place", "a.1", strings.Repeat("x", placeLimit+1), "a", "at most 120 letters"},
		{"no document", "d.1", "", "d", "Expected the document"},
	} {
		v.page(address + "/report")
		form := figures("7.25", "1.4")
		form.Set(tt.key, tt.value)
		if w := v.post(address+"/report", form); w.Code != http.StatusUnprocessableEntity {
			t.Errorf("%s: status %d, want 422", tt.name, w.Code)
			continue
		}
		b.wants(v.last, "nothing was stored", tt.want, `id="e-`+tt.at+`-1"`, `aria-describedby="e-`+tt.at+`-1" aria-invalid="true"`)
		for _, key := range []string{"l", "v", "p", "a"} {
			for _, row := range []string{".1", ".2"} {
				if val := form.Get(key + row); val != "" && !strings.Contains(v.last, `name="`+key+row+`" value="`+strings.ReplaceAll(val, "<", "&lt;")+`"`) {
					t.Errorf("%s: what was typed into %s is lost", tt.name, key+row)
				}
			}
		}
	}
	if got := b.events(strings.TrimPrefix(address, "/cases/")); got != before {
		t.Errorf("refusals wrote %d events", got-before)
	}
	if g := (figure{Measure: "nadir", Level: "88", Value: "81", Unit: "%", Document: "d", Page: "1", At: "a"}); g.check(nil, sentence)["l"] == "" {
		t.Error("a lowest saturation has no level")
	}
	// A row that was left empty says nothing.
	form := figures("7.2", "")
	for _, k := range []string{"m.2", "l.2", "a.2"} {
		form.Del(k)
	}
	v.send(address+"/report", address+"/report", form)
}

func TestTwoPeopleTypeAReport(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	one, two := b.at(Intake), b.at(Intake)
	address := b.ready(one)
	one.page(address + "/report")
	two.page(address + "/report")
	if w := one.post(address+"/report", figures("7.2")); w.Code != http.StatusSeeOther {
		t.Fatalf("first: status %d", w.Code)
	}
	if w := two.post(address+"/report", figures("7.4")); w.Code != http.StatusUnprocessableEntity {
		t.Errorf("other figures on an old page: status %d, want 422", w.Code)
	}
	b.wants(two.last, "Meanwhile M. Reyes stated figures of the report", `value="7.4"`)
}

// Marks stay inside the picture, and a point is told to a tenth of a percent.
func TestMarks(t *testing.T) {
	for _, tt := range []struct{ x, y, tagX, tagY int }{{0, 0, 12, 0}, {280, 300, 292, 270}, {550, 700, 514, 670}} {
		m := markAt(3, tt.x, tt.y, 560)
		if m.TagX != tt.tagX || m.TagY != tt.tagY || m.TagX < 0 || m.TagX+24 > 560 {
			t.Errorf("mark at %d, %d: tag at %d, %d; want %d, %d", tt.x, tt.y, m.TagX, m.TagY, tt.tagX, tt.tagY)
		}
	}
	for part, want := range map[int]string{0: "0", 1: "0.2", 280: "50", 559: "99.8", 560: "100"} {
		if got := tenth(part, 560); got != want || !pointForm.MatchString(got+"%,"+want+"%") {
			t.Errorf("%d of 560: %s %%, want %s %%", part, got, want)
		}
	}
	for _, at := range []string{"third line of the table", "50,50", "1000%,5%", "5%", "50.55%,1%", "-5%,1%"} {
		if placeWords(at) != at {
			t.Errorf("%q is no point", at)
		}
	}
}

// The page works without script: its forms and fields have names, and the
// picture is a button.
func TestReportPageWithoutScript(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := b.ready(v)
	b.addFax(v, address)
	page := v.page(address + "/report")
	_, form, _ := strings.Cut(page, `action="`+address+`/report#figures"`)
	form, _, _ = strings.Cut(form, "</form>")
	buttons := regexp.MustCompile(`<(?:button|input type="(?:image|submit)")[^>]*name="([a-z]+)"`).FindAllStringSubmatch(form, -1)
	// The first button of a form is the one that the Enter key presses (HTML,
	// 4.10.21.2, "implicit submission"): it has to store.
	if len(buttons) < 4 || buttons[0][1] != "store" {
		t.Errorf("buttons %v", buttons)
	}
	b.wants(form, `type="image" name="pin"`, `alt="report`, `name="turn"`, `aria-current="page"`)
}
