package recording

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"airwarrant/rules/wording"
)

// clock is a time of day as a cell prints it.
type clock struct {
	ns     int64 // since midnight
	off    int32 // seconds east of UTC, if hasOff
	hasOff bool
	hasSec bool
	marked bool // AM or PM
	cut    bool // digits beyond the nanosecond were dropped
}

const dayNS = 24 * 3600 * int64(1e9)

// digits reads up to max digits of s from i.
func digits(s string, i, max int) (v, next int) {
	for next = i; next < len(s) && next-i < max && s[next] >= '0' && s[next] <= '9'; next++ {
		v = v*10 + int(s[next]-'0')
	}
	return v, next
}

// noClock is what parseClock says of a text that has not the form of a time
// of day at all.
var noClock = wording.Said("no time of day such as 22:14:00")

// parseClock reads h:mm, h:mm:ss, h:mm:ss.f or h.mm.ss with AM or PM and an
// offset behind it if there are any. why is empty or says what is wrong.
func parseClock(s string) (c clock, why wording.Text) {
	h, i := digits(s, 0, 2)
	if i == 0 || i >= len(s) || s[i] != ':' && s[i] != '.' {
		return c, noClock
	}
	sep := s[i]
	m, j := digits(s, i+1, 2)
	if j != i+3 {
		return c, noClock
	}
	i = j
	sec := 0
	if sep == '.' && (i >= len(s) || s[i] != '.') { // 22.14 is a number
		return c, noClock
	}
	if i < len(s) && s[i] == sep {
		if sec, j = digits(s, i+1, 2); j != i+3 {
			return c, noClock
		}
		c.hasSec = true
		i = j
		if i < len(s) && (s[i] == '.' || s[i] == ',') {
			f, j := digits(s, i+1, 9)
			if j == i+1 {
				return c, noClock
			}
			for n := j - i - 1; n < 9; n++ {
				f *= 10
			}
			for i = j; i < len(s) && s[i] >= '0' && s[i] <= '9'; i++ {
				c.cut = c.cut || s[i] != '0'
			}
			c.ns = int64(f)
		}
	}
	rest := strings.TrimLeft(s[i:], " \u00a0\u202f")
	if rest != "" {
		if pm, tail, ok := cutMarker(rest); ok {
			if h == 0 || h > 12 {
				return c, wording.Said("the hour of a 12 h clock outside 1 to 12")
			}
			h %= 12
			if pm {
				h += 12
			}
			c.marked = true
			rest = strings.TrimLeft(tail, " ")
		}
	}
	if rest != "" {
		var ok bool
		if c.off, ok = parseOffset(rest); !ok {
			return c, noClock
		}
		c.hasOff = true
	}
	if h > 23 || m > 59 || sec > 59 {
		return c, wording.Said("a time of day that no clock shows")
	}
	c.ns += int64(h*3600+m*60+sec) * 1e9
	return c, wording.Text{}
}

// markers are the signs of a 12 h clock, longest first where one begins
// another: English and Spanish after the Unicode CLDR tables, from memory; the
// German and French words and the single letters are common practice, no
// source.
var markers = []struct {
	text string
	pm   bool
}{
	{"a. m.", false}, {"p. m.", true}, {"a.m.", false}, {"p.m.", true}, {"a m", false}, {"p m", true},
	{"am", false}, {"pm", true}, {"a.", false}, {"p.", true}, {"a", false}, {"p", true},
	{"vormittags", false}, {"nachmittags", true}, {"vorm.", false}, {"nachm.", true}, {"vorm", false}, {"nachm", true},
	{"du matin", false}, {"de l'après-midi", true}, {"matin", false}, {"après-midi", true},
	{"de la mañana", false}, {"de la tarde", true}, {"mañana", false}, {"tarde", true},
}

// cutMarker cuts the sign of a 12 h clock, in any case, off the front of s.
func cutMarker(s string) (pm bool, rest string, ok bool) {
	s = plainBlanks(s)
	for _, m := range markers {
		n := len(m.text)
		if len(s) < n || !strings.EqualFold(s[:n], m.text) {
			continue
		}
		if rest = s[n:]; rest == "" || rest[0] == ' ' || rest[0] == '+' || rest[0] == '-' {
			return m.pm, rest, true
		}
	}
	return false, s, false
}

var blanks = strings.NewReplacer("\u00a0", " ", "\u202f", " ", "\u2009", " ", "’", "'")

