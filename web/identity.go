package web

import (
	"slices"
	"strings"
	"time"
	"unicode"

	"golang.org/x/text/unicode/norm"

	"airwarrant/qualify"
	"airwarrant/qualify/recording"
	"airwarrant/qualify/worksheet"
	"airwarrant/rules"
	"airwarrant/rules/wording"
)

type identityRow = worksheet.IdentityRow

// compareIdentity lays what the file says about the patient beside the case.
// A kind that only one of the two knows is no difference. A birth date that
// cannot be read with certainty is one, and so is a file of several persons:
// somebody has to look.
func compareIdentity(f *file, res *qualify.Result) []identityRow {
	if len(res.Readings) == 0 || res.Readings[0].Recording == nil {
		return nil
	}
	explained := ""
	if u := f.upload(); f.Identity.K > 0 && !f.Identity.At.Before(u.At) {
		explained = f.IdentityWords + " (" + f.Identity.By + ")"
	}
	var out []identityRow
	for _, w := range res.Readings[0].Recording.Warnings {
		if w.Code == recording.WarnSeveralPersons {
			out = append(out, identityRow{What: "persons", Case: f.Patient.Name, Other: "several names or identifiers", Where: wording.Said("the file"), Explained: explained})
		}
	}
	for _, d := range res.Readings[0].Recording.Declared {
		row := identityRow{Other: d.Value, Where: d.Where}
		switch d.Kind {
		case "name":
			row.What, row.Case = "name", f.Patient.Name
			row.Same = sameName(row.Case, d.Value)
		case "birth_date":
			row.What, row.Case = "birth date", f.Patient.Birth.String()
			got, ok := anyDate(d.Value)
			row.Same = ok && got == f.Patient.Birth
		case "identifier":
			row.What, row.Case = "identifier", f.Patient.Identifier
			row.Same = plain(row.Case) == plain(d.Value)
		default:
			continue
		}
		if row.Case == "" || strings.TrimSpace(d.Value) == "" {
			continue
		}
		if !row.Same {
			row.Explained = explained
		}
		out = append(out, row)
	}
	return out
}

// sameName reports whether two names are one without case, order and
// punctuation: "MERRIN, Ada" and "Ada Merrin" are one name, "Ada Merrin" and "A.
// Merrin" are two, and so are "Subject 17" and "Subject 18". What has no letter
// and no digit is compared as it stands.
func sameName(a, b string) bool {
	x, y := nameParts(a), nameParts(b)
	if len(x)+len(y) == 0 {
		return strings.TrimSpace(a) == strings.TrimSpace(b)
	}
	return slices.Equal(x, y)
}

// nameParts are the words of a name, with letters that look alike in one form.
func nameParts(s string) []string {
	parts := strings.FieldsFunc(strings.ToLower(norm.NFC.String(s)), func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsMark(r) && !unicode.IsNumber(r) })
	slices.Sort(parts)
	return parts
}

// plain is an identifier without case, blanks and hyphens.
func plain(s string) string {
	return strings.Map(func(r rune) rune {
		if r == '-' || r == '_' || unicode.IsSpace(r) {
			return -1
		}
		return unicode.ToLower(r)
	}, s)
}

// anyDate reads the forms of a date in which no two numbers can be mistaken
// for each other.
func anyDate(s string) (rules.Date, bool) {
	for _, layout := range []string{"2006-01-02", "02-Jan-2006", "2 Jan 2006", "2 January 2006", "20060102"} {
		if t, err := time.Parse(layout, strings.TrimSpace(s)); err == nil {
			return rules.Date{Year: t.Year(), Month: int(t.Month()), Day: t.Day()}, true
		}
	}
	return rules.Date{}, false
}
