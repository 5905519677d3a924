package web

import (
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"math"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/criteria"
	"airwarrant/rules"
	"airwarrant/rules/wording"
)

// The page of the signed report: a picture of it, and beside it the figures
// that it prints, each with its place. The figures are the fact report.

// figure is one figure of a report as it was typed. Its JSON is one item of
// the fact's text, which is YAML of one such line for each figure.
type figure struct {
	Measure  string `json:"measure"`
	Level    string `json:"spo2,omitempty"`
	Value    string `json:"value"`
	Unit     string `json:"unit"`
	Document string `json:"document"`
	Page     string `json:"page"`
	At       string `json:"at"` // a point, "47.5%,31%" from left and top, or words
	// Of a typed one: that level or value can be read in two ways.
	levelAsks, valueAsks error
}

func (g figure) empty() bool {
	return g.Measure == "" && g.Level == "" && g.Value == "" && g.At == ""
}

// leveled reports whether the measure is of a level of saturation.
func (g figure) leveled() bool {
	def, _ := rules.Lookup(g.Measure)
	return def.Param == "spo2"
}

// reportText writes figures as the text of the fact.
func reportText(list []figure) (string, error) {
	var b strings.Builder
	for _, g := range list {
		raw, err := json.Marshal(g)
		if err != nil {
			return "", err
		}
		fmt.Fprintf(&b, "- %s\n", raw)
	}
	return b.String(), nil
}

// figuresOf are the figures that the fact holds, as they were typed.
func figuresOf(fact criteria.Fact) []figure {
	var out []figure
	for _, r := range fact.Value.Report {
		g := figure{Measure: r.Measure, Value: r.Value.FloatString(r.Places), Unit: r.Unit, Document: r.Document, Page: r.Page, At: r.At}
		if r.SpO2 != nil {
			n, _ := r.SpO2.FloatPrec()
			g.Level = r.SpO2.FloatString(n)
		}
		out = append(out, g)
	}
	return out
}

// measureWords are the measures that reports print, in the words of the page.
var measureWords = func() []choice {
	var out []choice
	for _, m := range criteria.ReportMeasures {
		out = append(out, choice{Value: m, Words: criteria.ReportWords[m]})
	}
	return out
}()

var reportUnits = []string{"min", "s", "h", "%"}

// words says a figure as a line of text.
func (g figure) words() string {
	t := criteria.ReportWords[g.Measure]
	if g.Level != "" {
		t += " " + g.Level + " %"
	}
	return t + ": " + g.Value + " " + g.Unit
}

// place says where a figure stands.
func (g figure) place() string {
	return g.Document + ", page " + g.Page + ", " + placeWords(g.At)
}

var pointForm = regexp.MustCompile(`^([0-9]{1,3}(?:\.[0-9])?)%,([0-9]{1,3}(?:\.[0-9])?)%$`)

// placeWords says a point in words; a place in words stays as it is.
func placeWords(at string) string {
	if m := pointForm.FindStringSubmatch(at); m != nil {
		return m[1] + " % from the left, " + m[2] + " % from the top"
	}
	return at
}

// Limits of the form (our choice).
const (
	figuresLimit = 30
	placeLimit   = 120 // bytes of words for a place
)

// pictureWidths are the widths at which a page is shown, in CSS pixels: where
// a press on the picture lies can be told without script only if the width is
// known.
var pictureWidths = []choice{{Value: "560", Words: "whole width"}, {Value: "900", Words: "larger"}, {Value: "1400", Words: "largest"}}

// reportForm is what a form of the page held that is not stored, or not yet.
type reportForm struct {
	say      string
	told     string // what happened, without fault
	form     url.Values
	faults   map[string]string // by name of the field
	document *documentForm
}

type reportBody struct {
	Number       string
	K            int
	Patient      patient
	Say, Told    string
	Closed       bool
	CustodyAsked bool
	Barred       *rules.Pack
	BarredCites  []string
	Seen         string // short hash of the recording beside it, "" if none was seen
	Papers       []paperLine
	Add          documentForm
	AddOpen      bool
	Open         *openPage
	Rows         []figureRow
	Stated       *entered // who stated the figures, and when
	Limit        string
}

type paperLine struct {
	paperOn
	Title, Words, Short, Size string
	Came                      *entered
	Open                      bool
}

// openPage is the page of a document that is shown.
type openPage struct {
	Short, Title  string
	Page, Pages   int
	Width, Height int // CSS pixels
	Turns, Widths []turn
	Marks         []mark
	Trouble       string
}

// turn is a button that shows another page, or the same at another width.
type turn struct {
	Value, Words string
	On           bool
}

