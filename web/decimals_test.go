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
		got, err := decimalTyped(c.typed)
		if (err != nil) != c.asks || !c.asks && got != c.want {
			t.Errorf("%q is read as %q (%v), want %q, asked: %t", c.typed, got, err, c.want, c.asks)
		}
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
