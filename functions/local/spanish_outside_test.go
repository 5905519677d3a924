//go:build outside

package main

import (
	"crypto/rand"
	"fmt"
	"regexp"
	"strings"
	"testing"
	"time"

	cdp "github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"airwarrant/qualify/casework"
	"airwarrant/web"
	"airwarrant/web/accounts"
)

// inSpanish presses the name of the language at the foot of a page.
func (b *browser) inSpanish() {
	b.t.Helper()
	b.press("form.tongue button[value=es]")
	if !b.js(`document.documentElement.lang === "es"`) {
		b.t.Error("the page does not say that it is in Spanish")
	}
}

// TestOutsideSpanishTrace: what the scripts tell and what a screen reader speaks
// comes in the language of the page.
func TestOutsideSpanishTrace(t *testing.T) {
	b := open(t)
	b.sit(web.Intake)
	b.visit("/cases")
	b.inSpanish()
	b.visitCase("Cassius Penhallow")
	b.until("the controls of the trace", `!!document.querySelector("#sheet .trace-bar")`)
	for selector, want := range map[string]string{
		`document.querySelector("#sheet .trace-bar").getAttribute("aria-label")`:                         "Lo que muestra el trazado",
		`document.querySelector("#sheet .trace .cursor").getAttribute("aria-label")`:                     "Lugar en el trazado",
		`[...document.querySelectorAll("#sheet .trace-bar button")].map((e) => e.textContent).join("|")`: "◀ Antes|Más cerca|Más ancho|Después ▶|Toda la sesión",
	} {
		got, err := cdp.Run(b.ctx, cdp.Evaluate[string](selector))
		if err != nil || got != want {
			t.Errorf("%s is %q, want %q: %v", selector, got, want, err)
		}
	}
	if !b.js(`(document.querySelector("#sheet .trace .cursor").focus(), true)`) {
		t.Fatal("the place on the trace takes no focus")
	}
	b.do(cdp.KeyEvent(kb.ArrowRight))
	b.until("a reading", `/%/.test(document.querySelector("#sheet .trace .cursor").getAttribute("aria-valuetext"))`)
	if b.js(`/ to |pulse|reading/.test(document.querySelector("#sheet .trace .cursor").getAttribute("aria-valuetext") + document.querySelector("p.reading").textContent)`) {
		t.Error("a reading is spoken in English")
	}
}

// englishLeft are words of English that are none of Spanish, and stand in nearly
// every sentence.
var englishLeft = regexp.MustCompile(`(?i)(?:^|[^\p{L}-])(the|of|and|is|are|was|were|not|with|which|until|found|expected|stated|nobody|nothing|by|at|for|from|yes|none|any|anybody|system|undetermined|known|this|that|has|have|it|its|to|on|in|or|if|who|what|case|cases|report|test|tests|paper|papers|office|page|file|day|night|oxygen|saturation|recording|room|told|met|doubted|reading|readings|maintainer|administrator|intake)(?:$|[^\p{L}-])`)

// lookEs looks at a page in Spanish, on which nothing that is read or spoken is
// English but what says that it is, and what is typed.
func (b *browser) lookEs(name string) {
	b.t.Helper()
	said, err := cdp.Run(b.ctx, cdp.Evaluate[[]string](`(()=>{
		const out=[document.title], spanish=e=>e.closest('[lang]').lang==='es'&&!e.closest('script,style,textarea,datalist,pre,.mono');
		const walk=document.createTreeWalker(document.body,NodeFilter.SHOW_TEXT);
		for(let n=walk.nextNode();n;n=walk.nextNode()) if(n.data.trim()&&spanish(n.parentElement)) out.push(n.data.trim());
		for(const a of ['aria-label','placeholder','alt','title']) for(const e of document.querySelectorAll('['+a+']')) if(spanish(e)) out.push(e.getAttribute(a));
		return out})()`))
	if err != nil {
		b.t.Fatal(err)
	}
	if !b.js(`document.documentElement.lang==="es"`) {
		b.t.Errorf("%s is not in Spanish: %s", name, said[0])
	}
	for _, text := range said {
		if englishLeft.MatchString(typedInEnglish.Replace(text)) || strings.Contains(text, "%!") || strings.Contains(text, "map[") {
			b.t.Errorf("%s says %q", name, text)
		}
	}
	// A form sent back begins at the summary of its faults, or at the part that its
	// address names. The browser moves the focus with the first picture it draws.
	b.until("the focus on the summary of faults", `!document.querySelector(".error") || !!location.hash || document.activeElement.matches(".say")`)
	b.look(name)
}

