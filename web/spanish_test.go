package web

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io"
	"io/fs"
	"maps"
	"math/big"
	"net/http"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"airwarrant/qualify"
	"airwarrant/qualify/casework/storetest"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/recording"
	"airwarrant/qualify/recording/sheets"
	"airwarrant/qualify/worksheet"
	"airwarrant/rules"
	"airwarrant/rules/wording"
	"airwarrant/web/texts"
)

// chainFolders hold the sources of what the chain says.
var chainFolders = []string{"../rules", "../rules/wording", "../qualify", "../qualify/batch", "../qualify/recording", "../qualify/analysis", "../qualify/criteria", "../qualify/editions", "../qualify/worksheet"}

// saysAt are the calls that word a text of the chain, with the place of the text
// among their arguments.
var saysAt = map[string]int{"Say": 0, "say": 0, "Said": 0, "said": 0, "Fault": 0, "layout": 0, "warn": 1, "warning": 1, "lowest": 4, "packError": 0}

// saidByChain are the texts that the sources of the chain word where they stand.
func saidByChain(t *testing.T) []string {
	t.Helper()
	var out []string
	for _, dir := range chainFolders {
		names, err := fs.Glob(os.DirFS(dir), "*.go")
		if err != nil || len(names) == 0 {
			t.Fatalf("%s: expected sources, found %d: %v", dir, len(names), err)
		}
		for _, n := range names {
			if strings.HasSuffix(n, "_test.go") {
				continue
			}
			f, err := parser.ParseFile(token.NewFileSet(), dir+"/"+n, nil, parser.SkipObjectResolution)
			if err != nil {
				t.Fatal(err)
			}
			ast.Inspect(f, func(n ast.Node) bool {
				if field, ok := n.(*ast.KeyValueExpr); ok && nameOf(field.Key) == "Format" {
					if text, ok := plainText(field.Value); ok && letters.MatchString(texts.Place.ReplaceAllString(text, "")) {
						out = append(out, text) // of a FormatError
					}
				}
				call, ok := n.(*ast.CallExpr)
				if !ok {
					return true
				}
				name := nameOf(call.Fun)
				at, ok := saysAt[name[strings.LastIndex(name, ".")+1:]]
				if !ok || len(call.Args) <= at {
					return true
				}
				if text, ok := plainText(call.Args[at]); ok && letters.MatchString(text) {
					out = append(out, text)
				}
				return true
			})
		}
	}
	return out
}

// plainText is a text that stands in the source as it is, in one piece or in a
// sum of pieces.
func plainText(e ast.Expr) (string, bool) {
	switch e := e.(type) {
	case *ast.BasicLit:
		if e.Kind == token.STRING {
			return must(strconv.Unquote(e.Value)), true
		}
	case *ast.BinaryExpr:
		x, first := plainText(e.X)
		y, second := plainText(e.Y)
		return x + y, first && second
	case *ast.ParenExpr:
		return plainText(e.X)
	}
	return "", false
}

// wordedByVocabulary are the texts that the vocabulary gives the chain.
func wordedByVocabulary() []string {
	var out []string
	for _, def := range rules.Vocabulary() {
		phrase := rules.Phrase(def)
		out = append(out, def.Meaning, def.Question, phrase, strings.Replace(phrase, "a saturation", "%s", 1), strings.Replace(phrase, "so many points", "%s", 1))
		for _, w := range def.Words {
			out = append(out, rules.PlainWord(w))
		}
	}
	return out
}

// sameEverywhere are units and formats, which are not translated.
var sameEverywhere = regexp.MustCompile(`^(?:mmHg|kPa|L/min|L/L|g/d?L|min|cm|mm|kg|lb|ft|in|°C|[shm]|% SpO₂|none|EDF|EDF\+[CD]?|WFDB|FHIR)$`)

