package web

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"time"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/recording"
	"airwarrant/rules/wording"
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
type ArrivalField struct {
	Name  string `json:"name"`
	Value string `json:"value"`
}

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
	// refusedTold is how long a case tells of a document that was refused (our
	// choice): nothing else shows that it was sent again since.
	refusedTold = 24 * time.Hour
)

// The states of a ticket.
const (
	ticketWaiting = "waiting"
	ticketKept    = "kept"
	ticketRefused = "refused"
)

// What a file is that is to arrive.
const (
	arrivesRecording = ""         // a recording of a case
	arrivesDocument  = "document" // the signed report or another document, at the intake desk
	arrivesPaper     = "paper"    // a paper of the chart, at the intake desk
	arrivesCopy      = "copy"     // the copy of a page, from the office
	arrivesBatch     = "batch"    // many recordings of no case
)

// mostOf is how long a file may be, in bytes.
func mostOf(what string) int64 {
	switch what {
	case arrivesDocument, arrivesPaper, arrivesCopy:
		return documentLimit
	}
	return recording.DefaultMaxBytes
}

// ticket says what a file that is to arrive is: whose, on what footing, and
// how it is read. It holds nothing that names a patient.
type ticket struct {
	What string        `json:"what,omitempty"`
	Case string        `json:"case"`
	By   string        `json:"by"`
	Role casework.Role `json:"role"`
	Link string        `json:"link,omitempty"` // hash of the link that it came through
	Made time.Time     `json:"made"`
	Form url.Values    `json:"form,omitempty"`
	// Typed points to the form of a document, which prints who somebody is: it
	// lies sealed beside the case.
	Typed casework.Ref `json:"typed,omitempty"`
	// Sender is the footing that somebody outside states by sending.
	Sender string `json:"sender,omitempty"`

	// Request names the request that the ticket was made by in the logs of all
	// functions.
	Request string `json:"request,omitempty"`

	State string `json:"state"`
	// Why points to why it was refused, a refusedWhy.
	Why casework.Ref `json:"why,omitempty"`
	// Say is why a batch was refused, which belongs to no case: it quotes nothing.
	Say string `json:"say,omitempty"`
	// Kept is the hash of a document that was laid on its case, or the number of
	// a batch.
	Kept string `json:"kept,omitempty"`
}

// refusedWhy is why a file was not taken, and what could mend it. It may show
// headers and rows of the file, so it lies sealed beside the case.
type refusedWhy struct {
	Say string `json:"say"`
	// Told is Say in its parts, where a reader says some of it.
	Told wording.Text `json:"told,omitzero"`
	// Faults are by name of the field of a document's form.
	Faults map[string]string `json:"faults,omitempty"`
	// ToldFaults are those of Faults that have parts, in them.
	ToldFaults map[string]wording.Text `json:"told_faults,omitempty"`
	Ask        bool                    `json:"ask,omitempty"`
	Step       *mappingStep            `json:"step,omitempty"`
}

// direct reports whether files are put into a place elsewhere, so that none
// comes with the form of a page.
func (s *Site) direct() bool { return s.cfg.Arrivals != nil }

// stepField is the field by which the script of a page asks for a ticket, where
// the form could bring the file itself.
const stepField = "step"

// inSteps reports whether a form without a file asks for a ticket.
func (s *Site) inSteps(form url.Values) bool { return s.direct() || form.Get(stepField) == "ticket" }

// place is where files are put: elsewhere, or here.
func (s *Site) place() Arrivals {
	if s.cfg.Arrivals != nil {
		return s.cfg.Arrivals
	}
	return ownPlace{s}
}

