package criteria

import (
	"encoding/json"
	"fmt"

	"airwarrant/rules"
)

// factJSON is a fact as it is stored: the value as text in the spelling of
// ParseValue, so that decimals are kept.
type factJSON struct {
	Name  string          `json:"name"`
	State State           `json:"state"`
	Value string          `json:"value,omitempty"`
	Unit  string          `json:"unit,omitempty"`
	List  []RecordingRole `json:"list,omitempty"`
	Place *placeJSON      `json:"place,omitempty"`
}

// placeJSON leaves out what is not recorded, the date too.
type placeJSON struct {
	Document string `json:"document,omitempty"`
	Date     string `json:"date,omitempty"`
	Page     string `json:"page,omitempty"`
	By       string `json:"by,omitempty"`
}

// MarshalJSON writes a fact with its keys in a fixed order; UnmarshalJSON
// reads it back to the same fact. A number that its decimals do not hold
// exactly is an error.
func (f Fact) MarshalJSON() ([]byte, error) {
	out := factJSON{Name: f.Name, State: f.State}
	if p := f.Place; p != nil {
		out.Place = &placeJSON{p.Document, p.Date.String(), p.Page, p.By}
	}
	if f.State == Unknown {
		return json.Marshal(out)
	}
	d, ok := definition(f.Name)
	if !ok {
		return nil, fmt.Errorf("fact %s: expected a name of the vocabulary", quote(f.Name))
	}
	v := f.Value
	switch {
	case d.Type == rules.TypeBool || d.Type == rules.TypePaper:
		out.Value = fmt.Sprint(v.Bool)
	case d.Type == rules.TypeDate:
		out.Value = v.Date.String()
	case d.Type == rules.TypeWord || v.Word == "room_air":
		out.Value = v.Word
	case d.Type == rules.TypeList:
		out.List = v.List
	case v.Num == nil:
		return nil, fmt.Errorf("fact %s: expected a number, found none", f.Name)
	default:
		if n, exact := v.Num.FloatPrec(); !exact || n > v.Places {
			return nil, fmt.Errorf("fact %s: %s has more than its %d decimals", f.Name, v.Num.RatString(), v.Places)
		}
		out.Value, out.Unit = v.Num.FloatString(v.Places), v.Unit
	}
	return json.Marshal(out)
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
		out.Place = &Place{Document: p.Document, Page: p.Page, By: p.By}
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
	case d.Type == rules.TypeList && len(in.List) == 0:
		return fmt.Errorf("fact %s: expected a list of recordings, found none", in.Name)
	case d.Type == rules.TypeList:
		for i, r := range in.List {
			if bad := r.check(in.List[:i]); bad != nil {
				return fmt.Errorf("fact %s: %w", in.Name, bad)
			}
		}
		out.Value.List = in.List
	default:
		if out.Value, bad = parseText(d, in.Value, in.Unit); bad != nil {
			return fmt.Errorf("fact %s: %w", in.Name, bad)
		}
	}
	*f = out
	return nil
}
