package web

import (
	"cmp"
	"context"
	"encoding/csv"
	"errors"
	"net/http"
	"strings"
	"time"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/editions"
	"airwarrant/qualify/rehearsal"
	"airwarrant/rules"
)

// rehearsalSlice is Config.RehearsalSlice where it is not set (our choice): no
// request may run for minutes, on one machine or as a function.
const rehearsalSlice = 2 * time.Second

// linesShown is how many cases the page lists; the file holds all.
const linesShown = 200

// rehearsalPage is how far the rehearsal of a draft is, and what came out.
type rehearsalPage struct {
	Draft       editions.Draft
	Name        string
	From        string // first day of the draft
	Beside      string // first day of the version beside it
	Begun, Done bool
	By          *entered // who began it, and when
	Ended       string
	Summary     *summaryPart
	Lines       []rehearsedLine
	More        bool // there are more than those listed
	Say         string
	Nothing     bool // no version lies beside the draft
}

// summaryPart is a summary of a rehearsal in words.
type summaryPart struct {
	rehearsal.Summary
	Changes     []changeCount
	NewFacts    []countLine
	Unconfirmed []countLine
	Left        []countLine
}

// changeCount is one way in which outcomes change, with the clauses that decide.
type changeCount struct {
	From, To string
	Cases    int
	By       []clauseCount
}

type clauseCount struct {
	Clauses string // as the draft calls them, "" for no single one
	Cases   int
}

type countLine struct {
	What  string
	Cases int
}

type rehearsedLine struct {
	Case, Was, Will string
	By              string // clauses of the draft
	Asks            string // new facts
	Unconfirmed     string
	Left            string
}

// summaryOf puts a summary into words; p is the draft, nil where it is not at hand.
func summaryOf(sum rehearsal.Summary, p *rules.Pack) *summaryPart {
	out := &summaryPart{Summary: sum}
	for _, c := range sum.Changes {
		from, to := outcomeWord(criteria.Outcome(c.From)), outcomeWord(criteria.Outcome(c.To))
		if n := len(out.Changes); n == 0 || out.Changes[n-1].From != from || out.Changes[n-1].To != to {
			out.Changes = append(out.Changes, changeCount{From: from, To: to})
		}
		last := &out.Changes[len(out.Changes)-1]
		last.Cases += c.Cases
		last.By = append(last.By, clauseCount{clauseNames(p, c.By), c.Cases})
	}
	for _, c := range sum.NewFacts {
		out.NewFacts = append(out.NewFacts, countLine{factQuestion(c.What), c.Cases})
	}
	for _, c := range sum.Unconfirmed {
		out.Unconfirmed = append(out.Unconfirmed, countLine{clauseNames(p, []string{c.What}), c.Cases})
	}
	for _, c := range sum.Left {
		out.Left = append(out.Left, countLine{rehearsal.Reasons[c.What], c.Cases})
	}
	return out
}

// clauseNames are clauses as the pack calls them, with their ids.
func clauseNames(p *rules.Pack, ids []string) string {
	names := make([]string, len(ids))
	for i, id := range ids {
		names[i] = id
		if p != nil {
			if n := p.FindClause(id); n != nil && n.Label != "" {
				names[i] = n.Label + " (" + id + ")"
			}
		}
	}
	return strings.Join(names, "; ")
}

// factQuestion is the question by which a fact is asked, its name if there is none.
func factQuestion(name string) string {
	if def, ok := rules.Lookup(name); ok && def.Question != "" {
		return def.Question
	}
	return name
}

func (s *Site) rehearsalPage(w http.ResponseWriter, q *request) error {
	d, err := s.book.Draft(q.Context(), q.PathValue("draft"))
	if err != nil {
		return err
	}
	return s.showRehearsal(w, q, http.StatusOK, d, "")
}

