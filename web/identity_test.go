package web

import "testing"

// Names are one whatever their order, capitals, punctuation and composed letters
// (Unicode Standard Annex 15), and two wherever a letter or a digit differs.
func TestSameName(t *testing.T) {
	for _, tt := range []struct {
		a, b string
		same bool
	}{
		{"Ada Merrin", "MERRIN, Ada", true},
		{"Ada Merrin", "A. Merrin", false},
		{"Ada Merrin", "Ada Merrin-Oake", false},
		{"Zo\u00eb Merrin", "Zoe\u0308 Merrin", true},
		{"Zo\u00eb Merrin", "Zoe Merrin", false},
		{"Subject 17", "Subject 18", false},
		{"Subject 17", "subject 17", true},
		{"17", "18", false},
		{"17", "18-", false},
		{"\U0001F600", "\U0001F601", false},
		{"--", "**", false},
		{"Madonna", "Madonna", true},
		{"\u05d0\u05d3\u05d4 \u05de\u05e8\u05df", "\u05de\u05e8\u05df, \u05d0\u05d3\u05d4", true},
	} {
		if got := sameName(tt.a, tt.b); got != tt.same {
			t.Errorf("%q and %q: same %v, want %v", tt.a, tt.b, got, tt.same)
		}
	}
}
