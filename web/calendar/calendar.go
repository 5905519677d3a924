// Package calendar writes the dates that follow from a determination as
// iCalendar (RFC 5545), to be taken into a calendar program.
//
// Call Write. An event tells what falls due, in the words of the criteria, and
// the number of the case; nothing of the patient is in it. This package
// decides nothing and reads no clock: the same determination gives the same
// bytes.
package calendar

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	ics "github.com/arran4/golang-ical"

	"airwarrant/qualify/criteria"
	"airwarrant/rules"
)

// ErrNoDates is returned where nothing that follows has a date: a calendar
// holds at least one event.
var ErrNoDates = errors.New("no date follows from the determination")

// Dated returns the consequences that hold and have a date, in the order of
// the criteria.
func Dated(d *criteria.Determination) []criteria.Consequence {
	var out []criteria.Consequence
	for _, c := range d.Consequences {
		if c.State == criteria.Holds && c.DayZero != nil {
			out = append(out, c)
		}
	}
	return out
}

// about are the summaries of events.
var about = map[string]string{"retest": "new test of oxygen at home", "renewal": "renewal of oxygen at home", "serves_until": "the test for oxygen at home serves until then"}

// Write writes one all-day event for each date of the determinations. Number
// is that of the case, "" for none; key tells the case from others where it has
// none. The UID of an event hangs on number and key, the criteria and the
// text, and not on its dates, so that a corrected date replaces the one that a
// calendar holds; DTSTAMP is day 0. The error is ErrNoDates, or that of w; nothing is written with ErrNoDates.
func Write(w io.Writer, number, key string, dets []criteria.Determination) error {
	cal := ics.NewCalendar()
	cal.SetProductId("-//Airwarrant//dates of a determination//EN")
	events := 0
	for i := range dets {
		seen := map[string]int{}
		for _, c := range Dated(&dets[i]) {
			text := c.Part + "\x00" + c.Kind + "\x00" + c.Text
			seen[text]++
			sum := sha256.Sum256(fmt.Appendf(nil, "%s\x00%s\x00%s\x00%s\x00%d", number, key, dets[i].Criteria, text, seen[text]))
			event(cal.AddEvent(hex.EncodeToString(sum[:16])), number, &dets[i], c)
			events++
		}
	}
	if events == 0 {
		return ErrNoDates
	}
	return cal.SerializeTo(w, ics.WithNewLineWindows)
}

func event(e *ics.VEvent, number string, d *criteria.Determination, c criteria.Consequence) {
	first, last := c.From, c.Until
	if first == nil {
		first = last // due by a day: that day
	}
	if last == nil {
		last = first // due from a day on: that day
	}
	e.SetDtStampTime(at(*c.DayZero))
	e.SetAllDayStartAt(at(*first))
	e.SetAllDayEndAt(at(last.AddDays(1))) // DTEND is the day after the last (RFC 5545, 3.6.1)
	what := about[c.Kind]
	if what == "" {
		what = "oxygen at home"
	}
	if number != "" {
		what = "Case " + number + ": " + what
	}
	e.SetSummary(strings.ToUpper(what[:1]) + what[1:])
	text := c.Sentence() + " Criteria " + d.Criteria + " " + d.Version + "."
	if len(c.Cites) > 0 {
		text += " See " + strings.Join(c.Cites, "; ") + "."
	}
	e.SetDescription(text)
	e.SetTimeTransparency(ics.TransparencyTransparent)
}

func at(d rules.Date) time.Time {
	return time.Date(d.Year, time.Month(d.Month), d.Day, 0, 0, 0, 0, time.UTC)
}
