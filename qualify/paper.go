package qualify

import (
	"slices"

	"airwarrant/qualify/criteria"
	"airwarrant/qualify/worksheet"
	"airwarrant/rules"
)

// Version of the program, printed on every worksheet.
const Version = "0.2.0"

// Program names this program and its version.
const Program = "Airwarrant " + Version

// Paper is what a worksheet shows beside the result of the chain.
type Paper struct {
	Printed   rules.Date // zero: not printed, so that equal results give equal bytes
	Demo      bool
	Case      worksheet.CaseInfo
	Identity  []worksheet.IdentityRow
	Answers   []worksheet.OfficeAnswer
	Emergency string // the number to call; "" prints "the emergency number"
	// CriticalTold says who was told of a critical reading, by whom and when;
	// "" if nobody yet.
	CriticalTold string
}

// Worksheet lays out determination i of the result, in the language of its
// Query.
func (res *Result) Worksheet(i int, p Paper) *worksheet.Worksheet {
	in := worksheet.Input{
		Language: res.language,
		Program:  Program, Printed: p.Printed, Demo: p.Demo, Case: p.Case,
		Pack: res.Packs[i], Determination: res.Determinations[i], Facts: res.applied(i),
		Identity: p.Identity, Answers: p.Answers, Critical: res.Limit, CriticalFound: res.CriticalFound, Emergency: p.Emergency,
	}
	if in.Critical != nil && p.CriticalTold != "" {
		told := *in.Critical
		told.Told = p.CriticalTold
		in.Critical = &told
	}
	if in.Case.Payer == "" {
		in.Case.Payer = res.Packs[i].Region.Payer
	}
	for _, rd := range res.Readings {
		u := worksheet.Upload{SHA256: rd.SHA256, Size: rd.Size, Withheld: rd.Withheld}
		if rd.Recording != nil {
			u.Format, u.Container = rd.Recording.Format, rd.Recording.Container
		}
		for _, r := range res.Facts["recordings"].Value.List {
			switch {
			case r.SHA256 != rd.SHA256:
			case r.Leg():
				u.Role = res.language.Say("exertional test")
			default:
				u.Role = res.language.Word(r.Role)
			}
		}
		in.Uploads = append(in.Uploads, u)
	}
	if res.Analysis != nil {
		rd := res.Readings[res.Chosen-1]
		in.Recording, in.Analysis = rd.Recording, res.Analysis
		in.SessionNo, in.SessionCount = res.Session, rd.Of
	}
	in.Unjudged = res.Unjudged
	for k, s := range res.Judged {
		in.Judged = append(in.Judged, worksheet.Judged{JudgedSpan: s, Samples: res.judgedIn[k]})
	}
	in.Legs = res.PaperLegs()
	if res.Walk != nil {
		rd := res.Readings[res.Chosen-1]
		in.Recording, in.Walk, in.SessionNo, in.SessionCount = rd.Recording, res.Walk, res.Session, rd.Of
	}
	return worksheet.New(in)
}

// applied are the facts as determination i read them.
func (res *Result) applied(i int) map[string]criteria.Fact {
	if i < len(res.Applied) {
		return res.Applied[i]
	}
	return res.Facts
}

// PaperLegs are the marked legs as a worksheet or a page draws them.
func (res *Result) PaperLegs() []worksheet.Leg {
	var out []worksheet.Leg
	for _, l := range res.Legs {
		rd := res.Readings[l.Recording-1]
		w := worksheet.Leg{RecordingRole: l.RecordingRole, Upload: l.Recording, Of: rd.Recording, No: l.Session, SessionsOf: rd.Of, Analysis: l.Analysis, Unjudged: l.Unjudged,
			Session: rd.Analyses[slices.Index(rd.Numbers, l.Session)]}
		w.Begin, w.End = l.Ends(rd.Recording)
		out = append(out, w)
	}
	return out
}
