package web

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"html/template"
	"math/big"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"airwarrant/qualify"
	"airwarrant/qualify/casework"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/recording"
	"airwarrant/qualify/worksheet"
	"airwarrant/rules"
	"airwarrant/rules/wording"
	"airwarrant/web/texts"
)

// custodyFacts are stated before any byte of a recording is taken, in the
// order in which the page asks for them.
var custodyFacts = []string{"test_date", "test_state", "test_place", "test_performed_by", "supplier_part", "custody"}

// elsewhere are the needs that another part of the page asks for.
var elsewhere = append([]string{"session_choice", "recordings", "tests", "identity"}, custodyFacts...)

// posted is what a form held that could not be accepted, so that the page
// comes back with everything that was typed.
type posted struct {
	part   string       // id of the part of the page that the form belongs to
	say    string       // sentence on top of that part, or at the field called at
	at     string       // "": of the whole part
	told   wording.Text // say in its parts, if it has some
	form   url.Values
	faults map[string]string // by name of the fact or field
	link   *freshLink
	ask    bool // the recording could be read in several ways: ask how
	step   *mappingStep
}

// tell puts what could not be accepted into say, by part, or at, by part and
// field.
func (p posted) tell(q *request, say map[string]string, at map[string]any) {
	switch {
	case p.at != "":
		at[p.part+" "+p.at] = q.tell(p.say, p.told)
	case p.say != "":
		say[p.part] = q.tell(p.say, p.told)
	}
}

// freshLink is a link just made: its secret is shown this once.
type freshLink struct {
	Desk    Desk
	Address string
	Code    string // told by phone
	Expires time.Time
}

// caseBody is what the case page shows, part by part from top to bottom.
type caseBody struct {
	Number     string
	K          int // Edited when the page was made
	Patient    patient
	Payer      rules.Region
	Opened     string
	Closed     bool
	Word, Mark string // outcome, "" if there is none

	Critical *criticalView
	Standing standingView
	// Changed tells that the criteria changed since the case was determined.
	Changed *changedCriteria

	Say map[string]string // what could not be accepted, by part
	At  map[string]any    // and by part and field

	Custody      []field
	CustodySaid  []statedLine
	CustodyAsked bool // every custody question has an answer
	Barred       *rules.Pack
	BarredCites  []string

	Take      bool // the field for a recording is there
	Arrivals  []arrivalLine
	Recording *recordingView
	Same      sameView
	Gone      []goneFile // recordings and documents that were withdrawn
	Withdraw  withdrawForm
	Correct   correctForm
	Columns   string
	Zone      string
	AskHow    bool
	Show      bool // the columns are to be looked at first
	Step      *mappingStep
	Limit     string

	Identity []identityRow
	Differs  bool
	SameWhy  string // words that explained a difference
	SameText string // typed and not accepted

	Sessions []sessionLine
	Chosen   bool // one of Sessions is this patient's test
	Marks    *marksView
	Tests    *testsView

	Report     *reportPart
	Papers     []paperTitle // titles of the papers of the chart
	Conditions []conditionPart

	Groups    []group
	Following following
	OnFile    []field
	Stated    []statedLine
	Trouble   *answer
	Sheet     template.HTML

	Answers *answersPart

	Links   []linkLine
	Fresh   *freshLink
	Offices []string // that have an account
}

type recordingView struct {
	Short, SHA256, Size, Format string
	By, At                      string
	Saved                       string // name of the kept mapping by which it is read, "" if none
}

// sessionLine is one night of the recording: times and lengths alone, and of
// one that was not chosen nothing.
type sessionLine struct {
	No                                 int
	Date, Day, Start, End, Long, Valid string
	Chosen, Other                      bool
}

// group is the questions that one person can answer.
type group struct {
	Title  string
	Mine   bool // intake answers, or types what the other told it
	Fields []field
}

type statedLine struct {
	Meaning, Value, How, Who string
	At                       time.Time
	Field                    field
}