// The catalog of the chain has every text that the chain words, no text that it
// does not, and the same places as the English.
func TestCatalogOfTheChainIsComplete(t *testing.T) {
	may := map[string]bool{}
	labels := templateSays.FindAllStringSubmatch(string(must(os.ReadFile("../qualify/worksheet/worksheet.tmpl"))), -1)
	if len(labels) < 8 {
		t.Errorf("the template of the worksheet says %d labels, want more", len(labels))
	}
	words := []string{"persons", "conditional"} // of the pages, and of packs
	for _, m := range labels {
		words = append(words, m[1])
	}
	for _, text := range slices.Concat(textsOfTheChain(t), wordedByVocabulary(), words, slices.Collect(maps.Keys(yamlRefusals(t)))) {
		may[text] = true
		may[strings.ToLower(text)] = true         // roles in the middle of a sentence
		may[rules.PlainWord(text)] = true         // words of packs
		may[strings.TrimSuffix(text, "s")] = true // one of a unit
	}
	for _, l := range texts.Languages[1:] {
		for _, text := range slices.Concat(saidByChain(t), wordedByVocabulary(), words) {
			if _, ok := l.Said(text); !ok && text != "" && !sameEverywhere.MatchString(text) {
				t.Errorf("%s lacks %q", l.Name, text)
			}
		}
		for _, key := range l.ChainKeys() {
			said, _ := l.Said(key)
			if !may[key] {
				t.Errorf("%s says %q, which the chain does not; take it out", l.Name, key)
			}
			if want, got := placesOf(key), placesOf(said); !slices.Equal(want, got) && texts.Place.MatchString(key) {
				t.Errorf("%s: %q has the places %v, want those of %q: %v", l.Name, said, got, key, want)
			}
			if strings.TrimSpace(said) == "" {
				t.Errorf("%s says nothing for %q", l.Name, key)
			}
		}
	}
}

var templateSays = regexp.MustCompile(`\.Say "([^"]+)"`)

// heard is a language that remembers what it has no words for.
type heard struct {
	rules.Language
	lacks map[string]bool
}

func listen(l *texts.Language, r rules.Region) heard {
	h := heard{Wording(l, r), map[string]bool{}}
	said := h.Language.Said
	h.Language.Said = func(english string) (string, bool) {
		s, ok := said(english)
		if !ok && letters.MatchString(texts.Place.ReplaceAllString(english, "")) && !sameEverywhere.MatchString(english) {
			h.lacks[english] = true
		}
		return s, ok
	}
	return h
}

// inSpanish fails where a worksheet says anything in English that is neither the
// pack's, which own takes out, nor quoted from a file.
func (h heard) inSpanish(t *testing.T, what string, w *worksheet.Worksheet, own *strings.Replacer) {
	t.Helper()
	for _, text := range wordsOfSheet(w) {
		text = quotedInText.ReplaceAllString(own.Replace(text), "")
		if m := englishWords.FindStringSubmatch(text); m != nil {
			t.Errorf("%s under %s says %q", what, w.Version, text)
		}
	}
	for text := range h.lacks {
		t.Errorf("%s under %s: %s lacks %q", what, w.Version, h.Name(), text)
		delete(h.lacks, text)
	}
}

// wordsOfSheet are all texts of a worksheet.
func wordsOfSheet(w *worksheet.Worksheet) []string {
	out := append([]string{w.Title, w.Version, w.Verdict.Word, w.Headline[0], w.Headline[1], w.Standing}, w.Alerts...)
	for _, s := range w.Sections {
		out = append(append(out, s.Title, s.Lead, s.After), s.Items...)
		if s.Trace != nil {
			out = append(out, s.Trace.Title, s.Trace.Desc, s.Trace.NadirLabel)
			for _, l := range s.Trace.Lanes {
				out = append(out, l.Label)
			}
			for _, r := range s.Trace.Readings() {
				out = append(out, r.Note)
			}
		}
		if s.Table == nil {
			continue
		}
		out = append(out, s.Table.Beyond)
		for _, c := range s.Table.Columns {
			out = append(out, c.Head)
		}
		rows := slices.Concat(s.Table.Rows, s.Table.Packed)
		if last := s.Table.Last; last != nil {
			out = append(out, last.Beyond)
			rows = append(rows, last.Rows...)
		}
		for _, r := range rows {
			out = append(out, r.Words)
			for _, c := range r.Cells {
				out = append(out, c.Text, c.Sub, c.Note)
				if c.Mark != nil {
					out = append(out, c.Mark.Word)
				}
			}
		}
	}
	return out
}

// without takes texts out, a longer one before any that it begins with.
func without(texts []string) *strings.Replacer {
	var pairs []string
	for _, t := range texts {
		pairs = append(pairs, t, "")
	}
	return strings.NewReplacer(pairs...)
}

// quotedInText is what stands in a file, as a text quotes it.
var quotedInText = regexp.MustCompile(`"(?:[^"\\\\]|\\\\.)*"|“[^”]*”|«[^»]*»`)

