package qualify

import (
	"cmp"
	"errors"
	"maps"
	"math/big"
	"slices"
	"strings"
	"unicode/utf8"

	"airwarrant/qualify/analysis"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/recording"
	"airwarrant/rules"
	"airwarrant/rules/wording"
)

// Leg is one marked stretch of an exertional test: a leg, or the recovery that
// is kept apart from them. Its analysis is that of its samples alone, so that
// no reading outside it changes anything in it.
type Leg struct {
	criteria.RecordingRole
	Recording int               // of Readings, from 1
	Session   int               // number of the session in which it lies
	Samples   recording.Session // of the recording
	*analysis.Analysis
	// Unjudged is Analysis without judgements; nil where none changed it.
	Unjudged *analysis.Analysis

	where string // the leg with its ends, in words
}

// legs finds the marked stretches of the facts and analyses the legs among
// them, in the order of recordings and time. It returns the questions that
// have to be answered first.
func (res *Result) legs(q Query) ([]criteria.Need, error) {
	f, _ := criteria.Facts{Named: q.Facts}.Known("recordings")
	taken := map[int][]recording.Session{} // stretches by recording
	for _, r := range f.Value.List {
		if !r.Leg() && r.From == "" && r.Until == "" {
			continue // a whole night
		}
		n := 1 + slices.IndexFunc(res.Readings, func(rd Reading) bool { return rd.SHA256 == r.SHA256 && rd.Recording != nil })
		if n == 0 {
			if r.Leg() {
				res.absent = append(res.absent, q.Language.Say("The stretch %q is of a recording that is not at hand (SHA-256 %.12s), so it is not read.", q.Language.Say(criteria.RoleText(r.Role)), r.SHA256))
			}
			continue
		}
		only, ask := res.legSession(n, q)
		if ask != nil {
			return ask, nil
		}
		rd := &res.Readings[n-1]
		part, session, err := rd.stretch(r, only)
		if errors.Is(err, errSessions) {
			return res.askSession(q.Language.Say("the recording holds %d sessions, and the stretch %s fits several of its sessions", len(rd.Sessions), q.Language.Say(criteria.RoleText(r.Role)))), nil
		}
		if err != nil {
			return nil, err
		}
		for _, t := range taken[n] {
			if part.From < t.To && t.From < part.To {
				return nil, stretchFault(r, wording.Said("stretches of one recording that do not overlap"), wording.Said("samples that another one holds too"), wording.Said("end the one where the other begins"))
			}
		}
		taken[n] = append(taken[n], part)
		if r.Leg() {
			l := Leg{RecordingRole: r, Recording: n, Session: session, Samples: part, Analysis: legAnalysis(rd, part, session, q.Analysis)}
			l.where = l.words(rd.Recording, q.Language)
			res.Legs = append(res.Legs, l)
		}
	}
	slices.SortFunc(res.Legs, func(a, b Leg) int {
		return cmp.Or(a.Recording-b.Recording, a.Samples.From-b.Samples.From)
	})
	if len(res.Legs) > 0 && res.Analysis == nil {
		// What is shown is the session of the leg that decides.
		shown := res.Legs[max(0, slices.IndexFunc(res.Legs, func(l Leg) bool { return l.Role == criteria.RoleExertionAir }))]
		rd := res.Readings[shown.Recording-1]
		res.Chosen, res.Session = shown.Recording, shown.Session
		res.Walk = rd.Analyses[slices.Index(rd.Numbers, shown.Session)]
		for _, w := range rd.Recording.Warnings {
			res.Warnings = append(res.Warnings, w.Text)
		}
	}
	return nil, nil
}

// legSession is the session of recording n in which its legs have to lie, 0
// for any, or the question for it: of several sessions only the chosen one may
// be kept.
func (res *Result) legSession(n int, q Query) (int, []criteria.Need) {
	rd := &res.Readings[n-1]
	session := q.Session[n]
	if f, ok := (criteria.Facts{Named: q.Facts}).Known("session_choice"); ok && session == 0 && len(res.Readings) == 1 {
		session = int(f.Value.Num.Num().Int64())
	}
	if !q.Private || len(rd.Sessions) < 2 {
		return session, nil
	}
	if session == 0 {
		return 0, res.askSession(q.Language.Say("the recording holds %d sessions, and only the session that is this patient's test is read", len(rd.Sessions)))
	}
	rd.keepOnly(session, q.Analysis)
	return session, nil
}

func (res *Result) askSession(why string) []criteria.Need {
	return []criteria.Need{res.need("session_choice", why)}
}

