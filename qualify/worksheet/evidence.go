package worksheet

import (
	"slices"
	"strings"

	"airwarrant/qualify/criteria"
	"airwarrant/rules"
)

// statedText is the evidence of a fact that stands on the case alone.
const statedText = "stated on the case, no document named"

// evidenceList letters what the facts of a case rest on: its uploads in order,
// then every other evidence in the order of its first use. It belongs to one
// worksheet.
type evidenceList struct {
	in     Input
	facts  map[string][]string // clause to the facts that it reads
	texts  []string            // evidence of letter i; of an upload its SHA-256
	number map[string]int
	files  int // so many of texts are uploads
}

func newEvidenceList(in Input) *evidenceList {
	e := &evidenceList{in: in, facts: map[string][]string{}, number: map[string]int{}}
	for _, u := range uploads(in) {
		e.letter(u.SHA256)
	}
	e.files = len(e.texts)
	for _, a := range askedBy(in.Pack) {
		if a.id != "" {
			e.facts[a.id] = append(e.facts[a.id], a.fact)
		}
	}
	return e
}

// letter of an evidence, a new one if it has none: A to Z, then AA.
func (e *evidenceList) letter(text string) string {
	n, ok := e.number[text]
	if !ok {
		n = len(e.texts)
		e.texts = append(e.texts, text)
		e.number[text] = n
	}
	var s string
	for n++; n > 0; n = (n - 1) / 26 {
		s = string(rune('A'+(n-1)%26)) + s
	}
	return s
}

// clause gives the letters of what the facts of a clause rest on.
func (e *evidenceList) clause(id string) string { return e.of(e.facts[id]...) }

// of gives the letters of what facts rest on, "" if none of them is known.
func (e *evidenceList) of(names ...string) string {
	var out []string
	seen := map[string]bool{}
	add := func(text string) {
		if l := e.letter(text); !slices.Contains(out, l) {
			out = append(out, l)
		}
	}
	var rest func(name string)
	rest = func(name string) {
		if seen[name] {
			return
		}
		seen[name] = true
		if name == "recording" {
			if e.in.Recording != nil && e.in.Analysis != nil {
				add(e.in.Recording.SHA256)
			}
			return
		}
		f, ok := e.in.Facts[name]
		if report := e.report(); name == "reported_minutes" && report != "" {
			add(report)
			return
		}
		switch {
		case !ok:
			def, _ := rules.Lookup(name)
			for _, from := range def.From {
				rest(from)
			}
		case f.State == criteria.Located:
			add(placeText(e.in.Language, f.Place) + copyText(e.in.Language, f.Place))
		case f.State == criteria.Stated:
			add(e.in.Language.Say(statedText))
		case f.State == criteria.Computed:
			for _, l := range e.legsOf(name) {
				add(l)
			}
		}
	}
	for _, n := range names {
		rest(n)
	}
	return strings.Join(out, ", ")
}

// report says where the signed report prints the time at or below its level,
// "" if no figure of the report is stated with its place.
func (e *evidenceList) report() string {
	fact, ok := criteria.Facts{Named: e.in.Facts}.Known("report")
	if !ok || e.in.Pack == nil || e.in.Pack.Reading.ReportLevel == nil {
		return ""
	}
	for _, r := range fact.Value.Report {
		if r.Measure == "time_at_or_below" && r.SpO2 != nil && r.SpO2.Cmp(e.in.Pack.Reading.ReportLevel.Rat) == 0 && r.Document != "" {
			return e.in.Language.Say("signed report, %s", reportedPlace(e.in.Language, r))
		}
	}
	return ""
}

// legsOf are the recordings of the legs that a computed fact comes from: those
// of its own leg, else of all.
func (e *evidenceList) legsOf(fact string) []string {
	var own, all []string
	for _, l := range e.in.Legs {
		if l.Of == nil {
			continue
		}
		all = append(all, l.Of.SHA256)
		if criteria.LegFact(l.Role) == fact {
			own = append(own, l.Of.SHA256)
		}
	}
	if len(own) > 0 {
		return own
	}
	return all
}

// recording is the letter of the recording that is drawn and measured, "" if
// there is none.
func (e *evidenceList) recording() string {
	if e.in.Recording == nil {
		return ""
	}
	return e.letter(e.in.Recording.SHA256)
}

// deciding are the facts that the deciding clauses read and that are known.
func (e *evidenceList) deciding(d criteria.Determination) map[string]bool {
	out := map[string]bool{}
	for _, f := range decidingFindings(d) {
		for _, name := range e.facts[f.ID] {
			out[name] = true
		}
	}
	return out
}

// uploads are the files of the case; the recording alone if none are told.
func uploads(in Input) []Upload {
	if rec := in.Recording; rec != nil && len(in.Uploads) == 0 {
		return []Upload{{SHA256: rec.SHA256, Size: rec.Size, Format: rec.Format, Container: rec.Container}}
	}
	return in.Uploads
}
