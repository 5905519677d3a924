package qualify

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"maps"
	"math/big"
	"regexp"
	"time"

	"airwarrant/qualify/analysis"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/recording"
	"airwarrant/rules"
)

// Check runs the whole chain for one case under each set of criteria asked
// for.
//
// An upload is not read while any of those sets bars the supplier from it and
// the facts state no footing that the set accepts: it is only hashed, and the
// determination says who may send it. Errors: those of recording (with the
// name of the source), rules.ErrUnknownRegion, rules.ErrNoPackInForce and
// ErrQuery. Everything else that is missing or doubtful is an undetermined
// Determination that says what would settle it.
//
// Where the facts list several tests, each is checked by itself, under the
// version in force on its own day, and criteria.Decide says which one stands.
func Check(q Query, lib *rules.Library) (*Result, error) {
	if tests := criteria.Tests(q.Facts, unlisted(q)); tests != nil {
		return checkTests(q, lib, tests)
	}
	return checkOne(q, lib)
}

// Versions says which version of a region's criteria is applied to a test of a
// day. A *rules.Library is one; see its methods for what they return.
type Versions interface {
	InForce(region string, on rules.Date) (*rules.Pack, error)
	History(region string) []*rules.Pack
}

// gathered is what is known of one test before any criteria are applied to it,
// beside what the Result itself holds.
type gathered struct {
	sources  int             // recordings that were given
	withheld string          // why they were not read, "" if they were
	recorded rules.Date      // by the recorder's clock, zero if it has none
	asks     []criteria.Need // what has to be answered first
	told     []string        // sentences about all of it
	received rules.Date      // the latest day on which what it rests on came, zero if not known
}

// checkOne runs the chain for one test.
func checkOne(q Query, lib Versions) (*Result, error) {
	res, err := gather(q, lib)
	if err != nil {
		return nil, err
	}
	return res, res.determine(q, lib)
}

// gather reads and measures what one test brings.
func gather(q Query, lib Versions) (*Result, error) {
	res := &Result{Facts: maps.Clone(q.Facts), private: q.Private, language: q.Language}
	if res.Facts == nil {
		res.Facts = map[string]criteria.Fact{}
	}
	stated, _ := knownDate(q.Facts, "test_date")
	g := &res.before
	g.sources, g.received = len(q.Sources), q.Received
	var err error
	if g.withheld, err = barred(q, lib, cmp.Or(q.On, stated), g.sources > 0); err != nil {
		return nil, err
	}
	for _, src := range q.Sources {
		if g.withheld != "" {
			sum := sha256.Sum256(src.Data)
			res.Readings = append(res.Readings, Reading{SHA256: hex.EncodeToString(sum[:]), Size: int64(len(src.Data)), Withheld: g.withheld})
			continue
		}
		rd, err := read(src, q.Analysis)
		if err != nil {
			return nil, err
		}
		res.Readings = append(res.Readings, rd)
	}
	if g.withheld == "" && len(q.Sources) > 0 {
		if g.asks, err = res.pick(q); err != nil {
			return nil, err
		}
		more, err := res.legs(q)
		if err != nil {
			return nil, err
		}
		g.asks = append(g.asks, more...)
	}
	g.recorded = res.recorderDate()
	// A reading judged an artifact is none, and still nobody is spared the call:
	// the alert is of the recording as it stands.
	res.findCritical(&q, cmp.Or(stated, g.recorded))
	g.told = append(res.judge(q), datesAhead(q.Language, q.Today, stated, g.recorded)...)
	if len(res.Readings) > 1 {
		g.told = append(g.told, sameNights(q.Language, res.Readings)...)
	}
	res.Warnings = append(res.Warnings, g.told...)
	return res, nil
}

