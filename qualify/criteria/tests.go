package criteria

import (
	"cmp"
	"maps"
	"slices"
	"strings"
	"unicode/utf8"

	"airwarrant/rules"
)

// Several tests of one patient. Each is determined by itself, nothing is ever
// added across tests, and Decide says which of them stands.

// TestLine is one test in the list of all tests of the patient.
type TestLine struct {
	Name        string  `json:"name"`
	Date        *string `json:"date"`   // null: not stated
	State       string  `json:"state"`  // rest, asleep, exertion; "" if not stated
	Method      string  `json:"method"` // oximetry, blood gas, both; "" if nothing is stated of it
	Version     string  `json:"version"`
	Outcome     Outcome `json:"outcome"`
	Disposition string  `json:"disposition"`
	Decides     bool    `json:"decides"`
	Why         string  `json:"why"` // why it decides, or why it does not
}

// Tried is one test with what it came to by itself: Named are the facts that
// it was determined on, from TestFacts.
type Tried struct {
	Test
	Pack          *rules.Pack
	Named         map[string]Fact
	Recorded      bool // its recording is at hand
	Determination Determination
	Language      rules.Language // of what is told of it
}

// OwnTest is the name in the list of the test that the facts of the case
// itself state, beside those that are listed.
const OwnTest = "the test stated on the case itself"

// measured lists the facts that a test in each state measures. A listed test
// never takes them over from the case, because they are of another test.
var measured = map[string][]string{
	"rest":     {"rest_spo2", "rest_pao2", "rest_sao2", "rest_paco2", "second_test_date", "second_pao2", "second_sao2", "first_spot_spo2", "second_spot_spo2", "third_spot_spo2"},
	"exertion": {"exertion_spo2_air", "exertion_spo2_oxygen", "exertion_pao2_air", "exertion_low_span"},
	"asleep":   {"reported_minutes", "titration_minutes", "asleep_pao2", "asleep_pao2_fall"},
}

// ofRecording are facts about a recording or a report: they belong to the test
// that it is of.
var ofRecording = []string{"recordings", "report", "reported_minutes", "session_choice", "spans"}

// Tests returns the tests of a case in the order of the list, nil if the case
// states no list. The test that the case itself states is one of them, under
// the name OwnTest: it is so if the case states a measured value of the state
// that it names, or if recorded says that a recording is at hand that none of
// the list names.
func Tests(named map[string]Fact, recorded bool) []Test {
	f, ok := Facts{Named: named}.Known("tests")
	if !ok {
		return nil
	}
	out := slices.Clone(f.Value.Tests)
	for _, name := range slices.Concat(measured[stateOf(named)], ofRecording) {
		if name == "recordings" || name == "session_choice" || name == "spans" {
			continue
		}
		_, known := Facts{Named: named}.Known(name)
		recorded = recorded || known
	}
	if recorded {
		out = append(out, Test{Name: OwnTest})
	}
	return out
}

// TestFacts returns the facts on which test t of a case is determined: those
// that it states over those of the case, without what the case's own test
// measured, without the case's measured values of its state and without what is
// said of other recordings.
func TestFacts(named map[string]Fact, t Test) map[string]Fact {
	out := maps.Clone(named)
	delete(out, "tests")
	listed := map[string]bool{}
	if f, ok := named["tests"]; ok {
		for _, other := range f.Value.Tests {
			listed[other.SHA256] = other.SHA256 != ""
		}
	}
	own := t.Name == OwnTest
	if !own {
		for _, name := range ownMeasured(named) {
			delete(out, name)
		}
		maps.Copy(out, t.Facts)
		for _, name := range slices.Concat(measured[stateOf(out)], ofRecording) {
			if _, stated := t.Facts[name]; !stated {
				delete(out, name)
			}
		}
	}
	if f, ok := named["recordings"]; ok && f.State != Unknown {
		roles := slices.DeleteFunc(slices.Clone(f.Value.List), func(r RecordingRole) bool {
			return own && listed[r.SHA256] || !own && r.SHA256 != t.SHA256
		})
		delete(out, "recordings")
		if len(roles) > 0 {
			f.Value.List = roles
			out["recordings"] = f
		}
	}
	return out
}

