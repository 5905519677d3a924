package worksheet

import (
	"math/big"
	"strings"
	"testing"
	"time"

	"airwarrant/qualify/analysis"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/recording"
	"airwarrant/rules"
	"airwarrant/rules/wording"
)

// The scenario of these tests is invented: an invented payer's notice, asking
// a total of at least 5 min at or below 88 %, and patients who do not exist.

// night is 7 h 48 min at one sample in 4 s from 22:14, with dips after 01:30
// and 04:10, a cable that came off from 00:00 to 00:15, motion for 72 s inside
// the first dip, and one impossible number.
func night() *recording.Recording {
	start := time.Date(2030, 3, 1, 22, 14, 0, 0, time.UTC).Unix()
	rec := &recording.Recording{SHA256: strings.Repeat("5ea1", 16), Size: 181234, Format: recording.FormatText, Container: "none",
		PerSecond: 1, SpO2Scale: recording.Scale{Mul: 1, Den: 1}, PulseScale: recording.Scale{Mul: 1, Den: 1},
		Layout:   []wording.Text{wording.Said("Semicolon between fields, times as year-month-day, saturation in column 2, pulse in column 3.")},
		Codes:    []recording.Count{{Column: "SpO2", Token: "127", N: 225}},
		Warnings: []recording.Warning{{Code: "averaging", Said: wording.Said("The averaging time of the oximeter is not stated in the file.")}}}
	noise := uint32(7)
	for i := 0; i < 7*900+48*15; i++ {
		noise = noise*1664525 + 1013904223
		v := int32(93 + noise>>31)
		t := int64(i) * 4
		switch {
		case t >= 6360 && t < 7260:
			v = recording.NoReading
		case t >= 11760 && t < 12060: // 01:30:00, five minutes
			v = 84 + int32(noise>>30)
		case t >= 21360 && t < 21438: // 04:10:00, 80 s
			v = 86
		case t == 24000:
			v = 41
		}
		f := recording.Flag(0)
		if t >= 11800 && t < 11872 {
			f = recording.FlagMotion
		}
		rec.Time = append(rec.Time, start+t)
		rec.SpO2 = append(rec.SpO2, v)
		rec.Pulse = append(rec.Pulse, 61+int32(noise>>29))
		rec.Flags = append(rec.Flags, f)
	}
	return rec
}

func pct(n int64) *rules.Quantity { return &rules.Quantity{Rat: big.NewRat(n, 1), Unit: "%"} }

func samplePack() *rules.Pack {
	until := rules.Date{Year: 2031, Month: 12, Day: 31}
	return &rules.Pack{
		Region:        rules.Region{Region: "xx-harbour", Name: "Harbour Mutual (invented)", Payer: "Harbour Mutual"},
		EffectiveFrom: rules.Date{Year: 2030, Month: 1, Day: 1}, Until: &until, KnownSince: rules.Date{Year: 2029, Month: 11, Day: 20},
		Title:   "Harbour Mutual notice on oxygen at home",
		Reading: rules.Reading{ReportLevel: pct(88)},
		Criteria: &rules.Node{ID: "root", AllOf: []*rules.Node{
			{ID: "ordered", Fact: "ordered_by_treating_practitioner", Is: "true"},
			{ID: "air", Fact: "test_oxygen", Is: "room_air"},
			{ID: "asleep", AnyOf: []*rules.Node{
				{ID: "asleep-88", Fact: "time_at_or_below", SpO2: pct(88)},
				{ID: "rest-88", Fact: "rest_spo2"},
			}},
			{ID: "discharged", Fact: "days_test_to_discharge"},
		}},
	}
}

func sampleFacts() map[string]criteria.Fact {
	return map[string]criteria.Fact{
		"test_date":     {Name: "test_date", State: criteria.Stated, Value: criteria.Value{Date: rules.Date{Year: 2030, Month: 3, Day: 1}}},
		"test_state":    {Name: "test_state", State: criteria.Stated, Value: criteria.Value{Word: "asleep"}},
		"test_oxygen":   {Name: "test_oxygen", State: criteria.Stated, Value: criteria.Value{Word: "room_air"}},
		"test_place":    {Name: "test_place", State: criteria.Stated, Value: criteria.Value{Word: "home"}},
		"symptoms":      {Name: "symptoms", State: criteria.Unknown},
		"written_order": {Name: "written_order", State: criteria.Unknown},
		"ordered_by_treating_practitioner": {Name: "ordered_by_treating_practitioner", State: criteria.Located, Value: criteria.Value{Bool: true},
			Place: &criteria.Place{Document: "order sheet", Date: rules.Date{Year: 2030, Month: 2, Day: 20}, Page: "3", By: "Mira Quell, front desk"}},
	}
}

