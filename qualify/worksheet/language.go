package worksheet

import (
	"bytes"
	"fmt"
	"strconv"
)

// withLanguage sets the natural language (BCP 47) of a finished file and asks readers
// to show its title instead of its name (ISO 32000-1, 14.9.2 and 12.2): the
// library cannot. The catalog is the last object that it writes, so that only
// the place of the cross-reference table behind it moves.
func withLanguage(pdf []byte, language string) ([]byte, error) {
	catalog := []byte("/Type /Catalog\n")
	at := bytes.LastIndex(pdf, catalog)
	start := []byte("startxref\n")
	end := bytes.LastIndex(pdf, start)
	if at < 0 || end < at {
		return nil, fmt.Errorf("worksheet PDF: expected the catalog before the end of the file, found none; the PDF library has changed")
	}
	at, end = at+len(catalog), end+len(start)
	digits := bytes.IndexByte(pdf[end:], '\n')
	if digits < 0 {
		return nil, fmt.Errorf("worksheet PDF: expected a line with the place of the cross-reference table, found none; the PDF library has changed")
	}
	table, err := strconv.Atoi(string(pdf[end : end+digits]))
	if err != nil || table <= at {
		return nil, fmt.Errorf("worksheet PDF: expected the cross-reference table behind the catalog, found place %q; the PDF library has changed", pdf[end:end+digits])
	}
	entry := "/Lang (" + language + ")\n/ViewerPreferences <</DisplayDocTitle true>>\n"
	var out bytes.Buffer
	out.Write(pdf[:at])
	if older := []byte("%PDF-1.3"); bytes.HasPrefix(pdf, older) {
		out.Bytes()[len(older)-1] = '4' // both entries are of PDF 1.4
	}
	out.WriteString(entry)
	out.Write(pdf[at:end])
	out.WriteString(strconv.Itoa(table + len(entry)))
	out.Write(pdf[end+digits:])
	return out.Bytes(), nil
}