// ownMeasured lists what the test that the case itself states measured, in
// whatever state another test is: a walk's resting value is one of its legs.
func ownMeasured(named map[string]Fact) []string {
	state := stateOf(named)
	walked := slices.ContainsFunc(measured["exertion"], func(name string) bool {
		_, known := Facts{Named: named}.Known(name)
		return known
	})
	if state == "exertion" && walked {
		return slices.Concat(measured["exertion"], measured["rest"])
	}
	return measured[state]
}

// stateOf is the state of the test that facts tell: as stated, or the only one
// of which a measured value is stated; "" otherwise.
func stateOf(named map[string]Fact) string {
	f := Facts{Named: named}
	if s, ok := f.Known("test_state"); ok {
		return s.Value.Word
	}
	found := ""
	for _, state := range stateOrder {
		for _, name := range measured[state] {
			if _, ok := f.Known(name); ok && found != state {
				if found != "" {
					return ""
				}
				found = state
			}
		}
	}
	return found
}

// stateOrder is the order in which a qualifying test stands before others: the
// wider cover first.
var stateOrder = []string{"rest", "exertion", "asleep"}

var stateWords = map[string]string{"rest": "at rest", "exertion": "on exertion", "asleep": "asleep", "": "in a state that is not stated"}

func (t *Tried) state() string { return stateOf(t.Named) }

// besides are the values awake or at rest that stand beside a test asleep or on
// exertion and can qualify by themselves.
var besides = append(slices.Clone(measured["rest"]), "awake_spo2", "awake_pao2")

// among is the state among whose tests t stands: its own, but at rest where it
// qualifies by its value awake or at rest alone, because another value at rest
// may count before that one.
func (t *Tried) among() string {
	state := t.state()
	if state != "exertion" && state != "asleep" || t.Determination.Outcome != Qualifies {
		return state
	}
	own, beside := false, false
	ids := map[string]string{}
	t.Pack.Walk(func(n *rules.Node, gate bool) {
		if !gate && n.ID != "" {
			ids[n.ID] = n.Fact
		}
	})
	var look func(list []Finding)
	look = func(list []Finding) {
		for _, f := range list {
			if f.Outcome != Met {
				continue // what is met below a clause that is not met brought nothing
			}
			fact := ids[f.ID]
			beside = beside || slices.Contains(besides, fact)
			own = own || ofState(fact, state)
			look(f.Parts)
		}
	}
	look(t.Determination.Clauses)
	if beside && !own {
		return "rest"
	}
	return state
}

// ofState reports whether a fact is a measure of a test in the state, or is
// reckoned from one.
func ofState(fact, state string) bool {
	if slices.Contains(measured[state], fact) {
		return true
	}
	d, ok := definition(fact)
	return ok && d.Settles == "computed" && slices.ContainsFunc(d.From, func(name string) bool {
		return name == needRecording || slices.Contains(measured[state], name)
	})
}

func (t *Tried) date() rules.Date {
	f, _ := Facts{Named: t.Named}.Known("test_date")
	return f.Value.Date
}

// gas reports whether a blood gas is stated, and oximetry whether a saturation
// by oximetry is.
func (t *Tried) gas() bool { return t.knows("pao2", "sao2") }

func (t *Tried) oximetry() bool {
	return t.Recorded || t.knows("spo2", "spo2_air", "spo2_oxygen") || t.knows("minutes")
}

// knows reports whether a measured value by which t stands among the tests of a
// state, and whose name ends in one of the words, is stated.
func (t *Tried) knows(endings ...string) bool {
	values := measured[t.state()]
	if t.among() != t.state() {
		values = besides
	}
	for _, name := range append(slices.Clone(values), "report") {
		if _, ok := (Facts{Named: t.Named}).Known(name); !ok {
			continue
		}
		for _, e := range endings {
			if strings.Contains(name, e) || name == "report" && e == "minutes" {
				return true
			}
		}
	}
	return false
}