// No worksheet in Spanish says anything of ours in English, whatever the case
// comes to: every boundary case of the latest version of
// every pack.
func TestWorksheetsInSpanishSayNoEnglish(t *testing.T) {
	if raced {
		return // one goroutine
	}
	lib := must(rules.Embedded())
	seen := map[string]bool{}
	for _, r := range lib.Regions() {
		h := listen(texts.Spanish, r)
		history := lib.History(r.Region)
		p := history[len(history)-1]
		own := worksheet.PackTexts(p)
		cases := criteria.ReadCases(p, p.Cases, p.CasesFile).In(p, h.Language)
		for _, c := range cases {
			for _, line := range c.Determination.Tests {
				if line.Name != criteria.OwnTest && !slices.Contains(own, line.Name) {
					own = append(own, line.Name) // as it was typed
				}
			}
		}
		packs := without(own)
		for _, c := range cases {
			d := c.Determination
			h.inSpanish(t, c.Name, worksheet.New(worksheet.Input{Language: h.Language, Pack: p, Determination: d, Facts: c.Facts}), packs)
			seen[string(d.Outcome)+" "+d.Disposition] = true
		}
		h.inSpanish(t, "blank", worksheet.Blank(h.Language, p, "airwarrant", rules.Date{}), packs)
	}
	if len(seen) < 8 {
		t.Errorf("the cases come to %d outcomes and dispositions, want nearly all", len(seen))
	}
}

// What the reading of a file says on the worksheet is in Spanish too: every
// recording of the corpus that can be read.
func TestRecordingsInSpanishSayNoEnglish(t *testing.T) {
	if raced {
		return // one goroutine
	}
	lib := must(rules.Embedded())
	h := listen(texts.Spanish, must(lib.Region("es-separ")))
	names := must(fs.Glob(os.DirFS("../testdata/recordings"), "*"))
	read := 0
	for _, name := range names {
		if strings.HasSuffix(name, ".md") {
			continue
		}
		day := rules.Date{Year: 2026, Month: 3, Day: 1}
		q := qualify.Query{Language: h.Language, Criteria: []string{"es-separ"}, On: day, Today: day, Session: map[int]int{1: 1},
			Sources: []qualify.Source{{Name: name, Data: must(os.ReadFile("../testdata/recordings/" + name)), Read: recording.Options{MaxBytes: 1 << 24}}},
			Facts: map[string]criteria.Fact{"reported_minutes": {Name: "reported_minutes", State: criteria.Stated,
				Value: criteria.Value{Num: big.NewRat(72, 10), Unit: "min", Places: 1}}}}
		res, err := qualify.Check(q, lib)
		if err != nil {
			continue // it asks, or is refused
		}
		read++
		h.inSpanish(t, name, res.Worksheet(0, qualify.Paper{Printed: day, Demo: true}), without(worksheet.PackTexts(res.Packs[0])))
	}
	if read < 40 {
		t.Errorf("%d recordings were read, want most of them", read)
	}
}

// What a reader says of a file that it refuses is in Spanish too, and the page
// does not take it for English: the recordings of the corpus as they are, cut,
// altered, and read as somebody says who is wrong.
func TestRefusalsInSpanishSayNoEnglish(t *testing.T) {
	if raced {
		return // one goroutine
	}
	h := listen(texts.Spanish, must(must(rules.Embedded()).Region("es-separ")))
	said := map[string]bool{}
	look := func(what string, err error) {
		t.Helper()
		why := whyUnread(err)
		if why.Format == "" {
			t.Fatalf("%s: %v is no refusal in parts", what, err)
		}
		raw := must(json.Marshal(why))
		var kept wording.Text
		if err := json.Unmarshal(raw, &kept); err != nil {
			t.Fatal(err)
		}
		text := h.Language.Tell(why)
		english := rules.Language{}.Tell(why) // what is typed at a command line is in neither
		if again := h.Language.Tell(kept); again != text || kept.String() != english {
			t.Errorf("%s: kept as %s, which says %q and %q, want %q and %q", what, raw, again, kept.String(), text, english)
		}
		if page := texts.Spanish.Text(text); page != text {
			t.Errorf("%s: the page makes %q of %q", what, page, text)
		}
		if m := englishWords.FindStringSubmatch(optionsInText.ReplaceAllString(quotedInText.ReplaceAllString(text, ""), "")); m != nil && !said[text] {
			t.Errorf("%s says %q", what, text)
		}
		said[text] = true
		for text := range h.lacks {
			t.Errorf("%s: %s lacks %q", what, h.Name(), text)
			delete(h.lacks, text)
		}
	}
	wrong := []recording.Options{{Zone: "Nowhere/Else"}, {MaxBytes: 10}}
	for _, columns := range []string{"spo2=99", "spo2=2,pulse=2", "spo2=nowhere", "time=2,spo2=1", "order=xyz", "bogus=1", "spo2=", "header=900", "elapsed=1,spo2=2", "start=never",
		"unit=percent", "delimiter=blanks", "delimiter=::", "decimal=x", "date=1,time=2,spo2=3", "stamps=serial", "quality=9", "sheet=7", "order=mdy", "time=none"} {
		wrong = append(wrong, recording.Options{Columns: columns})
	}
	altered := []func([]byte) []byte{
		func(b []byte) []byte { return b[:len(b)/2] },
		func(b []byte) []byte { return b[:min(len(b), 300)] },
		func(b []byte) []byte { return append(b, "\nno, row\n"...) },
		func(b []byte) []byte { return bytes.ReplaceAll(b, []byte(":"), []byte(";")) },
		func(b []byte) []byte { return bytes.Replace(b, []byte("9"), []byte("x"), 40) },
		func(b []byte) []byte { return bytes.ReplaceAll(b, []byte("\n"), []byte("\n\"")) },
		func(b []byte) []byte { return bytes.Replace(b, []byte("2"), []byte("-"), 3) },
		func(b []byte) []byte { return bytes.Replace(b, []byte(" "), []byte("\x01"), 2) },
	}
	for _, name := range must(fs.Glob(os.DirFS("../testdata/recordings"), "*")) {
		data := must(os.ReadFile("../testdata/recordings/" + name))
		if len(data) > 1<<18 {
			continue // a fault is told of a short file alike
		}
		for _, how := range append(wrong, recording.Options{}) {
			how.Workbook = sheets.Tables
			if _, err := recording.ReadBytes(data, how); err != nil {
				look(name+" "+how.Columns, err)
			}
		}
		for i, alter := range altered {
			if _, err := recording.ReadBytes(alter(bytes.Clone(data)), recording.Options{Workbook: sheets.Tables, MaxBytes: 1 << 22}); err != nil {
				look(fmt.Sprintf("%s, altered %d", name, i), err)
			}
		}
	}
	if len(said) < 200 {
		t.Errorf("%d refusals, want most of those that there are", len(said))
	}
}

