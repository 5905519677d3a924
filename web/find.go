package web

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"strings"
	"unicode"

	"golang.org/x/text/unicode/norm"

	"airwarrant/qualify/casework"
)

// nameTerm begins the terms by which a case is found by a name.
const nameTerm = "name "

// termLengths are the lengths, in letters, of the starts of a word under which
// a case is found (our choice). A longer start is looked up by the longest of
// them that it has, and compared with the name itself.
var termLengths = []int{2, 3, 4, 6}

// lengthsOf are those of one word. Where a letter is a word or a syllable of its
// own, a surname is one letter more often than not, and is found by it.
func lengthsOf(word []rune) []int {
	if unicode.In(word[0], unicode.Han, unicode.Hangul, unicode.Hiragana, unicode.Katakana) {
		return append([]int{1}, termLengths...)
	}
	return termLengths
}

// plainLetters are letters that no decomposition makes plain.
var plainLetters = strings.NewReplacer("ł", "l", "ø", "o", "đ", "d", "ð", "d", "ß", "ss", "æ", "ae", "œ", "oe", "ı", "i")

// plainWords are the words of a name in small letters without accents, so
// that a keyboard which lacks them finds the name all the same.
func plainWords(s string) []string {
	s = strings.Map(func(r rune) rune {
		if unicode.Is(unicode.Mn, r) {
			return -1
		}
		return r
	}, norm.NFKD.String(strings.ToLower(s)))
	return strings.FieldsFunc(plainLetters.Replace(s), func(r rune) bool { return !unicode.IsLetter(r) })
}

// nameTerms are the terms of a name: which of its words is the surname is not
// known, so every word counts.
func nameTerms(name string) []string {
	var out []string
	for _, w := range plainWords(name) {
		letters := []rune(w)
		for _, n := range lengthsOf(letters) {
			if n <= len(letters) {
				out = append(out, nameTerm+string(letters[:n]))
			}
		}
	}
	return out
}

// lookUp is the term under which the words of a search are looked up, that of
// the longest word; false if no word is long enough.
func lookUp(words []string) (string, bool) {
	best := ""
	for _, w := range words {
		letters := []rune(w)
		for _, n := range lengthsOf(letters) {
			if n <= len(letters) && n > len([]rune(best)) {
				best = string(letters[:n])
			}
		}
	}
	return nameTerm + best, best != ""
}

// starts reports whether each word of a search begins a word of the name.
func starts(words []string, name string) bool {
	parts := plainWords(name)
	for _, w := range words {
		if !slices.ContainsFunc(parts, func(p string) bool { return strings.HasPrefix(p, w) }) {
			return false
		}
	}
	return true
}

// findLooks is how many cases one page of a search opens at most.
const findLooks = 500

// findCase opens the case whose number was typed, or lists those whose
// patient has a name that begins as typed. The name comes in the body of the
// form and goes into no address.
func (s *Site) findCase(w http.ResponseWriter, q *request) error {
	text := typed(q.PostForm, "find")
	b := listPage{Names: true, Find: findView{Text: text, On: true}}
	if err := s.picks(q.Context(), &b, nil); err != nil {
		return err
	}
	show := func(status int) error {
		s.render(w, q, status, "list", page{Title: "Cases found", Body: b})
		return nil
	}
	if strings.ContainsAny(text, "0123456789") {
		number, err := casework.ParseNumber(text)
		if err == nil {
			var e []casework.Event
			if e, err = s.cfg.Store.Events(q.Context(), number, 1); err == nil && len(e) > 0 {
				seeOther(w, "/cases/"+number)
				return nil
			}
			if err != nil {
				return err
			}
			b.Find.Error = "There is no case of this number. Compare it with the worksheet, symbol by symbol."
			return show(http.StatusNotFound)
		}
		b.Find.Error = "Expected a case number such as 2603-7KQ4X2; found another. Compare it with the worksheet, symbol by symbol."
		return show(http.StatusUnprocessableEntity)
	}
	words := plainWords(text)
	term, ok := lookUp(words)
	if !ok || len(text) > textLimit {
		b.Find.Error = "Expected a case number, or the first two letters or more of a surname; found neither. Type one of them."
		return show(http.StatusUnprocessableEntity)
	}
	if err := s.findNames(q.Context(), &b, words, term, q.PostForm.Get("after")); err != nil {
		return err
	}
	return show(http.StatusOK)
}

func (s *Site) findNames(ctx context.Context, b *listPage, words []string, term, after string) error {
	for looked := 0; looked < findLooks && len(b.Lines) < listSize; {
		numbers, next, err := casework.Find(ctx, s.cfg.Store, term, after, listSize-len(b.Lines))
		if errors.Is(err, casework.ErrToken) {
			return errUnreadableForm
		}
		if err != nil {
			return err
		}
		for _, n := range numbers {
			looked++
			events, err := s.cfg.Store.Events(ctx, n, 1)
			if err != nil {
				return err
			}
			h, err := casework.HeadOf(n, events)
			if err != nil {
				return err
			}
			l, err := s.lineOf(ctx, h, true)
			if err != nil {
				return err
			}
			if starts(words, l.Name) && l.Name != "" {
				b.Lines = append(b.Lines, l)
			}
		}
		b.Find.Next = next
		if next == "" {
			return nil
		}
		after = next
	}
	return nil
}

// nameable lets a case be found by its patient's name; see casework.AddTerms.
func (s *Site) nameable(ctx context.Context, number, name string) error {
	return casework.AddTerms(ctx, s.cfg.Store, s.cfg.Random, number, nameTerms(name))
}

// termsForm says in which form names were made findable; kept as a note once
// every case has its terms.
const termsForm = "1"

// findable gives their terms to cases that an earlier version of the program
// opened.
func (s *Site) findable(ctx context.Context) error {
	form, err := s.cfg.Store.Note(ctx, "terms-form", "names")
	if err == nil && string(form) == termsForm {
		return nil
	}
	if err != nil && !errors.Is(err, casework.ErrNotFound) {
		return err
	}
	for h, err := range casework.All(ctx, s.cfg.Store.Heads) {
		if err != nil {
			return err
		}
		if h.Patient.Name == "" {
			continue
		}
		name, err := h.Reveal(ctx, s.cfg.Store, h.Patient.Name)
		if errors.Is(err, casework.ErrDestroyed) {
			continue
		}
		if err != nil {
			return err
		}
		if err := s.nameable(ctx, h.Case, string(name)); err != nil {
			return err
		}
	}
	return s.cfg.Store.PutNote(ctx, "terms-form", "names", []byte(termsForm))
}