// Values are the lines of what is stated: one, but for a list.
func (l statedLine) Values() []string { return strings.Split(l.Value, "\n") }

type linkLine struct {
	Desk           Desk
	SHA256         string
	Expires        string
	Usable, Closed bool
	Wrong          int    // codes
	Office         string // whose account opens the case
}

func (s *Site) casePage(w http.ResponseWriter, q *request) error {
	f, err := s.open(q.Context(), q.PathValue("number"))
	if err != nil {
		return err
	}
	s.viewed(q.Context(), f, q.visit.Who, casework.RoleIntake, "case")
	return s.showCase(w, q, http.StatusOK, f, posted{})
}

// showCase renders the page of a case, with what a form held if it could not
// be accepted.
func (s *Site) showCase(w http.ResponseWriter, q *request, status int, f *file, p posted) error {
	if p.part != "standing" && f.closedUnder(status) {
		return casework.ErrRefused
	}
	body, err := s.caseBody(q, f, p)
	if err != nil {
		return err
	}
	// On the page of a file that was refused its reason stands at the form.
	body.Arrivals = slices.DeleteFunc(body.Arrivals, func(l arrivalLine) bool { return l.At == q.URL.Path })
	body.Papers = f.paperTitles()
	if body.Standing, err = s.standingView(q, f, p); err != nil {
		return err
	}
	s.render(w, q, status, "case", page{Criteria: f.Criteria[0], Title: "Case " + f.Number, Body: body})
	return nil
}

