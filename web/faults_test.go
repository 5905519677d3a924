package web

import (
	"errors"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"maps"
	"net/url"
	"os"
	"os/exec"
	"regexp"
	"slices"
	"strings"
	"testing"

	"airwarrant/qualify/batch"
	"airwarrant/qualify/casework/storetest"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/recording"
	"airwarrant/qualify/recording/sheets"
	"airwarrant/rules"
	"airwarrant/rules/wording"
	"airwarrant/web/texts"
)

// bare is a text without what stands in files.
func bare(t wording.Text) wording.Text {
	out := wording.Text{Format: t.Format}
	for _, a := range t.Args {
		switch a := a.(type) {
		case wording.Text:
			out.Args = append(out.Args, bare(a))
		case wording.Literal:
			out.Args = append(out.Args, wording.Literal("·"))
		default:
			out.Args = append(out.Args, a)
		}
	}
	return out
}

// faultsInSpanish fails where a fault says words of ours in English.
func (h heard) faultsInSpanish(t *testing.T, what string, said wording.Text) {
	t.Helper()
	text := h.Tell(said)
	if m := englishWords.FindStringSubmatch(quotedInText.ReplaceAllString(h.Tell(bare(said)), "")); m != nil && !slices.Contains(packKeys, m[1]) {
		t.Errorf("%s says %q", what, text)
	}
	for text := range h.lacks {
		t.Errorf("%s: %s lacks %q", what, h.Name(), text)
		delete(h.lacks, text)
	}
}

// No text that a page can say names a flag of the command line, or what a
// command prints: wording.Typed holds that.
func TestTextsNameNoFlag(t *testing.T) {
	typed := regexp.MustCompile(`(^|[\s(])--[a-z]|measure prints|\w=[A-Z%]|\bspo2=`)
	for _, key := range slices.Concat(texts.Spanish.ChainKeys(), texts.Spanish.Keys()) {
		if typed.MatchString(key) && !strings.HasPrefix(key, "write it like time=1,") { // the syntax of a mapping that is typed whole
			t.Errorf("%q tells what is typed at a command line", key)
		}
	}
}

// packKeys are keys and words of packs and of facts files that are words of
// English too.
var packKeys = []string{"from", "by", "known", "is", "at", "none"}

// Every fault of packs, of facts files, of cases, of confirmations and of the
// table of a batch is said in Spanish by its parts.
func TestFaultsOfFilesInSpanish(t *testing.T) {
	lib := must(rules.Embedded())
	region := must(lib.Region("xx-example"))
	h := listen(texts.Spanish, region)
	seen := map[string]bool{}
	look := func(what string, err error) {
		t.Helper()
		var list rules.Problems
		if !errors.As(err, &list) {
			said := wording.Of(err)
			if said.IsZero() {
				t.Errorf("%s: %v is not said in parts", what, err)
				return
			}
			h.faultsInSpanish(t, what, said)
			seen[said.Format] = true
		}
		for _, p := range list {
			h.faultsInSpanish(t, what, p.Said())
			for _, part := range []wording.Text{p.Expected, p.Found, p.Mend} {
				seen[part.Format] = true
			}
		}
	}
	packs := must(fs.Glob(os.DirFS("../rules/testdata/bad"), "*.yaml"))
	if len(packs) < 35 {
		t.Fatalf("%d packs with a fault, want many", len(packs))
	}
	for _, name := range packs {
		if _, err := rules.ReadDraft(must(os.ReadFile("../rules/testdata/bad/"+name)), "draft.yaml", region); err != nil { // one is wrong by its name alone
			look(name, err)
		}
	}
	for _, text := range []string{"", "a: b", "region: yy\nname: x\n", "applies: [{payer: A b, places: [XX]}]", "region: [", "\xff", "a: &b c", "hidden: perhaps", "applies: {}"} {
		_, err := rules.ReadRegion([]byte(text), "xx-example")
		look("region.yaml "+text, err)
	}
	for _, text := range wrongFacts {
		_, err := criteria.ParseFacts([]byte(text), "facts.yaml")
		if err == nil {
			t.Errorf("%q has no fault", text)
		}
		look("facts "+text, err)
	}
	for _, text := range []string{"- a", "a: b", "- {region: xx, version: soon, pack_sha256: f, clause: x, by: \"\", on: 2030-02-30, edition: x}", "- {seal: x}"} {
		_, err := criteria.ParseConfirmations([]byte(text), "confirmed.yaml")
		look("confirmations "+text, err)
	}
	for _, text := range []string{"", "a\n", "file,file\n", "file,nonsense\n", "file,test_date\na,soon\n", "file,test_date\na,\na,\n", "file,test_date\na\n", "file,test_date\na,b\"c\n",
		"file,test_date\na,\"b\n\nc", "file,recordings\na,\"[{role: air}]\"\n"} {
		_, err := batch.ReadFacts(wording.Said("The table of facts"), []byte(text))
		look("table "+text, err)
	}
	for _, code := range []string{"", "Spain", "ES-XX"} {
		look("place "+code, rules.CheckPlace(code))
	}
	if len(seen) < 120 {
		t.Errorf("%d texts were seen, want most", len(seen))
	}
}

