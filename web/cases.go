package web

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"sync"
	"time"

	"airwarrant/qualify"
	"airwarrant/qualify/casework"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/recording"
	"airwarrant/qualify/recording/sheets"
	"airwarrant/qualify/worksheet"
	"airwarrant/rules"
)

// patient is whose test it is, in the clear: for pages, never for logs.
type patient struct {
	Name       string
	Birth      rules.Date
	Identifier string
}

// file is a case with its personal values in the clear.
type file struct {
	*casework.Case
	Patient       patient
	Statements    map[string]statement
	Facts         map[string]criteria.Fact
	IdentityWords string
	ToldWords     map[casework.Ref]string // who was told of a critically low reading
	Printed       map[string]imprint      // by SHA-256 of the document
	Copies        map[string]string       // by name of the fact: the document that is the copy of its place
	Shown         map[string]paperOn      // papers that are known by their copy alone, by name of the fact
	Given         []worksheet.OfficeAnswer
	// givenIn are Given worded in a language: those that of holds for, nil for all.
	givenIn func(l rules.Language, of func(casework.Given) bool) ([]worksheet.OfficeAnswer, error)
	Judges  map[casework.Ref]string // who judged doubtful stretches
}

// reading is how an upload is to be read, as its SessionChosen event keeps it.
type reading struct {
	Zone       string `json:"zone,omitempty"`
	Columns    string `json:"columns,omitempty"`
	IntervalMS int64  `json:"interval_ms,omitempty"`
	Saved      string `json:"saved,omitempty"` // name of the kept mapping that gave Columns
}

func (r reading) options() recording.Options {
	return recording.Options{Zone: r.Zone, Columns: r.Columns, IntervalMS: r.IntervalMS, Workbook: sheets.Tables}
}

// told says for the worksheet where the columns come from.
func (r reading) told() []string {
	if r.Saved == "" {
		return nil
	}
	return []string{"The file can be read in more than one way; its columns were taken as the mapping kept as “" + r.Saved + "” for files of this shape says."}
}

// readingOf returns how an upload is read.
func readingOf(u *casework.Upload) (reading, error) {
	var how reading
	if len(u.Reading) > 0 {
		if err := json.Unmarshal(u.Reading, &how); err != nil {
			return how, errors.New("stored reading options are not readable")
		}
	}
	return how, nil
}

// open reads a case and opens its personal values.
func (s *Site) open(ctx context.Context, number string) (*file, error) {
	n, err := casework.ParseNumber(number)
	if err != nil {
		return nil, errNoPage
	}
	c, err := casework.Open(ctx, s.cfg.Store, n)
	if err != nil {
		return nil, err
	}
	return s.unseal(ctx, c)
}

func (s *Site) unseal(ctx context.Context, c *casework.Case) (*file, error) {
	f := &file{Case: c, Statements: map[string]statement{}, Facts: map[string]criteria.Fact{}}
	reveal := func(r casework.Ref) (string, error) {
		if r == "" {
			return "", nil
		}
		b, err := c.Reveal(ctx, s.cfg.Store, r)
		return string(b), err
	}
	var err error
	if f.Patient.Name, err = reveal(c.Patient.Name); err != nil {
		return nil, err
	}
	birth, err := reveal(c.Patient.BirthDate)
	if err != nil {
		return nil, err
	}
	if birth != "" {
		if f.Patient.Birth, err = rules.ParseDate(birth); err != nil {
			return nil, errors.New("the stored birth date is no date")
		}
		f.Facts["birth_date"] = criteria.Fact{Name: "birth_date", State: criteria.Stated, Value: criteria.Value{Date: f.Patient.Birth}}
	}
	if len(c.Patient.Identifiers) > 0 {
		if f.Patient.Identifier, err = reveal(c.Patient.Identifiers[0]); err != nil {
			return nil, err
		}
	}
	if f.IdentityWords, err = reveal(c.Identity.Words); err != nil {
		return nil, err
	}
	f.ToldWords = map[casework.Ref]string{}
	for _, t := range c.CriticalTold {
		if f.ToldWords[t.Words], err = reveal(t.Words); err != nil {
			return nil, err
		}
	}
	f.Judges = map[casework.Ref]string{}
	if u := f.upload(); u != nil {
		for _, j := range u.Spans {
			if _, ok := f.Judges[j.By]; ok || j.By == "" {
				continue
			}
			if f.Judges[j.By], err = reveal(j.By); err != nil {
				return nil, err
			}
		}
	}
	if f.Printed, err = revealPrinted(c, reveal); err != nil {
		return nil, err
	}
	for name, a := range c.Answers {
		// Looked for and not in the chart: the fact stays unknown, and is
		// not asked again, until somebody states it.
		if a.Says == casework.SaysNotInChart {
			f.Statements[name] = statement{Name: name, State: criteria.Unknown, Text: unknown}
		}
	}
	for name, st := range c.Facts {
		if a, ok := c.Answers[name]; ok && a.Says == casework.SaysNotInChart && a.K > st.K {
			continue
		}
		raw := []byte(st.Fact)
		if st.Personal != "" {
			if raw, err = c.Reveal(ctx, s.cfg.Store, st.Personal); err != nil {
				return nil, err
			}
		}
		kept := statement{Name: name}
		if err := json.Unmarshal(raw, &kept); err != nil {
			return nil, errors.New("a stored fact is not readable")
		}
		f.Statements[name] = kept
	}
	f.layCopies()
	for name, st := range f.Statements {
		if f.Facts[name], err = st.fact(); err != nil {
			return nil, errors.New("a stored fact is not one of this version's vocabulary")
		}
		if p := f.Facts[name].Place; p != nil {
			p.Copy = f.Copies[name]
		}
	}
	f.givenIn = func(l rules.Language, of func(casework.Given) bool) ([]worksheet.OfficeAnswer, error) {
		return f.officeAnswers(reveal, l, of)
	}
	if f.Given, err = f.givenIn(rules.Language{}, nil); err != nil {
		return nil, err
	}
	return f, nil
}

