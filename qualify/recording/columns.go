package recording

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"airwarrant/rules/wording"
)

// Columns is a mapping for delimited text: what ParseColumns reads from
// --columns. A column is named by its number, from 1, or by its header. The
// zero value leaves everything to be found in the file, but ParseColumns must
// make it, because Header is -1 then.
type Columns struct {
	Time, Date, Elapsed, SpO2, Pulse string // "" if not given; Pulse may be "none"
	Quality                          string
	Stamps                           string          // what numbers in the time column count: "serial", "epoch", "epoch_ms" or ""
	Start                            string          // date and time of the start of elapsed time, such as 2026-03-01T22:00:00, or ""
	Order                            string          // "dmy", "mdy", "ymd" or ""
	Delimiter                        rune            // 0 if not given
	Decimal                          byte            // '.', ',' or 0
	Header                           int             // line of the header from 1, 0 for none, -1 if not given
	NoReading                        map[string]bool // further no-reading codes of both columns, lower case
	NoSpO2, NoPulse                  map[string]bool // further no-reading codes of one column, lower case
	Unit                             string          // "percent", "fraction" or ""
}

// columnsHelp is the mend of a mapping that cannot be read.
const columnsHelp = `write it like time=1,spo2=3,pulse=4 with the keys time, date, elapsed, spo2, pulse, quality (a number or a header; "…" around one that holds a comma), order, stamps, start, delimiter, decimal, header, none, none_spo2, none_pulse, unit, sheet`

// ParseColumns reads a mapping such as
//
//	time=1,spo2=3,pulse=4
//	date=Date,time="Time, local",spo2=SpO2,order=dmy,delimiter=;,decimal=,
//
// Keys: time, date, elapsed, spo2, pulse and quality name a column by number
// or header (pulse and quality also take "none"); order is dmy, mdy or ymd;
// stamps says what numbers in the time column count: serial (a spreadsheet's
// days), epoch or epoch_ms; start is the date and time at which elapsed time
// begins; delimiter is one character or comma, semicolon, tab, pipe, blanks
// (columns aligned by blanks); decimal is . or , or point, comma, and makes
// the other one a thousands mark in elapsed time; header is the line of the
// header, 0 for none; none lists further no-reading codes, divided by |, and
// none_spo2 and none_pulse those of one column; unit is percent or fraction.
// A value in quotes may hold commas, and a quote twice for once. The error is
// a *FormatError that wraps ErrOptions.
func ParseColumns(s string) (Columns, error) {
	c := Columns{Header: -1}
	seen := map[string]bool{}
	for at := 0; strings.TrimSpace(s) != ""; at++ {
		key, rest, ok := strings.Cut(s, "=")
		key = strings.ToLower(strings.TrimSpace(key))
		if !ok {
			return Columns{}, columnsError(key, wording.Said("a key and a value joined by ="), wording.Said("no ="))
		}
		value, next, err := columnsValue(key, rest)
		if err != nil {
			return Columns{}, err
		}
		s = next
		if seen[key] {
			return Columns{}, columnsError(key, wording.Said("each key once"), wording.Said("it twice"))
		}
		seen[key] = true
		if err := c.set(key, value); err != nil {
			return Columns{}, err
		}
	}
	return c, nil
}

// columnsValue cuts the value off the front of s and the comma after it.
func columnsValue(key, s string) (value, rest string, err error) {
	s = strings.TrimLeft(s, " ")
	switch {
	case strings.HasPrefix(s, `"`):
		value, rest, ok := strings.Cut(s[1:], `"`)
		for ok && strings.HasPrefix(rest, `"`) {
			var more string
			more, rest, ok = strings.Cut(rest[1:], `"`)
			value += `"` + more
		}
		rest = strings.TrimLeft(rest, " ")
		if !ok || rest != "" && rest[0] != ',' {
			return "", "", columnsError(key, wording.Said(`a value that ends in "`), wording.Said("no such end"))
		}
		return value, strings.TrimPrefix(rest, ","), nil
	case (key == "decimal" || key == "delimiter") && strings.HasPrefix(s, ",") && (len(s) == 1 || s[1] == ','):
		return ",", strings.TrimPrefix(s[1:], ","), nil
	case key == "delimiter" && strings.HasPrefix(s, "\t"):
		return "\t", strings.TrimPrefix(s[1:], ","), nil
	}
	value, rest, _ = strings.Cut(s, ",")
	return strings.TrimSpace(value), rest, nil
}

func columnsError(key string, expected, found wording.Text) error {
	return &FormatError{Offset: -1, Field: wording.Said("columns %s", excerpt(key)), Err: ErrOptions, Expected: expected, Found: found, Mend: wording.Said(columnsHelp)}
}