const aSHA = "0123456789abcdef0123456789abcdef0123456789abcdef0123456789abcdef"

// wrongFacts are facts files with a fault each, or several.
var wrongFacts = []string{
	"- a", "nonsense: 1", "age: 5", "test_date: soon", "test_date: {value: 2030-01-01, unit: d}", "symptoms: perhaps", "symptoms: [a]", "awake_spo2: 0.9", "awake_spo2: 88,4", "awake_spo2: 188",
	"awake_spo2: 3", "awake_spo2: {value: 88, unit: mmHg}", "awake_spo2: {figure: 88}", "awake_spo2: {unit: '%'}", "awake_spo2: {value: [1], unit: '%'}", "awake_spo2: -1",
	"awake_pao2: 7", "awake_pao2: {value: 55, unit: kPa}", "hematocrit: 0.5", "hematocrit: {value: 56, unit: L/L}", "gas_ph: 4", "gas_temperature: 98", "reported_minutes: -1", "reported_minutes: 100000", "session_choice: 0",
	"test_oxygen: air", "test_oxygen: 0", "test_oxygen: {flow: 2, value: 2}", "custody: somebody", "diagnosis: cpod", "awake_spo2: {located: 88}", "awake_spo2: {located: 88, document: Note, date: soon, room: 2, page: [1]}",
	"symptoms: true\nsymptoms: true", "a: &b c", "a: !!str b", "a: b\n---\nc: d", "\"", "a: [", "a: }", "\xff", "a:\n\t- b", "awake_spo2: [[[[[[[[[[[[[[[[[[[1]]]]]]]]]]]]]]]]]]]",
	"recordings: true", "recordings: []", "recordings: [a]", "recordings: [{sha256: x}]", "recordings: [{sha256: " + aSHA + ", role: sea}]", "recordings: [{sha256: " + aSHA + ", role: air, flow: 2}]",
	"recordings: [{sha256: " + aSHA + ", role: oxygen, device: pip}]", "recordings: [{sha256: " + aSHA + ", role: oxygen, flow: much}]", "recordings: [{sha256: " + aSHA + ", role: air, from: noon}]",
	"recordings: [{sha256: " + aSHA + ", role: air, from: '12:00:00', until: '+0:01:00'}]", "recordings: [{sha256: " + aSHA + ", role: air, from: '+0:02:00', until: '+0:01:00'}]",
	"recordings: [{sha256: " + aSHA + ", role: rest_air}, {sha256: " + aSHA + ", role: rest_air}]", "recordings: [{sha256: " + aSHA + ", role: air}, {sha256: " + aSHA + ", role: air}]",
	"recordings: [{sha256: " + aSHA + ", role: air, until: '12:00:00'}, {sha256: " + aSHA + ", role: oxygen}]", "recordings: [{sha256: " + aSHA + ", rol: air, from: [1]}]",
	"tests: [{}]", "tests: [{name: ' a'}]", "tests: [{name: a}, {name: a}]", "tests: [{name: a, session: 0}]", "tests: [{name: a, session: 1}]", "tests: [{name: a, sha256: x}]", "tests: [{name: a, test_time: noon}]",
	"tests: [{name: [a]}]", "tests: [{name: a, nonsense: 1}]", "tests: [{name: a, session_choice: 1}]", "tests: [{name: a, birth_date: 2030-01-01}]", "tests: [{name: a, sha256: " + aSHA + "}, {name: b, sha256: " + aSHA + "}]",
	"tests: [{name: a, awake_spo2: much}]", "tests: [{name: " + strings.Repeat("a", 200) + "}]",
	"report: [{measure: sadir}]", "report: [{measure: nadir, spo2: 88}]", "report: [{measure: time_at_or_below}]", "report: [{measure: time_at_or_below, spo2: x}]", "report: [{measure: time_at_or_below, spo2: 8}]",
	"report: [{measure: nadir, value: 81, unit: min}]", "report: [{measure: nadir, value: '81,5', unit: '%'}]", "report: [{measure: nadir, value: x, unit: '%'}]", "report: [{measure: nadir, value: -1, unit: '%'}]",
	"report: [{measure: nadir, value: 181, unit: '%'}]", "report: [{measure: recorded_time, value: 1000, unit: h}]", "report: [{measure: nadir, value: 81, unit: '%', page: " + strings.Repeat("1", 300) + "}]", "report: [{figure: 1, unit: [a]}]",
	"spans: [{from: a}]", "spans: [{from: '12:00:00', to: '12:01:00', sha256: x}]", "spans: [{from: '12:00:00', to: '12:01:00', judged: good}]", "spans: [{from: '12:00:00', to: '12:01:00', judged: genuine}]", "spans: [{until: a, by: [b]}]",
}

