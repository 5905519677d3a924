package worksheet

import (
	"fmt"
	"math/big"
	"sort"
	"strings"

	"airwarrant/qualify/analysis"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/recording"
	"airwarrant/rules"
)

func clauseColumns() []Column {
	return []Column{{"Clause", .23, false}, {"Asked", .20, false}, {"Found", .20, false}, {"Verdict", .15, false}, {"Where it stands", .22, false}}
}

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

func deciding(in Input) Section {
	d := in.Determination
	s := Section{ID: "deciding", Title: "What decided", Table: &Table{Columns: clauseColumns()}}
	for _, f := range decidingFindings(d) {
		s.Table.Rows = append(s.Table.Rows, clauseRow(f))
	}
	if d.Outcome == criteria.Undetermined {
		s.Title = "What is left open"
	}
	if len(s.Table.Rows) == 0 {
		s.Lead = "No single clause decided."
	} else if d.Status != "" && d.Outcome != criteria.Undetermined {
		s.After = "Weakest evidence among the clauses that decided: " + statusText(d.Status) + "."
	}
	return s
}

func clauseRow(f criteria.Finding) Row {
	st := statusText(f.Status)
	if f.ReadingOurs {
		st = strings.TrimPrefix(st+"; our reading of it", "; ")
	}
	found := Cell{Text: f.Found, Sub: f.Because}
	if found.Sub == found.Text {
		found.Sub = ""
	}
	return Row{Cells: []Cell{
		{Text: f.Label, Sub: f.ID}, {Text: f.Asked}, found, {Mark: verdictMark(f.Outcome)}, {Text: strings.Join(f.Cites, "; "), Sub: st},
	}}
}

// clauses lists the whole tree, also what was tried and did not apply. Paper
// leaves out the parts of a clause that does not apply.
func clauses(d criteria.Determination) Section {
	s := Section{ID: "clauses", Title: "Every clause",
		Lead: "As the criteria are built, with what was tried and did not apply; a clause further in belongs to the one above it. Numbers are those of the sources; a figure was read in the document unless another word stands beside them.",
		Table: &Table{Columns: []Column{{"Clause", .32, false}, {"Asked", .21, false}, {"Found", .20, false}, {"Verdict", .15, false}, {"Source", .12, false}},
			Beyond: "and %d parts of clauses that do not apply, listed on the page"}}
	number := map[string]int{}
	for i, c := range sources(d.Clauses) {
		number[c] = i + 1
	}
	var walk func(fs []criteria.Finding, depth int, minor bool)
	walk = func(fs []criteria.Finding, depth int, minor bool) {
		for _, f := range fs {
			var src []string
			for _, c := range f.Cites {
				src = append(src, fmt.Sprint(number[c]))
			}
			source := strings.Join(src, ", ")
			switch f.Status {
			case rules.Secondary:
				source += " second-hand"
			case rules.Draft:
				source += " draft"
			}
			if f.ReadingOurs {
				source += " our reading"
			}
			s.Table.Rows = append(s.Table.Rows, Row{Depth: depth, Strong: len(f.Parts) > 0, Minor: minor, Cells: []Cell{
				{Text: f.Label}, {Text: f.Asked}, {Text: f.Found}, {Mark: verdictMark(f.Outcome)}, {Text: source},
			}})
			walk(f.Parts, depth+1, minor || f.Outcome == criteria.NotApplicable)
		}
	}
	walk(d.Clauses, 0, false)
	return s
}

// sources are the citations of a tree, each once, in its order.
func sources(fs []criteria.Finding) []string {
	var out []string
	seen := map[string]bool{}
	var walk func(fs []criteria.Finding)
	walk = func(fs []criteria.Finding) {
		for _, f := range fs {
			for _, c := range f.Cites {
				if !seen[c] {
					seen[c] = true
					out = append(out, c)
				}
			}
			walk(f.Parts)
		}
	}
	walk(fs)
	return out
}

func numbered(ss []string) []string {
	var out []string
	for i, s := range ss {
		out = append(out, fmt.Sprintf("%d: %s", i+1, s))
	}
	return out
}