func (t *Tried) method() string {
	switch {
	case t.gas() && t.oximetry():
		return "both"
	case t.gas():
		return "blood gas"
	case t.oximetry():
		return "oximetry"
	}
	return ""
}

func (t *Tried) invalid() bool { return t.Determination.Disposition == "invalid_test" }

// agrees reports whether two tests lead to the same in every respect but their
// dates.
func (t *Tried) agrees(u *Tried) bool {
	a, b := &t.Determination, &u.Determination
	if a.Outcome != b.Outcome || a.Outcome == Undetermined {
		return false // what is open in each may turn out differently
	}
	texts := func(d *Determination) []string {
		var out []string
		for _, c := range d.Consequences {
			out = append(out, string(c.State)+" "+c.Text)
		}
		return out
	}
	return slices.Equal(texts(a), texts(b))
}

func allAgree(ts []*Tried) bool {
	for _, t := range ts[1:] {
		if !ts[0].agrees(t) {
			return false
		}
	}
	return true
}

// stateGroup is the tests of one state, and what became of them: one that stands
// for it, or the questions that have to be answered before one can.
type stateGroup struct {
	state  string
	tests  []*Tried
	stands *Tried
	by     string // rule by which it stands, in words
	needs  []Need
	why    string // why none stands
	in     rules.Language
	differ bool
}

// Decide returns the determination of a patient with several tests, and the
// index in tests of the one that decides or, if none does, of the one that the
// determination was made from. Within a state the pack of the most recent test
// says which test counts; of the states, one that qualifies stands before one
// that is open, and that before one that fails. Tests must not be empty.
func Decide(tests []Tried) (Determination, int) {
	order := make([]*Tried, len(tests))
	for i := range tests {
		order[i] = &tests[i]
	}
	slices.SortStableFunc(order, func(a, b *Tried) int {
		x, y := a.date(), b.date()
		if x.IsZero() != y.IsZero() { // tests without a date stand last
			if x.IsZero() {
				return 1
			}
			return -1
		}
		return cmp.Or(strings.Compare(x.String(), y.String()), strings.Compare(a.Time, b.Time), strings.Compare(a.Name, b.Name))
	})
	var groups []*stateGroup
	for _, state := range append(slices.Clone(stateOrder), "") {
		g := &stateGroup{state: state, in: tests[0].Language}
		for _, t := range order {
			if t.among() == state {
				g.tests = append(g.tests, t)
			}
		}
		if len(g.tests) > 0 {
			g.settle()
			groups = append(groups, g)
		}
	}
	decider, d := pickGroup(groups, order)
	return d.withTests(groups, order, decider), slices.IndexFunc(tests, func(t Tried) bool {
		return decider != nil && t.Name == decider.Name || decider == nil && t.Name == d.from
	})
}

// choice is a determination on its way, with the name of the test that it was
// made from.
type choice struct {
	Determination
	from string
}

// pickGroup picks among the states. The test is nil where none decides.
func pickGroup(groups []*stateGroup, order []*Tried) (*Tried, choice) {
	if last := groups[len(groups)-1]; last.state == "" && len(order) > 1 {
		// It may belong to any state, and be the one that counts there.
		t := last.tests[0]
		return nil, t.open([]Need{t.need("test_state", t.Language.Say("the state of this test is not stated, so it is not known beside which others it stands"))})
	}
	for _, g := range groups {
		if g.stands != nil && g.stands.Determination.Outcome == Qualifies {
			return g.stands, choice{g.stands.Determination, g.stands.Name}
		}
	}
	var open *choice
	var standing *Tried
	for _, g := range groups {
		var d choice
		switch {
		case g.stands == nil:
			t := g.tests[len(g.tests)-1]
			d = t.open(g.needs)
			d.Because = g.why
		case g.stands.Determination.Outcome == Undetermined:
			d = choice{g.stands.Determination, g.stands.Name}
		default:
			continue
		}
		if open == nil {
			open, standing = &d, g.stands
			continue
		}
		// The questions of the other states can bring a qualifying test too.
		for _, n := range d.Needs {
			if !slices.ContainsFunc(open.Needs, func(m Need) bool { return m.Fact == n.Fact }) {
				open.Needs = append(slices.Clone(open.Needs), n)
			}
		}
	}
	if open != nil {
		return standing, *open
	}
	var latest *Tried
	for _, t := range order {
		for _, g := range groups {
			if g.stands == t && (latest == nil || !t.date().IsZero()) {
				latest = t
			}
		}
	}
	return latest, choice{latest.Determination, latest.Name}
}