// texters are the functions that make a text, and whether the first argument is
// a text of ours, which the catalog has to have.
var texters = map[string]bool{"Said": true, "said": true, "Fault": true, "tableFault": false, "Joined": false, "Verbatim": false, "verbatim": false, "literal": false, "Literal": false, "List": false, "Either": false}

// faultFolders hold nothing but texts of faults, and what makes one elsewhere.
var (
	faultFolders = []string{"../rules", "../qualify/criteria", "../qualify/batch", "../qualify/editions"}
	refusers     = regexp.MustCompile(`^(?:\w+\.|\?\.)?(?:fail|fault|refuse|refusal|unreadable|columnsError|packError|stretchFault)$`)
)

// Every text of a fault goes through Said or Fault as it stands, so that the
// catalog has to have it: what is put together otherwise holds no words.
func TestFaultsArePutTogetherOfSaidTexts(t *testing.T) {
	told := 0
	for _, dir := range chainFolders {
		for _, n := range must(fs.Glob(os.DirFS(dir), "*.go")) {
			if strings.HasSuffix(n, "_test.go") || dir == "../rules/wording" {
				continue
			}
			look := func(node ast.Node) bool {
				if fault := faultText(node); fault != "" {
					t.Errorf("%s/%s: %s", dir, n, fault)
				}
				if call, ok := node.(*ast.CallExpr); ok {
					if _, makes := textMaker(call); makes {
						told++
					}
				}
				return true
			}
			f := must(parser.ParseFile(token.NewFileSet(), dir+"/"+n, nil, parser.SkipObjectResolution))
			if slices.Contains(faultFolders, dir) {
				ast.Inspect(f, look)
				continue
			}
			ast.Inspect(f, func(node ast.Node) bool {
				call, isCall := node.(*ast.CallExpr)
				lit, isLit := node.(*ast.CompositeLit)
				if isCall && refusers.MatchString(nameOf(call.Fun)) || isLit && nameOf(lit.Type) == "FormatError" {
					ast.Inspect(node, look)
					return false
				}
				return true
			})
		}
	}
	if told < 900 {
		t.Errorf("%d texts were looked at, want all", told)
	}
}

// textMaker reports whether a call makes a text, and whether of words of ours.
func textMaker(call *ast.CallExpr) (ours, makes bool) {
	name := nameOf(call.Fun)
	if _, method := call.Fun.(*ast.SelectorExpr); method && !strings.HasPrefix(name, "wording.") || len(call.Args) == 0 {
		return false, false
	}
	ours, makes = texters[name[strings.LastIndex(name, ".")+1:]]
	return ours, makes
}

