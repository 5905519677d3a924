package web

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"net/http"
	"regexp"
	"strings"
	"time"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/worksheet"
	"airwarrant/rules"
)

// criticalView is the alert on top of a case: a critically low reading stands
// there whatever the verdict, and stays open until it is entered who was told.
type criticalView struct {
	Words []string
	Limit string
	Open  bool
	Told  []statedLine
	// Of the form.
	Who, By, When, Say string
	Errors             map[string]string
}

// alertName names critical readings, so that further ones open the alert
// again; "" if there are none.
func alertName(found []worksheet.CriticalReading) string {
	if len(found) == 0 {
		return ""
	}
	h := sha256.New()
	for _, c := range found {
		fmt.Fprintln(h, c.From, c.Lowest, c.Seconds, c.At, c.On)
	}
	return hex.EncodeToString(h.Sum(nil))
}

// critical is the alert of a case, nil if there is nothing to tell.
func (f *file) critical(ev *evaluation, p posted) *criticalView {
	if ev.Result == nil || ev.Limit == nil || len(ev.CriticalFound) == 0 {
		return nil
	}
	v := &criticalView{Limit: ev.Limit.AtOrBelow.FloatString(0) + " %, " + ev.in.Say(ev.Limit.Source), Open: f.AlertOpen(), Errors: map[string]string{}}
	for _, c := range ev.CriticalFound {
		if ev.differs && c.Seconds != nil {
			v.Words = []string{"in a recording of which it is not settled whose it is: find that out now"}
			break
		}
		v.Words = append(v.Words, c.WordsIn(ev.in, ev.Limit.AtOrBelow, ev.Limit.Today))
	}
	for _, t := range f.CriticalTold {
		v.Told = append(v.Told, statedLine{Value: toldIn(f.ToldWords[t.Words], ev.in), Who: t.By, At: t.At})
	}
	if p.part == "critical" {
		v.Say, v.Errors = p.say, p.faults
		v.Who, v.By, v.When = typed(p.form, "told"), typed(p.form, "by"), typed(p.form, "when")
	}
	return v
}

// toldText is how stateTold keeps who was told, by whom and when; toldAsKept
// finds the three in it again.
const toldText = "%s told by %s on %s"

var toldAsKept = regexp.MustCompile("(?s)^" + strings.ReplaceAll(toldText, "%s", "(.+)") + "$")

// toldIn is what toldAsKept keeps, in a language.
func toldIn(kept string, l rules.Language) string {
	m := toldAsKept.FindStringSubmatch(kept)
	if m == nil {
		return kept
	}
	return l.Say(toldText, m[1], m[2], l.Stamp(m[3]))
}

// toldWords says for the worksheet who was told; "" while the alert is open.
func (f *file) toldWords(l rules.Language) string {
	if f.AlertOpen() || len(f.CriticalTold) == 0 {
		return ""
	}
	return toldIn(f.ToldWords[f.CriticalTold[len(f.CriticalTold)-1].Words], l) + "."
}

// lastCritical is the day of the latest test with a critical reading, as
// YYYY-MM-DD; "" where no such day is known.
func lastCritical(ev *evaluation) string {
	last := ""
	if ev.Result == nil {
		return ""
	}
	for _, c := range ev.CriticalFound {
		last = max(last, c.On.String())
	}
	return last
}

const whenForm = "2006-01-02 15:04"

// stateTold enters who was told of a critically low reading, by whom and when.
func (s *Site) stateTold(w http.ResponseWriter, q *request) error {
	number := q.PathValue("number")
	who, by, when := typed(q.PostForm, "told"), typed(q.PostForm, "by"), typed(q.PostForm, "when")
	faults := map[string]string{}
	if who == "" || len(who) > textLimit {
		faults["told"] = "Expected who was told, such as the treating practitioner by name; found nothing, or more than 400 letters. Type it."
	}
	if by == "" || len(by) > nameLimit {
		faults["by"] = "Expected who told it, at most 80 letters; found none or more. Type the name."
	}
	f, err := s.open(q.Context(), number)
	if err != nil {
		return err
	}
	ev, err := s.evaluate(q.Context(), f)
	if err != nil {
		return err
	}
	at, err := time.Parse(whenForm, when)
	switch day := lastCritical(ev); {
	case err != nil:
		faults["when"] = "Expected the day and time as YYYY-MM-DD HH:MM; found something else. Write it so."
	case at.After(s.cfg.Now().UTC().Add(24 * time.Hour)):
		faults["when"] = "Expected a time that has come; found one after today. Correct it."
	case when[:len("2006-01-02")] < day:
		faults["when"] = "Expected a time not before the day of the test, " + day + "; found one before it. Correct the time, or first the day of the test."
	}
	if len(faults) > 0 {
		return s.showCase(w, q, http.StatusUnprocessableEntity, f, posted{part: "critical", say: "It could not be taken; nothing was stored.", form: q.PostForm, faults: faults})
	}
	words := fmt.Sprintf(toldText, who, by, when)
	err = s.update(q.Context(), number, s.stamp(q.visit.Who, casework.RoleIntake), func(f *file) (casework.Change, error) {
		if !f.AlertOpen() {
			return nil, nil // somebody entered it meanwhile, or the form came twice
		}
		ref, err := s.sealText(q.Context(), f.Case, words)
		return casework.CriticalTold{Words: ref, Alert: f.Determination.Critical}, err
	})
	if err != nil {
		return err
	}
	seeOther(w, "/cases/"+number+"#critical")
	return nil
}
