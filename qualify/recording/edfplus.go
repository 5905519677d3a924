package recording

import (
	"bytes"
	"strconv"
	"strings"
	"time"

	"airwarrant/rules/wording"
)

// edfMark is an annotation: nanoseconds after the header's start, and a text.
type edfMark struct {
	onset int64
	text  string
}

// readOnsets reads the annotations signals of EDF+. The first annotation of
// the first such signal keeps the time of its data record (EDF+ 2.2.4).
func (e *edfReader) readOnsets() error {
	if e.rec.Format == FormatEDF {
		return nil
	}
	var signals []edfSignal
	for _, s := range e.signals {
		if s.label == edfAnnotations && s.perRecord > 0 {
			signals = append(signals, s)
		}
	}
	gaps := e.rec.Format == FormatEDFD
	if len(signals) == 0 {
		if gaps {
			return e.fail(edfHead, wording.Said("labels"), wording.Said("a signal %q, which tells when each data record starts", edfAnnotations), wording.Said("none"), edfMend)
		}
		e.warn(WarnNoAnnotations, "An EDF+ file must have a signal of annotations and this one has none; its data records were read one after the other.")
		return nil
	}
	damaged, unread, late := 0, 0, int64(0)
	onsets := make([]int64, e.records)
	for k := range onsets {
		base := e.header + int64(k)*e.recordSize
		for i, s := range signals {
			at := base + s.offset
			b := e.data[at : at+2*s.perRecord]
			for first := i == 0; len(b) > 0 && (b[0] != 0 || first); first = false {
				onset, texts, n, ok := parseTAL(b)
				if !ok {
					if first && gaps {
						return e.fail(at, wording.Said("onset of data record %d", k+1), wording.Said("a sign, a number of seconds and byte 20 (EDF+ 2.2.4)"), wording.Said("none"), edfMend)
					}
					if first {
						late++
						onsets[k] = onsets[0] + int64(k)*e.duration
					}
					damaged++
					break
				}
				if first {
					onsets[k] = onset
				}
				for _, t := range texts {
					if len(e.marks) == maxAnnotations {
						unread++
						continue
					}
					e.marks = append(e.marks, edfMark{onset, strings.ToValidUTF8(string(t), "\ufffd")})
				}
				b = b[n:]
			}
		}
	}
	if damaged > 0 {
		e.warn(WarnAnnotations, "In %d places annotations are damaged and were not read.", damaged)
	}
	if unread > 0 {
		e.warn(WarnAnnotations, "Only the first %d annotations were read; %d more are in the file.", maxAnnotations, unread)
	}
	e.onsets = onsets
	if gaps {
		return nil
	}
	// Without gaps the records follow each other; an onset that says
	// otherwise by at least half a sample is believed, and told.
	half := e.duration / max(1, e.sat.perRecord) / 2
	for k, o := range onsets {
		if d := o - onsets[0] - int64(k)*e.duration; d > half || d < -half {
			e.warn(WarnRecordOnsets, "The file says that it has no gaps, but data record %d does not start where the one before ends; each record is placed at the onset that it tells.", k+1)
			return nil
		}
	}
	for k := range onsets {
		onsets[k] = onsets[0] + int64(k)*e.duration
	}
	if late > 0 {
		e.warn(WarnRecordOnsets, "%d data records do not tell their onset; they were read one after the other.", late)
	}
	return nil
}

// parseTAL reads one time-stamped annotations list (EDF+ 2.2.2) at the front
// of b: an onset with a mandatory sign, perhaps byte 21 and a duration, byte
// 20, texts that each end in byte 20, and a byte 0. It returns the onset in
// nanoseconds (finer digits are cut), the texts that are not empty and the
// length of the list.
func parseTAL(b []byte) (onset int64, texts [][]byte, n int, ok bool) {
	end := bytes.IndexByte(b, 0)
	if end < 0 {
		return 0, nil, 0, false
	}
	stamp, rest, ok := bytes.Cut(b[:end], []byte{20})
	if !ok {
		return 0, nil, 0, false
	}
	when, duration, has := bytes.Cut(stamp, []byte{21})
	if onset, ok = parseOnset(string(when)); !ok {
		return 0, nil, 0, false
	}
	if has {
		if _, ok = parseOnset("+" + string(duration)); !ok {
			return 0, nil, 0, false
		}
	}
	for len(rest) > 0 {
		var text []byte
		if text, rest, ok = bytes.Cut(rest, []byte{20}); !ok {
			return 0, nil, 0, false
		}
		if len(text) > 0 {
			texts = append(texts, text)
		}
	}
	return onset, texts, end + 1, true
}