// mark shows where on the picture a figure stands.
type mark struct{ No, X, Y, TagX, TagY, TextX, TextY int }

// figureRow is one figure of the form.
type figureRow struct {
	figure
	No       int
	Measures []choice
	Units    []choice
	Papers   []choice
	Pinned   string // the place in words, if it is a point
	Pin      bool   // a press on the picture gives this figure its place
	Remove   bool
	Errors   map[string]string
	// LevelWays and ValueWays ask which number was typed.
	LevelWays, ValueWays twoWays
}

func (s *Site) reportPage(w http.ResponseWriter, q *request) error {
	f, err := s.open(q.Context(), q.PathValue("number"))
	if err != nil {
		return err
	}
	s.viewed(q.Context(), f, q.visit.Who, casework.RoleIntake, "report")
	return s.showReport(w, q, http.StatusOK, f, reportForm{})
}

// showReport renders the page, with what a form held if it was not stored.
func (s *Site) showReport(w http.ResponseWriter, q *request, status int, f *file, p reportForm) error {
	if f.closedUnder(status) {
		return casework.ErrRefused
	}
	b := reportBody{Number: f.Number, K: f.Edited, Patient: f.Patient, Say: p.say, Told: p.told, Closed: !f.ClosedAt.IsZero(), Limit: size(documentLimit)}
	b.CustodyAsked = !slices.ContainsFunc(custodyFacts, func(name string) bool { _, ok := f.Statements[name]; return !ok })
	var err error
	if b.Barred, err = s.barredBy(f); err != nil {
		return err
	}
	if b.Barred != nil {
		b.BarredCites = citesOf(b.Barred, b.Barred.Custody.Cite)
	}
	if b.CustodyAsked && b.Barred == nil {
		if err := s.fillReport(q, f, p, &b); err != nil {
			return err
		}
	}
	s.render(w, q, status, "report", page{Criteria: f.Criteria[0], Title: "Signed report of case " + f.Number, Body: b})
	return nil
}

func (s *Site) fillReport(q *request, f *file, p reportForm, b *reportBody) error {
	if u := f.upload(); u != nil {
		b.Seen = short(u.SHA256)
	}
	b.Add = newDocumentForm(nil, nil)
	if p.document != nil {
		b.Add = *p.document
	}
	var err error
	if b.Add.Of, err = s.copyOf(f, b.Add.For, s.daysOf(q, f.Criteria[0])); err != nil {
		return err
	}
	list := figuresOf(f.Facts["report"])
	if len(list) > 0 {
		who, at := f.statedBy("report")
		b.Stated = &entered{who, at}
	}
	pin := len(list) + 1
	if p.form != nil {
		in, err := s.wording(q, f)
		if err != nil {
			return err
		}
		list, pin = typedFigures(p.form, in.Decimal), rowOf(p.form.Get("pin"))
	}
	if len(list) < figuresLimit && (len(list) == 0 || !list[len(list)-1].empty()) {
		list = append(list, figure{})
	}
	papers := f.papers()
	open := s.shown(q, f, p.form, papers, list)
	b.Open = open
	for _, paper := range papers {
		l := paperLine{paperOn: paper, Title: paper.title(), Short: short(paper.SHA256), Size: size(paper.Size), Came: &entered{paper.By, paper.At}, Open: open != nil && open.Short == short(paper.SHA256)}
		for _, k := range documentKinds {
			if k.Value == paper.Kind {
				l.Words = k.Words
			}
		}
		b.Papers = append(b.Papers, l)
	}
	b.AddOpen = len(papers) == 0 || p.document != nil
	for i, g := range list {
		b.Rows = append(b.Rows, s.rowFor(i+1, g, pin, papers, open, p))
	}
	return nil
}

