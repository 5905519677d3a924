package web

import (
	"strings"

	"airwarrant/rules"
	"airwarrant/web/texts"
)

// Wording is how the chain words its texts in l and writes figures and days for
// criteria of a region: as l is written in its territory.
func Wording(l *texts.Language, r rules.Region) rules.Language {
	locale := l.In(territoryOf(r))
	return rules.Language{Tag: locale.Tag, Said: l.Said, Decimal: locale.Decimal,
		Day: func(d rules.Date) string { return locale.Day(d.Year, d.Month, d.Day) }}
}

// territoryOf is the one country (ISO 3166-1) whose patients come under criteria,
// "" where there are several or none is named.
func territoryOf(r rules.Region) string {
	one := ""
	for _, a := range r.Applies {
		for _, place := range a.Places {
			country, _, _ := strings.Cut(place, "-")
			if one != "" && one != country {
				return ""
			}
			one = country
		}
	}
	return one
}
