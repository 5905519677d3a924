package web

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"html/template"
	"net/http"
	"net/url"
	"slices"

	"airwarrant/qualify/analysis"
	"airwarrant/qualify/casework"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/recording"
	"airwarrant/qualify/worksheet"
	"airwarrant/rules"
	"airwarrant/rules/wording"
)

// officeBody is what the holder of an office's link sees: whose chart to
// pull, the stretch that is this patient's test, and neutral questions.
// Clauses and outcome come after sending.
type officeBody struct {
	Patient    patient
	Number     string
	Action     string // address of the link
	TestDate   string
	Trace      *traceView // the stretch that counts, without a level
	Stretch    string     // from and until, in words
	K          int
	Sent       string
	Say        string
	Unnamed    string // what is wrong with who answers
	Who        string
	Credential string
	Papers     []officeQuestion // papers that have to be on file
	Fields     []officeQuestion
	Told       []officeQuestion // what is stated or answered already
	TellOpen   bool             // one of Told has a fault
	Given      []worksheet.OfficeAnswer
	Attach     *attachForm
	Attached   []attachedCopy // documents that came through this link
	Sheet      template.HTML
}

// officeQuestion is one question with its four answers.
type officeQuestion struct {
	field
	Paper  bool
	Says   string // the answer chosen
	Remark string
	Held   string // what the case holds, in words; "" if it is open
	How    string // on what that rests, "" if it is only stated
}

// says are the four answers, in the order of the page.
var says = []choice{{Value: casework.SaysLocated, Words: "in the chart"}, {Value: casework.SaysNotInChart, Words: "looked for, not there"},
	{Value: casework.SaysDisagrees, Words: "we disagree"}, {Value: casework.SaysNotOurs, Words: "not ours to say"}}

func saysWords(v string) string {
	for _, c := range says {
		if c.Value == v {
			return c.Words
		}
	}
	return v
}

// Answers are the four, with the one chosen.
func (q officeQuestion) Answers() []choice {
	out := slices.Clone(says)
	for i := range out {
		out[i].On = out[i].Value == q.Says
	}
	return out
}

// officeFacts are the facts that an office is asked about in a case: the
// open questions for it, and the papers that are not settled. What it has
// answered stands among those told.
func (f *file) officeFacts(d criteria.Determination) []string {
	var out []string
	add := func(name string) {
		if _, answered := f.Answers[name]; !slices.Contains(out, name) && (!answered || f.stale(name) != "") {
			out = append(out, name)
		}
	}
	for _, n := range d.Needs {
		if _, ok := rules.Lookup(n.Fact); ok && n.Who == rules.Office {
			add(n.Fact)
		}
	}
	for _, name := range besideFacts(d, rules.Office) {
		add(name)
	}
	for _, o := range d.OnFile {
		def, ok := rules.Lookup(o.Fact)
		if _, stated := f.Statements[o.Fact]; ok && !stated && def.Who == rules.Office {
			add(o.Fact)
		}
	}
	return out
}

// toldFacts are the facts of the office's chart that somebody has stated, and
// those that it has answered: it can answer them anew.
func (f *file) toldFacts(asked []string) []string {
	var out []string
	for _, def := range rules.Vocabulary() {
		_, stated := f.Statements[def.Name]
		_, answered := f.Answers[def.Name]
		if (stated || answered) && def.Who == rules.Office && def.Type != rules.TypeList && !slices.Contains(asked, def.Name) {
			out = append(out, def.Name)
		}
	}
	return out
}

// askable are all facts that the office may answer now.
func (f *file) askable(ev *evaluation) (asked, told []string) {
	if ev.Result == nil || ev.differs {
		return nil, nil
	}
	asked = f.officeFacts(ev.Determinations[0])
	return asked, f.toldFacts(asked)
}

// shown is the stretch that is this patient's test; nil if none is read.
func (ev *evaluation) shown() (*recording.Recording, *analysis.Analysis) {
	if ev.Result == nil || ev.differs || ev.own == nil || ev.own.Chosen == 0 {
		return nil, nil
	}
	a := ev.own.Analysis
	if a == nil {
		a = ev.own.Walk
	}
	rec := ev.own.Readings[ev.own.Chosen-1].Recording
	if rec == nil || a == nil || a.Count == 0 {
		return nil, nil
	}
	return rec, a
}

