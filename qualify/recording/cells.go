package recording

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"airwarrant/rules/wording"
)

// number is a column of decimal numbers: mantissa and count of decimals, or
// NoReading, with the codes and misfits met.
type number struct {
	name  string
	mant  []int32
	dec   []uint8
	max   uint8 // most decimals
	codes map[string]int
	odd   int // numbers that cannot be of this column
	fit   int // numbers that can
	above bool
}

// number reads a cell of a saturation (sat) or pulse column.
func (t *textReader) number(n *number, s string, sat bool, line, col int) (mant int32, dec uint8, token string, fault *FormatError) {
	own := t.cols.NoPulse
	if sat {
		own = t.cols.NoSpO2
	}
	if t.cols.NoReading != nil || own != nil {
		if low := strings.ToLower(s); t.cols.NoReading[low] || own[low] {
			return NoReading, 0, s, nil
		}
	}
	v, d, mark, ok := parseDecimal(stripPercent(s))
	if !ok {
		if noReadingWord(s) {
			return NoReading, 0, s, nil
		}
		what := wording.Said("a saturation in percent")
		if !sat {
			what = wording.Said("a pulse in beats per minute")
		}
		return 0, 0, "", t.fault(line, col, wording.Said("%s or a no-reading code", what), excerpt(s), wording.Said("correct the row at its source, or name the code%s", columnsFlag("none=CODE")))
	}
	if mark == ',' && (t.table.delim == ',' && t.cols.Decimal != ',') || mark != 0 && t.cols.Decimal != 0 && mark != t.cols.Decimal {
		return 0, 0, "", t.fault(line, col, wording.Said("a decimal point"), excerpt(s), wording.Said("if the comma is the decimal mark say so%s", columnsFlag("decimal=,")))
	}
	if mark != 0 {
		if t.mark != 0 && mark != t.mark {
			return 0, 0, "", t.fault(line, col, wording.Said("one decimal mark in the whole file"), excerpt(s), wording.Said("correct the row at its source"))
		}
		t.mark = mark
	}
	for d > maxDecimals && v%10 == 0 {
		v /= 10
		d--
	}
	if d > maxDecimals {
		return 0, 0, "", t.fault(line, col, wording.Said("at most %d decimals", maxDecimals), excerpt(s), wording.Said("round at the source"))
	}
	if noReadingNumber(v, d, sat) {
		return NoReading, 0, s, nil
	}
	top := int64(maxPulse)
	if sat {
		top = 100
		if t.cols.Unit == "fraction" {
			top = 1
		}
	}
	if v < 0 || v > top*pow10(d) {
		return NoReading, 0, "\x00" + s, nil
	}
	if v > pow10(d) {
		n.above = true
	}
	return int32(v), uint8(d), "", nil
}

// keep stores one value. token is the code that stood for no reading; one
// that begins with a zero byte is a number that cannot be of this column.
func (n *number) keep(mant int32, dec uint8, token string) {
	n.mant = append(n.mant, mant)
	n.dec = append(n.dec, dec)
	if mant != NoReading {
		n.fit++
		n.max = max(n.max, dec)
		return
	}
	if tok, odd := strings.CutPrefix(token, "\x00"); odd {
		n.odd++
		token = tok
	}
	if _, known := n.codes[token]; !known && len(n.codes) >= maxBadTokens {
		token = "other"
	}
	n.codes[token]++
}

func pow10(d int) int64 {
	p := int64(1)
	for ; d > 0; d-- {
		p *= 10
	}
	return p
}

// codesInto returns the values as codes with n.max decimals.
func (n *number) codesInto() []int32 {
	for i, m := range n.mant {
		if m != NoReading && n.dec[i] < n.max {
			n.mant[i] = m * int32(pow10(int(n.max-n.dec[i])))
		}
	}
	return n.mant
}

// parseDecimal reads a signed decimal number with a point or comma: its
// digits, how many of them are decimals, and the mark met (0 if none). Numbers
// of more than 15 digits are none.
func parseDecimal(s string) (mant int64, dec int, mark byte, ok bool) {
	i, neg := 0, false
	if s != "" && (s[0] == '-' || s[0] == '+') {
		neg = s[0] == '-'
		i = 1
	}
	n := 0
	for ; i < len(s); i++ {
		c := s[i]
		switch {
		case c >= '0' && c <= '9':
			mant = mant*10 + int64(c-'0')
			if n++; n > 15 {
				return 0, 0, 0, false
			}
			if mark != 0 {
				dec++
			}
		case (c == '.' || c == ',') && mark == 0 && n > 0:
			mark = c
		default:
			return 0, 0, 0, false
		}
	}
	if n == 0 || mark != 0 && dec == 0 {
		return 0, 0, 0, false
	}
	if neg {
		mant = -mant
	}
	return mant, dec, mark, true
}

