// Package texts is what the pages say, in each language that they speak.
//
// The English text is the key: templates and handlers hold it where it is
// shown, and a catalog gives the same text in another language. Choose finds
// the language of a visitor, Language.Text and Language.Format speak it, and
// Say keeps a text with its figures until the language is known.
//
// What this package does not do: it knows no page, and it translates nothing
// that a person typed and nothing that stands in a document or in criteria.
package texts

import (
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"strings"

	"github.com/goccy/go-yaml"
	"golang.org/x/text/language"
)

//go:embed es
var catalogs embed.FS

// Language is one language of the pages.
type Language struct {
	// Tag is its name for machines (BCP 47), as the attribute lang states it.
	Tag string
	// Name is its name in itself.
	Name string

	texts map[string]string // by English text; nil for English
}

// English is the language of the keys.
var English = &Language{Tag: "en", Name: "English"}

// Spanish is plain and formal.
var Spanish = mustRead("es", "Español")

// Languages are all that the pages speak, English first.
var Languages = []*Language{English, Spanish}

var matcher = language.NewMatcher([]language.Tag{language.English, language.Spanish})

// mustRead reads the catalog of a language from every file of its folder.
func mustRead(tag, name string) *Language {
	l := &Language{Tag: tag, Name: name, texts: map[string]string{}}
	names, err := fs.Glob(catalogs, tag+"/*.yaml")
	for _, n := range names {
		part := map[string]string{}
		var body []byte
		if body, err = catalogs.ReadFile(n); err == nil {
			err = yaml.UnmarshalWithOptions(body, &part, yaml.Strict())
		}
		if err != nil {
			break
		}
		for key := range part {
			if _, twice := l.texts[key]; twice {
				err = fmt.Errorf("%s: expected each text once, found %q again", n, key)
			}
		}
		maps.Copy(l.texts, part)
	}
	if err != nil || len(l.texts) == 0 {
		panic(fmt.Sprintf("texts: the catalog of %s is not readable: %v", tag, err)) // a fault of the build, not of any input
	}
	return l
}

// Choose returns the language that a visitor asked for: by its tag, if that
// is one of ours, else by what the browser accepts (RFC 9110, section
// 12.5.4), else English.
func Choose(tag, accept string) *Language {
	for _, l := range Languages {
		if l.Tag == tag {
			return l
		}
	}
	// A header that cannot be read says nothing.
	tags, _, err := language.ParseAcceptLanguage(accept)
	if err != nil || len(tags) == 0 {
		return English
	}
	_, i, sure := matcher.Match(tags...)
	if sure == language.No {
		return English
	}
	return Languages[i]
}

// Keys are the English texts that the catalog of l holds.
func (l *Language) Keys() []string {
	var out []string
	for k := range l.texts {
		out = append(out, k)
	}
	return out
}

// Has reports whether l says key in words of its own.
func (l *Language) Has(key string) bool {
	_, ok := l.texts[key]
	return ok
}

// Text is key in l. A text that the catalog does not hold stays as it is:
// what people typed passes through here too.
func (l *Language) Text(key string) string {
	if s, ok := l.texts[key]; ok {
		return s
	}
	return key
}

// Format is key in l, with its places (%s, %d, %q, %[2]s) filled as
// fmt.Sprintf does. An argument that is a Message is said in l too.
func (l *Language) Format(key string, args ...any) string {
	said := make([]any, len(args))
	for i, a := range args {
		if m, ok := a.(Message); ok {
			said[i] = l.Of(m)
		} else {
			said[i] = a
		}
	}
	return fmt.Sprintf(l.Text(key), said...)
}

// Count is one or other by the number n, which fills the first place, and
// args the further ones. Both languages tell one from any other number.
func (l *Language) Count(n int, one, other string, args ...any) string {
	if n != 1 {
		one = other
	}
	return l.Format(one, append([]any{n}, args...)...)
}

// Message is a text with what fills its places, said once the language is
// known. It is an error too, for texts about a fault.
type Message struct {
	Key  string
	Args []any
}

// Say makes a message.
func Say(key string, args ...any) Message { return Message{key, args} }

// String is the message in English.
func (m Message) String() string { return English.Of(m) }

// Error is the message in English.
func (m Message) Error() string { return English.Of(m) }

// Of says v in l: a Message, an error that is or wraps one, or a text.
func (l *Language) Of(v any) string {
	switch v := v.(type) {
	case nil:
		return ""
	case Message:
		if len(v.Args) == 0 {
			return l.Text(v.Key)
		}
		return l.Format(v.Key, v.Args...)
	case error:
		var m Message
		if errors.As(v, &m) {
			return l.Of(m)
		}
		return l.Text(v.Error())
	case string:
		return l.Text(v)
	}
	return l.Text(fmt.Sprint(v))
}

// Sentence says an error as a sentence: with a capital and a full stop.
func (l *Language) Sentence(err error) string {
	t := l.Of(err)
	if t == "" {
		return t
	}
	first := strings.ToUpper(string([]rune(t)[:1]))
	return first + string([]rune(t)[1:]) + "."
}
