package criteria

import (
	"math/big"
	"regexp"
	"slices"
	"strings"

	"github.com/goccy/go-yaml/ast"

	"airwarrant/rules"
	"airwarrant/rules/wording"
)

// fault is what was expected and found, and the mend, of one value.
type fault struct{ expected, found, mend wording.Text }

func (f *fault) Error() string { return f.Said().String() }

// Said is the fault in its parts.
func (f *fault) Said() wording.Text {
	return said("expected %s; found %s; %s", f.expected, f.found, f.mend)
}

// said is a text of a fault, and literal what stands in a file.
var said = wording.Fault

func literal(s string) wording.Text { return wording.Literal(s).Text() }

// byMeasure is where a command shows what is known of a recording.
const byMeasure = wording.Typed(", as measure prints")

// verbatim is what quote shows, as a whole text.
func verbatim(s string) wording.Text { return literal(quote(s)) }

const unknownWord = "unknown"

// ParseFacts reads a facts file (design section 7.5): fact name to value,
// {value, unit}, {located: value, document, date, page, by} or unknown. The
// oxygen of the test is room_air or {flow, unit}; recordings are a list of
// {sha256, role, from, until, flow, device}, tests one of {name, sha256, session, test_time, fact: value}. Numbers are kept exactly, with the decimals printed. An
// empty file holds no facts. file is the name that errors carry. The error is
// a rules.Problems with every fault of the file, and the map is then nil.
func ParseFacts(yaml []byte, file string) (map[string]Fact, error) {
	d := &document{file: file}
	root := d.open(yaml)
	facts := map[string]Fact{}
	if root != nil {
		facts = d.facts(root, "")
	}
	if err := d.err(); err != nil {
		return nil, err
	}
	return facts, nil
}

// ParseValue reads one fact as it is typed into a form or a table: true or
// false, a date, a number (with another unit behind a blank: "7.3 kPa"), a
// word of the fact's list, room_air or a flow, or unknown; a fact that is a
// list from its YAML text. The checks are those of ParseFacts; the error is
// a *ValueError, of a list a rules.Problems with places in its text.
func ParseValue(name, text string) (Fact, error) {
	d, f := lookup(name)
	if f != nil {
		return Fact{}, f
	}
	if text == unknownWord {
		return Fact{Name: name, State: Unknown}, nil
	}
	if d.Type == rules.TypeList {
		v, err := parseList(d, text)
		if err != nil {
			return Fact{}, err
		}
		return Fact{Name: name, State: Stated, Value: v}, nil
	}
	v, f := parseText(d, text, "")
	if f != nil {
		return Fact{}, &ValueError{name, f}
	}
	return Fact{Name: name, State: Stated, Value: v}, nil
}

// lookup finds a fact that people may state.
func lookup(name string) (*rules.FactDef, *fault) {
	d, ok := definition(name)
	if !ok {
		return nil, &fault{said("the name of a fact"), verbatim(name), closest(name, statable)}
	}
	if d.Settles == "computed" {
		return nil, &fault{said("a fact that is stated"), said("%s, which is computed from %s", name, strings.Join(d.From, ", ")),
			said("delete it, and give what it is computed from")}
	}
	return d, nil
}

var statable = func() []string {
	var out []string
	for _, d := range rules.Vocabulary() {
		if d.Settles != "computed" {
			out = append(out, d.Name)
		}
	}
	return out
}()

// facts reads a mapping of facts.
func (d *document) facts(n ast.Node, key string) map[string]Fact {
	list, ok := d.entries(n, key)
	if !ok {
		d.fault(n, key, &fault{said("facts as name: value"), shape(n), said("write one fact a line, such as test_date: 2030-01-31")})
		return nil
	}
	out := map[string]Fact{}
	for _, e := range list {
		def, f := lookup(e.key)
		if f != nil {
			d.fault(e.at, path(key, e.key), f)
			continue
		}
		if fact, ok := d.fact(def, e.node, path(key, e.key)); ok {
			out[e.key] = fact
		}
	}
	return out
}

func (d *document) fact(def *rules.FactDef, n ast.Node, key string) (Fact, bool) {
	fact := Fact{Name: def.Name, State: Stated}
	if s, ok := scalar(n); ok && s == unknownWord {
		fact.State = Unknown
		return fact, true
	}
	value := n
	if list, ok := d.entries(n, key); ok && slices.ContainsFunc(list, func(e entry) bool { return e.key == "located" }) {
		fact.State, fact.Place = Located, &Place{}
		before := len(d.faults)
		for _, e := range list {
			if e.key == "located" {
				value = e.node
				continue
			}
			d.place(fact.Place, e, path(key, e.key))
		}
		if fact.Place.Document == "" && len(d.faults) == before {
			d.fault(n, key, &fault{said("the document in which it stands"), said("none"), said("add document: and what it is called in the chart")})
		}
		if len(d.faults) > before {
			return Fact{}, false
		}
	}
	v, f := d.valueOf(def, value, key)
	if f != nil {
		d.fault(value, key, f)
	}
	fact.Value = v
	return fact, f == nil
}