func (c *Columns) set(key, value string) error {
	if value == "" {
		return columnsError(key, wording.Said("a value"), wording.Said("none"))
	}
	pick := func(allowed ...string) (string, error) {
		v := strings.ToLower(value)
		if !slices.Contains(allowed, v) {
			return "", columnsError(key, wording.Either(allowed), wording.Verbatim(strconv.Quote(value)))
		}
		return v, nil
	}
	if n, err := strconv.Atoi(value); err == nil && n < 1 && key != "header" && !strings.HasPrefix(key, "none") {
		return columnsError(key, wording.Said("a column number from 1"), wording.Verbatim(value))
	}
	var err error
	switch key {
	case "time":
		c.Time = value
	case "date":
		c.Date = value
	case "elapsed":
		c.Elapsed = value
	case "spo2":
		c.SpO2 = value
	case "pulse":
		c.Pulse = value
	case "quality":
		c.Quality = value
	case "order":
		c.Order, err = pick("dmy", "mdy", "ymd")
	case "stamps":
		c.Stamps, err = pick(string(countSerial), string(countEpoch), string(countEpochMS))
	case "start":
		if _, _, ok := parseStart(value); !ok {
			return columnsError(key, wording.Said("a date and time such as 2026-03-01T22:00:00"), wording.Joined("%q", excerpt(value)))
		}
		c.Start = value
	case "unit":
		c.Unit, err = pick("percent", "fraction")
	case "decimal":
		var v string
		v, err = pick(".", ",", "point", "comma")
		c.Decimal = '.'
		if v == "," || v == "comma" {
			c.Decimal = ','
		}
	case "delimiter":
		var v string
		v, err = pick(",", ";", "\t", "|", "comma", "semicolon", "tab", "pipe", "blanks")
		for _, d := range delimiters {
			if v == string(d.char) || v == d.name {
				c.Delimiter = d.char
			}
		}
		if v == "blanks" {
			c.Delimiter = byBlanks
		}
	case "header":
		c.Header, err = strconv.Atoi(value)
		if err != nil || c.Header < 0 {
			return columnsError(key, wording.Said("a line number, or 0 for no header"), wording.Verbatim(strconv.Quote(value)))
		}
	case "none":
		c.NoReading = codeSet(value)
	case "none_spo2":
		c.NoSpO2 = codeSet(value)
	case "none_pulse":
		c.NoPulse = codeSet(value)
	default:
		return columnsError(key, wording.Said("a known key"), wording.Joined("%q", excerpt(key)))
	}
	return err
}

func codeSet(value string) map[string]bool {
	out := map[string]bool{}
	for _, code := range strings.Split(value, "|") {
		out[strings.ToLower(strings.TrimSpace(code))] = true
	}
	return out
}

// parseStart reads a date and time that need no date order.
func parseStart(s string) (day, ns int64, ok bool) {
	d, rest, ok := parseDate(strings.TrimSpace(s))
	if !ok || !d.fixed {
		return 0, 0, false
	}
	day, ok = d.days("ymd")
	c, why := parseClock(trimStampGap(rest))
	return day, c.ns, ok && why.Format == "" && !c.hasOff
}

// String returns c as ParseColumns reads it, keys in a fixed order, so that a
// mapping can be stored as text and used for the next file of that shape.
func (c Columns) String() string {
	var out []string
	put := func(key, value string) {
		if value == "" {
			return
		}
		out = append(out, key+"="+quoteColumn(value))
	}
	codes := func(key string, set map[string]bool) {
		if set != nil {
			list := make([]string, 0, len(set))
			for code := range set {
				list = append(list, code)
			}
			slices.Sort(list)
			v := strings.Join(list, "|")
			if v == "" { // the empty field alone, which is no reading anyway
				return
			}
			put(key, v)
		}
	}
	put("time", c.Time)
	put("date", c.Date)
	put("elapsed", c.Elapsed)
	put("spo2", c.SpO2)
	put("pulse", c.Pulse)
	put("quality", c.Quality)
	put("order", c.Order)
	put("stamps", c.Stamps)
	put("start", c.Start)
	switch c.Delimiter {
	case 0:
	case byBlanks:
		put("delimiter", "blanks")
	default:
		put("delimiter", delimiterName(c.Delimiter))
	}
	switch c.Decimal {
	case '.':
		put("decimal", "point")
	case ',':
		put("decimal", "comma")
	}
	if c.Header >= 0 {
		put("header", strconv.Itoa(c.Header))
	}
	codes("none", c.NoReading)
	codes("none_spo2", c.NoSpO2)
	codes("none_pulse", c.NoPulse)
	put("unit", c.Unit)
	return strings.Join(out, ",")
}

// quoteColumn puts a value in quotes where it needs them.
func quoteColumn(value string) string {
	if strings.ContainsAny(value, "\",\t") || strings.TrimSpace(value) != value {
		return `"` + strings.ReplaceAll(value, `"`, `""`) + `"`
	}
	return value
}

// byBlanks stands for columns aligned by blanks.
const byBlanks = ' '

var delimiters = []struct {
	char rune
	name string
}{{';', "semicolon"}, {'\t', "tab"}, {',', "comma"}, {'|', "pipe"}}

func delimiterName(c rune) string {
	for _, d := range delimiters {
		if d.char == c {
			return d.name
		}
	}
	if c == byBlanks {
		return "blanks"
	}
	return string(c)
}

// role is what a header says that its column holds.
type role int

const (
	roleUnknown role = iota
	roleOther        // recognised as something that is not read
	roleSat
	rolePulse
	roleTime
	roleDate
	roleElapsed
	roleMarker // AM or PM in a column of its own
	roleQuality
	roleEvent
	roleAlarm // alarms and error codes: marks, never readings
	roleName
	roleIdentifier
)

