// Package web is the pages: a case from its first line to the printed
// worksheet, for each desk of design section 4.
//
// Call New, then Site.Handler. Pages are rendered on the server from
// templates that lie in the binary, work without script, and read from top to
// bottom like the paper that they replace. Routes is the one list of what is
// served, and to which desk.
//
// What this package does not do: it knows no criteria, no file format and no
// database, and how accounts are kept is web/accounts' alone. It speaks plain
// HTTP, on loopback names and on those of Config.Hosts, for which something in
// front of it has to speak TLS.
package web

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"html/template"
	"io"
	"log/slog"
	"net/http"
	"net/url"
	"runtime/debug"
	"slices"
	"sync"
	"time"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/editions"
	"airwarrant/qualify/recording"
	"airwarrant/qualify/worksheet"
	"airwarrant/rules"
	"airwarrant/web/accounts"
	"airwarrant/web/provider"
	"airwarrant/web/texts"
)

// Config is what a site is made of. Every field but Demo, Hosts, Arrivals,
// Provider, Critical, Region, Determined and RehearsalSlice is needed.
type Config struct {
	Store   casework.Store
	Library Libraries
	Now     func() time.Time
	Random  io.Reader // of keys, link secrets and reference numbers
	Program string    // name and version, as worksheets print it
	Demo    bool      // one click takes a desk, DEMO stands on every page
	// Hosts are the names, without port, that are served beside those of
	// loopback, over HTTPS by a proxy on this machine; none with Demo.
	Hosts []string
	// Arrivals is where browsers put recordings into themselves, nil where they
	// come with the form of the page.
	Arrivals Arrivals
	// Provider vouches for people beside the passwords kept here, nil for none.
	Provider *provider.Provider
	Log      *slog.Logger
	// Critical is the limit of the alert on critically low readings: nil takes
	// the house's default, one without a figure turns it off.
	Critical *worksheet.CriticalLimit
	// Region is the region of the criteria that the form of a new case and of a
	// batch begin with, "" for none.
	Region string
	// Determined is told the outcomes of each determination that is written, one
	// for each region, for counting; nil for nobody.
	Determined func(outcomes []string)
	// RehearsalSlice is how long one request goes on with a rehearsal before it
	// answers, zero for two seconds; each goes through at least one page of cases.
	RehearsalSlice time.Duration
}

// Libraries gives the criteria that count at the moment. *rules.Library is one
// that never changes, *editions.Book one that a house publishes to.
type Libraries interface {
	// Current returns a library that never changes once it is returned.
	Current(ctx context.Context) (*rules.Library, error)
}

// Site serves the pages. Each request has one of its own, so that everything in
// it is judged by one library.
type Site struct {
	*core
	lib *rules.Library
}

// core is what all requests share.
type core struct {
	cfg    Config
	key    []byte // signs cookies and form tokens; see siteKey
	pages  map[reader]map[string]*template.Template
	checks *checks
	views  views
	leaves leaves
	paces  paces
	health health
	taking sync.Map // ids of tickets whose file is being taken here
	pdf    pdfReader
	// found keeps what was found in the texts of drafts.
	found foundBefore
	// book is the criteria that the house publishes itself.
	book *editions.Book
	// accounts are who may sit at which desk.
	accounts *accounts.Book
	// confirming is held while a confirmation of a draft is written.
	confirming sync.Mutex
}

