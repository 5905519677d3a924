package recording

import (
	"bytes"
	"encoding/json"
	"fmt"
)

// Text is a sentence of this program, kept in its parts: Format is English as
// package fmt reads it, and Args fill its places. An Arg that is a Text is
// words of ours too; any other is a figure, or stands in the file. So it can be
// said in another language without being taken apart again.
type Text struct {
	Format string
	Args   []any
}

// Said makes a Text.
func Said(format string, args ...any) Text { return Text{format, args} }

// joined puts parts together with marks alone, which no language changes.
func joined(format string, parts ...any) Text { return Text{format, parts} }

// verbatim is what stands in the file or was asked for, or a figure, as it is.
func verbatim(s string) Text { return joined("%s", s) }

// String is the text in English.
func (t Text) String() string {
	if len(t.Args) == 0 {
		return t.Format
	}
	return fmt.Sprintf(t.Format, t.Args...)
}

// kept is how a Text lies in a store.
type kept struct {
	Format string `json:"format"`
	Args   []any  `json:"args,omitempty"`
}

// MarshalJSON keeps the text in its parts: an Arg is a Text, a number or a
// string.
func (t Text) MarshalJSON() ([]byte, error) {
	k := kept{Format: t.Format}
	for _, a := range t.Args {
		switch a.(type) {
		case Text, string, int, int32, int64, uint8:
		default:
			a = fmt.Sprint(a)
		}
		k.Args = append(k.Args, a)
	}
	return json.Marshal(k)
}

// UnmarshalJSON reads what MarshalJSON wrote. Its errors are those of package
// json.
func (t *Text) UnmarshalJSON(data []byte) error {
	var k struct {
		Format string            `json:"format"`
		Args   []json.RawMessage `json:"args"`
	}
	if err := json.Unmarshal(data, &k); err != nil {
		return err
	}
	*t = Text{Format: k.Format}
	for _, raw := range k.Args {
		var arg any
		var err error
		switch first := bytes.TrimSpace(raw); first[0] {
		case '{':
			var part Text
			err = json.Unmarshal(raw, &part)
			arg = part
		case '"':
			var s string
			err = json.Unmarshal(raw, &s)
			arg = s
		default:
			var n int64
			err = json.Unmarshal(raw, &n)
			arg = n
		}
		if err != nil {
			return err
		}
		t.Args = append(t.Args, arg)
	}
	return nil
}

// Sentences are texts in English.
func Sentences(texts []Text) []string {
	var out []string
	for _, t := range texts {
		out = append(out, t.String())
	}
	return out
}

// warning is a Warning with its text in parts.
func warning(code, format string, args ...any) Warning {
	t := Said(format, args...)
	return Warning{Code: code, Text: t.String(), Said: t}
}
