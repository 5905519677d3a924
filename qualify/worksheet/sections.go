package worksheet

import (
	"cmp"
	"fmt"
	"math/big"
	"slices"
	"sort"
	"strings"
	"unicode/utf8"

	"airwarrant/qualify/analysis"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/recording"
	"airwarrant/rules"
	"airwarrant/rules/wording"
)

// decidingFindings are the leaves that decided; of an undetermined outcome
// those that wait for an answer.
func decidingFindings(d criteria.Determination) []criteria.Finding {
	ids := map[string]bool{}
	for _, id := range d.DecidedBy {
		ids[id] = true
	}
	waits := map[string]bool{}
	for _, n := range d.Needs {
		for _, id := range n.Decides {
			waits[id] = true
		}
	}
	var decided, waiting []criteria.Finding
	var walk func(fs []criteria.Finding)
	walk = func(fs []criteria.Finding) {
		for _, f := range fs {
			if f.Decided || ids[f.ID] {
				decided = append(decided, f)
			}
			if waits[f.ID] && f.Outcome == criteria.Unclear {
				waiting = append(waiting, f)
			}
			walk(f.Parts)
		}
	}
	walk(d.Clauses)
	if len(decided) > 0 || d.Outcome != criteria.Undetermined {
		return decided
	}
	return waiting
}

// deciding lists the clauses that decided, measured ones first, with the full
// text of their sources.
func deciding(in Input, src *sourceList, ev *evidenceList) Section {
	d, l := in.Determination, in.Language
	s := Section{ID: "deciding", Title: l.Say("What decided"), Table: &Table{Columns: []Column{
		{l.Say("Clause"), .25, false}, {l.Say("Asked"), .35, false}, {l.Say("Found [evidence]"), .15, false}, {l.Say("Verdict"), .13, false}, {l.Say("Source"), .12, false}}, Inline: true}, Cites: true}
	findings := measuredFirst(decidingFindings(d), in.Pack)
	for _, f := range findings {
		why := f.Because
		if why == f.Found {
			why = ""
		}
		f.Found = withoutPlaces(l, f.Found, in.Facts)
		asked := Cell{Text: f.Asked, Sub: why}
		if f.Outcome == criteria.Met {
			// What is met needs its distance on paper, a condition not even that.
			asked.Sub, asked.Note = withoutNote(why, f.ID, in.Pack)
			if measureRank(f.ID, in.Pack) == 2 {
				asked.Sub, asked.Note = "", why
			}
		}
		row := Row{Cells: []Cell{
			{Text: f.Label, Sub: f.ID}, asked, {Text: f.Found, Ref: ev.clause(f.ID)}, {Mark: verdictMark(f.Outcome).in(l)},
			{Text: src.numbers(f.Cites, false), Sub: evidence(l, f)},
		}}
		// Where nothing is known of a condition, its question is what the reader needs.
		if inWords(f, in.Pack) && (f.Outcome == criteria.Met || f.Outcome == criteria.Unclear && row.Cells[2].Ref == "") {
			row.Spare, row.Words = SpareUnder, underTable(l, f, row)
		}
		s.Table.Rows = append(s.Table.Rows, row)
	}
	if d.Outcome != criteria.Undetermined && !slices.ContainsFunc(s.Table.Rows, func(r Row) bool { return r.Spare == SpareNot }) {
		for i := range s.Table.Rows {
			s.Table.Rows[i].Spare = SpareNot // nothing else decided
		}
	}
	s.Table.Packed = alike(s.Table.Rows)
	s.Table.Last = underneath(in, s.Table, findings)
	s.Items = src.take(true)
	if d.Outcome == criteria.Undetermined {
		s.Title = l.Say("What is left open")
	}
	if len(s.Table.Rows) == 0 {
		s.Lead = l.Say("No single clause decided.")
	} else if d.Status != "" && d.Outcome != criteria.Undetermined {
		s.After = l.Say("Weakest evidence that decided: %s.", evidence(l, criteria.Finding{Status: d.Status}))
	}
	for _, f := range decidingFindings(d) {
		if f.Confirmed != "" {
			s.After = strings.TrimSpace(s.After + " " + l.Say("Clause %s is from memory in the pack and was confirmed by %s.", f.ID, f.Confirmed))
		}
	}
	if len(s.Table.Rows) > 0 {
		s.After = strings.TrimSpace(s.After + " " + l.Say("Verified is read in the document, second-hand in a text that reports it, draft is from memory."))
	}
	return s
}

// withoutNote parts the reason of a finding from the note that the pack has on
// its clause.
func withoutNote(why, id string, p *rules.Pack) (reason, note string) {
	if p == nil {
		return why, ""
	}
	n := p.FindClause(id)
	if n == nil || n.Note == "" || !strings.HasSuffix(why, n.Note) {
		return why, ""
	}
	return strings.TrimSpace(strings.TrimSuffix(why, n.Note)), n.Note
}

// withoutPlaces leaves out where in the chart a found value stands: the
// conditions of testing say it once for every fact.
func withoutPlaces(l rules.Language, found string, facts map[string]criteria.Fact) string {
	for _, f := range facts {
		if f.Place != nil {
			found = strings.ReplaceAll(found, " ("+f.Place.In(l)+")", "")
		}
	}
	return found
}

// evidence is the status of a clause in a word, whose reading it is, and how
// strongly a guideline recommends.
func evidence(l rules.Language, f criteria.Finding) string {
	s := string(f.Status)
	if f.Status == rules.Secondary {
		s = "second-hand"
	}
	if s != "" {
		s = l.Say(s)
	}
	add := func(more string) { s += ", " + more }
	if f.ReadingOurs {
		add(l.Say("our reading"))
	}
	if f.Strength != "" {
		add(l.Say("%s recommendation", l.Say(f.Strength)))
	}
	if f.Grade != "" {
		add(l.Say("evidence %s", f.Grade))
	}
	if f.Confirmed != "" {
		add(l.Say("confirmed by %s", f.Confirmed))
	}
	return strings.TrimPrefix(s, ", ")
}

