//go:build outside

package main

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/base64"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	cdp "github.com/chromedp/chromedp"

	"airwarrant/functions/internal/store/local"
	"airwarrant/qualify"
	"airwarrant/rules"
	"airwarrant/web"
)

// The tests of this file use the pages as people do, in a real Chromium, hold
// every page against the rules of axe-core (an independent checker of WCAG
// 2.2 A and AA), and read the PDF with poppler's tools. With
// AIRWARRANT_PICTURES=DIR they leave pictures of each page at 1280 and 390
// pixels and of each page of paper, to be looked at.

const axePath = "../../.build/npm/node_modules/axe-core/axe.min.js"

type browser struct {
	t    *testing.T
	ctx  context.Context
	url  string
	axe  string
	seen map[string]bool
	// cut breaks the connection of every form that is so many bytes long, after
	// some of it was read; 0 for none.
	cut *atomic.Int64
}

// open opens a browser on a demonstration.
func open(t *testing.T) *browser {
	t.Helper()
	return openSite(t, func(c *web.Config, _ string) { c.Demo = true })
}

// openSite opens a browser on a site on an empty store. change completes what
// the site is made of; address is where it will be reached.
func openSite(t *testing.T, change func(c *web.Config, address string)) *browser {
	t.Helper()
	axe, err := os.ReadFile(axePath)
	if err != nil {
		t.Fatalf("%v: run .ci/tools, which brings axe-core", err)
	}
	chromium, err := exec.LookPath("chromium")
	if err != nil {
		t.Fatalf("%v: run .ci/tools, which brings Chromium", err)
	}
	lib, err := rules.Embedded()
	if err != nil {
		t.Fatal(err)
	}
	store, err := local.Open(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	srv := httptest.NewUnstartedServer(nil)
	conf := web.Config{Store: store, Library: lib, Now: time.Now, Random: rand.Reader,
		Program: qualify.Program, Log: slog.New(slog.NewTextHandler(io.Discard, nil))}
	change(&conf, "http://"+srv.Listener.Addr().String())
	site, err := web.New(conf)
	if err != nil {
		t.Fatal(err)
	}
	cut, pages := &atomic.Int64{}, site.Handler()
	srv.Config.Handler = http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if n := cut.Load(); n > 0 && r.Method == http.MethodPost && r.ContentLength >= n {
			io.CopyN(io.Discard, r.Body, 1<<16)
			if conn, _, err := http.NewResponseController(w).Hijack(); err == nil {
				conn.Close()
			}
			return
		}
		pages.ServeHTTP(w, r)
	})
	srv.Start()
	alloc, stop := cdp.NewExecAllocator(context.Background(), append(cdp.DefaultExecAllocatorOptions[:],
		cdp.ExecPath(chromium), cdp.NoSandbox, cdp.DisableGPU,
		cdp.Flag("disable-quic", true), cdp.Flag("disable-background-networking", true),
		cdp.Flag("disable-component-update", true), cdp.Flag("disable-sync", true), cdp.Flag("no-first-run", true))...)
	ctx, cancel := cdp.NewContext(alloc)
	ctx, timeout := context.WithTimeout(ctx, 15*time.Minute)
	t.Cleanup(func() {
		timeout()
		cancel()
		stop()
		srv.Close()
		store.Close()
	})
	return &browser{t: t, ctx: ctx, url: srv.URL, axe: string(axe), seen: map[string]bool{}, cut: cut}
}

// another is a second person at the same site, who shares no cookie with the first.
func (b *browser) another() *browser {
	b.t.Helper()
	b.do(cdp.Navigate("about:blank")) // so that there is a browser to open a second window of
	ctx, cancel := cdp.NewContext(b.ctx, cdp.WithNewBrowserContext())
	b.t.Cleanup(cancel)
	c := *b
	c.ctx = ctx
	return &c
}

func (b *browser) do(steps ...cdp.Action[cdp.Void]) {
	b.t.Helper()
	if err := cdp.Do(b.ctx, steps...); err != nil {
		b.t.Fatal(err)
	}
}

func (b *browser) visit(path string) {
	b.t.Helper()
	b.do(cdp.Navigate(b.url + path))
}

// js evaluates a boolean expression.
func (b *browser) js(expr string) bool {
	b.t.Helper()
	ok, err := cdp.Run(b.ctx, cdp.Evaluate[bool](expr))
	if err != nil {
		b.t.Fatalf("%s: %v", expr, err)
	}
	return ok
}

func (b *browser) text() string {
	b.t.Helper()
	s, err := cdp.Run(b.ctx, cdp.Evaluate[string]("document.body.innerText"))
	if err != nil {
		b.t.Fatal(err)
	}
	return s
}