// New checks cfg, parses every template and, with Demo on an empty store,
// builds the demonstration cases.
func New(cfg Config) (*Site, error) {
	switch {
	case cfg.Store == nil:
		return nil, errors.New("web: Config.Store: expected a store of cases, found none; open one and pass it")
	case cfg.Library == nil:
		return nil, errors.New("web: Config.Library: expected loaded criteria, found none; call rules.Load first")
	case cfg.Now == nil || cfg.Random == nil || cfg.Log == nil || cfg.Program == "":
		return nil, errors.New("web: Config: expected Now, Random, Log and Program; at least one is missing; set all four")
	}
	if cfg.Demo && (len(cfg.Hosts) > 0 || cfg.Provider != nil) {
		return nil, errors.New("web: Config.Hosts, Config.Provider: expected none with Demo, found one: a demonstration is opened by a click and answers on loopback alone; leave out Demo or both")
	}
	book, ok := cfg.Library.(*editions.Book)
	if !ok {
		lib, err := cfg.Library.Current(context.Background())
		if err != nil {
			return nil, fmt.Errorf("web: Config.Library: %w", err)
		}
		book = editions.New(cfg.Store, lib, cfg.Now)
		cfg.Library = book
	}
	s := &Site{core: &core{book: book, cfg: cfg, checks: newChecks(), accounts: accounts.New(cfg.Store, cfg.Now, cfg.Random)}}
	ctx := context.Background()
	unfinished, err := casework.Unfinished(ctx, cfg.Store)
	if err != nil {
		return nil, fmt.Errorf("web: %w", err)
	}
	if unfinished {
		return nil, errors.New("web: the store is the target of a move that has not come to its end; give the command move again, then serve it")
	}
	if s.lib, err = cfg.Library.Current(ctx); err != nil {
		// People can still sign in and look the accounts up; what needs criteria
		// is refused, request by request, until the store is mended.
		cfg.Log.Error("the criteria can't be read", "error", err.Error())
		s.lib = &rules.Library{}
	} else if r, err := s.lib.Region(cfg.Region); cfg.Region != "" && (err != nil || r.Hidden) {
		return nil, fmt.Errorf("web: Config.Region: expected a region of the criteria loaded, found %q; airwarrant rules list shows them", cfg.Region)
	}
	if s.key, err = siteKey(ctx, cfg.Store, cfg.Random); err != nil {
		return nil, err
	}
	if s.pages, err = parsedPages(); err != nil {
		return nil, err
	}
	if err := s.findable(context.Background()); err != nil {
		return nil, fmt.Errorf("web: making cases findable by name: %w", err)
	}
	if cfg.Demo {
		if err := s.checkDemo(ctx); err != nil {
			return nil, fmt.Errorf("web: Config.Demo: %w", err)
		}
		if err := s.buildDemo(); err != nil {
			return nil, fmt.Errorf("web: building the demonstration: %w", err)
		}
	}
	return s, nil
}

// Limits of a request's body, in bytes.
const (
	formLimit = 1 << 20
	// uploadLimit leaves room for the parts of the form around the file.
	uploadLimit = recording.DefaultMaxBytes + 1<<20
)

// Route is one address of the site.
type Route struct {
	Method, Path string
	Name         string // of the handler
	// Desks says who may use it; none means everybody.
	Desks []Desk
	// Link marks an address that holds a secret: whoever has it sits at the
	// desk that it was made for, and at no other.
	Link bool
	// Code marks the address of a Link that takes its code; the others are
	// reached after it was given.
	Code bool
	// Day marks an address of a case on the list of an office, which its account
	// reaches.
	Day bool
	// Body is the largest body that is read, in bytes; 0 for none.
	Body int64
	// Streams marks a handler that reads the body itself, and checks the
	// form token in it.
	Streams bool

	handle func(*Site, http.ResponseWriter, *request) error
}