func (d *document) place(p *Place, e entry, key string) {
	to := map[string]*string{"document": &p.Document, "page": &p.Page, "by": &p.By}[e.key]
	s, ok := scalar(e.node)
	switch {
	case to == nil && e.key != "date":
		d.fault(e.at, key, &fault{said("located, document, date, page or by"), verbatim(e.key), closest(e.key, []string{"located", "document", "date", "page", "by"})})
	case !ok || strings.TrimSpace(s) == "":
		d.fault(e.node, key, &fault{said("one line of text"), shape(e.node), said("write it on one line, or delete the key")})
	case to != nil:
		*to = s
	default:
		date, err := rules.ParseDate(s)
		if err != nil {
			d.fault(e.node, key, &fault{said("a day of the calendar as YYYY-MM-DD"), verbatim(s), said("write the date, such as 2030-01-31")})
		}
		p.Date = date
	}
}

// valueOf reads the value of a fact: a scalar, {value, unit}, {flow, unit} or
// a list.
func (d *document) valueOf(def *rules.FactDef, n ast.Node, key string) (Value, *fault) {
	if def.Type == rules.TypeList {
		return d.list(def, n, key)
	}
	if s, ok := scalar(n); ok {
		return parseText(def, s, "")
	}
	list, ok := d.entries(n, key)
	if !ok {
		return Value{}, &fault{form(def), shape(n), said("state it, write unknown if it was asked and is not known, or delete the line")}
	}
	keys := []string{"value", "unit"}
	if def.Type == rules.TypeOxygen {
		keys = []string{"flow", "value", "unit"}
	}
	var number, unit string
	for _, e := range list {
		s, ok := scalar(e.node)
		switch {
		case !slices.Contains(keys, e.key):
			return Value{}, &fault{literal(strings.Join(keys, ", ")), verbatim(e.key), closest(e.key, append(keys, "located"))}
		case !ok:
			return Value{}, &fault{said("a value for %s", e.key), shape(e.node), said("write it on the line")}
		case e.key == "unit":
			unit = s
		case number != "":
			return Value{}, &fault{said("one of flow and value"), said("both"), said("delete one of the two")}
		default:
			number = s
		}
	}
	if number == "" {
		return Value{}, &fault{form(def), said("no value"), said("add %s:", keys[0])}
	}
	return parseText(def, number, unit)
}

// form says what a fact of this type looks like.
func form(d *rules.FactDef) wording.Text {
	switch d.Type {
	case rules.TypeBool, rules.TypePaper:
		return said("true or false")
	case rules.TypeDate:
		return said("a date as YYYY-MM-DD")
	case rules.TypeWord:
		return said("one of %s", strings.Join(d.Words, ", "))
	case rules.TypeOxygen:
		return said("room_air, or a flow in L/min")
	case rules.TypeList:
		return said("a list of %s", listForm(d.Name))
	}
	if d.Unit == "" {
		return said("a number")
	}
	return said("a number in %s", wording.Said(d.Unit))
}

// parseText reads a value from its text; unit is "" where none is given
// apart.
func parseText(d *rules.FactDef, text, unit string) (Value, *fault) {
	wrong := func(mend wording.Text) (Value, *fault) { return Value{}, &fault{form(d), verbatim(text), mend} }
	if unit != "" && d.Type != rules.TypeNumber && d.Type != rules.TypeOxygen {
		return Value{}, &fault{said("%s, without a unit", form(d)), said("the unit %s", quote(unit)), said("delete the unit")}
	}
	switch d.Type {
	case rules.TypeBool, rules.TypePaper:
		if text != "true" && text != "false" {
			return wrong(said("write true or false, or unknown"))
		}
		return Value{Bool: text == "true"}, nil
	case rules.TypeDate:
		date, err := rules.ParseDate(text)
		if err != nil || date.Year < 1800 {
			return wrong(said("write a day of the calendar, such as 2030-01-31"))
		}
		return Value{Date: date}, nil
	case rules.TypeWord:
		if !slices.Contains(d.Words, text) {
			return wrong(closest(text, d.Words))
		}
		return Value{Word: text}, nil
	case rules.TypeOxygen:
		if text == "room_air" && unit == "" {
			return Value{Word: text}, nil
		}
		v, f := parseNumber(d, text, unit)
		if f != nil {
			return Value{}, f
		}
		v.Word = "oxygen"
		return v, nil
	case rules.TypeNumber:
		return parseNumber(d, text, unit)
	}
	return wrong(said("state it in a facts file"))
}