// optionsInText are words and keys of the mapping, as the command line takes them.
var optionsInText = regexp.MustCompile(`las claves .*|--\w+|\b\w+=\S*`)

// sentenceWords are words that follow each other.
var sentenceWords = regexp.MustCompile(`\pL \pL`)

// saidByName are what Said takes by another name: a constant, and the names of
// packings, which packError lists too.
var saidByName = map[string]bool{"columnsHelp": true, "what": true}

// A file that no reader takes is told of in the language of the page, with what
// the reader says of it: sent with the form, with its columns asked for, among
// many, and put into a place elsewhere. What is kept is read in either language.
func TestRefusedFileInSpanish(t *testing.T) {
	letter, two := []byte("Dear colleague,\nthe night was quiet.\n"), twoSats(",")
	const why = "se esperaba una tabla de marcas de tiempo y saturaciones en las primeras líneas; se encontró ninguna que se reconozca; exporte el registro como texto delimitado con encabezado"
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := b.ready(v)
	v.accept = "es"
	v.upload(address, address+"/recording", letter, nil)
	b.wants(v.last, "El registro no pudo leerse: texto: "+why, "No se guardó nada.")
	b.lacks(v.last, ": expected", "; found", "none that can be")
	v.upload(address, address+"/recording", two, nil)
	b.wants(v.last, "El archivo puede leerse de más de una manera: se esperaba una sola columna de saturación; se encontró columna 2 ", "No se guardó nada. Diga abajo")
	b.lacks(v.last, ": expected", "; found", "none that can be")

	if code := v.stateBatch("order_on_file"); code != http.StatusOK {
		t.Fatalf("status %d: %s", code, text(v.last))
	}
	v.sendBatch(batchFile{"recording", "letter.csv", string(letter)})
	b.wants(v.last, "letter.csv", "texto: "+why)
	v.accept = "en"
	v.page("/batch/1")
	b.wants(v.last, "text: expected a table of stamps and saturations in the first lines")

	b, _ = directBench(t)
	v = b.at(Intake)
	address = b.ready(v)
	id := v.ask(address, address+"/recording", nil)
	out, err := b.Arrived(t.Context(), id, int64(len(letter)), *b.clock, func(context.Context) (io.ReadCloser, error) { return io.NopCloser(bytes.NewReader(letter)), nil })
	if err != nil || out.State != ticketRefused {
		t.Fatalf("%+v, %v", out, err)
	}
	for _, at := range []string{address + "/arrivals/" + id, address} {
		v.accept = "en"
		b.wants(v.page(at), "The recording could not be read: text: expected a table of stamps and saturations in the first lines")
		v.accept = "es"
		b.wants(v.page(at), why)
	}
}