// plainBlanks turns no-break and thin blanks into plain ones and curved
// apostrophes into straight ones.
func plainBlanks(s string) string {
	for i := 0; i < len(s); i++ {
		if s[i] >= utf8.RuneSelf {
			return blanks.Replace(s)
		}
	}
	return s
}

// parseOffset reads Z, UTC, GMT, +hh, +hhmm or +hh:mm.
func parseOffset(s string) (int32, bool) {
	switch s {
	case "Z", "z", "UTC", "GMT":
		return 0, true
	}
	if s[0] != '+' && s[0] != '-' {
		return 0, false
	}
	h, i := digits(s, 1, 2)
	if i != 3 {
		return 0, false
	}
	m := 0
	if i < len(s) {
		if s[i] == ':' {
			i++
		}
		var j int
		if m, j = digits(s, i, 2); j != i+2 || j != len(s) {
			return 0, false
		}
	}
	if h > 15 || m > 59 {
		return 0, false
	}
	off := int32(h*3600 + m*60)
	if s[0] == '-' {
		off = -off
	}
	return off, true
}

// parseElapsedClock reads h:mm:ss with any number of hours, in nanoseconds.
func parseElapsedClock(s string) (int64, bool) {
	h, rest, ok := strings.Cut(s, ":")
	n, i := digits(h, 0, 6)
	if !ok || i == 0 || i != len(h) {
		return 0, false
	}
	c, why := parseClock("0:" + rest)
	if why.Format != "" || !c.hasSec || c.hasOff || c.marked {
		return 0, false
	}
	return int64(n)*3600e9 + c.ns, true
}

// dateText is a date as a cell prints it: three parts, or, with named, a
// year, month and day that need no order.
type dateText struct {
	part  [3]int
	len   [3]int
	fixed bool // part is year, month, day
	short bool // fixed, with a year of two digits
}

// plausible tells whether d can be meant as a date: it has a year of four
// digits, or some reading of it is a date.
func (d dateText) plausible() bool {
	if d.len[0] == 4 || d.len[2] == 4 {
		return true
	}
	for _, o := range d.orders() {
		if _, ok := d.days(o); ok {
			return true
		}
	}
	return false
}

// orders lists the orders in which d can be read at all.
func (d dateText) orders() []string {
	switch {
	case d.fixed:
		return []string{"ymd"}
	case d.len[2] == 4:
		return []string{"dmy", "mdy"}
	}
	return []string{"dmy", "mdy", "ymd"}
}

// days returns the day number of d since 1970-01-01 when it is read in order.
func (d dateText) days(order string) (int64, bool) {
	y, m, day := d.part[0], d.part[1], d.part[2]
	short := d.len[0] <= 2
	if d.fixed {
		short = d.short
	} else {
		if !slices.Contains(d.orders(), order) {
			return 0, false
		}
		switch order {
		case "dmy":
			day, m, y = d.part[0], d.part[1], d.part[2]
			short = d.len[2] <= 2
		case "mdy":
			m, day, y = d.part[0], d.part[1], d.part[2]
			short = d.len[2] <= 2
		}
	}
	if short {
		y += 1900
		if y < 1970 {
			y += 100
		}
	}
	if y < 1900 || y > 2199 || m < 1 || m > 12 || day < 1 || day > 31 {
		return 0, false
	}
	t := time.Date(y, time.Month(m), day, 0, 0, 0, 0, time.UTC)
	if t.Day() != day {
		return 0, false
	}
	return t.Unix() / 86400, true
}

// monthNames lists the beginnings by which month names in English, German,
// French and Spanish are known; each is longest first where one begins another.
var monthNames = [12][]string{
	{"jan", "jän", "ene"}, {"feb", "fév", "fev"}, {"mar", "mär", "mrz"}, {"apr", "avr", "abr"},
	{"may", "mai"}, {"jun", "juin"}, {"jul", "juil"}, {"aug", "aoû", "aou", "ago"},
	{"sep"}, {"oct", "okt"}, {"nov"}, {"dec", "dez", "déc", "dic"},
}

func monthNumber(word string) int {
	word = strings.ToLower(word)
	for i, names := range monthNames {
		for _, n := range names {
			if strings.HasPrefix(word, n) {
				return i + 1
			}
		}
	}
	return 0
}

// letters reads a word of letters from the front of s.
func letters(s string) (word, rest string) {
	i := strings.IndexFunc(s, func(r rune) bool { return !unicode.IsLetter(r) })
	if i < 0 {
		return s, ""
	}
	return s[:i], s[i:]
}