// shown is the page that the form or the address asks for, else the first
// page of the first report.
func (s *Site) shown(q *request, f *file, form url.Values, papers []paperOn, list []figure) *openPage {
	ask := q.URL.Query()
	if form != nil {
		ask = form
		if t := strings.Fields(form.Get("turn")); len(t) == 3 {
			ask = url.Values{"doc": {t[0]}, "page": {t[1]}, "width": {t[2]}}
		}
	}
	if len(papers) == 0 {
		return nil
	}
	at := max(0, slices.IndexFunc(papers, func(p paperOn) bool { return p.Kind == "report" }))
	if i := slices.IndexFunc(papers, func(p paperOn) bool { return short(p.SHA256) == ask.Get("doc") }); i >= 0 {
		at = i
	}
	paper := papers[at]
	o := &openPage{Short: short(paper.SHA256), Title: paper.title(), Page: min(max(1, rowOf(ask.Get("page"))), paper.Pages), Pages: paper.Pages}
	width := pictureWidths[0].Value
	for _, c := range pictureWidths {
		if c.Value == ask.Get("width") {
			width = c.Value
		}
	}
	address := func(short string, page int, width string) string { return fmt.Sprint(short, " ", page, " ", width) }
	for _, p := range papers {
		for n := range p.Pages {
			words := fmt.Sprintf("page %d", n+1)
			if len(papers) > 1 {
				words = p.title() + ", " + words
			}
			o.Turns = append(o.Turns, turn{address(short(p.SHA256), n+1, width), words, p.SHA256 == paper.SHA256 && n+1 == o.Page})
		}
	}
	for _, c := range pictureWidths {
		o.Widths = append(o.Widths, turn{address(o.Short, o.Page, c.Value), c.Words, c.Value == width})
	}
	l, err := s.leafOf(q.Context(), paper.Document, o.Page)
	if err != nil {
		o.Trouble = "The page cannot be shown. The figures can still be typed from the paper, with page and place in words."
		return o
	}
	o.Width = rowOf(width)
	o.Height = max(1, int(math.Round(float64(o.Width)*float64(l.height)/float64(l.width))))
	for i, g := range list {
		if m := pointForm.FindStringSubmatch(g.At); m != nil && g.Document == o.Title && g.Page == strconv.Itoa(o.Page) {
			o.Marks = append(o.Marks, markAt(i+1, percent(m[1], o.Width), percent(m[2], o.Height), o.Width))
		}
	}
	return o
}

func percent(text string, of int) int {
	v, _ := strconv.ParseFloat(text, 64) // the pattern lets nothing else through
	return int(math.Round(min(v, 100) * float64(of) / 100))
}

// markAt lays the number of a mark beside its ring, inside the picture.
func markAt(no, x, y, width int) mark {
	m := mark{No: no, X: x, Y: y, TagX: x + 12, TagY: max(0, y-30)}
	if m.TagX+24 > width {
		m.TagX = x - 36
	}
	m.TextX, m.TextY = m.TagX+12, m.TagY+16
	return m
}

// rowOf reads the number of a row, a page or a width; 0 if it is none.
func rowOf(text string) int {
	n, err := strconv.Atoi(strings.TrimSpace(text))
	if err != nil || n < 0 || n > 100000 {
		return 0
	}
	return n
}

func chosenOf(list []choice, value string) []choice {
	out := slices.Clone(list)
	for i := range out {
		out[i].On = out[i].Value == value
	}
	return out
}

func (s *Site) rowFor(no int, g figure, pin int, papers []paperOn, open *openPage, p reportForm) figureRow {
	if g.Document == "" && open != nil {
		g.Document = open.Title // what is looked at while typing
		if g.Page == "" {
			g.Page = strconv.Itoa(open.Page)
		}
	}
	r := figureRow{figure: g, No: no, Pin: pin == no, Measures: chosenOf(measureWords, g.Measure), Errors: map[string]string{}}
	for _, u := range reportUnits {
		r.Units = append(r.Units, choice{Value: u, Words: u, On: u == g.Unit})
	}
	for _, p := range papers {
		r.Papers = append(r.Papers, choice{Value: p.title(), Words: p.title()})
	}
	if !slices.ContainsFunc(r.Papers, func(c choice) bool { return c.Value == g.Document }) && g.Document != "" && g.Document != notKept {
		r.Papers = append(r.Papers, choice{Value: g.Document, Words: g.Document + " (no longer on the case)"})
	}
	r.Papers = chosenOf(append(r.Papers, choice{Value: notKept, Words: "a paper that is not kept here"}), g.Document)
	if pointForm.MatchString(g.At) {
		r.Pinned = placeWords(g.At)
	}
	r.Remove = p.form.Get(fmt.Sprint("r.", no)) != ""
	r.LevelWays, r.ValueWays = waysOf(p.form, fmt.Sprint("l.", no)), waysOf(p.form, fmt.Sprint("v.", no))
	for key, say := range p.faults {
		if field, n, _ := strings.Cut(key, "."); n == strconv.Itoa(no) {
			r.Errors[field] = say
		}
	}
	return r
}

// notKept is the document of figures that were typed from a paper alone.
const notKept = "paper report"

