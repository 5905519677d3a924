package criteria

import (
	"cmp"
	"math/big"
	"slices"
	"strings"

	"airwarrant/rules"
)

// language is that of all texts of e.
func (s *source) language() rules.Language { return s.facts.Language }

// say is a text of the program in the language of the determination.
func (s *source) say(english string, args ...any) string {
	return s.facts.Language.Say(english, args...)
}

// finding lays out one clause with what was asked and found.
func (e *evaluation) finding(n *rules.Node, deciding map[*rules.Node]bool) Finding {
	f := Finding{
		ID: n.ID, Label: n.Label, Outcome: e.verdict(n), Asked: e.language().Describe(n),
		Cites: []string{}, Strength: n.Strength, Grade: n.Grade, Status: e.evidence(n), ReadingOurs: n.Reading == "ours", Decided: deciding[n], Parts: []Finding{},
	}
	if c, ok := e.conf[n.ID]; ok && n.Status == rules.Draft {
		f.Confirmed = c.in(e.language())
	}
	for _, k := range n.Cite {
		f.Cites = append(f.Cites, CiteText(e.pack, k))
	}
	for _, c := range n.Children() {
		part := e.finding(c, deciding)
		f.Parts = append(f.Parts, part)
		f.Status = weakest(f.Status, part.Status)
	}
	if l := e.leafAt(n); l != nil {
		if l.def != nil && isNumber(l.def) && !n.Known {
			f.Measured, f.Limits = e.language().Measured(n), e.language().Limits(n)
		}
		f.Found = e.found(l)
		f.Because = e.leafBecause(l, f.Found)
	} else {
		f.Because = e.groupBecause(&f, n)
	}
	switch {
	case e.isAway(n) && e.shut() != nil:
		f.Because = e.say("Not looked at: these criteria are not for this case.")
	case e.isAway(n):
		f.Because = e.say("Does not apply, because the clause around it does not.")
	case e.bareApplies(n):
		f.Because = e.gateBecause(n, f.Because)
	}
	if n.Note != "" && f.Outcome != NotApplicable {
		f.Because = strings.TrimSpace(f.Because + " " + n.Note)
	}
	return f
}

// gateBecause tells the first gate that shuts a clause, or else the first that
// may, before what is said of the clause itself.
func (e *evaluation) gateBecause(n *rules.Node, because string) string {
	open := ""
	for _, g := range e.gates[n] {
		calendar, dated := e.calendar[g]
		switch {
		case e.shuts(g) && dated:
			return calendar(e.language())
		case e.shuts(g):
			return e.say("Does not apply. It would if: %s.", e.language().DescribeWhole(g))
		case e.valueOf(g) != value(vMet) && dated:
			open = e.say("Whether it applies hangs on the date of the test.") + " "
		case e.valueOf(g) != value(vMet):
			open = e.say("Whether it applies is open. It does if: %s.", e.language().DescribeWhole(g)) + " "
		}
	}
	return open + because
}

// bareApplies reports whether the gate is what made a clause not apply, or
// may: a leaf without its fact drops out by itself.
func (e *evaluation) bareApplies(n *rules.Node) bool {
	l := e.leafAt(n)
	return l == nil || !l.fixed || l.value != vNotApplicable
}

// groupBecause names the parts that make a group what it is.
func (e *evaluation) groupBecause(f *Finding, n *rules.Node) string {
	names := map[Verdict][]string{}
	for _, p := range f.Parts {
		names[p.Outcome] = append(names[p.Outcome], p.Label)
	}
	list := func(v Verdict) string { return strings.Join(names[v], "; ") }
	switch {
	case f.Outcome == NotApplicable:
		return e.say("No part of it applies.")
	case f.Outcome == Unclear && len(names[Unclear]) > 0:
		return e.say("Open: %s.", list(Unclear))
	case len(names[Met]) == 0 && len(names[NotMet]) == 0:
		return e.say("The same however its open parts turn out.")
	case (f.Outcome == Met) != (n.NoneOf != nil) && len(names[Met]) > 0:
		return e.say("Met: %s.", list(Met))
	case len(names[NotMet]) > 0:
		return e.say("Not met: %s.", list(NotMet))
	}
	return e.say("The same however its open parts turn out.")
}