// typedInEnglish takes out names and what the people of the demonstration
// typed, a remark of a recording, and a column of a table by its name.
var typedInEnglish = strings.NewReplacer("demo intake", "", "demo rule maintainer", "", "demo administrator", "", "demo office", "", "demo tester", "", "the command line", "",
	"sixth line of the table", "", "visit note", "", `"Date and time"`, "", "Date and time", "", "oxygen 2 L/min", "", "«file»", "",
	"Original Medicare, home oxygen", "", "report 733108c1b5c6", "", "criteria.all_of[0].fact", "") // the title of a paper, as figures on the worksheet keep it

// spanishAt is a person at a desk of the demonstration who reads Spanish.
func (b *browser) spanishAt(desk web.Desk) *browser {
	b.t.Helper()
	c := b.another()
	c.visit("/")
	c.inSpanish()
	if desk != web.NoDesk {
		c.press("button[name=desk][value=" + string(desk) + "]")
	}
	return c
}

// byLink opens a link in Spanish, with its code.
func (b *browser) byLink(link, code string) *browser {
	b.t.Helper()
	c := b.spanishAt(web.NoDesk)
	c.visit(link)
	c.give("main form", map[string]string{"code": code})
	c.press("main form button.main")
	return c
}

// TestOutsideSpanishPages looks at every kind of page of each desk in Spanish.
func TestOutsideSpanishPages(t *testing.T) {
	b := valeSite(t, 0)
	t.Run("cases", func(t *testing.T) { b.in(t).spanishCases() })
	t.Run("recordings", func(t *testing.T) { b.in(t).spanishRecordings() })
	t.Run("links", func(t *testing.T) { b.in(t).spanishLinks() })
	t.Run("criteria", func(t *testing.T) { b.in(t).spanishCriteria() })
	t.Run("accounts", func(t *testing.T) { b.in(t).spanishAccounts() })
	t.Run("sign-in", spanishSignIn)
}

// in is the same browser, for a part of its test.
func (b *browser) in(t *testing.T) *browser {
	c := *b
	c.t = t
	return &c
}

// spanishCases are the pages of the intake desk that show what the demonstration
// holds, each with its form sent back once.
func (b *browser) spanishCases() {
	b.t.Helper()
	b.spanishAt(web.NoDesk).lookEs("es-01-desks")
	i := b.spanishAt(web.Intake)
	i.visit("/cases")
	i.lookEs("es-02-cases")
	i.give("form[action='/cases/find']", map[string]string{"find": "penh"})
	i.press("form[action='/cases/find'] button")
	i.lookEs("es-03-found")
	i.visit("/cases/new")
	i.press("button.main")
	i.lookEs("es-04-new-case-faults")
	i.give("form", map[string]string{"name": "Idoia Salvatierra (inventada)", "birth": "1950-04-02", "place": "US-OR"})
	i.js("document.querySelectorAll('[name=plan][value=medicare],[name=plan][value=medicaid]').forEach(e=>{e.checked=true});true")
	i.press("button[name=which]")
	i.lookEs("es-05-new-case-two-sets")

	i.visitCase("Ada Merrin")
	i.lookEs("es-06-case-met")
	met := i.path()
	i.press("form[action$='/close'] button")
	i.lookEs("es-07-close-refused")
	i.give("form[action$='/close']", map[string]string{"reason": "no queda nada por hacer"})
	i.press("form[action$='/close'] button")
	i.lookEs("es-08-closed")
	i.visit(met + "/papers")
	i.lookEs("es-09-papers-of-closed")

	i.visitCase("Cassius Penhallow")
	open := i.path()
	i.give("#questions form", map[string]string{"v.awake_spo2": "mucho"})
	i.press("#questions button.main")
	i.lookEs("es-10-questions-faults")
	i.paper("es-paper", i.fetch(open+"/worksheet.pdf"))
	i.visit(open + "/trail")
	i.lookEs("es-11-trail")
	i.visit(open + "/compare?with=us-ats-adult&with=uk-bts-adult&with=es-separ")
	i.lookEs("es-12-compare")
	i.visit(open + "/papers")
	i.press("#add button.main")
	i.lookEs("es-13-papers-faults")
	i.visit(open + "/tests")
	add := "form:has(button.main)"
	i.give(add, map[string]string{"v.test_date": "2026-02-12", "v.test_state": "rest", "v.test_oxygen": "room_air", "v.rest_spo2": "78 de 100"})
	i.press(add + " button.main")
	i.lookEs("es-14-tests-faults")
	i.give(add, map[string]string{"name": "Oximetría en la consulta", "v.rest_spo2": "78"})
	i.press(add + " button.main")
	i.lookEs("es-15-tests")
	i.visit(open)
	i.give("#critical form", map[string]string{"told": "R. Quill", "when": "ayer"})
	i.press("#critical button.main")
	i.lookEs("es-16-critical-faults")
	i.give("#critical form", map[string]string{"by": "admisión", "when": "2026-02-13 09:40"})
	i.press("#critical button.main")
	i.lookEs("es-17-critical-told")

	for n, name := range []string{"Tobin Ashgrove", "Wilhelmina Orchard", "Odalys Fenn", "Marama Tidewell", "Wystan Briar", "Rafe Underhill", "Isolde Farrow"} {
		i.visitCase(name)
		i.lookEs(fmt.Sprintf("es-2%d-case", n))
	}
	i.visitCase("Wystan Briar")
	i.give("#marks form", map[string]string{"until.exertion_air": "10:18:00", "from.exertion_oxygen": ""})
	i.press("#marks button.main")
	i.lookEs("es-28-marks-faults")
	i.visitCase("Perpetua Sloane")
	i.lookEs("es-29-case-by-report")
	i.press("#report a")
	i.lookEs("es-30-report")
	i.give("#figures form", map[string]string{"v.1": "7,2 y algo", "p.1": "99"})
	i.press("#figures button[name=store]")
	i.lookEs("es-31-report-faults")
	i.visit("/nowhere")
	i.lookEs("es-32-no-page")
}