// parseOnset reads seconds with a mandatory sign as nanoseconds.
func parseOnset(s string) (int64, bool) {
	if len(s) < 2 || s[0] != '+' && s[0] != '-' {
		return 0, false
	}
	whole, frac, dot := strings.Cut(s[1:], ".")
	if whole == "" || len(whole) > 10 || strings.Trim(whole+frac, "0123456789") != "" || dot && frac == "" {
		return 0, false
	}
	// At most ten digits each: neither can fail.
	sec, _ := strconv.ParseInt(whole, 10, 64)
	ns, _ := strconv.ParseInt((frac + "000000000")[:9], 10, 64)
	if sec > maxEDFSeconds {
		return 0, false
	}
	ns += sec * nanos
	if s[0] == '-' {
		ns = -ns
	}
	return ns, true
}

// readPersons turns the patient and recording fields into declarations and
// returns the start date of the recording field, zero if it has none. In EDF+
// (items 3 and 4) they are parts without spaces, X where unknown; plain EDF
// may write them so, or as free text.
func (e *edfReader) readPersons() time.Time {
	declare := func(kind, value string, where wording.Text) {
		// A part writes its own spaces in another way, such as _.
		if value = strings.TrimSpace(strings.ReplaceAll(value, "_", " ")); value != "" && value != "X" {
			e.rec.Declared = append(e.rec.Declared, Declaration{Kind: kind, Value: value, Where: where})
		}
	}
	patient, recording := wording.Said("EDF header, patient field"), wording.Said("EDF header, recording field")
	text := e.text(8, 80)
	switch p := strings.Fields(text); {
	case len(p) >= 4 && (p[1] == "F" || p[1] == "M" || p[1] == "X") && edfBirth(p[2]) != "":
		declare("identifier", p[0], patient)
		declare("sex", p[1], patient)
		declare("birth_date", edfBirth(p[2]), patient)
		declare("name", p[3], patient)
	default:
		declare("name", text, patient)
		if e.rec.Format != FormatEDF {
			e.warn(WarnPersonFields, "The patient field does not have the parts that EDF+ asks for; it was read as free text.")
		}
	}

	var start time.Time
	text = e.text(88, 80)
	p := strings.Fields(text)
	if len(p) < 2 || p[0] != "Startdate" {
		declare("equipment", text, recording)
	} else {
		if t, ok := edfDate(p[1]); ok {
			start = t
			declare("start_date", t.Format(time.DateOnly), recording)
		}
		for i, kind := range []string{"identifier", "technician", "equipment"} {
			if 2+i < len(p) {
				declare(kind, p[2+i], recording)
			}
		}
	}

	for _, f := range []struct {
		before int64
		name   wording.Text
	}{{16, wording.Said("transducer")}, {136, wording.Said("prefilter")}} {
		if s := e.text(e.field(f.before, 80, e.sat.number-1), 80); strings.Contains(strings.ToLower(s), "averag") {
			declare("averaging", s, wording.Said("EDF header, %s of signal %d", f.name, e.sat.number))
		}
	}
	return start
}

// edfBirth returns a birth date as year-month-day, X for unknown, "" for
// anything else.
func edfBirth(s string) string {
	if s == "X" {
		return s
	}
	if t, ok := edfDate(s); ok {
		return t.Format(time.DateOnly)
	}
	return ""
}

// edfDate reads dd-MMM-yyyy with English months, in capitals by the
// specification and in any case by us.
func edfDate(s string) (time.Time, bool) {
	t, err := time.Parse("02-Jan-2006", s)
	return t, err == nil && t.Year() >= 1800 && t.Year() <= 2199
}