// parseDate reads a date off the front of s. Read are numbers divided by one
// of / - . throughout, eight digits year first, and dates with a named month,
// with a weekday before them or not.
func parseDate(s string) (d dateText, rest string, ok bool) {
	if s == "" {
		return d, s, false
	}
	if s[0] > '9' {
		word, tail := letters(s)
		if word == "" {
			return d, s, false
		}
		if m := monthNumber(word); m != 0 {
			return monthFirst(m, tail)
		}
		tail = strings.TrimLeft(tail, "., ")
		if tail == "" || len(word) > 12 || len(tail) == len(s)-len(word) {
			return d, s, false
		}
		if tail[0] > '9' {
			word, tail = letters(tail)
			if m := monthNumber(word); m != 0 {
				return monthFirst(m, tail)
			}
			return d, s, false
		}
		if !isWeekday(word) {
			return d, s, false
		}
		s = tail
	}
	a, i := digits(s, 0, 8)
	if i == 0 || i >= len(s) {
		if i == 8 {
			return dateText{part: [3]int{a / 10000, a / 100 % 100, a % 100}, len: [3]int{4, 2, 2}, fixed: true}, "", true
		}
		return d, s, false
	}
	if i == 8 {
		if s[8] >= '0' && s[8] <= '9' {
			return d, s, false
		}
		return dateText{part: [3]int{a / 10000, a / 100 % 100, a % 100}, len: [3]int{4, 2, 2}, fixed: true}, s[8:], true
	}
	sep := s[i]
	if sep != '/' && sep != '-' && sep != '.' && sep != ' ' {
		return d, s, false
	}
	if tail := strings.TrimLeft(s[i:], ".- /"); tail != "" && tail[0] > '9' {
		word, after := letters(tail)
		m := monthNumber(word)
		if m == 0 {
			return d, s, false
		}
		after = strings.TrimLeft(after, ".-, /")
		c, j := digits(after, 0, 4)
		if j != 2 && j != 4 && !(i == 4 && j == 1) {
			return d, s, false
		}
		d = dateText{part: [3]int{c, m, a}, fixed: true, short: j == 2}
		if i == 4 {
			d.part[0], d.part[2], d.short = a, c, false
		}
		return d, after[j:], i <= 2 || i == 4 && j <= 2
	}
	b, j := digits(s, i+1, 2)
	if sep == ' ' || j == i+1 || j >= len(s) || s[j] != sep {
		return d, s, false
	}
	c, k := digits(s, j+1, 4)
	if k == j+1 || k-j-1 == 3 || k < len(s) && s[k] >= '0' && s[k] <= '9' {
		return d, s, false
	}
	d = dateText{part: [3]int{a, b, c}, len: [3]int{i, j - i - 1, k - j - 1}}
	switch {
	case i == 4 && k-j-1 <= 2:
		d.fixed = true
	case i > 2:
		return d, s, false
	}
	return d, s[k:], true
}

// monthFirst reads "3, 2026" after a month.
func monthFirst(m int, s string) (d dateText, rest string, ok bool) {
	s = strings.TrimLeft(s, ".- /")
	day, i := digits(s, 0, 2)
	tail := strings.TrimLeft(s[i:], "-,. /")
	year, j := digits(tail, 0, 4)
	if i == 0 || len(tail) == len(s)-i || j != 2 && j != 4 {
		return d, s, false
	}
	return dateText{part: [3]int{year, m, day}, fixed: true, short: j == 2}, tail[j:], true
}

// isWeekday knows weekdays in the four languages by their first letters.
func isWeekday(word string) bool {
	word = strings.ToLower(word)
	for _, p := range [...]string{"mo", "tu", "we", "th", "fr", "sa", "su", "di", "mi", "do", "so", "lu", "ma", "me", "je", "ve", "sá", "vi", "ju", "mié"} {
		if strings.HasPrefix(word, p) {
			return true
		}
	}
	return false
}

// trimStampGap drops what stands between a date and a time: blanks, a comma,
// or the T of ISO 8601.
func trimStampGap(s string) string {
	if len(s) > 1 && (s[0] == 'T' || s[0] == 't') {
		return s[1:]
	}
	return strings.TrimLeft(s, ", \u00a0\u202f")
}

