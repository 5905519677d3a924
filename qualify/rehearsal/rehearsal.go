// Package rehearsal replays stored cases under a draft of a region's criteria
// beside the version in force: whose outcome would change, by which clause, and
// which cases would need a fact that nobody was asked for.
//
// Make a Plan with New, then call Plan.Run with the cases of Stored. A case is
// determined from what it keeps (qualify.Kept), by the steps of the chain, each
// time as if the version were in force on the day of its test: so what differs
// is what the draft alone changes. Run goes through the list page by page on a
// few workers, holds one page at a time, stops when its context ends, and goes on
// from the Progress that it returned; the order of the list changes nothing.
//
// What it does not do: it reads no recording, changes no case, and gives no
// figure of any patient: numbers of cases, outcomes, clauses and names of facts.
package rehearsal

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"sync"

	"airwarrant/qualify"
	"airwarrant/qualify/casework"
	"airwarrant/qualify/criteria"
	"airwarrant/rules"
)

// Plan is one rehearsal: a draft beside the version that it would replace.
type Plan struct {
	InForce, Draft *rules.Pack
	// Carried are the clauses whose confirmation is taken over from InForce
	// because the draft says the same of them from the same document. They have
	// to be confirmed anew when the draft is published.
	Carried []string
	// Workers is how many cases are determined at once; New sets it to 2.
	Workers int

	was, will qualify.Versions
	confirmed map[string]criteria.Confirmations
}

// New plans the rehearsal of a draft from rules.ReadDraft. The version beside it
// is the one in force on its first day. confirmed are the confirmations of drafts
// by the SHA-256 of their pack. The error is of rules: no criteria of that region
// are in force on that day.
func New(draft *rules.Pack, lib *rules.Library, confirmed map[string]criteria.Confirmations) (*Plan, error) {
	region := draft.Region.Region
	now, err := lib.InForce(region, draft.EffectiveFrom)
	if err != nil {
		return nil, fmt.Errorf("the version that the draft replaces: %w", err)
	}
	p := &Plan{InForce: now, Draft: draft, Workers: 2, was: qualify.Only(now, lib), will: qualify.Only(draft, lib), Carried: []string{}}
	p.confirmed = map[string]criteria.Confirmations{}
	for sha, c := range confirmed {
		p.confirmed[sha] = c
	}
	if draft.SHA256 == now.SHA256 {
		return p, nil
	}
	own := criteria.Confirmations{}
	for id, c := range confirmed[draft.SHA256] {
		own[id] = c
	}
	for id, c := range confirmed[now.SHA256] {
		if _, done := own[id]; !done && sameDraft(id, now, draft) {
			own[id] = c
			p.Carried = append(p.Carried, id)
		}
	}
	slices.Sort(p.Carried)
	p.confirmed[draft.SHA256] = own
	return p, nil
}

// sameDraft reports whether both packs say the same, from the same document, of
// what a maintainer confirmed under an id; how it is called does not matter.
func sameDraft(id string, a, b *rules.Pack) bool {
	if m, n := a.FindClause(id), b.FindClause(id); m != nil && n != nil {
		return n.Status == rules.Draft && sameClause(a, b, m, n)
	}
	of := func(p *rules.Pack) *rules.DraftText {
		for _, d := range p.Drafts() {
			if d.ID == id {
				return &d
			}
		}
		return nil
	}
	x, y := of(a), of(b)
	return x != nil && y != nil && x.Text == y.Text && sameCites(a, b, x.Cite, y.Cite)
}

func sameClause(a, b *rules.Pack, m, n *rules.Node) bool {
	if (m == nil) != (n == nil) {
		return false
	}
	if m == nil {
		return true
	}
	return rules.Describe(m) == rules.Describe(n) && sameCites(a, b, m.Cite, n.Cite) && sameClause(a, b, m.AppliesWhen, n.AppliesWhen) &&
		slices.EqualFunc(m.Children(), n.Children(), func(x, y *rules.Node) bool { return sameClause(a, b, x, y) })
}

func sameCites(a, b *rules.Pack, x, y []string) bool {
	return slices.EqualFunc(x, y, func(k, l string) bool { return a.Cites[k] == b.Cites[l] })
}

// ID names the rehearsal: the draft, the version beside it and the confirmations
// that count, so that progress of one is not taken for that of another.
func (p *Plan) ID() string {
	h := sha256.New()
	enc := json.NewEncoder(h)
	// Maps are written in the order of their keys.
	_ = enc.Encode([]any{p.InForce.SHA256, p.Draft.SHA256, p.confirmed[p.InForce.SHA256], p.confirmed[p.Draft.SHA256]})
	return hex.EncodeToString(h.Sum(nil))
}

// Verdict is what one version makes of a case.
type Verdict struct {
	Outcome     string   `json:"outcome"`
	Disposition string   `json:"disposition"`
	DecidedBy   []string `json:"decided_by"` // clauses; of an open case the one that waits first
}