// questions groups the needs by who answers; the order of groups and
// questions keeps the most decisive first, and the number tells it.
func questions(needs []criteria.Need, in Input) Section {
	s := Section{ID: "questions", Title: "Open questions", Lead: "Only what can change the outcome is asked. Number 1 decides most.",
		Table: &Table{Columns: []Column{{"Who", .16, false}, {"No.", .06, true}, {"Question", .48, false}, {"Waits for it", .30, false}}}}
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
		name := roleName(who)
		for i, n := range needs {
			if n.Who != who {
				continue
			}
			var waits []string
			for _, id := range n.Decides {
				if l := labels[id]; l != "" {
					waits = append(waits, l)
				} else {
					waits = append(waits, id)
				}
			}
			s.Table.Rows = append(s.Table.Rows, Row{Cells: []Cell{
				{Text: name}, {Text: fmt.Sprint(i + 1)}, {Text: n.Question, Sub: n.Why}, {Text: strings.Join(waits, "; ")},
			}})
		}
	}
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

func onFile(items []criteria.OnFile) Section {
	s := Section{ID: "onfile", Title: "What must be on file", Lead: "These papers change no verdict. Audits are lost without them.",
		Table: &Table{Columns: []Column{{"Paper", .40, false}, {"State", .14, false}, {"Where", .22, false}, {"Asked by", .24, false}}}}
	for _, o := range items {
		m := &markMissing
		switch o.State {
		case "seen":
			m = &markSeen
		case "located":
			m = &markLocated
		}
		s.Table.Rows = append(s.Table.Rows, Row{Cells: []Cell{{Text: o.Item}, {Mark: m}, {Text: orDash(o.Where)}, {Text: o.Cite}}})
	}
	return s
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
)

func levels(in Input) Section {
	a := in.Analysis
	s := Section{ID: "levels", Title: "Time at or below",
		Lead: "The criteria ask for the rows marked so. Low counts only readings that nobody doubts, value every plausible reading, high also what may have been one. Minutes and percentages are cut, never rounded.",
		Table: &Table{Columns: []Column{{"Saturation", .23, false}, {"Low", .11, true}, {"Value", .11, true}, {"High", .11, true},
			{"Value, min", .10, true}, {"% of valid", .09, true}, {"Longest unbroken run", .25, true}}}}
	if a == nil {
		return s
	}
	type key struct {
		pct    string
		strict bool
	}
	wanted := map[key]bool{}
	type row struct {
		pct    *big.Rat
		strict bool
		asked  bool
	}
	var rows []row
	add := func(pct *big.Rat, strict, asked bool) {
		k := key{pct.RatString(), strict}
		if !wanted[k] {
			wanted[k] = true
			rows = append(rows, row{pct, strict, asked})
		}
	}
	var lo, hi *big.Rat
	for _, q := range askedBy(in.Pack) {
		if q.level == nil {
			continue
		}
		add(q.level, strings.HasSuffix(q.fact, "_below") && !strings.HasSuffix(q.fact, "_or_below"), true)
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
		add(big.NewRat(p, 1), false, false)
	}
	sort.SliceStable(rows, func(i, j int) bool {
		if c := rows[i].pct.Cmp(rows[j].pct); c != 0 {
			return c < 0
		}
		return rows[i].strict && !rows[j].strict
	})
	for _, r := range rows {
		name, t, run := "at or below ", a.AtOrBelow(r.pct), a.LongestAtOrBelow(r.pct)
		if r.strict {
			name, t, run = "below ", a.Below(r.pct), a.LongestBelow(r.pct)
		}
		first := Cell{Text: name + number(r.pct) + " %"}
		if r.asked {
			first.Text += ", asked"
		}
		share := "–"
		if a.Valid > 0 {
			share = cut(big.NewRat(0, 1).Mul(big.NewRat(t.Value, a.Valid), big.NewRat(100, 1)), 2)
		}
		longest := duration(a, run.Value)
		if run.Low != run.High {
			longest += fmt.Sprintf(" (%s to %s)", duration(a, run.Low), duration(a, run.High))
		}
		s.Table.Rows = append(s.Table.Rows, Row{Strong: r.asked, Cells: []Cell{
			first, {Text: duration(a, t.Low)}, {Text: duration(a, t.Value)}, {Text: duration(a, t.High)},
			{Text: minutes(a, t.Value)}, {Text: share}, {Text: longest},
		}})
	}
	return s
}

// eventDefinition says what a desaturation event is here: the case definition
// of the measurement reference, section 3.4.
const eventDefinition = "An event opens at the first reading at least so many points under the highest reading of the 120 s before it, closes at a reading within 1 point of that or 3 points above its lowest, or after 30 s without a reading, and counts if it lasted at least 10 s. The rate is per hour of valid time. Other programs count otherwise."