// stretchWords says from when until when the stretch runs, "" if none is read.
func (ev *evaluation) stretchWords() string {
	rec, a := ev.shown()
	if a == nil {
		return ""
	}
	words := ev.in.Stamp
	return words(a.Stamp(rec, a.First, a.FirstIndex)) + " until " + words(a.Stamp(rec, sessionEnd(a), a.FirstIndex+a.Count-1))
}

func (s *Site) officePage(w http.ResponseWriter, q *request) error {
	s.viewed(q.Context(), q.link.file, q.link.by(), casework.RoleOffice, "questions for the office")
	return s.showOffice(w, q, http.StatusOK, posted{})
}

func (s *Site) showOffice(w http.ResponseWriter, q *request, status int, p posted) error {
	f := q.link.file
	ev, err := s.evaluateFor(q, f)
	if err != nil {
		return err
	}
	b := officeBody{Patient: f.Patient, Number: f.Number, Action: q.link.address(), K: f.Edited, Who: typed(p.form, "who"), Credential: typed(p.form, "credential"), Sent: q.URL.Query().Get("sent")}
	if d := f.Facts["test_date"].Value.Date; !d.IsZero() {
		b.TestDate = d.String()
	}
	if p.at == "who" {
		b.Unnamed = p.say
	} else {
		b.Say = p.say
	}
	b.Trace, b.Stretch = q.link.stretchView(ev), ev.stretchWords()
	asked, told := f.askable(ev)
	for _, name := range asked {
		fl := f.officeQuestion(name, p)
		if fl.Paper {
			b.Papers = append(b.Papers, fl)
		} else {
			b.Fields = append(b.Fields, fl)
		}
	}
	days := s.daysOf(q, f.Criteria[0])
	for _, name := range told {
		def, _ := rules.Lookup(name)
		fl := f.officeQuestion(name, p)
		fl.Held = "nothing yet"
		if st, ok := f.Statements[name]; ok {
			fl.Held = f.words(def, days)
			if st.State == criteria.Located {
				fl.How = st.how(days)
			}
		}
		b.TellOpen = b.TellOpen || fl.Error != "" || fl.Says != ""
		b.Told = append(b.Told, fl)
	}
	own, err := s.ownAnswers(q.Context(), q.link)
	if err != nil {
		return err
	}
	if b.Given, err = f.givenIn(days, own); err != nil {
		return err
	}
	b.attachPart(f, q.link, p, days)
	if len(b.Given) > 0 && ev.Result != nil && !ev.differs {
		if b.Sheet, err = s.sheet(f, ev); err != nil {
			return err
		}
	}
	s.render(w, q, status, "office", page{Criteria: f.Criteria[0], Title: "Questions about one patient's chart", Body: b})
	return nil
}

// officeQuestion asks where in the chart something stands.
func (f *file) officeQuestion(name string, p posted) officeQuestion {
	def, _ := rules.Lookup(name)
	out := officeQuestion{field: fieldFor(def, true), Paper: def.Type == rules.TypePaper}
	if def.Type == rules.TypeBool {
		out.Choices = []choice{{Value: "true", Words: "yes, the chart says so"}, {Value: "false", Words: "no, the chart says otherwise"}}
	}
	if p.part == "" && p.form != nil {
		out.field = out.fill(p.form)
		out.Says, out.Remark, out.Error = typed(p.form, "a."+name), typed(p.form, "r."+name), p.faults[name]
	}
	return out
}

// officeSaid is one answer of a form.
type officeSaid struct {
	says   string
	remark string
	stated statement // of an answer that locates
}

const remarkLimit = 2000 // bytes