// faultText says what is wrong with how a node makes a text, "" if nothing is.
func faultText(node ast.Node) string {
	if lit, ok := node.(*ast.CompositeLit); ok && strings.TrimPrefix(nameOf(lit.Type), "wording.") == "Text" {
		for _, e := range lit.Elts {
			if text, ok := plainText(e); ok {
				return fmt.Sprintf("makes a text of %q; say it through Said", text)
			}
		}
	}
	call, ok := node.(*ast.CallExpr)
	if !ok {
		return ""
	}
	ours, makes := textMaker(call)
	if !makes {
		return ""
	}
	text, plain := plainText(call.Args[0])
	rest := call.Args
	switch {
	case ours && !plain && !saidByName[nameOf(call.Args[0])] && !saidByShape(call.Args[0]):
		return "expected a text of ours as it stands in the source, so that the catalog can be held against it; found another argument of " + nameOf(call.Fun)
	case ours:
		rest = rest[1:]
	case strings.HasSuffix(nameOf(call.Fun), "Joined") && (!plain || letters.MatchString(texts.Place.ReplaceAllString(text, ""))):
		if id, ok := call.Args[0].(*ast.Ident); !ok || id.Name != "format" { // tableFault, whose callers are looked at
			return fmt.Sprintf("joins %q; say it through Said", text)
		}
	}
	for _, a := range rest {
		if words := wordsPutIn(a); words != "" {
			return fmt.Sprintf("puts the words %q into a text; say them through Said", words)
		}
	}
	return ""
}

// saidByShape are texts by another name: units and descriptions of the
// vocabulary, and what a library says.
func saidByShape(e ast.Expr) bool {
	switch e := e.(type) {
	case *ast.SelectorExpr:
		return e.Sel.Name == "Unit"
	case *ast.IndexExpr:
		return nameOf(e.X) == "descriptions"
	case *ast.CallExpr:
		return nameOf(e.Fun) == "e.GetMessage"
	}
	return false
}

// wordsPutIn are words of ours in an argument that is no text of its own: several
// in one piece, or in a sum or a call of fmt.
func wordsPutIn(e ast.Expr) string {
	found := ""
	var in func(e ast.Node, least *regexp.Regexp)
	in = func(e ast.Node, least *regexp.Regexp) {
		ast.Inspect(e, func(node ast.Node) bool {
			switch node := node.(type) {
			case *ast.BasicLit:
				if text, ok := plainText(node); ok && least.MatchString(texts.Place.ReplaceAllString(text, "")) {
					found = text
				}
			case *ast.BinaryExpr:
				if node.Op == token.ADD && least != letters {
					in(node, letters)
					return false
				}
			case *ast.CallExpr:
				name := nameOf(node.Fun)
				if _, makes := texters[name[strings.LastIndex(name, ".")+1:]]; makes {
					return false // looked at by itself
				}
				if name == "wording.Typed" || name == "columnsFlag" {
					return false // said by a command line alone, which is English
				}
				if strings.HasPrefix(name, "fmt.") && least != letters {
					in(node, letters)
					return false
				}
			}
			return true
		})
	}
	in(e, sentenceWords)
	return found
}

// What a key of a pack is for, which the mend of a missing key tells, and what
// the reader of YAML refuses are in the catalog.
func TestWhatFaultsQuoteIsInTheCatalog(t *testing.T) {
	wanted := map[string]bool{}
	source := must(parser.ParseFile(token.NewFileSet(), "../rules/descriptions.go", nil, parser.SkipObjectResolution))
	ast.Inspect(source, func(n ast.Node) bool {
		if e, ok := n.(*ast.KeyValueExpr); ok {
			wanted[must1(plainText(e.Value))] = true
		}
		return true
	})
	if len(wanted) < 90 {
		t.Errorf("%d descriptions of keys, want all", len(wanted))
	}
	for text := range yamlRefusals(t) {
		wanted[text] = true
	}
	for _, l := range texts.Languages[1:] {
		for _, text := range slices.Sorted(maps.Keys(wanted)) {
			if _, ok := l.Said(text); !ok {
				t.Errorf("%s lacks %q", l.Name, text)
			}
		}
	}
}

func must1(text string, ok bool) string {
	if !ok {
		panic("a text that does not stand in the source")
	}
	return text
}

// yamlRefusals are what the reader of YAML says, as its source has it.
func yamlRefusals(t *testing.T) map[string]bool {
	t.Helper()
	dir := strings.TrimSpace(string(must(exec.Command("go", "list", "-m", "-f", "{{.Dir}}", "github.com/goccy/go-yaml").Output())))
	out := map[string]bool{}
	for _, folder := range []string{"parser", "scanner"} {
		for _, n := range must(fs.Glob(os.DirFS(dir), folder+"/*.go")) {
			if strings.HasSuffix(n, "_test.go") {
				continue
			}
			f := must(parser.ParseFile(token.NewFileSet(), dir+"/"+n, nil, parser.SkipObjectResolution))
			ast.Inspect(f, func(n ast.Node) bool {
				call, ok := n.(*ast.CallExpr)
				if !ok || len(call.Args) == 0 || !yamlRefuses.MatchString(nameOf(call.Fun)) {
					return true
				}
				if text, ok := plainText(call.Args[0]); ok && sentenceWords.MatchString(text) {
					out[text] = true
				}
				return true
			})
		}
	}
	if len(out) < 50 {
		t.Errorf("%d refusals of the reader of YAML, want all", len(out))
	}
	return out
}