// open is the determination of t left open with needs.
func (t *Tried) open(needs []Need) choice {
	d := t.Determination
	d.Open(needs, t.Named)
	return choice{d, t.Name}
}

// need asks for a fact of t.
func (t *Tried) need(fact, why string) Need {
	def, _ := rules.Lookup(fact)
	return Need{Fact: fact, Question: t.Language.Say("Of %s: %s", nameWords(t.Language, t.Name), t.Language.Say(def.Question)), Who: def.Who, Decides: []string{}, Why: why}
}

func nameWords(l rules.Language, name string) string {
	if name == OwnTest {
		return l.Say(name)
	}
	return l.Say("the test “%s”", name)
}

// settle finds the test that stands for its state.
func (g *stateGroup) settle() {
	state := g.in.Say(stateWords[g.state])
	left := slices.DeleteFunc(slices.Clone(g.tests), (*Tried).invalid)
	if len(left) == 0 {
		left = g.tests
	}
	last := left[len(left)-1]
	g.differ = !allAgree(left)
	if len(left) == 1 || !g.differ {
		g.stands, g.by = last, g.in.Say("the only test %s", state)
		if len(left) > 1 {
			g.by = g.in.Say("the latest of the tests %s, which agree", state)
		} else if len(g.tests) > 1 {
			g.by = g.in.Say("the only test %s that the payer accepts", state)
		}
		return
	}
	choose := last.Pack.Choose
	def, _ := rules.Lookup("tests")
	refuse := func(why string) {
		g.why = why
		g.needs = []Need{{Fact: def.Name, Who: def.Who, Decides: []string{}, Why: why,
			Question: g.in.Say("Which of the tests %s counts? Ask the payer or the practitioner, and list that one alone with the reason on file.", state)}}
	}
	switch {
	case choose == nil:
		refuse(g.in.Say("the tests %s differ, and these criteria do not say which of several tests counts", state))
		return
	case choose.Status == rules.Draft:
		refuse(g.in.Say("the tests %s differ, and the rule by which these criteria choose (%s) is from memory and not confirmed", state, g.in.Choose(choose)))
		return
	}
	var by []string
	for _, rule := range choose.Order {
		if allAgree(left) {
			break
		}
		before := len(left)
		var asks []Need
		left, asks = applyRule(rule, left)
		if len(asks) > 0 {
			g.needs, g.why = asks, asks[0].Why
			return
		}
		if len(left) < before {
			by = append(by, g.in.Say(ruleWords[rule]))
		}
	}
	if !allAgree(left) && slices.Contains(choose.Order, "most_recent") {
		// One day, one method: the time of day, where each states it.
		if !slices.ContainsFunc(left, func(t *Tried) bool { return t.Time == "" }) {
			latest := left[len(left)-1].Time
			left = slices.DeleteFunc(slices.Clone(left), func(t *Tried) bool { return t.Time != latest })
			by = append(by, g.in.Say("the latest on that day"))
		}
	}
	if !allAgree(left) {
		var names []string
		for _, t := range left {
			names = append(names, nameWords(g.in, t.Name))
		}
		refuse(g.in.Say("%s differ, and the rule of these criteria (%s) does not tell them apart", strings.Join(names, g.in.Say(" and ")), g.in.Choose(choose)))
		return
	}
	g.stands, g.by = left[len(left)-1], g.in.Say("%s of the tests %s", strings.Join(by, ", "), state)
	for _, t := range g.tests {
		if t != g.stands && t.state() == "asleep" && t.among() != "asleep" && g.stands.Determination.Outcome != Qualifies {
			// The night itself may qualify with the value that counts.
			g.stands, g.why = nil, g.in.Say("the value awake beside this night qualifies by itself, and another value at rest counts before it")
			g.needs = []Need{t.need("awake_spo2", g.in.Say("%s: is that one the value awake beside the night?", g.why))}
			return
		}
	}
	g.stands.Determination.Status = weakest(g.stands.Determination.Status, choose.Status)
}

