package web

import (
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"airwarrant/qualify/casework/storetest"
)

// A comma before decimals is read as a point, as people write it where the
// decimal sign is a comma (CLDR); where it may divide thousands it is asked
// about and never guessed.
func TestDecimalTyped(t *testing.T) {
	for _, c := range []struct {
		typed, want string
		asks        bool
	}{
		{"6.3", "6.3", false}, {"6,3", "6.3", false}, {"6,30", "6.30", false}, {"88,25", "88.25", false}, {"0,125", "0.125", false}, {"-0,5", "-0.5", false},
		{"1234,125", "1234.125", false}, {"7,1234", "7.1234", false}, {"1,234", "", true}, {"12,345", "", true}, {"-1,234", "", true}, {"999,000", "", true},
		{"1,234,567", "1,234,567", false}, {"1.234,5", "1.234,5", false}, {"6,", "6,", false}, {",5", ",5", false}, {"", "", false}, {"six", "six", false},
	} {
		got, err := decimalTyped(c.typed, "", "")
		if (err != nil) != c.asks || !c.asks && got != c.want {
			t.Errorf("%q is read as %q (%v), want %q, asked: %t", c.typed, got, err, c.want, c.asks)
		}
	}
	// Where the decimal sign is a comma, a point may divide thousands too (CLDR,
	// es-ES: 1.234,5); with other than three digits behind it it cannot.
	for _, c := range []struct {
		typed, want string
		asks        bool
	}{
		{"6.3", "6.3", false}, {"6,3", "6.3", false}, {"88.25", "88.25", false}, {"0.125", "0.125", false}, {"-0.125", "-0.125", false}, {"1234.125", "1234.125", false},
		{"7.1234", "7.1234", false}, {"1.234", "1.234", true}, {"-12.345", "-12.345", true}, {"999.000", "999.000", true}, {"1,234", "1,234", true}, {"1.234,5", "1.234,5", false},
	} {
		got, err := decimalTyped(c.typed, ",", "")
		if (err != nil) != c.asks || got != c.want {
			t.Errorf("%q on a page with a comma is read as %q (%v), want %q, asked: %t", c.typed, got, err, c.want, c.asks)
		}
	}
	if got, err := decimalTyped("1.234", ".", ""); err != nil || got != "1.234" {
		t.Errorf("1.234 on a page with a point is read as %q (%v)", got, err)
	}
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := b.ready(v)
	v.send(address, address+"/facts", url.Values{"part": {"questions"}, "v.hematocrit": {"57,5"}})
	b.wants(v.page(address), "57.5 %")
	v.post(address+"/facts", url.Values{"form": {v.token()}, "part": {"questions"}, "v.hematocrit": {"1,234"}})
	b.wants(v.last, `value="1,234"`, "a comma before three digits; write a point for decimals")
	v.accept = "es"
	v.post(address+"/facts", url.Values{"form": {v.token()}, "part": {"questions"}, "v.hematocrit": {"1,234"}})
	b.wants(v.last, "se encontró una coma antes de tres cifras")
}

// On a page whose decimal sign is a comma a point before three digits is asked
// about, and nothing is stored; what was stated before and comes back as it stood
// is not.
func TestPointTypedWhereTheSignIsAComma(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := v.open("es-separ", merrin)
	v.send(address, address+"/custody", custody("order_on_file"))
	// In English the decimal sign is a point in Spain too.
	v.send(address, address+"/facts", url.Values{"part": {"questions"}, "v.hematocrit": {"57.125"}})
	b.wants(v.page(address), "57.125 %")
	v.accept = "es"
	v.page(address)
	v.post(address+"/facts", url.Values{"form": {v.token()}, "k": {first(kForm, v.last)}, "part": {"stated"}, "v.hematocrit": {"56.125"}})
	b.wants(v.last, `value="56.125"`, "se encontró una coma o un punto antes de exactamente tres cifras")
	b.wants(v.page(address), "57.125 %")
	v.send(address, address+"/facts", url.Values{"k": {first(kForm, v.last)}, "part": {"stated"}, "v.hematocrit": {"57.125"}})
	v.page(address)
	v.send(address, address+"/facts", url.Values{"k": {first(kForm, v.last)}, "part": {"stated"}, "v.hematocrit": {"56.5"}})
	b.wants(v.page(address), "56.5 %")
}

// What is wrong with a typed value is told in the language of the page: by its
// parts, with what was typed as it was typed.
func TestFaultOfAValueInSpanish(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	v.accept = "es"
	address := b.ready(v)
	for typed, want := range map[string]string{
		"fifty": `Se esperaba un número en %; se encontró "fifty %"; escriba cifras con punto decimal, como 88 o 7.3.`,
		"0.56":  `Se esperaba un porcentaje; se encontró "0.56 %"; se pide un porcentaje: escriba 56 para una fracción de 0.56, o indique la unidad L/L si lo impreso es la fracción.`,
		"156":   `Se esperaba un número de 0 a 100 %; se encontró "156 %"; compruebe la cifra.`,
	} {
		v.page(address)
		v.post(address+"/facts", url.Values{"form": {v.token()}, "part": {"questions"}, "v.hematocrit": {typed}})
		b.wants(v.last, want)
	}
}

