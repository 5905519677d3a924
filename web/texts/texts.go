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
	"cmp"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"unicode"
	"unicode/utf8"

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
	chain map[string]string // what the chain says, by English text

	once       sync.Once
	recognised []shape
}

// English is the language of the keys.
var English = &Language{Tag: "en", Name: "English"}

// Spanish is plain and formal.
var Spanish = mustRead("es", "Español")

// Languages are all that the pages speak, English first.
var Languages = []*Language{English, Spanish}

var matcher = language.NewMatcher([]language.Tag{language.English, language.Spanish})

// mustRead reads the catalogs of a language: that of the pages from every file
// of its folder, and that of the chain from the folder chain in it.
func mustRead(tag, name string) *Language {
	return &Language{Tag: tag, Name: name, texts: mustReadAll(tag), chain: mustReadAll(tag + "/chain")}
}

func mustReadAll(folder string) map[string]string {
	texts := map[string]string{}
	names, err := fs.Glob(catalogs, folder+"/*.yaml")
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
			if _, twice := texts[key]; twice {
				err = fmt.Errorf("%s: expected each text once, found %q again", n, key)
			}
		}
		if err != nil {
			break
		}
		maps.Copy(texts, part)
	}
	if err != nil || len(texts) == 0 {
		panic(fmt.Sprintf("texts: the catalog in %s is not readable: %v", folder, err)) // a fault of the build, not of any input
	}
	return texts
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

// ChainKeys are the English texts that the catalog of the chain holds.
func (l *Language) ChainKeys() []string { return slices.Collect(maps.Keys(l.chain)) }

// Said is a text of the chain in l, with its places; what the chain has not in
// words of its own is looked for among the texts of the pages. It is found as a
// whole or not at all, so that what a pack holds or a person typed is never
// taken for a text.
func (l *Language) Said(english string) (string, bool) {
	if s, ok := l.chain[english]; ok {
		return s, true
	}
	s, ok := l.texts[english]
	return s, ok
}

// Has reports whether l says key in words of its own.
func (l *Language) Has(key string) bool {
	_, ok := l.texts[key]
	return ok
}

// Text is key in l. A text that the catalog does not hold is looked for as a
// sentence made of one, with a capital and a full stop, and then among those with places: the
// stages of the chain, the store and errors put their texts together in English
// and know no language. What fits none stays as it is, so that what people
// typed passes through.
func (l *Language) Text(key string) string {
	if said, ok := strings.CutPrefix(key, saidAlready); ok {
		return said
	}
	return l.text(key, deepest)
}

// saidAlready begins a text that Text is not to look for. It is no letter and
// takes no room (U+2063).
const saidAlready = "\u2063"

// Already marks a text as said in the language of the page: Text and Format print
// it as it is, with words of a file in it that look like words of ours.
func Already(text string) string { return saidAlready + text }

func (l *Language) text(key string, depth int) string {
	if s, ok := l.texts[key]; ok {
		return s
	}
	if l.texts == nil || key == "" || len(key) > longest {
		return key
	}
	if bare, ok := strings.CutSuffix(key, "."); ok {
		if s, ok := l.texts[bare]; ok {
			return s + "."
		}
		if s, ok := l.texts[withFirst(bare, strings.ToLower)]; ok {
			return withFirst(s, strings.ToUpper) + "."
		}
	}
	if depth <= 0 {
		return key
	}
	if said, ok := l.recognise(key, depth, sureLetters, ""); ok {
		return said
	}
	// What follows a text of its own: "yes, in the chart: …".
	for _, mark := range []string{": ", ", ", " (", "; "} {
		for at := strings.LastIndex(key, mark); at > 0; at = strings.LastIndex(key[:at], mark) {
			head, rest := key[:at], key[at+len(mark):]
			said, known := l.texts[head]
			if !known {
				continue
			}
			if tail, ok := l.recognise(mark+rest, depth-1, leastLetters, mark); ok {
				return said + tail
			}
			return said + mark + l.text(rest, depth-1)
		}
	}
	if m := beforeFigure.FindStringSubmatch(key); m != nil {
		if said, known := l.texts[m[1]]; known {
			return said + " " + l.text(m[2], depth-1)
		}
	}
	if head, rest, ok := strings.Cut(key, "; "); ok {
		return l.text(head, depth-1) + "; " + l.text(rest, depth)
	}
	if bare, ok := strings.CutSuffix(key, ")"); ok {
		if head, rest, ok := strings.Cut(bare, " ("); ok {
			return l.text(head, depth-1) + " (" + l.text(rest, depth-1) + ")"
		}
	}
	if said, ok := l.recognise(key, depth, leastLetters, ""); ok {
		return said
	}
	// A list, every part of which is a text of its own or a figure.
	if head, rest, ok := strings.Cut(key, ", "); ok {
		said, more := l.text(head, depth-1), l.text(rest, depth-1)
		if (said != head || figure.MatchString(head)) && (more != rest || figure.MatchString(rest)) {
			return said + ", " + more
		}
	}
	return key
}