func (s *Site) caseBody(q *request, f *file, p posted) (*caseBody, error) {
	ctx, who := q.Context(), q.visit.Who
	region, err := s.lib.Region(f.Criteria[0])
	if err != nil {
		return nil, err
	}
	b := &caseBody{Number: f.Number, K: f.Edited, Patient: f.Patient, Payer: region, Opened: f.OpenedAt.UTC().Format(time.DateOnly),
		Closed: !f.ClosedAt.IsZero(), Say: map[string]string{}, At: map[string]any{}, Fresh: p.link, Limit: "64 MiB"}
	p.tell(q, b.Say, b.At)
	if p.part == "who" {
		for name, say := range p.faults {
			b.At["who "+name] = say
		}
	}
	b.CustodyAsked = true
	for _, name := range custodyFacts {
		def, _ := rules.Lookup(name)
		st, known := f.Statements[name]
		b.CustodyAsked = b.CustodyAsked && known
		b.CustodySaid = append(b.CustodySaid, statedLine{Meaning: custodyWords[name], Value: st.words(def, rules.Language{})})
		b.Custody = append(b.Custody, f.prefilled(def, p, "custody"))
	}
	if b.Barred, err = s.barredBy(f); err != nil {
		a, known := answerTo(err)
		if !known {
			return nil, err
		}
		b.Trouble = &a
	}
	if b.Barred != nil {
		b.BarredCites = citesOf(b.Barred, b.Barred.Custody.Cite)
	}
	b.Take = b.CustodyAsked && b.Barred == nil && b.Trouble == nil && !b.Closed
	if !b.CustodyAsked {
		b.Barred = nil // whether the payer bars us is not known yet
	}
	if b.Arrivals, err = s.arrivalsOf(ctx, q, f); err != nil {
		return nil, err
	}
	b.Step = p.step
	b.AskHow, b.Columns, b.Zone, b.Show = p.ask, typed(p.form, "columns"), typed(p.form, "zone"), typed(p.form, "show") != ""
	if p.part == "identity" {
		b.SameText = typed(p.form, "words")
	}

	ev, err := s.evaluateFor(q, f)
	if err != nil {
		return nil, err
	}
	if ev.trouble != nil {
		b.Trouble = ev.trouble
	}
	if u := f.upload(); u != nil {
		if b.Recording, err = viewOf(u); err != nil {
			return nil, err
		}
	}
	days := s.daysOf(q, f.Criteria[0])
	if b.Gone, err = s.gone(ctx, f); err != nil {
		return nil, err
	}
	b.Correct = correctForm{Name: f.Patient.Name, Birth: f.Patient.Birth.String(), Identifier: f.Patient.Identifier}
	if p.part == "who" {
		b.Correct = correctForm{true, typed(p.form, "name"), typed(p.form, "birth"), typed(p.form, "identifier")}
	}
	if p.part == "withdraw" {
		b.Withdraw = withdrawForm{Open: true, Reason: typed(p.form, "reason"), To: typed(p.form, "to"), Same: p.form.Get("whose") == "same"}
	}
	b.Report = f.reportPart(b.CustodyAsked && b.Barred == nil && b.Trouble == nil)
	b.fillStated(f, p, days)
	if b.Answers, err = f.answersPart(who, p, days); err != nil {
		return nil, err
	}
	b.fillLinks(f, s.cfg.Now())
	if b.Offices, err = s.offices(ctx); err != nil {
		return nil, err
	}
	if ev.Result == nil {
		return b, nil
	}
	b.Critical = f.critical(ev, p)
	b.fillRecording(ev)
	if b.Same, err = s.sameAs(ctx, f, ev); err != nil {
		return nil, err
	}
	b.Changed = f.changedCriteria(ev)
	b.Identity, b.Differs, b.SameWhy = ev.identity, ev.differs, f.IdentityWords
	b.Word, b.Mark = outcomeWords(ev.results[0].Outcome)
	if ev.differs {
		// The file may be another person's: nothing that was made of it is
		// shown as this case's.
		return b, nil
	}
	if !b.CustodyAsked && b.Recording == nil {
		// One step at a time: how the test came to us decides which questions
		// there are.
		b.Word, b.Mark = "", ""
		return b, nil
	}
	b.Marks = f.marksOf(ev, p)
	d := ev.Determinations[0]
	b.Tests = f.testsView(d, posted{})
	b.Groups = f.groups(ev, p)
	b.OnFile = f.onFile(d, p)
	b.fillFollowing(f, d, p, ev.in)
	if g := f.meanwhile(p, append(b.asked(), group{Fields: b.OnFile})); len(g.Fields) > 0 {
		b.Groups = slices.Insert(b.Groups, 0, g)
	}
	if b.Conditions, err = s.conditions(f, p, days, ev.Applied[0], b.asked()); err != nil {
		return nil, err
	}
	if b.Closed { // nothing is asked of it before it is opened again
		b.Marks, b.Groups, b.OnFile, b.Conditions = nil, nil, nil, nil
		b.Following.Fields, b.Following.Prompts = nil, nil
	}
	b.Sheet, err = s.sheet(f, ev)
	return b, err
}

func viewOf(u *casework.Upload) (*recordingView, error) {
	how, err := readingOf(u)
	return &recordingView{Short: u.SHA256[:12], SHA256: u.SHA256, Size: size(u.Size), By: u.By, At: moment(u.At), Saved: how.Saved}, err
}

// prefilled is the field of a fact with what was just typed, or else with
// what is stated.
func (f *file) prefilled(def rules.FactDef, p posted, part string) field {
	fl := fieldFor(def, false)
	fl.AskBy = true // intake types what others told it
	if p.part == part && p.form != nil {
		fl = fl.fill(p.form)
		fl.Error = p.faults[def.Name]
		return fl
	}
	if st, ok := f.Statements[def.Name]; ok {
		fl = fl.show(st)
	}
	return fl
}