// english is the language of the golden worksheets.
var english rules.Language

const sampleCite = "Harbour Mutual notice 12, section 4.2, edition 2030"

func leaf(id, label, asked, found string, v criteria.Verdict, decided bool) criteria.Finding {
	return criteria.Finding{ID: id, Label: label, Asked: asked, Found: found, Outcome: v, Decided: decided,
		Cites: []string{sampleCite}, Status: rules.Verified}
}

// sample returns the input of a named situation.
func sample(name string) Input {
	rec := night()
	a := analysis.Analyze(rec, rec.Sessions(0)[0], analysis.Options{})
	d := criteria.Determination{Criteria: "xx-harbour", Version: "2030-01-01", PackSHA256: strings.Repeat("0c", 32),
		Title: "Harbour Mutual notice on oxygen at home", Outcome: criteria.Qualifies, Disposition: "covered", Status: rules.Verified,
		DecidedBy: []string{"asleep-88"},
		Because:   "6.33 min at or below 88 % asleep (between 5.13 and 6.4 however the doubtful readings are read), at least 5 min asked",
		OnFile: []criteria.OnFile{
			{Item: "the signed written order", State: "missing", Cite: "Harbour Mutual notice 12, section 6", Fact: "written_order"},
			{Item: "the tester's signed report", State: "seen", Cite: "Harbour Mutual notice 12, section 6", Where: "fax of 2030-03-04", Fact: "test_report"},
			{Item: "the note that shows the evaluation", State: "located", Cite: "Harbour Mutual notice 12, section 6", Where: "progress note, 2030-03-05, page 2", Fact: "evaluation_note"},
		},
		Allows:   []string{"A stationary unit for use asleep."},
		FollowUp: []string{"A new test is due. From 2030-05-08 to 2030-06-07 (day 0 is 2030-03-09)."},
		Consequences: []criteria.Consequence{
			{Kind: "stationary", Text: "A stationary unit for use asleep.", State: criteria.Holds, Cites: []string{sampleCite}, Status: rules.Verified, Part: criteria.PartAllows},
			{Kind: "portable", Text: "A portable unit too, if the patient is mobile within the home.", State: criteria.Open, Cites: []string{sampleCite}, Status: rules.Verified, Part: criteria.PartAllows,
				Asks: []criteria.Ask{{Fact: "mobile_in_home", Question: "Does the chart say whether the patient is mobile within the home?", Who: rules.Office}}},
			{Kind: "retest", Text: "A new test is due.", State: criteria.Holds, Cites: []string{"Harbour Mutual notice 12, section 7"}, Status: rules.Secondary, Part: criteria.PartFollowUp,
				From: &rules.Date{Year: 2030, Month: 5, Day: 8}, Until: &rules.Date{Year: 2030, Month: 6, Day: 7}, DayZero: &rules.Date{Year: 2030, Month: 3, Day: 9}},
		},
		Document: []string{"Note at which altitude the test was taken. See Harbour Mutual notice 12, section 8."},
		Notes:    []string{"Reading a level of 88.4 % as 88 % or as it stands gives the same verdict."},
		Cautions: []string{"This payer is invented; a worksheet under its criteria means nothing."},
	}
	asleep := leaf("asleep-88", "Low saturation asleep", "total time at or below 88 % is at least 5 min", "6.33 min (5.13 to 6.4)", criteria.Met, true)
	rest := leaf("rest-88", "Low saturation at rest, awake", "at or below 88 %", "not asked", criteria.NotApplicable, false)
	d.Clauses = []criteria.Finding{
		leaf("ordered", "Ordered by the treating practitioner", "yes", "yes", criteria.Met, false),
		leaf("air", "Taken on room air", "room air", "room air", criteria.Met, false),
		{ID: "asleep", Label: "Low saturation", Asked: "any one", Outcome: criteria.Met, Cites: []string{sampleCite}, Status: rules.Verified, Parts: []criteria.Finding{asleep, rest}},
		leaf("discharged", "Within 2 days of discharge", "0 to 2 days from test to discharge, if an inpatient", "not an inpatient", criteria.NotApplicable, false),
	}
	in := Input{Program: "airwarrant 0.1", Printed: rules.Date{Year: 2030, Month: 3, Day: 6}, Demo: true,
		Case: CaseInfo{Number: "HB-0007", PatientName: "Łucja Thế-Ferrié", BirthDate: rules.Date{Year: 1951, Month: 7, Day: 9},
			Payer: "Harbour Mutual", Supplier: "Tidewater Home Medical (invented)"},
		Pack: samplePack(), Determination: d, Facts: sampleFacts(), Recording: rec, Analysis: a, SessionNo: 1, SessionCount: 1,
		Identity: []IdentityRow{
			{What: "Name", Case: "Łucja Thế-Ferrié", Other: "THE-FERRIE LUCJA", Where: wording.Verbatim("recording, header line 3"), Explained: "same person: the oximeter prints no accents (M. Quell, 2030-03-04)"},
			{What: "Birth date", Case: "1951-07-09", Other: "1951-07-09", Where: wording.Verbatim("recording, header line 4"), Same: true},
		}}
	switch name {
	case "met":
	case "not-met":
		in.Determination.Outcome, in.Determination.Disposition = criteria.DoesNotQualify, "not_covered"
		in.Determination.Because = "3.1 min at or below 88 % asleep (between 2.9 and 3.4), at least 5 min asked"
		in.Determination.Allows, in.Determination.FollowUp, in.Determination.Consequences = nil, nil, nil
		in.Determination.Clauses[2] = leaf("asleep-88", "Low saturation asleep", "total time at or below 88 % is at least 5 min", "3.1 min (2.9 to 3.4)", criteria.NotMet, true)
	case "open":
		in.Determination.Outcome, in.Determination.Disposition = criteria.Undetermined, "incomplete"
		in.Determination.DecidedBy = nil
		in.Determination.Because = "4.8 to 5.4 min at or below 88 % asleep lie on both sides of 5 min"
		in.Determination.Allows, in.Determination.FollowUp, in.Determination.Consequences = nil, nil, nil
		in.Determination.Clauses[2].Outcome = criteria.Unclear
		in.Determination.Clauses[2].Parts[0] = leaf("asleep-88", "Low saturation asleep", "total time at or below 88 % is at least 5 min", "4.8 to 5.4 min", criteria.Unclear, false)
		in.Determination.Clauses[2].Parts[1].Outcome, in.Determination.Clauses[2].Parts[1].Found = criteria.Unclear, "not known"
		in.Determination.Clauses[1] = leaf("air", "Taken on room air", "room air", "not known", criteria.Unclear, false)
		delete(in.Facts, "test_oxygen")
		in.Determination.Needs = []criteria.Need{
			{Fact: "test_oxygen", Question: "Did the patient breathe room air during the test, or oxygen, and at which flow?", Who: rules.Tester, Decides: []string{"air"}, Why: "the recording does not say"},
			{Fact: "rest_spo2", Question: "Which saturation at rest, awake, on room air was recorded?", Who: rules.Office, Decides: []string{"rest-88"}, Why: "an awake value would stand in for the night"},
			{Fact: "reported_minutes", Question: "How many minutes does the signed report print?", Who: rules.Tester, Decides: []string{"asleep-88"}},
		}
	case "report":
		in.Recording, in.Analysis, in.SessionNo, in.SessionCount = nil, nil, 0, 0
		in.Demo = false
		in.Facts["reported_minutes"] = criteria.Fact{Name: "reported_minutes", State: criteria.Stated,
			Value: criteria.Value{Num: big.NewRat(36, 5), Unit: "min", Places: 1}}
		in.Determination.Because = "7.2 min at or below 88 % on the signed report (7.15 to 7.25), at least 5 min asked"
	case "withheld":
		in.Recording, in.Analysis, in.SessionNo, in.SessionCount = nil, nil, 0, 0
		in.Uploads = []Upload{{SHA256: strings.Repeat("ab", 32), Size: 70000, Withheld: "Not read: no footing for the supplier to see this result."}}
		in.Determination = criteria.Determination{Criteria: "xx-harbour", Version: "2030-01-01", Outcome: criteria.Undetermined, Disposition: "incomplete",
			CustodyBarred: true, Because: "no footing on which the supplier may see the result is stated",
			Needs: []criteria.Need{{Fact: "custody", Question: "On what footing do we hold this test?", Who: rules.Intake, Decides: []string{}}}}
	case "critical":
		in.Critical = &CriticalLimit{AtOrBelow: big.NewRat(86, 1), Source: "our choice"}
		in.Emergency = "112"
		in.Identity[0].Explained = ""
	default:
		panic("no sample " + name)
	}
	return in
}

var sampleNames = []string{"met", "not-met", "open", "report", "withheld", "critical"}

func text(t *testing.T, w *Worksheet) string {
	t.Helper()
	var b strings.Builder
	if err := w.WriteText(&b); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func fragment(t *testing.T, w *Worksheet) string {
	t.Helper()
	var b strings.Builder
	if err := w.WriteHTML(&b); err != nil {
		t.Fatal(err)
	}
	return b.String()
}
