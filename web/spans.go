package web

import (
	"fmt"
	"math/big"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"airwarrant/qualify"
	"airwarrant/qualify/analysis"
	"airwarrant/qualify/casework"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/recording"
)

// spansView is the part on which the tester or the practitioner judges
// doubtful stretches.
type spansView struct {
	Session    int
	Lines      []spanLine
	More       int // stretches beyond those that are listed
	Told       int // of Lines, those of which something was said
	Rest       []choice
	Who        string
	Credential string
}

// spanLine is one doubtful stretch.
type spanLine struct {
	No                           int
	Stamps                       string // both, by which the answer names it
	From, To, Long, Lowest, Kind string
	Why                          string
	Choices                      []choice
	Said, SaidBy                 string // what was said of it before, by whom and when
}

// spansShown is how many stretches are listed (our choice); a night that holds
// more of them is judged as a whole by nobody.
const spansShown = 1000

// judgementChoices are what can be said of a stretch of a kind; a number that
// cannot be a saturation is never made one.
func judgementChoices(kind analysis.SpanKind) []choice {
	out := []choice{{Value: "genuine", Words: "genuine"}, {Value: "artifact", Words: "artifact"}, {Value: "cannot_tell", Words: "can't tell"}}
	if kind == analysis.SpanImplausible {
		return out[1:]
	}
	return out
}

func judgementWord(v string) string {
	for _, c := range judgementChoices(analysis.SpanSuspect) {
		if c.Value == v {
			return c.Words
		}
	}
	return v
}

// doubtful lists the stretches of the test that can be judged, as the rules of
// doubt alone have them, with the recording and the session that they are of.
func (ev *evaluation) doubtful() (*recording.Recording, *analysis.Analysis, []analysis.Span) {
	rec, a := ev.shown()
	if a == nil {
		return nil, nil, nil
	}
	if ev.own.Unjudged != nil {
		a = ev.own.Unjudged
	}
	var out []analysis.Span
	for _, sp := range a.Spans {
		if sp.Kind != analysis.SpanMissing {
			out = append(out, sp)
		}
	}
	return rec, a, out
}

// spanStamps are the two stamps of a span, as the worksheet has them.
func spanStamps(rec *recording.Recording, a *analysis.Analysis, sp analysis.Span) (from, to string) {
	return a.Stamp(rec, sp.FromTick, sp.From), a.Stamp(rec, sp.ToTick, max(sp.To-1, sp.From))
}

// spansPart is nil where nothing is doubtful.
func (f *file) spansPart(ev *evaluation, p posted) *spansView {
	rec, a, spans := ev.doubtful()
	if len(spans) == 0 || f.upload() == nil || !f.ClosedAt.IsZero() {
		return nil
	}
	v := &spansView{Session: ev.own.Session, Rest: append([]choice{{Value: "", Words: "left open"}}, judgementChoices(analysis.SpanSuspect)...)}
	form := p.form
	if p.part != "spans" {
		form = nil
	}
	v.Who, v.Credential = typed(form, "who"), typed(form, "credential")
	rest := typed(form, "rest")
	for i := range v.Rest {
		v.Rest[i].On = v.Rest[i].Value == rest
	}
	v.More = max(0, len(spans)-spansShown)
	for i, sp := range spans[:len(spans)-v.More] {
		from, to := spanStamps(rec, a, sp)
		l := spanLine{No: i + 1, Stamps: from + " " + to, From: strings.Replace(from, "T", " ", 1), To: shortStamp(to), Lowest: "–", Kind: "doubted", Why: sp.Reason,
			Long: seconds(a.Seconds(sp.ToTick - sp.FromTick)), Choices: judgementChoices(sp.Kind)}
		if sp.Kind == analysis.SpanImplausible {
			l.Kind = "unusable"
		}
		if sp.From < sp.To && sp.LowestNum < 1<<62 {
			l.Lowest = qualify.Decimal(big.NewRat(sp.LowestNum, a.Den)) + " %"
		}
		if said := f.judgementOf(ev.own.Session, from, to); said != nil {
			v.Told++
			l.Said, l.SaidBy = judgementWord(said.Judgement), f.judgedBy(*said)+", "+ev.in.Stamp(moment(said.At))
		}
		chosen := typed(form, "j."+strconv.Itoa(l.No))
		for k := range l.Choices {
			l.Choices[k].On = l.Choices[k].Value == chosen
		}
		v.Lines = append(v.Lines, l)
	}
	return v
}

