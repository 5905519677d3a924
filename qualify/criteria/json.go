package criteria

import (
	"encoding/json"
	"fmt"

	"airwarrant/rules"
)

// factJSON is a fact as it is stored: the value as text in the spelling of
// ParseValue, so that decimals are kept.
type factJSON struct {
	Name   string          `json:"name"`
	State  State           `json:"state"`
	Value  string          `json:"value,omitempty"`
	Unit   string          `json:"unit,omitempty"`
	List   []RecordingRole `json:"list,omitempty"`
	Tests  []Test          `json:"tests,omitempty"`
	Report []Reported      `json:"report,omitempty"`
	Spans  []JudgedSpan    `json:"spans,omitempty"`
	Place  *placeJSON      `json:"place,omitempty"`
}

// placeJSON leaves out what is not recorded, the date too.
type placeJSON struct {
	Document string `json:"document,omitempty"`
	Date     string `json:"date,omitempty"`
	Page     string `json:"page,omitempty"`
	By       string `json:"by,omitempty"`
	Copy     string `json:"copy,omitempty"`
}

// MarshalJSON writes a fact with its keys in a fixed order; UnmarshalJSON
// reads it back to the same fact. A number that its decimals do not hold
// exactly is an error.
func (f Fact) MarshalJSON() ([]byte, error) {
	out := factJSON{Name: f.Name, State: f.State}
	if p := f.Place; p != nil {
		out.Place = &placeJSON{p.Document, p.Date.String(), p.Page, p.By, p.Copy}
	}
	if f.State == Unknown {
		return json.Marshal(out)
	}
	d, ok := definition(f.Name)
	if ok && d.Type == rules.TypeList {
		out.List, out.Tests, out.Report, out.Spans = f.Value.List, f.Value.Tests, f.Value.Report, f.Value.Spans
		return json.Marshal(out)
	}
	var err error
	if out.Value, out.Unit, err = f.text(); err != nil {
		return nil, err
	}
	return json.Marshal(out)
}

// Text is the value of a known fact that is no list as ParseValue reads it back,
// with the unit of a number: "57 mmHg". The error is of a name that is not in
// the vocabulary, or of a number that its decimals do not hold.
func (f Fact) Text() (string, error) {
	value, unit, err := f.text()
	if err != nil || unit == "" {
		return value, err
	}
	return value + " " + unit, nil
}

// text is the value of a known fact that is no list in the spelling of
// ParseValue, the unit of a number apart.
func (f Fact) text() (value, unit string, err error) {
	d, ok := definition(f.Name)
	if !ok {
		return "", "", fmt.Errorf("fact %s: expected a name of the vocabulary", quote(f.Name))
	}
	v := f.Value
	switch {
	case d.Type == rules.TypeBool || d.Type == rules.TypePaper:
		return fmt.Sprint(v.Bool), "", nil
	case d.Type == rules.TypeDate:
		return v.Date.String(), "", nil
	case d.Type == rules.TypeWord || v.Word == "room_air":
		return v.Word, "", nil
	case v.Num == nil:
		return "", "", fmt.Errorf("fact %s: expected a number, found none", f.Name)
	}
	if n, exact := v.Num.FloatPrec(); !exact || n > v.Places {
		return "", "", fmt.Errorf("fact %s: %s has more than its %d decimals", f.Name, v.Num.RatString(), v.Places)
	}
	return v.Num.FloatString(v.Places), v.Unit, nil
}

// UnmarshalJSON reads what MarshalJSON wrote, with the checks of ParseFacts.
func (f *Fact) UnmarshalJSON(b []byte) error {
	var in factJSON
	if err := json.Unmarshal(b, &in); err != nil {
		return err
	}
	d, bad := lookup(in.Name)
	if bad != nil {
		return fmt.Errorf("fact: %w", bad)
	}
	out := Fact{Name: in.Name, State: in.State}
	if p := in.Place; p != nil {
		out.Place = &Place{Document: p.Document, Page: p.Page, By: p.By, Copy: p.Copy}
		if p.Date != "" {
			date, err := rules.ParseDate(p.Date)
			if err != nil {
				return fmt.Errorf("fact %s: place: %w", in.Name, err)
			}
			out.Place.Date = date
		}
	}
	switch {
	case in.State == Unknown:
	case in.State != Stated && in.State != Located && in.State != Computed:
		return fmt.Errorf("fact %s: expected a state of stated, located, unknown or computed, found %s", in.Name, quote(string(in.State)))
	case d.Type == rules.TypeList:
		if out.Value, bad = in.storedList(); bad != nil {
			return fmt.Errorf("fact %s: %w", in.Name, bad)
		}
	default:
		if out.Value, bad = parseText(d, in.Value, in.Unit); bad != nil {
			return fmt.Errorf("fact %s: %w", in.Name, bad)
		}
	}
	*f = out
	return nil
}