// seal puts a statement into the form of an event: in the clear if it holds
// nothing but a checked value, sealed if it holds words.
func (s *Site) seal(ctx context.Context, c *casework.Case, st statement) (casework.Stated, error) {
	raw, err := json.Marshal(st)
	if err != nil {
		return casework.Stated{}, err
	}
	// A list holds words that somebody typed.
	def, _ := rules.Lookup(st.Name)
	if st.Place.empty() && st.Name != "birth_date" && def.Type != rules.TypeList {
		return casework.Stated{Fact: raw}, nil
	}
	ref, err := c.Seal(ctx, s.cfg.Store, s.cfg.Random, raw)
	return casework.Stated{Personal: ref}, err
}

// sealText puts free words beside the chain; "" stays nothing.
func (s *Site) sealText(ctx context.Context, c *casework.Case, text string) (casework.Ref, error) {
	if text == "" {
		return "", nil
	}
	return c.Seal(ctx, s.cfg.Store, s.cfg.Random, []byte(text))
}

func (s *Site) stamp(who string, role casework.Role) casework.Stamp {
	return casework.Stamp{At: s.cfg.Now(), By: who, Role: role}
}

// newFile opens a case with its patient, under the criteria chosen. numbers is what its number is drawn
// from: a form that is sent twice brings the same, and then the case that it
// opened first is returned.
func (s *Site) newFile(ctx context.Context, st casework.Stamp, by chosenBy, p patient, numbers io.Reader) (*casework.Case, error) {
	for range 5 {
		number, err := casework.NewNumber(s.cfg.Now(), numbers)
		if err != nil {
			return nil, err
		}
		c, err := casework.Create(ctx, s.cfg.Store, number, st, casework.Opened{Criteria: []string{by.Region}, Owner: st.By})
		switch {
		case err == nil:
			stated, err := s.sealPatient(ctx, c, p)
			if err == nil {
				stated.Chosen, err = s.sealChosen(ctx, c, by)
			}
			if err != nil {
				return nil, err
			}
			return c, c.Append(ctx, s.cfg.Store, st, stated)
		case !errors.Is(err, casework.ErrConflict):
			return nil, err
		}
		if c, err := s.opened(ctx, number, by.Region, p); c != nil || err != nil {
			return c, err
		}
	}
	return nil, casework.ErrConflict
}

// opened returns the case of a number that is taken if it was opened for the
// same patient under the same criteria, else nil. The patient is its second event,
// which may still be on its way.
func (s *Site) opened(ctx context.Context, number, region string, p patient) (*casework.Case, error) {
	for range 40 {
		f, err := s.open(ctx, number)
		switch {
		case errors.Is(err, casework.ErrNotFound), errors.Is(err, casework.ErrDestroyed):
			return nil, nil
		case err != nil:
			return nil, err
		case f.Patient.Name != "":
			if f.Patient == p && slices.Equal(f.Criteria, []string{region}) {
				return f.Case, nil
			}
			return nil, nil
		}
		select {
		case <-ctx.Done():
			return nil, ctx.Err()
		case <-time.After(50 * time.Millisecond):
		}
	}
	return nil, nil
}

