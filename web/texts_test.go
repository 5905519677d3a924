package web

import (
	"go/ast"
	"go/parser"
	"go/token"
	"html"
	"io/fs"
	"maps"
	"net/http"
	"net/url"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"text/template/parse"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/casework/storetest"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/editions"
	"airwarrant/qualify/rehearsal"
	"airwarrant/rules"
	"airwarrant/web/texts"
)

// namesInTemplates are letters that stand in templates as they are: names and
// what is typed to the letter, the same in every language.
var namesInTemplates = map[string]bool{
	"Airwarrant": true, "DEMO": true, "SHA-256": true, "UTC": true, "confirmations.yaml": true, "airwarrant check --confirmed": true,
	"America/New_York": true, "time=1,spo2=2,pulse=3": true, "999 ERR": true, "YYYY-MM-DDThh:mm:ss": true,
}

var (
	actionPattern = regexp.MustCompile(`(?s)\{\{.*?\}\}`)
	tagPattern    = regexp.MustCompile(`(?s)<[^>]*>`)
	saidAttribute = regexp.MustCompile(`(?s)\b(?:aria-label|placeholder|title|alt|data-of|data-stamp|data-say-[a-z]+)="([^"]*)"`)
	letters       = regexp.MustCompile(`\p{L}`)
)

// No template says anything that passes by the catalogs.
func TestTemplatesSayNothingPastTheCatalogs(t *testing.T) {
	for name, source := range templateSources(t) {
		bare := actionPattern.ReplaceAllString(source, "\x00")
		said := strings.Split(strings.Join(tagPattern.Split(bare, -1), "\x00"), "\x00")
		for _, m := range saidAttribute.FindAllStringSubmatch(bare, -1) {
			said = append(said, strings.Split(m[1], "\x00")...)
		}
		for _, s := range said {
			if s = strings.Trim(s, " \n·.:"); letters.MatchString(s) && !namesInTemplates[s] {
				t.Errorf("%s says %q; expected {{t %q}}, or {{tf …}} with the places in it", name, s, s)
			}
		}
	}
}

// What is told beside a field or above a form is said in the language of the page,
// whatever put it together.
func TestTemplatesSayWhatIsTold(t *testing.T) {
	told := regexp.MustCompile(`class="(?:error|say)"[^>]*>(?:<p[^>]*>)?\{\{-? *([^}]*)\}\}`)
	seen := 0
	for name, source := range templateSources(t) {
		for _, m := range told.FindAllStringSubmatch(source, -1) {
			seen++
			word, _, _ := strings.Cut(m[1], " ")
			if !slices.Contains([]string{"t", "tf", "tn", "if", "with", "range"}, word) {
				t.Errorf("%s tells {{%s}}; say it through t", name, m[1])
			}
		}
	}
	if seen < 30 {
		t.Errorf("%d places that tell something, want all", seen)
	}
}

// templateSources are the templates by name.
func templateSources(t *testing.T) map[string]string {
	t.Helper()
	names, err := fs.Glob(files, "templates/*.html")
	if err != nil || len(names) == 0 {
		t.Fatalf("expected templates, found %d: %v", len(names), err)
	}
	out := map[string]string{}
	for _, n := range names {
		out[strings.TrimSuffix(strings.TrimPrefix(n, "templates/"), ".html")] = string(must(files.ReadFile(n)))
	}
	return out
}