// cutTimeFirst splits a stamp that prints the time before the date.
func cutTimeFirst(s string) (clockPart, datePart string, ok bool) {
	if i := strings.IndexByte(s, ':'); i < 1 || i > 2 {
		return "", "", false
	}
	for i := 0; i < len(s); i++ {
		if s[i] != ' ' {
			continue
		}
		if _, why := parseClock(s[:i]); why.Format != "" {
			return "", "", false
		}
		tail := s[i+1:]
		if _, after, ok := cutMarker(tail); ok {
			i = len(s) - len(after)
			tail = strings.TrimLeft(after, " ")
		}
		if d, rest, ok := parseDate(tail); ok && rest == "" && d.plausible() {
			return s[:i], tail, true
		}
		return "", "", false
	}
	return "", "", false
}

// dateBook holds the distinct dates of a table, so that their order is
// settled once for all rows.
type dateBook struct {
	texts []dateText
	lines []int
	seen  map[string]int32
	last  string
	at    int32
	order string // as settled, "" where no date needs one
}

// take reads a date off the front of s and returns its number in the book.
func (b *dateBook) take(s string, line int) (at int32, rest string, ok bool) {
	if n := len(b.last); n > 0 && len(s) >= n && s[:n] == b.last && (len(s) == n || s[n] == ' ' || s[n] == 'T') {
		return b.at, s[n:], true
	}
	d, rest, ok := parseDate(s)
	if !ok {
		return 0, s, false
	}
	key := s[:len(s)-len(rest)]
	at, known := b.seen[key]
	if !known {
		if b.seen == nil {
			b.seen = map[string]int32{}
		}
		key = strings.Clone(key)
		at = int32(len(b.texts))
		b.seen[key] = at
		b.texts = append(b.texts, d)
		b.lines = append(b.lines, line)
	}
	b.last, b.at = strings.Clone(key), at
	return at, rest, true
}

var orderWords = map[string]wording.Text{"dmy": wording.Said("day, month, year"), "mdy": wording.Said("month, day, year"), "ymd": wording.Said("year, month, day")}

// crossing is a place where one row late in the evening is followed by one
// early in the morning under another date.
type crossing struct{ from, to int32 }

// settle finds the day number of every date in the book. It decides by
// evidence alone: what the caller or the header says, a part above 12, or a
// midnight between two rows that only one order makes consecutive days.
func (b *dateBook) settle(given, header string, crossings []crossing, out *faults) (days []int64, layout wording.Text, short bool, err error) {
	open := false
	cands := []string{"dmy", "mdy", "ymd"}
	for _, d := range b.texts {
		if !d.fixed {
			open = true
			cands = slices.DeleteFunc(cands, func(o string) bool { return !slices.Contains(d.orders(), o) })
		}
	}
	why := wording.Said("nothing else fits")
	switch {
	case !open:
		cands, why = []string{"ymd"}, wording.Said("year or month are plain")
	case given != "":
		cands, why = []string{given}, wording.Said("as given")
	case header != "":
		cands, why = []string{header}, wording.Said("as its header says")
	}
	read := func(order string) ([]int64, int) {
		days := make([]int64, len(b.texts))
		bad := 0
		for i, d := range b.texts {
			var ok bool
			if days[i], ok = d.days(order); !ok {
				bad++
			}
		}
		return days, bad
	}
	var fit []string
	var fitDays [][]int64
	best, least := "", math.MaxInt
	for _, o := range cands {
		days, bad := read(o)
		if bad == 0 {
			fit = append(fit, o)
			fitDays = append(fitDays, days)
		}
		if bad < least {
			best, least = o, bad
		}
	}
	if len(fit) == 0 {
		for i, d := range b.texts {
			if _, ok := d.days(best); !ok {
				out.add(&FormatError{Format: FormatText, Line: b.lines[i], Offset: -1, Field: wording.Said("date"), Err: ErrFormat,
					Expected: wording.Said("a date in the order %s between 1900 and 2199", orderWords[best]), Found: wording.Verbatim(d.String()), Mend: wording.Said("correct the row at its source, or give the order of day, month and year%s", columnsFlag("order="))})
			}
		}
		return nil, layout, false, nil
	}
	if len(fit) > 1 {
		var sure []int
		for k := range fit {
			if slices.ContainsFunc(crossings, func(c crossing) bool { return fitDays[k][c.to] == fitDays[k][c.from]+1 }) {
				sure = append(sure, k)
			}
		}
		same := true
		for k := range fit {
			same = same && slices.Equal(fitDays[0], fitDays[k])
		}
		switch {
		case same:
			why = wording.Said("day and month are equal")
			sure = []int{0}
		case len(sure) == 1:
			why = wording.Said("only so are the days before and after midnight consecutive")
		default:
			i := slices.IndexFunc(b.texts, func(d dateText) bool { return !d.fixed })
			return nil, layout, false, &FormatError{Format: FormatText, Line: b.lines[i], Offset: -1, Field: wording.Said("date"), Err: ErrAmbiguous,
				Expected: wording.Said("dates that can be read in one way"),
				Found:    wording.Said("%s, which is %s", b.texts[i].String(), b.texts[i].readings(fit)),
				Mend:     wording.Said("give the order of day, month and year%s", columnsFlag("order=%s", strings.Join(fit, " or order=")))}
		}
		fit, fitDays = []string{fit[sure[0]]}, [][]int64{fitDays[sure[0]]}
	}
	if open {
		b.order = fit[0]
	}
	for _, d := range b.texts {
		short = short || d.short || !d.fixed && d.len[2] <= 2
	}
	layout = wording.Said("Dates: %s (%s).", orderWords[fit[0]], why)
	if !open {
		layout = wording.Said("Dates: %s.", why)
	}
	return fitDays[0], layout, short, nil
}

