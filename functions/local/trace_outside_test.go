//go:build outside

package main

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/input"
	cdp "github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// memoryFile is an invented full memory: 414,000 readings at one a second, 94
// with a fall at every full hour, and single ones of 60 in the first half hour,
// among them second 1000.
func memoryFile() string {
	var b strings.Builder
	b.WriteString("Time,SpO2,Pulse\n")
	start := time.Date(2024, 3, 1, 20, 0, 0, 0, time.UTC)
	for i := range 414_000 {
		spo2 := 94 - i/7%2
		if d := i % 3600; i > 3600 && d < 60 {
			spo2 = 94 - min(d, 60-d)/3
		}
		switch i {
		case 600, 1000, 1400, 1700:
			spo2 = 60
		}
		fmt.Fprintf(&b, "%s,%d,%d\n", start.Add(time.Duration(i)*time.Second).Format("2006-01-02 15:04:05"), spo2, 60+i/5%7)
	}
	return b.String()
}

// openNight opens a case of a night with its conditions stated and data sent.
func openNight(t *testing.T, b *browser, data string) {
	t.Helper()
	b.visit("/")
	b.press("button[name=desk][value=intake]")
	b.visit("/cases/new")
	b.give("form", map[string]string{"payer": "us-medicare", "name": "Corin Halloway (invented)", "birth": "1948-02-11"})
	b.press("button.main")
	b.give("form", map[string]string{"v.test_performed_by": "idtf", "v.test_place": "home", "v.test_state": "asleep", "v.supplier_part": "delivered_unit", "v.custody": "order_on_file", "v.test_date": "2024-03-01"})
	b.press("#custody button")
	b.do(cdp.SetUploadFiles("input[type=file]", []string{file(t, "night.csv", data)}))
	b.press("#recording button[type=submit]")
	if b.js("!!document.querySelector('#questions [name=\"v.test_oxygen\"]')") {
		b.give("#questions form", map[string]string{"v.test_oxygen": "room_air"})
		b.press("#questions button.main")
	}
}

// text1 is the text of an element, or its attribute.
func (b *browser) text1(selector, attribute string) string {
	b.t.Helper()
	get := "textContent"
	if attribute != "" {
		get = fmt.Sprintf("getAttribute(%q)", attribute)
	}
	s, err := cdp.Run(b.ctx, cdp.Evaluate[string](fmt.Sprintf("document.querySelector(%q).%s||''", selector, get)))
	if err != nil {
		b.t.Fatal(err)
	}
	return s
}

// until waits for a condition of the page.
func (b *browser) until(what, expr string) {
	b.t.Helper()
	for range 400 {
		if b.js(expr) {
			return
		}
		time.Sleep(25 * time.Millisecond)
	}
	b.t.Fatalf("%s: not reached: %s\n%s", what, expr, b.text1("title", ""))
}

// at is the place on the screen of a second of the trace that is drawn from
// second from to second to.
func (b *browser) at(second, from, to float64) (x, y float64) {
	b.t.Helper()
	p, err := cdp.Run(b.ctx, cdp.Evaluate[[]float64](fmt.Sprintf(`(()=>{const box=document.querySelector('#sheet .trace');box.scrollIntoView({block:'center'});
		const e=box.getBoundingClientRect();const [l,r]=box.querySelector('svg').dataset.plot.split(' ').map(Number);
		return [e.left+e.width*(l+(r-l)*(%g-%g)/(%g-%g))/540, e.top+e.height*.4]})()`, second, from, to, from)))
	if err != nil {
		b.t.Fatal(err)
	}
	return p[0], p[1]
}

// shown waits until the part that is looked at is drawn.
func (b *browser) shown(title string) {
	b.t.Helper()
	b.until("a part drawn", fmt.Sprintf(`document.querySelector('#sheet .trace title').textContent.includes(%q) && !document.querySelector('#sheet .ws-run').hasAttribute('transform')`, title))
}