func measures(in Input) Section {
	s := Section{ID: "measures", Title: "Measures",
		Table: &Table{Columns: []Column{{"Measure", .30, false}, {"Low", .12, true}, {"Value", .15, true}, {"High", .12, true}, {"Remark", .31, false}}}}
	add := func(what, remark, low, value, high string) {
		s.Table.Rows = append(s.Table.Rows, Row{Cells: []Cell{{Text: what}, {Text: low}, {Text: value}, {Text: high}, {Text: remark}}})
	}
	if a := in.Analysis; a != nil {
		opt := func(t *int64) string {
			if t == nil {
				return "unknown"
			}
			return duration(a, *t)
		}
		sub := ""
		if a.Recorded == nil {
			sub = "the recorder's clock stepped back, so that its length is not known"
		}
		add("Recorded time", sub, "", opt(a.Recorded), "")
		add("Valid time", "with a plausible reading", "", duration(a, a.Valid), "")
		add("Missing time", "without a reading; in no figure below", "", opt(a.Missing), "")
		add("Suspect time", "doubted; part of valid time", "", duration(a, a.Suspect), "")
		pct := func(r *big.Rat) string {
			if r == nil {
				return "–"
			}
			return number(r) + " %"
		}
		at := ""
		if a.Nadir.Value != nil && in.Recording != nil {
			at = "first at " + clock(a.Stamp(in.Recording, a.Nadir.At, a.Nadir.AtIndex))
		}
		add("Nadir (lowest saturation)", at, pct(a.Nadir.Low), pct(a.Nadir.Value), pct(a.Nadir.High))
		add("Mean saturation", "weighted by time", pct(a.Mean.Low), pct(a.Mean.Value), pct(a.Mean.High))
		add("Highest saturation", "", "", pct(a.Peak), "")
		for _, e := range a.Events {
			rate := "rate not known"
			if e.PerHour != nil {
				rate = cut(e.PerHour, 1) + " an hour"
			}
			add(fmt.Sprintf("Desaturation events, %d points", e.Depth), rate, fmt.Sprint(e.Low), fmt.Sprint(e.Count), fmt.Sprint(e.High))
			s.After = eventDefinition
		}
	}
	if f, ok := in.Facts["reported_minutes"]; ok && f.State != criteria.Unknown && f.Value.Num != nil {
		def, _ := rules.Lookup("reported_minutes")
		half := new(big.Rat).SetFrac(big.NewInt(1), new(big.Int).Mul(big.NewInt(2), new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(f.Value.Places)), nil)))
		unit := f.Value.Unit
		if unit == "" {
			unit = def.Unit
		}
		what := "Time at or below the level as the signed report prints it"
		if in.Pack != nil && in.Pack.Reading.ReportLevel != nil {
			what = fmt.Sprintf("Time at or below %s %% as the signed report prints it", number(in.Pack.Reading.ReportLevel.Rat))
		}
		exact := func(r *big.Rat) string { return r.FloatString(f.Value.Places+1) + " " + unit }
		low := new(big.Rat).Sub(f.Value.Num, half)
		if low.Sign() < 0 {
			low.SetInt64(0)
		}
		add(what, "bounds are the report's own rounding", exact(low), valueText(def, f.Value), exact(new(big.Rat).Add(f.Value.Num, half)))
	}
	return s
}

