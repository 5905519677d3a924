package web

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"time"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/recording"
)

// Arrivals is a place that browsers put recordings into themselves, where
// what serves the pages cannot take so much in one request.
//
// A recording then comes in two steps. The form of the page makes a ticket,
// and its answer is a form for the place itself, good for one file under the
// ticket's id. When the file has arrived Site.Arrived takes it as the ticket
// says. The page of the ticket follows.
type Arrivals interface {
	// Form is the form for one file of most bytes at most, to be sent within a
	// time; the browser is sent back to the address back when it is there.
	Form(ctx context.Context, id, back string, most int64, within time.Duration) (ArrivalForm, error)
}

// ArrivalForm is a form whose last part is the file, "file".
type ArrivalForm struct {
	Address string // where it is posted to, with scheme and host
	Fields  []ArrivalField
}

// ArrivalField is a part of the form before the file.
type ArrivalField struct{ Name, Value string }

const (
	// ticketKind is the kind of the notes that hold tickets, ticketsKind and
	// a case number that of the notes which name those of a case.
	ticketKind  = "ticket"
	ticketsKind = "tickets"
	// TicketNotes and TicketLists are those kinds, for a store that can let
	// notes end by themselves after TicketLasts.
	TicketNotes = ticketKind
	TicketLists = ticketsKind
	// TicketLasts is how long a page tells what became of a file (our choice).
	TicketLasts = 14 * 24 * time.Hour
	// formWithin is how long the form of a ticket is good for (our choice: a
	// full memory over a slow line).
	formWithin = time.Hour
	// arrivedLate is how much later than that a file that was begun in time may
	// have arrived (our choice).
	arrivedLate = time.Hour
)

// The states of a ticket.
const (
	ticketWaiting = "waiting"
	ticketKept    = "kept"
	ticketRefused = "refused"
)

// ticket says what a file that is to arrive is: whose, on what footing, and
// how it is read. It holds nothing that names a patient.
type ticket struct {
	Case string        `json:"case"`
	By   string        `json:"by"`
	Role casework.Role `json:"role"`
	Link string        `json:"link,omitempty"` // hash of the link that it came through
	Made time.Time     `json:"made"`
	Form url.Values    `json:"form,omitempty"`
	// Sender is the footing that somebody outside states by sending.
	Sender string `json:"sender,omitempty"`

	// Request names the request that the ticket was made by in the logs of all
	// functions.
	Request string `json:"request,omitempty"`

	State string `json:"state"`
	// Why points to why it was refused, a refusedWhy.
	Why casework.Ref `json:"why,omitempty"`
}

// refusedWhy is why a file was not taken, and what could mend it. It may show
// headers and rows of the file, so it lies sealed beside the case.
type refusedWhy struct {
	Say  string       `json:"say"`
	Ask  bool         `json:"ask,omitempty"`
	Step *mappingStep `json:"step,omitempty"`
}

// direct reports whether recordings are put into a place by the browser.
func (s *Site) direct() bool { return s.cfg.Arrivals != nil }

// await makes a ticket and answers with the form that the file is sent by.
func (s *Site) await(w http.ResponseWriter, q *request, t ticket, base string) error {
	id, err := s.secret(16)
	if err != nil {
		return err
	}
	t.Made, t.State, t.Request = s.cfg.Now().UTC(), ticketWaiting, RequestID(q.Context())
	t.Form.Del("form")
	t.Form.Del("who")
	data, err := json.Marshal(t)
	if err != nil {
		return err
	}
	if err := s.cfg.Store.SwapNote(q.Context(), ticketKind, id, nil, data); err != nil {
		return err
	}
	if err := s.cfg.Store.PutNote(q.Context(), ticketsKind+"/"+t.Case, id, nil); err != nil {
		return err
	}
	// The id follows the file through the logs of all that handle it. It is
	// random, and tells nothing of the case.
	s.cfg.Log.InfoContext(q.Context(), "ticket made", "ticket", id)
	at := base + "/arrivals/" + id
	scheme := "http"
	if secure(q.Request) {
		scheme = "https"
	}
	form, err := s.cfg.Arrivals.Form(q.Context(), id, scheme+"://"+q.Host+at, recording.DefaultMaxBytes, formWithin)
	if err != nil {
		return err
	}
	to, err := url.Parse(form.Address)
	if err != nil {
		return fmt.Errorf("the place of arrivals: %w", err)
	}
	w.Header().Set("Content-Security-Policy", policyWith(to.Scheme+"://"+to.Host))
	s.render(w, q, http.StatusOK, "arrival", page{Title: "Send the recording", Body: struct {
		Form     *ArrivalForm
		At, Back string
	}{&form, at, base}})
	return nil
}