// Routes is everything that is served.
func Routes() []Route {
	intake, office, tester := []Desk{Intake}, []Desk{Office}, []Desk{Tester}
	staff, administrator := []Desk{Intake, Maintainer}, []Desk{Administrator}
	maintainer, second := []Desk{Maintainer}, []Desk{Maintainer, Administrator}
	return []Route{
		{Method: "GET", Path: "/{$}", Name: "first", handle: (*Site).first},
		{Method: "POST", Path: "/sign-in", Name: "signIn", Body: formLimit, handle: (*Site).signIn},
		{Method: "GET", Path: "/sign-in/provider", Name: "toProvider", handle: (*Site).toProvider},
		{Method: "GET", Path: provider.ReturnPath, Name: "fromProvider", handle: (*Site).fromProvider},
		{Method: "POST", Path: "/desk", Name: "takeDesk", Body: formLimit, handle: (*Site).takeDesk},
		{Method: "POST", Path: "/sign-out", Name: "signOut", Body: formLimit, handle: (*Site).signOut},
		{Method: "POST", Path: "/sign-out-everywhere", Name: "signOutEverywhere", Body: formLimit, handle: (*Site).signOutEverywhere},
		{Method: "GET", Path: "/password", Name: "password", handle: (*Site).passwordPage},
		{Method: "POST", Path: "/password", Name: "changePassword", Body: formLimit, handle: (*Site).changePassword},
		{Method: "POST", Path: "/language", Name: "chooseLanguage", Body: formLimit, handle: (*Site).chooseLanguage},
		{Method: "GET", Path: "/static/{file}", Name: "static", handle: (*Site).static},
		{Method: "POST", Path: "/arrivals", Name: "takeArrival", Body: uploadLimit, Streams: true, handle: (*Site).takeArrival},
		{Method: "GET", Path: "/healthz", Name: "healthz", handle: (*Site).healthPage},

		{Method: "GET", Path: "/cases", Name: "caseList", Desks: []Desk{Intake, Maintainer, Administrator}, handle: (*Site).caseList},
		{Method: "POST", Path: "/cases/find", Name: "findCase", Desks: intake, Body: formLimit, handle: (*Site).findCase},
		{Method: "GET", Path: "/cases/new", Name: "newCase", Desks: intake, handle: (*Site).newCase},
		{Method: "POST", Path: "/cases/new", Name: "openCase", Desks: intake, Body: formLimit, handle: (*Site).openCase},
		{Method: "GET", Path: "/cases/{number}", Name: "casePage", Desks: intake, handle: (*Site).casePage},
		{Method: "POST", Path: "/cases/{number}/assign", Name: "assign", Desks: intake, Body: formLimit, handle: (*Site).assign},
		{Method: "POST", Path: "/cases/{number}/close", Name: "closeCase", Desks: intake, Body: formLimit, handle: (*Site).closeCase},
		{Method: "POST", Path: "/cases/{number}/reopen", Name: "reopenCase", Desks: intake, Body: formLimit, handle: (*Site).reopenCase},
		{Method: "POST", Path: "/cases/{number}/custody", Name: "stateCustody", Desks: intake, Body: formLimit, handle: (*Site).stateCustody},
		{Method: "POST", Path: "/cases/{number}/recording", Name: "upload", Desks: intake, Body: uploadLimit, Streams: true, handle: (*Site).upload},
		{Method: "GET", Path: "/batch/files/arrivals/{ticket}", Name: "batchArrival", Desks: intake, handle: (*Site).batchArrival},
		{Method: "GET", Path: "/day/{number}/arrivals/{ticket}", Name: "dayArrival", Desks: office, Day: true, handle: (*Site).officeArrival},
		{Method: "GET", Path: "/office/{secret}/arrivals/{ticket}", Name: "officeArrival", Desks: office, Link: true, handle: (*Site).officeArrival},
		{Method: "GET", Path: "/cases/{number}/arrivals/{ticket}", Name: "intakeArrival", Desks: intake, handle: (*Site).intakeArrival},
		{Method: "POST", Path: "/cases/{number}/withdraw", Name: "withdraw", Desks: intake, Body: formLimit, handle: (*Site).withdraw},
		{Method: "POST", Path: "/cases/{number}/session", Name: "chooseSession", Desks: intake, Body: formLimit, handle: (*Site).chooseSession},
		{Method: "POST", Path: "/cases/{number}/marks", Name: "stateMarks", Desks: intake, Body: formLimit, handle: (*Site).stateMarks},
		{Method: "GET", Path: "/cases/{number}/tests", Name: "testsPage", Desks: intake, handle: (*Site).testsPage},
		{Method: "POST", Path: "/cases/{number}/tests", Name: "stateTest", Desks: intake, Body: formLimit, handle: (*Site).stateTest},
		{Method: "POST", Path: "/cases/{number}/determine", Name: "determineAnew", Desks: intake, Body: formLimit, handle: (*Site).determineAnew},
		{Method: "POST", Path: "/cases/{number}/patient", Name: "correctPatient", Desks: intake, Body: formLimit, handle: (*Site).correctPatient},
		{Method: "POST", Path: "/cases/{number}/critical", Name: "stateTold", Desks: intake, Body: formLimit, handle: (*Site).stateTold},
		{Method: "POST", Path: "/cases/{number}/same", Name: "confirmIdentity", Desks: intake, Body: formLimit, handle: (*Site).confirmIdentity},
		{Method: "POST", Path: "/cases/{number}/facts", Name: "stateFacts", Desks: intake, Body: formLimit, handle: (*Site).stateFacts},
		{Method: "POST", Path: "/cases/{number}/answers", Name: "handleDispute", Desks: intake, Body: formLimit, handle: (*Site).handleDispute},
		{Method: "POST", Path: "/cases/{number}/links", Name: "makeLink", Desks: intake, Body: formLimit, handle: (*Site).makeLink},
		{Method: "POST", Path: "/cases/{number}/day", Name: "makeDay", Desks: intake, Body: formLimit, handle: (*Site).makeDay},
		{Method: "POST", Path: "/cases/{number}/links/revoke", Name: "revokeLink", Desks: intake, Body: formLimit, handle: (*Site).revokeLink},
		{Method: "GET", Path: "/cases/{number}/report", Name: "reportPage", Desks: intake, handle: (*Site).reportPage},
		{Method: "POST", Path: "/cases/{number}/report", Name: "stateFigures", Desks: intake, Body: formLimit, handle: (*Site).stateFigures},
		{Method: "GET", Path: "/cases/{number}/papers", Name: "papersPage", Desks: intake, handle: (*Site).papersPage},
		{Method: "POST", Path: "/cases/{number}/papers", Name: "addPaper", Desks: intake, Body: documentLimit + 1<<20, Streams: true, handle: (*Site).addPaper},
		{Method: "POST", Path: "/cases/{number}/documents", Name: "addDocument", Desks: intake, Body: documentLimit + 1<<20, Streams: true, handle: (*Site).addDocument},
		{Method: "POST", Path: "/cases/{number}/documents/withdraw", Name: "withdrawDocument", Desks: intake, Body: formLimit, handle: (*Site).withdrawDocument},
		{Method: "GET", Path: "/cases/{number}/documents/{document}", Name: "documentFile", Desks: intake, handle: (*Site).documentFile},
		{Method: "GET", Path: "/cases/{number}/documents/{document}/{page}", Name: "documentPage", Desks: intake, handle: (*Site).documentPage},
		{Method: "GET", Path: "/cases/{number}/worksheet.pdf", Name: "worksheetPDF", Desks: intake, handle: (*Site).worksheetPDF},
		{Method: "GET", Path: "/cases/{number}/worksheet.json", Name: "worksheetJSON", Desks: intake, handle: (*Site).worksheetJSON},
		{Method: "GET", Path: "/cases/{number}/trace.json", Name: "caseTrace", Desks: intake, handle: (*Site).caseTrace},
		{Method: "GET", Path: "/cases/{number}/dates.ics", Name: "dates", Desks: intake, handle: (*Site).dates},
		{Method: "GET", Path: "/cases/{number}/compare", Name: "compareCase", Desks: intake, handle: (*Site).compareCase},
		{Method: "GET", Path: "/cases/{number}/trail", Name: "trail", Desks: []Desk{Intake, Administrator}, handle: (*Site).trail},
		{Method: "GET", Path: "/cases/{number}/trail.json", Name: "trailJSON", Desks: []Desk{Intake, Administrator}, handle: (*Site).trailJSON},
		{Method: "GET", Path: "/cases/{number}/trail.csv", Name: "trailCSV", Desks: []Desk{Intake, Administrator}, handle: (*Site).trailCSV},

		{Method: "GET", Path: "/batch", Name: "batchForm", Desks: intake, handle: (*Site).batchForm},
		{Method: "POST", Path: "/batch", Name: "stateBatch", Desks: intake, Body: formLimit, handle: (*Site).stateBatch},
		{Method: "POST", Path: "/batch/files", Name: "runBatch", Desks: intake, Body: batchLimit, Streams: true, handle: (*Site).runBatch},
		{Method: "GET", Path: "/batch/{batch}", Name: "batchResult", Desks: intake, handle: (*Site).batchResult},
		{Method: "GET", Path: "/batch/{batch}/table.csv", Name: "batchCSV", Desks: intake, handle: (*Site).batchCSV},
		{Method: "GET", Path: "/batch/{batch}/table.xlsx", Name: "batchXLSX", Desks: intake, handle: (*Site).batchXLSX},

		{Method: "GET", Path: "/day", Name: "dayList", Desks: office, handle: (*Site).dayList},
		{Method: "GET", Path: "/day/{number}", Name: "dayPage", Desks: office, Day: true, handle: (*Site).officePage},
		{Method: "POST", Path: "/day/{number}", Name: "dayAnswer", Desks: office, Day: true, Body: formLimit, handle: (*Site).officeAnswer},
		{Method: "GET", Path: "/day/{number}/answers.pdf", Name: "dayPDF", Desks: office, Day: true, handle: (*Site).officePDF},
		{Method: "POST", Path: "/day/{number}/documents", Name: "dayAttach", Desks: office, Day: true, Body: documentLimit + 1<<20, Streams: true, handle: (*Site).officeAttach},
		{Method: "GET", Path: "/day/{number}/trace.json", Name: "dayTrace", Desks: office, Day: true, handle: (*Site).linkTrace},
		{Method: "GET", Path: "/office/{secret}", Name: "officePage", Desks: office, Link: true, handle: (*Site).officePage},
		{Method: "POST", Path: "/office/{secret}", Name: "officeAnswer", Desks: office, Link: true, Body: formLimit, handle: (*Site).officeAnswer},
		{Method: "GET", Path: "/office/{secret}/answers.pdf", Name: "officePDF", Desks: office, Link: true, handle: (*Site).officePDF},
		{Method: "POST", Path: "/office/{secret}/documents", Name: "officeAttach", Desks: office, Link: true, Body: documentLimit + 1<<20, Streams: true, handle: (*Site).officeAttach},
		{Method: "POST", Path: "/office/{secret}/code", Name: "officeCode", Desks: office, Link: true, Code: true, Body: formLimit, handle: (*Site).giveCode},
		{Method: "POST", Path: "/tester/{secret}/code", Name: "testerCode", Desks: tester, Link: true, Code: true, Body: formLimit, handle: (*Site).giveCode},
		{Method: "GET", Path: "/office/{secret}/trace.json", Name: "officeTrace", Desks: office, Link: true, handle: (*Site).linkTrace},
		{Method: "GET", Path: "/tester/{secret}/trace.json", Name: "testerTrace", Desks: tester, Link: true, handle: (*Site).linkTrace},
		{Method: "GET", Path: "/tester/{secret}", Name: "testerPage", Desks: tester, Link: true, handle: (*Site).testerPage},
		{Method: "POST", Path: "/tester/{secret}", Name: "testerAnswer", Desks: tester, Link: true, Body: formLimit, handle: (*Site).testerAnswer},
		{Method: "POST", Path: "/tester/{secret}/spans", Name: "judgeSpans", Desks: tester, Link: true, Body: formLimit, handle: (*Site).judgeSpans},
		{Method: "GET", Path: "/tester/{secret}/arrivals/{ticket}", Name: "testerArrival", Desks: tester, Link: true, handle: (*Site).testerArrival},
		{Method: "POST", Path: "/tester/{secret}/recording", Name: "testerUpload", Desks: tester, Link: true, Body: uploadLimit, Streams: true, handle: (*Site).testerUpload},

		{Method: "GET", Path: "/accounts", Name: "people", Desks: administrator, handle: (*Site).people},
		{Method: "POST", Path: "/accounts", Name: "addPerson", Desks: administrator, Body: formLimit, handle: (*Site).addPerson},
		{Method: "GET", Path: "/accounts/sign-ins", Name: "signIns", Desks: administrator, handle: (*Site).signIns},
		{Method: "GET", Path: "/accounts/{account}", Name: "person", Desks: administrator, handle: (*Site).person},
		{Method: "POST", Path: "/accounts/{account}", Name: "changePerson", Desks: administrator, Body: formLimit, handle: (*Site).changePerson},

		{Method: "GET", Path: "/drafts", Name: "draftList", Desks: second, handle: (*Site).draftList},
		{Method: "POST", Path: "/drafts", Name: "newDraft", Desks: maintainer, Body: draftLimit, Streams: true, handle: (*Site).newDraft},
		{Method: "GET", Path: "/drafts/words.json", Name: "draftWords", Desks: maintainer, handle: (*Site).draftWords},
		{Method: "GET", Path: "/drafts/{draft}", Name: "draftPage", Desks: maintainer, handle: (*Site).draftPage},
		{Method: "POST", Path: "/drafts/{draft}", Name: "saveDraft", Desks: maintainer, Body: draftLimit, handle: (*Site).saveDraft},
		{Method: "POST", Path: "/drafts/{draft}/check", Name: "checkDraft", Desks: maintainer, Body: draftLimit, handle: (*Site).checkDraft},
		{Method: "POST", Path: "/drafts/{draft}/discard", Name: "discardDraft", Desks: maintainer, Body: formLimit, handle: (*Site).discardDraft},
		{Method: "GET", Path: "/drafts/{draft}/rehearsal", Name: "rehearsalPage", Desks: maintainer, handle: (*Site).rehearsalPage},
		{Method: "POST", Path: "/drafts/{draft}/rehearsal", Name: "rehearse", Desks: maintainer, Body: formLimit, handle: (*Site).rehearse},
		{Method: "GET", Path: "/drafts/{draft}/rehearsal.csv", Name: "rehearsalFile", Desks: maintainer, handle: (*Site).rehearsalFile},
		{Method: "GET", Path: "/drafts/{draft}/proposal", Name: "proposalPage", Desks: maintainer, handle: (*Site).proposalPage},
		{Method: "POST", Path: "/drafts/{draft}/proposal", Name: "propose", Desks: maintainer, Body: formLimit, handle: (*Site).propose},
		{Method: "GET", Path: "/watch", Name: "watchPage", Desks: maintainer, handle: (*Site).watchPage},
		{Method: "GET", Path: "/watch/{region}/{document}", Name: "watchedPage", Desks: maintainer, handle: (*Site).watchedPage},
		{Method: "POST", Path: "/watch/{region}/{document}", Name: "lookedUp", Desks: maintainer, Body: editions.CopyLimit + 1<<20, Streams: true, handle: (*Site).lookedUp},
		{Method: "GET", Path: "/watch/copies/{copy}", Name: "privateCopy", Desks: maintainer, handle: (*Site).privateCopy},
		{Method: "GET", Path: "/changes", Name: "criteriaTrail", Desks: second, handle: (*Site).criteriaTrail},
		{Method: "GET", Path: "/changes/{change}", Name: "changePage", Desks: second, handle: (*Site).changePage},
		{Method: "POST", Path: "/changes/{change}", Name: "decideChange", Desks: second, Body: formLimit, handle: (*Site).decideChange},
		{Method: "GET", Path: "/changes/{change}/notice", Name: "noticePage", Desks: []Desk{Intake, Maintainer, Administrator}, handle: (*Site).noticePage},
		{Method: "GET", Path: "/changes/{change}/cases", Name: "reviewPage", Desks: staff, handle: (*Site).reviewPage},

		{Method: "GET", Path: "/rules", Name: "rulebook", Desks: staff, handle: (*Site).rulebook},
		{Method: "GET", Path: "/rules/{region}/{version}", Name: "rulePage", Desks: staff, handle: (*Site).rulePage},
		{Method: "POST", Path: "/rules/{region}/{version}", Name: "confirmDraft", Desks: []Desk{Maintainer}, Body: uploadLimit, Streams: true, handle: (*Site).confirmDraft},
		{Method: "POST", Path: "/rules/{region}/{version}/withdrawal", Name: "proposeWithdrawal", Desks: maintainer, Body: formLimit, handle: (*Site).proposeWithdrawal},
		{Method: "GET", Path: "/rules/confirmations.yaml", Name: "confirmationsFile", Desks: []Desk{Maintainer}, handle: (*Site).confirmationsFile},
	}
}

