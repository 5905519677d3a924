// Package wording keeps sentences of the program in their parts, so that each can
// be said in another language without being taken apart again. It imports
// nothing of ours: rules.Language.Tell says a Text.
package wording

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
)

// Text is a sentence of this program, kept in its parts: Format is English as
// package fmt reads it, and Args fill its places. An Arg that is a Text is
// words of ours too; any other is a figure, or stands in a file. A string that is
// a day, 2024-03-13, is written as a language writes days; a Literal never is.
type Text struct {
	Format string
	Args   []any
}

// Said makes a Text.
func Said(format string, args ...any) Text { return Text{format, args} }

// Fault is Said of a file that people write: a string among args stands in it, or
// is to be written into it, as a Literal does.
func Fault(format string, args ...any) Text {
	for i, a := range args {
		if s, ok := a.(string); ok {
			args[i] = Literal(s)
		}
	}
	return Said(format, args...)
}

// Joined puts parts together with marks alone, which no language changes.
func Joined(format string, parts ...any) Text { return Text{format, parts} }

// Verbatim is what stands in the file or was asked for, or a figure, as it is.
func Verbatim(s string) Text { return Joined("%s", s) }

// Literal stands in a file, or is to be written into one, letter by letter: a
// key, a word of the vocabulary, a day as files have it. A Text that comes out
// of a store holds it as a string.
type Literal string

// Typed is how a command line does what the sentence asks for: its flag and what
// to give it, with the marks and words that join it to the sentence. Only String
// says it. rules.Language.Tell leaves it out, as does a store, because nobody
// types it into a page.
type Typed string

// Text is the literal as a whole text.
func (s Literal) Text() Text { return Joined("%s", s) }

// Quoted is the literal between quotes, as a whole text.
func (s Literal) Quoted() Text { return Joined("%q", s) }

// List puts parts one behind the other, with marks between each two.
func List[T any](marks string, parts []T) Text {
	args := make([]any, len(parts))
	for i, p := range parts {
		args[i] = p
	}
	return Joined(strings.TrimSuffix(strings.Repeat("%s"+marks, len(parts)), marks), args...)
}

// Either names parts, at least one, of which one is asked for.
func Either[T any](parts []T) Text {
	said := Joined("%s", parts[0])
	for _, p := range parts[1:] {
		said = Said("%s or %s", said, p)
	}
	return said
}

// IsZero reports whether the text says nothing.
func (t Text) IsZero() bool { return t.Format == "" }

// Error is a text as an error.
type Error struct{ Text }

// Error is the text in English.
func (e Error) Error() string { return e.String() }

// Said is the text.
func (e Error) Said() Text { return e.Text }

// Of is what an error says in its parts: the first of those that it wraps, itself
// included, that has a method Said. It is empty where none has.
func Of(err error) Text {
	var says interface {
		error
		Said() Text
	}
	if errors.As(err, &says) {
		return says.Said()
	}
	return Text{}
}

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
		case Typed:
			a = ""
		default:
			a = fmt.Sprint(a)
		}
		k.Args = append(k.Args, a)
	}
	return json.Marshal(k)
}

// UnmarshalJSON reads what MarshalJSON wrote; a string, as older stores have it in
// some places, is verbatim. Its errors are those of package json.
func (t *Text) UnmarshalJSON(data []byte) error {
	var whole string
	if json.Unmarshal(data, &whole) == nil {
		*t = Text{}
		if whole != "" {
			*t = Verbatim(whole)
		}
		return nil
	}
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