// sourceList numbers citations in the order in which they are first used, and
// remembers which a section has listed already.
type sourceList struct {
	cites  []string // source n is cites[n-1]
	number map[string]int
	paper  map[int]bool // stands beside a row that paper prints
	listed map[int]bool
}

func newSourceList() *sourceList {
	return &sourceList{number: map[string]int{}, paper: map[int]bool{}, listed: map[int]bool{}}
}

// numbers words the numbers of cites; minor is that of their row.
func (l *sourceList) numbers(cites []string, minor bool) string {
	var out []string
	for _, c := range cites {
		n, ok := l.number[c]
		if !ok {
			l.cites = append(l.cites, c)
			n = len(l.cites)
			l.number[c] = n
		}
		l.paper[n] = l.paper[n] || !minor
		out = append(out, fmt.Sprint(n))
	}
	return strings.Join(out, ", ")
}

// take lists the sources that no section has listed yet: those that paper
// needs, or all.
func (l *sourceList) take(all bool) []string {
	var out []string
	for i, c := range l.cites {
		if n := i + 1; !l.listed[n] && (all || l.paper[n]) {
			l.listed[n] = true
			out = append(out, fmt.Sprintf("%d: %s", n, c))
		}
	}
	return out
}

// measuredFirst puts clauses that compare a measure of the recording first,
// then those of a stated level, then conditions.
func measuredFirst(fs []criteria.Finding, p *rules.Pack) []criteria.Finding {
	rank := map[string]int{}
	for _, f := range fs {
		rank[f.ID] = measureRank(f.ID, p)
	}
	out := append([]criteria.Finding{}, fs...)
	sort.SliceStable(out, func(i, j int) bool { return rank[out[i].ID] < rank[out[j].ID] })
	return out
}

// measureRank is 0 for a clause of p on a measure of the recording, 1 on a
// stated level, 2 on a condition.
func measureRank(id string, p *rules.Pack) int {
	for _, a := range askedBy(p) {
		if a.id != id {
			continue
		}
		def, _ := rules.Lookup(a.fact)
		switch {
		case def.Settles == "computed" && (def.Level || a.level != nil || def.Type == rules.TypeDuration):
			return 0
		case def.Level:
			return 1
		}
		return 2
	}
	return 2
}

// inWords reports whether a finding is a condition that was found in words, and
// no figure.
func inWords(f criteria.Finding, p *rules.Pack) bool {
	return measureRank(f.ID, p) == 2 && !strings.ContainsAny(f.Found, "0123456789")
}

// clauses lists the whole tree, also what was tried and did not apply. Paper
// leaves out what stands in full above, what does not apply, and the parts of
// a clause that did not make the one over it what it is.
func clauses(in Input, src *sourceList, ev *evidenceList) Section {
	d, l := in.Determination, in.Language
	s := Section{ID: "clauses", Title: l.Say("Every clause"), Small: true,
		Lead: l.Say("As the criteria are built, with what was tried and did not apply; a clause further in belongs to the one over it."),
		Table: &Table{Columns: []Column{{l.Say("Clause: what it asks"), .53, false}, {l.Say("Found [evidence]"), .195, false}, {l.Say("Verdict"), .155, false}, {l.Say("Source"), .12, false}},
			Beyond: l.Say("and %d clauses that stand above, do not apply or changed nothing, listed on the page")}}
	above := map[string]bool{}
	for _, f := range decidingFindings(d) {
		above[f.ID] = true
	}
	var walk func(fs []criteria.Finding, depth int, over criteria.Verdict, minor bool)
	walk = func(fs []criteria.Finding, depth int, over criteria.Verdict, minor bool) {
		for _, f := range fs {
			away := minor || f.Outcome == criteria.NotApplicable
			row := Row{Depth: depth, Minor: away || above[f.ID], of: f.ID}
			source := src.numbers(f.Cites, row.Minor)
			if len(f.Parts) == 0 {
				source = strings.TrimSpace(source + " " + evidence(l, f))
			}
			row.Cells = []Cell{{Text: clauseText(l, f, in.Pack)}, {Text: f.Found, Ref: ev.clause(f.ID)}, {Mark: verdictMark(f.Outcome).in(l)}, {Text: source}}
			row.Words = verdictMark(f.Outcome).in(l).String() + ": " + row.Cells[0].Text
			if found := row.Cells[1].Referred(); found != "" {
				row.Words += "; " + l.Say("found %s", found)
			}
			if source != "" {
				row.Words += " " + l.Say("(source %s)", source)
			}
			at := len(s.Table.Rows)
			s.Table.Rows = append(s.Table.Rows, row)
			// A decided clause rests on the parts that turned out like it, an
			// open one on those that wait for an answer.
			idle := f.Outcome != over
			if over != criteria.Met && over != criteria.NotMet {
				idle = !holds(f, above)
			}
			walk(f.Parts, depth+1, f.Outcome, away || idle)
			if len(f.Parts) > 0 && !slices.ContainsFunc(s.Table.Rows[at+1:], func(r Row) bool { return !r.Minor }) {
				s.Table.Rows[at].Minor = true // a heading over nothing
			}
		}
	}
	root := criteria.Unclear
	switch d.Outcome {
	case criteria.Qualifies:
		root = criteria.Met
	case criteria.DoesNotQualify:
		root = criteria.NotMet
	}
	walk(d.Clauses, 0, root, false)
	s.Table.Packed = toldOnce(s.Table.Rows)
	s.Table.Last = byVerdict(l, s.Table)
	return s
}

