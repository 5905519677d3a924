//go:build outside

package main

import (
	"testing"

	cdp "github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"airwarrant/web"
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

// TestOutsideSpanishPages looks at the main pages of each desk in Spanish.
func TestOutsideSpanishPages(t *testing.T) {
	b := open(t)
	b.sit(web.Intake)
	b.visit("/cases")
	b.inSpanish()
	b.look("es-cases")
	b.visit("/cases/new")
	b.look("es-new")
	b.visitCase("Cassius Penhallow")
	b.look("es-case")
	address := b.path()
	b.paper("es-paper", b.fetch(address+"/worksheet.pdf"))
	b.visit(address + "/compare")
	b.look("es-compare")
	b.visit(address + "/report")
	b.look("es-report")
	b.sit(web.Maintainer)
	b.visit("/rules")
	b.look("es-rules")
	b.sit(web.Office)
	b.visit("/day")
	b.look("es-day")
	b.sit(web.Administrator)
	b.visit("/accounts")
	b.look("es-accounts")
}