var yamlRefuses = regexp.MustCompile(`^(?:errors\.ErrSyntax|token\.Invalid|errors\.New)$`)

// A fault of each form where something typed goes through the chain is told in
// Spanish at its field: figures of a report, marks, tests, days, a document, a
// table of facts.
func TestFaultsOfFormsInSpanish(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := b.ready(v)
	walk := v.walked()
	v.accept = "es"
	told := func(form string, want ...string) {
		t.Helper()
		page := v.last
		b.wants(page, want...)
		for _, text := range append(want, text(page)) {
			if m := faultInEnglish.FindString(text); m != "" {
				t.Errorf("%s says %q", form, m)
			}
		}
	}
	for _, c := range []struct{ key, value, want string }{
		{"l.1", "eighty", `Se esperaba un nivel en porcentaje; se encontró "eighty"; escriba cifras, como 88.`},
		{"l.1", "", "Se esperaba el nivel en porcentaje; no se encontró ninguno."},
		{"l.1", "0.88", `Se esperaba un nivel de 50 a 100 %; se encontró "0.88"; compruebe la cifra.`},
		{"v.1", "< 5", `Se esperaba la cifra como está impresa; se encontró "< 5"; escriba cifras con punto decimal, como 7.2.`},
		{"v.1", "20000", `Se esperaba un tiempo de una semana como máximo; se encontró "20000"; compruebe la cifra y su unidad.`},
		{"u.1", "%", `Se esperaba la unidad min, s, h para time_at_or_below; se encontró "%"; escriba la unidad en que está impreso, y no convierta usted nada.`},
	} {
		v.page(address + "/report")
		form := figures("7.25", "1.4")
		form.Set(c.key, c.value)
		v.post(address+"/report", form)
		told("report", c.want)
	}
	for _, c := range []struct{ key, value, want string }{
		{"until.exertion_air", "10.13", `Se esperaba una marca de tiempo como 2026-03-01T22:14:00, 22:14:00 o +0:06:00; se encontró "10.13"; cópielo del registro.`},
		{"until.exertion_air", "10:07:00", `Se esperaba from antes de until; se encontró "de 10:07:00 a 10:07:00"; intercambie los dos.`},
		{"until.rest_air", "+0:05:00", `Se esperaba dos marcas de tiempo de la misma forma; se encontró "de 10:02:00 a +0:05:00"; copie las dos del registro.`},
		{"until.rest_air", "10:02:00.5", `Se esperaba una parte del registro; se encontró ninguna muestra en ella; copie las marcas de tiempo del registro.`},
		{"flow.exertion_oxygen", "2 l", `Se esperaba un flujo superior a 0 y de 100 L/min como máximo; se encontró "2 l"; escriba cifras con punto decimal, como 2 o 0.5, sin unidad.`},
	} {
		v.page(walk)
		form := walkForm(map[string]string{c.key: c.value})
		if c.value == "10:02:00.5" {
			form.Set("from.rest_air", "10:02:00.2")
		}
		v.post(walk+"/marks", form)
		told("marks", c.want)
	}
	v.page(walk)
	form := walkForm(map[string]string{"from.rest_air": "2026-04-14T10:02:00Z", "until.rest_air": "2026-04-14T10:07:00Z"})
	v.post(walk+"/marks", form)
	told("marks", `Se esperaba marcas de tiempo como las de este registro, por ejemplo 2026-`, `; se encontró "2026-04-14T10:02:00Z"; cópielas del registro.`)

	for _, c := range []struct{ key, value, want string }{
		{"name", "", `Se esperaba name: por el que se distingue la prueba; se encontró ""; añada un nombre sin espacios alrededor`},
		{"time", "9:30", `Se esperaba una hora del día como HH:MM; se encontró "9:30"; escriba horas de 00 a 23, como "09:30".`},
		{"v.test_date", "2026-02-30", `Se esperaba una fecha como AAAA-MM-DD; se encontró "2026-02-30"; escriba un día del calendario, como 2030-01-31.`},
		{"v.rest_pao2", "much", `Se esperaba un número en mmHg; se encontró "much mmHg"; escriba cifras con punto decimal, como 88 o 7.3.`},
		{"v.rest_pao2", "57 or so", `Se esperaba la unidad mmHg o kPa; se encontró "or so mmHg"; no convierta usted nada: escriba la cifra en la unidad en que se informó, o borre la unidad.`},
		{"v.rest_pao2", "7", `Se esperaba una presión arterial de oxígeno de 20 a 150 mmHg; se encontró "7 mmHg"; compruebe la cifra y su unidad: {value: 7.3, unit: kPa}.`},
	} {
		v.page(address + "/tests")
		form := url.Values{"name": {"Gas"}, "v.test_date": {"2026-03-01"}, "v.test_state": {"rest"}, "v.rest_pao2": {"57"}, "u.rest_pao2": {"mmHg"}}
		form.Set(c.key, c.value)
		v.post(address+"/tests", form)
		told("tests", c.want)
	}

	const noDay = `Se esperaba un día del calendario como AAAA-MM-DD, se encontró "2026-02-30".`
	v.page("/cases/new")
	v.post("/cases/new", url.Values{"payer": {medicare}, "name": {"Ada Merrin"}, "birth": {"2026-02-30"}, "identifier": {"HV-1"}})
	told("new case", noDay)
	v.page(address)
	v.post(address+"/assign", url.Values{"due": {"2026-02-30"}})
	told("who works on it", noDay)
	v.page(address + "/report")
	v.upload(address+"/report", address+"/documents", []byte("x"), map[string]string{"kind": "report", "name": "Ada Merrin", "date": "2026-02-30"})
	told("document", noDay)

	v.stateBatch("order_on_file")
	for table, want := range map[string]string{
		"nonsense\n":                `La tabla de datos:1: columna 1: se esperaba el nombre de un dato, file o sha256; se encontró "nonsense"; consulte airwarrant rules facts.`,
		"file,test_date\na,soon\n":  `La tabla de datos:2: test_date: se esperaba una fecha como AAAA-MM-DD; se encontró "soon"; escriba un día del calendario, como 2030-01-31.`,
		"file,test_date\na,b\"c\n":  `La tabla de datos: no puede leerse la línea 2, columna 4: hay una " suelta en un campo sin comillas.`,
		"file,test_date\na,\na,\n":  `La tabla de datos:3: a tiene dos líneas; conserve una.`,
		"file,report\na,\"[{}]\"\n": `La tabla de datos:2: report:1:2: [0].measure: se esperaba una medida que los informes impriman; se encontró ""; use uno de estos: `,
	} {
		v.stateBatch("order_on_file")
		v.sendBatch(batchFile{"facts", "facts.csv", table}, batchFile{"recording", "n.csv", "x"})
		told("table", want)
	}
}

