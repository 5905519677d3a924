package rules

import (
	"errors"
	"reflect"
	"regexp"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"

	"airwarrant/rules/wording"
)

const (
	maxFile     = 1 << 18 // bytes of one file; a pack has some ten thousand
	maxFolder   = 64      // letters of the name of a region that a store keeps
	maxTokens   = 30_000  // of one file; the parser takes time in their square
	maxNesting  = 32      // groups inside groups, lists and keys counted alike
	maxProblems = 200     // of one file; a file with more was not meant as a pack
)

// namePattern is the form of ids of clauses and names of citations.
var namePattern = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9_-]*$`)

// step is one step of the path to a value: a key, or the index of a list.
type step struct {
	up    *step
	key   string // "" for an index
	index int
}

func (s *step) in(key string) *step { return &step{up: s, key: key} }
func (s *step) at(index int) *step  { return &step{up: s, index: index} }

// String prints the path: criteria.all_of[0].fact.
func (s *step) String() string {
	switch {
	case s == nil:
		return ""
	case s.key == "":
		return s.up.String() + "[" + strconv.Itoa(s.index) + "]"
	case s.up == nil:
		return s.key
	}
	return s.up.String() + "." + s.key
}

// document is one YAML file on its way into a struct. It collects problems
// and never stops at the first.
type document struct {
	file     string
	root     ast.Node
	problems Problems
	// bad holds the paths of values that were refused and of the values they
	// stand in, so that one mistake is told once and not again as what
	// follows from it.
	bad map[string]bool
}

// parse reads the bytes as exactly one YAML document without anchors, aliases,
// tags and merge keys. Its problems are in the document; root is then nil.
func parse(file string, data []byte) *document {
	d := &document{file: file, bad: map[string]bool{}}
	if i := invalidUTF8(data); i >= 0 {
		line := 1 + strings.Count(string(data[:i]), "\n")
		column := 1 + utf8.RuneCount(data[strings.LastIndex(string(data[:i]), "\n")+1:i])
		d.add(line, column, "", said("text in UTF-8"), said("the byte 0x%02x", data[i]), said("save the file as UTF-8"))
		return d
	}
	tokens, ok := d.tokens(string(data))
	if !ok {
		return d
	}
	parsed, err := d.syntax(tokens)
	if err != nil {
		d.add(err.line, err.column, "", said("YAML that can be read"), said("what the reader refuses: %s", err.text), said("mend the spelling there or in a line beside it: indentation, quotes, brackets, a blank after each colon"))
		return d
	}
	for _, doc := range parsed.Docs {
		if doc.Body != nil {
			d.root = doc.Body
			break
		}
	}
	if d.root == nil || d.root.Type() == ast.NullType {
		d.add(1, 1, "", said("keys and values"), said("an empty file"), said("write the file, or delete it"))
		d.root = nil
		return d
	}
	if n := tooDeep(d.root, 0); n != nil {
		line, column := position(n)
		d.add(line, column, "", said("at most %d levels of nesting", maxNesting), said("one more"), said("split the clause into groups that stand beside one another"))
		d.root = nil
	}
	return d
}

func invalidUTF8(data []byte) int {
	for i := 0; i < len(data); {
		r, size := utf8.DecodeRune(data[i:])
		if r == utf8.RuneError && size == 1 || r == 0 {
			return i
		}
		i += size
	}
	return -1
}

// tokens splits the text and refuses what a pack may not use. Nesting by
// brackets is limited here, before the parser recurses into it.
func (d *document) tokens(text string) (token.Tokens, bool) {
	text = strings.TrimPrefix(text, "\uFEFF")
	tokens := lexer.Tokenize(text)
	if len(tokens) > maxTokens {
		line := tokens[maxTokens].Position.Line
		d.add(line, 1, "", said("at most %d words and signs", maxTokens), said("more"), said("split it: one file for each version"))
		return nil, false
	}
	brackets, dashes, dashLine, begun, ended := 0, 0, 0, false, false
	refuse := func(t *token.Token, expected, found, mend wording.Text) {
		d.add(t.Position.Line, t.Position.Column, "", expected, found, mend)
	}
	second := func(t *token.Token) {
		refuse(t, said("one document"), said("the beginning of a second one"), said("delete the line, or put what follows into a file of its own"))
	}
	for _, t := range tokens {
		switch t.Type {
		case token.AnchorType, token.AliasType, token.MergeKeyType:
			refuse(t, said("each clause written out"), said("an anchor, alias or merge key"), said("write the lines out where they are needed"))
		case token.TagType:
			refuse(t, said("a plain value"), said("a tag"), said("delete the tag"))
		case token.DirectiveType:
			refuse(t, said("no directive"), said("a line that begins with %"), said("delete the line"))
			return nil, false
		case token.MappingKeyType:
			refuse(t, said("a key followed by a colon"), said("a question mark"), said("write key: value"))
		case token.DocumentHeaderType:
			if begun || ended {
				second(t)
				return nil, false
			}
		case token.SequenceStartType, token.MappingStartType:
			brackets++
		case token.SequenceEndType, token.MappingEndType:
			brackets--
		case token.SequenceEntryType:
			if t.Position.Line != dashLine {
				dashLine, dashes = t.Position.Line, 0
			}
			dashes++
		}
		switch {
		case t.Type == token.CommentType:
		case ended:
			second(t)
			return nil, false
		case t.Type == token.DocumentEndType:
			ended = true
		default:
			begun = true
		}
		if brackets > maxNesting || dashes > maxNesting {
			refuse(t, said("at most %d levels of nesting", maxNesting), said("one more"), said("split the clause into groups that stand beside one another"))
			return nil, false
		}
	}
	return tokens, len(d.problems) == 0
}

// syntaxError is where the parser gave up and why.
type syntaxError struct {
	line, column int
	text         wording.Text
}

// syntax runs the parser of the YAML library.
func (d *document) syntax(tokens token.Tokens) (file *ast.File, fault *syntaxError) {
	defer func() {
		// A fault of the YAML library on odd input is a refusal of that
		// file, not the end of the program.
		if r := recover(); r != nil {
			file, fault = nil, &syntaxError{1, 1, said("text that the YAML reader gives up on")}
		}
	}()
	file, err := parser.Parse(tokens, 0, parser.AllowDuplicateMapKey())
	if err == nil {
		return file, nil
	}
	fault = &syntaxError{1, 1, said("text that is no YAML")}
	var e yaml.Error
	if errors.As(err, &e) {
		fault.text = wording.Said(e.GetMessage())
		if t := e.GetToken(); t != nil && t.Position != nil {
			fault.line, fault.column = t.Position.Line, t.Position.Column
		}
	}
	return nil, fault
}

// tooDeep returns the first node below maxNesting levels, or nil.
func tooDeep(n ast.Node, depth int) ast.Node {
	if depth > maxNesting {
		return n
	}
	switch n := n.(type) {
	case *ast.SequenceNode:
		for _, v := range n.Values {
			if deep := tooDeep(v, depth+1); deep != nil {
				return deep
			}
		}
	case *ast.MappingNode:
		for _, e := range n.Values {
			if deep := tooDeep(e.Value, depth+1); deep != nil {
				return deep
			}
		}
	}
	return nil
}

// position is where a value begins: line and column from 1.
func position(n ast.Node) (line, column int) {
	t := n.GetToken()
	if m, ok := n.(*ast.MappingNode); ok && !m.IsFlowStyle && len(m.Values) > 0 {
		t = m.Values[0].Key.GetToken()
	}
	return t.Position.Line, t.Position.Column
}

// full reports whether the file has all the problems that are told; what
// would only add more is then not worked out.
func (d *document) full() bool { return len(d.problems) > maxProblems }

func (d *document) add(line, column int, key string, expected, found, mend wording.Text) {
	if d.full() {
		return
	}
	if len(d.problems) == maxProblems {
		expected, found, mend = said("at most %d faults in one file", maxProblems), said("more"), said("mend these first")
	}
	d.problems = append(d.problems, Problem{File: d.file, Line: line, Column: column, Key: key, Expected: expected, Found: found, Mend: mend})
}

// refuse adds a problem at a node and marks its path, and the path of what it
// stands in, as bad.
func (d *document) refuse(n ast.Node, at *step, expected, found, mend wording.Text) {
	if d.full() {
		return
	}
	line, column := position(n)
	d.add(line, column, at.String(), expected, found, mend)
	d.bad[at.String()] = true
	if at != nil {
		d.bad[at.up.String()] = true
		if at.key == "" && at.up != nil { // an entry of a list: the list's owner too
			d.bad[at.up.up.String()] = true
		}
	}
}

// fault adds a problem at the value of a path, or, where the path is missing,
// at the nearest value around it.
func (d *document) fault(at *step, expected, found, mend wording.Text) {
	if d.full() {
		return
	}
	line, column := position(d.locate(at))
	d.add(line, column, at.String(), expected, found, mend)
}

// locate finds the node at a path, or the nearest one around it.
func (d *document) locate(at *step) ast.Node {
	if at == nil {
		return d.root
	}
	around := d.locate(at.up)
	switch n := around.(type) {
	case *ast.SequenceNode:
		if at.key == "" && at.index < len(n.Values) {
			return n.Values[at.index]
		}
	case *ast.MappingNode:
		for _, e := range n.Values {
			if keyText(e) == at.key {
				return e.Value
			}
		}
	}
	return around
}

// keyOf finds the place of the key itself.
func (d *document) keyOf(at *step) ast.Node {
	if m, ok := d.locate(at.up).(*ast.MappingNode); ok {
		for _, e := range m.Values {
			if keyText(e) == at.key {
				return e.Key
			}
		}
	}
	return d.locate(at)
}

// decode fills the value that dst points to from the document's root.
func (d *document) decode(dst any) {
	if d.root != nil {
		d.value(reflect.ValueOf(dst).Elem(), d.root, nil, false)
	}
}

// value fills dst from n. A word may also be written as an unquoted true or
// false.
func (d *document) value(dst reflect.Value, n ast.Node, at *step, word bool) {
	switch v := dst.Addr().Interface().(type) {
	case *Date:
		s, ok := n.(*ast.StringNode)
		if !ok {
			d.refuse(n, at, said("a date as YYYY-MM-DD"), found(n), said("write the date, such as 2030-01-31"))
			return
		}
		date, err := ParseDate(s.Value)
		if err != nil {
			d.refuse(n, at, said("a day of the calendar as YYYY-MM-DD"), found(n), said("write the date, such as 2030-01-31"))
			return
		}
		*v = date
		return
	case *Quantity:
		d.quantity(v, n, at)
		return
	case *Quantities:
		if list, ok := n.(*ast.SequenceNode); ok {
			if d.hasEntries(list, at) {
				*v = make(Quantities, len(list.Values))
				for i, e := range list.Values {
					d.quantity(&(*v)[i], e, at.at(i))
				}
			}
			return
		}
		*v = make(Quantities, 1)
		d.quantity(&(*v)[0], n, at)
		return
	}
	switch dst.Kind() {
	case reflect.String:
		d.text(dst, n, at, word)
	case reflect.Bool:
		if b, ok := n.(*ast.BoolNode); ok {
			dst.SetBool(b.Value)
			return
		}
		d.refuse(n, at, said("true or false"), found(n), said("write true or false"))
	case reflect.Int:
		if _, ok := n.(*ast.IntegerNode); ok {
			if i, err := strconv.Atoi(n.GetToken().Value); err == nil {
				dst.SetInt(int64(i))
				return
			}
		}
		d.refuse(n, at, said("a whole number"), found(n), said("write a whole number, such as 2"))
	case reflect.Pointer:
		dst.Set(reflect.New(dst.Type().Elem()))
		d.value(dst.Elem(), n, at, word)
	case reflect.Slice:
		list, ok := n.(*ast.SequenceNode)
		if !ok {
			d.refuse(n, at, said("a list"), found(n), said("write a list: [a, b], or one line for each entry that begins with a dash"))
			return
		}
		if !d.hasEntries(list, at) {
			return
		}
		dst.Set(reflect.MakeSlice(dst.Type(), len(list.Values), len(list.Values)))
		for i, e := range list.Values {
			d.value(dst.Index(i), e, at.at(i), false)
		}
	case reflect.Map:
		d.table(dst, n, at)
	case reflect.Struct:
		d.fields(dst, n, at)
	default:
		panic("rules: no rule for reading a " + dst.Type().String()) // a new type of field in pack.go
	}
}

func (d *document) hasEntries(list *ast.SequenceNode, at *step) bool {
	if len(list.Values) == 0 {
		d.refuse(list, at, said("at least one entry"), said("an empty list"), said("add an entry, or delete the key"))
	}
	return len(list.Values) > 0
}

func (d *document) text(dst reflect.Value, n ast.Node, at *step, word bool) {
	var s string
	switch n := n.(type) {
	case *ast.StringNode:
		s = n.Value
	case *ast.LiteralNode:
		s = n.Value.Value
	case *ast.BoolNode:
		if !word {
			d.refuse(n, at, said("text"), found(n), said("put it in quotes: %q", n.GetToken().Value))
			return
		}
		s = strconv.FormatBool(n.Value)
	case *ast.IntegerNode, *ast.FloatNode:
		d.refuse(n, at, said("text"), found(n), said("put it in quotes: %q", n.GetToken().Value))
		return
	default:
		d.refuse(n, at, said("text"), found(n), said("write text, in quotes where it holds a colon or begins with a sign"))
		return
	}
	s = strings.TrimSpace(s)
	if s == "" {
		d.refuse(n, at, said("text"), said("nothing"), said("write the text, or delete the key"))
		return
	}
	dst.SetString(s)
}

func (d *document) quantity(dst *Quantity, n ast.Node, at *step) {
	mend := said("write the figure and its unit, such as 5 min, 88 %, 7.3 kPa or 1/3")
	var text string
	switch n := n.(type) {
	case *ast.IntegerNode, *ast.FloatNode:
		text = n.GetToken().Value
	case *ast.StringNode:
		text = n.Value
	default:
		d.refuse(n, at, said("a figure with its unit"), found(n), mend)
		return
	}
	q, wrong := parseQuantity(text)
	if wrong != nil {
		d.refuse(n, at, wrong.expected, wrong.found, mend)
		return
	}
	*dst = q
}

// table fills a map from names to structs.
func (d *document) table(dst reflect.Value, n ast.Node, at *step) {
	m, ok := n.(*ast.MappingNode)
	if !ok || len(m.Values) == 0 {
		d.refuse(n, at, said("names, each with its keys"), found(n), said("write name: and its keys below, indented"))
		return
	}
	dst.Set(reflect.MakeMap(dst.Type()))
	for _, e := range m.Values {
		key := keyText(e)
		below := at.in(key)
		if !namePattern.MatchString(key) {
			d.refuse(e.Key, below, said("a name of letters, digits, - and _"), verbatim(key), said("rename it here and wherever it is cited"))
			continue
		}
		if dst.MapIndex(reflect.ValueOf(key)).IsValid() {
			d.refuse(e.Key, below, said("each name once"), said("%s a second time", quote(key)), said("delete one of the two, or rename it"))
			continue
		}
		v := reflect.New(dst.Type().Elem()).Elem()
		d.value(v, e.Value, below, false)
		dst.SetMapIndex(reflect.ValueOf(key), v)
	}
}

// fields fills a struct by the yaml tags of its fields.
func (d *document) fields(dst reflect.Value, n ast.Node, at *step) {
	m, ok := n.(*ast.MappingNode)
	if !ok || len(m.Values) == 0 {
		d.refuse(n, at, said("keys: %s", strings.Join(keys(dst.Type()), ", ")), found(n), said("write key: value, one a line"))
		return
	}
	if node, ok := dst.Addr().Interface().(*Node); ok {
		node.Line, node.Column = position(n)
	}
	seen := map[string]bool{}
	for _, e := range m.Values {
		key := keyText(e)
		below := at.in(key)
		field, word := fieldOf(dst, key)
		switch {
		case !field.IsValid():
			d.refuse(e.Key, below, said("a known key"), verbatim(key), didYouMean(key, keys(dst.Type())))
		case seen[key]:
			d.refuse(e.Key, below, said("each key once"), said("%s a second time", quote(key)), said("delete one of the two"))
		default:
			d.value(field, e.Value, below, word)
		}
		seen[key] = true
	}
}

func keyText(e *ast.MappingValueNode) string { return e.Key.GetToken().Value }

// yamlKey returns the key of a field, "" if it is not read from the file, and
// whether it is a word.
func yamlKey(f reflect.StructField) (key string, word bool) {
	key, option, _ := strings.Cut(f.Tag.Get("yaml"), ",")
	if key == "-" {
		key = ""
	}
	return key, option == "word"
}

func fieldOf(dst reflect.Value, key string) (field reflect.Value, word bool) {
	for i := range dst.NumField() {
		if k, word := yamlKey(dst.Type().Field(i)); k == key && key != "" {
			return dst.Field(i), word
		}
	}
	return reflect.Value{}, false
}

func keys(t reflect.Type) []string {
	var ks []string
	for i := range t.NumField() {
		if k, _ := yamlKey(t.Field(i)); k != "" {
			ks = append(ks, k)
		}
	}
	return ks
}

// found describes a value in words for a problem.
func found(n ast.Node) wording.Text {
	switch n := n.(type) {
	case *ast.NullNode:
		return said("nothing")
	case *ast.StringNode:
		return said("the text %s", quote(n.Value))
	case *ast.LiteralNode:
		return said("a block of text")
	case *ast.BoolNode:
		return literal(strings.ToLower(n.GetToken().Value))
	case *ast.IntegerNode, *ast.FloatNode, *ast.InfinityNode, *ast.NanNode:
		return said("the number %s", n.GetToken().Value)
	case *ast.SequenceNode:
		return said("a list")
	case *ast.MappingNode:
		if len(n.Values) == 0 {
			return said("nothing between braces")
		}
		return said("keys and values")
	}
	return said("something else")
}
