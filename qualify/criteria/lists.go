package criteria

import (
	"encoding/json"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/goccy/go-yaml/ast"

	"airwarrant/rules"
	"airwarrant/rules/wording"
)

// Facts that are lists. A list is read from YAML, in a facts file or as the
// text of one value, and stored as JSON.

// Test is one of several tests of a patient, with facts that stand over those
// of the case.
type Test struct {
	Name    string // by which it is told apart from the others, one line
	SHA256  string // of its recording, "" if it rests on stated figures
	Session int    // of that recording, from 1; 0: the one that it holds
	Time    string // HH:MM at which it was taken, "" if not stated
	Facts   map[string]Fact
}

// MaxTests is how many tests one case may list.
const MaxTests = 50

const nameLimit = 100 // letters of the name of a test

// list reads the value of a fact that is a list.
func (d *document) list(def *rules.FactDef, n ast.Node, key string) (Value, *fault) {
	switch def.Name {
	case "recordings":
		return d.recordings(n, key)
	case "tests":
		return d.tests(n, key)
	case "report":
		return d.report(n, key)
	case "spans":
		return d.spans(n, key)
	}
	return Value{}, &fault{said("a fact that is a list of this version"), verbatim(def.Name), said("delete it")}
}

// listForm says what an item of the list looks like.
func listForm(name string) wording.Text {
	switch name {
	case "tests":
		return said("{name, sha256, session, test_time, and facts of the test}")
	case "report":
		return literal("{measure, spo2, value, unit, document, page, at}")
	case "spans":
		return said("{from, to, judged, by}, with sha256 of several recordings")
	}
	return literal("{sha256, role, from, until, flow, device}")
}

// parseList reads a list from its YAML text, which is the file that its faults
// name.
func parseList(def *rules.FactDef, text string) (Value, error) {
	d := &document{file: def.Name}
	var v Value
	if root := d.open([]byte(text)); root != nil {
		var f *fault
		if v, f = d.list(def, root, ""); f != nil {
			d.fault(root, "", f)
		}
	} else if len(d.faults) == 0 {
		return Value{}, &ValueError{def.Name, &fault{form(def), said("nothing"), said("write - %s for each", listForm(def.Name))}}
	}
	if err := d.err(); err != nil {
		return Value{}, err
	}
	return v, nil
}

// tests reads a list of tests. Faults inside one are told at their place.
func (d *document) tests(n ast.Node, key string) (Value, *fault) {
	var v Value
	f := d.items(n, key, listShape{"tests", "{name: …, test_date: …}", said("test, the failed ones too"), MaxTests, said("at most %d tests", MaxTests), said("state those of one time of need")}, func(item ast.Node, at string, entries []entry) {
		t, before := Test{Facts: map[string]Fact{}}, len(d.faults)
		for _, e := range entries {
			d.testKey(&t, e, path(at, e.key))
		}
		if f := t.check(v.Tests); f != nil && len(d.faults) == before {
			d.fault(item, at, f)
		}
		v.Tests = append(v.Tests, t)
	})
	return v, f
}

// listShape is what a list fact looks like, for its faults: an example of one
// item and what there is one of for each, how many there may be, in words too,
// and which to keep of too many.
type listShape struct {
	fact, example string
	each          wording.Text
	most          int
	many, keep    wording.Text
}

// items reads a list of mappings. What is wrong with the list itself is
// returned, and what is wrong with one item is told at its place.
func (d *document) items(n ast.Node, key string, shaped listShape, read func(item ast.Node, at string, entries []entry)) *fault {
	list, ok := n.(*ast.SequenceNode)
	if !ok || len(list.Values) == 0 {
		return &fault{said("a list of %s", listForm(shaped.fact)), shape(n), said("write - %s for each %s", shaped.example, shaped.each)}
	}
	if len(list.Values) > shaped.most {
		return &fault{shaped.many, literal(strconv.Itoa(len(list.Values))), shaped.keep}
	}
	for i, item := range list.Values {
		at := fmt.Sprintf("%s[%d]", key, i)
		if entries, ok := d.entries(item, at); ok {
			read(item, at, entries)
		} else {
			d.fault(item, at, &fault{listForm(shaped.fact), shape(item), said("write - %s", shaped.example)})
		}
	}
	return nil
}

