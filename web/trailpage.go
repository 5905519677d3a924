package web

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"airwarrant/qualify/batch"
	"airwarrant/qualify/casework"
	"airwarrant/rules"
)

// trailPage is who did what to a case, and when.
type trailPage struct {
	Number string
	Lines  []trailLine
	Events int    // of the whole trail
	Head   string // hash of the last event
	Closed bool   // the personal values are gone
	// Addresses of the other parts of a trail that a page does not hold, "" for
	// those that there are not.
	Next, First, Last string
}

// trailSize is how many events a page of the trail holds (our choice).
const trailSize = 100

// trailToken names the event after which a page begins. Events never change, so
// a token stands for good.
func trailToken(k int) string { return "e" + hex.EncodeToString([]byte(strconv.Itoa(k))) }

// trailAfter reads a token; one that is none, or of another list, is the
// beginning.
func trailAfter(token string) int {
	digits, ok := strings.CutPrefix(token, "e")
	raw, err := hex.DecodeString(digits)
	if !ok || err != nil {
		return 0
	}
	k, err := strconv.Atoi(string(raw))
	if err != nil || k < 0 || trailToken(k) != token {
		return 0
	}
	return k
}

// trailLine is one event in words, and in what it changed.
type trailLine struct {
	K                   int
	At, Who, Desk, What string
	Before              []string // what stood before, each with its name where there are several
	changes             []trailChange
	event               casework.Event
}

// trailChange is one thing that an event changed: "" is nothing.
type trailChange struct {
	Of     string `json:"of"` // name of the fact, or what else it is
	Before string `json:"before"`
	After  string `json:"after"`
}

// trailOf tells the events of a case behind after, at most so many; the whole
// chain is checked on the way. Days are as in writes them.
func (s *Site) trailOf(ctx context.Context, number string, after, most int, in rules.Language) (*trailPage, error) {
	n, err := casework.ParseNumber(number)
	if err != nil {
		return nil, errNoPage
	}
	events, err := s.cfg.Store.Events(ctx, n, 1)
	if err != nil {
		return nil, err
	}
	if len(events) == 0 {
		return nil, casework.ErrNotFound
	}
	if err := casework.Verify(events); err != nil {
		return nil, err
	}
	page := &trailPage{Number: n, Events: len(events), Head: events[len(events)-1].Hash}
	if after >= len(events) {
		after = 0
	}
	f, c := &file{Case: &casework.Case{Number: n}}, casework.Case{}
	open, opened := s.revealer(ctx, f.Case), map[casework.Ref]string{}
	reveal := func(r casework.Ref) (string, error) {
		if text, ok := opened[r]; ok {
			return text, nil
		}
		text, err := open(r)
		if err == nil {
			opened[r] = text
		}
		return text, err
	}
	for i, e := range events {
		next, err := casework.Apply(c, e)
		if err != nil {
			return nil, err
		}
		if i < after || i-after >= most {
			c = next // nothing of it is opened
			continue
		}
		what, err := s.eventWords(ctx, f, e, in)
		if err != nil {
			return nil, err
		}
		l := trailLine{K: e.K, At: in.Stamp(moment(e.At)), Who: e.By, Desk: roleName(e.Role), What: what, event: e}
		if l.changes, err = changesOf(&c, &next, e, reveal, in); err != nil {
			return nil, err
		}
		for _, ch := range l.changes {
			switch {
			case ch.Before == "":
			case len(l.changes) == 1:
				l.Before = append(l.Before, ch.Before)
			default:
				l.Before = append(l.Before, meaningOf(ch.Of)+": "+ch.Before)
			}
		}
		page.Lines = append(page.Lines, l)
		c = next
	}
	page.Closed = !c.DestroyedAt.IsZero()
	return page, nil
}