func (s *Site) sealPatient(ctx context.Context, c *casework.Case, p patient) (casework.PatientStated, error) {
	out := casework.PatientStated{Chosen: c.Patient.Chosen}
	err := s.nameable(ctx, c.Number, p.Name)
	if err != nil {
		return out, err
	}
	if out.Name, err = s.sealText(ctx, c, p.Name); err != nil {
		return out, err
	}
	if out.BirthDate, err = s.sealText(ctx, c, p.Birth.String()); err != nil {
		return out, err
	}
	id, err := s.sealText(ctx, c, p.Identifier)
	if id != "" {
		out.Identifiers = []casework.Ref{id}
	}
	return out, err
}

// update changes a case by what decide makes of its present state, and then
// determines it anew. A nil change of decide changes nothing.
func (s *Site) update(ctx context.Context, number string, st casework.Stamp, decide func(*file) (casework.Change, error)) error {
	c, err := casework.Update(ctx, s.cfg.Store, number, st, func(c *casework.Case) (casework.Change, error) {
		f, err := s.unseal(ctx, c)
		if err != nil {
			return nil, err
		}
		ch, err := decide(f)
		if err == nil && ch == nil {
			err = errNoChange
		}
		return ch, err
	})
	if errors.Is(err, errNoChange) {
		return nil
	}
	if err != nil && !errors.Is(err, casework.ErrHead) {
		return err
	}
	if c == nil {
		return nil
	}
	return s.settle(ctx, c.Number)
}

var errNoChange = errors.New("nothing changed")

// settle determines a case that was edited since it was last determined, and
// writes what came out as an event.
func (s *Site) settle(ctx context.Context, number string) error {
	f, err := s.open(ctx, number)
	if err != nil {
		return err
	}
	if f.Determination != nil && f.Determination.K == f.Edited {
		return nil
	}
	return s.determine(ctx, f)
}

// determine writes what an open case comes to now, whether it was edited since
// or not.
func (s *Site) determine(ctx context.Context, f *file) error {
	if !f.ClosedAt.IsZero() {
		return nil
	}
	ev, err := s.evaluate(ctx, f)
	if err != nil {
		return err
	}
	if err := s.recognise(ctx, f, ev); err != nil {
		return err
	}
	if len(ev.results) == 0 {
		return nil
	}
	d := f.standing(ev)
	if d.Kept, err = s.restsOn(ctx, f, ev); err != nil {
		return err
	}
	d.Program, d.Results, d.Critical = s.cfg.Program, ev.results, alertName(ev.CriticalFound)
	err = f.Append(ctx, s.cfg.Store, s.stamp("airwarrant", casework.RoleSystem), d)
	if errors.Is(err, casework.ErrConflict) {
		return nil // somebody wrote meanwhile and settles the case in turn
	}
	if errors.Is(err, casework.ErrHead) {
		err = nil // the list is behind, and the event is stored
	}
	if err == nil && s.cfg.Determined != nil {
		var outcomes []string
		for _, r := range d.Results {
			outcomes = append(outcomes, r.Outcome)
		}
		s.cfg.Determined(outcomes)
	}
	return err
}

// restsOn puts what a determination rests on beside the case, so that the case can
// be determined again under other criteria without its recording. What has not
// changed since the last time is not put there twice.
func (s *Site) restsOn(ctx context.Context, f *file, ev *evaluation) (casework.Ref, error) {
	ev.kept.Differs = ev.differs
	packed, err := ev.kept.Encode()
	if err != nil {
		return "", err
	}
	if f.Determination != nil && f.Determination.Kept != "" {
		before, err := f.Reveal(ctx, s.cfg.Store, f.Determination.Kept)
		if err != nil {
			return "", err
		}
		if bytes.Equal(before, packed) {
			return f.Determination.Kept, nil
		}
	}
	return f.Seal(ctx, s.cfg.Store, s.cfg.Random, packed)
}

