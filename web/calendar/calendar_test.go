package calendar

import (
	"bytes"
	"errors"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	ics "github.com/arran4/golang-ical"

	"airwarrant/qualify/criteria"
	"airwarrant/rules"
)

func day(t *testing.T, s string) *rules.Date {
	t.Helper()
	if s == "" {
		return nil
	}
	d, err := rules.ParseDate(s)
	if err != nil {
		t.Fatal(err)
	}
	return &d
}

// held is a determination with one date.
func held(t *testing.T, from, until string) criteria.Determination {
	return criteria.Determination{Criteria: "xx-test", Version: "2007-01-01", Consequences: []criteria.Consequence{{
		Kind: "retest", Text: "A new test is due; a comma, a semicolon and a line of more than seventy-five octets é é é.", State: criteria.Holds,
		From: day(t, from), Until: day(t, until), DayZero: day(t, "2007-04-23"), Cites: []string{"Example Notice, section 4"}, Status: rules.Verified, Part: criteria.PartFollowUp,
	}}}
}

func written(t *testing.T, number string, d ...criteria.Determination) string {
	t.Helper()
	var b bytes.Buffer
	if err := Write(&b, number, "", d); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// unfold joins folded lines (RFC 5545, section 3.1).
func unfold(s string) []string {
	return strings.Split(strings.TrimSuffix(strings.ReplaceAll(s, "\r\n ", ""), "\r\n"), "\r\n")
}

// The dates of an all-day event are as in the example of RFC 5545, section
// 3.6.1: a festival from 28 June to 8 July 2007 has DTSTART;VALUE=DATE:20070628
// and DTEND;VALUE=DATE:20070709, the end being the day after.
func TestAllDayEvents(t *testing.T) {
	for _, c := range []struct{ from, until, start, end string }{
		{"2007-06-28", "2007-07-08", "20070628", "20070709"},
		{"2007-06-28", "2007-06-28", "20070628", "20070629"},
		{"", "2007-06-28", "20070628", "20070629"},
		{"2007-06-28", "", "20070628", "20070629"},
		{"2024-02-28", "2024-02-29", "20240228", "20240301"},
	} {
		lines := unfold(written(t, "1234", held(t, c.from, c.until)))
		for _, want := range []string{"BEGIN:VCALENDAR", "VERSION:2.0", "BEGIN:VEVENT", "DTSTART;VALUE=DATE:" + c.start, "DTEND;VALUE=DATE:" + c.end,
			"DTSTAMP:20070423T000000Z", "TRANSP:TRANSPARENT", "SUMMARY:Case 1234: new test of oxygen at home", "END:VEVENT", "END:VCALENDAR"} {
			n := 0
			for _, l := range lines {
				if l == want {
					n++
				}
			}
			if n != 1 {
				t.Errorf("%s to %s: expected %q once, found %d times in\n%s", c.from, c.until, want, n, strings.Join(lines, "\n"))
			}
		}
	}
}

// Lines end in CR LF, are folded to 75 octets inside no character, and text
// escapes commas and semicolons (RFC 5545, sections 3.1 and 3.3.11).
func TestContentLines(t *testing.T) {
	s := written(t, "", held(t, "2007-06-28", "2007-07-08"))
	if strings.Count(s, "\n") != strings.Count(s, "\r\n") || !strings.HasSuffix(s, "\r\n") {
		t.Error("a line does not end in CR LF")
	}
	folded := 0
	for _, l := range strings.Split(s, "\r\n") {
		if len(l) > 75 || !utf8.ValidString(l) {
			t.Errorf("%d octets: %q", len(l), l)
		}
		if strings.HasPrefix(l, " ") {
			folded++
		}
	}
	all := strings.Join(unfold(s), "\n")
	if folded == 0 || !strings.Contains(all, `A new test is due\; a comma\, a semicolon`) || !strings.Contains(all, "SUMMARY:New test of oxygen at home\n") {
		t.Errorf("%d folded lines:\n%s", folded, all)
	}
	// The library reads back the days and the text.
	cal, err := ics.ParseCalendar(strings.NewReader(s))
	if err != nil || len(cal.Events()) != 1 {
		t.Fatalf("%v", err)
	}
	start, err := cal.Events()[0].GetAllDayStartAt()
	if err != nil || start.Format(time.DateOnly) != "2007-06-28" {
		t.Errorf("read back: %v, %v", start, err)
	}
	if got := cal.Events()[0].GetProperty(ics.ComponentPropertyDescription).Value; !strings.HasSuffix(got, "(day 0 is 2007-04-23). Criteria xx-test 2007-01-01. See Example Notice, section 4.") {
		t.Errorf("read back: %q", got)
	}
}

func uids(s string) []string {
	var out []string
	for _, l := range unfold(s) {
		if u, ok := strings.CutPrefix(l, "UID:"); ok {
			out = append(out, u)
		}
	}
	return out
}

// A corrected date keeps the UID, another case or text has another, and the
// same determination gives the same bytes.
func TestIdentifiers(t *testing.T) {
	a := held(t, "2007-06-28", "2007-07-08")
	first := written(t, "1", a)
	if first != written(t, "1", a) {
		t.Error("two calendars of one determination differ")
	}
	if uids(first)[0] != uids(written(t, "1", held(t, "2007-06-29", "2007-07-09")))[0] {
		t.Error("a corrected date is another event")
	}
	other := held(t, "2007-06-28", "2007-07-08")
	other.Criteria = "xx-other"
	twice := held(t, "2007-06-28", "2007-07-08")
	twice.Consequences = append(twice.Consequences, twice.Consequences[0])
	seen := map[string]bool{}
	for _, u := range append(append(uids(first), uids(written(t, "2", a))...), uids(written(t, "1", other, twice))[:2]...) {
		seen[u] = true
	}
	if u := uids(written(t, "1", twice)); len(seen) != 3 || len(u) != 2 || u[0] == u[1] {
		t.Errorf("%d identifiers, %v", len(seen), u)
	}
}

// What is open, or has no date, is no event; without any there is no calendar.
func TestNoDates(t *testing.T) {
	open := held(t, "2007-06-28", "")
	open.Consequences[0].State = criteria.Open
	undated := held(t, "", "")
	undated.Consequences[0].DayZero = nil
	for _, d := range []criteria.Determination{{}, open, undated} {
		var b bytes.Buffer
		if err := Write(&b, "1", "", []criteria.Determination{d}); !errors.Is(err, ErrNoDates) || b.Len() != 0 {
			t.Errorf("expected no calendar, found %v, %q", err, b.String())
		}
	}
}