// Words of headers, lower case, English first, then German, French, Spanish.
var (
	wordsOther   = wordSet("limit limits lim threshold thresh setting flow lpm l litre liter litres liters delta change drop diff slope trend odi events battery pleth plethysmogram amplitude wave waveform transit index perfusion pi temperature temp grenze grenzwert alarmgrenze alarmgrenzen grenzwerte seuil límite limite umbral débit durchfluss flujo")
	wordsSummary = wordSet("min minimum max maximum lowest highest nadir low high")
	wordsSat     = wordSet("spo2 sao2 sp02 sa02 o2sat oxysat satur saturation sat o2sättigung sättigung saettigung sättigungswert o2sat spo2wert sauerstoffsättigung sauerstoffsaettigung saturación saturacion oxygen oxygène oxygene sauerstoff oxígeno oxigeno")
	wordsPulse   = wordSet("pulse pulserate pr hr bpm heartrate heart puls pulsrate pulsfrequenz herzfrequenz herzrate herzschlag pulswert pulsschlag pouls fc cardiaque rythme pulsaciones latidos pulso cardiaca cardíaca")
	wordsTime    = wordSet("time timestamp datetime clock stamp zeit uhrzeit zeitstempel zeitpunkt messzeit heure horodatage temps hora tiempo epoch unix")
	wordsDate    = wordSet("date datum fecha")
	wordsElapsed = wordSet("elapsed seconds secs sec millisecond milliseconds verstrichen écoulé ecoule transcurrido sekunden secondes segundos")
	wordsQuality = wordSet("quality status signal artifact artifacts artefact artefakt motion movement flag flags qualität qualitaet signalqualität signalqualitaet signalgüte signalguete bewegungsartefakt fiabilité fiabilidad artefacto artéfact artefactos bewegung qualité qualite état etat mouvement calidad estado movimiento señal senal")
	wordsEvent   = wordSet("event marker mark comment comments note notes annotation remark remarks ereignis ereignisse bemerkung bemerkungen remarque remarques observaciones observación marke kommentar événement commentaire evento comentario")
	wordsAlarm   = wordSet("alarm alarms alert alerts error errors fault faults fehler fehlercode störung alarme alarmes erreur défaut alarma alarmas fallo")
	wordsBirth   = wordSet("birth dob born birthdate birthday geburtsdatum geboren geb naissance né née nacimiento")

	// A key or header is an identifier of the person if it has one of the
	// first, or one of the second beside one of the third; a plain "ID" over a
	// column may count rows.
	wordsID     = wordSet("mrn patientid patientnummer patientennummer identifiant identificación identificacion")
	wordsNumber = wordSet("id identifier number no nr nummer numéro número")
	wordsPerson = wordSet("patient patients subject person chart case medical paciente")

	// It is a name if it has one of the first, or nothing but the second.
	wordsName     = wordSet("surname lastname firstname forename nachname vorname nom prénom prenom nombre apellido apellidos")
	wordsNameOnly = wordSet("name patient patients paciente subject first last middle full given family s")
)

func wordSet(s string) map[string]bool {
	m := map[string]bool{}
	for _, w := range strings.Fields(s) {
		m[w] = true
	}
	return m
}

// headerWords splits a header into lower-case words of letters and digits.
func headerWords(cell string) []string {
	cell = strings.ToLower(strings.ReplaceAll(cell, "₂", "2"))
	return strings.FieldsFunc(cell, func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) })
}

func isIdentifier(words []string) bool {
	return hasWord(words, wordsID) || hasWord(words, wordsNumber) && hasWord(words, wordsPerson)
}

func isName(words []string) bool {
	other := slices.ContainsFunc(words, func(w string) bool { return !wordsNameOnly[w] })
	return hasWord(words, wordsName) || !other && len(words) > 0
}

func hasWord(words []string, set map[string]bool) bool {
	return slices.ContainsFunc(words, func(w string) bool { return set[w] })
}

// headerRole reads what a header says. Alarm limits come first: a column of
// limits stands beside its reading under almost the same name.
func headerRole(cell string) role {
	w := headerWords(cell)
	joined := strings.Join(w, " ")
	switch {
	case len(w) == 0:
		return roleUnknown
	case hasWord(w, wordsOther):
		return roleOther
	case hasWord(w, wordsBirth):
		return roleOther
	case hasWord(w, wordsAlarm):
		return roleAlarm
	case hasWord(w, wordsQuality):
		return roleQuality
	case joined == "am pm" || joined == "ampm":
		return roleMarker
	case hasWord(w, wordsSat) || joined == "o2":
		return roleSat
	case hasWord(w, wordsPulse):
		return rolePulse
	case hasWord(w, wordsElapsed) || hasWord(w, wordsTime) && timeUnit(w) != 0:
		return roleElapsed
	case hasWord(w, wordsDate) && !hasWord(w, wordsTime):
		return roleDate
	case hasWord(w, wordsTime):
		return roleTime
	case hasWord(w, wordsEvent):
		return roleEvent
	case hasWord(w, keysEquipment):
		return roleOther
	case isIdentifier(w):
		return roleIdentifier
	case isName(w):
		return roleName
	}
	return roleUnknown
}

// timeUnit returns the nanoseconds of the unit that a header of elapsed time
// names, 0 if it names none. "hh:mm:ss" is a pattern and no unit.
func timeUnit(words []string) int64 {
	if slices.Contains(words, "mm") || slices.Contains(words, "hh") {
		return 0
	}
	for _, w := range words {
		switch w {
		case "s", "sec", "secs", "second", "seconds", "sekunden", "secondes", "segundos":
			return 1e9
		case "ms", "msec", "millisecond", "milliseconds":
			return 1e6
		case "min", "mins", "minute", "minutes", "minuten", "minutos":
			return 60e9
		}
	}
	return 0
}