// evaluation is what a case came to.
type evaluation struct {
	*qualify.Result
	// trouble says why there is no Result, for the page; nil if there is one.
	trouble *answer
	// identity lays the marks of the file beside those of the case; differs
	// is true while a difference is not explained.
	identity []identityRow
	differs  bool
	results  []casework.Result
	// staleMarks says that the marks stated do not fit the recording and were
	// left out.
	staleMarks bool
	// own is what the chain gives for the test that the recording of the case
	// is of; Result itself unless the case lists several tests.
	own *qualify.Result
	// drawn keeps the traces of the result.
	drawn *drawings
	// in is how the result is worded.
	in rules.Language
	// kept is what the results rest on.
	kept *qualify.Kept
}

// today is the calendar day, in UTC as every date of the pages.
func (s *Site) today() rules.Date {
	return dayOf(s.cfg.Now())
}

// dayOf is the calendar day of an instant, in UTC.
func dayOf(t time.Time) rules.Date {
	t = t.UTC()
	return rules.Date{Year: t.Year(), Month: int(t.Month()), Day: t.Day()}
}

// upload returns the recording that counts: the last one not withdrawn.
func (f *file) upload() *casework.Upload {
	for i := len(f.Uploads) - 1; i >= 0; i-- {
		if !f.Uploads[i].Withdrawn {
			return &f.Uploads[i]
		}
	}
	return nil
}

// received is the day on which the recording came, or without one the latest on
// which a figure of the test, or its date, was stated; and that on which the
// other tests were listed.
func (f *file) received(u *casework.Upload) (own, listed rules.Date) {
	for name, st := range f.Case.Facts {
		def, _ := rules.Lookup(name)
		day := dayOf(st.At)
		switch {
		case name == "tests":
			listed = day
		case u == nil && (name == "test_date" || def.Level || def.Who == rules.Tester) && own.Before(day):
			own = day
		}
	}
	if u != nil {
		own = dayOf(u.At)
	}
	return own, listed
}

// evaluate runs the chain for a case, worded as what is kept of it has to be.
func (s *Site) evaluate(ctx context.Context, f *file) (*evaluation, error) {
	return s.evaluateIn(ctx, f, rules.Language{})
}

// evaluateFor runs the chain for a case, worded for the visitor: for what is
// shown, never for what is kept.
func (s *Site) evaluateFor(q *request, f *file) (*evaluation, error) {
	in, err := s.wording(q, f)
	if err != nil {
		return nil, err
	}
	return s.evaluateIn(q.Context(), f, in)
}

// wording is how a visitor reads a case: in the language chosen, as it is
// written where the criteria of the case come from.
func (s *Site) wording(q *request, f *file) (rules.Language, error) {
	r, err := s.lib.Region(f.Criteria[0])
	return Wording(q.language, r), err
}

// evaluateIn runs the chain for a case. Results are kept by a hash of all that
// the chain reads.
func (s *Site) evaluateIn(ctx context.Context, f *file, in rules.Language) (*evaluation, error) {
	q := qualify.Query{Facts: f.Facts, Criteria: f.Criteria, Private: true, Today: s.today(), Critical: s.cfg.Critical, Language: in}
	var err error
	if q.Confirmed, err = s.confirmed(ctx); err != nil {
		return nil, err
	}
	u := f.upload()
	q.Received, q.Listed = f.received(u)
	if u != nil {
		how, err := readingOf(u)
		if err != nil {
			return nil, err
		}
		q.Sources = []qualify.Source{{Name: "the recording", Read: how.options(), Told: how.told()}}
		if u.Session > 0 {
			q.Session = map[int]int{1: u.Session}
		}
		if said, ok := f.judgedFact(u); ok {
			q.Facts = maps.Clone(q.Facts)
			q.Facts["spans"] = said
		}
	}
	lib := s.lib
	if !f.ClosedAt.IsZero() && f.Determination != nil {
		// A closed case is not judged anew: it shows what it was closed with.
		lib = s.lib.AsOf(f.Determination.At)
	}
	key, err := inputHash(q, u, lib)
	if err != nil {
		return nil, err
	}
	kept := s.checks.get(key)
	res, trouble, stale := kept.res, kept.trouble, kept.stale
	if res == nil && trouble == nil {
		if u != nil {
			if q.Sources[0].Data, err = s.bytesOf(ctx, u.SHA256); err != nil {
				return nil, err
			}
		}
		res, err = qualify.Check(q, lib)
		if errors.Is(err, qualify.ErrQuery) && len(q.Facts["recordings"].Value.List) > 0 {
			// The marks do not fit the recording as it is read now: they are
			// told to be stale, and the case stands without them.
			without := maps.Clone(q.Facts)
			delete(without, "recordings")
			q.Facts, stale = without, true
			res, err = qualify.Check(q, lib)
		}
		if err != nil {
			a, known := answerIn(in, err)
			if !known {
				return nil, err
			}
			trouble = &a
		}
		kept = checked{res, trouble, stale, &drawings{}}
		s.checks.put(key, kept)
	}
	ev := &evaluation{Result: res, trouble: trouble, staleMarks: stale, drawn: kept.drawn, in: in}
	if res == nil {
		return ev, nil
	}
	if ev.own = res; u != nil {
		ev.own = res.RunOf(u.SHA256)
	}
	ev.identity = append(compareIdentity(f, ev.own), documentIdentity(f)...)
	for _, row := range ev.identity {
		ev.differs = ev.differs || !row.Same && row.Explained == ""
	}
	if stale {
		q.Facts = maps.Clone(q.Facts)
		delete(q.Facts, "recordings")
	}
	ev.kept = q.Keep(res)
	for _, d := range res.Determinations {
		r := casework.Result{Criteria: d.Criteria, Version: d.Version, PackSHA256: d.PackSHA256, Outcome: string(d.Outcome),
			Disposition: d.Disposition, Status: string(d.Status), DecidedBy: slices.Clone(d.DecidedBy), Needs: []string{}}
		for _, n := range d.Needs {
			r.Needs = append(r.Needs, n.Fact)
		}
		if ev.differs {
			// Nothing is determined of a file that may be another person's.
			r.Outcome, r.Disposition, r.DecidedBy = string(criteria.Undetermined), "incomplete", []string{}
			r.Needs = append([]string{"identity"}, r.Needs...)
		}
		ev.results = append(ev.results, r)
	}
	return ev, nil
}

