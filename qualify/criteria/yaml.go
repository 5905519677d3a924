package criteria

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"

	"airwarrant/rules"
	"airwarrant/rules/wording"
)

const (
	maxYAML    = 1 << 18 // bytes of a facts file or a file of cases
	maxTokens  = 30_000  // of one file; the parser takes time in their square
	maxNesting = 16
	maxFaults  = 200
)

// document is a YAML file on its way into facts or cases. It collects faults
// and never stops at the first.
type document struct {
	file   string
	faults rules.Problems
}

// open reads the one document of a file: plain keys and values, without
// aliases, tags and second documents. The node is nil for an empty file and
// where there are faults.
func (d *document) open(data []byte) ast.Node {
	whole := func(expected, found, mend wording.Text) ast.Node {
		d.faults = append(d.faults, rules.Problem{File: d.file, Line: 1, Column: 1, Expected: expected, Found: found, Mend: mend})
		return nil
	}
	if len(data) > maxYAML {
		return whole(said("a file of at most %d bytes", maxYAML), said("%d bytes", len(data)), said("split it"))
	}
	if !utf8.Valid(data) || slices.Contains(data, 0) {
		return whole(said("text in UTF-8"), said("other bytes"), said("save the file as UTF-8"))
	}
	tokens := lexer.Tokenize(strings.TrimPrefix(string(data), "\uFEFF"))
	if len(tokens) > maxTokens {
		return whole(said("at most %d words and signs", maxTokens), said("more"), said("split it"))
	}
	if !d.plain(tokens) {
		return nil
	}
	file := d.syntax(tokens)
	if file == nil {
		return nil
	}
	var root ast.Node
	for _, doc := range file.Docs {
		if doc.Body != nil {
			root = doc.Body
		}
	}
	if root == nil || root.Type() == ast.NullType || root.Type() == ast.CommentType || root.Type() == ast.CommentGroupType {
		return nil
	}
	return root
}

// plain refuses what the files may not use. Nesting is limited here, before
// the parser recurses into it.
func (d *document) plain(tokens token.Tokens) bool {
	depth, dashes, line, content := 0, 0, 0, false
	for _, t := range tokens {
		var expected, found, mend wording.Text
		switch t.Type {
		case token.AnchorType, token.AliasType, token.MergeKeyType:
			expected, found, mend = said("each value written out"), said("an anchor, alias or merge key"), said("write the value out where it is needed")
		case token.TagType, token.DirectiveType, token.MappingKeyType:
			expected, found, mend = said("plain keys and values"), literal(strconv.Quote(t.Value)), said("write key: value")
		case token.DocumentHeaderType, token.DocumentEndType:
			if content {
				expected, found, mend = said("one document"), said("the beginning of a second one"), said("put what follows into a file of its own")
			}
		case token.SequenceStartType, token.MappingStartType:
			depth++
		case token.SequenceEndType, token.MappingEndType:
			depth--
		case token.SequenceEntryType:
			if t.Position.Line != line {
				line, dashes = t.Position.Line, 0
			}
			dashes++
		}
		content = content || t.Type != token.DocumentHeaderType && t.Type != token.CommentType
		if depth > maxNesting || dashes > maxNesting {
			expected, found, mend = said("at most %d levels of nesting", maxNesting), said("one more"), said("write it flatter")
		}
		if !expected.IsZero() {
			d.faults = append(d.faults, rules.Problem{File: d.file, Line: t.Position.Line, Column: t.Position.Column, Expected: expected, Found: found, Mend: mend})
			return false
		}
	}
	return true
}

// syntax runs the parser of the YAML library; duplicate keys are told later,
// with both places.
func (d *document) syntax(tokens token.Tokens) (file *ast.File) {
	p := rules.Problem{File: d.file, Line: 1, Column: 1, Expected: said("YAML that can be read"), Found: said("text that the reader gives up on"),
		Mend: said("look at indentation, quotes, brackets and the blank after each colon")}
	defer func() {
		// A fault of the library on odd input is a refusal of that file.
		if recover() != nil {
			file = nil
			d.faults = append(d.faults, p)
		}
	}()
	file, err := parser.Parse(tokens, 0, parser.AllowDuplicateMapKey())
	if err == nil {
		return file
	}
	var e yaml.Error
	if errors.As(err, &e) {
		p.Found = said("what the reader refuses: %s", wording.Said(e.GetMessage()))
		if t := e.GetToken(); t != nil && t.Position != nil {
			p.Line, p.Column = t.Position.Line, t.Position.Column
		}
	}
	d.faults = append(d.faults, p)
	return nil
}

