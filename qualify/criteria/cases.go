package criteria

import (
	"fmt"
	"maps"
	"math/big"
	"regexp"
	"slices"
	"strings"

	"github.com/goccy/go-yaml/ast"

	"airwarrant/qualify/analysis"
	"airwarrant/rules"
	"airwarrant/rules/wording"
)

// CaseResult is what became of one boundary case of a pack. Message is "" if
// the case came out as it says; otherwise it names what was expected, what was
// found and where to look. A file that cannot be read gives one result for
// each fault.
type CaseResult struct {
	File    string
	Line    int // where the case begins, from 1
	Name    string
	Message wording.Text
	// Determination is that of the case, the zero value where it did not run.
	Determination Determination
}

// RunCases runs the boundary cases of a pack. The file holds
//
//	base: {NAME: {fact: value, …}}      # facts that cases share
//	cases:
//	  - name: what differs
//	    source: stated, ours, or the row of the document
//	    base: NAME
//	    facts: {fact: value, …}         # over those of the base
//	    profile: "95 6h, 88 5m, 87? 30s, - 10m"
//	    confirmed: [clause id, …]
//	    want: {outcome, disposition, met, not_met, undetermined, not_applicable, needs, allows, follow_up, open, document, lacks, cautions, barred, decides}
//
// A profile is a night as steps of value and time: ? marks a doubted reading,
// - time without one. want.outcome is required; met and the like list clause
// ids; needs lists facts that have to be among the questions; allows lists
// texts each of which a sentence of the determination has to hold, and an
// empty list says that nothing is allowed; follow_up, open (consequences that
// wait for an answer) and document do the same, and cautions for those
// beyond the pack's own; lacks lists texts that nothing of allows, follow_up,
// open and document holds. barred says whether custody bars the supplier from the
// result. decides is the name of the test that decides where the facts list
// several, or none.
func RunCases(p *rules.Pack, cases []byte, file string) []CaseResult {
	return ReadCases(p, cases, file).Run(p)
}

// CaseSet is a file of boundary cases, read once to be run on several states
// of a pack.
type CaseSet struct {
	file   string
	faults []CaseResult
	cases  []testCase
}

// ReadCases reads a file of cases as RunCases does.
func ReadCases(p *rules.Pack, cases []byte, file string) *CaseSet {
	d := &document{file: file}
	root := d.open(cases)
	s := &CaseSet{file: file}
	if root != nil {
		var confirmable []string
		for _, c := range p.Drafts() {
			confirmable = append(confirmable, c.ID)
		}
		s.cases = d.cases(root, clauseIDs(p), confirmable)
	}
	for _, f := range d.faults {
		s.faults = append(s.faults, CaseResult{File: file, Line: f.Line, Name: f.Key,
			Message: said("column %d: %s", f.Column, f.Said())})
	}
	return s
}

// Faults are those of the file itself, as Run returns them before its cases.
func (s *CaseSet) Faults() []CaseResult { return slices.Clone(s.faults) }

// Run runs every case on p.
func (s *CaseSet) Run(p *rules.Pack) []CaseResult {
	out := slices.Clone(s.faults)
	for _, c := range s.cases {
		out = append(out, c.run(p, s.file))
	}
	return out
}

func (c *testCase) run(p *rules.Pack, file string) CaseResult {
	r := CaseResult{File: file, Line: c.line, Name: c.name, Determination: c.determine(p, rules.Language{})}
	r.Message = c.compare(p, &r.Determination)
	return r
}

func (c *testCase) determine(p *rules.Pack, l rules.Language) Determination {
	tests := Tests(c.facts, c.night != nil)
	if tests == nil {
		return Determine(p, Facts{Named: c.facts, Night: c.night, Language: l}, c.confirmed)
	}
	var tried []Tried
	for _, t := range tests {
		f := Facts{Named: TestFacts(c.facts, t), Language: l}
		if t.Name == OwnTest {
			f.Night = c.night
		}
		tried = append(tried, Tried{Test: t, Pack: p, Named: f.Named, Recorded: f.Night != nil, Determination: Determine(p, f, c.confirmed), Language: l})
	}
	d, _ := Decide(tried)
	return d
}

