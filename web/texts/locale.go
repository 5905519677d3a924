package texts

import (
	"fmt"
	"slices"
	"strings"

	"golang.org/x/text/language"
	"golang.org/x/text/message"
	"golang.org/x/text/number"
)

// Locale is how a language writes figures and days in a territory.
type Locale struct {
	// Tag is its name for machines (BCP 47): "es-US".
	Tag string
	// Decimal stands between a whole number and its decimals.
	Decimal string
	Days
}

// Days is how days are written: equal values write them alike.
type Days struct {
	months [12]string
	first  bool // the month stands before the day
}

// In is l as it is written in a territory (ISO 3166-1, two letters); "" is none.
// The decimal sign is that of the Common Locale Data Repository, which
// golang.org/x/text holds: it follows the territory, so that Spanish has a point
// in the United States and a comma in Spain. The order of day and month is that
// of its medium date.
func (l *Language) In(territory string) Locale {
	tag := language.Make(l.Tag)
	if region, err := language.ParseRegion(territory); err == nil && territory != "" {
		tag, _ = language.Compose(tag, region)
	}
	printed := message.NewPrinter(tag).Sprint(number.Decimal(1.5))
	return Locale{Tag: tag.String(), Decimal: strings.Trim(printed, "15"), Days: Days{months[l.Tag], l.Tag == English.Tag && monthFirst[territory]}}
}

// DaysWritten are all the ways in which l writes days, in any territory.
func (l *Language) DaysWritten() []Days {
	out := []Days{l.In("").Days}
	for territory := range monthFirst {
		if d := l.In(territory).Days; !slices.Contains(out, d) {
			out = append(out, d)
		}
	}
	return out
}

// months are the names of the medium date of the Common Locale Data Repository
// (abbreviated, as they stand in a date), without the full stop that some of
// them have in some editions. September is cut to three letters like the others.
var months = map[string][12]string{
	"en": {"Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"},
	"es": {"ene", "feb", "mar", "abr", "may", "jun", "jul", "ago", "sep", "oct", "nov", "dic"},
}

// monthFirst are the territories whose medium date in English begins with the
// month (Common Locale Data Repository, from memory).
var monthFirst = map[string]bool{"US": true, "CA": true, "PH": true}

// Day writes a day with its month in letters, so that no two numbers can be
// taken for each other: "13 mar 2024", "Mar 13, 2024".
func (d Days) Day(year, month, day int) string {
	if month < 1 || month > 12 {
		return fmt.Sprintf("%04d-%02d-%02d", year, month, day)
	}
	if d.first {
		return fmt.Sprintf("%s %d, %04d", d.months[month-1], day, year)
	}
	return fmt.Sprintf("%d %s %04d", day, d.months[month-1], year)
}