// toldOnce leaves out on paper a clause in the very words of one before it, with
// what it found and its source: two groups of criteria may ask the same of one
// test. It counts among those that stand above.
func toldOnce(rows []Row) []Row {
	out := slices.Clone(rows)
	told := map[string]bool{}
	for i, r := range out {
		if r.Cells[1].Text == "" || r.Minor {
			continue // a clause over others, or left out already
		}
		out[i].Minor = told[r.Words]
		told[r.Words] = true
	}
	return out
}

// byVerdict is the table with each verdict told once for the clauses in a row that
// came to it.
func byVerdict(l rules.Language, t *Table) *Table {
	last := *t
	last.Packed = nil
	last.Rows = []Row{{Words: l.Say("Each verdict holds up to the next one."), Cells: make([]Cell, len(t.Columns))}}
	told := ""
	for _, r := range t.Packed {
		mark := r.Cells[2].Mark.String()
		if !r.Minor {
			if mark == told {
				r.Words = strings.TrimPrefix(r.Words, mark+": ")
			}
			told = mark
		}
		last.Rows = append(last.Rows, r)
	}
	return &last
}

// holds reports whether f or a part of it is among ids.
func holds(f criteria.Finding, ids map[string]bool) bool {
	if ids[f.ID] {
		return true
	}
	for _, p := range f.Parts {
		if holds(p, ids) {
			return true
		}
	}
	return false
}

// clauseText is the label of a clause with what it asks; of a group, how its
// parts join.
func clauseText(l rules.Language, f criteria.Finding, p *rules.Pack) string {
	if p != nil && len(f.Parts) > 0 {
		if n := p.FindClause(f.ID); n != nil {
			switch {
			case n.AllOf != nil:
				return l.Say("%s (all of)", f.Label)
			case n.AnyOf != nil:
				return l.Say("%s (any of)", f.Label)
			case n.NoneOf != nil:
				return l.Say("%s (none of)", f.Label)
			case n.NOf != nil:
				return l.Say("%s (at least %d of)", f.Label, n.NOf.N)
			}
		}
	}
	if f.Asked == "" {
		return f.Label
	}
	return f.Label + ": " + f.Asked
}

// questions groups the needs by who answers; the order of groups and
// questions keeps the most decisive first, and the number tells it.
func questions(needs []criteria.Need, in Input) Section {
	l := in.Language
	s := Section{ID: "questions", Title: l.Say("Open questions"), Lead: l.Say("Only what can change the outcome is asked. Number 1 decides most."),
		Table: &Table{Columns: []Column{{l.Say("Who"), .16, false}, {l.Say("No."), .06, true}, {l.Say("Question"), .48, false}, {l.Say("Waits for it"), .30, false}}}}
	// The densest paper says under the table what waits, by its ids alone.
	last := &Table{Columns: []Column{{l.Say("Who"), .16, false}, {l.Say("No."), .06, true}, {l.Say("Question"), .78, false}}, Inline: true}
	s.Table.Last = last
	var under []Row
	labels := clauseLabels(in.Determination.Clauses)
	var order []rules.Role
	for _, n := range needs {
		known := false
		for _, r := range order {
			known = known || r == n.Who
		}
		if !known {
			order = append(order, n.Who)
		}
	}
	for _, who := range order {
		name := l.Say(roleName(who))
		for i, n := range needs {
			if n.Who != who {
				continue
			}
			var waits []string
			for _, id := range n.Decides {
				label := labels[id]
				if label == "" {
					label = id
				}
				if !slices.Contains(waits, label) { // two groups may ask the same
					waits = append(waits, label)
				}
			}
			s.Table.Rows = append(s.Table.Rows, Row{Cells: []Cell{
				{Text: name}, {Text: fmt.Sprint(i + 1)}, {Text: n.Question, Sub: n.Why}, {Text: strings.Join(waits, "; ")},
			}})
			why, all := n.Why, strings.Join(n.Decides, ", ")
			if strings.Contains(why, all) {
				why = "" // it names what waits
			}
			last.Rows = append(last.Rows, Row{Cells: []Cell{{Text: name}, {Text: fmt.Sprint(i + 1)}, {Text: n.Question, Sub: why}}})
			if all != "" {
				under = append(under, Row{Spare: SpareUnder, Cells: make([]Cell, len(last.Columns)), Words: l.Say("Clauses that wait for %d: %s", i+1, all)})
			}
		}
	}
	last.Rows = append(last.Rows, under...)
	return s
}

func clauseLabels(fs []criteria.Finding) map[string]string {
	m := map[string]string{}
	var walk func(fs []criteria.Finding)
	walk = func(fs []criteria.Finding) {
		for _, f := range fs {
			m[f.ID] = f.Label
			walk(f.Parts)
		}
	}
	walk(fs)
	return m
}

func onFile(in Input, src *sourceList) Section {
	l := in.Language
	s := Section{ID: "onfile", Title: l.Say("What must be on file"), Lead: l.Say("These papers change no verdict. Audits are lost without them."),
		Table: &Table{Columns: []Column{{l.Say("Paper"), .55, false}, {l.Say("State"), .13, false}, {l.Say("Where"), .22, false}, {l.Say("Source"), .10, false}}}, Cites: true}
	for _, o := range in.Determination.OnFile {
		m, sub := &markMissing, ""
		switch o.State {
		case "seen":
			m = &markSeen
		case "located":
			m, sub = &markLocated, l.Say("copy not on file")
		}
		s.Table.Rows = append(s.Table.Rows, Row{Spare: SparePapers, Cells: []Cell{{Text: o.Item}, {Mark: m.in(l), Sub: sub}, {Text: orDash(o.Where)}, {Text: src.numbers(itemCites(o, in.Pack), false)}}})
	}
	s.Items = src.take(true)
	return s
}

