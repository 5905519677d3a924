package web

import (
	"math/big"
	"net/url"
	"regexp"
	"strings"

	"airwarrant/qualify/criteria"
	"airwarrant/rules"
	"airwarrant/rules/wording"
)

// field is one labelled question of a form, with what was typed into it.
type field struct {
	Name     string
	ID       string
	Question string
	Kind     string // choice, date, number, oxygen
	Choices  []choice
	Text     string // what was typed: a date, a number, a flow
	Unit     string
	Units    []string // more than one: a choice of units
	Unknown  bool
	Why      string // why it is asked
	Waits    string // the clauses that wait for it, in the words of the criteria
	Settles  string // the consequences that it settles, in their words
	Pack     bool   // Question and Why are words of the criteria
	Error    string
	Where    bool // asks where in the chart it stands
	AskBy    bool // and who found it
	Place    placeText
	NotThere string     // words of the answer "unknown"
	To       string     // of a line: the page where it is answered
	Ways     twoWays    // asks which number was typed
	form     url.Values // that it was filled from
	decimal  string     // decimal sign of the page that it was typed on
	before   string     // what was stated when the page was made: sent back as it stood, it is not asked about
}

type choice struct {
	Value, Words string
	On           bool
}

// placeText is where in the chart something stands, as typed.
type placeText struct{ Document, Date, Page, By string }

func (p placeText) empty() bool { return p == placeText{} }

const (
	unknown   = "unknown"
	textLimit = 400 // bytes of one typed answer
)

// fieldFor makes the empty field of fact def.
func fieldFor(def rules.FactDef, where bool) field {
	f := field{Name: def.Name, ID: "f-" + def.Name, Question: def.Question, Where: where, NotThere: "not known"}
	switch def.Type {
	case rules.TypeBool:
		f.Kind, f.Choices = "choice", []choice{{Value: "true", Words: "yes"}, {Value: "false", Words: "no"}}
	case rules.TypePaper:
		f.Kind, f.Choices = "choice", []choice{{Value: "true", Words: "a copy is on file"}, {Value: "false", Words: "it is missing"}}
	case rules.TypeWord:
		f.Kind = "choice"
		for _, w := range def.Words {
			f.Choices = append(f.Choices, choice{Value: w, Words: wordFor(def.Name, w)})
		}
	case rules.TypeDate:
		f.Kind = "date"
	case rules.TypeOxygen:
		f.Kind, f.Unit, f.Choices = "oxygen", def.Unit, []choice{{Value: "room_air", Words: "room air"}, {Value: "oxygen", Words: "oxygen, at"}}
	default:
		f.Kind, f.Unit = "number", def.Unit
		if len(def.Units) > 0 {
			f.Units = append([]string{def.Unit}, def.Units...)
		}
	}
	return f
}

// fill puts back what a form held, so that nothing typed is lost.
func (f field) fill(form url.Values) field {
	v := typed(form, "v."+f.Name)
	switch f.Kind {
	case "choice", "oxygen":
		f.Choices = append([]choice(nil), f.Choices...)
		for i := range f.Choices {
			f.Choices[i].On = f.Choices[i].Value == v
		}
		f.Unknown = v == unknown
		f.Text = typed(form, "q."+f.Name)
	default:
		f.Text = v
		f.Unknown = form.Get("n."+f.Name) != ""
	}
	if u := typed(form, "u."+f.Name); u != "" && len(f.Units) > 0 {
		f.Unit = u
	}
	if f.Kind == "number" || f.Kind == "oxygen" {
		f.Ways, f.form = waysOf(form, f.numberKey()), form
	}
	f.Place = placeText{typed(form, "d."+f.Name), typed(form, "t."+f.Name), typed(form, "p."+f.Name), typed(form, "b."+f.Name)}
	return f
}

// numberKey is the name under which the number of a field is typed.
func (f field) numberKey() string {
	if f.Kind == "oxygen" {
		return "q." + f.Name
	}
	return "v." + f.Name
}

// typed returns one answer of a form without the blanks around it.
func typed(form url.Values, key string) string { return strings.TrimSpace(form.Get(key)) }

// text is what the field says in the words of a facts file, "" if it was left
// empty.
func (f field) text() string {
	if f.Unknown {
		return unknown
	}
	switch f.Kind {
	case "choice":
		return f.chosen()
	case "oxygen":
		if f.chosen() == "oxygen" {
			return strings.TrimSpace(f.Text + " " + f.Unit)
		}
		return f.chosen()
	case "number":
		if f.Text != "" && f.Unit != "" {
			return f.Text + " " + f.Unit
		}
	}
	return f.Text
}

func (f field) chosen() string {
	for _, c := range f.Choices {
		if c.On {
			return c.Value
		}
	}
	return ""
}