func (b *browser) path() string {
	b.t.Helper()
	s, err := cdp.Run(b.ctx, cdp.Evaluate[string]("location.pathname"))
	if err != nil {
		b.t.Fatal(err)
	}
	return s
}

// press clicks an element and waits until the page that follows is there.
func (b *browser) press(selector string) {
	b.t.Helper()
	if !b.js(fmt.Sprintf("(()=>{const e=document.querySelector(%q);if(!e)return false;for(let d=e.closest('details');d;d=d.parentElement.closest('details'))d.open=true;document.body.dataset.before=1;e.click();return true})()", selector)) {
		b.t.Fatalf("nothing to press at %s on %s:\n%s", selector, b.path(), b.text())
	}
	b.settled(selector)
}

// settled waits until the page that follows a press is there.
func (b *browser) settled(selector string) {
	b.t.Helper()
	for range 600 {
		done, err := cdp.Run(b.ctx, cdp.Evaluate[bool]("!document.body.dataset.before && document.readyState==='complete'"))
		if err == nil && done {
			return
		}
		time.Sleep(50 * time.Millisecond)
	}
	b.t.Fatalf("nothing followed %s", selector)
}

// give fills fields by name: radio buttons and lists by value, the rest as
// text.
func (b *browser) give(form string, values map[string]string) {
	b.t.Helper()
	for name, v := range values {
		if !b.js(fmt.Sprintf(`(()=>{const f=[...document.querySelectorAll(%q)].find(f=>f.elements[%q]);if(!f)return false;const e=f.elements[%q];
			if(e instanceof RadioNodeList||e.type==='radio'){e.length?e.value=%q:e.checked=true;return e.length?e.value===%q:true}
			e.value=%q;return true})()`, form, name, name, v, v, v)) {
			b.t.Fatalf("no field %s=%s on %s:\n%s", name, v, b.path(), b.text())
		}
	}
}

// look holds the page against axe-core and takes its pictures.
func (b *browser) look(name string) {
	b.t.Helper()
	for _, width := range []int64{1280, 390} {
		b.do(cdp.EmulateViewport(width, 900))
		// the page itself must not be wider than the window
		if b.js("document.documentElement.scrollWidth > window.innerWidth + 1") {
			b.t.Errorf("%s is wider than %d pixels", name, width)
		}
		if !b.js("!!window.axe") {
			b.js(b.axe + ";true")
		}
		found, err := cdp.Run(b.ctx, cdp.Evaluate[string](`axe.run(document,{runOnly:['wcag2a','wcag2aa','wcag21a','wcag21aa','wcag22aa']}).then(r=>r.violations.map(v=>v.id+': '+v.nodes.slice(0,3).map(n=>n.html.slice(0,160)).join(' | ')).join('\n'))`, cdp.EvalAwaitPromise))
		if err != nil {
			b.t.Fatal(err)
		}
		if found != "" {
			b.t.Errorf("axe-core on %s at %d pixels:\n%s", name, width, found)
		}
		b.picture(name, width)
	}
	b.fits(name)
	b.do(cdp.EmulateViewport(1280, 900))
	b.seen[name] = true
}

// picture leaves the whole page, as wide as it is now, where pictures are asked for.
func (b *browser) picture(name string, width int64) {
	b.t.Helper()
	dir := os.Getenv("AIRWARRANT_PICTURES")
	if dir == "" {
		return
	}
	png, err := cdp.Run(b.ctx, cdp.FullScreenshot(100))
	if err == nil {
		err = os.WriteFile(filepath.Join(dir, fmt.Sprintf("%s-%d.png", name, width)), png, 0o600)
	}
	if err != nil {
		b.t.Fatal(err)
	}
}