// itemCites are the citations of a paper, each by itself if the pack is there.
func itemCites(o criteria.OnFile, p *rules.Pack) []string {
	if p != nil {
		for _, it := range p.OnFile {
			if it.Fact != o.Fact || it.Item != o.Item {
				continue
			}
			var out []string
			for _, k := range it.Cite {
				out = append(out, criteria.CiteText(p, k))
			}
			return out
		}
	}
	return []string{o.Cite}
}

// asked is one measure that a pack compares: a fact, with its level.
type asked struct {
	fact  string
	level *big.Rat // percent, nil if the fact has none
	id    string
}

// askedBy lists the measures of a pack in its order.
func askedBy(p *rules.Pack) []asked {
	if p == nil {
		return nil
	}
	var out []asked
	var walk func(n *rules.Node)
	walk = func(n *rules.Node) {
		if n == nil {
			return
		}
		if n.Fact != "" {
			a := asked{fact: n.Fact, id: n.ID}
			if n.SpO2 != nil {
				a.level = n.SpO2.Rat
			}
			out = append(out, a)
		}
		walk(n.AppliesWhen)
		for _, c := range n.Children() {
			walk(c)
		}
	}
	walk(p.Criteria)
	return out
}

// drawnLevel is the level whose line stands on the trace: that of a clause
// that decided or waits, else the first that the pack asks.
func drawnLevel(in Input) *big.Rat {
	ids := map[string]bool{}
	for _, f := range decidingFindings(in.Determination) {
		ids[f.ID] = true
	}
	var first *big.Rat
	for _, a := range askedBy(in.Pack) {
		if a.level == nil {
			continue
		}
		if ids[a.id] {
			return a.level
		}
		if first == nil {
			first = a.level
		}
	}
	return first
}

// levelsAround is how many whole percents below the lowest and above the
// highest level of a pack are tabulated (our choice: a reader sees how steep
// the answer is), levelsMost how many rows at most.
const (
	levelsBelow = 3
	levelsAbove = 2
	levelsMost  = 12

	clausesNamed = 1 // of those that ask for a level, in its row
)

func levels(in Input, ev *evidenceList) Section {
	a, l := in.Analysis, in.Language
	s := Section{ID: "levels", Title: l.Say("Time at or below"),
		Ref:  ev.recording(),
		Lead: l.Say("Low counts only readings that nobody doubts, value every plausible one, high also what may have been one. Figures are cut, never rounded."),
		Table: &Table{Columns: []Column{{l.Say("Saturation"), .15, false}, {l.Say("Low"), .12, true}, {l.Say("Value"), .12, true}, {l.Say("High"), .12, true},
			{l.Say("Minutes"), .08, true}, {l.Say("% of valid"), .08, true}, {l.Say("Longest run"), .15, true}, {l.Say("Asked by"), .18, false}}, Beyond: l.Say("and %d more levels, listed on the page")}}
	if a == nil {
		return s
	}
	type key struct {
		pct    string
		strict bool
	}
	wanted := map[key]int{}
	type row struct {
		pct     *big.Rat
		strict  bool
		clauses []string // that ask for it
	}
	var rows []row
	add := func(pct *big.Rat, strict bool, clauses ...string) {
		k := key{pct.RatString(), strict}
		i, ok := wanted[k]
		if !ok {
			i = len(rows)
			wanted[k] = i
			rows = append(rows, row{pct: pct, strict: strict})
		}
		rows[i].clauses = append(rows[i].clauses, clauses...)
	}
	var lo, hi *big.Rat
	for _, q := range askedBy(in.Pack) {
		if q.level == nil {
			continue
		}
		add(q.level, strings.HasSuffix(q.fact, "_below") && !strings.HasSuffix(q.fact, "_or_below"), q.id)
		if lo == nil || q.level.Cmp(lo) < 0 {
			lo = q.level
		}
		if hi == nil || q.level.Cmp(hi) > 0 {
			hi = q.level
		}
	}
	if lo == nil {
		return s
	}
	from := new(big.Int).Quo(lo.Num(), lo.Denom()).Int64() - levelsBelow
	to := new(big.Int).Quo(hi.Num(), hi.Denom()).Int64() + levelsAbove
	for p := from; p <= to && p <= 100 && len(rows) < levelsMost; p++ {
		add(big.NewRat(p, 1), false)
	}
	sort.SliceStable(rows, func(i, j int) bool {
		if c := rows[i].pct.Cmp(rows[j].pct); c != 0 {
			return c < 0
		}
		return rows[i].strict && !rows[j].strict
	})
	decided := map[string]bool{}
	for _, f := range decidingFindings(in.Determination) {
		decided[f.ID] = true
	}
	for _, r := range rows {
		name, t, run := "at or below %s %%", a.AtOrBelow(r.pct), a.LongestAtOrBelow(r.pct)
		if r.strict {
			name, t, run = "below %s %%", a.Below(r.pct), a.LongestBelow(r.pct)
		}
		first := Cell{Text: l.Say(name, number(l, r.pct))}
		// The clause that decided stands first; a few name the row.
		sort.SliceStable(r.clauses, func(i, j int) bool { return decided[r.clauses[i]] && !decided[r.clauses[j]] })
		by := strings.Join(r.clauses, ", ")
		if len(r.clauses) > clausesNamed {
			by = l.Say("%s and %d more", strings.Join(r.clauses[:clausesNamed], ", "), len(r.clauses)-clausesNamed)
		}
		share := "–"
		if a.Valid > 0 {
			share = cut(l, big.NewRat(0, 1).Mul(big.NewRat(t.Value, a.Valid), big.NewRat(100, 1)), 2)
		}
		longest := duration(l, a, run.Value)
		if run.Low != run.High {
			longest += " (" + l.Say("%s to %s", duration(l, a, run.Low), duration(l, a, run.High)) + ")"
		}
		near := slices.ContainsFunc(rows, func(o row) bool {
			return len(o.clauses) > 0 && new(big.Rat).Abs(new(big.Rat).Sub(o.pct, r.pct)).Cmp(big.NewRat(1, 1)) <= 0
		})
		spare := SpareNot
		if len(r.clauses) == 0 {
			spare = SpareOut
		}
		s.Table.Rows = append(s.Table.Rows, Row{Strong: len(r.clauses) > 0, Minor: !near, Spare: spare, Cells: []Cell{
			first, {Text: duration(l, a, t.Low)}, {Text: duration(l, a, t.Value)}, {Text: duration(l, a, t.High)},
			{Text: minutes(l, a, t.Value)}, {Text: share}, {Text: longest}, {Text: by},
		}})
	}
	return s
}

