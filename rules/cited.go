package rules

import (
	"cmp"
	"fmt"
	"reflect"
	"regexp"
	"slices"
	"strings"

	"airwarrant/rules/wording"
)

// Uncited is something of a payer's criteria that a version says otherwise than
// the one before it, without a document that says so: a figure, a date, a limit,
// a comparator, a connective, a unit, or what clauses there are.
type Uncited struct {
	Part string `json:"part"` // id of the clause, deferral, override or item; or key of the pack
	What string `json:"what"` // the same with a word before it, such as "clause rest"
	Was  string `json:"was"`  // what the version before says, in words; "" if it says nothing
	Is   string `json:"is"`   // what this one says, in words; "" if it says nothing
	// Cites are the documents that the part cites, in words; none where nothing
	// of its own cites a document, so that any new one of the pack would do.
	Cites []string `json:"cites"`
}

// Said tells expected, found and mend in a sentence; what the versions say is told
// by the keys of the file.
func (u Uncited) Said() wording.Text {
	say := func(s string) wording.Text {
		if s == "" {
			return wording.Joined("“%s”", said("nothing"))
		}
		return wording.Joined("“%s”", wording.Literal(s))
	}
	cited := said("it cites none of its own")
	if len(u.Cites) > 0 {
		cited = said("it cites %s", strings.Join(u.Cites, "; "))
	}
	return said("%s: expected a new or changed document beside a changed figure; found %s, before %s, and %s, as before; cite the document that says so, with its section and edition.", strings.ToUpper(u.What[:1])+u.What[1:], say(u.Is), say(u.Was), cited)
}

// UncitedChanges lists what b says otherwise than a without a new citation. A
// citation is new if no citation of a has its document, section and edition; the
// address and the day of reading alone make none. With reread, as for the
// correction of a figure that was wrong from the start, it is enough that the
// same document was read on a later day. Labels, notes, titles, statuses and
// whose reading a clause is are no figures. A clause under a new id is a new
// clause.
func UncitedChanges(a, b *Pack, reread bool) []Uncited {
	c := &citing{a: a, b: b, reread: reread}
	before, after := partsOf(a), partsOf(b)
	old := map[string]citedPart{}
	for _, p := range before {
		old[p.key] = p
	}
	left := map[string]bool{}
	for _, p := range after {
		left[p.key] = true
		q := old[p.key]
		if q.meaning != p.meaning {
			c.need(p.what, p.part, q.words, p.words, p.cites, p.own)
		}
	}
	for _, q := range before {
		// A clause that is gone shows in its group, which still stands.
		if !left[q.key] && !q.clause {
			c.need(q.what, q.part, q.words, "", nil, false)
		}
	}
	return c.out
}

type citing struct {
	a, b   *Pack
	reread bool
	out    []Uncited
}

// need asks for a new citation among names, or in the whole pack where the part
// has none of its own.
func (c *citing) need(what, part, was, is string, names []string, own bool) {
	own = own && len(names) > 0
	if !own {
		names = sortedKeys(c.b.Cites)
	}
	if slices.ContainsFunc(names, func(n string) bool { return c.isNew(c.b.Cites[n]) }) {
		return
	}
	u := Uncited{Part: part, What: what, Was: was, Is: is, Cites: []string{}}
	if own {
		for _, n := range names {
			u.Cites = append(u.Cites, c.b.Cites[n].words())
		}
	}
	c.out = append(c.out, u)
}

func (c *citing) isNew(x Citation) bool {
	plain := func(s string) string { return strings.ToLower(strings.Join(strings.Fields(s), " ")) }
	for _, y := range c.a.Cites {
		if plain(x.Document) == plain(y.Document) && plain(x.Section) == plain(y.Section) && plain(x.Edition) == plain(y.Edition) && !(c.reread && y.ReadOn.Before(x.ReadOn)) {
			return false
		}
	}
	return true
}

// citedPart is one thing that a pack says.
type citedPart struct {
	key, part, what string
	words           string // for people
	meaning         string // the same with figures in one spelling
	cites           []string
	own             bool // cites are its own to give
	clause          bool // of the tree of criteria
}