// spans lists what is doubted or missing.
func spans(in Input) Section {
	s := Section{ID: "spans", Title: "Doubted, unusable and missing stretches",
		Lead: "Nothing is removed. The tester or the practitioner, never the supplier, can judge a stretch; both readings stay printed.",
		Table: &Table{Beyond: "and %d more, listed on the page",
			Columns: []Column{{"From", .22, false}, {"To", .12, false}, {"Length", .12, true}, {"Lowest", .08, true}, {"Counts", .20, false}, {"Why", .26, false}}}}
	a, rec := in.Analysis, in.Recording
	if a == nil || rec == nil {
		return s
	}
	for i, sp := range a.Spans {
		kind := string(sp.Kind)
		switch sp.Kind {
		case analysis.SpanSuspect:
			kind = "doubted: not in low"
		case analysis.SpanImplausible:
			kind = "unusable: in high only"
		case analysis.SpanMissing:
			kind = "missing: in none"
		}
		low := "–"
		if sp.Kind != analysis.SpanMissing && sp.From < sp.To && a.Den > 0 && sp.LowestNum < 1<<62 {
			low = number(big.NewRat(sp.LowestNum, a.Den)) + " %"
		}
		last := sp.To - 1
		if last < sp.From {
			last = sp.From
		}
		from, to := clock(a.Stamp(rec, sp.FromTick, sp.From)), clock(a.Stamp(rec, sp.ToTick, last))
		if day, _, ok := strings.Cut(from, " "); ok {
			to = strings.TrimPrefix(to, day+" ")
		}
		s.Table.Rows = append(s.Table.Rows, Row{Minor: i >= spanLimit, Cells: []Cell{
			{Text: from}, {Text: to},
			{Text: duration(a, sp.ToTick-sp.FromTick)}, {Text: low}, {Text: kind}, {Text: sp.Reason},
		}})
	}
	return s
}

// clock prints a stamp of a recording with a blank between day and time.
func clock(stamp string) string { return strings.Replace(stamp, "T", " ", 1) }

// conditions lists the conditions of testing that the criteria ask about,
// each with its provenance. Measures, papers and identity stand elsewhere.
func conditions(in Input) Section {
	s := Section{ID: "conditions", Title: "Conditions of testing",
		Table: &Table{Columns: []Column{{"Condition", .46, false}, {"Answer", .20, false}, {"How it is known", .34, false}}}}
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
	var idle []string
	for _, def := range rules.Vocabulary() {
		if !wanted[def.Name] || def.Settles == "computed" || def.Type == rules.TypePaper || def.Type == rules.TypeList || def.Name == "birth_date" {
			continue
		}
		f, known := in.Facts[def.Name]
		if !known && !open[def.Name] {
			idle = append(idle, brief(def.Meaning))
			continue
		}
		answer, how := "–", "not yet answered; see the open questions"
		if known {
			how = provenanceText(f)
			answer = "not known"
			if f.State != criteria.Unknown {
				answer = valueText(def, f.Value)
			}
		}
		s.Table.Rows = append(s.Table.Rows, Row{Cells: []Cell{{Text: upper(brief(def.Meaning))}, {Text: answer}, {Text: how}}})
	}
	if len(idle) > 0 {
		s.After = "Not asked, because no answer can change the outcome: " + strings.Join(idle, "; ") + "."
	}
	return s
}

// brief is a meaning of the vocabulary up to its explanation.
func brief(meaning string) string {
	if i := strings.IndexAny(meaning, ":;"); i > 0 {
		return meaning[:i]
	}
	return meaning
}

func provenanceText(f criteria.Fact) string {
	switch f.State {
	case criteria.Unknown:
		return "asked, and not known"
	case criteria.Computed:
		return "computed"
	case criteria.Located:
		return "located by the office: " + placeText(f.Place)
	}
	return "stated"
}

func placeText(p *criteria.Place) string {
	if p == nil {
		return "place not given"
	}
	parts := []string{orDash(p.Document)}
	if !p.Date.IsZero() {
		parts = append(parts, p.Date.String())
	}
	if p.Page != "" {
		parts = append(parts, "page "+p.Page)
	}
	if p.By != "" {
		parts = append(parts, "by "+p.By)
	}
	return strings.Join(parts, ", ")
}

func identity(rows []IdentityRow) Section {
	s := Section{ID: "identity", Title: "Whose test it is",
		Table: &Table{Columns: []Column{{"Mark", .16, false}, {"Case", .24, false}, {"Other paper", .34, false}, {"Same?", .26, false}}}}
	for _, r := range rows {
		c := Cell{Mark: &markSame}
		if !r.Same {
			c = Cell{Mark: &markDifferent, Sub: "nobody has explained it"}
			if r.Explained != "" {
				c.Sub = r.Explained
			}
		}
		s.Table.Rows = append(s.Table.Rows, Row{Cells: []Cell{{Text: r.What}, {Text: orDash(r.Case)}, {Text: orDash(r.Other), Sub: r.Where}, c}})
	}
	return s
}

