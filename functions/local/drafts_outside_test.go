//go:build outside

package main

import (
	"crypto/rand"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/page"
	cdp "github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/editions"
	"airwarrant/rules"
	"airwarrant/web"
)

const (
	valeRegion = "region: xx-vale\nname: Vale, oxygen at home\npayer: Vale Health Office (invented)\nselect_by: test_date\nscope: Members of an invented payer.\napplies:\n  - {places: [NZ], payer: vale, program: Vale Health Office, text: The patient is a member., source: invented, status: verified}\n"
	valePack   = `effective_from: 2026-01-01
title: Vale notice 7
cites:
  notice: {document: Vale Notice 7, section: "3", edition: of 2025, read_on: 2026-01-01}
criteria:
  id: oxygen
  label: Oxygen at home
  all_of:
    - id: rest
      label: Low saturation at rest
      fact: rest_spo2
      at_or_below: 88 %
      cite: [notice]
      status: verified
`
	valeCases = `cases:
  - name: at the limit
    source: stated
    facts: {rest_spo2: 88}
    want: {outcome: qualifies}
  - name: above it
    source: stated
    facts: {rest_spo2: 90}
    want: {outcome: does_not_qualify}
  - name: nothing known
    source: stated
    want: {outcome: undetermined}
`
)

// valeSite is a demonstration in which an invented payer has one version, and so
// many further cases under it.
func valeSite(t *testing.T, further int) *browser {
	t.Helper()
	var store casework.Store
	b := openSite(t, func(c *web.Config, _ string) {
		c.Demo = true
		base, err := c.Library.Current(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		region, err := rules.ReadRegion([]byte(valeRegion), "xx-vale")
		if err != nil {
			t.Fatal(err)
		}
		pack, err := rules.ReadDraft([]byte(valePack), "2026-01-01.yaml", region)
		if err != nil {
			t.Fatal(err)
		}
		pack.Cases, pack.CasesFile, pack.KnownSince = []byte(valeCases), "xx-vale/2026-01-01.cases.yaml", pack.EffectiveFrom
		if store = c.Store; further > 0 {
			c.RehearsalSlice = 1 // one page of cases a request
		}
		c.Library = editions.New(c.Store, base.With([]rules.Region{region}, []*rules.Pack{pack}, nil), c.Now)
	})
	for made := 0; made < further; {
		number, err := casework.NewNumber(time.Now(), rand.Reader)
		if err == nil {
			_, err = casework.Create(t.Context(), store, number, casework.Stamp{At: time.Now(), By: "demo intake", Role: casework.RoleIntake}, casework.Opened{Criteria: []string{"xx-vale"}})
		}
		switch {
		case errors.Is(err, casework.ErrConflict): // a number that is taken: draw another, as the page does
		case err != nil:
			t.Fatal(err)
		default:
			made++
		}
	}
	return b
}

// valeCase opens a case of a saturation at rest and returns its number.
func (b *browser) valeCase(name, spo2 string) string {
	b.t.Helper()
	b.visit("/cases/new")
	b.give("form", map[string]string{"payer": "xx-vale", "name": name, "birth": "1950-04-02"})
	b.press("button.main")
	b.give("#custody form", map[string]string{"v.test_performed_by": "hospital", "v.test_place": "facility", "v.test_state": "rest", "v.supplier_part": "none", "v.custody": "sent_by_practitioner", "v.test_date": "2026-05-10"})
	b.press("#custody button")
	b.give("#questions form", map[string]string{"v.rest_spo2": spo2})
	b.press("#questions button.main")
	return strings.TrimPrefix(b.path(), "/cases/")
}

// typeInto puts a text into a field as typing does.
func (b *browser) typeInto(id, text string) {
	b.t.Helper()
	if !b.js(fmt.Sprintf("(()=>{const e=document.getElementById(%q);e.value=%q;e.dispatchEvent(new InputEvent('input',{bubbles:true}));return true})()", id, text)) {
		b.t.Fatalf("no field %s", id)
	}
}

// The way of a change of criteria in a real browser: faults while typing, words by
// keyboard, cases, rehearsal, proposal, a second person, the desks.
func TestOutsideDraftToDesks(t *testing.T) {
	b := valeSite(t, 0)
	b.sit(web.Intake)
	b.visit("/cases/new")
	b.give("form", map[string]string{"name": "Marama Tidewell (invented)", "birth": "1950-04-02", "place": "US-OR"})
	b.js("document.querySelectorAll('[name=plan][value=medicare],[name=plan][value=medicaid]').forEach(e=>{e.checked=true});true")
	b.press("button[name=which]")
	b.wants("More than one set of a payer's criteria applies", "ask which plan pays first")
	b.look("90-new-case-two-sets")
	b.give("form", map[string]string{"place": "US-NC"})
	b.js("document.querySelector('[name=plan][value=medicaid]').checked=false;true")
	b.press("button[name=which]")
	b.wants("One set of a payer's criteria applies")
	if b.value("[name=payer]:checked") != "us-medicare" {
		t.Error("the one set that applies is not marked")
	}
	b.look("91-new-case-one-set")
	number := b.valeCase("Marama Tidewell (invented)", "88")
	b.valeCase("Rollo Hale (invented)", "85")

	m := b.another()
	m.sit(web.Maintainer)
	m.visit("/rules/xx-vale/2026-01-01")
	m.look("92-version")
	m.press("#change a")
	m.give("form[action='/drafts']", map[string]string{"day": "2027-02-01"})
	m.look("93-drafts")
	m.press("form[action='/drafts'] button")
	draft := m.path()
	m.wants("No fault.", "3 cases ran", "each came out as it says")

	// A fault while typing, at its line; a reload loses nothing.
	wrong := strings.Replace(valePack, "fact: rest_spo2", "fact: rest_sp02", 1)
	wrong = strings.Replace(wrong, "2026-01-01\ntitle", "2027-02-01\ntitle", 1)
	m.typeInto("pack", wrong)
	m.until("the fault shows", "document.querySelector('#found-say').textContent.includes('1 fault')")
	m.wants("line 11, column 13", "did you mean")
	m.until("its line is marked", "document.querySelector('.gutter b')?.textContent.includes('11')")
	m.look("94-draft-fault")
	m.visit(draft)
	m.wants("What you typed here and did not save was put back.")
	if m.value("#pack") != wrong {
		t.Error("a reload loses what was typed")
	}
	// The fault leads to its line.
	m.until("the fault shows again", "!!document.querySelector('#found [data-line] button')")
	m.js("document.querySelector('#found [data-line] button').click();true")
	if !m.js("document.activeElement.id==='pack' && document.activeElement.value.slice(document.activeElement.selectionStart).startsWith('rest_sp02')") {
		t.Error("the fault does not lead to its place in the text")
	}

	// Words by keyboard: WAI-ARIA Authoring Practices Guide, pattern combobox.
	m.js("(()=>{const e=document.getElementById('pack');const i=e.value.indexOf('rest_sp02');e.setRangeText('',i,i+9,'end');return true})()")
	m.do(cdp.KeyEvent("r"), cdp.KeyEvent("e"), cdp.KeyEvent("s"), cdp.KeyEvent("t"))
	m.until("words are offered", "!document.querySelector('#fits-pack').hidden")
	m.do(cdp.KeyEvent(kb.ArrowDown))
	if !m.js("(()=>{const e=document.activeElement,o=document.getElementById(e.getAttribute('aria-activedescendant'));return e.id==='pack'&&o&&o.getAttribute('role')==='option'&&o.getAttribute('aria-selected')==='true'&&o.parentElement.getAttribute('role')==='listbox'})()") {
		t.Error("the first word is not the active one, or the focus left the text")
	}
	m.look("95-draft-words")
	m.do(cdp.KeyEvent(kb.Escape))
	if !m.js("document.querySelector('#fits-pack').hidden && !document.activeElement.hasAttribute('aria-activedescendant')") {
		t.Error("Escape does not close the words")
	}
	m.do(cdp.KeyEvent("_"), cdp.KeyEvent("s"), cdp.KeyEvent("p"))
	m.until("words are offered again", "!document.querySelector('#fits-pack').hidden")
	m.do(cdp.KeyEvent(kb.ArrowDown), cdp.KeyEvent(kb.Enter))
	if s := m.value("#pack"); !strings.Contains(s, "fact: rest_spo2\n") {
		t.Errorf("the word chosen is not in the text:\n%s", s)
	}
	m.until("the fault goes", "document.querySelector('#found-say').textContent.includes('No fault.')")
	m.do(cdp.KeyEvent(kb.Tab))
	if m.js("document.activeElement.id==='pack'") {
		t.Error("Tab does not leave the text")
	}

	// A figure without its document is refused; then it is cited, and its cases
	// are mended.
	next := strings.NewReplacer("2026-01-01\ntitle", "2027-02-01\ntitle", "88 %", "87 %", "notice 7", "notice 8").Replace(valePack)
	m.typeInto("pack", next)
	m.typeInto("cases", valeCases)
	m.press("#editor button")
	m.wants("1 came out otherwise than it says", "expected a new or changed document")
	m.look("96-draft-refused")
	next = strings.Replace(next, `Vale Notice 7, section: "3", edition: of 2025, read_on: 2026-01-01`, `Vale Notice 8, section: "3", edition: of 2026, read_on: 2026-05-20`, 1)
	m.typeInto("pack", next)
	m.typeInto("cases", strings.Replace(valeCases, "rest_spo2: 88", "rest_spo2: 87", 1))
	m.press("#editor button")
	m.wants("No fault.", "each came out as it says", "What it says otherwise than the version from 2026-01-01")
	m.look("97-draft-ready")

	m.visit("/watch")
	m.look("110-watch")
	m.press("main table a[href^='/watch/xx-vale/']")
	m.give("form[action^='/watch/']", map[string]string{"next": "soon"})
	m.press("form[action^='/watch/'] button")
	m.look("111-watched-refused")
	m.give("form[action^='/watch/']", map[string]string{"next": "", "found": "same"})
	m.do(cdp.SetUploadFiles("form[action^='/watch/'] input[type=file]", []string{file(t, "copy.txt", "what was read")}))
	m.press("form[action^='/watch/'] button")
	m.wants("it says what the version says", "13 bytes")
	m.look("112-watched")

	// Somebody else writes the same draft.
	o := m.another()
	o.sit(web.Maintainer)
	o.visit(draft)
	m.visit(draft)
	m.typeInto("pack", strings.Replace(next, "Low saturation at rest", "Low saturation, awake and at rest", 1))
	m.press("#editor button")
	o.typeInto("pack", strings.Replace(next, "Oxygen at home", "Oxygen at the member's home", 1))
	o.press("#editor button")
	o.wants("saved this draft while you were writing", "− ", "+ ")
	o.look("98-draft-two")
	o.press("#editor button")
	m.visit(draft)

	// The rehearsal goes on by itself.
	m.visit(draft + "/rehearsal")
	m.look("100-rehearsal-before")
	m.js("document.querySelector('#go button').click();true")
	m.until("the rehearsal is through", "document.body.innerText.includes('Through all stored cases')")
	m.wants("written criteria met → written criteria not met", number)
	if s := m.text(); strings.Contains(s, "Tidewell") {
		t.Error("the rehearsal tells a name")
	}
	m.look("101-rehearsal")
	if table := string(m.fetch(draft + "/rehearsal.csv")); !strings.Contains(table, number+",qualifies,does_not_qualify") {
		t.Errorf("the table of cases:\n%s", table)
	}
	m.press("a.main")
	m.give("form", map[string]string{"received": "20.5.2026"})
	m.press("button.main")
	m.wants("20.5.2026")
	if m.value("#received") != "20.5.2026" {
		t.Error("what was typed is lost")
	}
	m.look("102-proposal-refused")
	m.give("form", map[string]string{"received": "2026-05-20"})
	m.press("button.main")
	m.wants("waits for a second person", "You proposed it")
	m.look("103-change-first")
	change := m.path()
	// Going away and back loses nothing that was typed.
	m.visit(draft)
	m.typeInto("cases", valeCases+"# a thought\n")
	m.visit(change)
	m.back(draft)
	m.wants("This draft is proposed and waits for a second person.")
	if !strings.HasSuffix(m.value("#cases"), "# a thought\n") {
		t.Error("going back loses what was typed")
	}

	i, a := m.another(), m.another()
	i.sit(web.Intake)
	i.visit(change)
	i.wants("Not for this desk")
	a.sit(web.Administrator)
	a.visit("/drafts")
	a.look("104-changes-administrator")
	a.visit(change)
	a.look("105-change-second")
	a.press("#agree button")
	a.wants("published")
	a.look("106-change-published")

	a.visit("/changes")
	a.look("113-trail-of-criteria")
	i.visit("/cases")
	i.wants("Criteria change:", "for tests from 1 Feb 2027 on")
	i.look("107-cases-notice")
	i.visit(change + "/notice")
	i.look("108-notice")
	printed, err := cdp.Call(i.ctx, page.PrintToPDF, page.PrintToPDFParams{})
	if err != nil {
		t.Fatal(err)
	}
	paper := printed.Data
	if s := pdfText(t, paper); !strings.Contains(s, "Vale, oxygen at home") || !strings.Contains(s, "87 %") || strings.Contains(s, "Sign out") {
		t.Errorf("the half page on paper:\n%s", s)
	}
	i.paper("109-notice", paper)

	// A correction of the version by which the cases were determined.
	m.visit("/rules/xx-vale/2026-01-01")
	m.press("#change a:nth-of-type(2)")
	m.press("form[action='/drafts'] button")
	draft = m.path()
	m.typeInto("pack", strings.NewReplacer("88 %", "87 %", "read_on: 2026-01-01", "read_on: 2026-05-20").Replace(valePack))
	m.typeInto("cases", strings.Replace(valeCases, "rest_spo2: 88", "rest_spo2: 87", 1))
	m.press("#editor button")
	m.visit(draft + "/rehearsal")
	m.js("document.querySelector('#go button').click();true")
	m.until("the rehearsal is through", "document.body.innerText.includes('Through all stored cases')")
	m.press("a.main")
	m.press("button.main")
	m.wants("Expected the reason of the correction")
	m.look("114-correction-refused")
	m.give("form[action$='/proposal']", map[string]string{"reason": "a slip of the pen: the notice says 87 %"})
	m.press("button.main")
	a.visit(m.path())
	a.press("#agree button")
	a.wants("published", "Cases for review")
	i.visit(m.path() + "/cases")
	i.wants(number)
	i.look("115-review")
	i.visit("/cases")
	i.wants("determined by a version in whose place another counts")
	i.look("116-cases-flagged")
	i.visit("/cases/" + number)
	i.wants("The criteria of this case changed since it was determined.")
	i.look("117-case-changed")
	i.press("#anew button")
	i.wants("written criteria not met")
}

// The same without any script: forms, faults and a rehearsal press by press.
func TestOutsideDraftWithoutScript(t *testing.T) {
	b := valeSite(t, 0)
	b.sit(web.Intake)
	b.valeCase("Marama Tidewell (invented)", "88")
	m := b.another()
	m.sit(web.Maintainer)
	if _, err := cdp.Call(m.ctx, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true}); err != nil {
		t.Fatal(err)
	}
	m.visit("/drafts")
	m.give("form[action='/drafts']", map[string]string{"day": "2027-02-01"})
	if !m.js("(()=>{const e=document.querySelector('#from');const o=[...e.options].find(o=>o.text==='Vale, oxygen at home, 2026-01-01');e.value=o.value;return true})()") {
		t.Fatal("the version is not in the list")
	}
	m.press("form[action='/drafts'] button")
	draft := m.path()
	if m.js("!!document.querySelector('.gutter')") {
		t.Fatal("a script runs")
	}
	m.give("#editor", map[string]string{"pack": strings.NewReplacer("2026-01-01\ntitle", "2027-02-01\ntitle", "fact: rest_spo2", "fact: rest_sp02").Replace(valePack)})
	m.press("#editor button")
	m.wants("1 fault", "line 11, column 13", "rest_sp02")
	m.give("#editor", map[string]string{"pack": strings.NewReplacer("2026-01-01\ntitle", "2027-02-01\ntitle", "Low saturation", "A low saturation").Replace(valePack)})
	m.press("#editor button")
	m.wants("No fault.", "each came out as it says")
	m.visit(draft + "/rehearsal")
	m.press("#go button")
	m.wants("Through all stored cases", "None: no outcome changes")
}