// String prints the parts of d as they stand, divided by /.
func (d dateText) String() string {
	if d.fixed {
		return fmt.Sprintf("year %d, month %d, day %d", d.part[0], d.part[1], d.part[2])
	}
	return fmt.Sprintf("%0*d/%0*d/%0*d", d.len[0], d.part[0], d.len[1], d.part[1], d.len[2], d.part[2])
}

// readings lists the dates that d can be.
func (d dateText) readings(orders []string) wording.Text {
	var out wording.Text
	for i, o := range orders {
		days, _ := d.days(o)
		at := time.Unix(days*86400, 0).UTC()
		day := wording.Text{Format: dayOfMonth[at.Month()-1].Format, Args: []any{at.Day(), at.Year()}}
		if i > 0 {
			day = wording.Said("%s or %s", out, day)
		}
		out = day
	}
	return out
}

// dayOfMonth says days, by month.
var dayOfMonth = [...]wording.Text{
	wording.Said("%d January %d"), wording.Said("%d February %d"), wording.Said("%d March %d"), wording.Said("%d April %d"), wording.Said("%d May %d"), wording.Said("%d June %d"),
	wording.Said("%d July %d"), wording.Said("%d August %d"), wording.Said("%d September %d"), wording.Said("%d October %d"), wording.Said("%d November %d"), wording.Said("%d December %d"),
}

// zonePeriod is a stretch of time in which a zone keeps one offset.
type zonePeriod struct{ start, end, off int64 } // Unix seconds, end exclusive

// zonePeriods lists the periods of loc from one instant to another, in Unix
// seconds.
func zonePeriods(loc *time.Location, from, to int64) []zonePeriod {
	var out []zonePeriod
	for at := from; ; {
		t := time.Unix(at, 0).In(loc)
		_, off := t.Zone()
		end := int64(math.MaxInt64)
		if _, e := t.ZoneBounds(); !e.IsZero() {
			// On the last day of a leap year beyond the table of a zone the
			// library gives an end that is not later than t: look again a
			// day on.
			if end = e.Unix(); end <= at {
				end = at + 86400
			}
		}
		if n := len(out); n > 0 && out[n-1].off == int64(off) {
			out[n-1].end = end
		} else {
			out = append(out, zonePeriod{start: at, end: end, off: int64(off)})
		}
		if end > to {
			return out
		}
		at = end
	}
}

// wallOffsets returns the offsets at which a wall clock in the zone shows
// wall: none in an hour that the zone skips, two in one that it repeats, the
// earlier instant first.
func wallOffsets(periods []zonePeriod, wall int64) (offs [2]int64, n int) {
	i := sort.Search(len(periods), func(i int) bool { return periods[i].end > wall-15*3600 })
	for ; i < len(periods) && n < 2; i++ {
		p := periods[i]
		at := wall - p.off
		if at < p.start {
			if p.start > wall+15*3600 {
				break
			}
			continue
		}
		if at < p.end {
			offs[n] = p.off
			n++
		}
	}
	return offs, n
}

