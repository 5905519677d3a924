package web

import (
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"

	"airwarrant/qualify"
	"airwarrant/qualify/analysis"
	"airwarrant/qualify/casework"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/recording"
	"airwarrant/qualify/worksheet"
	"airwarrant/rules"
)

// Marks are the stretches of the recording that somebody sets: the legs of an
// exertional test and the recovery, the part of a night on room air, or a night
// from lights out until rising. They are the fact recordings, kept as its text.

// markSlot is one stretch that the page offers.
type markSlot struct {
	Key, Role, Title string
	Oxygen           bool // asks flow and device
}

var walkSlots = []markSlot{
	{"rest_air", criteria.RoleRestAir, "1 Rest on room air", false},
	{"exertion_air", criteria.RoleExertionAir, "2 Exertion on room air", false},
	{"exertion_oxygen", criteria.RoleExertionOxygen, "3 Exertion on oxygen", true},
	{"recovery", criteria.RoleRecovery, "Recovery, kept apart", false},
	{"recovery_2", criteria.RoleRecovery, "Recovery, a second time", false},
}

var airSlots = []markSlot{{"air", criteria.RoleAir, "Night on room air", false}}

// nightSlots narrow a night that is all on room air: what was recorded while
// the patient was up is no part of the test asleep.
var nightSlots = []markSlot{{"air", criteria.RoleAir, "From lights out until rising", false}}

// marksView is the part of the page on which marks are set.
type marksView struct {
	Walk         bool // legs of a walk; else the stretch of a night on room air
	Night        bool // all of the night is on room air: lights out and rising
	Folded       bool // nothing asks for it
	Begins, Ends string
	Example      string
	Trace        traceView
	Pick         *pickAxis // nil: places on the trace cannot be turned into times
	Said         []saidMark
	Rows         []markRow
	Stale        bool // the marks stated do not fit the recording
}

// pickAxis says which times lie where on the trace, for the script.
type pickAxis struct {
	Elapsed     bool
	First, Span int64   // ms on the recorder's clock, and its length
	Left, Right float64 // shares of the width
}

// saidMark is a mark that the recording itself carries.
type saidMark struct{ At, Text string }

type markRow struct {
	markSlot
	From, Until, Flow string
	Devices           []choice
	FlowWays          twoWays // asks which number Flow is
	flowAsks          error   // that it can be read in two ways
	Error             string
}

// marksOf is the part for marks, nil where there is nothing to mark: no session
// of a recording is chosen, or it is a test at rest on room air.
func (f *file) marksOf(ev *evaluation, p posted) *marksView {
	if ev.Result == nil || ev.own.Session == 0 || len(ev.own.Readings) == 0 || ev.own.Readings[0].Recording == nil {
		return nil
	}
	st, stated := f.Statements["recordings"]
	walk := f.Facts["test_state"].Value.Word == "exertion"
	asked := len(ev.Determinations) > 0 && slices.ContainsFunc(ev.Determinations[0].Needs, func(n criteria.Need) bool { return n.Fact == "recordings" })
	night := f.Facts["test_oxygen"].Value.Word == "room_air" && f.Facts["test_state"].Value.Word == "asleep"
	if f.Facts["test_oxygen"].Value.Word == "room_air" && !walk && !night && !asked && !stated {
		return nil
	}
	rd := ev.own.Readings[0]
	at := slices.Index(rd.Numbers, ev.own.Session)
	rec, s, a := rd.Recording, rd.Sessions[at], rd.Analyses[at]
	v := &marksView{Walk: walk, Night: night, Folded: !walk && !asked && !stated && p.part != "marks", Stale: ev.staleMarks, Begins: shortStamp(a.Stamp(rec, a.First, s.From)), Ends: shortStamp(a.Stamp(rec, sessionEnd(a), s.To-1))}
	v.Example = v.Begins
	t := ev.marksTrace()
	v.Trace = traceView{template.HTML(t.SVG()), "/cases/" + f.Number + "/trace.json?trace=marks"} // built from numbers and escaped texts
	if left, right, ok := t.TimeAxis(); ok && a.PerSecond > 0 {
		v.Pick = &pickAxis{Elapsed: rec.Clock == recording.ClockElapsed, Left: left, Right: right,
			First: clockMS(rec, a, s.From), Span: ms(a, sessionEnd(a)-a.First)}
	}
	for _, m := range rec.Annotations {
		if tick := m.At * (a.PerSecond / rec.PerSecond); tick >= a.First && tick <= sessionEnd(a) {
			v.Said = append(v.Said, saidMark{shortStamp(rec.Stamp(m.At, s.From)), m.Text})
		}
	}
	rows := marksStated(st, rd.SHA256, v.slots())
	if p.part == "marks" {
		rows = marksTyped(p.form, v.slots(), "")
	}
	for i := range rows {
		rows[i].Error = p.faults[rows[i].Key]
	}
	v.Rows = rows
	return v
}

func (v *marksView) slots() []markSlot {
	switch {
	case v.Walk:
		return walkSlots
	case v.Night:
		return nightSlots
	}
	return airSlots
}