// found says what is known of a leaf's fact, with bounds and both roundings.
func (e *evaluation) found(l *leaf) string {
	switch {
	case l.def == nil:
		return e.say("not settled")
	case l.node.Known:
		if r := &l.readings[0]; !r.known {
			return e.absence(r.reading)
		}
		return e.say("stated")
	}
	u := &l.readings[0]
	switch {
	case !u.known:
		return e.absence(u.reading)
	case u.words != nil:
		return wordText(e.language(), u.words[0]) + e.placeText(l.def.Name)
	}
	return e.numberText(l) + e.placeText(l.def.Name)
}

const notSeen = "recording not seen"

func (e *evaluation) absence(r *reading) string {
	switch {
	case slices.Contains(r.def.From, needRecording) && e.barred:
		return e.say("not read: no footing on which it may be held")
	case slices.Contains(r.def.From, needRecording) && e.night() == nil:
		return e.say(notSeen)
	case slices.Contains(r.def.From, needRecording):
		return e.say("the recording does not tell")
	case r.asked:
		return e.say("asked, not known")
	}
	return e.say("not stated")
}

func (e *evaluation) placeText(name string) string {
	f := e.facts.Named[name]
	if f.State != Located || f.Place == nil {
		return ""
	}
	return " (" + f.Place.In(e.language()) + ")"
}

func wordText(l rules.Language, w string) string {
	switch w {
	case "true":
		return l.Say("yes")
	case "false":
		return l.Say("no")
	}
	return l.Word(w)
}

// shown converts a reading to the unit in which the leaf prints its figure.
type shown struct {
	in     rules.Language
	unit   string
	limits []limit
	to     func(*big.Rat) *big.Rat
}

func (u *use) shown(n *rules.Node, in rules.Language) shown {
	s := shown{in: in, unit: u.unit, limits: u.limits, to: func(x *big.Rat) *big.Rat { return x }}
	from := u.unit
	switch {
	case u.def.Type == rules.TypeDuration:
		s.unit = "min"
		for _, qs := range []rules.Quantities{n.AtLeast, n.MoreThan, n.AtOrBelow, n.Below, n.EqualTo} {
			if len(qs) > 0 && qs[0].Rat.Sign() != 0 {
				s.unit = qs[0].Unit
				break
			}
		}
	case u.unit == "" && u.def.Param != "": // a share
		s.unit = "%"
	default:
		return s
	}
	s.to = func(x *big.Rat) *big.Rat { return convert(x, from, s.unit) }
	s.limits = nil
	for _, l := range u.limits {
		l.fig = s.to(l.fig)
		s.limits = append(s.limits, l)
	}
	return s
}

func (s shown) bare(x *big.Rat) string   { return readable(s.to(x), s.limits) }
func (s shown) number(x *big.Rat) string { return s.in.Number(s.bare(x)) }
func (s shown) text(x *big.Rat) string   { return s.in.Measure(s.bare(x), s.unit) }
func (s shown) between(lo, hi *big.Rat) string {
	switch {
	case lo == nil || hi == nil:
		return s.in.Say("one end unknown")
	}
	return s.in.Say("between %s and %s", s.number(lo), s.text(hi))
}