func partsOf(p *Pack) []citedPart {
	var out []citedPart
	add := func(kind, id, words, meaning string, own bool, cites ...[]string) {
		part := citedPart{key: kind + " " + id, part: cmp.Or(id, kind), what: strings.TrimSpace(kind + " " + id), words: words, meaning: meaning, own: own, clause: kind == "clause"}
		for _, list := range cites {
			for _, n := range list {
				if !slices.Contains(part.cites, n) {
					part.cites = append(part.cites, n)
				}
			}
		}
		out = append(out, part)
	}
	plain := func(kind, id, text string, own bool, cites ...[]string) {
		if text != "" {
			add(kind, id, text, text, own, cites...)
		}
	}
	plain("withdrawn", "", map[bool]string{true: "the payer withdrew its criteria"}[p.Withdrawn], false)
	for i, t := 0, reflect.TypeFor[Reading](); i < t.NumField(); i++ {
		key, _ := yamlKey(t.Field(i))
		switch v := reflect.ValueOf(p.Reading).Field(i).Interface().(type) {
		case string:
			plain("reading."+key, "", v, false)
		case *Quantity:
			if v != nil {
				add("reading."+key, "", v.String(), v.figure(), false)
			}
		}
	}
	plain("qualifies", "", cmp.Or(p.Qualifies, "covered"), false)
	plain("fails", "", cmp.Or(p.Fails, "not_covered"), false)
	plain("expires", "", p.Expires.String(), true, p.ExpiresCite)
	if p.Population != nil {
		add("population", "", says(p.Population, false, true), says(p.Population, true, true), true, p.Population.cited())
	}
	for _, d := range p.DeferTo {
		add("deferral", d.ID, d.Region+" where "+says(d.When, false, true), d.Region+" where "+says(d.When, true, true), true, d.Cite, d.When.cited())
	}
	for _, o := range p.Overrides {
		plain("override", o.ID, strings.Join(o.Waives, ", ")+", for tests "+(Language{}).Period(o.From, o.Until)+figuresIn(o.Text), true, o.Cite)
	}
	if c := p.Custody; c != nil {
		text := func(canonical bool) string {
			when := "always"
			if c.When != nil {
				when = says(c.When, canonical, true)
			}
			return when + "; accepted are " + strings.Join(c.Accepts, ", ")
		}
		add("custody", "", text(false), text(true), true, c.Cite, c.When.cited())
	}
	if p.Choose != nil {
		plain("choose", "", strings.Join(p.Choose.Order, ", "), true, p.Choose.Cite)
	}
	for _, it := range p.OnFile {
		plain("on_file", it.ID, it.Fact+figuresIn(it.Item), true, it.Cite)
	}
	counts := map[string]int{}
	follows := func(kind string, words, meaning string, cites ...[]string) {
		// They have no ids: the same thing said twice is told apart by its number.
		counts[kind+meaning]++
		add(kind, fmt.Sprintf("(%s) %d", meaning, counts[kind+meaning]), words, meaning, true, cites...)
		last := &out[len(out)-1]
		last.part, last.what = kind, kind
	}
	for _, list := range []struct {
		kind string
		of   []Consequence
	}{{"allows", p.Allows}, {"follow_up", p.FollowUp}} {
		for _, x := range list.of {
			text := func(canonical bool) string {
				s := cmp.Or(x.Kind, "note") + " where " + x.When + " is met"
				if x.Unless != "" {
					s += " and " + x.Unless + " is not"
				}
				if x.If != nil {
					s += ", and " + says(x.If, canonical, true)
				}
				if x.Due != nil {
					s += ", due from " + x.Due.From
					for _, end := range []struct {
						word string
						q    *Quantity
					}{{" at least ", x.Due.AtLeast}, {" at or below ", x.Due.AtOrBelow}} {
						if end.q != nil {
							s += end.word + map[bool]string{true: end.q.figure(), false: end.q.String()}[canonical]
						}
					}
				}
				return s + figuresIn(x.Text)
			}
			follows(list.kind, text(false), text(true), x.Cite, x.If.cited())
		}
	}
	for _, x := range p.Prompts {
		text := func(canonical bool) string {
			if x.If == nil {
				return "always" + figuresIn(x.Text)
			}
			return says(x.If, canonical, true) + figuresIn(x.Text)
		}
		follows("prompts", text(false), text(true), x.Cite, x.If.cited())
	}
	var walk func(n *Node)
	walk = func(n *Node) {
		cites := n.ownCites()
		if n.Children() != nil {
			cites = n.cited()
		}
		add("clause", n.ID, says(n, false, false), says(n, true, false), true, cites)
		for _, c := range n.Children() {
			walk(c)
		}
	}
	if p.Criteria != nil {
		walk(p.Criteria)
	}
	return out
}

