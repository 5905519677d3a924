package web

import (
	"bytes"
	"net/http"
	"slices"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/worksheet"
	"airwarrant/rules"
	"airwarrant/web/calendar"
)

// dateLine is one thing that falls due.
type dateLine struct{ About, Text, When string }

// following is what follows from a case that qualifies, and what may have to
// be documented: none of its questions can change the outcome, so they stand
// apart from those that can.
type following struct {
	Fields  []field // of consequences that are open
	Prompts []field // what would tell whether more has to be documented
	Dates   []dateLine
}

// fillFollowing asks for each fact once on the page: what is asked for the
// outcome, or as a paper, is not asked here.
func (b *caseBody) fillFollowing(f *file, d criteria.Determination, p posted, l rules.Language) {
	asked := slices.Clone(elsewhere)
	for _, n := range d.Needs {
		asked = append(asked, n.Fact)
	}
	for _, o := range d.OnFile {
		asked = append(asked, o.Fact)
	}
	at := map[string]int{}
	for _, c := range d.Consequences {
		if c.State != criteria.Open {
			continue
		}
		settles := worksheet.KindWords(c.Kind) + ": " + c.Text
		for _, a := range c.Asks {
			if i, ok := at[a.Fact]; ok {
				b.Following.Fields[i].Settles += " " + settles
			} else if fl, ok := f.besideField(a, p, &asked); ok {
				at[a.Fact] = len(b.Following.Fields)
				fl.Why, fl.Settles = groupTitle(a.Who), settles
				b.Following.Fields = append(b.Following.Fields, fl)
			}
		}
	}
	for _, a := range d.DocumentAsks {
		if fl, ok := f.besideField(a, p, &asked); ok {
			b.Following.Prompts = append(b.Following.Prompts, fl)
		}
	}
	for _, c := range calendar.Dated(&d) {
		b.Following.Dates = append(b.Following.Dates, dateLine{l.Say(worksheet.KindWords(c.Kind)), c.Text, c.DatesIn(l)})
	}
}

// besideField is the field of a question, false where the fact is asked
// elsewhere on the page or is no fact that a form takes.
func (f *file) besideField(a criteria.Ask, p posted, asked *[]string) (field, bool) {
	def, ok := rules.Lookup(a.Fact)
	if !ok || def.Type == rules.TypeList || slices.Contains(*asked, a.Fact) {
		return field{}, false
	}
	*asked = append(*asked, a.Fact)
	fl := f.prefilled(def, p, "questions")
	fl.Question, fl.Where = a.Question, a.Who == rules.Office
	return fl, true
}

// besideFacts are the facts that one role is asked about although they cannot
// change the outcome.
func besideFacts(d criteria.Determination, who rules.Role) []string {
	var out []string
	for _, c := range d.Consequences {
		for _, a := range c.Asks {
			if def, ok := rules.Lookup(a.Fact); ok && a.Who == who && def.Type != rules.TypeList && !slices.Contains(out, a.Fact) {
				out = append(out, a.Fact)
			}
		}
	}
	return out
}

// dates is the calendar of what falls due.
func (s *Site) dates(w http.ResponseWriter, q *request) error {
	f, ev, err := s.determinedPlain(q)
	if err != nil {
		return err
	}
	var b bytes.Buffer
	if err := calendar.Write(&b, f.Number, "", ev.Determinations[:1]); err != nil {
		return err
	}
	s.viewed(q.Context(), f, q.visit.Who, casework.RoleIntake, "dates as a calendar")
	w.Header().Set("Content-Disposition", `attachment; filename="`+f.Number+`.ics"`)
	send(w, http.StatusOK, "text/calendar; charset=utf-8", b.Bytes())
	return nil
}
