package web

import (
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"time"

	"airwarrant/qualify"
	"airwarrant/qualify/casework"
	"airwarrant/qualify/editions"
	"airwarrant/qualify/recording"
	"airwarrant/rules"
	"airwarrant/rules/wording"
	"airwarrant/web/accounts"
	"airwarrant/web/calendar"
	"airwarrant/web/texts"
)

// Errors of the pages. Those of other packages pass through unwrapped and
// are told apart below.
var (
	errNoPage         = errors.New("no such page")
	errHost           = errors.New("not a name that is served")
	errForm           = errors.New("form token missing or foreign")
	errUnreadableForm = errors.New("form could not be read")
	errTooLarge       = errors.New("request too large")
	errNoDesk         = errors.New("not signed in, or at no desk")
	errMustChange     = errors.New("first password not changed yet")
	errDesk           = errors.New("not for this desk")
	errLink           = errors.New("link unknown, expired or withdrawn")
	errCode           = errors.New("code of the link not given yet")
	errBarred         = errors.New("custody not settled")
	errConfirmations  = errors.New("records of confirmations do not fit together")
	errCriteria       = errors.New("the criteria published here can't be read")
	errNoDetermined   = errors.New("nothing to print yet")
	errBatchEnded     = errors.New("the result of the batch has ended")
	errNoAnswers      = errors.New("no answers to print yet")
)

// answer is what a person is told about an error: a status, what happened,
// and what to do next. It never holds what the person typed or uploaded.
type answer struct {
	Status         int
	Title          string
	Sentence, Next string
}

