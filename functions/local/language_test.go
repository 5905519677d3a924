package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// The worksheet speaks the language that is asked for; data and statuses stay
// as they are, and a language that there is not is a wrong flag.
func TestCheckInALanguage(t *testing.T) {
	facts := filepath.Join(t.TempDir(), "facts.yaml")
	if err := os.WriteFile(facts, []byte("custody: sent_by_tester\ntest_date: 2026-03-01\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	call := func(more ...string) (string, int) {
		t.Helper()
		r := command(t, "", append([]string{"check", "../../testdata/recordings/tenths.csv", "--criteria", "us-medicare,es-separ", "--facts", facts}, more...)...)
		return r.out, r.code
	}
	plain, code := call()
	english, same := call("--language", "en")
	spanish, too := call("--language", "es")
	if code != exitUndetermined || same != code || too != code {
		t.Fatalf("statuses %d, %d, %d, want %d", code, same, too, exitUndetermined)
	}
	for _, want := range []string{"Hoja de trabajo", "Sin determinar", "1 mar 2026", "88.2 %", "88,2 %"} { // CLDR: es-US has a point, es-ES a comma
		if !strings.Contains(spanish, want) {
			t.Errorf("in Spanish it lacks %q: %.400s", want, spanish)
		}
	}
	if !strings.Contains(english, "Mar 1, 2026") || !strings.Contains(english, "1 Mar 2026") || !strings.Contains(plain, "2026-03-01") {
		t.Errorf("days are not written as in the United States and in Spain, or plain as data have them")
	}
	data, _ := call("--json")
	if again, _ := call("--json", "--language", "es"); data != again || !strings.Contains(data, `"Waits for an answer.`) {
		t.Error("the data hang on the language")
	}
	if out, code := call("--language", "xx"); code != 1 || out != "" {
		t.Errorf("an unknown language: status %d, %q", code, out)
	}
}