func (b *caseBody) fillRecording(ev *evaluation) {
	if len(ev.own.Readings) == 0 || ev.own.Readings[0].Recording == nil || b.Recording == nil {
		return
	}
	rd := ev.own.Readings[0]
	b.Recording.Format = formatWords(rd.Recording.Format)
	b.Chosen = ev.own.Session > 0
	for no := range rd.Of {
		i := slices.Index(rd.Numbers, no+1)
		if i < 0 {
			b.Sessions = append(b.Sessions, sessionLine{No: no + 1, Other: true})
			continue
		}
		a := rd.Analyses[i]
		l := sessionLine{No: no + 1, Long: "not known", Valid: hours(a.Seconds(a.Valid)), Chosen: ev.own.Session == no+1}
		l.Date, l.Day, l.Start = stampParts(a.Stamp(rd.Recording, a.First, a.FirstIndex))
		var date string
		date, _, l.End = stampParts(a.Stamp(rd.Recording, a.Last, rd.Sessions[i].To-1))
		if date != l.Date {
			l.End = date + " " + l.End
		}
		if a.Recorded != nil {
			l.Long = hours(a.Seconds(*a.Recorded))
		}
		b.Sessions = append(b.Sessions, l)
	}
}

// stampParts divides a stamp into date, weekday and time; the first two are
// empty where the recorder's clock told no date.
func stampParts(stamp string) (date, day, clock string) {
	d, c, ok := strings.Cut(stamp, "T")
	if !ok {
		return "", "", stamp
	}
	if t, err := time.Parse(time.DateOnly, d); err == nil {
		day = t.Weekday().String()
	}
	return d, day, c[:min(len(c), len("15:04:05"))]
}

func hours(seconds *big.Rat) string {
	sec := new(big.Int).Quo(seconds.Num(), seconds.Denom()).Int64()
	return fmt.Sprintf("%d h %02d min", sec/3600, sec/60%60)
}

func formatWords(f string) string {
	if f == recording.FormatText {
		return "delimited text"
	}
	return strings.ToUpper(f)
}

// groups are the open questions, the decisive first, by who can answer them.
func (f *file) groups(ev *evaluation, p posted) []group {
	d := ev.Determinations[0]
	var out []group
	for _, n := range d.Needs {
		if slices.Contains(elsewhere, n.Fact) {
			continue
		}
		// What is no fact (a recording to send, a span to judge, a figure to
		// confirm) is a line without a field.
		fl := field{Kind: "line"}
		if def, ok := rules.Lookup(n.Fact); ok {
			fl = f.prefilled(def, p, "questions")
			fl.Where = n.Who == rules.Office
			if def.Type == rules.TypeList {
				fl.Kind = "line" // stated on a page of its own
				if n.Fact == "report" {
					fl.To = "/cases/" + f.Number + "/report"
				}
			}
		}
		fl.Question, fl.Why = n.Question, n.Why
		if clause := ev.Packs[0].FindClause(slices.Concat(n.Decides, []string{""})[0]); clause != nil && clause.Unsettled != "" {
			fl.Pack = clause.Unsettled == n.Question
		}
		if len(n.Decides) > 0 {
			fl.Waits = strings.Join(labelsOf(d.Clauses, n.Decides), "; ")
			_, stated := criteria.Facts{Named: f.Facts}.Known(n.Fact)
			_, computed := criteria.Facts{Named: ev.Applied[0]}.Known(n.Fact)
			if !stated && !computed {
				fl.Why = "" // else something is there, and does not settle it
			}
		}
		title := groupTitle(n.Who)
		i := slices.IndexFunc(out, func(g group) bool { return g.Title == title })
		if i < 0 {
			out = append(out, group{Title: title, Mine: n.Who == rules.Intake})
			i = len(out) - 1
		}
		out[i].Fields = append(out[i].Fields, fl)
	}
	return out
}

// meanwhile holds the questions of a form that was not accepted which are no
// question any more, because somebody else answered them or another one: what
// was typed is not lost, and stands where the fault is told.
func (f *file) meanwhile(p posted, shown []group) group {
	g := group{Title: "Typed, and not asked any more", Mine: true}
	if p.part != "questions" {
		return g
	}
	for _, def := range rules.Vocabulary() {
		if def.Settles == "computed" || def.Type == rules.TypeList || slices.ContainsFunc(shown, func(g group) bool {
			return slices.ContainsFunc(g.Fields, func(fl field) bool { return fl.Name == def.Name })
		}) {
			continue
		}
		if p.faults[def.Name] != "" || typed(p.form, "v."+def.Name) != "" {
			g.Fields = append(g.Fields, f.prefilled(def, p, "questions"))
		}
	}
	return g
}