// legAnalysis analyses the samples of a leg alone. A leg of one sample weighs
// it with the interval of its session.
func legAnalysis(rd *Reading, part recording.Session, session int, opt analysis.Options) *analysis.Analysis {
	a := analysis.Analyze(rd.Recording, part, opt)
	whole := rd.Analyses[slices.Index(rd.Numbers, session)]
	if ms := whole.Interval * 1000 / whole.PerSecond; a.Interval == 0 && ms > 0 {
		opt.IntervalMS = ms
		a = analysis.Analyze(rd.Recording, part, opt)
	}
	return a
}

// legRange is what a leg tells of its fact: the value, and the least and the
// greatest that it may be; nil if it tells nothing. hold is how long a value
// has to hold to be that of a leg on exertion, nil for any reading.
//
// On exertion the value is the lowest level held. A lower reading that did not
// hold may be what the tester saw, so it is the low bound; a doubted one may be
// none, so the lowest level that nobody doubts is the high bound. At rest the
// value is the mean, and the low bound the lowest level held.
func legRange(l Leg, hold *big.Rat, artifacts string) *criteria.Value {
	held, n, m := l.Held(hold), l.Nadir, l.Mean
	if artifacts == "strict" {
		held.Low, held.Value, n.Low, n.Value = held.High, held.High, n.High, n.High
	}
	if artifacts == "as_recorded" {
		held.Low, held.High, n.Low, m.Low, m.High = held.Value, held.Value, n.Value, m.Value, m.Value
	}
	if held.Value == nil {
		return nil
	}
	v := criteria.Value{Num: held.Value, Low: n.Low, High: held.High, Unit: "%"}
	if l.Role == criteria.RoleRestAir {
		v.Num, v.Low, v.High = m.Value, least(held.Low, m.Low), m.High
	}
	if v.High == nil {
		v.High = big.NewRat(100, 1) // every reading that held is doubted
	}
	return &v
}

func least(a, b *big.Rat) *big.Rat {
	if b == nil || a != nil && a.Cmp(b) <= 0 {
		return a
	}
	return b
}

// facts are those of the case under one pack: with what the legs tell, beside
// what is stated of them, and notes on both.
func (res *Result) facts(pack *rules.Pack) (map[string]criteria.Fact, []string) {
	if len(res.Legs) == 0 {
		return res.Facts, append(slices.Clone(res.absent), walkNotes(res.language, res.Facts, pack)...)
	}
	named, notes, say := maps.Clone(res.Facts), slices.Clone(res.absent), res.language.Say
	for _, l := range res.Legs {
		fact := criteria.LegFact(l.Role)
		if fact == "" {
			continue
		}
		where := say("the leg %s", l.where)
		v := legRange(l, pack.LegHoldSeconds(), pack.Reading.Artifacts)
		if v == nil {
			note := say("Nothing is computed from %s: it holds no value.", where)
			if hold := pack.Reading.LegHold; hold != nil {
				note = say("Nothing is computed from %s: it holds no value for %s.", where, hold)
			}
			notes = append(notes, note)
			continue
		}
		var note string
		named[fact], note = beside(res.language, named[fact], fact, *v, where)
		if note != "" {
			notes = append(notes, note)
		}
	}
	if f, known := (criteria.Facts{Named: named}).Known("same_sitting"); res.oneSitting(named) {
		basis := say("The legs lie in one session of one recording, so they are of one sitting.")
		if known && !f.Value.Bool {
			notes = append(notes, say("It is stated that the legs were not taken in one sitting, although they lie in one session of one recording; what is stated holds."))
		} else if !known {
			named["same_sitting"] = criteria.Fact{Name: "same_sitting", State: criteria.Computed, Value: criteria.Value{Bool: true}, Basis: basis}
			notes = append(notes, basis)
		}
	}
	for _, l := range res.Legs {
		if _, stated := named["exertion_device"]; !stated && l.Role == criteria.RoleExertionOxygen && l.Device != "" {
			named["exertion_device"] = criteria.Fact{Name: "exertion_device", State: criteria.Stated, Value: criteria.Value{Word: l.Device}}
		}
	}
	notes = append(notes, walkNotes(res.language, named, pack)...)
	for _, l := range res.Legs {
		if l.Role == criteria.RoleRecovery {
			low := say("no reading")
			if l.Nadir.Value != nil {
				low = say("lowest %s %%", res.language.Number(Decimal(l.Nadir.Value)))
			}
			notes = append(notes, say("Readings of the recovery are not one of the legs and change nothing: %s, %s.", l.where, low))
		}
	}
	return named, notes
}

