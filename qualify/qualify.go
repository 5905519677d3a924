// Package qualify runs the chain for one case:
//
//	upload ──> Recording ──> Analysis ──> Facts ──> Determination ──> Worksheet
//
// Call Check for a case under one or several sets of criteria, or Measure for
// what a recording says without any criteria. Both only call the stages in
// order; nothing to the right is ever read by something to its left, nothing
// reads a clock, a file or the environment, and the same input gives the same
// result byte for byte.
//
// What it does not do: it stores nothing and knows no page.
package qualify

import (
	"errors"
	"fmt"
	"slices"

	"airwarrant/qualify/analysis"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/recording"
	"airwarrant/qualify/recording/sheets"
	"airwarrant/qualify/worksheet"
	"airwarrant/rules"
	"airwarrant/rules/wording"
)

// Source is one upload: its bytes as they came and how to read them. Name is
// what errors call it ("night.csv", "-"). Told are sentences of the caller about
// how it is read; they stand first in the Layout of the recording.
type Source struct {
	Name string
	Data []byte
	Read recording.Options
	Told []string
}

// Query is everything that a case brings to the chain.
type Query struct {
	Sources  []Source
	Facts    map[string]criteria.Fact
	Criteria []string    // regions, in the order of the determinations
	On       rules.Date  // day whose version is applied; zero: the date of the test
	Session  map[int]int // chosen session (from 1) by recording (from 1)
	Analysis analysis.Options
	// Today is the day on which it is asked, from the caller: a test dated
	// after it is told. Zero: not told.
	Today rules.Date
	// Received is the day, from the caller, on which the latest came to hand of
	// what the case's own test rests on, and Listed that of the tests that the
	// facts list: no test is of a day after it came, so a date that says so
	// decides nothing. Zero: not known.
	Received, Listed rules.Date
	// Critical is the limit of the alert on critically low readings: nil takes
	// the house's default Critical(), one without a figure turns it off.
	Critical *worksheet.CriticalLimit
	// Private leaves nothing in the Result of the sessions that were not
	// chosen: in a download of a memory they are other people's nights. Until
	// one is chosen, WriteJSON prints none.
	Private bool
	// Language is that of every sentence of the Result; it moves no outcome. The
	// zero value is English, as WriteJSON and all that is kept have to be.
	Language rules.Language
	// Confirmed are the confirmations of drafts by the SHA-256 of their pack.
	Confirmed map[string]criteria.Confirmations
}

// Reading is one upload after it was read, or withheld.
type Reading struct {
	SHA256 string
	Size   int64
	// Withheld says in words why the upload was not read, "" if it was. Then
	// Recording is nil.
	Withheld  string
	Recording *recording.Recording
	Sessions  []recording.Session
	Analyses  []*analysis.Analysis // one for each session
	Numbers   []int                // of Sessions, from 1 in the order of the recording
	Of        int                  // sessions that the recording holds, with those that were left out
}

// Result is what the chain gives for a query.
type Result struct {
	Readings []Reading
	// Chosen and Session say which recording and which of its sessions, each
	// from 1 by its number, Analysis is of; 0 and nil if none could be chosen.
	Chosen, Session int
	Analysis        *analysis.Analysis
	// Legs are the marked stretches of an exertional test. Where the facts
	// name such legs and no night on room air, Analysis is nil, Chosen and
	// Session are of the leg that decides, and Walk is the whole session in
	// which it lies: it is drawn, and no figure comes from it.
	Legs []Leg
	Walk *analysis.Analysis
	// Unjudged is Analysis, or Walk, as the rules of doubt alone have it, where
	// judgements of doubtful stretches changed it; nil where none did. Judged
	// are those that fit.
	Unjudged       *analysis.Analysis
	Judged         []criteria.JudgedSpan
	Determinations []criteria.Determination
	// Applied are the facts as each determination read them: Facts, with what
	// the legs tell under its pack.
	Applied []map[string]criteria.Fact
	Packs   []*rules.Pack // the packs applied, one for each determination
	// Facts are the query's, with what the recording adds (its date).
	Facts map[string]criteria.Fact
	// Limit is the critical limit that was applied, nil if it is off, and
	// CriticalFound what lies at or below it: of every test, whatever the
	// verdict.
	Limit         *worksheet.CriticalLimit
	CriticalFound []worksheet.CriticalReading
	Warnings      []string // of the reading and the analysis chosen, in sentences

	language rules.Language
	// runs are the results of each of several tests, nil where there is one.
	runs []*Result
	// judgedIn says for each of Judged in which samples of the recording chosen
	// it lies; the zero value for one of another recording.
	judgedIn []recording.Session

	before   gathered
	tests    []criteria.Test // that runs are of
	kept     bool            // from Kept: there is no recording to compare with
	outline  bool            // without what is only to be read
	private  bool
	narrowed string   // that only a stretch on room air is read, "" if all is
	absent   []string // of stretches of recordings that are not at hand
}