// ownCites are the citations of a clause and of the condition under which it
// applies.
func (n *Node) ownCites() []string { return append(slices.Clone(n.Cite), n.AppliesWhen.cited()...) }

// cited are the citations of a clause and of everything below it.
func (n *Node) cited() []string {
	if n == nil {
		return nil
	}
	out := n.ownCites()
	for _, c := range n.Children() {
		out = append(out, c.cited()...)
	}
	return out
}

// unsaid are the keys of a clause that says leaves out: how it is called, how sure
// it is, and what says takes by other ways.
var unsaid = []string{"", "id", "label", "applies_when", "all_of", "any_of", "none_of", "n_of", "unsettled", "strength", "grade", "cite", "status", "reading", "note"}

// says tells all that a clause compares, "fact rest_spo2, at_or_below 88 %": by
// the keys of the file, so that nothing of it is left out. The
// parts of a group are named by their ids, or with whole told in full. With
// canonical a figure has one spelling, whatever it is in the file.
func says(n *Node, canonical, whole bool) string {
	var parts []string
	group := func(word string, of []*Node) {
		if of == nil {
			return
		}
		var in []string
		for _, c := range of {
			if c.ID != "" && !whole {
				in = append(in, c.ID)
			} else {
				in = append(in, "("+says(c, canonical, whole)+")")
			}
		}
		slices.Sort(in)
		parts = append(parts, word+" "+strings.Join(in, ", "))
	}
	group("all of", n.AllOf)
	group("any of", n.AnyOf)
	group("none of", n.NoneOf)
	if n.NOf != nil {
		group(fmt.Sprintf("at least %d of", n.NOf.N), n.NOf.Of)
	}
	if n.Unsettled != "" {
		parts = append(parts, "not settled"+figuresIn(n.Unsettled))
	}
	v := reflect.ValueOf(*n)
	for i := range v.NumField() {
		key, _ := yamlKey(v.Type().Field(i))
		if slices.Contains(unsaid, key) || v.Field(i).IsZero() {
			continue
		}
		var text string
		switch x := v.Field(i).Interface().(type) {
		case *Quantity:
			if text = x.String(); canonical {
				text = x.figure()
			}
		case Quantities:
			if text = x.String(); canonical {
				text = x.figures()
			}
		case []string:
			text = strings.Join(slices.Sorted(slices.Values(x)), " or ")
		default:
			text = fmt.Sprint(x)
		}
		if key == "if_absent" && text == "ask" || key == "otherwise" && text == "not_met" {
			continue // what holds without the key too
		}
		parts = append(parts, key+" "+text)
	}
	if n.AppliesWhen != nil {
		parts = append(parts, "applies when "+says(n.AppliesWhen, canonical, true))
	}
	return strings.Join(parts, ", ")
}

// figure is the quantity in one spelling: 88 %, 88.0 % and 88.00 % are one.
func (q *Quantity) figure() string { return q.Rat.RatString() + " " + q.Unit }

func (qs Quantities) figures() string {
	var out []string
	for _, q := range qs {
		out = append(out, q.figure())
	}
	return strings.Join(slices.Sorted(slices.Values(out)), ", ")
}

var digits = regexp.MustCompile(`[0-9]+(?:[.,][0-9]+)*`)

// figuresIn lists the figures of a text that people read, " (60, 90)", so that
// none changes behind words; "" if it has none.
func figuresIn(text string) string {
	found := digits.FindAllString(text, -1)
	if found == nil {
		return ""
	}
	return " (" + strings.Join(found, ", ") + ")"
}