// saidIn are the texts that a template asks t, tf and tn for, and the literals
// that it would print past them.
func saidIn(t *testing.T, name, source string) (keys, past []string) {
	t.Helper()
	tree := parse.New(name)
	tree.Mode = parse.SkipFuncCheck
	trees := map[string]*parse.Tree{}
	if _, err := tree.Parse(source, "", "", trees); err != nil {
		t.Fatal(err)
	}
	var visit func(n parse.Node, prints bool)
	pipe := func(p *parse.PipeNode, prints bool) {
		if p != nil {
			for _, c := range p.Cmds {
				visit(c, prints)
			}
		}
	}
	list := func(l *parse.ListNode) {
		if l != nil {
			for _, n := range l.Nodes {
				visit(n, false)
			}
		}
	}
	branch := func(b parse.BranchNode) {
		pipe(b.Pipe, false)
		list(b.List)
		list(b.ElseList)
	}
	visit = func(n parse.Node, prints bool) {
		switch n := n.(type) {
		case *parse.ListNode:
			list(n)
		case *parse.ActionNode:
			pipe(n.Pipe, len(n.Pipe.Decl) == 0)
		case *parse.IfNode:
			branch(n.BranchNode)
		case *parse.RangeNode:
			branch(n.BranchNode)
		case *parse.WithNode:
			branch(n.BranchNode)
		case *parse.TemplateNode:
			pipe(n.Pipe, false)
		case *parse.PipeNode:
			pipe(n, prints)
		case *parse.CommandNode:
			f, _ := n.Args[0].(*parse.IdentifierNode)
			for i, a := range n.Args {
				s, text := a.(*parse.StringNode)
				switch {
				case !text:
					visit(a, prints && f != nil && f.Ident != "eq")
				case f != nil && (f.Ident == "t" || f.Ident == "tf") && i == 1, f != nil && f.Ident == "tn" && (i == 2 || i == 3):
					keys = append(keys, s.Text)
				case prints && letters.MatchString(s.Text) && (f == nil || f.Ident != "eq" && f.Ident != "index"):
					past = append(past, s.Text)
				}
			}
		}
	}
	for _, tr := range trees {
		visit(tr.Root, false)
	}
	return keys, past
}

func TestTemplatesPrintNoLiteral(t *testing.T) {
	for name, source := range templateSources(t) {
		if _, past := saidIn(t, name, source); len(past) > 0 {
			t.Errorf("%s prints %q past t", name, past)
		}
	}
}