// testKey reads one key of a test.
func (d *document) testKey(t *Test, e entry, key string) {
	s, isText := scalar(e.node)
	own := map[string]*string{"name": &t.Name, "sha256": &t.SHA256, "test_time": &t.Time}[e.key]
	switch {
	case own != nil && !isText:
		d.fault(e.node, key, &fault{said("one line of text"), shape(e.node), said("write it on the line")})
	case own != nil:
		*own = s
	case e.key == "session":
		n, err := strconv.Atoi(s)
		if err != nil || n < 1 || n > maxSession || strconv.Itoa(n) != s {
			d.fault(e.node, key, &fault{said("the number of a session, from 1"), shape(e.node), said("choose a session that the recording holds")})
			return
		}
		t.Session = n
	default:
		def, f := lookup(e.key)
		if f == nil {
			f = ofTest(def)
		} else if !slices.Contains(statable, e.key) {
			f.mend = closest(e.key, append([]string{"name", "sha256", "session", "test_time"}, statable...))
		}
		if f != nil {
			d.fault(e.at, key, f)
			return
		}
		if fact, ok := d.fact(def, e.node, key); ok {
			t.Facts[e.key] = fact
		}
	}
}

// ofTest refuses facts that belong to the case and to no test of it.
func ofTest(def *rules.FactDef) *fault {
	switch {
	case def.Name == "session_choice":
		return &fault{said("the key session"), literal(def.Name), said("write session: and the number")}
	case def.Type == rules.TypeList, def.Name == "birth_date":
		return &fault{said("a fact of one test"), literal(def.Name), said("state it beside the list, for the case")}
	}
	return nil
}

const maxSession = 100000

var timeOfDay = regexp.MustCompile(`^([01][0-9]|2[0-3]):[0-5][0-9]$`)

// check tells what is wrong with a test that stands behind others.
func (t *Test) check(before []Test) *fault {
	switch {
	case strings.TrimSpace(t.Name) == "" || strings.TrimSpace(t.Name) != t.Name:
		return &fault{said("name: by which the test is told apart"), verbatim(t.Name), said("add a name without blanks around it, such as Walk in the office")}
	case utf8.RuneCountInString(t.Name) > nameLimit || !utf8.ValidString(t.Name) || strings.ContainsFunc(t.Name, unicode.IsControl):
		return &fault{said("a name of one line and at most %d letters", nameLimit), verbatim(t.Name), said("shorten it")}
	case t.SHA256 != "" && !shaForm.MatchString(t.SHA256):
		return &fault{said("a SHA-256 of 64 digits 0-9a-f"), verbatim(t.SHA256), said("copy it from the recording%s", byMeasure)}
	case t.Session < 0 || t.Session > maxSession:
		return &fault{said("the number of a session, from 1"), literal(strconv.Itoa(t.Session)), said("choose a session that the recording holds")}
	case t.Session != 0 && t.SHA256 == "":
		return &fault{said("sha256 beside session"), said("none"), said("say which recording the session is of")}
	case t.Time != "" && !timeOfDay.MatchString(t.Time):
		return &fault{said("a time of day as HH:MM"), verbatim(t.Time), said("write hours from 00 to 23, such as \"09:30\"")}
	case slices.ContainsFunc(before, func(b Test) bool { return b.Name == t.Name }):
		return &fault{said("each name once"), said("%s a second time", quote(t.Name)), said("give each test a name of its own")}
	case t.SHA256 != "" && slices.ContainsFunc(before, func(b Test) bool { return b.SHA256 == t.SHA256 && b.Session == t.Session }):
		return &fault{said("each session of a recording as one test"), said("one twice"), said("delete one of the two")}
	}
	return nil
}

// testJSON is a test as it is stored, its facts in the order of the
// vocabulary.
type testJSON struct {
	Name    string `json:"name"`
	SHA256  string `json:"sha256,omitempty"`
	Session int    `json:"session,omitzero"`
	Time    string `json:"test_time,omitempty"`
	Facts   []Fact `json:"facts,omitempty"`
}

// ordered lists facts in the order of the vocabulary.
func ordered(facts map[string]Fact) []Fact {
	var out []Fact
	for _, def := range rules.Vocabulary() {
		if f, ok := facts[def.Name]; ok {
			out = append(out, f)
		}
	}
	return out
}

// MarshalJSON writes a test with its keys in a fixed order.
func (t Test) MarshalJSON() ([]byte, error) {
	return json.Marshal(testJSON{t.Name, t.SHA256, t.Session, t.Time, ordered(t.Facts)})
}

// UnmarshalJSON reads what MarshalJSON wrote, with the checks of ParseFacts
// on its facts.
func (t *Test) UnmarshalJSON(b []byte) error {
	var in testJSON
	if err := json.Unmarshal(b, &in); err != nil {
		return err
	}
	out := Test{in.Name, in.SHA256, in.Session, in.Time, map[string]Fact{}}
	for _, f := range in.Facts {
		def, bad := lookup(f.Name)
		if bad == nil {
			bad = ofTest(def)
		}
		if bad != nil {
			return fmt.Errorf("test %s: %w", quote(in.Name), bad)
		}
		out.Facts[f.Name] = f
	}
	*t = out
	return nil
}

