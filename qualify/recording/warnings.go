package recording

import "airwarrant/rules/wording"

// Codes of the warnings that the reader of delimited text and the ordering of
// samples give. Each is stable; the sentence beside it in Warning.Text is not.
const (
	WarnByNumbers      = "columns_by_numbers"   // no header: the column of saturation was recognised by its numbers alone
	WarnNotSaturation  = "not_a_saturation"     // numbers below 0 or above 100 that are no known code were read as no reading
	WarnNotPulse       = "not_a_pulse"          // numbers below 0 or above 999 in the pulse column were read as no reading
	WarnUnknownMark    = "unknown_quality_mark" // a quality word that the reader does not know; its samples are doubted
	WarnColumnNotRead  = "column_not_read"      // a quality column that holds numbers alone, whose meaning the file does not say
	WarnFoot           = "foot_not_read"        // lines below the table were not read
	WarnCutRow         = "last_row_cut"         // the last row is cut short and was not read
	WarnCutStart       = "first_row_cut"        // the first row is cut short and was not read
	WarnCutFile        = "zero_bytes_at_end"    // zero bytes at the end: the file may be cut short
	WarnBlankRows      = "blank_rows"           // rows without any value were passed over
	WarnCopies         = "copies_dropped"       // exact copies of rows were dropped
	WarnConflict       = "conflicting_rows"     // two values at one instant: neither is used
	WarnJitter         = "stamps_jitter"        // whole-second stamps of jittering rows were moved by one step
	WarnSpread         = "stamps_spread"        // stamps that repeat evenly were spread evenly
	WarnTransposed     = "rows_put_in_order"    // rows whose stamps transpose were put in order
	WarnNewestFirst    = "newest_first"         // rows or blocks stored newest first were put in order
	WarnSteppedBack    = "clock_stepped_back"   // the clock stepped back: recorded time is unknown
	WarnWholeHour      = "whole_hour_jump"      // the clock jumped by one hour and no zone is known
	WarnRepeatedHour   = "repeated_hour"        // stamps lie in an hour that the zone repeats; read by continuity
	WarnZoneNotUsed    = "zone_not_used"        // a zone was given and the stamps carry no date, or carry offsets
	WarnTwoDigitYear   = "two_digit_year"       // years of two digits were read as 1970 to 2069
	WarnStampsCut      = "stamps_cut"           // stamps finer than a microsecond were cut to it
	WarnDatePreamble   = "date_from_preamble"   // rows carry times of day; the date of the first is taken from above the table
	WarnDateNotRead    = "date_not_read"        // the date above the table can be read in two ways or several are given
	WarnStart          = "start_from_preamble"  // rows count time; the start is taken from above the table
	WarnStartUnknown   = "start_unknown"        // rows count time from a start that the file does not say
	WarnStartLate      = "starts_late"          // the first row is later than the start above the table: the memory may have overwritten it
	WarnSerial         = "serial_stamps"        // stamps are a spreadsheet's day numbers, rounded as a warning says
	WarnEpoch          = "epoch_stamps"         // stamps count from 1970-01-01 UTC; local dates need the zone
	WarnClockDefault   = "clock_default"        // the date looks like that of a clock which nobody set
	WarnMarksCut       = "marks_cut"            // more marks than are kept
	WarnSeveralPersons = "several_persons"      // a column of names or identifiers holds more than one value
)

// warning is a Warning with its text in parts.
func warning(code, format string, args ...any) Warning {
	t := wording.Said(format, args...)
	return Warning{Code: code, Text: t.String(), Said: t}
}