// fits holds the page against the narrowest and the widest window: 320 pixels,
// which is a window of 1280 at 400 % (WCAG 2.2, 1.4.10), where nothing but a
// table, a trace or a picture may need to be moved sideways; and 2560, where no
// line of text runs across the screen.
func (b *browser) fits(name string) {
	b.t.Helper()
	for _, width := range []int64{320, 2560} {
		b.do(cdp.EmulateViewport(width, 900))
		told, err := cdp.Run(b.ctx, cdp.Evaluate[string](`(()=>{
			const out=[], w=window.innerWidth;
			if(document.documentElement.scrollWidth>w+1) out.push('the page is '+document.documentElement.scrollWidth+' pixels wide');
			const aside=e=>e.closest('.wide,.frame,.ws-trace,.trace,svg,.skip,[hidden],table.stack thead,.worksheet thead');
			const walk=document.createTreeWalker(document.body,NodeFilter.SHOW_TEXT);
			for(let n=walk.nextNode();n&&out.length<5;n=walk.nextNode()){
				if(!n.data.trim()||!n.parentElement.checkVisibility()||aside(n.parentElement)||n.parentElement.closest('script,style,option'))continue;
				const r=document.createRange();r.selectNodeContents(n);
				for(const q of r.getClientRects()){
					if(q.width<1||q.height<1)continue;
					if(q.right>w+1||q.left<-1){out.push('cut off: '+n.data.trim().slice(0,60));break}
					if(q.width>1000){out.push('a line of '+Math.round(q.width)+' pixels: '+n.data.trim().slice(0,60));break}
				}
			}
			for(const e of document.querySelectorAll('input,select,textarea,button')){
				const q=e.getBoundingClientRect();
				if(q.width>0&&!aside(e)&&e.checkVisibility()&&(q.right>w+1||q.left<-1)&&out.length<8) out.push('cut off: '+e.outerHTML.slice(0,90));
			}
			return out.join('\n')})()`))
		if err != nil {
			b.t.Fatal(err)
		}
		if told != "" {
			b.t.Errorf("%s at %d pixels:\n%s", name, width, told)
		}
		b.picture(name, width)
	}
}

// paper leaves a PDF and pictures of its pages, to be looked at.
func (b *browser) paper(name string, pdf []byte) {
	b.t.Helper()
	dir := os.Getenv("AIRWARRANT_PICTURES")
	if dir == "" {
		return
	}
	path := filepath.Join(dir, name)
	if err := os.WriteFile(path+".pdf", pdf, 0o600); err != nil {
		b.t.Fatal(err)
	}
	if out, err := exec.Command("pdftoppm", "-r", "90", "-png", path+".pdf", path).CombinedOutput(); err != nil {
		b.t.Fatalf("%v: %s", err, out)
	}
}

// fetch gets path in the page's own session.
func (b *browser) fetch(path string) []byte {
	b.t.Helper()
	s, err := cdp.Run(b.ctx, cdp.Evaluate[string](fmt.Sprintf(`fetch(%q).then(r=>r.arrayBuffer()).then(a=>{let s='';for(const c of new Uint8Array(a))s+=String.fromCharCode(c);return btoa(s)})`, path), cdp.EvalAwaitPromise))
	if err != nil {
		b.t.Fatal(err)
	}
	return unbase64(b.t, s)
}

