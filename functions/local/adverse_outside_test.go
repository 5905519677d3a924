//go:build outside

package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	cdp "github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"airwarrant/web"
)

func (b *browser) value(selector string) string {
	b.t.Helper()
	s, err := cdp.Run(b.ctx, cdp.Evaluate[string]("document.querySelector("+strconv.Quote(selector)+").value"))
	if err != nil {
		b.t.Fatal(err)
	}
	return s
}

// back goes back as a person does, to the page at a path.
func (b *browser) back(path string) {
	b.t.Helper()
	b.js("(()=>{history.back();return true})()")
	for try := 0; b.path() != path || !b.js("document.readyState==='complete'"); try++ {
		if try == 300 {
			b.t.Fatalf("going back leads to %s, and not to %s", b.path(), path)
		}
		time.Sleep(50 * time.Millisecond)
	}
}

// sit takes a desk of the demonstration.
func (b *browser) sit(desk web.Desk) {
	b.t.Helper()
	b.visit("/")
	b.press("button[name=desk][value=" + string(desk) + "]")
}

// TestOutsideWrongRoleAndExpiredLink: a page of another role says so and
// nothing of the case, and a link that has run out says nothing at all.
func TestOutsideWrongRoleAndExpiredLink(t *testing.T) {
	var days atomic.Int64
	b := openSite(t, func(c *web.Config, _ string) {
		c.Demo = true
		c.Now = func() time.Time { return time.Now().Add(time.Duration(days.Load()) * 24 * time.Hour) }
	})
	b.sit(web.Intake)
	b.visitCase("Cassius Penhallow")
	address := b.path()
	b.press("#links button[value=office]")
	link := strings.TrimPrefix(b.value("#fresh"), b.url)

	other := b.another()
	other.sit(web.Maintainer)
	other.visit(address)
	if s := other.text(); strings.Contains(s, "Penhallow") || !strings.Contains(s, "Not for this desk") {
		t.Errorf("a maintainer sees a case:\n%s", s)
	}
	other.look("80-wrong-role")
	other.visit("/cases")
	if s := other.text(); strings.Contains(s, "Penhallow") {
		t.Errorf("a maintainer sees a patient's name in the list:\n%s", s)
	}

	days.Store(15)
	late := b.another()
	late.visit(link)
	if s := late.text(); strings.Contains(s, "Penhallow") || late.js("!!document.querySelector('[name=code]')") {
		t.Errorf("a link opens after its last day:\n%s", s)
	}
	late.look("81-expired-link")
}

// ready opens a case whose recording may be sent.
func (b *browser) ready(name string) {
	b.t.Helper()
	b.visit("/cases/new")
	b.give("form", map[string]string{"payer": "us-medicare", "name": name, "birth": "1950-01-31"})
	b.press("button.main")
	b.give("#custody form", map[string]string{"v.test_performed_by": "idtf", "v.test_place": "home", "v.test_state": "asleep", "v.supplier_part": "delivered_unit",
		"v.custody": "sent_by_tester", "v.test_date": "2024-03-13"})
	b.press("#custody button")
}

// bigNight is a full memory of 8 hours: text of more than 12 MB, at 15
// readings a second, with columns that nobody reads.
func bigNight(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "night.csv")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var b strings.Builder
	b.WriteString("Time,SpO2,Pulse\n")
	start := time.Date(2024, 3, 13, 22, 0, 0, 0, time.UTC)
	for i := range 432_000 {
		spo2 := 95
		if i >= 100_000 && i < 106_000 { // 400 s
			spo2 = 87
		}
		fmt.Fprintf(&b, "%s,%d,%d\n", start.Add(time.Duration(i)*time.Second/15).Format("2006-01-02 15:04:05.000"), spo2, 60+i/500%7)
	}
	if b.Len() < 12<<20 {
		t.Fatalf("the file has %d bytes", b.Len())
	}
	if _, err := f.WriteString(b.String()); err != nil {
		t.Fatal(err)
	}
	return path
}