// eventDefinition says what a desaturation event is here: the case definition
// of the measurement reference, section 3.4.
const eventDefinition = "An event runs from the first reading so many points under the highest of the 120 s before it to one within 1 point of that or 3 above its lowest, or to 30 s without a reading, and counts if it lasted 10 s; the rate is per hour of valid time. Other programs count otherwise."

func measures(in Input, ev *evidenceList) Section {
	l := in.Language
	wanted := map[string]bool{}
	for _, q := range askedBy(in.Pack) {
		wanted[q.fact] = true
	}
	s := Section{ID: "measures", Title: l.Say("Measures"),
		Table: &Table{Beyond: l.Say("and %d measures that no clause asks for, listed on the page"), Columns: []Column{{l.Say("Measure"), .30, false}, {l.Say("Low"), .12, true}, {l.Say("Value"), .15, true}, {l.Say("High"), .12, true}, {l.Say("Remark"), .31, false}}}}
	add := func(what, remark, low, value, high string) {
		s.Table.Rows = append(s.Table.Rows, Row{Cells: []Cell{{Text: what}, {Text: low}, {Text: value}, {Text: high}, {Text: remark}}})
	}
	if a := in.Analysis; a != nil {
		s.Ref = ev.recording()
		opt := func(t *int64) string {
			if t == nil {
				return l.Say("unknown")
			}
			return duration(l, a, *t)
		}
		s.Lead = l.Say("Recorded %s, valid %s, of it doubted %s; missing, and in no figure below, %s.",
			opt(a.Recorded), duration(l, a, a.Valid), duration(l, a, a.Suspect), opt(a.Missing))
		if a.Recorded == nil {
			s.Lead += " " + l.Say("The recorder's clock stepped back, so that its length is not known.")
		}
		pct := func(r *big.Rat) string {
			if r == nil {
				return "–"
			}
			return number(l, r) + " %"
		}
		at := ""
		if a.Nadir.Value != nil && in.Recording != nil {
			at = l.Say("first at %s", l.Stamp(a.Stamp(in.Recording, a.Nadir.At, a.Nadir.AtIndex)))
		}
		level := func(fact, what, remark string, low, value, high *big.Rat) {
			add(what, remark, pct(low), pct(value), pct(high))
			if r := &s.Table.Rows[len(s.Table.Rows)-1]; !wanted[fact] {
				r.Spare, r.Words = SpareLast, l.Say("%s: low %s, value %s, high %s; %s", what, pct(low), pct(value), pct(high), remark)
			}
		}
		level("nadir", l.Say("Nadir (lowest saturation)"), at, a.Nadir.Low, a.Nadir.Value, a.Nadir.High)
		level("mean_spo2", l.Say("Mean saturation"), l.Say("by time; highest reading %s", pct(a.Peak)), a.Mean.Low, a.Mean.Value, a.Mean.High)
		for _, e := range a.Events {
			rate := l.Say("rate not known")
			if e.PerHour != nil {
				rate = l.Say("%s an hour", cut(l, e.PerHour, 1))
			}
			add(l.Say("Desaturation events, %d points", e.Depth), rate, fmt.Sprint(e.Low), fmt.Sprint(e.Count), fmt.Sprint(e.High))
			s.Table.Rows[len(s.Table.Rows)-1].Spare = SpareOut // no fact of the vocabulary counts events
			s.After = l.Say(eventDefinition)
		}
	}
	if f, ok := in.Facts["reported_minutes"]; ok && f.State != criteria.Unknown && f.Value.Num != nil {
		def, _ := rules.Lookup("reported_minutes")
		places := max(0, min(f.Value.Places, mostPlaces))
		half := new(big.Rat).SetFrac(big.NewInt(1), new(big.Int).Mul(big.NewInt(2), new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(places)), nil)))
		unit := f.Value.Unit
		if unit == "" {
			unit = def.Unit
		}
		what := l.Say("Time at or below the level as the signed report prints it")
		if in.Pack != nil && in.Pack.Reading.ReportLevel != nil {
			what = l.Say("Time at or below %s %% as the signed report prints it", number(l, in.Pack.Reading.ReportLevel.Rat))
		}
		exact := func(r *big.Rat) string { return l.Measure(r.FloatString(places+1), unit) }
		low := new(big.Rat).Sub(f.Value.Num, half)
		if low.Sign() < 0 {
			low.SetInt64(0)
		}
		add(what, l.Say("bounds are the report's own rounding"), exact(low), valueText(l, def, f.Value), exact(new(big.Rat).Add(f.Value.Num, half)))
	}
	return s
}