func TestOutsideIntakeFromCustodyToPaper(t *testing.T) {
	b := open(t)
	b.visit("/")
	b.look("01-desks")
	b.press("button[name=desk][value=intake]")
	b.visit("/cases")
	b.look("02-cases")
	b.visit("/cases/new")
	b.look("03-new-case")
	b.give("form", map[string]string{"payer": "us-medicare", "name": "Élodie Ważna (invented)", "birth": "1950-04-02"})
	b.press("button.main")
	if b.js("!!document.querySelector('input[type=file]')") {
		t.Error("a file can be dropped before anybody said how the test came to us")
	}
	b.look("04-custody")

	custody := map[string]string{"v.test_performed_by": "idtf", "v.test_place": "home", "v.test_state": "asleep", "v.supplier_part": "delivered_unit", "v.custody": "none", "v.test_date": "2024-03-01"}
	b.give("form", custody)
	b.press("#custody button")
	if b.js("!!document.querySelector('input[type=file]')") {
		t.Error("the payer bars us, and a file can be dropped all the same")
	}
	if !strings.Contains(b.text(), "may not be read") {
		t.Errorf("the page does not say who may send the file:\n%s", b.text())
	}
	b.look("05-barred")
	custody["v.custody"] = "order_on_file"
	b.give("form", custody)
	b.press("#custody button")

	// a file that can be read in two ways: its columns and dates are asked
	// about, nothing of it stays, and one press sends it again
	b.do(cdp.SetUploadFiles("input[type=file]", []string{file(t, "night.csv", "date,time,spo2,SaO2,pulse\n03/04/2026,22:00:00,94,--,61\n03/04/2026,22:00:04,94,90,61\n")}))
	b.press("#recording button[type=submit]")
	if !strings.Contains(b.text(), "day, month, year: the first date is 3 April 2026") {
		t.Errorf("an ambiguous date is not asked about:\n%s", b.text())
	}
	b.look("06-ambiguous-file")
	if !b.js("document.querySelector('input[type=file]').files[0].name === 'night.csv' && document.querySelector('[data-again]').hidden") {
		t.Error("the file chosen did not go over into the new form")
	}
	b.give("#recording form", map[string]string{"c.3": "spo2"})
	b.press("#recording button[type=submit]")
	if s := b.text(); !strings.Contains(s, "dates that can be read in one way") || !b.js("document.querySelector('#c-3').value === 'spo2'") {
		t.Errorf("the date is still open:\n%s", s)
	}
	b.do(cdp.SetUploadFiles("input[type=file]", []string{file(t, "night.csv", night("93*2700 88*95 93*2700"))}))
	b.press("#recording button[type=submit]")
	if !strings.Contains(b.text(), "Undetermined") {
		t.Errorf("with questions left:\n%s", b.text())
	}
	b.look("07-questions")

	for range 4 { // answers open and close questions; four rounds are plenty
		left := map[string]string{"v.test_oxygen": "room_air", "v.ordered_by_treating_practitioner": "true", "v.evaluated_by_treating_practitioner": "true",
			"v.expected_benefit": "true", "v.order_date": "2024-02-20", "v.inpatient": "false", "v.sleep_apnea": "false", "v.symptoms": "false", "v.awake_spo2": "93"}
		asked := map[string]string{}
		for name, v := range left {
			if b.js(fmt.Sprintf("!!document.querySelector('#questions [name=%q]')", name)) {
				asked[name] = v
			}
		}
		if len(asked) == 0 {
			break
		}
		b.give("#questions form", asked)
		b.press("#questions button.main")
	}
	if s := b.text(); !strings.Contains(s, "6.3") || !strings.Contains(s, "88 %") || !strings.Contains(s, "met") {
		t.Errorf("the worksheet does not say what met which threshold:\n%s", s)
	}
	b.look("08-worksheet")
	number := strings.TrimPrefix(b.path(), "/cases/")

	pdf := b.fetch("/cases/" + number + "/worksheet.pdf")
	if !bytes.HasPrefix(pdf, []byte("%PDF-")) {
		t.Fatalf("no PDF: %.80q", pdf)
	}
	if again := b.fetch("/cases/" + number + "/worksheet.pdf"); !bytes.Equal(pdf, again) {
		t.Error("the same worksheet gives other bytes the second time")
	}
	text := pdfText(t, pdf)
	for _, want := range []string{"Élodie Ważna", "6.3", "88 %", "5 min", number, "DEMO"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q does not stand on paper:\n%s", want, text)
		}
	}
	b.paper("worksheet", pdf)
	b.visit("/cases/" + number + "/trail")
	b.look("09-trail")
	b.visit("/rules")
	b.look("10-rulebook")
	b.visit("/rules/us-medicare/2023-04-01")
	b.look("11-criteria")
	b.visit("/nowhere")
	b.look("12-no-page")
}

func TestOutsideDemoCasesAndOtherDesks(t *testing.T) {
	b := open(t)
	b.visit("/")
	b.press("button[name=desk][value=intake]")
	b.visit("/cases")
	links, err := cdp.Run(b.ctx, cdp.Evaluate[[]string](`[...document.querySelectorAll('a[href^="/cases/C"],a[href^="/cases/2"],main table a[href^="/cases/"]')].map(a=>a.getAttribute('href')).filter((h,i,a)=>a.indexOf(h)===i && h!=='/cases/new')`))
	if err != nil {
		t.Fatal(err)
	}
	if len(links) < 7 {
		t.Fatalf("%d demonstration cases, want at least seven: %v", len(links), links)
	}
	for i, l := range links {
		b.visit(l)
		b.look(fmt.Sprintf("20-demo-%02d", i+1))
	}
	for _, desk := range []string{"office", "tester", "maintainer"} {
		b.visit("/")
		if b.js("!!document.querySelector('form[action=\"/sign-out\"] button')") {
			b.press("form[action='/sign-out'] button")
			b.visit("/")
		}
		b.press("button[name=desk][value=" + desk + "]")
		b.look("30-" + desk)
		if desk == "maintainer" {
			b.visit("/cases")
			b.look("31-maintainer-cases")
			if s := b.text(); strings.Contains(s, "Merrin") {
				t.Error("a rule maintainer sees names")
			}
		}
		if desk != "maintainer" {
			for _, banned := range []string{"Group I", "qualifies", "NCD"} {
				if strings.Contains(b.text(), banned) {
					t.Errorf("the %s sees %q before answering", desk, banned)
				}
			}
		}
		b.visit(links[0])
		if s := b.text(); strings.Contains(s, "worksheet.pdf") || strings.Contains(s, "SHA-256") {
			t.Errorf("the %s desk reaches a case that is not its own", desk)
		}
	}
}

