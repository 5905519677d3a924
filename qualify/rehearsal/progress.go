package rehearsal

import (
	"cmp"
	"errors"
	"slices"
	"strings"
)

// ErrProgress: the progress given is not of this rehearsal.
var ErrProgress = errors.New("progress of another rehearsal")

// Progress is how far a rehearsal is. Its JSON may be kept and given to a later
// Run; it names no case but the one after which to go on, in the token of the
// list.
type Progress struct {
	Plan    string  `json:"plan"`  // Plan.ID
	After   string  `json:"after"` // token of the list
	Done    bool    `json:"done"`
	Summary Summary `json:"summary"`
}

func (p Progress) clone() Progress {
	p.Summary.Changes = append([]Change{}, p.Summary.Changes...)
	p.Summary.NewFacts = append([]Count{}, p.Summary.NewFacts...)
	p.Summary.Unconfirmed = append([]Count{}, p.Summary.Unconfirmed...)
	p.Summary.Left = append([]Count{}, p.Summary.Left...)
	return p
}

// Summary counts what came out. It does not depend on the order of the cases.
type Summary struct {
	Cases    int `json:"cases"`    // judged by these criteria
	Replayed int `json:"replayed"` // determined by both versions
	Same     int `json:"same"`     // the outcome stays
	Changed  int `json:"changed"`  // the outcome is another
	// Moved are those of Same with other clauses that decide, or another
	// disposition.
	Moved int `json:"moved"`
	// InTime are those of Changed whose test is of the draft's first day or
	// later: the draft would be applied to them.
	InTime int `json:"changed_in_time"`
	// Asking are the cases that would need at least one new fact; NewFacts
	// counts them by fact.
	Asking   int     `json:"asking"`
	NewFacts []Count `json:"new_facts"`
	// Unconfirmed counts the cases that clauses of the draft leave open because
	// nobody has confirmed them, by clause.
	Unconfirmed []Count `json:"unconfirmed"`
	// Changes are those of Changed, by what changes and by which clauses.
	Changes []Change `json:"changes"`
	// Otherwise are cases to which the version in force was applied and whose
	// stored outcome is not that of the replay: a draft has been confirmed since,
	// or the program reads something otherwise now.
	Otherwise int `json:"otherwise"`
	// Differs are cases of which nothing is determined, because the file may
	// be another person's.
	Differs int     `json:"identity_differs"`
	Left    []Count `json:"left"` // not replayed, by a word of Reasons
}

// Count is how many cases there are of something.
type Count struct {
	What  string `json:"what"`
	Cases int    `json:"cases"`
}

// Change is one way in which outcomes change.
type Change struct {
	From  string   `json:"from"`
	To    string   `json:"to"`
	By    []string `json:"decided_by"` // clauses of the draft
	Cases int      `json:"cases"`
}

func (c Change) compare(d Change) int {
	return cmp.Or(strings.Compare(c.From, d.From), strings.Compare(c.To, d.To), slices.Compare(c.By, d.By))
}

func (s *Summary) add(l *replayed) {
	s.Cases++
	if l.Left != "" {
		count(&s.Left, l.Left)
		return
	}
	s.Replayed++
	if l.differs {
		s.Differs++
	}
	if l.Stored != "" {
		s.Otherwise++
	}
	if len(l.NewFacts) > 0 {
		s.Asking++
	}
	for _, f := range l.NewFacts {
		count(&s.NewFacts, f)
	}
	for _, id := range l.Unconfirmed {
		count(&s.Unconfirmed, id)
	}
	if !l.Changed() {
		s.Same++
		if l.moved() {
			s.Moved++
		}
		return
	}
	s.Changed++
	if l.inTime {
		s.InTime++
	}
	c := Change{From: l.InForce.Outcome, To: l.Draft.Outcome, By: l.Draft.DecidedBy}
	i, found := slices.BinarySearchFunc(s.Changes, c, Change.compare)
	if !found {
		s.Changes = slices.Insert(s.Changes, i, c)
	}
	s.Changes[i].Cases++
}

// count adds a case to a list of counts by name.
func count(list *[]Count, what string) {
	i, found := slices.BinarySearchFunc(*list, what, func(c Count, w string) int { return strings.Compare(c.What, w) })
	if !found {
		*list = slices.Insert(*list, i, Count{What: what})
	}
	(*list)[i].Cases++
}

// Columns are the heads of a table of lines, as Row gives them.
var Columns = []string{"case", "in_force", "draft", "in_force_disposition", "draft_disposition", "in_force_decided_by", "draft_decided_by", "new_facts", "unconfirmed", "stored", "not_replayed"}

// Row is the line as cells of a table, under Columns; several clauses or facts
// are parted by blanks.
func (l Line) Row() []string {
	was, will := Verdict{}, Verdict{}
	if l.InForce != nil {
		was, will = *l.InForce, *l.Draft
	}
	return []string{l.Case, was.Outcome, will.Outcome, was.Disposition, will.Disposition, strings.Join(was.DecidedBy, " "), strings.Join(will.DecidedBy, " "),
		strings.Join(l.NewFacts, " "), strings.Join(l.Unconfirmed, " "), l.Stored, l.Left}
}