// spanishRecordings are the pages on which recordings come in, and go.
func (b *browser) spanishRecordings() {
	b.t.Helper()
	i := b.spanishAt(web.Intake)
	i.visit("/cases/new")
	i.give("form", map[string]string{"payer": "us-medicare", "name": "Élodie Ważna (inventada)", "birth": "1950-04-02"})
	i.press("button.main")
	i.lookEs("es-40-custody")
	custody := map[string]string{"v.test_performed_by": "idtf", "v.test_place": "home", "v.test_state": "asleep", "v.supplier_part": "delivered_unit", "v.custody": "none", "v.test_date": "1.3.2024"}
	i.give("#custody form", custody)
	i.press("#custody button")
	i.lookEs("es-41-custody-faults")
	custody["v.test_date"], custody["v.custody"] = "2024-03-01", "order_on_file"
	i.give("#custody form", custody)
	i.press("#custody button")
	i.do(cdp.SetUploadFiles("input[type=file]", []string{file(i.t, "noche.csv", "date,time,spo2,SaO2,pulse\n03/04/2026,22:00:00,94,--,61\n03/04/2026,22:00:04,94,90,61\n")}))
	i.press("#recording button[type=submit]")
	i.lookEs("es-42-columns")
	i.do(cdp.SetUploadFiles("input[type=file]", []string{file(i.t, "noche.csv", "una carta, y ninguna grabación\n")}))
	i.press("#recording button[type=submit]")
	i.lookEs("es-43-file-refused")
	i.do(cdp.SetUploadFiles("input[type=file]", []string{file(i.t, "noche.csv", night("93*2700 88*95 93*2700"))}))
	i.press("#recording button[type=submit]")
	i.lookEs("es-44-questions")
	i.press("#recording details form button")
	i.lookEs("es-45-withdrawal-refused")
	i.give("#recording details form", map[string]string{"reason": "La noche de otra persona estaba en el registrador."})
	i.press("#recording details form button")
	i.lookEs("es-46-withdrawn")

	i.visit("/batch")
	i.press("main button.main")
	i.lookEs("es-47-batch-refused")
	i.give("main form", map[string]string{"payer": "us-medicare", "v.test_performed_by": "idtf", "v.test_place": "home", "v.test_state": "asleep", "v.supplier_part": "delivered_unit", "v.custody": "order_on_file"})
	i.press("main button.main")
	i.lookEs("es-48-batch-files")
	paths := []string{file(i.t, "carta.txt", "ninguna grabación")}
	for _, r := range web.DemoRecordings() {
		paths = append(paths, file(i.t, r.Name, string(r.Data)))
	}
	i.do(cdp.SetUploadFiles("#files", paths))
	i.do(cdp.SetUploadFiles("#facts", []string{file(i.t, "datos.csv", "file,test_date,awake_spo2\nnight-2.csv,2026-02-17,95 %\n")}))
	i.press("main button.main")
	i.lookEs("es-49-batch-lines")
}