// headerOrder returns the date order that a header prints as a pattern, such
// as "Date (DD/MM/YYYY)", or "".
func headerOrder(cell string) string {
	var order []byte
	for _, w := range headerWords(cell) {
		switch w {
		case "dd", "d", "tt", "jj":
			order = append(order, 'd')
		case "mm", "mmm", "m":
			if len(order) < 3 { // a later mm counts minutes
				order = append(order, 'm')
			}
		case "yyyy", "yy", "jjjj", "aaaa", "aa":
			order = append(order, 'y')
		}
	}
	if len(order) >= 3 {
		if o := string(order[:3]); o == "dmy" || o == "mdy" || o == "ymd" {
			return o
		}
	}
	return ""
}

// roles says which column is which; -1 is none. Columns count from 0 here.
type roles struct {
	mode              timeMode
	stamp, date       int // stamp is the time column unless mode is timeNone
	marker            int
	sat, pulse        int
	unit              int64 // nanoseconds of one unit of elapsed time
	count             countKind
	alarms            []int
	quality           []qualityColumn
	events, persons   []int
	personIdentifiers map[int]bool
}

type timeMode int

const (
	timeNone    timeMode = iota
	timeStamp            // date and time in one column
	timePair             // date and time in two
	timeOfDay            // time of day alone
	timeElapsed          // time since the start
	timeCount            // a number that counts days or seconds from a fixed day
)

// countKind says from when and in what a number counts that stands for a date
// and time.
type countKind string

const (
	countSerial  countKind = "serial"   // days since 1899-12-30, as spreadsheets count (ECMA-376 part 1, 18.17.4, from memory)
	countEpoch   countKind = "epoch"    // seconds since 1970-01-01 UTC
	countEpochMS countKind = "epoch_ms" // milliseconds since 1970-01-01 UTC
)

type qualityColumn struct {
	col    int
	motion bool // headed motion: "yes" means motion
	mark   bool // headed artifact: "yes" means artifact
	words  int
	digits int
}

// maxQuality is how many quality columns are read; each takes one bit of Flag
// while rows are read.
const maxQuality = 4

// shape is what the cells of a column look like.
type shape int

const (
	shapeOther shape = iota
	shapeBlank
	shapeNumber
	shapeClock
	shapeDate
	shapeStamp
	shapeMarker
	shapeDotted // 12.03.26: a date or a time of day
)

func cellShape(s string) shape {
	if s == "" {
		return shapeBlank
	}
	if _, _, _, ok := parseDecimal(stripPercent(s)); ok {
		return shapeNumber
	}
	if _, mark, ok := groupedNumber(s); ok && mark != ' ' {
		return shapeNumber
	}
	if d, rest, ok := parseDate(s); ok && d.plausible() {
		if rest = trimStampGap(rest); rest == "" {
			if _, why := parseClock(s); why.Format == "" {
				return shapeDotted
			}
			return shapeDate
		}
		if _, why := parseClock(rest); why.Format != noClock.Format {
			return shapeStamp
		}
		return shapeOther
	}
	if _, why := parseClock(s); why.Format != noClock.Format {
		return shapeClock
	}
	if _, _, ok := cutTimeFirst(s); ok {
		return shapeStamp
	}
	if _, ok := parseElapsedClock(s); ok {
		return shapeClock
	}
	if _, rest, ok := cutMarker(s); ok && rest == "" && len(s) > 1 { // a letter alone may be a header
		return shapeMarker
	}
	return shapeOther
}

// columnShape is the commonest shape of the filled cells of a column. Cells
// such as 12.03.26 are times of day if they change with most rows, which no
// date does, and dates beside cells that can be nothing else.
func columnShape(rows [][]string, col int) shape {
	var n [shapeDotted + 1]int
	dotted := map[string]bool{}
	for _, r := range rows {
		if col < len(r) {
			s := trimCell(r[col])
			sh := cellShape(s)
			n[sh]++
			if sh == shapeDotted {
				dotted[s] = true
			}
		}
	}
	if d := n[shapeDotted]; d > 0 && (n[shapeClock] > 0 || n[shapeDate] > 0 || d > 2) {
		to := shapeDate
		if n[shapeClock] > n[shapeDate] || n[shapeDate] == 0 && 2*len(dotted) > d {
			to = shapeClock
		}
		n[to] += d
		n[shapeDotted] = 0
	}
	best := shapeBlank
	for _, s := range []shape{shapeOther, shapeNumber, shapeClock, shapeDate, shapeStamp, shapeMarker, shapeDotted} {
		if n[s] > 0 && (best == shapeBlank || n[s] > n[best]) {
			best = s
		}
	}
	return best
}

// finder assigns the roles of one table.
type finder struct {
	cols      Columns
	header    []string // nil if there is none
	width     int
	rows      [][]string
	opt       Options
	line      int // of the header, or of the first row
	taken     map[int]bool
	layout    []wording.Text
	byNumbers bool // the saturation was found by its numbers
}