func (e *evaluation) numberText(l *leaf) string {
	u := &l.readings[0]
	s := u.shown(l.node, e.language())
	if u.def.Type == rules.TypeOxygen && u.value.Sign() == 0 {
		return e.say("room air")
	}
	text := func(x *big.Rat) string {
		if u.places >= 0 {
			return s.in.Measure(x.FloatString(u.places), s.unit)
		}
		return s.text(x)
	}
	why := "%s (%s however the doubtful readings are read)"
	if !slices.Contains(u.def.From, needRecording) {
		why = "%s (%s)" // bounds of figures, whatever they come from
	}
	doubt := func(said string, p *span) string {
		if p.lo != nil && p.hi != nil && p.lo.Cmp(p.hi) == 0 {
			return said
		}
		return e.say(why, said, s.between(p.lo, p.hi))
	}
	var out string
	switch {
	case u.recording != nil && u.recording.value != nil:
		out = text(u.recording.value)
		if u.report != nil {
			out = e.say("%s in the recording", out)
		}
		out = doubt(out, u.recording)
		if u.report != nil {
			out += ", " + s.toldText(u.report)
		}
	case u.report != nil && u.report.printed != "":
		out = e.say("%s on the signed report (printed, so %s)", u.report.printed, s.between(u.report.lo, u.report.hi)) + "; " + e.absence(u.reading)
	case u.report != nil:
		out = s.toldText(u.report) + "; " + e.absence(u.reading)
	case u.def.Name == "reported_minutes":
		out = e.say("%s (printed, so %s)", text(u.value), s.between(u.lo, u.hi))
	case u.stated != "":
		out = e.say("%s, which is %s", e.language().Measure(u.stated, u.statedUnit), text(u.value))
	default:
		out = doubt(text(u.value), &span{u.lo, u.value, u.hi})
	}
	return out + e.roundedText(l, s)
}

// toldText is what the signed report tells, in words.
func (s shown) toldText(t *told) string {
	if t.printed != "" {
		return s.in.Say("%s on the signed report", t.printed)
	}
	const by = "%s by the signed report, which prints %s"
	switch {
	case t.lo == nil:
		return s.in.Say(by, s.in.Say("at most %s", s.text(t.hi)), t.from)
	case t.hi == nil:
		return s.in.Say(by, s.in.Say("at least %s", s.text(t.lo)), t.from)
	case t.lo.Cmp(t.hi) == 0:
		return s.in.Say(by, s.text(t.lo), t.from)
	}
	return s.in.Say(by, s.between(t.lo, t.hi), t.from)
}

// short prints a span of time of so many seconds: in seconds below a minute,
// where minutes would be cut to hundredths.
func (s shown) short(seconds *big.Rat) string {
	if seconds.Cmp(big.NewRat(60, 1)) < 0 {
		return s.in.Measure(readable(seconds, []limit{{fig: zero}}), "s")
	}
	return s.text(seconds)
}

// roundedText shows the other figure where rounding makes one.
func (e *evaluation) roundedText(l *leaf, s shown) string {
	u := &l.readings[0]
	switch {
	case u.mode == readNone || !roundable(u.unit) && !perSample(u.def), u.value == nil && u.recording == nil:
		return ""
	case !perSample(u.def):
		if r := halfUp(u.value); r.Cmp(u.value) != 0 {
			return ", " + e.say("read as %s", s.in.Measure(r.RatString(), s.unit))
		}
		return ""
	}
	other, _ := e.read(l.def, paramOrZero(l.node, l.def), u.mode == readEither)
	if other.recording != nil {
		other.value = other.recording.value
	}
	mine := u.value
	if u.recording != nil {
		mine = u.recording.value
	}
	if mine == nil || other.value == nil || other.value.Cmp(mine) == 0 {
		return ""
	}
	if u.mode == readEither {
		return ", " + e.say("or %s with each sample read as a whole percent", s.text(other.value))
	}
	return ", " + e.say("each sample read as a whole percent; %s unrounded", s.text(other.value))
}

func paramOrZero(n *rules.Node, d *rules.FactDef) *big.Rat {
	if p := param(n, d); p != nil {
		return p
	}
	return zero
}

// leafBecause says why a leaf is what it is.
func (e *evaluation) leafBecause(l *leaf, found string) string {
	n := l.node
	switch {
	case n.Unsettled != "":
		return e.say("The document leaves it open, or was not seen.") // Describe says what
	case l.fixed && l.value == vNotApplicable && n.UnlessKnown != "" && e.isKnown(n.UnlessKnown):
		return e.say("Does not apply: %s stands in for it.", e.factWords(n.UnlessKnown))
	case l.fixed && l.value == vNotApplicable:
		return e.say("Counts only where it is stated.")
	case e.unconfirmed(n):
		return e.say("From memory, not read in the document: it does not decide until a maintainer confirms it.")
	case n.Known:
		return ""
	}
	switch r := e.valueOf(n); {
	case r == value(vUnclear) && e.approximate && len(l.variables()) > 0:
		return e.waits(l)
	case r == value(vUnclear) && n.Otherwise == "undetermined":
		return e.say("The comparison fails, and the document does not say what then holds.")
	case r == value(vUnclear):
		return e.say("The verdict differs with rounding, and the criteria do not say which reading holds.")
	case !r.isValue() && !l.readings[0].known:
		return e.waits(l)
	case !r.isValue():
		return e.say("The limit lies between the bounds.")
	}
	if !isNumber(l.def) || !l.readings[0].known {
		return ""
	}
	return e.margin(l, e.verdict(n))
}