// stripPercent drops a percent sign and the blank before it.
func stripPercent(s string) string {
	if strings.HasSuffix(s, "%") {
		return strings.TrimRight(s[:len(s)-1], " \u00a0\u202f")
	}
	return s
}

// noReadingWord knows the words and signs that stand for no reading
// (measurement reference section 1, "No reading"; the spellings of "not
// available" are common practice, no source).
func noReadingWord(s string) bool {
	switch s {
	case "", "?", "*", "--", "---":
		return true
	}
	if strings.Trim(s, "-") == "" || len(s) <= 4 && (strings.EqualFold(s, "nan") || strings.EqualFold(s, "na") || strings.EqualFold(s, "n/a") || strings.EqualFold(s, "null")) {
		return true
	}
	return false
}

// noReadingNumber knows the numbers that stand for no reading. 127 is a code
// for a saturation alone: it is an everyday pulse.
func noReadingNumber(mant int64, dec int, sat bool) bool {
	p := pow10(dec)
	if mant%p != 0 {
		return false
	}
	switch mant / p {
	case 0, 255, 511, 32767, -1, -32768:
		return true
	case 127:
		return sat
	}
	return false
}

// qualityWords are the words of quality columns, lower case. All are common
// practice, no source.
var qualityWords = map[string]Flag{
	"": 0, "-": 0, "--": 0, "---": 0, "good": 0, "ok": 0, "okay": 0, "valid": 0, "normal": 0, "gut": 0, "bon": 0, "bueno": 0, "no motion": 0, "acceptable": 0,
	"motion": FlagMotion, "moving": FlagMotion, "movement": FlagMotion, "bewegung": FlagMotion, "mouvement": FlagMotion, "movimiento": FlagMotion,
	"weak": FlagWeak, "weak signal": FlagWeak, "weak pulse": FlagWeak, "low perfusion": FlagWeak, "poor": FlagWeak, "low": FlagWeak, "low signal": FlagWeak, "poor signal": FlagWeak, "low signal quality": FlagWeak, "schwach": FlagWeak, "faible": FlagWeak, "débil": FlagWeak,
	"marginal": FlagMarginal, "bad": FlagMarginal, "artifact": FlagMarginal, "artefact": FlagMarginal, "artefakt": FlagMarginal, "invalid": FlagMarginal, "questionable": FlagMarginal, "doubtful": FlagMarginal, "schlecht": FlagMarginal, "mauvais": FlagMarginal, "malo": FlagMarginal,
	"off": FlagSensorOff, "disconnected": FlagSensorOff, "no finger": FlagSensorOff, "no sensor": FlagSensorOff, "searching": FlagSensorOff, "sensor off": FlagSensorOff, "sensor disconnected": FlagSensorOff, "finger out": FlagSensorOff, "probe off": FlagSensorOff, "finger off": FlagSensorOff, "no probe": FlagSensorOff, "pulse search": FlagSensorOff, "no signal": FlagSensorOff,
}

// quality reads a cell of quality column i.
func (t *textReader) quality(i int, s string) Flag {
	q := &t.roles.quality[i]
	if _, _, _, ok := parseDecimal(s); ok {
		q.digits++
		return numericMark << i
	}
	key := string(rune('0'+i)) + s
	if f, ok := t.words[key]; ok {
		if f&FlagUnknownMark != 0 {
			t.unknown[s]++
		}
		if s != "" {
			q.words++
		}
		return f
	}
	if s != "" {
		q.words++
	}
	var flags Flag
	for _, w := range strings.FieldsFunc(strings.ToLower(s), func(r rune) bool { return strings.ContainsRune(",;/|+&", r) }) {
		w = strings.Join(strings.Fields(w), " ")
		f, known := qualityWords[w]
		if q.motion || q.mark {
			switch w {
			case "no", "n", "false", "off", "none", "nein", "non":
				f, known = 0, true
			case "yes", "y", "true", "on", "x", "ja", "oui", "si", "sí":
				f, known = FlagMotion, true
				if !q.motion {
					f = FlagMarginal
				}
			}
		}
		if !known {
			f = FlagUnknownMark
		}
		flags |= f
	}
	if flags&FlagUnknownMark != 0 && len(t.unknown) < maxBadTokens {
		t.unknown[shorten(s, 40)]++
	}
	if len(t.words) < 1000 {
		t.words[strings.Clone(key)] = flags
	}
	return flags
}