// Where a number can be read in two ways the page asks which it is, beside the
// field, and takes the answer with what was typed: of facts, of tests, of figures of
// a report and of the flow of a leg, on pages with either sign. An answer for another
// number, and one that is neither of the two, is none.
func TestNumberThatCanBeReadInTwoWays(t *testing.T) {
	for _, c := range []struct{ typed, decimal, chosen, want string }{
		{"1,234", "", "1.234", "1.234"}, {"1,234", "", "1234", "1234"}, {"-1,234", ",", "-1.234", "-1.234"}, {"1.234", ",", "1.234", "1.234"}, {"1.234", ",", "1234", "1234"},
		{"6,5", ",", "65", "6.5"}, {"1.234", "", "1234", "1.234"},
	} {
		if got, err := decimalTyped(c.typed, c.decimal, c.chosen); err != nil || got != c.want {
			t.Errorf("%q with %q chosen on a page with %q is read as %q (%v), want %q", c.typed, c.chosen, c.decimal, got, err, c.want)
		}
	}
	for _, chosen := range []string{"1.235", "1235", "1,234", "x", "1.2340"} {
		if got, err := decimalTyped("1,234", "", chosen); err == nil {
			t.Errorf("1,234 with %q chosen is read as %q", chosen, got)
		}
	}
	const way = `<input type="radio" name="way.%s" value="%s"`
	for _, page := range []struct{ accept, typed, sign, asks, decimals, whole string }{
		{"en", "57,125", ".", "or choose which number it is", "with decimals: more than 57 and less than 58", "without decimals: 57125"},
		{"es", "57.125", ",", "o elija qué número es", "con decimales: más de 57 y menos de 58", "sin decimales: 57125"},
		{"es", "57,125", ",", "o elija qué número es", "con decimales: más de 57 y menos de 58", "sin decimales: 57125"},
	} {
		b := newBench(t, &storetest.Memory{}, false)
		v := b.at(Intake)
		address := v.open("es-separ", merrin)
		v.send(address, address+"/custody", custody("order_on_file"))
		v.accept = page.accept
		form := func(more ...string) url.Values {
			f := url.Values{"part": {"questions"}, "v.hematocrit": {page.typed}}
			for i := 0; i < len(more); i += 2 {
				f.Set(more[i], more[i+1])
			}
			return f
		}
		asked := func(key string) {
			t.Helper()
			b.wants(v.last, page.asks, fmt.Sprintf(way, key, "57.125"), fmt.Sprintf(way, key, "57125"), page.decimals, page.whole, `value="`+page.typed+`"`)
		}
		// A fact. The choice is taken only of the number that stands there.
		b.lacks(v.page(address), "way.v.hematocrit")
		v.post(address+"/facts", form("form", v.token()))
		asked("v.hematocrit")
		b.lacks(v.last, " checked> "+page.decimals)
		v.page(address)
		v.post(address+"/facts", form("form", v.token(), "way.v.hematocrit", "58.125"))
		asked("v.hematocrit")
		// The answer stays where something else has to be mended.
		v.page(address)
		v.post(address+"/facts", form("form", v.token(), "way.v.hematocrit", "57.125", "v.age", "x", "v.test_date", "2026-02-31"))
		b.wants(v.last, `name="way.v.hematocrit" value="57.125" checked> `+page.decimals)
		v.send(address, address+"/facts", form("way.v.hematocrit", "57.125"))
		v.accept = "en"
		b.wants(v.page(address), "57.125 %")
		v.accept = page.accept

		// A test of the list.
		test := func() url.Values {
			return url.Values{"name": {"Gas"}, "v.test_date": {"2026-03-01"}, "v.test_state": {"rest"}, "v.rest_pao2": {page.typed}, "u.rest_pao2": {"mmHg"}}
		}
		v.page(address + "/tests")
		v.post(address+"/tests", test())
		asked("v.rest_pao2")
		f := test()
		f.Set("way.v.rest_pao2", "57.125")
		v.send(address+"/tests", address+"/tests", f)
		v.accept = "en"
		b.wants(v.page(address+"/tests"), `value="57.125"`)
		v.accept = page.accept

		// A figure of a report, level and value.
		v.page(address + "/report")
		r := figures(page.typed, "1.4")
		r.Set("l.1", page.typed)
		v.post(address+"/report", r)
		asked("v.1")
		asked("l.1")
		r.Set("way.v.1", "57.125")
		r.Set("way.l.1", "57.125")
		if w := v.post(address+"/report", withToken(v, address, r)); w.Code != http.StatusSeeOther {
			t.Errorf("a report with its numbers told apart: status %d: %s", w.Code, text(v.last))
		}
		v.accept = "en"
		b.wants(v.page(address+"/report"), `name="v.1" value="57.125"`, `name="l.1" value="57.125"`)

		// The flow of a leg.
		walk := v.walked()
		v.accept = page.accept
		typed := strings.Replace(page.typed, "57", "2", 1)
		m := walkForm(map[string]string{"flow.exertion_oxygen": typed})
		if page.sign == "." || strings.Contains(typed, ",") { // the criteria of the walk are of a country with a point
			v.page(walk)
			v.post(walk+"/marks", m)
			b.wants(v.last, page.asks, fmt.Sprintf(way, "flow.exertion_oxygen", "2.125"), fmt.Sprintf(way, "flow.exertion_oxygen", "2125"), `value="`+typed+`"`)
			m.Set("way.flow.exertion_oxygen", "2.125")
		}
		v.send(walk, walk+"/marks", m)
		v.accept = "en"
		b.wants(v.page(walk), "oxygen, 2.125 L/min")
	}
}
