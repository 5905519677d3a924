package worksheet

import (
	"fmt"
	"math/big"
	"strings"

	"airwarrant/qualify/analysis"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/recording"
)

// Judged is a judgement of a doubtful stretch with the samples of Recording in
// which it lies; none of them if it is of another recording.
type Judged struct {
	criteria.JudgedSpan
	Samples recording.Session
}

// judgementWords say a judgement as an adjective.
var judgementWords = map[string]string{"genuine": "genuine", "artifact": "artifact", "cannot_tell": "cannot be told"}

// judged lists what was said of doubtful stretches, and lays the measures that
// the criteria ask for with the judgement beside those without it.
func judged(in Input) Section {
	s := Section{ID: "judged", Title: "Doubtful stretches that were judged",
		Lead:  "Judged by the tester or the practitioner. Genuine: it counts like any other reading. Artifact: it is no reading, and in no figure. Both readings are printed.",
		Table: &Table{Columns: []Column{{"Measure", .30, false}, {"Reading", .25, false}, {"Low", .15, true}, {"Value", .15, true}, {"High", .15, true}}}}
	if len(in.Judged) == 0 {
		return s
	}
	s.Items = judgedTogether(in.Judged)
	pair := func(what string, with, without [3]string) {
		s.Table.Rows = append(s.Table.Rows,
			Row{Strong: true, Cells: []Cell{{Text: what}, {Text: "as judged"}, {Text: with[0]}, {Text: with[1]}, {Text: with[2]}}},
			Row{Cells: []Cell{{Text: what}, {Text: "without the judgement"}, {Text: without[0]}, {Text: without[1]}, {Text: without[2]}}})
	}
	if a, was := in.Analysis, in.Unjudged; a != nil && was != nil {
		seen := map[string]bool{}
		for _, q := range askedBy(in.Pack) {
			if q.level == nil {
				continue
			}
			strict := strings.HasSuffix(q.fact, "_below") && !strings.HasSuffix(q.fact, "_or_below")
			name := "time at or below " + number(q.level) + " %"
			if strict {
				name = "time below " + number(q.level) + " %"
			}
			if seen[name] {
				continue
			}
			seen[name] = true
			at := func(a *analysis.Analysis) [3]string {
				t := a.AtOrBelow(q.level)
				if strict {
					t = a.Below(q.level)
				}
				return [3]string{duration(a, t.Low), duration(a, t.Value), duration(a, t.High)}
			}
			pair(upper(name), at(a), at(was))
		}
		pair("Nadir (lowest saturation)", bounds(a.Nadir), bounds(was.Nadir))
		pair("Suspect time", [3]string{1: duration(a, a.Suspect)}, [3]string{1: duration(was, was.Suspect)})
	}
	for _, l := range in.Legs {
		if l.Unjudged != nil {
			pair(upper(criteria.RoleText(l.Role))+", nadir", bounds(l.Nadir), bounds(l.Unjudged.Nadir))
		}
	}
	return s
}

func bounds(b analysis.Bounded) [3]string {
	pct := func(r *big.Rat) string {
		if r == nil {
			return "–"
		}
		return number(r) + " %"
	}
	return [3]string{pct(b.Low), pct(b.Value), pct(b.High)}
}

// judgedTogether words the judgements: stretches of which one person said the
// same stand in one line, the first of them by name.
func judgedTogether(list []Judged) []string {
	const named = 4 // stretches that a line names (our choice); the list of doubted stretches names all
	type group struct{ judged, by string }
	var order []group
	of := map[group][]string{}
	for _, j := range list {
		g := group{j.Judged, j.By}
		if of[g] == nil {
			order = append(order, g)
		}
		from, to := clock(j.From), clock(j.To)
		if day, _, ok := strings.Cut(from, " "); ok {
			to = strings.TrimPrefix(to, day+" ")
		}
		of[g] = append(of[g], from+" to "+to)
	}
	var out []string
	for _, g := range order {
		all := of[g]
		line := fmt.Sprintf("%s, by %s: %s", upper(judgementWords[g.judged]), g.by, strings.Join(all[:min(named, len(all))], "; "))
		if more := len(all) - named; more > 0 {
			line += fmt.Sprintf(" and %d more", more)
		}
		out = append(out, line+".")
	}
	return out
}

// judgement says what was said of a span, "" if nothing was.
func (in Input) judgement(sp analysis.Span) string {
	for i := len(in.Judged) - 1; i >= 0; i-- {
		j := in.Judged[i]
		if j.Samples.From < sp.To && sp.From < j.Samples.To {
			words := "judged: " + judgementWords[j.Judged] + ", by " + j.By
			if j.Samples.From > sp.From || j.Samples.To < sp.To {
				words += " (in part)"
			}
			return words
		}
	}
	return ""
}