// shape is the shape of column c. Too few cells such as 12.03.26 are what the
// header says, else dates.
func (f *finder) shape(c int) shape {
	s := columnShape(f.rows, c)
	if s != shapeDotted {
		return s
	}
	if f.header != nil && c < len(f.header) && headerRole(f.header[c]) == roleTime {
		return shapeClock
	}
	return shapeDate
}

// name is how people see column c.
// column names a column: its number, and its header where it has one.
func (f *finder) column(c int) wording.Text {
	if f.header != nil && c < len(f.header) {
		if h := trimCell(f.header[c]); h != "" {
			return wording.Said("column %d %q", c+1, shorten(h, 40))
		}
	}
	return wording.Said("column %d", c+1)
}

// list names several columns.
func (f *finder) list(cols []int) wording.Text {
	names := make([]wording.Text, len(cols))
	for i, c := range cols {
		names[i] = f.column(c)
	}
	return wording.List(", ", names)
}

// columnsFlag is how a command line says a part of the mapping.
func columnsFlag(format string, args ...any) wording.Typed {
	return wording.Typed(": --columns " + fmt.Sprintf(format, args...))
}

func (f *finder) fail(err error, field, expected, found, mend wording.Text) error {
	return &FormatError{Format: FormatText, Line: f.line, Offset: -1, Field: field, Expected: expected, Found: found, Mend: mend, Err: err}
}

// byName resolves a column of the mapping.
func (f *finder) byName(key, name string) (int, error) {
	if n, err := strconv.Atoi(name); err == nil {
		if n > f.width {
			return -1, f.fail(ErrOptions, wording.Verbatim(key), wording.Said("a column from 1 to %d", f.width), wording.Verbatim(name), wording.Said("correct the column%s", columnsFlag("%s=", key)))
		}
		return n - 1, nil
	}
	var hits []int
	for i, h := range f.header {
		if strings.EqualFold(trimCell(h), strings.TrimSpace(name)) {
			hits = append(hits, i)
		}
	}
	if len(hits) == 1 {
		return hits[0], nil
	}
	found := wording.Said("no such header")
	if len(hits) > 1 {
		found = f.list(hits)
	}
	return -1, f.fail(ErrOptions, wording.Verbatim(key), wording.Said("one column headed %q", name), found, wording.Said("give the number of the column%s", columnsFlag("%s=N", key)))
}

// withRole lists the columns, not yet taken, whose header says r.
func (f *finder) withRole(r role) []int {
	var out []int
	for i, h := range f.header {
		if i < f.width && !f.taken[i] && headerRole(h) == r {
			out = append(out, i)
		}
	}
	return out
}

func (f *finder) find() (roles, error) {
	r := roles{stamp: -1, date: -1, marker: -1, sat: -1, pulse: -1, personIdentifiers: map[int]bool{}}
	f.taken = map[int]bool{}
	given := []struct {
		key, name string
		to        *int
	}{
		{"spo2", f.cols.SpO2, &r.sat}, {"pulse", f.cols.Pulse, &r.pulse},
		{"time", f.cols.Time, &r.stamp}, {"date", f.cols.Date, &r.date},
	}
	for _, g := range given {
		if g.name == "" || g.key == "pulse" && strings.EqualFold(g.name, "none") {
			continue
		}
		c, err := f.byName(g.key, g.name)
		if err != nil {
			return r, err
		}
		if f.taken[c] {
			return r, f.fail(ErrOptions, wording.Verbatim(g.key), wording.Said("a column of its own"), wording.Said("%s for two things", f.column(c)), wording.Said("give each its own column%s", columnsFlag("%s=N", g.key)))
		}
		*g.to = c
		f.taken[c] = true
	}
	if err := f.findTime(&r); err != nil {
		return r, err
	}
	if err := f.findSat(&r); err != nil {
		return r, err
	}
	if err := f.findPulse(&r); err != nil {
		return r, err
	}
	if err := f.findQuality(&r); err != nil {
		return r, err
	}
	f.findBeside(&r)
	var unused []int
	for c := 0; c < f.width; c++ {
		if !f.taken[c] {
			unused = append(unused, c)
		}
	}
	if len(unused) > 0 {
		f.layout = append(f.layout, wording.Said("Not used: %s.", f.list(unused)))
	}
	return r, nil
}

// findBeside finds the columns that hold no readings: persons, events, alarms.
func (f *finder) findBeside(r *roles) {
	for _, kind := range []role{roleName, roleIdentifier} {
		for _, c := range f.withRole(kind) {
			r.persons = append(r.persons, c)
			r.personIdentifiers[c] = kind == roleIdentifier
			f.taken[c] = true
		}
	}
	r.events = f.withRole(roleEvent)
	for _, c := range r.events {
		f.taken[c] = true
	}
	r.alarms = f.withRole(roleAlarm)
	for _, c := range r.alarms {
		f.taken[c] = true
	}
}