// request is one request with who makes it.
type request struct {
	*http.Request
	visit visit
	link  *link // of a Link route, else nil
	token string
	// language is what the visitor chose, or the browser accepts.
	language *texts.Language
	route    Route
	// came are the fields of an upload form as far as they were read.
	came url.Values
}

// Handler serves Routes.
func (s *Site) Handler() http.Handler {
	mux := http.NewServeMux()
	pages := map[string]bool{}
	for _, rt := range Routes() {
		mux.Handle(rt.Method+" "+rt.Path, s.serve(rt))
		pages[rt.Path] = pages[rt.Path] || rt.Method == http.MethodGet
	}
	// The address of a form that was refused stays in the browser: whoever asks
	// for it anew is sent to the page of the form.
	for path, page := range pages {
		if !page {
			mux.Handle("GET "+path, s.serve(Route{Name: "form", handle: func(_ *Site, w http.ResponseWriter, q *request) error {
				seeOther(w, pageOf(path, q.URL.Path))
				return nil
			}}))
		}
	}
	mux.Handle("/", s.serve(Route{Name: "nothing", handle: func(*Site, http.ResponseWriter, *request) error { return errNoPage }}))
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if RequestID(r.Context()) == "" {
			r = r.WithContext(WithRequestID(r.Context(), rand.Text()[:10]))
		}
		guardHeaders(w.Header(), r)
		mux.ServeHTTP(w, r)
	})
}