// spanishLinks are the pages of an office and of a tester, by link and by
// account, and what the intake desk sees of their answers.
func (b *browser) spanishLinks() {
	b.t.Helper()
	i := b.spanishAt(web.Intake)
	fresh := func(name, desk string) (address, link, code string) {
		i.visitCase(name)
		address = i.path()
		i.press("#links button[value=" + desk + "]")
		return address, strings.TrimPrefix(i.value("#fresh"), i.url), i.value("#fresh-code")
	}
	address, link, code := fresh("Ines Lockhart", "office")
	i.lookEs("es-50-link-made")
	o := b.spanishAt(web.NoDesk)
	o.visit(link)
	o.lookEs("es-51-code")
	o.give("main form", map[string]string{"code": "12"})
	o.press("main form button.main")
	o.lookEs("es-52-code-refused")
	o.give("main form", map[string]string{"code": code})
	o.press("main form button.main")
	o.lookEs("es-53-office")
	o.give("main form", map[string]string{"who": "R. Quill", "credential": "enfermera", "a.written_order": "disagrees",
		"a.evaluation_note": "located", "d.evaluation_note": "nota de visita", "t.evaluation_note": "2026-03-21", "p.evaluation_note": "2"})
	o.press("main form button.main")
	o.lookEs("es-54-office-faults")
	o.give("main form", map[string]string{"r.written_order": "Hay dos órdenes; ¿cuál se pide?"})
	o.press("main form button.main")
	o.lookEs("es-55-office-sent")
	o.do(cdp.SetUploadFiles("#attach input[type=file]", []string{file(i.t, "hoja.tif", string(web.DemoFax()))}))
	o.press("#attach button[type=submit]")
	o.lookEs("es-56-copy-refused")
	o.paper("es-answers", o.fetch(link+"/answers.pdf"))
	i.visit(address)
	i.lookEs("es-57-dispute")
	i.press("form[action$='/links/revoke'] button")
	late := b.spanishAt(web.NoDesk)
	late.visit(link)
	late.lookEs("es-58-link-ended")

	_, link, code = fresh("Wilhelmina Orchard", "tester")
	r := b.byLink(link, code)
	r.lookEs("es-60-tester-spans")
	r.give("#spans form", map[string]string{"who": "L. Frost", "credential": "RRT"})
	r.press("#spans button.main")
	r.lookEs("es-61-tester-faults")
	r.give("#spans form", map[string]string{"rest": "genuine"})
	r.press("#spans button.main")
	r.lookEs("es-62-tester-judged")
	i.visitCase("Wilhelmina Orchard")
	i.lookEs("es-63-judged")
	i.paper("es-judged", i.fetch(i.path()+"/worksheet.pdf"))
	_, link, code = fresh("Rafe Underhill", "tester")
	s := b.byLink(link, code)
	s.lookEs("es-64-tester-sends")

	d := b.spanishAt("office-account")
	d.lookEs("es-65-day")
	d.press("a[href^='/day/']")
	d.lookEs("es-66-day-case")
	d.visit("/rules")
	d.lookEs("es-67-another-desk")
}