// findSat finds the saturation by header, or by the numbers where there is
// no header.
func (f *finder) findSat(r *roles) error {
	why := "as given"
	if r.sat < 0 {
		var cands []int
		if f.header != nil {
			why = "by its header"
			cands = f.withRole(roleSat)
		} else {
			why = "by its numbers"
			f.byNumbers = true
			cands = f.inRange(50, 100)
		}
		switch {
		case len(cands) == 1 && f.header != nil && hasWord(headerWords(f.header[cands[0]]), wordsSummary):
			return f.fail(ErrAmbiguous, wording.Said("saturation"), wording.Said("a column of readings"), wording.Said("%s, which looks like a summary", f.list(cands)), wording.Said("say so if it is the reading%s", columnsFlag("spo2=%d", cands[0]+1)))
		case len(cands) > 1:
			return f.fail(ErrAmbiguous, wording.Said("saturation"), wording.Said("one column of saturation"), f.list(cands), wording.Said("say which one%s", columnsFlag("spo2=%d or spo2=%d", cands[0]+1, cands[1]+1)))
		case len(cands) == 0:
			return f.noSat()
		}
		r.sat = cands[0]
		f.taken[r.sat] = true
	}
	f.layout = append(f.layout, wording.Said("Saturation: %s, %s.", f.column(r.sat), wording.Said(why)))
	return nil
}

func (f *finder) noSat() error {
	all := make([]int, f.width)
	for i := range all {
		all[i] = i
	}
	return f.fail(ErrNoSpO2, wording.Said("saturation"), wording.Said("a column of oxygen saturation"), f.list(all), wording.Said("name it%s", columnsFlag("spo2=N")))
}

// inRange lists the columns, not yet taken, most of whose numbers lie in
// [lo, hi], codes for no reading apart.
func (f *finder) inRange(lo, hi float64) []int {
	var out []int
	for c := 0; c < f.width; c++ {
		in, all := 0, 0
		for _, row := range f.rows {
			s := ""
			if c < len(row) {
				s = stripPercent(trimCell(row[c]))
			}
			if noReadingWord(s) {
				continue
			}
			mant, dec, _, ok := parseDecimal(s)
			if ok && noReadingNumber(mant, dec, true) {
				continue
			}
			v := float64(mant)
			for ; dec > 0; dec-- {
				v /= 10
			}
			all++
			if ok && lo <= v && v <= hi {
				in++
			}
		}
		if !f.taken[c] && 2*in > all {
			out = append(out, c)
		}
	}
	return out
}

func (f *finder) findPulse(r *roles) error {
	why := "as given"
	if r.pulse < 0 && f.cols.Pulse == "" {
		var cands []int
		if f.header != nil {
			why = "by its header"
			cands = f.withRole(rolePulse)
		} else {
			why = "by its numbers"
			cands = f.inRange(30, 200)
		}
		if len(cands) > 1 {
			return f.fail(ErrAmbiguous, wording.Said("pulse"), wording.Said("one column of pulse"), f.list(cands), wording.Said("say which one, or that there is none%s", columnsFlag("pulse=%d or pulse=%d, or pulse=none", cands[0]+1, cands[1]+1)))
		}
		if len(cands) == 1 {
			r.pulse = cands[0]
			f.taken[r.pulse] = true
		}
	}
	if r.pulse >= 0 {
		f.layout = append(f.layout, wording.Said("Pulse: %s, %s.", f.column(r.pulse), wording.Said(why)))
	}
	return nil
}

func (f *finder) findQuality(r *roles) error {
	cols := f.withRole(roleQuality)
	switch {
	case strings.EqualFold(f.cols.Quality, "none"):
		cols = nil
	case f.cols.Quality != "":
		c, err := f.byName("quality", f.cols.Quality)
		if err != nil {
			return err
		}
		if f.taken[c] {
			return f.fail(ErrOptions, wording.Said("quality"), wording.Said("a column of its own"), wording.Said("%s for two things", f.column(c)), wording.Said("give each its own column%s", columnsFlag("quality=N")))
		}
		cols = []int{c}
	}
	if len(cols) > maxQuality {
		return f.fail(ErrAmbiguous, wording.Said("quality"), wording.Said("at most %d columns of quality", maxQuality), f.list(cols), wording.Said("say which one%s", columnsFlag("quality=%d", cols[0]+1)))
	}
	for _, c := range cols {
		q := qualityColumn{col: c}
		if f.header != nil {
			for _, w := range headerWords(f.header[c]) {
				q.motion = q.motion || strings.HasPrefix(w, "mo") || w == "bewegung"
				q.mark = q.mark || strings.HasPrefix(w, "art")
			}
		}
		f.taken[c] = true
		r.quality = append(r.quality, q)
	}
	return nil
}