// changesOf lists what one event changed between the case before and after
// it. An event that changes nothing of the case has no line.
func changesOf(before, after *casework.Case, e casework.Event, reveal func(casework.Ref) (string, error), in rules.Language) ([]trailChange, error) {
	var names []string
	values := func(c *casework.Case) (map[string]string, error) {
		v := map[string]string{}
		for _, p := range []struct {
			of  string
			ref casework.Ref
		}{{"patient name", c.Patient.Name}, {"patient birth date", c.Patient.BirthDate}, {"same person, because", c.Identity.Words}} {
			if p.ref == "" {
				continue
			}
			text, err := reveal(p.ref)
			if err != nil {
				return nil, err
			}
			if p.ref == c.Patient.BirthDate {
				text = in.Stamp(text)
			}
			v[p.of] = text
		}
		for i, r := range c.Patient.Identifiers {
			text, err := reveal(r)
			if err != nil {
				return nil, err
			}
			v[fmt.Sprintf("patient identifier %d", i+1)] = text
		}
		for name, st := range c.Facts {
			// Only what this event changed is opened: a case may state much.
			if other, ok := before.Facts[name]; ok && other.K == st.K && after.Facts[name].K == st.K {
				continue
			}
			text, err := statedText(name, st.Stated, reveal, in)
			if err != nil {
				return nil, err
			}
			v[name] = strings.TrimPrefix(text, meaningOf(name)+": ")
		}
		for name, a := range c.Answers {
			v["answer of the office: "+name] = answerState(a)
		}
		for _, u := range c.Uploads {
			of := "recording " + clipHash(u.SHA256)
			v[of] = "on the case"
			if u.Withdrawn {
				v[of] = "withdrawn"
			}
			if u.Session > 0 || len(u.Reading) > 0 {
				v[of+", session and reading"] = strings.TrimSpace(fmt.Sprintf("session %d %s", u.Session, u.Reading))
			}
			for _, j := range u.Spans {
				v[fmt.Sprintf("span %s to %s of recording %s", j.From, j.To, clipHash(u.SHA256))] = j.Judgement + " (" + j.Name + ", " + j.Credential + ")"
			}
		}
		for _, d := range c.Documents {
			of := d.Kind + " " + clipHash(d.SHA256)
			v[of] = "on the case"
			if d.Withdrawn {
				v[of] = "withdrawn"
			}
		}
		for _, l := range c.Links {
			of := "link " + l.SHA256[:8]
			switch {
			case l.Revoked:
				v[of] = "withdrawn"
			case l.Wrong > 0:
				v[of] = fmt.Sprintf("opens until %s; %d wrong codes", in.Stamp(moment(l.Expires)), l.Wrong)
			default:
				v[of] = "opens until " + in.Stamp(moment(l.Expires))
			}
		}
		if d := c.Determination; d != nil {
			for _, r := range d.Results {
				word, _ := outcomeWords(r.Outcome)
				v["determination under "+r.Criteria] = word + ", version " + r.Version
			}
		}
		for i, t := range c.CriticalTold {
			if i < len(before.CriticalTold) {
				continue
			}
			text, err := reveal(t.Words)
			if err != nil {
				return nil, err
			}
			v[fmt.Sprintf("told of a critically low reading, %d", i+1)] = text
		}
		for of, text := range map[string]string{"with": c.Owner, "due": in.Stamp(c.DueSet)} {
			if text != "" {
				v[of] = text
			}
		}
		if c.K > 0 {
			v["case"] = "open"
		}
		if !c.ClosedAt.IsZero() {
			v["case"] = "closed"
		}
		if !c.DestroyedAt.IsZero() {
			v["case"] = "closed, personal values destroyed"
		}
		return v, nil
	}
	was, err := values(before)
	if err != nil {
		return nil, err
	}
	is, err := values(after)
	if err != nil {
		return nil, err
	}
	for of := range maps.Keys(was) {
		names = append(names, of)
	}
	for of := range maps.Keys(is) {
		if _, ok := was[of]; !ok {
			names = append(names, of)
		}
	}
	slices.Sort(names)
	out := []trailChange{}
	for _, of := range names {
		// A value that was stated once more is a change too: who vouches for it is.
		again := false
		if st, ok := after.Facts[of]; ok {
			again = st.K == e.K
		}
		if was[of] != is[of] || again {
			out = append(out, trailChange{of, was[of], is[of]})
		}
	}
	return out, nil
}

// answerState says what an office answered, and how far a dispute has come.
func answerState(a casework.Given) string {
	t := saysWords(a.Says)
	if a.Says == casework.SaysLocated {
		t = "in the chart"
	}
	if a.Owner != "" {
		t += ", taken by " + a.Owner
	}
	if a.Settled != "" {
		t += ", settled by " + a.SettledBy
	}
	return t
}