// spanishCriteria is the way of a correction of criteria to the desks.
func (b *browser) spanishCriteria() {
	b.t.Helper()
	i := b.spanishAt(web.Intake)
	number := i.valeCase("Rosalba Quintero (inventada)", "88")
	m := b.spanishAt(web.Maintainer)
	m.lookEs("es-70-criteria")
	m.visit("/cases")
	m.lookEs("es-71-numbers")
	m.visit("/rules/us-medicare/2023-04-01")
	m.js("document.querySelectorAll('details').forEach(d=>d.open=true);true")
	m.press("#drafts form button")
	m.lookEs("es-72-version")
	m.visit("/rules/xx-vale/2026-01-01")
	m.press("#change a:nth-of-type(2)")
	m.lookEs("es-73-drafts")
	m.press("form[action='/drafts'] button")
	draft := m.path()
	m.typeInto("pack", strings.Replace(valePack, "fact: rest_spo2", "fact: rest_sp02", 1))
	m.press("#editor button")
	m.lookEs("es-74-draft-fault")
	m.typeInto("pack", strings.NewReplacer("88 %", "87 %", "read_on: 2026-01-01", "read_on: 2026-05-20").Replace(valePack))
	m.typeInto("cases", strings.Replace(valeCases, "rest_spo2: 88", "rest_spo2: 87", 1))
	m.press("#editor button")
	m.lookEs("es-75-draft-ready")
	m.visit(draft + "/rehearsal")
	m.lookEs("es-76-rehearsal-before")
	m.js("document.querySelector('#go button').click();true")
	m.until("the rehearsal is through", "!!document.querySelector('a.main')")
	m.lookEs("es-77-rehearsal")
	m.press("a.main")
	m.press("button.main")
	m.lookEs("es-78-proposal-refused")
	m.give("form[action$='/proposal']", map[string]string{"reason": "una errata: el aviso dice 87 %"})
	m.press("button.main")
	m.lookEs("es-79-change-first")
	change := m.path()
	m.visit("/watch")
	m.lookEs("es-80-watch")
	m.press("main table a[href^='/watch/xx-vale/']")
	m.give("form[action^='/watch/']", map[string]string{"next": "pronto"})
	m.press("form[action^='/watch/'] button")
	m.lookEs("es-81-watched-refused")

	a := b.spanishAt(web.Administrator)
	a.visit("/drafts")
	a.lookEs("es-82-changes")
	a.visit(change)
	a.lookEs("es-83-change-second")
	a.press("#agree button")
	a.lookEs("es-84-change-published")
	a.visit("/changes")
	a.lookEs("es-85-trail-of-criteria")
	i.visit("/cases")
	i.lookEs("es-86-cases-notice")
	i.visit(change + "/notice")
	i.lookEs("es-87-notice")
	i.visit(change + "/cases")
	i.lookEs("es-88-review")
	i.visit("/cases/" + number)
	i.lookEs("es-89-case-changed")
}

// spanishAccounts are the pages of the administrator.
func (b *browser) spanishAccounts() {
	b.t.Helper()
	a := b.spanishAt(web.Administrator)
	a.give("form[action='/accounts']", map[string]string{"name": "O. Lund"})
	a.press("form[action='/accounts'] button")
	a.lookEs("es-90-account-refused")
	a.js("document.querySelector('input[name=role][value=intake]').click();true")
	a.press("form[action='/accounts'] button")
	a.lookEs("es-91-account-made")
	a.press("main td a")
	a.lookEs("es-92-account")
	a.visit("/accounts/sign-ins")
	a.lookEs("es-93-sign-ins")
	a.visit("/cases")
	a.press("main td a")
	a.lookEs("es-94-trail-of-a-case")
}

// spanishSignIn is the first sign-in of an account.
func spanishSignIn(t *testing.T) {
	first := ""
	b := openSite(t, func(c *web.Config, _ string) {
		var err error
		_, first, err = accounts.New(c.Store, time.Now, rand.Reader).Make(t.Context(), casework.Stamp{At: time.Now(), By: "the command line", Role: casework.RoleSystem}, "T. Vane",
			[]casework.Role{casework.RoleAdministrator, casework.RoleIntake}, "")
		if err != nil {
			t.Fatal(err)
		}
	})
	b.visit("/")
	b.inSpanish()
	b.give("form", map[string]string{"name": "T. Vane", "password": "otra"})
	b.press("form[action='/sign-in'] button")
	b.lookEs("es-95-sign-in-refused")
	b.give("form", map[string]string{"name": "T. Vane", "password": first})
	b.press("form[action='/sign-in'] button")
	b.give("form[action='/password']", map[string]string{"old": first, "new": "corta", "again": "corta"})
	b.press("form[action='/password'] button")
	b.lookEs("es-96-password-refused")
	const word = "grava linterna nutria siete"
	b.give("form[action='/password']", map[string]string{"old": first, "new": word, "again": word})
	b.press("form[action='/password'] button")
	b.lookEs("es-97-desks-of-an-account")
}
