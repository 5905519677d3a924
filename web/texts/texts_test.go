package texts

import (
	"errors"
	"fmt"
	"testing"
)

// RFC 9110, section 12.5.4: a header lists ranges with weights; what is not
// accepted at all is no match.
func TestChoose(t *testing.T) {
	for _, c := range []struct{ tag, accept, want string }{
		{"", "", "en"},
		{"", "es", "es"},
		{"", "es-MX,es;q=0.9,en;q=0.8", "es"},
		{"", "en-US,en;q=0.9,es;q=0.1", "en"},
		{"", "en;q=0.1,es;q=0.9", "es"},
		{"", "de,fr;q=0.5", "en"},
		{"", "de,es;q=0.1", "es"},
		{"", ";;;=", "en"},
		{"es", "en-US", "es"},
		{"en", "es", "en"},
		{"xx", "es", "es"},
	} {
		if got := Choose(c.tag, c.accept); got.Tag != c.want {
			t.Errorf("Choose(%q, %q) = %q, want %q", c.tag, c.accept, got.Tag, c.want)
		}
	}
}

func TestLanguageSays(t *testing.T) {
	l := &Language{Tag: "xx", texts: map[string]string{
		"%s held by %s": "lo tiene %[2]s: %[1]s",
		"%s by %s":      "por %[2]s, %[1]s", "the file": "el fichero", "expected %d": "se esperaban %d", "%d line, %s": "%d renglón, %s", "%d lines, %s": "%d renglones, %s",
	}}
	for _, c := range []struct{ got, want string }{
		{l.Of("the file"), "el fichero"},
		{l.Of("Jane's words"), "Jane's words"},
		{l.Of(nil), ""},
		{l.Of(Say("%s by %s", Say("the file"), "R. Q.")), "por R. Q., el fichero"},
		{l.Of(fmt.Errorf("reading: %w", Say("expected %d", 3))), "se esperaban 3"},
		{l.Of(errors.New("the file")), "el fichero"},
		{l.Of("The file."), "El fichero."},
		{l.Of("the file held by R. Q."), "lo tiene R. Q.: el fichero"},
		{l.Of("the file by R. Q."), "the file by R. Q."}, // two letters fit too much
		{l.Of("expected 3"), "se esperaban 3"},
		{l.Of("the file, as it came"), "el fichero, as it came"},
		{l.Of("expected 3; expected 4"), "se esperaban 3; se esperaban 4"},
		{l.Of("expected many"), "expected many"},
		{l.Count(1, "%d line, %s", "%d lines, %s", "x"), "1 renglón, x"},
		{l.Count(0, "%d line, %s", "%d lines, %s", "x"), "0 renglones, x"},
		{Say("%s by %s", Say("the file"), "R. Q.").Error(), "the file by R. Q."},
		{English.Count(2, "%d line, %s", "%d lines, %s", "x"), "2 lines, x"},
	} {
		if c.got != c.want {
			t.Errorf("said %q, want %q", c.got, c.want)
		}
	}
}