// spans lists what is doubted or missing.
func spans(in Input) Section {
	l := in.Language
	s := Section{ID: "spans", Title: l.Say("Doubted, unusable and missing stretches"),
		Lead: l.Say("Nothing is removed. The tester or the practitioner, never the supplier, can judge a stretch; both readings stay printed."),
		Table: &Table{Beyond: l.Say("and %d more, listed on the page"),
			Columns: []Column{{l.Say("From"), .22, false}, {l.Say("To"), .12, false}, {l.Say("Length"), .12, true}, {l.Say("Lowest"), .08, true}, {l.Say("Counts"), .20, false}, {l.Say("Why"), .26, false}}}}
	// What was judged is listed as the recording has it.
	a, rec := cmp.Or(in.Unjudged, in.Analysis, in.Walk), in.Recording
	if a == nil || rec == nil {
		return s
	}
	// Where all that is told was not read, no figure hangs on it.
	unread := !slices.ContainsFunc(a.Spans, func(sp analysis.Span) bool { return sp.Kind != analysis.SpanMissing })
	for i, sp := range a.Spans {
		kind := string(sp.Kind)
		switch sp.Kind {
		case analysis.SpanSuspect:
			kind = l.Say("doubted: not in low")
		case analysis.SpanImplausible:
			kind = l.Say("unusable: in high only")
		case analysis.SpanMissing:
			kind = l.Say("missing: in none")
		}
		low := "–"
		if sp.Kind != analysis.SpanMissing && sp.From < sp.To && a.Den > 0 && sp.LowestNum < 1<<62 {
			low = number(l, big.NewRat(sp.LowestNum, a.Den)) + " %"
		}
		from, to := in.ends(a, sp)
		long, said, reason := duration(l, a, sp.ToTick-sp.FromTick), in.judgement(sp), reasons(l, a, sp)
		words := l.Say("%s to %s, %s, %s: %s", from, to, long, kind, reason)
		spare := SpareLast
		if said != "" {
			spare = SpareNot
			words += ", " + said
		}
		s.Table.Rows = append(s.Table.Rows, Row{Minor: i >= spanLimit, Aside: unread, Spare: spare, Words: words, Cells: []Cell{
			{Text: from}, {Text: to}, {Text: long}, {Text: low}, {Text: kind, Sub: said}, {Text: reason},
		}})
	}
	s.Table.Packed = packed(in, a, s.Table.Rows)
	return s
}

// ends are the stamps between which a span of the recording lies, that of its
// end without the day where it is the same.
func (in Input) ends(a *analysis.Analysis, sp analysis.Span) (from, to string) {
	return between(in.Language, a.Stamp(in.Recording, sp.FromTick, sp.From), a.Stamp(in.Recording, sp.ToTick, max(sp.To-1, sp.From)))
}

// between prints two stamps of a recording, the day of the second only where
// it is another.
func between(l rules.Language, from, to string) (string, string) {
	if day, _, ok := strings.Cut(from, "T"); ok {
		to = strings.TrimPrefix(to, day+"T")
	}
	return l.Stamp(from), l.Stamp(to)
}

// reasons words why a span is doubted or not read.
func reasons(l rules.Language, a *analysis.Analysis, sp analysis.Span) string {
	return strings.Join(toldAll(l, a.Rules.Reasons(sp.Reason)), "; ")
}

func toldAll(l rules.Language, texts []wording.Text) []string {
	var out []string
	for _, t := range texts {
		out = append(out, l.Tell(t))
	}
	return out
}

// conditions lists the conditions of testing that the criteria ask about,
// each with its provenance. Measures, papers and identity stand elsewhere.
func conditions(in Input, ev *evidenceList) Section {
	l := in.Language
	s := Section{ID: "conditions", Title: l.Say("Conditions of testing"), Small: true,
		Table: &Table{Beyond: l.Say("and %d conditions that stand above or were not asked, because no answer to them can change the outcome; listed on the page"),
			Columns: []Column{{l.Say("Condition"), .44, false}, {l.Say("Answer"), .145, false}, {l.Say("How it is known"), .415, false}}}}
	wanted := map[string]bool{}
	var want func(name string)
	want = func(name string) {
		def, ok := rules.Lookup(name)
		if !ok || wanted[name] {
			return
		}
		wanted[name] = true
		for _, f := range def.From {
			want(f)
		}
	}
	for _, a := range askedBy(in.Pack) {
		want(a.fact)
	}
	for name := range in.Facts {
		want(name)
	}
	open := map[string]bool{}
	for _, n := range in.Determination.Needs {
		open[n.Fact] = true
	}
	beside, above := openBeside(in.Determination), ev.deciding(in.Determination)
	last := *s.Table
	var idle []Row
	var asked []string // conditions that an open question asks for
	for _, def := range rules.Vocabulary() {
		if !wanted[def.Name] || def.Settles == "computed" || def.Type == rules.TypePaper || def.Type == rules.TypeList || def.Name == "birth_date" {
			continue
		}
		f, known := in.Facts[def.Name]
		if !known && !open[def.Name] && !beside[def.Name] {
			idle = append(idle, Row{Minor: true, Cells: []Cell{{Text: upper(brief(l.Meaning(def)))}, {Text: "–"}, {Text: l.Say("not asked: no answer can change the outcome")}}})
			continue
		}
		answer, how := "–", l.Say("not yet answered; see the open questions")
		if !open[def.Name] {
			how = l.Say("not yet answered; it settles what follows")
		}
		if known {
			how = provenanceText(l, f)
			answer = l.Say("not known")
			if f.State != criteria.Unknown {
				answer = valueText(l, def, f.Value)
			}
		}
		row := Row{Minor: known && f.State != criteria.Unknown && above[def.Name], of: def.Name,
			Cells: []Cell{{Text: upper(brief(l.Meaning(def)))}, {Text: answer}, {Text: how, Ref: ev.of(def.Name)}}}
		s.Table.Rows = append(s.Table.Rows, row)
		if !known && open[def.Name] {
			asked = append(asked, row.Cells[0].Text)
			continue
		}
		last.Rows = append(last.Rows, row)
	}
	s.Table.Rows = append(s.Table.Rows, idle...)
	if len(asked) > 0 { // told once on the densest paper
		last.Rows = append(last.Rows, Row{Words: upper(l.Say("not yet answered; see the open questions")) + ": " + strings.Join(asked, "; "), Cells: make([]Cell, len(last.Columns))})
	}
	last.Rows = append(last.Rows, idle...)
	last.Beyond = l.Say("and %d conditions that stand with the clauses or were not asked, because no answer to them can change the outcome; listed on the page")
	s.Table.Last = &last
	return s
}