// said reads a filled question; false if nothing was answered. The error is
// for the person at the field.
func (q officeQuestion) said() (officeSaid, bool, error) {
	out := officeSaid{says: q.Says, remark: q.Remark}
	value := q.text()
	if q.Paper {
		value = ""
	}
	place := q.Place
	place.By = ""
	switch {
	case q.Says == "" && value == "" && place.empty() && q.Remark == "":
		return out, false, nil
	case q.Says == "":
		return out, false, wording.Error{Text: wording.Said("expected one of the four answers beside what is typed here; found none; choose one, or clear the rest")}
	case !slices.ContainsFunc(says, func(c choice) bool { return c.Value == q.Says }):
		return out, false, wording.Error{Text: wording.Said("expected one of the four answers; found another; choose one")}
	case len(q.Remark) > remarkLimit:
		return out, false, wording.Error{Text: wording.Said("expected a remark of at most %d letters; found more; shorten it", remarkLimit)}
	case q.Says != casework.SaysLocated && (value != "" || !place.empty()):
		return out, false, wording.Error{Text: wording.Said("expected a value and a place with %q alone; found them with %q; clear them, or choose the other answer", wording.Said(saysWords(casework.SaysLocated)), wording.Said(saysWords(q.Says)))}
	case q.Says == casework.SaysDisagrees && q.Remark == "":
		return out, false, wording.Error{Text: wording.Said("expected in the remark with what the office disagrees; found none; write it")}
	case q.Says != casework.SaysLocated:
		return out, true, nil
	}
	fl := q.field
	fl.Place, fl.Unknown = place, false
	if q.Paper {
		fl.Choices = []choice{{Value: "true", On: true}}
	}
	st, ok, err := fl.statement()
	switch {
	case err != nil && fl.text() == "", err == nil && !ok:
		return out, false, wording.Error{Text: wording.Said("expected what the chart says; found nothing; give it beside the place")}
	case err != nil:
		return out, false, err
	case place.Document == "":
		return out, false, wording.Error{Text: wording.Said("expected the document of the chart in which it stands; found none; name it, or answer that it is not there")}
	case place.Date == "":
		return out, false, wording.Error{Text: wording.Said("expected the date of the document; found none; write it as YYYY-MM-DD")}
	case place.Page == "":
		return out, false, wording.Error{Text: wording.Said("expected the page; found none; write 1 if the document has one page")}
	}
	st.State = criteria.Located
	out.stated = st
	return out, true, nil
}

// answerer reads who answers: name and credential, each stated.
func answerer(form url.Values) (name, credential, say string) {
	name, credential = typed(form, "who"), typed(form, "credential")
	if name == "" || credential == "" || len(name)+len(credential) > nameLimit {
		say = "Expected your name and your credential, together at most 80 letters; found less or more. Nothing was stored."
	}
	return name, credential, say
}

func (s *Site) officeAnswer(w http.ResponseWriter, q *request) error {
	f := q.link.file
	ev, err := s.evaluate(q.Context(), f)
	if err != nil {
		return err
	}
	if ev.Result == nil {
		return errNoDetermined
	}
	name, credential, say := answerer(q.PostForm)
	who := name + ", " + credential
	faults := map[string]string{}
	given := map[string]officeSaid{}
	in, err := s.wording(q, f)
	if err != nil {
		return err
	}
	asked, told := f.askable(ev)
	for _, fact := range slices.Concat(asked, told) {
		question := f.officeQuestion(fact, posted{form: q.PostForm})
		question.field = question.typedOn(in.Decimal, f.Statements[fact])
		a, ok, err := question.said()
		if err == nil && ok {
			err = s.come(a.stated.Place.Date)
		}
		switch {
		case err != nil:
			faults[fact] = q.fault(err)
		case ok:
			a.stated.Place.By = who
			given[fact] = a
		}
	}
	refuse := func(at, say string) error {
		return s.showOffice(w, q, http.StatusUnprocessableEntity, posted{at: at, say: say, form: q.PostForm, faults: faults})
	}
	switch {
	case say != "":
		return refuse("who", say)
	case len(faults) > 0:
		return refuse("", "Some answers could not be taken; nothing was stored. They are marked below.")
	case len(given) == 0:
		return refuse("", "Expected an answer to at least one question; found none.")
	}
	st := casework.Stamp{At: s.cfg.Now(), By: q.link.by(), Role: casework.RoleOffice}
	seen := formK(q.PostForm)
	err = s.update(q.Context(), f.Number, st, func(now *file) (casework.Change, error) {
		clear(faults)
		if _, ok := now.LinkAt(q.link.hash, s.cfg.Now()); !ok {
			return nil, errLink // withdrawn while the chart was read
		}
		by, err := s.sealText(q.Context(), now.Case, who)
		if err != nil {
			return nil, err
		}
		ch := casework.Answered{Answers: map[string]casework.Answer{}}
		for fact, a := range given {
			if before := now.Answers[fact]; max(before.K, now.Case.Facts[fact].K) > seen {
				same, err := s.answeredSame(q.Context(), now.Case, before, a, who)
				if err != nil {
					return nil, err
				}
				if same {
					continue // sent twice
				}
				faults[fact] = "Somebody answered or stated this after the page was opened. Look at what is held now; if your answer stands, send it once more."
			}
			out := casework.Answer{Says: a.says, By: by}
			if out.Note, err = s.sealText(q.Context(), now.Case, a.remark); err != nil {
				return nil, err
			}
			if a.says == casework.SaysLocated {
				if out.Stated, err = s.seal(q.Context(), now.Case, a.stated); err != nil {
					return nil, err
				}
			}
			ch.Answers[fact] = out
		}
		switch {
		case len(faults) > 0:
			return nil, errMeanwhile
		case len(ch.Answers) == 0:
			return nil, nil
		}
		return ch, nil
	})
	if errors.Is(err, errMeanwhile) {
		if q.link.file, err = s.open(q.Context(), f.Number); err != nil {
			return err
		}
		return refuse("", "Somebody was faster with some answers; nothing was stored. They are marked below.")
	}
	if err != nil {
		return err
	}
	seeOther(w, q.link.address()+"?sent=answers")
	return nil
}