// fault adds a fault at a node.
func (d *document) fault(n ast.Node, key string, f *fault) {
	if len(d.faults) >= maxFaults {
		return
	}
	line, column := place(n)
	d.faults = append(d.faults, rules.Problem{File: d.file, Line: line, Column: column, Key: key, Expected: f.expected, Found: f.found, Mend: f.mend})
}

// err returns the faults in the order of the file, nil if there are none.
func (d *document) err() error {
	if len(d.faults) == 0 {
		return nil
	}
	slices.SortStableFunc(d.faults, func(a, b rules.Problem) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column))
	})
	return d.faults
}

// place is where a node begins: line and column from 1.
func place(n ast.Node) (line, column int) {
	t := n.GetToken()
	switch n := n.(type) {
	case *ast.MappingNode:
		if !n.IsFlowStyle && len(n.Values) > 0 {
			t = n.Values[0].Key.GetToken()
		}
	case *ast.MappingValueNode:
		t = n.Key.GetToken()
	}
	if t == nil || t.Position == nil {
		return 1, 1
	}
	return t.Position.Line, t.Position.Column
}

// entry is one key of a mapping with its value.
type entry struct {
	key  string
	at   ast.Node
	node ast.Node
}

// entries lists a mapping in the order of the file and tells duplicate keys;
// it is false for what is no mapping.
func (d *document) entries(n ast.Node, key string) ([]entry, bool) {
	m, ok := n.(ast.MapNode)
	if !ok {
		return nil, false
	}
	var out []entry
	lines := map[string]int{}
	for it := m.MapRange(); it.Next(); {
		k := it.Key()
		e := entry{k.GetToken().Value, k, it.Value()}
		line, _ := place(k)
		if first, twice := lines[e.key]; twice {
			d.fault(k, path(key, e.key), &fault{said("each key once"), said("%q a second time (first in line %d)", e.key, first), said("delete one of the two")})
			continue
		}
		lines[e.key] = line
		out = append(out, e)
	}
	return out, true
}

func path(in, key string) string {
	if in == "" {
		return key
	}
	return in + "." + key
}

// scalar returns the text of a value on one line exactly as it stands in the
// file, false for anything else.
func scalar(n ast.Node) (string, bool) {
	switch n := n.(type) {
	case *ast.StringNode:
		return n.Value, true
	case *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode, *ast.InfinityNode, *ast.NanNode:
		return n.GetToken().Value, true
	}
	return "", false
}

// shape says what a node is, for a fault.
func shape(n ast.Node) wording.Text {
	if s, ok := scalar(n); ok {
		return verbatim(s)
	}
	switch n.(type) {
	case *ast.NullNode:
		return said("nothing")
	case *ast.SequenceNode:
		return said("a list")
	case ast.MapNode:
		return said("keys and values")
	}
	return said("a block of text")
}

// quote shows what stands in a file, cut to a length that fits a line.
func quote(s string) string {
	const most = 60
	if len(s) > most {
		cut := most
		for !utf8.RuneStart(s[cut]) {
			cut--
		}
		s = s[:cut] + "…"
	}
	return fmt.Sprintf("%q", s)
}

// near is the word that differs by the fewest letters, "" if none is near enough
// to be a slip of the pen.
func near(s string, words []string) string {
	best, least := "", len(s)+1
	for _, w := range words {
		if n := distance(s, w); n < least && n <= max(1, len(w)/3) {
			best, least = w, n
		}
	}
	return best
}

// closest names the word that differs by the fewest letters, or lists all.
func closest(s string, words []string) wording.Text {
	best := near(s, words)
	if best == "" {
		return said("use one of: %s", strings.Join(words, ", "))
	}
	return said("did you mean %q?", best)
}

// distance counts the letters to insert, delete or replace. Words too long
// to be a slip of the pen are far from everything.
func distance(a, b string) int {
	if len(a) > 64 {
		return len(a)
	}
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			step := diagonal + 1
			if a[i] == b[j] {
				step = diagonal
			}
			diagonal = row[j+1]
			row[j+1] = min(step, row[j]+1, diagonal+1)
		}
	}
	return row[len(b)]
}