// findTime finds the column or columns of time: by header first, by the shape
// of their cells in any case.
func (f *finder) findTime(r *roles) error {
	take := func(mode timeMode, stamp, date int, text wording.Text) error {
		r.mode, r.stamp, r.date = mode, stamp, date
		f.taken[stamp] = true
		if date >= 0 {
			f.taken[date] = true
		}
		f.layout = append(f.layout, text)
		if mode == timeElapsed {
			return nil
		}
		return f.findMarker(r)
	}
	if f.cols.Elapsed != "" {
		c, err := f.byName("elapsed", f.cols.Elapsed)
		if err != nil {
			return err
		}
		if f.taken[c] || f.cols.Time != "" {
			return f.fail(ErrOptions, wording.Said("elapsed"), wording.Said("elapsed alone, in a column of its own"), wording.Said("%s and another", f.column(c)), wording.Said("give each its own column%s", columnsFlag("elapsed=N")))
		}
		r.unit = f.elapsedUnit(c)
		return take(timeElapsed, c, -1, wording.Said("Time: elapsed, %s.", f.column(c)))
	}

	if r.date >= 0 && r.stamp < 0 {
		if f.shape(r.date) == shapeStamp {
			return take(timeStamp, r.date, -1, wording.Said("Time: %s, date and time, as given.", f.column(r.date)))
		}
		cands := f.shaped(shapeClock, f.withRole(roleTime))
		if len(cands) != 1 {
			return f.fail(ErrAmbiguous, wording.Said("time"), wording.Said("a column of the time of day beside the date"), wording.Said("%d of them", len(cands)), wording.Said("name it%s", columnsFlag("time=N")))
		}
		return take(timePair, cands[0], r.date, wording.Said("Time: %s and %s.", f.column(r.date), f.column(cands[0])))
	}
	if r.stamp >= 0 {
		switch s := f.shape(r.stamp); {
		case r.date >= 0:
			return take(timePair, r.stamp, r.date, wording.Said("Time: %s and %s, as given.", f.column(r.date), f.column(r.stamp)))
		case s == shapeStamp:
			return take(timeStamp, r.stamp, -1, wording.Said("Time: %s, as given.", f.column(r.stamp)))
		case s == shapeClock:
			dates := f.shaped(shapeDate, f.withRole(roleDate))
			if len(dates) == 1 {
				return take(timePair, r.stamp, dates[0], wording.Said("Time: %s and %s.", f.column(dates[0]), f.column(r.stamp)))
			}
			return take(timeOfDay, r.stamp, -1, wording.Said("Time: %s, time of day, as given.", f.column(r.stamp)))
		case s == shapeNumber && f.countOf(r.stamp) != "":
			r.count = f.countOf(r.stamp)
			return take(timeCount, r.stamp, -1, wording.Said("Time: %s, as given, %s.", f.column(r.stamp), r.count.words()))
		case s == shapeNumber:
			return f.fail(ErrAmbiguous, wording.Said("time"), wording.Said("a date and time or a time of day"), wording.Said("numbers in %s", f.column(r.stamp)), wording.Said("if they count seconds from the start say so%s", columnsFlag("elapsed=%d", r.stamp+1)))
		default:
			return f.fail(ErrFormat, wording.Said("time"), wording.Said("a date and time such as 2026-03-01 22:14:00, or a time of day"), wording.Said("%s with other content", f.column(r.stamp)), wording.Said("name the column of time%s", columnsFlag("time=N")))
		}
	}

	cands := append(f.withRole(roleTime), f.withRole(roleDate)...)
	if len(cands) == 0 {
		for c := 0; c < f.width; c++ {
			if !f.taken[c] && (f.header == nil || headerRole(f.header[c]) == roleUnknown) {
				cands = append(cands, c)
			}
		}
	}
	stamps, dates, clocks := f.shaped(shapeStamp, cands), f.shaped(shapeDate, cands), f.shaped(shapeClock, cands)
	if len(stamps) == 1 && len(clocks) == 1 && f.allMidnight(stamps[0]) {
		dates, stamps = stamps, nil
	}
	switch {
	case len(stamps) > 1:
		return f.whichTime(stamps)
	case len(stamps) == 1:
		return take(timeStamp, stamps[0], -1, wording.Said("Time: %s, date and time.", f.column(stamps[0])))
	case len(clocks) > 1:
		return f.whichTime(clocks)
	case len(dates) > 1:
		return f.fail(ErrAmbiguous, wording.Said("date"), wording.Said("one column of dates"), f.list(dates), wording.Said("say which one%s", columnsFlag("date=%d or date=%d", dates[0]+1, dates[1]+1)))
	case len(dates) == 1 && len(clocks) == 1:
		return take(timePair, clocks[0], dates[0], wording.Said("Time: %s and %s.", f.column(dates[0]), f.column(clocks[0])))
	case len(clocks) == 1:
		return take(timeOfDay, clocks[0], -1, wording.Said("Time: %s, time of day.", f.column(clocks[0])))
	}
	elapsed := f.withRole(roleElapsed)
	counts := slices.DeleteFunc(append(slices.Clone(cands), elapsed...), func(c int) bool { return f.taken[c] || f.countOf(c) == "" })
	switch {
	case len(counts) > 1:
		return f.whichTime(counts)
	case len(counts) == 1:
		r.count = f.countOf(counts[0])
		return take(timeCount, counts[0], -1, wording.Said("Time: %s, %s.", f.column(counts[0]), r.count.words()))
	}
	if len(elapsed) > 1 {
		return f.fail(ErrAmbiguous, wording.Said("time"), wording.Said("one column of elapsed time"), f.list(elapsed), wording.Said("say which one%s", columnsFlag("elapsed=%d or elapsed=%d", elapsed[0]+1, elapsed[1]+1)))
	}
	if len(elapsed) == 1 {
		switch f.shape(elapsed[0]) {
		case shapeStamp: // "Time in s" over full stamps is no elapsed time
			return take(timeStamp, elapsed[0], -1, wording.Said("Time: %s, date and time.", f.column(elapsed[0])))
		case shapeNumber, shapeClock, shapeBlank:
			r.unit = f.elapsedUnit(elapsed[0])
			return take(timeElapsed, elapsed[0], -1, wording.Said("Time: elapsed, %s.", f.column(elapsed[0])))
		}
	}
	if len(dates) == 1 {
		return f.fail(ErrAmbiguous, wording.Said("time"), wording.Said("a time of day beside the date"), wording.Said("none"), wording.Said("name its column%s", columnsFlag("time=N")))
	}
	if f.header != nil {
		if timed := append(f.withRole(roleTime), elapsed...); len(timed) > 0 {
			found := wording.Said("other content in %s", f.list(timed))
			if f.shape(timed[0]) == shapeNumber {
				return f.fail(ErrAmbiguous, wording.Said("time"), wording.Said("a date and time or a time of day"), wording.Said("numbers in %s", f.list(timed)), wording.Said("if they count seconds from the start say so%s", columnsFlag("elapsed=%d", timed[0]+1)))
			}
			return f.fail(ErrFormat, wording.Said("time"), wording.Said("a date and time such as 2026-03-01 22:14:00, or a time of day"), found, wording.Said("name the column of time%s", columnsFlag("time=N")))
		}
	}
	if f.opt.IntervalMS <= 0 {
		return f.fail(ErrAmbiguous, wording.Said("time"), wording.Said("a column of time, or the step between rows"), wording.Said("neither"), wording.Said("name the column, or give the step in seconds%s", wording.Typed(": --columns time=N, or --interval SECONDS")))
	}
	if f.header == nil && f.width > 1 && f.cols.SpO2 == "" {
		return f.fail(ErrAmbiguous, wording.Said("saturation"), wording.Said("a header, or one column"), wording.Said("%d columns and neither header nor time", f.width), wording.Said("name the column%s", columnsFlag("spo2=N")))
	}
	f.layout = append(f.layout, wording.Said("Time: none in the file; rows are %d ms apart, as given.", f.opt.IntervalMS))
	return nil
}