// errMeanwhile: some of what the office answers was answered or stated after its
// page was opened.
var errMeanwhile = errors.New("answered or stated meanwhile")

// answeredSame reports whether an answer that stands is the one that comes now.
func (s *Site) answeredSame(ctx context.Context, c *casework.Case, stands casework.Given, comes officeSaid, who string) (bool, error) {
	if stands.Says != comes.says {
		return false, nil
	}
	want := map[casework.Ref]string{stands.Note: comes.remark, stands.Answer.By: who}
	if comes.says == casework.SaysLocated {
		raw, err := json.Marshal(comes.stated)
		if err != nil {
			return false, err
		}
		if stands.Stated.Personal == "" {
			return bytes.Equal(stands.Stated.Fact, raw), nil
		}
		want[stands.Stated.Personal] = string(raw)
	}
	for ref, text := range want {
		held := ""
		if ref != "" {
			b, err := c.Reveal(ctx, s.cfg.Store, ref)
			if err != nil {
				return false, err
			}
			held = string(b)
		}
		if held != text {
			return false, nil
		}
	}
	return true, nil
}

// ownAnswers tells the answers that came by a link, or from the accounts of an
// office: who has sent none yet must not be led by those of others, nor by what
// they came to.
func (s *Site) ownAnswers(ctx context.Context, l *link) (func(casework.Given) bool, error) {
	who := []string{l.by()}
	if at, ok := l.file.LinkAt(l.hash, s.cfg.Now()); ok && l.who != "" {
		all, err := s.accounts.Accounts(ctx)
		if err != nil {
			return nil, err
		}
		for _, a := range all {
			if a.Office != "" && sameOffice(a.Office, at.Office) {
				who = append(who, a.Name)
			}
		}
	}
	return func(g casework.Given) bool { return g.Role == casework.RoleOffice && slices.Contains(who, g.By) }, nil
}

// stale says what changed since the office answered about a fact, so that the
// answer no longer stands for what the case holds; "" if nothing did.
func (f *file) stale(name string) string { return f.staleIn(name, rules.Language{}) }

// staleIn is stale in a language.
func (f *file) staleIn(name string, l rules.Language) string {
	a, ok := f.Answers[name]
	if !ok {
		return ""
	}
	st, stated := f.Case.Facts[name]
	switch {
	case stated && st.K > a.K:
		return l.Say("Stated otherwise since, by %s on %s.", st.By, l.Stamp(moment(st.At)))
	case !stated && a.Says == casework.SaysLocated:
		return l.Say("Withdrawn since.")
	}
	if day, ok := f.Case.Facts["test_date"]; ok && day.K > a.K {
		return l.Say("The date of the test was changed since, on %s.", l.Stamp(moment(day.At)))
	}
	if since := f.Corrected(); since.K > a.K {
		return l.Say("The patient of the case was stated otherwise since, on %s: it may have been another chart.", l.Stamp(moment(since.At)))
	}
	if since := f.Moved(); since.K > a.K {
		return l.Say("Another stretch of the recording was chosen since, on %s.", l.Stamp(moment(since.At)))
	}
	for _, u := range f.Uploads {
		if u.Withdrawn && u.At.Before(a.At) {
			if now := f.upload(); now == nil || now.At.After(a.At) {
				return l.Say("The recording that was on the case then was withdrawn since.")
			}
		}
	}
	return ""
}