// Measure reads one upload and analyses every session of it; session (from 1)
// chooses one, 0 takes the longest by valid time and warns if there are
// several.
func Measure(src Source, session int, opt analysis.Options) (*Result, error) {
	rd, err := read(src, opt)
	if err != nil {
		return nil, err
	}
	res := &Result{Readings: []Reading{rd}, Chosen: 1}
	if session > len(rd.Sessions) || session < 0 {
		return nil, fmt.Errorf("%s: session %d: expected a number from 1 to %d; choose one of the sessions that the recording holds", src.Name, session, len(rd.Sessions))
	}
	if session == 0 {
		session = 1
		for i, a := range rd.Analyses {
			if longer(a, rd.Analyses[session-1]) {
				session = i + 1
			}
		}
		if len(rd.Sessions) > 1 {
			res.Warnings = append(res.Warnings, fmt.Sprintf("The recording holds %d sessions; these figures are of session %d, the longest by valid time. Check whose night it is.", len(rd.Sessions), session))
		}
	}
	res.choose(1, session)
	return res, nil
}

func longer(a, b *analysis.Analysis) bool {
	return a.Seconds(a.Valid).Cmp(b.Seconds(b.Valid)) > 0
}

func (res *Result) choose(rec, session int) {
	rd := res.Readings[rec-1]
	res.Chosen, res.Session = rec, session
	res.Analysis = rd.Analyses[slices.Index(rd.Numbers, session)]
	for _, w := range rd.Recording.Warnings {
		res.Warnings = append(res.Warnings, w.Text)
	}
	res.Warnings = append(res.Warnings, wording.Sentences(res.Analysis.Warnings)...)
}

// keepOnly leaves nothing in a reading but one session.
func (rd *Reading) keepOnly(session int, opt analysis.Options) {
	if rd.Of == 1 {
		return
	}
	rd.Recording = rd.Recording.Only(rd.Sessions[session-1])
	rd.Sessions = []recording.Session{{From: 0, To: len(rd.Recording.Time)}}
	rd.Analyses = []*analysis.Analysis{analysis.Analyze(rd.Recording, rd.Sessions[0], opt)}
	rd.Numbers = []int{session}
}

func read(src Source, opt analysis.Options) (Reading, error) {
	if src.Read.Workbook == nil {
		src.Read.Workbook = sheets.Tables
	}
	rec, err := recording.ReadBytes(src.Data, src.Read)
	if err != nil {
		return Reading{}, fmt.Errorf("%s: %w", src.Name, err)
	}
	said := make([]wording.Text, len(src.Told))
	for i, s := range src.Told {
		said[i] = wording.Said(s)
	}
	rec.Layout = append(said, rec.Layout...)
	rd := Reading{SHA256: rec.SHA256, Size: rec.Size, Recording: rec, Sessions: rec.Sessions(0)}
	for i, s := range rd.Sessions {
		rd.Analyses = append(rd.Analyses, analysis.Analyze(rec, s, opt))
		rd.Numbers = append(rd.Numbers, i+1)
	}
	rd.Of = len(rd.Sessions)
	return rd, nil
}

// Errors of Check that callers tell apart, beside those of package recording
// and rules.
var (
	// ErrQuery: the query contradicts itself (a session that is not there).
	ErrQuery = errors.New("impossible request")
)