// labelsOf names clauses by their labels, in the order of ids.
func labelsOf(tree []criteria.Finding, ids []string) []string {
	labels := map[string]string{}
	var walk func([]criteria.Finding)
	walk = func(list []criteria.Finding) {
		for _, c := range list {
			labels[c.ID] = c.Label
			walk(c.Parts)
		}
	}
	walk(tree)
	var out []string
	for _, id := range ids {
		l := cmp.Or(labels[id], id)
		if !slices.Contains(out, l) {
			out = append(out, l)
		}
	}
	return out
}

// onFile are the papers that have to be on file and have no statement yet.
func (f *file) onFile(d criteria.Determination, p posted) []field {
	var out []field
	for _, o := range d.OnFile {
		def, ok := rules.Lookup(o.Fact)
		if _, stated := f.Statements[o.Fact]; !ok || stated || def.Type != rules.TypePaper {
			continue
		}
		fl := f.prefilled(def, p, "questions")
		fl.Question, fl.Where, fl.Why, fl.Pack = o.Item, true, o.Cite, true
		out = append(out, fl)
	}
	return out
}

// fillStated lists every fact stated so far, in the order of the vocabulary.
func (b *caseBody) fillStated(f *file, p posted, days rules.Language) {
	for _, def := range rules.Vocabulary() {
		st, ok := f.Statements[def.Name]
		if !ok {
			continue
		}
		l := statedLine{Meaning: def.Meaning, Value: f.words(def, days), How: st.how(days)}
		if _, ok := f.Shown[def.Name]; ok {
			l.How = "seen in the paper itself"
		}
		who, at := f.statedBy(def.Name)
		l.Who, l.At = who, at
		if def.Type == rules.TypeList {
			b.Stated = append(b.Stated, l) // corrected on a page of its own
			continue
		}
		l.Field = f.prefilled(def, p, "stated")
		l.Field.ID = "s-" + def.Name
		l.Field.Where = def.Who == rules.Office
		b.Stated = append(b.Stated, l)
	}
}

// statedBy says who stated a fact, and when.
func (f *file) statedBy(name string) (who string, at time.Time) {
	if a, ok := f.Answers[name]; ok && a.Says == casework.SaysNotInChart && f.Case.Facts[name].K <= a.K {
		return a.By, a.At
	}
	if p, ok := f.Shown[name]; ok {
		return p.By, p.At
	}
	st := f.Case.Facts[name]
	return st.By, st.At
}

func (b *caseBody) fillLinks(f *file, now time.Time) {
	for _, l := range f.Links {
		b.Links = append(b.Links, linkLine{Desk: Desk(l.Role), SHA256: l.SHA256, Expires: moment(l.Expires),
			Usable: l.Opens(now), Closed: l.Revoked, Wrong: l.Wrong, Office: l.Office})
	}
}

// sheet is the worksheet as a fragment of the page.
func (s *Site) sheet(f *file, ev *evaluation) (template.HTML, error) {
	var out bytes.Buffer
	if err := s.paper(f, ev, rules.Date{}).WriteHTML(&out); err != nil {
		return "", err
	}
	return template.HTML(out.String()), nil // escaped by package worksheet
}

func (s *Site) paper(f *file, ev *evaluation, printed rules.Date) *worksheet.Worksheet {
	answers, _ := f.givenIn(ev.in, nil) // they were read when the case was opened
	return ev.Worksheet(0, qualify.Paper{Printed: printed, Demo: s.cfg.Demo, Identity: ev.identity, Answers: answers, CriticalTold: f.toldWords(ev.in),
		Case: worksheet.CaseInfo{Number: f.Number, PatientName: f.Patient.Name, BirthDate: f.Patient.Birth, Identifier: f.Patient.Identifier, Supplier: s.supplier()}})
}