// typedFigures reads the rows of the form as they were typed on a page with a
// decimal sign.
func typedFigures(form url.Values, decimal string) []figure {
	var out []figure
	for n := 1; n <= min(rowOf(form.Get("rows")), figuresLimit); n++ {
		key := func(k string) string { return typed(form, fmt.Sprint(k, ".", n)) }
		g := figure{Measure: key("m"), Unit: key("u"), Document: key("d"), Page: key("p"), At: key("a")}
		// What may be read in two ways is told by check.
		g.Level, g.levelAsks = numberTyped(form, fmt.Sprint("l.", n), decimal)
		g.Value, g.valueAsks = numberTyped(form, fmt.Sprint("v.", n), decimal)
		out = append(out, g)
	}
	return out
}

// fieldKeys names the field of the form for each key of a figure.
var fieldKeys = map[string]string{"measure": "m", "spo2": "l", "value": "v", "unit": "u", "document": "d", "page": "p", "at": "a"}

// check tells what is wrong with a figure that was typed, by field. One that stood before is not asked about again.
func (g figure) check(before []figure, fault func(error) string) map[string]string {
	out := map[string]string{}
	if !slices.ContainsFunc(measureWords, func(c choice) bool { return c.Value == g.Measure }) {
		out["m"] = "Expected what the figure is of; found nothing. Choose it."
		return out
	}
	if g.leveled() && g.Level == "" {
		out["l"] = "Expected the level in percent; found none. Type it as the report prints it."
	}
	if !g.leveled() && g.Level != "" {
		out["l"] = "Expected no level for this figure; found one. Clear it, or choose another measure."
	}
	if g.Value == "" {
		out["v"] = "Expected the figure with all its decimals; found none. Type it, or take the line away."
	}
	stood := func(o figure) bool {
		return o.Measure == g.Measure && o.Level == g.Level && o.Value == g.Value && o.Unit == g.Unit
	}
	for name, asks := range map[string]error{"l": g.levelAsks, "v": g.valueAsks} {
		if asks != nil && !slices.ContainsFunc(before, stood) {
			out[name] = fault(asks)
		}
	}
	if rowOf(g.Page) < 1 {
		out["p"] = "Expected the number of the page, from 1; found none. Type it."
	}
	switch {
	case g.At == "":
		out["a"] = "Expected the place; found none. Press it on the picture, or write it in words, such as: third line of the table."
	case len(g.At) > placeLimit || strings.ContainsAny(g.At, "\r\n"):
		out["a"] = fmt.Sprintf("Expected one line of at most %d letters; found more. Shorten it.", placeLimit)
	}
	if g.Document == "" || len(g.Document) > placeLimit {
		out["d"] = "Expected the document; found none. Choose it."
	}
	if len(out) > 0 {
		return out
	}
	text, err := reportText([]figure{g})
	if err == nil {
		_, err = criteria.ParseValue("report", text)
	}
	switch problems, several := errors.AsType[rules.Problems](err); {
	case several:
		for _, p := range problems {
			key := p.Key[strings.LastIndex(p.Key, ".")+1:]
			field, ok := fieldKeys[key]
			if !ok {
				field = "v"
			}
			out[field] = fault(wording.Error{Text: p.Said()})
		}
	case err != nil:
		out["v"] = fault(err)
	}
	return out
}