var ruleWords = map[string]string{
	"nearest_discharge": "nearest to the discharge from hospital",
	"most_recent":       "the most recent",
	"gas_over_oximetry": "the blood gas of that day",
}

// applyRule keeps the tests that a rule prefers, or asks for what it needs.
func applyRule(rule string, left []*Tried) ([]*Tried, []Need) {
	var asks []Need
	dated := func() bool {
		for _, t := range left {
			if t.date().IsZero() {
				asks = append(asks, t.need("test_date", t.Language.Say("several tests differ, and their dates say which of them counts")))
			}
		}
		return asks == nil
	}
	switch rule {
	case "gas_over_oximetry":
		if gases := slices.DeleteFunc(slices.Clone(left), func(t *Tried) bool { return !t.gas() }); len(gases) > 0 {
			return gases, nil
		}
		return left, nil
	case "nearest_discharge":
		f := Facts{Named: left[len(left)-1].Named}
		inpatient, known := f.Known("inpatient")
		out, dischargeKnown := f.Known("discharge_date")
		l := left[0].Language
		why := l.Say("several tests differ, and in hospital the one nearest to the discharge counts")
		switch {
		case !known:
			return nil, []Need{needFor(l, "inpatient", why)}
		case !inpatient.Value.Bool:
			return left, nil
		case !dischargeKnown:
			return nil, []Need{needFor(l, "discharge_date", why)}
		case !dated():
			return nil, asks
		}
		distance := func(t *Tried) int {
			n := out.Value.Date.Days() - t.date().Days()
			if n < 0 {
				return 1_000_000 - n // after the discharge: only where there is no other
			}
			return n
		}
		least := distance(slices.MinFunc(left, func(a, b *Tried) int { return cmp.Compare(distance(a), distance(b)) }))
		return slices.DeleteFunc(slices.Clone(left), func(t *Tried) bool { return distance(t) != least }), nil
	}
	if !dated() {
		return nil, asks
	}
	latest := left[len(left)-1].date()
	return slices.DeleteFunc(slices.Clone(left), func(t *Tried) bool { return t.date() != latest }), nil
}

func needFor(l rules.Language, fact, why string) Need {
	def, _ := rules.Lookup(fact)
	return Need{Fact: fact, Question: l.Say(def.Question), Who: def.Who, Decides: []string{}, Why: why}
}