// determine applies each set of criteria asked for to what was gathered.
func (res *Result) determine(q Query, lib Versions) error {
	g := &res.before
	stated, dated := knownDate(q.Facts, "test_date")
	on := cmp.Or(q.On, stated, g.recorded)
	for _, region := range q.Criteria {
		pack, err := packFor(lib, region, on)
		if err != nil {
			return err
		}
		named, legNotes := res.facts(pack)
		f := criteria.Facts{Named: named, Night: res.Analysis, Language: res.language}
		var d criteria.Determination
		if res.outline {
			d = criteria.Outline(pack, f, q.Confirmed[pack.SHA256])
		} else {
			d = criteria.Determine(pack, f, q.Confirmed[pack.SHA256])
			d.Notes = append(append(d.Notes, criteria.GasNotes(f)...), legNotes...)
			d.Reconciliation = res.reconcile(pack, f)
			d.Notes = append(d.Notes, res.withoutJudgement(pack, f, q.Confirmed[pack.SHA256])...)
			if res.narrowed != "" {
				d.Notes = append(d.Notes, res.narrowed)
			}
			if g.withheld == "" && g.sources > 0 && len(g.asks) == 0 && res.Analysis == nil && res.Walk == nil {
				d.Notes = append(d.Notes, res.language.Say("No recording is named as the night on room air, so nothing is measured from those given."))
			}
		}
		if len(g.asks) > 0 {
			// The recording is there, but which stretch of it is the test is
			// not known: that question stands for those about its measures.
			d.Open(g.asks, res.Facts, "recording", "reported_minutes", "span_judgement")
		}
		d.Notes = append(d.Notes, g.told...)
		res.dateDoubts(&d, lib, region, pack, stated, dated, g.recorded, q.On)
		res.Determinations = append(res.Determinations, d)
		res.Applied = append(res.Applied, named)
		res.Packs = append(res.Packs, pack)
	}
	return nil
}

// barred returns why the uploads may not be read, "" if they may.
// recorded says whether there are any.
func barred(q Query, lib Versions, on rules.Date, recorded bool) (string, error) {
	for _, region := range q.Criteria {
		pack, err := packFor(lib, region, on)
		if err != nil {
			return "", err
		}
		if recorded && criteria.Barred(pack, criteria.Facts{Named: q.Facts}) {
			return q.Language.Say("Not read: under %s the supplier may not see the result of this test without a footing. State the fact custody (%s). %s",
				pack.Region.Name, words(q.Language, pack.Custody.Accepts), pack.Custody.Who), nil
		}
	}
	return "", nil
}

func words(l rules.Language, ws []string) string {
	s := ""
	for i, w := range ws {
		switch {
		case i > 0 && i == len(ws)-1:
			s += l.Say(" or ")
		case i > 0:
			s += ", "
		}
		s += w
	}
	return s
}

// packFor returns the version in force on the day, or the latest if the day
// is not known yet.
func packFor(lib Versions, region string, on rules.Date) (*rules.Pack, error) {
	if on.IsZero() {
		h := lib.History(region)
		if len(h) > 0 {
			on = h[len(h)-1].EffectiveFrom
		}
	}
	return lib.InForce(region, on)
}

func knownDate(facts map[string]criteria.Fact, name string) (rules.Date, bool) {
	f, ok := criteria.Facts{Named: facts}.Known(name)
	return f.Value.Date, ok
}

// onAir returns the number of the recording taken on room air, counted from 1:
// the one that is named so, or one that stands alone and is not named as
// another. It is 0 with a question where that is open, and 0 without one where
// each recording is named as another, so that none can be measured as the
// night.
func (res *Result) onAir(facts map[string]criteria.Fact) (int, []criteria.Need) {
	roles := map[string]string{}
	f, _ := criteria.Facts{Named: facts}.Known("recordings")
	for _, r := range f.Value.List {
		if roles[r.SHA256] != criteria.RoleAir { // a stretch of it on room air is enough
			roles[r.SHA256] = r.Role
		}
	}
	seen := map[string]bool{}
	var air, unnamed []int
	for i, rd := range res.Readings {
		if seen[rd.SHA256] {
			continue // one recording given twice
		}
		seen[rd.SHA256] = true
		switch role, named := roles[rd.SHA256]; {
		case !named:
			unnamed = append(unnamed, i+1)
		case role == "air":
			air = append(air, i+1)
		}
	}
	switch {
	case len(air) == 1:
		return air[0], nil
	case len(unnamed) == 1 && len(seen) == 1:
		return unnamed[0], nil
	case len(air) == 0 && len(unnamed) == 0:
		return 0, nil
	}
	why := res.language.Say("%d recordings were given, and none is named as the one on room air", len(seen))
	if len(air) > 0 {
		why = res.language.Say("%d recordings were given, and %d are named as the one on room air", len(seen), len(air))
	}
	return 0, []criteria.Need{res.need("recordings", why)}
}

// need asks for a fact.
func (res *Result) need(fact, why string) criteria.Need {
	def, _ := rules.Lookup(fact)
	return criteria.Need{Fact: def.Name, Question: res.language.Say(def.Question), Who: def.Who, Decides: []string{}, Why: why}
}

// stamp is a stamp in a sentence: as it stands in English, its day as people
// read it in any other language.
func (res *Result) stamp(s string) string {
	if res.language.Day == nil {
		return s
	}
	return res.language.Stamp(s)
}