// statement reads a filled field. The second result is false if it was left
// empty. The error is for the person at the field.
func (f field) statement() (statement, bool, error) {
	if (f.Kind == "number" || f.Kind == "date") && f.Unknown && f.Text != "" {
		return statement{}, false, wording.Error{Text: wording.Said("expected an answer or %q; found both; clear one", wording.Said(f.NotThere))}
	}
	var err error
	if f.Kind == "number" || f.Kind == "oxygen" {
		stood := f.text() == f.before
		if f.Text, err = numberTyped(f.form, f.numberKey(), f.decimal); err != nil && !stood {
			ask(f.form, f.numberKey())
			return statement{}, false, err
		}
	}
	t := f.text()
	if t == "" {
		if !f.Place.empty() {
			return statement{}, false, wording.Error{Text: wording.Said("expected an answer beside the place in the chart; found none; answer the question, or clear the place")}
		}
		return statement{}, false, nil
	}
	if len(t) > textLimit || len(f.Place.Document)+len(f.Place.Page)+len(f.Place.By) > textLimit {
		return statement{}, false, wording.Error{Text: wording.Said("expected at most %d letters; found more; shorten it", textLimit)}
	}
	st := statement{Name: f.Name, Text: t, State: criteria.Stated}
	if t == unknown {
		st.State = criteria.Unknown
		return st, true, nil
	}
	if _, err = criteria.ParseValue(f.Name, t); err != nil {
		return statement{}, false, err
	}
	if !f.Place.empty() {
		if f.Place.Document == "" {
			return statement{}, false, wording.Error{Text: wording.Said("expected the name of the document; found none; say in which document of the chart it stands")}
		}
		if f.Place.Date != "" {
			if _, err := rules.ParseDate(f.Place.Date); err != nil {
				return statement{}, false, wording.Error{Text: wording.Said("date of the document: %s", wording.Of(err))}
			}
		}
		st.State, st.Place = criteria.Located, f.Place
	}
	return st, true, nil
}

// typedOn is f as it was typed on a page with a decimal sign, where before was
// stated.
func (f field) typedOn(decimal string, before statement) field {
	f.decimal, f.before = decimal, before.Text
	return f
}

// withSign is a number with one comma or one point and no other sign.
var withSign = regexp.MustCompile(`^(-?\d+)([,.])(\d+)$`)

// decimalTyped is a number as facts have it: a comma before decimals becomes a
// point. Before exactly three digits a comma may divide thousands, and so may a
// point on a page whose decimal sign is a comma: that is asked and never guessed,
// unless chosen says which of the two it is. Behind a single 0 neither does. What is no
// number of this form stays as it is. decimal is the sign of the page, "" a point;
// with an error, a *twoWaysError, the text stays.
func decimalTyped(text, decimal, chosen string) (string, error) {
	m := withSign.FindStringSubmatch(text)
	if m == nil {
		return text, nil
	}
	if whole := strings.TrimPrefix(m[1], "-"); len(m[3]) == 3 && len(whole) <= 3 && whole[0] != '0' && (m[2] == "," || decimal == ",") {
		if chosen == m[1]+"."+m[3] || chosen == m[1]+m[3] {
			return chosen, nil
		}
		if decimal == "," {
			return text, &twoWaysError{wording.Said("expected a number that can be read in one way; found a comma or a point before exactly three digits; write two or four digits behind it for decimals, or leave it out for thousands, or choose which number it is")}
		}
		return text, &twoWaysError{wording.Said("expected a number that can be read in one way; found a comma before three digits; write a point for decimals, or leave the comma out for thousands, or choose which number it is")}
	}
	return m[1] + "." + m[3], nil
}

// twoWaysError asks which of two numbers a typed one is.
type twoWaysError struct{ wording.Text }

// Said is the question in its parts, and Error is it in English.
func (e *twoWaysError) Said() wording.Text { return e.Text }
func (e *twoWaysError) Error() string      { return e.String() }

// twoWays are the two numbers that a typed one can be, for whoever typed it to
// choose one; without Choices nothing is asked.
type twoWays struct {
	Name    string // of the answer in the form
	Choices []way
}

type way struct {
	Value string // the number as facts have it
	Words wording.Text
	On    bool
}

// wayKey is the name of the answer to which number the field of a form means, and
// asksKey that of the mark that it was asked.
func wayKey(key string) string  { return "way." + key }
func asksKey(key string) string { return "asks." + key }

// numberTyped is decimalTyped of a field of a form.
func numberTyped(form url.Values, key, decimal string) (string, error) {
	return decimalTyped(typed(form, key), decimal, typed(form, wayKey(key)))
}

// ask marks the field of a form as asked about, so that the page shows the question
// beside it.
func ask(form url.Values, key string) { form.Set(asksKey(key), "1") }

