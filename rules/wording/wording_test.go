package wording

import (
	"encoding/json"
	"errors"
	"fmt"
	"testing"
)

// A text is stored as it always was, and one of an old store is read: parts, and
// arguments that are numbers or strings.
func TestTextIsStoredInItsParts(t *testing.T) {
	said := Said("%s: %s", Fault("line %d", 3), Joined("%s, %q", Either([]string{"a", "b"}), Literal("2030-01-31")))
	const stored = `{"format":"%s: %s","args":[{"format":"line %d","args":[3]},{"format":"%s, %q","args":[{"format":"%s or %s","args":[{"format":"%s","args":["a"]},"b"]},"2030-01-31"]}]}`
	raw, err := json.Marshal(said)
	if err != nil || string(raw) != stored {
		t.Errorf("stored as %s, %v", raw, err)
	}
	var back Text
	if err := json.Unmarshal([]byte(stored), &back); err != nil || back.String() != said.String() || back.String() != `line 3: a or b, "2030-01-31"` {
		t.Errorf("read back as %q, %v; want %q", back, err, said)
	}
	if err := json.Unmarshal([]byte(`"50 % of it"`), &back); err != nil || back.String() != "50 % of it" {
		t.Errorf("a string is read as %q, %v", back, err)
	}
	if err := json.Unmarshal([]byte(`""`), &back); err != nil || !back.IsZero() {
		t.Errorf("an empty string is read as %q, %v", back, err)
	}
	for _, bad := range []string{`[]`, `{"format":1}`, `{"format":"%d","args":[1.5]}`, `{"format":"%s","args":[{"format":2}]}`} {
		if err := json.Unmarshal([]byte(bad), &back); err == nil {
			t.Errorf("%s was read as %q", bad, back)
		}
	}
	if got := List("; ", []Text{Said("a"), Literal("b").Quoted()}).String(); got != `a; "b"` {
		t.Errorf("a list says %q", got)
	}
}

// What a command line takes is said where a text is a string, and is kept by no
// store.
func TestTypedIsSaidAlone(t *testing.T) {
	said := Said("say which one%s", Typed(": --columns spo2=2"))
	if got := said.String(); got != "say which one: --columns spo2=2" {
		t.Errorf("a command says %q", got)
	}
	if raw, err := json.Marshal(said); err != nil || string(raw) != `{"format":"say which one%s","args":[""]}` {
		t.Errorf("stored as %s, %v", raw, err)
	}
}

// What an error says in parts is found behind what was put before it.
func TestOf(t *testing.T) {
	said := Said("expected %s", "more")
	if got := Of(fmt.Errorf("the form: %w", Error{said})); got.String() != "expected more" {
		t.Errorf("found %q", got)
	}
	if got := Of(errors.New("another")); !got.IsZero() {
		t.Errorf("found %q in an error without parts", got)
	}
}