// WordedCase is a boundary case with what it comes to, worded in a language.
type WordedCase struct {
	Name          string
	Facts         map[string]Fact
	Determination Determination
}

// In determines every case on p in a language; what it comes to is not compared
// with what the case wants.
func (s *CaseSet) In(p *rules.Pack, l rules.Language) []WordedCase {
	var out []WordedCase
	for i := range s.cases {
		c := &s.cases[i]
		out = append(out, WordedCase{c.name, c.facts, c.determine(p, l)})
	}
	return out
}

// Fails reports whether a case fails on p, and stops at the first.
func (s *CaseSet) Fails(p *rules.Pack) bool {
	return len(s.faults) > 0 || slices.ContainsFunc(s.cases, func(c testCase) bool { return !c.run(p, s.file).Message.IsZero() })
}

// Split parts the cases into those that expect something of one of the
// clauses, and the rest.
func (s *CaseSet) Split(ids ...string) (naming, rest *CaseSet) {
	naming, rest = &CaseSet{file: s.file, faults: s.faults}, &CaseSet{file: s.file, faults: s.faults}
	for _, c := range s.cases {
		into := rest
		for _, named := range c.want.verdicts {
			if slices.ContainsFunc(ids, func(id string) bool { return slices.Contains(named, id) }) {
				into = naming
			}
		}
		into.cases = append(into.cases, c)
	}
	return naming, rest
}

// Following parts the cases into those that expect something of what follows
// (allows, follow_up, open, document, lacks), and the rest.
func (s *CaseSet) Following() (looking, rest *CaseSet) {
	looking, rest = &CaseSet{file: s.file, faults: s.faults}, &CaseSet{file: s.file, faults: s.faults}
	for _, c := range s.cases {
		into := rest
		if len(c.want.texts)+len(c.want.lacks) > 0 {
			into = looking
		}
		into.cases = append(into.cases, c)
	}
	return looking, rest
}

// testCase is one boundary case.
type testCase struct {
	line      int
	name      string
	facts     map[string]Fact
	night     *analysis.Analysis
	confirmed Confirmations
	want      wanted
}

type wanted struct {
	outcome, disposition string
	verdicts             map[Verdict][]string // clause ids
	needs                []string
	texts                map[string][]string // of allows and its like; absent: not looked at
	lacks                []string
	barred               string // true, false or "": not looked at
	decides              string // name of the test that decides; "": not looked at
}

// clauseIDs lists the ids of a pack's clauses.
func clauseIDs(p *rules.Pack) []string {
	var ids []string
	var walk func(n *rules.Node)
	walk = func(n *rules.Node) {
		ids = append(ids, n.ID)
		for _, c := range n.Children() {
			walk(c)
		}
	}
	if p.Criteria != nil {
		walk(p.Criteria)
	}
	return ids
}

// keys reads a mapping that may hold only these keys.
func (d *document) keys(n ast.Node, key string, known ...string) map[string]entry {
	list, ok := d.entries(n, key)
	if !ok {
		d.fault(n, key, &fault{said("keys %s", strings.Join(known, ", ")), shape(n), said("write them as key: value")})
	}
	out := map[string]entry{}
	for _, e := range list {
		if !slices.Contains(known, e.key) {
			d.fault(e.at, path(key, e.key), &fault{said("a key out of %s", strings.Join(known, ", ")), verbatim(e.key), closest(e.key, known)})
			continue
		}
		out[e.key] = e
	}
	return out
}