func (e *evaluation) waits(l *leaf) string {
	switch {
	case l.readings[0].known:
		return e.say("The limit lies between the bounds.")
	case slices.Contains(l.def.From, needRecording):
		return e.say("Waits for the recording, or for what was measured in it.")
	case l.readings[0].asked:
		return e.say("Nobody who was asked knows.")
	}
	return e.say("Waits for an answer.")
}

// margin says by how much a number misses or clears its limits.
func (e *evaluation) margin(l *leaf, v Verdict) string {
	u := &l.readings[0]
	if u.value == nil || len(u.limits) == 0 {
		return ""
	}
	s := u.shown(l.node, e.language())
	x := s.to(u.value)
	if u.mode == readHalfUp && !perSample(u.def) && roundable(u.unit) {
		x = halfUp(x)
	}
	for _, lim := range s.limits {
		c := x.Cmp(lim.fig)
		if lim.admits(c) == (v == NotMet) {
			continue
		}
		d := new(big.Rat).Sub(x, lim.fig)
		unit := s.unit
		if unit == "%" {
			unit = "points" // a difference of percentages is in points
		}
		by := s.in.Measure(readable(d.Abs(d), []limit{{fig: zero}}), unit)
		if u.def.Type == rules.TypeDuration {
			by = s.short(convert(d, s.unit, "s"))
		}
		switch {
		case c == 0 && lim.admits(0):
			return e.say("Exactly the limit, which is included.")
		case c == 0:
			return e.say("Exactly the limit, which is not included.")
		case c < 0:
			return e.say("Below %s by %s.", s.in.Measure(s.figureText(lim), s.unit), by)
		}
		return e.say("Above %s by %s.", s.in.Measure(s.figureText(lim), s.unit), by)
	}
	return ""
}

func (s shown) figureText(l limit) string { return decimal(l.fig, 6) }

func (e *evaluation) factWords(name string) string {
	if d, ok := definition(name); ok {
		return e.say(d.Meaning)
	}
	return name
}

// because is the one sentence of a determination.
func (e *evaluation) because(det *Determination, leaves []*rules.Node) string {
	switch det.Outcome {
	case Qualifies:
		return e.say("Criteria met: %s.", e.sentence(leaves))
	case DoesNotQualify:
		return e.say("Written criteria not met: %s.", e.sentence(leaves))
	}
	if s := e.shut(); s != nil {
		return e.shutText(s)
	}
	if det.CustodyBarred {
		for _, n := range det.Needs {
			if n.Fact == "custody" || n.Fact == needRecording {
				return e.say("The result of the test is not read, because no footing is stated on which it may be held.") + " " + e.pack.Custody.Who
			}
		}
	}
	people := 0
	for _, n := range det.Needs {
		if n.Who != rules.Maintainer {
			people++
		}
	}
	switch {
	case det.Disposition == "not_addressed":
		return e.say("No clause of these criteria applies to the case.")
	case people == 1:
		return e.say("One question is left that can change the outcome.")
	case people > 1:
		return e.say("%d questions are left that can change the outcome.", people)
	case len(det.Needs) > 0:
		return e.say("The outcome hangs on clauses whose text is not confirmed; a maintainer has to read the document.")
	case len(e.essential()) > 0:
		return e.say("Facts that can change the outcome were asked and are not known.")
	}
	return e.say("The criteria do not say what holds in this case; it has to be reviewed by hand.")
}