// placesOf are the places of a text, each with the argument that fills it.
func placesOf(text string) []string {
	var out []string
	next := 1
	for _, m := range texts.Place.FindAllStringSubmatch(text, -1) {
		if m[2] == "%" {
			continue
		}
		if m[1] != "" {
			next = must(strconv.Atoi(m[1]))
		}
		out = append(out, strconv.Itoa(next)+m[2])
		next++
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// Every text of the pages has its words in every language, no catalog holds a
// text that nothing says, and both have the same places.
func TestCatalogsAreComplete(t *testing.T) {
	used := map[string]bool{}
	for name, source := range templateSources(t) {
		keys, _ := saidIn(t, name, source)
		for _, k := range keys {
			used[k] = true
		}
	}
	for text, shown := range spokenByHandlers(t) {
		used[text] = used[text] || shown
	}
	for _, l := range texts.Languages[1:] {
		for text, needed := range used {
			if needed && !l.Has(text) {
				t.Errorf("%s lacks %q", l.Name, text)
			}
		}
		for _, key := range l.Keys() {
			if _, ok := used[key]; !ok {
				t.Errorf("%s says %q, which nothing uses; take it out", l.Name, key)
			}
			if want, got := placesOf(key), placesOf(l.Text(key)); !slices.Equal(want, got) {
				t.Errorf("%s: %q has the places %v, want those of %q: %v", l.Name, l.Text(key), got, key, want)
			}
			if strings.TrimSpace(l.Text(key)) == "" {
				t.Errorf("%s says nothing for %q", l.Name, key)
			}
		}
	}
}

// notSaid are texts of handlers that no page shows.
var notSaid = regexp.MustCompile(`^(?:` + strings.Join([]string{
	`(?:a|the|what is printed on a) (?:stored|kept) .*(?:readable|vocabulary|no date)`, // unforeseen errors: logged as their type
	`stored .*`, `.*%w.*`, `(?:entry|event) %d .*not readable`, `the decoder gave up`, `no such file came with it`, `nothing changed`,
	`too often; wait %s`, `fax group 3: .*`, `columns are to be shown .*`, `no file in the form`,
	`expected an empty store .*`,                                                                  // told on the command line
	`default-src .*`, `form-action .*`, `%s: %s`, `v\.%s`, `The page could not be made\. Tell .*`, // plain text, before any language
	`written criteria $`, `It is only known`, // cut from the front of a text
	`.*\(invented\)`, `demo office`,
	`(?s)<section class="say faults".*`, // a template of names and places
	`the store does not answer`,         // plain text, for what watches the program
}, "|") + `)$`)

// notShownBy are calls whose texts are for logs, headers and the trail.
var notShownBy = regexp.MustCompile(`^(panic|send|.*\.Log\.\w+|.*\.Set|.*\.viewed|.*\.stamp|.*\.trailSeen)$`)

var (
	bareWord     = regexp.MustCompile(`^[^/]*\p{L}{2}`)
	severalWords = regexp.MustCompile(`\p{L}\s+\S*\p{L}`)
	// saidFields are the fields that templates print through t.
	saidFields = []string{"Words", "Title", "Sentence", "Next", "NotThere", "Does", "Question", "State", "Say"}
)

// spokenByHandlers are the texts in the Go sources of the pages, true for each
// that a page shows, and what the vocabulary says.
func spokenByHandlers(t *testing.T) map[string]bool {
	t.Helper()
	out := map[string]bool{}
	names, err := fs.Glob(os.DirFS("."), "*.go")
	if err != nil || len(names) == 0 {
		t.Fatalf("expected sources, found %d: %v", len(names), err)
	}
	for _, n := range names {
		if strings.HasSuffix(n, "_test.go") {
			continue
		}
		set := token.NewFileSet()
		f, err := parser.ParseFile(set, n, nil, parser.SkipObjectResolution)
		if err != nil {
			t.Fatal(err)
		}
		speaks := !strings.HasPrefix(n, "demo") // its texts are of invented people and papers
		var above []ast.Node
		ast.Inspect(f, func(node ast.Node) bool {
			if node == nil {
				above = above[:len(above)-1]
				return true
			}
			above = append(above, node)
			text, ok := literal(node)
			if !ok || len(above) > 1 && isSum(above[len(above)-2]) {
				return true
			}
			field, call := heldBy(above)
			if call == "errors.New" && !inFunction(above) {
				return true // a value to compare with
			}
			needed := speaks && !notSaid.MatchString(strings.TrimRight(text, "\n")) && !notShownBy.MatchString(call) && !strings.HasPrefix(text, "web: ") &&
				(severalWords.MatchString(texts.Place.ReplaceAllString(text, "")) || (slices.Contains(saidFields, field) || saying(above)) && bareWord.MatchString(texts.Place.ReplaceAllString(text, "")))
			out[text] = out[text] || needed
			return true
		})
	}
	for _, measure := range criteria.ReportWords {
		out[measure] = true
	}
	for _, reason := range criteria.ReasonWords {
		out[reason] = true
	}
	lib, err := rules.Embedded()
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range lib.Countries() {
		out[rules.PlaceName(c)] = true
	}
	for _, reason := range rehearsal.Reasons {
		out[reason] = true
	}
	for _, text := range textsOfTheChain(t) {
		out[text] = out[text] || false // may be said; most of it stands on the worksheet alone
	}
	for _, def := range rules.Vocabulary() {
		for _, text := range []string{def.Question, def.Meaning} {
			if text != "" && def.Question != "" {
				out[text] = true
			}
		}
		if slices.Contains(testFacts, def.Name) {
			out[rules.Phrase(def)] = true
		}
		for _, w := range def.Words {
			out[wordFor(def.Name, w)] = true
		}
	}
	return out
}

// What package accounts says is wrong with a field has its words in every
// language: the pages show it beside the field.
func TestFaultsOfAccountsAreInEveryCatalog(t *testing.T) {
	found := 0
	for _, n := range must(fs.Glob(os.DirFS("accounts"), "*.go")) {
		if strings.HasSuffix(n, "_test.go") {
			continue
		}
		ast.Inspect(must(parser.ParseFile(token.NewFileSet(), "accounts/"+n, nil, parser.SkipObjectResolution)), func(node ast.Node) bool {
			text, ok := literal(node)
			if !ok || !strings.HasPrefix(text, "Expected ") {
				return true
			}
			found++
			for _, l := range texts.Languages[1:] {
				if !l.Has(text) {
					t.Errorf("%s: %s lacks %q", n, l.Name, text)
				}
			}
			return false
		})
	}
	if found < 15 {
		t.Errorf("%d faults of fields, want all", found)
	}
}

// literal is what a node says in English: a string, or a sum of strings with a
// place (%s) for each of its terms that is none.
func literal(n ast.Node) (string, bool) {
	switch n := n.(type) {
	case *ast.BasicLit:
		if n.Kind == token.STRING {
			return must(strconv.Unquote(n.Value)), true
		}
	case *ast.ParenExpr:
		return literal(n.X)
	case *ast.BinaryExpr:
		if !isSum(n) {
			return "", false
		}
		x, said := literal(n.X)
		y, too := literal(n.Y)
		if !said && !too {
			return "", false
		}
		return part(x, said, isSum(n.X)) + part(y, too, isSum(n.Y)), true
	}
	return "", false
}

// part is a term of a sum; a percent sign of its own is doubled once.
func part(text string, said, folded bool) string {
	switch {
	case !said:
		return "%s"
	case folded:
		return text
	}
	return strings.ReplaceAll(text, "%", "%%")
}

func isSum(n ast.Node) bool {
	b, ok := n.(*ast.BinaryExpr)
	return ok && b.Op == token.ADD
}

// textsOfTheChain are the literals of the packages whose words reach the pages.
func textsOfTheChain(t *testing.T) []string {
	t.Helper()
	var out []string
	for _, dir := range []string{"../rules", "../rules/wording", "../qualify", "../qualify/batch", "../qualify/recording", "../qualify/analysis", "../qualify/criteria", "../qualify/worksheet", "../qualify/editions", "../qualify/rehearsal", "../qualify/batch", "accounts"} {
		names, err := fs.Glob(os.DirFS(dir), "*.go")
		if err != nil || len(names) == 0 {
			t.Fatalf("%s: expected sources, found %d: %v", dir, len(names), err)
		}
		for _, n := range names {
			f, err := parser.ParseFile(token.NewFileSet(), dir+"/"+n, nil, parser.SkipObjectResolution)
			if err != nil {
				t.Fatal(err)
			}
			ast.Inspect(f, func(n ast.Node) bool {
				if text, ok := literal(n); ok {
					out = append(out, text)
				}
				return true
			})
		}
	}
	return out
}

// heldBy names the field that a literal is put into, and the call that takes
// it, "" for none.
func heldBy(above []ast.Node) (field, call string) {
	for i := len(above) - 2; i >= 0; i-- {
		switch n := above[i].(type) {
		case *ast.KeyValueExpr:
			if k, ok := n.Key.(*ast.Ident); ok && field == "" {
				field = k.Name
			}
		case *ast.AssignStmt:
			if s, ok := n.Lhs[0].(*ast.SelectorExpr); ok && field == "" {
				field = s.Sel.Name
			}
		case *ast.CallExpr:
			if call == "" {
				call = nameOf(n.Fun)
			}
			return field, call
		case *ast.BlockStmt, *ast.CompositeLit:
			if _, block := n.(*ast.BlockStmt); block {
				return field, call
			}
		case *ast.GenDecl:
			return field, call
		}
	}
	return field, call
}

func inFunction(above []ast.Node) bool {
	return slices.ContainsFunc(above, func(n ast.Node) bool { _, ok := n.(*ast.FuncDecl); return ok })
}

var sayingName = regexp.MustCompile(`(?i)(words|word|title|stale)$`)

// saying reports whether a literal is what a function returns that words
// something for people.
func saying(above []ast.Node) bool {
	named, returned := false, false
	for _, n := range above {
		switch n := n.(type) {
		case *ast.FuncDecl:
			named = sayingName.MatchString(n.Name.Name) || n.Name.Name == "how"
		case *ast.ReturnStmt:
			returned = true
		case *ast.IndexExpr:
			return false
		}
	}
	return named && returned
}

func nameOf(e ast.Expr) string {
	switch e := e.(type) {
	case *ast.Ident:
		return e.Name
	case *ast.SelectorExpr:
		return nameOf(e.X) + "." + e.Sel.Name
	}
	return "?"
}

// A visitor's choice holds for every page after it, the browser's own language
// for a first visit, and the page says in which language it is.
func TestVisitorChoosesTheLanguage(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	link := b.links(b.demoAddress("Cassius Penhallow"))[Office]
	v := b.visitor()
	b.wants(v.page(link), `<html lang="en">`, "The code of this link")
	v.accept = "es-MX,es;q=0.8,en;q=0.2"
	b.wants(v.page(link), `<html lang="es">`, "El código de este enlace")
	v.accept = "de,fr;q=0.8"
	b.wants(v.page(link), `<html lang="en">`)
	v.accept = "es"
	w := v.post("/language", url.Values{"language": {"en"}, "to": {link}})
	if w.Code != http.StatusSeeOther || w.Header().Get("Location") != link {
		t.Fatalf("after choosing: status %d to %q, want %d to the page before", w.Code, w.Header().Get("Location"), http.StatusSeeOther)
	}
	b.wants(v.page(link), `<html lang="en">`, "The code of this link", `aria-current="true">English`)
	// A fault is told in the language of the page, and the way back from it is
	// the page, not the address that the form was sent to.
	v.post("/language", url.Values{"language": {"es"}, "to": {link}})
	v.page(link)
	v.post(link+"/code", url.Values{"code": {"12"}})
	b.wants(v.last, "No cuenta como intento", `name="to" value="`+link+`"`)
	// What was asked in the address of a list is still asked.
	i := b.at(Intake)
	i.page("/cases?payer=us-medicare&state=asked")
	b.wants(i.last, `name="to" value="/cases?payer=us-medicare&amp;state=asked"`)
	if got := i.post("/language", url.Values{"form": {i.token()}, "language": {"es"}, "to": {"/cases?payer=us-medicare&state=asked"}}).Header().Get("Location"); got != "/cases?payer=us-medicare&state=asked" {
		t.Errorf("after choosing on a list: sent to %q", got)
	}
	i.page("/cases?payer=" + strings.Repeat("x", 600))
	b.wants(i.last, `name="to" value="/cases"`)
	// Nothing leads to another site.
	token := v.token()
	for _, to := range []string{"https://example.org/", "//example.org/", `/\example.org`, ""} {
		if got := v.post("/language", url.Values{"form": {token}, "language": {"es"}, "to": {to}}).Header().Get("Location"); got != "/" {
			t.Errorf("to %q: sent to %q, want the first page", to, got)
		}
	}
}

var (
	silent        = regexp.MustCompile(`(?s)<(?:script|style)\b.*?</(?:script|style)>`)
	markedEnglish = regexp.MustCompile(`<(\w+)\b[^>]*\blang="en"[^>]*>`)
	// englishWords are no words of Spanish, and stand in nearly every sentence
	// of English.
	englishWords = regexp.MustCompile(`(?i)(?:^|[^\p{L}-])(the|of|and|is|are|was|were|not|with|which|until|found|expected|stated|nobody|nothing|by|at|for|from|yes|none|known)(?:$|[^\p{L}-])`)
)

// typedInDemo takes out what the people of the demonstration typed, and a head
// of a column of its recordings.
var typedInDemo = strings.NewReplacer("sixth line of the table", "", "visit note", "", "\"Date and time\"", "")

// withoutEnglish is a page without the elements that say that they are English.
func withoutEnglish(page string) string {
	for {
		m := markedEnglish.FindStringSubmatchIndex(page)
		if m == nil {
			return page
		}
		depth, end := 1, len(page)
		for _, t := range regexp.MustCompile(`<(/?)`+page[m[2]:m[3]]+`\b[^>]*>`).FindAllStringSubmatchIndex(page[m[1]:], -1) {
			if t[2] < t[3] {
				depth--
			} else {
				depth++
			}
			if depth == 0 {
				end = m[1] + t[1]
				break
			}
		}
		page = page[:m[0]] + page[end:]
	}
}

// No page in Spanish says anything in English, but where it says that it does.
func TestPagesInSpanishSayNoEnglish(t *testing.T) {
	if raced {
		return // one goroutine
	}
	b := newBench(t, &storetest.Memory{}, true)
	told := map[string]bool{}
	look := func(v *visitor, paths ...string) {
		t.Helper()
		v.accept = "es"
		for _, path := range paths {
			v.get(path)
			b.wants(v.last, `<html lang="es">`)
			said := tagPattern.Split(silent.ReplaceAllString(withoutEnglish(v.last), ""), -1)
			for _, m := range saidAttribute.FindAllStringSubmatch(withoutEnglish(v.last), -1) {
				said = append(said, m[1])
			}
			for _, text := range said {
				text = strings.TrimSpace(typedInDemo.Replace(html.UnescapeString(text)))
				if m := englishWords.FindStringSubmatch(text); m != nil && !told[text] {
					told[text] = true
					t.Errorf("%s says %q", path, text)
				}
			}
		}
	}
	b.everyPage(look)
}

// everyPage looks at the pages of each desk of a demonstration.
func (b *bench) everyPage(look func(v *visitor, paths ...string)) {
	b.t.Helper()
	intake := b.at(Intake)
	look(intake, "/", "/cases", "/cases/new", "/batch", "/rules", "/nowhere")
	for _, d := range demoCases() {
		look(intake, b.demoAddress(d.Patient.Name))
	}
	one := b.demoAddress("Cassius Penhallow")
	look(intake, one+"/report", one+"/papers", one+"/tests", one+"/trail", one+"/compare")
	links := b.links(one)
	for d, link := range links {
		look(b.visitor(), link)
		look(b.guest(link), link)
		_ = d
	}
	look(b.at(Maintainer), "/password", "/rules", "/rules/us-medicare/2023-04-01", "/cases", "/watch", "/changes")
	account := must(b.accounts.Accounts(b.t.Context()))[0].ID
	draft, err := b.book.NewDraft(b.t.Context(), editions.Person{Account: "one", Name: "One", Role: casework.RoleMaintainer}, editions.Beginning{Region: medicare, From: must(b.lib.At(medicare, rules.Date{Year: 2023, Month: 4, Day: 1})).SHA256, Day: rules.Date{Year: 2026, Month: 9, Day: 1}})
	if err != nil {
		b.t.Fatal(err)
	}
	at := "/drafts/" + draft.ID
	maintainer := b.at(Maintainer)
	look(maintainer, "/drafts", at, at+"/rehearsal", at+"/proposal")
	maintainer.send(at+"/rehearsal", at+"/rehearsal", url.Values{})
	look(maintainer, at+"/rehearsal", at+"/proposal")
	look(b.at(Administrator), "/drafts")
	look(b.at(Administrator), "/accounts", "/accounts/"+account, "/accounts/sign-ins", "/cases")
	look(b.at(Office), "/day", "/password")
	look(b.visitor(), "/")
}

var (
	isoDay     = regexp.MustCompile(`\d{4}-\d\d-\d\d`)
	spanishDay = regexp.MustCompile(`\b\d{1,2} (?:ene|feb|mar|abr|may|jun|jul|ago|sep|oct|nov|dic) \d{4}\b`)
	typedDay   = regexp.MustCompile(`(?s)<(textarea|select|datalist|pre)\b.*?</(?:textarea|select|datalist|pre)>`)
)

// No page shows a day as machines write it: only the first day of a version of
// criteria, which names it, what stands in fields, and the words of criteria,
// which are English on a page in Spanish.
func TestPagesWriteDaysForPeople(t *testing.T) {
	if raced {
		return // one goroutine
	}
	b := newBench(t, &storetest.Memory{}, true)
	named := map[string]bool{"2026-09-01": true} // the draft of everyPage
	for _, r := range b.lib.Regions() {
		for _, p := range b.lib.History(r.Region) {
			named[p.EffectiveFrom.String()] = true
		}
	}
	people := 0
	b.everyPage(func(v *visitor, paths ...string) {
		v.accept = "es"
		for _, path := range paths {
			v.get(path)
			for _, text := range tagPattern.Split(typedDay.ReplaceAllString(silent.ReplaceAllString(withoutEnglish(v.last), ""), ""), -1) {
				people += len(spanishDay.FindAllString(text, -1))
				for _, day := range isoDay.FindAllString(text, -1) {
					if !named[day] {
						t.Errorf("%s says %s: %q", path, day, strings.TrimSpace(text))
					}
				}
			}
		}
	})
	if people < 100 {
		t.Errorf("%d days for people on all pages, expected more", people)
	}
}

// Words that a page chooses by a state or a kind stand in no sentence, so that no
// other test finds one of them.
func TestWordsOfStatesAreInTheCatalogs(t *testing.T) {
	words := []string{"destroyed", "overdue", "withdrawn", "the link has ended"}
	for _, l := range []map[string]string{arrivalTitles, restWords, scriptWords, dueReasons} {
		words = append(words, slices.Collect(maps.Values(l))...)
	}
	for _, w := range stateWords {
		words = append(words, w)
	}
	for _, w := range sortWords {
		words = append(words, w)
	}
	for _, w := range stateOfChange {
		words = append(words, w)
	}
	for _, w := range foundWords {
		words = append(words, w)
	}
	for _, w := range answererWords {
		words = append(words, w)
	}
	for _, w := range orderWords { // part of a text that is told
		if _, ok := texts.Spanish.Said(w); !ok {
			t.Errorf("%s lacks %q", texts.Spanish.Name, w)
		}
	}
	for _, w := range words {
		if !texts.Spanish.Has(w) {
			t.Errorf("%s lacks %q", texts.Spanish.Name, w)
		}
	}
}