// storedList is the value of a stored fact that is a list, with the checks of
// ParseFacts.
func (in *factJSON) storedList() (Value, *fault) {
	var v Value
	switch in.Name {
	case "recordings":
		for _, r := range in.List {
			if f := r.check(v.List); f != nil {
				return Value{}, f
			}
			v.List = append(v.List, r)
		}
	case "tests":
		for _, t := range in.Tests {
			if f := t.check(v.Tests); f != nil {
				return Value{}, f
			}
			v.Tests = append(v.Tests, t)
		}
	case "report":
		v.Report = in.Report
	case "spans":
		for _, s := range in.Spans {
			if f := s.check(); f != nil {
				return Value{}, f
			}
			v.Spans = append(v.Spans, s)
		}
	}
	switch {
	case len(v.List) > maxStretches:
		return Value{}, &fault{said("at most %d stretches", maxStretches), literal(strconv.Itoa(len(v.List))), said("state it again")}
	case len(v.Spans) > MaxSpans:
		return Value{}, &fault{said("at most %d judged stretches", MaxSpans), literal(strconv.Itoa(len(v.Spans))), said("state it again")}
	case len(v.Report) > MaxReported:
		return Value{}, &fault{said("at most %d figures", MaxReported), literal(strconv.Itoa(len(v.Report))), said("state it again")}
	case len(v.List)+len(v.Tests)+len(v.Report)+len(v.Spans) == 0:
		return Value{}, &fault{said("a list of %s", listForm(in.Name)), said("none"), said("state it again")}
	case len(v.Tests) > MaxTests:
		return Value{}, &fault{said("at most %d tests", MaxTests), literal(strconv.Itoa(len(v.Tests))), said("state it again")}
	}
	return v, nil
}

// TestsText writes tests as the YAML text that ParseValue("tests", text)
// reads back to the same list: one test in each item, one key a line. A number that its
// decimals do not hold exactly is an error.
func TestsText(tests []Test) (string, error) {
	var b strings.Builder
	for _, t := range tests {
		fmt.Fprintf(&b, "- name: %s\n", oneLine(t.Name))
		if t.SHA256 != "" {
			fmt.Fprintf(&b, "  sha256: %s\n", oneLine(t.SHA256))
		}
		if t.Session != 0 {
			fmt.Fprintf(&b, "  session: %d\n", t.Session)
		}
		if t.Time != "" {
			fmt.Fprintf(&b, "  test_time: %s\n", oneLine(t.Time))
		}
		for _, f := range ordered(t.Facts) {
			s, err := f.yaml()
			if err != nil {
				return "", err
			}
			fmt.Fprintf(&b, "  %s: %s\n", f.Name, s)
		}
	}
	return b.String(), nil
}

// yaml writes the value of a fact as a facts file has it, on one line.
func (f Fact) yaml() (string, error) {
	if f.State == Unknown {
		return unknownWord, nil
	}
	value, unit, err := f.text()
	if err != nil {
		return "", err
	}
	def, _ := definition(f.Name)
	bare := value
	if def.Type == rules.TypeDate || def.Type == rules.TypeWord {
		bare = oneLine(value)
	}
	if f.Place == nil && (unit == "" || unit == def.Unit) {
		return bare, nil
	}
	key := "value"
	if f.Place != nil {
		key = "located"
		if unit != "" {
			bare = fmt.Sprintf("{value: %s, unit: %s}", bare, oneLine(unit))
			unit = ""
		}
	}
	parts := []string{key + ": " + bare}
	if unit != "" {
		parts = append(parts, "unit: "+oneLine(unit))
	}
	if p := f.Place; p != nil {
		for _, k := range []struct{ key, text string }{{"document", p.Document}, {"date", p.Date.String()}, {"page", p.Page}, {"by", p.By}} {
			if k.text != "" {
				parts = append(parts, k.key+": "+oneLine(k.text))
			}
		}
	}
	return "{" + strings.Join(parts, ", ") + "}", nil
}

// oneLine writes a line of text between quotes, as YAML and JSON both have it.
func oneLine(s string) string {
	var b strings.Builder
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(s); err != nil {
		panic("criteria: oneLine: " + err.Error()) // text always encodes
	}
	return strings.TrimSuffix(b.String(), "\n")
}
