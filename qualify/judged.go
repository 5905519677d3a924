package qualify

import (
	"slices"
	"strings"

	"airwarrant/qualify/analysis"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/recording"
	"airwarrant/rules"
)

// judge lets what the tester or the practitioner says of doubtful stretches
// stand over the rules of doubt. What was measured without it is kept beside
// it. A judgement that holds no doubted reading of the test changes nothing,
// and is told in a sentence.
func (res *Result) judge(q Query) (told []string) {
	f, ok := criteria.Facts{Named: q.Facts}.Known("spans")
	if !ok || res.Chosen == 0 && len(res.Legs) == 0 {
		return nil
	}
	said := make(map[int][]analysis.Judged) // by recording
	fits := make([]bool, len(f.Value.Spans))
	in := make([]recording.Session, len(f.Value.Spans))
	for n := range res.Readings {
		rd := &res.Readings[n]
		if rd.Recording == nil {
			continue
		}
		for i, s := range f.Value.Spans {
			if s.SHA256 != rd.SHA256 && (s.SHA256 != "" || len(res.Readings) > 1) {
				continue
			}
			part, _, err := rd.stretch(criteria.RecordingRole{SHA256: rd.SHA256, Role: "judged", From: s.From, Until: s.To}, res.sessionOf(n+1))
			if err != nil || !res.doubts(n+1, part) {
				continue
			}
			fits[i] = true
			if n+1 == res.Chosen {
				in[i] = part
			}
			said[n+1] = append(said[n+1], analysis.Judged{From: part.From, To: part.To, As: analysis.Judgement(s.Judged)})
		}
	}
	for i, s := range f.Value.Spans {
		if fits[i] {
			res.Judged, res.judgedIn = append(res.Judged, s), append(res.judgedIn, in[i])
			continue
		}
		told = append(told, q.Language.Say("The judgement of the stretch from %s to %s fits no doubted reading of this test, and is left out.", res.stamp(s.From), res.stamp(s.To)))
	}
	if len(res.Judged) == 0 {
		return told
	}
	with := func(n int) analysis.Options {
		opt := q.Analysis
		opt.Judged = said[n]
		return opt
	}
	for i := range res.Legs {
		l := &res.Legs[i]
		rd := &res.Readings[l.Recording-1]
		l.Unjudged, l.Analysis = l.Analysis, legAnalysis(rd, l.Samples, l.Session, with(l.Recording))
	}
	if res.Chosen == 0 {
		return told
	}
	for _, a := range []**analysis.Analysis{&res.Analysis, &res.Walk} {
		if *a != nil {
			whole := recording.Session{From: (*a).FirstIndex, To: (*a).FirstIndex + (*a).Count}
			res.Unjudged, *a = *a, analysis.Analyze(res.Readings[res.Chosen-1].Recording, whole, with(res.Chosen))
		}
	}
	return told
}

// sessionOf is the session of recording n that the test is of, 0 if any may
// be.
func (res *Result) sessionOf(n int) int {
	if n == res.Chosen {
		return res.Session
	}
	for _, l := range res.Legs {
		if l.Recording == n {
			return l.Session
		}
	}
	return 0
}

// doubts reports whether a stretch of recording n holds a doubted or unusable
// reading of what is measured.
func (res *Result) doubts(n int, part recording.Session) bool {
	var of []*analysis.Analysis
	if n == res.Chosen {
		of = append(of, res.Analysis, res.Walk)
	}
	for _, l := range res.Legs {
		if l.Recording == n {
			of = append(of, l.Analysis)
		}
	}
	for _, a := range of {
		if a != nil && slices.ContainsFunc(a.Spans, func(s analysis.Span) bool {
			return s.Kind != analysis.SpanMissing && s.From < part.To && part.From < s.To
		}) {
			return true
		}
	}
	return false
}

// withoutJudgement says what the outcome is without the judgements, and who
// judged.
func (res *Result) withoutJudgement(pack *rules.Pack, f criteria.Facts, c criteria.Confirmations) []string {
	if len(res.Judged) == 0 {
		return nil
	}
	var by []string
	for _, s := range res.Judged {
		if !slices.Contains(by, s.By) {
			by = append(by, s.By)
		}
	}
	l := res.language
	note := l.Say("Doubtful readings were judged by %s; both readings are printed.", strings.Join(by, l.Say(" and ")))
	if res.Unjudged == nil || f.Night == nil {
		return []string{note}
	}
	f.Night = res.Unjudged
	was := criteria.Determine(pack, f, c).Outcome
	return []string{note + " " + l.Say("Without the judgement the outcome is: %s.", l.Say(map[criteria.Outcome]string{criteria.Qualifies: "written criteria met",
		criteria.DoesNotQualify: "written criteria not met", criteria.Undetermined: "undetermined"}[was]))}
}
