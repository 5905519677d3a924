// Package worksheet lays out what a case came to, for people: which measured
// number met which clause of which document, how firm that is, and what to
// fetch next.
//
// Call New first: it turns a case, its recording, analysis and determination
// into one format-free Worksheet. WriteHTML, WriteText and WritePDF print that
// same model, so that page, terminal and paper say the same in the same order.
// The same Input gives the same bytes, every time.
//
// What it does not do: it decides nothing and measures nothing. It reads no
// clock (the day of printing is part of the Input), and it holds no figure of
// any payer: the levels that it tabulates are those that the pack asks for.
package worksheet

import (
	"fmt"
	"math/big"
	"slices"
	"strings"
	"sync"
	"unicode"
	"unicode/utf8"

	"airwarrant/qualify/analysis"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/recording"
	"airwarrant/rules"
	"airwarrant/rules/wording"
)

// Input is everything that one worksheet shows: one case under one version of
// criteria. Whatever is nil or zero is told as not known, never guessed.
type Input struct {
	// Language is that of every text that is not the pack's or typed. A
	// Determination, and what its facts rest on, has to be worded in the same.
	Language rules.Language
	Program  string     // name and version of the program
	Printed  rules.Date // day of printing, from the caller; zero: not printed
	Demo     bool       // invented data: told on every page
	Case     CaseInfo

	// Pack is the version applied. nil leaves out the levels and the history
	// of what was asked.
	Pack          *rules.Pack
	Determination criteria.Determination
	Facts         map[string]criteria.Fact

	// Uploads are the files of the case in order. Recording and Analysis are
	// of the session that was chosen: session SessionNo of SessionCount, from
	// 1. Both are nil if there is no recording, it may not be read, or no
	// session is chosen yet.
	Uploads                 []Upload
	Recording               *recording.Recording
	Analysis                *analysis.Analysis
	SessionNo, SessionCount int
	// Legs are the marked stretches of an exertional test. Where there are such
	// legs and no night, Analysis is nil, and Walk is the whole session of
	// Recording in which they lie.
	Legs []Leg
	Walk *analysis.Analysis
	// Unjudged is Analysis, or Walk, without the judgements of doubtful
	// stretches, nil where none changed it; Judged are those that did.
	Unjudged *analysis.Analysis
	Judged   []Judged

	Identity []IdentityRow
	// Answers are those of the physician's office, in the order of questions.
	Answers []OfficeAnswer

	// Critical is the saturation at which the page says to tell the
	// practitioner now; nil: none set. Emergency is the emergency number to
	// call, "" prints "the emergency number".
	Critical *CriticalLimit
	// CriticalFound are the readings at or below it; nil looks in Analysis or
	// Walk and in Facts.
	CriticalFound []CriticalReading
	Emergency     string
}

// CaseInfo says whose case it is. All of it is personal data: it is printed
// and never logged.
type CaseInfo struct {
	Number      string
	PatientName string
	BirthDate   rules.Date
	Identifier  string // of the patient with the payer or the supplier
	Payer       string
	Supplier    string
}

// Upload is one file as it came.
type Upload struct {
	SHA256    string // lower-case hex
	Size      int64  // bytes
	Format    string // as recording.Recording has it, "" if it was not read
	Container string
	Role      string // what the recording is of, "" if not stated
	Withheld  string // why it was not read, "" if it was
}

// IdentityRow lays one mark of identity of the case beside that of a file,
// report or order.
type IdentityRow struct {
	What        string // name, birth date, identifier
	Case, Other string
	Where       wording.Text // where Other stands
	Same        bool
	Explained   string // who said, in words, why a difference is the same person; "" if nobody did
}

// CriticalLimit is a setting of the installation, not a figure of any payer.
type CriticalLimit struct {
	AtOrBelow *big.Rat   // percent
	Source    string     // "our choice", or the document
	Today     rules.Date // day from which a test's age is counted; zero: not told
	Told      string     // who was told of it, by whom and when; "" if nobody yet
}

// Mark is a verdict as it is printed: the word and the symbol always stand
// together, and Class lets a page colour them.
type Mark struct {
	Word, Symbol, Class string
}

// in is the mark in a language.
func (m Mark) in(l rules.Language) *Mark {
	m.Word = l.Say(m.Word)
	return &m
}

// String returns symbol and word.
func (m Mark) String() string { return m.Symbol + " " + m.Word }

// The marks of clauses and outcomes. The symbols differ in shape, so that they
// survive grey printing and fax; DejaVu Sans has all of them.
var (
	markMet       = Mark{"Met", "✓", "met"}
	markNotMet    = Mark{"Not met", "✗", "notmet"}
	markUnclear   = Mark{"Undetermined", "?", "unclear"}
	markNotApply  = Mark{"Does not apply", "–", "na"}
	markSame      = Mark{"Same", "✓", "met"}
	markDifferent = Mark{"Different", "✗", "notmet"}
	markMissing   = Mark{"Missing", "✗", "notmet"}
	markSeen      = Mark{"Seen", "✓", "met"}
	markLocated   = Mark{"Located", "✓", "met"}
)