func (s *Site) bytesOf(ctx context.Context, sha string) ([]byte, error) {
	r, err := s.cfg.Store.Upload(ctx, sha)
	if err != nil {
		return nil, fmt.Errorf("stored upload: %w", err)
	}
	defer r.Close()
	return io.ReadAll(r)
}

// barredBy returns the pack that bars the supplier from the recording on the
// footing stated so far, nil if none does.
func (s *Site) barredBy(f *file) (*rules.Pack, error) {
	for _, region := range f.Criteria {
		p, err := s.packOf(region, f.Facts["test_date"].Value.Date)
		if err != nil {
			return nil, err
		}
		if criteria.Barred(p, criteria.Facts{Named: f.Facts}) {
			return p, nil
		}
	}
	return nil, nil
}

// packOf returns the version in force on the day, the newest if the day is
// not known.
func (s *Site) packOf(region string, day rules.Date) (*rules.Pack, error) {
	if day.IsZero() {
		if h := s.lib.History(region); len(h) > 0 {
			return h[len(h)-1], nil
		}
	}
	return s.lib.InForce(region, day)
}

// inputHash is the SHA-256 of all that the chain reads for a case.
func inputHash(q qualify.Query, u *casework.Upload, lib *rules.Library) (string, error) {
	h := sha256.New()
	enc := json.NewEncoder(h)
	for _, name := range slices.Sorted(maps.Keys(q.Facts)) {
		if err := enc.Encode(q.Facts[name]); err != nil {
			return "", err
		}
	}
	if err := enc.Encode([]any{q.Criteria, q.Today, q.Received, q.Listed, q.Confirmed, lib.SHA256(), q.Language.Tag}); err != nil {
		return "", err
	}
	if u != nil {
		if err := enc.Encode([]any{u.SHA256, u.Session, u.Reading}); err != nil {
			return "", err
		}
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

// checks keeps the latest results of the chain. A night of text is a few MB
// when it is read, so only some are kept.
type checks struct {
	mu    sync.Mutex
	order []string
	kept  map[string]checked
}

type checked struct {
	res     *qualify.Result
	trouble *answer
	stale   bool
	drawn   *drawings
}

const checksKept = 24

func newChecks() *checks { return &checks{kept: make(map[string]checked)} }

// get returns what is kept under key, with neither result nor trouble if
// nothing is.
func (c *checks) get(key string) checked {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.kept[key]
}

func (c *checks) put(key string, k checked) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if _, ok := c.kept[key]; ok {
		return
	}
	if len(c.order) == checksKept {
		delete(c.kept, c.order[0])
		c.order = c.order[1:]
	}
	c.order = append(c.order, key)
	c.kept[key] = k
}
