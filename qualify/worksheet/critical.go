package worksheet

import (
	"cmp"
	"math/big"
	"strings"

	"airwarrant/qualify/analysis"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/recording"
	"airwarrant/rules"
)

// CriticalReading is a saturation at or below the critical limit, from one
// recording, one typed value or one figure of a report.
type CriticalReading struct {
	From    string   // what it was read in: "recording", the meaning of a typed fact, "signed report"
	Lowest  *big.Rat // percent; nil where it is not told
	Seconds *big.Rat // at or below the limit, doubted ones too; nil of a single value
	Doubted *big.Rat // of Seconds, those on doubted readings
	// Fault says that no plausible reading is that low, only numbers that
	// cannot be told from a fault of the recorder: Seconds is of those.
	Fault bool
	At    string     // stamp of the lowest reading, "" of a typed value
	On    rules.Date `json:",omitzero"` // day of the test, zero if it is not known
}

// CriticalSources is where to look for critical readings. Recording and
// Analysis are nil where there is none.
type CriticalSources struct {
	From      string // of the recording: "recording", "recording 2, session 1"
	Recording *recording.Recording
	Analysis  *analysis.Analysis
	Facts     map[string]criteria.Fact
	On        rules.Date
}

// recordingWord is From of the recording that the worksheet is about.
const recordingWord = "recording"

// FindCritical returns what lies at or below limit, in percent, its sources
// worded in l. Every plausible reading counts, doubted or not.
func FindCritical(l rules.Language, limit *big.Rat, src CriticalSources) []CriticalReading {
	var out []CriticalReading
	if a := src.Analysis; a != nil {
		if t := a.AtOrBelow(limit); t.High > 0 {
			c := CriticalReading{From: cmp.Or(src.From, recordingWord), Lowest: a.Nadir.Value, Seconds: a.Seconds(t.Value), Doubted: a.Seconds(t.Value - t.Low), On: src.On}
			if t.Value == 0 {
				c.Fault, c.Lowest, c.Seconds, c.Doubted = true, a.Nadir.Low, a.Seconds(t.High), a.Seconds(t.High)
			} else if src.Recording != nil && a.Nadir.Value != nil {
				c.At = a.Stamp(src.Recording, a.Nadir.At, a.Nadir.AtIndex)
			}
			out = append(out, c)
		}
	}
	for _, def := range rules.Vocabulary() {
		f, ok := src.Facts[def.Name]
		if !ok || f.State == criteria.Unknown || def.Settles == "computed" || def.Unit != "%" || !def.Level || f.Value.Num == nil || f.Value.Num.Cmp(limit) > 0 {
			continue
		}
		out = append(out, CriticalReading{From: l.Say("%s as %s", l.Meaning(def), l.Say(string(f.State))), Lowest: f.Value.Num, On: src.On})
	}
	if f, ok := src.Facts["report"]; ok && f.State != criteria.Unknown {
		for _, r := range f.Value.Report {
			atLevel := r.SpO2 != nil && r.SpO2.Cmp(limit) <= 0 && r.Value.Sign() > 0
			switch r.Measure {
			case "nadir", "mean_spo2": // a mean has some reading at or below it
				if r.Value.Cmp(limit) <= 0 {
					out = append(out, CriticalReading{From: l.Say("%s on the signed report", r.WhatIn(l)), Lowest: r.Value, On: src.On})
				}
			case "time_at_or_below", "time_below", "longest_at_or_below":
				if atLevel {
					_, seconds, _ := r.Bounds()
					out = append(out, CriticalReading{From: l.Say("%s on the signed report", r.WhatIn(l)), Seconds: seconds, Doubted: new(big.Rat), On: src.On})
				}
			case "share_at_or_below", "share_below":
				if atLevel {
					out = append(out, CriticalReading{From: l.Say("%s printed as %s on the signed report, lowest reading at most", r.WhatIn(l), r.PrintedIn(l)), Lowest: r.SpO2, On: src.On})
				}
			}
		}
	}
	return out
}