func (s *Site) showRehearsal(w http.ResponseWriter, q *request, status int, d editions.Draft, say string) error {
	b := rehearsalPage{Draft: d, Name: d.Region, Say: say}
	if r, err := s.lib.Region(d.Region); err == nil {
		b.Name = r.Name
	}
	plan, err := s.book.Plan(q.Context(), d)
	var refused *editions.Refused
	switch {
	case errors.Is(err, editions.ErrNothingBeside):
		b.Nothing = true
	case errors.As(err, &refused):
		b.Say = q.tell("", refused.Refusals[0].Reason)
	case err != nil:
		return err
	default:
		b.From, b.Beside = plan.Draft.EffectiveFrom.String(), plan.InForce.EffectiveFrom.String()
		r, begun, err := s.book.Rehearsed(q.Context(), d)
		if err != nil {
			return err
		}
		if b.Begun = begun; begun {
			b.By, b.Done, b.Summary = &entered{r.Begun.Name, r.Begun.At}, r.Progress.Done, summaryOf(r.Progress.Summary, plan.Draft)
			if b.Done {
				b.Ended = moment(r.Ended.At)
			}
			for l, err := range s.book.Lines(q.Context(), d) {
				if err != nil {
					return err
				}
				if b.More = len(b.Lines) == linesShown; b.More {
					break
				}
				b.Lines = append(b.Lines, rehearsedLineOf(l, plan.Draft))
			}
		}
	}
	s.render(w, q, status, "rehearsal", page{Title: "Rehearsal", Body: b})
	return nil
}

func rehearsedLineOf(l rehearsal.Line, p *rules.Pack) rehearsedLine {
	out := rehearsedLine{Case: l.Case, Unconfirmed: clauseNames(p, l.Unconfirmed), Left: rehearsal.Reasons[l.Left]}
	if l.InForce != nil {
		out.Was, out.Will, out.By = outcomeWord(criteria.Outcome(l.InForce.Outcome)), outcomeWord(criteria.Outcome(l.Draft.Outcome)), clauseNames(p, l.Draft.DecidedBy)
	}
	asks := make([]string, len(l.NewFacts))
	for i, f := range l.NewFacts {
		asks[i] = factQuestion(f)
	}
	out.Asks = strings.Join(asks, "; ")
	return out
}

// rehearse goes on with a rehearsal for one slice, or forgets it.
func (s *Site) rehearse(w http.ResponseWriter, q *request) error {
	d, err := s.book.Draft(q.Context(), q.PathValue("draft"))
	if err != nil {
		return err
	}
	if q.PostForm.Get("again") != "" {
		if err := s.book.Again(q.Context(), d); err != nil {
			return err
		}
		seeOther(w, "/drafts/"+d.ID+"/rehearsal")
		return nil
	}
	ctx, stop := context.WithCancel(q.Context())
	defer stop()
	enough := time.Now().Add(cmp.Or(s.cfg.RehearsalSlice, rehearsalSlice))
	_, err = s.book.Rehearse(ctx, personOf(q), d, func(editions.Rehearsal) {
		if time.Now().After(enough) {
			stop()
		}
	})
	var refused *editions.Refused
	switch {
	case errors.Is(err, context.Canceled) && q.Context().Err() == nil:
	case errors.Is(err, casework.ErrConflict):
		return s.showRehearsal(w, q, http.StatusConflict, d, "Somebody else goes on with this rehearsal at the same time. Look again in a moment.")
	case errors.As(err, &refused):
		return s.showRehearsal(w, q, http.StatusUnprocessableEntity, d, q.tell("", refused.Refusals[0].Reason))
	case errors.Is(err, editions.ErrNothingBeside):
		return s.showRehearsal(w, q, http.StatusUnprocessableEntity, d, "")
	case err != nil:
		return err
	}
	seeOther(w, "/drafts/"+d.ID+"/rehearsal")
	return nil
}

// rehearsalFile gives all cases of which there is something to tell, as the
// command line writes them: numbers, outcomes, clauses and names of facts.
func (s *Site) rehearsalFile(w http.ResponseWriter, q *request) error {
	d, err := s.book.Draft(q.Context(), q.PathValue("draft"))
	if err != nil {
		return err
	}
	var b strings.Builder
	table := csv.NewWriter(&b)
	if err := table.Write(rehearsal.Columns); err != nil {
		return err
	}
	for l, err := range s.book.Lines(q.Context(), d) {
		if err != nil {
			return err
		}
		if err := table.Write(l.Row()); err != nil {
			return err
		}
	}
	table.Flush()
	w.Header().Set("Content-Disposition", `attachment; filename="rehearsal.csv"`)
	send(w, http.StatusOK, "text/csv; charset=utf-8", []byte(b.String()))
	return nil
}
