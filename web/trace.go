package web

import (
	"encoding/json"
	"fmt"
	"html/template"
	"maps"
	"math"
	"net/http"
	"slices"
	"strconv"
	"sync"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/worksheet"
	"airwarrant/rules"
)

// A trace stands on its page as a drawing. The script moves it, and asks for
// the parts that are looked at: each is drawn here, by the geometry that page
// and paper have.

// traceView is a trace on a page: the whole session drawn, and where the
// script asks for parts of it.
type traceView struct {
	SVG     template.HTML
	Address string
}

// tracePart is the answer of that address. Times are milliseconds from the
// first instant of the session along the time axis.
type tracePart struct {
	From     int64  `json:"from"`
	To       int64  `json:"to"`
	Whole    int64  `json:"whole"`    // length of the session
	Shortest int64  `json:"shortest"` // part that is drawn
	SVG      string `json:"svg"`
	// Readings hold a column each: where it begins and ends on the sheet, the
	// stamps of its first and last sample, the least and greatest saturation in
	// percent, the pulse in beats per minute, and the number of its note.
	Readings [][]any  `json:"readings"`
	Notes    []string `json:"notes"` // the first is ""
}

// partOf draws v of t.
func partOf(t *worksheet.Trace, v worksheet.View) tracePart {
	t = t.View(v)
	p := tracePart{SVG: t.SVG(), Readings: [][]any{}, Notes: []string{""}}
	p.From, p.To, p.Whole, p.Shortest = t.Shown()
	numbers := map[string]int{"": 0}
	place := func(x float64) float64 { return math.Round(x*100) / 100 } // as the drawing has it
	for _, r := range t.Readings() {
		n, ok := numbers[r.Note]
		if !ok {
			n = len(p.Notes)
			numbers[r.Note], p.Notes = n, append(p.Notes, r.Note)
		}
		p.Readings = append(p.Readings, []any{place(r.X), place(r.Until), r.At, r.Last, r.Least, r.Greatest, r.Pulse, n})
	}
	return p
}

// sendTrace answers with the part of t that the address asks for.
func sendTrace(w http.ResponseWriter, q *request, t *worksheet.Trace) error {
	asked := q.URL.Query()
	v := worksheet.View{HideDoubted: asked.Get("doubted") == "hide"}
	for name, at := range map[string]*int64{"from": &v.From, "to": &v.To} {
		text := asked.Get(name)
		if text == "" {
			continue
		}
		n, err := strconv.ParseInt(text, 10, 64)
		if err != nil {
			return fmt.Errorf("%w: %s of a trace", errUnreadableForm, name)
		}
		*at = n
	}
	body, err := json.Marshal(partOf(t, v))
	if err != nil {
		return fmt.Errorf("a part of a trace: %w", err)
	}
	send(w, http.StatusOK, "application/json", body)
	return nil
}

// caseTrace draws a part of a trace of the case page: of the worksheet's,
// counted from 0, or of the one that is marked.
func (s *Site) caseTrace(w http.ResponseWriter, q *request) error {
	f, ev, err := s.determined(q)
	if err != nil {
		return err
	}
	s.viewed(q.Context(), f, q.visit.Who, casework.RoleIntake, "case")
	if q.URL.Query().Get("trace") == "marks" {
		if f.marksOf(ev, posted{}) == nil {
			return errNoPage
		}
		return sendTrace(w, q, ev.marksTrace())
	}
	t, err := s.sheetTrace(q, f, ev)
	if err != nil {
		return err
	}
	return sendTrace(w, q, t)
}

// sheetTrace finds the trace of the worksheet that the address names.
func (s *Site) sheetTrace(q *request, f *file, ev *evaluation) (*worksheet.Trace, error) {
	n, err := strconv.Atoi(q.URL.Query().Get("trace"))
	if err != nil {
		return nil, errNoPage
	}
	list := ev.drawn.of("worksheet", func() []*worksheet.Trace {
		var out []*worksheet.Trace
		for _, section := range s.paper(f, ev, rules.Date{}).Sections {
			if section.Trace != nil {
				out = append(out, section.Trace)
			}
		}
		return out
	})
	if n < 0 || n >= len(list) {
		return nil, errNoPage
	}
	return list[n], nil
}

// drawings keeps the traces of one result of the chain: a part of a trace
// is asked for many times while it is moved.
type drawings struct {
	mu   sync.Mutex
	kept map[string][]*worksheet.Trace
}

// of returns the traces called name, and draws them when they are first asked
// for.
func (d *drawings) of(name string, draw func() []*worksheet.Trace) []*worksheet.Trace {
	d.mu.Lock()
	defer d.mu.Unlock()
	list, ok := d.kept[name]
	if !ok {
		if d.kept == nil {
			d.kept = map[string][]*worksheet.Trace{}
		}
		list = draw()
		d.kept[name] = list
	}
	return list
}

// stretchTrace draws the stretch that counts for those who must not be led:
// without a level and without what stands on the worksheet. It is nil where
// there is none.
func (ev *evaluation) stretchTrace() *worksheet.Trace {
	if ev.Result == nil || ev.differs || ev.own.Session == 0 || len(ev.own.Readings) == 0 || ev.own.Readings[0].Recording == nil {
		return nil
	}
	if ev.own.Analysis == nil {
		return ev.marksTrace()
	}
	return ev.drawn.of("stretch", func() []*worksheet.Trace {
		t := worksheet.NewTrace(ev.in, ev.own.Readings[0].Recording, ev.own.Analysis, nil)
		t.ID = "stretch"
		return []*worksheet.Trace{t}
	})[0]
}

// stretchView is stretchTrace on the page of a link.
func (l *link) stretchView(ev *evaluation) *traceView {
	t := ev.stretchTrace()
	if t == nil {
		return nil
	}
	return &traceView{template.HTML(t.SVG()), l.address() + "/trace.json?trace=stretch"}
}

// linkTrace draws a part of the trace that the holder of a link sees, and of
// those of the worksheet once it sees that.
func (s *Site) linkTrace(w http.ResponseWriter, q *request) error {
	f := q.link.file
	ev, err := s.evaluateFor(q, f)
	if err != nil {
		return err
	}
	t := ev.stretchTrace()
	if t == nil {
		return errNoPage
	}
	role, what := casework.RoleOffice, "questions for the office"
	if q.link.desk == Tester {
		role, what = casework.RoleTester, "questions for the tester"
	}
	s.viewed(q.Context(), f, q.link.by(), role, what)
	if q.URL.Query().Get("trace") != "stretch" {
		own, err := s.ownAnswers(q.Context(), q.link)
		if err != nil {
			return err
		}
		if q.link.desk != Office || !slices.ContainsFunc(slices.Collect(maps.Values(f.Answers)), own) {
			return errNoPage
		}
		if t, err = s.sheetTrace(q, f, ev); err != nil {
			return err
		}
	}
	return sendTrace(w, q, t)
}