// ticketOf returns a ticket and how it stands in the store.
func (s *Site) ticketOf(ctx context.Context, id string) (t ticket, was []byte, err error) {
	if was, err = s.cfg.Store.Note(ctx, ticketKind, id); err != nil {
		return ticket{}, nil, err
	}
	if err := json.Unmarshal(was, &t); err != nil {
		return ticket{}, nil, fmt.Errorf("a ticket cannot be read: %w", err)
	}
	return t, was, nil
}

// arrival is the page of a ticket: it waits, shows the part that refuses, or
// sends on to what the recording came to.
func (s *Site) arrival(w http.ResponseWriter, q *request, number, base, done string, show func(status int, p posted) error) error {
	t, _, err := s.ticketOf(q.Context(), q.PathValue("ticket"))
	if err != nil {
		return err
	}
	if t.Case != number || q.link != nil && t.Link != q.link.hash {
		return errNoPage
	}
	switch t.State {
	case ticketKept:
		seeOther(w, done)
		return nil
	case ticketRefused:
		p, err := s.refusedAs(q.Context(), t)
		if err != nil {
			return err
		}
		return show(http.StatusOK, p)
	}
	w.Header().Set("Refresh", "2")
	s.render(w, q, http.StatusOK, "arrival", page{Title: "The recording is being read", Body: struct {
		Form     *ArrivalForm
		At, Back string
	}{nil, base + "/arrivals/" + q.PathValue("ticket"), base}})
	return nil
}

// refusedAs is what a page shows of a refused ticket.
func (s *Site) refusedAs(ctx context.Context, t ticket) (posted, error) {
	raw, err := (&casework.Case{Number: t.Case}).Reveal(ctx, s.cfg.Store, t.Why)
	if err != nil {
		return posted{}, err
	}
	var why refusedWhy
	if err := json.Unmarshal(raw, &why); err != nil {
		return posted{}, fmt.Errorf("why a file was refused cannot be read: %w", err)
	}
	return posted{part: "recording", say: why.Say, form: t.Form, ask: why.Ask, step: why.Step}, nil
}

// intakeArrival is the page of a ticket of the intake desk.
func (s *Site) intakeArrival(w http.ResponseWriter, q *request) error {
	f, err := s.open(q.Context(), q.PathValue("number"))
	if err != nil {
		return err
	}
	base := "/cases/" + f.Number
	return s.arrival(w, q, f.Number, base, base+"#recording", func(status int, p posted) error { return s.showCase(w, q, status, f, p) })
}

// testerArrival is the page of a ticket made through a tester's link.
func (s *Site) testerArrival(w http.ResponseWriter, q *request) error {
	base := q.link.address()
	return s.arrival(w, q, q.link.file.Number, base, base+"?sent=recording", func(status int, p posted) error { return s.showTester(w, q, status, p) })
}

// Arrival is what became of a file that arrived, in words for a log and for
// counting: it holds nothing of the case.
type Arrival struct {
	// State is "kept", "refused", "again" for a file whose ticket was used, or
	// "unknown" for one without a ticket.
	State string
	// Reason says of a refused one: size, late, custody, closed, unread.
	Reason string
	// Request names the request that its ticket was made by; also after an error,
	// "" where no ticket could be read.
	Request string
}

// Arrived takes a file that has arrived under the id of a ticket: its size in
// bytes, when it arrived, and what opens it. Of one that is refused nothing
// is read that need not be, and a person sees why on the page. After an error
// nothing is settled, and the same call may be made again; a call after a
// settled one changes nothing. The file itself is the caller's to remove.
func (s *Site) Arrived(ctx context.Context, id string, size int64, at time.Time, open func(context.Context) (io.ReadCloser, error)) (Arrival, error) {
	lib, err := s.cfg.Library.Current(ctx)
	if err != nil {
		return Arrival{}, err
	}
	s = &Site{s.core, lib}
	t, was, err := s.ticketOf(ctx, id)
	if errors.Is(err, casework.ErrNotFound) {
		return Arrival{State: "unknown"}, nil
	}
	if err != nil {
		return Arrival{}, err
	}
	if t.State != ticketWaiting {
		return Arrival{State: "again", Request: t.Request}, nil
	}
	if t.Request != "" {
		ctx = WithRequestID(ctx, t.Request)
	}
	out, r, err := s.takeArrived(ctx, t, size, at, open)
	out.Request = t.Request
	if err != nil {
		return Arrival{Request: t.Request}, err
	}
	t.State = out.State
	if t.State == ticketRefused {
		raw, err := json.Marshal(refusedWhy{r.say, r.ask, r.step})
		if err != nil {
			return Arrival{Request: t.Request}, err
		}
		if t.Why, err = (&casework.Case{Number: t.Case, K: 1}).Seal(ctx, s.cfg.Store, s.cfg.Random, raw); err != nil && !errors.Is(err, casework.ErrDestroyed) {
			return Arrival{Request: t.Request}, err
		}
	}
	data, err := json.Marshal(t)
	if err != nil {
		return Arrival{Request: t.Request}, err
	}
	// The same event may come twice at once; both find the same.
	if err := s.cfg.Store.SwapNote(ctx, ticketKind, id, was, data); err != nil && !errors.Is(err, casework.ErrConflict) {
		return Arrival{Request: t.Request}, err
	}
	return out, nil
}