// reading tells how the file was read and what was doubtful about it.
func reading(in Input) []string {
	var out []string
	if rec := in.Recording; rec != nil {
		out = append(out, rec.Layout...)
		for _, c := range rec.Codes {
			out = append(out, fmt.Sprintf("%d times %q in the column %s: taken as no reading.", c.N, c.Token, c.Column))
		}
		for _, w := range rec.Warnings {
			out = append(out, w.Text)
		}
	}
	if a := in.Analysis; a != nil {
		out = append(out, a.Warnings...)
		out = append(out, ruleTexts(a.Rules)...)
	}
	return out
}

// ruleTexts words the rules in force, one text for each kind. A source is
// named where there is one.
func ruleTexts(r analysis.Rules) []string {
	var out []string
	for _, k := range []struct {
		kind analysis.SpanKind
		head string
	}{
		{analysis.SpanMissing, "No reading (missing, in no figure): "},
		{analysis.SpanImplausible, "Unusable (only in high): "},
		{analysis.SpanSuspect, "Doubted (in value and high, not in low): "},
	} {
		var parts []string
		for _, x := range r.List() {
			if x.Kind != k.kind {
				continue
			}
			p := x.Condition
			if x.Source != "our choice" {
				p += " (" + x.Source + ")"
			}
			parts = append(parts, p)
		}
		if len(parts) > 0 {
			out = append(out, k.head+strings.Join(parts, "; ")+".")
		}
	}
	return append(out, "A rule without a source is our choice.")
}

// provenance is what is needed to compute this worksheet again.
func provenance(in Input) Section {
	s := Section{ID: "provenance", Title: "Provenance",
		Table: &Table{Columns: []Column{{"What", .24, false}, {"Value", .76, false}}}}
	add := func(what, value string) {
		if value != "" {
			s.Table.Rows = append(s.Table.Rows, Row{Cells: []Cell{{Text: what}, {Text: value}}})
		}
	}
	ups := in.Uploads
	if rec := in.Recording; rec != nil && len(ups) == 0 {
		ups = []Upload{{SHA256: rec.SHA256, Size: rec.Size, Format: rec.Format, Container: rec.Container}}
	}
	if len(ups) == 0 {
		add("Recording", "not seen")
	}
	for _, u := range ups {
		what := "Upload, SHA-256"
		if u.Role != "" {
			what = "Upload (" + words(u.Role) + "), SHA-256"
		}
		if u.Withheld != "" {
			add(what, u.SHA256+" "+u.Withheld)
			continue
		}
		form := fmt.Sprintf("%s, %d bytes", orDash(u.Format), u.Size)
		if u.Container != "" && u.Container != "none" {
			form += ", inside " + u.Container
		}
		add(what, u.SHA256+" ("+form+")")
	}
	if rec, a := in.Recording, in.Analysis; rec != nil && a != nil {
		add("Session", fmt.Sprintf("%d of %d: %s to %s, %d samples", in.SessionNo, in.SessionCount,
			clock(a.Stamp(rec, a.First, a.FirstIndex)), clock(a.Stamp(rec, a.Last, a.FirstIndex+a.Count-1)), a.Count))
		add("Clock", fmt.Sprintf("%s; %s between samples, a step longer than %s is a gap", clockText(rec), duration(a, a.Interval), duration(a, a.Hold)))
	}
	d := in.Determination
	pack := d.Criteria + " " + d.Version
	if in.Pack != nil {
		pack = fmt.Sprintf("%s (%s), in force from %s", d.Criteria, in.Pack.Region.Name, in.Pack.EffectiveFrom)
		if in.Pack.Until != nil {
			pack += " until " + in.Pack.Until.String()
		}
		if !in.Pack.KnownSince.IsZero() {
			pack += ", known here since " + in.Pack.KnownSince.String()
		}
	}
	add("Criteria", pack)
	add("Criteria, SHA-256", d.PackSHA256)
	program := in.Program
	if !in.Printed.IsZero() {
		program = strings.TrimPrefix(program+", printed "+in.Printed.String(), ", ")
	}
	add("Program", program)
	return s
}

func clockText(rec *recording.Recording) string {
	zone := "no zone given: times as the recorder's clock showed them"
	if rec.Zone != "" {
		zone = "zone " + rec.Zone
	}
	switch rec.Clock {
	case recording.ClockInstant:
		if rec.Zone == "" {
			return "stamps carry their own offset"
		}
		return zone
	case recording.ClockTimeOfDay:
		return "time of day only, the date is not in the file; " + zone
	case recording.ClockElapsed:
		return "time since the start only, neither date nor time of day is in the file"
	}
	return zone
}
