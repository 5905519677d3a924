package rules

import (
	"regexp"
	"slices"
	"strings"

	"airwarrant/rules/wording"
)

// Applies is one way in which a patient comes under the criteria of a region:
// where the patient lives, and who pays.
type Applies struct {
	// Places are codes of ISO 3166: two letters for a country (part 1) or those of
	// a subdivision (part 2), such as US-NC; none: anywhere.
	Places []string `yaml:"places" validate:"dive,iso3166_1_alpha2|iso3166_2"`
	// Payer is the word by which the plan is chosen, "" for a guideline, which
	// applies whoever pays and decides nothing on payment; Program is its name
	// for people.
	Payer   string `yaml:"payer"`
	Program string `yaml:"program" validate:"required_with=Payer"`
	Text    string `yaml:"text" validate:"required"`   // who comes under it, one sentence
	Source  string `yaml:"source" validate:"required"` // where that stands
	Status  Status `yaml:"status" validate:"required,oneof=verified verified-secondary draft"`
}

// Guideline reports whether a region is a guideline, which decides nothing on
// payment.
func (r Region) Guideline() bool {
	return len(r.Applies) > 0 && !slices.ContainsFunc(r.Applies, func(a Applies) bool { return a.Payer != "" })
}

// Payer is one plan that criteria are held for.
type Payer struct {
	Word     string   `json:"payer"`
	Programs []string `json:"programs"` // their names, in the order of the regions
}

// Payers lists the plans for which the regions that users are offered hold
// criteria, in the order of the regions.
func (l *Library) Payers() []Payer {
	var out []Payer
	for _, r := range l.regions {
		for _, a := range r.Applies {
			if a.Payer == "" || r.Hidden {
				continue
			}
			i := slices.IndexFunc(out, func(p Payer) bool { return p.Word == a.Payer })
			if i < 0 {
				i, out = len(out), append(out, Payer{Word: a.Payer})
			}
			out[i].Programs = append(out[i].Programs, a.Program)
		}
	}
	return out
}

// Place is a country or a subdivision of one.
type Place struct {
	Code string `json:"code"` // of ISO 3166-1 (two letters) or ISO 3166-2
	Name string `json:"name"`
}

// Country is the code of the country of a place.
func (p Place) Country() string { return CountryOf(p.Code) }

// CountryOf returns the two letters of the country of a code of ISO 3166.
func CountryOf(code string) string {
	country, _, _ := strings.Cut(code, "-")
	return country
}

// CheckPlace says what is wrong with a code of a country or of a subdivision,
// by the codes of ISO 3166-1 and 3166-2 that the validator library holds.
func CheckPlace(code string) error {
	if checker().Var(code, "iso3166_1_alpha2|iso3166_2") == nil {
		return nil
	}
	return wording.Error{Text: said("expected %s; found %s; %s", said("a code of ISO 3166, such as US or US-NC"), verbatim(code), said("look it up at the agency of the standard"))}
}

// Countries lists the countries that regions which users are offered name, by
// code.
func (l *Library) Countries() []string {
	var out []string
	for _, r := range l.regions {
		for _, a := range r.Applies {
			for _, code := range a.Places {
				if c := CountryOf(code); !r.Hidden && !slices.Contains(out, c) {
					out = append(out, c)
				}
			}
		}
	}
	slices.Sort(out)
	return out
}

// Subdivisions lists the subdivisions of a country by name, nil for one whose
// subdivisions no region names. Of the United Kingdom they are its four
// countries.
func Subdivisions(country string) []Place { return slices.Clone(subdivisions[country]) }

// PlaceName is the name of a country or subdivision in English, its code if no
// region needed it so far.
func PlaceName(code string) string {
	if name, ok := countryNames[code]; ok {
		return name
	}
	for _, p := range subdivisions[CountryOf(code)] {
		if p.Code == code {
			return p.Name
		}
	}
	return code
}

// countryNames are short names of ISO 3166-1, those of two countries as people
// say them.
var countryNames = map[string]string{
	"AU": "Australia", "CA": "Canada", "CH": "Switzerland", "DE": "Germany", "ES": "Spain", "FR": "France", "GB": "United Kingdom",
	"IE": "Ireland", "IT": "Italy", "NZ": "New Zealand", "US": "United States",
}

