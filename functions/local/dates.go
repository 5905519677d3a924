package main

import (
	"bytes"
	"errors"
	"fmt"
	"os"

	"airwarrant/qualify"
	"airwarrant/web/calendar"
)

// writeDates writes the dates that follow as iCalendar. Without any, no file
// is written, and that is told.
func writeDates(res *qualify.Result, name string, e env) error {
	// Cases have no numbers here: what was read, or else the day of the test,
	// tells one from another.
	key := res.Facts["test_date"].Value.Date.String()
	for _, rd := range res.Readings {
		key += " " + rd.SHA256
	}
	var b bytes.Buffer
	err := calendar.Write(&b, "", key, res.Determinations)
	if errors.Is(err, calendar.ErrNoDates) {
		fmt.Fprintf(e.err, "airwarrant: --ics: %v; no file was written\n", err)
		return nil
	}
	if err != nil {
		return fmt.Errorf("--ics: %w", err)
	}
	if err := os.WriteFile(name, b.Bytes(), 0o600); err != nil {
		return fmt.Errorf("--ics: %w; choose a place that can be written", err)
	}
	return nil
}