// Worksheet is the model that all formats print, top to bottom: alerts,
// verdict and headline, then Sections in order. Its texts hold no control
// characters.
type Worksheet struct {
	Language rules.Language // of every text that is not the pack's or typed
	Title    string         // what this paper is
	Version  string         // region, version, title and short hash of the pack
	Demo     bool
	Printed  rules.Date
	Case     CaseInfo
	Alerts   []string // to be acted on whatever the verdict; usually none
	Verdict  Mark
	Headline [2]string // verdict in words with what was measured; what is owed next
	Sections []Section
	Standing string // what this paper is not; foot of every page
	Program  string

	foreign func() *strings.Replacer // marks what is in another language, for pages; nil on paper alone
}

// Section is one headed part. It holds a table, items, or the trace, with a
// sentence before (Lead) and after (After); empty sections are left out.
type Section struct {
	ID    string // stable word: deciding, questions, onfile, trace, levels, measures, spans, ...
	Title string
	Ref   string // letters of the evidence that the section rests on
	Lead  string
	Table *Table
	Items []string
	Trace *Trace
	After string
	Minor bool     // left out on paper
	Small bool     // set small in two columns on paper, behind the others
	Terse []string // what dense paper sets in place of Items; nil: Items
	Cites bool     // Items are numbered sources: paper lists them once, at the end
}

// Table is rows under heads. Paper leaves out the minor rows and says how many
// they are; page and text print all. Beyond words them, with %d for their
// number.
type Table struct {
	Columns []Column
	Rows    []Row
	Packed  []Row  // what dense paper sets in place of Rows; nil: Rows
	Last    *Table // what the densest paper sets in place of this table; nil: this one
	Beyond  string
	Inline  bool // paper sets what stands under a text behind it
	Fixed   bool // paper keeps the shares of the columns: there is room to write

	in rules.Language
}

// Column is a head and its share of the width; shares add up to 1.
type Column struct {
	Head  string
	Share float64
	Right bool // figures, set flush right
}

// Row is one row; Depth indents its first cell, Strong sets it bold, Minor
// leaves it out on paper, and Aside puts it into the small print there; Spare
// does so where paper is set dense. Words is how small print puts it, "" for
// cell by cell.
type Row struct {
	Cells  []Cell
	Depth  int
	Strong bool
	Minor  bool
	Aside  bool
	Spare  Spare
	Words  string

	of string // the clause or the fact that the row is of, by its id; "": none is looked for
}

// Spare says what becomes of a row where paper is set dense.
type Spare int

// Rows stay as they are, are left out and counted, are set small under their
// table, or go into the small print at the end: SparePapers where papers do,
// SpareLast where paper is set as densely as it can be.
const (
	SpareNot Spare = iota
	SpareOut
	SpareUnder
	SpareAside
	SparePapers
	SpareLast
)

// Cell is a text, a smaller one under it, and a verdict; each may be empty.
// Note is a remark that page and text print and paper leaves out. Ref is the
// letters of the evidence that the text rests on.
type Cell struct {
	Text string
	Sub  string
	Note string
	Ref  string
	Mark *Mark
}

// Referred is the text with the letters of its evidence: "92 % [B]".
func (c Cell) Referred() string {
	if c.Ref == "" {
		return c.Text
	}
	return strings.TrimSpace(c.Text + " [" + c.Ref + "]")
}

// Section returns the section with the id, nil if the worksheet has none.
func (w *Worksheet) Section(id string) *Section {
	for i := range w.Sections {
		if w.Sections[i].ID == id {
			return &w.Sections[i]
		}
	}
	return nil
}

// spanLimit is how many spans paper lists (our choice); the page lists all.
const spanLimit = 12