// Line is one case of which there is something to tell.
type Line struct {
	Case    string   `json:"case"`
	InForce *Verdict `json:"in_force"` // null where the case could not be replayed
	Draft   *Verdict `json:"draft"`
	// NewFacts are names of facts that the draft asks for and the version in
	// force does not, never null.
	NewFacts []string `json:"new_facts"`
	// Unconfirmed are clauses of the draft that are from memory and would have to
	// be confirmed to decide the case, never null.
	Unconfirmed []string `json:"unconfirmed"`
	// Stored is the outcome that the case has in the list, "" unless it was
	// determined by the version in force and the replay gives another.
	Stored string `json:"stored,omitempty"`
	// Left says why the case could not be replayed, a word of Reasons, "" if it was.
	Left string `json:"left,omitempty"`
}

// Changed reports whether the outcome is another under the draft.
func (l Line) Changed() bool { return l.InForce != nil && l.InForce.Outcome != l.Draft.Outcome }

// moved reports whether the outcome stays and the draft reaches it otherwise.
func (l Line) moved() bool {
	return l.InForce != nil && !l.Changed() && (l.InForce.Disposition != l.Draft.Disposition || !slices.Equal(l.InForce.DecidedBy, l.Draft.DecidedBy))
}

// Reasons tells for each word of Line.Left, in a sentence, why a case can't be
// replayed and what to do.
var Reasons = map[string]string{
	leftDestroyed: "Its values were destroyed after the time for which they are kept.",
	leftStale:     "It was changed and is not determined since: open it and mend what it tells.",
	leftNotKept:   "It was determined before cases kept what they rest on: state any fact of it anew.",
	leftDamaged:   "What it keeps can't be read by this version of the program: state any fact of it anew.",
	leftUnread:    "Its recording was withheld, and under one of the two versions it would be read.",
	leftNoPack:    "Other criteria by which it is judged have no version in force on the day of its test.",
}

const (
	leftDestroyed = "destroyed"
	leftStale     = "not_determined"
	leftNotKept   = "not_kept"
	leftDamaged   = "not_readable"
	leftUnread    = "recording_unread"
	leftNoPack    = "no_criteria_in_force"
)

// Case is one stored case.
type Case struct {
	Number    string
	Criteria  []string // regions
	Destroyed bool     // its personal values are gone
	Current   bool     // nothing was edited since it was determined
	Results   []casework.Result
	// Load returns what the case keeps; nil: nothing. It may be called from any
	// goroutine.
	Load func(context.Context) (*qualify.Kept, error)
}

// Cases lists cases in pages, as a list of casework.Store does.
type Cases func(ctx context.Context, after string, limit int) (page []Case, next string, err error)

// Stored lists the cases of a store by number.
func Stored(s casework.Store) Cases {
	return func(ctx context.Context, after string, limit int) ([]Case, string, error) {
		heads, next, err := s.Heads(ctx, after, limit)
		out := make([]Case, len(heads))
		for i, h := range heads {
			out[i] = Case{Number: h.Case, Criteria: h.Criteria, Destroyed: !h.DestroyedAt.IsZero(), Current: h.Current, Results: h.Results}
			if h.Kept == "" {
				continue
			}
			out[i].Load = func(ctx context.Context) (*qualify.Kept, error) {
				packed, err := h.Reveal(ctx, s, h.Kept)
				if err != nil {
					return nil, err
				}
				return qualify.DecodeKept(packed)
			}
		}
		return out, next, err
	}
}

// pageOf is how many cases are in hand at once.
const pageOf = 256

// Run replays the cases of a list. from is the Progress of an earlier Run that
// ended early, or the zero value. tell, if it is not nil, is called after every
// page with the progress so far, and line for every case of which there is
// something to tell, in the order of the list; both in the goroutine of the
// caller, and never for a page that was not finished. On any error, that of ctx
// too, the Progress is of the last page that was: with it a later Run goes on
// and neither repeats nor leaves out a line. ErrProgress if from is of another
// plan.
func (p *Plan) Run(ctx context.Context, cases Cases, from Progress, tell func(Progress), line func(Line) error) (Progress, error) {
	at := from.clone()
	if at.Plan == "" {
		at.Plan = p.ID()
	}
	if at.Plan != p.ID() {
		return from, fmt.Errorf("%w: expected that of the same draft, version in force and confirmations; begin anew", ErrProgress)
	}
	for !at.Done {
		page, next, err := cases(ctx, at.After, pageOf)
		if err != nil {
			return at, err
		}
		lines, err := p.page(ctx, page)
		if err != nil {
			return at, err
		}
		after := at.clone()
		for _, l := range lines {
			if l == nil {
				continue
			}
			after.Summary.add(l)
			if line != nil && (l.Changed() || l.moved() || len(l.NewFacts)+len(l.Unconfirmed) > 0 || l.Left != "" || l.Stored != "") {
				if err := line(l.Line); err != nil {
					return at, err
				}
			}
		}
		after.After, after.Done = next, next == ""
		at = after
		if tell != nil {
			tell(at.clone())
		}
	}
	return at, nil
}