// cases reads a file of cases; those with a fault are left out.
func (d *document) cases(root ast.Node, ids, confirmable []string) []testCase {
	top := d.keys(root, "", "base", "cases")
	bases := map[string]map[string]Fact{}
	if b, ok := top["base"]; ok {
		list, ok := d.entries(b.node, "base")
		if !ok {
			d.fault(b.node, "base", &fault{said("names with facts"), shape(b.node), said("write NAME: {fact: value}")})
		}
		for _, e := range list {
			bases[e.key] = d.facts(e.node, path("base", e.key))
		}
	}
	cases, ok := top["cases"]
	if !ok {
		return nil
	}
	list, ok := cases.node.(*ast.SequenceNode)
	if !ok {
		d.fault(cases.node, "cases", &fault{said("a list of cases"), shape(cases.node), said("begin each case with - name:")})
		return nil
	}
	var out []testCase
	for i, n := range list.Values {
		before := len(d.faults)
		c := d.testCase(n, fmt.Sprintf("cases[%d]", i), bases, ids, confirmable)
		if len(d.faults) == before {
			out = append(out, c)
		}
	}
	return out
}

func (d *document) testCase(n ast.Node, key string, bases map[string]map[string]Fact, ids, confirmable []string) testCase {
	var c testCase
	c.line, _ = place(n)
	m := d.keys(n, key, "name", "source", "base", "facts", "profile", "confirmed", "want")
	text := func(name string) string {
		e, ok := m[name]
		if !ok {
			return ""
		}
		s, ok := scalar(e.node)
		if !ok || strings.TrimSpace(s) == "" {
			d.fault(e.node, path(key, name), &fault{said("one line of text"), shape(e.node), said("write it on the line")})
		}
		return s
	}
	c.name = text("name")
	text("source")
	if c.name == "" {
		d.fault(n, path(key, "name"), &fault{said("the name of the case"), said("none"), said("add name: and what differs in it")})
	}
	c.facts = map[string]Fact{}
	if name := text("base"); name != "" {
		base, ok := bases[name]
		if !ok {
			d.fault(m["base"].node, path(key, "base"), &fault{said("a name under base at the top of the file"), verbatim(name), closest(name, slices.Sorted(maps.Keys(bases)))})
		}
		maps.Copy(c.facts, base)
	}
	if e, ok := m["facts"]; ok {
		maps.Copy(c.facts, d.facts(e.node, path(key, "facts")))
	}
	if s := text("profile"); s != "" {
		steps, f := profile(s)
		if f == nil {
			if c.night = analysis.FromProfile(steps); c.night == nil {
				f = &fault{said("values and times with a common unit of at least a millionth"), verbatim(s), said("use fewer decimals")}
			}
		}
		if f != nil {
			d.fault(m["profile"].node, path(key, "profile"), f)
		}
	}
	if e, ok := m["confirmed"]; ok {
		c.confirmed = Confirmations{}
		for _, id := range d.words(e.node, path(key, "confirmed"), confirmable) {
			c.confirmed[id] = Confirmation{Clause: id}
		}
	}
	if e, ok := m["want"]; ok {
		c.want = d.wanted(e.node, path(key, "want"), ids, confirmable)
	} else {
		d.fault(n, path(key, "want"), &fault{said("want: with outcome:"), said("none"), said("a case that expects nothing proves nothing: add want: {outcome: …}")})
	}
	return c
}

var (
	outcomes = []string{string(Qualifies), string(DoesNotQualify), string(Undetermined)}
	verdicts = []Verdict{Met, NotMet, Unclear, NotApplicable}
)