// TestOutsideLostNetworkAndABigFile sends a file of more than 12 MB over a
// connection that breaks, and again over one that holds.
func TestOutsideLostNetworkAndABigFile(t *testing.T) {
	b := open(t)
	b.sit(web.Intake)
	b.ready("Isolde Wren (invented)")
	b.do(cdp.SetUploadFiles("#recording input[type=file]", []string{bigNight(t)}))
	// It breaks with what was typed, which goes first, and in the middle of the file.
	for _, least := range []int64{1, 1 << 20} {
		b.cut.Store(least)
		b.js("(()=>{document.querySelector('#recording [data-progress] [role=status]').textContent='';document.querySelector('#recording button[type=submit]').click();return true})()")
		for try := 0; !strings.Contains(b.text(), "The connection broke off. Nothing was stored"); try++ {
			if try == 300 {
				t.Fatalf("a connection lost from %d bytes on is not told:\n%s", least, b.text())
			}
			time.Sleep(100 * time.Millisecond)
		}
		if !b.js("document.querySelector('#recording input[type=file]').files.length===1 && !document.querySelector('#recording button[type=submit]').disabled") {
			t.Error("the file has to be chosen anew, or cannot be sent again")
		}
	}
	b.look("82-connection-lost")
	b.cut.Store(0)
	b.press("#recording button[type=submit]")
	if s := b.text(); !strings.Contains(s, "6.66 min") {
		t.Errorf("a night of 432,000 readings, 400 s of it at 87 %%:\n%s", s)
	}
}

// TestOutsideTwoPeopleOneCase: of two people who change the same answer, the
// second is shown what the first stated, and what they typed stays in the form.
func TestOutsideTwoPeopleOneCase(t *testing.T) {
	b := open(t)
	b.sit(web.Intake)
	b.visitCase("Cassius Penhallow")
	address := b.path()
	other := b.another()
	other.sit(web.Intake)
	other.visit(address)
	b.visit(address)
	b.give("#questions form", map[string]string{"v.awake_spo2": "92"})
	b.press("#questions button.main")
	other.give("#questions form", map[string]string{"v.awake_spo2": "85"})
	other.press("#questions button.main")
	s := other.text()
	if !strings.Contains(s, "Somebody else changed the case while you were at it") || !strings.Contains(s, "92") || !other.js(`[...document.querySelectorAll('[name="v.awake_spo2"]')].some(e=>e.value==='85')`) {
		t.Errorf("the second of two is not shown the first's answer:\n%s", s)
	}
	other.look("83-two-people")

	// Back, and the same form again: nothing is stored twice, nothing is undone.
	b.back(address)
	b.visit(address + "/trail")
	before := strings.Count(b.text(), "92 %")
	b.visit(address)
	if !strings.Contains(b.text(), "92 %") {
		t.Errorf("the answer is gone after going back:\n%s", b.text())
	}
	b.visit(address + "/trail")
	if n := strings.Count(b.text(), "92 %"); n != before || n == 0 {
		t.Errorf("the answer stands %d times in the trail, %d before", n, before)
	}
}

// TestOutsideBackAndDoubleClick: a form that is sent twice, by a double click
// or after going back, opens one case and not two.
func TestOutsideBackAndDoubleClick(t *testing.T) {
	b := open(t)
	b.sit(web.Intake)
	b.visit("/cases/new")
	b.give("form", map[string]string{"payer": "us-medicare", "name": "Piers Lindqvist (invented)", "birth": "1949-09-30"})
	b.js("(()=>{document.body.dataset.before=1;const e=document.querySelector('button.main');e.click();e.click();return true})()")
	b.settled("button.main")
	first := b.path()
	b.back("/cases/new")
	if v := b.value("[name=name]"); v != "Piers Lindqvist (invented)" {
		t.Errorf("after going back the name is %q", v)
	}
	b.press("button.main")
	if b.path() != first {
		t.Errorf("the form sent again after going back leads to %s, and the first case is %s", b.path(), first)
	}
	b.visit("/cases")
	if n := strings.Count(b.text(), "Piers Lindqvist"); n != 1 {
		t.Errorf("%d cases were opened", n)
	}
}