// answerTo is the only map from an error to what a person is told. The second
// result is false for an error that nobody foresaw: it is logged under a
// reference number.
func answerTo(err error) (answer, bool) {
	var large *http.MaxBytesError
	var picture *pictureError
	var chain *casework.ChainError
	var pace *paceError
	switch {
	case errors.Is(err, errNoPage), errors.Is(err, casework.ErrNotFound):
		return answer{http.StatusNotFound, "There is no such page",
			"Nothing is kept at this address.", "Check the case number, or start from the first page."}, true
	case errors.Is(err, editions.ErrNotFound):
		return answer{http.StatusNotFound, "There is no such page",
			"The draft was published or thrown away, or nothing was proposed under this number.", "Look at the list of drafts and changes."}, true
	case errors.Is(err, editions.ErrStale):
		return answer{http.StatusConflict, "Somebody else was faster",
			"It changed while you were working on it. What you sent was not stored.", "Open the page again, look at what changed, and send it once more."}, true
	case errors.Is(err, editions.ErrRefused):
		return answer{http.StatusConflict, "Not to be done so",
			"A rule of publication keeps this from being done. Nothing was stored.", "Open the draft or the proposal again: what keeps it is told there."}, true
	case errors.Is(err, editions.ErrNothingBeside):
		return answer{http.StatusConflict, "There is nothing to rehearse",
			"No version of this region is in force on the first day of the draft.", "Propose the draft without a rehearsal."}, true
	case errors.Is(err, errHost):
		return answer{http.StatusMisdirectedRequest, "Not served under this name",
			"This program answers on this machine, and under the names that it was started with.", "Open the address that it printed when it started."}, true
	case errors.Is(err, errForm):
		return answer{http.StatusForbidden, "The form was not sent from here",
			"The form was filled in before you signed in or changed the desk, or it came from another page. Nothing was stored.", "Open the page again and send it from there."}, true
	case errors.As(err, &large), errors.Is(err, errTooLarge), errors.Is(err, recording.ErrTooLarge):
		return answer{http.StatusRequestEntityTooLarge, "Too large",
			"More was sent than this page takes; a recording may have up to 64 MiB, a document 24 MiB. Nothing was stored.", "Send one recording at a time, as the recorder's memory gave it, and the pages of the report alone."}, true
	case errors.Is(err, errUnreadableForm):
		return answer{http.StatusBadRequest, "The form could not be read",
			"What was sent broke off or is not a form. Nothing was stored.", "Go back, check what you typed and send it again."}, true
	case errors.Is(err, errConfirmations):
		return answer{http.StatusConflict, "The confirmations do not fit together",
			"A record of a confirmed draft was changed or removed outside this program, so none counts. Nothing was stored.", "Restore the store from a backup."}, true
	case errors.Is(err, errCriteria), errors.Is(err, rules.ErrUnread):
		return answer{http.StatusConflict, "The criteria cannot be read",
			"What was published here was changed or removed outside this program, or is of another version of it, so nothing is judged by it. Nothing was stored.", "Run: airwarrant audit verify. Then restore the store from a backup taken before it was altered."}, true
	case errors.Is(err, errNoDesk):
		return answer{http.StatusForbidden, "Not signed in",
			"This page belongs to a desk, and you are not signed in, or the session has ended: it ends after half an hour without a request. Nothing was stored.", "Sign in on the first page."}, true
	case errors.Is(err, errMustChange):
		return answer{http.StatusForbidden, "The password has to be changed first",
			"The password that you signed in with was given to you by somebody else.", "Choose your own on the page of the password."}, true
	case errors.Is(err, accounts.ErrNoAccount):
		return answer{http.StatusNotFound, "There is no such account",
			"No account is kept at this address.", "Choose one on the page of accounts."}, true
	case errors.Is(err, errDesk):
		return answer{http.StatusForbidden, "Not for this desk",
			"The desk that you sit at does not reach this page.", "Take the desk that the page is for on the first page; a link for an office or a tester opens after signing out."}, true
	case errors.Is(err, errLink):
		return answer{http.StatusNotFound, "This link does not open anything",
			"It has expired, was withdrawn, ended with its case, was closed after five wrong codes, or was not copied whole.", "Ask the supplier's intake desk for a new link."}, true
	case errors.Is(err, errCode):
		return answer{http.StatusForbidden, "The code of this link was not given",
			"The link is opened with a code that is told by phone, and asked again after twelve hours. Nothing was stored.", "Open the link and give the code."}, true
	case errors.As(err, &pace):
		return answer{http.StatusTooManyRequests, "Too often",
			"More was asked for from here than a person needs.", "Wait a few minutes and try again."}, true
	case errors.Is(err, errBarred):
		return answer{http.StatusForbidden, "The file was not read",
			"Under these criteria the supplier may not see the result of this test on the footing stated. No byte of the file was read.", "State how the test came to us, or send the link to the tester or the practitioner."}, true
	case errors.Is(err, errNoDetermined):
		return answer{http.StatusNotFound, "There is no worksheet yet",
			"The case has not been determined.", "Open the case and answer what stands first on it."}, true
	case errors.Is(err, errBatchEnded):
		return answer{http.StatusGone, "The lines of this batch have ended",
			"They were kept for 30 days, or were not stored whole. Who read which files, and when, stays written down.", "Read the files again on the page of many recordings."}, true
	case errors.Is(err, errNoAnswers):
		return answer{http.StatusNotFound, "There are no answers yet",
			"Nothing was answered through this link, so there is nothing to print.", "Open the link, and send the answers first."}, true
	case errors.Is(err, calendar.ErrNoDates):
		return answer{http.StatusNotFound, "There is no date yet",
			"Nothing that follows from this case has a date.", "Open the case: where a date waits for an answer, it is asked there."}, true
	case errors.Is(err, casework.ErrDestroyed):
		return answer{http.StatusGone, "Destroyed when its retention ended",
			"Who the patient was, and what was stated, is gone for good. The chain of the case still stands and can be verified.", "Nothing is left to do here."}, true
	case errors.As(err, &chain):
		return answer{http.StatusConflict, "The chain of this case is broken",
			fmt.Sprintf("Event %d was changed or removed outside this program, so nothing of the case is shown.", chain.K), "Run: airwarrant audit verify. Then restore the store from a backup taken before it was altered."}, true
	case errors.Is(err, casework.ErrRefused):
		return answer{http.StatusConflict, "This does not fit the case any more",
			"The case is closed, or what you changed is not there any longer. Nothing was stored.", "Open the case again and look at its trail."}, true
	case errors.Is(err, casework.ErrConflict):
		return answer{http.StatusConflict, "Somebody else was faster",
			"It changed while you were working on it. What you sent was not stored.", "Open the page again, look at what changed, and send it once more."}, true
	case errors.Is(err, rules.ErrUnknownRegion), errors.Is(err, rules.ErrUnknownVersion):
		return answer{http.StatusNotFound, "Unknown criteria",
			"No criteria are kept under this name and date.", "Choose one of the payers on the page of criteria."}, true
	case errors.Is(err, rules.ErrNoPackInForce):
		return answer{http.StatusConflict, "No criteria in force on that day",
			"No version of this payer's criteria was in force on the day of the test.", "Check the date of the test; the page of criteria lists the versions."}, true
	case errors.Is(err, qualify.ErrQuery):
		return answer{http.StatusBadRequest, "That choice is not there",
			"The session or recording chosen is not one that the file holds.", "Choose one of those listed on the case."}, true
	case errors.As(err, &picture):
		return answer{http.StatusUnprocessableEntity, "The document cannot be shown", sentence(picture), "Add the document again as the sentence says, and withdraw this one."}, true
	case whyUnread(err).Format != "":
		return answer{http.StatusUnprocessableEntity, "The file could not be read", whyUnread(err).String(), "Mend the file as it says, or export it again."}, true
	}
	return answer{http.StatusInternalServerError, "Something went wrong here",
		"The page could not be made. What you sent may not have been stored.", "Try again; if it happens again, tell whoever looks after this program the reference number."}, false
}