// pick chooses the recording and the session, or returns the questions that
// have to be answered first.
func (res *Result) pick(q Query) ([]criteria.Need, error) {
	for n, s := range q.Session {
		if n < 1 || n > len(res.Readings) || s < 1 || s > len(res.Readings[n-1].Sessions) {
			return nil, fmt.Errorf("session %d:%d: expected a recording from 1 to %d and one of its sessions; found none; choose one that was read: %w", n, s, len(res.Readings), ErrQuery)
		}
	}
	rec, asks := res.onAir(q.Facts)
	if rec == 0 {
		return asks, nil
	}
	rd := res.Readings[rec-1]
	session := q.Session[rec]
	if session == 0 {
		if f, ok := (criteria.Facts{Named: q.Facts}).Known("session_choice"); ok && f.Value.Num.IsInt() {
			session = int(f.Value.Num.Num().Int64())
			if session < 1 || session > len(rd.Sessions) {
				return nil, fmt.Errorf("session_choice %d: expected a number from 1 to %d; choose a session that the recording holds: %w", session, len(rd.Sessions), ErrQuery)
			}
		}
	}
	if session == 0 && len(rd.Sessions) > 1 {
		return []criteria.Need{res.need("session_choice", q.Language.Say("the recording holds %d sessions, and a night is never added to another", len(rd.Sessions)))}, nil
	}
	if session == 0 {
		session = 1
	}
	if q.Private {
		res.Readings[rec-1].keepOnly(session, q.Analysis)
	}
	res.choose(rec, session)
	return res.onlyAir(q)
}

// onlyAir narrows the analysis to the stretch that is stated to be on room
// air, and asks for it where marks of the recording speak of oxygen or
// pressure therapy and nobody has stated one: only that stretch can qualify.
func (res *Result) onlyAir(q Query) ([]criteria.Need, error) {
	rd := res.Readings[res.Chosen-1]
	rec := rd.Recording
	f, _ := criteria.Facts{Named: q.Facts}.Known("recordings")
	for _, r := range f.Value.List {
		if r.SHA256 != rd.SHA256 || r.Role != "air" || r.From == "" && r.Until == "" {
			continue
		}
		part, _, err := rd.Stretch(r, res.Session)
		if err != nil {
			return nil, err
		}
		res.Analysis = analysis.Analyze(rec, part, q.Analysis)
		res.narrowed = q.Language.Say("Only the stretch from %s to %s is read: it is the one marked as the test on room air.",
			res.stamp(rec.Stamp(rec.Time[part.From], part.From)), res.stamp(rec.Stamp(rec.Time[part.To-1], part.To-1)))
		res.Warnings = append(res.Warnings, res.narrowed)
		return nil, nil
	}
	if oxygen, ok := (criteria.Facts{Named: q.Facts}).Known("test_oxygen"); ok && oxygen.Value.Word != "room_air" {
		return nil, nil // stated to be no night on room air
	}
	if state, ok := (criteria.Facts{Named: q.Facts}).Known("test_state"); ok && state.Value.Word == "exertion" {
		return nil, nil // a walk: its legs are marked, and no night is measured
	}
	for _, m := range rec.Annotations {
		if therapyMark.MatchString(m.Text) {
			def, _ := rules.Lookup("recordings")
			return []criteria.Need{{Fact: def.Name, Who: rules.Tester, Decides: []string{},
				Question: q.Language.Say("Which stretch of the recording is on room air, from and until which stamp?"),
				Why:      q.Language.Say("a mark in the recording speaks of oxygen or pressure therapy, and only the stretch on room air can qualify")}}, nil
		}
	}
	return nil, nil
}

// therapyMark finds marks that speak of oxygen or pressure therapy. Marks are
// free text: they lead to a question, never to a verdict.
var therapyMark = regexp.MustCompile(`(?i)\b(oxygen|o2|sauerstoff|oxyg[eè]ne|ox[ií]geno|cpap|bipap|pap|niv|l/min|lpm)\b`)

// recorderDate is the date on which the chosen session began by the
// recorder's clock, zero if it has none. What the tester states of the clock's
// error (clock_ahead, clock_behind) moves that date and no sample.
func (res *Result) recorderDate() rules.Date {
	a := cmp.Or(res.Analysis, res.Walk)
	if a == nil {
		return rules.Date{}
	}
	rec := res.Readings[res.Chosen-1].Recording
	if rec.Clock != recording.ClockWall && rec.Clock != recording.ClockInstant {
		return rules.Date{}
	}
	s := a.Stamp(rec, a.First, a.FirstIndex)
	t, err := time.Parse("2006-01-02T15:04:05", s[:19])
	if err != nil {
		return rules.Date{}
	}
	t = t.Add(clockError(res.Facts, "clock_behind") - clockError(res.Facts, "clock_ahead"))
	return rules.Date{Year: t.Year(), Month: int(t.Month()), Day: t.Day()}
}