// faultInEnglish begins, or goes on with, what a fault says.
var faultInEnglish = regexp.MustCompile(`(?i)\bexpected \w+.*|; found .*|did you mean.*`)

// What a mapping step tells of a file, and where a recording names its person, is
// said in Spanish by its parts: the recordings of the corpus.
func TestProposalsInSpanish(t *testing.T) {
	h := listen(texts.Spanish, must(must(rules.Embedded()).Region("es-separ")))
	whys, places := map[string]bool{}, map[string]bool{}
	for _, name := range must(fs.Glob(os.DirFS("../testdata/recordings"), "*")) {
		data := must(os.ReadFile("../testdata/recordings/" + name))
		if len(data) > 1<<20 {
			continue // said alike of a short file
		}
		how := recording.Options{Workbook: sheets.Tables}
		if p, err := recording.Propose(data, how); err == nil {
			said := []wording.Text{p.Dates.Why}
			for _, a := range p.Dates.Answers {
				said = append(said, a.Reading)
			}
			for _, c := range p.Columns {
				said = append(said, c.Reason)
			}
			for _, s := range said {
				h.faultsInSpanish(t, name, s)
				whys[s.Format] = true
			}
		}
		if rec, err := recording.ReadBytes(data, how); err == nil {
			for _, d := range rec.Declared {
				h.faultsInSpanish(t, name, d.Where)
				places[d.Where.Format] = true
			}
		}
	}
	if len(whys) < 8 || len(places) < 2 {
		t.Errorf("%d texts of proposals and %d places, want more", len(whys), len(places))
	}
}