// await makes a ticket and answers with the form that the file is sent by.
func (s *Site) await(w http.ResponseWriter, q *request, t ticket, base string) error {
	id, err := s.secret(16)
	if err != nil {
		return err
	}
	t.Made, t.State, t.Request = s.cfg.Now().UTC(), ticketWaiting, RequestID(q.Context())
	step := t.Form.Get(stepField)
	t.Form.Del("form")
	t.Form.Del("who")
	t.Form.Del(stepField)
	what, most := t.What, mostOf(t.What)
	if most == documentLimit {
		raw, err := json.Marshal(t.Form)
		if err != nil {
			return err
		}
		if t.Typed, err = (&casework.Case{Number: t.Case, K: 1}).Seal(q.Context(), s.cfg.Store, s.cfg.Random, raw); err != nil {
			return err
		}
		t.Form = nil
	}
	data, err := json.Marshal(t)
	if err != nil {
		return err
	}
	if err := s.cfg.Store.SwapNote(q.Context(), ticketKind, id, nil, data); err != nil {
		return err
	}
	if t.Case != "" {
		if err := s.cfg.Store.PutNote(q.Context(), ticketsKind+"/"+t.Case, id, nil); err != nil {
			return err
		}
	}
	// The id follows the file through the logs of all that handle it. It is
	// random, and tells nothing of the case.
	s.cfg.Log.InfoContext(q.Context(), "ticket made", "ticket", id)
	at := base + "/arrivals/" + id
	scheme := "http"
	if secure(q.Request) {
		scheme = "https"
	}
	form, err := s.place().Form(q.Context(), id, scheme+"://"+q.Host+at, most, formWithin)
	if err != nil {
		return err
	}
	if step != "" {
		return sendJSON(w, struct {
			Address string         `json:"address"`
			Fields  []ArrivalField `json:"fields"`
		}{form.Address, form.Fields})
	}
	to, err := url.Parse(form.Address)
	if err != nil {
		return fmt.Errorf("the place of arrivals: %w", err)
	}
	w.Header().Set("Content-Security-Policy", policyWith(to.Scheme+"://"+to.Host))
	s.render(w, q, http.StatusOK, "arrival", page{Title: arrivalTitles[what], Body: arrivalBody{Form: &form, What: what, Limit: size(most), At: at, Back: strings.TrimSuffix(base, "/files")}})
	return nil
}

// arrivalTitles head the page on which a file is chosen.
var arrivalTitles = map[string]string{arrivesRecording: "Send the recording", arrivesDocument: "Send the document", arrivesPaper: "Send the paper", arrivesCopy: "Send the copy", arrivesBatch: "Send the recordings"}