// A rehearsal is stopped by a press, left, and gone on with; nothing of it is lost.
func TestOutsideRehearsalStopped(t *testing.T) {
	m := valeSite(t, 1100)
	m.sit(web.Maintainer)
	m.visit("/rules/xx-vale/2026-01-01")
	m.press("#change a")
	m.give("form[action='/drafts']", map[string]string{"day": "2027-02-01"})
	m.press("form[action='/drafts'] button")
	draft := m.path()
	m.visit(draft + "/rehearsal")
	m.js("document.querySelector('#go button').click();true")
	if !m.js("document.activeElement.hasAttribute('data-stop')") {
		t.Error("the keyboard is not at the button that stops")
	}
	m.js("document.querySelector('[data-stop]').click();true")
	m.until("it stopped", "document.body.innerText.includes('Stopped.')")
	m.wants("cases so far. It is not through.")
	m.look("118-rehearsal-stopped")
	m.visit("/drafts")
	m.visit(draft + "/rehearsal")
	m.wants("cases so far. It is not through.")
	m.js("document.querySelector('#go button').click();true")
	m.until("it is through", "document.body.innerText.includes('Through all stored cases')")
	if cases := m.text1(".pairs.counts dd", ""); cases != "1100" {
		t.Errorf("%s cases, want 1100", cases)
	}
	if !m.js("document.activeElement.getAttribute('role')==='status'") {
		t.Error("the keyboard is not at what was told")
	}
}