func (s *Site) supplier() string {
	if s.cfg.Demo {
		return demoSupplier
	}
	return ""
}

func citesOf(p *rules.Pack, keys []string) []string {
	var out []string
	for _, k := range keys {
		c, ok := p.Cites[k]
		if !ok {
			continue
		}
		out = append(out, citeWords(c))
	}
	return out
}

func citeWords(c rules.Citation) string {
	t := c.Document
	for _, more := range []string{c.Section, c.Edition} {
		if more != "" {
			t += ", " + more
		}
	}
	return t
}

func size(n int64) string {
	switch {
	case n >= 1<<20:
		return fmt.Sprintf("%.1f MiB", float64(n)/(1<<20))
	case n >= 1<<10:
		return fmt.Sprintf("%.0f KiB", float64(n)/(1<<10))
	}
	return fmt.Sprintf("%d bytes", n)
}

// stateCustody takes the answers of the custody part.
func (s *Site) stateCustody(w http.ResponseWriter, q *request) error {
	return s.takeFacts(w, q, "custody", custodyFacts)
}

// stateFacts takes answers to open questions and corrections. Which facts it
// takes follows from what the form holds.
func (s *Site) stateFacts(w http.ResponseWriter, q *request) error {
	var names []string
	for _, def := range rules.Vocabulary() {
		if def.Settles != "computed" && def.Type != rules.TypeList {
			names = append(names, def.Name)
		}
	}
	part := "questions"
	if posted := q.PostForm.Get("part"); posted == "stated" || posted == "conditions" {
		part = posted
	}
	return s.takeFacts(w, q, part, names)
}

// readFields reads the fields of a form: what they state, and what cannot be
// accepted, by fact. decimal is the decimal sign of its page, before what was
// stated when it was made.
func readFields(form url.Values, names []string, fault func(error) string, decimal string, before map[string]statement) (map[string]statement, map[string]string) {
	out, faults := map[string]statement{}, map[string]string{}
	for _, name := range names {
		def, ok := rules.Lookup(name)
		if !ok {
			continue
		}
		st, given, err := fieldFor(def, false).fill(form).typedOn(decimal, before[name]).statement()
		switch {
		case err != nil:
			faults[name] = fault(err)
		case given:
			out[name] = st
		}
	}
	return out, faults
}

func (s *Site) takeFacts(w http.ResponseWriter, q *request, part string, names []string) error {
	number := q.PathValue("number")
	f, err := s.open(q.Context(), number)
	if err != nil {
		return err
	}
	in, err := s.wording(q, f)
	if err != nil {
		return err
	}
	stated, faults := readFields(q.PostForm, names, q.fault, in.Decimal, f.Statements)
	refuse := func(faults map[string]string, say string) error {
		if f, err = s.open(q.Context(), number); err != nil {
			return err
		}
		return s.showCase(w, q, http.StatusUnprocessableEntity, f, posted{part: part, say: say, form: q.PostForm, faults: faults})
	}
	if len(faults) > 0 {
		return refuse(faults, "Some answers could not be taken; nothing of this part was stored. They are marked below.")
	}
	seen := formK(q.PostForm)
	var late map[string]string
	err = s.update(q.Context(), number, s.stamp(q.visit.Who, casework.RoleIntake), func(f *file) (casework.Change, error) {
		late = map[string]string{}
		ch := casework.FactsStated{Facts: map[string]casework.Stated{}}
		for name, st := range stated {
			if f.Statements[name] == st {
				continue
			}
			if now, ok := f.Case.Facts[name]; ok && now.K > seen {
				def, _ := rules.Lookup(name)
				late[name] = "Meanwhile " + now.By + " stated: " + f.Statements[name].words(def, s.daysOf(q, f.Criteria[0])) + ". Look at both, and send what is right."
				continue
			}
			sealed, err := s.seal(q.Context(), f.Case, st)
			if err != nil {
				return nil, err
			}
			ch.Facts[name] = sealed
		}
		if len(late) > 0 {
			return nil, casework.ErrConflict
		}
		if len(ch.Facts) == 0 {
			return nil, nil
		}
		return ch, nil
	})
	if errors.Is(err, casework.ErrConflict) && len(late) > 0 {
		return refuse(late, "Somebody else changed the case while you were at it. Nothing of this part was stored.")
	}
	if err != nil {
		return err
	}
	seeOther(w, "/cases/"+number+"#"+part)
	return nil
}