func (f *finder) whichTime(cands []int) error {
	return f.fail(ErrAmbiguous, wording.Said("time"), wording.Said("one column of time"), f.list(cands), wording.Said("say which one%s", columnsFlag("time=%d or time=%d", cands[0]+1, cands[1]+1)))
}

// shaped lists those of cands whose cells have shape s.
func (f *finder) shaped(s shape, cands []int) []int {
	var out []int
	for _, c := range cands {
		if !f.taken[c] && f.shape(c) == s {
			out = append(out, c)
		}
	}
	return out
}

// allMidnight tells whether a column of stamps is a column of dates that a
// spreadsheet printed with a time of zero.
func (f *finder) allMidnight(c int) bool {
	for _, r := range f.rows {
		if c >= len(r) {
			continue
		}
		_, rest, ok := parseDate(trimCell(r[c]))
		if clock, why := parseClock(trimStampGap(rest)); !ok || why.Format != "" || clock.ns != 0 {
			return false
		}
	}
	return true
}

// findMarker finds AM and PM in a column of their own.
func (f *finder) findMarker(r *roles) error {
	cands := f.withRole(roleMarker)
	if f.header == nil {
		for c := 0; c < f.width; c++ {
			if !f.taken[c] && f.shape(c) == shapeMarker {
				cands = append(cands, c)
			}
		}
	}
	if len(cands) > 1 {
		return f.fail(ErrAmbiguous, wording.Said("time"), wording.Said("one column of AM and PM"), f.list(cands), wording.Said("remove the other one"))
	}
	if len(cands) == 1 {
		r.marker = cands[0]
		f.taken[cands[0]] = true
	}
	return nil
}

// elapsedUnit is the unit of an elapsed column: what its header says, else
// seconds.
func (f *finder) elapsedUnit(c int) int64 {
	if f.header != nil {
		if u := timeUnit(headerWords(f.header[c])); u != 0 {
			return u
		}
	}
	return 1e9
}

// words says what a count counts.
func (k countKind) words() wording.Text {
	switch k {
	case countEpoch:
		return wording.Said("seconds since 1970-01-01 UTC")
	case countEpochMS:
		return wording.Said("milliseconds since 1970-01-01 UTC")
	}
	return wording.Said("days since 1899-12-30, as spreadsheets count")
}

// countOf tells what the numbers of column c count, "" if they are no count of
// a date and time. The ranges leave no other reading: 1e9 s are more than 30
// years, and numbers that grow by less than 0.01 with every row are far too
// close together for seconds.
func (f *finder) countOf(c int) countKind {
	within := func(lo, hi int64) bool {
		n := 0
		for _, r := range f.rows {
			if c >= len(r) || trimCell(r[c]) == "" {
				continue
			}
			v, _, _, ok := splitNumber(trimCell(r[c]))
			if !ok || v < lo || v >= hi {
				return false
			}
			n++
		}
		return n > 0
	}
	switch {
	case f.cols.Stamps != "":
		if f.shape(c) == shapeNumber {
			return countKind(f.cols.Stamps)
		}
		return ""
	case within(1e9, 42e8):
		return countEpoch
	case within(1e12, 42e11):
		return countEpochMS
	case !within(36526, 73051): // the years 2000 to 2099
		return ""
	}
	var last int64
	near, known, fine := 0, false, false
	steps := 0
	for _, r := range f.rows {
		if c >= len(r) {
			continue
		}
		ns, decimals, ok := parseCount(trimCell(r[c]), countSerial)
		if !ok {
			continue
		}
		fine = fine || decimals >= 4
		if known {
			steps++
			if abs(ns-last) < 864e9 {
				near++
			}
		}
		last, known = ns, true
	}
	if fine && 2*near >= steps {
		return countSerial
	}
	return ""
}