// Words says one critical reading in English: the value, how long, whether doubted, and
// how old the test is on the day today; a zero day leaves the age out.
func (c CriticalReading) Words(limit *big.Rat, today rules.Date) string {
	return c.WordsIn(rules.Language{}, limit, today)
}

// WordsIn is Words in a language, that of FindCritical.
func (c CriticalReading) WordsIn(l rules.Language, limit *big.Rat, today rules.Date) string {
	var parts []string
	switch {
	case c.Seconds == nil:
		parts = []string{number(l, c.Lowest) + " %"}
	case c.Fault:
		parts = []string{l.Say("%s of numbers at or below %s %% that cannot be told from a fault of the recorder (lowest %s %%)", secondsText(l, c.Seconds), number(l, limit), orDash(numberOr(l, c.Lowest)))}
	default:
		if c.Lowest != nil {
			parts = append(parts, l.Say("lowest reading %s %%", number(l, c.Lowest)))
		}
		parts = append(parts, l.Say("%s at or below %s %%", secondsText(l, c.Seconds), number(l, limit)))
		switch {
		case c.Doubted.Sign() == 0:
			parts = append(parts, l.Say("none of it doubted"))
		case c.Doubted.Cmp(c.Seconds) == 0:
			parts = append(parts, l.Say("all of it doubted"))
		default:
			parts = append(parts, l.Say("of which %s doubted", secondsText(l, c.Doubted)))
		}
	}
	if c.At != "" {
		parts = append(parts, l.Say("lowest at %s", l.Stamp(c.At)))
	}
	switch days := c.AgeDays(today); {
	case c.On.IsZero():
		parts = append(parts, l.Say("the day of the test is not known"))
	case days == nil:
		parts = append(parts, l.Say("test of %s", c.On))
	case *days == 0:
		parts = append(parts, l.Say("test of today"))
	case *days == 1:
		parts = append(parts, l.Say("test of %s", c.On), l.Say("1 day old"))
	default:
		parts = append(parts, l.Say("test of %s", c.On), l.Say("%d days old", *days))
	}
	if c.From != recordingWord {
		parts[0] = c.From + ": " + parts[0]
	}
	return strings.Join(parts, ", ")
}

// AgeDays is how many days old the test is; nil if its day or today is not
// known. A day after today counts as today.
func (c CriticalReading) AgeDays(today rules.Date) *int {
	if c.On.IsZero() || today.IsZero() {
		return nil
	}
	n := max(0, today.Days()-c.On.Days())
	return &n
}

// critical words what lies at or below the setting.
func critical(in Input) string {
	if in.Critical == nil || in.Critical.AtOrBelow == nil {
		return ""
	}
	l, limit, found := in.Language, in.Critical.AtOrBelow, in.CriticalFound
	if found == nil {
		day, _ := criteria.Facts{Named: in.Facts}.Known("test_date")
		found = FindCritical(l, limit, CriticalSources{Recording: in.Recording, Analysis: cmp.Or(in.Analysis, in.Walk), Facts: in.Facts, On: day.Value.Date})
	}
	if len(found) == 0 {
		return ""
	}
	var words []string
	for _, c := range found {
		words = append(words, c.WordsIn(l, limit, in.Critical.Today))
	}
	call := in.Emergency
	if call == "" {
		call = l.Say("the emergency number")
	}
	told := in.Critical.Told
	if told == "" {
		told = l.Say("Nobody is entered as told yet.")
	}
	return l.Say("Critically low reading: tell the treating practitioner now, whatever the verdict; in an emergency call %s. %s. %s (Limit of this alert: %s %%, %s.)",
		call, upper(strings.Join(words, "; ")), told, number(l, limit), l.Say(cmp.Or(in.Critical.Source, "our choice")))
}