// confirmIdentity takes the words that say why a file with other marks is of
// the same person.
func (s *Site) confirmIdentity(w http.ResponseWriter, q *request) error {
	number, words := q.PathValue("number"), typed(q.PostForm, "words")
	if len(words) < 10 || len(words) > 2000 {
		f, err := s.open(q.Context(), number)
		if err != nil {
			return err
		}
		return s.showCase(w, q, http.StatusUnprocessableEntity, f, posted{part: "identity", at: "words", form: q.PostForm,
			say: "Expected words that say why it is the same person, and who looked (10 to 2,000 letters); found fewer or more. Write them, or withdraw the file."})
	}
	seen := formK(q.PostForm)
	err := s.update(q.Context(), number, s.stamp(q.visit.Who, casework.RoleIntake), func(f *file) (casework.Change, error) {
		if f.Edited != seen {
			// The words were said of what the page showed then.
			return nil, casework.ErrConflict
		}
		ref, err := s.sealText(q.Context(), f.Case, words)
		return casework.IdentityConfirmed{Words: ref}, err
	})
	if err != nil {
		return err
	}
	seeOther(w, "/cases/"+number+"#identity")
	return nil
}

// closedUnder reports whether a form was refused of a case that is closed by now:
// its page has no such form any more that could hold what was typed, so the
// answer gives it back.
func (f *file) closedUnder(status int) bool {
	return status == http.StatusUnprocessableEntity && !f.ClosedAt.IsZero()
}

// formK is Edited of the case when the form was made.
func formK(form url.Values) int {
	k := 0
	_, _ = fmt.Sscanf(form.Get("k"), "%d", &k) // 0, an absent or foreign number, is older than any change
	return k
}

// sentence prints an error in English for the person at the field.
func sentence(err error) string {
	if told := faultOf(err); !told.IsZero() {
		return asSentence(told.String())
	}
	return asSentence(err.Error())
}

func asSentence(t string) string {
	_, n := utf8.DecodeRuneInString(t)
	return strings.ToUpper(t[:n]) + t[n:] + "."
}

// fault is an error at a field, in the language of the visitor: by its parts. What
// has none is a text of the pages, which the template words.
func (q *request) fault(err error) string {
	if told := faultOf(err); !told.IsZero() {
		return texts.Already(asSentence(q.words().Tell(told)))
	}
	return sentence(err)
}

// faultAnd is fault and what follows from it, a text with a place for it.
func (q *request) faultAnd(follows string, err error) string {
	if told := faultOf(err); !told.IsZero() {
		return texts.Already(q.words().Say(follows, asSentence(q.words().Tell(told))))
	}
	return fmt.Sprintf(follows, sentence(err))
}

// words is how the chain words its texts for the visitor, on a page of no case.
func (q *request) words() rules.Language {
	return rules.Language{Tag: q.language.Tag, Said: q.language.Said}
}

// faultOf is what an error says in its parts, of faults in a list the first,
// without its place: the field tells it. It is empty where the error has none.
func faultOf(err error) wording.Text {
	if list, ok := errors.AsType[rules.Problems](err); ok && len(list) > 0 {
		return list[0].Said()
	}
	return wording.Of(err)
}