// person keeps what a column of names or identifiers says.
func (t *textReader) person(col int, s string, line int) {
	key := fmt.Sprint(col, ":", s)
	if s == "" || t.persons[key] || t.severals[col] >= maxPersons {
		return
	}
	t.persons[strings.Clone(key)] = true
	t.severals[col]++
	kind := "name"
	if t.roles.personIdentifiers[col] {
		kind = "identifier"
	}
	t.addDeclared(kind, s, wording.Said("line %d, column %d", line, col+1))
}

func (t *textReader) addDeclared(kind, value string, where wording.Text) {
	if value = strings.TrimSpace(value); value != "" && len(t.rec.Declared) < maxDeclared {
		t.rec.Declared = append(t.rec.Declared, Declaration{Kind: kind, Value: shorten(value, maxValueLen), Where: where})
	}
}

// declare reads a line above a table: "key: value", or key and value in two
// cells, once or several times. Lines of other content are passed over.
func (t *textReader) declare(text string, cells []string, line int) {
	if cells == nil {
		cells = splitLine(text, t.table.delim)
	}
	if len(cells) > maxKeyed {
		return
	}
	text = strings.Trim(text, "\"#* \t")
	where := wording.Said("line %d", line)
	keyed := 0
	for _, c := range cells {
		if k, _, ok := cutKey(c); ok && declaredKind(k) != "" {
			keyed++
		}
	}
	switch {
	case keyed == 1 && text != "":
		// A value may hold the delimiter: "Name: Doe, Jane".
		if k, v, ok := cutKey(text); ok && declaredKind(k) != "" {
			t.addDeclared(declaredKind(k), strings.Trim(v, string(t.table.delim)+"\" "), where)
			return
		}
		fallthrough
	case keyed > 0:
		for i, c := range cells {
			k, v, ok := cutKey(c)
			if !ok || declaredKind(k) == "" {
				continue
			}
			if v == "" && i+1 < len(cells) {
				v = trimCell(cells[i+1])
			}
			t.addDeclared(declaredKind(k), v, where)
		}
	case len(cells) > 1:
		if kind := declaredKind(cells[0]); kind != "" {
			t.addDeclared(kind, strings.Join(cells[1:], " "), where)
		}
	}
}

// cutKey splits "key: value" or "key = value".
func cutKey(s string) (key, value string, ok bool) {
	s = strings.TrimLeft(trimCell(s), "#* ")
	i := strings.IndexAny(s, ":=")
	if i < 1 || i > 60 {
		return "", "", false
	}
	return strings.TrimSpace(s[:i]), strings.TrimSpace(s[i+1:]), true
}

// declaredKind says what a key above the table declares, "" if nothing that
// is kept.
func declaredKind(key string) string {
	w := headerWords(key)
	switch {
	case len(w) == 0 || len(w) > 6:
		return ""
	case hasWord(w, wordsBirth):
		return "birth_date"
	case hasWord(w, keysOther):
		return ""
	case hasWord(w, keysEquipment):
		return "equipment"
	case hasWord(w, keysTechnician):
		return "technician"
	case hasWord(w, keysAveraging):
		return "averaging"
	case hasWord(w, keysSex):
		return "sex"
	case isIdentifier(w) || len(w) == 1 && w[0] == "id":
		return "identifier"
	case isName(w):
		return "name"
	case headerRole(key) == roleSat || headerRole(key) == rolePulse:
		return ""
	case hasWord(w, wordsDate) || hasWord(w, keysStart):
		return "start_date"
	}
	return ""
}

// Words of the keys above a table, beside those of headers.
var (
	keysOther      = wordSet("file export exported print printed report download downloaded software version interval page physician doctor end stop ende fin")
	keysEquipment  = wordSet("device recorder oximeter model serial equipment gerät geraet seriennummer appareil modèle equipo dispositivo")
	keysTechnician = wordSet("technician tech operator tester")
	keysAveraging  = wordSet("averaging average mittelung moyennage promedio")
	keysSex        = wordSet("sex gender geschlecht sexe sexo")
	keysStart      = wordSet("start started begin begins starttime startdate beginn startzeit startdatum startuhrzeit aufnahmebeginn début debut inicio comienzo")
)

// maxKeyed is how many cells a line above the table may have to be read as
// keys and values (our choice).
const maxKeyed = 20

// excerpt quotes a cell for a message. Words are not quoted: they may be a
// patient's name.
func excerpt(s string) wording.Text {
	if s == "" {
		return wording.Said("nothing")
	}
	n := 0
	for _, r := range s {
		if unicode.IsLetter(r) {
			n++
		}
	}
	if n > 4 {
		return wording.Said("text of %d characters", utf8.RuneCountInString(s))
	}
	return wording.Joined("%q", shorten(s, 40))
}