// replayed is a line with what the summary needs beside it.
type replayed struct {
	Line
	differs bool // the file may be another person's
	inTime  bool // its test is of a day from the draft's first on
}

// page determines the cases of a page, nil for one that is judged by other
// criteria.
func (p *Plan) page(ctx context.Context, page []Case) ([]*replayed, error) {
	ctx, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	out := make([]*replayed, len(page))
	next := make(chan int)
	var wg sync.WaitGroup
	for range max(1, p.Workers) {
		wg.Go(func() {
			for i := range next {
				var err error
				if out[i], err = p.one(ctx, page[i]); err != nil {
					stop(fmt.Errorf("case %s: %w", page[i].Number, err))
				}
			}
		})
	}
	for i := range page {
		if ctx.Err() != nil {
			break
		}
		next <- i
	}
	close(next)
	wg.Wait()
	if ctx.Err() != nil {
		return nil, context.Cause(ctx)
	}
	return out, nil
}

// one determines a case by both versions.
func (p *Plan) one(ctx context.Context, c Case) (*replayed, error) {
	region := p.Draft.Region.Region
	if !slices.Contains(c.Criteria, region) {
		return nil, nil
	}
	l := &replayed{Line: Line{Case: c.Number, NewFacts: []string{}, Unconfirmed: []string{}}}
	leave := func(why string) (*replayed, error) {
		l.Left = why
		return l, nil
	}
	switch {
	case c.Destroyed:
		return leave(leftDestroyed)
	case !c.Current:
		return leave(leftStale)
	case c.Load == nil:
		return leave(leftNotKept)
	}
	k, err := c.Load(ctx)
	switch {
	case errors.Is(err, casework.ErrDestroyed):
		return leave(leftDestroyed) // since the list was read
	case errors.Is(err, qualify.ErrKept):
		return leave(leftDamaged)
	case err != nil:
		return nil, err
	}
	was, err := k.Outline(region, p.was, p.confirmed)
	var will criteria.Determination
	if err == nil {
		will, err = k.Outline(region, p.will, p.confirmed)
	}
	switch {
	case errors.Is(err, qualify.ErrUnread):
		return leave(leftUnread)
	case errors.Is(err, rules.ErrNoPackInForce), errors.Is(err, rules.ErrUnknownRegion):
		return leave(leftNoPack)
	case err != nil:
		return nil, err
	}
	if l.differs = k.Differs; l.differs {
		// Nothing is determined of a file that may be another person's.
		open := Verdict{Outcome: string(criteria.Undetermined), Disposition: "incomplete", DecidedBy: []string{}}
		l.InForce, l.Draft = &open, &open
	} else {
		asked := map[string]bool{}
		for _, n := range was.Needs {
			asked[n.Fact] = true
		}
		isNew := func(n criteria.Need) bool { return !asked[n.Fact] }
		l.InForce, l.Draft = verdict(was, func(criteria.Need) bool { return false }), verdict(will, isNew)
		for _, n := range will.Needs {
			to, what := &l.NewFacts, n.Fact
			if clause, ok := criteria.Confirms(n.Fact); ok {
				to, what = &l.Unconfirmed, clause
			}
			if isNew(n) && !slices.Contains(*to, what) {
				*to = append(*to, what)
			}
		}
		slices.Sort(l.NewFacts)
		slices.Sort(l.Unconfirmed)
	}
	day := k.TestDate()
	l.inTime = !day.IsZero() && !day.Before(p.Draft.EffectiveFrom)
	for _, r := range c.Results {
		if r.Criteria == region && r.PackSHA256 == p.InForce.SHA256 && r.Outcome != l.InForce.Outcome {
			l.Stored = r.Outcome
		}
	}
	return l, nil
}

// verdict is a determination in short. Of an open one the clause that waits
// first is told, one of those that first picks if there is any.
func verdict(d criteria.Determination, first func(criteria.Need) bool) *Verdict {
	v := &Verdict{Outcome: string(d.Outcome), Disposition: d.Disposition, DecidedBy: d.DecidedBy}
	if d.Outcome != criteria.Undetermined {
		return v
	}
	v.DecidedBy = []string{}
	needs := slices.Clone(d.Needs)
	slices.SortStableFunc(needs, func(a, b criteria.Need) int { return cmp.Compare(rank(first(a)), rank(first(b))) })
	for _, n := range needs {
		if len(n.Decides) > 0 {
			v.DecidedBy = []string{n.Decides[0]}
			break
		}
	}
	return v
}

func rank(first bool) int {
	if first {
		return 0
	}
	return 1
}