// whyUnread says in parts why a recording could not be read; it is empty for any
// other error.
func whyUnread(err error) wording.Text {
	why := recording.Refusal(err)
	if why.Format == "" {
		return why
	}
	return wording.Said("The recording could not be read: %s.", why)
}

// answerIn is answerTo with what a reader says in a language. The rest is worded
// by the template.
func answerIn(l rules.Language, err error) (answer, bool) {
	a, known := answerTo(err)
	if t := whyUnread(err); t.Format != "" && a.Sentence == t.String() {
		a.Sentence = texts.Already(l.Tell(t))
	}
	if bad, ok := errors.AsType[*pictureError](err); ok && a.Sentence == sentence(bad) {
		a.Sentence = texts.Already(asSentence(l.Tell(bad.Said())))
	}
	return a, known
}

// tell is a sentence as the page words it: by its parts, if it is kept in some.
// Any other is worded by the template.
func (q *request) tell(say string, told wording.Text) string {
	if told.Format == "" {
		return say
	}
	return texts.Already(q.words().Tell(told))
}

// fail answers err with its page. Only an unforeseen error is logged, under a
// number that the page shows, as its type and the name of the route: texts
// and addresses could tell who the patient is.
func (s *Site) fail(w http.ResponseWriter, q *request, rt Route, err error) {
	if errors.Is(err, errCode) && rt.Method == "GET" && q.URL.Path == q.link.address() {
		s.showCode(w, q, http.StatusOK, "")
		return
	}
	switch {
	case errors.Is(err, errMustChange):
		seeOther(w, "/password")
		return
	case errors.Is(err, errNoDesk) && rt.Method == "GET":
		if q.visit.session != nil {
			s.showFirst(w, q, http.StatusForbidden, firstPage{Say: "This page belongs to a desk. Choose the one that you want to act at."})
			return
		}
		s.showFirst(w, q, http.StatusForbidden, firstPage{To: safePath(q.URL.RequestURI()), Say: "This page belongs to a desk, and you are not signed in, or the session has ended: it ends after half an hour without a request."})
		return
	}
	var pace *paceError
	if errors.As(err, &pace) {
		w.Header().Set("Retry-After", strconv.Itoa(int(pace.wait.Seconds())+1))
	}
	a, known := answerIn(q.words(), err)
	reference := ""
	if !known {
		reference = s.reference()
		more := []any{"reference", reference, "route", rt.Name, "method", rt.Method, "kind", kindOf(err)}
		var p *panicError
		if errors.As(err, &p) {
			more = append(more, "stack", p.stack)
		}
		s.cfg.Log.ErrorContext(q.Context(), "unforeseen error", more...)
	}
	to := ""
	if rt.Link && rt.Method == "GET" {
		to = q.URL.Path
	}
	held := s.held(w, q, rt, err)
	if held != nil && q.visit.Nonce == "" {
		// Its form needs a token to carry, as that of a first visit.
		if v, err := s.newVisit(w, q.Request); err == nil {
			q.visit, q.token = v, s.formToken(v)
		}
	}
	s.render(w, q, a.Status, "error", page{Title: a.Title, Body: struct {
		answer
		Reference string
		Leave     bool
		To        string // a link to open after leaving the desk
		Held      *heldForm
	}{a, reference, errors.Is(err, errDesk) && rt.Link, to, held}})
}

// paceError refuses what came too often.
type paceError struct{ wait time.Duration }

// Error says how long to wait.
func (e *paceError) Error() string { return "too often; wait " + e.wait.String() }

// panicError is a panic of a handler. Its value is not kept, because it may
// hold what a patient's file said; the stack names functions and lines.
type panicError struct{ stack string }

// Error tells nothing of the value.
func (*panicError) Error() string { return "panic" }

// reference is a short number for one unforeseen error.
func (s *Site) reference() string {
	t, err := s.secret(6)
	if err != nil {
		return s.cfg.Now().UTC().Format("20060102T150405")
	}
	return t
}