// New lays out in. It never fails: what is missing is printed as missing.
func New(in Input) *Worksheet {
	d, l := in.Determination, in.Language
	w := &Worksheet{
		Language: l,
		foreign:  sync.OnceValue(func() *strings.Replacer { return foreign(l, in.Pack) }),
		Title:    l.Say("Home-oxygen qualification worksheet"),
		Demo:     in.Demo,
		Printed:  in.Printed,
		Case:     in.Case,
		Program:  in.Program,
		Standing: l.Say("Neither a test report nor an order, and no guarantee of coverage."),
	}
	w.Version = strings.TrimSpace(d.Criteria + " " + d.Version)
	if d.Title != "" {
		w.Version += ", " + d.Title
	}
	if len(d.PackSHA256) >= 12 {
		w.Version += ", " + l.Say("file %s", d.PackSHA256[:12])
	}
	w.Alerts = alerts(in)
	w.Verdict, w.Headline = headline(in)

	trace, traceLead := traceOf(in)
	src, ev := newSourceList(), newEvidenceList(in)
	drawn := ""
	if trace != nil {
		drawn = ev.recording()
	}
	w.Sections = []Section{
		disputed(l, in.Answers),
		deciding(in, src, ev),
		questions(d.Needs, in),
		allTests(l, d),
		onFile(in, src),
		{ID: "trace", Title: l.Say("The recording"), Ref: drawn, Lead: traceLead, Trace: trace},
		reported(in),
		levels(in, ev),
		measures(in, ev),
		judged(in),
		spans(in),
		follows(in, criteria.PartAllows, "allows", l.Say("What this allows"), src),
		follows(in, criteria.PartFollowUp, "followup", l.Say("What follows, and when"), src),
		whatWouldChange(l, d),
		{ID: "document", Title: l.Say("What to document next"), Items: documented(in, src), Small: true},
		{ID: "notes", Title: l.Say("Notes on the verdict"), Items: d.Notes, Small: true},
		{ID: "near", Title: l.Say("Near a limit"), Items: d.NearLimit, Small: true},
		walked(in),
		conditions(in, ev),
		answered(l, in.Answers),
		identity(l, in.Identity),
		clauses(in, src, ev),
		{ID: "sources", Title: l.Say("Further sources"), Items: src.take(false), Small: true, Cites: true},
		{ID: "moresources", Title: l.Say("Sources of the clauses that are listed here alone"), Items: src.take(true), Minor: true, Cites: true},
		{ID: "reading", Title: l.Say("How the recording was read"), Items: reading(in), Terse: terse(in), Small: true},
		{ID: "cautions", Title: l.Say("Cautions"), Items: cautions(l, d), Small: true},
		provenance(in, ev),
	}
	if len(in.Legs) > 0 {
		at := slices.IndexFunc(w.Sections, func(s Section) bool { return s.ID == "trace" })
		rest := w.Sections[at:]
		if in.Analysis == nil {
			rest = rest[1:] // the legs are drawn
		}
		w.Sections = slices.Concat(w.Sections[:at], legs(in, ev), rest)
	}
	besideClauses(w.Section("conditions"), w.Section("clauses"), in)
	for i := range w.Sections {
		if t := w.Sections[i].Table; t != nil {
			t.in = l
			if t.Last != nil {
				t.Last.in = l
			}
		}
	}
	kept := w.Sections[:0]
	for _, s := range w.Sections {
		if s.Trace != nil || len(s.Items) > 0 || s.Table != nil && len(s.Table.Rows) > 0 || s.ID == "deciding" || s.ID == "trace" {
			kept = append(kept, s)
		}
	}
	w.Sections = kept
	w.clean()
	return w
}

// clean makes every text safe for a terminal, a page and paper alike: no
// control characters, no marks that turn the direction of writing.
func (w *Worksheet) clean() {
	c := &w.Case
	for _, s := range []*string{&w.Title, &w.Version, &w.Headline[0], &w.Headline[1], &w.Program,
		&c.Number, &c.PatientName, &c.Identifier, &c.Payer, &c.Supplier} {
		*s = visible(*s)
	}
	w.Alerts = visibleAll(w.Alerts)
	for i := range w.Sections {
		s := &w.Sections[i]
		s.Lead, s.After, s.Items, s.Terse = visible(s.Lead), visible(s.After), visibleAll(s.Items), visibleAll(s.Terse)
		if s.Table == nil {
			continue
		}
		cleanRows(s.Table.Rows)
		cleanRows(s.Table.Packed)
		if s.Table.Last != nil {
			cleanRows(s.Table.Last.Rows)
		}
	}
}

func cleanRows(rows []Row) {
	for i := range rows {
		r := &rows[i]
		r.Words = visible(r.Words)
		for j := range r.Cells {
			c := &r.Cells[j]
			c.Text, c.Sub, c.Note, c.Ref = visible(c.Text), visible(c.Sub), visible(c.Note), visible(c.Ref)
		}
	}
}

func visibleAll(ss []string) []string {
	var out []string
	for _, s := range ss {
		out = append(out, visible(s))
	}
	return out
}

// visible turns white space into single blanks and every control character,
// direction mark and broken byte into its code point in brackets.
func visible(s string) string {
	var b strings.Builder
	blank := false
	for i, r := range s {
		if unicode.IsSpace(r) {
			blank = b.Len() > 0
			continue
		}
		if blank {
			b.WriteByte(' ')
			blank = false
		}
		if r == utf8.RuneError {
			if _, n := utf8.DecodeRuneInString(s[i:]); n <= 1 {
				fmt.Fprintf(&b, "[byte %02X]", s[i])
				continue
			}
		}
		if unicode.IsControl(r) || unicode.Is(unicode.Bidi_Control, r) || r == 0xFEFF {
			b.WriteString(codePoint(r))
			continue
		}
		b.WriteRune(r)
	}
	return b.String()
}

// codePoint is the visible stand-in of a character that cannot be shown.
func codePoint(r rune) string { return fmt.Sprintf("[U+%04X]", r) }