func (d *document) wanted(n ast.Node, key string, ids, confirmable []string) wanted {
	w := wanted{verdicts: map[Verdict][]string{}, texts: map[string][]string{}}
	m := d.keys(n, key, "outcome", "disposition", "met", "not_met", "undetermined", "not_applicable", "needs", "allows", "follow_up", "open", "document", "lacks", "cautions", "barred", "decides")
	word := func(name string, known []string) string {
		e, ok := m[name]
		if !ok {
			return ""
		}
		s, _ := scalar(e.node)
		if !slices.Contains(known, s) {
			d.fault(e.node, path(key, name), &fault{said("one of %s", strings.Join(known, ", ")), shape(e.node), closest(s, known)})
		}
		return s
	}
	w.outcome = word("outcome", outcomes)
	w.disposition = word("disposition", dispositions)
	w.barred = word("barred", []string{"true", "false"})
	if e, ok := m["decides"]; ok {
		if w.decides, ok = scalar(e.node); !ok || w.decides == "" {
			d.fault(e.node, path(key, "decides"), &fault{said("the name of a test of the list, or none"), shape(e.node), said("write it on the line")})
		}
	}
	if _, ok := m["outcome"]; !ok {
		d.fault(n, key, &fault{literal("outcome:"), said("none"), said("a case that expects no outcome proves nothing: add one of %s", strings.Join(outcomes, ", "))})
	}
	for _, v := range verdicts {
		if e, ok := m[string(v)]; ok {
			w.verdicts[v] = d.words(e.node, path(key, string(v)), ids)
		}
	}
	if e, ok := m["needs"]; ok {
		known := append([]string{needRecording, needJudgement}, statable...)
		for _, id := range append(slices.Clone(ids), confirmable...) {
			known = append(known, needConfirm+id)
		}
		w.needs = d.words(e.node, path(key, "needs"), known)
	}
	if e, ok := m["lacks"]; ok {
		w.lacks = d.words(e.node, path(key, "lacks"), nil)
	}
	for _, name := range textKeys {
		if e, ok := m[name]; ok {
			w.texts[name] = append([]string{}, d.words(e.node, path(key, name), nil)...)
		}
	}
	return w
}

// textKeys are the keys of want that hold parts of sentences.
var textKeys = []string{"allows", "follow_up", "open", "document", "cautions"}

// sentences of a determination under one of textKeys.
func sentences(p *rules.Pack, det *Determination, key string) []string {
	switch key {
	case "allows":
		return det.Allows
	case "follow_up":
		return det.FollowUp
	case "document":
		return det.Document
	case "cautions":
		return cautionsBeyond(p, det)
	}
	var open []string
	for _, c := range det.Consequences {
		if c.State == Open {
			open = append(open, c.Sentence())
		}
	}
	return open
}

var dispositions = []string{"covered", "not_covered", "incomplete", "invalid_test", "refer", "manual_review", "recommended_against", "not_addressed", "deferred"}

// words reads a list of words out of known; nil admits any.
func (d *document) words(n ast.Node, key string, known []string) []string {
	list, ok := n.(*ast.SequenceNode)
	if !ok {
		d.fault(n, key, &fault{said("a list"), shape(n), said("write [a, b]")})
		return nil
	}
	var out []string
	for _, v := range list.Values {
		s, ok := scalar(v)
		switch {
		case !ok:
			d.fault(v, key, &fault{said("a word"), shape(v), said("write it on the line")})
		case known != nil && !slices.Contains(known, s):
			mend := said("look the name up in the pack")
			if best := near(s, known); best != "" {
				mend = said("did you mean %q?", best)
			}
			d.fault(v, key, &fault{said("a name that the pack knows"), verbatim(s), mend})
		default:
			out = append(out, s)
		}
	}
	return out
}

// because is why a case came to what it came to, determined anew in the language
// in which it is told.
type because struct {
	c       *testCase
	p       *rules.Pack
	english string
}

// String is it in English.
func (b because) String() string { return b.english }

// In is it in a language.
func (b because) In(l rules.Language) string { return b.c.determine(b.p, l).Because }