func (s *Site) trail(w http.ResponseWriter, q *request) error {
	c, err := s.trailSeen(q, "trail")
	if err != nil {
		return err
	}
	after := trailAfter(q.URL.Query().Get("after"))
	b, err := s.trailOf(q.Context(), q.PathValue("number"), after, trailSize, s.daysOf(q, c.Criteria[0]))
	if err != nil {
		return err
	}
	at := "/cases/" + b.Number + "/trail"
	if first := b.Lines[0].K; first > 1 {
		b.First = at
	}
	if last := b.Lines[len(b.Lines)-1].K; last < b.Events {
		behind := func(k int) string { return at + "?" + url.Values{"after": {trailToken(k)}}.Encode() }
		b.Next, b.Last = behind(last), behind(b.Events-trailSize)
	}
	s.render(w, q, http.StatusOK, "trail", page{Criteria: c.Criteria[0], Title: "Trail of case " + b.Number, Body: b})
	return nil
}

// trailSeen writes down that somebody reads the trail of a case, before it is read.
func (s *Site) trailSeen(q *request, what string) (*casework.Case, error) {
	n, err := casework.ParseNumber(q.PathValue("number"))
	if err != nil {
		return nil, errNoPage
	}
	c, err := casework.Open(q.Context(), s.cfg.Store, n)
	if err != nil {
		return nil, err
	}
	s.viewed(q.Context(), &file{Case: c}, q.visit.Who, casework.Role(q.visit.Desk), what)
	return c, nil
}

// trailEvent is one event as the exported trail has it: in words, in what it
// changed, and as the chain holds it, so that its hashes can be proved.
type trailEvent struct {
	K       int            `json:"k"`
	At      time.Time      `json:"at"`
	By      string         `json:"by"`
	Role    casework.Role  `json:"role"`
	Kind    casework.Kind  `json:"kind"`
	What    string         `json:"what"`
	Changes []trailChange  `json:"changes"`
	Event   casework.Event `json:"event"`
}

// trailJSON exports the trail of one case.
func (s *Site) trailJSON(w http.ResponseWriter, q *request) error {
	b, err := s.exported(w, q, "json")
	if err != nil {
		return err
	}
	out := struct {
		Case   string       `json:"case"`
		Hash   string       `json:"hash"` // of the last event; the chain was proved up to it
		Events []trailEvent `json:"events"`
	}{b.Number, b.Head, []trailEvent{}}
	for _, l := range b.Lines {
		e := l.event
		out.Events = append(out.Events, trailEvent{e.K, e.At, e.By, e.Role, e.Kind, l.What, l.changes, e})
	}
	var buf bytes.Buffer
	enc := json.NewEncoder(&buf)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", " ")
	if err := enc.Encode(out); err != nil {
		return err
	}
	send(w, http.StatusOK, "application/json", buf.Bytes())
	return nil
}

// trailCSV exports the trail of one case as a table: a line for each thing
// that an event changed, and one for an event that changed nothing.
func (s *Site) trailCSV(w http.ResponseWriter, q *request) error {
	b, err := s.exported(w, q, "csv")
	if err != nil {
		return err
	}
	rows := [][]string{{"case", "k", "at", "by", "role", "kind", "what", "of", "before", "after", "hash"}}
	for _, l := range b.Lines {
		changes := l.changes
		if len(changes) == 0 {
			changes = []trailChange{{}}
		}
		for _, ch := range changes {
			e := l.event
			row := []string{e.Case, strconv.Itoa(e.K), e.At.Format(time.RFC3339Nano), e.By, string(e.Role), string(e.Kind), l.What, ch.Of, ch.Before, ch.After, e.Hash}
			for i := range row {
				row[i] = batch.Guarded(row[i])
			}
			rows = append(rows, row)
		}
	}
	var buf bytes.Buffer
	if err := csv.NewWriter(&buf).WriteAll(rows); err != nil {
		return err
	}
	send(w, http.StatusOK, "text/csv; charset=utf-8", buf.Bytes())
	return nil
}

// exported is the trail to be sent away under the number of the case.
func (s *Site) exported(w http.ResponseWriter, q *request, ending string) (*trailPage, error) {
	if _, err := s.trailSeen(q, "trail as "+strings.ToUpper(ending)); err != nil {
		return nil, err
	}
	b, err := s.trailOf(q.Context(), q.PathValue("number"), 0, math.MaxInt, rules.Language{})
	if err != nil {
		return nil, err
	}
	w.Header().Set("Content-Disposition", `attachment; filename="`+b.Number+`-trail.`+ending+`"`)
	return b, nil
}