// marksTrace draws the whole session that is marked, with the legs marked so
// far and no level: a mark is set by what happened, not by where a line stands.
func (ev *evaluation) marksTrace() *worksheet.Trace {
	return ev.drawn.of("marks", func() []*worksheet.Trace {
		rd := ev.own.Readings[0]
		var legs []worksheet.Leg
		for _, l := range ev.own.PaperLegs() {
			if l.Upload == 1 && l.No == ev.own.Session {
				legs = append(legs, l)
			}
		}
		t := worksheet.NewLegTrace(ev.in, rd.Recording, rd.Analyses[slices.Index(rd.Numbers, ev.own.Session)], nil, legs)
		t.ID = "marks"
		return []*worksheet.Trace{t}
	})[0]
}

func sessionEnd(a *analysis.Analysis) int64 {
	if a.Recorded != nil {
		return a.First + *a.Recorded
	}
	return a.Last
}

// clockMS is the first instant of a session on the recorder's clock.
func clockMS(rec *recording.Recording, a *analysis.Analysis, first int) int64 {
	offset := 0
	for _, o := range rec.Offsets {
		if o.From > first {
			break
		}
		offset = o.Seconds
	}
	return ms(a, a.First) + int64(offset)*1000
}

// ms is ticks of a in milliseconds, cut.
func ms(a *analysis.Analysis, ticks int64) int64 {
	seconds := ticks / a.PerSecond
	return seconds*1000 + (ticks-seconds*a.PerSecond)*1000/a.PerSecond
}

var offsetEnd = regexp.MustCompile(`(Z|[+-]\d\d:\d\d)$`)

// shortStamp is the time of day of a stamp, or its elapsed time as it is.
func shortStamp(stamp string) string {
	if _, t, ok := strings.Cut(stamp, "T"); ok {
		return offsetEnd.ReplaceAllString(t, "")
	}
	return stamp
}

// marksStated lays what is stated of a recording into the rows.
func marksStated(st statement, sha string, slots []markSlot) []markRow {
	var list []criteria.RecordingRole
	if f, err := st.fact(); err == nil && st.State != criteria.Unknown {
		list = f.Value.List
	}
	var out []markRow
	for _, slot := range slots {
		r := markRow{markSlot: slot}
		device := ""
		if i := slices.IndexFunc(list, func(r criteria.RecordingRole) bool { return r.Role == slot.Role && r.SHA256 == sha }); i >= 0 {
			r.From, r.Until, r.Flow, device = shortStamp(list[i].From), shortStamp(list[i].Until), list[i].Flow, list[i].Device
			list = slices.Delete(slices.Clone(list), i, i+1)
		}
		out = append(out, r.withDevices(device))
	}
	return out
}

// marksTyped lays what a form held into the rows, typed on a page with a decimal
// sign.
func marksTyped(form url.Values, slots []markSlot, decimal string) []markRow {
	var out []markRow
	for _, slot := range slots {
		r := markRow{markSlot: slot, From: typed(form, "from."+slot.Key), Until: typed(form, "until."+slot.Key)}
		if slot.Oxygen {
			r.Flow, r.flowAsks = numberTyped(form, "flow."+slot.Key, decimal)
			r.FlowWays = waysOf(form, "flow."+slot.Key)
		}
		out = append(out, r.withDevices(typed(form, "device."+slot.Key)))
	}
	return out
}

func (r markRow) withDevices(chosen string) markRow {
	if !r.Oxygen {
		return r
	}
	def, _ := rules.Lookup("exertion_device")
	for _, w := range def.Words {
		r.Devices = append(r.Devices, choice{Value: w, Words: wordFor(def.Name, w), On: w == chosen})
	}
	return r
}

func (r markRow) device() string {
	for _, c := range r.Devices {
		if c.On {
			return c.Value
		}
	}
	return ""
}

var shortForm = regexp.MustCompile(`^\d{1,2}:\d\d(:\d\d)?$`)

// stampText completes a stamp that was typed short: 10:02 is 10:02:00, and
// where the clock counts from the start 0:02:00 is +0:02:00.
func stampText(t string, clock recording.ClockKind) string {
	if !shortForm.MatchString(t) {
		return t
	}
	if strings.Count(t, ":") == 1 {
		t += ":00"
	}
	if clock == recording.ClockElapsed {
		return "+" + t
	}
	if strings.Index(t, ":") == 1 {
		t = "0" + t
	}
	return t
}

// role is the stretch that a row states.
func (r markRow) role(rd qualify.Reading) criteria.RecordingRole {
	clock := rd.Recording.Clock
	return criteria.RecordingRole{SHA256: rd.SHA256, Role: r.Role, From: stampText(r.From, clock), Until: stampText(r.Until, clock), Flow: r.Flow, Device: r.device()}
}