// officeAnswers are the answers of the office with everything in the clear, in
// the order of the vocabulary, worded in l.
func (f *file) officeAnswers(reveal func(casework.Ref) (string, error), l rules.Language, of func(casework.Given) bool) ([]worksheet.OfficeAnswer, error) {
	var out []worksheet.OfficeAnswer
	disputed := f.Disputed()
	for _, def := range rules.Vocabulary() {
		a, ok := f.Answers[def.Name]
		if !ok || of != nil && !of(a) {
			continue
		}
		o := worksheet.OfficeAnswer{Question: l.Say(def.Question), Answer: l.Say(saysWords(a.Says)), At: l.Stamp(moment(a.At)), Stale: f.staleIn(def.Name, l),
			Disputed: slices.Contains(disputed, def.Name), Taken: a.Owner != "", Owner: cmp.Or(a.Owner, f.Owner)}
		var err error
		if o.Remark, err = reveal(a.Note); err != nil {
			return nil, err
		}
		if o.By, err = reveal(a.Answer.By); err != nil {
			return nil, err
		}
		if o.Settled, err = reveal(a.Settled); err != nil {
			return nil, err
		}
		if o.Settled != "" {
			o.Settled += " (" + a.SettledBy + ", " + l.Stamp(moment(a.SettledAt)) + ")"
		}
		if a.Says == casework.SaysLocated {
			raw := []byte(a.Stated.Fact)
			if a.Stated.Personal != "" {
				text, err := reveal(a.Stated.Personal)
				if err != nil {
					return nil, err
				}
				raw = []byte(text)
			}
			var st statement
			if err := json.Unmarshal(raw, &st); err != nil {
				return nil, errors.New("a stored answer is not readable")
			}
			if def.Type != rules.TypePaper {
				o.Answer += ": " + st.wordsIn(def, l)
			}
			o.Where = st.Place.whereIn(l)
			if o.Stale == "" {
				o.Copy = f.Copies[def.Name]
			}
		}
		out = append(out, o)
	}
	return out, nil
}

// whereIn names document, date and page in a language; the document is as it was
// typed.
func (p placeText) whereIn(l rules.Language) string {
	switch {
	case p.Date != "" && p.Page != "":
		return l.Say("%s of %s, page %s", p.Document, l.Stamp(p.Date), p.Page)
	case p.Page != "":
		return l.Say("%s, page %s", p.Document, p.Page)
	case p.Date != "":
		return l.Say("%s, dated %s", p.Document, l.Stamp(p.Date))
	}
	return p.Document
}

// officePDF gives the office a paper of its answers.
func (s *Site) officePDF(w http.ResponseWriter, q *request) error {
	f := q.link.file
	ev, err := s.evaluateFor(q, f)
	if err != nil {
		return err
	}
	own, err := s.ownAnswers(q.Context(), q.link)
	if err != nil {
		return err
	}
	answers, err := f.givenIn(ev.in, own)
	if err != nil {
		return err
	}
	if len(answers) == 0 {
		return errNoAnswers
	}
	in := worksheet.AnswersInput{Language: ev.in, Program: s.cfg.Program, Printed: s.today(), Demo: s.cfg.Demo, Answers: answers,
		Case: worksheet.CaseInfo{Number: f.Number, PatientName: f.Patient.Name, BirthDate: f.Patient.Birth, Identifier: f.Patient.Identifier, Supplier: s.supplier()}}
	in.Recording, in.Analysis = ev.shown()
	var b bytes.Buffer
	if err := worksheet.WriteAnswersPDF(&b, in, worksheet.PDFOptions{Letter: q.URL.Query().Get("paper") == "letter"}); err != nil {
		return err
	}
	s.viewed(q.Context(), f, q.link.by(), casework.RoleOffice, "answers on paper")
	w.Header().Set("Content-Disposition", `inline; filename="`+f.Number+`-answers.pdf"`)
	send(w, http.StatusOK, "application/pdf", b.Bytes())
	return nil
}