// beside lays what a leg tells beside what is stated of it. A stated figure
// that the leg may have had settles it; of one outside, both readings count.
func beside(l rules.Language, f criteria.Fact, fact string, v criteria.Value, where string) (criteria.Fact, string) {
	low, high := v.Bounds()
	between := l.Measure(Decimal(low), "%")
	if low.Cmp(high) != 0 {
		between = l.Say("between %s and %s %%", l.Number(cut(low)), l.Number(cut(high)))
	}
	if f.Value.Num == nil {
		return criteria.Fact{Name: fact, State: criteria.Computed, Value: v, Asked: f.State == criteria.Unknown,
			Basis: l.Say("From %s: %s.", where, between)}, ""
	}
	step := new(big.Rat).SetFrac(big.NewInt(1), new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(f.Value.Places)), nil))
	step.Quo(step, big.NewRat(2, 1))
	x := f.Value.Num
	if new(big.Rat).Add(x, step).Cmp(low) >= 0 && new(big.Rat).Sub(x, step).Cmp(high) <= 0 {
		f.Basis = l.Say("In the recording, %s: %s.", where, between)
		return f, ""
	}
	def, _ := rules.Lookup(fact)
	f.Value.Low, f.Value.High = least(low, x), x
	if high.Cmp(x) > 0 {
		f.Value.High = high
	}
	stated := l.Number(x.FloatString(f.Value.Places))
	f.Basis = l.Say("Stated is %s %%, while %s gives %s.", stated, where, between)
	return f, l.Say("%s: stated is %s %%, while %s gives %s. Both readings count.", upper(l.Say(def.Meaning)), stated, where, between)
}

// cut prints a percentage for a sentence, with at most two decimals.
func cut(r *big.Rat) string {
	hundredths := new(big.Rat).Mul(r, big.NewRat(100, 1))
	return Decimal(new(big.Rat).SetFrac(new(big.Int).Quo(hundredths.Num(), hundredths.Denom()), big.NewInt(100)))
}

func upper(s string) string {
	_, n := utf8.DecodeRuneInString(s)
	return strings.ToUpper(s[:n]) + s[n:]
}

// oneSitting reports whether all legs that are known at all lie in one session
// of one recording. That holds for two or more; what the others tell is asked.
func (res *Result) oneSitting(named map[string]criteria.Fact) bool {
	marked := map[string]bool{}
	for _, l := range res.Legs {
		if l.Recording != res.Legs[0].Recording || l.Session != res.Legs[0].Session {
			return false
		}
		if fact := criteria.LegFact(l.Role); fact != "" {
			marked[fact] = true
		}
	}
	for _, role := range criteria.Roles() {
		fact := criteria.LegFact(role)
		if _, known := (criteria.Facts{Named: named}).Known(fact); fact != "" && known && !marked[fact] {
			return false
		}
	}
	return len(marked) > 1
}

// Ends are the stamps at which a leg begins and ends: that of its first
// sample, and the instant after its last one.
func (l Leg) Ends(rec *recording.Recording) (from, until string) {
	end := l.Last
	if l.Recorded != nil {
		end = l.First + *l.Recorded
	}
	return l.Stamp(rec, l.First, l.FirstIndex), l.Stamp(rec, end, l.FirstIndex+l.Count-1)
}

// words names a leg with its ends.
func (l Leg) words(rec *recording.Recording, in rules.Language) string {
	from, to := l.Ends(rec)
	if day, _, ok := strings.Cut(from, "T"); ok {
		to = strings.TrimPrefix(to, day+"T")
	}
	return in.Say("%s, %s to %s", in.Say(criteria.RoleText(l.Role)), in.Stamp(from), in.Stamp(to))
}

// accuracyPoints: a gain on oxygen of at most this many points is told to lie
// within the accuracy of an oximeter (our choice; standards of oximeters ask for
// a root mean square difference of 2 to 4 points from the blood, from memory).
const accuracyPoints = 2

// walkNotes tells what bears on the legs of an exertional test, however they
// are known, without changing a verdict.
func walkNotes(l rules.Language, named map[string]criteria.Fact, pack *rules.Pack) []string {
	f := criteria.Facts{Named: named}
	if state, ok := f.Known("test_state"); ok && state.Value.Word != "exertion" {
		return nil
	}
	air, okAir := f.Known("exertion_spo2_air")
	oxygen, okOxygen := f.Known("exertion_spo2_oxygen")
	if !okAir || !okOxygen {
		return nil
	}
	var out []string
	gain := new(big.Rat).Sub(oxygen.Value.Num, air.Value.Num)
	if limit := pack.LegLevel(); limit != nil && gain.Sign() > 0 && oxygen.Value.Num.Cmp(limit) <= 0 {
		out = append(out, l.Say("On exertion oxygen improves the saturation from %s to %s %%, and it is still at or below %s %%.",
			l.Number(cut(air.Value.Num)), l.Number(cut(oxygen.Value.Num)), l.Number(Decimal(limit))))
	}
	if new(big.Rat).Abs(gain).Cmp(big.NewRat(accuracyPoints, 1)) <= 0 {
		out = append(out, l.Say("Between exertion on room air and on oxygen the saturation differs by %s: within the accuracy of an oximeter, which is not better than about %d points.",
			l.Measure(cut(new(big.Rat).Abs(gain)), "points"), accuracyPoints))
	}
	return out
}