// tab opens another window of the same browser.
func (b *browser) tab() *browser {
	b.t.Helper()
	ctx, cancel := cdp.NewContext(b.ctx)
	b.t.Cleanup(cancel)
	c := *b
	c.ctx = ctx
	return &c
}

// TestOutsideSessionEndsInAForm: what was typed stands on the page, also of an
// upload with its file, and goes through once the desk is taken in another window.
func TestOutsideSessionEndsInAForm(t *testing.T) {
	var minutes atomic.Int64
	b := openSite(t, func(c *web.Config, _ string) {
		c.Demo = true
		c.Now = func() time.Time { return time.Now().Add(time.Duration(minutes.Load()) * time.Minute) }
	})
	b.sit(web.Intake)
	b.visitCase("Cassius Penhallow")
	address := b.path()
	b.give("#questions form", map[string]string{"v.awake_spo2": "92", "d.awake_spo2": "visit note", "t.awake_spo2": "2026-03-14", "p.awake_spo2": "3"})
	minutes.Store(31)
	b.press("#questions form button")
	b.wants("What you typed is not lost", "visit note", "Which saturation awake")
	b.look("82-session-ended")
	b.fits("82-session-ended")
	window := b.tab()
	window.sit(web.Intake)
	b.press("main form button.main")
	if b.path() == address+"/facts" { // the page was made for the session that ended
		b.press("main form button.main")
	}
	b.wants("92 %")

	b.ready("Ada Merrin")
	night := filepath.Join(t.TempDir(), "night.csv")
	if err := os.WriteFile(night, []byte("Time,SpO2,Pulse\n2024-03-13 22:00:00,88,60\n2024-03-13 22:00:04,87,61\n2024-03-13 22:00:08,86,62\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	b.give("#recording form", map[string]string{"zone": "America/Chicago"})
	b.do(cdp.SetUploadFiles("#file", []string{night}))
	minutes.Store(62)
	b.press("#recording form[data-upload] button[type=submit]")
	b.settled("main [data-again], main form button.main")
	b.wants("What you typed is not lost", "America/Chicago")
}

// TestOutsideFaultsOfAForm: a form that was not taken comes back with what was
// typed; the focus stands on the summary, and its links lead to the fields, by
// keys alone and without a script.
func TestOutsideFaultsOfAForm(t *testing.T) {
	b := open(t)
	b.visit("/")
	b.press("button[name=desk][value=intake]")
	if _, err := cdp.Call(b.ctx, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true}); err != nil {
		t.Fatal(err)
	}
	b.visit("/cases/new")
	b.do(cdp.SendKeys("#name", "Corin Halloway (invented)"), cdp.SendKeys("#birth", "11 Feb 1948"), cdp.Click("button.main"))
	b.until("the summary has the focus", "document.readyState==='complete' && !!document.activeElement?.classList.contains('faults')")
	b.do(cdp.KeyEvent(kb.Tab))
	// As a keyboard sends it: what a key types is dropped where its press did
	// something, and would be typed into the field here.
	for _, kind := range []input.DispatchKeyEventType{input.DispatchKeyEventTypeRawKeyDown, input.DispatchKeyEventTypeKeyUp} {
		if _, err := cdp.Call(b.ctx, input.DispatchKeyEvent, input.DispatchKeyEventParams{Type: kind, Key: "Enter", Code: "Enter", WindowsVirtualKeyCode: 13}); err != nil {
			t.Fatal(err)
		}
	}
	b.until("the field", "location.hash==='#birth' && document.activeElement?.id==='birth'")
	if b.value("#name") != "Corin Halloway (invented)" || b.value("#birth") != "11 Feb 1948" {
		t.Errorf("what was typed: %q, %q", b.value("#name"), b.value("#birth"))
	}
	if _, err := cdp.Call(b.ctx, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: false}); err != nil {
		t.Fatal(err)
	}
	b.look("36-faults-of-a-form")
}