// numberForm keeps numbers short: no exponents, and no leading zero that
// another reader may take for an octal number.
var numberForm = regexp.MustCompile(`^-?(?:0|[1-9][0-9]{0,8})(?:\.([0-9]{1,9}))?$`)

func parseNumber(d *rules.FactDef, text, unit string) (Value, *fault) {
	number := text
	if n, u, ok := strings.Cut(text, " "); ok && unit == "" {
		number, unit = n, u
	}
	m := numberForm.FindStringSubmatch(number)
	if m == nil {
		mend := said("write digits with a decimal point, such as 88 or 7.3")
		if strings.Count(number, ",") == 1 {
			mend = said("write a point for the comma")
		}
		return Value{}, &fault{form(d), verbatim(text), mend}
	}
	if unit == "" {
		unit = d.Unit
	}
	if unit != d.Unit && !slices.Contains(d.Units, unit) {
		known := append([]string{d.Unit}, d.Units...)
		return Value{}, &fault{said("the unit %s", wording.Either(known)), verbatim(unit), said("convert nothing yourself: write the figure in the unit in which it was reported, or delete the unit")}
	}
	x, _ := new(big.Rat).SetString(number)
	if f := plausible(d, x, unit); f != nil {
		f.found = verbatim(text)
		return Value{}, f
	}
	return Value{Num: x, Unit: unit, Places: len(m[1])}, nil
}

// percentMend asks whether a figure from 0 to 1 is a percentage or a fraction.
func percentMend(d *rules.FactDef) wording.Text {
	if slices.Contains(d.Units, "L/L") {
		return said("it asks percent: write 56 for a fraction of 0.56, or give the unit L/L if the fraction is what is printed")
	}
	return said("it asks percent: write 56 for a fraction of 0.56")
}

// plausible refuses numbers that can only be a slip: another unit or another
// fact. The bounds are wide and decide no clause. Common practice, no source:
// nobody alive has an arterial oxygen pressure below 20 mmHg, or the saturation
// below 30 % that goes with it, and breathing air at sea level leaves at most
// 150 mmHg.
func plausible(d *rules.FactDef, x *big.Rat, unit string) *fault {
	switch {
	case unit == "%" && x.Sign() > 0 && x.Cmp(one) <= 0:
		return &fault{said("percent"), wording.Text{}, percentMend(d)}
	case unit == "L/L" && x.Cmp(one) > 0:
		return &fault{said("a fraction from 0 to 1"), wording.Text{}, said("write percent without a unit: 56 for a fraction of 0.56")}
	case d.Name == "gas_ph" && (x.Cmp(big.NewRat(65, 10)) < 0 || x.Cmp(big.NewRat(8, 1)) > 0):
		return &fault{said("a pH of blood from 6.5 to 8"), wording.Text{}, said("check the figure")}
	case unit == "°C" && (x.Cmp(big.NewRat(20, 1)) < 0 || x.Cmp(big.NewRat(45, 1)) > 0):
		return &fault{said("a temperature of a patient from 20 to 45 °C"), wording.Text{}, said("check the figure and its unit")}
	case unit == "%" && (x.Sign() < 0 || x.Cmp(hundred) > 0):
		return &fault{said("a number from 0 to 100 %"), wording.Text{}, said("check the figure")}
	case unit == "%" && d.Level && x.Cmp(big.NewRat(30, 1)) < 0:
		return &fault{said("a saturation from 30 to 100 %"), wording.Text{}, said("check the figure for a digit that is missing")}
	case x.Sign() < 0:
		return &fault{said("a number that is not negative"), wording.Text{}, said("check the figure")}
	case d.Unit == "mmHg" && d.Level:
		p := convert(x, unit, "mmHg")
		if p.Cmp(big.NewRat(20, 1)) < 0 || p.Cmp(big.NewRat(150, 1)) > 0 {
			return &fault{said("an arterial oxygen pressure from 20 to 150 mmHg"), wording.Text{}, said("check the figure and its unit: {value: 7.3, unit: kPa}")}
		}
	case d.Type == rules.TypeOxygen && (x.Sign() == 0 || x.Cmp(hundred) > 0):
		return &fault{said("a flow above 0 and up to 100 L/min"), wording.Text{}, said("write room_air if no oxygen was given")}
	case d.Name == "session_choice" && (!x.IsInt() || x.Sign() == 0 || x.Cmp(big.NewRat(maxSession, 1)) > 0):
		return &fault{said("the number of a session, from 1"), wording.Text{}, said("choose a session that the recording holds")}
	case d.Name == "reported_minutes" && convert(x, unit, "h").Cmp(big.NewRat(7*24, 1)) > 0:
		return &fault{said("a time of at most a week"), wording.Text{}, said("check the figure and its unit")}
	}
	return nil
}