// TestOutsideTraceOfAFullMemory reads, moves and draws closer a trace of
// 414,000 samples, by pointer and by keys.
func TestOutsideTraceOfAFullMemory(t *testing.T) {
	b := open(t)
	openNight(t, b, memoryFile())
	const box, cursor = "#sheet .trace", "#sheet .cursor"
	if !b.js("!!document.querySelector('#sheet .trace svg') && document.querySelectorAll('#sheet .trace-bar button').length === 5") {
		t.Fatalf("no trace to look at:\n%s", b.text())
	}
	b.look("50-trace-whole")

	// The pointer reads: a column of the whole holds about eight minutes, and
	// those around here a reading of 60 that is doubted.
	x, y := b.at(1187, 0, 414_000)
	b.do(cdp.MouseEvent(cdp.MouseMoved, x-200, y), cdp.MouseEvent(cdp.MouseMoved, x, y))
	b.until("a reading", "document.querySelector('#sheet .reading').textContent.includes('60 to 94 %')")
	if s := b.text1("#sheet .reading", ""); !strings.Contains(s, "pulse 60 to 66; doubted: ") {
		t.Errorf("the reading under the pointer: %q", s)
	}

	// The wheel with Ctrl draws closer about the pointer, until it is no closer.
	for range 60 {
		b.do(cdp.MouseEvent(cdp.MouseWheel, x, y, func(p *input.DispatchMouseEventParams) {
			p.DeltaX, p.DeltaY, p.Modifiers = 1, -100, int64(cdp.ModifierCtrl)
		}))
	}
	b.shown("a part of the session")
	b.until("the closest", "document.querySelector('#sheet .trace-bar button:nth-of-type(2)').getAttribute('aria-disabled')==='true'")
	b.shown("a part of the session")

	// By the keyboard: the start, then closer to the shortest part, then along.
	b.js("document.querySelector('#sheet .cursor').focus();true")
	b.do(cdp.KeyEvent("0"))
	b.shown("Saturation from Mar 1, 2024 20:00:00 to Mar 6, 2024 14:59:59")
	b.do(cdp.KeyEvent(kb.Home))
	for range 20 {
		b.do(cdp.KeyEvent("+"))
	}
	b.shown("from 20:00:00 to 20:00:20, a part of the session")
	b.look("51-trace-closest")
	for range 12 {
		b.do(cdp.KeyEvent(kb.ArrowRight))
	}
	b.until("the cursor", "document.querySelector('#sheet .cursor').getAttribute('aria-valuetext')==='20:00:12: 93 %, pulse 62'")
	if b.text1("#sheet .reading", "") != "20:00:12: 93 %, pulse 62" || b.text1(cursor, "aria-valuenow") != "12" {
		t.Errorf("twelve steps along: %q, %s", b.text1("#sheet .reading", ""), b.text1(cursor, "aria-valuenow"))
	}
	// Beyond the edge the drawing follows: 988 s further on stands the 60.
	for range 32 {
		b.do(cdp.KeyEvent(kb.PageUp))
	}
	for range 28 {
		b.do(cdp.KeyEvent(kb.ArrowRight))
	}
	b.until("the doubted reading", "document.querySelector('#sheet .cursor').getAttribute('aria-valuetext').startsWith('20:16:40: 60 %, pulse 64; doubted: ')")

	// Hidden, it is gone from the line and still told.
	lines := "document.querySelectorAll('#sheet .trace path[stroke-linejoin]').length"
	b.shown("a part of the session")
	if !b.js(lines + "===1") {
		t.Error("the line is broken before anything is hidden")
	}
	b.js("document.querySelector('#sheet .trace-bar input').click();true")
	b.until("hidden", lines+"===2 && document.querySelector('#sheet .trace desc').textContent.includes('Doubted readings are not drawn; the figures are unchanged.')")
	b.js("document.querySelector('#sheet .trace-bar input').click();true")
	b.until("shown again", lines+"===1")

	// A drag moves it: half of what is seen to the right shows what was before.
	b.do(cdp.KeyEvent("0"))
	b.shown("Saturation from Mar 1, 2024 20:00:00")
	b.js("document.querySelector('#sheet .trace-bar button:nth-of-type(2)').click();true")
	b.shown("a part of the session")
	x, y = b.at(.5, 0, 1)
	b.do(cdp.MouseEvent(cdp.MouseMoved, x, y), cdp.MouseEvent(cdp.MousePressed, x, y, cdp.ButtonLeft), cdp.MouseEvent(cdp.MouseMoved, x-50, y, cdp.ButtonLeft),
		cdp.MouseEvent(cdp.MouseMoved, x-100, y, cdp.ButtonLeft), cdp.MouseEvent(cdp.MouseReleased, x-100, y, cdp.ButtonLeft))
	b.until("moved", fmt.Sprintf("(()=>{const t=document.querySelector('#sheet .trace title').textContent;return t!==%q && !document.querySelector('#sheet .ws-run').hasAttribute('transform')})()", b.text1(box+" title", "")))
	b.look("52-trace-moved")
	b.js("document.querySelector('#sheet .trace-bar button:nth-of-type(5)').click();true")
	b.shown("Saturation from Mar 1, 2024 20:00:00 to Mar 6, 2024 14:59:59")

	// Let go outside the trace, the pointer holds nothing any more.
	b.js("document.querySelector('#sheet .trace-bar button:nth-of-type(2)').click();true")
	b.shown("a part of the session")
	x, y = b.at(.5, 0, 1)
	was := b.text1(box+" title", "")
	b.do(cdp.MouseEvent(cdp.MouseMoved, x, y), cdp.MouseEvent(cdp.MousePressed, x, y, cdp.ButtonLeft), cdp.MouseEvent(cdp.MouseReleased, 2, 2, cdp.ButtonLeft))
	for _, by := range []float64{0, 30, 60} {
		b.do(cdp.MouseEvent(cdp.MouseMoved, x-by, y))
	}
	time.Sleep(400 * time.Millisecond)
	if now := b.text1(box+" title", ""); now != was || !b.js("!document.querySelector('#sheet .ws-run').hasAttribute('transform')") {
		t.Errorf("moved by a pointer that holds nothing: %q", now)
	}

	// Where another stretch counts meanwhile its parts are not drawn here.
	b.js("window.kept=window.fetch; window.fetch=async(u)=>{const r=await kept(u);const j=await r.json();j.whole-=1000;return new Response(JSON.stringify(j))};document.querySelector('#sheet .trace-bar button:nth-of-type(2)').click();true")
	b.until("the loss is told", "document.querySelector('#sheet .reading').textContent.includes('could not be fetched')")
	if b.text1(box+" title", "") != was {
		t.Error("a part of another stretch is drawn")
	}
	b.js("window.fetch=window.kept;document.querySelector('#sheet .trace-bar button:nth-of-type(5)').click();true")
	b.shown("Saturation from Mar 1, 2024 20:00:00 to Mar 6, 2024 14:59:59")

	// Paper has the whole, whatever was looked at.
	b.js("document.querySelector('#sheet .trace-bar button:nth-of-type(2)').click();true")
	b.shown("a part of the session")
	if !b.js("dispatchEvent(new Event('beforeprint')), !document.querySelector('#sheet .trace title').textContent.includes('a part of')") ||
		!b.js("dispatchEvent(new Event('afterprint')), document.querySelector('#sheet .trace title').textContent.includes('a part of')") {
		t.Error("paper shows a part of the session")
	}
}