// figure is a number with its unit, if it has one.
var figure = regexp.MustCompile(`^[\d.,:-]+(?: \S+)?$`)

// beforeFigure parts a text from the figure behind it: "lowest saturation 81 %",
// "report 733108c1b5c6".
var beforeFigure = regexp.MustCompile(`^([^\d]*\pL) (\d.*|[0-9a-f]{12})$`)

// recognise says a text that has a shape of at least so many letters, and whose
// key begins with a mark.
func (l *Language) recognise(key string, depth, letters int, mark string) (string, bool) {
	for _, sh := range l.shapes() {
		if sh.letters < letters {
			break
		}
		if !strings.HasPrefix(sh.key, mark) || !strings.Contains(key, sh.needle) {
			continue
		}
		m := sh.pattern.FindStringSubmatch(key)
		if m == nil {
			continue
		}
		args := make([]any, len(m)-1)
		for i, a := range m[1:] {
			args[i] = l.text(a, depth-1)
		}
		return fmt.Sprintf(sh.says, args...), true
	}
	return "", false
}

// deepest is how many texts within texts are looked for (our choice).
const deepest = 60

// longest is the longest text, in bytes, that is looked for among those with
// places (our choice).
const longest = 3000

// withFirst changes the first letter of a text.
func withFirst(s string, change func(string) string) string {
	_, n := utf8.DecodeRuneInString(s)
	return change(s[:n]) + s[n:]
}

// shape recognises a text with places that is put together already.
type shape struct {
	key     string
	pattern *regexp.Regexp
	says    string // with every place as %s, numbered
	letters int    // outside the places
	needle  string // the longest of its parts outside them: what lacks it is not tried
}

// Place is one place of a text, as package fmt reads it.
var Place = regexp.MustCompile(`%(?:\[(\d+)\])?[-+ #0]*[\d.]*([sdqvfgx%])`)

// leastLetters is how many letters a text has to have outside its places to be
// recognised; fewer would fit too much. With sureLetters it is taken for the
// whole of a text that may be a list, too (our choice).
const leastLetters, sureLetters = 3, 10

// shapes are the texts with places, those with most letters outside them first.
func (l *Language) shapes() []shape {
	l.once.Do(func() {
		for key, says := range l.texts {
			if sh, ok := shapeOf(key, says); ok {
				l.recognised = append(l.recognised, sh)
			}
		}
		slices.SortFunc(l.recognised, func(a, b shape) int {
			return cmp.Or(cmp.Compare(b.letters, a.letters), cmp.Compare(a.pattern.String(), b.pattern.String()))
		})
	})
	return l.recognised
}

func shapeOf(key, says string) (shape, bool) {
	sh := shape{key: key}
	pattern, at, places := "(?s)^", 0, 0
	for _, m := range Place.FindAllStringSubmatchIndex(key, -1) {
		pattern += regexp.QuoteMeta(key[at:m[0]])
		at = m[1]
		switch verb := key[m[4]:m[5]]; {
		case m[2] >= 0:
			return sh, false // a key stands in order
		case verb == "%":
			pattern += "%"
			continue
		case verb == "d":
			pattern += `(-?[0-9,]+)`
		case verb == "f" || verb == "g":
			pattern += `(-?[0-9.]+)`
		case verb == "q":
			pattern += `("(?:[^"\\]|\\.)*")`
		default:
			pattern += `(.*?)`
		}
		places++
	}
	for _, part := range Place.Split(key, -1) {
		if len(part) > len(sh.needle) {
			sh.needle = part
		}
	}
	for _, r := range Place.ReplaceAllString(key, "") {
		if unicode.IsLetter(r) {
			sh.letters++
		}
	}
	if places == 0 || sh.letters < leastLetters {
		return sh, false
	}
	sh.pattern = regexp.MustCompile(pattern + regexp.QuoteMeta(key[at:]) + "$")
	next := 0
	sh.says = Place.ReplaceAllStringFunc(says, func(place string) string {
		m := Place.FindStringSubmatch(place)
		if m[2] == "%" {
			return place
		}
		next++
		if m[1] != "" {
			next, _ = strconv.Atoi(m[1])
		}
		return fmt.Sprintf("%%[%d]s", next)
	})
	return sh, true
}

// Format is key in l, with its places (%s, %d, %q, %[2]s) filled as
// fmt.Sprintf does. An argument that is a Message is said in l too.
func (l *Language) Format(key string, args ...any) string {
	said := make([]any, len(args))
	for i, a := range args {
		switch a := a.(type) {
		case Message:
			said[i] = l.Of(a)
		case string:
			said[i] = strings.TrimPrefix(a, saidAlready)
		default:
			said[i] = a
		}
	}
	if s, ok := l.texts[key]; ok {
		key = s
	}
	return fmt.Sprintf(key, said...)
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