// withTests adds the list of all tests and what is to be told of it.
func (d choice) withTests(groups []*stateGroup, order []*Tried, decider *Tried) Determination {
	out := d.Determination
	out.Tests = nil
	in := order[0].Language
	words := func(state string) string { return in.Say(stateWords[state]) }
	standsIn := map[*Tried]*stateGroup{}
	of := map[*Tried]*stateGroup{}
	for _, g := range groups {
		for _, t := range g.tests {
			of[t] = g
		}
		if g.stands != nil {
			standsIn[g.stands] = g
		}
	}
	for _, t := range order {
		g := of[t]
		l := TestLine{Name: t.Name, State: t.state(), Method: t.method(), Version: t.Determination.Version,
			Outcome: t.Determination.Outcome, Disposition: t.Determination.Disposition, Decides: t == decider}
		if day := t.date(); !day.IsZero() {
			s := day.String()
			l.Date = &s
		}
		switch {
		case t == decider:
			l.Why = upperFirst(g.by) + "."
		case standsIn[t] != nil && decider != nil:
			l.Why = in.Say("It stands for the tests %s; the test %s decides, which %s.", words(g.state), words(decider.state()), in.Say(standing(decider)))
		case standsIn[t] != nil:
			l.Why = in.Say("It stands for the tests %s.", words(g.state))
		case t.invalid() && g.stands != nil:
			l.Why = in.Say("The payer does not accept it: %s", lowerFirst(t.Determination.Because))
		case g.stands != nil:
			l.Why = in.Say("Another test %s counts: %s.", words(g.state), g.by)
		default:
			l.Why = in.Say("Which of the tests %s counts is open.", words(g.state))
			if g.why != "" {
				l.Why = in.Say("Open: %s.", g.why)
			}
		}
		out.Tests = append(out.Tests, l)
	}
	var notes []string
	switch {
	case decider != nil && decider.Determination.Outcome == Undetermined:
		notes = append(notes, in.Say("%d tests are listed; %s counts and is still open. No test is added to another.", len(order), nameWords(in, decider.Name)))
	case decider != nil:
		notes = append(notes, in.Say("%d tests are listed; %s decides. No test is added to another.", len(order), nameWords(in, decider.Name)))
	default:
		notes = append(notes, in.Say("%d tests are listed, and which decides is open. No test is added to another.", len(order)))
	}
	for _, g := range groups {
		if !g.differ || g.stands == nil {
			continue
		}
		var said []string
		for _, t := range g.tests {
			said = append(said, strings.TrimSpace(nameWords(in, t.Name)+" "+in.Date(t.date())+": "+in.Say(outcomeText[t.Determination.Outcome])))
		}
		notes = append(notes, in.Say("The tests %s differ (%s). %s counts: %s.", words(g.state), strings.Join(said, "; "), upperFirst(nameWords(in, g.stands.Name)), g.by))
		if c := g.tests[len(g.tests)-1].Pack.Choose; c != nil && c.Note != "" {
			notes = append(notes, c.Note)
		}
	}
	out.Notes = append(notes, out.Notes...)
	return out
}

func standing(t *Tried) string {
	switch t.Determination.Outcome {
	case Qualifies:
		return "qualifies"
	case Undetermined:
		return "is still open"
	}
	return "is the latest"
}

var outcomeText = map[Outcome]string{Qualifies: "qualifies", DoesNotQualify: "does not qualify", Undetermined: "is open"}

func lowerFirst(s string) string {
	if s == "" {
		return s
	}
	_, n := utf8.DecodeRuneInString(s)
	return strings.ToLower(s[:n]) + s[n:]
}

func upperFirst(s string) string {
	if s == "" {
		return s
	}
	_, n := utf8.DecodeRuneInString(s)
	return strings.ToUpper(s[:n]) + s[n:]
}

// Open makes a determination undetermined and puts needs in front of its
// questions; the questions about the facts named in instead drop out. What was
// asked before and nobody knows, by named, is told as the reason and not asked
// again.
func (d *Determination) Open(needs []Need, named map[string]Fact, instead ...string) {
	d.Outcome, d.Disposition = Undetermined, "incomplete"
	d.DecidedBy, d.Allows, d.FollowUp, d.Consequences = []string{}, []string{}, []string{}, []Consequence{}
	d.Because = needs[0].Why
	out := []Need{}
	for _, n := range needs {
		if named[n.Fact].State != Unknown {
			out = append(out, n)
		}
	}
	for _, n := range d.Needs {
		if !slices.Contains(instead, n.Fact) && !slices.ContainsFunc(needs, func(m Need) bool { return m.Fact == n.Fact }) {
			out = append(out, n)
		}
	}
	d.Needs = out
	if !slices.ContainsFunc(out, func(n Need) bool { return n.Who != rules.Maintainer }) {
		d.Disposition = "manual_review"
	}
	d.Clauses = slices.Clone(d.Clauses)
	for i := range d.Clauses {
		undecide(&d.Clauses[i])
	}
}

func undecide(f *Finding) {
	f.Decided = false
	f.Parts = slices.Clone(f.Parts)
	for i := range f.Parts {
		undecide(&f.Parts[i])
	}
}
