package rules

import (
	"strings"
	"testing"
)

func TestDescribe(t *testing.T) {
	cases := []struct{ clause, want string }{
		{"fact: time_at_or_below, spo2: 88 %, at_least: 5 min", "total time at or below 88 % is at least 5 min"},
		{"fact: time_at_or_below, spo2: 88 %, at_least: 5 min", "total time at or below 88 % is at least 5 min"},
		{"fact: exertion_spo2_air, at_or_below: 88 %", "lowest saturation on exertion, on room air is at or below 88 %"},
		{"fact: rest_pao2, at_least: [56 mmHg, 7.5 kPa], at_or_below: [59 mmHg, 7.9 kPa]", "arterial oxygen pressure at rest, awake, on room air is at least 56 mmHg (7.5 kPa) and at or below 59 mmHg (7.9 kPa)"},
		{"fact: hematocrit, more_than: 56 %", "hematocrit is more than 56 %"},
		{"fact: rest_spo2, equal_to: 89 %", "saturation at rest, awake, on room air is exactly 89 %"},
		{"fact: share_at_or_below, spo2: 88 %, more_than: 30 %", "share of the denominator's time at or below 88 % is more than 30 %"},
		{"fact: share_below, spo2: 90 %, at_least: 1/3", "share of the denominator's time below 90 % is at least 1/3"},
		{"fact: time_fall_more_than, points: 5 points, at_least: 300 s", "total time more than 5 points below the pack's baseline is at least 300 s"},
		{"fact: days_order_to_test, at_least: -2 days, at_or_below: 30 days", "calendar days from the order to the test is at least -2 days and at or below 30 days"},
		{"fact: symptoms, is: true", "symptoms or signs that the practitioner attributes to low oxygen are documented"},
		{"fact: inpatient, is: false", "it is not so that the patient was an inpatient of a hospital when tested"},
		{"fact: test_performed_by, one_of: [hospital, idtf]", "who performed the test: hospital or independent diagnostic testing facility"},
		{"fact: test_oxygen, is: room_air", "what the patient breathed during the test: room air"},
		{"fact: test_oxygen, at_or_below: 2 L/min", "flow of oxygen during the test is at or below 2 L/min"},
		{"fact: order_date, known: true", "it is stated: the date of the treating practitioner's order for the test"},
		{"unsettled: the manual was not seen", "not settled: the manual was not seen"},
		{"all_of: [PART]", "all of its parts are met"},
		{"any_of: [PART]", "at least one of its parts is met"},
		{"none_of: [PART]", "none of its parts is met"},
		{"n_of: {n: 1, of: [PART]}", "at least 1 of its parts are met"},
	}
	for _, c := range cases {
		clause := strings.Replace(c.clause, "PART", "{id: part, label: Part, fact: symptoms, is: true, cite: [notice], status: verified}", 1)
		pack := goodPack[:strings.Index(goodPack, "criteria:")] + "criteria: {id: root, label: Root, cite: [notice], status: verified, " + clause + "}\n"
		l, err := Load(folder(map[string]string{"xx-bad/2030-01-01.yaml": pack}))
		if err != nil {
			t.Errorf("%s:\n%v", c.clause, err)
			continue
		}
		if got := Describe(l.History("xx-bad")[0].Criteria); got != c.want {
			t.Errorf("%s\ngot  %s\nwant %s", c.clause, got, c.want)
		}
	}
}

func TestDescribeDue(t *testing.T) {
	const after = " after the day on which oxygen at home starts or started"
	for _, c := range []struct{ due, want string }{
		{"at_least: 61 days, at_or_below: 90 days", "61 days to 90 days" + after},
		{"at_or_below: 30 days", "by 30 days" + after},
		{"at_least: 12 months", "from 12 months" + after + " on"},
		{"at_least: 1 years, at_or_below: 1 years", "1 years" + after},
	} {
		l, err := Load(folder(map[string]string{"xx-bad/2030-01-01.yaml": goodPack +
			"follow_up:\n  - {when: rest, kind: renewal, due: {from: start_date, " + c.due + "}, text: Renew., cite: [notice], status: verified}\n"}))
		if err != nil {
			t.Errorf("%s:\n%v", c.due, err)
			continue
		}
		if got := l.History("xx-bad")[0].FollowUp[0].Due.Describe(); got != c.want {
			t.Errorf("%s\ngot  %s\nwant %s", c.due, got, c.want)
		}
	}
}