// serve wraps a handler in what every route needs: the guards in front of
// it, and behind it the one place that turns an error into a page.
func (s *Site) serve(rt Route) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		q := &request{Request: r, route: rt, language: chosenLanguage(r)}
		s, err := s.now(r.Context(), rt)
		if err == nil {
			err = s.guarded(rt, w, q)
		}
		if err != nil {
			s.fail(w, q, rt, err)
		}
	})
}

// now is the site with the criteria that count as the request comes. Routes that
// everybody reaches, and the accounts, do without where there are none.
func (s *Site) now(ctx context.Context, rt Route) (*Site, error) {
	if rt.Name == "static" || rt.Name == "healthz" {
		return s, nil
	}
	lib, err := s.cfg.Library.Current(ctx)
	if err != nil {
		if len(rt.Desks) > 0 && !slices.Equal(rt.Desks, []Desk{Administrator}) {
			return s, fmt.Errorf("%w: %w", errCriteria, err)
		}
		lib = &rules.Library{}
	}
	return &Site{s.core, lib}, nil
}

func (s *Site) guarded(rt Route, w http.ResponseWriter, q *request) (err error) {
	defer func() {
		if recover() != nil {
			err = &panicError{string(debug.Stack())}
		}
	}()
	if !s.serves(q.Host) {
		return errHost
	}
	if rt.Method == "POST" && !sameOrigin(q.Request) {
		return errForm
	}
	if q.visit, err = s.visitOf(q.Request); err != nil {
		return err
	}
	if q.visit.Nonce == "" && rt.Method == "GET" && rt.Name != "static" && rt.Name != "healthz" {
		// A first visit: the forms of the page need a token to carry.
		if q.visit, err = s.newVisit(w, q.Request); err != nil {
			return err
		}
	}
	q.token = s.formToken(q.visit)
	if err := s.admit(rt, q); err != nil {
		return err
	}
	if q.ContentLength > rt.Body {
		return errTooLarge
	}
	q.Body = http.MaxBytesReader(w, q.Body, rt.Body)
	if rt.Method == "POST" && !rt.Streams {
		if err := q.ParseForm(); err != nil {
			return fmt.Errorf("%w: %w", errUnreadableForm, err)
		}
		if err := s.checkToken(q, q.PostForm.Get("form")); err != nil {
			return err
		}
	}
	return rt.handle(s, w, q)
}

// beforePassword are the routes that an account with a first password reaches.
var beforePassword = []string{"password", "changePassword", "signOut", "chooseLanguage", "static", "healthz"}

// admit lets only the desks of rt through.
func (s *Site) admit(rt Route, q *request) error {
	if se := q.visit.session; se != nil && se.Account.MustChange && !slices.Contains(beforePassword, rt.Name) {
		return errMustChange
	}
	if len(rt.Desks) == 0 {
		return nil
	}
	if rt.Link {
		// The link is what admits; a browser that sits at another desk must
		// leave it first, so that nobody answers for somebody else unawares.
		if q.visit.Desk != NoDesk && !slices.Contains(rt.Desks, q.visit.Desk) {
			return errDesk
		}
		return s.admitLink(rt, q)
	}
	if q.visit.Desk == NoDesk {
		return errNoDesk
	}
	if !slices.Contains(rt.Desks, q.visit.Desk) {
		return errDesk
	}
	if rt.Day {
		return s.admitDay(q)
	}
	return nil
}