// takeArrived reads the file and lays it on the case, or says why not.
func (s *Site) takeArrived(ctx context.Context, t ticket, size int64, at time.Time, open func(context.Context) (io.ReadCloser, error)) (Arrival, refusal, error) {
	no := func(reason string, err error) (Arrival, refusal, error) {
		a, known := answerTo(err)
		if !known || errors.Is(err, casework.ErrConflict) {
			return Arrival{}, refusal{}, err
		}
		return Arrival{State: ticketRefused, Reason: reason}, refusal{say: a.Sentence}, nil
	}
	if size > recording.DefaultMaxBytes {
		return no("size", errTooLarge)
	}
	if at.After(t.Made.Add(formWithin + arrivedLate)) {
		return Arrival{State: ticketRefused, Reason: "late"}, refusal{say: "The file came after its form had ended; nothing was stored. Send it again from this page."}, nil
	}
	f, err := s.open(ctx, t.Case)
	if err != nil {
		return Arrival{}, refusal{}, err
	}
	var facts map[string]statement
	if t.Link == "" {
		if err := s.mayTake(f); err != nil {
			return no("custody", err)
		}
	} else {
		if _, ok := f.LinkAt(t.Link, s.cfg.Now()); !ok {
			return no("custody", errLink)
		}
		facts = sentBy(f, t.Sender)
	}
	body, err := open(ctx)
	if err != nil {
		return Arrival{}, refusal{}, err
	}
	data, err := io.ReadAll(io.LimitReader(body, recording.DefaultMaxBytes+1))
	if err = errors.Join(err, body.Close()); err != nil {
		return Arrival{}, refusal{}, err
	}
	if len(data) > recording.DefaultMaxBytes {
		return no("size", errTooLarge)
	}
	if len(data) == 0 {
		return Arrival{State: ticketRefused, Reason: "unread"}, refusal{say: "Expected a recording; found an empty file. Choose the file as the recorder's memory gave it."}, nil
	}
	r, err := s.keep(ctx, f, &received{form: t.Form, data: data}, casework.Stamp{At: s.cfg.Now(), By: t.By, Role: t.Role}, facts)
	if errors.Is(err, casework.ErrRefused) {
		return no("closed", err)
	}
	if err != nil {
		return Arrival{}, refusal{}, err
	}
	if r.say != "" {
		return Arrival{State: ticketRefused, Reason: "unread"}, r, nil
	}
	return Arrival{State: ticketKept}, refusal{}, nil
}

// sentBy is what somebody outside states by sending a file, nil if the case
// says so already.
func sentBy(f *file, sender string) map[string]statement {
	custody := statement{Name: "custody", State: criteria.Stated, Text: sender}
	if f.Statements["custody"] == custody {
		return nil
	}
	return map[string]statement{"custody": custody}
}

// arrivalLine is a file of a case that is awaited or was refused.
type arrivalLine struct {
	Made, At string
	Refused  bool
	Say      string
}

// arrivalsOf lists what is awaited and what was refused of a case that has no
// recording and whose personal values stand.
func (s *Site) arrivalsOf(ctx context.Context, f *file) ([]arrivalLine, error) {
	if !s.direct() || f.upload() != nil || !f.DestroyedAt.IsZero() {
		return nil, nil
	}
	number := f.Number
	var out []arrivalLine
	list := func(ctx context.Context, after string, limit int) ([]casework.Note, string, error) {
		return s.cfg.Store.Notes(ctx, ticketsKind+"/"+number, after, limit)
	}
	for n, err := range casework.All(ctx, list) {
		if err != nil {
			return nil, err
		}
		t, _, err := s.ticketOf(ctx, n.Key)
		if errors.Is(err, casework.ErrNotFound) {
			continue // it ended by itself
		}
		if err != nil {
			return nil, err
		}
		over := s.cfg.Now().After(t.Made.Add(formWithin + arrivedLate))
		if t.State == ticketRefused || t.State == ticketWaiting && !over {
			line := arrivalLine{Made: t.Made.Format("2006-01-02 15:04") + " UTC", At: "/cases/" + number + "/arrivals/" + n.Key}
			if t.State == ticketRefused {
				p, err := s.refusedAs(ctx, t)
				if err != nil {
					return nil, err
				}
				line.Refused, line.Say = true, p.say
			}
			out = append(out, line)
		}
	}
	return out, nil
}