// waysOf is the question beside the field of a form: where it was just asked, or
// was answered for the number that stands there.
func waysOf(form url.Values, key string) twoWays {
	m := withSign.FindStringSubmatch(typed(form, key))
	if m == nil || len(m[3]) != 3 {
		return twoWays{}
	}
	decimals, thousands, chosen := m[1]+"."+m[3], m[1]+m[3], typed(form, wayKey(key))
	if !form.Has(asksKey(key)) && chosen != decimals && chosen != thousands {
		return twoWays{}
	}
	low, high := new(big.Int), new(big.Int)
	low.SetString(m[1], 10) // digits, by the form
	if high.Add(low, big.NewInt(1)); strings.HasPrefix(m[1], "-") {
		low, high = new(big.Int).Sub(low, big.NewInt(1)), low
	}
	return twoWays{Name: wayKey(key), Choices: []way{
		{decimals, wording.Said("with decimals: more than %s and less than %s", wording.Literal(low.String()), wording.Literal(high.String())), chosen == decimals},
		{thousands, wording.Said("without decimals: %s", wording.Literal(thousands)), chosen == thousands},
	}}
}

// statement is one fact as somebody stated it: the text is kept as typed, so
// that printed decimals survive.
type statement struct {
	Name  string
	State criteria.State
	Text  string
	Place placeText
}

// fact turns a stored statement into the fact that criteria read.
func (st statement) fact() (criteria.Fact, error) {
	f, err := criteria.ParseValue(st.Name, st.Text)
	if err != nil {
		return criteria.Fact{}, err
	}
	if st.State == criteria.Located {
		f.State = criteria.Located
		p := criteria.Place{Document: st.Place.Document, Page: st.Place.Page, By: st.Place.By}
		if st.Place.Date != "" {
			if p.Date, err = rules.ParseDate(st.Place.Date); err != nil {
				return criteria.Fact{}, err
			}
		}
		f.Place = &p
	}
	return f, nil
}

// show puts what is stated into the field, for somebody who corrects it.
func (f field) show(st statement) field {
	form := url.Values{}
	text := st.Text
	switch {
	case st.State == criteria.Unknown && (f.Kind == "choice" || f.Kind == "oxygen"):
		form.Set("v."+f.Name, unknown)
	case st.State == criteria.Unknown:
		form.Set("n."+f.Name, "1")
	case f.Kind == "oxygen" && text != "room_air":
		flow, _, _ := strings.Cut(text, " ")
		form.Set("v."+f.Name, "oxygen")
		form.Set("q."+f.Name, flow)
	case f.Kind == "number":
		n, unit, _ := strings.Cut(text, " ")
		form.Set("v."+f.Name, n)
		form.Set("u."+f.Name, unit)
	default:
		form.Set("v."+f.Name, text)
	}
	form.Set("d."+f.Name, st.Place.Document)
	form.Set("t."+f.Name, st.Place.Date)
	form.Set("p."+f.Name, st.Place.Page)
	form.Set("b."+f.Name, st.Place.By)
	return f.fill(form)
}

// words says what is stated, for people: in English, with days as l writes them.
func (st statement) words(def rules.FactDef, l rules.Language) string {
	if st.State == criteria.Unknown {
		return "not known"
	}
	switch def.Type {
	case rules.TypeBool, rules.TypeWord:
		return wordFor(def.Name, st.Text)
	case rules.TypePaper:
		if st.State == criteria.Located {
			return "located, copy not on file"
		}
		return map[string]string{"true": "a copy is on file", "false": "missing"}[st.Text]
	case rules.TypeOxygen:
		if st.Text == "room_air" {
			return "room air"
		}
		return "oxygen, " + st.Text
	case rules.TypeDate:
		return l.Stamp(st.Text)
	}
	switch st.Name {
	case "recordings":
		return stretchWords(st, l)
	case "report":
		return reportWords(st)
	case "tests":
		return testsWords(st, l)
	}
	return st.Text
}

// wordsIn is words in a language, for what holds no words that a person typed.
func (st statement) wordsIn(def rules.FactDef, l rules.Language) string {
	switch {
	case st.State == criteria.Unknown, def.Type == rules.TypeBool, def.Type == rules.TypeWord, def.Type == rules.TypePaper:
		return l.Say(st.words(def, l))
	case def.Type == rules.TypeOxygen && st.Text == "room_air":
		return l.Say("room air")
	case def.Type == rules.TypeOxygen:
		return l.Say("oxygen, %s", l.Number(st.Text))
	case def.Type == rules.TypeDate:
		return l.Stamp(st.Text)
	case def.Type == rules.TypeNumber:
		return l.Number(st.Text)
	}
	return st.words(def, l)
}

// how says on what a statement rests, in English with days as l writes them.
func (st statement) how(l rules.Language) string {
	l.Said = nil
	switch st.State {
	case criteria.Unknown:
		return "asked, not known"
	case criteria.Located:
		if st.Place.By != "" {
			return "in the chart: " + st.Place.whereIn(l) + ", by " + st.Place.By
		}
		return "in the chart: " + st.Place.whereIn(l)
	}
	if st.Place.By != "" {
		return "stated by " + st.Place.By
	}
	return "stated"
}