// stateFigures takes the figures of a report; a press on the picture or on a
// page only changes what is shown and stores nothing.
func (s *Site) stateFigures(w http.ResponseWriter, q *request) error {
	number, form := q.PathValue("number"), q.PostForm
	f, err := s.open(q.Context(), number)
	if err != nil {
		return err
	}
	if err := s.mayTake(f); err != nil {
		return err
	}
	if form.Has("pin.x") || form.Has("pin.y") {
		p := reportForm{form: maps.Clone(form)}
		p.pinned(f)
		return s.showReport(w, q, http.StatusOK, f, p)
	}
	if form.Get("turn") != "" {
		return s.showReport(w, q, http.StatusOK, f, reportForm{form: form, told: "Nothing is stored yet."})
	}
	var list []figure
	faults := map[string]string{}
	in, err := s.wording(q, f)
	if err != nil {
		return err
	}
	before := figuresOf(f.Facts["report"])
	for i, g := range typedFigures(form, in.Decimal) {
		if g.empty() || form.Get(fmt.Sprint("r.", i+1)) != "" {
			continue
		}
		for field, say := range g.check(before, q.fault) {
			key := fmt.Sprint(field, ".", i+1)
			faults[key] = say
			if field == "l" && g.levelAsks != nil || field == "v" && g.valueAsks != nil {
				ask(form, key)
			}
		}
		list = append(list, g)
	}
	refuse := func(say string) error {
		if f, err = s.open(q.Context(), number); err != nil {
			return err
		}
		return s.showReport(w, q, http.StatusUnprocessableEntity, f, reportForm{say: say, form: form, faults: faults})
	}
	if len(faults) > 0 {
		return refuse("Some figures could not be taken; nothing was stored. They are marked below.")
	}
	text, err := reportText(list)
	if err != nil {
		return err
	}
	st := statement{Name: "report", State: criteria.Stated, Text: text}
	if len(list) > 0 {
		if _, err := st.fact(); err != nil {
			return refuse(q.faultAnd("%s Nothing was stored.", err))
		}
	}
	seen, late := formK(form), ""
	err = s.update(q.Context(), number, s.stamp(q.visit.Who, casework.RoleIntake), func(f *file) (casework.Change, error) {
		late = ""
		now, ok := f.Case.Facts["report"]
		switch {
		case f.Statements["report"] == st || !ok && len(list) == 0:
			return nil, nil // sent twice
		case ok && now.K > seen:
			late = now.By
			return nil, casework.ErrConflict
		case len(list) == 0:
			return casework.FactWithdrawn{Name: "report"}, nil
		}
		sealed, err := s.seal(q.Context(), f.Case, st)
		return casework.FactsStated{Facts: map[string]casework.Stated{"report": sealed}}, err
	})
	if errors.Is(err, casework.ErrConflict) && late != "" {
		return refuse("Meanwhile " + late + " stated figures of the report. Nothing of yours was stored; look at both, and send what is right.")
	}
	if err != nil {
		return err
	}
	address := "/cases/" + number + "/report"
	if doc := form.Get("doc"); slices.ContainsFunc(f.papers(), func(p paperOn) bool { return short(p.SHA256) == doc }) {
		address += fmt.Sprintf("?doc=%s&page=%d&width=%d", doc, rowOf(form.Get("page")), rowOf(form.Get("width")))
	}
	seeOther(w, address+"#figures")
	return nil
}

// pinned gives the figure that is being typed the point that was pressed.
func (p *reportForm) pinned(f *file) {
	form := p.form
	x, y, width, height := rowOf(form.Get("pin.x")), rowOf(form.Get("pin.y")), rowOf(form.Get("width")), rowOf(form.Get("height"))
	no := rowOf(form.Get("pin"))
	i := slices.IndexFunc(f.papers(), func(p paperOn) bool { return short(p.SHA256) == form.Get("doc") })
	switch {
	case x == 0 && y == 0:
		// How browsers send a press by keyboard.
		p.told = "A press by keyboard has no point. Write page and place in words instead, such as: third line of the table. Nothing is stored yet."
		return
	case i < 0 || width == 0 || height == 0 || x > width || y > height:
		p.told = "The point pressed does not lie on the page shown. Press again, or write the place in words. Nothing is stored yet."
		return
	case no < 1 || no > min(rowOf(form.Get("rows")), figuresLimit):
		p.told = "Choose which figure the point is for, and press again. Nothing is stored yet."
		return
	}
	at := fmt.Sprintf("%s%%,%s%%", tenth(x, width), tenth(y, height))
	form.Set(fmt.Sprint("a.", no), at)
	form.Set(fmt.Sprint("d.", no), f.papers()[i].title())
	form.Set(fmt.Sprint("p.", no), strconv.Itoa(max(1, rowOf(form.Get("page")))))
	p.told = fmt.Sprintf("Figure %d stands %s. Nothing is stored yet.", no, placeWords(at))
}

// tenth is a share in percent, to a tenth.
func tenth(part, of int) string {
	t := strconv.FormatFloat(float64(part)/float64(of)*100, 'f', 1, 64)
	return strings.TrimSuffix(t, ".0")
}

// reportPart is what the page of a case says of the report.
type reportPart struct {
	Number  string
	Unseen  bool // no recording is on the case
	Figures []figureLine
	Papers  []string
}

type figureLine struct{ Words, Place string }

// reportPart sums the report up for the page of the case; nil where its
// figures may not be read.
func (f *file) reportPart(take bool) *reportPart {
	if !take {
		return nil
	}
	p := &reportPart{Number: f.Number, Unseen: f.upload() == nil}
	for _, g := range figuresOf(f.Facts["report"]) {
		p.Figures = append(p.Figures, figureLine{g.words(), g.place()})
	}
	for _, paper := range f.papers() {
		p.Papers = append(p.Papers, paper.title())
	}
	return p
}

// reportWords says the figures of a report, one after the other.
func reportWords(st statement) string {
	fact, err := st.fact()
	if err != nil {
		return "not readable"
	}
	var parts []string
	for _, g := range figuresOf(fact) {
		parts = append(parts, g.words()+" ("+g.place()+")")
	}
	return strings.Join(parts, "; ")
}