// TestOutsideLightsOutByKeyboard marks lights out and rising on the trace of a
// night by keys alone, closer than a pixel of the whole, while the network is
// lost; and reads the part that is left.
func TestOutsideLightsOutByKeyboard(t *testing.T) {
	b := open(t)
	openNight(t, b, night("93*2700 88*95 93*2700"))
	if !b.js("!!document.querySelector('#marks [data-pick]') && document.querySelectorAll('#marks input[data-stamp]').length===2") {
		t.Fatalf("a night on room air offers no lights out:\n%s", b.text())
	}
	// Without an answer of the server a mark is set all the same, and the page
	// says that no closer part came.
	b.js("document.querySelector('#marks details').open=true; window.kept=window.fetch; window.fetch=()=>Promise.reject(new TypeError('lost')); document.querySelector('#marks .cursor').focus(); true")
	b.do(cdp.KeyEvent(kb.Home))
	b.until("the loss is told", "document.querySelector('#marks .reading').textContent.includes('could not be fetched')")
	for range 20 {
		b.do(cdp.KeyEvent(kb.PageUp))
	}
	for range 7 {
		b.do(cdp.KeyEvent(kb.ArrowRight))
	}
	b.do(cdp.KeyEvent(kb.Enter))
	if b.field("from.air") == "" || b.field("until.air") != "" || !b.js("document.querySelectorAll('#marks .set').length===1") {
		t.Errorf("lights out is %q, rising %q", b.field("from.air"), b.field("until.air"))
	}
	b.js("window.fetch=window.kept; true")
	b.do(cdp.KeyEvent(kb.End))
	for range 10 {
		b.do(cdp.KeyEvent(kb.PageDown))
	}
	for range 8 {
		b.do(cdp.KeyEvent("+"))
	}
	b.until("closer", "document.querySelector('#marks .trace title').textContent.includes('a part of the session')")
	b.do(cdp.KeyEvent(kb.ArrowLeft), cdp.KeyEvent(kb.Enter))
	// 607 s after the start of the session at 22:00:00, and 301 s before its end.
	if b.field("from.air") != "22:10:07" || b.field("until.air") != "04:01:19" {
		t.Fatalf("lights out is %q, rising %q", b.field("from.air"), b.field("until.air"))
	}
	b.look("53-lights-out")
	b.press("#marks form button:not([type=button])")
	if s := b.text(); !strings.Contains(s, "is read: it is the one marked as the test on room air") || b.field("from.air") != "22:10:07" {
		t.Errorf("the marks were not taken:\n%s", s)
	}
	// 5268 readings at 4 s stand between the two.
	if got := b.text1("#sheet .trace svg", "data-ms"); got != "21072000" {
		t.Errorf("the worksheet draws %s ms", got)
	}
}