// arrivalBody is the page of a ticket.
type arrivalBody struct {
	Form     *ArrivalForm // nil: it is awaited
	What     string
	Limit    string
	At, Back string
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
func (s *Site) arrival(w http.ResponseWriter, q *request, number, base string, done func(t ticket) string, show func(t ticket, p posted) error) error {
	t, _, err := s.ticketOf(q.Context(), q.PathValue("ticket"))
	if err != nil {
		return err
	}
	if t.Case != number || q.link != nil && t.Link != q.link.hash {
		return errNoPage
	}
	switch t.State {
	case ticketKept:
		seeOther(w, done(t))
		return nil
	case ticketRefused:
		p, err := s.refusedAs(q, t)
		if err != nil {
			return err
		}
		return show(t, p)
	}
	s.awaited(w, q, base)
	return nil
}

// awaited is the page that looks again by itself.
func (s *Site) awaited(w http.ResponseWriter, q *request, base string) {
	w.Header().Set("Refresh", "2")
	s.render(w, q, http.StatusOK, "arrival", page{Title: "The file is being read", Body: arrivalBody{At: base + "/arrivals/" + q.PathValue("ticket"), Back: strings.TrimSuffix(base, "/files")}})
}

// refusedAs is what a page shows of a refused ticket.
func (s *Site) refusedAs(q *request, t ticket) (posted, error) {
	ctx := q.Context()
	raw, err := (&casework.Case{Number: t.Case}).Reveal(ctx, s.cfg.Store, t.Why)
	if err != nil {
		return posted{}, err
	}
	var why refusedWhy
	if err := json.Unmarshal(raw, &why); err != nil {
		return posted{}, fmt.Errorf("why a file was refused cannot be read: %w", err)
	}
	p := posted{part: "recording", say: why.Say, told: why.Told, faults: why.Faults, ask: why.Ask, step: why.Step}
	for name, told := range why.ToldFaults {
		p.faults[name] = q.fault(wording.Error{Text: told})
	}
	if t.What == arrivesCopy {
		p.part = "attach"
	}
	p.form, err = s.formOf(ctx, t)
	return p, err
}

// formOf is what was typed beside a file.
func (s *Site) formOf(ctx context.Context, t ticket) (url.Values, error) {
	if t.Typed == "" {
		return t.Form, nil
	}
	raw, err := (&casework.Case{Number: t.Case}).Reveal(ctx, s.cfg.Store, t.Typed)
	if err != nil {
		return nil, err
	}
	form := url.Values{}
	if err := json.Unmarshal(raw, &form); err != nil {
		return nil, fmt.Errorf("what was typed beside a file cannot be read: %w", err)
	}
	return form, nil
}

// intakeArrival is the page of a ticket of the intake desk.
func (s *Site) intakeArrival(w http.ResponseWriter, q *request) error {
	f, err := s.open(q.Context(), q.PathValue("number"))
	if err != nil {
		return err
	}
	base := "/cases/" + f.Number
	done := func(t ticket) string {
		switch t.What {
		case arrivesPaper:
			return base + "/papers"
		case arrivesDocument:
			return base + "/report?doc=" + short(t.Kept)
		}
		return base + "#recording"
	}
	return s.arrival(w, q, f.Number, base, done, func(t ticket, p posted) error {
		switch t.What {
		case arrivesPaper:
			return s.showPapers(w, q, http.StatusOK, f, p)
		case arrivesDocument:
			form := newDocumentForm(p.form, p.faults)
			return s.showReport(w, q, http.StatusOK, f, reportForm{say: p.say, document: &form})
		}
		return s.showCase(w, q, http.StatusOK, f, p)
	})
}

// officeArrival is the page of a ticket made through an office's link, or on
// its list of the day.
func (s *Site) officeArrival(w http.ResponseWriter, q *request) error {
	base := q.link.address()
	return s.arrival(w, q, q.link.file.Number, base, func(ticket) string { return base + "?sent=copy" }, func(_ ticket, p posted) error { return s.showOffice(w, q, http.StatusOK, p) })
}

// testerArrival is the page of a ticket made through a tester's link.
func (s *Site) testerArrival(w http.ResponseWriter, q *request) error {
	base := q.link.address()
	return s.arrival(w, q, q.link.file.Number, base, func(ticket) string { return base + "?sent=recording" }, func(_ ticket, p posted) error { return s.showTester(w, q, http.StatusOK, p) })
}

// Arrival is what became of a file that arrived, in words for a log and for
// counting: it holds nothing of the case.
type Arrival struct {
	// State is "kept", "refused", "again" for a file whose ticket was used, or
	// "unknown" for one without a ticket.
	State string
	// Reason says of a refused one: size, late, custody, closed, unread.
	Reason string
	kept   string // see ticket.Kept
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
	t.State, t.Kept = out.State, out.kept
	if t.State == ticketRefused && t.What == arrivesBatch {
		t.Say = r.say
	} else if t.State == ticketRefused {
		raw, err := json.Marshal(refusedWhy{r.say, r.told, r.faults, r.toldFaults, r.ask, r.step})
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
	most := mostOf(t.What)
	if size > most {
		return no("size", errTooLarge)
	}
	if at.After(t.Made.Add(formWithin + arrivedLate)) {
		return Arrival{State: ticketRefused, Reason: "late"}, refusal{say: "The file came after its form had ended; nothing was stored. Send it again from this page."}, nil
	}
	if t.What == arrivesBatch {
		return s.takeBatch(ctx, t, open)
	}
	f, err := s.open(ctx, t.Case)
	if err != nil {
		return Arrival{}, refusal{}, err
	}
	var facts map[string]statement
	if t.Link == "" {
		// A paper of the chart is taken on any footing.
		if err := s.mayTake(f); err != nil && t.What != arrivesPaper {
			return no("custody", err)
		}
	} else {
		if _, ok := f.LinkAt(t.Link, s.cfg.Now()); !ok {
			return no("custody", errLink)
		}
		facts = sentBy(f, t.Sender)
	}
	data, err := readArrived(ctx, open, most)
	if errors.Is(err, errTooLarge) {
		return no("size", err)
	}
	if err != nil {
		return Arrival{}, refusal{}, err
	}
	if t.What != arrivesRecording {
		return s.takeDocument(ctx, t, f, data)
	}
	if len(data) == 0 {
		return Arrival{State: ticketRefused, Reason: "unread"}, refusal{say: "Expected a recording; found an empty file. Choose the file as the recorder's memory gave it."}, nil
	}
	r, err := s.keep(ctx, f, &received{form: t.Form, data: data, link: t.Link}, casework.Stamp{At: s.cfg.Now(), By: t.By, Role: t.Role}, facts)
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

// readArrived reads all of what arrived.
func readArrived(ctx context.Context, open func(context.Context) (io.ReadCloser, error), most int64) ([]byte, error) {
	body, err := open(ctx)
	if err != nil {
		return nil, err
	}
	data, err := io.ReadAll(io.LimitReader(body, most+1))
	if err = errors.Join(err, body.Close()); err != nil {
		return nil, err
	}
	if int64(len(data)) > most {
		return nil, errTooLarge
	}
	return data, nil
}

// takeDocument lays a document that arrived on its case, as its form says.
func (s *Site) takeDocument(ctx context.Context, t ticket, f *file, data []byte) (Arrival, refusal, error) {
	form, err := s.formOf(ctx, t)
	if err != nil {
		return Arrival{}, refusal{}, err
	}
	var d documentSent
	switch t.What {
	case arrivesDocument:
		d = s.documentSent(form, sentence)
	case arrivesPaper:
		d = s.paperSent(form, sentence)
	case arrivesCopy:
		d = s.copySent(f, t.Link, form, sentence)
	default:
		return Arrival{}, refusal{}, fmt.Errorf("ticket: %w", errors.ErrUnsupported)
	}
	if len(data) == 0 {
		d.faults["file"] = d.none
	}
	st, told := casework.Stamp{At: s.cfg.Now(), By: t.By, Role: t.Role}, map[string]wording.Text{}
	refused, err := s.lay(ctx, t.Case, st, &received{form: form, data: data}, d.kind, d.printed, d.faults, func(err error) string {
		told["file"] = faultOf(err)
		return sentence(err)
	}, d.of)
	if errors.Is(err, casework.ErrRefused) || errors.Is(err, errLink) {
		a, _ := answerTo(err)
		return Arrival{State: ticketRefused, Reason: "closed"}, refusal{say: a.Sentence}, nil
	}
	if err != nil {
		return Arrival{}, refusal{}, err
	}
	if refused {
		return Arrival{State: ticketRefused, Reason: "unread"}, refusal{say: d.say, faults: d.faults, toldFaults: told}, nil
	}
	return Arrival{State: ticketKept, kept: hashOf(data)}, refusal{}, nil
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

// arrivalsOf lists what is awaited and what was refused of a case whose
// personal values stand: recordings as long as it has none, documents that were
// refused for a day.
func (s *Site) arrivalsOf(ctx context.Context, q *request, f *file) ([]arrivalLine, error) {
	if !f.DestroyedAt.IsZero() {
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
		if t.What == arrivesRecording && f.upload() != nil || t.What != arrivesRecording && t.State == ticketRefused && s.cfg.Now().After(t.Made.Add(refusedTold)) {
			continue
		}
		if t.State == ticketRefused || t.State == ticketWaiting && !over && s.direct() {
			line := arrivalLine{Made: t.Made.Format("2006-01-02 15:04") + " UTC", At: "/cases/" + number + "/arrivals/" + n.Key}
			if t.State == ticketRefused {
				p, err := s.refusedAs(q, t)
				if err != nil {
					return nil, err
				}
				line.Refused, line.Say = true, q.tell(p.say, p.told)
			}
			out = append(out, line)
		}
	}
	return out, nil
}