// sentence names what decided: the measured clauses with their figures, or if
// there is none the first clauses.
func (e *evaluation) sentence(leaves []*rules.Node) string {
	var first, measured, plain []string // what was measured, other numbers, conditions
	seen := map[*rules.Node]bool{}
	for _, n := range leaves {
		if seen[n] {
			continue
		}
		seen[n] = true
		l := e.leafAt(n)
		if l.def != nil && isNumber(l.def) && !n.Known && (l.def.Level || l.def.Param != "" || l.def.Type == rules.TypeDuration) {
			first = append(first, n.Label+": "+e.found(l))
		} else if l.def != nil && isNumber(l.def) && !n.Known {
			measured = append(measured, n.Label+": "+e.found(l))
		} else {
			plain = append(plain, n.Label+": "+e.found(l))
		}
	}
	const most = 4
	list := slices.Concat(first, measured, plain)
	for i := range list {
		if i > 0 { // said once
			list[i] = strings.TrimSuffix(list[i], "; "+e.say(notSeen))
		}
	}
	if len(list) > most {
		return e.say("%s; and %d more clauses", strings.Join(list[:most], "; "), len(list)-most)
	}
	return strings.Join(list, "; ")
}

// notes tells what bears on the verdict without changing it.
func (e *evaluation) notes(deciding map[*rules.Node]bool) []string {
	var out []string
	add := func(s string) {
		if s != "" && !slices.Contains(out, s) {
			out = append(out, s)
		}
	}
	if e.approximate {
		add(e.say("The questions are too many to be laid against each other: each open fact of an open clause is asked, whether or not it can change the outcome."))
	}
	add(e.sharedText())
	if s := e.shortRecording(); s != "" {
		add(s)
	}
	for _, s := range e.idleValues() {
		add(s)
	}
	differs := map[string]bool{} // measures with levels of which the report's difference has been told
	for _, l := range e.leaves {
		if l.fixed || !l.readings[0].known || !isNumber(l.def) {
			continue
		}
		u := &l.readings[0]
		s := u.shown(l.node, e.language())
		name := cmp.Or(l.node.Label, e.idOf[l.node])
		param := paramOrZero(l.node, l.def).RatString()
		if deciding[l.node] && e.roundingDecides(l) {
			add(e.say("Rounding decides %q: %s.", name, e.found(l)))
		}
		if short := e.shortfall(l); short != nil && short.Sign() > 0 && u.missing != nil && short.Cmp(u.missing) < 0 {
			add(e.say("%q falls short by %s, which is less than the %s of the recording that hold no reading.",
				name, s.short(short), s.short(u.missing)))
		}
		if key := l.def.Name + param; u.recording != nil && u.report != nil && !differs[key] {
			differs[key] = true
			add(s.differNote(u.recording, u.report, l.def.Type == rules.TypeDuration))
		}
	}
	return out
}

// sharedText tells that figures which can change the outcome come from one open
// answer. Each is a variable of its own, so a completion may give them values
// that no answer gives together: more may be asked than matters, never less.
func (e *evaluation) sharedText() string {
	count := map[string]int{}
	for _, i := range e.essential() {
		v := e.vars[i]
		if v.def.Settles != "computed" {
			count[v.def.Name]++
			continue
		}
		for _, name := range v.def.From {
			if _, ok := e.stated(name); !ok && name != needRecording {
				count[name]++
			}
		}
	}
	var shared []string
	for _, d := range rules.Vocabulary() {
		if count[d.Name] > 1 {
			shared = append(shared, e.say(d.Meaning))
		}
	}
	if len(shared) == 0 {
		return ""
	}
	text := "Several open figures are reckoned from the same answers (%s): each is looked at by itself, so a question may be asked that turns out not to matter."
	if len(shared) == 1 {
		text = "Several open figures are reckoned from the same answer (%s): each is looked at by itself, so a question may be asked that turns out not to matter."
	}
	return e.say(text, strings.Join(shared, "; "))
}