// besideClauses leaves out of the conditions, on the densest paper, those that a
// clause which it prints tells with the same answer and evidence.
func besideClauses(conditions, clauses *Section, in Input) {
	told := map[string][]Cell{}
	for _, q := range askedBy(in.Pack) {
		for _, r := range clauses.Table.Packed {
			if r.of == q.id && !r.Minor {
				told[q.fact] = append(told[q.fact], r.Cells[1])
			}
		}
	}
	rows := conditions.Table.Last.Rows
	for i, r := range rows {
		if r.of != "" && slices.ContainsFunc(told[r.of], func(c Cell) bool { return c.Text == r.Cells[1].Text && c.Ref == r.Cells[2].Ref }) {
			rows[i].Minor = true
		}
	}
}

// brief is a meaning of the vocabulary up to its explanation.
func brief(meaning string) string {
	if i := strings.IndexAny(meaning, ":;"); i > 0 {
		return meaning[:i]
	}
	return meaning
}

func provenanceText(l rules.Language, f criteria.Fact) string {
	switch f.State {
	case criteria.Unknown:
		return l.Say("asked, and not known")
	case criteria.Computed:
		if f.Basis != "" {
			return l.Say("computed: %s", lower(f.Basis))
		}
		return l.Say("computed")
	case criteria.Located:
		return l.Say("located: %s", placeText(l, f.Place)+copyText(l, f.Place))
	}
	if f.Basis != "" {
		return l.Say("stated. %s", f.Basis)
	}
	return l.Say("stated")
}

func lower(s string) string {
	_, n := utf8.DecodeRuneInString(s)
	return strings.ToLower(s[:n]) + s[n:]
}

// copyText says whether the page that a place names is on file.
func copyText(l rules.Language, p *criteria.Place) string {
	if p == nil || p.Copy == "" {
		return "; " + l.Say("copy not on file")
	}
	return "; " + l.Say("copy on file: %s", p.Copy)
}

func placeText(l rules.Language, p *criteria.Place) string {
	if p == nil {
		return l.Say("place not given")
	}
	parts := []string{orDash(p.Document)}
	if !p.Date.IsZero() {
		parts = append(parts, l.Date(p.Date))
	}
	if p.Page != "" {
		parts = append(parts, l.Say("page %s", p.Page))
	}
	if p.By != "" {
		parts = append(parts, l.Say("by %s", p.By))
	}
	return strings.Join(parts, ", ")
}

func identity(l rules.Language, rows []IdentityRow) Section {
	s := Section{ID: "identity", Title: l.Say("Whose test it is"),
		Table: &Table{Columns: []Column{{l.Say("Mark"), .12, false}, {l.Say("Case"), .23, false}, {l.Say("Other paper"), .40, false}, {l.Say("Same?"), .25, false}}}}
	for _, r := range rows {
		c := Cell{Mark: markSame.in(l)}
		if !r.Same {
			c = Cell{Mark: markDifferent.in(l), Sub: l.Say("nobody has explained it")}
			if r.Explained != "" {
				c.Sub = r.Explained
			}
		}
		of, other := r.Case, r.Other
		if r.What == "birth date" { // of a paper in another form it stays as printed
			of, other = l.Stamp(of), l.Stamp(other)
		}
		spare := SpareNot
		if r.Same || r.Explained != "" {
			spare = SpareLast
		}
		s.Table.Rows = append(s.Table.Rows, Row{Spare: spare, Cells: []Cell{{Text: l.Say(r.What)}, {Text: orDash(of)}, {Text: orDash(other), Sub: l.Tell(r.Where)}, c}})
	}
	s.Small = !slices.ContainsFunc(rows, func(r IdentityRow) bool { return !r.Same })
	return s
}

// reading tells how the file was read and what was doubtful about it.
func reading(in Input) []string {
	l := in.Language
	var out []string
	if rec := in.Recording; rec != nil {
		out = append(out, toldAll(l, rec.Layout)...)
		for _, c := range rec.Codes {
			out = append(out, l.Say("%d times %q in the column %s: taken as no reading.", c.N, c.Token, c.Column))
		}
		for _, w := range rec.Warnings {
			out = append(out, l.Tell(w.Said))
		}
	}
	if a := cmp.Or(in.Analysis, in.Walk); a != nil {
		if in.Pack != nil && in.Analysis != nil {
			if text := accumulationText[in.Pack.Reading.Accumulation]; text != "" {
				out = append(out, l.Say(text))
			}
		}
		out = append(out, toldAll(l, a.Warnings)...)
		out = append(out, ruleTexts(l, a)...)
	}
	return out
}

