package recording

import "fmt"

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

// String is the text in English.
func (t Text) String() string {
	if len(t.Args) == 0 {
		return t.Format
	}
	return fmt.Sprintf(t.Format, t.Args...)
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