// differNote tells by how much the signed report differs from the recording;
// "" where its figure may be the recording's, rounded.
func (s shown) differNote(recording *span, report *told, time bool) string {
	agrees := report.printed != "" && report.lo.Cmp(report.hi) == 0
	switch {
	case agrees:
		return ""
	case report.printed == "" || recording.value == nil:
		return s.in.Say("The signed report and the recording differ: %s.", s.toldText(report))
	}
	d := minus(report.value, recording.value)
	text := "The signed report prints %s, %s more than the recording gives."
	if d.Sign() < 0 {
		d, text = d.Abs(d), "The signed report prints %s, %s less than the recording gives."
	}
	by := s.text(d)
	switch {
	case time:
		by = s.short(d)
	case s.unit == "%":
		by = s.in.Measure(s.bare(d), "points")
	}
	return s.in.Say(text, report.printed, by)
}

// shortRecording tells that the recording of a test asleep holds less valid
// time than the pack names.
func (e *evaluation) shortRecording() string {
	q, night := e.pack.Reading.ShortBelow, e.night()
	if state, ok := e.stated("test_state"); q == nil || night == nil || ok && state.Value.Word != "asleep" {
		return ""
	}
	valid := convert(night.Seconds(night.Valid), "s", q.Unit)
	if valid.Cmp(q.Rat) >= 0 {
		return ""
	}
	return e.say("The recording is short: it holds %s of readings, and some documents ask for at least %s. The verdict does not change.",
		e.language().Measure(readable(valid, []limit{{fig: q.Rat}}), q.Unit), q)
}

// idleValues names the stated measured values that no clause which applies reads:
// they changed nothing, whatever they are.
func (e *evaluation) idleValues() []string {
	if e.shut() != nil {
		return nil // no clause is looked at
	}
	read := map[string]bool{}
	var look func(n *rules.Node, gate bool)
	look = func(n *rules.Node, gate bool) {
		if !gate && e.verdict(n) == NotApplicable && n.Children() == nil {
			return
		}
		if slices.ContainsFunc(e.gates[n], e.shuts) {
			return
		}
		for _, g := range e.gates[n] {
			look(g, true)
		}
		if l := e.leafAt(n); l != nil && l.def != nil {
			read[l.def.Name] = true
			for _, name := range l.def.From {
				read[name] = true
			}
		}
		for _, c := range n.Children() {
			look(c, gate)
		}
	}
	look(e.root, false)
	for _, s := range e.scope {
		look(s.when, true)
	}
	var out []string
	for _, d := range rules.Vocabulary() {
		f, ok := e.stated(d.Name)
		if !ok || read[d.Name] || d.Settles == "computed" || f.State == Computed || f.Value.Num == nil || !slices.Contains([]string{"%", "mmHg", "kPa"}, d.Unit) {
			continue
		}
		value := e.language().Measure(f.Value.Num.FloatString(max(f.Value.Places, 0)), cmp.Or(f.Value.Unit, d.Unit))
		out = append(out, e.say("%s, %s, is stated and read by no clause that applies.", upperFirst(e.say(d.Meaning)), value))
	}
	return out
}

// roundingDecides reports whether a leaf without rounding is another verdict.
func (e *evaluation) roundingDecides(l *leaf) bool {
	u := l.readings[0]
	if u.mode != readHalfUp {
		return false
	}
	if perSample(l.def) {
		plain, _ := e.read(l.def, paramOrZero(l.node, l.def), false)
		u.reading = &plain
	}
	u.mode = readNone
	if u.lo == nil || u.hi == nil {
		return false
	}
	want := value(u.at(l.node, cell{num: u.lo}))
	if l.node.Otherwise == "undetermined" {
		want = e.d.apply(opOtherwise, want, value(0))
	}
	return want != e.valueOf(l.node) || u.at(l.node, cell{num: u.lo}) != u.at(l.node, cell{num: u.hi})
}

// shortfall is how much time a failed leaf lacks at least, in s; nil if it
// does not fail for lack of time.
func (e *evaluation) shortfall(l *leaf) *big.Rat {
	u := &l.readings[0]
	if l.def.Type != rules.TypeDuration || u.hi == nil || e.verdict(l.node) != NotMet {
		return nil
	}
	for _, lim := range u.limits {
		if c := u.hi.Cmp(lim.fig); c <= 0 && !lim.admits(c) {
			return minus(lim.fig, u.hi)
		}
	}
	return nil
}