// terse is reading without how the columns were taken, the rules that set a
// reading aside, which the stretches name, and those that found nothing: what was
// doubtful about the file, and how many lines the page has besides.
func terse(in Input) []string {
	l := in.Language
	var out []string
	if rec := in.Recording; rec != nil {
		for _, w := range rec.Warnings {
			out = append(out, l.Tell(w.Said))
		}
	}
	if a := cmp.Or(in.Analysis, in.Walk); a != nil {
		out = append(out, toldAll(l, a.Warnings)...)
	}
	if more := len(reading(in)) - len(out); more > 0 {
		out = append(out, l.Say("and %d more, listed on the page", more))
	}
	return out
}

// accumulationText says how the criteria count time.
var accumulationText = map[string]string{
	"cumulative":  "The criteria add up all time at or below a level.",
	"longest_run": "The criteria take the longest unbroken time at or below a level, not the total.",
}

// ruleTexts words the rules that set a reading aside or doubted it here, each
// with its source, and names those that found nothing.
func ruleTexts(l rules.Language, a *analysis.Analysis) []string {
	seen := map[string]bool{}
	for _, sp := range a.Spans {
		seen[sp.Reason] = true
	}
	effect := map[analysis.SpanKind]string{
		analysis.SpanMissing: "missing", analysis.SpanImplausible: "unusable", analysis.SpanSuspect: "doubted",
	}
	var out, idle []string
	for _, r := range a.Rules.List() {
		applied := false
		for reason := range seen {
			applied = applied || strings.Contains(reason, r.Reason.String())
		}
		if applied {
			out = append(out, l.Say("Taken as %s: %s (%s).", l.Say(effect[r.Kind]), l.Tell(r.Condition), l.Say(r.Source)))
		} else {
			idle = append(idle, l.Say(r.Name))
		}
	}
	if len(idle) > 0 {
		out = append(out, l.Say("Rules of doubt that found nothing: %s.", strings.Join(idle, ", ")))
	}
	return out
}

// provenance is what is needed to compute this worksheet again.
func provenance(in Input, ev *evidenceList) Section {
	l := in.Language
	s := Section{ID: "provenance", Title: l.Say("Evidence and provenance"), Small: true,
		Table: &Table{Columns: []Column{{l.Say("What"), .2, false}, {l.Say("Value"), .8, false}}}}
	add := func(what, value string) {
		if value != "" {
			s.Table.Rows = append(s.Table.Rows, Row{Cells: []Cell{{Text: what}, {Text: value}}})
		}
	}
	ups := uploads(in)
	if len(ups) == 0 {
		add(l.Say("Recording"), l.Say("not seen"))
	}
	for _, u := range ups {
		what := l.Say("%s: upload, SHA-256", ev.letter(u.SHA256))
		if u.Role != "" {
			what = l.Say("%s: upload (%s), SHA-256", ev.letter(u.SHA256), u.Role)
		}
		if u.Withheld != "" {
			add(what, u.SHA256+" "+u.Withheld)
			continue
		}
		form := l.Say("%s, %d bytes", orDash(u.Format), u.Size)
		if u.Container != "" && u.Container != "none" {
			form += ", " + l.Say("inside %s", u.Container)
		}
		add(what, u.SHA256+" ("+form+")")
	}
	for _, text := range ev.texts[min(ev.files, len(ev.texts)):] {
		add(ev.letter(text), text)
	}
	if rec, a := in.Recording, cmp.Or(in.Analysis, in.Walk); rec != nil && a != nil {
		add(l.Say("Session"), l.Say("%d of %d: %s to %s, %d samples", in.SessionNo, in.SessionCount,
			l.Stamp(a.Stamp(rec, a.First, a.FirstIndex)), l.Stamp(a.Stamp(rec, a.Last, a.FirstIndex+a.Count-1)), a.Count))
		add(l.Say("Clock"), l.Say("%s; %s between samples, over %s is a gap", clockText(l, rec), duration(l, a, a.Interval), duration(l, a, a.Hold)))
	}
	d := in.Determination
	pack := d.Criteria + " " + d.Version
	if in.Pack != nil {
		pack = l.Say("%s (%s), in force from %s", d.Criteria, in.Pack.Region.Name, in.Pack.EffectiveFrom)
		if in.Pack.Until != nil {
			pack = l.Say("%s (%s), in force from %s until %s", d.Criteria, in.Pack.Region.Name, in.Pack.EffectiveFrom, *in.Pack.Until)
		}
		if !in.Pack.KnownSince.IsZero() {
			pack += ", " + l.Say("known here since %s", in.Pack.KnownSince)
		}
	}
	if d.PackSHA256 != "" {
		pack += "; SHA-256 " + d.PackSHA256
	}
	add(l.Say("Criteria"), pack)
	program := in.Program
	if !in.Printed.IsZero() {
		program = strings.TrimPrefix(program+", "+l.Say("printed %s", in.Printed), ", ")
	}
	add(l.Say("Program"), program)
	return s
}

func clockText(l rules.Language, rec *recording.Recording) string {
	zone := l.Say("no zone given: times as the recorder's clock showed them")
	if rec.Zone != "" {
		zone = l.Say("zone %s", rec.Zone)
	}
	switch rec.Clock {
	case recording.ClockInstant:
		if rec.Zone == "" {
			return l.Say("stamps carry their own offset")
		}
		return zone
	case recording.ClockTimeOfDay:
		return l.Say("time of day only, the date is not in the file; %s", zone)
	case recording.ClockElapsed:
		return l.Say("time since the start only, neither date nor time of day is in the file")
	}
	return zone
}
