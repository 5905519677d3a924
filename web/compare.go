package web

import (
	"net/http"
	"slices"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/worksheet"
)

// comparedMost is how many sets of criteria stand side by side (our choice):
// each reads the recording anew.
const comparedMost = 6

// comparePage lays one case under several sets of criteria side by side. It
// stores nothing.
type comparePage struct {
	Number string
	Payers []payerLine
	Rows   []comparedRow
	Say    string
}

// comparedRow is the case under one set.
type comparedRow struct {
	Region, Name, Version, Address string
	Word, Mark, Disposition        string
	Because                        any
	Status                         string
	Decided                        []string // labels of the clauses that decided
	Asks                           []string
}

func (s *Site) compareCase(w http.ResponseWriter, q *request) error {
	f, err := s.open(q.Context(), q.PathValue("number"))
	if err != nil {
		return err
	}
	b := comparePage{Number: f.Number}
	wanted := q.URL.Query()["with"]
	if len(wanted) > comparedMost {
		b.Say = q.say("Expected at most %d sets; found %d. These are the first of them.", comparedMost, len(wanted))
		wanted = wanted[:comparedMost]
	}
	regions := slices.Clone(f.Criteria)
	for _, r := range s.lib.Regions() {
		if !r.Hidden && slices.Contains(wanted, r.Region) && !slices.Contains(regions, r.Region) {
			regions = append(regions, r.Region)
		}
	}
	for _, p := range s.payers("") {
		p.On = slices.Contains(regions, p.Region.Region)
		if !slices.Contains(f.Criteria, p.Region.Region) {
			b.Payers = append(b.Payers, p)
		}
	}
	for _, region := range regions {
		row, err := s.comparedUnder(q, f, region)
		if err != nil {
			return err
		}
		b.Rows = append(b.Rows, row)
	}
	s.viewed(q.Context(), f, q.visit.Who, casework.RoleIntake, "case under other criteria")
	s.render(w, q, http.StatusOK, "compare", page{Criteria: f.Criteria[0], Title: "Case " + f.Number + " under several sets of criteria", Body: b})
	return nil
}

// comparedUnder evaluates the case as if it had been opened under that set. A
// set that bars the supplier from the recording keeps it from being read.
func (s *Site) comparedUnder(q *request, f *file, region string) (comparedRow, error) {
	r, err := s.lib.Region(region)
	if err != nil {
		return comparedRow{}, err
	}
	c := *f.Case
	c.Criteria = []string{region}
	as := *f
	as.Case = &c
	row := comparedRow{Region: region, Name: r.Name}
	ev, err := s.evaluateFor(q, &as)
	if err != nil {
		return row, err
	}
	if ev.trouble != nil {
		row.Word, row.Mark = outcomeWords("")
		row.Because = q.say(ev.trouble.Sentence)
		return row, nil
	}
	d, res := ev.Determinations[0], ev.results[0]
	row.Version, row.Address = d.Version, "/rules/"+region+"/"+d.Version
	row.Word, row.Mark = outcomeWords(res.Outcome)
	row.Disposition, row.Because, row.Status = ev.in.Word(res.Disposition), worksheet.Marked(ev.in, ev.Packs[0], d.Because), ev.in.Say(string(d.Status))
	if ev.differs {
		row.Because = q.say("The file may be another person's: settle that on the case first.")
		return row, nil
	}
	for _, id := range res.DecidedBy {
		label := id
		if n := ev.Packs[0].FindClause(id); n != nil && n.Label != "" {
			label = n.Label
		}
		row.Decided = append(row.Decided, label)
	}
	for _, n := range d.Needs {
		row.Asks = append(row.Asks, n.Question)
	}
	return row, nil
}