// readMarks reads the rows of a form: the text of the fact, "" if every row is
// empty, and what cannot be accepted, by row.
func readMarks(rows []markRow, rd qualify.Reading, session int, walk bool, fault func(error) string) (string, map[string]string) {
	faults := map[string]string{}
	type place struct {
		samples recording.Session
		title   string
	}
	var taken []place
	var text strings.Builder
	for _, row := range rows {
		if row.From == "" && row.Until == "" {
			if row.Flow != "" || row.device() != "" {
				faults[row.Key] = "Expected from and until beside flow or device; found neither. State both, or clear what is beside."
			}
			continue
		}
		if walk && (row.From == "" || row.Until == "") {
			faults[row.Key] = "Expected from and until; found only one of them. State both, or clear the row."
			continue
		}
		if row.flowAsks != nil {
			faults[row.Key] = fault(row.flowAsks)
			continue
		}
		r := row.role(rd)
		item := stretchYAML(r)
		if _, err := criteria.ParseValue("recordings", item); err != nil {
			faults[row.Key] = fault(err)
			continue
		}
		samples, _, err := rd.Stretch(r, session)
		if err != nil {
			faults[row.Key] = fault(err)
			continue
		}
		for _, t := range taken {
			if samples.From < t.samples.To && t.samples.From < samples.To {
				faults[row.Key] = fmt.Sprintf("Expected stretches that do not overlap; found that this one shares time with “%s”. End the one where the other begins.", t.title)
			}
		}
		taken = append(taken, place{samples, row.Title})
		text.WriteString(item)
	}
	return text.String(), faults
}

// stretchYAML is one item of the fact recordings.
func stretchYAML(r criteria.RecordingRole) string {
	out := fmt.Sprintf("- {sha256: %s, role: %s", r.SHA256, r.Role)
	for _, k := range []struct{ key, text string }{{"from", r.From}, {"until", r.Until}, {"flow", r.Flow}, {"device", r.Device}} {
		if k.text != "" {
			out += fmt.Sprintf(", %s: %q", k.key, k.text)
		}
	}
	return out + "}\n"
}

// stateMarks takes the marks set on the recording. A form without any takes
// back those that are stated.
func (s *Site) stateMarks(w http.ResponseWriter, q *request) error {
	number := q.PathValue("number")
	f, err := s.open(q.Context(), number)
	if err != nil {
		return err
	}
	ev, err := s.evaluate(q.Context(), f)
	if err != nil {
		return err
	}
	v := f.marksOf(ev, posted{})
	if v == nil || ev.differs {
		return casework.ErrConflict // what was marked is not there any more
	}
	in, err := s.wording(q, f)
	if err != nil {
		return err
	}
	rows := marksTyped(q.PostForm, v.slots(), in.Decimal)
	for i := range rows {
		if rows[i].Flow == v.Rows[i].Flow {
			rows[i].flowAsks = nil // it stood so before
		} else if rows[i].flowAsks != nil {
			ask(q.PostForm, "flow."+rows[i].Key)
		}
	}
	text, faults := readMarks(rows, ev.own.Readings[0], ev.own.Session, v.Walk, q.fault)
	refuse := func(say string) error {
		f, err := s.open(q.Context(), number)
		if err != nil {
			return err
		}
		return s.showCase(w, q, http.StatusUnprocessableEntity, f, posted{part: "marks", say: say, form: q.PostForm, faults: faults})
	}
	if len(faults) > 0 {
		return refuse("Some marks could not be taken; nothing of this part was stored. They are marked below.")
	}
	st := statement{Name: "recordings", State: criteria.Stated, Text: text}
	if text != "" {
		if _, err := st.fact(); err != nil {
			return refuse(q.faultAnd("%s Nothing of this part was stored.", err))
		}
	}
	seen, late := formK(q.PostForm), false
	err = s.update(q.Context(), number, s.stamp(q.visit.Who, casework.RoleIntake), func(f *file) (casework.Change, error) {
		now, stated := f.Case.Facts["recordings"]
		switch {
		case f.Statements["recordings"].Text == text:
			return nil, nil
		case stated && now.K > seen:
			late = true
			return nil, casework.ErrConflict
		case text == "":
			return casework.FactWithdrawn{Name: "recordings"}, nil
		}
		sealed, err := s.seal(q.Context(), f.Case, st)
		return casework.FactsStated{Facts: map[string]casework.Stated{"recordings": sealed}}, err
	})
	if late {
		return refuse("Somebody else marked the recording while you were at it. Nothing of this part was stored; look at both, and send what is right.")
	}
	if err != nil {
		return err
	}
	seeOther(w, "/cases/"+number+"#marks")
	return nil
}

// stretchWords says what is stated of a recording and its stretches.
func stretchWords(st statement, l rules.Language) string {
	f, err := st.fact()
	if err != nil {
		return st.Text
	}
	var out []string
	for _, r := range f.Value.List {
		t := criteria.RoleText(r.Role)
		switch from, until := l.Stamp(shortStamp(r.From)), l.Stamp(shortStamp(r.Until)); {
		case r.From != "" && r.Until != "":
			t = t + " from " + from + " until " + until
		case r.From != "":
			t = t + " from " + from
		case r.Until != "":
			t = t + " until " + until
		}
		if r.Flow != "" {
			t += ", " + r.Flow + " L/min"
		}
		if r.Device != "" {
			t += ", " + wordFor("exertion_device", r.Device)
		}
		out = append(out, t)
	}
	return strings.Join(out, "; ")
}