// seconds prints a length of time.
func seconds(r *big.Rat) string {
	sec := new(big.Int).Quo(r.Num(), r.Denom()).Int64()
	if sec < 60 {
		return qualify.Decimal(r) + " s"
	}
	if sec < 3600 {
		return fmt.Sprintf("%d min %02d s", sec/60, sec%60)
	}
	return fmt.Sprintf("%d h %02d min", sec/3600, sec/60%60)
}

// judgementOf is what was said of a stretch, nil if nothing was.
func (f *file) judgementOf(session int, from, to string) *casework.Judgement {
	for i, j := range f.upload().Spans {
		if j.Session == session && j.From == from && j.To == to {
			return &f.upload().Spans[i]
		}
	}
	return nil
}

// judgedBy is who judged, with credential.
func (f *file) judgedBy(j casework.Judgement) string {
	if j.By != "" {
		return f.Judges[j.By]
	}
	return j.Name + ", " + j.Credential
}

// judgedFact is what was said of the recording that counts, as the fact that
// the chain reads; false if nothing was.
func (f *file) judgedFact(u *casework.Upload) (criteria.Fact, bool) {
	out := criteria.Fact{Name: "spans", State: criteria.Stated}
	for _, j := range u.Spans {
		if j.Session == max(u.Session, 1) {
			out.Value.Spans = append(out.Value.Spans, criteria.JudgedSpan{SHA256: u.SHA256, From: j.From, To: j.To, Judged: j.Judgement, By: f.judgedBy(j)})
		}
	}
	return out, len(out.Value.Spans) > 0
}

// judgeSpans takes what the tester or the practitioner says of doubtful
// stretches.
func (s *Site) judgeSpans(w http.ResponseWriter, q *request) error {
	f := q.link.file
	ev, err := s.evaluate(q.Context(), f)
	if err != nil {
		return err
	}
	refuse := func(at, say string) error {
		return s.showTester(w, q, http.StatusUnprocessableEntity, posted{part: "spans", at: at, say: say, form: q.PostForm})
	}
	rec, a, spans := ev.doubtful()
	u := f.upload()
	if len(spans) == 0 || u == nil || typed(q.PostForm, "session") != strconv.Itoa(ev.own.Session) {
		return casework.ErrConflict // another stretch was chosen meanwhile
	}
	kinds := map[string]analysis.Span{}
	for _, sp := range spans {
		from, to := spanStamps(rec, a, sp)
		kinds[from+" "+to] = sp
	}
	rest := typed(q.PostForm, "rest")
	ch := casework.SpansJudged{SHA256: u.SHA256, Session: ev.own.Session}
	for no := 1; q.PostForm.Has("s." + strconv.Itoa(no)); no++ {
		stamps, as := q.PostForm.Get("s."+strconv.Itoa(no)), typed(q.PostForm, "j."+strconv.Itoa(no))
		sp, ok := kinds[stamps]
		if !ok || no > spansShown {
			return casework.ErrConflict // the stretch is not what the page showed
		}
		from, to, _ := strings.Cut(stamps, " ")
		before := f.judgementOf(ev.own.Session, from, to)
		if as == "" && before == nil {
			as = rest
		}
		if as == "" || before != nil && before.Judgement == as {
			continue
		}
		if !slices.ContainsFunc(judgementChoices(sp.Kind), func(c choice) bool { return c.Value == as }) {
			if as == rest && typed(q.PostForm, "j."+strconv.Itoa(no)) == "" {
				continue // the word for all others does not fit this one
			}
			return errUnreadableForm
		}
		ch.Spans = append(ch.Spans, casework.SpanSaid{From: from, To: to, Judgement: as})
	}
	name, credential, say := answerer(q.PostForm)
	switch {
	case say != "":
		return refuse("who", say)
	case len(ch.Spans) == 0:
		return refuse("", "Expected a judgement of at least one stretch that says something new; found none.")
	}
	st := s.stamp(q.link.by(), casework.RoleTester)
	err = s.update(q.Context(), f.Number, st, func(now *file) (casework.Change, error) {
		if _, ok := now.LinkAt(q.link.hash, s.cfg.Now()); !ok {
			return nil, errLink
		}
		if n := now.upload(); n == nil || n.SHA256 != u.SHA256 || n.Session != u.Session || string(n.Reading) != string(u.Reading) {
			return nil, casework.ErrConflict
		}
		var err error
		ch.By, err = s.sealText(q.Context(), now.Case, name+", "+credential)
		return ch, err
	})
	if err != nil {
		return err
	}
	seeOther(w, q.link.address()+"?sent=spans#spans")
	return nil
}