// compare says how the determination differs from what was wanted.
func (c *testCase) compare(p *rules.Pack, det *Determination) wording.Text {
	w := &c.want
	var diffs []wording.Text
	differ := func(what wording.Text, want, got string) {
		if want != got {
			diffs = append(diffs, said("%s: expected %s, found %s", what, want, got))
		}
	}
	differ(literal("outcome"), w.outcome, string(det.Outcome))
	if w.disposition != "" {
		differ(literal("disposition"), w.disposition, det.Disposition)
	}
	if w.barred != "" {
		differ(literal("barred"), w.barred, fmt.Sprint(det.CustodyBarred))
	}
	if w.decides != "" {
		decides := "none"
		for _, l := range det.Tests {
			if l.Decides {
				decides = l.Name
			}
		}
		differ(literal("decides"), w.decides, decides)
	}
	found := map[string]*Finding{}
	var walk func(fs []Finding)
	walk = func(fs []Finding) {
		for i := range fs {
			found[fs[i].ID] = &fs[i]
			walk(fs[i].Parts)
		}
	}
	walk(det.Clauses)
	for _, v := range verdicts {
		for _, id := range w.verdicts[v] {
			f := found[id]
			if f == nil {
				diffs = append(diffs, said("clause %s: expected %s, found no such part; the root's verdict is the outcome", id, string(v)))
				continue
			}
			differ(said("clause %s", id), string(v), string(f.Outcome))
		}
	}
	var asked []string
	for _, n := range det.Needs {
		asked = append(asked, n.Fact)
	}
	for _, n := range w.needs {
		if !slices.Contains(asked, n) {
			diffs = append(diffs, said("needs: expected %s among them, found [%s]", n, strings.Join(asked, ", ")))
		}
	}
	for _, name := range textKeys {
		want, looked := w.texts[name]
		if !looked {
			continue
		}
		found := sentences(p, det, name)
		if len(want) == 0 && len(found) > 0 {
			diffs = append(diffs, said("%s: expected nothing, found %s", name, strings.Join(found, " | ")))
		}
		for _, a := range want {
			if !slices.ContainsFunc(found, func(s string) bool { return strings.Contains(s, a) }) {
				diffs = append(diffs, said("%s: expected %q, found [%s]", name, a, strings.Join(found, " | ")))
			}
		}
	}
	for _, text := range w.lacks {
		for _, name := range []string{"allows", "follow_up", "open", "document"} {
			for _, s := range sentences(p, det, name) {
				if strings.Contains(s, text) {
					diffs = append(diffs, said("lacks: expected no sentence with %q, found %q under %s", text, s, name))
				}
			}
		}
	}
	if len(diffs) == 0 {
		return wording.Text{}
	}
	return wording.List("; ", append(diffs, said("because: %s", because{c, p, det.Because})))
}

// cautionsBeyond are the cautions that not every worksheet of the pack bears.
func cautionsBeyond(p *rules.Pack, det *Determination) []string {
	return det.Cautions[len(p.Cautions):]
}

var (
	stepForm = regexp.MustCompile(`^(-|[0-9]{1,3}(?:\.[0-9]{1,3})?)(\?)? (\S+)$`)
	timeForm = regexp.MustCompile(`^(?:([0-9]{1,4})h)?(?:([0-9]{1,6})m)?(?:([0-9]{1,7}(?:\.[0-9]{1,3})?)s)?$`)
)

// profile reads a night written as steps.
func profile(s string) ([]analysis.ProfileStep, *fault) {
	shapeOf := said(`steps of value and time such as "95 6h, 88 4m58s, 87? 30s, - 10m"`)
	var out []analysis.ProfileStep
	for step := range strings.SplitSeq(s, ",") {
		step = strings.TrimSpace(step)
		m := stepForm.FindStringSubmatch(step)
		if m == nil || m[1] == "-" && m[2] != "" {
			return nil, &fault{shapeOf, verbatim(step), said("write a saturation or -, ? if it is doubted, a blank and a time")}
		}
		t := timeForm.FindStringSubmatch(m[3])
		seconds := new(big.Rat)
		if t != nil {
			for i, size := range []int64{3600, 60, 1} {
				if t[i+1] != "" {
					x, _ := new(big.Rat).SetString(t[i+1])
					seconds.Add(seconds, x.Mul(x, big.NewRat(size, 1)))
				}
			}
		}
		if seconds.Sign() == 0 {
			return nil, &fault{shapeOf, verbatim(step), said("write the time as 6h, 4m58s or 30s")}
		}
		p := analysis.ProfileStep{Seconds: seconds, Doubted: m[2] != ""}
		if m[1] != "-" {
			p.Value, _ = new(big.Rat).SetString(m[1])
		}
		out = append(out, p)
	}
	return out, nil
}