// placeStamps turns wall seconds into offsets east of UTC. own[i] says that
// row i carries its offset already. Where the zone repeats an hour the instant
// nearest to the row before is taken, the later one on a tie; a file that
// begins in such an hour is read so that its first rows join those that leave
// it. repeated counts the rows so read. A wall time that the zone skips is a
// fault.
func placeStamps(loc *time.Location, wall []int64, off []int32, own func(int) bool, fault func(int)) (repeated int) {
	if len(wall) == 0 {
		return 0
	}
	periods := zonePeriods(loc, slices.Min(wall)-2*86400, slices.Max(wall)+2*86400)
	var last int64
	known := false
	lastWall, lastOffs, lastN := int64(math.MinInt64), [2]int64{}, 0
	for i, w := range wall {
		if own(i) {
			last, known = w-int64(off[i]), true
			continue
		}
		if w != lastWall {
			lastWall = w
			lastOffs, lastN = wallOffsets(periods, w)
		}
		o := lastOffs[0]
		switch lastN {
		case 0:
			fault(i)
			continue
		case 2:
			repeated++
			if known {
				early, late := w-lastOffs[0]-last, w-lastOffs[1]-last
				if abs(late) <= abs(early) {
					o = lastOffs[1]
				}
			} else if leavesForward(periods, wall[i:]) {
				o = lastOffs[1]
			}
		}
		off[i] = int32(o)
		last, known = w-o, true
	}
	return repeated
}

// leavesForward tells, for a file that begins in a repeated hour, whether the
// wall clock runs on out of it without falling: then the rows lie in the
// second passing of that hour.
func leavesForward(periods []zonePeriod, wall []int64) bool {
	for i := 1; i < len(wall); i++ {
		if wall[i] < wall[i-1] {
			return false
		}
		if _, n := wallOffsets(periods, wall[i]); n == 1 {
			return true
		}
	}
	return false
}

func abs(v int64) int64 {
	if v < 0 {
		return -v
	}
	return v
}

// placeInZone turns a recording that counts from one wall-clock start, as EDF
// does, into instants: its samples are that far from the start whatever the
// wall clock did later.
func placeInZone(rec *Recording, loc *time.Location) error {
	if rec.Clock != ClockWall || len(rec.Time) == 0 {
		rec.Warnings = append(rec.Warnings, warning(WarnZoneNotUsed, "A zone was given and not used: the recording has no wall-clock start."))
		return nil
	}
	start := floorDiv(rec.Time[0], rec.PerSecond)
	offs, n := wallOffsets(zonePeriods(loc, start-2*86400, start+2*86400), start)
	if n == 0 {
		return &FormatError{Format: rec.Format, Offset: -1, Field: wording.Said("start time"), Err: ErrFormat,
			Expected: wording.Said("a start that exists in %s", loc.String()), Found: wording.Said("%s, which that zone skips", time.Unix(start, 0).UTC().Format("2006-01-02 15:04:05")),
			Mend: wording.Said("correct the zone, or leave it out")}
	}
	if n == 2 {
		rec.Warnings = append(rec.Warnings, warning(WarnRepeatedHour, "The recording starts in an hour that the zone repeats; the first passing is taken."))
	}
	for i := range rec.Time {
		rec.Time[i] -= offs[0] * rec.PerSecond
	}
	for i := range rec.Annotations {
		rec.Annotations[i].At -= offs[0] * rec.PerSecond
	}
	rec.Clock = ClockInstant
	first := floorDiv(slices.Min(rec.Time), rec.PerSecond)
	last := floorDiv(slices.Max(rec.Time), rec.PerSecond)
	periods := zonePeriods(loc, first, last)
	k := 0
	for i, t := range rec.Time {
		s := floorDiv(t, rec.PerSecond)
		for k > 0 && s < periods[k].start {
			k--
		}
		for k+1 < len(periods) && s >= periods[k].end {
			k++
		}
		rec.noteOffset(i, int(periods[k].off))
	}
	return nil
}

// noteOffset records that sample i stands off seconds east of UTC.
func (r *Recording) noteOffset(i, off int) {
	if n := len(r.Offsets); n == 0 || r.Offsets[n-1].Seconds != off {
		r.Offsets = append(r.Offsets, OffsetChange{From: i, Seconds: off})
	}
}

// shorten cuts s to at most n characters.
func shorten(s string, n int) string {
	if utf8.RuneCountInString(s) <= n {
		return s
	}
	return string([]rune(s)[:n-1]) + "…"
}