func pdfText(t *testing.T, pdf []byte) string {
	t.Helper()
	cmd := exec.Command("pdftotext", "-layout", "-", "-")
	cmd.Stdin = bytes.NewReader(pdf)
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("pdftotext (poppler-utils, which .ci/tools brings): %v", err)
	}
	return string(out)
}

func unbase64(t *testing.T, s string) []byte {
	t.Helper()
	out, err := base64.StdEncoding.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// A report without a recording: its pages are shown, a press on the picture
// pins the figure that is typed, and what cannot be pressed is written.
func TestOutsideReportAlone(t *testing.T) {
	b := open(t)
	b.visit("/")
	b.press("button[name=desk][value=intake]")
	b.visit("/cases/new")
	b.give("form", map[string]string{"payer": "us-medicare", "name": "Perpetua Sloane", "birth": "1939-06-03", "identifier": "HV-20489"})
	b.press("button.main")
	b.give("form", map[string]string{"v.test_performed_by": "idtf", "v.test_place": "home", "v.test_state": "asleep", "v.supplier_part": "delivered_unit", "v.custody": "sent_by_tester", "v.test_date": "2026-03-29"})
	b.press("#custody button")
	b.look("40-case-without-recording")
	b.press("#report a")
	b.look("41-report-empty")
	b.do(cdp.SetUploadFiles("input[type=file]", []string{file(t, "fax.tif", string(web.DemoFax()))}))
	b.press("#documents button[type=submit]")
	if s := b.text(); !strings.Contains(s, "Type it, or say that the report prints none") {
		t.Errorf("a report of nobody is taken:\n%s", s)
	}
	b.look("42-report-of-nobody")
	b.give("#documents form", map[string]string{"name": "Perpetua Sloane", "birth": "1939-06-03", "identifier": "HV-20489", "date": "2026-03-31", "by": "L. Frost, RRT"})
	b.press("#documents button[type=submit]")
	b.press("button[name=turn]:nth-of-type(2)")
	if !b.js("document.querySelector('input[type=image]').complete !== false && document.querySelector('.pinned svg').clientWidth === 560") {
		t.Error("the page is not shown at the width that its points are told by")
	}
	b.give("#figures form", map[string]string{"m.1": "time_at_or_below", "l.1": "88", "v.1": "7.20", "u.1": "min"})
	// The browser sends where the picture was pressed, without a line of ours.
	at, err := cdp.Run(b.ctx, cdp.Evaluate[[]float64](`(()=>{document.body.dataset.before=1;const e=document.querySelector('input[type=image]');e.scrollIntoView({block:'start'});const r=e.getBoundingClientRect();return [r.left+364,r.top+358]})()`))
	if err != nil {
		t.Fatal(err)
	}
	b.do(cdp.MouseClickXY(at[0], at[1]))
	b.settled("the picture")
	if s := b.text(); !strings.Contains(s, "Figure 1 stands 65 % from the left") || !b.js("document.querySelector('[name=\"v.1\"]').value==='7.20' && !!document.querySelector('.pinned circle')") {
		t.Errorf("the press did not pin the figure:\n%s", s)
	}
	b.give("#figures form", map[string]string{"m.1": "time_at_or_below"})
	b.press("#figures button[name=store]")
	b.give("#figures form", map[string]string{"m.2": "nadir", "v.2": "81", "u.2": "%", "a.2": "sixth line of the table"})
	b.press("#figures button[name=store]")
	b.look("43-report-figures")
	b.press("button[name=turn]:nth-of-type(2)")
	b.press("#documents + section [aria-label='Size of the picture'] button:nth-of-type(2)")
	b.look("44-report-larger")
	b.visit(strings.TrimSuffix(b.path(), "/report"))
	if s := b.text(); !strings.Contains(s, "time at or below 88 %: 7.20 min") || !strings.Contains(s, "page 2, sixth line of the table") {
		t.Errorf("the case does not tell the figures and their places:\n%s", s)
	}
	if !b.js("(()=>{for(const d of document.querySelectorAll('#conditions details'))d.open=true;return document.querySelectorAll('#conditions details').length>3})()") {
		t.Error("the conditions of testing are not there")
	}
	b.look("45-case-with-report-and-conditions")
	text := strings.Join(strings.Fields(pdfText(t, b.fetch(b.path()+"/worksheet.pdf"))), " ")
	for _, want := range []string{"Figures of the signed report", "Recording not seen.", "7.20 min", "sixth line of the table", "page 2"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q does not stand on paper:\n%s", want, text)
		}
	}
}
