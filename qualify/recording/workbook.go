package recording

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"airwarrant/rules/wording"
)

// WarnSheets warns of sheets of a workbook that were not read.
const WarnSheets = "sheets_not_read"

// cutSheet takes sheet=NAME out of a mapping, which is the workbook's own key.
func cutSheet(columns string) (sheet, rest string, err error) {
	var keep []string
	for s := columns; strings.TrimSpace(s) != ""; {
		key, after, ok := strings.Cut(s, "=")
		if !ok {
			return "", columns, nil // ParseColumns says what is wrong
		}
		key = strings.ToLower(strings.TrimSpace(key))
		value, next, err := columnsValue(key, after)
		if err != nil {
			return "", "", err
		}
		if key != "sheet" {
			keep = append(keep, strings.TrimSuffix(s[:len(s)-len(next)], ","))
		} else if sheet = value; sheet == "" {
			return "", "", columnsError(key, wording.Said("the name or number of a sheet"), wording.Said("none"))
		}
		s = next
	}
	return sheet, strings.Join(keep, ","), nil
}

// readWorkbook reads the one sheet of a workbook that holds a recording, by
// the rules of delimited text.
func readWorkbook(data []byte, opt Options, zone *time.Location) (*Recording, error) {
	refuse := func(err error, field, expected, found, mend wording.Text) error {
		return &FormatError{Format: "workbook", Offset: -1, Field: field, Expected: expected, Found: found, Mend: mend, Err: err}
	}
	if opt.Workbook == nil {
		return nil, refuse(ErrFormat, wording.Text{}, wording.Said("a recording that is no workbook"), wording.Said("a workbook"), wording.Said("save the sheet as delimited text and give that file"))
	}
	sheet, columns, err := cutSheet(opt.Columns)
	if err != nil {
		return nil, err
	}
	opt.Columns = columns
	names, texts, err := opt.Workbook(data, opt.limit())
	if err != nil {
		return nil, fmt.Errorf("%w: %w", refuse(ErrFormat, wording.Text{}, wording.Said("a workbook that can be read"), wording.Said("one that cannot"), wording.Said("save the sheet as delimited text and give that file")), err)
	}
	var only *Recording
	var fits []string
	var first, told error // told: of a sheet that has a table of saturations
	filled := 0
	for i, name := range names {
		number := strconv.Itoa(i + 1)
		if len(texts[i]) == 0 || sheet != "" && !strings.EqualFold(sheet, name) && sheet != number {
			continue
		}
		filled++
		rec, err := readText(texts[i], opt, zone)
		if err != nil {
			err = fmt.Errorf("workbook, sheet %s: %w", number, err)
			if first == nil {
				first = err
			}
			if told == nil && !errors.Is(err, ErrNoSpO2) && !noTable(err) {
				told = err
			}
			continue
		}
		only = rec
		fits = append(fits, number)
	}
	switch {
	case filled == 0 && sheet != "":
		return nil, refuse(ErrOptions, wording.Said("columns sheet"), wording.Said("the name, or the number from 1, of a sheet with cells"), wording.Said("none such"), wording.Said("the workbook has %d sheets", len(names)))
	case filled == 0:
		return nil, refuse(ErrFormat, wording.Text{}, wording.Said("a sheet with a table"), wording.Said("empty sheets"), exportMend)
	case len(fits) > 1:
		return nil, refuse(ErrAmbiguous, wording.Said("sheets"), wording.Said("one sheet with a recording"), wording.Said("sheets %s", strings.Join(fits, ", ")), wording.Said("say which sheet%s", columnsFlag("sheet=NAME or sheet=NUMBER")))
	case len(fits) == 0 && told != nil:
		return nil, told
	case len(fits) == 0:
		return nil, first
	case told != nil:
		// Beside a sheet that can be read stands one that holds readings and
		// is damaged, or asks something: which one counts is not ours to say.
		return nil, refuse(ErrAmbiguous, wording.Said("sheets"), wording.Said("one sheet with a recording"), wording.Said("sheet %s and one that cannot be read", fits[0]), wording.Said("say which sheet%s", columnsFlag("sheet=NAME or sheet=NUMBER")))
	}
	only.Format = FormatXLSX
	only.Layout = append([]wording.Text{wording.Said("Workbook, sheet %s, taken as the delimited text that it would be saved as; times and dates are those of the cells.", fits[0])}, only.Layout...)
	if n := filled - 1; n > 0 {
		only.Warnings = append(only.Warnings, warning(WarnSheets, "%d other %s of the workbook %s no recording and %s not read.", n, plural(n, "sheet", "sheets"), plural(n, "holds", "hold"), plural(n, "was", "were")))
	}
	return only, nil
}

// noTable tells whether a refusal of delimited text says that there is no
// table of readings at all, as in a sheet of notes.
func noTable(err error) bool {
	var f *FormatError
	return errors.As(err, &f) && errors.Is(err, ErrFormat) && f.Line == 0
}