// clockError is a stated error of the recorder's clock, to the second.
func clockError(facts map[string]criteria.Fact, name string) time.Duration {
	f, ok := criteria.Facts{Named: facts}.Known(name)
	if !ok {
		return 0
	}
	unit := map[string]int64{"s": 1, "h": 3600, "days": 86400}[f.Value.Unit]
	if unit == 0 {
		unit = 60
	}
	seconds, _ := new(big.Rat).Mul(f.Value.Num, new(big.Rat).SetInt64(unit)).Float64()
	const century = 100 * 366 * 86400
	return time.Duration(min(seconds, century)) * time.Second
}

// datesAhead tells of dates of the test that have not come yet. A recorder's
// date of tomorrow is none: where its clock runs the day may have begun.
func datesAhead(l rules.Language, today, stated, recorded rules.Date) []string {
	var out []string
	if today.IsZero() {
		return nil
	}
	if today.Before(stated) {
		out = append(out, l.Say("The stated date of the test, %s, is after today, %s: check it.", stated, today))
	}
	if !recorded.IsZero() && today.AddDays(1).Before(recorded) {
		out = append(out, l.Say("The recorder's clock dates the test %s, after today, %s: the clock was wrong, so the date may be; durations hold.", recorded, today))
	}
	return out
}

// sameNights tells of recordings that hold the same night, or a part of it.
func sameNights(l rules.Language, rds []Reading) []string {
	var out []string
	var prints []map[string]bool
	for i, rd := range rds {
		mine := map[string]bool{rd.SHA256: true}
		for _, s := range rd.Sessions {
			for _, p := range recording.Fingerprint(rd.Recording, s) {
				mine[p] = true
			}
		}
		for j, other := range prints {
			for p := range mine {
				if other[p] {
					out = append(out, l.Say("Recording %d holds the same readings as recording %d, or a part of them: they are one test.", i+1, j+1))
					break
				}
			}
		}
		prints = append(prints, mine)
	}
	return out
}

// dateDoubts asks for the date of the test where it cannot be right, or picks the
// version and is not settled: stated for a day after the test came to hand, or
// before the patient was born; not stated at all; or stated otherwise than the
// recorder's clock has it, with another version in force on that day.
func (res *Result) dateDoubts(d *criteria.Determination, lib Versions, region string, pack *rules.Pack, stated rules.Date, dated bool, recorded, on rules.Date) {
	l := res.language
	need := res.need("test_date", "")
	birth, born := knownDate(res.Facts, "birth_date")
	switch {
	// The next day may have begun where the test was taken.
	case dated && !res.before.received.IsZero() && res.before.received.AddDays(1).Before(stated):
		need.Why = l.Say("the stated date of the test, %s, lies after the day on which the test came here, %s, and no test is of a day after it came", stated, res.before.received)
		d.Open([]criteria.Need{need}, res.Facts)
	case dated && born && stated.Before(birth):
		need.Why = l.Say("the stated date of the test, %s, lies before the stated birth date, %s: one of them is wrong", stated, birth)
		d.Open([]criteria.Need{need}, res.Facts)
	case !dated && on.IsZero():
		need.Why = l.Say("the date of the test picks the version of the criteria, and nobody has stated it")
		if res.Facts["test_date"].State == criteria.Unknown {
			need.Why = l.Say("the date of the test picks the version of the criteria; it was asked and is not known")
		}
		if !recorded.IsZero() {
			need.Why += "; " + l.Say("the recorder's clock says %s, and nobody has checked that clock", recorded)
		}
		d.Open([]criteria.Need{need}, res.Facts)
	case dated && !recorded.IsZero() && recorded != stated:
		note := l.Say("The recorder's clock dates the test %s, the stated date is %s.", recorded, stated)
		other, err := lib.InForce(region, recorded)
		if on.IsZero() && (err != nil || other != pack) {
			need.Why = note + " " + l.Say("Different versions of the criteria hold on the two days")
			d.Open([]criteria.Need{need}, res.Facts)
			return
		}
		d.Notes = append(d.Notes, note+" "+l.Say("The same version of the criteria holds on both."))
	}
}
