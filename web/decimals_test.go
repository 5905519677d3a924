package web

import (
	"net/url"
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
		got, err := decimalTyped(c.typed, "")
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
		got, err := decimalTyped(c.typed, ",")
		if (err != nil) != c.asks || got != c.want {
			t.Errorf("%q on a page with a comma is read as %q (%v), want %q, asked: %t", c.typed, got, err, c.want, c.asks)
		}
	}
	if got, err := decimalTyped("1.234", "."); err != nil || got != "1.234" {
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
