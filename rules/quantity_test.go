package rules

import (
	"math/big"
	"strings"
	"testing"
)

func TestParseQuantity(t *testing.T) {
	cases := []struct {
		text string
		num  int64
		den  int64
		unit string
		err  string
	}{
		{"5 min", 5, 1, "min", ""},
		{"88", 88, 1, "", ""},
		{"7.3 kPa", 73, 10, "kPa", ""},
		{"0.1 %", 1, 10, "%", ""}, // no float is a tenth
		{"-3 days", -3, 1, "days", ""},
		{"1/3", 1, 3, "", ""},
		{"123456.789012", 123456789012, 1000000, "", ""},
		{"1234567.890123", 0, 0, "", "at most 12 digits, found 13"},
		{"1e3", 0, 0, "", "a number"},
		{"0x10", 0, 0, "", "a number"},
		{"1_000", 0, 0, "", "a number"},
		{"+5", 0, 0, "", "a number"},
		{".5", 0, 0, "", "a number"},
		{"5.", 0, 0, "", "a number"},
		{"5  min", 0, 0, "", "a number"},
		{"5min", 0, 0, "", "a number"},
		{"٥ min", 0, 0, "", "a number"}, // digits of another script
		{"1/0", 0, 0, "", "denominator above 0"},
		{"5 minutes", 0, 0, "", "a unit out of"},
		{"5 MIN", 0, 0, "", "a unit out of"},
		{"", 0, 0, "", "a number"},
	}
	for _, c := range cases {
		q, err := ParseQuantity(c.text)
		if c.err != "" {
			if err == nil || !strings.Contains(err.Error(), c.err) || q.Rat != nil {
				t.Errorf("%q: %v, %v; want words %q", c.text, q, err, c.err)
			}
			continue
		}
		if err != nil || q.Rat.Cmp(big.NewRat(c.num, c.den)) != 0 || q.Unit != c.unit || q.Text != c.text {
			t.Errorf("%q: %+v, %v", c.text, q, err)
		}
	}
}

func quantities(t *testing.T, texts ...string) Quantities {
	t.Helper()
	var qs Quantities
	for _, s := range texts {
		q, err := ParseQuantity(s)
		if err != nil {
			t.Fatal(err)
		}
		qs = append(qs, q)
	}
	return qs
}

func TestQuantityString(t *testing.T) {
	cases := []struct{ got, want string }{
		{quantities(t, "55 mmHg", "7.3 kPa").String(), "55 mmHg (7.3 kPa)"},
		{quantities(t, "5 min").String(), "5 min"},
		{Quantities(nil).String(), ""},
		{Quantity{}.String(), ""},
		{Quantity{Rat: big.NewRat(1, 3)}.String(), "1/3"},
		{Quantity{Rat: big.NewRat(1, 8), Unit: "h"}.String(), "0.125 h"},
		{Quantity{Text: "88", Rat: big.NewRat(88, 1), Unit: "%"}.String(), "88 %"},
		{Quantity{Text: "30 %", Rat: big.NewRat(3, 10)}.String(), "30 %"}, // a share keeps the form in which it was written
	}
	for _, c := range cases {
		if c.got != c.want {
			t.Errorf("got %q, want %q", c.got, c.want)
		}
	}
}

// Pairs as documents print them: 7.3 kPa (55 mmHg) and 8 kPa (60 mmHg) in the
// British Thoracic Society's guideline on home oxygen in adults (2015); the
// factor is that of NIST Special Publication 811, 133.3224 Pa to the mmHg
// (both from memory).
func TestAgree(t *testing.T) {
	cases := []struct {
		a, b string
		want bool
	}{
		{"55 mmHg", "7.3 kPa", true},
		{"60 mmHg", "8 kPa", true},
		{"60 mmHg", "8.0 kPa", true},
		{"56 mmHg", "7.4 kPa", true},  // 7.4 kPa is 55.5 mmHg
		{"56 mmHg", "7.3 kPa", false}, // 7.3 kPa is 54.8 mmHg: further than half a last digit of each
		{"55 mmHg", "8.3 kPa", false},
		{"55 mmHg", "73 kPa", false},
		{"5 min", "300 s", true},
		{"5 min", "0.5 h", false},
		{"55 mmHg", "55 %", false},
	}
	for _, c := range cases {
		qs := quantities(t, c.a, c.b)
		if got := agree(qs[0], qs[1]); got != c.want || agree(qs[1], qs[0]) != got {
			t.Errorf("%s and %s: %v, want %v", c.a, c.b, got, c.want)
		}
	}
	if got, _ := units["mmHg"].factor.Float64(); got < 133.32235 || got > 133.32245 {
		t.Errorf("a mmHg is %v Pa", got)
	}
}

// Pairs of the literature: kitten and sitting are three changes apart; ca and
// abc are three if a pair may be swapped once and not edited again (optimal
// string alignment).
func TestEditDistance(t *testing.T) {
	for _, c := range []struct {
		a, b string
		want int
	}{{"kitten", "sitting", 3}, {"ca", "abc", 3}, {"form", "from", 1}, {"", "abc", 3}, {"abc", "", 3}, {"same", "same", 0}} {
		if got := editDistance(c.a, c.b); got != c.want {
			t.Errorf("%q and %q: %d, want %d", c.a, c.b, got, c.want)
		}
	}
	words := []string{"rest_spo2", "rest_pao2", "symptoms"}
	for s, want := range map[string]string{"rest_spo": "rest_spo2", "REST_SPO2": "rest_spo2", "symtpoms": "symptoms", "moon": "", strings.Repeat("x", 1000): ""} {
		if got := nearest(s, words); got != want {
			t.Errorf("%q: %q, want %q", s, got, want)
		}
	}
}