// subdivisions are codes and names of ISO 3166-2 as the Debian package
// iso-codes 4.15.0 lists them; two names are told in a shorter form.
var subdivisions = map[string][]Place{
	"AU": {
		{"AU-ACT", "Australian Capital Territory"}, {"AU-NSW", "New South Wales"}, {"AU-NT", "Northern Territory"}, {"AU-QLD", "Queensland"},
		{"AU-SA", "South Australia"}, {"AU-TAS", "Tasmania"}, {"AU-VIC", "Victoria"}, {"AU-WA", "Western Australia"},
	},
	"CA": {
		{"CA-AB", "Alberta"}, {"CA-BC", "British Columbia"}, {"CA-MB", "Manitoba"}, {"CA-NB", "New Brunswick"},
		{"CA-NL", "Newfoundland and Labrador"}, {"CA-NT", "Northwest Territories"}, {"CA-NS", "Nova Scotia"}, {"CA-NU", "Nunavut"},
		{"CA-ON", "Ontario"}, {"CA-PE", "Prince Edward Island"}, {"CA-QC", "Quebec"}, {"CA-SK", "Saskatchewan"},
		{"CA-YT", "Yukon"},
	},
	"GB": {
		{"GB-ENG", "England"}, {"GB-NIR", "Northern Ireland"}, {"GB-SCT", "Scotland"}, {"GB-WLS", "Wales"},
	},
	"US": {
		{"US-AL", "Alabama"}, {"US-AK", "Alaska"}, {"US-AS", "American Samoa"}, {"US-AZ", "Arizona"},
		{"US-AR", "Arkansas"}, {"US-CA", "California"}, {"US-CO", "Colorado"}, {"US-CT", "Connecticut"},
		{"US-DE", "Delaware"}, {"US-DC", "District of Columbia"}, {"US-FL", "Florida"}, {"US-GA", "Georgia"},
		{"US-GU", "Guam"}, {"US-HI", "Hawaii"}, {"US-ID", "Idaho"}, {"US-IL", "Illinois"},
		{"US-IN", "Indiana"}, {"US-IA", "Iowa"}, {"US-KS", "Kansas"}, {"US-KY", "Kentucky"},
		{"US-LA", "Louisiana"}, {"US-ME", "Maine"}, {"US-MD", "Maryland"}, {"US-MA", "Massachusetts"},
		{"US-MI", "Michigan"}, {"US-MN", "Minnesota"}, {"US-MS", "Mississippi"}, {"US-MO", "Missouri"},
		{"US-MT", "Montana"}, {"US-NE", "Nebraska"}, {"US-NV", "Nevada"}, {"US-NH", "New Hampshire"},
		{"US-NJ", "New Jersey"}, {"US-NM", "New Mexico"}, {"US-NY", "New York"}, {"US-NC", "North Carolina"},
		{"US-ND", "North Dakota"}, {"US-MP", "Northern Mariana Islands"}, {"US-OH", "Ohio"}, {"US-OK", "Oklahoma"},
		{"US-OR", "Oregon"}, {"US-PA", "Pennsylvania"}, {"US-PR", "Puerto Rico"}, {"US-RI", "Rhode Island"},
		{"US-SC", "South Carolina"}, {"US-SD", "South Dakota"}, {"US-TN", "Tennessee"}, {"US-TX", "Texas"},
		{"US-UM", "United States Minor Outlying Islands"}, {"US-UT", "Utah"}, {"US-VT", "Vermont"}, {"US-VI", "Virgin Islands of the United States"},
		{"US-VA", "Virginia"}, {"US-WA", "Washington"}, {"US-WV", "West Virginia"}, {"US-WI", "Wisconsin"},
		{"US-WY", "Wyoming"},
	},
}

// payerPattern is the form of Applies.Payer.
var payerPattern = regexp.MustCompile(`^[a-z][a-z0-9_]*$`)

// checkApplies tells what the tags of Applies can't.
func (d *document) checkApplies(r Region) {
	var top *step
	for i, a := range r.Applies {
		at := top.in("applies").at(i)
		if a.Payer != "" && !payerPattern.MatchString(a.Payer) {
			d.fault(at.in("payer"), said("a word of small letters, digits and _"), verbatim(a.Payer), said("write it like medicare or state_subsidy"))
		}
		if a.Payer == "" && a.Program != "" {
			d.fault(at.in("program"), said("no program without a payer"), verbatim(a.Program), said("name the payer too, or delete the program: a guideline has none"))
		}
		for j, code := range a.Places {
			if c := CountryOf(code); c != code && slices.Contains(a.Places, c) {
				d.fault(at.in("places").at(j), said("a place told once"), said("%s beside %s", code, c), said("delete one of the two"))
			}
		}
	}
}
